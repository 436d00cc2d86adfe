// Package worth turns pulses into volume by the meter's curve, and keeps where
// the volume's uncertainty comes from, so that sums over fills, yards and a
// season are as sure as they are and no surer: what is common to all of them,
// such as the error of a proving, does not average out.
package worth

import (
	"math"
	"slices"
	"sort"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Cover is the coverage factor of a 95 % interval under a normal distribution
// (GUM 6.2.1 and annex G; 1.959964 from memory).
const Cover = 1.959964

// Unsaid is what is taken for syrup of which nothing was said: from thin to
// thick, any density as likely. Judgement, no source.
const (
	unsaidDensity  quantity.Density = 1280
	unsaidDensityU float64          = 0.033 // relative: ±5.7 %, 40 to 67 % of sugar, rectangular
)

// Meter is a flow meter under the syrup that passes it at a temperature.
type Meter struct {
	Curve *proving.Curve // nil: no proving
	// Key tells one curve from another, Batch one batch: errors are common
	// within, not between.
	Key, Batch int32

	liquid proving.Liquid
	mass   bool    // the curve counts kilograms
	inv    float64 // 1/density, m³/kg
	// changes of ln viscosity and of ln density for one standard uncertainty
	viscBrix, viscTemp, viscFormula float64
	bodyTemp                        float64 // and of ln volume, by the body's expansion, for one of temperature
	densBrix, densTemp, densFormula float64
}

// Passing is what is known of the syrup that passes the meter.
type Passing struct {
	Syrup    syrup.Syrup
	Known    bool    // whether Syrup is
	SolidsU  float64 // standard uncertainty of its solids, mass fraction
	Temp     quantity.Temperature
	TempU    float64 // standard uncertainty of Temp, K
	BatchKey int32
}

// Under returns the meter of a curve under what passes it.
func Under(c *proving.Curve, key int32, p Passing) Meter {
	m := Meter{Curve: c, Key: key, Batch: p.BatchKey, mass: c != nil && c.Mass()}
	if c != nil {
		m.bodyTemp = c.Meter().Body.Expansion() * p.TempU
	}
	at := p.Syrup.Near(p.Temp)
	if !p.Known || math.IsNaN(float64(at.Viscosity)) {
		m.liquid = proving.Liquid{Density: quantity.Density(math.NaN()), Viscosity: quantity.Viscosity(math.NaN()), Temp: p.Temp}
		m.inv, m.densBrix = 1/float64(unsaidDensity), unsaidDensityU
		return m
	}
	m.liquid = proving.Liquid{Density: at.Density, Viscosity: at.Viscosity, Temp: p.Temp}
	m.inv = 1 / float64(at.Density)
	m.viscBrix, m.viscTemp, m.viscFormula = at.ViscosityPerSolids*p.SolidsU, at.ViscosityPerKelvin*p.TempU, at.ViscosityU
	m.densBrix, m.densTemp, m.densFormula = at.DensityPerSolids*p.SolidsU, at.DensityPerKelvin*p.TempU, at.DensityU
	return m
}

// Flow is metered flow under one curve and batch: its volume, and by how much
// it would differ for one standard uncertainty of each cause, signed, all in m³.
type Flow struct {
	Volume              float64
	Key, Batch          int32
	Sense               [proving.Terms]float64 // for an error of 1 in each of the curve's parameters
	Brix, Temp, Formula float64
	Beyond              float64 // the part of Volume that flowed outside what was proved
}

// Add values pulses that came at a rate, Hz, and adds them to f. It returns
// what one of them is worth, m³. Without a curve it does nothing.
func (m *Meter) Add(f *Flow, pulses, rate float64) float64 {
	if m.Curve == nil {
		return 0
	}
	w := m.Curve.At(rate, m.liquid)
	one, brix, temp, formula := w.Volume, w.PerViscosity*m.viscBrix, w.PerViscosity*m.viscTemp+m.bodyTemp, w.PerViscosity*m.viscFormula
	if m.mass {
		one *= m.inv
		brix -= m.densBrix
		temp -= m.densTemp
		formula = math.Hypot(formula, m.densFormula)
	}
	v := pulses * one
	f.Key, f.Batch = m.Key, m.Batch
	f.Volume += v
	for i, s := range w.Sense {
		f.Sense[i] += float64(v * s)
	}
	f.Brix += float64(v * brix)
	f.Temp += float64(v * temp)
	f.Formula += float64(v * formula)
	if w.Mark != proving.Proved {
		f.Beyond += v
	}
	return one
}

// Nominal returns what one pulse is worth where nothing is known of the flow,
// m³; 0 without a curve.
func (m *Meter) Nominal() float64 {
	var f Flow
	return m.Add(&f, 1, 0)
}

// Part returns the given share of f, 0 to 1, as when a fill is cut in two.
func (f Flow) Part(share float64) Flow {
	f.Volume *= share
	for i := range f.Sense {
		f.Sense[i] *= share
	}
	f.Brix *= share
	f.Temp *= share
	f.Formula *= share
	f.Beyond *= share
	return f
}

// Cause is one cause of uncertainty and its standard uncertainty, m³.
type Cause struct {
	Name string
	U    float64
}

// Budget is the causes of a volume's uncertainty, independent of each other,
// the largest first.
type Budget []Cause

// U returns the combined standard uncertainty, m³ (GUM 5.1.2).
func (b Budget) U() float64 {
	sum := 0.0
	for i := range b {
		sum += float64(b[i].U * b[i].U)
	}
	return math.Sqrt(sum)
}

// Within returns half the width of the 95 % interval.
func (b Budget) Within() quantity.Volume { return quantity.VolumeOf(Cover * b.U()) }

// Names of causes that the meter's curve does not name itself.
const (
	ByCount   = "pulse count"
	ByRepeat  = "repeatability of the meter"
	ByBrix    = "Brix of the syrup"
	ByTemp    = "syrup temperature"
	ByFormula = "viscosity and density formulas"
	ByDrift   = "drift since the last proving"
)

// Sum adds up flows that belong to one account, each under its own curve and
// batch. The zero Sum is empty.
type Sum struct {
	count, scatter float64 // variances, m⁶
	temp, formula  float64
	curves         []keyed[[proving.Terms]float64]
	batches        []keyed[float64]
	walks          []keyed[walk]
	session        uint64
	last           uint64
	any            bool
}

// walk is the drift of a meter away from the instant that its curve was proved
// up to, a random walk of its own before and after: variance at a year's unit,
// and what later parts need to know of earlier ones.
type walk struct {
	variance      float64 // m⁶·a
	before, after float64 // m³ before that instant; m³·a after it
}

type keyed[T any] struct {
	key int32
	v   T
}

func at[T any](list *[]keyed[T], key int32) *T {
	i := sort.Search(len(*list), func(i int) bool { return (*list)[i].key >= key })
	if i == len(*list) || (*list)[i].key != key {
		*list = slices.Insert(*list, i, keyed[T]{key: key})
	}
	return &(*list)[i].v
}

// Counts is where on the counter a flow lies.
type Counts struct {
	Session, First, Last uint64
	Age                  float64 // a, since the instant its curve was proved up to; negative before it
}

// Add takes in a flow; repeat is the relative standard deviation of one pull.
// Flows come in order of time. The pulse in which one begins is the
// pulse in which the one before it ended: at such a seam their errors cancel.
func (s *Sum) Add(f *Flow, c Counts, repeat float64) {
	if c.Last > c.First && f.Volume > 0 {
		if !s.any || s.session != c.Session || s.last != c.First {
			// Up to one pulse at either end, triangular.
			pulse := f.Volume / float64(c.Last-c.First)
			s.count += float64(pulse*pulse) / 6
		}
		s.any, s.session, s.last = true, c.Session, c.Last
	}
	s.scatter += float64(float64(repeat*f.Volume) * float64(repeat*f.Volume))
	s.temp += f.Temp
	s.formula += f.Formula
	*at(&s.batches, f.Batch) += f.Brix
	w, v := at(&s.walks, f.Key), f.Volume
	if c.Age < 0 { // going towards that instant
		w.variance -= float64(float64(v*v)*c.Age) + 2*float64(float64(v*w.before)*c.Age)
		w.before += v
	} else {
		w.variance += float64(float64(v*v)*c.Age) + 2*float64(v*w.after)
		w.after += float64(v * c.Age)
	}
	g := at(&s.curves, f.Key)
	for i := range f.Sense {
		g[i] += f.Sense[i]
	}
}

// Budget returns the causes of the sum's uncertainty. curve gives the curve of
// a key; what it does not know adds nothing.
func (s *Sum) Budget(curve func(key int32) *proving.Curve) Budget {
	brix := 0.0
	for i := range s.batches {
		brix = math.Hypot(brix, s.batches[i].v)
	}
	drift := 0.0
	for i := range s.walks {
		drift += s.walks[i].v.variance
	}
	b := Budget{
		{ByDrift, proving.DriftPerYear * math.Sqrt(max(0, drift))},
		{ByCount, math.Sqrt(s.count)},
		{ByRepeat, math.Sqrt(s.scatter)},
		{ByBrix, brix},
		{ByTemp, math.Abs(s.temp)},
		{ByFormula, math.Abs(s.formula)},
	}
	// One test's error is common to every curve that rests on it.
	var names []string
	signed := make(map[string]float64)
	for i := range s.curves {
		c := curve(s.curves[i].key)
		if c == nil {
			continue
		}
		for _, share := range c.Causes(&s.curves[i].v) {
			if _, ok := signed[share.Cause]; !ok {
				names = append(names, share.Cause)
			}
			signed[share.Cause] += share.U
		}
	}
	for _, n := range names {
		b = append(b, Cause{n, math.Abs(signed[n])})
	}
	b = slices.DeleteFunc(b, func(c Cause) bool { return c.U == 0 })
	slices.SortStableFunc(b, func(x, y Cause) int {
		switch {
		case x.U > y.U:
			return -1
		case x.U < y.U:
			return 1
		}
		return 0
	})
	return b
}
