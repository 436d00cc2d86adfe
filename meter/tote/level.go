// Package tote steadies the level sensor's readings.
package tote

import "sort"

// Window is how many readings the level is the median of: at one a second,
// about twenty of the surface's slow swings (a tote's first mode is at 0.7 to
// 0.9 Hz).
const Window = 21

// MaxAge is how far back a reading counts, ns.
const MaxAge = int64(60_000_000_000)

// Level is a running median. It is a value.
type Level struct {
	Values [Window]float64
	Ats    [Window]int64
	N      int // readings taken in so far
}

// Add takes in a reading.
func (l *Level) Add(at int64, v float64) {
	i := l.N % Window
	l.Values[i], l.Ats[i] = v, at
	l.N++
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
	var buf [Window]float64
	last := l.Last()
	v := buf[:0]
	for i := range min(l.N, Window) {
		if last-l.Ats[i] <= MaxAge {
			v = append(v, l.Values[i])
		}
	}
	if len(v) == 0 {
		return 0, false
	}
	sort.Float64s(v)
	if len(v)%2 == 1 {
		return v[len(v)/2], true
	}
	return (v[len(v)/2-1] + v[len(v)/2]) / 2, true
}
