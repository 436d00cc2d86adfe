package chart

import (
	"math"
	"slices"
	"strings"
	"testing"
)

func nile(t *testing.T) []float64 {
	t.Helper()
	_, series, _ := strings.Cut(goldenRow(t, "changepoint.single_mean").inputs, ": ")
	return numbers(t, series)
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// TestNile: annual flow 1871-1970 (Cobb 1978); the last year of the first level
// is the 28th, 1898, and the means are 1097.75 and 849.97 (the golden row).
func TestNile(t *testing.T) {
	x := nile(t)
	sigma := Noise(x)
	at, err := Breaks(x, sigma)
	if must(t, at, err); !slices.Equal(at, []int{28}) {
		t.Fatalf("breaks at %v with sigma %g, want 28", at, sigma)
	}
	near(t, "mean before", mean(x[:28]), 1097.75, 0.005)
	near(t, "mean after", mean(x[28:]), 849.972, 0.0005)
	s := sumsOf(x)
	near(t, "squares about one mean", s.cost(0, 100), 2835156.75, 0.005)
	near(t, "squares about two", s.cost(0, 28)+s.cost(28, 100), 1597457.194, 0.0005)
	c, err := Tell(x, sigma)
	must(t, c, err)
	near(t, "size", c.Size, 849.972-1097.75, 0.001)
	c.Size = 0
	if c != (Course{Way: Sudden, Sure: true, At: 28}) {
		t.Errorf("%+v, want a sudden change at 28, sure", c)
	}
}

// optimal returns the least cost of any way to cut x, by trying all of them
// one start at a time, without PELT's shortcut.
func optimal(x []float64, penalty float64) float64 {
	best := make([]float64, len(x)+1)
	best[0] = -penalty
	for b := 1; b <= len(x); b++ {
		best[b] = math.Inf(1)
		for a := range b {
			m, c := mean(x[a:b]), 0.0
			for _, v := range x[a:b] {
				c += (v - m) * (v - m)
			}
			best[b] = min(best[b], best[a]+c+penalty)
		}
	}
	return best[len(x)]
}

// TestBreaksAreTheBest: what they cost is what the best of all ways costs.
func TestBreaksAreTheBest(t *testing.T) {
	r := random(4)
	for range times(200) {
		x := make([]float64, 1+r.IntN(60))
		level := 0.0
		for i := range x {
			if r.IntN(12) == 0 {
				level = 4 * r.NormFloat64()
			}
			x[i] = 1000 + level + r.NormFloat64()
		}
		at, err := Breaks(x, 1)
		must(t, at, err)
		penalty := 2 * math.Log(float64(len(x)))
		got, from := -penalty, 0
		for _, to := range append(at, len(x)) {
			m := mean(x[from:to])
			for _, v := range x[from:to] {
				got += (v - m) * (v - m)
			}
			got, from = got+penalty, to
		}
		near(t, "cost", got, optimal(x, penalty), 1e-6)
	}
}

func TestBreaksOfFew(t *testing.T) {
	for _, x := range [][]float64{nil, {1}, {1, 1}, {2, 2, 2, 2}} {
		if at, err := Breaks(x, 1); err != nil || len(at) != 0 {
			t.Errorf("%v: breaks at %v, %v", x, at, err)
		}
		if c, err := Tell(x, 1); err != nil || c != (Course{}) {
			t.Errorf("%v: %+v, %v", x, c, err)
		}
	}
}

// TestBreaksOfNothing are few: the penalty's chance, over many rows.
func TestBreaksOfNothing(t *testing.T) {
	r, rows, found := random(12), times(300), 0
	for range rows {
		x := make([]float64, 100)
		for i := range x {
			x[i] = r.NormFloat64()
		}
		at, err := Breaks(x, 1)
		if must(t, at, err); len(at) > 0 {
			found++
		}
	}
	if share := float64(found) / float64(rows); share > 0.12 {
		t.Errorf("%.3f of steady rows have breaks", share)
	}
}

func TestSteadied(t *testing.T) {
	x := []float64{9, 0.1, 0, -0.1, 9, 9, 0.1, 0, -3.5, -3, -3.2, -2.9, 5, -3}
	want := []float64{0.1, 0.1, 0, -0.1, 9, 9, 0.1, 0, -3.5, -3, -3.2, -2.9, -3, -3}
	// The two running nines are in the middle of five of which three are none.
	want[4], want[5] = 0.1, 0.1
	if got := Steadied(x, 0.5); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got := Steadied(x[:4], 0.5); !slices.Equal(got, x[:4]) {
		t.Errorf("four values became %v", got)
	}
}

// TestNoise does not mind a step.
func TestNoise(t *testing.T) {
	r := random(2)
	x := make([]float64, 400)
	for i := range x {
		x[i] = 0.3*r.NormFloat64() + float64(i/200)*9
	}
	near(t, "noise", Noise(x), 0.3, 0.05)
	near(t, "noise of two", Noise(x[:2]), 0, 0)
}

// TestTell: clogs of both ways, over seeds, are told apart and dated. A step of
// two sigma among 80 values, and a slope to four.
func TestTell(t *testing.T) {
	r, runs := random(6), times(300)
	right := map[Way]int{}
	var wrongButSure, steady int
	off := map[Way]float64{}
	for range runs {
		for _, way := range []Way{Steady, Sudden, Gradual} {
			x := make([]float64, 80)
			at := 25 + r.IntN(25)
			for i := range x {
				x[i] = r.NormFloat64()
				if d := i - at + 1; d > 0 && way == Sudden {
					x[i] -= 2
				} else if d > 0 && way == Gradual {
					x[i] -= 4 * float64(d) / float64(80-at)
				}
			}
			c, err := Tell(x, 1)
			must(t, c, err)
			switch {
			case way == Steady && c.Way != Steady:
				steady++
			case c.Way == way && way != Steady:
				right[way]++
				off[way] += math.Abs(float64(c.At - at))
				if c.Size > 0 {
					t.Errorf("size %g of a change downwards", c.Size)
				}
			case c.Sure:
				wrongButSure++
			}
		}
	}
	f := float64(runs)
	t.Logf("steps %.3f right, off by %.2f; slopes %.3f, off by %.2f; steady ones changed %.3f; wrong but sure %.4f", float64(right[Sudden])/f,
		off[Sudden]/float64(right[Sudden]), float64(right[Gradual])/f, off[Gradual]/float64(right[Gradual]), float64(steady)/f, float64(wrongButSure)/f)
	if float64(right[Sudden]) < 0.93*f || float64(right[Gradual]) < 0.85*f {
		t.Errorf("told apart %d steps and %d slopes of %d", right[Sudden], right[Gradual], runs)
	}
	if off[Sudden]/float64(right[Sudden]) > 1.5 || off[Gradual]/float64(right[Gradual]) > 6 {
		t.Errorf("off by %v in all", off)
	}
	if float64(steady) > 0.1*f || float64(wrongButSure) > 0.02*f {
		t.Errorf("%d of %d steady rows changed; %d wrong but sure", steady, runs, wrongButSure)
	}
}
