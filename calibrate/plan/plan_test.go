package plan

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/calibrate/tote"
)

func must[T any](x T, err error) T {
	if err != nil {
		panic(err)
	}
	return x
}

// asked is an ask for one yard at 20 °C.
func asked(syrup string, colonies int, each quantity.Volume) Ask {
	return Ask{Yards: []Yard{{Name: "Orchard End", Colonies: colonies, Each: each}}, Recipe: must(ParseSyrup(syrup)), Temp: 20, By: mix.Usual, Yield: UsualYield}
}

// ibc is a usual 275 gal tote: what it holds and its tare are suppliers' (read).
func ibc() *Tote {
	return &Tote{Holds: 275 * quantity.USGallon, Unusable: 3 * quantity.USGallon, Plate: tote.Plate{Empty: 60}}
}

// TestMixingTable plans the volume of every row of mixing.csv and expects its
// weights: 20 °C, rows computed (their mark) from the density of sucrose after
// Bubnik et al., Sugar Technologists Manual (1995) p. 164, and the solubility of
// Vavrinecz 1962. Volumes there have four decimals, so weights are as good as that.
func TestMixingTable(t *testing.T) {
	f, err := os.Open("../mix/testdata/mixing.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 16 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, r := range rows[1:] {
		x := make([]float64, len(r))
		for i := 1; i < 9; i++ {
			x[i] = must(strconv.ParseFloat(r[i], 64))
		}
		sugar, water, brix, gal := x[1], x[2], x[3], x[6]
		text := fmt.Sprintf("%v lb sugar + %v lb water", sugar, water)
		p, err := Make(asked(text, 1, must(quantity.ParseVolume(fmt.Sprintf("%v gal", gal)))))
		if err != nil {
			t.Fatal(err)
		}
		tol := 0.00006/gal + 1e-4
		for i, want := range []float64{sugar, water} {
			if got := float64(p.Parts[i].Weigh.Mass() / quantity.Pound); math.Abs(got-want) > tol*want {
				t.Errorf("%s: %.4f lb, want %.4f", r[0], got, want)
			}
		}
		if got := p.State.Syrup.Solids.Brix(); math.Abs(got-brix) > 0.006+0.05*sugar/(sugar+water)/(sugar+water) { // water to three decimals, Brix to two
			t.Errorf("%s: %.3f Brix, want %v", r[0], got, brix)
		}
		if below, err := strconv.ParseFloat(r[9], 64); err == nil {
			if got := float64(p.State.Crystals.Below); !p.State.Crystals.HasBelow || math.Abs(got-below) > 0.06 {
				t.Errorf("%s: saturated at %.2f °C, want %v", r[0], got, below)
			}
		} else if p.State.Crystals.HasBelow && p.State.Crystals.Below > 0 {
			t.Errorf("%s: saturated at %v, want never above 0 °C", r[0], p.State.Crystals.Below)
		}
	}
}

// TestFullTote: 275 gal of 2:1 weighs 1381 kg, 3046 lb (reference on metering,
// section I and row tote.liquid_mass, computed). It reckons with 1327 kg/m³,
// rounded: that alone is 0.038 %, and the figures are to the unit.
func TestFullTote(t *testing.T) {
	a := asked("2:1", 24, quantity.USGallon)
	a.Tote = ibc()
	p, err := Make(a)
	if err != nil {
		t.Fatal(err)
	}
	w := &p.Full.Weights
	const rounded = 0.5 / 1327
	if math.Abs(float64(w.Liquid)-1381.4) > 1381.4*rounded || math.Abs(float64(w.Liquid/quantity.Pound)-3046) > 0.5+3046*rounded || w.Liquid < 3000*quantity.Pound {
		t.Errorf("full: %v, %.1f lb", w.Liquid, float64(w.Liquid/quantity.Pound))
	}
	if len(w.Missing) != 1 || w.Missing[0] != tote.TotePlate || p.Kept {
		t.Errorf("nobody has entered a plate: %+v", w)
	}
	// HFCS-55: 1445 kg by the same section, at 1388 kg/m³, which it is at about 13 °C.
	a.Recipe, a.Temp = must(ParseSyrup("hfcs-55")), 13
	if p, err = Make(a); err != nil || math.Abs(float64(p.Full.Weights.Liquid)-1444.9) > 1.5 {
		t.Errorf("HFCS-55: %+v, %v", p.Full, err)
	}
	// A supplier's guide lists about 2540 lb gross (read): loads stay below.
	a = asked("2:1", 500, quantity.USGallon)
	a.Tote = ibc()
	a.Tote.Plate.Gross = 2540 * quantity.Pound
	if p, err = Make(a); err != nil {
		t.Fatal(err)
	}
	most := (2540*float64(quantity.Pound) - 60) / (1 + tote.Wide*mix.Usual.Scale) / float64(p.State.Density)
	if !p.Kept || math.Abs(p.Most.CubicMetres()-most) > 2e-6 || len(p.Full.Weights.Over) != 1 || len(p.Loads) != 3 {
		t.Errorf("kept %v, to %v, want %.4f m³, %d loads", p.Kept, p.Most, most, len(p.Loads))
	}
	// Nothing may be loaded where the trailer alone is too much; what to weigh is said all the same.
	a.Tote.Trailer = tote.Trailer{Described: true, Empty: 1000, Gross: 1050}
	if p, err = Make(a); err != nil || p.Most != 0 || len(p.Loads) != 0 || p.Weigh() == 0 {
		t.Errorf("most %v, %d loads, %v", p.Most, len(p.Loads), err)
	}
}

// TestAddsUp: over random asks what is weighed adds up to the plan, load by
// load and part by part, and no load is above what the tote may hold.
func TestAddsUp(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	recipes := []string{"2:1", "1:1", "5:3 by volume", "62.5 Brix", "hfcs-42", "hfcs-55 to 65 Brix", "20 kg hfcs-55 + 10 kg sugar + 8 kg water", "3 lb sugar + 1 gal water"}
	for range 400 {
		a := Ask{Recipe: must(ParseSyrup(recipes[r.IntN(len(recipes))])), Temp: quantity.Temperature(r.Float64() * 40), TempU: 0.5, By: mix.Usual, Yield: UsualYield, Bag: 25}
		var need quantity.Volume
		for range 1 + r.IntN(5) {
			y := Yard{Colonies: 1 + r.IntN(60), Each: quantity.VolumeOf(0.001 + 0.01*r.Float64())}
			need += quantity.Volume(y.Colonies) * y.Each
			a.Yards = append(a.Yards, y)
		}
		a.Tote = &Tote{Holds: quantity.VolumeOf(0.1 + r.Float64()), Unusable: quantity.VolumeOf(0.03 * r.Float64())}
		if r.IntN(2) == 0 {
			a.Tote.Plate.Gross = quantity.Mass(150 + 1000*r.Float64())
		}
		if r.IntN(3) == 0 {
			v := quantity.VolumeOf(a.Tote.Holds.CubicMetres() * r.Float64())
			s := syrup.Syrup{Solids: quantity.Solids(0.4 + 0.3*r.Float64())}
			a.Left = &Left{Batch: must(mix.ByVolume(s, v, a.Temp, mix.Reading{})), Volume: v, VolumeU: v / quantity.Volume(20+r.IntN(500))}
		}
		p, err := Make(a)
		if err != nil {
			t.Fatal(err)
		}
		held := quantity.Volume(0)
		if a.Left != nil {
			held = a.Left.Volume
		}
		if want := max(0, need+a.Tote.Unusable-held); p.Need != need || p.Make != want {
			t.Fatalf("need %v, make %v, want %v and %v", p.Need, p.Make, need, want)
		}
		var rises quantity.Volume
		var total mix.Micrograms
		sum := make([]mix.Micrograms, len(p.Parts))
		for i := range p.Loads {
			l := &p.Loads[i]
			rises += l.Rises()
			total += l.Weigh()
			var one mix.Micrograms
			for k, x := range l.Parts {
				sum[k] += x.Weigh
				one += x.Weigh
				if x.What == mix.DrySugar && absent(x.Weigh, x.Bags, x.Rest) > 3_000_000_000 {
					t.Fatalf("%d bags and %v are not %v", x.Bags, x.Rest, x.Weigh)
				}
			}
			if one != l.Weigh() || l.Rises() <= 0 || l.After > p.Most {
				t.Fatalf("load %d of %+v", i, l)
			}
			if len(l.Weights.Over) > 0 && (a.Left == nil || p.Corrected || p.Drawn || i > 0) {
				t.Fatalf("load %d is too heavy: %+v", i, l.Weights)
			}
			if i > 0 && l.Before != a.Tote.Unusable {
				t.Fatalf("load %d begins at %v", i, l.Before)
			}
		}
		if len(p.Loads) == 0 {
			if p.Make > 0 && p.Most > a.Tote.Unusable {
				t.Fatalf("no loads for %v", p.Make)
			}
			continue
		}
		if rises != p.Make || total != p.Weigh() {
			t.Fatalf("loads raise %v of %v, weigh %v of %v", rises, p.Make, total, p.Weigh())
		}
		for k, x := range p.Parts {
			if sum[k] != x.Weigh {
				t.Fatalf("part %d: %v of %v", k, sum[k], x.Weigh)
			}
		}
		// As few as filling up each time allows.
		first := p.Loads[0].Rises()
		if a.Left != nil && !p.Drawn && len(p.Loads) > 1 && len(p.Loads[0].Weights.Over) == 0 && p.Loads[0].After < p.Most-quantity.Millilitre && !p.Kept {
			t.Fatalf("the first load stops at %v of %v", p.Loads[0].After, p.Most)
		}
		if n := 1 + int(math.Ceil(float64(p.Make-first)/float64(p.Most-a.Tote.Unusable)-1e-12)); n != len(p.Loads) {
			t.Fatalf("%d loads, want %d", len(p.Loads), n)
		}
		if p.Corrected {
			continue
		}
		// What one recipe for all of it weighs, made by mix.
		whole := must(a.Recipe.ForVolume(p.Make, a.Temp, a.By))
		for k, x := range whole.Parts {
			if math.Abs(float64(x.Mass-p.Parts[k].Weigh.Mass())) > 1e-9*float64(len(p.Loads)+1)+1e-12*float64(x.Mass) {
				t.Fatalf("part %d: %v, and at once %v", k, p.Parts[k].Weigh, x.Mass)
			}
		}
	}
}

// absent is by how much bags of 25 kg and the rest miss a weight, µg.
func absent(weigh mix.Micrograms, bags int, rest mix.Micrograms) mix.Micrograms {
	d := weigh - mix.Micrograms(bags)*25_000_000_000 - rest
	return max(d, -d)
}

// TestLeft: what is left counts, and the first load makes good what its Brix is off.
func TestLeft(t *testing.T) {
	plan := func(left syrup.Syrup, litres quantity.Volume, recipe string, colonies int) *Plan {
		t.Helper()
		a := asked(recipe, colonies, 4*quantity.Litre)
		a.Tote = ibc()
		a.Left = &Left{Batch: must(mix.ByVolume(left, litres*quantity.Litre, 20, mix.Reading{})), Volume: litres * quantity.Litre}
		p, err := Make(a)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	cane := func(brix float64) syrup.Syrup { return syrup.Syrup{Solids: quantity.FromBrix(brix)} }
	// 60 Brix brought to 2:1: more sugar, less water than the recipe alone.
	p := plan(cane(60), 300, "2:1", 150)
	if !p.Corrected || len(p.Loads) != 1 || math.Abs(float64(p.Loads[0].Brix)-2.0/3) > 1e-9 || math.Abs(float64(p.State.Syrup.Solids)-2.0/3) > 1e-9 {
		t.Fatalf("%+v", p)
	}
	// 600 L to dispense and 3 gal below the outlet are 611.4 L in the tote.
	if want := 600*quantity.Litre + ibc().Unusable; p.Loads[0].After != want || math.Abs(float64(p.State.Volume-want)) > 1000 {
		t.Errorf("%v in the tote, want %v", p.State.Volume, want)
	}
	if ratio := float64(p.Parts[0].Weigh) / float64(p.Parts[1].Weigh); !(ratio > 2.3) {
		t.Errorf("%.3f sugar to water", ratio)
	}
	// By hand: sugar is what 611.4 L of 2:1 has, less what 300 L of 60 Brix had.
	want := 611.356235352e-3*float64(p.State.Density)*2/3 - 0.3*float64(must(syrup.Density(0.6, 20)))*0.6
	if got := float64(p.Parts[0].Weigh.Mass()); math.Abs(got-want) > 1e-4 {
		t.Errorf("%.4f kg of sugar, want %.4f", got, want)
	}
	// Other sugars: the solids count.
	if p = plan(syrup.Syrup{Makeup: syrup.Only(syrup.HFCS55), Solids: 0.77}, 100, "2:1", 150); !p.Corrected || math.Abs(float64(p.Loads[0].Brix)-2.0/3) > 1e-9 {
		t.Errorf("%+v", p.Loads)
	}
	// So much thin syrup that no sugar fits in the volume, and as it is sold nothing thickens it.
	for _, c := range []struct {
		left   syrup.Syrup
		litres quantity.Volume
		recipe string
	}{{cane(30), 500, "2:1"}, {cane(60), 300, "hfcs-55"}} {
		p = plan(c.left, c.litres, c.recipe, 150)
		if p.Corrected || !(p.Loads[0].Brix > c.left.Solids) || p.State.Syrup.Solids != p.Loads[0].Brix {
			t.Errorf("%v: %+v", c, p)
		}
	}
	// Enough, and full.
	if p = plan(cane(66), 700, "2:1", 150); p.Make != 0 || len(p.Loads) != 0 || len(p.Parts) != 0 || math.Abs(float64(p.State.Syrup.Solids)-0.66) > 1e-9 {
		t.Errorf("%+v", p)
	}
	if p = plan(cane(66), 1041, "2:1", 500); !p.Drawn || p.Corrected || p.Loads[0].Before != ibc().Unusable {
		t.Errorf("%+v", p)
	}
	// A tote that is emptied below its outlet takes that besides.
	if p = plan(cane(66), 4, "2:1", 150); p.Below != ibc().Unusable-4*quantity.Litre || p.Make != 600*quantity.Litre+p.Below {
		t.Errorf("%v below, %v to make", p.Below, p.Make)
	}
}

func TestStores(t *testing.T) {
	a := asked("2:1", 24, 0)
	a.Yards[0].Stores = 5
	for yield, want := range map[float64]float64{1: 120, 0.8: 150} {
		a.Yield = Of(yield)
		p, err := Make(a)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(p.Solids)-want) > 1e-6 || math.Abs(float64(p.Parts[0].Weigh.Mass())-want) > 1e-6 {
			t.Errorf("yield %v: %v of sugar, want %v kg", yield, p.Parts[0].Weigh, want)
		}
	}
}

func TestBags(t *testing.T) {
	for _, c := range []struct {
		kg    float64
		bags  int
		rest  float64
		cents int64
		buy   int
	}{{120, 4, 20, 14400, 5}, {100, 4, 0, 12000, 4}, {99.999, 4, 0, 12000, 4}, {24.9, 0, 24.9, 2988, 1}} {
		a := asked("2:1", 1, 0)
		a.Yards[0].Stores, a.Yield = quantity.Mass(c.kg), Of(1)
		if c.kg > 100 {
			a.Yards[0].Stores, a.Yards[0].Colonies = quantity.Mass(c.kg/2), 2
		}
		a.Bag, a.Sugar = 25, must(ParsePrice("$30/bag"))
		p, err := Make(a)
		if err != nil {
			t.Fatal(err)
		}
		x := &p.Parts[0]
		if x.Bags != c.bags || math.Abs(float64(x.Rest.Mass())-c.rest) > 1e-6 {
			t.Errorf("%v kg: %d bags and %v", c.kg, x.Bags, x.Rest)
		}
		if k := p.Costs[0]; k.Cents != c.cents || k.Bags != c.buy || k.BagsCents != 3000*int64(c.buy) || !p.Priced() {
			t.Errorf("%v kg: %+v", c.kg, k)
		}
	}
}

func TestCosts(t *testing.T) {
	for price, want := range map[string]int64{"1.10/kg": 11000, "0.50 per lb": 11023} {
		a := asked("2:1", 1, 0)
		a.Yards[0].Stores, a.Yield, a.Sugar = 100, Of(1), must(ParsePrice(price))
		if p, err := Make(a); err != nil || p.Costs[0].Cents != want {
			t.Errorf("%s: %+v, %v", price, p.Costs, err)
		}
	}
	a := asked("20 kg hfcs-55 + 10 kg sugar + 8 kg water", 10, quantity.USGallon)
	a.Sugar = must(ParsePrice("1/kg"))
	p := must(Make(a))
	if p.Priced() || len(p.Costs) != 1 || p.Costs[0].Part != 1 {
		t.Errorf("%+v", p.Costs)
	}
	a.Bought = must(ParsePrice("4/gal"))
	p = must(Make(a))
	if c := p.Costs[0]; !p.Priced() || c.Part != 0 || math.Abs(float64(c.Cents)-400*p.Parts[0].Volume.USGallons()) > 0.5 {
		t.Errorf("%+v", p.Costs)
	}
}

func TestErrors(t *testing.T) {
	for i, c := range []struct {
		change func(*Ask)
		want   string
	}{
		{func(a *Ask) { a.Yards = nil }, "yards: must be one or more, is 0"},
		{func(a *Ask) { a.Yards[0].Colonies = 0 }, "colonies: must be between 1 and 100000, is 0"},
		{func(a *Ask) { a.Yards[0].Stores = 1 }, "each: must be a volume of syrup, or a weight of stores, for each colony, is 3.785411784 L"},
		{func(a *Ask) { a.Yards[0].Each = 0 }, "each: must be a volume of syrup, or a weight of stores, for each colony, is 0 L"},
		{func(a *Ask) { a.Yards[0].Each = 201 * quantity.Litre }, "each: must be at most 200 L for a colony, is 201 L"},
		{func(a *Ask) { a.Yards[0].Each, a.Yards[0].Stores = 0, 101 }, "stores: must be at most 100 kg for a colony, is 101 kg"},
		{func(a *Ask) { a.Yards[0].Colonies, a.Yards[0].Each = 100_000, 200*quantity.Litre }, "each: must not come to more than 1000000 L"},
		{func(a *Ask) { a.Yield = Of(0) }, "yield: must be above 0.2 and at most 1.3 kg of stores a kg of dry sugar, is 0"},
		{func(a *Ask) { a.Yield = Of(math.NaN()) }, "yield: must be above 0.2"},
		{func(a *Ask) { a.Yield = Yield{1, 1.1, 1.2} }, "yield: must be above 0.2"},
		{func(a *Ask) { a.Bag = -1 }, "bag: must be between 0.1 and 2000 kg, is -1 kg"},
		{func(a *Ask) { a.Bag = quantity.Mass(math.NaN()) }, "bag: must be"},
		{func(a *Ask) { a.Left = &Left{Volume: quantity.Litre} }, "left: must stand beside a tote that is known, is 1 L"},
		{func(a *Ask) { a.Tote = &Tote{} }, "tote: must hold between 1 and 1000000 L, is 0 L"},
		{func(a *Ask) { a.Tote = &Tote{Holds: 10 * quantity.Litre, Unusable: 10 * quantity.Litre} }, "unusable: must be less than what the tote holds, is 10 L"},
		{func(a *Ask) { a.Tote, a.Left = ibc(), &Left{Volume: 2000 * quantity.Litre} }, "left: must not be more than what the tote holds, is 2000 L"},
		{func(a *Ask) { a.Tote, a.Yards[0].Colonies = &Tote{Holds: quantity.Litre}, 2000 }, "tote: must not have to be filled more than 1000 times, is 1 L"},
		{func(a *Ask) { a.Sugar = must(ParsePrice("30/bag")) }, "price: must stand beside the weight of a bag, is bag"},
		{func(a *Ask) { a.Sugar = must(ParsePrice("3/gal")) }, "price: must be for one bag, kg or lb, as sugar is not sold by volume, is gal"},
		{func(a *Ask) { a.Recipe, a.Bought = must(ParseSyrup("hfcs-55")), must(ParsePrice("30/bag")) }, "syrup-price: must be for one kg, lb, L or gal, as syrup comes in no bags, is bag"},
		{func(a *Ask) {
			a.Recipe, a.Sugar, a.Bought = must(ParseSyrup("3 kg sugar + 1 kg hfcs-55 + 1 kg water")), must(ParsePrice("$1/kg")), must(ParsePrice("€1/kg"))
		}, `syrup-price: must be in the currency of the other price, is "€"`},
	} {
		a := asked("2:1", 24, quantity.USGallon)
		c.change(&a)
		_, err := Make(a)
		var e *Error
		if !errors.As(err, &e) || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%d: %v, want %s", i, err, c.want)
		}
	}
	a := asked("2:1", 24, quantity.USGallon)
	a.Temp = 60
	var re *syrup.RangeError
	if _, err := Make(a); !errors.As(err, &re) {
		t.Errorf("60 °C: %v", err)
	}
	var me *mix.Error
	if _, err := Make(asked("10:1", 24, quantity.USGallon)); !errors.As(err, &me) {
		t.Errorf("10:1: %v", err)
	}
	a = asked("2:1", 24, quantity.USGallon)
	a.Tote = ibc()
	a.Tote.Plate.Gross = -1
	var te *tote.Error
	if _, err := Make(a); !errors.As(err, &te) {
		t.Errorf("gross: %v", err)
	}
}

func TestParseSyrup(t *testing.T) {
	for text, brix := range map[string]float64{"2:1": 200.0 / 3, " 65  Brix": 65, "HFCS-55": 77, "hfcs-42": 71, "hfcs-55 to 65 Brix": 65, "hfcs-42 TO 60%": 60, "16 lb sugar + 8 lb water": 200.0 / 3} {
		r, err := ParseSyrup(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if got := must(r.Mix(20, mix.Usual)).Syrup().Solids.Brix(); math.Abs(got-brix) > 1e-6 {
			t.Errorf("%q: %v Brix, want %v", text, got, brix)
		}
	}
	for text, want := range map[string]string{
		"":                   `syrup: must be a ratio ("2:1")`,
		"sucrose":            "syrup: must be given as parts with their Brix",
		"invert":             "syrup: must be given as parts with their Brix",
		"hfcs-55 60 Brix":    `syrup: must go on with the Brix it is thinned to, like "hfcs-55 to 65 Brix", is "hfcs-55 60 Brix"`,
		"hfcs-55 to":         "syrup: must go on with the Brix",
		"hfcs-55 to 65":      "syrup: must go on with the Brix",
		"hfcs-55 to 77 Brix": "syrup: must be thinned to above 0 and below the 77 Brix it is sold at",
		"hfcs-55 to 0 Brix":  "syrup: must be thinned",
		"5 kg water":         "syrup: must have sugar or syrup in it",
		"2:0":                "ratio: must be two numbers",
	} {
		if _, err := ParseSyrup(text); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}

func TestParsePrice(t *testing.T) {
	for text, want := range map[string]Price{
		"31/bag": {31, PerBag, "", ""}, "$0.62/lb": {0.62, PerPound, "$", ""}, "€ 1.10 per kg": {1.1, PerKilogram, "€", ""}, " 4.20 / GAL ": {4.2, PerGallon, "", ""},
		"1/l": {1, PerLitre, "", ""}, "kr 0/kg": {0, PerKilogram, "kr", ""},
	} {
		if p, err := ParsePrice(text); err != nil || p != want {
			t.Errorf("%q: %+v, %v", text, p, err)
		}
	}
	for _, text := range []string{"", "31", "31/ton", "x/kg", "-1/kg", "1e9/kg", "NaN/kg", "1,5/kg", "/kg", "dollars 3/kg", "1/", "\x00 1/kg", strings.Repeat("1", 50) + "/kg"} {
		var e *Error
		if p, err := ParsePrice(text); !errors.As(err, &e) || e.Field != "price" {
			t.Errorf("%q: %+v, %v", text, p, err)
		}
	}
}

// FuzzAsk: no text panics; what is read is planned, or says why not.
func FuzzAsk(f *testing.F) {
	f.Add("2:1", "31/bag", 24)
	f.Add("hfcs-55 to 65 Brix", "$4.20/gal", 1)
	f.Add("20 kg hfcs-55 + 10 kg sugar + 8 kg water", "€1 per kg", 100000)
	f.Add("1 g sugar + 900 t water", "1e6/lb", 3)
	f.Fuzz(func(t *testing.T, what, price string, colonies int) {
		r, err := ParseSyrup(what)
		if err != nil {
			return
		}
		p, err := ParsePrice(price)
		if err != nil && !errors.As(err, new(*Error)) {
			t.Fatal(err)
		}
		a := Ask{Yards: []Yard{{Colonies: colonies, Each: quantity.Litre}}, Recipe: r, Temp: 15, By: mix.Usual, Yield: UsualYield, Bag: 25, Tote: ibc(), Sugar: p, Bought: p}
		got, err := Make(a)
		if err != nil {
			return
		}
		var rises quantity.Volume
		for i := range got.Loads {
			rises += got.Loads[i].Rises()
		}
		if rises != got.Make || got.Weigh() <= 0 {
			t.Fatalf("%q: %+v", what, got)
		}
	})
}
