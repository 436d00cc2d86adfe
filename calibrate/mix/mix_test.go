package mix

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

func near(got, want, rel float64) bool { return math.Abs(got-want) <= rel*math.Max(1, math.Abs(want)) }

// sameSlips reports whether the uncertainties of a and b agree, but for the last bits.
func sameSlips(a, b Batch) bool {
	for c := range a.slips {
		if !near(a.slips[c].solids, b.slips[c].solids, 1e-9) || !near(a.slips[c].water, b.slips[c].water, 1e-9) {
			return false
		}
	}
	return true
}

// tote is a random liquid batch of any makeup, measured.
func tote(r *rand.Rand) Batch {
	var parts []Batch
	for range 1 + r.IntN(3) {
		s := syrup.Syrup{Makeup: syrup.Only(syrup.Kind(r.IntN(kinds))), Solids: quantity.Solids(0.05 + 0.7*r.Float64())}
		v := quantity.VolumeOf(0.001 + r.Float64())
		parts = append(parts, must(ByVolume(s, v, 20, Reading{Solids: 0.002, Volume: v / 100, Temp: 1})))
	}
	return must(Blend(parts...))
}

// TestConserved: over random sequences of blends, drawings, thinnings and
// thickenings not a microgram of water or of any sugar appears or goes.
func TestConserved(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 1))
	for range 100 {
		var in [kinds + 1]Micrograms // what was put in, water last
		put := func(b Batch) {
			for k := range kinds {
				in[k] += b.Of(syrup.Kind(k))
			}
			in[kinds] += b.Water()
		}
		var have []Batch
		for range 1 + r.IntN(4) {
			b := tote(r)
			put(b)
			have = append(have, b)
		}
		for range 60 {
			i := r.IntN(len(have))
			b := have[i]
			temp := quantity.Temperature(r.Float64() * 40)
			s, err := b.At(temp, 0)
			if err != nil {
				t.Fatal(err)
			}
			switch r.IntN(5) {
			case 0:
				if j := r.IntN(len(have)); j != i {
					have[i] = must(Blend(b, have[j]))
					have = append(have[:j], have[j+1:]...)
				}
			case 1:
				v := quantity.Volume(r.Int64N(int64(s.Volume) + 1))
				drawn, left, err := b.Draw(v, v/200, temp)
				if err != nil {
					t.Fatal(err)
				}
				have[i] = left
				have = append(have, drawn)
			case 2:
				drawn, left, err := b.DrawMass(b.Total().Mass() * quantity.Mass(r.Float64()))
				if err != nil {
					t.Fatal(err)
				}
				have[i] = left
				have = append(have, drawn)
			case 3:
				if s.Syrup.Solids == 0 || b.Total() > Most/100 {
					continue
				}
				c, err := Thin(b, s.Syrup.Solids*quantity.Solids(0.8+0.2*r.Float64()), temp, Usual)
				if err != nil {
					t.Fatal(err)
				}
				put(c.Add)
				have[i] = c.Result
			case 4:
				c, err := Thicken(b, s.Syrup.Solids+(syrup.MaxSolids-s.Syrup.Solids)*quantity.Solids(0.2*r.Float64()), temp, Usual)
				if err != nil {
					t.Fatal(err)
				}
				put(c.Add)
				have[i] = c.Result
			}
		}
		var out [kinds + 1]Micrograms
		for _, b := range have {
			for k := range kinds {
				if b.Of(syrup.Kind(k)) < 0 || b.Water() < 0 {
					t.Fatalf("less than nothing in %+v", b)
				}
				out[k] += b.Of(syrup.Kind(k))
			}
			out[kinds] += b.Water()
		}
		if in != out {
			t.Fatalf("in %v, out %v", in, out)
		}
	}
}

// TestOrder: blending commutes and associates: masses exactly, uncertainties
// but for the last bits, and with them the state.
func TestOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	for range 200 {
		a, b, c := tote(r), tote(r), tote(r)
		abc := must(Blend(a, b, c))
		for _, other := range []Batch{must(Blend(c, b, a)), must(Blend(must(Blend(a, b)), c)), must(Blend(a, must(Blend(c, b))))} {
			if !abc.SameMasses(other) || !sameSlips(abc, other) {
				t.Fatalf("%+v\n%+v", abc, other)
			}
			s, o := must(abc.At(20, 1)), must(other.At(20, 1))
			if s.Volume != o.Volume || s.Syrup != o.Syrup {
				t.Fatalf("%v of %v, %v of %v", s.Volume, s.Syrup, o.Volume, o.Syrup)
			}
		}
		if got := must(Blend(a, Batch{})); got != a {
			t.Fatal("nothing was put in, and it changed")
		}
	}
}

// TestDrawnAndPutBack: what is drawn and what is left give the batch back, with
// what is known of it.
func TestDrawnAndPutBack(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 3))
	for range 200 {
		b := tote(r)
		s := must(b.At(12, 0))
		v := quantity.Volume(1 + r.Int64N(int64(s.Volume)))
		drawn, left, err := b.Draw(v, v/100, 12)
		if err != nil {
			t.Fatal(err)
		}
		again := must(Blend(left, drawn))
		if !again.SameMasses(b) || !sameSlips(again, b) {
			t.Fatalf("%+v\n%+v", again, b)
		}
		d := must(drawn.At(12, 0))
		if !near(d.Volume.Litres(), v.Litres(), 1e-9) || math.Abs(float64(d.Syrup.Solids-s.Syrup.Solids)) > 1e-8+2e-9/float64(drawn.Total().Mass()) {
			t.Fatalf("drew %v of %v, got %v of %v", v, s.Syrup, d.Volume, d.Syrup)
		}
		// A metered volume is as sure as the meter, whatever the tote's own volume is worth.
		if !near(d.VolumeU.Litres(), v.Litres()/100, 1e-6) {
			t.Fatalf("drew %v ± %v, got ± %v", v, v/100, d.VolumeU)
		}
	}
	b := tote(r)
	all := must(b.At(20, 0)).Volume
	drawn, left, err := b.Draw(all, 0, 20)
	if err != nil || !drawn.SameMasses(b) || left.Total() != 0 {
		t.Errorf("all drawn: %+v left, %v", left, err)
	}
	if s, err := left.At(20, 0); err != nil || s.Volume != 0 || s.Syrup != (syrup.Syrup{}) {
		t.Errorf("nothing is %+v, %v", s, err)
	}
}

// TestThinThicken: brought to a target it is at the target, and the volumes
// add up but for what is told.
func TestThinThicken(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	for range 300 {
		b := tote(r)
		x := b.Syrup().Solids
		down := x * quantity.Solids(0.3+0.7*r.Float64())
		c, err := Thin(b, down, 15, Usual)
		if err != nil {
			t.Fatal(err)
		}
		if !near(float64(c.After.Syrup.Solids), float64(down), 1e-9) || c.Add.DrySolids() != 0 {
			t.Fatalf("thinned to %v, want %v", c.After.Syrup.Solids, down)
		}
		if c.Before.Volume+c.AddVolume-c.Shrinks != c.After.Volume {
			t.Fatalf("%v + %v - %v is not %v", c.Before.Volume, c.AddVolume, c.Shrinks, c.After.Volume)
		}
		up, err := Thicken(c.Result, x, 15, Usual)
		if err != nil {
			t.Fatal(err)
		}
		if !near(float64(up.After.Syrup.Solids), float64(x), 1e-9) || up.Add.Water() != 0 || up.AddVolume != 0 {
			t.Fatalf("thickened to %v, want %v", up.After.Syrup.Solids, x)
		}
		again, err := Thin(up.Result, down, 15, Usual)
		if err != nil || !near(float64(again.After.Syrup.Solids), float64(down), 1e-9) {
			t.Fatalf("thinned again to %v, want %v, %v", again.After.Syrup.Solids, down, err)
		}
	}
	// 100 kg at 66 Brix to 50 Brix takes 32 kg of water: Pearson's square, 66 kg in 132 kg.
	b := must(Syrup(syrup.Syrup{Solids: 0.66}, 100, Usual))
	c := must(Thin(b, 0.50, 20, Usual))
	if got := c.Add.Water(); got != 32*microgramsPerKg {
		t.Errorf("%v of water, want 32 kg", got)
	}
	// Densities of the CRC Handbook (read): 66 % 1322.4 (older edition), 50 % 1229.5 (102nd);
	// water 998.2 kg/m³ (memory): 75.62 + 32.06 - 107.36 = 0.32 L, each ± 0.04 L.
	if got := c.Shrinks.Litres(); math.Abs(got-0.32) > 0.08 {
		t.Errorf("shrinks by %.3f L, want 0.32 (CRC Handbook)", got)
	}
	// 100 kg at 50 Brix to 60 Brix takes 25 kg of sugar: 75 kg in 125 kg.
	up := must(Thicken(must(Syrup(syrup.Syrup{Solids: 0.5}, 100, Usual)), 0.60, 20, Usual))
	if got := up.Add.Of(syrup.Sucrose); got != 25*microgramsPerKg || up.Shrinks >= 0 {
		t.Errorf("%v of sugar, want 25 kg; shrinks by %v", got, up.Shrinks)
	}
}

// TestInverse: the weights for a volume make that volume of that recipe.
func TestInverse(t *testing.T) {
	for _, text := range []string{"2:1", "1:1", "5:3 by weight", "1:1 by volume", "2:1 by volume", "60 Brix", "0.5 Brix",
		"16 lb sugar + 1 gal water", "4 lb sugar + 8 cups water", "10 kg sugar + 20 L hfcs-55 + 12 L water at 15 °C", "3 gal hfcs-42", "20 L syrup at 60 Brix + 1 kg sugar"} {
		r := must(ParseRecipe(text))
		want := must(r.Mix(18, Usual))
		for _, v := range []quantity.Volume{100 * quantity.Millilitre, 275 * quantity.USGallon, 30 * quantity.CubicMetre} {
			weights, err := r.ForVolume(v, 18, Usual)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range weights.Parts {
				if p.Volume != 0 || p.Mass <= 0 {
					t.Fatalf("%s: %s is no weight", text, p)
				}
			}
			s := must(must(weights.Mix(18, Usual)).At(18, 0))
			if !near(s.Volume.CubicMetres()/v.CubicMetres(), 1, 2e-8) || !near(float64(s.Syrup.Solids), float64(want.Syrup().Solids), 2e-8) {
				t.Errorf("%s: %v of %v, want %v of %v", text, s.Volume, s.Syrup.Solids, v, want.Syrup().Solids)
			}
		}
		weights, err := r.ForSugar(50*quantity.Pound, 18, Usual)
		if err != nil {
			t.Fatal(err)
		}
		b := must(weights.Mix(18, Usual))
		if got := b.DrySolids(); got < 50*453_592_370-2 || got > 50*453_592_370+2 {
			t.Errorf("%s for 50 lb: %v", text, got)
		}
		if !near(float64(b.Syrup().Solids), float64(want.Syrup().Solids), 2e-8) {
			t.Errorf("%s for 50 lb: %v, want %v", text, b.Syrup().Solids, want.Syrup().Solids)
		}
	}
}

// TestSlips: the shift by one standard uncertainty of each reading, that the
// batch carries through thinning and drawing, is what comes out when the
// reading is really off by that.
func TestSlips(t *testing.T) {
	const temp = 14
	s := syrup.Syrup{Solids: 0.64, Makeup: syrup.Blend(syrup.Only(syrup.Sucrose), 2, syrup.Only(syrup.HFCS55), 1)}
	v := 400 * quantity.Litre
	u := Reading{Solids: 0.0004, Volume: quantity.Litre / 2, Temp: 0.2}
	// One batch, thinned with what was worked out for the true one, a part drawn.
	plan := must(Thin(must(ByVolume(s, v, temp, u)), 0.55, temp, Usual))
	run := func(s syrup.Syrup, v quantity.Volume, t quantity.Temperature) (drawn, left Batch) {
		b := must(Blend(must(ByVolume(s, v, t, u)), plan.Add))
		drawn, left, err := b.Draw(100*quantity.Litre, 0, temp)
		if err != nil {
			panic(err)
		}
		return drawn, left
	}
	drawn, left := run(s, v, temp)
	for _, c := range []struct {
		cause Cause
		s     syrup.Syrup
		v     quantity.Volume
		t     quantity.Temperature
	}{
		{BrixReading, syrup.Syrup{Makeup: s.Makeup, Solids: s.Solids + u.Solids}, v, temp},
		{VolumeReading, s, v + u.Volume, temp},
		{Thermometer, s, v, temp + u.Temp},
	} {
		offDrawn, offLeft := run(c.s, c.v, c.t)
		for i, p := range [][2]Batch{{drawn, offDrawn}, {left, offLeft}} {
			got, want := p[0].slips[c.cause], slip{
				float64(p[1].DrySolids().Mass() - p[0].DrySolids().Mass()),
				float64(p[1].Water().Mass() - p[0].Water().Mass())}
			limit := 0.01*math.Hypot(want.solids, want.water) + 1e-5
			if math.Abs(got.solids-want.solids) > limit || math.Abs(got.water-want.water) > limit {
				t.Errorf("%v, %s: %+v kg, is really %+v kg", c.cause, []string{"drawn", "left"}[i], got, want)
			}
			sh := must(p[0].At(temp, 0))
			off := must(p[1].At(temp, 0))
			if dx := float64(off.Syrup.Solids - sh.Syrup.Solids); math.Abs(sh.solids[c.cause]-dx) > 0.01*math.Abs(dx)+1e-8 {
				t.Errorf("%v: solids shift by %v, really %v", c.cause, sh.solids[c.cause], dx)
			}
			if dv := off.Volume.CubicMetres()/sh.Volume.CubicMetres() - 1; c.cause != Thermometer && math.Abs(sh.lnVolume[c.cause]-dv) > 0.01*math.Abs(dv)+1e-7 {
				t.Errorf("%v: volume shifts by %v, really %v", c.cause, sh.lnVolume[c.cause], dv)
			}
		}
	}
}

// TestFormula: a measured volume is as sure as its reading, for the density
// formula's error cancels; its mass, and the volume of what was weighed, are not.
func TestFormula(t *testing.T) {
	s := syrup.Syrup{Solids: 0.65}
	p := must(s.At(15))
	read := must(must(ByVolume(s, 100*quantity.Litre, 15, Reading{})).At(15, 0))
	if read.VolumeU != 0 || !near(float64(read.DensityU/p.Density), p.DensityU, 1e-12) {
		t.Errorf("read: volume ±%v, density ±%v", read.VolumeU, read.DensityU)
	}
	by := Usual
	by.Scale, by.SoldWithin = 0, 0
	weighed := must(must(Syrup(s, 100, by)).At(15, 2))
	want := weighed.Volume.Litres() * math.Hypot(p.DensityU, 2*p.DensityPerKelvin)
	if !near(weighed.VolumeU.Litres(), want, 1e-7) || want < 0.01 {
		t.Errorf("weighed: volume ±%v, want %v L", weighed.VolumeU, want)
	}
}

// TestAddU: how sure the water to add is, against readings really off.
func TestAddU(t *testing.T) {
	add := func(x quantity.Solids, v quantity.Volume) float64 {
		c := must(Thin(must(ByVolume(syrup.Syrup{Solids: x}, v, 15, Reading{})), 0.5, 15, Usual))
		return float64(c.Add.Water().Mass())
	}
	const x, v, dx, dv = 0.65, 100 * quantity.Litre, 0.0002, quantity.Litre / 5
	c := must(Thin(must(ByVolume(syrup.Syrup{Solids: x}, v, 15, Reading{Solids: dx, Volume: dv})), 0.5, 15, Usual))
	formula := must(syrup.Syrup{Solids: x}.At(15)).DensityU * add(x, v)
	want := math.Hypot(math.Hypot(add(x+dx, v)-add(x, v), add(x, v+dv)-add(x, v)), formula)
	if got := float64(c.AddU); !near(got/want, 1, 0.01) {
		t.Errorf("water ±%.4f kg, want ±%.4f", got, want)
	}
}

// TestUncertainty: 20,000 mixings by weight and by volume scatter as told.
func TestUncertainty(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 5))
	for _, text := range []string{"16 lb sugar + 1 gal water", "2 gal sugar + 1 gal water", "20 kg hfcs-42 + 5 kg water", "10 L hfcs-55 at 75 Brix + 4 kg sugar + 6 L water"} {
		recipe := must(ParseRecipe(text))
		told := must(must(recipe.Mix(20, Usual)).At(20, 0))
		const n = 20_000
		var x, xx, v, vv float64
		for range n {
			var parts []Batch
			for _, p := range recipe.Parts {
				by, scale, measure := Usual, 1+Usual.Scale*r.NormFloat64(), 1+Usual.Measure*r.NormFloat64()
				by.Bulk += by.BulkWithin * quantity.Density(2*r.Float64()-1)
				p.Mass *= quantity.Mass(scale)
				p.Volume = quantity.VolumeOf(p.Volume.CubicMetres() * measure)
				if p.What == Dissolved {
					p.Syrup.Solids = min(syrup.MaxSolids, p.Syrup.Solids+by.SoldWithin*quantity.Solids(2*r.Float64()-1))
				}
				parts = append(parts, must(p.batch(20, by)))
			}
			s := must(must(Blend(parts...)).At(20, 0))
			b, l := s.Syrup.Solids.Brix(), s.Volume.Litres()
			x, xx, v, vv = x+b, xx+b*b, v+l, vv+l*l
		}
		sdX, sdV := math.Sqrt(xx/n-(x/n)*(x/n)), math.Sqrt(vv/n-(v/n)*(v/n))
		// The formula's own uncertainty of density is not simulated; it is small beside.
		if got := told.SolidsU.Brix() / sdX; got < 0.97 || got > 1.15 {
			t.Errorf("%s: told ±%.3f Brix, is ±%.3f", text, told.SolidsU.Brix(), sdX)
		}
		if got := told.VolumeU.Litres() / sdV; got < 0.97 || got > 1.15 {
			t.Errorf("%s: told ±%.4f L, is ±%.4f", text, told.VolumeU.Litres(), sdV)
		}
	}
}

func TestBlendAt(t *testing.T) {
	// Two totes, 500 L at 66 Brix and 300 L at 50 Brix, 20 °C. CRC Handbook densities
	// (read): 1322.4 and 1229.5 kg/m³: solids (661.2·0.66 + 368.85·0.5) of 1030.05 kg.
	u := Reading{Solids: 0.002, Volume: quantity.Litre}
	a := must(ByVolume(syrup.Syrup{Solids: 0.66}, 500*quantity.Litre, 20, u))
	b := must(ByVolume(syrup.Syrup{Solids: 0.50}, 300*quantity.Litre, 20, u))
	got, err := BlendAt(20, 0, a, b)
	if err != nil {
		t.Fatal(err)
	}
	if x := got.State.Syrup.Solids.Brix(); math.Abs(x-60.27) > 0.02 {
		t.Errorf("%.3f Brix, want 60.27", x)
	}
	if got.Batch.DrySolids() != a.DrySolids()+b.DrySolids() || got.State.Volume+got.Shrinks != 800*quantity.Litre {
		t.Errorf("%v of solids in %v, shrinks by %v", got.Batch.DrySolids(), got.State.Volume, got.Shrinks)
	}
	if l := got.Shrinks.Litres(); l <= 0 || l > 1.5 {
		t.Errorf("shrinks by %v L", l)
	}
	// The refractometer's error is in both: it does not average away.
	if u := got.State.SolidsU.Brix(); math.Abs(u-0.2) > 0.01 {
		t.Errorf("uncertainty %.3f Brix, want 0.2", u)
	}
	if len(got.State.Shares()) != 3 { // Brix, volume, formula
		t.Errorf("shares %+v", got.State.Shares())
	}
	if _, err := BlendAt(20, 0, a, must(Sugar(1, Usual))); err == nil {
		t.Error("dry sugar has no volume")
	}
	// Inverted half and half: the makeup goes by solids.
	c := must(ByVolume(syrup.Syrup{Makeup: syrup.Only(syrup.HFCS55), Solids: 0.77}, 100*quantity.Litre, 20, u))
	m := must(Blend(a, c)).Syrup().Makeup
	want := float64(c.DrySolids()) / float64(a.DrySolids()+c.DrySolids())
	if !near(m.Share(syrup.HFCS55), want, 1e-9) || !near(m.Share(syrup.Sucrose), 1-want, 1e-9) {
		t.Errorf("makeup %v, want %.4f HFCS-55", m, want)
	}
}

func TestCrystals(t *testing.T) {
	for _, c := range []struct {
		text string
		temp quantity.Temperature
		can  bool
		note string // how it begins, US
	}{
		{"2:1", 15, true, "Can drop crystals: water holds this much sugar only above 67 °F"}, // 19.6 °C: mixing.csv, computed
		{"2:1", 20, true, "Can drop crystals: water"},                                        // warned from 20 °C: the older scale is 0.5 % away
		{"2:1", 30, false, "Can drop crystals when colder than 67 °F"},
		{"1:1", 0, false, ""},
		{"75 Brix", 50, true, "Can drop crystals at this temperature."}, // 74.2 % at 60 °C
		{"30 L hfcs-42", 10, true, "Can drop crystals"},                 // below about 68 °F: Buck (read)
		{"30 L hfcs-55", 25, false, "Crystals: no figure known"},
		{"30 kg sugar + 10 kg hfcs-55 + 11 kg water", 10, true, "Can drop crystals"},
	} {
		s, err := must(must(ParseRecipe(c.text)).Mix(20, Usual)).At(c.temp, 0)
		if err != nil {
			t.Fatal(err)
		}
		if got := s.Note(quantity.US); s.Crystals.Can != c.can || !strings.HasPrefix(got, c.note) || (got == "") != (c.note == "") {
			t.Errorf("%s at %v: %+v, %q, want %q", c.text, c.temp, s.Crystals, got, c.note)
		}
	}
}

func TestErrors(t *testing.T) {
	b := must(ByVolume(syrup.Syrup{Solids: 0.6}, 100*quantity.Litre, 20, Reading{}))
	only := func(_ Batch, err error) error { return err }
	change := func(_ Change, err error) error { return err }
	rec := func(_ Recipe, err error) error { return err }
	bad := Usual
	bad.Scale = math.NaN()
	big := must(Sugar(900_000, Usual))
	for i, c := range []struct {
		err  error
		want string
	}{
		{only(Sugar(-1, Usual)), "sugar: must be between 0 and 1000000 kg, is -1 kg"},
		{only(Sugar(quantity.Mass(math.NaN()), Usual)), "sugar: must be between 0 and 1000000 kg, is NaN kg"},
		{only(Sugar(1, bad)), "scale's uncertainty: must be between 0 and 0.2, is NaN"},
		{only(Water(2e6, Usual)), "water: must be between 0 and 1000000 kg, is 2000000 kg"},
		{only(WaterByVolume(quantity.Litre, 80, Usual)), "water: must be measured at -5 to 50 °C: do it before it is heated, or weigh it, is 80 °C"},
		{only(SugarByVolume(-quantity.Litre, Usual)), "sugar: must be between 0 and 1000000 kg, is -1 L"},
		{only(Syrup(syrup.Syrup{Solids: 1.2}, 1, Usual)), "solids: must be between 0 and 100 %, is 120 Brix"},
		{only(ByVolume(syrup.Syrup{}, -1, 20, Reading{})), "volume: must not be negative, is -0.000000001 L"},
		{only(Blend(big, big)), "blend: must not be more than 1000000 kg, is 1800000 kg"},
		{change(Thin(b, 0.61, 20, Usual)), "target: must be above 0 and not thicker than the batch (60 Brix); water only thins, is 61 Brix"},
		{change(Thin(b, 0, 20, Usual)), "target: must be above 0 and not thicker than the batch (60 Brix); water only thins, is 0 Brix"},
		{change(Thicken(b, 0.5, 20, Usual)), "target: must not be thinner than the batch (60 Brix) nor above 77 %; sugar only thickens, is 50 Brix"},
		{change(Bring(b, must(Syrup(syrup.Syrup{Solids: 0.5}, 1, Usual)), 0.4, 20)), "target: must lie between the batch (60 Brix) and what is put in (50 Brix), is 40 Brix"},
		{change(Bring(b, Batch{}, 0.4, 20)), "what is put in: must not be nothing, is 0 kg"},
		{change(Thin(b, 1e-9, 20, Usual)), "what is put in: must not be more than 1000000 kg"},
		{rec(Recipe{Sugar: 1, Water: 1}.ForVolume(0, 20, Usual)), "volume wanted: must be more than 0, is 0 L"},
		{rec(Recipe{Sugar: 1, Water: 1}.ForSugar(-1, 20, Usual)), "sugar at hand: must be more than 0, is -1 kg"},
		{rec(Recipe{}.ForSugar(1, 20, Usual)), "recipe: must have parts, a ratio of two numbers above 0, or a target"},
		{rec(must(ParseRecipe("10:1")).ForVolume(quantity.Litre, 20, Usual)), "sugar: must be at most 77 % of the whole: more than that stays undissolved, is 90.9"},
		{rec(must(ParseRecipe("1 kg water")).ForSugar(1, 20, Usual)), "batch: must be of something and not more than 1000000 kg, is +Inf kg"},
		{func() error { _, _, err := b.Draw(101*quantity.Litre, 0, 20); return err }(), "volume drawn: must be between 0 and what there is (100"},
		{func() error { _, _, err := b.Draw(quantity.Litre, -1, 20); return err }(), "uncertainty of the volume drawn: must not be negative"},
		{func() error { _, _, err := b.DrawMass(1000); return err }(), "mass drawn: must not be more than there is (128"},
		{func() error { _, err := b.At(20, -1); return err }(), "uncertainty of the temperature: must be between 0 and 50 K, is -1"},
	} {
		var e *Error
		if !errors.As(c.err, &e) || !strings.HasPrefix(c.err.Error(), c.want) {
			t.Errorf("%d: %v, want %s", i, c.err, c.want)
		}
	}
	var re *syrup.RangeError
	if _, err := b.At(60, 0); !errors.As(err, &re) {
		t.Errorf("60 °C: %v", err)
	}
}

func TestParseRecipe(t *testing.T) {
	for in, want := range map[string]string{
		"2:1":                       "2:1 by weight",
		" 5 : 3  BY  Weight":        "5:3 by weight",
		"1.5:1 by volume":           "1.5:1 by volume",
		"66.7 %":                    "66.7 Brix",
		"16 lb sugar + 1 gal water": "7.25747792 kg sugar + 3.785411784 L water",
		"4 x 25 kg sugar and 60 L water at 59 °F": "100 kg sugar + 60 L water at 15 °C",
		"2 bags of 10 kg of Sugar+8 cups water":   "20 kg sugar + 1.892705892 L water",
		"10 L HFCS-55 + 5 kg hfcs-42":             "10 L hfcs-55 at 77 Brix + 5 kg hfcs-42 at 71 Brix",
		"10 L invert at 20 °C at 72 Brix":         "10 L invert at 72 Brix at 20 °C",
		"1 m3 syrup at 60 Brix":                   "1000 L syrup at 60 Brix",
	} {
		r, err := ParseRecipe(in)
		if err != nil || r.String() != want {
			t.Errorf("%q is %q, %v, want %q", in, r, err, want)
		}
	}
	for in, want := range map[string]string{
		"":                               `recipe: must be a ratio ("2:1"), a target ("65 Brix") or parts ("16 lb sugar + 1 gal water"), is ""`,
		"2":                              `part 1: must be an amount and what it is, such as "16 lb sugar" or "1 gal water", is "2"`,
		"2:1 by hand":                    `ratio: must end in "by weight" or "by volume", is "2:1 by hand"`,
		"2:1:1":                          `ratio: must be two plain numbers, sugar to water, such as "2:1" or "5:3 by volume", is "2:1:1"`,
		"2:-1":                           "ratio: must be two plain numbers",
		"0:1":                            "ratio: must be two numbers, sugar to water, each 0.001 to 1000",
		":1":                             "ratio: must be two numbers",
		"120 Brix":                       `recipe: must be above 0 and below 100 Brix, is "120 Brix"`,
		"0 Brix":                         "recipe: must be above 0 and below 100 Brix",
		"16 sugar + 1 gal water":         `part 1: must have an amount with its unit: kg, g, t, lb, oz, or gal, qt, pt, cup, L, mL, m3, is "16 sugar"`,
		"16 lb sugar + 1 water":          "part 2: must have an amount with its unit",
		"16 lb sugar + ":                 "part 2: must be an amount and what it is",
		"16 lb sugar + + 1 gal water":    "part 2: must be an amount and what it is",
		"1,5 kg sugar":                   "part 1: must have a decimal point and no commas",
		"-1 kg sugar":                    "part 1: must be more than 0",
		"5 kg honey":                     "part 1: must end in sugar, water, hfcs-42, hfcs-55, invert or syrup",
		"5 kg sucrose":                   "part 1: must end in sugar, water",
		"5 L syrup":                      `part 1: must say how thick it is, such as "at 60 Brix"`,
		"5 L invert at 20 °C":            "part 1: must say how thick it is",
		"5 L hfcs-55 at 90 Brix":         "part 1: must give solids above 0 and not above 77 Brix",
		"5 L water at 5 Brix":            "part 1: must not give Brix for sugar or water",
		"5 L water at 20":                `part 1: must give Brix or a temperature with its unit after "at"`,
		"5 L water at":                   `part 1: must give Brix or a temperature`,
		"5 kg water at 20 °C":            "part 1: must not give a temperature but for",
		"0 x 5 kg sugar":                 "part 1: must have a whole number of bags, 1 to 10000",
		"2.5 bags of 5 kg sugar":         "part 1: must have a whole number of bags",
		"2 x 600 t sugar":                "part 1: must not be more than 1000000 kg",
		"9 x 999 m3 water":               "part 1: must not be more than 1000000 L",
		strings.Repeat("1 g sugar+", 20): "recipe: must not have more than 16 parts",
		strings.Repeat("x", 2000):        "recipe: must be shorter than 1000 characters",
	} {
		r, err := ParseRecipe(in)
		var e *Error
		if !errors.As(err, &e) || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q is %v, %v, want %s", in, r, err, want)
		}
	}
}

// FuzzParseRecipe: no text panics; what is read prints so that it reads back
// the same, and can be mixed or says why not.
func FuzzParseRecipe(f *testing.F) {
	for _, s := range []string{"2:1", "1:1 by volume", "65 Brix", "16 lb sugar + 1 gal water", "4 x 25 lb sugar + 6 gal water at 15 °C",
		"2 bags of 50 lb sugar and 30 L hfcs-55", "100 L syrup at 60 Brix + 10 kg sugar", "1 cup water at", "::", "+", "1 L invert at 1 Brix at 1 F", "\xff x 1 kg of sugar", "2 x of"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := ParseRecipe(s)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Field == "" || e.Rule == "" {
				t.Fatalf("%q: %v is no *Error with field and rule", s, err)
			}
			return
		}
		again, err := ParseRecipe(r.String())
		if err != nil || fmt.Sprint(again) != fmt.Sprint(r) || len(again.Parts) != len(r.Parts) || again.Target != r.Target || again.Sugar != r.Sugar || again.Water != r.Water || again.ByVolume != r.ByVolume {
			t.Fatalf("%q reads as %v, which reads as %v, %v", s, r, again, err)
		}
		for i := range r.Parts {
			if r.Parts[i] != again.Parts[i] {
				t.Fatalf("%q: part %+v reads back as %+v", s, r.Parts[i], again.Parts[i])
			}
		}
		b, err := r.Mix(20, Usual)
		if err != nil {
			return
		}
		if st, err := b.At(20, 1); err == nil && (st.Volume < 0 || !(st.Density > 900 && st.Density < 1500) || math.IsNaN(float64(st.SolidsU)) || st.VolumeU < 0) {
			t.Fatalf("%q: %+v", s, st)
		}
	})
}
