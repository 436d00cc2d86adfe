package chart

import (
	"math"
	"testing"
)

// TestMannersAreWorthWhatTheySay simulates the estimates' means and variances,
// of which medians and biweights say what they are worth.
func TestMannersAreWorthWhatTheySay(t *testing.T) {
	runs := times(2000)
	for _, n := range []int{20, 40, held} {
		for _, biweight := range []bool{false, true} {
			r := random(uint64(n))
			var mm, l, ll, spread float64
			for range runs {
				s := Scale{Floor: 1e-9, Biweight: biweight, Count: n, Seen: n}
				for i := range n {
					s.Values[i] = r.NormFloat64()
				}
				s.estimate()
				v := math.Log(s.Spread)
				mm, l, ll, spread = mm+s.Middle*s.Middle, l+v, ll+v*v, spread+s.Spread
			}
			f := float64(runs)
			var s = Scale{Biweight: biweight}
			m := s.manner()
			near(t, "variance of the middle, times the count", mm/f*float64(n), m.middle, 0.16*m.middle)
			// The logarithm of a standard deviation varies by half of one in the degrees
			// of freedom.
			near(t, "degrees of freedom, a share", 1/(2*(ll/f-l/f*l/f))/float64(n-1), m.dof, 0.17*m.dof)
			near(t, "mean spread", spread/f, 1, 0.02)
		}
	}
}

// TestScaleWithstands a quarter of wrong pulls: a standard deviation would be
// some four times too large.
func TestScaleWithstands(t *testing.T) {
	for _, biweight := range []bool{false, true} {
		r := random(8)
		s := Scale{Floor: 1e-3, Biweight: biweight}
		for i := range 200 {
			x := -0.05 + 0.02*r.NormFloat64()
			if i%8 == 3 {
				x -= 0.5
			}
			s.Add(x)
		}
		near(t, "middle", s.Middle, -0.05, 0.01)
		near(t, "spread", s.Spread, 0.02, 0.005)
	}
}

func TestScaleNeedsEnough(t *testing.T) {
	s := Scale{Floor: 0.25}
	for range Least - 1 {
		s.Add(3)
	}
	if _, ok := s.Score(3); ok || s.Ready() || !math.IsInf(s.Unsure(), 1) {
		t.Errorf("ready with %d", s.Count)
	}
	s.Add(3)
	z, ok := s.Score(3)
	near(t, "score of the middle", z, 0, 0)
	near(t, "floor", s.Spread, 0.25, 0)
	near(t, "unsure", s.Unsure(), math.Sqrt(math.Pi/2/20), 1e-15) // of a median
	if !ok || !s.Ready() || s.Count != Least {
		t.Errorf("not ready with %d", s.Count)
	}
}

// TestFewAreModest: the same distance scores less on few values, and never more
// than on many.
func TestFewAreModest(t *testing.T) {
	few := Scale{Count: 20, Spread: 1, Biweight: true}
	many := Scale{Count: held, Spread: 1, Biweight: true}
	last := 0.0
	for x := 0.5; x < 10; x += 0.5 {
		a, _ := few.Score(x)
		b, _ := many.Score(x)
		if !(a < b && b < x && a > last) {
			t.Errorf("%g scores %g on 20 and %g on %d", x, a, b, held)
		}
		last = a
	}
}

// TestAllAreAsLikelyHeld: of 4096 values, each 256th is among those held about
// as often as every other.
func TestAllAreAsLikelyHeld(t *testing.T) {
	const n = 4096
	var parts [16]int
	s := Scale{Floor: 1}
	for i := range n {
		s.Add(float64(i))
	}
	for _, v := range s.Values {
		parts[int(v)*16/n]++
	}
	chi2 := 0.0
	for _, k := range parts {
		chi2 += float64((k-16)*(k-16)) / 16
	}
	if chi2 > 37.7 || s.Seen != n || s.Count != held { // 0.999 of 15 degrees of freedom (computed)
		t.Errorf("held of each sixteenth: %v, chi-squared %g", parts, chi2)
	}
}
