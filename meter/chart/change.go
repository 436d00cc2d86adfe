package chart

import (
	"fmt"
	"math"
	"slices"
)

// Noise returns the standard deviation of values about their level, whatever
// shifts of it are among them: of the differences of neighbours, by their
// median (1.4826/√2). 0 for fewer than three. Values that hang together look
// quieter than they are.
func Noise(x []float64) float64 {
	if len(x) < 3 {
		return 0
	}
	d := make([]float64, len(x)-1)
	for i := range d {
		d[i] = math.Abs(x[i+1] - x[i])
	}
	slices.Sort(d)
	return madNormal / math.Sqrt2 * median(d)
}

// Steadied returns the values with each that is farther than three sigma from
// the median of itself and two neighbours on either side put onto that median:
// one or two wrong pulls are no shift, and a step stays where it is. The two at
// either end are held against the first or last five.
func Steadied(x []float64, sigma float64) []float64 {
	out := slices.Clone(x)
	if len(x) < 5 {
		return out
	}
	for i, v := range x {
		from := max(0, min(len(x)-5, i-2))
		five := [5]float64(x[from : from+5])
		slices.Sort(five[:])
		if m := median(five[:]); math.Abs(v-m) > 3*sigma {
			out[i] = m
		}
	}
	return out
}

// sums are running sums of values about their first, and of their squares, so
// that the cost of any part is told at once.
type sums struct{ x, xx []float64 }

func sumsOf(x []float64) sums {
	s := sums{make([]float64, len(x)+1), make([]float64, len(x)+1)}
	for i, v := range x {
		d := v - x[0]
		s.x[i+1], s.xx[i+1] = s.x[i]+d, s.xx[i]+float64(d*d)
	}
	return s
}

// cost returns the sum of squares of values a to b, b not among them, about
// their mean.
func (s sums) cost(a, b int) float64 {
	sum := s.x[b] - s.x[a]
	return max(0, s.xx[b]-s.xx[a]-float64(sum*sum)/float64(b-a))
}

func checkRow(x []float64, sigma float64) error {
	for i, v := range x {
		if _, ok := take(v); !ok {
			return fmt.Errorf("value %d must be finite, and is %g", i, v)
		}
	}
	return between("sigma", sigma, 0, far)
}

// Breaks returns the indexes of the values with which the level changed, least
// first: those that make the sum of squares about the levels between them, plus
// 2 sigma² ln n for each, the least (PELT, Killick, Fearnhead & Eckley 2012).
// sigma is the values' standard deviation about their level. A value that is
// not finite is an error.
func Breaks(x []float64, sigma float64) ([]int, error) {
	if err := checkRow(x, sigma); err != nil || len(x) == 0 {
		return nil, err
	}
	s := sumsOf(x)
	penalty := 2 * sigma * sigma * math.Log(float64(len(x)))
	best, last := make([]float64, len(x)+1), make([]int, len(x)+1)
	best[0] = -penalty
	starts := []int{0}
	for t := 1; t <= len(x); t++ {
		best[t] = math.Inf(1)
		for _, a := range starts {
			if c := best[a] + s.cost(a, t) + penalty; c < best[t] {
				best[t], last[t] = c, a
			}
		}
		// A start that is already dearer than the best way to t can never be better.
		starts = slices.DeleteFunc(starts, func(a int) bool { return best[a]+s.cost(a, t) > best[t] })
		starts = append(starts, t)
	}
	var out []int
	for t := last[len(x)]; t > 0; t = last[t] {
		out = append(out, t)
	}
	slices.Reverse(out)
	return out, nil
}

// Way is how a row of values went.
type Way uint8

// The ways.
const (
	Steady  Way = iota
	Sudden      // another level from one value to the next
	Gradual     // further away with each value
)

// String says it for people.
func (w Way) String() string {
	return [...]string{"steady", "sudden", "gradual"}[min(w, Gradual)]
}

// Course is how a row of values went, with one change at most.
type Course struct {
	Way  Way
	Sure bool // the way of a change is: the other would be 20 times less likely
	At   int  // index of the first value that is off
	Size float64
}

// apart is twice the log of 20: by how much two sums of squares, in sigma², are
// from each other when one is 20 times as likely (normal values).
var apart = 2 * math.Log(20)

// Tell fits to a row of values one level, a step from one level to another, and
// a level that from some value on goes up or down evenly, and returns the best,
// by least squares; a change must be worth 2 sigma² ln n, as for Breaks. sigma
// is the values' standard deviation about their course. Size is what a step was
// by, and how far a slope has come at the last value; as the values, signed. A
// value that is not finite is an error.
func Tell(x []float64, sigma float64) (Course, error) {
	if err := checkRow(x, sigma); err != nil || len(x) < 3 {
		return Course{}, err
	}
	s, n := sumsOf(x), len(x)
	level := s.cost(0, n)
	step, slope := level, level
	var sudden, gradual Course
	for a := 1; a < n; a++ {
		if c := s.cost(0, a) + s.cost(a, n); c < step {
			step = c
			sudden = Course{Way: Sudden, At: a, Size: (s.x[n]-s.x[a])/float64(n-a) - s.x[a]/float64(a)}
		}
	}
	// A slope of two values or three is a step.
	ramp := 0.0 // Σ (i-a+1) (x_i - x_0) over i >= a
	for a := n - 1; a >= 1; a-- {
		ramp += s.x[n] - s.x[a]
		m := float64(n - a)
		sum, squares := m*(m+1)/2, m*(m+1)*(2*m+1)/6
		sxy, sxx := ramp-sum*s.x[n]/float64(n), squares-sum*sum/float64(n)
		if c := level - sxy*sxy/sxx; m > 3 && c < slope {
			slope, gradual = c, Course{Way: Gradual, At: a, Size: sxy / sxx * m}
		}
	}
	best, other := sudden, slope-step
	if slope < step {
		best, other = gradual, step-slope
	}
	if level-min(step, slope) <= 2*sigma*sigma*math.Log(float64(n)) {
		return Course{}, nil
	}
	best.Sure = other > apart*sigma*sigma
	return best, nil
}
