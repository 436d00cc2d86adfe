package mix

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// table reads a file of testdata.
func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, l := range lines[1:] {
		row := make(map[string]string)
		for i, v := range l {
			row[lines[0][i]] = v
		}
		rows = append(rows, row)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

const (
	lb       = float64(quantity.Pound)
	gal      = 3.785411784e-3 // m³
	lbPerGal = lb / gal       // kg/m³
)

// TestMixingTable checks every row of mixing.csv: 20 °C, each row computed (mark)
// from formula A, density of sucrose after Bubnik et al., Sugar Technologists
// Manual (1995) p. 164, and the solubility of Vavrinecz 1962.
func TestMixingTable(t *testing.T) {
	texts := map[string]string{
		"1:1 by weight, per lb sugar":                               "1 lb sugar + 1 lb water",
		"2:1 by weight, per lb sugar":                               "1 lb sugar + 0.5 lb water",
		"3:2 by weight":                                             "3:2 by weight",
		"5:3 by weight":                                             "5:3",
		"1:1 by weight, 1 US gal water":                             "8.33 lb sugar + 1 US gal water",
		"2:1 by weight, 1 US gal water":                             "16.661 lb sugar + 1 gal water",
		"8 lb sugar + 1 US gal water":                               "8 lb sugar + 1 US gal water",
		"16 lb sugar + 1 US gal water":                              "16 lb sugar + 1 US gal water",
		"1:1 by volume (bulk 850 kg/m3), 1 US gal of each":          "1 gal sugar + 1 gal water",
		"2:1 by volume (bulk 850 kg/m3), 2 gal sugar : 1 gal water": "2 gal sugar + 1 gal water",
		"1:1 by volume, bulk 800":                                   "1:1 by volume",
		"2:1 by volume, bulk 900":                                   "2:1 by volume",
		"4 lb bag + 8 cups water (0.5 US gal)":                      "1 bag of 4 lb sugar + 8 cups water",
		"25 lb bag + 1.5 US gal water":                              "25 lb sugar + 1.5 gal water",
		"50 lb bag + 3 US gal water":                                "2 x 25 lb sugar + 3 gal water",
	}
	rows := table(t, "mixing.csv")
	if len(rows) != len(texts) {
		t.Fatalf("%d rows, %d recipes", len(rows), len(texts))
	}
	for _, row := range rows {
		name := row["recipe"]
		t.Run(name+" (computed)", func(t *testing.T) {
			by := Usual
			if _, bulk, ok := strings.Cut(name, ", bulk "); ok {
				by.Bulk = quantity.Density(number(t, bulk))
			}
			r, err := ParseRecipe(texts[name])
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Parts) == 0 { // a ratio: as much sugar as the row has
				if r, err = r.ForSugar(quantity.Mass(number(t, row["sugar_lb"]))*quantity.Pound, 20, by); err != nil {
					t.Fatal(err)
				}
			}
			b, err := r.Mix(20, by)
			if err != nil {
				t.Fatal(err)
			}
			s, err := b.At(20, 0)
			if err != nil {
				t.Fatal(err)
			}
			for _, c := range []struct {
				column string
				got    float64
			}{
				{"sugar_lb", float64(b.Of(syrup.Sucrose).Mass()) / lb},
				{"water_lb", float64(b.Water().Mass()) / lb},
				{"brix_mass_percent", s.Syrup.Solids.Brix()},
				{"density_kg_m3_20C", float64(s.Density)},
				{"lb_per_US_gal", float64(s.Density) / lbPerGal},
				{"final_volume_US_gal", s.Volume.USGallons()},
				{"gal_per_lb_sugar", s.VolumePerKg().USGallons() * lb},
				{"lb_sugar_per_US_gal_syrup", 1 / (s.VolumePerKg().USGallons() * lb)},
			} {
				// Half of the last digit printed, and as much again for the
				// inputs, which are rounded too.
				text := row[c.column]
				_, frac, _ := strings.Cut(text, ".")
				limit := math.Pow10(-len(frac))
				if c.column == "brix_mass_percent" {
					limit = 0.01
				}
				if want := number(t, text); math.Abs(c.got-want) > limit*1.0001 {
					t.Errorf("%s = %.5f, want %s", c.column, c.got, text)
				}
			}
			switch text := row["saturation_temp_C"]; {
			case text == "below any":
				// The table ends at 0 °C.
				if s.Crystals.HasBelow && s.Crystals.Below >= 0 || s.Crystals.Can {
					t.Errorf("crystals %+v, want none", s.Crystals)
				}
			case !s.Crystals.HasBelow || math.Abs(float64(s.Crystals.Below)-number(t, text)) > 0.11:
				t.Errorf("crystals %+v, want below %s °C", s.Crystals, text)
			}
		})
	}
}

// TestByVolume: bulk sugar of 800 to 900 kg/m³ makes 44.5-47.5 Brix of 1:1 by
// volume and 61.6-64.3 of 2:1 (mixing.csv and section H of the reference:
// computed, formula A), which is the ±1.5 Brix that is told.
func TestByVolume(t *testing.T) {
	for _, c := range []struct {
		text           string
		mid, low, high float64
	}{
		{"1:1 by volume", 46.0, 44.5, 47.5},
		{"2:1 by volume", 63.0, 61.6, 64.3},
		{"2 gal sugar + 1 gal water", 63.0, 61.6, 64.3},
	} {
		r := must(ParseRecipe(c.text))
		low, high, err := r.Limits(20, Usual)
		if err != nil {
			t.Fatal(err)
		}
		s := must(must(r.Mix(20, Usual)).At(20, 0))
		for _, p := range [][2]float64{{low.Brix(), c.low}, {high.Brix(), c.high}, {s.Syrup.Solids.Brix(), c.mid}} {
			if math.Abs(p[0]-p[1]) > 0.1 {
				t.Errorf("%s: %.2f Brix, want %.1f (computed)", c.text, p[0], p[1])
			}
		}
		// A rectangle of ±1.5 has a standard deviation of 0.87; the measures add a little.
		if u := s.SolidsU.Brix(); u < 0.75 || u > 1.0 {
			t.Errorf("%s: standard uncertainty %.2f Brix, want about 0.87", c.text, u)
		}
		byWeight := must(must(must(ParseRecipe("2:1")).Mix(20, Usual)).At(20, 0))
		if u := byWeight.SolidsU.Brix(); u <= 0 || u > 0.2 {
			t.Errorf("2:1 by weight: standard uncertainty %.2f Brix", u)
		}
	}
	low, high, err := must(ParseRecipe("2:1")).Limits(20, Usual)
	if err != nil || math.Abs(float64(low-high)) > 1e-9 {
		t.Errorf("2:1 by weight between %v and %v, %v", low, high, err)
	}
}

func TestGolden(t *testing.T) {
	checked := 0
	for _, row := range table(t, "golden_syrup.csv") {
		t.Run(fmt.Sprintf("%s, %s (%s: %s)", row["property"], row["inputs"], row["how"], row["source"]), func(t *testing.T) {
			var got, a, b, c float64
			scan := func(n int, format string, into ...any) bool {
				k, err := fmt.Sscanf(row["inputs"], format, into...)
				return err == nil && k == n
			}
			switch row["property"] {
			case "mixing":
				parts := strings.Split(row["inputs"], "; ")
				r, err := ParseRecipe(parts[1])
				if err != nil {
					t.Fatal(err)
				}
				if ratio := must(ParseRecipe(parts[0])); math.Abs(float64(must(ratio.Mix(20, Usual)).Syrup().Solids-must(r.Mix(20, Usual)).Syrup().Solids)) > 1e-8 {
					t.Errorf("%q and %q differ", parts[0], parts[1])
				}
				got = must(must(r.Mix(20, Usual)).At(20, 0)).Volume.USGallons()
			case "units":
				got = float64(must(quantity.ParseDensity("1 lb/US gal")))
			case "density_hfcs42", "density_hfcs55":
				if !scan(2, "ds=%f%%; T=%fF", &a, &b) {
					t.Fatal(row["inputs"])
				}
				k := must(syrup.ParseKind("hfcs-" + row["property"][len("density_hfcs"):]))
				if math.Abs(AsSold(k).Brix()-a) > 1e-9 {
					t.Errorf("%v as sold is %v", k, AsSold(k))
				}
				temp := quantity.FromFahrenheit(b)
				in := must(ParseRecipe(fmt.Sprintf("1 gal %v at %g °F", k, b)))
				batch := must(in.Mix(temp, Usual))
				got = float64(batch.Total().Mass()) / lb
				if v := must(batch.At(temp, 0)).Volume; math.Abs(v.USGallons()-1) > 1e-7 {
					t.Errorf("a gallon comes back as %v", v)
				}
			case "solubility_sucrose":
				if !scan(1, "T=%fC", &c) {
					t.Fatal(row["inputs"])
				}
				// The other way: syrup of the expected solids is saturated near that temperature.
				target := Recipe{Target: quantity.FromBrix(number(t, row["expected"]))}
				below := must(must(target.Mix(20, Usual)).At(20, 0)).Crystals
				if !below.HasBelow {
					t.Fatalf("%+v", below)
				}
				got = must(syrup.Saturation(quantity.Temperature(c))).Brix()
				// Slope of the curve: 0.08 to 0.15 % a kelvin, so 0.1 % is about 1 K.
				if math.Abs(float64(below.Below)-c) > 1 {
					t.Errorf("saturated at %v, want %g °C", below.Below, c)
				}
			default:
				t.Fatalf("no check for %q", row["property"])
			}
			if want := number(t, row["expected"]); math.Abs(got-want) > number(t, row["tolerance"]) {
				t.Errorf("%.6f %s, want %s ± %s", got, row["unit"], row["expected"], row["tolerance"])
			}
		})
		checked++
	}
	if checked != 7 {
		t.Errorf("%d rows checked, want 7", checked)
	}
}

// TestUnits checks every row of units_us_si.csv against what package quantity
// parses or, for units that no room reads, what follows from its constants.
func TestUnits(t *testing.T) {
	const g = 9.80665 // m/s², exact by definition, NIST SP 811 (memory)
	volume := func(s string) float64 { return must(quantity.ParseVolume(s)).CubicMetres() }
	water4 := must(syrup.Density(0, 4)) // kg/m³
	inch, foot := float64(quantity.Inch), float64(quantity.Foot)
	got := map[string]float64{
		"inch":                       float64(must(quantity.ParseLength("1 inch"))),
		"foot":                       float64(must(quantity.ParseLength("1 foot"))),
		"pound avoirdupois":          float64(must(MicrogramsOf("", must(quantity.ParseMass("1 lb"))))) / 1e9,
		"US gallon":                  volume("1 US gallon"),
		"US quart":                   volume("1 qt") * 1000,
		"US pint":                    volume("1 pt") * 1000,
		"US fluid ounce":             volume("1000 cups") * 1e6 / 8000,
		"cubic foot":                 foot * foot * foot * 1000,
		"US gal/min":                 float64(must(quantity.ParseFlow("1 US gal/min"))) * 1000,
		"lb/US gal":                  float64(must(quantity.ParseDensity("1 lb/US gal"))),
		"pound-force":                float64(quantity.PSI) * inch * inch,
		"psi":                        float64(must(quantity.ParsePressure("1 psi"))),
		"inch of water 4 C":          float64(water4) * g * inch,
		"bar":                        float64(must(quantity.ParsePressure("1 bar"))),
		"centipoise":                 float64(quantity.MillipascalSecond) * 1000,
		"centistoke":                 float64(quantity.MillipascalSecond) / 1000 * 1e6, // of a liquid of 1000 kg/m³
		"US horsepower 550 ft.lbf/s": 550 * foot * float64(quantity.PSI) * inch * inch,
		"standard gravity":           float64(quantity.PSI) * inch * inch / lb,
	}
	checked := 0
	for _, row := range table(t, "units_us_si.csv") {
		checked++
		if row["unit"] == "degF" {
			for f, c := range map[string]float64{"32 °F": 0, "212 °F": 100, "-40 °F": -40, "68 °F": 20} { // (F-32)/1.8, exact: row's factor
				if x := must(quantity.ParseTemperature(f)); row["factor"] != "(F-32)/1.8" || math.Abs(float64(x)-c) > 1e-12 {
					t.Errorf("%s = %v, want %g °C", f, x, c)
				}
			}
			continue
		}
		limit := 1e-9
		if row["status"] == "rounded" {
			limit = 1e-5
		}
		x, ok := got[row["unit"]]
		if want := number(t, row["factor"]); !ok || math.Abs(x/want-1) > limit {
			t.Errorf("1 %s = %.10g %s, want %s (%s; %s)", row["unit"], x, row["to"], row["factor"], row["status"], row["how"])
		}
	}
	if checked != len(got)+1 {
		t.Errorf("%d rows checked of %d", checked, len(got)+1)
	}
}
