package chart

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// longest is the longest run length that limits are found for.
const longest = 1e8

// exact is how near a limit is found.
const exact = 1e-5

// Each returns the average run length that each of several charts of the same
// values needs, for all of them together to have at least arl. Once it has run
// for a while, a chart without a change signals at about the same rate at each
// step, 1/ARL (it renews itself whenever it comes back to nothing), so that
// several keep quiet with the product of their chances (Šidák 1967). Charts of
// the same values signal together, which makes alarms fewer than that, not more.
func Each(charts int, arl float64) float64 {
	return 1 / -math.Expm1(math.Log1p(-1/arl)/float64(charts))
}

// find returns the limit from lo to hi at which a run length that grows with it
// is arl: from lo in steps until it is longer, then by halves.
func find(what string, arl, lo, hi float64, length func(limit float64) float64) (float64, error) {
	if err := between("run length for "+what, arl, 1, longest); err != nil {
		return 0, err
	}
	if got := length(lo); got > arl {
		return 0, fmt.Errorf("run length for %s must be at least %.4g, and is %g", what, got, arl)
	}
	up := min(hi, lo+1)
	for got := length(up); got < arl; got = length(up) {
		if up == hi {
			return 0, fmt.Errorf("run length for %s must be at most %.4g, and is %g", what, got, arl)
		}
		lo, up = up, min(hi, up*1.4)
	}
	for up-lo > exact {
		if mid := (lo + up) / 2; length(mid) < arl {
			lo = mid
		} else {
			up = mid
		}
	}
	return (lo + up) / 2, nil
}

// CusumLimit returns the limit of a Cusum whose average run length is arl while
// nothing changes: within 1e-5, up to 60. slack is above 0.
func CusumLimit(slack, head, arl float64) (float64, error) {
	if err := between("cusum slack", slack, 0, 5); err != nil {
		return 0, err
	}
	if head != 0 {
		if err := between("cusum head start", head, 0, 1); err != nil {
			return 0, err
		}
	}
	return find("cusum", arl, 1e-3, 60, func(h float64) float64 { return CusumARL(slack, h, head, 0) })
}

// EwmaWidth returns the width of an Ewma whose average run length is arl while
// nothing changes, within 1e-5. share is at least 0.01.
func EwmaWidth(share, arl float64) (float64, error) {
	if err := between("ewma share", share, 0.01-1e-12, 1); err != nil {
		return 0, err
	}
	return find("ewma", arl, 0.1, 7, func(w float64) float64 { return EwmaARL(share, w, 0) })
}

// PointsLimit returns the limits of a Points whose average run length is arl
// while nothing changes, and of which either rule alone signals as seldom as
// the other: of one value, and of two of three.
func PointsLimit(arl float64) (limit, warn float64, err error) {
	of := func(each float64) (l, w float64, err error) {
		l = -distuv.UnitNormal.Quantile(0.5 / each)
		w, err = find("two of three", each, 0.1, l, func(w float64) float64 { return PointsARL(40, w, 0) })
		return l, w, err
	}
	if err := between("run length for points", arl, 10, longest); err != nil {
		return 0, 0, err
	}
	// Either rule needs a little less than Each says, as they go together.
	lo, hi := arl, 2.1*arl
	for hi/lo-1 > 1e-7 {
		mid := math.Sqrt(lo * hi)
		if limit, warn, err = of(mid); err != nil {
			return 0, 0, err
		}
		if PointsARL(limit, warn, 0) < arl {
			lo = mid
		} else {
			hi = mid
		}
	}
	return limit, warn, nil
}

// CusumRate returns the rate of false signals a step of a Cusum without a head
// start that stands on a baseline of so many values: the mean of 1/ARL over
// what chance made of the baseline's middle and spread. A baseline of 20
// signals many times as often as one that is known: an error of the middle is a
// lasting shift to the chart. Score's modesty is counted for the middle only,
// so the rate is a little high. It is the mean over many rigs; on one rig it
// may be several times that until the baseline has grown.
func CusumRate(slack, limit float64, count int, biweight bool) float64 {
	m := medians
	if biweight {
		m = biweights
	}
	n := float64(count)
	middle, dof := math.Sqrt(m.middle/n), m.dof*(n-1)
	const points = 15
	a, aw := make([]float64, points), make([]float64, points)
	quad.Hermite{}.FixedLocations(a, aw, math.Inf(-1), math.Inf(1))
	p, pw := make([]float64, points), make([]float64, points)
	quad.Legendre{}.FixedLocations(p, pw, 0, 1)
	// The middle is as likely too high as too low, so that the lower sum's rate
	// is the upper's on the average.
	rate := 0.0
	for j := range p {
		spread := math.Sqrt(distuv.ChiSquared{K: dof}.Quantile(p[j])/dof) * math.Sqrt(1+m.middle/n)
		for i := range a {
			off := a[i] * math.Sqrt2 * middle
			rate += 2 * pw[j] * aw[i] / math.Sqrt(math.Pi) / CusumOneARL(slack*spread, limit*spread, 0, off)
		}
	}
	return rate
}

// CusumLimitOn returns the limit of a Cusum whose rate of false signals is one
// in arl steps on a baseline of so many values, as CusumRate has it, within
// 1e-5 and up to 60.
func CusumLimitOn(slack, arl float64, count int, biweight bool) (float64, error) {
	if err := between("cusum slack", slack, 0, 5); err != nil {
		return 0, err
	}
	if count < Least {
		return 0, fmt.Errorf("baseline's count must be at least %d, and is %d", Least, count)
	}
	return find("cusum", arl, 1e-3, 60, func(h float64) float64 { return 1 / CusumRate(slack, h, count, biweight) })
}

// lasting is for how many steps an alarm about a shift of twice the slack stands,
// on the average, before it ends by mistake. A
// larger shift's stands far longer.
const lasting = 400

// Limits are those of the charts of a Panel.
type Limits struct {
	Slack, Sum   float64 // of the Cusum
	Share, Width float64 // of the Ewma
	Point, Warn  float64 // of the Points
	Back         float64 // of the Latch, with the Cusum's slack
	// Clip is what a score counts as at most, on either side; 0: as it is. Where
	// a pull now and then goes wrong for reasons of its own, 3.5 or so, which is
	// below Point: one alone is then no signal, and two of three are. A row without
	// wrong ones signals no oftener for it.
	Clip float64
}

// Design returns limits with which the charts together have an average run
// length of arl steps while nothing changes, see Each. It takes a good while (as
// long as thousands of steps): a room that has one wish writes the answer down.
func Design(slack, share, arl float64) (l Limits, err error) {
	if err := between("run length of all charts", arl, 10, longest/10); err != nil {
		return l, err
	}
	each := Each(3, arl)
	l = Limits{Slack: slack, Share: share}
	if l.Sum, err = CusumLimit(slack, 0, each); err != nil {
		return l, err
	}
	if l.Width, err = EwmaWidth(share, each); err != nil {
		return l, err
	}
	if l.Point, l.Warn, err = PointsLimit(each); err != nil {
		return l, err
	}
	l.Back, err = CusumLimit(slack, 0, lasting/2) // of both sides: half as long as one
	return l, err
}
