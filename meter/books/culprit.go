package books

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"yardtally/calibrate/reconcile"
	"yardtally/meter/act"
)

// Kinds of faults.
const (
	OfBags      = "bags"
	OfGoods     = "goods"
	OfWater     = "water"
	OfBrix      = "Brix"
	OfMeter     = "meter"
	OfContent   = "content"
	OfStrapping = "strapping"
	OfScale     = "scale"
	OfLabel     = "bag label"
	OfReading   = "refractometer"
	OfVolume    = "volume"
	Unbooked    = "unbooked"
)

// Culprit is a fault that would explain what does not add up.
type Culprit struct {
	Kind string // one of the kinds of faults
	Rig  string // of OfMeter, in a house: whose
	Act  string // id of the entry that would be wrong; "": none
	Pool int    // of Unbooked: place in Balance.Pools; else -1
	// Size is how much more, or higher, the truth is than what was said: bags, kg
	// (of goods, of water, of solids unbooked), Brix, percent of the meter, a
	// scale, labels or strapping, L of a content or volume. U is its standard
	// uncertainty; 0 of whole bags.
	Size, U float64
	Z       float64 // root of what the global chi-square falls by with it
	// For is how much more likely it makes the season than no fault at all, in
	// natural logarithms, as fair a size of it and the number of sizes tried are.
	For   float64
	Words string
	// With are other faults that explain it about as well: one of them or this
	// one is it, and the balance cannot tell which. More: there are others still.
	With []Culprit
	More int
}

// What sizes of faults are fair, as standard deviations about none, and how
// likely a slip of one and of two bags is, where there is a slip. Judgement, no source.
const (
	fairMeter     = 4.0  // %
	fairBrix      = 1.5  // Brix
	fairReading   = 0.7  // Brix
	fairScale     = 2.0  // %
	fairLabel     = 1.0  // %
	fairStrapping = 3.0  // %
	fairContent   = 20.0 // L
	fairUnbooked  = 20.0 // kg
	fairGoods     = 0.1  // of the amount
	fairWater     = 0.1
	fairVolume    = 0.1
	oneBag        = 0.4 // more, and as likely fewer
	twoBags       = 0.1
)

const (
	// tell is from when on of two faults the likelier is named alone: it makes
	// the season ten times as likely.
	tell = 2.302585
	// named is how many are named together, and mostFaults how many are looked for at once.
	named, mostFaults = 3, 3
	// refined is how many of the likeliest are tried at their size.
	refined = 12
)

// fault is one that is tried.
type fault struct {
	kind   string
	act    int    // -1
	pool   int    // -1
	tote   string // of a content, strapping: which
	rig    string // of a meter, in a house: whose
	at     int64  // of a content seen by a sensor
	fair   float64
	goods  string                       // of bags and goods: which
	sizes  []float64                    // of a fault that comes in whole pieces; nil: any size
	w      [][]float64                  // for each size, or for a size of 1: what it does to the whitened residuals
	effect func(size float64) []float64 // the same of a size of it; nil: w in proportion
}

// culprits looks for faults, the likeliest first, until what is left is as
// the stated errors would have it.
func (m *model) culprits(r *reconcile.Result, base []float64) (out []Culprit, cleared bool) {
	faults := m.faults(r, base)
	rest, dof := slices.Clone(r.Residual()), r.DOF
	for round := range mostFaults {
		var found []Culprit
		var at []int
		for i := range faults {
			if c, ok := faults[i].try(rest); ok {
				found, at = append(found, c), append(at, i)
			}
		}
		order := make([]int, len(found))
		for i := range order {
			order[i] = i
		}
		byWeight := func(a, b int) int { return cmp.Compare(found[b].For, found[a].For) }
		slices.SortStableFunc(order, byWeight)
		// What is not quite in proportion to its size is tried at its size.
		for n, i := range order {
			f := &faults[at[i]]
			if n == refined || round > 0 {
				break
			}
			if f.effect != nil && math.Abs(found[i].Size) > 1e-3 {
				w := f.effect(found[i].Size)
				for k := range w {
					w[k] /= found[i].Size
				}
				f.w[0] = w
				found[i], _ = f.try(rest)
			}
		}
		slices.SortStableFunc(order, byWeight)
		if len(order) == 0 || found[order[0]].For <= 0 {
			return out, false
		}
		for n, i := range order {
			f := &faults[at[i]]
			c := &found[i]
			c.Kind, c.Pool, c.Rig = f.kind, f.pool, f.rig
			if f.act >= 0 {
				c.Act = m.s.Acts[f.act].ID
			}
			c.Words = m.words(f, c)
			if n > 0 && (n > 24 || found[order[0]].For-c.For > tell) {
				break
			}
			switch {
			case n == 0:
			case n < named:
				found[order[0]].With = append(found[order[0]].With, *c)
			default:
				found[order[0]].More++
			}
		}
		best := found[order[0]]
		out = append(out, best)
		f := &faults[at[order[0]]]
		if dof -= f.remove(best.Size, rest, faults); dof <= 0 {
			return out, true
		}
		chi2 := 0.0
		for _, x := range rest {
			chi2 += float64(x * x)
		}
		if (distuv.ChiSquared{K: float64(dof)}).Survival(chi2) >= Level {
			return out, true
		}
	}
	return out, false
}

// toteOf names the tote that an item was in.
func (m *model) toteOf(item int) string {
	for i := range m.pools {
		for _, t := range m.pools[i].terms {
			if t.item == item {
				return m.called(&m.pools[i])
			}
		}
	}
	return "tote"
}

// meters are the rigs by whose meters something flowed; "" of a single rig.
func (m *model) meters() []string {
	if !m.s.Book.House {
		return []string{""}
	}
	rigs := map[string]bool{}
	for i := range m.items {
		if m.items[i].rig != "" {
			rigs[m.items[i].rig] = true
		}
	}
	return sorted(rigs)
}

// try weighs a fault against the residuals that are left.
func (f *fault) try(rest []float64) (c Culprit, ok bool) {
	if f.sizes == nil {
		v, s := dot(f.w[0], f.w[0]), dot(f.w[0], rest)
		if !(v > 1e-12) {
			return c, false
		}
		c.Size, c.U = s/v, 1/math.Sqrt(v)
		c.Z = s / math.Sqrt(v)
		// Of a size that is normal about none with the fair deviation: marginal likelihood.
		gain := f.fair * f.fair * v
		c.For = (c.Z*c.Z*gain/(1+gain) - math.Log1p(gain)) / 2
		return c, true
	}
	c.For = math.Inf(-1)
	for i, size := range f.sizes {
		falls := 2*dot(f.w[i], rest) - dot(f.w[i], f.w[i])
		prior := math.Log(oneBag)
		if math.Abs(size) > 1 {
			prior = math.Log(twoBags)
		}
		if l := falls/2 + prior; l > c.For {
			c.For, c.Size, c.Z = l, size, math.Sqrt(max(0, falls))
		}
	}
	return c, true
}

// remove takes a fault out of the residuals and, of one whose size was fitted,
// out of what all others may explain. It returns the degrees of freedom that took.
func (f *fault) remove(size float64, rest []float64, faults []fault) int {
	if f.sizes != nil {
		w := f.w[slices.Index(f.sizes, size)]
		for i := range rest {
			rest[i] -= w[i]
		}
		return 0
	}
	q := slices.Clone(f.w[0])
	n := math.Sqrt(dot(q, q))
	for i := range q {
		q[i] /= n
	}
	take := func(x []float64) {
		s := dot(x, q)
		for i := range x {
			x[i] -= float64(s * q[i])
		}
	}
	take(rest)
	for i := range faults {
		for _, w := range faults[i].w {
			take(w)
		}
	}
	return 1
}

func dot(a, b []float64) (s float64) {
	for i, x := range a {
		s += float64(x * b[i])
	}
	return s
}

// faults are those that are tried.
func (m *model) faults(r *reconcile.Result, base []float64) []fault {
	var out []fault
	white := func(d reconcile.Direction) []float64 {
		w, err := r.Whitened(d)
		if err != nil {
			return make([]float64, r.DOF) // of what is no number nothing is suspected
		}
		return w
	}
	// What the truth would be: measured less true is the bias.
	would := func(w *world) []float64 {
		d := m.eval(w)
		for i := range d {
			d[i] = base[i] - d[i]
		}
		var dir reconcile.Direction
		for i, by := range m.streams(d) {
			if by != 0 {
				dir.Streams = append(dir.Streams, reconcile.Term{Stream: i, By: by})
			}
		}
		return white(dir)
	}
	booked := func(change func(acts []act.Act)) []float64 { return would(m.s.changed(change)) }
	put := func(kind string, i int, fair float64, effect func(size float64) []float64) {
		out = append(out, fault{kind: kind, act: i, pool: -1, fair: fair, w: [][]float64{effect(1)}, effect: effect})
	}
	any := func(kind string, i int, fair float64, change func(acts []act.Act, size float64)) {
		put(kind, i, fair, func(size float64) []float64 { return booked(func(acts []act.Act) { change(acts, size) }) })
	}

	for _, ref := range m.goods {
		g := goodsOf(m.s.Acts, ref)
		if g.Bags > 0 {
			f := fault{kind: OfBags, act: ref.act, pool: -1, goods: g.Kind}
			for _, n := range []float64{-2, -1, 1, 2} {
				if g.Bags+n >= 0 {
					f.sizes = append(f.sizes, n)
					change := func(acts []act.Act) { setGoods(acts, ref, func(g *act.Goods) { g.Bags = max(1e-9, g.Bags+n) }) }
					if m.s.mixed(ref) {
						f.w = append(f.w, booked(change))
					} else {
						f.w = append(f.w, would(m.s.restocked(change)))
					}
				}
			}
			out = append(out, f)
			continue
		}
		kg, _ := masses(g.Batch())
		any(OfGoods, ref.act, max(1, fairGoods*kg), func(acts []act.Act, x float64) { setGoods(acts, ref, scaleGoods(max(0, 1+x/kg))) })
		out[len(out)-1].goods = g.Kind
	}
	for _, i := range m.waters {
		kg, l, _ := waterOf(m.s.Acts[i].Body)
		any(OfWater, i, max(1, fairWater*(kg+l)), func(acts []act.Act, x float64) { scaleWater(acts, i, max(0, 1+x/(kg+l))) })
	}
	for _, i := range m.brixes {
		any(OfBrix, i, fairBrix, func(acts []act.Act, x float64) { addBrix(acts, i, x) })
	}
	if len(m.brixes) > 1 {
		any(OfReading, -1, fairReading, func(acts []act.Act, x float64) {
			for _, i := range m.brixes {
				addBrix(acts, i, x)
			}
		})
	}
	for _, s := range m.seen {
		tote := m.toteOf(s.item)
		any(OfContent, s.act, fairContent, func(acts []act.Act, x float64) { addContent(acts, s.act, x) })
		out[len(out)-1].tote = tote
	}
	for _, i := range m.litres {
		l, _ := litresOf(m.s.Acts[i].Body)
		any(OfVolume, i, max(1, fairVolume*l), func(acts []act.Act, x float64) { scaleLitres(acts, i, max(0, 1+x/l)) })
	}
	weighed := func(by string) func(acts []act.Act, x float64) {
		return func(acts []act.Act, x float64) {
			for _, ref := range m.goods {
				if measuredBy(goodsOf(acts, ref)) == by {
					setGoods(acts, ref, scaleGoods(1+x/100))
				}
			}
			for _, i := range m.waters {
				if waterBy(acts[i].Body) == by {
					scaleWater(acts, i, 1+x/100)
				}
			}
		}
	}
	any(OfScale, -1, fairScale, weighed("scale"))
	any(OfLabel, -1, fairLabel, weighed("bag"))
	for _, rig := range m.meters() {
		put(OfMeter, -1, fairMeter, func(size float64) []float64 {
			w := m.s.world()
			w.flow, w.of = 1+size/100, rig
			return would(w)
		})
		out[len(out)-1].rig = rig
	}
	for _, tote := range m.sensors() {
		put(OfStrapping, -1, fairStrapping, func(size float64) []float64 {
			w := m.s.world()
			w.levels = map[string]float64{tote: 1 + size/100}
			return would(w)
		})
		if m.s.Book.House {
			out[len(out)-1].tote = m.called(&pool{tote: tote})
		}
	}
	for _, l := range m.level {
		it := &m.items[l.item]
		if v := 1000 * m.s.Levels[l.level].Volume; it.act == "" && v > 0 { // else an entry's content took its place
			d := reconcile.Direction{Streams: []reconcile.Term{{Stream: 2 * l.item, By: -base[2*l.item] / v}, {Stream: 2*l.item + 1, By: -base[2*l.item+1] / v}}}
			out = append(out, fault{kind: OfContent, act: -1, pool: -1, at: it.at, tote: m.toteOf(l.item), fair: fairContent, w: [][]float64{white(d)}})
		}
	}
	for i := range m.pools {
		d := reconcile.Direction{Balances: []reconcile.Term{{Stream: len(m.checks) + i, By: 1}}}
		out = append(out, fault{kind: Unbooked, act: -1, pool: i, fair: fairUnbooked, w: [][]float64{white(d)}})
	}
	return out
}
