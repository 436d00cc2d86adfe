package watch

import "math"

// base is what is believed of how all of a night's pulls are off: a level that
// wanders (a Kalman filter of one state), known at first to what a night may be
// off by.
type base struct {
	at float64 // ln flow
	v  float64 // its variance
	n  float64 // pulls that it was learnt from
}

// score returns how far a pull is from the base, in standard deviations of what
// it should be: independent from pull to pull while nothing changes.
func (b *base) score(r, scatter float64) float64 {
	return (r - b.at) / math.Sqrt(b.v+square(scatter))
}

// learn takes a pull in as far as it is likely to be one like the others, and
// not one that the hand held back or that is off for another reason: a filter
// with a probability of association (Bar-Shalom & Tse 1975; memory).
//
// hand is how far that can be.
func (b *base) learn(r, scatter, held, hand float64) {
	vv := b.v + square(scatter)
	d := r - b.at
	like := (1 - held - fastShare) * math.Exp(-d*d/vv/2) / math.Sqrt(2*math.Pi*vv)
	other := fastShare / fastWidth // off for a reason of its own
	if d < 0 && d > -hand-3*scatter {
		other = max(other, held/hand)
	}
	p := like / (like + other)
	k := b.v / vv
	b.at += p * k * d
	b.v += -p*k*b.v + square(k*d)*p*(1-p)
	b.n += p
}

// takenFor tells whether a pull is more likely held back than one like the
// others.
func (b *base) takenFor(r, scatter, held, hand float64) bool {
	vv := b.v + square(scatter)
	d := r - b.at
	return d < 0 && (1-held)*math.Exp(-d*d/vv/2)/math.Sqrt(2*math.Pi*vv) < held/hand
}

// whole tells whether next to no pull was like what was believed: what is off
// has been so since the night began.
func (b *base) whole() bool { return b.n < 0.5 }
