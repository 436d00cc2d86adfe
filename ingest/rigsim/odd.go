package rigsim

import (
	"fmt"
	"slices"
	"time"

	"yardtally/calibrate/quantity"
)

// What can go wrong or be odd on a night. All offsets are from the scenario's
// start. All of it is off in a scenario that does not name it.

// Span is a stretch of time.
type Span struct{ After, For time.Duration }

// Halt is a stop on the road.
type Halt struct {
	Place
	For time.Duration
}

// Share is a pull that serves more than one colony: the one named and the With
// that follow it.
type Share struct{ Colony, With int }

// Proof is a proving at a yard, before its first colony: so many buckets of a
// volume each.
type Proof struct {
	Yard    int // index in Yards
	Buckets int
	Volume  quantity.Volume
}

// Burst is pulses that are counted though nothing flows. Their spacing is
// Poisson's. While the board is down they are not counted.
type Burst struct {
	After, For time.Duration
	Rate       float64 // mean, Hz
	Pump       bool    // they come of the pump's engine: only while it runs
}

// The handlings of the tote. Each begins at its time or later: when the rig
// stands (an Off: or drives) and nothing flows or drips. They wait for one
// another, and the keeper neither pulls the trigger nor drives off meanwhile.
// What would begin after the night's end never does.

// Refill is syrup that is poured into the tote, until it is full at the most.
type Refill struct {
	After   time.Duration
	Volume  quantity.Volume
	Rate    quantity.Flow
	WhenDry bool // begins once the tote is down to its outlet, and never if it never is
}

// Swap is a full tote put in the place of this one. While it Takes place the
// level sensor says nothing, or nonsense.
type Swap struct {
	After, Takes time.Duration
	To           quantity.Volume
}

// Transfer is syrup pumped out of the tote past the meter, down to the outlet
// at the most, or in.
type Transfer struct {
	After  time.Duration
	Volume quantity.Volume
	Rate   quantity.Flow // 0: 55 US gal/min
	In     bool
}

// Leak is syrup lost from the tote, whatever else goes on.
type Leak struct {
	After, For time.Duration
	Rate       quantity.Flow
}

// Off is the whole rig without power: nothing is said, and afterwards all
// counts start anew. What is in the tote may change meanwhile. A drive goes on
// all the same, and so does a leak.
type Off struct {
	After, For time.Duration
	Change     quantity.Volume // into the tote; negative: out, as much as there is
}

// NewBatch is a change of syrup: refills, swaps and the like that are due at
// After or later bring syrup of that Brix. What is left in the tote mixes with
// it at once and wholly; volumes add. It comes as warm as what is there.
type NewBatch struct {
	After time.Duration
	Brix  float64
}

// transferRate is the rate of a transfer that names none.
const transferRate = 55 * quantity.USGallonPerMinute

// longest is the last offset from the start at which something may happen.
const longest = 48 * time.Hour

func between(field string, d, lo, hi time.Duration) error {
	if d < lo || d > hi {
		return fmt.Errorf("%s: must be between %v and %v, is %v", field, lo, hi, d)
	}
	return nil
}

// first returns the first error.
func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// checkOdd names the first thing of this file that cannot be played.
func (s *Scenario) checkOdd() error {
	for i := range s.Yards {
		if err := s.Yards[i].checkOdd(fmt.Sprintf("yards[%d].", i), s.Yards[0].Place); err != nil {
			return err
		}
	}
	h := &s.Hand
	if err := first(
		within("hand.prime (L)", h.Prime.Litres(), 0, 50),
		within("hand.flush (L)", h.Flush.Litres(), 0, 50),
		within("hand.pallet", float64(h.Pallet), 0, 100),
	); err != nil {
		return err
	}
	if h.PrimeEach && h.Prime == 0 {
		return fmt.Errorf("hand.prime_each: must have a volume in hand.prime, is 0")
	}
	if h.FlushHome && (h.Flush == 0 || s.Home == (Place{})) {
		return fmt.Errorf("hand.flush_home: must have a volume in hand.flush and a place in home, has %v and %v", h.Flush, s.Home)
	}
	if h.Pallet > 0 {
		if err := between("hand.pallet_step", h.PalletStep, time.Second, time.Minute); err != nil {
			return err
		}
	}
	for i, p := range s.Provings {
		at := fmt.Sprintf("provings[%d].", i)
		if err := first(s.stop(at+"yard", p.Yard), within(at+"buckets", float64(p.Buckets), 1, 100),
			within(at+"volume (L)", p.Volume.Litres(), 0.05, 100)); err != nil {
			return err
		}
	}
	for _, l := range []struct {
		field string
		yards []int
	}{{"drained", s.Drained}, {"mark_forgotten", s.MarkForgotten}, {"mark_twice", s.MarkTwice}} {
		for i, y := range l.yards {
			if err := s.stop(fmt.Sprintf("%s[%d]", l.field, i), y); err != nil {
				return err
			}
			if l.field == "mark_twice" && slices.Contains(s.MarkForgotten, y) {
				return fmt.Errorf("mark_twice[%d]: must not be in mark_forgotten too, is %d", i, y)
			}
		}
	}
	for i, x := range s.PositionGone {
		if err := x.check(fmt.Sprintf("position_gone[%d].", i)); err != nil {
			return err
		}
	}
	for i, x := range s.PositionBad {
		if err := x.check(fmt.Sprintf("position_bad[%d].", i)); err != nil {
			return err
		}
	}
	for i, b := range s.Phantom {
		at := fmt.Sprintf("phantom[%d].", i)
		if err := first(Span{b.After, b.For}.check(at), within(at+"rate", b.Rate, 0.001, 20000)); err != nil {
			return err
		}
	}
	return first(s.checkTote(), s.checkFaults())
}

func (x Span) check(at string) error {
	return first(between(at+"after", x.After, 0, longest), between(at+"for", x.For, time.Millisecond, longest))
}

// stop says whether i is a yard that is stopped at.
func (s *Scenario) stop(field string, i int) error {
	if i < 0 || i >= len(s.Yards) || s.Yards[i].Past {
		return fmt.Errorf("%s: must be the index of a yard that is fed, is %d", field, i)
	}
	return nil
}

func (s *Scenario) checkTote() error {
	room := s.Tote.Capacity().Litres()
	rate := func(field string, f quantity.Flow, lo float64) error {
		return within(field+" (L/min)", float64(f/quantity.LitrePerMinute), lo, 2000)
	}
	var brings []time.Duration
	for i, x := range s.Refills {
		at := fmt.Sprintf("refills[%d].", i)
		if err := first(between(at+"after", x.After, 0, longest), within(at+"volume (L)", x.Volume.Litres(), 0.001, room), rate(at+"rate", x.Rate, 0.1)); err != nil {
			return err
		}
		brings = append(brings, x.After)
	}
	for i, x := range s.Swaps {
		at := fmt.Sprintf("swaps[%d].", i)
		if err := first(between(at+"after", x.After, 0, longest), between(at+"takes", x.Takes, time.Second, 24*time.Hour),
			within(at+"to (L)", x.To.Litres(), s.Tote.Unusable.Litres(), room)); err != nil {
			return err
		}
		brings = append(brings, x.After)
	}
	for i, x := range s.Transfers {
		at := fmt.Sprintf("transfers[%d].", i)
		if err := first(between(at+"after", x.After, 0, longest), within(at+"volume (L)", x.Volume.Litres(), 0.001, room), rate(at+"rate", x.Rate, 0)); err != nil {
			return err
		}
		if x.Rate > 0 {
			if err := rate(at+"rate", x.Rate, 0.1); err != nil {
				return err
			}
		}
		if x.In {
			brings = append(brings, x.After)
		}
	}
	for i, x := range s.Leaks {
		at := fmt.Sprintf("leaks[%d].", i)
		if err := first(Span{x.After, x.For}.check(at), rate(at+"rate", x.Rate, 1e-6)); err != nil {
			return err
		}
	}
	for i, x := range s.Offs {
		at := fmt.Sprintf("offs[%d].", i)
		if err := first(between(at+"after", x.After, time.Millisecond, longest), between(at+"for", x.For, time.Second, longest),
			within(at+"change (L)", x.Change.Litres(), -room, room)); err != nil {
			return err
		}
		if x.Change > 0 {
			brings = append(brings, x.After)
		}
	}
	for i, x := range s.Batches {
		at := fmt.Sprintf("batches[%d].", i)
		if err := first(between(at+"after", x.After, 0, longest), within(at+"brix", x.Brix, 0, 77)); err != nil {
			return err
		}
		if i > 0 && x.After <= s.Batches[i-1].After {
			return fmt.Errorf("%safter: must be later than the one before, is %v", at, x.After)
		}
		if !slices.ContainsFunc(brings, func(d time.Duration) bool { return d >= x.After }) {
			return fmt.Errorf("%safter: must not be later than all that brings syrup, is %v", at, x.After)
		}
	}
	return nil
}

// checkOdd looks at what is odd about one yard.
func (y *Yard) checkOdd(at string, from Place) error {
	for i, h := range y.Halts {
		hat := fmt.Sprintf("%shalts[%d].", at, i)
		if err := first(h.check(hat, from), between(hat+"for", h.For, time.Second, 24*time.Hour)); err != nil {
			return err
		}
	}
	if y.Passing != (Place{}) {
		if !y.Past {
			return fmt.Errorf("%spassing: must be of a yard that is driven past", at)
		}
		if err := y.Passing.check(at+"passing.", from); err != nil {
			return err
		}
	}
	odd := map[int]string{} // colonies that are in a list already
	take := func(field string, c int) error {
		if y.Past || c < 0 || c >= y.Colonies {
			return fmt.Errorf("%s%s: must be a colony that is there, from 0 to %d, is %d", at, field, y.Colonies-1, c)
		}
		if was, ok := odd[c]; ok {
			return fmt.Errorf("%s%s: must not be in %s too, is %d", at, field, was, c)
		}
		odd[c] = field
		return nil
	}
	for i, c := range y.Dead {
		if err := take(fmt.Sprintf("dead[%d]", i), c); err != nil {
			return err
		}
	}
	for i, c := range y.Twice {
		if err := take(fmt.Sprintf("twice[%d]", i), c); err != nil {
			return err
		}
	}
	for i, x := range y.Shared {
		field := fmt.Sprintf("shared[%d]", i)
		if x.With < 1 {
			return fmt.Errorf("%s%s.with: must be at least 1, is %d", at, field, x.With)
		}
		if x.With >= y.Colonies {
			return fmt.Errorf("%s%s.with: must leave it in the yard of %d, is %d", at, field, y.Colonies, x.With)
		}
		for c := x.Colony; c <= x.Colony+x.With; c++ {
			if err := take(field, c); err != nil {
				return err
			}
		}
	}
	return nil
}

// cloned returns the scenario with lists of its own.
func (s Scenario) cloned() Scenario {
	s.Yards, s.Air = slices.Clone(s.Yards), slices.Clone(s.Air)
	s.Fitted, s.Restarts = slices.Clone(s.Fitted), slices.Clone(s.Restarts)
	s.Provings, s.Drained = slices.Clone(s.Provings), slices.Clone(s.Drained)
	s.MarkForgotten, s.MarkTwice = slices.Clone(s.MarkForgotten), slices.Clone(s.MarkTwice)
	s.PositionGone, s.PositionBad = slices.Clone(s.PositionGone), slices.Clone(s.PositionBad)
	s.Phantom, s.Refills, s.Swaps = slices.Clone(s.Phantom), slices.Clone(s.Refills), slices.Clone(s.Swaps)
	s.Transfers, s.Leaks, s.Offs = slices.Clone(s.Transfers), slices.Clone(s.Leaks), slices.Clone(s.Offs)
	s.Batches = slices.Clone(s.Batches)
	s.Clogs, s.Kinks, s.Throttles = slices.Clone(s.Clogs), slices.Clone(s.Kinks), slices.Clone(s.Throttles)
	s.Vents, s.Drifts = slices.Clone(s.Vents), slices.Clone(s.Drifts)
	s.Pauses, s.Faults = slices.Clone(s.Pauses), slices.Clone(s.Faults)
	return s
}

// in returns which of the spans an offset is in, or -1.
func in(spans []Span, at time.Duration) int {
	return slices.IndexFunc(spans, func(x Span) bool { return at >= x.After && at < x.After+x.For })
}
