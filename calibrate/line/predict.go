package line

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
)

// Known says how well the conditions of a prediction are known. Of a batch or a night that Learn saw
// names what it made of it is used; of others, and of those without a name, SolidsU, TempU and the usual difference between nights.
type Known struct {
	Of      Of
	SolidsU quantity.Solids
	TempU   float64 // K
}

// Parts are the relative standard uncertainties of a flow, by cause.
type Parts struct {
	Line        float64 // what was learnt: labels, formulas as far as they matter together, groups seen before
	Scatter     float64 // of one pull; not of the mean of many
	Brix        float64
	Temperature float64
	Pressure    float64 // the pump's: another night's throttle; none with a gauge
	Formula     float64 // viscosity's, where it runs otherwise with temperature than it is said to
	Transition  float64 // friction's, where it runs otherwise with Reynolds number
}

// Combined returns the root of the sum of squares: the causes are independent.
func (p Parts) Combined() float64 {
	return math.Sqrt(square(p.Line) + square(p.Scatter) + square(p.Brix) + square(p.Temperature) + square(p.Pressure) + square(p.Formula) + square(p.Transition))
}

// Prediction is what a pull should be.
type Prediction struct {
	Point
	Sense  Sense
	RelU   float64 // standard uncertainty of ln flow
	Parts  Parts
	Lo, Hi quantity.Flow // a pull is between them in 95 of 100
}

// within95 is how many standard uncertainties hold 95 %.
const within95 = 1.959963985

// unlike is which part of a viscosity formula's uncertainty is not the same at another temperature
// and Brix; judgement.
const unlike = 0.4

// Predict returns what a pull under these conditions should be. A stalled line is predicted as
// flow 0, its uncertainty as 1. Errors are *Error.
func (l *Learnt) Predict(c *Conditions, k Known) (Prediction, error) {
	if l.cov == nil {
		return Prediction{}, &Error{"line", "must have been learnt", "not so"}
	}
	if err := c.check(); err != nil {
		return Prediction{}, err
	}
	if err := between("uncertainty of solids", float64(k.SolidsU), 0, 0.2); err != nil {
		return Prediction{}, err
	}
	if err := between("uncertainty of temperature, K", k.TempU, 0, 20); err != nil {
		return Prediction{}, err
	}
	batch, known := l.batch[k.Of.Batch]
	if !known || k.Of.Batch == "" {
		batch = -1
	}
	night, tonight := l.night[k.Of.Night]
	if !tonight || k.Of.Night == "" {
		night = -1
	}
	row := make([]float64, len(l.coef))
	p, s, ok := l.point(c, batch, night, row)
	if !ok {
		return Prediction{Point: p, RelU: 1}, nil
	}
	v := 0.0
	for i, a := range row {
		for j, b := range row {
			v += a * l.cov[i][j] * b
		}
	}
	parts := Parts{Line: math.Sqrt(max(0, v)), Scatter: l.Scatter, Formula: math.Abs(s.LnViscosity) * c.ViscosityU * unlike, Transition: l.form(row)}
	if batch < 0 {
		parts.Brix = math.Abs(s.Solids) * float64(k.SolidsU)
	}
	if night < 0 {
		parts.Temperature = math.Abs(s.Kelvin) * k.TempU
		if c.Outlet == 0 {
			parts.Pressure = s.LnPressure * l.nightWidth(c)
		}
	}
	u := parts.Combined()
	wide := quantity.Flow(math.Exp(within95 * u))
	return Prediction{Point: p, Sense: s, RelU: u, Parts: parts, Lo: p.Flow / wide, Hi: p.Flow * wide}, nil
}

// Line returns the line as learnt, to be asked without uncertainty.
func (l *Learnt) Line() Line { return l.linked }

// Words says what was learnt and what was not, a sentence each.
func (l *Learnt) Words() []string {
	said := []string{fmt.Sprintf("From %d pulls: one pull scatters by %.1f %%.", l.Used, 100*l.Scatter)}
	tell := func(name, why string, ln, u, told float64) {
		percent := 100 * math.Expm1(ln)
		switch {
		case told < 0.5:
			said = append(said, fmt.Sprintf("%s is %+.1f %% off its label, within %.1f %% either way.", name, percent, 200*u))
		case told < 0.85:
			said = append(said, fmt.Sprintf("%s is known a little better than by its label: %+.1f %%, within %.1f %%.", name, percent, 200*u))
		default:
			said = append(said, fmt.Sprintf("%s can not be told from these pulls%s.", name, why))
		}
	}
	tell("The hose's bore", "", l.Scale.LnBore, l.U.LnBore, l.Told.LnBore)
	tell("The pump's pressure", "", l.Scale.LnPressure, l.U.LnPressure, l.Told.LnPressure)
	thick := ""
	if l.hangs < 0.1 {
		thick = fmt.Sprintf(": syrup so thick hardly feels the nozzle, a tenth of its area is %.1f %% of flow", 10*l.hangs)
	}
	tell("The nozzle's area", thick, l.Scale.LnNozzle, l.U.LnNozzle, l.Told.LnNozzle)
	if l.Together < 0.5 && l.Told.LnBore > 0.5 {
		said = append(said, "Bore and pressure together are known, for flow hangs on their product; which of them it is, a pressure gauge would tell.")
	}
	for _, o := range l.Outliers {
		said = append(said, o.Words())
	}
	return said
}
