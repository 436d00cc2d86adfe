package proving

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/interp"

	"yardtally/calibrate/fit"
)

// A turbine's or paddle wheel's K-factor is one curve of x = f/nu, pulse rate by
// kinematic viscosity (Hz per mm²/s), but where its bearings drag (NIST node
// 426151, read). It rises with x to a plateau. What is between the points follows the points,
// by a monotone cubic; beyond them K is held at the end.
//
// How K may run where it was not proved is judged from the family
//
//	K = Kinf (1 - (x0/x)^p)
//
// whose x0 and p are known beforehand as lognormal: the linear range starts near 10 to
// 100 Hz per mm²/s (memory), which is x0 0.1 to 1 at p = 1. The family that fits the
// points best also bends the axis over which the cubic runs, so that the curve
// is nearly straight on it; and all of the family that the points allow says how
// wrong the curve can be at any x, which is the widening.
const (
	logX0, logX0SD = -1.6094379124341003, 0.8 // ln 0.2
	logPSD         = 0.25                     // about p = 1
	// What a real meter's curve may be off the family's, between points and
	// beyond, for each step by a factor of e from the next point, at most 3 of them.
	// Common practice, no source.
	offFamily = 0.001

	nearX  = 0.3 // provings nearer than this on ln x make one knot
	proven = 0.1 // and so much beyond the last one still counts as proved
)

// grid is a curve tabulated over ln x, straight in between.
const (
	gridLo, gridHi = -7.0, 9.0 // of ln x, Hz per mm²/s
	gridSteps      = 512
	gridScale      = gridSteps / (gridHi - gridLo)
)

type grid struct {
	at     [gridSteps + 1]gridRow
	toX    float64 // times rho f/mu is x
	lo, hi float64 // proved, ln x
}

type gridRow struct {
	worth float64 // by vref
	sense [maxKnots]float64
	far   float64
}

func (c *Curve) atGrid(w *Worth, f, mu, rho float64) {
	g := c.grid
	x := math.Log(g.toX * f * rho / mu)
	pos := min(max((x-gridLo)*gridScale, 0), gridSteps)
	i := min(int(pos), gridSteps-1)
	b := pos - float64(i)
	a := 1 - b
	p, q := &g.at[i], &g.at[i+1]
	v := float64(a*p.worth) + float64(b*q.worth)
	w.Volume = c.vref * v
	for j := range maxKnots {
		w.Sense[j] = float64(a*p.sense[j]) + float64(b*q.sense[j])
	}
	w.Sense[termUnknown] = float64(a*p.far) + float64(b*q.far)
	w.PerFlow = (q.worth - p.worth) * gridScale / v
	w.PerViscosity = -w.PerFlow
	switch {
	case c.single:
		w.Mark = Alone
	case x < g.lo:
		w.Mark = Low
	case x > g.hi:
		w.Mark = High
	}
}

// family returns ln(1 - (x0/x)^p), and its slope with ln x, for ln x, ln x0, ln p. Where the meter
// hardly turns, below a tenth of the plateau, it is carried on straight, to e^-3: K is no less than
// that where pulses come at all.
func family(x, x0, logP float64) (ln, slope float64) {
	p := math.Exp(logP)
	z := p * (x - x0)
	const z1 = 0.10536051565782628 // -ln 0.9
	if z >= z1 {
		e := math.Exp(-z)
		return math.Log1p(-e), p * e / (1 - e)
	}
	if ln = math.Log(0.1) + 9*(z-z1); ln < -3 {
		return -3, 0
	}
	return ln, 9 * p
}

// node is one member of the family and how probable the points make it.
type node struct {
	level, levelVar float64 // ln Kinf by the points, and its variance
	x0, logP        float64
	weight          float64
}

// on is a point on the family's axis.
type on struct {
	x, y float64 // ln x, ln K·vref
	obs  *observed
}

func (p *on) u(slope, expand float64) float64 { return p.obs.ownU(-slope, slope, slope, expand) }

// members lists the family, weighted by what the points and the knowledge
// beforehand allow, around the best, which it returns too.
func members(pts []on, u func(i int, slope float64) float64) (best node, all []node, std []float64, err error) {
	fitted := make([]float64, len(pts)) // slopes
	start := []float64{0, logX0, 0}
	for i := range pts {
		start[0] = max(start[0], pts[i].y)
	}
	var f *fit.Fit
	for range 3 { // a point's uncertainty depends on how steep the curve is there
		for i := range pts {
			_, fitted[i] = family(pts[i].x, start[1], start[2])
		}
		f, err = fit.Nonlinear(func(p, r []float64) {
			for i := range pts {
				ln, _ := family(pts[i].x, p[1], p[2])
				r[i] = (pts[i].y - p[0] - ln) / u(i, fitted[i])
			}
			n := len(pts)
			r[n], r[n+1] = (p[1]-logX0)/logX0SD, p[2]/logPSD
			r[n+2] = (p[0] - start[0]) / 3 // keeps it in sight
		}, len(pts)+3, slices.Clone(start))
		if err != nil {
			return node{}, nil, nil, err
		}
		copy(start[1:], f.Coef[1:])
	}
	best = node{level: f.Coef[0], x0: f.Coef[1], logP: f.Coef[2]}

	// The members stand on a grid along the axes of what is probable,
	// enlarged, for that need not be normal.
	const half, sds = 16, 5
	l11 := math.Sqrt(f.Cov[1][1])
	l21 := f.Cov[2][1] / l11
	l22 := math.Sqrt(max(0, f.Cov[2][2]-l21*l21))
	most := math.Inf(-1)
	for i := -half; i <= half; i++ {
		for j := -half; j <= half; j++ {
			a, b := float64(i)*sds/half, float64(j)*sds/half
			n := node{x0: best.x0 + l11*a, logP: best.logP + l21*a + l22*b}
			if n.x0 < logX0-4*logX0SD || n.x0 > logX0+4*logX0SD || math.Abs(n.logP) > 4*logPSD {
				continue
			}
			var sw, swy, swyy, logU float64
			for k := range pts {
				ln, slope := family(pts[k].x, n.x0, n.logP)
				s := u(k, slope)
				d := pts[k].y - ln - best.level
				sw, swy, swyy, logU = sw+1/(s*s), swy+d/(s*s), swyy+d*d/(s*s), logU+math.Log(s)
			}
			n.level, n.levelVar = best.level+swy/sw, 1/sw
			d0, d1 := (n.x0-logX0)/logX0SD, n.logP/logPSD
			n.weight = -(swyy-swy*swy/sw+d0*d0+d1*d1+math.Log(sw))/2 - logU
			most = max(most, n.weight)
			all = append(all, n)
		}
	}
	sum := 0.0
	for i := range all {
		all[i].weight = math.Exp(all[i].weight - most)
		sum += all[i].weight
	}
	for i := range all {
		all[i].weight /= sum
	}
	return best, all, f.Std, nil
}

// toX turns rho f/mu into Hz per mm²/s.
const toX = 1e-6

// fitTurbine finds the knots, and what is between and beyond.
func (c *Curve) fitTurbine(obs []observed, steps []step) error {
	c.shape, c.grid = shapeGrid, &grid{toX: toX}
	pts := make([]on, len(obs))
	for i := range obs {
		o := &obs[i]
		pts[i] = on{math.Log(toX * o.Rate * float64(o.Liquid.Density) / float64(o.Liquid.Viscosity)), math.Log(o.k * c.vref), o}
	}
	var best node
	var all []node
	var knots [][]int
	var at []float64
	f, e, err := c.judged(obs, func() (_ *fit.Fit, _ *errorsOf, err error) {
		var std []float64
		if best, all, std, err = members(pts, func(i int, slope float64) float64 { return pts[i].u(slope, c.expand) }); err != nil {
			return nil, nil, err
		}
		e := errorsIn(obs, steps, len(obs), func(i int) float64 {
			_, slope := family(pts[i].x, best.x0, best.logP)
			return pts[i].u(slope, c.expand)
		})
		knots, at = together(pts)
		x, y := make([][]float64, len(pts)), make([]float64, len(pts))
		for k, of := range knots {
			atKnot, _ := family(at[k], best.x0, best.logP)
			for _, i := range of {
				x[i] = make([]float64, len(knots))
				x[i][k] = 1
				ln, _ := family(pts[i].x, best.x0, best.logP)
				y[i] = pts[i].y - ln + atKnot
			}
		}
		f, err := fit.Correlated(x, y, e.cov())
		if err != nil {
			return nil, nil, err
		}
		for i := range pts { // a point alone on its knot is judged by the family, if clearly off it
			ln, _ := family(pts[i].x, best.x0, best.logP)
			if f.Std[i] == 0 && math.Abs(pts[i].y-best.level-ln) > 0.01 {
				f.Std[i] = std[i]
			}
		}
		return f, e, nil
	})
	if err != nil {
		return err
	}
	c.take(f, e)
	level, weight := f.Coef, make([]float64, len(knots))
	for k := range knots {
		weight[k] = 1 / f.Cov[k][k]
	}
	c.pool(level, weight)
	c.grid.lo, c.grid.hi = math.Inf(1), math.Inf(-1)
	for i := range pts {
		c.grid.lo, c.grid.hi = min(c.grid.lo, pts[i].x-proven), max(c.grid.hi, pts[i].x+proven)
	}
	c.tabulate(at, level, best, all)
	c.settle()
	return nil
}

// pool makes the knots rise, and the causes act on those pooled as on one.
func (c *Curve) pool(level, weight []float64) {
	raw := slices.Clone(level)
	pools := fit.Monotone(raw, weight)
	effects := make([][Terms]float64, len(c.causes))
	for k, p := range pools {
		sum, y := 0.0, 0.0
		for j := p[0]; j <= p[1]; j++ {
			sum, y = sum+weight[j], y+weight[j]*raw[j]
		}
		level[k] = y / sum
		for i := range c.causes {
			for j := p[0]; j <= p[1]; j++ {
				effects[i][k] += c.causes[i].effect[j] * weight[j] / sum
			}
		}
	}
	for i := range c.causes {
		c.causes[i].effect = effects[i]
	}
}

// together gathers provings of much the same x, and of neighbours so many that at
// most maxKnots are left. It returns for each knot its points and its ln x, rising.
func together(pts []on) (knots [][]int, at []float64) {
	order := make([]int, len(pts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case pts[a].x < pts[b].x:
			return -1
		case pts[a].x > pts[b].x:
			return 1
		}
		return 0
	})
	for _, i := range order {
		knots, at = append(knots, []int{i}), append(at, pts[i].x)
	}
	for len(knots) > 1 {
		next, gap := 0, math.Inf(1)
		for k := 1; k < len(at); k++ {
			d := at[k] - at[k-1]
			if heft(pts, knots[k-1]) < 1 || heft(pts, knots[k]) < 1 {
				d *= 1e-3 // one that is off bends nothing by itself
			}
			if d < gap {
				next, gap = k, d
			}
		}
		if gap >= nearX && len(knots) <= maxKnots {
			break
		}
		a, b := heft(pts, knots[next-1]), heft(pts, knots[next])
		at[next-1] = (a*at[next-1] + b*at[next]) / (a + b)
		knots[next-1] = append(knots[next-1], knots[next]...)
		knots, at = slices.Delete(knots, next, next+1), slices.Delete(at, next, next+1)
	}
	return knots, at
}

// heft is how many points a knot stands on; one that is off counts for little.
func heft(pts []on, of []int) float64 {
	n := 0.0
	for _, i := range of {
		if n += 1; pts[i].obs.off {
			n -= 0.99
		}
	}
	return n
}

// tabulate fills the grid from the knots, levels being ln K·vref.
func (c *Curve) tabulate(at, level []float64, best node, all []node) {
	n := len(at)
	axis := func(x float64) float64 { // where the family is straight; a little of x keeps it rising
		ln, _ := family(x, best.x0, best.logP)
		return math.Exp(ln) + 1e-3*x
	}
	t, k := make([]float64, n), make([]float64, n)
	for i := range at {
		t[i], k[i] = axis(at[i]), math.Exp(level[i])
	}
	var cubic interp.FritschButland
	if n > 1 {
		if err := cubic.Fit(t, k); err != nil {
			n = 1 // Fit has no error but panics for what cannot be here: axis rises
		}
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range c.grid.at {
		x := gridLo + float64(i)/gridScale
		held := min(max(x, at[0]), at[len(at)-1])
		row := &c.grid.at[i]
		v := k[0]
		if n > 1 {
			v = cubic.Predict(min(max(axis(held), t[0]), t[n-1]))
		}
		row.worth = 1 / v
		// The knots' errors pass to what is between in proportion to the way.
		var share [maxKnots]float64
		share[0] = 1
		for j := 1; j < n; j++ {
			if s := axis(held); s >= t[j-1] {
				b := min(1, (s-t[j-1])/(t[j]-t[j-1]))
				share[j-1], share[j] = 1-b, b
			}
		}
		sum := 0.0
		for j := range n {
			sum += share[j] * k[j]
		}
		var own float64 // variance by what the members' spread holds too: all but what is common
		for j := range n {
			row.sense[j] = -share[j] * k[j] / sum
		}
		for _, cs := range c.causes {
			if cs.name == CauseScale || cs.name == CauseDensity || cs.name == CauseLabel {
				continue
			}
			d := 0.0
			for j := range n {
				d += row.sense[j] * cs.effect[j]
			}
			own += d * d
		}
		far2 := 0.0
		for _, m := range all {
			ln, _ := family(x, m.x0, m.logP)
			d := m.level + ln - math.Log(v)
			far2 += m.weight * (d*d + m.levelVar)
		}
		away := 3.0
		for _, a := range at {
			away = min(away, math.Abs(x-a))
		}
		row.far = math.Sqrt(max(0, far2-own) + offFamily*offFamily*away*away)
		if x >= c.grid.lo && x <= c.grid.hi {
			lo, hi = min(lo, row.worth), max(hi, row.worth)
		}
	}
	// Where the condition is not known it may be any, and a little beyond.
	c.unknownU = 0.02
	if hi > lo {
		c.unknownU = math.Hypot(0.02, math.Log(hi/lo)/math.Sqrt(12))
	}
}

// labelTurbine: a label stands for the plateau, of water at a good rate. On syrup K is
// below it by what the family may be.
func (c *Curve) labelTurbine() {
	c.shape, c.grid = shapeGrid, &grid{toX: toX, lo: 0, hi: gridHi}
	var all []node
	sum := 0.0
	for i := -16; i <= 16; i++ {
		for j := -16; j <= 16; j++ {
			a, b := float64(i)/4, float64(j)/4
			w := math.Exp(-(a*a + b*b) / 2)
			all = append(all, node{x0: logX0 + a*logX0SD, logP: b * logPSD, weight: w})
			sum += w
		}
	}
	for i := range all {
		all[i].weight /= sum
	}
	c.tabulate([]float64{gridHi}, []float64{0}, node{x0: logX0}, all)
}
