package proving

import (
	"errors"
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

	// reliable is how far a point may be off the family before it counts as off.
	reliable = 0.004

	nearX  = 0.3  // provings nearer than this on ln x make one knot
	proven = 0.02 // and so much beyond the last one still counts as proved
)

// grid is a curve tabulated over ln x, straight in between.
const (
	gridLo, gridHi = -7.0, 9.0 // of ln x, Hz per mm²/s
	gridSteps      = 512
	gridScale      = gridSteps / (gridHi - gridLo)
	coarse         = 4 // of so many rows one has its widening worked out
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

// lowest is -ln 0.9: the family's p ln(x/x0) where K is a tenth of the plateau.
const lowest = 0.10536051565782628

// stiff is how unlikely it is, in standard deviations, that somebody proved a
// meter there, for it would hardly turn: nobody does much below half of the
// plateau. Common practice, no source; points that say otherwise overrule it.
func stiff(x, x0, logP float64) float64 {
	return max(0, math.Ln2-math.Exp(logP)*(x-x0)) / 0.1
}

// family returns ln(1 - (x0/x)^p), and its slope with ln x, for ln x, ln x0, ln p. Where the meter
// hardly turns, below a tenth of the plateau, it is bent to end at a twenty-seventh: K is no less than
// that where pulses come at all.
func family(x, x0, logP float64) (ln, slope float64) {
	p := math.Exp(logP)
	z := p * (x - x0)
	const z1 = lowest
	if z >= z1 {
		e := math.Exp(-z)
		return math.Log1p(-e), p * e / (1 - e)
	}
	e := math.Exp(9 * (z - z1))
	return math.Log(0.1) - 1 + e, 9 * p * e
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
	// Where to start: the best on a wide grid, for there can be more than one valley.
	start, least := make([]float64, 3), math.Inf(1)
	for i := -16; i <= 16; i++ {
		for j := -6; j <= 6; j++ {
			n := node{x0: logX0 + float64(i)/4*logX0SD, logP: float64(j) / 2 * logPSD}
			if v := n.judge(pts, u); v < least {
				least = v
				copy(start, []float64{n.level, n.x0, n.logP})
			}
		}
	}
	near := start[0]
	fitted := make([]float64, len(pts)) // slopes
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
			r[n+2] = (p[0] - near) / 3 // keeps it in sight
			for i := range pts {
				r[n+3+i] = stiff(pts[i].x, p[1], p[2])
			}
		}, 2*len(pts)+3, slices.Clone(start))
		if err != nil && !errors.Is(err, fit.ErrStuck) { // then it is near enough: the members stand around it
			return node{}, nil, nil, err
		}
		copy(start, f.Coef)
	}
	best = node{level: f.Coef[0], x0: f.Coef[1], logP: f.Coef[2]}

	// The members stand on a grid along the axes of what is probable,
	// enlarged, for that need not be normal.
	const half, sds = 12, 5
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
			n.weight = -n.judge(pts, u)
			most = max(most, n.weight)
			all = append(all, n)
		}
	}
	sum := 0.0
	for i := range all {
		if all[i].weight = math.Exp(all[i].weight - most); all[i].weight >= 1e-3 {
			sum += all[i].weight
		}
	}
	all = slices.DeleteFunc(all, func(n node) bool { return n.weight < 1e-3 })
	for i := range all {
		all[i].weight /= sum
	}
	return best, all, f.Std, nil
}

// mean returns the members' mean of ln K at ln x.
func mean(all []node, x float64) (y float64) {
	for _, m := range all {
		ln, _ := family(x, m.x0, m.logP)
		y += m.weight * (m.level + ln)
	}
	return y
}

// within returns the standard uncertainty whose interval of 95 % about y, at ln x, holds
// 95 % of the members: they differ in how sure they are, so that the root of their mean
// square would mostly be too wide.
func within(all []node, x, y float64) float64 {
	const z = 1.959964
	off, sd := make([]float64, len(all)), make([]float64, len(all))
	lo, hi := 0.0, 0.0
	for i, m := range all {
		ln, _ := family(x, m.x0, m.logP)
		off[i], sd[i] = math.Abs(m.level+ln-y), math.Sqrt(2*m.levelVar)+1e-9
		hi = max(hi, off[i]+2*sd[i])
	}
	for range 14 {
		half := (lo + hi) / 2
		p := 0.0
		for i, m := range all {
			switch z := (half - off[i]) / sd[i]; {
			case z > 3: // all of it, but for 2e-5
				p += m.weight
			case z > -3:
				p += m.weight / 2 * (math.Erf(z) + math.Erf((half+off[i])/sd[i]))
			}
		}
		if p < 0.95 {
			lo = half
		} else {
			hi = half
		}
	}
	return hi / z
}

// judge sets the member's level to what fits the points best, and its variance. It
// returns by how much less than others it is to be expected, as minus the logarithm of a probability.
func (n *node) judge(pts []on, u func(i int, slope float64) float64) float64 {
	var sw, swy, swyy, logU, hard float64
	for k := range pts {
		ln, slope := family(pts[k].x, n.x0, n.logP)
		s, h := u(k, slope), stiff(pts[k].x, n.x0, n.logP)
		hard += h * h
		d := pts[k].y - ln
		sw, swy, swyy, logU = sw+1/(s*s), swy+d/(s*s), swyy+d*d/(s*s), logU+math.Log(s)
	}
	n.level, n.levelVar = swy/sw, 1/sw
	d0, d1 := (n.x0-logX0)/logX0SD, n.logP/logPSD
	return (max(0, swyy-swy*swy/sw)+hard+d0*d0+d1*d1+math.Log(sw))/2 + logU
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
		for i := range pts { // judged by the family, as far as that can be relied on
			ln, _ := family(pts[i].x, best.x0, best.logP)
			d := pts[i].y - best.level - ln
			f.Std[i] = 0
			if std[i] != 0 {
				f.Std[i] = d / math.Hypot(d/std[i], reliable)
			}
		}
		return f, e, nil
	})
	if err != nil {
		return err
	}
	c.take(f, e)
	c.grid.lo, c.grid.hi = math.Inf(1), math.Inf(-1)
	for i := range pts {
		c.grid.lo, c.grid.hi = min(c.grid.lo, pts[i].x-proven), max(c.grid.hi, pts[i].x+proven)
	}
	if err := c.tabulate(at, f.Coef, [2]float64{c.grid.lo + proven, c.grid.hi - proven}, best, all); err != nil {
		return err
	}
	c.settle()
	return nil
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
func (c *Curve) tabulate(at, level []float64, ends [2]float64, best node, all []node) error {
	n := len(at)
	off, meanOff := make([]float64, n), make([]float64, n)
	for i := range at {
		ln, _ := family(at[i], best.x0, best.logP)
		off[i], meanOff[i] = level[i]-ln, mean(all, at[i])-ln
	}
	var cubic interp.FritschButland
	if n > 1 {
		if err := cubic.Fit(at, off); err != nil {
			return err
		}
	}
	// K itself, and where the points would have it fall, it stays.
	var ks, even [gridSteps + 1]float64
	for i := range ks {
		held := min(max(gridLo+float64(i)/gridScale, ends[0]), ends[1])
		ln, _ := family(held, best.x0, best.logP)
		o := off[0]
		if n > 1 {
			o = cubic.Predict(min(max(held, at[0]), at[n-1]))
		}
		ks[i], even[i] = math.Exp(ln+o), 1
	}
	rising := fit.Monotone(ks[:], even[:])
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range c.grid.at {
		x := gridLo + float64(i)/gridScale
		held := min(max(x, at[0]), at[n-1])
		row := &c.grid.at[i]
		v := 0.0
		for j := rising[i][0]; j <= rising[i][1]; j++ {
			v += ks[j] / float64(rising[i][1]-rising[i][0]+1)
		}
		row.worth = 1 / v
		// The knots' errors pass to what is between in proportion to the way.
		row.sense[0] = -1
		for j := 1; j < n; j++ {
			if held >= at[j-1] {
				b := min(1, (held-at[j-1])/(at[j]-at[j-1]))
				row.sense[j-1], row.sense[j] = b-1, -b
			}
		}
		var own float64 // variance by what the members' spread holds too: all but what is common
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
		if x >= c.grid.lo && x <= c.grid.hi {
			lo, hi = min(lo, row.worth), max(hi, row.worth)
		}
		if i%coarse != 0 {
			continue
		}
		// How far the members are here from what their own mean at the knots
		// makes of it: that is their spread, and the error of running between knots
		// by this way or of holding the end. What the knots' errors bring is out.
		made, _ := family(held, best.x0, best.logP)
		for j := range n {
			made -= row.sense[j] * meanOff[j]
		}
		u := within(all, x, made)
		away := 3.0
		for _, a := range at {
			away = min(away, math.Abs(x-a))
		}
		row.far = math.Sqrt(max(0, u*u-own) + offFamily*offFamily*away*away)
		for j := 1; j < coarse && i > 0; j++ { // straight between
			b := float64(j) / coarse
			c.grid.at[i-coarse+j].far = (1-b)*c.grid.at[i-coarse].far + b*row.far
		}
	}
	// Where the condition is not known it may be any, and a little beyond.
	c.unknownU = 0.02
	if hi > lo {
		c.unknownU = math.Hypot(0.02, math.Log(hi/lo)/math.Sqrt(12))
	}
	return nil
}

// labelTurbine: a label stands for the plateau, of water at a good rate. On syrup K is
// below it by what the family may be.
func (c *Curve) labelTurbine() error {
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
	return c.tabulate([]float64{gridHi}, []float64{0}, [2]float64{gridHi, gridHi}, node{x0: logX0}, all)
}
