package yard

import (
	"math"
	"sort"

	"yardtally/calibrate/quantity"
)

// Why says what is known of a place.
type Why uint8

const (
	NoPosition Why = iota // no position tells
	InYard                // in Found.Yard
	Outside               // in none of the yards
	TwoYards              // in one of two that cannot be told apart: Yard or Other
)

// Found is where the rig was, as far as the positions tell.
type Found struct {
	Yard  string // the yard for InYard; the nearer one for TwoYards
	Other string // the other one for TwoYards
	Why   Why
}

// creep is the longest time between two stays in the same place, ns, in which
// the rig, heard all the while, is taken to have crept on rather than gone and
// come back (common practice, no source).
const creep = int64(60_000_000_000)

// Locate returns for each of the stays of one rig, in order of time, in which
// yard it was. places returns the yards that hold at an instant; it is asked for
// the stay's From.
//
// A yard is arrived at within Enter and left beyond Leave: a stay between the
// two is in the yard only if the stay before it was, and ended at most FixAge
// before it. Of several yards it is the nearest, unless one that is nearly
// as near could be it as well: farther by no more than twice the expanded
// uncertainty of a position (2·U, about 95 %), for an error brings the one
// nearer by as much as it takes the other away, and within its own Enter give
// or take that uncertainty. Then it is TwoYards.
func Locate(stays []Stay, places func(at int64) []Place) []Found {
	found := make([]Found, len(stays))
	in := "" // the yard that is not left yet
	for i := range stays {
		s := &stays[i]
		if i > 0 && s.From-stays[i-1].To > FixAge {
			in = ""
		}
		found[i] = locate(s, places(s.From), in)
		if f := &found[i]; f.Why != TwoYards || f.Yard != in && f.Other != in {
			in = ""
			if f.Why == InYard {
				in = f.Yard
			}
		}
	}
	return found
}

func locate(s *Stay, places []Place, in string) Found {
	// The nearest yard that contains it, and of the others the nearest that could.
	best, next := -1, -1
	var bestD, nextD quantity.Length
	could := func(i int, d quantity.Length) {
		if d <= places[i].Enter+2*s.U && (next < 0 || d < nextD) {
			next, nextD = i, d
		}
	}
	for i := range places {
		p := &places[i]
		if p.clear(s.Lat, max(p.Enter+2*s.U, p.Leave)) {
			continue
		}
		d := p.Distance(s.Lat, s.Lon)
		contains := d <= p.Enter || p.ID == in && d <= p.Leave
		switch {
		case contains && (best < 0 || d < bestD):
			if best >= 0 {
				could(best, bestD)
			}
			best, bestD = i, d
		default:
			could(i, d)
		}
	}
	switch {
	case best < 0:
		return Found{Why: Outside}
	case next >= 0 && nextD-bestD <= 4*s.U:
		return Found{Yard: places[best].ID, Other: places[next].ID, Why: TwoYards}
	}
	return Found{Yard: places[best].ID, Why: InYard}
}

// Trail is a rig's way through an outing.
type Trail struct {
	Stays  []Stay  // in order of time, the open one last
	Found  []Found // of each, from Locate
	Moving int64   // from Track.Moving
	Fix    int64   // from Track.Fix
}

// At returns where the rig was while syrup flowed from one instant to another,
// Unix ns; both may be the same.
//
// At an instant:
//
//   - Inside a stay: where that was, silences of up to MaxSilence included.
//   - After the last stay, not heard elsewhere: there, up to FixAge after its
//     last position; but nothing is known, should positions come again after a
//     silence, until they are enough to say where.
//   - Between two stays, all the way heard: until LeftAt where the first was,
//     then Outside; or, if both are in the same place and no more than a minute
//     apart, there, for the rig crept on.
//   - Between two stays, with a silence: in the yard, if both are in the same,
//     nothing was heard of leaving it, the silence was at most MaxSilence and
//     after it the rig stood within a minute. Else nothing is known from the
//     last position of the first, or from when it left, until positions came
//     again.
//   - Positions without a stay, for up to 20 s after the last: Outside.
//   - Else, NoPosition.
//
// For a flow, which is cut up at the instants at which that changes:
//
//   - The first yard in it, if the rig was there for more than half of it; so the
//     way to it and away from it do not matter.
//   - Else, if another yard is in it: NoPosition, for it cannot be all of that.
//   - Else what held for more than half of it; and if nothing did, NoPosition.
func (t *Trail) At(from, to int64) Found {
	i := sort.Search(len(t.Stays), func(i int) bool { return t.Stays[i].From > from }) - 1
	f, until := t.instant(i, from)
	if until > to {
		return f
	}
	var held [TwoYards + 1]int64 // for how long, ns; InYard: the first yard only
	var first, pair Found
	mixed := false // two yards, or two pairs of yards
	for at := from; ; {
		until = min(until, to)
		switch {
		case f.Why == InYard && first.Why == NoPosition:
			first = f
		case f.Why == TwoYards && pair.Why == NoPosition:
			pair = f
		}
		if f.Why == InYard && f != first || f.Why == TwoYards && f != pair {
			mixed = true
		} else {
			held[f.Why] += until - at
		}
		if at = until; at >= to {
			break
		}
		for i+1 < len(t.Stays) && t.Stays[i+1].From <= at {
			i++
		}
		f, until = t.instant(i, at)
	}
	most := func(w Why) bool { return held[w] > (to-from)/2 }
	switch {
	case most(InYard):
		return first
	case mixed:
		return Found{}
	case most(Outside):
		return Found{Why: Outside}
	case most(TwoYards):
		return pair
	}
	return Found{}
}

// instant returns where the rig was at an instant, and until when, not included,
// that holds. i is the newest stay that began by then, or -1.
func (t *Trail) instant(i int, at int64) (f Found, until int64) {
	if i+1 < len(t.Stays) {
		return t.between(i, at)
	}
	if i >= 0 {
		a := &t.Stays[i]
		switch {
		case a.LeftAt == 0 && t.Moving == 0: // open
			until := a.To + 1
			if t.Fix-a.To <= lull { // else positions came again, and are too few to say where
				until += FixAge
			}
			if at < until {
				return t.Found[i], until
			}
			return Found{}, math.MaxInt64
		case at <= a.To || at < a.LeftAt:
			return t.Found[i], max(a.To+1, a.LeftAt)
		}
	}
	switch {
	case t.Moving == 0:
		return Found{}, math.MaxInt64
	case at < t.Moving:
		return Found{}, t.Moving
	case at <= t.Fix+lull:
		return Found{Why: Outside}, t.Fix + lull + 1
	}
	return Found{}, math.MaxInt64
}

// between is instant where there is a next stay.
func (t *Trail) between(i int, at int64) (f Found, until int64) {
	b := &t.Stays[i+1]
	if i >= 0 {
		a, was := &t.Stays[i], t.Found[i]
		same := was == t.Found[i+1]
		crept := b.Since == a.LeftAt && b.From-a.To <= creep
		silent := a.LeftAt == 0 && was.Why == InYard &&
			b.Since-a.To <= MaxSilence && b.From-b.Since <= creep
		switch {
		case same && (crept || silent):
			return was, b.From
		case at <= a.To || at < a.LeftAt:
			return was, max(a.To+1, a.LeftAt)
		}
	}
	if at < b.Since {
		return Found{}, b.Since
	}
	return Found{Why: Outside}, b.From
}
