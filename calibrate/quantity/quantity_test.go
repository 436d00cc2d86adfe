package quantity

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// near reports whether got is want to a relative 1e-12: conversions may differ
// by the last bits between architectures.
func near(got, want float64) bool {
	return math.Abs(got-want) <= 1e-12*math.Max(1e-300, math.Abs(want))
}

// TestFactors checks every factor used here; each row says how its value came
// about: read in the named document, computed, or from memory.
func TestFactors(t *testing.T) {
	for _, row := range []struct {
		unit, to string
		factor   float64
		status   string
		how      string
		got      float64
	}{
		{"inch", "m", 0.0254, "exact", "memory NIST SP 811", float64(Inch)},
		{"foot", "m", 0.3048, "exact", "memory NIST SP 811", float64(Foot)},
		{"pound avoirdupois", "kg", 0.45359237, "exact", "read (Nebraska Energy Office conversion table marks it exact); NIST SP 811", float64(Pound)},
		{"US gallon", "m3", 0.003785411784, "exact: 231 cubic inches", "read 231 in3 (mp-units and pub.dev unit docs); product computed", USGallon.CubicMetres()},
		{"US quart", "L", 0.946352946, "exact", "computed gallon/4", USQuart.Litres()},
		{"US pint", "L", 0.473176473, "exact", "computed gallon/8", USPint.Litres()},
		{"US gal/min", "L/s", 0.0630901964, "exact", "computed gallon/60", float64(USGallonPerMinute) * 1000},
		{"lb/US gal", "kg/m3", 119.82642731689663, "computed from exact", "computed", float64(poundPerUSGallon)},
		{"psi", "Pa", 6894.757293168361, "computed from exact", "computed lbf/in2", float64(PSI)},
		{"bar", "Pa", 100000, "exact", "memory NIST SP 811", float64(Bar)},
		{"centipoise", "mPa.s", 1, "exact", "memory NIST SP 811", float64(MillipascalSecond) * 1000},
		{"degF", "degC", (46 - 32) / 1.8, "exact", "memory NIST SP 811, (F-32)/1.8 at 46 F", float64(FromFahrenheit(46))},
	} {
		if !near(row.got, row.factor) {
			t.Errorf("1 %s = %v %s, want %v (%s; %s)", row.unit, row.got, row.to, row.factor, row.status, row.how)
		}
	}
	// 231 in³, by integers: 25.4 mm is 254 tenths, and a cubic tenth of a mm is a µL/1000 = 1 nL.
	if got := Volume(231 * 254 * 254 * 254); got != USGallon {
		t.Errorf("231 in³ = %d nL, USGallon = %d nL", got, USGallon)
	}
}

func TestParse(t *testing.T) {
	volume := func(s string) (float64, error) { v, err := ParseVolume(s); return float64(v), err }
	length := func(s string) (float64, error) { v, err := ParseLength(s); return float64(v), err }
	mass := func(s string) (float64, error) { v, err := ParseMass(s); return float64(v), err }
	temp := func(s string) (float64, error) { v, err := ParseTemperature(s); return float64(v), err }
	pressure := func(s string) (float64, error) { v, err := ParsePressure(s); return float64(v), err }
	flow := func(s string) (float64, error) { v, err := ParseFlow(s); return float64(v), err }
	density := func(s string) (float64, error) { v, err := ParseDensity(s); return float64(v), err }
	freq := func(s string) (float64, error) { v, err := ParseFrequency(s); return float64(v), err }
	brix := func(s string) (float64, error) { v, err := ParseBrix(s); return float64(v), err }
	// Factors: NIST SP 811, see TestFactors.
	for _, c := range []struct {
		parse func(string) (float64, error)
		in    string
		want  float64
	}{
		{volume, "12 gal", 12 * 3785411784},
		{volume, "12gal", 12 * 3785411784},
		{volume, "  1  US   gal ", 3785411784},
		{volume, "1 gallon", 3785411784},
		{volume, "2 Gallons", 2 * 3785411784},
		{volume, "0.25 gal", 946352946},
		{volume, "1 qt", 946352946},
		{volume, "1 pt", 473176473},
		{volume, "8 cups", 2 * 946352946},
		{volume, "1 cup", 236588237}, // 236588236.5 nL: computed gallon/16, half away from zero
		{volume, "-1 US cup", -236588237},
		{volume, "1.5 L", 1.5e9},
		{volume, "1.5 l", 1.5e9},
		{volume, ".5 litres", 5e8},
		{volume, "+1 litre", 1e9},
		{volume, "1. liter", 1e9},
		{volume, "3 liters", 3e9},
		{volume, "250 mL", 2.5e8},
		{volume, "250 ml", 2.5e8},
		{volume, "1.041 m3", 1.041e12},
		{volume, "1 m³", 1e12},
		{volume, "-0.000000001 L", -1},
		{volume, "−1 L", -1e9},
		{volume, "0.0000000005 L", 1}, // half away from zero
		{volume, "-0.0000000005 L", -1},
		{volume, "0.00000000049999 L", 0},
		{length, "0.95 m", 0.95},
		{length, "95 cm", 0.95},
		{length, "412 mm", 0.412},
		{length, "10 in", 0.254},
		{length, `10"`, 0.254},
		{length, "100 ft", 30.48},
		{mass, "20 kg", 20},
		{mass, "20250 g", 20.25},
		{mass, "1 lb", 0.45359237},
		{mass, "16 oz", 0.45359237},
		{mass, "1.381 t", 1381},
		{temp, "8 C", 8},
		{temp, "8 °C", 8},
		{temp, "46 F", 70.0 / 9},
		{temp, "32 °F", 0},
		{temp, "-40°F", -40},
		{temp, "-40 C", -40},
		{pressure, "36 psi", 36 * 6894.757293168361},
		{pressure, "10.2 kPa", 10200},
		{pressure, "2.5 bar", 250000},
		{pressure, "12 mbar", 1200},
		{pressure, "10234 Pa", 10234},
		{pressure, "-24 kPa", -24000},
		{flow, "6 L/min", 1e-4},
		{flow, "2 gal/min", 2 * 3.785411784e-3 / 60},
		{flow, "2 gpm", 2 * 3.785411784e-3 / 60},
		{flow, "0.0001 m3/s", 1e-4},
		{flow, "0.1 L/s", 1e-4},
		{density, "1327 kg/m3", 1327},
		{density, "1.327 g/mL", 1327},
		{density, "1 lb/gal", 119.82642731689663},
		{freq, "27.5 1/s", 27.5},
		{freq, "27.5 Hz", 27.5},
		{freq, "1650 1/min", 27.5},
		{freq, "1650 rpm", 27.5},
		{freq, "1650 RPM", 27.5},
		{brix, "64 Brix", 0.64},
		{brix, "64 %", 0.64},
		{brix, "64%", 0.64},
		{brix, "66.67 °Brix", 0.6667},
	} {
		got, err := c.parse(c.in)
		if err != nil || !near(got, c.want) {
			t.Errorf("%q = %v, %v; want %v", c.in, got, err, c.want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	volume := func(s string) error { _, err := ParseVolume(s); return err }
	temp := func(s string) error { _, err := ParseTemperature(s); return err }
	pressure := func(s string) error { _, err := ParsePressure(s); return err }
	mass := func(s string) error { _, err := ParseMass(s); return err }
	density := func(s string) error { _, err := ParseDensity(s); return err }
	freq := func(s string) error { _, err := ParseFrequency(s); return err }
	brix := func(s string) error { _, err := ParseBrix(s); return err }
	for _, c := range []struct {
		parse         func(string) error
		in            string
		quantity, has string
	}{
		{volume, "12", "volume", "must name its unit, one of gal, qt, pt, L, mL, m3"},
		{volume, "", "volume", "must be a number and its unit"},
		{volume, "gal", "volume", "must be a number and its unit"},
		{volume, ".", "volume", "must be a number and its unit"},
		{volume, "12 psi", "volume", "must end in its unit"},
		{volume, "1,5 L", "volume", "decimal point"},
		{volume, "1,500 L", "volume", "decimal point"},
		{volume, "1 500 L", "volume", "must end in its unit"},
		{volume, "1/2 gal", "volume", "must end in its unit"},
		{volume, "1.2.3 gal", "volume", "must end in its unit"},
		{volume, "1e3 L", "volume", "must end in its unit"},
		{volume, "NaN L", "volume", "must be a number"},
		{volume, "Inf L", "volume", "must be a number"},
		{volume, "-Inf L", "volume", "must be a number"},
		{volume, "--1 L", "volume", "must be a number"},
		{volume, "9223373 m3", "volume", "must be less than"},
		{volume, strings.Repeat("9", 401) + " L", "volume", "shorter than"},
		{volume, "12 ML", "volume", "must end in its unit"}, // mega is not milli
		{mass, strings.Repeat("9", 390) + " kg", "mass", "large"},
		{mass, "20", "mass", "must name its unit"},
		{pressure, "12 Mbar", "pressure", "must end in its unit"},
		{temp, "46", "temperature", "must name its unit, one of °C, °F"},
		{temp, "-274 C", "temperature", "-273.15"},
		{temp, "-460 F", "temperature", "-273.15"},
		{density, "-1 kg/m3", "density", "negative"},
		{freq, "51/s", "frequency", "must end in its unit"}, // is it 5 1/s?
		{brix, "64", "Brix", "must name its unit"},
		{brix, "101 Brix", "Brix", "between 0 and 100"},
		{brix, "-1 %", "Brix", "between 0 and 100"},
	} {
		err := c.parse(c.in)
		var pe *ParseError
		if !errors.As(err, &pe) {
			t.Errorf("%q: error %v, want a *ParseError", c.in, err)
			continue
		}
		if pe.Quantity != c.quantity || pe.Input != c.in || !strings.Contains(pe.Rule, c.has) {
			t.Errorf("%q: %+v, want a rule with %q", c.in, pe, c.has)
		}
		if text := err.Error(); !strings.HasPrefix(text, c.quantity+": ") || !strings.Contains(text, "is \"") || len(text) > 300 {
			t.Errorf("%q: text %q", c.in, text)
		}
	}
}

func TestSystem(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{US.Volume(91_200 * Millilitre), "24.1 gal"},
		{SI.Volume(91_200 * Millilitre), "91.2 L"},
		{US.Volume(USGallon * 9 / 10), "0.9 gal"},
		{US.Volume(275 * USGallon), "275.0 gal"},
		{US.Volume(1000 * USGallon), "1,000 gal"},
		{SI.Volume(999_949 * Millilitre), "999.9 L"},
		{SI.Volume(999_950 * Millilitre), "1,000 L"},
		{SI.Volume(50 * Millilitre), "0.1 L"}, // half away from zero
		{SI.Volume(-50 * Millilitre), "-0.1 L"},
		{SI.Volume(250 * Millilitre), "0.3 L"}, // half to even would say 0.2
		{SI.Volume(-49 * Millilitre), "0.0 L"}, // no "-0.0"
		{SI.Volume(math.MinInt64), "-9,223,372,037 L"},
		{SI.Temperature(8.4), "8 °C"},
		{US.Temperature(FromFahrenheit(46)), "46 °F"},
		{SI.Temperature(-0.4), "0 °C"},
		{SI.Temperature(-0.5), "-1 °C"},
		{US.Flow(2.1 * USGallonPerMinute), "2.1 gal/min"},
		{US.Flow(0.17 * USGallonPerMinute), "0.17 gal/min"},
		{US.Flow(0.996 * USGallonPerMinute), "1.0 gal/min"},
		{US.Flow(0), "0.0 gal/min"},
		{US.Flow(-1e-12), "0.0 gal/min"},
		{SI.Flow(1e-4), "6.0 L/min"},
		{US.Mass(1381.4), "3,045 lb"},
		{US.Mass(1381.7), "3,046 lb"},
		{SI.Mass(20.25), "20.3 kg"},
		{SI.Mass(1381.4), "1,381 kg"},
		{SI.Length(0.412), "41.2 cm"},
		{US.Length(0.412), "16.2 in"},
		{SI.Distance(150), "150 m"},
		{SI.Distance(9.96), "10 m"},
		{US.Distance(150), "492 ft"},
		{SI.Pressure(10234), "10.2 kPa"},
		{SI.Pressure(2.5 * Bar), "250 kPa"},
		{US.Pressure(36 * PSI), "36.0 psi"},
		{SI.Density(1326.8), "1,327 kg/m³"},
		{US.Density(1326.8), "11.07 lb/gal"},
		{SI.Mass(Mass(math.NaN())), "– kg"},
		{SI.Mass(Mass(math.Inf(1))), "– kg"},
		{US.Density(Density(math.MaxFloat64)), "– lb/gal"},
		{SI.String() + US.String(), "SIUS"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
	if n, u := US.VolumeParts(USGallon); n != "1.0" || u != "gal" {
		t.Errorf("VolumeParts = %q, %q", n, u)
	}
	for in, want := range map[string]System{"si": SI, " US ": US, "SI": SI} {
		if got, err := ParseSystem(in); got != want || err != nil {
			t.Errorf("ParseSystem(%q) = %v, %v", in, got, err)
		}
	}
	var pe *ParseError
	if _, err := ParseSystem("imperial"); !errors.As(err, &pe) || pe.Error() != `system of units: must be SI or US, is "imperial"` {
		t.Errorf("ParseSystem(imperial): %v", err)
	}
}

func TestString(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{(91_200 * Millilitre).String(), "91.2 L"},
		{Volume(0).String(), "0 L"},
		{Volume(-1).String(), "-0.000000001 L"},
		{Volume(math.MinInt64).String(), "-9223372036.854775808 L"},
		{Length(0.412).String(), "0.412 m"},
		{Mass(math.Copysign(0, -1)).String(), "0 kg"},
		{Temperature(11.6).String(), "11.6 °C"},
		{Flow(1e-7).String(), "0.0000001 m3/s"},
		{Solids(0.6667).String(), "66.67 Brix"},
		{Solids(0.07).String(), "7 Brix"},
		{Solids(0.001).String(), "0.1 Brix"},
		{Solids(1).String(), "100 Brix"},
		{Solids(0).String(), "0 Brix"},
		{Solids(math.Inf(-1)).String(), "-Inf Brix"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

// FuzzParse: no input panics, and what a value prints parses back to it.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"12 gal", "12", "1,5 L", "-40 °F", "9223372036.854775807 L", "1.7976931348623157 kg",
		"0.07 %", "66.67 Brix", "1650 rpm", "36psi", "\xff1 L", "−1 m³", "M", "5 1/s", "1e9 L"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		round(t, s, ParseVolume)
		round(t, s, ParseLength)
		round(t, s, ParseMass)
		round(t, s, ParseTemperature)
		round(t, s, ParsePressure)
		round(t, s, ParseFlow)
		round(t, s, ParseDensity)
		round(t, s, ParseFrequency)
		round(t, s, ParseBrix)
	})
}

func round[Q interface {
	comparable
	String() string
}](t *testing.T, s string, parse func(string) (Q, error)) {
	t.Helper()
	v, err := parse(s)
	if err != nil {
		var pe *ParseError
		if !errors.As(err, &pe) || err.Error() == "" {
			t.Fatalf("%q: %v is no *ParseError", s, err)
		}
		return
	}
	if again, err := parse(v.String()); err != nil || again != v {
		t.Fatalf("%q = %s, which parses to %v, %v", s, v.String(), again, err)
	}
}

// FuzzValue: any finite value prints so that it parses back exactly.
func FuzzValue(f *testing.F) {
	f.Add(0.1, int64(1))
	f.Add(math.MaxFloat64, int64(math.MinInt64))
	f.Add(math.SmallestNonzeroFloat64, int64(math.MaxInt64))
	f.Fuzz(func(t *testing.T, x float64, n int64) {
		if again, err := ParseVolume(Volume(n).String()); err != nil || again != Volume(n) {
			t.Fatalf("%d prints %s, which parses to %d, %v", n, Volume(n), again, err)
		}
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return
		}
		if again, err := ParsePressure(Pressure(x).String()); err != nil || again != Pressure(x) {
			t.Fatalf("%v prints %s, which parses to %v, %v", x, Pressure(x), again, err)
		}
		if b := math.Mod(math.Abs(x), 1); b >= 0 {
			if again, err := ParseBrix(Solids(b).String()); err != nil || again != Solids(b) {
				t.Fatalf("%v prints %s, which parses to %v, %v", b, Solids(b), again, err)
			}
		}
	})
}
