// Package syrup gives the physical properties of sugar syrup from its dry
// solids, what they are made of, and its temperature: density, viscosity,
// saturation, and what a refractometer shows. Each comes with its uncertainty.
//
// A Syrup is of any makeup; Density, Viscosity and Saturation as plain
// functions are of sucrose. No function allocates unless it returns an error,
// or a text.
package syrup

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
)

// The range of density and viscosity.
const (
	MaxSolids      quantity.Solids      = 0.77 // least: 0
	MinTemperature quantity.Temperature = -5
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
	Property string // what was asked for: "density of syrup"
	Field    string // what was out of range: "Brix" or "temperature"
	Value    float64
	Min, Max float64
	Unit     string // of the three numbers: "%", "°C", or none
}

func (e *RangeError) Error() string {
	unit := e.Unit
	if unit != "" {
		unit = " " + unit
	}
	return fmt.Sprintf("%s: %s must be between %g and %g%s, is %.6g%s",
		e.Property, e.Field, e.Min, e.Max, unit, e.Value, unit)
}

func check(property string, s quantity.Solids, t quantity.Temperature) error {
	if !(s >= 0 && s <= MaxSolids) {
		return &RangeError{property, "Brix", s.Brix(), 0, MaxSolids.Brix(), "%"}
	}
	return checkTemperature(property, t, MinTemperature, MaxTemperature)
}

func checkTemperature(property string, t, least, most quantity.Temperature) error {
	if !(t >= least && t <= most) {
		return &RangeError{property, "temperature", float64(t), float64(least), float64(most), "°C"}
	}
	return nil
}

// Density returns the density of sucrose syrup, 0 to 77 % and -5 to 50 °C.
// See DensityMisfit for how sure it is, and Syrup.At for more.
func Density(s quantity.Solids, t quantity.Temperature) (quantity.Density, error) {
	if err := check("density of syrup", s, t); err != nil {
		return 0, err
	}
	v, _, _ := sucroseVolume(float64(s), float64(t), waterOf(float64(t)))
	return quantity.Density(1 / v), nil
}

// Viscosity returns the dynamic viscosity of sucrose syrup, 0 to 77 % and -5 to
// 50 °C. See ViscosityMisfit for how sure it is, and Syrup.At for more.
func Viscosity(s quantity.Solids, t quantity.Temperature) (quantity.Viscosity, error) {
	if err := check("viscosity of syrup", s, t); err != nil {
		return 0, err
	}
	log, _, _ := thick(sucroseThick, float64(s), float64(t), waterOf(float64(t)))
	return quantity.Viscosity(math.Exp(math.Ln10*log)) * quantity.MillipascalSecond, nil
}

// saturation: Vavrinecz 1962, as carried by two public codes, one citing
// Bubnik and Kadlec in Mathlouthi and Reiser 1995; in mass percent.
var saturation = [...]float64{64.447, 0.08222, 1.6169e-3, -1.558e-6, -4.63e-8}

// Saturation returns how much sucrose, as mass fraction of the syrup, water
// holds at t, 0 to 60 °C. Thicker or colder syrup can drop crystals.
// See SaturationMisfit for how sure it is.
func Saturation(t quantity.Temperature) (quantity.Solids, error) {
	if err := checkTemperature("saturation of sucrose syrup", t, MinTemperature, MaxSaturation); err != nil {
		return 0, err
	}
	w, _ := horner(float64(t), saturation[:])
	return quantity.FromBrix(w), nil
}

// Limit is how much dry solids a syrup can hold dissolved at one temperature.
type Limit struct {
	Known  bool            // whether there is a figure at all; if not, Solids and U are 0
	Solids quantity.Solids // mass fraction of the saturated syrup
	U      quantity.Solids // standard uncertainty
	Mark   Mark            // Beyond: below 0 °C, with no data

	// CanCrystallize says that this syrup can drop crystals, by what is known. It
	// may stay clear for long. False, where no figure is known, says nothing.
	CanCrystallize bool
	Note           string // what is known, for people; "" if the figure says it all
}

// Saturation returns how much solids s could hold at t, -5 to 60 °C. A figure is
// known for sucrose alone, also with up to 5 % of its solids other sugar. Of
// the others it says what is known (Buck, in Alternative Sweeteners). Errors are *RangeError.
func (s Syrup) Saturation(t quantity.Temperature) (Limit, error) {
	if !(s.Solids >= 0 && s.Solids <= MaxSolids) {
		return Limit{}, &RangeError{"saturation of syrup", "Brix", s.Solids.Brix(), 0, MaxSolids.Brix(), "%"}
	}
	if err := checkTemperature("saturation of syrup", t, MinTemperature, MaxSaturation); err != nil {
		return Limit{}, err
	}
	other := 1 - s.Makeup.Share(Sucrose)
	if other <= 0.05 {
		w, _ := horner(float64(t), saturation[:])
		l := Limit{Known: true, Solids: quantity.FromBrix(w)}
		// The two published scales differ by up to 0.5 %; below 0 °C 0.1 % a kelvin
		// and for other sugar a tenth of its share are guesses on the safe side.
		l.U = quantity.Solids(root(0.005/math.Sqrt(3), 0.001*max(0, -float64(t)), 0.1*other))
		l.CanCrystallize = s.Solids > l.Solids-SaturationMisfit
		if t < 0 {
			l.Mark, l.Note = Beyond, "no data below 0 °C: the formula is carried on; thin syrup can freeze"
		}
		return l, nil
	}
	switch s.Makeup {
	case Only(HFCS42):
		// Stated of the syrup as sold, 71 %.
		return Limit{
			Mark:           Beyond,
			CanCrystallize: t < 20 && s.Solids > 0.70,
			Note:           "no figure known; at 71 % its glucose crystallizes below about 20 °C (68 °F)",
		}, nil
	case Only(HFCS55):
		return Limit{Mark: Beyond, Note: "no figure known; at 77 % its glucose crystallizes somewhat below 20 °C (68 °F), where that of HFCS-42 does"}, nil
	case Only(Invert):
		return Limit{Mark: Beyond, Note: "no figure known; its glucose can crystallize in the cold"}, nil
	}
	return Limit{Mark: Beyond, Note: "not known for blends"}, nil
}
