package tote

import (
	"math"

	"yardtally/calibrate/quantity"
)

// SoundSpeed returns the speed of sound in dry air, m/s, as in an ideal gas:
// 331.3·√(1+t/273.15), 331.2 to 331.6 at 0 °C in the literature (read). The
// common 331.3 + 0.606 t is its tangent at 0 °C and 0.06 % above it at 20 °C,
// which a published 342.6 ± 0.8 m/s there does not bear out.
func SoundSpeed(t quantity.Temperature) float64 {
	return soundAtZero * math.Sqrt(max(0, 1+float64(t)/273.15))
}

const (
	soundAtZero = 331.3
	// Moist air carries sound faster by 0.1 to 0.6 % (read), less what the
	// sensor's maker allowed for it: not corrected, relative standard uncertainty.
	moistRelU = 0.002
)

// Echo returns what an ultrasonic sensor's distance is worth: it takes time
// for distance as if the air were at made, and the air is at air.
func Echo(said quantity.Length, made, air quantity.Temperature) quantity.Length {
	return said * quantity.Length(SoundSpeed(air)/SoundSpeed(made))
}

// FromHeadspace returns the level under a sensor that measures down to the
// surface. sensor is the height of its face above the floor. The level is
// negative if the headspace is larger than that.
func FromHeadspace(headspace, sensor quantity.Length) quantity.Length {
	return sensor - headspace
}

// Range of densities that can be a syrup's.
const minDensity, maxDensity = 500, 2000

// FromHead returns the level over a gauge-pressure sensor in a vented tote.
// sensor is its height above the floor. A relative error of the density is one
// of the height over the sensor. A small negative pressure (a sensor's zero)
// gives a level below the sensor. All errors are *Error.
func FromHead(p quantity.Pressure, d quantity.Density, sensor quantity.Length) (quantity.Length, error) {
	if !(d >= minDensity && d <= maxDensity) {
		return 0, &Error{"density", "must be between 500 and 2000 kg/m3", d}
	}
	if math.IsNaN(float64(p)) || math.IsInf(float64(p), 0) {
		return 0, &Error{"head", "must be a number", p}
	}
	return quantity.Length(float64(p)/(float64(d)*Gravity)) + sensor, nil
}

// MassOfHead returns the mass that stands over a gauge-pressure sensor between
// straight walls around a plan of area m². No density is needed.
func MassOfHead(p quantity.Pressure, area float64) quantity.Mass {
	return quantity.Mass(float64(p) * area / Gravity)
}

// TiltError returns how much too high the surface stands at a distance from
// the plan's centroid, when the tote leans that way by an angle, rad. Times the
// plan area it is a volume.
func TiltError(distance quantity.Length, angle float64) quantity.Length {
	return distance * quantity.Length(math.Tan(angle))
}

// SloshFrequency returns the frequency of the first swing of a liquid between
// two walls: √(g k tanh kh)/2π with k = π/length (linear theory of waves; h is
// the depth). The longest way between walls swings slowest. It is 0 unless
// both are above 0.
func SloshFrequency(length, depth quantity.Length) quantity.Frequency {
	if !(length > 0 && depth > 0) {
		return 0
	}
	k := math.Pi / float64(length)
	return quantity.Frequency(math.Sqrt(Gravity*k*math.Tanh(k*float64(depth))) / (2 * math.Pi))
}

// Rest returns how long after a stop a level should not be believed, s: 24
// swings of the surface, 30 s at least (common practice, no source; thin syrup
// damps no better than water). 60 s at most: a puddle swings slowly, but little.
func Rest(length, depth quantity.Length) float64 {
	f := SloshFrequency(length, depth)
	if f == 0 {
		return 30
	}
	return min(60, max(30, 24/float64(f)))
}

// Usable returns what can be drawn of v: all but what stays below the outlet,
// and never less than nothing.
func Usable(v, unusable quantity.Volume) quantity.Volume { return max(0, v-unusable) }

// Mass returns the mass of a volume of syrup, without the tote.
func Mass(v quantity.Volume, d quantity.Density) quantity.Mass {
	return quantity.Mass(v.CubicMetres() * float64(d))
}

// Expanded returns the volume that v becomes when its density goes from one to
// another: what a tote gave up, cold, as a meter saw it, warm. The mass stays.
// Densities that are not above 0 leave it as it is.
func Expanded(v quantity.Volume, from, to quantity.Density) quantity.Volume {
	if !(from > 0 && to > 0) {
		return v
	}
	return quantity.VolumeOf(v.CubicMetres() * float64(from/to))
}
