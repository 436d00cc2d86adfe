package outing

import (
	"math"
	"slices"
	"sort"

	"yardtally/calibrate/quantity"
	"yardtally/meter/fill"
	"yardtally/meter/tote"
)

// weighed is what the tote's level says of a flow.
type weighed struct {
	doubt string // why it is suspect; "": it is not
	air   bool
	from  uint64 // the count from which it was air
	maybe bool   // it may have been air: the tote stood below its outlet
}

// weigh holds the flows against the tote's level.
func (a *account) weigh() {
	flows := a.seen.Flows
	a.levels = make([]weighed, len(flows))
	for i := range a.seen.Doubts {
		d := &a.seen.Doubts[i]
		switch {
		case !d.Sure:
		case d.Why == tote.Empty:
			a.aired(d)
		case !a.burst(d):
			for _, k := range d.Flows {
				a.levels[k].doubt = d.Why
			}
		}
	}
	for i := range flows {
		if w := &a.levels[i]; w.doubt == "" && flows[i].Kind != fill.Suspect && flows[i].End-flows[i].Start < edge &&
			(i > 0 && a.bursts(i-1, i) || i+1 < len(flows) && a.bursts(i+1, i)) {
			w.doubt = "right beside pulses faster than the line can flow"
		}
	}
	a.surged()
	a.dried()
	a.scattered()
}

// mixed is how much of the usual rate of the outing's pulls pulses reach at least
// where stray ones came on top of such a pull. Judgement, no source.
const mixed = 0.6

// scattered doubts the flows that came scattered, but for air, which is fast: all
// of those that are wholly so, and of those that syrup may be among the ones that
// were never as fast as syrup.
func (a *account) scattered() {
	var rates []float64 // nL/ns
	for i := range a.seen.Flows {
		if f := &a.seen.Flows[i]; f.Kind == fill.Pull && f.Stray < fill.SomeStray && !a.levels[i].air && a.levels[i].doubt == "" {
			rates = append(rates, float64(f.Volume())/float64(max(1, f.Flowing)))
		}
	}
	slices.Sort(rates)
	for i := range a.seen.Flows {
		f, w := &a.seen.Flows[i], &a.levels[i]
		if f.Stray < fill.SomeStray || f.Head+f.Tail > 0 || w.air || w.doubt != "" {
			continue
		}
		if f.Stray == fill.AllStray || len(rates) >= usualMany && float64(f.Most)*float64(f.Pulse)/1e9 < mixed*rates[len(rates)/2] {
			w.doubt = Scattered
		}
	}
}

// edge is how long the first or last pulses of a burst may seem a flow of their
// own: until the next messages.
const edge = second

// bursts reports whether flow i is a burst faster than the line, right beside flow j.
func (a *account) bursts(i, j int) bool {
	f, g := &a.seen.Flows[i], &a.seen.Flows[j]
	return f.Kind == fill.Suspect && f.Session == g.Session && (f.Last == g.First || g.Last == f.First) &&
		max(g.Start-f.End, f.Start-g.End) < edge
}

// burst reports whether bursts faster than the line can flow are all that the
// tote does not bear out: then the flows beside them are not to blame.
func (a *account) burst(d *tote.Doubt) bool {
	var sum quantity.Volume
	for _, k := range d.Flows {
		if f := &a.seen.Flows[k]; f.Kind == fill.Suspect {
			sum += f.Volume()
		}
	}
	return sum > 0 && sum >= d.Excess-d.Within
}

// aired notes the flows that were air where the tote was empty: from where it
// surged or, if it did not, by what the tote gave. Where one of them shows by its
// rate that air began in it, the ones before, at the rate of syrup, were syrup,
// whatever else the tote did not give.
func (a *account) aired(d *tote.Doubt) {
	begin := max(0, slices.IndexFunc(d.Flows, a.hurries))
	for j, k := range d.Flows[begin:] {
		x, w := &a.seen.Flows[k], &a.levels[k]
		w.air = true
		switch {
		case j > 0 || begin == 0 && d.Part >= 1:
			w.from = x.First
		case x.Surge > 0:
			w.from = x.Surge
		case begin > 0:
			w.from = x.First
		default:
			w.from = x.Last - uint64(d.Part*float64(x.Last-x.First))
		}
	}
}

// mostPulled is how much a pull is at most that shows how fast syrup flows into a
// feeder: into an empty hose or a bucket it may flow slower.
func (a *account) mostPulled() quantity.Volume {
	var all []quantity.Volume
	for i := range a.seen.Flows {
		if f := &a.seen.Flows[i]; f.Kind == fill.Pull {
			all = append(all, f.Volume())
		}
	}
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return mostFed * all[len(all)/2]
}

// hurries reports whether a flow surged, or came faster than any pull before that
// did not.
func (a *account) hurries(k int) bool {
	f := &a.seen.Flows[k]
	if f.Surge > 0 {
		return true
	}
	fastest := 0.0
	for i := range k {
		if x := &a.seen.Flows[i]; x.Kind == fill.Pull && x.Surge == 0 && x.Flowing > 0 && x.Stray < fill.SomeStray {
			fastest = max(fastest, float64(x.Volume())/float64(x.Flowing))
		}
	}
	return fastest > 0 && f.Flowing > 0 && float64(f.Volume())/float64(f.Flowing) > airs*fastest
}

// airs is how many times faster than any syrup before air turns the meter at
// least. Common practice, no source; see surge in the fill room.
const airs = 1.4

// surged notes flows that were air by their rate, with the tote at its outlet:
// the surge in a flow, and flows faster than all syrup before. A surge to no more
// than syrup's rate may be a hand that opens, or a pull after false pulses. Where a refill
// came before the level was at rest, a surge in mid-pull beyond all syrup before
// says so by itself: what is refilled flows faster from pull to pull, not so.
func (a *account) surged() {
	fastest, most := 0.0, a.mostPulled()
	for i := range a.seen.Flows {
		f, w := &a.seen.Flows[i], &a.levels[i]
		if f.Kind != fill.Pull || f.Flowing <= 0 || w.doubt != "" {
			continue
		}
		rate := float64(f.Volume()) / float64(f.Flowing)
		fast := fastest > 0 && rate > airs*fastest
		if w.air { // by what the tote gave, which does not tell to the pulse
			if fast && (f.Surge == 0 || a.beforeSurge(f, fastest)) {
				w.from = f.First
			}
			continue
		}
		surge := 0.0
		if f.Surge > 0 {
			surge = a.surgeRate(f, fastest)
		}
		if fast || surge > fastest {
			if low, known := a.low(i); low || !known && fastest > 0 && surge > airs*fastest {
				w.air, w.from = true, f.First
				if f.Surge > 0 && !a.beforeSurge(f, fastest) {
					w.from = f.Surge
				}
				continue
			}
		}
		if f.Stray == fill.AllStray || fastest == 0 && f.Volume() > most {
			continue
		}
		fastest = max(fastest, rate)
	}
}

// beforeSurge reports whether a flow was too fast for syrup even before it surged:
// air is most times faster at most.
func (a *account) beforeSurge(f *Flow, fastest float64) bool {
	const most = 3
	if fastest == 0 {
		return false
	}
	rest := float64(f.Flowing) - float64(quantity.Volume(f.Last-f.Surge)*f.Pulse)/(most*fastest)
	return rest <= 0 || float64(quantity.Volume(f.Surge-f.First)*f.Pulse)/rest > airs*fastest
}

// surgeRate returns how fast a flow came from its surge on, nL/ns; where its time
// is not known, what came before it having taken as long as it would at the
// fastest rate of syrup, if there is one.
func (a *account) surgeRate(f *Flow, fastest float64) float64 {
	if f.Surging > 0 || fastest == 0 {
		return float64(quantity.Volume(f.Last-f.Surge)*f.Pulse) / float64(max(1, f.Surging))
	}
	before := float64(quantity.Volume(f.Surge-f.First)*f.Pulse) / fastest
	return float64(quantity.Volume(f.Last-f.Surge)*f.Pulse) / max(1, float64(f.Flowing)-before)
}

// restsBy is how soon after a flow the level is at rest, if nobody fills in.
const restsBy = 75 * second

// A tote that stood so many standard uncertainties below its outlet gave nothing
// but air, or may have: normal distribution, 2.3 % and a half.
const (
	surelyUnder = 2.0
	maybeUnder  = 0.0
)

// dried notes the flows of a tote that stands at its outlet: once it gave air, it
// gives no syrup until it is refilled, and none from well below the outlet.
func (a *account) dried() {
	if !a.seen.Follows {
		return
	}
	var since *Level // at rest after the first air since the last refill
	dry := false
	for i := range a.seen.Flows {
		f, w := &a.seen.Flows[i], &a.levels[i]
		if w.doubt != "" || f.Kind == fill.Suspect {
			continue
		}
		before, _ := a.atRest(f.Start)
		_, after := a.atRest(f.End)
		if dry && a.filled(a.seen.Flows[i-1].End, f.End) {
			dry = false
		}
		switch low := after != nil && a.near(after.Over, after.U) || a.drawn(i); {
		case w.air && dry && low:
			w.from = f.First
		case w.air:
			dry, since = true, nil
		case dry && low && !a.falls(since, after):
			w.air, w.from = true, f.First
		case after != nil && before != nil && !a.filled(before.At, after.At):
			switch u := min(a.under(before), a.under(after)); {
			case u > surelyUnder:
				w.air, w.from, dry, since = true, f.First, true, nil
			case u > maybeUnder:
				w.maybe = true
			}
		}
		if dry && since == nil {
			since = after
		}
	}
}

// falls reports whether a level fell since another, beyond doubt.
func (a *account) falls(from, to *Level) bool {
	return from != nil && to != nil && float64(from.Over-to.Over) > 2*math.Hypot(float64(from.U), float64(to.U))
}

// filled reports whether any level between two instants stood well over the outlet.
func (a *account) filled(from, to int64) bool {
	l := a.seen.Levels
	for i := sort.Search(len(l), func(i int) bool { return l[i].At > from }); i < len(l) && l[i].At <= to; i++ {
		over, u := l[i].Over, l[i].U
		if l[i].Restless {
			over, u = over-u, 0
		}
		if !a.near(over, u) {
			return true
		}
	}
	return false
}

// near reports whether a tote with so much over its outlet may stand at it.
func (a *account) near(over, u quantity.Volume) bool {
	return float64(over) <= 3*math.Hypot(float64(u), float64(a.seen.OutletU))
}

// under is how far below its outlet the tote stood, in standard uncertainties.
func (a *account) under(l *Level) float64 {
	return -float64(l.Over) / max(1, math.Hypot(float64(l.U), float64(a.seen.OutletU)))
}

// atRest returns the last level at rest up to an instant, and the first one at
// or after it; nil: there is none.
func (a *account) atRest(at int64) (before, after *Level) {
	l := a.seen.Levels
	i := sort.Search(len(l), func(i int) bool { return l[i].At >= at })
	for j := i; j < len(l) && after == nil; j++ {
		if !l[j].Restless {
			after = &l[j]
		}
	}
	if after != nil && after.At == at {
		return after, after
	}
	for j := i - 1; j >= 0 && before == nil; j-- {
		if !l[j].Restless {
			before = &l[j]
		}
	}
	return before, after
}

// low reports whether the tote stood at its outlet when a flow ended, and
// whether that is known: by the level right after it or, where the tote was
// refilled before that was at rest, by the one before, less what was metered.
func (a *account) low(i int) (low, known bool) {
	end := a.seen.Flows[i].End
	_, after := a.atRest(end)
	switch {
	case after != nil && a.near(after.Over, after.U), a.drawn(i):
		return true, true
	case after == nil:
		return false, true
	}
	return false, after.At-end >= 0 && after.At-end < restsBy
}

// drawn reports whether a flow took the tote down to its outlet, by the level
// before its end. One from before the flow says so only where one of while it
// flowed, though not at rest, shows that nothing was filled in: thinner syrup
// flows faster.
func (a *account) drawn(i int) bool {
	f := &a.seen.Flows[i]
	l, _ := a.atRest(f.End)
	if l == nil {
		return false
	}
	over := l.Over - a.passed(l, i)
	if !a.near(over, l.U) || l.At >= f.Start {
		return l.At >= f.Start && a.near(over, l.U)
	}
	for j := range a.seen.Levels {
		if x := &a.seen.Levels[j]; x.At >= f.Start && x.At <= f.End && x.Over-x.U <= over {
			return true
		}
	}
	return false
}

// passed returns what the meter counted from a level to the end of a flow,
// without what was hardly syrup.
func (a *account) passed(l *Level, i int) quantity.Volume {
	f := &a.seen.Flows[i]
	v := f.Through + f.Volume() - l.Passed
	for j := i - 1; j >= 0 && a.seen.Flows[j].Start >= l.At; j-- {
		if x := &a.seen.Flows[j]; x.Kind == fill.Suspect || a.levels[j].doubt != "" {
			v -= x.Volume()
		}
	}
	return max(0, v)
}
