// Package quantity gives physical quantities their own types, so that a litre
// cannot be added to a second and a person's "12" cannot be taken for gallons.
//
// Inside, everything is SI (degrees Celsius for temperature, nanolitres for
// volume). A unit appears only where a person or a wire meets a number: Parse*
// demands one, System prints one.
package quantity

import "math"

// Volume is a volume in nanolitres (1e-12 m³), -9.2e9 L to +9.2e9 L.
// It is an integer so that sums do not depend on their order.
type Volume int64

// Units of volume. The US gallon is 231 cubic inches, exactly
// (NIST SP 811 appendix B.8; the inch is 25.4 mm exactly).
const (
	Nanolitre  Volume = 1
	Microlitre Volume = 1_000
	Millilitre Volume = 1_000_000
	Litre      Volume = 1_000_000_000
	CubicMetre Volume = 1_000_000_000_000
	USGallon   Volume = 3_785_411_784
	USQuart    Volume = USGallon / 4
	USPint     Volume = USGallon / 8
)

// CubicMetres returns v in m³.
func (v Volume) CubicMetres() float64 { return float64(v) / float64(CubicMetre) }

// Litres returns v in L.
func (v Volume) Litres() float64 { return float64(v) / float64(Litre) }

// USGallons returns v in US gallons.
func (v Volume) USGallons() float64 { return float64(v) / float64(USGallon) }

// VolumeOf returns the volume of m cubic metres, rounded to the nearest
// nanolitre and held at the type's limits.
func VolumeOf(cubicMetres float64) Volume {
	n := math.Round(cubicMetres * float64(CubicMetre))
	switch {
	case n >= math.MaxInt64:
		return math.MaxInt64
	case n <= math.MinInt64:
		return math.MinInt64
	case n != n:
		return 0
	}
	return Volume(n)
}

// Length is a length in metres.
type Length float64

// Units of length, exact (NIST SP 811 appendix B.8).
const (
	Metre      Length = 1
	Centimetre Length = 0.01
	Millimetre Length = 0.001
	Inch       Length = 0.0254
	Foot       Length = 0.3048
)

// Mass is a mass in kilograms.
type Mass float64

// Units of mass. The avoirdupois pound is exact (NIST SP 811 appendix B.8).
const (
	Kilogram Mass = 1
	Gram     Mass = 0.001
	Pound    Mass = 0.45359237
	Ounce    Mass = Pound / 16
)

// Pressure is a pressure in pascals; whether gauge or absolute stands at its use.
type Pressure float64

// Units of pressure. 1 psi is one pound-force (standard gravity, 9.80665 m/s²)
// on a square inch (NIST SP 811 appendix B.8).
const (
	Pascal     Pressure = 1
	Kilopascal Pressure = 1000
	Bar        Pressure = 100_000
	PSI        Pressure = 6894.757293168361
)

// Temperature is a temperature in degrees Celsius.
type Temperature float64

// Fahrenheit returns t in degrees Fahrenheit.
func (t Temperature) Fahrenheit() float64 { return float64(t)*1.8 + 32 }

// FromFahrenheit returns the temperature of f degrees Fahrenheit.
func FromFahrenheit(f float64) Temperature { return Temperature((f - 32) / 1.8) }

// Density is a density in kg/m³.
type Density float64

// Viscosity is a dynamic viscosity in Pa·s.
type Viscosity float64

// MillipascalSecond is one mPa·s, the same as one centipoise.
const MillipascalSecond Viscosity = 0.001

// Flow is a volume flow in m³/s.
type Flow float64

// Units of flow.
const (
	LitrePerMinute    Flow = 1e-3 / 60
	USGallonPerMinute Flow = 3.785411784e-3 / 60
)

// Frequency is a rate of events in 1/s.
type Frequency float64

// PerMinute is one event a minute, as shaft speeds are given.
const PerMinute Frequency = 1.0 / 60

// Solids is a mass fraction of dissolved solids, 0 to 1. Brix is a hundred
// times this number for a pure sucrose syrup.
type Solids float64

// Brix returns s as mass percent.
func (s Solids) Brix() float64 { return float64(s) * 100 }

// FromBrix returns the mass fraction of b mass percent.
func FromBrix(b float64) Solids { return Solids(b / 100) }
