package proving

import (
	"fmt"
	"math"
	"slices"

	"yardtally/calibrate/fit"
	"yardtally/calibrate/quantity"
)

// Terms is how many parameters a curve can have.
const Terms = 8

// The parameters: their errors are what Sense is for. A curve does not use all.
const (
	termLevel   = 0 // a gear's or flat curve's level; a turbine's knots are 0 to maxKnots-1
	termSlow    = 1 // a gear's slip with friction, per viscosity and flow
	termFast    = 2 // a gear's slip with inertia, per kinematic viscosity and with flow
	termUnknown = 6 // what was not proved there
	termBody    = 7 // expansion
	maxKnots    = 6
)

// Causes of a curve's uncertainty that are no test of their own.
const (
	CauseScale   = scaleCalibration
	CauseDensity = densityFormula
	CauseSlow    = "slip not proved, slow flow"
	CauseFast    = "slip not proved, fast flow"
	CauseUnknown = "beyond the proved range"
	CauseBody    = "expansion with temperature"
	CauseLabel   = "label"
	causeDrift   = "drift after " // and the test's name
)

// DriftPerYear is the relative standard uncertainty that a year adds to a test, by
// wear and dirt; it grows with the root of time. Common practice, no source.
const DriftPerYear = 0.001

const year = 365.25 * 86400e9 // ns

// Mark says how far provings carry a worth.
type Mark uint8

// The marks.
const (
	Proved  Mark = iota // inside what was proved
	Low                 // below: slower, or for its flow thicker (turbine) or thinner (gear), than proved; held or carried, and widened
	High                // above; the same
	Alone               // a single proving or a label says it for every flow
	Unknown             // rate or liquid is not known: the worth at the mean proved condition, widened
)

// String returns the mark's name.
func (m Mark) String() string {
	return nameOf([]string{"proved", "below the proved range", "above the proved range", "one proving for all flows", "condition not known"}, uint8(m))
}

// Worth is what one pulse is worth under one condition.
type Worth struct {
	Volume       float64        // m³ a pulse (a mass curve: kg a pulse)
	Sense        [Terms]float64 // change of ln Volume for an error of 1 in each of the curve's parameters
	PerViscosity float64        // d ln Volume / d ln viscosity
	PerFlow      float64        // d ln Volume / d ln rate
	Mark         Mark
}

// Share is what one cause adds to an uncertainty. Causes are independent of each
// other. U is signed, so that shares of one cause in several curves add up.
type Share struct {
	Cause string
	U     float64 // standard uncertainty
}

// cause is one independent cause with an error of unit variance, and what it
// does to the curve's parameters.
type cause struct {
	name   string
	effect [Terms]float64
}

// Curve is what a meter's pulses are worth, over flow and liquid. It does not
// change, and may be shared.
type Curve struct {
	meter  Meter
	mass   bool
	shape  shape
	vref   float64 // m³ (kg) a pulse that all else is relative to
	gear   gear
	grid   *grid // turbine
	ref    float64
	expand float64 // relative growth of a pulse's worth, 1/K, from ref
	bodyU  float64 // relative standard uncertainty of expand
	single bool
	// the mean proved condition
	rate     float64
	liquid   Liquid
	unknownU float64 // widening where the condition is not known

	causes []cause
	cov    [Terms][Terms]float64
	report Report
}

type shape uint8

const (
	shapeFlat shape = iota
	shapeGear
	shapeGrid
)

// Mass says whether pulses are worth kilograms rather than cubic metres.
func (c *Curve) Mass() bool { return c.mass }

// Meter returns the meter.
func (c *Curve) Meter() Meter { return c.meter }

// At returns what a pulse is worth at a rate in Hz when such a liquid passes.
// It is continuous in all of them, allocates nothing, and is finite and positive
// whatever it is given. A rate of less than 1e-9 Hz or a viscosity of less than 1e-9 Pa·s is not known.
func (c *Curve) At(rate float64, l Liquid) (w Worth) {
	f, mu, rho, t := rate, float64(l.Viscosity), float64(l.Density), float64(l.Temp)
	known := f >= 1e-9 && f <= 1e9 && (c.mass || mu >= 1e-9 && mu <= 1e6 && rho > 0 && rho <= 1e5)
	if !known {
		f, mu, rho = c.rate, float64(c.liquid.Viscosity), float64(c.liquid.Density)
	}
	switch c.shape {
	case shapeGear:
		c.atGear(&w, f, mu, rho)
	case shapeGrid:
		c.atGrid(&w, f, mu, rho)
	default:
		w.Volume, w.Sense[termLevel], w.Sense[termUnknown], w.Mark = c.vref, -1, c.unknownU, Alone
	}
	if !(math.Abs(t-c.ref) <= 100) { // NaN too
		known = known && !math.IsNaN(t)
		t = min(max(t, c.ref-100), c.ref+100)
		if math.IsNaN(t) {
			t = c.ref
		}
	}
	d := float64(c.expand * (t - c.ref))
	grow := 1 / (1 - d)
	w.Volume *= grow
	w.Sense[termBody] = c.bodyU * d * grow
	if !known {
		w.Mark, w.PerViscosity, w.PerFlow = Unknown, 0, 0
		w.Sense[termUnknown] += c.unknownU
	}
	return w
}

// RelU returns the combined relative standard uncertainty of a worth, of the
// curve alone: what viscosity and pulse count add is the caller's.
func (c *Curve) RelU(w Worth) float64 {
	sum := 0.0
	for i := range Terms {
		for j := range Terms {
			sum += w.Sense[i] * c.cov[i][j] * w.Sense[j]
		}
	}
	return math.Sqrt(max(0, sum))
}

// Causes returns the standard uncertainty, signed, that each independent cause
// adds to a sum: g is the sum over flow of volume times Sense. The unit is g's.
// Causes of nothing are left out.
func (c *Curve) Causes(g *[Terms]float64) []Share {
	var out []Share
	for i := range c.causes {
		u := 0.0
		for k, e := range c.causes[i].effect {
			u += e * g[k]
		}
		if u != 0 {
			out = append(out, Share{c.causes[i].name, u})
		}
	}
	return out
}

// Rate returns the pulse rate, Hz, at which a flow of such a liquid shows
// (a mass curve: kg/s), to a part in 1e12: the highest such rate up to 1e6.
// 0 for a flow that is not positive.
func (c *Curve) Rate(flow float64, l Liquid) float64 {
	if !(flow > 0) {
		return 0
	}
	lo, hi := 0.0, 1e6
	for range 100 {
		mid := (lo + hi) / 2
		if mid*c.At(mid, l).Volume < flow {
			lo = mid
		} else {
			hi = mid
		}
		if hi-lo <= 1e-13*hi {
			break
		}
	}
	return (lo + hi) / 2
}

// NewCurve makes the curve of a meter. tests are what is known; now is from
// when the curve is to hold, Unix ns: the further from it a test was done, the less it
// weighs. label is a K-factor as such, pulses per litre, used where there is no
// test; 0: none. Tests with Brix make a curve of volume, and mass provings are
// then left out; with mass provings alone it is a curve of mass.
// Errors are *Error, or wrap one or a *syrup.RangeError.
func NewCurve(m Meter, tests []Test, label float64, now int64) (*Curve, error) {
	if err := m.check(); err != nil {
		return nil, err
	}
	if m.Repeat == 0 {
		m.Repeat = UsualRepeat(m.Type)
	}
	obs, left, err := observe(tests, m.Repeat)
	if err != nil {
		return nil, err
	}
	c := &Curve{meter: m, expand: m.Body.Expansion(), bodyU: expansionU, ref: 20}
	c.report = Report{Meter: m, At: now, LeftOut: left}
	if len(obs) == 0 {
		if label == 0 {
			return nil, &Error{"provings", "must be at least one bucket test or a K-factor", len(tests)}
		}
		p, err := FromK(label)
		if err != nil {
			return nil, err
		}
		return c.ofLabel(p)
	}
	c.mass = obs[0].Mass
	c.single = len(obs) == 1
	c.means(obs)
	if label != 0 && !c.mass {
		c.report.OffLabel = 1/(c.vref*label*1000) - 1
	}
	d := drifts(obs, now)
	switch {
	case c.mass:
		err = c.fitFlat(obs, d)
	case m.Type == OvalGear:
		err = c.fitGear(obs, d)
	default:
		err = c.fitTurbine(obs, d)
	}
	if err != nil {
		return nil, fmt.Errorf("meter curve: %w", err)
	}
	c.finish(obs)
	return c, nil
}

// means sets the curve's reference temperature, worth and mean condition, and
// each point's K at the reference temperature, and its rate if it was not timed.
func (c *Curve) means(obs []observed) {
	n, t := 0.0, 0.0
	for i := range obs {
		if v := float64(obs[i].Liquid.Temp); !math.IsNaN(v) {
			n, t = n+1, t+v
		}
	}
	if n > 0 {
		c.ref = t / n
	}
	if c.mass {
		// The syrup's mass in a litre falls as it warms, whatever it is.
		c.expand -= massPerKelvin
		c.bodyU = massPerKelvinU / math.Abs(c.expand)
	}
	var ks []float64
	for i := range obs {
		o := &obs[i]
		d := 0.0
		if v := float64(o.Liquid.Temp); !math.IsNaN(v) {
			d = c.expand * (v - c.ref)
		}
		o.k = o.K / (1 - d)
		ks = append(ks, o.k)
	}
	slices.Sort(ks)
	c.vref = 2 / (ks[len(ks)/2] + ks[(len(ks)-1)/2]) // the median: no outlier shifts it
	timed, sum := 0.0, 0.0
	for i := range obs {
		if obs[i].Rate > 0 {
			timed, sum = timed+1, sum+math.Log(obs[i].Rate)
		}
	}
	guess := float64(usualFlow) / c.vref
	if timed > 0 {
		guess = math.Exp(sum / timed)
	}
	var f, mu, rho float64
	for i := range obs {
		o := &obs[i]
		if o.Rate == 0 {
			o.Rate, o.guess = guess, usualFlowRange
		}
		f += math.Log(o.Rate) / float64(len(obs))
		mu += math.Log(float64(o.Liquid.Viscosity)) / float64(len(obs))
		rho += float64(o.Liquid.Density) / float64(len(obs))
	}
	c.rate = math.Exp(f)
	c.liquid = Liquid{quantity.Density(rho), quantity.Viscosity(math.Exp(mu)), quantity.Temperature(c.ref)}
}

// A kilogram of syrup expands by 0.034 % a kelvin at 1:1, 0.037 % at 2:1 and
// 0.046 % as HFCS-55 at 20 °C (the syrup room's formulas, computed).
const (
	massPerKelvin  = 0.00038
	massPerKelvinU = 0.00006
)

// take turns the causes' effects on observations into effects on parameters.
func (c *Curve) take(f *fit.Fit, e *errorsOf) {
	for i, name := range e.names {
		k := cause{name: name}
		for p := range f.Gain {
			for j, v := range e.by[i] {
				k.effect[p] += f.Gain[p][j] * v
			}
		}
		c.causes = append(c.causes, k)
	}
}

// settle adds the causes that no fit finds, and sums them all up. Parameters that
// stand for them have unit variance: what they are worth is in Sense.
func (c *Curve) settle() {
	for _, k := range []struct {
		name string
		term int
	}{{CauseUnknown, termUnknown}, {CauseBody, termBody}} {
		var e [Terms]float64
		e[k.term] = 1
		c.causes = append(c.causes, cause{k.name, e})
	}
	for _, k := range c.causes {
		for i := range Terms {
			for j := range Terms {
				c.cov[i][j] += k.effect[i] * k.effect[j]
			}
		}
	}
}

// flatU is how far off one level for all flows of one syrup may be, where the
// viscosity was not known. Common practice, no source; turbines change by
// percents over flow on syrup.
var flatU = [...]float64{0.0015, 0.02, 0.02}

// fitFlat finds a single level.
func (c *Curve) fitFlat(obs []observed, d []step) error {
	x, y := make([][]float64, len(obs)), make([]float64, len(obs))
	for i := range obs {
		x[i], y[i] = []float64{1}, obs[i].k*c.vref
	}
	c.unknownU = flatU[c.meter.Type]
	f, e, err := c.judged(obs, func() (*fit.Fit, *errorsOf, error) {
		e := errorsIn(obs, d, len(obs), func(i int) float64 { return obs[i].ownU(0, 0, 0, 0) })
		f, err := fit.Correlated(x, y, e.cov())
		return f, e, err
	})
	if err != nil {
		return err
	}
	c.vref /= f.Coef[0]
	c.take(f, e)
	c.settle()
	return nil
}

// ofLabel makes the curve of a K-factor as such.
func (c *Curve) ofLabel(p Point) (*Curve, error) {
	c.vref, c.single = 1/p.K, true
	c.expand = 0 // at which temperature a label holds is not said: it is in LabelRelU
	c.rate = float64(usualFlow) / c.vref
	c.liquid = Liquid{1230, 0.015, quantity.Temperature(c.ref)} // 1:1 syrup at 20 °C
	c.causes = []cause{{CauseLabel, [Terms]float64{LabelRelU}}}
	c.report.Points = []Fitted{{Point: p, Fit: p.K, Weight: 1}}
	if c.meter.Type == OvalGear {
		c.labelGear()
	} else if err := c.labelTurbine(); err != nil {
		return nil, err
	}
	c.settle()
	c.describe(nil)
	return c, nil
}

// judged fits, names what is off by more than chance, lets it weigh less, and fits
// again. A point that is off is one whose standardised residual is so large that among
// so many it comes up by chance once in a hundred times; with two points nobody can say
// which. If all together disagree with the curve (chi-squared, 1 %), all own
// uncertainties are enlarged to what the points show.
func (c *Curve) judged(obs []observed, do func() (*fit.Fit, *errorsOf, error)) (*fit.Fit, *errorsOf, error) {
	for {
		f, e, err := do()
		if err != nil {
			return nil, nil, err
		}
		worst, z := -1, 0.0
		for i := range obs {
			if s := math.Abs(f.Std[i]); s > z && !obs[i].off {
				worst, z = i, s
			}
		}
		if len(obs) >= 3 && worst >= 0 && z > fit.Sidak(len(obs), 0.01) && len(c.report.Outliers) < len(obs)/3 {
			obs[worst].weight, obs[worst].off = z, true
			c.report.Outliers = append(c.report.Outliers, obs[worst].Name)
			continue
		}
		c.report.DOF, c.report.ChiSquared = f.DOF, f.RSS
		if f.DOF > 0 {
			c.report.ChiLimit = fit.ChiSquared(0.99, f.DOF)
			if f.RSS > c.report.ChiLimit && !c.report.Disagree {
				c.report.Disagree = true
				for i := range obs {
					obs[i].weight *= math.Sqrt(f.RSS / float64(f.DOF))
				}
				continue
			}
		}
		for i := range obs {
			c.report.Points = append(c.report.Points, Fitted{Point: obs[i].Point, Std: f.Std[i], Weight: 1 / (obs[i].weight * obs[i].weight)})
		}
		return f, e, nil
	}
}
