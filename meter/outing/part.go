package outing

import (
	"math"
	"slices"
	"sort"

	"yardtally/calibrate/quantity"
	"yardtally/meter/fill"
)

// part is a flow, or a piece of one where people or the hose cut it.
type part struct {
	Flow
	flow     int    // of which flow, as a place in Seen.Flows
	whole    bool   // nobody cut it
	act      string // the newest act that moved or named it
	moved    bool   // an assign says its yard:
	yardSaid string // this one; "": none
	yard     string
	reason   Reason
	as       string // what a deem says it is
	why      string // what it is outside fills; "": a fill, as far as is known
	note     string
	topUp    bool
	or       string // what else it may be
	partly   bool   // some of it may be no syrup
	loner    bool   // after a top-up: it is not sure which two of the three go together
	known    bool   // the yard is known
	visit    int
}

// may says what else a pull may be, unless it may be air: who was fed does not
// tell that syrup came.
func (p *part) may(or string) {
	if p.or != Air {
		p.or = or
	}
}

// parts divides the flows at the edges of what people said, of the drained
// hose, of air and of provings, and puts on each part what was said of it.
func (a *account) parts() []part {
	out := make([]part, 0, len(a.seen.Flows)+8)
	for i := range a.seen.Flows {
		f := &a.seen.Flows[i]
		edges := a.edges(i)
		if len(edges) == 0 {
			out = append(out, part{Flow: *f, flow: i, whole: true, visit: -1})
		} else {
			rest := part{Flow: *f, flow: i, visit: -1}
			for _, e := range edges {
				if e > rest.First && e < rest.Last {
					var head part
					head, rest = a.split(rest, e)
					out = append(out, head)
				}
			}
			out = append(out, rest)
		}
	}
	for i := range out {
		a.told(&out[i])
	}
	return out
}

// edges returns the counts at which a flow is cut, rising.
func (a *account) edges(flow int) []uint64 {
	f := &a.seen.Flows[flow]
	var e []uint64
	add := func(n uint64) {
		if n > f.First && n < f.Last {
			e = append(e, n)
		}
	}
	span := func(act string, session, first, last uint64, cut string) {
		if session != f.Session || last <= f.First || first >= f.Last {
			return
		}
		a.hit(act)
		if f.Kind == fill.Pull && (first > f.First && first < f.Last || last > f.First && last < f.Last) && !a.cutAt(f, first, last) {
			a.review(act, cut)
		}
		add(first)
		add(last)
	}
	for i := range a.said.Cuts {
		if c := &a.said.Cuts[i]; c.Session == f.Session && c.At > f.First && c.At < f.Last {
			a.hit(c.Act)
			add(c.At)
		}
	}
	for i := range a.said.Assigns {
		x := &a.said.Assigns[i]
		span(x.Act, x.Session, x.First, x.Last, "cuts through a fill: part of it moved")
	}
	for i := range a.said.Deems {
		x := &a.said.Deems[i]
		span(x.Act, x.Session, x.First, x.Last, "cuts through a fill: part of it is named")
	}
	for i := range a.said.Proved {
		if x := &a.said.Proved[i]; x.Last > x.First && x.Session == f.Session {
			add(x.First)
			add(x.Last)
		}
	}
	for i := range a.fills {
		if x := &a.fills[i]; x.session == f.Session {
			add(x.first)
			add(x.last)
		}
	}
	if w := &a.levels[flow]; w.air {
		add(w.from)
	}
	add(f.Head)
	add(f.Tail)
	slices.Sort(e)
	return slices.Compact(e)
}

// cutAt reports whether a person cut the flow where the interval's edges are.
func (a *account) cutAt(f *Flow, first, last uint64) bool {
	made := func(n uint64) bool {
		if n <= f.First || n >= f.Last {
			return true
		}
		return slices.ContainsFunc(a.said.Cuts, func(c Cut) bool { return c.Session == f.Session && c.At == n })
	}
	return made(first) && made(last)
}

// split divides a part at a count; instants in proportion.
func (a *account) split(q part, edge uint64) (head, rest part) {
	share := float64(edge-q.First) / float64(q.Last-q.First)
	at := q.Start + int64(share*float64(q.End-q.Start))
	flowing := int64(share * float64(q.Flowing))
	head, rest = q, q
	head.Last, head.End, head.Flowing, head.Metered = edge, at, flowing, q.Metered.Part(share)
	rest.First, rest.Start, rest.Flowing, rest.Metered = edge, at, q.Flowing-flowing, q.Metered.Part(1-share)
	rest.Through += head.Volume()
	head.Within, rest.Within = a.said.Within(&head.Flow), a.said.Within(&rest.Flow)
	return head, rest
}

// CutAt returns the count at which so large a share of the pulses after first up
// to and with last is over, to the nearest pulse; false where that leaves nothing
// on one side.
func CutAt(first, last uint64, share float64) (at uint64, ok bool) {
	n := math.Round(share * float64(last-first))
	// Not a number, as of a flow that is worth nothing, is refused, too.
	if !(n >= 1 && n <= float64(last-first)-1) {
		return 0, false
	}
	return first + uint64(n), true
}

// told puts on a part what people said of it; of several the last counts.
func (a *account) told(p *part) {
	for i := range a.said.Assigns {
		if x := &a.said.Assigns[i]; x.Session == p.Session && x.First <= p.First && x.Last >= p.Last {
			p.moved, p.yardSaid, p.act = true, x.Yard, x.Act
		}
	}
	for i := range a.said.Deems {
		if x := &a.said.Deems[i]; x.Session == p.Session && x.First <= p.First && x.Last >= p.Last {
			p.as = x.As
			if !p.moved {
				p.act = x.Act
			}
		}
	}
}

// counts is an interval of the counter, of what fills a drained hose.
type counts struct {
	session, first, last uint64
}

// drained finds what fills the hose after it was emptied.
func (a *account) drained() {
	for _, d := range a.said.Drains {
		i := sort.Search(len(a.seen.Flows), func(i int) bool { return a.seen.Flows[i].End > d.At })
		if i == len(a.seen.Flows) || d.At <= a.seen.From {
			continue
		}
		a.hit(d.Act)
		left := a.said.Hose(a.seen.Flows[i].Start)
		if f := &a.seen.Flows[i]; f.Start < d.At {
			// How much of it came after is not known.
			left -= f.Volume()
			i++
		}
		if a.said.Hose(d.At) <= 0 {
			a.review(d.Act, "what the hose holds is not known: set [counter] hose")
		}
		for ; i < len(a.seen.Flows) && left > 0; i++ {
			f := &a.seen.Flows[i]
			to := f.Last
			if a.levels[i].air {
				to = a.levels[i].from // air fills no hose
			}
			if f.Pulse <= 0 || f.Kind == fill.Suspect || a.levels[i].doubt != "" || to == f.First {
				continue
			}
			n := min(uint64((left+f.Pulse-1)/f.Pulse), to-f.First)
			a.fills = append(a.fills, counts{f.Session, f.First, f.First + n})
			left -= quantity.Volume(n) * f.Pulse
		}
	}
}
