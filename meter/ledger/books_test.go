package ledger

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"yardtally/meter/act"
)

func entry(id string, from int64, b act.Body, over ...string) act.Act {
	return act.Act{ID: id, Rig: "heron", Who: "wren", When: t0 + int64(len(id))*sec, From: from, Body: b, Replaces: over}
}

// mixOf is 200 kg of sugar with so much water.
func mixOf(waterKg float64, before *act.Content) act.Mix {
	return act.Mix{Parts: []act.Goods{{Kind: "sugar", Bags: 8, BagKg: 25}}, WaterKg: waterKg, Before: before}
}

func brixes(t *testing.T, what string, v *View, want func(i int) float64) {
	t.Helper()
	for i := range v.Fills {
		if got := v.Fills[i].Brix; math.Abs(got-want(i)) > 0.01 {
			t.Errorf("%s: fill %d has %g Brix, want %g", what, i, got, want(i))
		}
	}
}

func TestBooksRestate(t *testing.T) {
	s := evening()
	recs := serial(s.tell())
	at := func(fill int) int64 { return t0 + int64((s.pulls[fill].start-5)*1e9) }
	with := func(more ...act.Act) []act.Act {
		return append(append(settings(), entry("buy", t0-9000*sec, act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 40, BagKg: 25}})), more...)
	}
	const two, even = 200.0 / 3, 50.0

	first := entry("first", t0-500*sec, mixOf(100, nil))
	v := ledgers(t, recs, with(), with(first))
	brixes(t, "mixed", v, func(int) float64 { return two })
	if p := v.Fills[3].Pulled; p.Batch != "first" || p.SolidsU <= 0 {
		t.Errorf("dispensed from %+v", p)
	}
	if len(v.Batches) != 1 || v.Batches[0].ID != "first" || v.Batches[0].Made != t0-500*sec || v.Batch == nil || !v.Brix.Has {
		t.Errorf("in the tote: %+v, %+v", v.Batches, v.Batch)
	}
	if len(v.Review) != 0 {
		t.Errorf("for review: %+v", v.Review)
	}
	if v.Prices != nil {
		t.Errorf("prices %v, though none was said", v.Prices)
	}
	// 25 bags more for 500: that is 0.8 a kilogram; what had no price does not count.
	priced := ledgers(t, recs, with(first), with(first, entry("dear", t0-8000*sec, act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 25, BagKg: 25}, Price: 500})))
	if p := priced.Prices; len(p) != 1 || math.Abs(p["sugar"]-0.8) > 1e-9 {
		t.Errorf("prices %v, want 0.8 for a kilogram of sugar", p)
	}

	// Corrected, it restates what was dispensed; taken back, all is as before.
	right := entry("right", t0-500*sec, mixOf(200, nil), "first")
	w := ledgers(t, recs, with(first), with(first, right))
	brixes(t, "corrected", w, func(int) float64 { return even })
	if a, b := v.Fills[0].Solids, w.Fills[0].Solids; !(b < a && b > 0) {
		t.Errorf("sugar in a fill: %v, corrected %v", a, b)
	}
	undone := ledgers(t, recs, with(first), with(first, right), with(first, right, act.Act{ID: "u", Rig: "heron", Who: "wren", When: t0 + 99*sec, Body: act.Undo{Act: "right"}}))
	same(t, "taken back", results(v), results(undone))

	// A batch that a person says counts until the next load.
	said := entry("said", at(3), act.Batch{Syrup: "sucrose", Brix: 64})
	load := entry("load", at(9), mixOf(200, &act.Content{L: 0, WithinL: 1}))
	v = ledgers(t, recs, with(first), with(first, said), with(first, said, load))
	brixes(t, "said", v, func(i int) float64 {
		switch {
		case i < 3:
			return two
		case i < 9:
			return 64
		}
		return even
	})
	// What the hose still held is of the batch before.
	rig := entry("rig", 0, act.Rig{WrapBits: 32, QuietS: 2.5, LeastL: 0.25, MostLPM: 120, Zone: "UTC", HoseL: 6})
	w = ledgers(t, recs, with(first, said), with(first, said, load, rig))
	for i, want := range []float64{64, 0, even} { // of the ninth fill on: 4.3 L each, so the hose ends in the second
		if got := w.Fills[9+i].Brix; want > 0 && math.Abs(got-want) > 0.01 || want == 0 && !(got > even+1 && got < 63) {
			t.Errorf("with a hose of 6 L, fill %d has %g Brix, want %g", 9+i, got, want)
		}
	}
	// Also one of the same instant.
	said.From = first.From
	v = ledgers(t, recs, with(first), with(said, first))
	brixes(t, "said of the same instant", v, func(int) float64 { return 64 })

	// Two who corrected the same without knowing of one another.
	other := entry("another", t0-500*sec, mixOf(150, nil), "first")
	v = ledgers(t, recs, with(first), with(first, right, other))
	brixes(t, "the later counts", v, func(int) float64 { return 100 * 200.0 / 350 })
	if len(v.Review) != 1 || v.Review[0].Act != "another" || !strings.Contains(v.Review[0].Why, "differs from act right") {
		t.Errorf("conflict: %+v", v.Review)
	}
}

func TestSwap(t *testing.T) {
	s := evening()
	recs := serial(s.tell())
	mid := t0 + int64((s.pulls[6].start-10)*1e9)
	small := act.Tote{Name: "small", CapacityL: 500, SensorM: 1.1, Straps: []act.Strap{{LevelM: 0, VolumeL: 0}, {LevelM: 1, VolumeL: 500}}}
	acts := append(settings(),
		entry("small", 0, small),
		entry("into t", t0-600*sec, act.Mix{Tote: "t", Parts: []act.Goods{{Kind: "sugar", Kg: 200}}, WaterKg: 200}),
		entry("into small", t0-500*sec, act.Mix{Tote: "small", Parts: []act.Goods{{Kind: "hfcs-55", Kg: 200}}, WaterKg: 20}))
	none := ledgers(t, recs, acts)
	if none.Tote.Name != "small" { // as ever: the one described last
		t.Errorf("without a swap: %q", none.Tote.Name)
	}
	swap := entry("swapped", mid, act.Swap{Tote: "small"})
	v := ledgers(t, recs, settings(), acts, append(acts, swap))
	if v.Tote.Name != "small" || math.Abs(v.Tote.Volume.Litres()-350) > 1 { // 1.1 m less 0.4 m of headspace is 0.7 m
		t.Errorf("on the rig: %+v", v.Tote)
	}
	brixes(t, "swapped", v, func(i int) float64 {
		if i < 6 {
			return 50
		}
		return 70 // 77 % of 200 kg in 220 kg
	})
	// Until then the other stood there, though this one was described.
	if v := replayed(t, append(acts, swap), recs[:len(recs)/3]).View(); v.At >= mid || v.Tote.Name != "t" || math.Abs(v.Tote.Volume.Litres()-700) > 1 {
		t.Errorf("before the swap: %q, %v", v.Tote.Name, v.Tote.Volume)
	}
	// Of one instant, the order in which it was said counts.
	one := entry("t", mid, acts[4].Body)
	two := entry("swapped", mid, act.Swap{Tote: "small"})
	one.When, two.When = t0+1, t0+2
	if v := replayed(t, append(acts, one, two), recs).View(); v.Tote.Name != "small" {
		t.Errorf("described and then swapped: %q", v.Tote.Name)
	}
	// Undescribed, it has the shape of the one before.
	v = ledgers(t, recs, append(settings(), entry("swapped", mid, act.Swap{Tote: "new"})))
	if v.Tote.Name != "new" || math.Abs(v.Tote.Volume.Litres()-700) > 1 {
		t.Errorf("of unknown shape: %+v", v.Tote)
	}
	if len(v.Review) != 1 || v.Review[0].Act != "swapped" || !strings.Contains(v.Review[0].Why, "what tote new held is not known") {
		t.Errorf("for review: %+v", v.Review)
	}
}

// Entries of the store fold nothing, and a statement is none of the ledger's
// business.
func TestBooksThatChangeNothing(t *testing.T) {
	s := evening()
	recs := serial(s.tell())
	acts := settings()
	if booksOf("heron", acts) != nil {
		t.Error("there are no books")
	}
	l := live(t, acts, recs)
	want := results(l.View())
	made := len(l.made)
	for i, b := range []act.Body{
		act.Purchase{Goods: act.Goods{Kind: "sugar", Kg: 500}, Price: 400}, act.Count{Goods: act.Goods{Kind: "sugar", Kg: 480}},
		act.Statement{Number: 1, FromNS: 1, ToNS: 2, Figures: []byte("{}")}, act.Contents{L: 50}, act.Rinse{L: 20},
	} {
		acts = append(acts, entry(fmt.Sprint("e", i), t0+600*sec, b))
		l.SetActs(acts)
		if l.Stale() || len(l.made) != made {
			t.Errorf("%s: derived again", b.Kind())
		}
	}
	got := results(l.View())
	if len(got.Review) != 1 || got.Review[0].Act != "e3" {
		t.Errorf("for review: %+v", got.Review)
	}
	got.Review = want.Review
	prices := got.Prices
	if len(prices) != 1 || math.Abs(prices["sugar"]-0.8) > 1e-9 {
		t.Errorf("prices %v, want 0.8 for a kilogram of sugar", prices)
	}
	got.Prices = nil // all that they change
	same(t, "with entries that change nothing", got, want)
	got.Prices = prices
	same(t, "replayed", strip(got), strip(results(replayed(t, acts, recs).View())))
}

// bookNight is a random night with entries of the books said meanwhile.
func bookNight(seed uint64) night {
	n := randomNight(seed)
	r := rand.New(rand.NewPCG(seed, 79))
	tote := func() string { return []string{"", "t", "other"}[r.IntN(3)] }
	before := func() *act.Content {
		if r.IntN(2) == 0 {
			return nil
		}
		return &act.Content{L: 400 * r.Float64()}
	}
	var last string
	for range 1 + r.IntN(6) {
		i := r.IntN(len(n.recs))
		if _, taken := n.acts[i]; taken {
			continue
		}
		a := act.Act{ID: fmt.Sprint("b", i), Rig: "heron", Who: "wren", When: t0 + int64(i)*sec, From: n.recs[r.IntN(len(n.recs))].Wall}
		switch r.IntN(8) {
		case 0:
			a.Body = act.Swap{Tote: []string{"t", "other"}[r.IntN(2)]}
		case 1:
			a.Body = act.Water{Tote: tote(), Kg: 50 * r.Float64(), Unstirred: r.IntN(2) == 0, Before: before()}
		case 2:
			a.Body = act.Transfer{FromTote: "t", ToTote: "other", L: 100}
		case 3:
			a.Body = act.Purchase{Goods: act.Goods{Kind: "sugar", Kg: 1000}}
		case 4:
			a.Body = act.Tote{Name: "other", CapacityL: 600, SensorM: 1.1, LengthM: 1, WidthM: 0.6, HeightM: 1}
		default:
			m := mixOf(80+120*r.Float64(), before())
			m.Tote = tote()
			a.Body = m
		}
		if last != "" && r.IntN(4) == 0 {
			a.Replaces = []string{last}
		}
		last = a.ID
		n.acts[i] = a
	}
	return n
}

func TestRandomNightsWithBooks(t *testing.T) {
	for seed := range seeds() {
		t.Run(fmt.Sprint(seed), func(t *testing.T) { randomly(t, bookNight(seed), seed) })
	}
}

func BenchmarkSetActsBooks(b *testing.B) {
	l := season(b)
	acts := l.stands
	for i := range 60 {
		acts = append(acts, entry(fmt.Sprint("m", i), t0-int64(100-i)*86400*sec, mixOf(100+float64(i), &act.Content{L: 20})))
	}
	l.SetActs(acts)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		i++
		l.SetActs(append(acts[:len(acts):len(acts)], act.Act{ID: fmt.Sprint("tap", i), Rig: "heron", When: t0, Body: act.Cut{Session: 1, At: 700}}))
	}
}
