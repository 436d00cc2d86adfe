package outing

import (
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
// surged or, if it did not, by what the tote gave.
func (a *account) aired(d *tote.Doubt) {
	for j, k := range d.Flows {
		x, w := &a.seen.Flows[k], &a.levels[k]
		w.air = true
		switch {
		case j > 0 || d.Part >= 1:
			w.from = x.First
		case x.Surge > 0:
			w.from = x.Surge
		default:
			w.from = x.Last - uint64(d.Part*float64(x.Last-x.First))
		}
	}
}

// airs is how many times faster than any syrup before air turns the meter at
// least. Common practice, no source; see surge in the fill room.
const airs = 1.4

// surged notes flows that were air by their rate, with the tote at its outlet:
// the surge in a flow, and flows faster than all syrup before. Where a refill
// came before the level was at rest, a surge in mid-pull beyond all syrup before
// says so by itself: what is refilled flows faster from pull to pull, not so.
func (a *account) surged() {
	fastest := 0.0
	for i := range a.seen.Flows {
		f, w := &a.seen.Flows[i], &a.levels[i]
		if f.Kind != fill.Pull || f.Flowing <= 0 || w.air || w.doubt != "" {
			continue
		}
		rate := float64(f.Volume()) / float64(f.Flowing)
		fast := fastest > 0 && rate > airs*fastest
		low, known := a.low(f)
		if (fast || f.Surge > 0) && low || !known && fastest > 0 && f.Surge > 0 && a.surgeRate(f, fastest) > airs*fastest {
			w.air, w.from = true, f.First
			if f.Surge > 0 && !a.beforeSurge(f, fastest) {
				w.from = f.Surge
			}
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

// surgeRate returns how fast a flow came from its surge on, nL/ns, what came
// before it having taken as long as it would at the fastest rate of syrup.
func (a *account) surgeRate(f *Flow, fastest float64) float64 {
	before := float64(quantity.Volume(f.Surge-f.First)*f.Pulse) / fastest
	return float64(quantity.Volume(f.Last-f.Surge)*f.Pulse) / max(1, float64(f.Flowing)-before)
}

// restsBy is how soon after a flow the level is at rest, if nobody fills in.
const restsBy = 75 * second

// low reports whether the tote stood at its outlet right after a flow, and
// whether that is known. Before it says nothing: thinner syrup may have been
// filled in, which flows faster.
func (a *account) low(f *Flow) (low, known bool) {
	l := a.seen.Levels
	i := sort.Search(len(l), func(i int) bool { return l[i].At >= f.End })
	if i == len(l) {
		return false, true
	}
	return l[i].Low, l[i].Low || l[i].At-f.End < restsBy
}
