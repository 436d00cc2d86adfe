package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// The String methods print SI, in full: what they print of a finite value that
// a Parse function accepts, it parses back to the very same value. They are
// for records, logs and errors; System prints for people.

// String returns v in L with as many digits as it needs: "91.2 L".
func (v Volume) String() string {
	n := uint64(v)
	sign := ""
	if v < 0 {
		n, sign = -n, "-"
	}
	s := fmt.Sprintf("%d.%09d", n/uint64(Litre), n%uint64(Litre))
	return sign + strings.TrimSuffix(strings.TrimRight(s, "0"), ".") + " L"
}

// String returns l in m: "0.412 m".
func (l Length) String() string { return full(float64(l)) + " m" }

// String returns m in kg: "20.25 kg".
func (m Mass) String() string { return full(float64(m)) + " kg" }

// String returns p in Pa: "10234 Pa".
func (p Pressure) String() string { return full(float64(p)) + " Pa" }

// String returns t in °C: "11.6 °C".
func (t Temperature) String() string { return full(float64(t)) + " °C" }

// String returns d in kg/m³: "1327 kg/m3".
func (d Density) String() string { return full(float64(d)) + " kg/m3" }

// String returns f in m³/s: "0.00013 m3/s".
func (f Flow) String() string { return full(float64(f)) + " m3/s" }

// String returns f in 1/s: "27.5 1/s".
func (f Frequency) String() string { return full(float64(f)) + " 1/s" }

// String returns s as mass percent: "66.67 Brix".
func (s Solids) String() string {
	text := full(float64(s))
	if x := float64(s); math.IsNaN(x) || math.IsInf(x, 0) {
		return text + " Brix"
	}
	digits, sign := text, ""
	if text[0] == '-' {
		digits, sign = text[1:], "-"
	}
	// A hundred times, by moving the point: exact in decimal digits.
	whole, frac, _ := strings.Cut(digits, ".")
	for len(frac) < 2 {
		frac += "0"
	}
	whole = strings.TrimLeft(whole+frac[:2], "0")
	if whole == "" {
		whole = "0"
	}
	if frac = frac[2:]; frac != "" {
		whole += "." + frac
	}
	return sign + whole + " Brix"
}

// full returns the shortest plain digits that read back as x.
func full(x float64) string { return strconv.FormatFloat(x+0, 'f', -1, 64) }

// System is the system of units a person reads. The zero value is SI.
//
// Its methods return text for people: rounded half away from zero, commas
// between thousands, never "-0.0"; what is no number, or 1e15 or
// more, is "–". The unit depends only on the system and the method, so a column has one unit;
// the Parts methods give number and unit apart.
type System uint8

// The systems of units.
const (
	SI System = iota
	US
)

// ParseSystem reads "SI" or "US", in any case.
func ParseSystem(s string) (System, error) {
	switch strings.ToUpper(strings.TrimSpace(s)) {
	case "SI":
		return SI, nil
	case "US":
		return US, nil
	}
	return SI, &ParseError{"system of units", s, "must be SI or US"}
}

// String returns "SI" or "US".
func (s System) String() string {
	if s == US {
		return "US"
	}
	return "SI"
}

// Volume returns v in L or US gal: "91.2 L", "24.1 gal"; from 1000 without decimals.
func (s System) Volume(v Volume) string { return join(s.VolumeParts(v)) }

// VolumeParts is Volume with number and unit apart.
func (s System) VolumeParts(v Volume) (number, unit string) {
	if s == US {
		return number1(v.USGallons(), 1000), "gal"
	}
	return number1(v.Litres(), 1000), "L"
}

// Mass returns m in kg or lb: "9.5 kg", "3,046 lb"; from 100 without decimals.
func (s System) Mass(m Mass) string { return join(s.MassParts(m)) }

// MassParts is Mass with number and unit apart.
func (s System) MassParts(m Mass) (number, unit string) {
	if s == US {
		return number1(float64(m/Pound), 100), "lb"
	}
	return number1(float64(m), 100), "kg"
}

// Length returns the length of a small thing, such as a level, in cm or in:
// "41.2 cm", "16.2 in". For distances see Distance.
func (s System) Length(l Length) string { return join(s.LengthParts(l)) }

// LengthParts is Length with number and unit apart.
func (s System) LengthParts(l Length) (number, unit string) {
	if s == US {
		return number1(float64(l/Inch), 1000), "in"
	}
	return number1(float64(l)*100, 1000), "cm"
}

// Distance returns a length on the ground in m or ft, without decimals from
// 10: "150 m", "492 ft".
func (s System) Distance(l Length) string { return join(s.DistanceParts(l)) }

// DistanceParts is Distance with number and unit apart.
func (s System) DistanceParts(l Length) (number, unit string) {
	if s == US {
		return number1(float64(l/Foot), 10), "ft"
	}
	return number1(float64(l), 10), "m"
}

// Temperature returns t in °C or °F without decimals: "8 °C", "46 °F".
func (s System) Temperature(t Temperature) string { return join(s.TemperatureParts(t)) }

// TemperatureParts is Temperature with number and unit apart.
func (s System) TemperatureParts(t Temperature) (number, unit string) {
	if s == US {
		return number0(t.Fahrenheit()), "°F"
	}
	return number0(float64(t)), "°C"
}

// Flow returns f in L/min or US gal/min: "7.9 L/min", "2.1 gal/min"; a flow
// below 1 with two decimals.
func (s System) Flow(f Flow) string { return join(s.FlowParts(f)) }

// FlowParts is Flow with number and unit apart.
func (s System) FlowParts(f Flow) (number, unit string) {
	x, unit := float64(f/LitrePerMinute), "L/min"
	if s == US {
		x, unit = float64(f/USGallonPerMinute), "gal/min"
	}
	if r := math.Round(math.Abs(x) * 100); r > 0 && r < 100 {
		return decimals(x, 2), unit
	}
	return number1(x, 1000), unit
}

// Pressure returns p in kPa or psi: "10.2 kPa", "36.0 psi"; from 100 without decimals.
func (s System) Pressure(p Pressure) string { return join(s.PressureParts(p)) }

// PressureParts is Pressure with number and unit apart.
func (s System) PressureParts(p Pressure) (number, unit string) {
	if s == US {
		return number1(float64(p/PSI), 100), "psi"
	}
	return number1(float64(p/Kilopascal), 100), "kPa"
}

// Density returns d in kg/m³ or lb per US gal: "1,327 kg/m³", "11.07 lb/gal".
func (s System) Density(d Density) string { return join(s.DensityParts(d)) }

// DensityParts is Density with number and unit apart.
func (s System) DensityParts(d Density) (number, unit string) {
	if s == US {
		return decimals(float64(d/poundPerUSGallon), 2), "lb/gal"
	}
	return number0(float64(d)), "kg/m³"
}

func join(number, unit string) string { return number + " " + unit }

func number0(x float64) string { return decimals(x, 0) }

// number1 has one decimal as long as that reads below limit.
func number1(x, limit float64) string {
	if math.Round(math.Abs(x)*10) < limit*10 {
		return decimals(x, 1)
	}
	return decimals(x, 0)
}

// decimals returns x with d decimals, rounded half away from zero, with commas
// between thousands.
func decimals(x float64, d int) string {
	n := math.Abs(x)
	if !(n < 1e15) {
		return "–"
	}
	n = math.Round(n * math.Pow10(d))
	sign := ""
	if x < 0 && n > 0 {
		sign = "-"
	}
	s := strconv.FormatFloat(n, 'f', 0, 64)
	for len(s) <= d {
		s = "0" + s
	}
	whole, frac := s[:len(s)-d], s[len(s)-d:]
	var b strings.Builder
	b.WriteString(sign)
	for i := range len(whole) {
		if i > 0 && (len(whole)-i)%3 == 0 {
			b.WriteByte(',')
		}
		b.WriteByte(whole[i])
	}
	if frac != "" {
		b.WriteByte('.')
		b.WriteString(frac)
	}
	return b.String()
}
