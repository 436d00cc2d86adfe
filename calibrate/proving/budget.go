package proving

import (
	"fmt"
	"math"

	"yardtally/calibrate/fit"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Means is how well a bucket test was done. "Within" means any value up to the
// limit is as likely (a rectangular distribution, GUM 4.3.7).
type Means struct {
	ScaleRelU float64              // relative standard uncertainty of the scale's calibration
	ScaleStep quantity.Mass        // smallest step of its display; full and empty are read
	Left      quantity.Mass        // film and drops not accounted for, within
	Brix      quantity.Solids      // error of the Brix reading, within
	Temp      quantity.Temperature // error of the temperature, within, K
	AirU      quantity.Density     // standard uncertainty of the air's density
	Scatter   float64              // relative standard deviation of one test
	Tests     int                  // equal tests that were averaged, at least 1
}

// Usual is what a careful person with a 10 g scale reaches. Common practice,
// no source.
var Usual = Means{
	ScaleRelU: 0.00025,
	ScaleStep: 0.010,
	Left:      0.010,
	Brix:      0.002,
	Temp:      1,
	AirU:      0.08,
	Scatter:   0.001,
	Tests:     1,
}

func (m Means) check() error {
	for _, f := range []struct {
		field string
		value float64
		most  float64
	}{
		{"scale calibration", m.ScaleRelU, 1},
		{"scale step", float64(m.ScaleStep), 100},
		{"film and drops", float64(m.Left), 100},
		{"Brix error", float64(m.Brix), 0.2},
		{"temperature error", float64(m.Temp), 20},
		{"air density uncertainty", float64(m.AirU), 1.5},
		{"scatter", m.Scatter, 1},
	} {
		if !(f.value >= 0 && f.value <= f.most) {
			return &Error{f.field, fmt.Sprintf("must be between 0 and %g", f.most), f.value}
		}
	}
	if m.Tests < 1 {
		return &Error{"tests", "must be at least 1", m.Tests}
	}
	return nil
}

// Component is one cause of uncertainty.
type Component struct {
	Name   string  // for people, such as "pulse count"
	RelU   float64 // its relative standard uncertainty of K
	DOF    float64 // degrees of freedom it was found with; 0: as good as infinite
	Common bool    // the same for all tests done with the same means, so that more tests do not lessen it
}

// Names of the components.
const (
	scaleCalibration = "scale calibration"
	scaleStep        = "scale step"
	scatter          = "scatter"
	brix             = "Brix"
	temperature      = "temperature"
	film             = "film and drops"
	pulseCount       = "pulse count"
	airDensity       = "air density"
	densityFormula   = "density formula"
)

// advice is what makes a component smaller.
var advice = map[string]string{
	scaleCalibration: "check the scale with a known weight near the bucket's",
	scaleStep:        "weigh more syrup, or use a scale with a finer step",
	scatter:          "repeat the test under the same conditions",
	brix:             "measure the Brix more closely, or prove by mass",
	temperature:      "measure the temperature at the meter more closely",
	film:             "weigh more syrup, and weigh the drained bucket as the empty one",
	pulseCount:       "weigh more syrup",
	airDensity:       "give the density of the air",
	densityFormula:   "prove by mass",
	CauseLabel:       "prove the meter with a bucket",
}

// Budget is the causes of uncertainty of a K-factor, independent of each other
// (GUM 5.1), always in the same order.
type Budget []Component

// RelU returns the combined relative standard uncertainty: the root of the sum
// of squares (GUM 5.1.2).
func (b Budget) RelU() float64 { return b.sum(func(Component) bool { return true }) }

// Own returns the part of RelU that is the test's own, and so gets less with
// more tests.
func (b Budget) Own() float64 { return b.sum(func(c Component) bool { return !c.Common }) }

func (b Budget) sum(of func(Component) bool) float64 {
	sum := 0.0
	for _, c := range b {
		if of(c) {
			sum += float64(c.RelU * c.RelU)
		}
	}
	return math.Sqrt(sum)
}

// of returns the uncertainty of one component.
func (b Budget) of(name string) float64 {
	return b.sum(func(c Component) bool { return c.Name == name })
}

// DOF returns the effective degrees of freedom, infinite if nothing says
// otherwise (Welch-Satterthwaite, GUM G.4).
func (b Budget) DOF() float64 {
	sum := 0.0
	for _, c := range b {
		if c.DOF > 0 {
			sum += math.Pow(c.RelU, 4) / c.DOF
		}
	}
	return math.Pow(b.RelU(), 4) / sum
}

// Expanded returns the half-width of the interval that holds the truth with
// probability p: RelU times Student's t for DOF, cut to an integer (GUM G.4.1).
func (b Budget) Expanded(p float64) float64 {
	return b.RelU() * fit.Student(p, math.Max(1, math.Floor(b.DOF())))
}

// Largest returns the component that dominates; the zero Component if there is none.
func (b Budget) Largest() Component {
	var most Component
	for _, c := range b {
		if c.RelU > most.RelU {
			most = c
		}
	}
	return most
}

// Advice says in words what would make the budget smaller, such as "weigh more
// syrup: the pulse count dominates"; empty if there is nothing to say.
func (b Budget) Advice() string {
	c := b.Largest()
	if advice[c.Name] == "" {
		return ""
	}
	return fmt.Sprintf("%s: the %s dominates", advice[c.Name], c.Name)
}

// budget returns the causes of uncertainty of the test's K-factor, for a syrup
// of such properties.
func (t Test) budget(p syrup.Properties) Budget {
	m, net, rect := t.means(), float64(t.Net), math.Sqrt(3)
	perAir := math.Abs(1/float64(p.Density) - 1/float64(WeightDensity)) // of ln Buoyancy, m³/kg, to first order
	b := Budget{
		{Name: scaleCalibration, RelU: m.ScaleRelU, Common: true},
		{Name: scaleStep, RelU: float64(m.ScaleStep) / 2 / rect * math.Sqrt2 / net},
		{Name: scatter, RelU: m.Scatter / math.Sqrt(float64(m.Tests))},
		{Name: film, RelU: float64(m.Left) / rect / net},
		{Name: pulseCount, RelU: 1 / t.Pulses / math.Sqrt(6)}, // ±1, triangular: first and last pulse
		{Name: airDensity, RelU: float64(m.AirU) * perAir},
	}
	if t.NoBrix {
		return b
	}
	return append(b,
		Component{Name: brix, RelU: float64(m.Brix) * math.Abs(p.DensityPerSolids) / rect},
		Component{Name: temperature, RelU: float64(m.Temp) * math.Abs(p.DensityPerKelvin) / rect},
		Component{Name: densityFormula, RelU: p.DensityU, Common: true},
	)
}

// NetFor returns how much syrup the test takes for an expanded relative uncertainty,
// 95 %, if pulses come as perKg; least is the uncertainty that no amount
// betters, and net then 0. Net and Pulses of t do not matter. Errors as of Point.
func (t Test) NetFor(expanded, perKg float64) (net quantity.Mass, least float64, err error) {
	switch {
	case !(expanded > 0 && expanded <= 1):
		return 0, 0, &Error{"wished uncertainty", "must be above 0 and at most 1", expanded}
	case !(perKg > 0 && perKg <= 1e9):
		return 0, 0, &Error{"pulses per kg", "must be above 0 and at most 1000000000", perKg}
	}
	// What goes with 1/net, and what does not, of a test of so much that it does not matter which.
	const some = 10
	t.Net, t.Pulses = some, max(1, some*perKg)
	p, err := t.Point()
	if err != nil {
		return 0, 0, err
	}
	rest, small := 0.0, 0.0
	for _, c := range p.Budget {
		switch c.Name {
		case scaleStep, film, pulseCount:
			small += float64(c.RelU * c.RelU)
		default:
			rest += float64(c.RelU * c.RelU)
		}
	}
	cover := fit.Student(0.95, math.Inf(1))
	least = cover * math.Sqrt(rest)
	room := expanded*expanded/(cover*cover) - rest
	if room <= 0 {
		return 0, least, nil
	}
	return quantity.Mass(some * math.Sqrt(small/room)), least, nil
}
