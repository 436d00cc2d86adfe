package books

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/reconcile"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/outing"
	"yardtally/meter/sugar"
)

const hour = int64(3600e9)

// tale is an invented season that is told act by act.
type tale struct {
	acts    []act.Act
	metered []Metered
}

func (s *tale) say(at int64, b act.Body) string {
	id := fmt.Sprintf("act%04d", len(s.acts)+1)
	s.acts = append(s.acts, act.Act{ID: id, Rig: "heron", Who: "wren", When: int64(len(s.acts)), From: begins + at*hour, Body: b})
	return id
}

func (s *tale) flow(at int64, yard, why string, litres float64) {
	s.metered = append(s.metered, Metered{Name: yard, Yard: yard, Why: why, At: begins + at*hour, Visit: -1, Volume: litres / 1000,
		Temp: 20, Own: litres * 1e-6, Common: []Common{{"scale of the bucket test", litres * 2e-6}}})
}

func (s *tale) season() *Season {
	out := &Season{From: begins - day, To: begins + 1000*hour, Acts: act.Standing(s.acts), Book: sugar.Read(act.Standing(s.acts)), Metered: s.metered}
	for i := range out.Metered {
		out.Metered[i].Held = out.Book.OnRig("heron", out.Metered[i].At)
	}
	return out
}

func balanceOf(t testing.TB, s *Season) *Balance {
	t.Helper()
	b, err := s.Balance()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func sugarBags(n float64) act.Goods { return act.Goods{Kind: act.SugarGoods, Bags: n, BagKg: 25} }

// litresOf gives how many litres of the syrup are so many kilograms of solids, at 20 °C.
func litresFor(kg, brix float64) float64 {
	s := syrup.Syrup{Solids: quantity.FromBrix(brix)}
	return kg / float64(s.Solids) / float64(s.Near(20).Density) * 1000
}

// plain is a season of which everything adds up: bought, mixed 2:1, fed in two
// yards and by hand, some lost, some left in tote and store.
func plain() *tale {
	s := &tale{}
	s.say(0, act.Tote{Name: "white", CapacityL: 1000, LengthM: 1, WidthM: 1, HeightM: 1})
	s.say(1, act.Count{Goods: sugarBags(2)})
	s.say(2, act.Purchase{Goods: sugarBags(10), Price: 260})
	s.say(10, act.Mix{Parts: []act.Goods{sugarBags(8)}, WaterKg: 100, Brix: 200.0 / 3})
	s.flow(20, "orchard-end", "", litresFor(90, 200.0/3))
	s.flow(21, "mill-bottom", "", litresFor(60, 200.0/3))
	s.flow(22, "mill-bottom", outing.Flush, litresFor(2, 200.0/3))
	s.say(23, act.Fed{L: litresFor(10, 200.0/3), Yard: "larch-bank"})
	s.say(24, act.Lost{L: litresFor(5, 200.0/3), Why: act.Spilled})
	s.say(25, act.Fed{Goods: &act.Goods{Kind: act.SugarGoods, Kg: 25}, Yard: "larch-bank"})
	s.say(30, act.Contents{L: litresFor(33, 200.0/3), WithinL: 4})
	s.say(31, act.Count{Goods: sugarBags(3)})
	return s
}

func TestPlain(t *testing.T) {
	b := balanceOf(t, plain().season())
	if b.Global.Rejects || b.Global.Chi2 > 1e-3 || len(b.Culprits) != 0 || len(b.Review) != 0 || len(b.Open) != 0 {
		t.Errorf("%+v, %v, %v, %v", b.Global, b.Culprits, b.Review, b.Open)
	}
	if !b.MissingKnown || math.Abs(b.Missing) > 0.05 || b.MissingWithin < 2 || b.MissingWithin > 8 {
		t.Errorf("missing %v ± %v", b.Missing, b.MissingWithin)
	}
	if b.Notice != NotForTrade {
		t.Error("nothing says that it is not for trade")
	}
	want := map[string]float64{Purchased: 250, Sugared: 200, Given: 35, Mislaid: 5, Dispensed: 152}
	for _, s := range b.Streams {
		if _, ok := want[s.Kind]; ok {
			want[s.Kind] -= s.Solids.Measured
		}
		if s.Solids.Known && !s.Unmeasured && math.Abs(s.Solids.Measured+s.Solids.Moved-s.Solids.Value) > 1e-9 {
			t.Errorf("%s: %+v", s.Name, s.Solids)
		}
	}
	for kind, left := range want {
		if math.Abs(left) > 0.05 {
			t.Errorf("%s is off by %v kg", kind, left)
		}
	}
}

// Whatever was measured, the reconciled streams close every pool, in solids and
// in water, and are surer than the measured ones.
func TestCloses(t *testing.T) {
	for seed := range uint64(20) {
		s, _ := simulate(seed, setting{sensor: seed%2 == 0, water: seed%4 < 2})
		b := balanceOf(t, s)
		solids, water := make([]float64, len(b.Pools)), make([]float64, len(b.Pools))
		for _, x := range b.Streams {
			if x.Solids.After > x.Solids.U*(1+1e-9) || x.Water.After > x.Water.U*(1+1e-9) {
				t.Errorf("%s: reconciled is less sure than measured: %+v %+v", x.Name, x.Solids, x.Water)
			}
			if x.From >= 0 {
				solids[x.From] -= x.Solids.Value
				water[x.From] -= x.Water.Value
			}
			if x.To >= 0 {
				solids[x.To] += x.Solids.Value
				water[x.To] += x.Water.Value
			}
		}
		for i, p := range b.Pools {
			// Water is not balanced by itself: it closes to what linearising leaves.
			if math.Abs(solids[i]) > 1e-6 || p.Store == "" && math.Abs(water[i]) > 0.1 {
				t.Errorf("seed %d, %s: solids %v, water %v left", seed, p.Name, solids[i], water[i])
			}
		}
	}
}

// A bag booked as two, a meter that counts short, a content misread, water
// forgotten: said in words, with what cannot be told from it.
func TestWords(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(s *tale)
		want  []string
	}{
		{"mix", func(s *tale) { s.change(4, func(b act.Mix) act.Body { b.Parts = []act.Goods{sugarBags(7)}; return b }) },
			[]string{"About one bag more of sugar was used than was booked in the mix of 2 September."}},
		{"purchase", func(s *tale) { s.change(3, func(b act.Purchase) act.Body { b.Goods = sugarBags(12); return b }) },
			[]string{"about two bags fewer of sugar came than was booked as bought on 1 September, or left the store without being booked",
				"about two bags more of sugar were in store than was counted on 3 September", "The books cannot tell which."}},
		{"meter", func(s *tale) {
			for i := range s.metered {
				s.metered[i].Volume /= 1.08
			}
		}, []string{"the meter reads 8 % low: prove it"}},
		{"Brix", func(s *tale) { s.change(4, func(b act.Mix) act.Body { b.Brix += 2; return b }) },
			[]string{"The Brix of the mix of 2 September is likely 2 high."}},
		{"content", func(s *tale) { s.change(8, func(b act.Contents) act.Body { b.L -= 20; return b }) },
			[]string{"tote white held about 20", "L more than was seen on 3 September", "left tote white past the meter between 2 September and 3 September without being booked"}},
	} {
		s := plain()
		c.spoil(s)
		b := balanceOf(t, s.season())
		if len(b.Culprits) == 0 {
			t.Errorf("%s: nothing is said, global test %+v", c.name, b.Global)
			continue
		}
		said := b.Culprits[0].Say()
		for _, w := range c.want {
			if !strings.Contains(said, w) {
				t.Errorf("%s: %q, want %q in it", c.name, said, w)
			}
		}
		if !b.Cleared || len(b.Culprits) != 1 {
			t.Errorf("%s: %d culprits, cleared %v", c.name, len(b.Culprits), b.Cleared)
		}
	}
}

func (s *tale) change(n int, f any) {
	a := &s.acts[n-1]
	switch f := f.(type) {
	case func(act.Mix) act.Body:
		a.Body = f(a.Body.(act.Mix))
	case func(act.Purchase) act.Body:
		a.Body = f(a.Body.(act.Purchase))
	case func(act.Contents) act.Body:
		a.Body = f(a.Body.(act.Contents))
	}
}

// Two totes, corn syrup, water added, a reading after stirring, a rinse, the
// tote swapped: what was made to add up does.
func TestManyWays(t *testing.T) {
	s := &tale{}
	s.say(0, act.Tote{Name: "white", CapacityL: 1000, LengthM: 1, WidthM: 1, HeightM: 1})
	s.say(1, act.Purchase{Goods: act.Goods{Kind: act.HFCS55Goods, Kg: 400}})
	s.say(2, act.Purchase{Goods: sugarBags(4)})
	s.say(5, act.Mix{Tote: "black", Parts: []act.Goods{sugarBags(4), {Kind: act.HFCS55Goods, Kg: 300}}, WaterL: 100})
	// 100 kg of sugar, 231 of corn syrup's solids, 69 and 99.8 kg of water.
	x := 331 / (331 + 69 + 99.8)
	l := litresFor(100, 100*x)
	s.say(10, act.Transfer{FromTote: "black", ToTote: "white", L: l})
	s.say(11, act.Contents{Tote: "black", L: volumeOf(231, s, "black", begins+11*hour), WithinL: 3})
	s.say(12, act.Water{Tote: "white", Kg: 20})
	s.say(13, act.Stirred{Tote: "white", Brix: 100 * 100 / (100/x + 20)})
	v := volumeOf(100, s, "white", begins+13*hour)
	s.flow(14, "ferry-lane", "", v*0.6+10)
	s.say(15, act.Rinse{L: 10})
	s.say(16, act.Contents{Tote: "white", L: v * 0.4, WithinL: 3})
	s.say(17, act.Swap{Tote: "black"})
	w := volumeOf(231, s, "black", begins+17*hour)
	s.flow(20, "ferry-lane", "", w/2)
	s.say(30, act.Contents{L: w / 2, WithinL: 3})
	s.say(31, act.Count{Goods: act.Goods{Kind: act.HFCS55Goods, Kg: 100}})
	s.say(31, act.Count{Goods: act.Goods{Kind: act.SugarGoods}, Empty: true})
	b := balanceOf(t, s.season())
	if b.Global.Rejects || b.Global.Chi2 > 0.5 || len(b.Review) > 0 {
		t.Errorf("%+v %v", b.Global, b.Review)
	}
	if !b.MissingKnown || math.Abs(b.Missing) > 1 {
		t.Errorf("missing %v ± %v, known %v, open %v", b.Missing, b.MissingWithin, b.MissingKnown, b.Open)
	}
	names := map[string]bool{}
	for _, p := range b.Pools {
		names[p.Name] = true
	}
	for _, n := range []string{"store of sugar", "store of hfcs-55", "tote white", "tote black"} {
		if !names[n] {
			t.Errorf("no pool %s among %v", n, names)
		}
	}
}

// volumeOf gives how many litres hold so many kilograms of solids of what a tote holds then.
func volumeOf(kg float64, s *tale, tote string, at int64) float64 {
	b := sugar.Read(act.Standing(s.acts))
	h := b.Held[b.In(tote, at)].Syrup
	return kg / float64(h.Solids) / float64(h.Near(20).Density) * 1000
}

// Of what nobody looked at in the end nothing is said to be missing.
func TestOpen(t *testing.T) {
	s := plain()
	s.acts = s.acts[:len(s.acts)-2] // neither the last content nor the last count
	b := balanceOf(t, s.season())
	if b.MissingKnown || len(b.Open) != 2 || b.Global.Rejects {
		t.Errorf("missing %v known %v, open %v", b.Missing, b.MissingKnown, b.Open)
	}
	left := 0.0
	for _, x := range b.Streams {
		if x.Unmeasured {
			if !x.Solids.Known {
				t.Errorf("%s: not told", x.Name)
			}
			left += x.Solids.Value
		}
	}
	if math.Abs(left-33-75) > 0.2 { // 33 kg in the tote, three bags
		t.Errorf("left %v kg, want 108", left)
	}
	if b := balanceOf(t, (&tale{}).season()); b.MissingKnown || len(b.Streams) != 0 || b.Global.DOF != 0 || b.Global.Rejects {
		t.Errorf("of nothing: %+v", b)
	}
}

// Flow that no entry tells of is in no balance, and said: once an account,
// however many fills it had.
func TestUntold(t *testing.T) {
	s := &tale{}
	for i := range int64(8) {
		s.flow(i+1, "orchard-end", "", 5)
	}
	s.flow(9, "mill-bottom", "", 3)
	b := balanceOf(t, s.season())
	if len(b.Review) != 2 || !strings.Contains(b.Review[0].Why, "40.0 L of orchard-end") || !strings.Contains(b.Review[1].Why, "3.0 L of mill-bottom") {
		t.Errorf("%v", b.Review)
	}
}

// A meter's error is one, however many yards: what is missing is no surer for
// more of them. Errors of each flow for itself do average out.
func TestCommonErrors(t *testing.T) {
	width := func(parts int, common, own float64) float64 {
		s := plain()
		all := 0.0
		for _, m := range s.metered {
			all += m.Volume
		}
		s.metered = nil
		for i := range parts {
			v := all / float64(parts)
			s.metered = append(s.metered, Metered{Name: fmt.Sprint("yard ", i), Yard: fmt.Sprint("yard ", i), At: begins + 20*hour + int64(i), Volume: v,
				Temp: 20, Own: own * v, Common: []Common{{"proving", common * v}}})
		}
		return balanceOf(t, s.season()).MissingWithin
	}
	few, many := width(1, 0.05, 0), width(25, 0.05, 0)
	if math.Abs(many/few-1) > 1e-3 {
		t.Errorf("common: ± %v kg of one yard, ± %v of 25", few, many)
	}
	if few, many = width(1, 0, 0.05), width(25, 0, 0.05); many > 0.5*few {
		t.Errorf("own: ± %v kg of one yard, ± %v of 25", few, many)
	}
}

// Nothing uncertain that does not add up is an error that names it.
func TestExact(t *testing.T) {
	s := &tale{}
	s.say(1, act.Count{Goods: act.Goods{Kind: act.SugarGoods}, Empty: true})
	s.say(2, act.Purchase{Goods: act.Goods{Kind: act.SugarGoods, Kg: 100, WithinPct: 1e-14}})
	s.say(3, act.Count{Goods: act.Goods{Kind: act.SugarGoods}, Empty: true})
	_, err := s.season().Balance()
	var e *reconcile.Error
	if err != nil && (!errors.As(err, &e) || !strings.Contains(err.Error(), "store of sugar")) {
		t.Errorf("%v", err)
	}
}

// Whatever people say, the balance is numbers, or an error that names the figure.
func FuzzBalance(f *testing.F) {
	f.Add(uint64(1))
	f.Add(uint64(77))
	f.Fuzz(wild)
}

func TestWild(t *testing.T) {
	for seed := range uint64(150) {
		wild(t, seed)
	}
}

// wild tells a season at random, sense or none.
func wild(t *testing.T, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 5))
	s := &tale{}
	totes := []string{"", "white", "black"}
	goods := func() act.Goods {
		switch r.IntN(4) {
		case 0:
			return act.Goods{Kind: act.HFCS42Goods, L: 1 + 500*r.Float64()}
		case 1:
			return act.Goods{Kind: act.InvertGoods, Kg: 1 + 500*r.Float64(), Brix: 70}
		case 2:
			return act.Goods{Kind: act.SugarGoods, Kg: 0.01 + 1000*r.Float64()}
		}
		return sugarBags(float64(1 + r.IntN(40)))
	}
	before := func() *act.Content {
		if r.IntN(2) == 0 {
			return nil
		}
		return &act.Content{L: 1000 * r.Float64() * float64(r.IntN(2))}
	}
	for i := range int64(1 + r.IntN(40)) {
		at := i + int64(r.IntN(3)) - 30
		tote := totes[r.IntN(3)]
		switch r.IntN(13) {
		case 0:
			s.say(at, act.Purchase{Goods: goods()})
		case 1:
			s.say(at, act.Count{Goods: goods()})
		case 2, 3:
			s.say(at, act.Mix{Tote: tote, Parts: []act.Goods{goods(), goods()}, WaterKg: 300 * r.Float64(), Brix: 40 + 30*r.Float64(), Before: before(), VolumeL: 500 * float64(r.IntN(2))})
		case 4:
			s.say(at, act.Mix{Tote: tote, Parts: []act.Goods{goods()}, Brix: 66, Before: before()})
		case 5:
			s.say(at, act.Transfer{FromTote: "white", ToTote: "black", All: true, Before: before()})
		case 6:
			s.say(at, act.Water{Tote: tote, L: 1 + 100*r.Float64(), Unstirred: true, Before: before()})
		case 7:
			s.say(at, act.Stirred{Tote: tote, Reading: 50 + 10*r.Float64(), Compensated: true})
		case 8:
			s.say(at, act.Rinse{Tote: tote, L: 10})
		case 9:
			g := goods()
			s.say(at, act.Lost{Goods: &g, Why: act.Spoiled})
		case 10:
			s.say(at, act.Fed{Tote: tote, L: 5, Yard: "larch-bank"})
		case 11:
			s.say(at, act.Contents{Tote: tote, L: 500 * r.Float64() * float64(r.IntN(2))})
		case 12:
			s.say(at, act.Swap{Tote: totes[1+r.IntN(2)]})
		}
		if r.IntN(2) == 0 {
			s.flow(at, "orchard-end", "", 100*r.Float64())
		}
	}
	season := s.season()
	season.From = begins - int64(r.IntN(40))*hour
	for i := range int64(r.IntN(5)) {
		season.Levels = append(season.Levels, Levelled{Tote: totes[r.IntN(3)], At: begins + 7*i*hour, Volume: r.Float64(), U: 0.003, ShareU: 0.01})
	}
	b, err := season.Balance()
	var e *reconcile.Error
	if err != nil {
		if !errors.As(err, &e) {
			t.Fatal(err)
		}
		return
	}
	fine := func(xs ...float64) {
		for _, x := range xs {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%+v", b)
			}
		}
	}
	fine(b.Missing, b.MissingWithin, b.Global.Chi2, b.Global.P)
	for _, x := range b.Streams {
		fine(x.Solids.Value, x.Solids.After, x.Water.Value, x.Solids.Z)
	}
	for _, c := range b.Culprits {
		fine(c.Size, c.Z)
		if c.Say() == "" {
			t.Fatal("a culprit without words")
		}
	}
}

func BenchmarkBalance(b *testing.B) {
	for _, c := range []struct {
		name string
		set  setting
	}{{"clean", setting{sensor: true, water: true}}, {"meter off", setting{sensor: true, water: true, fault: "meter 4 % off"}}} {
		b.Run(c.name, func(b *testing.B) {
			s, _ := simulate(3, c.set)
			b.ReportAllocs()
			for b.Loop() {
				if _, err := s.Balance(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// Corn syrup as it is sold is at the end of what densities are known for: its
// own uncertainty is that of its solids and of the marks, no more.
func TestAsSold(t *testing.T) {
	for _, kind := range []string{act.HFCS55Goods, act.HFCS42Goods} {
		s := &tale{}
		s.say(1, act.Count{Goods: act.Goods{Kind: kind}, Empty: true})
		s.say(2, act.Purchase{Goods: act.Goods{Kind: kind, L: 200}})
		s.say(3, act.Count{Goods: act.Goods{Kind: kind, L: 200}})
		b := balanceOf(t, s.season())
		x := b.Streams[1].Solids
		// 2 % of the marks and 0.5 % of solids, about seventy of a hundred, both at most.
		want := math.Hypot(0.02, 0.005/0.7) / math.Sqrt(3)
		if rel := x.U / x.Measured; math.Abs(rel/want-1) > 0.15 {
			t.Errorf("%s: %v ± %v kg, relative %v, want about %v", kind, x.Measured, x.U, rel, want)
		}
	}
}
