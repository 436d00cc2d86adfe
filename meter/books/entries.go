package books

import (
	"math"
	"slices"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// act takes in an entry.
func (m *model) act(i int) {
	a := &m.s.Acts[i]
	if on, _ := m.over.Take(a); on != "" || a.Since() < m.s.From {
		return
	}
	id, at := a.ID, a.Since()
	if l, _, ok := contentOf(a.Body); ok {
		m.seenBy(i, l)
	}
	if l, _ := litresOf(a.Body); l > 0 {
		m.litres = append(m.litres, i)
	}
	switch b := a.Body.(type) {
	case act.Purchase:
		m.put(m.goodsStore(i, &b.Goods, false), m.goodsItem(i, 0, Purchased, "bought"), 1)
	case act.Count:
		m.count(i, b)
	case act.Lost:
		if b.Goods != nil {
			m.put(m.goodsStore(i, b.Goods, false), m.goodsItem(i, 0, Mislaid, b.Why), -1)
			return
		}
		m.drawn(i, b.Tote, Mislaid, b.Why, "", -1)
	case act.Fed:
		if b.Goods != nil {
			n := m.goodsItem(i, 0, Given, "fed past the meter")
			m.items[n].yard = b.Yard
			m.put(m.goodsStore(i, b.Goods, false), n, -1)
			return
		}
		m.drawn(i, b.Tote, Given, "fed past the meter", b.Yard, -1)
	case act.Rinse:
		// The meter took it for syrup out of the tote, where it was water from elsewhere.
		m.drawn(i, b.Tote, Rinsed, "water through the meter", "", 1)
	case act.Mix:
		m.mix(i, b)
	case act.Water:
		t := m.tote(a, b.Tote, false)
		m.waters = append(m.waters, i)
		n := m.add(item{name: "water added", kind: Watered, act: id, at: at, held: -1, masses: func(w *world) (float64, float64) {
			return 0, waterKg(w.acts[i].Body.(act.Water).Batch())
		}})
		m.moves(t, n, 1)
	case act.Stirred:
		if b.Measured() {
			m.brixes = append(m.brixes, i)
			m.reading(i)
		}
	case act.Transfer:
		m.transfer(i, b)
	case act.Batch: // said of what entries brought into the tote: a reading of it
		if slices.ContainsFunc(m.s.Book.Readings, func(r sugar.Reading) bool { return r.Act == id }) {
			m.brixes = append(m.brixes, i)
			m.reading(i)
		}
	}
}

func waterKg(b mix.Batch, err error) float64 {
	if err != nil {
		return 0 // Check has seen to it
	}
	return float64(b.Water().Mass())
}

func masses(b mix.Batch, err error) (solids, water float64) {
	if err != nil {
		return 0, 0
	}
	return float64(b.DrySolids().Mass()), float64(b.Water().Mass())
}

// goodsItem is the stream of goods booked.
func (m *model) goodsItem(i, part int, kind, name string) int {
	r := goodsRef{i, part}
	m.goods = append(m.goods, r)
	a := &m.s.Acts[i]
	return m.add(item{name: name, kind: kind, act: a.ID, at: a.Since(), held: -1, masses: func(w *world) (float64, float64) {
		return masses(goodsOf(w.acts, r).Batch())
	}})
}

// count takes in a stock count: it ends one pool of the store and begins the
// next. One before anything else of its kind is the opening stock.
func (m *model) count(i int, b act.Count) {
	a := &m.s.Acts[i]
	p := m.goodsStore(i, &b.Goods, true)
	var n int
	if b.Empty {
		n = m.add(item{name: "stock count", kind: StockCount, act: a.ID, at: a.Since(), held: -1, masses: func(*world) (float64, float64) { return 0, 0 }})
	} else {
		n = m.goodsItem(i, 0, StockCount, "stock count")
	}
	if len(m.pools[p].terms) > 0 {
		m.put(p, n, -1)
		m.pools[p].closed, m.pools[p].to = true, a.Since()
		kind := m.pools[p].store
		m.pools = append(m.pools, pool{store: kind, from: a.Since(), held: -1})
		p = len(m.pools) - 1
		m.stores[kind] = p
	} else {
		m.pools[p].from = a.Since()
	}
	m.pools[p].opened = true
	m.put(p, n, 1)
}

// seenBy takes in what an entry says that a tote held.
func (m *model) seenBy(i int, l float64) {
	a := &m.s.Acts[i]
	var name string
	switch b := a.Body.(type) {
	case act.Mix:
		name = b.Tote
	case act.Transfer:
		name = b.ToTote
	case act.Water:
		name = b.Tote
	case act.Contents:
		name = b.Tote
	}
	name = m.over.Named(a, name)
	t := m.named(name, true)
	it := m.content(name, a.Since(), func(w *world) float64 {
		l, _, _ := contentOf(w.acts[i].Body)
		return l / 1000
	}, l/1000, 0)
	it.act = a.ID
	m.seen = append(m.seen, sighting{i, m.look(t, it, false)})
}

// drawn takes in a volume of what a tote held, said in an entry.
func (m *model) drawn(i int, tote, kind, name, yard string, by float64) {
	a := &m.s.Acts[i]
	t := m.tote(a, tote, false)
	h := m.s.Book.In(m.pools[t.pool].tote, a.Since()-1)
	if h < 0 {
		m.reviewed(a.ID, "is in no balance: no entry tells what was in the tote")
		return
	}
	m.moves(t, m.add(item{name: name, kind: kind, act: a.ID, at: a.Since(), yard: yard, held: h, masses: func(w *world) (float64, float64) {
		l, _ := litresOf(w.acts[i].Body)
		return w.kg(h, l/1000, 20)
	}}), by)
}

// transfer takes in what went from tote to tote. Of all of a tote nobody need
// have said how much it was; the tote is empty then.
func (m *model) transfer(i int, b act.Transfer) {
	a := &m.s.Acts[i]
	from, to := m.tote(a, b.FromTote, false), m.tote(a, b.ToTote, false)
	h := m.s.Book.In(m.pools[from.pool].tote, a.Since()-1)
	if h < 0 {
		m.reviewed(a.ID, "is in no balance: no entry tells what was in the tote that it came from")
		return
	}
	it := item{name: "transfer", kind: Moved, act: a.ID, at: a.Since(), held: h}
	if b.L > 0 {
		it.masses = func(w *world) (float64, float64) {
			return w.kg(h, w.acts[i].Body.(act.Transfer).L/1000, 20)
		}
	} else {
		it.unmeasured, it.amount = true, 1
		it.masses = func(w *world) (float64, float64) { return w.kg(h, 1, 20) }
	}
	n := m.add(it)
	m.moves(from, n, -1)
	m.moves(to, n, 1)
	if b.All {
		m.look(from, item{name: "content", kind: Content, act: a.ID, at: a.Since(), held: h,
			masses: func(*world) (float64, float64) { return 0, 0 }}, false)
	}
}

// mix takes in a mix: its parts leave the store and come, with water, into a
// tote. Where more was measured than is needed, that makes a check.
func (m *model) mix(i int, b act.Mix) {
	a := &m.s.Acts[i]
	id, at := a.ID, a.Since()
	t := m.tote(a, b.Tote, false)
	for k := range b.Parts {
		n := m.goodsItem(i, k, Sugared, b.Parts[k].Kind+" into the mix")
		m.put(m.goodsStore(i, &b.Parts[k], false), n, -1)
		m.moves(t, n, 1)
	}
	if b.Measured() {
		m.brixes = append(m.brixes, i)
	}
	dry := func(w *world) (solids, water float64) {
		for _, g := range w.acts[i].Body.(act.Mix).Parts {
			s, wet := masses(g.Batch())
			solids, water = solids+s, water+wet
		}
		return solids, water
	}
	weighed := func(w *world) float64 { // water that was put in
		b := w.acts[i].Body.(act.Mix)
		if b.WaterKg == 0 && b.WaterL == 0 {
			return 0
		}
		return waterKg(b.Water())
	}
	brix := func(w *world) float64 {
		b := w.acts[i].Body.(act.Mix)
		x, _, err := b.Found(makeup(b.Parts))
		if err != nil || !(x > 0) {
			return math.NaN()
		}
		return float64(x)
	}
	known := b.WaterKnown()
	measured := b.Measured() && !math.IsNaN(brix(m.s.world()))
	wet := weighed
	if !known {
		if !measured {
			m.reviewed(id, "is in no balance of water: how much was put in is not known")
		}
		wet = func(w *world) float64 {
			s, have := dry(w)
			x := brix(w)
			return s*(1-x)/x - have
		}
	} else if b.WaterKg > 0 || b.WaterL > 0 {
		m.waters = append(m.waters, i)
	}
	it := item{name: "water into the mix", kind: Watered, act: id, at: at, held: -1, masses: func(w *world) (float64, float64) { return 0, wet(w) }}
	if !known && !measured {
		it.unmeasured, it.amount = true, 1
		it.masses = func(*world) (float64, float64) { return 0, 1 }
	}
	m.moves(t, m.add(it), 1)
	if known && measured {
		m.checks = append(m.checks, check{name: "Brix of the mix", act: id, at: at,
			a: func(w *world) float64 { s, have := dry(w); return brix(w) * (s + have + weighed(w)) },
			b: func(w *world) float64 { s, _ := dry(w); return s }})
	}
	if b.VolumeL > 0 && (known || measured) {
		within := b.VolumeWithinL
		if within == 0 {
			within = b.VolumeL * act.UsualVolumePct / 100
		}
		temp := act.TempOr20(b.TempC)
		m.checks = append(m.checks, check{name: "volume of the mix", act: id, at: at, own: within / b.VolumeL / math.Sqrt(3),
			a: func(w *world) float64 {
				s, have := dry(w)
				x := s / (s + have + wet(w))
				of := syrup.Syrup{Makeup: makeup(w.acts[i].Body.(act.Mix).Parts), Solids: quantity.Solids(x)}
				return w.acts[i].Body.(act.Mix).VolumeL / 1000 * float64(of.Near(temp).Density)
			},
			b: func(w *world) float64 { s, have := dry(w); return s + have + wet(w) }})
	}
}

// reading is the check that what was measured of a tote makes: what was read
// against what entries make expect.
func (m *model) reading(i int) {
	a := &m.s.Acts[i]
	find := func(w *world) int {
		for k := range w.readings {
			if w.readings[k].Act == a.ID {
				return k
			}
		}
		return -1
	}
	if find(m.s.world()) < 0 {
		return
	}
	of := func(pick func(*sugar.Reading) quantity.Solids) func(*world) float64 {
		return func(w *world) float64 {
			if k := find(w); k >= 0 {
				return 100 * float64(pick(&w.readings[k]))
			}
			return math.NaN()
		}
	}
	m.checks = append(m.checks, check{name: "Brix of the tote", act: a.ID, at: a.Since(),
		a: of(func(r *sugar.Reading) quantity.Solids { return r.Read }),
		b: of(func(r *sugar.Reading) quantity.Solids { return r.Expected })})
}

// makeup is what the solids of a mix are made of.
func makeup(parts []act.Goods) syrup.Makeup {
	var m syrup.Makeup
	var sum quantity.Mass
	for _, g := range parts {
		s, _ := masses(g.Batch())
		m = syrup.Blend(m, sum, g.Syrup().Makeup, quantity.Mass(s))
		sum += quantity.Mass(s)
	}
	return m
}
