package sugar

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
)

const hour = int64(3600e9)

// season is invented: the nights of one keeper.
type season struct {
	acts []act.Act
	n    int
}

func (s *season) say(at int64, b act.Body, over ...string) string {
	s.n++
	id := fmt.Sprintf("act%04d", s.n)
	s.acts = append(s.acts, act.Act{ID: id, Rig: "heron", Who: "wren", When: int64(s.n), From: at * hour, Body: b, Replaces: over})
	return id
}

func bags(n float64) act.Goods { return act.Goods{Kind: "sugar", Bags: n, BagKg: 25} }

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.6g, want %.6g ± %g", what, got, want, tol)
	}
}

// balanced checks that every place but the outside has what came less what
// went, to the microgram: solids of every kind, and water.
func balanced(t testing.TB, b *Book) {
	t.Helper()
	type sums [5]mix.Micrograms
	of := func(x mix.Batch) (s sums) {
		for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
			s[k] = x.Of(k)
		}
		s[4] = x.Water()
		return s
	}
	left := make(map[Place]sums)
	for _, m := range b.Moves {
		x := of(m.Batch)
		from, to := left[m.From], left[m.To]
		for i := range x {
			if x[i] < 0 {
				t.Errorf("act %s moved %v", m.Act, x)
			}
			from[i] -= x[i]
		}
		left[m.From] = from
		to = left[m.To]
		for i := range x {
			to[i] += x[i]
		}
		left[m.To] = to
	}
	held := make(map[string]mix.Batch)
	for _, h := range b.Held {
		held[h.Tote] = h.Batch
	}
	for p, has := range left {
		switch p.At {
		case Tote:
			if want := of(held[p.Name]); has != want {
				t.Errorf("tote %q: moves leave %v, it holds %v", p.Name, has, want)
			}
		case Store:
			s := b.Stock(p.Name)
			if s == nil {
				t.Fatalf("no store of %q", p.Name)
			}
			solids, water := s.Left()
			if has[0]+has[1]+has[2]+has[3] != solids || has[4] != water {
				t.Errorf("store of %s: moves leave %v, the books %v and %v", p.Name, has, solids, water)
			}
		}
	}
	for tote, x := range held {
		if _, ok := left[Place{Tote, tote}]; !ok && x.Total() != 0 {
			t.Errorf("tote %q holds %v that nothing brought", tote, x.Total())
		}
	}
	for i, h := range b.Held {
		sum := 0.0
		for _, p := range h.Mixes {
			sum += p.Share
		}
		if h.Batch.DrySolids() > 0 && math.Abs(sum-1) > 1e-9 || math.IsNaN(float64(h.SolidsU)) {
			t.Errorf("held %d: shares add up to %v, uncertainty %v", i, sum, h.SolidsU)
		}
		if i > 0 && h.From < b.Held[i-1].From {
			t.Errorf("held %d is before the one before it", i)
		}
	}
}

func TestSeason(t *testing.T) {
	var s season
	s.say(0, act.Tote{Name: "one", CapacityL: 1040, LengthM: 1, WidthM: 1, HeightM: 1.04})
	s.say(1, act.Count{Goods: bags(4), Price: 80})
	buy := s.say(2, act.Purchase{Goods: bags(16), Price: 400, Lot: "L7"})
	s.say(3, act.Purchase{Goods: act.Goods{Kind: "hfcs-55", Kg: 200, Brix: 77}, Price: 150})
	m1 := s.say(10, act.Mix{Name: "first", Parts: []act.Goods{bags(8)}, WaterKg: 100})
	m2 := s.say(20, act.Mix{Parts: []act.Goods{bags(4), {Kind: "hfcs-55", Kg: 100, Brix: 77}}, WaterKg: 60, Before: &act.Content{L: 100}})
	s.say(30, act.Count{Goods: bags(7)})
	s.say(31, act.Fed{Goods: &act.Goods{Kind: "sugar", Kg: 10}, Yard: "larch", Colonies: 12})
	s.say(32, act.Lost{Goods: &act.Goods{Kind: "sugar", Bags: 1, BagKg: 25}, Why: act.Spoiled})
	s.say(40, act.Contents{L: 0, WithinL: 5})
	b := Read(s.acts)
	balanced(t, b)
	if len(b.Review) > 0 {
		t.Errorf("for review: %+v", b.Review)
	}
	sugar := b.Stock("sugar")
	left, _ := sugar.Left()
	near(t, "sugar in store", float64(left.Mass()), 500-300-10-25, 1e-9)
	price, ok := b.Price("sugar")
	if !ok {
		t.Fatal("no price")
	}
	near(t, "price", price, 480.0/500, 1e-12)
	if len(sugar.Counts) != 1 || sugar.Counts[0].Solids != 200*1e9 || sugar.Counts[0].Batch.DrySolids() != 175*1e9 {
		t.Errorf("counts: %+v", sugar.Counts)
	}
	h := b.Held[0]
	near(t, "2:1 is 66.67 Brix", h.Syrup.Solids.Brix(), 200.0/3, 1e-6)
	if h.Act != m1 || h.Tote != "one" || !h.OnRig || h.Measured || len(h.Mixes) != 1 {
		t.Errorf("first mix: %+v", h)
	}
	// 1326.8 kg/m³: mixing.csv's row of 2:1 (computed there).
	h = b.Held[1]
	old := 132.68 * 2 / 3
	near(t, "solids of the blend", float64(h.Batch.DrySolids().Mass()), old+177, 0.05)
	near(t, "blend", h.Syrup.Solids.Brix(), 100*(old+177)/(132.68+260), 0.01)
	near(t, "of it corn syrup", float64(h.Batch.Of(syrup.HFCS55).Mass()), 77, 1e-6)
	if len(h.Mixes) != 2 || h.Mixes[0].Act != m1 || h.Mixes[1].Act != m2 {
		t.Fatalf("portions: %+v", h.Mixes)
	}
	near(t, "portion", h.Mixes[0].Share, old/(old+177), 1e-4)
	if i := b.OnRig("heron", 15*hour); i != 0 {
		t.Errorf("held at 15 h: %d", i)
	}
	if i := b.OnRig("heron", 9*hour); i != -1 {
		t.Errorf("held at 9 h: %d", i)
	}
	// As batches for the ledger: the kinds in percent of the solids.
	batches := b.Batches("heron", s.acts)
	if len(batches) != 2 || batches[0].ID != m1 || batches[0].Body.(act.Batch).Syrup != "sucrose" {
		t.Fatalf("batches: %+v", batches)
	}
	mixed := batches[1].Body.(act.Batch)
	near(t, "share of corn syrup", mixed.Shares["hfcs-55"], 100*77/(old+177), 0.006)
	sol, u, err := mixed.Solution()
	if err != nil || math.Abs(float64(sol.Solids-h.Syrup.Solids)) > 1e-12 || math.Abs(u/float64(h.SolidsU)-1) > 1e-9 {
		t.Errorf("as a batch: %+v ± %v (%v), held %+v ± %v", sol, u, err, h.Syrup, h.SolidsU)
	}
	if mixed.MadeNS != 10*hour { // of what is left of it there is more than a tenth
		t.Errorf("made %v", mixed.MadeNS)
	}
	// A bag less was bought.
	s.say(2, act.Purchase{Goods: bags(15), Price: 400, Lot: "L7"}, buy)
	b = Read(s.acts)
	left, _ = b.Stock("sugar").Left()
	near(t, "corrected", float64(left.Mass()), 475-335, 1e-9)
	balanced(t, b)
}

func TestMeasured(t *testing.T) {
	var s season
	s.say(10, act.Mix{Parts: []act.Goods{bags(8)}, WaterKg: 100, Brix: 65, BrixWithin: 0.3})
	s.say(11, act.Mix{Tote: "two", Parts: []act.Goods{bags(8)}, Brix: 50})
	s.say(12, act.Stirred{Tote: "two", Brix: 51})
	b := Read(s.acts)
	balanced(t, b)
	h := b.Held[0]
	if !h.Measured || h.Batch.DrySolids() != 200*1e9 {
		t.Errorf("measured mix: %+v", h)
	}
	near(t, "measured", h.Syrup.Solids.Brix(), 65, 1e-6)
	// The reading alone says how thick it is: 0.3/√3.
	near(t, "uncertainty", h.SolidsU.Brix(), 0.3/math.Sqrt(3), 1e-3)
	r := b.Readings[0]
	near(t, "expected", r.Expected.Brix(), 66.667, 1e-3)
	if !r.Mix || r.Read != 0.65 || !(r.ExpectedU > 0 && r.ExpectedU < 0.005) {
		t.Errorf("reading: %+v", r)
	}
	near(t, "water by Brix", float64(b.Mixes[1].Batch.Water().Mass()), 200, 1e-6)
	if b.Mixes[1].WaterKnown || len(b.Readings) != 2 || b.Readings[1].Mix {
		t.Errorf("a mix whose water is not known expects nothing: %+v", b.Readings)
	}
	near(t, "stirred and measured", b.Held[2].Syrup.Solids.Brix(), 51, 1e-6)
}

func TestTotes(t *testing.T) {
	var s season
	s.say(1, act.Purchase{Goods: bags(8)})
	s.say(10, act.Mix{Tote: "two", Parts: []act.Goods{bags(8)}, WaterKg: 200})
	s.say(11, act.Water{Tote: "two", Kg: 50, Unstirred: true})
	s.say(12, act.Stirred{Tote: "two"})
	s.say(13, act.Transfer{FromTote: "two", L: 100, Before: &act.Content{}})
	s.say(14, act.Swap{Tote: "two"})
	s.say(15, act.Swap{Tote: "three"})
	s.say(16, act.Transfer{FromTote: "two", ToTote: "four", L: 80, All: true, Before: &act.Content{}})
	b := Read(s.acts)
	balanced(t, b)
	if len(b.Review) != 1 || b.Review[0].Act != "act0007" || !strings.Contains(b.Review[0].Why, "three") {
		t.Errorf("review: %+v", b.Review)
	}
	near(t, "unstirred", b.Held[1].SolidsU.Brix(), math.Hypot(UnstirredBrix/math.Sqrt(3), b.Held[2].SolidsU.Brix()), 1e-9)
	near(t, "water added", b.Held[1].Syrup.Solids.Brix(), 100*200.0/450, 1e-6)
	if !b.Held[1].Unstirred || b.Held[2].Unstirred {
		t.Error("stirring ends what was not stirred")
	}
	now := b.Held[b.In("four", 99*hour)]
	near(t, "went over", volume(now.Batch).Litres(), 80, 1e-3)
	if b.Held[b.In("two", 99*hour)].Batch.Total() != 0 {
		t.Error("all of two went over")
	}
	if i := b.OnRig("heron", 99*hour); b.Held[i].Tote != "three" {
		t.Errorf("on the rig: %+v", b.Held[i])
	}
	batches := Batches(s.acts)
	if len(batches) != 2 { // the transfer to the rig's tote, the swap to two
		t.Fatalf("batches: %+v", batches)
	}
	for _, a := range batches {
		if err := a.Check(); err != nil {
			t.Error(err)
		}
		near(t, "batch", a.Body.(act.Batch).Brix, 100*200.0/450, 1e-6)
	}
	if got := Batches([]act.Act{{ID: "b", Rig: "heron", Body: act.Batch{Syrup: "sucrose", Brix: 60}}}); got != nil {
		t.Errorf("without books: %+v", got)
	}
}

// A batch that a person said is what the tote held when the books began, and
// later on a measurement.
func TestSaid(t *testing.T) {
	var s season
	said := s.say(1, act.Batch{Syrup: "invert", Brix: 60})
	s.say(2, act.Purchase{Goods: bags(8)})
	s.say(10, act.Mix{Parts: []act.Goods{bags(8)}, WaterKg: 100, Before: &act.Content{L: 50}})
	s.say(10, act.Batch{Syrup: "sucrose", Brix: 65})
	b := Read(s.acts)
	balanced(t, b)
	if len(b.Review) != 0 || len(b.Held) != 2 || b.Held[0].Mixes[0].Act != said {
		t.Fatalf("held %+v, review %+v", b.Held, b.Review)
	}
	// 50 L of invert of 60 Brix: 1283 kg/m³ or so (computed with package syrup).
	near(t, "from before", float64(b.Held[0].Batch.Of(syrup.Invert).Mass()), 50*1.283*0.6, 0.2)
	near(t, "measured", b.Held[1].Syrup.Solids.Brix(), 65, 1e-6)
	if got := b.Batches("heron", s.acts); len(got) != 1 {
		t.Errorf("what a person said is not derived again: %+v", got)
	}
}

func TestReview(t *testing.T) {
	mixed := act.Mix{Parts: []act.Goods{bags(8)}, WaterKg: 100}
	for _, c := range []struct {
		name string
		say  []act.Body
		want string
	}{
		{"before missing", []act.Body{mixed, act.Mix{Parts: []act.Goods{bags(4)}, WaterKg: 50}}, "before: must be said"},
		{"more than it held", []act.Body{mixed, act.Lost{L: 400, Why: act.Spilled}}, "l: must not be more than the tote held"},
		{"held more than it can", []act.Body{mixed, act.Contents{L: 300}}, "more than acts say"},
		{"held unknown", []act.Body{act.Contents{L: 300}}, "not known"},
		{"out of nowhere", []act.Body{act.Fed{L: 30, Yard: "larch"}}, "not known"},
		{"transfer of nothing", []act.Body{act.Transfer{FromTote: "two", All: true}}, "from_tote: must hold"},
		{"the tote on the rig to itself", []act.Body{act.Swap{Tote: "two"}, mixed, act.Transfer{ToTote: "two", L: 5}}, "to_tote: must be another"},
		{"stirred nothing", []act.Body{act.Stirred{}}, "tote: must hold syrup"},
		{"water to nothing", []act.Body{act.Water{Kg: 5}}, "tote: must hold syrup"},
		{"water to what is not known", []act.Body{act.Batch{Syrup: "sucrose", Brix: 60}, act.Water{Kg: 5}}, "tote: must hold syrup"},
		{"more than the tote can hold", []act.Body{act.Tote{Name: "small", CapacityL: 200, LengthM: 1, WidthM: 1, HeightM: 0.2}, mixed}, "must hold 200 L at most"},
		{"water without before", []act.Body{mixed, act.Water{Kg: 5}}, "before: must be said"},
		{"too thick", []act.Body{act.Mix{Parts: []act.Goods{bags(8)}, WaterKg: 20}}, "at most 77 %"},
		{"lost on the way", []act.Body{act.Mix{Tote: "two", Parts: []act.Goods{bags(8)}, WaterKg: 100}, act.Transfer{FromTote: "two", L: 50, All: true}}, "missing"},
		{"missing", []act.Body{act.Mix{Tote: "two", Parts: []act.Goods{bags(8)}, WaterKg: 100}, act.Contents{Tote: "two", L: 50}}, "missing"},
		{"all of a tote on the rig", []act.Body{mixed, act.Transfer{ToTote: "two", All: true}}, "l: must be said"},
		{"twice", []act.Body{act.Purchase{Goods: bags(8)}, act.Purchase{Goods: bags(8)}}, "says the same"},
		{"short", []act.Body{act.Purchase{Goods: bags(7)}, mixed}, "sugar: 25 kg more left the store"},
		{"a count with a price", []act.Body{act.Purchase{Goods: bags(7)}, act.Count{Goods: bags(7)}, act.Count{Goods: bags(6), Price: 6}}, "price: must be said of opening stock only"},
		{"not checked", []act.Body{act.Mix{}}, "parts: must be between"},
		{"too much", []act.Body{act.Purchase{Goods: act.Goods{Kind: "sugar", Kg: 5e5}}, act.Purchase{Goods: act.Goods{Kind: "sugar", Kg: 5e5}}, act.Purchase{Goods: act.Goods{Kind: "sugar", Kg: 4e5}}}, "1000000 kg"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s season
			for i, b := range c.say {
				at := int64(i + 1)
				if c.name == "twice" {
					at = 1
				}
				s.say(at, b)
			}
			b := Read(s.acts)
			balanced(t, b)
			last := s.acts[len(s.acts)-1].ID
			for _, r := range b.Review {
				if r.Act == last && strings.Contains(r.Why, c.want) {
					return
				}
			}
			t.Errorf("got %+v, want %q", b.Review, c.want)
		})
	}
}

// anyActs makes acts of every kind, sensible or not.
func anyActs(g *rand.Rand, n int) []act.Act {
	var s season
	pick := func(x ...float64) float64 { return x[g.IntN(len(x))] }
	tote := func() string { return []string{"", "one", "two", "three"}[g.IntN(4)] }
	goods := func() act.Goods {
		x := act.Goods{Kind: act.GoodsKinds[g.IntN(4)], WithinPct: pick(0, 0, 3)}
		switch {
		case g.IntN(3) == 0:
			x.Bags, x.BagKg = float64(g.IntN(20)+1), pick(25, 22.6796185)
		case x.Kind != "sugar" && g.IntN(2) == 0:
			x.L = g.Float64() * 400
		default:
			x.Kg = g.Float64() * pick(10, 400, 400000)
		}
		if x.Kind != "sugar" {
			x.Brix = pick(0, 50, 70, 77)
		} else {
			x.Brix = pick(0, 0, 99.9)
		}
		return x
	}
	before := func() *act.Content {
		if g.IntN(2) == 0 {
			return nil
		}
		return &act.Content{L: g.Float64() * pick(0, 10, 500), WithinL: pick(0, 1, 50)}
	}
	at := int64(0)
	for range n {
		at += g.Int64N(3)
		var over []string
		if s.n > 0 && g.IntN(8) == 0 {
			over = []string{fmt.Sprintf("act%04d", 1+g.IntN(s.n))}
		}
		ps := make([]act.Goods, 1+g.IntN(3))
		for i := range ps {
			ps[i] = goods()
		}
		x := ps[0]
		var b act.Body
		switch g.IntN(16) {
		case 0:
			b = act.Purchase{Goods: x, Price: pick(0, 50)}
		case 1:
			b = act.Count{Goods: x, Price: pick(0, 50)}
		case 2:
			b = act.Count{Goods: act.Goods{Kind: x.Kind}, Empty: true}
		case 3, 4, 5:
			b = act.Mix{Tote: tote(), Parts: ps, WaterKg: pick(0, 100, 300), Brix: pick(0, 0, 60, 70), Unstirred: g.IntN(4) == 0, Before: before()}
		case 6, 7:
			b = act.Transfer{FromTote: tote(), ToTote: tote(), L: g.Float64() * pick(0, 10, 400), All: g.IntN(3) == 0, Before: before()}
		case 8:
			b = act.Swap{Tote: []string{"one", "two", "three"}[g.IntN(3)]}
		case 9:
			b = act.Water{Tote: tote(), Kg: g.Float64() * pick(10, 500), Unstirred: g.IntN(2) == 0, Before: before()}
		case 10:
			b = act.Stirred{Tote: tote(), Brix: pick(0, 0, 30, 65)}
		case 11:
			b = act.Rinse{L: pick(5, 1e6)}
		case 12:
			if b = (act.Lost{Goods: &x, Why: act.Dumped}); g.IntN(2) == 0 {
				b = act.Lost{Tote: tote(), L: g.Float64() * 300, Why: act.Leaked}
			}
		case 13:
			if b = (act.Fed{Goods: &x, Yard: "larch"}); g.IntN(2) == 0 {
				b = act.Fed{Tote: tote(), L: g.Float64() * 300, Yard: "mill"}
			}
		case 14:
			b = act.Contents{Tote: tote(), L: g.Float64() * pick(0, 10, 500)}
		case 15:
			if b = (act.Batch{Syrup: "invert", Brix: pick(50, 70)}); g.IntN(2) == 0 {
				b = act.Tote{Name: tote(), CapacityL: 1000, LengthM: 1, WidthM: 1, HeightM: 1}
			}
		}
		s.say(at, b, over...)
	}
	return s.acts
}

func TestAnySequence(t *testing.T) {
	seeds := uint64(500)
	switch {
	case os.Getenv("YARDTALLY_FULL") == "long":
		seeds = 50000
	case os.Getenv("YARDTALLY_FULL") != "":
		seeds = 10000
	}
	for seed := range seeds {
		g := rand.New(rand.NewPCG(seed, 7))
		acts := anyActs(g, 1+g.IntN(60))
		want := Read(acts)
		balanced(t, want)
		derived := Batches(acts)
		for _, a := range derived {
			if err := a.Check(); err != nil {
				t.Errorf("seed %d: %v", seed, err)
			}
		}
		g.Shuffle(len(acts), func(i, j int) { acts[i], acts[j] = acts[j], acts[i] })
		if got := Read(acts); !reflect.DeepEqual(got, want) {
			t.Errorf("seed %d: another order gives another book", seed)
		}
		if held, readings := new(Book).Again(acts); !slices.EqualFunc(held, want.Held, func(a, b Held) bool { return reflect.DeepEqual(a, b) }) || !slices.Equal(readings, want.Readings) {
			t.Errorf("seed %d: read in brief, totes held and readings were something else", seed)
		}
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
}

// Whatever a journal has, it is read, and nothing is made or lost.
func FuzzRead(f *testing.F) {
	for seed := range uint64(20) {
		data, err := json.Marshal(anyActs(rand.New(rand.NewPCG(seed, 9)), 12))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var acts []act.Act
		if json.Unmarshal(data, &acts) != nil {
			return
		}
		acts = act.Standing(acts)
		balanced(t, Read(acts))
		for _, a := range Batches(acts) {
			if err := a.Body.Check(); err != nil {
				t.Error(err)
			}
		}
	})
}

func BenchmarkRead(b *testing.B) {
	acts := anyActs(rand.New(rand.NewPCG(1, 1)), 400)
	for b.Loop() {
		Read(acts)
	}
}
