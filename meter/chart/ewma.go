package chart

import "math"

// Ewma is a chart of the exponentially weighted moving average with the exact
// limits, which widen from the first step on (NIST/SEMATECH e-Handbook 6.3.2.4
// has those of many steps).
type Ewma struct {
	Share float64 // lambda: the newest value's share of the mean
	Width float64 // L: standard deviations of the mean at which it signals
	Mean  float64
	Fade  float64 // (1 - lambda)^(2 steps): what is missing of the many steps' variance
}

// settled is the Fade that makes no difference any more.
const settled = 1e-18

// NewEwma returns a chart at its start. share is above 0 and at most 1.
func NewEwma(share, width float64) (Ewma, error) {
	e := Ewma{Share: share, Width: width}
	e.Restart()
	if err := between("ewma share", share, 0, 1); err != nil {
		return e, err
	}
	return e, between("ewma width", width, 0, far)
}

// Restart begins anew.
func (e *Ewma) Restart() { e.Mean, e.Fade = 0, 1 }

// Step takes a value and returns the side of the signal, if there is one.
// taken is false for a value that is not finite; then nothing changes.
func (e *Ewma) Step(z float64) (s Side, taken bool) {
	z, taken = take(z)
	if taken {
		e.Mean += e.Share * (z - e.Mean)
		e.Fade *= (1 - e.Share) * (1 - e.Share)
		if e.Fade < settled {
			e.Fade = 0
		}
	}
	return e.Side(), taken
}

// Side returns the side of the mean beyond the limits.
func (e *Ewma) Side() Side { return side(e.Mean, e.Limit()) }

// Limit returns how far from 0 the mean is a signal, at this step.
func (e *Ewma) Limit() float64 {
	return e.Width * math.Sqrt(e.Share/(2-e.Share)*(1-e.Fade))
}
