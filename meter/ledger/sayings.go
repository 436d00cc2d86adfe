package ledger

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"yardtally/meter/act"
	"yardtally/meter/outing"
)

// stand notes how many colonies stand in a yard from an act on; what it does
// not say stays as it was.
func (c *config) stand(yard string, a *act.Act, colonies int, fillL float64, numbered *bool) {
	list := c.stands[yard]
	next := stand{}
	if n := len(list); n > 0 {
		next = list[n-1]
	}
	if _, alone := a.Body.(act.Colonies); alone || colonies > 0 {
		next.colonies, next.when = colonies, a.When
	}
	if fillL > 0 {
		next.meant = litres(fillL)
	}
	if numbered != nil {
		next.numbered = *numbered
	}
	next.from = a.Since()
	c.stands[yard] = append(list, next)
}

// name sorts what people said of flow and places out, in order of saying: the
// later wins.
func (c *config) name() {
	slices.SortStableFunc(c.named, func(a, b act.Act) int { return cmp.Compare(a.When, b.When) })
	s, m := &c.said, &c.moments
	for i := range c.named {
		a := &c.named[i]
		switch b := a.Body.(type) {
		case act.Assign:
			s.Assigns = append(s.Assigns, outing.Assign{Act: a.ID, Session: b.Session, First: b.First, Last: b.Last, Yard: b.Yard})
		case act.Deem:
			s.Deems = append(s.Deems, outing.Deem{Act: a.ID, Session: b.Session, First: b.First, Last: b.Last, As: b.As})
		case act.Cut:
			s.Cuts = append(s.Cuts, outing.Cut{Act: a.ID, Session: b.Session, At: b.At})
		case act.Arrive:
			s.Arrives = append(s.Arrives, outing.Arrive{Act: a.ID, Yard: b.Yard})
			m.arrives = append(m.arrives, b.At)
		case act.Colony:
			s.Colony = append(s.Colony, outing.Colony{Act: a.ID, When: a.When, What: b.What, Yard: b.Yard, N: b.N, Number: b.Number})
			m.colony = append(m.colony, b.At)
		case act.Visit:
			s.Visits = append(s.Visits, outing.Begin{Act: a.ID, Goes: b.Goes})
			m.visits = append(m.visits, b.At)
		case act.Drained:
			s.Drains = append(s.Drains, outing.Drain{Act: a.ID})
			m.drains = append(m.drains, b.At)
		case act.Break:
			c.breaks = append(c.breaks, b)
		case act.Route:
			s.Routes = append(s.Routes, outing.Route{At: a.Since(), Yards: b.Yards})
		}
	}
	slices.SortStableFunc(s.Routes, func(a, b outing.Route) int { return cmp.Compare(a.At, b.At) })
}

// reviewYards lists acts that name yards which no act describes.
func (c *config) reviewYards(yards map[string]act.Yard) {
	for i := range c.named {
		var named []string
		switch b := c.named[i].Body.(type) {
		case act.Assign:
			named = []string{b.Yard}
		case act.Arrive:
			named = []string{b.Yard}
		case act.Colony:
			named = []string{b.Yard}
		case act.Route:
			named = b.Yards
		}
		for _, y := range named {
			if _, ok := yards[y]; !ok && y != "" {
				c.review = append(c.review, Review{Act: c.named[i].ID, Why: fmt.Sprintf("yard: no act describes a yard %q", y)})
			}
		}
	}
}

// unheeded lists acts that name flow or a moment and found none; flowed is the
// newest flow's end.
func (c *config) unheeded(hits []string, now, flowed int64) []Review {
	var out []Review
	hit := make(map[string]bool, len(hits))
	for _, id := range hits {
		hit[id] = true
	}
	for i := range c.named {
		const noOuting = "names a moment that belongs to no outing"
		why, at := "names counts that no flow has", int64(math.MinInt64)
		switch b := c.named[i].Body.(type) {
		case act.Route, act.Arrive, act.Break:
			continue // may well be about an outing without flow
		case act.Colony:
			why, at = noOuting, b.At.NS
		case act.Visit:
			why, at = noOuting, b.At.NS
		case act.Drained:
			if b.At.NS >= flowed {
				continue // the next flow fills the hose, whenever it comes
			}
			why = noOuting
		}
		if at > now {
			// What it is about may yet come. A tap is a moment ahead of the readings.
			const moment = int64(60_000_000_000)
			if _, colony := c.named[i].Body.(act.Colony); colony && at > now+moment && now > 0 {
				out = append(out, Review{Act: c.named[i].ID, Why: "names a moment after the newest reading: it counts for nothing before readings of then come"})
			}
			continue
		}
		if !hit[c.named[i].ID] {
			out = append(out, Review{Act: c.named[i].ID, Why: why})
		}
	}
	return out
}

// tested adds a bucket test to those that are looked for in the flow.
func (c *config) tested(a *act.Act, p act.Proving) {
	switch {
	case p.Last > p.First:
		c.said.Proved = append(c.said.Proved, outing.Proved{Act: a.ID, Session: p.Session, First: p.First, Last: p.Last})
	case p.Pulses > 0 && p.DoneNS != 0:
		c.said.Proved = append(c.said.Proved, outing.Proved{Act: a.ID, Pulses: p.Pulses, Done: p.DoneNS})
	}
}
