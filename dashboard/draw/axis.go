package draw

import (
	"math"
	"strconv"
	"time"
)

// scale is an axis with its range.
type scale struct {
	Axis
	lo, hi float64 // of what is drawn: logarithms on a Log axis
}

// at is where a value stands on the axis: 0 at its beginning, 1 at its end.
func (s *scale) at(v float64) float64 {
	if s.Log {
		v = math.Log10(v)
	}
	return (v - s.lo) / (s.hi - s.lo)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// reach is the range of values that were seen.
type reach struct{ lo, hi float64 }

func (r *reach) add(v float64, log bool) {
	if log && v <= 0 {
		v = math.NaN()
	}
	if finite(v) {
		r.lo, r.hi = min(r.lo, v), max(r.hi, v)
	}
}

// scales returns the axes of what there is; false: there is nothing to draw.
func (c *Chart) scales() (x, y scale, ok bool) {
	none := reach{math.Inf(1), math.Inf(-1)}
	rx, ry := none, none
	for i := range c.Series {
		s := &c.Series[i]
		if s.Kind == Rule {
			continue
		}
		for k := range s.len() {
			vx, vs := s.X[k], []float64(nil)
			if s.Kind == Band || s.Kind == Whiskers {
				vs = []float64{s.Lo[k], s.Hi[k]}
			} else {
				vs = []float64{s.Y[k]}
			}
			if !finite(vx) || c.X.Log && vx <= 0 {
				continue
			}
			for _, v := range vs {
				if finite(v) && !(c.Y.Log && v <= 0) {
					rx.add(vx, c.X.Log)
					ry.add(v, c.Y.Log)
				}
			}
		}
	}
	if rx.lo > rx.hi || ry.lo > ry.hi {
		return x, y, false
	}
	for i := range c.Series { // rules make room for themselves
		if s := &c.Series[i]; s.Kind == Rule {
			for _, v := range s.X {
				rx.add(v, c.X.Log)
			}
			for _, v := range s.Y {
				if len(s.X) == 0 {
					ry.add(v, c.Y.Log)
				}
			}
		}
	}
	return c.X.scale(rx, 0), c.Y.scale(ry, 0.06), true
}

// scale is the axis over a range, with some room at both ends.
func (a Axis) scale(r reach, room float64) scale {
	s := scale{Axis: a, lo: r.lo, hi: r.hi}
	if a.Zone != nil {
		s.Log = false
	}
	given := a.Max > a.Min && finite(a.Min) && finite(a.Max) && !(s.Log && a.Min <= 0)
	if given {
		s.lo, s.hi = a.Min, a.Max
	}
	if s.Log {
		s.lo, s.hi = math.Log10(s.lo), math.Log10(s.hi)
	}
	if given {
		return s
	}
	zero := false
	if d := s.hi - s.lo; d <= 1e-12*max(math.Abs(s.lo), math.Abs(s.hi)) || !(d > 0) {
		switch {
		case a.Zone != nil:
			s.lo, s.hi = s.lo-1800, s.hi+1800
		case s.Log:
			s.lo, s.hi = s.lo-0.3, s.hi+0.3
		default:
			half := 0.05 * math.Abs(s.lo)
			if half == 0 {
				half = 1
			}
			s.lo, s.hi = s.lo-half, s.hi+half
		}
	} else if room > 0 {
		if zero = !s.Log && s.lo >= 0 && s.lo < 0.4*s.hi; zero {
			s.lo = 0
		}
		more := room * (s.hi - s.lo)
		if s.hi += more; !zero {
			s.lo -= more
		}
	}
	return s
}

// ticks are the values that are written: as many as fit, most at most, none
// outside the range.
func (s *scale) ticks(most int, fits func([]Tick) bool) []Tick {
	if s.Ticks != nil {
		var out []Tick
		for _, t := range s.Ticks {
			if at := s.at(t.At); at >= -1e-9 && at <= 1+1e-9 {
				out = append(out, t)
			}
		}
		return out
	}
	var last []Tick
	for i := 0; ; i++ {
		ts, more := s.tried(i, most)
		if ts != nil && len(ts) <= most && fits(ts) {
			if len(ts) == 0 {
				return last
			}
			return ts
		}
		if len(ts) > 0 {
			last = ts[:1]
		}
		if !more {
			return last
		}
	}
}

// tried returns the ticks at the i-th step, the finest first, and whether there
// is a coarser one.
func (s *scale) tried(i, most int) (ts []Tick, more bool) {
	switch {
	case s.Zone != nil:
		return timeTicks(s.lo, s.hi, s.Zone, i, most)
	case s.Log:
		if s.hi-s.lo >= 1 {
			return logTicks(s.lo, s.hi, i)
		}
		lo, hi := math.Pow(10, s.lo), math.Pow(10, s.hi)
		return linearTicks(lo, hi, i, most)
	}
	return linearTicks(s.lo, s.hi, i, most)
}

// linearTicks are multiples of the i-th step of 1, 2, 5, 10 … that gives about
// most or fewer.
func linearTicks(lo, hi float64, i, most int) ([]Tick, bool) {
	first := math.Floor(math.Log10((hi - lo) / float64(most)))
	step := math.Pow(10, first+float64(i/3))
	decimals := int(max(0, -(first + float64(i/3))))
	step *= [...]float64{1, 2, 5}[i%3]
	if step > 2*(hi-lo) {
		return []Tick{}, false
	}
	var out []Tick
	from := math.Ceil(lo/step - 1e-9)
	for k := from; k*step <= hi+1e-9*step && len(out) <= 3*most; k++ {
		v := k * step
		if math.Abs(v) < step/2 {
			v = 0
		}
		out = append(out, Tick{v, strconv.FormatFloat(v, 'f', min(decimals, 12), 64)})
		if k+1 == k {
			break // so far from 0 that steps cannot be told apart
		}
	}
	return out, true
}

// logTicks are 1, 2, 5 of each power of ten, then 1 and 3, then 1 of each, of
// every second, and so on.
func logTicks(lo, hi float64, i int) ([]Tick, bool) {
	of, every := []float64{1}, 1
	switch i {
	case 0:
		of = []float64{1, 2, 5}
	case 1:
		of = []float64{1, 3}
	default:
		every = i - 1
	}
	var out []Tick
	for e := int(math.Floor(lo)); e <= int(math.Ceil(hi)); e++ {
		if e%every != 0 {
			continue
		}
		for _, m := range of {
			v := m * math.Pow(10, float64(e))
			if at := math.Log10(v); at >= lo-1e-9 && at <= hi+1e-9 {
				out = append(out, Tick{v, strconv.FormatFloat(v, 'g', -1, 64)})
			}
		}
	}
	return out, float64(every) <= hi-lo+2
}

// timeSteps are steps of time that people count by: seconds below a day, then
// days, then months.
var timeSteps = []struct{ seconds, days, months int }{
	{1, 0, 0}, {2, 0, 0}, {5, 0, 0}, {10, 0, 0}, {15, 0, 0}, {30, 0, 0},
	{60, 0, 0}, {120, 0, 0}, {300, 0, 0}, {600, 0, 0}, {900, 0, 0}, {1800, 0, 0},
	{3600, 0, 0}, {2 * 3600, 0, 0}, {3 * 3600, 0, 0}, {6 * 3600, 0, 0}, {12 * 3600, 0, 0},
	{0, 1, 0}, {0, 2, 0}, {0, 7, 0}, {0, 14, 0},
	{0, 0, 1}, {0, 0, 2}, {0, 0, 3}, {0, 0, 6}, {0, 0, 12}, {0, 0, 24}, {0, 0, 60}, {0, 0, 120}, {0, 0, 600},
}

// timeTicks are the whole local times of the i-th step, in Unix seconds.
func timeTicks(lo, hi float64, zone *time.Location, i, most int) ([]Tick, bool) {
	s := timeSteps[i]
	more := i+1 < len(timeSteps)
	long := float64(s.seconds) + 86400*(float64(s.days)+30*float64(s.months))
	if (hi-lo)/long > 2*float64(most) && more || math.Abs(lo) > 1e11 || math.Abs(hi) > 1e11 {
		return nil, more && math.Abs(lo) <= 1e11 && math.Abs(hi) <= 1e11
	}
	from := time.Unix(int64(math.Ceil(lo)), 0).In(zone)
	out := []Tick{}
	add := func(t time.Time, text string) { out = append(out, Tick{float64(t.Unix()), text}) }
	y, m, d := from.Date()
	switch {
	case s.seconds > 0:
		layout := "15:04"
		if s.seconds < 60 {
			layout = "15:04:05"
		}
		// A step from one whole local time to the next may land beside one where
		// the clock is put forward or back between them; the step after it is whole again.
		for t := from; float64(t.Unix()) <= hi && len(out) <= 2*most; {
			h, mi, se := t.Clock()
			over := (h*3600 + mi*60 + se) % s.seconds
			if over == 0 {
				text := t.Format(layout)
				if h == 0 && mi == 0 && se == 0 {
					text = t.Format("2 Jan")
				}
				add(t, text)
			}
			t = t.Add(time.Duration(s.seconds-over) * time.Second)
		}
	case s.days > 0:
		for k := 0; len(out) <= 2*most; k++ {
			t := time.Date(y, m, d+k, 0, 0, 0, 0, zone)
			if float64(t.Unix()) > hi {
				break
			}
			day := int(math.Floor(float64(time.Date(y, m, d+k, 0, 0, 0, 0, time.UTC).Unix())/86400)) + 3 // 0: a Monday
			if float64(t.Unix()) >= lo && day%s.days == 0 {
				add(t, t.Format("2 Jan"))
			}
		}
	default:
		for k := 0; len(out) <= 2*most; k++ {
			t := time.Date(y, m+time.Month(k), 1, 0, 0, 0, 0, zone)
			if float64(t.Unix()) > hi {
				break
			}
			if months := t.Year()*12 + int(t.Month()) - 1; float64(t.Unix()) < lo || months%s.months != 0 {
				continue
			}
			text := t.Format("Jan")
			if s.months >= 12 || t.Month() == time.January {
				text = t.Format("2006")
			}
			add(t, text)
		}
	}
	return out, more
}
