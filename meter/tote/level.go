// Package tote steadies the level sensor's readings, and tells when one counts:
// the rig stands, has stood for a while, and the surface is at rest.
package tote

import (
	"math"
	"sort"
)

const (
	// Window is how many slots of readings are kept: 20 s of them and more,
	// some sixteen of the surface's slow swings (a tote's first mode is at 0.7
	// to 0.9 Hz).
	Window = 24
	// slot is the least spacing of slots, ns. A sensor of 1 Hz or less fills
	// one a reading; of a faster one, a slot is the median of burst readings.
	slot  = int64(900_000_000)
	burst = 5
	// MaxAge is how far back a reading counts, ns.
	MaxAge = int64(60_000_000_000)
	// Span is how long readings must go on for a level that counts, ns.
	Span = int64(20_000_000_000)
	// Still is how long the rig must have stood for a level that counts, ns,
	// where Rule does not say.
	Still = int64(30_000_000_000)
	// enough is the least number of slots for a level that counts.
	enough = 5
	// begins is how many of the newest slots stray alike where the level begins to change.
	begins = 2
)

// Level is the newest readings of a level sensor. It is a value, a copy is
// independent of it. Readings may be of any unit.
type Level struct {
	Values [Window]float64 // medians of slots
	Ats    [Window]int64   // newest instants of slots
	N      int             // slots so far; the newest is still open
	Open   [burst]float64  // readings of the newest slot, rising
	OpenN  int
	OpenAt int64 // its first instant
}

// Add takes in a reading, in order of at. What is no number is left out.
func (l *Level) Add(at int64, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	if l.N == 0 || at < l.OpenAt || at-l.OpenAt >= slot {
		l.N++
		l.OpenN, l.OpenAt = 0, at
	}
	i := (l.N - 1) % Window
	l.Ats[i] = at
	if l.OpenN == burst {
		return
	}
	j := l.OpenN
	for ; j > 0 && l.Open[j-1] > v; j-- {
		l.Open[j] = l.Open[j-1]
	}
	l.Open[j] = v
	l.OpenN++
	l.Values[i] = middle(l.Open[:l.OpenN])
}

// middle returns the median of sorted values.
func middle(v []float64) float64 {
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return v[n/2-1]/2 + v[n/2]/2
}

// Last returns the instant of the newest reading, 0 for none.
func (l *Level) Last() int64 {
	if l.N == 0 {
		return 0
	}
	return l.Ats[(l.N-1)%Window]
}

// Median returns the median of the readings not older than MaxAge before the
// newest, and whether there is any.
func (l *Level) Median() (float64, bool) {
	var buf, ats [Window]float64
	v := l.since(l.Last()-MaxAge, &buf, &ats)
	if len(v) == 0 {
		return 0, false
	}
	sort.Float64s(v)
	return middle(v), true
}

// since fills values and their times (s, before the newest) with the slots
// from an instant on, oldest first.
func (l *Level) since(from int64, values, ats *[Window]float64) []float64 {
	last, n := l.Last(), 0
	for k := max(0, l.N-Window); k < l.N; k++ {
		i := k % Window
		if l.Ats[i] >= from && l.Ats[i] <= last {
			values[n], ats[n] = l.Values[i], float64(l.Ats[i]-last)/1e9
			n++
		}
	}
	return values[:n]
}

// Why says why a level does not count.
type Why uint8

// The reasons.
const (
	Counts      Why = iota // it counts
	NoReading              // there is none yet
	Silent                 // none for MaxAge
	Moving                 // the rig moves
	JustStopped            // it has not stood for long enough
	TooFew                 // not read for long enough since
	Restless               // the surface is not at rest
	Changing               // the level goes up or down
)

// String says it for people, "" for Counts.
func (w Why) String() string {
	return [...]string{"", "no level reading yet", "no level reading for a minute", "the rig is moving", "the rig has just stopped",
		"the level has not been read for long enough", "the surface is not at rest", "the tote is being drawn from or filled"}[min(w, Changing)]
}

// Rule says what is demanded of a level. The zero Rule is that of a level in m.
type Rule struct {
	Still int64   // how long the rig must have stood, ns; 0: Still
	Swing float64 // largest standard deviation of readings at rest, in their unit; 0: 0.003
	Drift float64 // largest change over the readings used, in their unit; 0: twice Swing
}

// Settled is a level and whether it counts.
type Settled struct {
	Why    Why
	At     int64   // newest reading used
	Value  float64 // mean of the readings without strays; the plain median where Why is Moving, Silent or JustStopped
	U      float64 // standard uncertainty of Value by the readings' own spread; 0 where there is none to judge by
	Spread float64 // standard deviation of the readings about a straight line in time
	Slope  float64 // of that line, 1/s
	Used   int     // slots used
}

// OK tells whether the level counts.
func (s Settled) OK() bool { return s.Why == Counts }

// Settle returns the level at an instant, under what is known of the rig's
// standing. It costs some µs: it is for samples and samples' like, not for
// every reading. Without such knowledge the surface alone is judged.
func (l *Level) Settle(at int64, stand Stand, r Rule) Settled {
	if r.Still <= 0 {
		r.Still = Still
	}
	if !(r.Swing > 0) {
		r.Swing = 0.003
	}
	if !(r.Drift > 0) {
		r.Drift = 2 * r.Swing
	}
	last := l.Last()
	if l.N == 0 {
		return Settled{Why: NoReading}
	}
	s := Settled{At: last}
	s.Value, _ = l.Median()
	from := last - MaxAge
	if stand.Known {
		from = max(from, stand.Since+max(0, r.Still-Span))
	}
	switch {
	case at-last > MaxAge:
		s.Why = Silent
		return s
	case stand.Known && stand.Moving:
		s.Why = Moving
		return s
	case stand.Known && last-stand.Since < r.Still:
		s.Why = JustStopped
		return s
	}
	var values, ats, buf [Window]float64
	v := l.since(from, &values, &ats)
	if len(v) < enough || -ats[0] < float64(Span-slot)/1e9 {
		s.Why = TooFew
		if len(v) > 0 {
			n := copy(buf[:], v)
			sort.Float64s(buf[:n])
			s.Value = middle(buf[:n])
		}
		return s
	}
	s.judge(v, ats[:len(v)], &buf, r)
	return s
}

// judge works out the mean of values without strays, and its spread.
func (s *Settled) judge(v, ats []float64, buf *[Window]float64, r Rule) {
	// Strays are what is farther from the median than 3.5 robust standard
	// deviations (1.4826 times the median distance), but never what is within Swing.
	b := buf[:copy(buf[:], v)]
	sort.Float64s(b)
	med := middle(b)
	for i, x := range v {
		b[i] = math.Abs(x - med)
	}
	sort.Float64s(b)
	limit := max(r.Swing, 3.5*1.4826*middle(b))
	var n, sv, st float64
	for i, x := range v {
		if math.Abs(x-med) <= limit {
			n++
			sv += x - med
			st += ats[i]
		}
	}
	// What strays last of all may be a change that has begun.
	begun := len(v) >= begins
	for _, x := range v[max(0, len(v)-begins):] {
		begun = begun && math.Abs(x-med) > limit && (x > med) == (v[len(v)-1] > med)
	}
	mean, mt := sv/n, st/n
	var tt, tv, vv float64
	first := math.Inf(1)
	for i, x := range v {
		if math.Abs(x-med) <= limit {
			dt, dv := ats[i]-mt, x-med-mean
			tt += float64(dt * dt)
			tv += float64(dt * dv)
			vv += float64(dv * dv)
			first = min(first, ats[i])
		}
	}
	if tt > 0 {
		s.Slope = tv / tt
	}
	s.Value, s.Used = med+mean, int(n)
	s.Spread = math.Sqrt(max(0, vv-float64(s.Slope*tv)) / max(1, n-2))
	// Readings that follow each other ride the same swing: half of them count
	// as independent. The mean is that of the middle of the time: the level of
	// now may be half the change away, any way between (GUM 4.3.7).
	change := math.Abs(s.Slope * first)
	s.U = math.Sqrt(2*s.Spread*s.Spread/n + change*change/12)
	switch {
	case s.Spread > r.Swing || s.Used < enough || 3*s.Used < 2*len(v):
		s.Why = Restless
	case change > r.Drift || begun:
		s.Why = Changing
	}
}
