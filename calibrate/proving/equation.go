package proving

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
)

// EquationKind is a form that a curve can have.
type EquationKind uint8

// The forms.
const (
	FromLabel EquationKind = iota // one K for every flow, a label's
	FromOne                       // one K for every flow, from one proving
	Flat                          // one K for every flow, from several
	Slip                          // an oval gear's: K less what slips
	Rising                        // a turbine's: rising with f/nu, held at both ends
)

// Equation is a curve's equation in numbers.
type Equation struct {
	Kind EquationKind
	Mass bool    // K is pulses per kg
	K    float64 // pulses per m³ (kg); of a rising curve at LowX

	Friction, Inertia  float64              // of Slip: relative slips at 10 L/min of 10 mPa·s; the one goes with 1/(mu Q), the other with rho Q/mu
	HighK, LowX, HighX float64              // of Rising; X in Hz per mm²/s
	Ref                quantity.Temperature // where K holds
	PerKelvin          float64              // relative change of K for 1 K warmer
}

// Words says the equation, in a person's units.
func (e Equation) Words(s quantity.System) string {
	one, unit, flow, said, degree, step := 1e-3, "L", 1.0, "10 L/min", "°C", 1.0
	if s == quantity.US {
		one, unit, degree, step = quantity.USGallon.CubicMetres(), "gal", "°F", 1.8
		flow, said = 2*quantity.USGallon.Litres()/10, "2 gal/min"
	}
	if e.Mass {
		if one, unit = 1, "kg"; s == quantity.US {
			one, unit = float64(quantity.Pound), "lb"
		}
	}
	percent := func(x float64, digits int) string {
		if math.Abs(x)*100 < 0.5*math.Pow10(-digits) {
			x = 0 // and never "-0"
		}
		return fmt.Sprintf("%.*f %%", digits, 100*x)
	}
	text := ""
	switch e.Kind {
	case FromLabel:
		return fmt.Sprintf("K = %.5g pulses/%s for every flow and temperature, from a label", e.K*one, unit)
	case FromOne:
		text = fmt.Sprintf("K = %.5g pulses/%s for every flow, from one proving", e.K*one, unit)
	case Flat:
		text = fmt.Sprintf("K = %.5g pulses/%s for every flow", e.K*one, unit)
	case Slip:
		text = fmt.Sprintf("K = %.5g pulses/%s less slip: %s at %s of 10 mPa·s by friction, less with more flow or viscosity; %s by inertia, more with more flow, less with more viscosity",
			e.K*one, unit, percent(e.Friction/flow, 3), said, percent(e.Inertia*flow, 3))
	case Rising:
		text = fmt.Sprintf("K rises from %.5g to %.5g pulses/%s between %.3g and %.3g Hz per mm²/s, and is held beyond",
			e.K*one, e.HighK*one, unit, e.LowX, e.HighX)
	}
	t, change := float64(e.Ref), "less"
	if s == quantity.US {
		t = e.Ref.Fahrenheit()
	}
	if e.PerKelvin > 0 {
		change = "more"
	}
	return text + fmt.Sprintf("; at %.1f %s, and %s %s for 1 %s warmer", t, degree, percent(math.Abs(e.PerKelvin)/step, 4), change, degree)
}
