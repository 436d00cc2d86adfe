// Package proving says what one pulse of a flow meter is worth: from a bucket
// of syrup that was metered and weighed, or from a K-factor as such.
package proving

import (
	"fmt"

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
)

// Bucket is a bucket test: syrup drawn through the meter and weighed.
type Bucket struct {
	Pulses     float64              // counted while drawing, 1 to 1e9
	Net        quantity.Mass        // weighed in air, without the bucket, 0.05 to 5000 kg
	Brix       quantity.Solids      // of sucrose syrup, within the syrup room's range
	Temp       quantity.Temperature // at the meter, within the syrup room's range
	AirDensity quantity.Density     // up to 1.5 kg/m³; 0: UsualAir
}

// Point is what a proving found, under the flow and temperature it was done at.
type Point struct {
	K           float64         // K-factor, pulses per m³
	PulseVolume quantity.Volume // volume of one pulse, to the nearest nanolitre
	RelU        float64         // relative standard uncertainty of K
}

// Error says what cannot be so: field, rule, value.
type Error struct {
	Field string // such as "net"
	Rule  string
	Value any
}

func (e *Error) Error() string { return fmt.Sprintf("%s: %s, is %v", e.Field, e.Rule, e.Value) }

// Limits of a K-factor, pulses per litre. Above the upper one the rounding of
// PulseVolume would count.
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
	return point("K-factor", perLitre*1000, LabelRelU)
}

func point(field string, k, relU float64) (Point, error) {
	perLitre := k / 1000
	if !(perLitre >= minPerLitre && perLitre <= maxPerLitre) {
		return Point{}, &Error{field, fmt.Sprintf("must come to between %g and %d pulses per litre", minPerLitre, maxPerLitre), perLitre}
	}
	return Point{K: k, PulseVolume: quantity.VolumeOf(1 / k), RelU: relU}, nil
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

func (b Bucket) air() quantity.Density {
	if b.AirDensity == 0 {
		return UsualAir
	}
	return b.AirDensity
}

// check reports the first thing that cannot be so.
func (b Bucket) check() error {
	switch {
	case !(b.Pulses >= 1 && b.Pulses <= 1e9):
		return &Error{"pulses", "must be between 1 and 1000000000", b.Pulses}
	case !(b.Net >= 0.05 && b.Net <= 5000):
		return &Error{"net", "must be between 0.05 and 5000 kg", b.Net}
	case !(b.AirDensity >= 0 && b.AirDensity <= 1.5):
		return &Error{"air density", "must be between 0 and 1.5 kg/m3", b.AirDensity}
	}
	return nil
}

// Point returns what the test found, its uncertainty with Usual means. Errors
// are *Error, or wrap a *syrup.RangeError.
func (b Bucket) Point() (Point, error) {
	budget, err := b.Budget(Usual)
	if err != nil {
		return Point{}, err
	}
	d, err := syrup.Density(b.Brix, b.Temp)
	if err != nil {
		return Point{}, fmt.Errorf("bucket test: %w", err)
	}
	return point("pulses and net", b.Pulses/volume(b.Net, d, b.air()), budget.RelU())
}
