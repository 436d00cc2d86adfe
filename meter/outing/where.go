package outing

import (
	"slices"
	"sort"

	"yardtally/calibrate/quantity"
	"yardtally/meter/fill"
	"yardtally/meter/yard"
)

// claim is what a button or a tap says of where the rig is, from an instant on.
type claim struct {
	at    int64
	yard  string
	known bool // the yard is; a press that no route explains says only that it is another place
	mark  bool // the button; else a tap
	act   string
	stay  int // the stay it was made in, or soon after; -1: not known
}

const (
	// bounce is how soon a second press of the button is the same arrival:
	// nobody drives from yard to yard in less.
	bounce = 20 * second
	// lookedFor is a silence after which presses that come together may have
	// been made one after another.
	lookedFor = minute
	// drive is the least time without flow in which a rig comes to another yard.
	drive = 30 * second
	// early is how long before the rig stands its arrival may be told, and late
	// how long after its first position there.
	early = 3 * minute
	// nearby is how far the rig may stand from where a tap was made and still
	// be at the same place, where no yard tells.
	nearby quantity.Length = 150
)

// claim works out what the buttons and taps say. The button means the next
// yard of the route; where positions show the rig in a yard of the route, the
// route goes on from there, so that a forgotten press does no harm.
func (a *account) claim() {
	type event struct {
		at    int64
		kind  int // 0: a route, 1: a stay, 2: a press
		index int
	}
	var all []event
	for i := range a.said.Routes {
		all = append(all, event{max(a.said.Routes[i].At, a.seen.From), 0, i})
	}
	for i := range a.seen.Stays {
		all = append(all, event{a.seen.Stays[i].From, 1, i})
	}
	for i := range a.seen.Presses {
		if !a.seen.Presses[i].Skip {
			all = append(all, event{a.seen.Presses[i].At, 2, i})
		}
	}
	slices.SortStableFunc(all, func(x, y event) int {
		if x.at != y.at {
			if x.at < y.at {
				return -1
			}
			return 1
		}
		return x.kind - y.kind
	})
	var route []string
	next, pressed := 0, int64(-bounce) // the route's next yard; the newest press
	// Of presses that come together some were not heard, or one was made twice:
	// how far along the route the rig is shows again when positions do.
	lost := false
	for _, e := range all {
		switch e.kind {
		case 0:
			route, next, lost = a.said.Routes[e.index].Yards, 0, false
		case 1:
			f := &a.trail.Found[e.index]
			if f.Why != yard.InYard {
				continue
			}
			if next > 0 && next <= len(route) && route[next-1] == f.Yard {
				lost = false
				continue
			}
			if k := slices.Index(route[min(next, len(route)):], f.Yard); k >= 0 {
				next, lost = next+k+1, false
			}
		case 2:
			p := &a.seen.Presses[e.index]
			n := p.N
			if p.At-p.From < lookedFor {
				n = 1
			}
			if p.At-pressed < bounce {
				pressed = p.At
				continue
			}
			pressed = p.At
			c := claim{at: p.At, mark: true, stay: a.stayAt(p.At, true)}
			arrived := c.stay >= 0 && a.trail.Found[c.stay].Why == yard.InYard && next > 0 && next <= len(route) &&
				route[next-1] == a.trail.Found[c.stay].Yard
			if n > 1 && !arrived {
				lost = true
				a.unheard(p.From, p.At)
			}
			// Lost, next is the last yard that was sure.
			if !arrived && !lost {
				next++
			}
			if !lost && next > 0 && next <= len(route) {
				c.yard, c.known = route[next-1], true
			}
			a.claims = append(a.claims, c)
		}
	}
	a.ahead, a.routed = route[min(next, len(route)):], len(route) > 0
	for _, t := range a.said.Arrives {
		if t.At > a.seen.From && t.At <= a.seen.Now {
			a.claims = append(a.claims, claim{at: t.At, yard: t.Yard, known: true, act: t.Act, stay: a.stayAt(t.At, t.Yard != "")})
		}
	}
	sort.SliceStable(a.claims, func(i, j int) bool { return a.claims[i].at < a.claims[j].at })
}

// unheard ends what a press says where another one came later that was not
// heard: at the first pause in its flow that is long enough to have driven on.
func (a *account) unheard(from, to int64) {
	last := from
	for i := range a.seen.Flows {
		f := &a.seen.Flows[i]
		if f.Start >= to {
			return
		}
		if f.Start > from && last > from && f.Start-last >= drive {
			a.claims = append(a.claims, claim{at: f.Start - 1, mark: true, stay: a.stayAt(f.Start, true)})
			return
		}
		last = max(last, f.End)
	}
}

// stayAt returns the stay at an instant, or with arriving the one that begins
// soon after; -1 for none.
func (a *account) stayAt(at int64, arriving bool) int {
	s := a.seen.Stays
	i := sort.Search(len(s), func(i int) bool { return s[i].From > at }) - 1
	if i >= 0 && (at <= s[i].To || i == len(s)-1 && a.seen.Moving == 0 && s[i].LeftAt == 0 && at <= s[i].To+yard.FixAge) {
		return i
	}
	if arriving && i+1 < len(s) && s[i+1].From-at <= early {
		return i + 1
	}
	return -1
}

// same reports whether two stays are at one place.
func (a *account) same(i, j int) bool {
	if i == j {
		return true
	}
	f, g := &a.trail.Found[i], &a.trail.Found[j]
	if f.Why == yard.InYard && g.Why == yard.InYard {
		return f.Yard == g.Yard
	}
	s, t := &a.seen.Stays[i], &a.seen.Stays[j]
	return yard.Distance(s.Lat, s.Lon, t.Lat, t.Lon) <= nearby
}

// holds returns the claim that holds at an instant, if one does: the newest
// before it, made where the rig still is as far as positions tell; or the first
// of those made later where it stood already.
func (a *account) holds(at int64, mark bool) *claim {
	here := a.stayAt(at, false)
	n := sort.Search(len(a.claims), func(i int) bool { return a.claims[i].at > at })
	if n > 0 {
		c := &a.claims[n-1]
		if c.mark && (!mark || a.movedOn(c, n, at)) {
			return nil // what was tapped before it was about another place
		}
		if here >= 0 && c.stay >= 0 && a.same(here, c.stay) || (here < 0 || c.stay < 0) && !a.left(c, at) {
			return c
		}
	}
	for i := n; i < len(a.claims); i++ {
		c := &a.claims[i]
		if here < 0 || c.stay < 0 || !a.same(here, c.stay) {
			break
		}
		if c.mark == mark && c.known && c.yard != "" {
			return c
		}
	}
	return nil
}

// movedOn reports whether the rig may have left the place that claim n-1 is about
// by an instant, without a press that was heard: the next position shows another
// place, and since the last one here flow paused for long enough to drive.
func (a *account) movedOn(c *claim, n int, at int64) bool {
	s := a.seen.Stays
	next := sort.Search(len(s), func(i int) bool { return s[i].From > at })
	j := next - 1
	if j < 0 || next == len(s) || at <= s[j].To || a.same(j, next) || c.stay >= 0 && !a.same(j, c.stay) {
		return false
	}
	if n < len(a.claims) && a.claims[n].mark && a.claims[n].at <= s[next].To {
		return false // that one was made on leaving here
	}
	last := max(s[j].To, c.at)
	for i := range a.seen.Flows {
		f := &a.seen.Flows[i]
		if f.Start > at {
			break
		}
		if f.Start-last >= drive {
			return true
		}
		last = max(last, f.End)
	}
	return false
}

// left reports whether positions showed the rig leave the place that a claim
// is about before an instant.
func (a *account) left(c *claim, at int64) bool {
	s := a.seen.Stays
	i := sort.Search(len(s), func(i int) bool { return s[i].From > at }) - 1
	if i < 0 || s[i].From < c.at && (c.stay < 0 || i < c.stay) {
		return false // not heard at a place since
	}
	if c.stay >= 0 && !a.same(i, c.stay) {
		return true
	}
	if f := &a.trail.Found[i]; c.stay < 0 && c.mark && f.Why == yard.InYard && f.Yard != c.yard {
		return true
	}
	gone := s[i].LeftAt
	if i == len(s)-1 && a.seen.Moving > 0 {
		gone = a.seen.Moving
	}
	return c.stay >= 0 && gone > 0 && gone <= at
}

// at tells in which yard the rig was from one instant to another, and why.
// A tap says more than positions, they more than the button.
func (a *account) at(from, to int64) (in string, why Reason, known bool) {
	if c := a.holds(from, false); c != nil && !c.mark {
		a.hit(c.act)
		return c.yard, ByTap, c.yard != ""
	}
	f := a.trail.At(from, to)
	if f.Why == yard.InYard {
		return f.Yard, ByPosition, true
	}
	if c := a.holds(from, true); c != nil {
		switch {
		case !c.mark:
			a.hit(c.act)
			return c.yard, ByTap, c.yard != ""
		case a.apart(from, to):
			// Pulses began at one place and ended at another: which of them flowed
			// where, the counts do not tell.
		case c.known && (f.Why != yard.TwoYards || c.yard == f.Yard || c.yard == f.Other):
			return c.yard, ByMark, true
		}
	}
	switch f.Why {
	case yard.Outside:
		return "", NoYard, false
	case yard.TwoYards:
		return "", TwoYards, false
	}
	return "", NoPosition, false
}

// place puts a part where it was.
func (a *account) place(p *part) {
	p.yard, p.reason, p.known = a.at(p.Start, p.End)
	if p.reason == ByMark && p.Kind == fill.Hidden && p.End-p.Start >= drive {
		// Another press would not have been heard either.
		p.yard, p.reason, p.known = "", NoPosition, false
	}
	if p.moved {
		p.reason, p.known = ByHand, p.yardSaid != ""
		p.yard = p.yardSaid
	}
}

// apart reports whether positions show the rig at two places at two instants.
func (a *account) apart(t, u int64) bool {
	i, j := a.stayAt(t, false), a.stayAt(u, false)
	return i >= 0 && j >= 0 && !a.same(i, j)
}

// marked reports whether the button was pressed between two instants.
func (a *account) marked(from, to int64) bool {
	return slices.ContainsFunc(a.claims, func(c claim) bool { return c.mark && c.at > from && c.at <= to })
}

// here tells where the rig is now, and since when.
func (a *account) here() Here {
	h := Here{}
	h.Yard, h.Reason, _ = a.at(a.seen.Now, a.seen.Now)
	switch h.Reason {
	case ByTap, ByMark:
		if c := a.holds(a.seen.Now, true); c != nil {
			h.Since = c.at
		}
	case ByPosition, NoYard, TwoYards:
		i := a.stayAt(a.seen.Now, false)
		for ; i > 0 && a.same(i-1, i) && a.seen.Stays[i].Since == a.seen.Stays[i-1].LeftAt; i-- {
		}
		if i >= 0 {
			h.Since = a.seen.Stays[i].From
		}
	}
	return h
}
