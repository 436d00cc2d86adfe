package chart

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// simulated returns the mean length of runs and its standard error; a run is
// what begin returns, until it says so.
func simulated(runs int, seed uint64, shift float64, begin func() func(z float64) bool) (mean, se float64) {
	r := random(seed)
	var sum, squares float64
	for range runs {
		over, n := begin(), 1.0
		for !over(r.NormFloat64() + shift) {
			n++
		}
		sum, squares = sum+n, squares+n*n
	}
	mean = sum / float64(runs)
	return mean, math.Sqrt((squares/float64(runs) - mean*mean) / float64(runs))
}

// TestRunLengthsOfTheChartsThemselves holds what the equations say against the
// charts, by simulation.
func TestRunLengthsOfTheChartsThemselves(t *testing.T) {
	for i, c := range []struct {
		name  string
		shift float64
		want  float64
		begin func() func(float64) bool
	}{
		{"cusum", 0, CusumARL(0.5, 3, 0, 0), cusumRun(t, 0.5, 3, 0)},
		{"cusum, shifted", -0.8, CusumARL(0.5, 3, 0, -0.8), cusumRun(t, 0.5, 3, 0)},
		{"cusum with a head start", 0, CusumARL(0.4, 3, 0.5, 0), cusumRun(t, 0.4, 3, 0.5)},
		{"cusum with a head start, shifted", 1, CusumARL(0.4, 3, 0.5, 1), cusumRun(t, 0.4, 3, 0.5)},
		{"ewma", 0, EwmaARL(0.15, 2.2, 0), ewmaRun(t, 0.15, 2.2)},
		{"ewma, shifted", 0.7, EwmaARL(0.15, 2.2, 0.7), ewmaRun(t, 0.15, 2.2)},
		{"ewma, far shifted", 2, EwmaARL(0.05, 3, 2), ewmaRun(t, 0.05, 3)},
		{"points", 0, PointsARL(2.8, 1.7, 0), pointsRun(t, 2.8, 1.7)},
		{"points, shifted", -1, PointsARL(2.8, 1.7, -1), pointsRun(t, 2.8, 1.7)},
		{"one point", 0, PointsARL(2.4, 0, 0), pointsRun(t, 2.4, 0)},
		{"latch, over", 0, LatchARL(0.5, 4, 0), latchRun(t, 0.5, 4)},
		{"latch, by mistake", 0.9, LatchARL(0.5, 2, 0.9), latchRun(t, 0.5, 2)},
	} {
		got, se := simulated(times(3000), uint64(i), c.shift, c.begin)
		near(t, c.name, got, c.want, 4*se)
		if se > 0.03*c.want {
			t.Errorf("%s: standard error %g is too large to tell", c.name, se)
		}
	}
}

func cusumRun(t *testing.T, slack, limit, head float64) func() func(float64) bool {
	return func() func(float64) bool {
		c := mustCusum(t, slack, limit, head)
		return func(z float64) bool { s, _ := c.Step(z); return s != Within }
	}
}

func ewmaRun(t *testing.T, share, width float64) func() func(float64) bool {
	return func() func(float64) bool {
		e, err := NewEwma(share, width)
		must(t, e, err)
		return func(z float64) bool { s, _ := e.Step(z); return s != Within }
	}
}

func pointsRun(t *testing.T, limit, warn float64) func() func(float64) bool {
	return func() func(float64) bool {
		p, err := NewPoints(limit, warn)
		must(t, p, err)
		return func(z float64) bool { s, _ := p.Step(z); return s != Within }
	}
}

func latchRun(t *testing.T, slack, limit float64) func() func(float64) bool {
	return func() func(float64) bool {
		l, err := NewLatch(slack, limit)
		must(t, l, err)
		l.Step(9, Above)
		return func(z float64) bool { s, _ := l.Step(z, Above); return s == Within }
	}
}

// TestPublishedPoints: Champ & Woodall 1987, rules 1 and 2 (memory).
func TestPublishedPoints(t *testing.T) {
	near(t, "one beyond 3", PointsARL(3, 0, 0), 370.40, 0.0051)
	near(t, "one beyond 3, shifted", PointsARL(3, 0, 1), 43.89, 0.0051)
	near(t, "and two of three beyond 2", PointsARL(3, 2, 0), 225.44, 0.0051)
	near(t, "and two of three beyond 2, shifted", PointsARL(3, 2, 1), 20.01, 0.0051)
}

// TestLimits: a limit that was found has the wished run length, and is the
// published one where there is one (reference E; Lucas & Saccucci 1990 in the
// golden list).
func TestLimits(t *testing.T) {
	h, err := CusumLimit(0.5, 0, 465.444) // golden list: h = 5
	near(t, "cusum limit", must(t, h, err), 5, 1e-4)
	h, err = CusumLimit(0.25, 0.5, 1000)
	near(t, "run length with a head start", CusumARL(0.25, must(t, h, err), 0.5, 0), 1000, 0.01)
	w, err := EwmaWidth(0.2, 500)
	near(t, "run length of an ewma", EwmaARL(0.2, must(t, w, err), 0), 500, 0.01)
	near(t, "ewma's width", w, 2.962, 0.005) // that of fixed limits; exact ones need a little more
	limit, warn, err := PointsLimit(400)
	must(t, limit, err)
	near(t, "run length of points", PointsARL(limit, warn, 0), 400, 0.01)
	near(t, "either rule", PointsARL(limit, 0, 0)/PointsARL(40, warn, 0), 1, 1e-4)
	l, err := Design(0.5, 0.2, 600)
	must(t, l, err)
	near(t, "length of an alarm about a shift of twice the slack", LatchARL(l.Slack, l.Back, 1), lasting, 0.01)
	near(t, "each of three", CusumARL(l.Slack, l.Sum, 0, 0), Each(3, 600), 0.05)
	h, err = CusumLimitOn(0.5, 200, 50, true)
	near(t, "rate on a baseline", CusumRate(0.5, must(t, h, err), 50, true), 1./200, 1e-7)
	if known, _ := CusumLimit(0.5, 0, 200); h < known+0.5 {
		t.Errorf("limit %g on a baseline of 50, and %g on one that is known", h, known)
	}
}

func TestEach(t *testing.T) {
	near(t, "one chart", Each(1, 370), 370, 1e-9)
	each := Each(3, 100)
	near(t, "quiet of three", math.Pow(1-1/each, 3), 0.99, 1e-12)
}

// TestCusumRate holds the rate on a baseline against what is simulated: chance
// makes the baseline, and the chart's own equation says the rest.
func TestCusumRate(t *testing.T) {
	const n, k, h = 30, 0.5, 4
	r, runs := random(3), times(400)
	var sum, squares float64
	for range runs {
		s := Scale{Floor: 1e-9, Biweight: true}
		for range n {
			s.Add(r.NormFloat64())
		}
		spread := s.Spread * math.Sqrt(1+biweights.middle/n)
		rate := 1 / CusumARL(k*spread, h*spread, 0, s.Middle)
		sum, squares = sum+rate, squares+rate*rate
	}
	mean := sum / float64(runs)
	se := math.Sqrt((squares/float64(runs) - mean*mean) / float64(runs))
	near(t, "rate", CusumRate(k, h, n, true), mean, 4*se+0.05*mean)
	if known := 1 / CusumARL(k, h, 0, 0); mean < 1.5*known {
		t.Errorf("rate %g on 30 values, %g when known: the baseline must matter", mean, known)
	}
}

// TestNormalOf against Student's distribution itself.
func TestNormalOf(t *testing.T) {
	worst := 0.0
	for _, dof := range []float64{7, 10, 16, 40, 200} {
		for x := -8.0; x <= 8; x += 0.25 {
			want := distuv.UnitNormal.Quantile(distuv.StudentsT{Sigma: 1, Nu: dof}.CDF(-math.Abs(x)))
			worst = max(worst, math.Abs(normalOf(-math.Abs(x), dof)-want))
			near(t, "odd", normalOf(-x, dof), -normalOf(x, dof), 0)
		}
	}
	if worst > 0.03 {
		t.Errorf("off by %g, want 0.03 at most", worst)
	}
}
