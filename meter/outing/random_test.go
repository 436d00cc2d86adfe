package outing

import (
	"math/rand/v2"
	"os"
	"reflect"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/fill"
	"yardtally/meter/tote"
)

// source is where random nights take their numbers from: a generator, or the
// bytes of a fuzzer.
type source interface{ upTo(n int) int }

type generator struct{ *rand.Rand }

func (g generator) upTo(n int) int { return g.IntN(n) }

type script struct{ data []byte }

func (s *script) upTo(n int) int {
	x := 0
	for range 2 {
		if len(s.data) == 0 {
			break
		}
		x, s.data = x<<8|int(s.data[0]), s.data[1:]
	}
	return x % n
}

// anything returns a night on which anything may have been seen and said.
func anything(r source) *night {
	n := newNight()
	s := 0.0
	yards := []string{"orchard", "mill", ""}
	n.hose = quantity.Volume(r.upTo(8)) * litre
	n.sites["mill"] = Site{Colonies: r.upTo(6), Meant: quantity.Volume(r.upTo(5)) * litre, Numbered: r.upTo(2) == 0}
	standing := 0.0
	for range r.upTo(25) {
		switch r.upTo(8) {
		case 0:
			if s > standing {
				n.stands(standing, s, yards[r.upTo(3)])
				standing = s + float64(r.upTo(200))
			}
			s += float64(r.upTo(400))
		case 1:
			n.session++
			n.count = 0
		case 2:
			n.press(s, 1+r.upTo(3), r.upTo(2) == 0)
		case 3:
			s = n.flowing(s, float64(1+r.upTo(3000))/100, float64(1+r.upTo(200)), fill.Kind(1+r.upTo(4)))
			s += float64(r.upTo(40))
		default:
			s = n.flow(s, float64(1+r.upTo(1000))/100) + float64(r.upTo(60))
		}
		if k := len(n.Flows); k > 0 && r.upTo(12) == 0 {
			f := &n.Flows[k-1]
			f.Surge = f.First + uint64(r.upTo(int(f.Last-f.First)))
			n.Follows = r.upTo(2) == 0
			n.Levels = append(n.Levels, Level{At: f.End + int64(r.upTo(3)-1)*5*second, Over: quantity.Volume(r.upTo(40)-20) * litre,
				U: litre, Passed: f.Through, Restless: r.upTo(3) == 0})
		}
	}
	if len(n.Flows) > 0 && r.upTo(3) == 0 {
		k := r.upTo(len(n.Flows))
		d := tote.Doubt{Why: []string{tote.NoFall, tote.LessFall, tote.Empty}[r.upTo(3)], Sure: r.upTo(3) > 0, Excess: litre, Within: litre, Part: float64(r.upTo(11)) / 10}
		for ; k < len(n.Flows) && len(d.Flows) < 3; k++ {
			d.Flows = append(d.Flows, k)
		}
		n.Doubts = append(n.Doubts, d)
	}
	when := func() int64 { return at(float64(r.upTo(int(s) + 100))) }
	counts := func() (session, first, last uint64) {
		if len(n.Flows) == 0 {
			return 7, 0, 10
		}
		f := &n.Flows[r.upTo(len(n.Flows))]
		first = f.First + uint64(r.upTo(int(f.Last-f.First)))
		return f.Session, first, first + 1 + uint64(r.upTo(900))
	}
	for i := range r.upTo(12) {
		id := string(rune('a' + i))
		session, first, last := counts()
		switch r.upTo(9) {
		case 0:
			n.Assigns = append(n.Assigns, Assign{id, session, first, last, yards[r.upTo(3)]})
		case 1:
			as := []string{act.AsFill, act.AsTopUp, act.AsPriming, act.AsFlush, act.AsProving, act.AsSpill, act.AsSuspect}
			n.Deems = append(n.Deems, Deem{id, session, first, last, as[r.upTo(len(as))]})
		case 2:
			n.Cuts = append(n.Cuts, Cut{id, session, first})
		case 3:
			n.Arrives = append(n.Arrives, Arrive{id, when(), yards[r.upTo(3)]})
		case 4:
			what := []string{act.Skipped, act.Dead, act.TwoFeeders, act.Shared, act.AllTold}[r.upTo(5)]
			at := when()
			n.Said.Colony = append(n.Said.Colony, Colony{id, at, at, what, yards[r.upTo(3)], 2 * r.upTo(3), r.upTo(4)})
		case 5:
			n.Said.Visits = append(n.Said.Visits, Begin{id, when(), r.upTo(2) == 0})
		case 6:
			n.Drains = append(n.Drains, Drain{id, when()})
		case 7:
			n.Routes = append(n.Routes, Route{when(), []string{"mill", "orchard", "mill"}[:r.upTo(4)]})
		case 8:
			if r.upTo(2) == 0 {
				n.Said.Proved = append(n.Said.Proved, Proved{Act: id, Session: session, First: first, Last: last})
			} else {
				n.Said.Proved = append(n.Said.Proved, Proved{Act: id, Pulses: float64(last - first), Done: when()})
			}
		}
	}
	n.Open, n.Ended = r.upTo(3) == 0, r.upTo(2) == 0
	n.Now = max(n.Now, at(s))
	return n
}

// audit holds an account against what must hold of every one.
func audit(t *testing.T, n *night, a *Account) {
	t.Helper()
	type span struct {
		session, first, last uint64
		start                int64
	}
	var all []span
	var sum, total quantity.Volume
	for i := range n.Flows {
		total += n.Flows[i].Volume()
	}
	visited := func(k int, yard string) {
		if k < 0 || k >= len(a.Visits) || a.Visits[k].Yard != yard {
			t.Errorf("an entry of yard %q is of visit %d of %d", yard, k, len(a.Visits))
		}
	}
	order := func(last, start int64) {
		if start < last {
			t.Errorf("an entry at %d comes after one at %d", start, last)
		}
	}
	for i := range a.Fills {
		f := &a.Fills[i]
		all = append(all, span{f.Session, f.First, f.Last, f.Start})
		sum += f.Volume
		if f.Reason == "" || f.Volume != quantity.Volume(f.Last-f.First)*pulse {
			t.Errorf("fill without a reason, or inexact: %+v", f)
		}
		if f.Yard != "" && (f.Reason == NoYard || f.Reason == NoPosition || f.Reason == TwoYards) {
			t.Errorf("a yard out of nothing: %+v", f)
		}
		visited(f.Visit, f.Yard)
		if i > 0 {
			order(a.Fills[i-1].Start, f.Start)
		}
	}
	for i := range a.Loose {
		l := &a.Loose[i]
		all = append(all, span{l.Session, l.First, l.Last, l.Start})
		sum += l.Volume
		if l.Why == "" || l.Reason == "" || l.Volume != quantity.Volume(l.Last-l.First)*pulse {
			t.Errorf("loose flow without a reason, or inexact: %+v", l)
		}
		visited(l.Visit, l.Yard)
		if i > 0 {
			order(a.Loose[i-1].Start, l.Start)
		}
	}
	if sum != total {
		t.Errorf("fills and loose flow are %v, the flow is %v", sum, total)
	}
	for i, x := range all {
		if x.last <= x.first {
			t.Errorf("an entry of no pulses: %+v", x)
		}
		for _, y := range all[:i] {
			if x.session == y.session && x.first < y.last && y.first < x.last {
				t.Errorf("entries overlap: %+v and %+v", x, y)
			}
		}
	}
	var fills, loose quantity.Volume
	pulls := 0
	for i := range a.Visits {
		v := &a.Visits[i]
		fills, loose, pulls = fills+v.Volume, loose+v.Loose, pulls+v.Fills+v.TopUps
		if v.Pulls != v.Fills+v.TopUps || v.Unseen > v.Loose || v.From > v.To {
			t.Errorf("visit does not add up: %+v", v)
		}
	}
	if fills+loose != total || pulls != len(a.Fills) {
		t.Errorf("visits have %v and %v in %d pulls, the flow is %v in %d", fills, loose, pulls, total, len(a.Fills))
	}
}

func TestAnything(t *testing.T) {
	count := 3000
	switch {
	case os.Getenv("YARDTALLY_FULL") == "long":
		count = 100000
	case os.Getenv("YARDTALLY_FULL") != "":
		count = 25000
	}
	for seed := range count {
		n := anything(generator{rand.New(rand.NewPCG(uint64(seed), 5))})
		before := *n
		a := n.make()
		audit(t, n, &a)
		if b := n.make(); !reflect.DeepEqual(a, b) {
			t.Errorf("made twice, it differs: %+v\n%+v", a, b)
		}
		if !reflect.DeepEqual(before.Seen, n.Seen) {
			t.Error("what was seen was changed")
		}
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
}

// TestNothingInvented: without any position, mark, tap or word of a person no
// flow is in a yard.
func TestNothingInvented(t *testing.T) {
	for seed := range 500 {
		n := anything(generator{rand.New(rand.NewPCG(uint64(seed), 6))})
		n.Stays, n.Routes, n.Arrives, n.Assigns, n.Said.Colony = nil, nil, nil, nil, nil
		a := n.make()
		for i := range a.Visits {
			if v := &a.Visits[i]; v.Yard != "" {
				t.Fatalf("seed %d: a visit to %s out of nothing: %+v", seed, v.Yard, v)
			}
		}
	}
}

func FuzzMake(f *testing.F) {
	f.Add([]byte("a night of flows and words"))
	f.Fuzz(func(t *testing.T, data []byte) {
		n := anything(&script{data})
		a := n.make()
		audit(t, n, &a)
	})
}

func BenchmarkMake(b *testing.B) {
	n := newNight()
	n.sites["orchard"], n.sites["mill"] = Site{Colonies: 30, Meant: 4 * litre, Numbered: true}, Site{Colonies: 30, Meant: 4 * litre, Numbered: true}
	n.stands(0, 3000, "orchard")
	n.stands(3200, 9000, "mill")
	n.Routes = []Route{{t0 - hour, []string{"orchard", "mill"}}}
	n.press(5, 1, false)
	for i := range 60 {
		n.flow(float64(3300*(i/30)+100+72*(i%30)), 4)
		if i%10 == 3 {
			n.colony(float64(3300*(i/30)+160+72*(i%30)), act.Skipped, 1)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		n.make()
	}
}
