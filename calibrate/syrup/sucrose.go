// Package syrup gives the physical properties of sugar syrup from its
// dissolved solids and its temperature. Today the sugar is sucrose.
//
// No function allocates unless it returns an error, which is a *RangeError.
package syrup

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
)

// The range of Density and Viscosity.
const (
	MaxSolids      quantity.Solids      = 0.75 // least: 0
	MinTemperature quantity.Temperature = 0
	MaxTemperature quantity.Temperature = 50
)

// MaxSaturation is the highest temperature of Saturation; the lowest is
// MinTemperature.
const MaxSaturation quantity.Temperature = 60

// How far the formulas are from published tables, at worst. Errors of Brix
// and temperature come on top and are mostly larger: at 66.7 % one Brix is
// worth 0.46 % of density and some 25 % of viscosity; at 10 °C one degree is
// worth 0.03 % of density and 8.5 % of viscosity.
const (
	// DensityMisfit: against the tables of the CRC Handbook (102nd and older
	// editions) at 20 °C, to 76 %, and of the Torun physics laboratory at 15 °C,
	// to 37 %. No table was at hand above 20 °C or below 15 °C but for water;
	// there it rests on the formula's own source.
	DensityMisfit quantity.Density = 0.36

	// ViscosityMisfit, relative, to 70 % of solids: fitted without them, the formula
	// predicts the 1918 series of the Bureau of Standards to 6 % at worst (2 %
	// rms) and the chart of NBS Circular 440 to 5 %; fitted with them, 5.4 %
	// is the worst point.
	ViscosityMisfit = 0.06

	// ViscosityMisfitThick, relative, above 70 %: the same hold-out test
	// predicts the chart of NBS Circular 440 13-18 % low at 75 %.
	ViscosityMisfitThick = 0.18

	// SaturationMisfit: 0.12 % against a table of the same scale at 40 °C,
	// 0.02 % at 20 °C. The older Herzfeld scale (CRC Handbook) differs by up
	// to 0.5 %, so the true edge is no better known than that.
	SaturationMisfit quantity.Solids = 0.0012
)

// RangeError says that a formula was asked outside its range.
type RangeError struct {
	Property string // "density", "viscosity" or "saturation"
	Field    string // "Brix" or "temperature"
	Value    float64
	Min, Max float64
	Unit     string // of the three numbers: "%" or "°C"
}

func (e *RangeError) Error() string {
	return fmt.Sprintf("%s of sucrose syrup: %s must be between %g and %g %s, is %.6g %s",
		e.Property, e.Field, e.Min, e.Max, e.Unit, e.Value, e.Unit)
}

func check(property string, s quantity.Solids, t quantity.Temperature) error {
	if !(s >= 0 && s <= MaxSolids) {
		return &RangeError{property, "Brix", s.Brix(), 0, MaxSolids.Brix(), "%"}
	}
	return checkTemperature(property, t, MaxTemperature)
}

func checkTemperature(property string, t, most quantity.Temperature) error {
	if !(t >= MinTemperature && t <= most) {
		return &RangeError{property, "temperature", float64(t), float64(MinTemperature), float64(most), "°C"}
	}
	return nil
}

// Coefficients of the density of sucrose solutions: Bubnik et al., Sugar
// Technologists Manual (Bartens 1995) p. 164, 0 to 100 °C, as carried by two
// unrelated public codes. The codes differ in the fourth of densityA (-3.9643
// and -3.9646), which is worth 0.0001 kg/m³.
// densityA stands at 20 °C; B to E are for each power of (t-20)/100.
var (
	densityA = [...]float64{385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890}
	densityB = [...]float64{-46.2720, -7.1720, 1.1597, 5.1126, 17.5254}
	densityC = [...]float64{59.7712, 7.2491, 12.3630, -35.4791}
	densityD = [...]float64{-47.2207, -21.6977, 27.6301}
	densityE = [...]float64{18.3184, 12.3081}
	waterNum = [...]float64{999.83952, 16.952577, -7.9905127e-3, -46.241757e-6, 105.84601e-9, -281.03006e-12}
)

// Density returns the density of sucrose syrup, 0 to 75 % and 0 to 50 °C.
// See DensityMisfit for how sure it is.
func Density(s quantity.Solids, t quantity.Temperature) (quantity.Density, error) {
	if err := check("density", s, t); err != nil {
		return 0, err
	}
	x, deg := float64(s), float64(t)
	T := (deg - 20) / 100
	water := horner(deg, waterNum[:]) / (1 + float64(16.887236e-3*deg))
	sum := horner(x, densityE[:])
	sum = float64(sum*T) + horner(x, densityD[:])
	sum = float64(sum*T) + horner(x, densityC[:])
	sum = float64(sum*T) + horner(x, densityB[:])
	sum = float64(sum*T) + horner(x, densityA[:])
	return quantity.Density(water + float64(x*sum)), nil
}

// Viscosity returns the dynamic viscosity of sucrose syrup, 0 to 75 % and 0 to
// 50 °C. See ViscosityMisfit for how sure it is.
//
// Form after Genotelle (Mathlouthi and Genotelle 1995, chapter 6), whose own
// constants are 10-15 % high below 10 °C; these constants are our own fit to
// the tables of the CRC Handbook, the 1918 series of the Bureau of Standards
// and NBS Circular 440, all of which the tests compare with. Viscosity of
// water after Swindells, CRC Handbook (constants from memory but for two).
func Viscosity(s quantity.Solids, t quantity.Temperature) (quantity.Viscosity, error) {
	if err := check("viscosity", s, t); err != nil {
		return 0, err
	}
	w, deg := s.Brix(), float64(t)
	d := deg - 20
	var log float64 // of the viscosity in mPa·s, to base 10
	if deg >= 20 {
		const log1002 = 0.0008677215312269144 // log10 of 1.002
		log = log1002 - (float64(1.3272*d)+float64(0.001053*float64(d*d)))/(deg+105)
	} else {
		log = 1301/(998.333+float64(8.1855*d)+float64(0.00585*float64(d*d))) - 1.30233
	}
	n := w / (1900 - float64(18*w))
	p := -d / (90 + deg)
	nn := float64(n * n)
	log += float64(22.1671*n) + float64(35.3314*nn) - float64(124.920*float64(nn*n))
	log += float64(p * (float64(15.1091*n) + float64(96.1406*nn)))
	return quantity.Viscosity(math.Exp(math.Ln10*log)) * quantity.MillipascalSecond, nil
}

// saturation: Vavrinecz 1962, as carried by two public codes, one citing
// Bubnik and Kadlec in Mathlouthi and Reiser 1995; in mass percent.
var saturation = [...]float64{64.447, 0.08222, 1.6169e-3, -1.558e-6, -4.63e-8}

// Saturation returns how much sucrose, as mass fraction of the syrup, water
// holds at t, 0 to 60 °C. Thicker or colder syrup can drop crystals.
// See SaturationMisfit for how sure it is.
func Saturation(t quantity.Temperature) (quantity.Solids, error) {
	if err := checkTemperature("saturation", t, MaxSaturation); err != nil {
		return 0, err
	}
	return quantity.FromBrix(horner(float64(t), saturation[:])), nil
}

// horner returns c[0] + c[1] x + c[2] x² + ... The conversion keeps the
// compiler from fusing multiply and add, so that every machine agrees.
func horner(x float64, c []float64) float64 {
	sum := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		sum = float64(sum*x) + c[i]
	}
	return sum
}
