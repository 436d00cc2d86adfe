package sugar

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../calibrate/mix/testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, l := range lines[1:] {
		row := make(map[string]string)
		for i, v := range l {
			row[lines[0][i]] = v
		}
		out = append(out, row)
	}
	return out
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// TestMixingTable puts every row of mixing.csv into a tote by an act, weighed.
// Each row is computed (its mark) from formula A: density of sucrose after
// Bubnik et al., Sugar Technologists Manual (1995) p. 164. A unit of the last
// digit is allowed for.
func TestMixingTable(t *testing.T) {
	n := 0
	for _, row := range rows(t, "mixing.csv") {
		n++
		var s season
		sugar, water := num(t, row["sugar_lb"])*float64(quantity.Pound), num(t, row["water_lb"])*float64(quantity.Pound)
		s.say(1, act.Mix{Parts: []act.Goods{{Kind: "sugar", Bags: 1, BagKg: sugar}}, WaterKg: water})
		b := Read(s.acts)
		if len(b.Held) != 1 {
			t.Fatalf("%s: %+v", row["recipe"], b.Review)
		}
		h := b.Held[0]
		gal := volume(h.Batch).USGallons()
		// The table's own weights have four digits at least.
		near(t, row["recipe"]+" (computed): Brix", h.Syrup.Solids.Brix(), num(t, row["brix_mass_percent"]), 0.02)
		near(t, row["recipe"]+" (computed): volume", gal, num(t, row["final_volume_US_gal"]), 0.0001+0.0005*gal)
		near(t, row["recipe"]+" (computed): density", float64(h.Syrup.Near(20).Density), num(t, row["density_kg_m3_20C"]), 0.2)
	}
	if n != 15 {
		t.Errorf("%d rows", n)
	}
}

// TestGoldenMixing is the same of the rows "mixing" of golden_syrup.csv, which are
// computed (their mark) from formula A: gallons that a pound of sugar makes.
func TestGoldenMixing(t *testing.T) {
	water := map[string]float64{"1:1": 1, "2:1": 0.5} // lb, as the rows' inputs have it
	n := 0
	for _, row := range rows(t, "golden_syrup.csv") {
		if row["property"] != "mixing" {
			continue
		}
		n++
		ratio, _, _ := strings.Cut(row["inputs"], " ")
		var s season
		s.say(1, act.Mix{Parts: []act.Goods{{Kind: "sugar", Kg: float64(quantity.Pound)}}, WaterKg: water[ratio] * float64(quantity.Pound)})
		got := volume(Read(s.acts).Held[0].Batch).USGallons()
		if d := math.Abs(got - num(t, row["expected"])); !(d <= num(t, row["tolerance"])) || row["how"] != "computed" {
			t.Errorf("%s (%s, %s): %g gal, want %s ± %s", row["inputs"], row["source"], row["how"], got, row["expected"], row["tolerance"])
		}
	}
	if n != 2 {
		t.Errorf("%d rows", n)
	}
}
