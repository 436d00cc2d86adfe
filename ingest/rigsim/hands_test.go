package rigsim

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// played plays a night to its end.
func played(t *testing.T, s Scenario) ([]Said, Truth) {
	t.Helper()
	r := build(t, s)
	var said []Said
	for m := range r.All() {
		for _, x := range m.Readings {
			if err := x.Check(); err != nil {
				t.Fatal(err)
			}
		}
		if len(m.Readings) == 0 {
			t.Fatalf("want no empty messages, got one at %v", m.At)
		}
		said = append(said, m)
	}
	truth := r.Truth()
	conserved(t, s.Seed, s, truth)
	if s.Meter.SlipViscous == 0 {
		oddCounts(t, s.Seed, s, truth)
	}
	return said, truth
}

// steady is a small night with a meter of constant slip.
func steady(seed uint64) Scenario {
	s := SmallNight(seed)
	s.Meter.SlipViscous = 0
	return s
}

// countAt returns the newest count that was said at or before an instant.
func countAt(said []Said, at time.Time) float64 {
	newest := math.NaN()
	for _, m := range said {
		if m.At.After(at) {
			break
		}
		if n, ok := value(m, meter.Pulses); ok {
			newest = n
		}
	}
	return newest
}

// TestKinds: what is primed, flushed and proved comes when it should, on the
// wire too, and is in no yard's total.
func TestKinds(t *testing.T) {
	s := steady(1)
	s.Hand.Topped = 0
	s.Hand.Prime, s.Hand.PrimeEach, s.Hand.Flush = quantity.Litre, true, 3*quantity.Litre
	s.Provings = []Proof{{Yard: 1, Buckets: 3, Volume: 5 * quantity.Litre}}
	said, truth := played(t, s)
	var kinds []string
	for _, f := range truth.Fills {
		kinds = append(kinds, string(f.Kind[:2])+f.Yard[:1])
		if f.Kind == Feeding {
			continue
		}
		if off := (f.Reached - f.Aim).Litres(); f.Colony != -1 || math.Abs(off) > 0.03 || f.Reached != f.Volume {
			t.Errorf("%s: want %v and no colony, got %+v", f.Kind, f.Aim, f)
		}
		if n := countAt(said, f.End.Add(8*time.Second)) - countAt(said, f.Start); math.Abs(n-float64(f.Settled-f.First)) > 1 {
			t.Errorf("%s: want %d counts on the wire, got %g", f.Kind, f.Settled-f.First, n)
		}
	}
	if got, want := strings.Join(kinds, " "), "pro fio fio fio fio fio prm prm prm prm fim fim fim fim flm"; got != want {
		t.Errorf("want the pulls %s, got %s", want, got)
	}
	if truth.Yards[0].Fills != 5 || truth.Yards[1].Fills != 4 || math.Abs(truth.Ground.Litres()-5) > 0.1 || math.Abs(truth.Proved.Litres()-15) > 0.1 {
		t.Errorf("want 5 and 4 fills, 5 L on the ground, 15 L proved; got %+v, %v, %v", truth.Yards, truth.Ground, truth.Proved)
	}
	s.Home, s.Hand.FlushHome, s.Hand.PrimeEach, s.Provings = s.Yards[0].off(500, 500), true, false, nil
	_, truth = played(t, s)
	last := truth.Fills[len(truth.Fills)-1]
	if last.Kind != Flush || last.Yard != "" || last.Start.Sub(truth.Fills[len(truth.Fills)-2].End) < time.Minute || len(truth.Fills) != 11 {
		t.Errorf("want a flush at home, after the drive, of 11 pulls; got %+v", truth.Fills)
	}
}

// TestFates: each colony gets what the lists say, and the others what they
// would without.
func TestFates(t *testing.T) {
	plain := steady(2)
	plain.Yards[0].Colonies = 9
	plain.Hand.Topped, plain.Hand.Skip = 0, 0.1
	plain.Fitted = append(plain.Fitted, meter.Skip)
	s := plain
	s.Yards = append([]Yard(nil), s.Yards...)
	s.Yards[0].Dead, s.Yards[0].Twice, s.Yards[0].Shared = []int{1}, []int{3}, []Share{{4, 2}, {7, 1}}
	_, want := played(t, plain)
	said, truth := played(t, s)
	fates := []Fate{Fed, DeadFound, Fed, FedTwice, Shares, Shares, Shares, Shares, Shares}
	pulls := []int{1, 0, 1, 2, 1, 1, 1, 1, 1}
	among := []int{1, 1, 1, 1, 3, 3, 3, 2, 2}
	for c, x := range truth.Colonies[:9] {
		if fate := fates[c]; x.Fate != fate && !(fate == Fed && x.Fate == Skipped) || x.Fate != Skipped && len(x.Fills) != pulls[c] || x.Among != among[c] || x.Index != c || x.Yard != "orchard" {
			t.Errorf("colony %d: want %s by %d pulls among %d, got %+v", c, fates[c], pulls[c], among[c], x)
		}
	}
	for c, x := range truth.Colonies {
		if old := want.Colonies[c]; (x.Fate == Fed || x.Fate == Skipped) && (len(x.Fills) != len(old.Fills) || len(old.Fills) > 0 && truth.Fills[x.Fills[0]].Aim != want.Fills[old.Fills[0]].Aim) {
			t.Errorf("colony %d: want it fed as without the others' oddities, got %+v, was %+v", c, x, old)
		}
	}
	twice := truth.Colonies[3].Fills
	a, b := truth.Fills[twice[0]], truth.Fills[twice[1]]
	if step := b.Start.Sub(a.End); !b.Second || a.Second || step < 11*time.Second || step > 21*time.Second || b.Reached < 3*quantity.Litre {
		t.Errorf("two feeders: want a second whole pull 12 to 20 s later, got %+v, %+v", a, b)
	}
	lead := truth.Fills[truth.Colonies[4].Fills[0]]
	if lead.With != 2 || lead.Colony != 4 || truth.Colonies[4].Got+truth.Colonies[5].Got+truth.Colonies[6].Got != lead.Reached || truth.Colonies[6].Got != lead.Reached/3 {
		t.Errorf("shared: want thirds of %v, got %+v", lead.Reached, truth.Colonies[4:7])
	}
	pressed := 0.0
	for _, m := range said {
		if n, ok := value(m, meter.Skip); ok {
			pressed = n
		}
	}
	skipped := 0
	for _, c := range truth.Colonies {
		if c.Fate == Skipped {
			skipped++
		}
	}
	if int(pressed) != skipped || skipped != truth.Skipped {
		t.Errorf("skips: want %d on the wire, got %g, %d", skipped, pressed, truth.Skipped)
	}
}

// TestPallet: on a pallet the steps are short, between pallets they are not.
func TestPallet(t *testing.T) {
	s := steady(3)
	s.Yards[0].Colonies, s.Hand.Topped, s.Hand.Walk = 9, 0, 40*time.Second
	s.Hand.Pallet, s.Hand.PalletStep = 4, 7500*time.Millisecond
	_, truth := played(t, s)
	for c := 1; c < 9; c++ {
		step := truth.Fills[c].Start.Sub(truth.Fills[c-1].End)
		if short := step >= 6*time.Second && step <= 9*time.Second; short != (c%4 != 0) {
			t.Errorf("step to colony %d: got %v", c, step)
		}
	}
}

// TestMarks: a forgotten press is not on the wire, a doubled one is twice.
func TestMarks(t *testing.T) {
	s := steady(4)
	s.Fitted = append(s.Fitted, meter.Mark)
	s.MarkForgotten, s.MarkTwice = []int{0}, []int{1}
	said, truth := played(t, s)
	var at []time.Time
	for _, m := range said {
		if n, ok := value(m, meter.Mark); ok && n > 0 {
			at = append(at, m.At)
			if p := truth.Marks[len(at)-1]; p.At != m.At || float64(p.Number) != n || p.Yard != "mill" || p.Again != (len(at) == 2) {
				t.Errorf("press: want %+v, got %g at %v", p, n, m.At)
			}
		}
	}
	if len(at) != 2 || len(truth.Marks) != 2 || at[1].Sub(at[0]) >= 2*time.Second || at[1].Sub(at[0]) < 200*time.Millisecond {
		t.Errorf("want two presses in the second yard, within 2 s; got %v", at)
	}
}

// TestDrained: what passes the meter fills the hose before it leaves it.
func TestDrained(t *testing.T) {
	for _, yard := range []int{0, 1} {
		s := steady(5)
		s.Hand.Topped, s.Hand.Short = 0, 0
		s.Drained = []int{yard}
		said, truth := played(t, s)
		hose := s.Plumbing.HoseVolume()
		near(t, "hose volume", hose.Litres(), math.Pi/4*0.0197*0.0197*30*1000, 1e-9)
		for i, f := range truth.Fills {
			want := quantity.Volume(0)
			if i == yard*5 {
				want = hose
				if n := countAt(said, f.End.Add(8*time.Second)) - countAt(said, f.Start); math.Abs(n/f.Volume.Litres()-132.3) > 1 {
					t.Errorf("counts on the wire: want those of %v, got %g", f.Volume, n)
				}
			}
			if f.Volume-f.Reached != want || math.Abs((f.Reached-f.Aim).Litres()) > 0.03 {
				t.Errorf("pull %d: want %v less at the nozzle, and %v there; got %+v", i, want, f.Aim, f)
			}
		}
		if truth.Drained != hose || truth.Hose != hose {
			t.Errorf("want %v run out, and as much in it again; got %v, %v", hose, truth.Drained, truth.Hose)
		}
	}
}

// TestDrainedDry: where less is left than the hose holds, nothing reaches the
// colony and nothing drips.
func TestDrainedDry(t *testing.T) {
	s := steady(5)
	s.Load, s.Drained = s.Tote.Unusable+5*quantity.Litre, []int{0}
	_, truth := played(t, s)
	if f := truth.Fills[0]; f.Volume < 5*quantity.Litre || f.Reached != 0 || f.Dribble != 0 || f.Solids != 0 || truth.Colonies[0].Got != 0 {
		t.Errorf("want 5 L through the meter and none at the nozzle, got %+v", f)
	}
}

// TestBatch: new syrup reaches the colonies once the hose has given up the old,
// blended with what was left in the tote.
func TestBatch(t *testing.T) {
	s := steady(6)
	s.Load, s.Hand.Topped = 60*quantity.Litre, 0
	_, plain := played(t, s)
	after := plain.Fills[1].End.Add(8 * time.Second).Sub(s.Start)
	s.Refills = []Refill{{After: after, Volume: 200 * quantity.Litre, Rate: 30 * quantity.USGallonPerMinute}}
	s.Batches = []NewBatch{{After: after, Brix: 50}}
	_, truth := played(t, s)
	h := truth.Handlings[0]
	if h.Kind != "refill" || h.In != 200*quantity.Litre || h.To.Sub(h.From).Round(time.Second) != 106*time.Second {
		t.Fatalf("want 200 L at 113.6 L/min, 105.7 s; got %+v", h)
	}
	// Masses of sucrose and of syrup, at 20 °C; densities as TestDensity holds them.
	left := (s.Load - truth.Fills[0].Volume - truth.Fills[1].Volume).Litres()
	old, fresh := left*density(64, 20), 200*density(50, 20)
	blend := (old*64 + fresh*50) / (old + fresh)
	near(t, "blend", truth.Brix, blend, 2e-4)
	passed := 0.0
	seenOld, seenNew := 0, 0
	for i, f := range truth.Fills {
		if i < 2 {
			continue
		}
		passed += f.Volume.Litres() + f.Dribble.Litres()
		got := float64(f.Solids) / f.Reached.CubicMetres()
		switch {
		case passed < 9: // the hose holds 9.1 L
			seenOld++
			near(t, "solids before the new batch", got, density(64, 18)*0.64, 3e-3)
		case passed-f.Volume.Litres() > 9.2+5*1.2: // and pump and meter mix 1.2 L
			seenNew++
			near(t, "solids of the new batch", got, density(blend, 18)*blend/100, 5e-3)
		}
	}
	if seenOld < 2 || seenNew < 2 {
		t.Errorf("want pulls of both, got %d and %d", seenOld, seenNew)
	}
}

// TestOddErrors: what cannot be played is refused by its field.
func TestOddErrors(t *testing.T) {
	for _, x := range []struct {
		want string
		edit func(*Scenario)
	}{
		{"hand.prime (L): must be between 0 and 50, is 60", func(s *Scenario) { s.Hand.Prime = 60 * quantity.Litre }},
		{"hand.flush (L): must be between 0 and 50, is -1", func(s *Scenario) { s.Hand.Flush = -quantity.Litre }},
		{"hand.prime_each: must have a volume", func(s *Scenario) { s.Hand.PrimeEach = true }},
		{"hand.flush_home: must have a volume", func(s *Scenario) { s.Hand.Flush, s.Hand.FlushHome = quantity.Litre, true }},
		{"hand.pallet: must be between 0 and 100, is -4", func(s *Scenario) { s.Hand.Pallet = -4 }},
		{"hand.pallet_step: must be between 1s and 1m0s, is 0s", func(s *Scenario) { s.Hand.Pallet = 4 }},
		{"provings[0].yard: must be the index of a yard that is fed, is 2", func(s *Scenario) { s.Provings = []Proof{{2, 1, quantity.Litre}} }},
		{"provings[0].buckets: must be between 1 and 100, is 0", func(s *Scenario) { s.Provings = []Proof{{1, 0, quantity.Litre}} }},
		{"provings[0].volume (L): must be between 0.05", func(s *Scenario) { s.Provings = []Proof{{1, 1, 0}} }},
		{"drained[0]: must be the index", func(s *Scenario) { s.Drained = []int{-1} }},
		{"mark_forgotten[0]: must be the index", func(s *Scenario) { s.MarkForgotten = []int{7} }},
		{"mark_twice[0]: must not be in mark_forgotten too, is 1", func(s *Scenario) { s.MarkForgotten, s.MarkTwice = []int{1}, []int{1} }},
		{"position_gone[0].for: must be between 1ms", func(s *Scenario) { s.PositionGone = []Span{{time.Minute, 0}} }},
		{"position_bad[0].after: must be between 0s", func(s *Scenario) { s.PositionBad = []Span{{-time.Minute, time.Minute}} }},
		{"phantom[0].rate: must be between 0.001 and 20000, is 0", func(s *Scenario) { s.Phantom = []Burst{{time.Minute, time.Minute, 0, false}} }},
		{"phantom[0].for: must be", func(s *Scenario) { s.Phantom = []Burst{{time.Minute, 0, 1, false}} }},
		{"refills[0].rate (L/min): must be between 0.1 and 2000, is 0", func(s *Scenario) { s.Refills = []Refill{{Volume: quantity.Litre}} }},
		{"refills[0].volume (L): must be between 0.001", func(s *Scenario) { s.Refills = []Refill{{Rate: 1}} }},
		{"swaps[0].takes: must be between 1s", func(s *Scenario) { s.Swaps = []Swap{{0, 0, 500 * quantity.Litre}} }},
		{"swaps[0].to (L): must be between 12", func(s *Scenario) { s.Swaps = []Swap{{0, time.Minute, 5000 * quantity.Litre}} }},
		{"transfers[0].volume (L): must be between", func(s *Scenario) { s.Transfers = []Transfer{{}} }},
		{"transfers[0].rate (L/min): must be between", func(s *Scenario) { s.Transfers = []Transfer{{Volume: quantity.Litre, Rate: -1}} }},
		{"leaks[0].rate (L/min): must be between", func(s *Scenario) { s.Leaks = []Leak{{0, time.Minute, 0}} }},
		{"offs[0].for: must be between 1s", func(s *Scenario) { s.Offs = []Off{{time.Minute, 0, 0}} }},
		{"offs[0].change (L): must be between", func(s *Scenario) { s.Offs = []Off{{time.Minute, time.Minute, -5000 * quantity.Litre}} }},
		{"batches[0].after: must not be later than all that brings syrup, is 1m0s", func(s *Scenario) { s.Batches = []NewBatch{{time.Minute, 50}} }},
		{"batches[0].brix: must be between 0 and 77, is 80", func(s *Scenario) { s.Batches = []NewBatch{{time.Minute, 80}} }},
		{"yards[1].dead[0]: must be a colony that is there, from 0 to 3, is 4", func(s *Scenario) { s.Yards[1].Dead = []int{4} }},
		{"yards[1].twice[0]: must not be in dead[0] too, is 2", func(s *Scenario) { s.Yards[1].Dead, s.Yards[1].Twice = []int{2}, []int{2} }},
		{"yards[1].shared[0]: must be a colony that is there, from 0 to 3, is 4", func(s *Scenario) { s.Yards[1].Shared = []Share{{2, 2}} }},
		{"yards[1].shared[0].with: must be at least 1, is 0", func(s *Scenario) { s.Yards[1].Shared = []Share{{2, 0}} }},
		{"yards[1].shared[0].with: must leave it in the yard of 4, is 9", func(s *Scenario) { s.Yards[1].Shared = []Share{{2, 9}} }},
		{"yards[1].halts[0].for: must be between 1s", func(s *Scenario) { s.Yards[1].Halts = []Halt{{s.Yards[1].Place, 0}} }},
		{"yards[1].passing: must be of a yard that is driven past", func(s *Scenario) { s.Yards[1].Passing = s.Yards[0].Place }},
	} {
		s := SmallNight(1)
		x.edit(&s)
		if _, err := New(s); err == nil || !strings.HasPrefix(err.Error(), x.want) {
			t.Errorf("want %q, got %v", x.want, err)
		}
	}
	if s := OddNight(1); !reflect.DeepEqual(s, OddNight(1)) || reflect.DeepEqual(s, OddNight(2)) {
		t.Error("odd nights: want the same of the same seed, and another of another")
	}
}
