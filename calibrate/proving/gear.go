package proving

import (
	"math"

	"yardtally/calibrate/fit"
)

// An oval gear, as every positive-displacement meter, lets a little pass
// between its gears and the wall. The leak is a laminar flow through the
// clearance: proportional to the pressure across the meter, inversely to
// viscosity. That pressure has a part from friction, one proportional to
// viscosity times flow, and one to density times flow squared. So the part of the flow
// that slips through is s0 + a/(mu Q) + b rho Q/mu (derived; API MPMS 5.2: viscosity
// acts through slippage). s0 cannot be told from the size of the chamber, so
//
//	K = K0 (1 - A u1 - B u2),  u1 = 10 mPa·s 10 L/min / (mu Q),
//	u2 = (rho Q / mu) / (1200 kg/m³ 10 L/min / 10 mPa·s)
//
// A and B are the slips at 10 L/min of a syrup of 10 mPa·s. Before proving they
// are taken as nil, with the standard uncertainties slowU and fastU: so
// one proving gives one K for all flows, ever less sure away from where it was
// made, and each further one bends the curve as far as it is surer than that.
const (
	refMu   = 0.010
	refFlow = 10e-3 / 60
	refRho  = 1200

	// Small meters are said to keep within 0.15 to 0.5 % over 10:1 of flow
	// (instrumentation.processengineer.info, read), with oils of 3 mPa·s and
	// more; a 50 mm meter changed by 0.67 % from 1 to 12 mPa·s (Lim, IMEKO,
	// read): 0.07 % at 10 mPa·s. Small meters have more clearance for their
	// size; twice that, and the like for the fast end.
	slowU = 0.0015
	fastU = 0.0010

	mostSlip = 0.2 // of each kind; the formula is held there
)

type gear struct {
	u1, u2         float64 // times 1/(mu f) and rho f/mu
	max1, max2     float64 // where slip is held
	at1, at2       float64 // what the level stands at: the proved points' mean
	lo1, hi1       float64 // proved
	lo2, hi2       float64
	slip1, slip2   float64 // A, B, by vref
	level          float64
	widen, widened float64 // relative uncertainty for each of u beyond, and at most
}

// scaleGear sets what turns rate and liquid into u1 and u2.
func (c *Curve) scaleGear() {
	c.shape = shapeGear
	c.gear.u1 = refMu * refFlow / c.vref
	c.gear.u2 = c.vref / (refRho * refFlow / refMu)
	// The form itself, where nothing was proved: a part of what the slip
	// there might be. Common practice, no source.
	c.gear.widen, c.gear.widened = 0.0003, 0.003
	c.unknownU = 0.003 // what slip is worth over common flows and syrups
}

// holdGear sets where slip is held and how far from the points counts as proved.
func (c *Curve) holdGear() {
	g := &c.gear
	g.max1, g.max2 = mostSlip/max(math.Abs(g.slip1), slowU), mostSlip/max(math.Abs(g.slip2), fastU)
	// What was proved is never held, and neither is what is near.
	g.max1, g.max2 = max(g.max1, 1.2*g.hi1), max(g.max2, 1.2*g.hi2)
	around := func(lo, hi *float64) {
		*lo, *hi = *lo-max(0.05, 0.1**lo), *hi+max(0.05, 0.1**hi)
	}
	around(&g.lo1, &g.hi1)
	around(&g.lo2, &g.hi2)
}

func (c *Curve) atGear(w *Worth, f, mu, rho float64) {
	g := &c.gear
	inv := 1 / (mu * f)
	raw1, raw2 := g.u1*inv, g.u2*rho*f*f*inv
	u1, u2, held := raw1, raw2, 0.0
	if u1 > g.max1 {
		u1, held = g.max1, min(raw1/g.max1-1, 2)
	}
	if u2 > g.max2 {
		u2, held = g.max2, held+min(raw2/g.max2-1, 2)
	}
	s1, s2 := g.slip1*u1, g.slip2*u2
	d := g.level - s1 - s2
	if d < 0.05 {
		d = 0.05
	}
	inv = 1 / d
	w.Volume = c.vref * inv
	w.Sense[termLevel] = -inv
	w.Sense[termSlow] = (u1 - g.at1) * inv
	w.Sense[termFast] = (u2 - g.at2) * inv
	if u1 == raw1 {
		w.PerViscosity, w.PerFlow = -s1*inv, -s1*inv
	}
	if u2 == raw2 {
		w.PerViscosity -= s2 * inv
		w.PerFlow += s2 * inv
	}
	far := 0.0
	switch { // the later overrules: by the friction's slip what is slow is low
	case u2 < g.lo2:
		far, w.Mark = g.lo2-u2, Low
	case u2 > g.hi2:
		far, w.Mark = u2-g.hi2, High
	}
	switch {
	case u1 < g.lo1:
		far, w.Mark = far+g.lo1-u1, High
	case u1 > g.hi1:
		far, w.Mark = far+u1-g.hi1, Low
	}
	if far > 0 || held > 0 {
		h := g.widen * far
		w.Sense[termUnknown] = h/(1+h/g.widened) + mostSlip*held
	}
	if c.single {
		w.Mark = Alone
	}
}

// fitGear finds level and slips.
func (c *Curve) fitGear(obs []observed, steps []step) error {
	c.scaleGear()
	g, n := &c.gear, len(obs)
	u := make([][2]float64, n)
	g.lo1, g.lo2 = math.Inf(1), math.Inf(1)
	for i := range obs {
		mu := float64(obs[i].Liquid.Viscosity)
		u[i] = [2]float64{g.u1 / (mu * obs[i].Rate), g.u2 * float64(obs[i].Liquid.Density) * obs[i].Rate / mu}
		g.at1, g.at2 = g.at1+u[i][0]/float64(n), g.at2+u[i][1]/float64(n)
		g.lo1, g.hi1 = min(g.lo1, u[i][0]), max(g.hi1, u[i][0])
		g.lo2, g.hi2 = min(g.lo2, u[i][1]), max(g.hi2, u[i][1])
	}
	x, y := make([][]float64, n, n+2), make([]float64, n, n+2)
	for i := range obs {
		x[i], y[i] = []float64{1, g.at1 - u[i][0], g.at2 - u[i][1]}, obs[i].k*c.vref
	}
	x, y, sd := fit.WithPriors(x, y, make([]float64, n),
		fit.Prior{Coef: termSlow, SD: slowU}, fit.Prior{Coef: termFast, SD: fastU})
	slow, fast := 0.0, 0.0
	f, e, err := c.judged(obs, func() (f *fit.Fit, e *errorsOf, err error) {
		for range 2 { // the second time with the slope that the first found
			e = errorsIn(obs, steps, n+2, func(i int) float64 {
				// Of slip not known the prior's size counts, where the rate is not known.
				s1, s2 := slow*u[i][0], fast*u[i][1]
				if obs[i].guess > 0 {
					return obs[i].ownU(s1+s2, -s2, math.Hypot(max(slow, slowU)*u[i][0], max(fast, fastU)*u[i][1]), c.expand)
				}
				return obs[i].ownU(s1+s2, -s2, s1-s2, c.expand)
			})
			e.add(CauseSlow, n+2, func(v []float64) { v[n] = sd[n] })
			e.add(CauseFast, n+2, func(v []float64) { v[n+1] = sd[n+1] })
			if f, err = fit.Correlated(x, y, e.cov()); err != nil {
				return nil, nil, err
			}
			slow, fast = f.Coef[termSlow], f.Coef[termFast]
		}
		return f, e, nil
	})
	if err != nil {
		return err
	}
	g.slip1, g.slip2 = slow, fast
	g.level = f.Coef[termLevel] + slow*g.at1 + fast*g.at2
	c.holdGear()
	c.take(f, e)
	c.settle()
	return nil
}

// labelGear: a label is as good as a proving where nothing slips.
func (c *Curve) labelGear() {
	c.scaleGear()
	c.gear.level = 1
	c.gear.hi1, c.gear.hi2 = 1, 3
	c.holdGear()
	var a, b [Terms]float64
	a[termSlow], b[termFast] = slowU, fastU
	c.causes = append(c.causes, cause{CauseSlow, a}, cause{CauseFast, b})
}
