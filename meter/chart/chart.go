// Package chart tells whether a row of numbers is still about what it was:
// control charts whose run lengths are known.
//
// A chart is a plain value: a copy is independent, and what is saved and read
// back goes on as if nothing had been. It takes standardised values, one a
// step: 0 on the average, standard deviation 1, independent and normal as long
// as nothing changed. Scale makes such values of residuals. Values that are
// not finite are not taken, and that is said.
//
//   - Cusum adds up small shifts, and says since when and by how much.
//   - Ewma smooths, and sees slow drifts.
//   - Points sees what is far off at once.
//   - Latch holds an alarm until it is over, so that it does not chatter.
//   - Panel puts them together.
//   - Breaks and Tell look back over a row: since when, suddenly or gradually.
//
// A chart's average run length (ARL) is how many steps it takes on the average
// until it signals: long wanted while nothing is wrong, short when something is.
// The functions that end in ARL solve the integral equation of it; Design finds
// the limits for a wished run length of all charts together, and CusumRate what
// a baseline that is itself uncertain costs.
//
// Run lengths are of independent values. Residuals that hang together, as those
// of one yard may, signal oftener: what they share is to be in the expected
// value, or in the scale.
package chart

import (
	"fmt"
	"math"
)

// Side is where a value is, or has been shown to be.
type Side int8

// The sides.
const (
	Below  Side = -1
	Within Side = 0
	Above  Side = 1
)

// String says it for people.
func (s Side) String() string {
	switch {
	case s < 0:
		return "below"
	case s > 0:
		return "above"
	}
	return "within"
}

// far is the farthest that a value counts as, so that no sum runs over.
const far = 1e9

// take returns a value as charts take it, or says that it is none.
func take(z float64) (float64, bool) {
	return max(-far, min(far, z)), !math.IsNaN(z) && !math.IsInf(z, 0)
}

// between errs unless lo < v <= hi.
func between(field string, v, lo, hi float64) error {
	if v > lo && v <= hi && !math.IsInf(v, 0) {
		return nil
	}
	return fmt.Errorf("%s must be above %g and at most %g, and is %g", field, lo, hi, v)
}

// side returns on which side of ±limit v is.
func side(v, limit float64) Side {
	switch {
	case v > limit:
		return Above
	case v < -limit:
		return Below
	}
	return Within
}
