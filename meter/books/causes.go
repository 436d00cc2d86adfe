package books

import (
	"math"
	"slices"
	"strings"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/reconcile"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// shared is the part of an error that all readings of one instrument have in
// common, and own the part that each has for itself: half of the variance each.
// Judgement, no source: a scale, a label or a refractometer is partly off, and
// partly read differently each time.
const shared, own = math.Sqrt2 / 2, math.Sqrt2 / 2

// step is which part of a standard uncertainty is tried, to find how the
// streams depend on it: so little that all is as good as linear.
const step = 0.125

// eval returns solids and water of every item, then both sides of every check.
// Items not measured are given by their share of solids, and 0.
func (m *model) eval(w *world) []float64 {
	out := make([]float64, 0, 2*(len(m.items)+len(m.checks)))
	for i := range m.items {
		s, wet := m.items[i].masses(w)
		if m.items[i].unmeasured {
			if s+wet > 0 && !m.items[i].free {
				s = s / (s + wet)
			} else {
				s = 0
			}
			wet = 0
		}
		out = append(out, s, wet)
	}
	for i := range m.checks {
		out = append(out, m.checks[i].a(w), m.checks[i].b(w))
	}
	return out
}

// cause is a cause of error: what one standard uncertainty does to what eval returns.
type cause struct {
	name string
	d    []float64
}

// causes returns them all; base is eval of the season as booked.
func (m *model) causes(base []float64) []cause {
	var out []cause
	differ := func(name string, w *world, by float64) {
		d := m.eval(w)
		any := false
		for i := range d {
			d[i] = (d[i] - base[i]) / by
			any = any || d[i] != 0
		}
		if any {
			out = append(out, cause{name, d})
		}
	}
	booked := func(name string, change func(acts []act.Act)) { differ(name, m.s.changed(change), step) }

	// Goods, by how they were measured.
	for _, by := range []string{"bag", "scale", "marks"} {
		for _, kind := range act.GoodsKinds {
			name := "weight of a bag of " + kind
			if by != "bag" {
				if kind != act.GoodsKinds[0] {
					continue // one scale, one set of marks
				}
				name = by
			}
			hit := func(g *act.Goods) bool { return measuredBy(g) == by && (by != "bag" || g.Kind == kind) }
			all := slices.DeleteFunc(slices.Clone(m.goods), func(r goodsRef) bool { return !hit(goodsOf(m.s.Acts, r)) })
			wet := slices.DeleteFunc(slices.Clone(m.waters), func(i int) bool { return waterBy(m.s.Acts[i].Body) != by })
			if len(all)+len(wet) == 0 {
				continue
			}
			booked(name, func(acts []act.Act) {
				for _, r := range all {
					setGoods(acts, r, scaleGoods(1+step*shared*goodsOf(acts, r).Within()/math.Sqrt(3)))
				}
				for _, i := range wet {
					_, _, within := waterOf(acts[i].Body)
					scaleWater(acts, i, 1+step*shared*within/100/math.Sqrt(3))
				}
			})
		}
	}
	for _, kind := range act.GoodsKinds {
		all := slices.DeleteFunc(slices.Clone(m.goods), func(r goodsRef) bool {
			g := goodsOf(m.s.Acts, r)
			return g.Kind != kind || kind == act.SugarGoods && g.Brix == 0
		})
		if len(all) > 0 {
			differ("solids of "+kind+" as sold", m.s.changed(func(acts []act.Act) {
				for _, r := range all {
					setGoods(acts, r, thinner)
				}
			}), -step)
		}
	}
	for _, r := range m.goods {
		g := goodsOf(m.s.Acts, r)
		u := own * g.Within() / math.Sqrt(3)
		if g.Bags > 1 { // each bag is off for itself
			u /= math.Sqrt(g.Bags)
		}
		change := func(acts []act.Act) { setGoods(acts, r, scaleGoods(1+step*u)) }
		if m.s.mixed(r) {
			booked("amount of goods", change)
		} else {
			differ("amount of goods", m.s.restocked(change), step)
		}
	}
	for _, i := range m.waters {
		booked("amount of water", func(acts []act.Act) {
			_, _, within := waterOf(acts[i].Body)
			scaleWater(acts, i, 1+step*own*within/100/math.Sqrt(3))
		})
	}
	if len(m.brixes) > 0 {
		booked("refractometer", func(acts []act.Act) {
			for _, i := range m.brixes {
				addBrix(acts, i, step*shared*m.brixU(i))
			}
		})
	}
	for _, i := range m.brixes {
		booked("Brix reading", func(acts []act.Act) { addBrix(acts, i, step*own*m.brixU(i)) })
	}
	for _, s := range m.seen {
		_, within, _ := contentOf(m.s.Acts[s.act].Body)
		booked("content seen", func(acts []act.Act) { addContent(acts, s.act, step*within/math.Sqrt(3)) })
	}
	for _, i := range m.litres {
		l, within := litresOf(m.s.Acts[i].Body)
		booked("volume moved", func(acts []act.Act) { scaleLitres(acts, i, 1+step*within/l/math.Sqrt(3)) })
	}
	for _, tote := range m.sensors() {
		w := m.s.world()
		w.levels = map[string]float64{tote: 1 + step*m.shareU(tote)}
		differ("strapping of tote "+tote, w, step)
	}
	out = append(out, m.metered(base)...)
	formula := cause{"density formula", make([]float64, len(base))}
	for i := range m.items {
		it := &m.items[i]
		if it.own > 0 && !it.unmeasured {
			c := cause{"reading of " + it.name, make([]float64, len(base))}
			c.d[2*i], c.d[2*i+1] = it.own*base[2*i], it.own*base[2*i+1]
			out = append(out, c)
		}
		if it.held >= 0 && !it.unmeasured {
			u := m.s.Book.Held[it.held].Syrup.Near(20).DensityU
			formula.d[2*i], formula.d[2*i+1] = u*base[2*i], u*base[2*i+1]
		}
	}
	for k := range m.checks {
		if u := m.checks[k].own; u > 0 {
			i := 2 * (len(m.items) + k)
			c := cause{m.checks[k].name, make([]float64, len(base))}
			c.d[i] = u * base[i]
			out = append(out, c)
		}
	}
	out = append(out, formula)
	return append(out, m.layers(base)...)
}

// layers are what flows out of totes that were not stirred: its solids may be
// off, all of them from one tote alike.
func (m *model) layers(base []float64) []cause {
	var out []cause
	at := map[int]int{}
	for i := range m.items {
		h := m.items[i].held
		if h < 0 || !m.s.Book.Held[h].Unstirred || m.items[i].kind == Content {
			continue
		}
		k, ok := at[h]
		if !ok {
			k = len(out)
			at[h] = k
			out = append(out, cause{"layers in the tote", make([]float64, len(base))})
		}
		by := sugar.UnstirredBrix / 100 / math.Sqrt(3) * (base[2*i] + base[2*i+1])
		out[k].d[2*i], out[k].d[2*i+1] = by, -by
	}
	return out
}

// metered are the causes that flows share, by their names.
func (m *model) metered(base []float64) []cause {
	var out []cause
	at := map[string]int{}
	for i := range m.items {
		it := &m.items[i]
		if !(it.volume > 0) {
			continue
		}
		for _, f := range it.flows {
			for _, c := range m.s.Metered[f].Common {
				k, ok := at[c.Cause]
				if !ok {
					k = len(out)
					at[c.Cause] = k
					out = append(out, cause{c.Cause, make([]float64, len(base))})
				}
				out[k].d[2*i] += float64(c.By / it.volume * base[2*i])
				out[k].d[2*i+1] += float64(c.By / it.volume * base[2*i+1])
			}
		}
	}
	return out
}

func measuredBy(g *act.Goods) string {
	switch {
	case g.Bags > 0:
		return "bag"
	case g.L > 0:
		return "marks"
	}
	return "scale"
}

func waterBy(b act.Body) string {
	if _, l, _ := waterOf(b); l > 0 {
		return "marks"
	}
	return "scale"
}

// thinner makes goods a step of one standard uncertainty thinner.
func thinner(g *act.Goods) {
	u := mix.Usual.SoldWithin.Brix()
	if g.BrixWithin > 0 {
		u = g.BrixWithin
	}
	g.Brix = g.Syrup().Solids.Brix() - step*u/math.Sqrt(3)
}

// brixU is the standard uncertainty of what was read, Brix.
func (m *model) brixU(i int) float64 {
	u := act.DefaultBrixWithin / math.Sqrt(3) / 100
	switch b := m.s.Acts[i].Body.(type) {
	case act.Mix:
		if _, x, e := b.Found(makeup(b.Parts)); e == nil {
			u = float64(x)
		}
	case act.Batch:
		if _, x, e := b.Solution(); e == nil {
			u = x
		}
	case act.Stirred:
		if _, x, e := b.Found(syrup.Makeup{}); e == nil {
			u = float64(x)
		}
	}
	return 100 * u
}

// sensors are the totes whose level was read by a sensor.
func (m *model) sensors() []string {
	var out []string
	for _, l := range m.level {
		if t := m.s.Levels[l.level].Tote; !slices.Contains(out, t) {
			out = append(out, t)
		}
	}
	return out
}

func (m *model) shareU(tote string) float64 {
	u := 0.0
	for _, l := range m.s.Levels {
		if l.Tote == tote {
			u = max(u, l.ShareU)
		}
	}
	return u
}

// problem is the model as one to be reconciled. Only solids are balanced: what
// the tote is made of is reckoned from what went into it, so that its balance of
// water says nothing that the solids and the checks do not, but rounding. lossy lets what is missing
// leave each pool, by a stream that nobody measured: from is its first stream.
func (m *model) problem(base []float64, causes []cause, lossy bool) (p reconcile.Problem, from int) {
	for i := range m.items {
		it := &m.items[i]
		a, b := reconcile.Stream{Name: it.name, Value: base[2*i]}, reconcile.Stream{Name: it.name + ": water", Value: base[2*i+1]}
		if it.unmeasured {
			a = reconcile.Stream{Name: it.name, Unmeasured: true}
			b = reconcile.Stream{Name: it.name + ": what it is made of", Unmeasured: it.free}
		}
		p.Streams = append(p.Streams, a, b)
	}
	for k := range m.checks {
		i := 2 * (len(m.items) + k)
		p.Streams = append(p.Streams, reconcile.Stream{Name: m.checks[k].name, Value: base[i]},
			reconcile.Stream{Name: m.checks[k].name + ": by weight", Value: base[i+1]})
		p.Balances = append(p.Balances, reconcile.Balance{Name: m.checks[k].name, Terms: []reconcile.Term{{Stream: i, By: 1}, {Stream: i + 1, By: -1}}})
	}
	for _, c := range causes {
		rc := reconcile.Cause{Name: c.name}
		for i, by := range m.streams(c.d) {
			if by != 0 {
				rc.Touch = append(rc.Touch, reconcile.Term{Stream: i, By: by})
			}
		}
		p.Causes = append(p.Causes, rc)
	}
	from = len(p.Streams)
	for i := range m.pools {
		pl := &m.pools[i]
		b := reconcile.Balance{Name: m.called(pl)}
		for _, t := range pl.terms {
			solids, _ := m.terms(t.item, base)
			b.Terms = append(b.Terms, times(solids, t.by)...)
		}
		if lossy {
			p.Streams = append(p.Streams, reconcile.Stream{Name: "unaccounted for, " + m.called(pl), Unmeasured: true})
			b.Terms = append(b.Terms, reconcile.Term{Stream: from + i, By: -1})
		}
		p.Balances = append(p.Balances, b)
	}
	return p, from
}

// terms are what of the problem's streams an item's solids and water are.
func (m *model) terms(i int, base []float64) (solids, water []reconcile.Term) {
	a, b := 2*i, 2*i+1
	it := &m.items[i]
	if !it.unmeasured || it.free {
		return []reconcile.Term{{Stream: a, By: 1}}, []reconcile.Term{{Stream: b, By: 1}}
	}
	x := base[a]
	return []reconcile.Term{{Stream: a, By: x}, {Stream: b, By: 1}}, []reconcile.Term{{Stream: a, By: 1 - x}, {Stream: b, By: -1}}
}

// streams turns changes of what eval returns into changes of the problem's
// measured streams: of an item not measured only what it is made of changes.
func (m *model) streams(d []float64) []float64 {
	out := slices.Clone(d)
	for i := range m.items {
		if it := &m.items[i]; it.unmeasured {
			out[2*i], out[2*i+1] = 0, it.amount*d[2*i]
			if it.free {
				out[2*i+1] = 0
			}
		}
	}
	return out
}

func times(ts []reconcile.Term, by float64) []reconcile.Term {
	for i := range ts {
		ts[i].By *= by
	}
	return ts
}

func (m *model) called(p *pool) string {
	switch {
	case p.store != "":
		return "store of " + p.store
	case p.tote == "":
		return "tote"
	case strings.HasPrefix(p.tote, act.OnRig("")):
		return "tote on " + p.tote[1:]
	case strings.Contains(strings.ToLower(p.tote), "tote"):
		return p.tote
	}
	return "tote " + p.tote
}

// the is called in a sentence: a tote with a name is spoken of without an article.
func (m *model) the(p *pool) string {
	if p.store != "" {
		return "the " + m.called(p)
	}
	return theTote(m.called(p))
}

func theTote(called string) string {
	if called == "tote" || strings.HasPrefix(called, "tote on ") {
		return "the " + called
	}
	return called
}
