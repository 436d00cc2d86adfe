package quantity

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
	"unicode/utf8"
)

// ParseError says why a person's input is not a quantity.
type ParseError struct {
	Quantity string // what was asked for, such as "volume"
	Input    string // what was given
	Rule     string // what it must be
}

func (e *ParseError) Error() string {
	in := e.Input
	if len(in) > 60 {
		cut := 60
		for cut > 0 && !utf8.RuneStart(in[cut]) {
			cut--
		}
		in = in[:cut] + "..."
	}
	return fmt.Sprintf("%s: %s, is %q", e.Quantity, e.Rule, in)
}

// The Parse functions read what a person writes: a number in plain digits and
// its unit ("12" is refused, "12 gal" is not). All their errors are
// *ParseError. A minus is read; whether it makes sense is the caller's matter,
// unless the function says otherwise.

// unit is one unit with all its accepted spellings, in lower case; the first
// is the one that errors show, in the case it is usually written in. A number
// in the unit, times ten to the power of exp, times factor, is in SI.
type unit struct {
	spell  []string
	exp    int
	factor float64 // 0: 1
}

func spell(s ...string) []string { return s }

// The accepted units. gal, qt, pt and cup are the US ones. Letter case is free,
// but for a leading M, which is never taken for m (it would be mega).
var (
	volumeUnits = []struct {
		spell []string
		size  Volume
		per   int64 // so many of the unit are one size
	}{
		{spell("gal", "us gal", "gallon", "gallons", "us gallon", "us gallons"), USGallon, 1},
		{spell("qt", "us qt", "quart", "quarts"), USQuart, 1},
		{spell("pt", "us pt", "pint", "pints"), USPint, 1},
		{spell("L", "litre", "litres", "liter", "liters"), Litre, 1},
		{spell("mL"), Millilitre, 1},
		{spell("m3", "m³"), CubicMetre, 1},
		{spell("cup", "cups", "us cup", "us cups"), USPint, 2}, // half a nanolitre over a whole number of them
	}
	lengthUnits = []unit{
		{spell("m", "metre", "metres", "meter", "meters"), 0, 0},
		{spell("cm"), -2, 0},
		{spell("mm"), -3, 0},
		{spell("in", "inch", "inches", `"`, "″"), 0, float64(Inch)},
		{spell("ft", "foot", "feet", "'", "′"), 0, float64(Foot)},
	}
	massUnits = []unit{
		{spell("kg"), 0, 0},
		{spell("g"), -3, 0},
		{spell("t"), 3, 0},
		{spell("lb", "lbs", "pound", "pounds"), 0, float64(Pound)},
		{spell("oz", "ounce", "ounces"), 0, float64(Ounce)},
	}
	temperatureUnits = []unit{
		{spell("°C", "c", "degc", "deg c"), 0, 0},
		{spell("°F", "f", "degf", "deg f"), 0, 0}, // see ParseTemperature
	}
	pressureUnits = []unit{
		{spell("Pa"), 0, 0},
		{spell("kPa"), 3, 0},
		{spell("bar"), 5, 0},
		{spell("mbar"), 2, 0},
		{spell("psi"), 0, float64(PSI)},
	}
	flowUnits = []unit{
		{spell("L/min", "lpm"), 0, float64(LitrePerMinute)},
		{spell("L/s"), -3, 0},
		{spell("gal/min", "us gal/min", "gpm"), 0, float64(USGallonPerMinute)},
		{spell("m3/s", "m³/s"), 0, 0},
	}
	densityUnits = []unit{
		{spell("kg/m3", "kg/m³"), 0, 0},
		{spell("kg/L"), 3, 0},
		{spell("g/mL", "g/cm3", "g/cm³"), 3, 0},
		{spell("lb/gal", "lb/us gal"), 0, float64(poundPerUSGallon)},
	}
	frequencyUnits = []unit{
		{spell("1/s", "Hz"), 0, 0},
		{spell("1/min", "rpm", "r/min"), 0, float64(PerMinute)},
	}
	solidsUnits = []unit{
		{spell("Brix", "°Brix", "bx", "°bx", "%"), -2, 0},
	}
)

// poundPerUSGallon follows from the exact pound and gallon.
const poundPerUSGallon Density = 0.45359237 / 3.785411784e-3

// longest bounds what is read. The longest text of a float64 in plain digits
// has some 345.
const longest = 400

// cut divides input into a number in plain digits (sign, digits, point,
// digits) and the unit after it.
func cut(quantity, input, units string) (number, unit string, err error) {
	refuse := func(rule string) (string, string, error) {
		return "", "", &ParseError{quantity, input, rule}
	}
	if len(input) > longest {
		return refuse(fmt.Sprintf("must be shorter than %d characters", longest))
	}
	s := strings.TrimSpace(input)
	sign := ""
	for _, p := range []string{"-", "−", "+"} {
		if rest, ok := strings.CutPrefix(s, p); ok {
			s = rest
			if p != "+" {
				sign = "-"
			}
			break
		}
	}
	digits, point := 0, false
	i := 0
	for ; i < len(s); i++ {
		if c := s[i]; '0' <= c && c <= '9' {
			digits++
		} else if c == '.' && !point {
			point = true
		} else {
			break
		}
	}
	if i < len(s) && s[i] == ',' {
		return refuse("must have a decimal point and no commas (1.5 or 1500, not 1,5 or 1,500)")
	}
	if digits == 0 {
		return refuse("must be a number and its unit, one of " + units)
	}
	unit = strings.ToLower(strings.Join(strings.Fields(s[i:]), " "))
	if strings.HasPrefix(strings.TrimSpace(s[i:]), "M") {
		unit = "M" + unit[1:]
	}
	if unit == "" {
		return refuse("must name its unit, one of " + units)
	}
	return sign + s[:i], unit, nil
}

func unitNames(us []unit) string {
	names := make([]string, len(us))
	for i, u := range us {
		names[i] = u.spell[0]
	}
	return strings.Join(names, ", ")
}

func match(spellings []string, u string) bool {
	for _, s := range spellings {
		if strings.ToLower(s) == u {
			return true
		}
	}
	return false
}

// parse reads a number and one of the units; it returns the value in SI and
// which unit it was.
func parse(quantity, input string, units []unit) (float64, int, error) {
	number, name, err := cut(quantity, input, unitNames(units))
	if err != nil {
		return 0, 0, err
	}
	for i, u := range units {
		if !match(u.spell, name) {
			continue
		}
		// The decimal shift is left to ParseFloat, which rounds once.
		x, err := strconv.ParseFloat(number+"e"+strconv.Itoa(u.exp), 64)
		if u.factor != 0 {
			x *= u.factor
		}
		if err != nil || math.IsInf(x, 0) {
			return 0, 0, &ParseError{quantity, input, "must not be that large"}
		}
		return x + 0, i, nil // + 0: no negative zero
	}
	return 0, 0, &ParseError{quantity, input, "must end in its unit, one of " + unitNames(units)}
}

// ParseVolume reads a volume, such as "12 gal" or "45.5 L", exactly, rounded
// half away from zero to the nanolitre.
func ParseVolume(s string) (Volume, error) {
	var names []string
	for _, u := range volumeUnits {
		if u.per == 1 { // a cup is for recipes: read, but not offered
			names = append(names, u.spell[0])
		}
	}
	units := strings.Join(names, ", ")
	number, name, err := cut("volume", s, units)
	if err != nil {
		return 0, err
	}
	for _, u := range volumeUnits {
		if !match(u.spell, name) {
			continue
		}
		whole, frac, _ := strings.Cut(number, ".")
		n, ok := new(big.Int).SetString(whole+frac, 10)
		if !ok { // cut has seen digits, so this is never reached
			return 0, &ParseError{"volume", s, "must start with a number"}
		}
		// n·size/(per·10^d), half away from zero: double, add one divisor, halve.
		d := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(len(frac))), nil)
		d.Mul(d, big.NewInt(u.per))
		n.Mul(n, big.NewInt(2*int64(u.size)))
		if n.Sign() < 0 {
			n.Sub(n, d)
		} else {
			n.Add(n, d)
		}
		n.Quo(n, d.Mul(d, big.NewInt(2)))
		if !n.IsInt64() {
			return 0, &ParseError{"volume", s, "must be less than 9,200,000 m3"}
		}
		return Volume(n.Int64()), nil
	}
	return 0, &ParseError{"volume", s, "must end in its unit, one of " + units}
}

// ParseLength reads a length, such as "0.95 m" or "37.5 in".
func ParseLength(s string) (Length, error) {
	x, _, err := parse("length", s, lengthUnits)
	return Length(x), err
}

// ParseMass reads a mass, such as "20 kg" or "44 lb".
func ParseMass(s string) (Mass, error) {
	x, _, err := parse("mass", s, massUnits)
	return Mass(x), err
}

// ParseTemperature reads a temperature, such as "8 °C" or "46 F". Below
// absolute zero is refused.
func ParseTemperature(s string) (Temperature, error) {
	x, i, err := parse("temperature", s, temperatureUnits)
	t := Temperature(x)
	if i == 1 {
		t = FromFahrenheit(x)
	}
	if err == nil && t < -273.15-1e-9 {
		return 0, &ParseError{"temperature", s, "must not be below -273.15 °C"}
	}
	return t, err
}

// ParsePressure reads a pressure, such as "36 psi" or "2.5 bar".
func ParsePressure(s string) (Pressure, error) {
	x, _, err := parse("pressure", s, pressureUnits)
	return Pressure(x), err
}

// ParseFlow reads a volume flow, such as "2.1 gal/min" or "8 L/min".
func ParseFlow(s string) (Flow, error) {
	x, _, err := parse("flow", s, flowUnits)
	return Flow(x), err
}

// ParseDensity reads a density, such as "1327 kg/m3" or "11.07 lb/gal". It
// must not be negative.
func ParseDensity(s string) (Density, error) {
	x, _, err := parse("density", s, densityUnits)
	if err == nil && x < 0 {
		return 0, &ParseError{"density", s, "must not be negative"}
	}
	return Density(x), err
}

// ParseFrequency reads a rate of events or a shaft speed, such as "27.5 1/s"
// or "1650 rpm".
func ParseFrequency(s string) (Frequency, error) {
	x, _, err := parse("frequency", s, frequencyUnits)
	return Frequency(x), err
}

// ParseBrix reads a mass percentage of dissolved solids, such as "64 Brix" or
// "64 %", 0 to 100.
func ParseBrix(s string) (Solids, error) {
	x, _, err := parse("Brix", s, solidsUnits)
	if err == nil && (x < 0 || x > 1) {
		return 0, &ParseError{"Brix", s, "must be between 0 and 100"}
	}
	return Solids(x), err
}
