package proving

import (
	"fmt"
	"math"

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

// Component is one cause of uncertainty.
type Component struct {
	Name string  // for people, such as "pulse count"
	RelU float64 // its relative standard uncertainty of K
}

// Budget is the causes of uncertainty of a K-factor, independent of each other
// (GUM 5.1), always in the same order.
type Budget []Component

// RelU returns the combined relative standard uncertainty: the root of the sum
// of squares (GUM 5.1.2).
func (b Budget) RelU() float64 {
	sum := 0.0
	for _, c := range b {
		sum += float64(c.RelU * c.RelU)
	}
	return math.Sqrt(sum)
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

// Budget returns the causes of uncertainty of the test's K-factor, for a test
// done with such means. Errors are *Error, or wrap a *syrup.RangeError.
func (b Bucket) Budget(m Means) (Budget, error) {
	if err := b.check(); err != nil {
		return nil, err
	}
	if err := m.check(); err != nil {
		return nil, err
	}
	d, err := syrup.Density(b.Brix, b.Temp)
	if err != nil {
		return nil, fmt.Errorf("bucket test: %w", err)
	}
	perBrix, perKelvin := sensitivity(b.Brix, b.Temp)
	rect, net := math.Sqrt(3), float64(b.Net)
	perAir := math.Abs(1/float64(d) - 1/float64(WeightDensity)) // of ln Buoyancy, m³/kg, to first order
	return Budget{
		{"scale calibration", m.ScaleRelU},
		{"scale step", float64(m.ScaleStep) / 2 / rect * math.Sqrt2 / net},
		{"scatter", m.Scatter / math.Sqrt(float64(m.Tests))},
		{"Brix", float64(m.Brix) * perBrix / rect},
		{"temperature", float64(m.Temp) * perKelvin / rect},
		{"film and drops", float64(m.Left) / rect / net},
		{"pulse count", 1 / b.Pulses / math.Sqrt(6)}, // ±1, triangular: first and last pulse
		{"air density", float64(m.AirU) * perAir},
		{"density formula", float64(syrup.DensityMisfit) / rect / float64(d)},
	}, nil
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

// sensitivity returns by how much, relatively, density changes for a mass
// fraction of 1 and for 1 K, as slopes at s and t, which are in range.
func sensitivity(s quantity.Solids, t quantity.Temperature) (perSolids, perKelvin float64) {
	const ds, dt = 0.001, 0.5
	lo, hi := max(0, s-ds), min(syrup.MaxSolids, s+ds)
	cold, warm := max(syrup.MinTemperature, t-dt), min(syrup.MaxTemperature, t+dt)
	return math.Abs(logRatio(lo, t, hi, t)) / float64(hi-lo), math.Abs(logRatio(s, cold, s, warm)) / float64(warm-cold)
}

func logRatio(s1 quantity.Solids, t1 quantity.Temperature, s2 quantity.Solids, t2 quantity.Temperature) float64 {
	a, err1 := syrup.Density(s1, t1)
	b, err2 := syrup.Density(s2, t2)
	if err1 != nil || err2 != nil {
		return math.NaN() // both points were held in range, so this is never reached
	}
	return math.Log(float64(b / a))
}
