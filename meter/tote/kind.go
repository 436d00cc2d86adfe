package tote

import (
	"math"

	"yardtally/calibrate/quantity"
)

// judge works out the numbers of a change, and names it.
func (r *reading) judge(s *span) {
	a, b := &r.marks[s.a], &r.marks[s.b]
	d := b.b - a.b
	s.Change = Change{From: a.at, To: b.at, Before: nanolitres(a.v), After: nanolitres(b.v), Metered: nanolitres(b.m - a.m),
		Volume: nanolitres(d), Within: nanolitres(wide * math.Sqrt(r.uu(a, b)))}
	c := r.course(a, b)
	s.Begin, s.End = c.begin, c.end
	if t := c.end - c.begin; t > 0 {
		s.Rate = quantity.Flow(0.8 * math.Abs(d) / float64(quantity.CubicMetre) / (float64(t) / 1e9))
	}
	off := r.off(s)
	large := math.Abs(d) >= float64(swapLeast)
	odd := c.wild || c.unread
	swapped := c.astray && c.blank >= 0.5 || large && (c.inside == 0 && s.Rate > pumpRate || c.inside < 2 && odd)
	atOnce := math.Abs(d) > float64(pumpRate)*1000*float64(b.at-a.at) // nL in ns
	way := r.way(a, b)
	switch {
	case a.tote != b.tote:
		s.Kind, s.Sure = Swap, true
	case way == 2:
		s.Kind, s.Sure = Meter, !off && b.v-a.v < float64(wide*math.Sqrt(r.heldUU(a, b)))
		s.Note = "pulses without flow, air in the meter, or as much went in as is missing: see the doubts"
	case c.unheard >= 0.5 && !(c.astray && c.blank >= 0.5):
		s.Kind, s.Sure = Unheard, true
		s.Note = "the rig was off or out of reach: how and when it changed cannot be told"
	case swapped:
		s.Kind, s.Sure = Swap, atOnce && !odd
		switch {
		case s.Sure:
		case way > 0:
			s.Note = "no level in between was read: a refill with the sensor off would look the same"
		default:
			s.Note = "no level in between was read: an outflow with the sensor off would look the same"
		}
	case way == 1:
		s.Kind, s.Sure = Refill, c.inside > 0
		if !s.Sure {
			s.Note = "no level in between was seen: another tote would look the same"
		}
	case s.Rate > transferRate || c.steep > transferRate:
		s.Kind, s.Sure = Transfer, true
	case r.steady(s):
		s.Kind, s.Sure = Leak, s.Rate <= seepRate
		if !s.Sure {
			s.Note = "pulls that the meter did not count would look the same"
		}
	default:
		s.Kind = Loss
		s.Note = "how fast cannot be told: a leak, or some was drawn past the meter"
	}
	if s.Kind == Swap && c.unheard > 0 {
		s.add("for some of that time nothing was heard of the rig")
	}
	if a.turn || b.turn {
		s.add("the level had not settled before it went on the other way: how much is known roughly")
	}
	if (s.Kind == Transfer || s.Kind == Loss) && b.m-a.m > -d/4 {
		s.add("the meter may have missed pulses")
	}
	if s.Kind == Refill && b.m-a.m > float64(s.Within) {
		s.add("whether the tote gave what was metered meanwhile cannot be told")
	}
}

// off tells whether the rig was off in the midst of a change.
func (r *reading) off(s *span) bool {
	for k := s.a + 1; k <= s.b; k++ {
		if r.marks[k].quiet {
			return true
		}
	}
	return false
}

func (c *Change) add(note string) {
	if c.Note != "" {
		c.Note += "; "
	}
	c.Note += note
}

// course is how a change went, by all points from one mark to another.
type course struct {
	begin, end int64
	inside     int           // points well between before and after
	wild       bool          // a point far from both
	unread     bool          // the sensor was silent in between, or said what is no level
	astray     bool          // it said what is no level
	unheard    float64       // which part happened while nothing was heard of the rig
	blank      float64       // which part happened while the sensor was unread
	steep      quantity.Flow // the least that the fastest step of it can have been
}

func (r *reading) course(a, b *mark) course {
	d := b.b - a.b
	c := course{begin: a.at, end: b.at}
	began, ended := false, false
	gap, blank, lastUU := false, false, a.uu
	lastAt, last := a.at, 0.0
	for i := a.i + 1; i <= b.i && d != 0; i++ {
		p := &r.points[i]
		if p.Silent >= keepPause {
			// A level that cannot be used may still tell that little changed meanwhile.
			x, u := math.Abs((balance(p)-a.b)/d-last), 3*math.Sqrt(variance(p))/math.Abs(d)
			gap = gap || unread(p) || p.Tote != b.tote || x+u > 0.5
		}
		if unread(p) {
			c.unread, blank = true, true
			c.astray = c.astray || astray(p)
			continue
		}
		if p.Why == Moving || p.Tote != b.tote {
			continue
		}
		part := (balance(p) - a.b) / d
		if i < b.i {
			off := 3 * math.Sqrt(variance(p)+a.uu) / math.Abs(d)
			switch {
			case part > 0.1 && part < 0.9:
				c.inside++
			case part < -max(0.2, off), part > 1+max(0.2, off):
				c.wild = true
				continue
			}
		}
		// What the means of readings are off, they are off alike before and after.
		if step := part - last; !gap && !blank && step >= steepPart && p.At-lastAt <= keepPause {
			c.steep = max(c.steep, quantity.Flow((float64(step*math.Abs(d))-float64(2*math.Sqrt(evenly(p)+lastUU)))/float64(p.At-lastAt)*1e9/float64(quantity.CubicMetre)))
		}
		lastUU = evenly(p)
		if gap {
			c.unheard += part - last
		}
		if blank {
			c.blank += part - last
		}
		gap, blank = false, false
		at := func(level float64) int64 {
			if part <= last || last >= level {
				return p.At
			}
			return lastAt + int64((level-last)/(part-last)*float64(p.At-lastAt))
		}
		if !began && part >= 0.1 {
			began, c.begin = true, at(0.1)
		}
		if !ended && part >= 0.9 {
			ended, c.end = true, at(0.9)
		}
		lastAt, last = p.At, part
	}
	return c
}

// evenly is the variance of a point's volume against its neighbour's, nL²: where
// the level changes evenly, its mean is a good one of some seconds before.
func evenly(p *Point) float64 {
	if p.Why == Changing {
		return square(float64(turnLeast))
	}
	return variance(p)
}

// steady tells whether it went on over leakFor of standing without flow, with no
// one step most of it; or over as long with flow, as fast without it as with it.
func (r *reading) steady(s *span) bool {
	m, a, b := r.marks, s.a, s.b
	all, still, most, gone := m[b].b-m[a].b, int64(0), 0.0, 0.0
	for k := a + 1; k <= b; k++ {
		step := m[k].b - m[k-1].b
		most = max(most, step/all)
		if math.Abs(m[k].m-m[k-1].m) < float64(leastU) {
			still += m[k].at - m[k-1].at
			gone += step / all
		}
	}
	return still >= leakFor && gone >= 0.5 && most <= 0.6 || most <= 0.4 && r.seeps(s)
}

// seeps tells whether time and not flow explains a fall: a plane is laid through
// the marks by least squares, over time and what was metered.
func (r *reading) seeps(s *span) bool {
	m := r.marks[s.a : s.b+1]
	long := float64(s.To - s.From)
	// 0.8 of the time is between a tenth and nine tenths of an even fall.
	if s.To-s.From < leakFor || float64(s.End-s.Begin) < 0.6*long {
		return false
	}
	w, mt, mm, mb := 0.0, 0.0, 0.0, 0.0
	for k := range m {
		x := 1 / m[k].uu
		w += x
		mt += float64(x * float64(m[k].at-s.From))
		mm += float64(x * (m[k].m - m[0].m))
		mb += float64(x * (m[k].b - m[0].b))
	}
	mt, mm, mb = mt/w, mm/w, mb/w
	var tt, tm, ff, tb, fb float64
	for k := range m {
		x, dt, df, db := 1/m[k].uu, float64(m[k].at-s.From)-mt, m[k].m-m[0].m-mm, m[k].b-m[0].b-mb
		tt += float64(x * dt * dt)
		tm += float64(x * dt * df)
		ff += float64(x * df * df)
		tb += float64(x * dt * db)
		fb += float64(x * df * db)
	}
	det := float64(tt*ff) - float64(tm*tm)
	if ff <= 0 || !(det > 1e-6*tt*ff) {
		return false // as much was metered at all times: the two cannot be told apart
	}
	slope := (float64(tb*ff) - float64(fb*tm)) / det
	part, u := slope*long/(m[len(m)-1].b-m[0].b), math.Sqrt(ff/det)*long/math.Abs(m[len(m)-1].b-m[0].b)
	return part >= 3*u && math.Abs(part-1) <= max(0.25, 2*u)
}
