package books

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// Kinds of streams.
const (
	Purchased  = "bought"
	StockCount = "stock count"
	Sugared    = "goods into a mix"
	Watered    = "water"
	Moved      = "from tote to tote"
	Given      = "fed past the meter"
	Mislaid    = "lost"
	Rinsed     = "rinse water through the meter"
	Dispensed  = "metered"
	Content    = "content of a tote"
)

// item is a stream in the making: solids and water that moved together. By
// what the balance is given they are functions of the world; where nobody
// measured how much it was, of a free amount as well.
type item struct {
	name, kind, act string
	at              int64
	yard, why, rig  string
	held            int // of syrup, in Book.Held; -1

	masses func(*world) (solids, water float64) // as measured
	// Not measured: masses are of amount, kg, which is a guess; free says that
	// even what it is made of is not known.
	unmeasured, free bool
	amount           float64
	flows            []int   // of what was metered: places in Season.Metered
	volume           float64 // of what was metered, m³
	own              float64 // relative standard uncertainty that nothing else shares
}

// pool is a place between two looks at what it holds: what went in less what
// went out is what it holds more.
type pool struct {
	store    string // as sugar.Stock.Name; "": a tote
	tote     string
	from, to int64 // of the looks
	terms    []poolTerm
	opened   bool // a look begins it
	closed   bool // a look ends it; else what it holds at the end is unmeasured
	held     int  // of a tote, what it held last; -1
}

type poolTerm struct {
	item int
	by   float64 // +1 in, -1 out
}

// check is a relation between measured things that is no pool: the masses of
// two items, solids or totals, must be equal.
type check struct {
	name, act string
	at        int64
	a, b      func(*world) float64
	own       float64 // relative standard uncertainty of a that nothing else shares
}

// model is what is made of a season.
type model struct {
	s      *Season
	items  []item
	pools  []pool
	checks []check
	review []Review
	untold []flowsOf // that no entry tells of, by name

	goods  []goodsRef // entries that causes and faults are about
	waters []int      // acts
	brixes []int
	seen   []sighting // of the acts
	litres []int
	level  []sensed

	over   *act.RigTotes
	stores map[string]int // pool of each now
	totes  map[string]*spot
}

type sighting struct{ act, item int }
type sensed struct{ level, item int }

// spot is a tote while the model is made.
type spot struct {
	pool   int
	look   int // item of the newest look if nothing moved since; else -1
	sensor bool
}

func (m *model) add(it item) int { m.items = append(m.items, it); return len(m.items) - 1 }

func (m *model) put(p, item int, by float64) {
	if len(m.pools[p].terms) == 0 {
		m.pools[p].from = m.items[item].at
	}
	m.pools[p].terms = append(m.pools[p].terms, poolTerm{item, by})
}

func (m *model) reviewed(id, format string, args ...any) {
	m.review = append(m.review, Review{id, fmt.Sprintf(format, args...)})
}

// moment is something that happened, to be taken in order of time.
type moment struct {
	at    int64
	order int // at one instant: sensor, act, flow
	i     int
}

const (
	bySensor = iota
	byAct
	byFlow
)

// build makes the model.
func (s *Season) build() *model {
	m := &model{s: s, over: act.NewRigTotes(s.Acts), stores: map[string]int{}, totes: map[string]*spot{}}
	gone := act.Corrected(s.Acts)
	var all []moment
	for i := range s.Acts {
		a := &s.Acts[i]
		switch a.Body.(type) {
		case act.Tote, act.Swap, act.Batch:
		default:
			if !act.OfBooks(a.Body) || a.Since() >= s.To || a.Check() != nil {
				continue
			}
		}
		if !gone[a.ID] {
			all = append(all, moment{a.Since(), byAct, i})
		}
	}
	for i := range s.Levels {
		if at := s.Levels[i].At; at >= s.From && at < s.To {
			all = append(all, moment{at, bySensor, i})
		}
	}
	for i := range s.Metered {
		if at := s.Metered[i].At; at >= s.From && at < s.To {
			all = append(all, moment{at, byFlow, i})
		}
	}
	slices.SortStableFunc(all, func(a, b moment) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.order, b.order)) })
	lines := map[flowKey]int{}
	for _, e := range all {
		switch e.order {
		case bySensor:
			m.sensor(e.i)
		case byFlow:
			m.flow(e.i, lines)
		default:
			m.act(e.i)
		}
	}
	for _, o := range m.untold {
		m.reviewed("", "%s of %s is in no balance: no entry tells what was in the tote", m.s.Units.Volume(quantity.VolumeOf(o.volume)), o.name)
	}
	for i := range m.items {
		if m.items[i].flows != nil {
			m.flowed(&m.items[i])
		}
	}
	// After the last look nothing need have moved: then it was the end.
	m.pools = slices.DeleteFunc(m.pools, func(p pool) bool {
		return !p.closed && (len(p.terms) == 0 || len(p.terms) == 1 && p.opened)
	})
	for i := range m.pools {
		p := &m.pools[i]
		if p.closed {
			continue
		}
		p.to = s.To
		it := item{name: "content at the end", kind: Content, at: s.To, held: -1, unmeasured: true, amount: 1}
		switch h := s.Book.In(p.tote, s.To-1); {
		case p.store != "":
			it.name, it.kind = "stock at the end, not counted", StockCount
			it.masses = func(*world) (float64, float64) { return 1, 0 }
		case h >= 0 && s.Book.Held[h].Batch.Total() > 0:
			it.held = h
			it.masses = func(w *world) (float64, float64) { return w.kg(h, 1, 20) }
		default:
			it.free = true
			it.masses = func(*world) (float64, float64) { return 0, 1 }
		}
		m.put(i, m.add(it), -1)
	}
	return m
}

// goodsStore returns the pool of a store now. The house's takes over what is in
// those that rigs had of their own: how much that is nobody weighed.
func (m *model) goodsStore(i int, g *act.Goods, first bool) int {
	if g.Store != "" {
		return m.store(act.Own(g.Kind, g.Store), first)
	}
	a := &m.s.Acts[i]
	for _, own := range sorted(m.stores) {
		if kind, _, is := strings.Cut(own, " of "); !is || kind != g.Kind {
			continue
		}
		n := m.add(item{name: own + " into the house's store", kind: Moved, act: a.ID, at: a.Since(), held: -1, unmeasured: true, amount: 1,
			masses: func(*world) (float64, float64) { return asSold(g) }})
		p := m.stores[own]
		m.put(p, n, -1)
		m.pools[p].closed, m.pools[p].to = true, a.Since()
		delete(m.stores, own)
		m.put(m.store(g.Kind, true), n, 1)
	}
	return m.store(g.Kind, first)
}

// asSold is what a kilogram of goods is made of.
func asSold(g *act.Goods) (solids, water float64) {
	x := float64(act.Goods{Kind: g.Kind}.Syrup().Solids)
	return x, 1 - x
}

// store returns the pool of a store now.
func (m *model) store(kind string, first bool) int {
	if p, ok := m.stores[kind]; ok {
		return p
	}
	m.pools = append(m.pools, pool{store: kind, from: m.s.From, held: -1})
	p := len(m.pools) - 1
	m.stores[kind] = p
	if m.before(kind) && !first {
		it := m.add(item{name: "stock at the beginning, not counted", kind: StockCount, at: m.s.From, held: -1, unmeasured: true, amount: 1,
			masses: func(*world) (float64, float64) { return 1, 0 }})
		m.put(p, it, 1)
	}
	return p
}

// before tells whether a kind was in the books before the season.
func (m *model) before(kind string) bool {
	for _, mv := range m.s.Book.Moves {
		if mv.At < m.s.From && (mv.From.Name == kind || mv.To.Name == kind) {
			return true
		}
	}
	return false
}

// tote returns the tote of which an act speaks.
func (m *model) tote(a *act.Act, name string, look bool) *spot {
	return m.named(m.over.Named(a, name), look)
}

// named returns a tote, with what it held at the beginning where that was said by nobody.
func (m *model) named(name string, look bool) *spot {
	t := m.totes[name]
	if t == nil {
		m.pools = append(m.pools, pool{tote: name, from: m.s.From, held: -1})
		t = &spot{pool: len(m.pools) - 1, look: -1}
		m.totes[name] = t
		if h := m.s.Book.In(name, m.s.From-1); h >= 0 && !look && m.s.Book.Held[h].Batch.Total() > 0 {
			it := m.add(item{name: "content at the beginning", kind: Content, at: m.s.From, held: h, unmeasured: true, amount: 1,
				masses: func(w *world) (float64, float64) { return w.kg(h, 1, 20) }})
			m.put(t.pool, it, 1)
		}
	}
	return t
}

// moves puts an item into or out of a tote.
func (m *model) moves(t *spot, item int, by float64) {
	m.put(t.pool, item, by)
	t.look = -1
	if h := m.items[item].held; h >= 0 && by < 0 {
		m.pools[t.pool].held = h
	}
}

// look takes in what a tote was seen to hold: it ends one pool and begins the next.
func (m *model) look(t *spot, it item, sensor bool) int {
	if t.look >= 0 { // nothing moved since the last: what a person said goes before a sensor, the later before the earlier
		if t.sensor || !sensor {
			m.items[t.look] = it
			t.sensor = sensor
		}
		return t.look
	}
	p := &m.pools[t.pool]
	i := m.add(it)
	if len(p.terms) > 0 {
		name := p.tote
		p.closed, p.to = true, it.at
		if it.held >= 0 {
			p.held = it.held
		}
		m.put(t.pool, i, -1)
		m.pools = append(m.pools, pool{tote: name, from: it.at, held: it.held})
		t.pool = len(m.pools) - 1
	} else {
		p.from, p.held = it.at, it.held
	}
	m.pools[t.pool].opened = true
	m.put(t.pool, i, 1)
	t.look, t.sensor = i, sensor
	return i
}

// contentTempU is how well a tote's temperature is known, K, where a volume was
// seen and no temperature with it: relative to the volume it is that times syrup's
// expansion of 3.8e-4 /K. Judgement, no source; the expansion from memory.
const contentTempU, expansion = 5, 3.8e-4

// What a tote is taken to hold of which no entry tells: kg/m³, the share of
// solids, and how far that may be off, relative. Judgement, no source.
const unsaidDensity, unsaidSolids, unsaidU = 1180, 0.4, 0.6

func (m *model) content(tote string, at int64, v func(*world) float64, base, u float64) item {
	h := m.s.Book.In(tote, at-1)
	temp := m.tempAt(at)
	it := item{name: "content", kind: Content, at: at, held: h}
	if h < 0 || m.s.Book.Held[h].Batch.Total() == 0 && base > 0 {
		// Of a tote of which no entry tells, it is anything from water to thick syrup.
		it.held = -1
		it.masses = func(w *world) (float64, float64) {
			v := v(w) * unsaidDensity
			return v * unsaidSolids, v * (1 - unsaidSolids)
		}
		if base > 0 {
			it.own = math.Hypot(u/base, unsaidU)
		}
		return it
	}
	it.masses = func(w *world) (float64, float64) { return w.kg(h, v(w), temp) }
	if base > 0 {
		it.own = math.Hypot(u/base, contentTempU*expansion)
	}
	return it
}

// tempAt is about the temperature of the syrup: that of the flow nearest in
// time, within two days.
func (m *model) tempAt(at int64) quantity.Temperature {
	const far = int64(48 * time.Hour)
	k := sort.Search(len(m.s.Metered), func(i int) bool { return m.s.Metered[i].At >= at })
	best, d := quantity.Temperature(15), far
	for _, i := range []int{k - 1, k} {
		if i >= 0 && i < len(m.s.Metered) {
			if apart := max(m.s.Metered[i].At-at, at-m.s.Metered[i].At); apart < d {
				best, d = m.s.Metered[i].Temp, apart
			}
		}
	}
	return best
}

func (m *model) sensor(i int) {
	l := m.s.Levels[i]
	t := m.named(l.Tote, true)
	it := m.content(l.Tote, l.At, func(w *world) float64 {
		if f, ok := w.levels[l.Tote]; ok {
			return l.Volume * f
		}
		return l.Volume
	}, l.Volume, l.U)
	if t.look >= 0 && !t.sensor {
		return
	}
	at := m.look(t, it, true)
	m.level = append(m.level, sensed{i, at})
}

// flowsOf is what flowed on all of an account, m³.
type flowsOf struct {
	name   string
	volume float64
}

type flowKey struct {
	pool, held int
	yard, why  string
	rig        string
}

// flow takes in metered flow. What is on one account, of one syrup and between
// the same looks at the tote is one stream.
func (m *model) flow(i int, lines map[flowKey]int) {
	f := &m.s.Metered[i]
	if f.Held < 0 || f.Held >= len(m.s.Book.Held) {
		k := slices.IndexFunc(m.untold, func(o flowsOf) bool { return o.name == f.Name })
		if k < 0 {
			k = len(m.untold)
			m.untold = append(m.untold, flowsOf{name: f.Name})
		}
		m.untold[k].volume += f.Volume
		return
	}
	tote := m.s.Book.Held[f.Held].Tote
	t := m.named(tote, false)
	k := flowKey{t.pool, f.Held, f.Yard, f.Why, f.Rig}
	n, ok := lines[k]
	if !ok {
		n = m.add(item{name: f.Name, kind: Dispensed, at: f.At, yard: f.Yard, why: f.Why, rig: f.Rig, held: f.Held})
		lines[k] = n
		m.moves(t, n, -1)
	}
	t.look = -1
	m.items[n].flows = append(m.items[n].flows, i)
}

// flows makes the masses of what was metered on one account.
func (m *model) flowed(it *item) {
	var v, own2, temp float64
	for _, i := range it.flows {
		f := &m.s.Metered[i]
		v += f.Volume
		own2 += float64(f.Own * f.Own)
		temp += float64(f.Volume * float64(f.Temp))
	}
	t := quantity.Temperature(20)
	if v > 0 {
		it.own, t = math.Sqrt(own2)/v, quantity.Temperature(temp/v)
	}
	held := it.held
	it.volume = v
	rig := it.rig
	it.masses = func(w *world) (float64, float64) {
		if w.of != "" && w.of != rig {
			return w.kg(held, v, t)
		}
		return w.kg(held, v*w.flow, t)
	}
}
