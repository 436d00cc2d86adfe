package outing

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"yardtally/meter/act"
	"yardtally/meter/fill"
	"yardtally/meter/tote"
)

// Pulls onto the ground: of less than surelyPriming of what a colony is meant to
// get, a first one is taken for priming as long as the number of colonies does
// not say otherwise. Where there are more pulls than that number allows, it is
// the first or the last, whichever differs more from the usual, by unlike at
// least: the hand on the trigger is more even than that. Common practice, no
// source. Where that does not tell, the pull stays what it seems to be, and says
// what else it may be.
const (
	surelyPriming = 0.35
	unlike        = 0.1
	// restful is how long after a last pull it is no longer to be expected that
	// another will follow.
	restful = 10 * minute
)

// A pull that flowed at less than trickle of the outing's usual rate, and did not
// stop where the hand would, or that is more than heap or less than
// surelyPriming of what colonies get there, is hardly a colony's, or not all of
// it. Common practice, no source.
const (
	trickle = 0.6
	slow    = 0.75 // with a pull too many in the visit, the slowest below this of the visit's
	heap    = 1.2
)

// strange says of pulls that do not look like a colony's what else they may be:
// pulses without syrup, or syrup onto the ground.
func (a *account) strange() {
	var rates []float64 // of the outing's pulls
	for i := range a.ps {
		if a.ps[i].why == "" {
			rates = append(rates, pace(&a.ps[i]))
		}
	}
	slices.Sort(rates)
	for i := range a.ps {
		if p := &a.ps[i]; p.Stray != fill.NoStray && (p.whole || a.ranDry(i)) && p.why == "" && p.as == "" {
			p.or, p.partly = Suspect, true
		}
	}
	for k := range a.visits {
		v := &a.visits[k]
		feeds := a.feeds(k)
		if v.Meant == 0 || len(feeds) == 0 {
			continue
		}
		usual := 0.0 // rate; 0: not known
		if len(rates) >= usualMany {
			usual = rates[len(rates)/2]
		}
		for _, f := range feeds {
			p := &a.ps[f[0]]
			if p.as != "" || p.or != "" || a.seen.Open && f[0] == len(a.ps)-1 {
				continue
			}
			size := a.size(f) / float64(v.Meant)
			switch {
			case pace(p) < trickle*usual && math.Abs(size-1) > unlike || size > heap && a.sharedBy(f[len(f)-1]) == 1:
				p.or, p.partly = Suspect, true
			case size < surelyPriming && !a.cut(f[0]):
				p.or = Ground
			}
			for _, i := range f[1:] {
				if q := &a.ps[i]; q.as == "" && q.or == "" && pace(q) < trickle*usual {
					q.or, q.partly = Suspect, true
				}
			}
		}
	}
}

// slowest doubts the slowest pull of a visit, where it is well below the others.
func (a *account) slowest(feeds [][]int) {
	var rates []float64
	least := -1
	for i, f := range feeds {
		rates = append(rates, pace(&a.ps[f[0]]))
		if p := &a.ps[f[0]]; p.as == "" && p.or == "" && (least < 0 || rates[i] < rates[least]) {
			least = i
		}
	}
	if least < 0 {
		return
	}
	r := rates[least]
	slices.Sort(rates)
	if r < slow*rates[len(rates)/2] {
		a.ps[feeds[least][0]].or = Suspect // by there being one too many
	}
}

// pace is how fast a pull flowed, nL/ns.
func pace(p *part) float64 { return float64(p.Volume()) / float64(max(1, p.Flowing)) }

// unborne doubts the pulls of which the tote's level says that one of them gave
// no syrup, not which.
func (a *account) unborne() {
	for i := range a.seen.Doubts {
		d := &a.seen.Doubts[i]
		if d.Sure || d.Why == tote.Filled {
			continue
		}
		for j := range a.ps {
			p := &a.ps[j]
			if off := p.Volume() - d.Excess; p.why == "" && p.as == "" && p.or == "" &&
				p.Start >= d.From && p.End <= d.To && max(off, -off) <= d.Within {
				p.or, p.partly = Suspect, true
			}
		}
	}
}

// emptied doubts the pulls that may have been air.
func (a *account) emptied() {
	for i := range a.ps {
		if p := &a.ps[i]; a.levels[p.flow].maybe && p.why == "" && p.as == "" && p.or != AFill {
			p.or = Air
		}
	}
}

// primed tells priming and flushing onto the ground from fills.
func (a *account) primed() {
	for k := range a.visits {
		if !a.visits[k].known || a.visits[k].Yard == "" {
			a.nowhere(k)
			continue
		}
		a.splashed(k)
		a.prime(k)
	}
}

// nowhere says of a pull or two where no yard is known that they may have gone
// onto the ground, and so of the outing's last.
func (a *account) nowhere(k int) {
	feeds := a.feeds(k)
	for i, f := range feeds {
		p := &a.ps[f[0]]
		switch {
		case p.as != "":
		case len(feeds) <= groundMost:
			p.may(Ground)
		case i == len(feeds)-1 && k == a.lastFed() && a.rests(k, f[0]):
			p.may(Flush)
		}
	}
}

// lastFed returns the last visit with pulls of the trigger; -1: none.
func (a *account) lastFed() int {
	for i := len(a.ps) - 1; i >= 0; i-- {
		if p := &a.ps[i]; p.why == "" && p.visit >= 0 {
			return p.visit
		}
	}
	return -1
}

// rests reports whether no more pulls of a visit are to be expected after a part.
func (a *account) rests(k, part int) bool {
	if a.seen.Open && part == len(a.ps)-1 {
		return false
	}
	return a.visits[k].Over || a.seen.Now-a.ps[part].End > restful
}

// splashed takes a splash after the outing's last colony had its fill for
// flushing the hose. Any other last top-up may be one.
func (a *account) splashed(k int) {
	feeds := a.feeds(k)
	if k != a.lastFed() || len(feeds) == 0 {
		return
	}
	last := feeds[len(feeds)-1]
	n := len(last) - 1
	p := &a.ps[last[n]]
	if n == 0 || p.as != "" || !a.rests(k, last[n]) {
		return
	}
	if meant := float64(a.visits[k].Meant); meant > 0 && a.size(last[:n]) >= nearFull*meant {
		p.topUp, p.why, p.note, p.or = false, Flush, "a splash after the last colony had its fill", ATopUp
	} else if p.or == "" {
		p.or = Flush
	}
}

// end is the first or the last feed of a visit, which may be no colony's.
type end struct {
	p    *part
	why  string  // what it is if it is none
	off  float64 // how far it is from the usual, relative
	late bool    // it came after all was told
	many bool    // it is to be doubted only where there are more feeds than colonies
}

// ends returns the feeds of a visit that may be no colony's, the unlikeliest
// colony's first. What people named, or was not wholly seen, is left alone; and
// what was surely topped up is a colony's.
func (a *account) ends(k int, feeds [][]int) []end {
	usual := float64(a.visits[k].Meant)
	if len(feeds) >= usualMany {
		usual = a.usual(feeds)
	}
	var out []end
	add := func(f []int, why string) *end {
		if a.ps[f[0]].as != "" || a.cut(f[0]) {
			return &end{}
		}
		if len(f) > 1 {
			if a.ps[f[1]].or == AFill {
				a.ps[f[0]].may(why)
			}
			return &end{}
		}
		out = append(out, end{p: &a.ps[f[0]], why: why, off: math.Abs(a.size(f)/usual - 1)})
		return &out[len(out)-1]
	}
	add(feeds[0], Priming)
	if n := len(feeds) - 1; n > 0 && a.rests(k, feeds[n][0]) {
		e := add(feeds[n], Flush)
		e.many = k != a.lastFed()
		e.late = e.p != nil && slices.ContainsFunc(a.visits[k].said, func(c Colony) bool {
			return c.What == act.AllTold && c.At < e.p.Start
		})
	}
	slices.SortStableFunc(out, func(x, y end) int {
		if x.late != y.late {
			if x.late {
				return -1
			}
			return 1
		}
		return cmp.Compare(y.off, x.off)
	})
	return out
}

// doubtful returns how far from the usual, relative, a feed is no longer like the
// others: the hand's own scatter tells where there are enough of them.
func (a *account) doubtful(feeds [][]int) float64 {
	const (
		least = 0.05
		wide  = 3.5
		sigma = 1.4826 // of normal values over their median absolute deviation
	)
	if len(feeds) < usualMany+1 {
		return unlike
	}
	usual := a.usual(feeds)
	off := make([]float64, len(feeds))
	for i, f := range feeds {
		off[i] = math.Abs(a.size(f)/usual - 1)
	}
	slices.Sort(off)
	return min(unlike, max(least, wide*sigma*off[len(off)/2]))
}

// prime names what is no colony's at the ends of a visit, and doubts what may be none.
func (a *account) prime(k int) {
	v := &a.visits[k]
	named := 0
	for a.name(k) {
		named++ // what comes next may be what went onto the ground
	}
	feeds := a.feeds(k)
	expect, counted := a.expected(v)
	over := len(feeds) - expect // more feeds than colonies to feed
	if len(feeds) > 0 && v.Meant > 0 {
		if counted && (over > 0 || slices.ContainsFunc(a.ps, func(p part) bool { return p.visit == k && p.why != "" && p.or == AFill })) {
			a.slowest(feeds)
		}
		doubtful := a.doubtful(feeds)
		for _, e := range a.ends(k, feeds) {
			if counted && over > 0 || e.off >= doubtful && !e.many {
				e.p.may(e.why)
			}
		}
		if counted && over < 0 && v.Over {
			a.topsApart(feeds)
		}
	}
	a.allTold(k, over, counted, named > 0)
}

// topsApart says of top-ups that are more than a splash that each may have been a
// colony's own: there are fewer feeds than colonies.
func (a *account) topsApart(feeds [][]int) {
	for _, f := range feeds {
		for _, i := range f[1:] {
			if p := &a.ps[i]; p.as == "" && p.or == "" && a.size([]int{i}) > splash*a.size(f) {
				p.or = AFill
			}
		}
	}
}

// name names the unlikeliest end of a visit, where it is no colony's.
func (a *account) name(k int) bool {
	v := &a.visits[k]
	feeds := a.feeds(k)
	if len(feeds) == 0 || v.Meant == 0 {
		return false
	}
	expect, counted := a.expected(v)
	over := counted && len(feeds) > expect
	for _, e := range a.ends(k, feeds) {
		p := e.p
		small := float64(p.Volume()) < surelyPriming*float64(v.Meant)
		switch {
		case over && (e.off >= unlike || e.late):
			p.why, p.note, p.or = e.why, "one more than there are colonies, and unlike the others", ""
			if !small && !e.late {
				p.or = AFill
			}
			return true
		case small && e.why == Priming && !(counted && v.Over && len(feeds) == expect && !a.hides(k)):
			p.why, p.note, p.or = Priming, "a small first pull", AFill
			return false
		}
	}
	return false
}

// allTold heeds that a person said that all of a visit is told: then nothing
// is in doubt, if it adds up, but whether all of it was syrup. With an end named for one
// too many it does only if no other pull may be the one.
func (a *account) allTold(k, over int, counted, named bool) {
	v := &a.visits[k]
	other := named && slices.ContainsFunc(a.ps, func(p part) bool {
		return p.visit == k && p.why == "" && p.or != "" && (!p.topUp || p.or == AFill)
	})
	for _, c := range v.said {
		switch {
		case c.What != act.AllTold:
		case !counted:
			a.review(c.Act, "how many colonies stand there is not said")
		case over != 0:
			a.review(c.Act, fmt.Sprintf("all is told, but there %s than colonies to feed", more(over)))
		case !other:
			for i := range a.ps {
				if p := &a.ps[i]; p.visit == k && p.or != Air && (p.why == "" || p.or != ATopUp) {
					p.or = ""
					if p.partly && p.why == "" {
						p.or = Suspect
					}
				}
			}
		}
	}
}

// more says "are 2 fills more" or "is 1 fill fewer".
func more(n int) string {
	way := "more"
	if n < 0 {
		n, way = -n, "fewer"
	}
	if n == 1 {
		return "is 1 fill " + way
	}
	return fmt.Sprintf("are %d fills %s", n, way)
}
