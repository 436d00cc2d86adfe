package proving

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// observed is a point as the fits take it.
type observed struct {
	Point
	index  int // in the order of time
	k      float64
	own    float64 // relative standard uncertainty, own, without Brix and temperature
	scale  float64 // common
	dens   float64 // common
	p      syrup.Properties
	brix   float64 // standard uncertainty of the solids
	temp   float64 // of the temperature, K
	guess  float64 // standard uncertainty of ln rate, where not timed
	weight float64 // by which its own uncertainty is enlarged, 1 or more
	off    bool    // found to be off by more than chance
}

// ownU returns the relative standard uncertainty of the point, own, if the curve
// changes by so much (ln K) with ln viscosity, ln density and ln rate where it was
// proved: an error of Brix shifts its K through the density, and the condition
// it stands at through the viscosity; one cause, so they add with their sign.
func (o *observed) ownU(perMu, perRho, perRate, expand float64) float64 {
	b := o.brix * (o.p.DensityPerSolids - perMu*o.p.ViscosityPerSolids - perRho*o.p.DensityPerSolids)
	t := o.temp * (o.p.DensityPerKelvin + expand - perMu*o.p.ViscosityPerKelvin - perRho*o.p.DensityPerKelvin)
	return o.weight * math.Sqrt(o.own*o.own+b*b+t*t+o.guess*o.guess*perRate*perRate)
}

// usualFlow is taken for a test that was not timed where no other was: one
// between a trickle and a wide-open hose, within a factor of two as standard uncertainty.
const (
	usualFlow      = 5 * quantity.LitrePerMinute
	usualFlowRange = 0.7
)

// mostTests is how many tests a curve is made of; of more the newest are taken.
const mostTests = 100

// observe turns tests into points, in the order of time; mass provings only if
// there is nothing else. left names those that were left out.
func observe(tests []Test, repeat float64) (obs []observed, left []string, err error) {
	type named struct {
		Test
		n int
	}
	all := make([]named, 0, len(tests))
	volume := false
	for i, t := range tests {
		if t.Name == "" {
			t.Name = fmt.Sprintf("proving %d", i+1)
		}
		all = append(all, named{t, i})
		volume = volume || !t.NoBrix
	}
	slices.SortStableFunc(all, func(a, b named) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Name, b.Name), cmp.Compare(a.n, b.n))
	})
	for i, t := range all {
		if i > 0 && slices.ContainsFunc(all[:i], func(o named) bool { return o.Name == t.Name }) {
			return nil, nil, &Error{"proving's name", "must not be that of another", t.Name}
		}
		p, pr, err := t.found()
		if err != nil {
			return nil, nil, fmt.Errorf("%s: %w", t.Name, err)
		}
		if t.NoBrix && volume {
			left = append(left, t.Name+": mass proving, while others have Brix")
			continue
		}
		me, rect := t.means(), math.Sqrt(3)
		own := Budget(slices.DeleteFunc(slices.Clone(p.Budget), func(c Component) bool {
			return c.Common || c.Name == brix || c.Name == temperature
		}))
		obs = append(obs, observed{Point: p, own: scattered(own.RelU(), me, repeat), p: pr, weight: 1,
			scale: p.Budget.of(scaleCalibration), dens: p.Budget.of(densityFormula),
			brix: float64(me.Brix) / rect, temp: float64(me.Temp) / rect})
	}
	if n := len(obs) - mostTests; n > 0 {
		for _, o := range obs[:n] {
			left = append(left, fmt.Sprintf("%s: older than the newest %d", o.Name, mostTests))
		}
		obs = obs[n:]
	}
	for i := range obs {
		obs[i].index = i
	}
	return obs, left, nil
}

// scattered enlarges a test's own uncertainty where its means reckon with less
// scatter than the meter's pulls have.
func scattered(own float64, m Means, repeat float64) float64 {
	if repeat <= m.Scatter {
		return own
	}
	return math.Sqrt(own*own + (repeat*repeat-m.Scatter*m.Scatter)/float64(m.Tests))
}

// step is a stretch of time in which the meter drifted, on its own.
type step struct {
	name string
	sd   float64
	of   []int // the observations that it lies before, or after, as seen from now
	sign float64
}

// drifts returns the stretches between the tests and now. A test is separated
// from now by all stretches that lie between: the meter's walk is one, so that two old tests share
// what came after the younger.
func drifts(obs []observed, now int64) []step {
	type node struct {
		at   int64
		name string
	}
	nodes := []node{{now, ""}}
	for i := range obs {
		if obs[i].At != 0 {
			nodes = append(nodes, node{obs[i].At, obs[i].Name})
		}
	}
	slices.SortStableFunc(nodes, func(a, b node) int { return cmp.Compare(a.at, b.at) })
	var out []step
	for i := 1; i < len(nodes); i++ {
		a, b := nodes[i-1], nodes[i]
		if a.at == b.at {
			continue
		}
		s := step{sd: DriftPerYear * math.Sqrt(float64(b.at-a.at)/year), sign: 1, name: causeDrift + a.name}
		for j := i - 1; j >= 0 && nodes[j].at == a.at; j-- { // of equal times, the same name always
			if nodes[j].name != "" {
				s.name = causeDrift + nodes[j].name
			}
		}
		if s.name == causeDrift {
			s.name = "drift before " + b.name
		}
		for k := range obs {
			switch at := obs[k].At; {
			case at == 0:
			case b.at <= now && at <= a.at:
				s.of = append(s.of, k)
			case a.at >= now && at >= b.at:
				s.of, s.sign = append(s.of, k), -1
			}
		}
		if len(s.of) > 0 {
			out = append(out, s)
		}
	}
	return out
}

// errors are independent causes of unit variance and what each does to the
// observations, relatively: the curve's effects follow from the fit's gain.
type errorsOf struct {
	names []string
	by    [][]float64
}

func (e *errorsOf) add(name string, n int, fill func(v []float64)) {
	v := make([]float64, n)
	fill(v)
	e.names, e.by = append(e.names, name), append(e.by, v)
}

// errorsIn lists the causes that the points have, in n observations of which the
// points are the first; own is each point's own uncertainty.
func errorsIn(obs []observed, steps []step, n int, own func(i int) float64) *errorsOf {
	e := &errorsOf{}
	for i := range obs {
		e.add(obs[i].Name, n, func(v []float64) { v[i] = own(i) })
	}
	for _, s := range steps {
		e.add(s.name, n, func(v []float64) {
			for _, k := range s.of {
				v[k] = s.sd * s.sign
			}
		})
	}
	e.add(CauseScale, n, func(v []float64) {
		for i := range obs {
			v[i] = obs[i].scale
		}
	})
	e.add(CauseDensity, n, func(v []float64) {
		for i := range obs {
			v[i] = obs[i].dens
		}
	})
	return e
}

// cov returns the covariance of the observations.
func (e *errorsOf) cov() [][]float64 {
	n := len(e.by[0])
	out := make([][]float64, n)
	for i := range out {
		out[i] = make([]float64, n)
		for j := range out[i] {
			for _, v := range e.by {
				out[i][j] += v[i] * v[j]
			}
		}
	}
	return out
}
