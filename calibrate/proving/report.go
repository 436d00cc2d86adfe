package proving

import (
	"math"

	"yardtally/calibrate/fit"
	"yardtally/calibrate/quantity"
)

// Fitted is a point and what the curve makes of it.
type Fitted struct {
	Point
	Fit    float64 // the curve's K where the point was proved, pulses per m³ (kg)
	Resid  float64 // by how much the point is above the curve, relatively
	Std    float64 // that by its standard deviation; 0 where the curve passes through it in any case
	Weight float64 // 1; less if it was found to be off
}

// Report is what a person may want to know of a curve.
type Report struct {
	Meter    Meter
	At       int64 // from when it holds, Unix ns
	Mass     bool
	Equation Equation
	Points   []Fitted // in the order of time
	Outliers []string // names of those that are off by more than chance; kept, but weighing less
	LeftOut  []string // tests that were not used, each with the reason

	ChiSquared float64 // of the points about the curve
	DOF        int
	ChiLimit   float64 // exceeded by chance once in a hundred times
	Disagree   bool    // it was: all own uncertainties were enlarged

	Repeat    Repeat
	Linearity float64 // see Linearity; 0 with fewer than two points
	OffLabel  float64 // by how much the mean proved K is above the label's, relatively; 0 without a label

	// What was proved: the lowest and highest.
	Flow      [2]quantity.Flow // 0 if none was timed
	Viscosity [2]quantity.Viscosity
	Temp      [2]quantity.Temperature
	PerNu     [2]float64 // pulse rate by kinematic viscosity, Hz per mm²/s; 0 if none was timed
}

// Report returns the report.
func (c *Curve) Report() Report { return c.report }

// Linearity returns half the spread of K-factors over the range they were found in, by their mean
// (ISA RP31.1, memory). 0 for fewer than two.
func Linearity(k []float64) float64 {
	if len(k) < 2 {
		return 0
	}
	lo, hi, sum := k[0], k[0], 0.0
	for _, v := range k {
		lo, hi, sum = min(lo, v), max(hi, v), sum+v
	}
	return (hi - lo) / 2 / (sum / float64(len(k)))
}

// Repeatability returns (max-min)/min of the K-factors of consecutive runs under like
// conditions (API MPMS 4.8, memory). 0 for fewer than two.
func Repeatability(k []float64) float64 {
	if len(k) < 2 {
		return 0
	}
	lo, hi := k[0], k[0]
	for _, v := range k {
		lo, hi = min(lo, v), max(hi, v)
	}
	return (hi - lo) / lo
}

// d2 is the mean range of n normal values by their standard deviation, from
// n = 2 (tables of quality control, memory).
var d2 = [...]float64{1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847, 2.970, 3.078}

// MeanU returns the uncertainty, 95 %, of the mean of n runs that differ by a
// range: t95(n-1) range/(d2 sqrt n) (API MPMS 4.8 and 13.1, memory). n from 2 to 10;
// NaN for others. The unit is that of the range.
func MeanU(n int, spread float64) float64 {
	if n < 2 || n > len(d2)+1 {
		return math.NaN()
	}
	return fit.Student(0.95, float64(n-1)) * spread / (d2[n-2] * math.Sqrt(float64(n)))
}

// Repeat is how well consecutive runs under like conditions repeat.
type Repeat struct {
	Names         []string // of the runs; fewer than two: there were none
	Repeatability float64
	MeanU         float64 // uncertainty of their mean, 95 %, relative; NaN for more than ten
	Outlier       string  // the run that Grubbs' test names (5 %, two-sided), if any
}

// like says whether two points were proved under like conditions: within a
// day, a fifth of flow and of viscosity. Common practice, no source.
func like(a, b *observed) bool {
	near := func(x, y float64) bool { return x == y || math.Abs(math.Log(x/y)) < 0.2 }
	return math.Abs(float64(a.At-b.At)) <= 86400e9 && a.guess == b.guess && near(a.Rate, b.Rate) &&
		(a.Mass || near(float64(a.Liquid.Viscosity), float64(b.Liquid.Viscosity)))
}

// finish describes the points against the curve that was found.
func (c *Curve) finish(obs []observed) {
	r := &c.report
	var ks []float64
	for i := range r.Points {
		o, p := &obs[i], &r.Points[i]
		p.Fit = 1 / c.At(o.Rate, o.Liquid).Volume
		p.Resid = p.K/p.Fit - 1
		ks = append(ks, o.k)
	}
	r.Linearity = Linearity(ks)
	// The newest longest run.
	for from := 0; from < len(obs); {
		to := from + 1
		for to < len(obs) && like(&obs[from], &obs[to]) {
			to++
		}
		if n := to - from; n >= 2 && n >= len(r.Repeat.Names) {
			r.Repeat = Repeat{Repeatability: Repeatability(ks[from:to])}
			for i := from; i < to; i++ {
				r.Repeat.Names = append(r.Repeat.Names, obs[i].Name)
			}
			r.Repeat.MeanU = MeanU(n, r.Repeat.Repeatability)
			if g, at := fit.Grubbs(ks[from:to]); at >= 0 && g > fit.GrubbsLimit(n, 0.025) {
				r.Repeat.Outlier = obs[from+at].Name
			}
		}
		from = to
	}
	c.describe(obs)
}

// describe says in words what the curve is, and what was proved.
func (c *Curve) describe(obs []observed) {
	r := &c.report
	r.Mass = c.mass
	e := Equation{K: 1 / c.vref, Mass: c.mass, Ref: quantity.Temperature(c.ref), PerKelvin: -c.expand, Kind: Flat}
	g := &c.gear
	switch {
	case len(obs) == 0:
		e.Kind = FromLabel
	case c.shape == shapeFlat:
	case c.single:
		e.Kind = FromOne
		if c.shape == shapeGear {
			e.K *= g.level
		}
	case c.shape == shapeGear:
		e.Kind, e.K, e.Friction, e.Inertia = Slip, e.K*g.level, g.slip1/g.level, g.slip2/g.level
	default:
		e.Kind, e.LowX, e.HighX = Rising, c.grid.xLo, c.grid.xHi
		e.K, e.HighK = e.K/c.grid.worth(c.grid.xLo), e.K/c.grid.worth(c.grid.xHi)
	}
	r.Equation = e
	for i := range obs {
		o := &obs[i]
		stretch(&r.Temp, o.Liquid.Temp, i == 0)
		if c.mass {
			continue
		}
		stretch(&r.Viscosity, o.Liquid.Viscosity, i == 0)
		if o.guess == 0 {
			stretch(&r.Flow, o.Flow, r.Flow[0] == 0)
			stretch(&r.PerNu, toX*o.Rate*float64(o.Liquid.Density)/float64(o.Liquid.Viscosity), r.PerNu[0] == 0)
		}
	}
}

func (g *grid) worth(x float64) float64 {
	i, b := cell(x)
	return float64((1-b)*g.at[i].worth) + float64(b*g.at[i+1].worth)
}

func stretch[T ~float64](r *[2]T, v T, first bool) {
	if math.IsNaN(float64(v)) {
		return
	}
	if first {
		r[0], r[1] = v, v
	}
	r[0], r[1] = min(r[0], v), max(r[1], v)
}
