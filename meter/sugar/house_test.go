package sugar

import (
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"testing"

	"yardtally/meter/act"
)

// house is a season of a house: who says what of which rig.
type house struct{ season }

func (h *house) as(rig string, at int64, b act.Body, over ...string) string {
	id := h.say(at, b, over...)
	h.acts[len(h.acts)-1].Rig = rig
	return id
}

func (h *house) read() *Book { return Read(act.Housed(act.Standing(h.acts))) }

// Two rigs are loaded out of one mix, and a correction of it is one of both.
func TestHouseMix(t *testing.T) {
	var h house
	for _, rig := range []string{"heron", "plover"} {
		h.as(rig, 0, act.Tote{Name: "tote", CapacityL: 1040, LengthM: 1, WidthM: 1, HeightM: 1.04})
	}
	h.as(act.House, 1, act.Purchase{Goods: bags(40), Price: 1000})
	mix := h.as(act.House, 10, act.Mix{Tote: "tank", Parts: []act.Goods{bags(24)}, WaterKg: 300})
	heron := h.as(act.House, 11, act.Transfer{FromTote: "tank", ToTote: act.OnRig("heron"), L: 300, Before: &act.Content{}})
	plover := h.as(act.House, 12, act.Transfer{FromTote: "tank", ToTote: act.OnRig("plover"), L: 300, Before: &act.Content{}})
	brix := func(b *Book, want float64) {
		t.Helper()
		balanced(t, b)
		if len(b.Review) > 0 {
			t.Errorf("for review: %+v", b.Review)
		}
		for rig, load := range map[string]string{"heron": heron, "plover": plover} {
			x := &b.Held[b.OnRig(rig, 20*hour)]
			near(t, rig, x.Syrup.Solids.Brix(), want, 1e-6)
			if x.Tote != "tote of "+rig || x.Rig != rig || x.Act != load || len(x.Mixes) != 1 || x.Mixes[0].Act != mix && want > 60 {
				t.Errorf("%s: %+v", rig, x)
			}
			if got := b.Batches(rig, h.acts); len(got) != 1 || got[0].Rig != rig || math.Abs(got[0].Body.(act.Batch).Brix-want) > 1e-6 {
				t.Errorf("%s: batches %+v", rig, got)
			}
		}
	}
	brix(h.read(), 200.0/3)
	h.as(act.House, 10, act.Mix{Tote: "tank", Parts: []act.Goods{bags(24)}, WaterKg: 600}, mix)
	brix(h.read(), 50)
}

// What rigs had in books of their own stays as they said it, and is in the house's
// store from when that speaks of it on: nothing lost, nothing twice.
func TestTakenOver(t *testing.T) {
	var h house
	alone := map[string]*house{}
	for i, rig := range []string{"heron", "plover"} {
		alone[rig] = &house{}
		for _, x := range []struct {
			at int64
			b  act.Body
		}{{1, act.Count{Goods: bags(4), Price: 80}}, {2, act.Purchase{Goods: bags(10 + float64(i))}}, {2, act.Purchase{Goods: act.Goods{Kind: "hfcs-55", Kg: 50, Brix: 77}}},
			{3, act.Mix{Tote: "tank", Parts: []act.Goods{bags(6)}, WaterKg: 75}}, {4, act.Count{Goods: bags(8)}},
			{5, act.Transfer{FromTote: "tank", L: 50, Before: &act.Content{}}}} {
			h.as(rig, x.at, x.b)
			alone[rig].as(rig, x.at, x.b)
		}
	}
	b := h.read()
	balanced(t, b)
	for rig, own := range alone {
		o := Read(own.acts)
		s, was := b.Stock("sugar of "+rig), o.Stock("sugar")
		left, _ := s.Left()
		want, _ := was.Left()
		if left != want || len(s.Counts) != 1 || s.Counts[0].Solids != was.Counts[0].Solids || s.Opening != was.Opening {
			t.Errorf("%s: %+v, alone %+v", rig, s, was)
		}
		if x, y := b.Batches(rig, act.Housed(h.acts)), o.Batches(rig, own.acts); len(x) != 1 || !reflect.DeepEqual(x[0].Body, y[0].Body) {
			t.Errorf("%s held %+v, alone %+v", rig, x, y)
		}
	}
	if len(b.Review) > 0 || b.Stock("sugar") != nil {
		t.Errorf("%+v, house %+v", b.Review, b.Stock("sugar"))
	}
	// 8 and 9 bags are left by the books.
	h.as(act.House, 10, act.Purchase{Goods: bags(1)})
	h.as(act.House, 11, act.Count{Goods: bags(17)})
	b = h.read()
	balanced(t, b)
	left, _ := b.Stock("sugar").Left()
	near(t, "in the house's store", float64(left.Mass()), (8+9+1)*25, 1e-9)
	if s := b.Stock("sugar"); len(s.Counts) != 1 || s.Opening.Total() != 0 || s.Counts[0].Solids != left {
		t.Errorf("the house's store: %+v", s)
	}
	for _, rig := range []string{"heron", "plover"} {
		if left, _ := b.Stock("sugar of " + rig).Left(); left != 0 {
			t.Errorf("%s keeps %v", rig, left)
		}
	}
	if left, _ := b.Stock("hfcs-55 of heron").Left(); left == 0 {
		t.Error("what the house did not speak of was taken over")
	}
}

// A rig's tote on the other rig: one place at a time, and it is said.
func TestSwapBetweenRigs(t *testing.T) {
	var h house
	for _, rig := range []string{"heron", "plover"} {
		h.as(rig, 0, act.Tote{Name: "tote", CapacityL: 1040, LengthM: 1, WidthM: 1, HeightM: 1.04})
	}
	h.as(act.House, 1, act.Purchase{Goods: bags(8)})
	h.as(act.House, 2, act.Mix{Tote: act.OnRig("heron"), Parts: []act.Goods{bags(8)}, WaterKg: 100})
	swap := h.as(act.House, 3, act.Swap{Tote: "tote of heron", Rig: "plover"})
	b := h.read()
	balanced(t, b)
	if x := &b.Held[b.OnRig("plover", 9*hour)]; x.Tote != "tote of heron" || x.Batch.DrySolids() != 200*1e9 {
		t.Errorf("on plover: %+v", x)
	}
	if x := &b.Held[b.OnRig("heron", 9*hour)]; x.Tote != "@heron" || x.Batch.Total() != 0 {
		t.Errorf("on heron: %+v", x)
	}
	if len(b.Review) != 1 || b.Review[0].Act != swap {
		t.Errorf("for review: %+v", b.Review)
	}
}

// anyHouse makes acts of every kind by three rigs and the house, sensible or not.
func anyHouse(g *rand.Rand, n int) []act.Act {
	acts := anyActs(g, n)
	rigs := []string{"heron", "plover", "egret"}
	for i := range acts {
		a := &acts[i]
		a.Rig = rigs[g.IntN(3)]
		if g.IntN(2) == 0 || !act.OfBooks(a.Body) {
			continue
		}
		tote := func(name string) string {
			if name == "" {
				return act.OnRig(a.Rig)
			}
			if g.IntN(2) == 0 {
				return act.Own(name, rigs[g.IntN(3)])
			}
			return name
		}
		switch b := a.Body.(type) {
		case act.Mix:
			b.Tote = tote(b.Tote)
			a.Body = b
		case act.Transfer:
			b.FromTote, b.ToTote = tote(b.FromTote), tote(b.ToTote)
			a.Body = b
		case act.Swap:
			b.Tote, b.Rig = tote(b.Tote), a.Rig
			a.Body = b
		case act.Water:
			b.Tote = tote(b.Tote)
			a.Body = b
		case act.Stirred:
			b.Tote = tote(b.Tote)
			a.Body = b
		case act.Rinse:
			b.Tote = tote(b.Tote)
			a.Body = b
		case act.Lost:
			b.Tote = tote(b.Tote)
			a.Body = b
		case act.Fed:
			b.Tote = tote(b.Tote)
			a.Body = b
		case act.Contents:
			b.Tote = tote(b.Tote)
			a.Body = b
		}
		a.Rig = act.House
	}
	return acts
}

// Over all rigs and stores nothing is made or lost, whatever was said and in
// whatever order it came; two copies of a journal come together as one.
func TestAnyHouse(t *testing.T) {
	seeds := uint64(500)
	switch {
	case os.Getenv("YARDTALLY_FULL") == "long":
		seeds = 50000
	case os.Getenv("YARDTALLY_FULL") != "":
		seeds = 10000
	}
	held := 0
	for seed := range seeds {
		g := rand.New(rand.NewPCG(seed, 11))
		acts := anyHouse(g, 1+g.IntN(60))
		read := func(acts []act.Act) *Book { return Read(act.Housed(act.Standing(acts))) }
		want := read(acts)
		balanced(t, want)
		held += len(want.Held)
		for _, rig := range want.Rigs {
			for _, a := range want.Batches(rig, act.Housed(acts)) {
				if err := a.Check(); err != nil || a.Rig != rig {
					t.Errorf("seed %d: batch of %s: %v", seed, a.Rig, err)
				}
			}
		}
		for i, x := range want.Held {
			for _, y := range want.Held[:i] {
				if x.From == y.From && x.Act == y.Act && x.OnRig && y.OnRig && x.Rig == y.Rig && x.Tote != y.Tote && x.Tote != act.OnRig(x.Rig) && y.Tote != act.OnRig(y.Rig) {
					t.Errorf("seed %d: act %s: both %q and %q stand on %s", seed, x.Act, x.Tote, y.Tote, x.Rig)
				}
			}
		}
		// Two copies, each with a part of it and what both have, in any order.
		var one, two []act.Act
		for _, a := range acts {
			k := g.IntN(3)
			if k != 0 {
				one = append(one, a)
			}
			if k != 1 {
				two = append(two, a)
			}
		}
		both := append(append([]act.Act{}, two...), one...)
		g.Shuffle(len(both), func(i, j int) { both[i], both[j] = both[j], both[i] })
		if got := read(both); !reflect.DeepEqual(got, want) {
			t.Errorf("seed %d: two copies that came together give another book", seed)
		}
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
	if held < int(seeds) {
		t.Errorf("only %d contents in %d houses: too little to find anything", held, seeds)
	}
}
