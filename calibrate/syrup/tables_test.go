package syrup

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
)

// TestHFCSTable: densities of HFCS to 0.06 % (Buck prints 0.001 and 0.01 lb/gal),
// of fructose and glucose in equal parts to 0.05 %; viscosities of HFCS to 3.2 %
// (Buck prints 1-2 figures), of either sugar alone at 20 °C to 6 %; and all
// within twice the stated uncertainty.
func TestHFCSTable(t *testing.T) {
	type key struct{ ds, deg string }
	fructose := map[key]float64{}
	checked := map[string]int{}
	for _, row := range table(t, "hfcs.csv") {
		ds, deg := number(t, row["dry_solids_percent"]), number(t, row["temp_C"])
		if f := number(t, row["temp_F"]); math.Abs(float64(quantity.FromFahrenheit(f))-deg) < 0.01 {
			deg = float64(quantity.FromFahrenheit(f)) // the column is rounded
		}
		m := Only(Invert)
		switch row["material"] {
		case "HFCS-42":
			m = Only(HFCS42)
		case "HFCS-55":
			m = Only(HFCS55)
		}
		p := at(t, m, ds/100, deg)
		density, viscosity := float64(p.Density), float64(p.Viscosity/quantity.MillipascalSecond)
		// Our own column, computed apart from this code, rounded to 0.001 lb/gal,
		// 0.1 kg/m³ or three digits.
		own := number(t, row["model_value"])
		got, u, limit, ownLimit := density, p.DensityU, 0.0006, 0.051/own
		switch row["quantity"] {
		case "density_lb_per_US_gal":
			got, ownLimit = density/119.826427, 0.00051/11
		case "viscosity_mPas":
			got, u, limit, ownLimit = viscosity, p.ViscosityU, 0.06, 0.0051
			if strings.HasPrefix(row["material"], "HFCS-") {
				limit = 0.032
			}
		}
		if strings.Contains(row["source"], "Telis") {
			limit = 0.29 // glucose alone, hot
		}
		if math.Abs(got/own-1) > ownLimit {
			t.Errorf("%s %g %%, %g °C: %.5g, the formula is %g", row["material"], ds, deg, got, own)
		}
		if row["how"] == "computed" {
			checked["computed"]++
			continue
		}
		want := number(t, row["table_value"])
		if row["quantity"] == "density_kg_m3" { // fructose rows come first
			k := key{row["dry_solids_percent"], row["temp_C"]}
			if row["material"] == "fructose" {
				fructose[k] = want
				continue
			}
			want, limit = 2/(1/want+1/fructose[k]), 0.0005
			if fructose[k] == 0 {
				t.Fatalf("no fructose beside glucose at %v", k)
			}
		}
		checked[row["quantity"]]++
		if math.Abs(got/want-1) > limit || math.Abs(math.Log(got/want)) > 2*u {
			t.Errorf("%s %g %%, %g °C: %.5g, want %.5g, u %.2g (%s, %s)", row["material"], ds, deg, got, want, u, row["source"], row["how"])
		}
	}
	if got := fmt.Sprint(checked); got != "map[computed:40 density_kg_m3:5 density_lb_per_US_gal:12 viscosity_mPas:24]" {
		t.Errorf("checked %v", got)
	}
}

// TestCovers: at least 95 % of the tables' rows lie within twice the stated
// standard uncertainty of the formula, without any allowance for the table's
// own errors but its last digit.
func TestCovers(t *testing.T) {
	rows, out := 0, 0
	for _, row := range table(t, "density_sucrose.csv") {
		w := number(t, row["mass_percent"])
		if w > 77 {
			continue
		}
		p := at(t, Only(Sucrose), w/100, number(t, row["temp_C"]))
		rows++
		digit := 0.05 // the CRC Handbook prints 0.1, the others 0.01
		if !strings.Contains(row["source"], "CRC") {
			digit = 0.005
		}
		if math.Abs(float64(p.Density)-number(t, row["density_kg_m3"])) > 2*p.DensityU*float64(p.Density)+digit {
			out++
			t.Logf("density %g %%, %s °C: off by %s, 2u is %.2f", w, row["temp_C"], row["formula_minus_table"], 2*p.DensityU*float64(p.Density))
		}
	}
	if out*20 > rows {
		t.Errorf("density: %d of %d rows", out, rows)
	}
	rows, out = 0, 0
	for _, row := range table(t, "viscosity_sucrose.csv") {
		if row["used_in_fit"] != "yes" {
			continue
		}
		p := at(t, Only(Sucrose), number(t, row["mass_percent"])/100, number(t, row["temp_C"]))
		rows++
		if miss := math.Log(float64(p.Viscosity/quantity.MillipascalSecond) / number(t, row["viscosity_mPas"])); math.Abs(miss) > 2*p.ViscosityU {
			out++
			t.Logf("viscosity %s %%, %s °C: off by %.1f %%, 2u is %.1f %%", row["mass_percent"], row["temp_C"], 100*miss, 200*p.ViscosityU)
		}
	}
	if out*20 > rows {
		t.Errorf("viscosity: %d of %d rows", out, rows)
	}
}

// TestLimit: 2:1 by weight saturates at 19.6 °C, so warn from 20; 64.4 % is safe at
// 0 °C (reference, from Vavrinecz 1962). HFCS-42 crystallizes below about 68 °F
// (Buck, in Alternative Sweeteners). Of others nothing is made up.
func TestLimit(t *testing.T) {
	cane, half := Only(Sucrose), Blend(Only(Sucrose), 1, Only(Invert), 1)
	for _, c := range []struct {
		m            Makeup
		w, deg       float64
		known, drops bool
	}{
		{cane, 66.67, 20, true, true}, {cane, 66.67, 15, true, true}, {cane, 66.67, 22, true, false},
		{cane, 64.2, 0, true, false}, {cane, 60, -5, true, false}, {cane, 50, 5, true, false},
		{Blend(cane, 97, Only(Invert), 3), 66.67, 10, true, true},
		{Only(HFCS42), 71, 15, false, true}, {Only(HFCS42), 71, 25, false, false}, {Only(HFCS42), 60, 15, false, false},
		{Only(HFCS55), 77, 10, false, false}, {Only(Invert), 70, 10, false, false}, {half, 70, 10, false, false},
	} {
		l, err := Syrup{c.m, quantity.FromBrix(c.w)}.Saturation(quantity.Temperature(c.deg))
		if err != nil || l.Known != c.known || l.CanCrystallize != c.drops || (l.Note == "") != (c.known && c.deg >= 0) ||
			c.known != (l.Solids > 0.64 && l.U > 0.0028) || !c.known && l.Solids != 0 || (l.Mark == Within) != (c.known && c.deg >= 0) {
			t.Errorf("%v, %g %%, %g °C: %+v, %v", c.m, c.w, c.deg, l, err)
		}
	}
	for _, c := range [][2]float64{{78, 20}, {-1, 20}, {60, -6}, {60, 61}, {math.NaN(), 20}, {60, math.NaN()}} {
		if l, err := (Syrup{half, quantity.FromBrix(c[0])}).Saturation(quantity.Temperature(c[1])); err == nil {
			t.Errorf("%v: %+v, want a refusal", c, l)
		}
	}
	// Both published scales lie within twice the uncertainty.
	for _, row := range table(t, "solubility_sucrose.csv") {
		l, err := Syrup{Only(Sucrose), 0.6}.Saturation(quantity.Temperature(number(t, row["temp_C"])))
		if want := number(t, row["saturation_mass_percent"]); err != nil || math.Abs(l.Solids.Brix()-want) > 2*l.U.Brix() {
			t.Errorf("%s °C: %v ± %v, want %v (%s)", row["temp_C"], l.Solids.Brix(), l.U.Brix(), want, row["source"])
		}
	}
}
