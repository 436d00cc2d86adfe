package syrup

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
)

// table reads a file of testdata; its rows carry their own source, and a mark
// in the column "how": read, computed or memory.
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

func inRange(w, deg float64) bool { return w <= 77 && deg <= 50 }

// golden reads one of the inputs of a golden row: the number after its name.
func golden(t *testing.T, row map[string]string, name string) float64 {
	t.Helper()
	for _, part := range strings.Split(strings.ReplaceAll(row["inputs"], "reading ", "reading="), "; ") {
		for _, word := range strings.Fields(part) {
			if v, ok := strings.CutPrefix(word, name+"="); ok {
				return number(t, strings.TrimRight(v, "%CFBx"))
			}
		}
	}
	t.Fatalf("no %s in %q", name, row["inputs"])
	return 0
}

// TestGolden checks every row of the golden table but those of the rooms mix
// and quantity; each names its source and mark.
func TestGolden(t *testing.T) {
	const poundPerGallon = 119.826427 // kg/m³ (NIST SP 811)
	checked, elsewhere := 0, 0
	for _, row := range table(t, "golden_syrup.csv") {
		var got float64
		var err error
		at := func(k Kind, solids string, deg float64) Properties {
			var p Properties
			p, err = Syrup{Only(k), quantity.FromBrix(golden(t, row, solids))}.At(quantity.Temperature(deg))
			return p
		}
		celsius := func() float64 { return golden(t, row, "T") }
		fahrenheit := func() float64 { return float64(quantity.FromFahrenheit(golden(t, row, "T"))) }
		switch row["property"] {
		case "density_sucrose":
			got = float64(at(Sucrose, "w", celsius()).Density)
		case "viscosity_sucrose":
			got = float64(at(Sucrose, "w", celsius()).Viscosity / quantity.MillipascalSecond)
		case "density_hfcs42":
			got = float64(at(HFCS42, "ds", fahrenheit()).Density) / poundPerGallon
		case "density_hfcs55":
			got = float64(at(HFCS55, "ds", fahrenheit()).Density) / poundPerGallon
		case "viscosity_hfcs42":
			got = float64(at(HFCS42, "ds", fahrenheit()).Viscosity / quantity.MillipascalSecond)
		case "viscosity_hfcs55":
			got = float64(at(HFCS55, "ds", fahrenheit()).Viscosity / quantity.MillipascalSecond)
		case "refractive_index_sucrose":
			got, err = RefractiveIndex(quantity.FromBrix(golden(t, row, "w")))
		case "refractometer_temp_correction":
			got, err = Refractometer{}.TemperatureCorrection(golden(t, row, "reading"), quantity.Temperature(celsius()))
		case "refractometer_invert_offset":
			var f Finding
			f, err = Refractometer{}.True(golden(t, row, "reading"), 20, Only(Invert))
			got = f.MakeupAdded.Brix()
		case "solubility_sucrose":
			var s quantity.Solids
			s, err = Saturation(quantity.Temperature(celsius()))
			got = s.Brix()
		case "mixing", "units":
			elsewhere++
			continue
		default:
			t.Errorf("row of unknown property %q", row["property"])
			continue
		}
		checked++
		if err != nil || math.Abs(got-number(t, row["expected"])) > number(t, row["tolerance"]) {
			t.Errorf("%s at %s = %.4f, %v; want %s ± %s %s (%s, %s)", row["property"], row["inputs"], got, err,
				row["expected"], row["tolerance"], row["unit"], row["source"], row["how"])
		}
	}
	if checked != 19 || elsewhere != 3 {
		t.Errorf("checked %d rows, left %d, want 19 and 3", checked, elsewhere)
	}
}

func TestDensityTable(t *testing.T) {
	worst := 0.0
	for _, row := range table(t, "density_sucrose.csv") {
		w, deg := number(t, row["mass_percent"]), number(t, row["temp_C"])
		got, err := Density(quantity.FromBrix(w), quantity.Temperature(deg))
		if !inRange(w, deg) {
			if err == nil {
				t.Errorf("%g %%, %g °C: no error outside the range", w, deg)
			}
			continue
		}
		if err != nil {
			t.Errorf("%g %%, %g °C: %v", w, deg, err)
		}
		// Our own column, computed apart from this code and rounded to 0.01.
		if a := number(t, row["formula_A_kg_m3"]); math.Abs(float64(got)-a) > 0.0051 {
			t.Errorf("%g %%, %g °C: %.4f, the formula is %g", w, deg, got, a)
		}
		miss := math.Abs(float64(got) - number(t, row["density_kg_m3"]))
		worst = max(worst, miss)
		if miss > float64(DensityMisfit) {
			t.Errorf("%g %%, %g °C: %.2f, want %s (%s, %s)", w, deg, got, row["density_kg_m3"], row["source"], row["how"])
		}
	}
	t.Logf("worst miss %.3f kg/m³", worst)
}

func TestViscosityTable(t *testing.T) {
	worst, used := 0.0, 0
	for _, row := range table(t, "viscosity_sucrose.csv") {
		w, deg := number(t, row["mass_percent"]), number(t, row["temp_C"])
		v, err := Viscosity(quantity.FromBrix(w), quantity.Temperature(deg))
		if !inRange(w, deg) {
			if err == nil {
				t.Errorf("%g %%, %g °C: no error outside the range", w, deg)
			}
			continue
		}
		if err != nil {
			t.Errorf("%g %%, %g °C: %v", w, deg, err)
		}
		got := float64(v / quantity.MillipascalSecond)
		// Our own column, computed apart from this code and rounded to four digits,
		// with water that jumps by 6e-5 at 20 °C.
		if b := number(t, row["formula_B_mPas"]); math.Abs(got/b-1) > 5.7e-4 {
			t.Errorf("%g %%, %g °C: %.5g, the formula is %g", w, deg, got, b)
		}
		if row["used_in_fit"] != "yes" {
			continue // the row says why it is no evidence
		}
		used++
		miss := math.Abs(got/number(t, row["viscosity_mPas"]) - 1)
		worst = max(worst, miss)
		limit := 0.032
		if w == 60 && deg == 15 {
			limit = 0.055 // one old point; that series runs 3-4 % low near 20 °C against later tables
		}
		if miss > limit {
			t.Errorf("%g %%, %g °C: %.4g, want %s (%s, %s)", w, deg, got, row["viscosity_mPas"], row["source"], row["how"])
		}
	}
	if worst > ViscosityMisfit || used < 60 {
		t.Errorf("worst miss %.3f of %d rows", worst, used)
	}
	t.Logf("worst miss %.2f %% of %d rows", worst*100, used)
}

func TestSaturationTable(t *testing.T) {
	for _, row := range table(t, "solubility_sucrose.csv") {
		deg := number(t, row["temp_C"])
		got, err := Saturation(quantity.Temperature(deg))
		limit := SaturationMisfit.Brix() + 0.005 // tables print 0.01
		switch {
		case strings.Contains(row["source"], "Herzfeld"):
			limit = 0.5
		case row["how"] == "computed":
			limit = 0.0051
		}
		if err != nil || math.Abs(got.Brix()-number(t, row["saturation_mass_percent"])) > limit {
			t.Errorf("%g °C: %.3f, %v, want %s (%s, %s)", deg, got.Brix(), err, row["saturation_mass_percent"], row["source"], row["how"])
		}
	}
}

// TestGrid compares with a grid computed apart from this code, in SI and lb/gal.
func TestGrid(t *testing.T) {
	for _, row := range table(t, "grid_sucrose_computed.csv") {
		w, deg := number(t, row["mass_percent"]), number(t, row["temp_C"])
		s, temp := quantity.FromBrix(w), quantity.Temperature(deg)
		d, err := Density(s, temp)
		v, err2 := Viscosity(s, temp)
		if !inRange(w, deg) {
			if err == nil || err2 == nil {
				t.Errorf("%g %%, %g °C: no error outside the range", w, deg)
			}
			continue
		}
		sat, err3 := Saturation(temp)
		if err != nil || err2 != nil || err3 != nil {
			t.Errorf("%g %%, %g °C: %v, %v, %v", w, deg, err, err2, err3)
		}
		if want := number(t, row["density_kg_m3_formula_A"]); math.Abs(float64(d)-want) > 0.0051 {
			t.Errorf("%g %%, %g °C: density %.4f, want %g", w, deg, d, want)
		}
		if want := number(t, row["viscosity_mPas_formula_B"]); math.Abs(float64(v/quantity.MillipascalSecond)-want) > max(5.7e-4*want, 0.00051) {
			t.Errorf("%g %%, %g °C: viscosity %.5g, want %g", w, deg, v/quantity.MillipascalSecond, want)
		}
		if want := row["above_saturation"] == "yes"; (s > sat) != want {
			t.Errorf("%g %%, %g °C: above saturation %v, want %v", w, deg, s > sat, want)
		}
	}
}

// TestMixing checks density by the volume that recipes give, computed apart
// from this code (mass over density at 20 °C; US gallon of 231 in³).
func TestMixing(t *testing.T) {
	for _, row := range table(t, "mixing.csv") {
		sugar, water := number(t, row["sugar_lb"]), number(t, row["water_lb"])
		d, err := Density(quantity.Solids(sugar/(sugar+water)), 20)
		if err != nil {
			t.Fatal(err)
		}
		gal := (sugar + water) * float64(quantity.Pound) / float64(d) / quantity.USGallon.CubicMetres()
		if want := number(t, row["final_volume_US_gal"]); math.Abs(gal-want) > 0.0002*want+0.00006 {
			t.Errorf("%s: %.5f gal, want %g", row["recipe"], gal, want)
		}
	}
}

// TestMonotone: density and viscosity rise with solids; viscosity falls with
// temperature, density too (water alone has its maximum at 4 °C, and thin
// syrup near it); saturation rises.
func TestMonotone(t *testing.T) {
	const step = 0.25
	density := func(w, deg float64) quantity.Density {
		d, err := Density(quantity.FromBrix(w), quantity.Temperature(deg))
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	viscosity := func(w, deg float64) quantity.Viscosity {
		v, err := Viscosity(quantity.FromBrix(w), quantity.Temperature(deg))
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for w := 0.0; w <= 75; w += step {
		for deg := 0.0; deg <= 50; deg += step {
			if w > 0 && (density(w, deg) <= density(w-step, deg) || viscosity(w, deg) <= viscosity(w-step, deg)) {
				t.Fatalf("%g %%, %g °C: does not rise with solids", w, deg)
			}
			if deg > 0 && viscosity(w, deg) >= viscosity(w, deg-step) {
				t.Fatalf("%g %%, %g °C: viscosity does not fall with temperature", w, deg)
			}
			if deg > 4.25 && density(w, deg) >= density(w, deg-step) {
				t.Fatalf("%g %%, %g °C: density does not fall with temperature", w, deg)
			}
		}
	}
	last := quantity.Solids(0)
	for deg := 0.0; deg <= 60; deg += step {
		s, err := Saturation(quantity.Temperature(deg))
		if err != nil || s <= last {
			t.Fatalf("saturation at %g °C: %v after %v, %v", deg, s, last, err)
		}
		last = s
	}
}

func TestRange(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		w, deg float64
		text   string // "" is good
	}{
		{0, -5, ""},
		{77, 50, ""},
		{77.01, 20, "density of syrup: Brix must be between 0 and 77 %, is 77.01 %"},
		{-0.1, 20, "density of syrup: Brix must be between 0 and 77 %, is -0.1 %"},
		{nan, 20, "density of syrup: Brix must be between 0 and 77 %, is NaN %"},
		{60, -5.1, "density of syrup: temperature must be between -5 and 50 °C, is -5.1 °C"},
		{60, 50.1, "density of syrup: temperature must be between -5 and 50 °C, is 50.1 °C"},
		{60, nan, "density of syrup: temperature must be between -5 and 50 °C, is NaN °C"},
		{60, math.Inf(1), "density of syrup: temperature must be between -5 and 50 °C, is +Inf °C"},
	} {
		_, err := Density(quantity.FromBrix(c.w), quantity.Temperature(c.deg))
		_, err2 := Viscosity(quantity.FromBrix(c.w), quantity.Temperature(c.deg))
		if c.text == "" {
			if err != nil || err2 != nil {
				t.Errorf("%g %%, %g °C: %v, %v", c.w, c.deg, err, err2)
			}
			continue
		}
		var re *RangeError
		if !errors.As(err, &re) || err.Error() != c.text {
			t.Errorf("%g %%, %g °C: %v, want %s", c.w, c.deg, err, c.text)
		}
		if !errors.As(err2, &re) || re.Property != "viscosity of syrup" {
			t.Errorf("%g %%, %g °C: viscosity: %v", c.w, c.deg, err2)
		}
	}
	for _, deg := range []float64{-5.1, 60.1, nan} {
		var re *RangeError
		if _, err := Saturation(quantity.Temperature(deg)); !errors.As(err, &re) || re.Max != 60 {
			t.Errorf("saturation at %g °C: %v", deg, err)
		}
	}
}

func TestNoAllocation(t *testing.T) {
	if n := testing.AllocsPerRun(100, func() {
		d, _ := Density(0.6667, 12)
		v, _ := Viscosity(0.6667, 12)
		s, _ := Saturation(12)
		sink = float64(d) + float64(v) + float64(s)
		half := Syrup{Blend(Only(Sucrose), 2, Only(Invert), 2), 0.6667}
		e, _ := half.Estimate(12, 0.002, 0.5)
		l, _ := half.Saturation(12)
		f, _ := Refractometer{}.True(65, 12, half.Makeup)
		b, _ := Refractometer{}.Shows(half, 12)
		sink += e.DensityU + float64(l.U) + float64(f.U()) + b
	}); n != 0 {
		t.Errorf("%v allocations, want none", n)
	}
}

var sink float64

func BenchmarkDensity(b *testing.B) {
	b.ReportAllocs()
	deg := quantity.Temperature(0)
	for b.Loop() {
		d, _ := Density(0.6667, deg)
		sink += float64(d)
		deg = 20 - deg
	}
}

func BenchmarkViscosity(b *testing.B) {
	b.ReportAllocs()
	deg := quantity.Temperature(0)
	for b.Loop() {
		v, _ := Viscosity(0.6667, deg)
		sink += float64(v)
		deg = 20 - deg
	}
}

func BenchmarkSaturation(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		s, _ := Saturation(12)
		sink += float64(s)
	}
}
