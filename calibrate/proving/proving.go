// Package proving says what one pulse of a flow meter is worth: from bucket tests, in which syrup was
// metered and weighed, or from a K-factor as such. Each test becomes a Point with its
// budget of uncertainty; points become the meter's Curve.
package proving

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

const (
	// WeightDensity is the density of the weights that scales are adjusted
	// with, exact by convention (OIML R 111; NISTIR 7383 SOP 14, from memory).
	WeightDensity quantity.Density = 8000

	// UsualAir is the density of air where none is given: near sea level at 20 °C
	// (NISTIR 7383 SOP 14, from memory). Between -5 and 35 °C and up to
	// 1000 m of height it is 1.0 to 1.3 kg/m³; 0.1 kg/m³ is worth 0.006 % of volume.
	UsualAir quantity.Density = 1.2

	// unknownSyrup is the density taken for the buoyancy of a syrup without Brix:
	// 40 to 77 % are 1170 to 1400 kg/m³; 115 kg/m³ is worth 0.008 % of mass.
	unknownSyrup quantity.Density = 1285
)

// Test is one bucket test: syrup drawn through the meter and weighed.
type Test struct {
	Name       string               // of its act; names its error where several curves share the test
	At         int64                // when it was done, Unix ns; 0: not known, taken as fresh
	Pulses     float64              // counted while drawing, 1 to 1e9
	Net        quantity.Mass        // weighed in air, without the bucket, 0.05 to 5000 kg
	Syrup      syrup.Syrup          // within the syrup room's range
	Temp       quantity.Temperature // at the meter; NaN if not known, with NoBrix only
	Seconds    float64              // how long it flowed, to a week; 0: not timed
	NoBrix     bool                 // mass proving: Syrup is not known, K is pulses per kg
	AirDensity quantity.Density     // up to 1.5 kg/m³; 0: UsualAir
	Means      Means                // the zero Means: Usual
}

// Point is what a test found, and under which condition.
type Point struct {
	Name        string
	At          int64
	Mass        bool            // K is in pulses per kg
	K           float64         // K-factor, pulses per m³ (or kg), at the temperature of the test
	PulseVolume quantity.Volume // volume of one pulse, to the nearest nanolitre; 0 if Mass
	Rate        float64         // pulses per second; 0: not timed
	Flow        quantity.Flow   // 0: not timed, or Mass
	Liquid      Liquid          // zero if Mass, but for the temperature
	RelU        float64         // combined relative standard uncertainty of K
	Budget      Budget          // its causes
}

// Liquid is what passes the meter.
type Liquid struct {
	Density   quantity.Density
	Viscosity quantity.Viscosity
	Temp      quantity.Temperature
}

// Error says what cannot be so: field, rule, value.
type Error struct {
	Field string // such as "net"
	Rule  string
	Value any
}

func (e *Error) Error() string { return fmt.Sprintf("%s: %s, is %v", e.Field, e.Rule, e.Value) }

// Limits of a K-factor, pulses per litre or kilogram. Above the upper one the
// rounding of PulseVolume would count.
const (
	minPerLitre = 0.01
	maxPerLitre = 100_000
)

// LabelRelU is the relative standard uncertainty taken for a K-factor that
// comes without one, as from a label: within ±1 %, any value as likely.
// Common practice, no source; on thick syrup a label can be further off.
const LabelRelU = 0.01 / 1.7320508

// FromK returns the point of a K-factor as such, in pulses per litre, 0.01 to
// 100000. The error is an *Error.
func FromK(perLitre float64) (Point, error) {
	p := Point{Name: CauseLabel, K: perLitre * 1000, Budget: Budget{{Name: CauseLabel, RelU: LabelRelU, Common: true}}}
	return p.finish("K-factor")
}

// finish checks K and sets what follows from it. field is what errors name.
func (p Point) finish(field string) (Point, error) {
	per, unit := p.K, "kilogram"
	if !p.Mass {
		per, unit = p.K/1000, "litre"
	}
	if !(per >= minPerLitre && per <= maxPerLitre) {
		return Point{}, &Error{field, fmt.Sprintf("must come to between %g and %d pulses per %s", minPerLitre, maxPerLitre, unit), per}
	}
	if p.RelU = p.Budget.RelU(); !p.Mass {
		p.PulseVolume = quantity.VolumeOf(1 / p.K)
		p.Flow = quantity.Flow(p.Rate / p.K)
	}
	return p, nil
}

// Buoyancy returns the factor by which a liquid's mass is larger than the mass
// that a scale shows in air.
func Buoyancy(liquid, air quantity.Density) float64 {
	return float64((1 - air/WeightDensity) / (1 - air/liquid))
}

// Volume returns the volume of a liquid that was weighed in air.
func Volume(net quantity.Mass, liquid, air quantity.Density) quantity.Volume {
	return quantity.VolumeOf(volume(net, liquid, air))
}

func volume(net quantity.Mass, liquid, air quantity.Density) float64 {
	return float64(net) * Buoyancy(liquid, air) / float64(liquid)
}

func (t Test) air() quantity.Density {
	if t.AirDensity == 0 {
		return UsualAir
	}
	return t.AirDensity
}

func (t Test) means() Means {
	if t.Means == (Means{}) {
		return Usual
	}
	return t.Means
}

// check reports the first thing that cannot be so, but for the syrup.
func (t Test) check() error {
	switch {
	case !(t.Pulses >= 1 && t.Pulses <= 1e9):
		return &Error{"pulses", "must be between 1 and 1000000000", t.Pulses}
	case !(t.Net >= 0.05 && t.Net <= 5000):
		return &Error{"net", "must be between 0.05 and 5000 kg", t.Net}
	case !(t.AirDensity >= 0 && t.AirDensity <= 1.5):
		return &Error{"air density", "must be between 0 and 1.5 kg/m3", t.AirDensity}
	case !(t.Seconds == 0 || t.Seconds >= 0.1 && t.Seconds <= 7*86400):
		return &Error{"seconds", "must be between 0.1 and 604800, or 0 if not timed", t.Seconds}
	case t.NoBrix && !math.IsNaN(float64(t.Temp)) && !(t.Temp >= syrup.MinTemperature && t.Temp <= syrup.MaxTemperature):
		return &Error{"temperature", fmt.Sprintf("must be between %v and %v", syrup.MinTemperature, syrup.MaxTemperature), t.Temp}
	}
	return t.means().check()
}

// Point returns what the test found. Errors are *Error, or wrap a *syrup.RangeError.
func (t Test) Point() (Point, error) {
	p, _, err := t.found()
	return p, err
}

// found returns the point, and the syrup's properties unless it is not known.
func (t Test) found() (Point, syrup.Properties, error) {
	if err := t.check(); err != nil {
		return Point{}, syrup.Properties{}, err
	}
	p := Point{Name: t.Name, At: t.At, Mass: t.NoBrix}
	if t.Seconds > 0 {
		p.Rate = t.Pulses / t.Seconds
	}
	if t.NoBrix {
		p.K = t.Pulses / (float64(t.Net) * Buoyancy(unknownSyrup, t.air()))
		p.Liquid.Temp = t.Temp
		p.Budget = t.budget(syrup.Properties{Density: unknownSyrup})
		p, err := p.finish("pulses and net")
		return p, syrup.Properties{}, err
	}
	pr, err := t.Syrup.At(t.Temp)
	if err != nil {
		return Point{}, pr, fmt.Errorf("bucket test: %w", err)
	}
	p.K = t.Pulses / volume(t.Net, pr.Density, t.air())
	p.Liquid = Liquid{pr.Density, pr.Viscosity, t.Temp}
	p.Budget = t.budget(pr)
	p, err = p.finish("pulses and net")
	return p, pr, err
}

// Bucket is a bucket test of sucrose syrup, not timed, with Usual means.
type Bucket struct {
	Pulses     float64
	Net        quantity.Mass
	Brix       quantity.Solids
	Temp       quantity.Temperature
	AirDensity quantity.Density
}

// Point returns what the test found, as Test.Point does.
func (b Bucket) Point() (Point, error) {
	return Test{Pulses: b.Pulses, Net: b.Net, Syrup: syrup.Syrup{Solids: b.Brix}, Temp: b.Temp, AirDensity: b.AirDensity}.Point()
}
