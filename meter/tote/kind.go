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
	swapped := large && (c.inside == 0 && s.Rate > pumpRate || c.inside < 2 && odd)
	atOnce := math.Abs(d) > float64(pumpRate)*1000*float64(b.at-a.at) // nL in ns
	way := r.way(a, b)
	switch {
	case a.tote != b.tote:
		s.Kind, s.Sure = Swap, true
	case way == 2:
		s.Kind, s.Sure = Meter, !off && b.v-a.v < float64(wide*math.Sqrt(r.heldUU(a, b)))
		s.Note = "pulses without flow, air in the meter, or as much went in as is missing: see the doubts"
	case off:
		s.Kind, s.Sure = WhileOff, true
		s.Note = "the rig was off: how and when it changed cannot be told"
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
	case s.Rate > transferRate:
		s.Kind, s.Sure = Transfer, true
	case r.steady(s.a, s.b):
		s.Kind, s.Sure = Leak, s.Rate <= seepRate
		if !s.Sure {
			s.Note = "pulls that the meter did not count would look the same"
		}
	default:
		s.Kind = Loss
		s.Note = "how fast cannot be told: a leak, or some was drawn past the meter"
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
	inside     int  // points well between before and after
	wild       bool // a point far from both
	unread     bool // the sensor was silent in between
}

func (r *reading) course(a, b *mark) course {
	d := b.b - a.b
	c := course{begin: a.at, end: b.at}
	began, ended := false, false
	lastAt, last := a.at, 0.0
	for i := a.i + 1; i <= b.i && d != 0; i++ {
		p := &r.points[i]
		if unread(p) {
			c.unread = true
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

// steady tells whether it went on over leakFor of standing without flow, with no
// one step most of it.
func (r *reading) steady(a, b int) bool {
	m := r.marks
	all, still, most, gone := m[b].b-m[a].b, int64(0), 0.0, 0.0
	for k := a + 1; k <= b; k++ {
		step := m[k].b - m[k-1].b
		most = max(most, step/all)
		if math.Abs(m[k].m-m[k-1].m) < float64(leastU) {
			still += m[k].at - m[k-1].at
			gone += step / all
		}
	}
	return still >= leakFor && gone >= 0.5 && most <= 0.6
}
