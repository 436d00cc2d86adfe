package books

import (
	"fmt"
	"math"

	"yardtally/calibrate/reconcile"
)

// Figure is an amount as measured and as reconciled, kg. U and After are
// standard uncertainties; Z tells by how many of its own the figure moved.
type Figure struct {
	Measured, U  float64
	Value, After float64
	Moved, Z     float64
	Known        bool // Value is
}

// Stream is what moved, or was found, once.
type Stream struct {
	Name, Kind    string // Kind: one of the kinds of streams
	Act           string // id of the entry behind it; "": none, it was metered or seen by a sensor
	At            int64
	Yard, Why     string // of what was metered
	Rig           string // of that, in a house: by whose meter
	Held          int    // of syrup: what it was, in Book.Held; else -1
	Unmeasured    bool
	Volume        float64 // of what was metered, m³
	Solids, Water Figure
	From, To      int // pools, in Balance.Pools; -1: from or to outside
}

// Pool is a store or a tote between two looks at what it held.
type Pool struct {
	Name     string
	Store    string // as sugar.Stock.Name, mostly the kind of goods; "": a tote
	Tote     string
	From, To int64
	Closed   bool // it was looked at in the end; else nothing can be said of what is missing
	// Missing is what leaves it without an entry, kg of solids, as it comes of
	// all balances; negative: more is there than there should be.
	Missing, MissingU float64
	Known             bool // Missing is
}

// Test is a test of all errors together: Chi2 is distributed as chi-square of
// DOF degrees of freedom where all are as stated. P is the chance of as much or more.
type Test struct {
	Chi2    float64
	DOF     int
	P       float64
	Rejects bool // at Level
}

// Level is the level of the tests.
const Level = 0.05

// Wide times a standard uncertainty covers 95 % of a normal distribution.
const Wide = 1.959964

// Balance is the season's balance.
type Balance struct {
	From, To int64
	Streams  []Stream
	Pools    []Pool

	// Missing is the solids unaccounted for, kg, of all pools that were looked
	// at in the end, and MissingWithin half of its 95 % interval. It is reckoned
	// with what is missing free to leave anywhere; all else says that nothing is
	// missing. MissingKnown: there is such a pool. Open are the others, and since
	// when nobody looked.
	Missing, MissingWithin float64
	MissingKnown           bool
	Open                   []string

	Global   Test
	Limit    float64 // a stream's |Z| beyond it is more than chance, all of them taken together
	Culprits []Culprit
	// Cleared: with the culprits taken for true, the global test no longer rejects.
	Cleared bool
	Causes  []reconcile.Blame // errors as estimated, in standard uncertainties
	Review  []Review
	Notice  string // NotForTrade
}

// Balance makes the balance. Errors are *reconcile.Error: figures that nothing
// is uncertain of and that do not add up.
func (s *Season) Balance() (*Balance, error) {
	m := s.build()
	base := m.eval(s.world())
	causes := m.causes(base)
	b := &Balance{From: s.From, To: s.To, Review: m.review, Notice: NotForTrade}
	p, _ := m.problem(base, causes, false)
	r, err := reconcile.Solve(p)
	if err != nil {
		return nil, err
	}
	if m.guess(r, base) { // now that amounts are about known, what they are made of weighs rightly
		p, _ = m.problem(base, causes, false)
		if r, err = reconcile.Solve(p); err != nil {
			return nil, err
		}
	}
	b.Global = Test{Chi2: r.Chi2, DOF: r.DOF, P: r.P, Rejects: r.Rejects(Level)}
	b.Causes = r.Causes
	m.report(b, r, base)
	if b.Global.Rejects {
		b.Culprits, b.Cleared = m.culprits(r, base)
	}
	return b, m.missing(b, base, causes)
}

// guess sets the amounts of items not measured to what the balances say.
func (m *model) guess(r *reconcile.Result, base []float64) (any bool) {
	for i := range m.items {
		if it := &m.items[i]; it.unmeasured && !it.free {
			any = true
			if e := r.Streams[2*i]; e.Known {
				it.amount = math.Max(0, e.Value)
			}
		}
	}
	return any
}

// missing reckons what is unaccounted for.
func (m *model) missing(b *Balance, base []float64, causes []cause) error {
	p, from := m.problem(base, causes, true)
	r, err := reconcile.Solve(p)
	if err != nil {
		return err
	}
	var all []reconcile.Term
	for i := range m.pools {
		pl := &m.pools[i]
		out := Pool{Name: m.called(pl), Store: pl.store, Tote: pl.tote, From: pl.from, To: pl.to, Closed: pl.closed}
		term := reconcile.Term{Stream: from + i, By: 1}
		out.Missing, out.MissingU, out.Known = r.Sum([]reconcile.Term{term}, 0)
		if pl.closed {
			all = append(all, term)
		} else {
			b.Open = append(b.Open, fmt.Sprintf("%s, since %s", out.Name, m.s.date(pl.from)))
		}
		b.Pools = append(b.Pools, out)
	}
	if len(all) > 0 {
		v, u, known := r.Sum(all, 0)
		b.Missing, b.MissingWithin, b.MissingKnown = v, Wide*u, known
	}
	return nil
}

// report puts the streams into the balance.
func (m *model) report(b *Balance, r *reconcile.Result, base []float64) {
	from, to := make([]int, len(m.items)), make([]int, len(m.items))
	for i := range from {
		from[i], to[i] = -1, -1
	}
	for k := range m.pools {
		for _, t := range m.pools[k].terms {
			if t.by > 0 {
				to[t.item] = k
			} else {
				from[t.item] = k
			}
		}
	}
	tested := 0
	for i := range m.items {
		it := &m.items[i]
		s := Stream{Name: it.name, Kind: it.kind, Act: it.act, At: it.at, Yard: it.yard, Why: it.why, Rig: it.rig, Held: it.held,
			Unmeasured: it.unmeasured, Volume: it.volume, From: from[i], To: to[i]}
		if it.unmeasured {
			sol, wat := m.terms(i, base)
			s.Solids.Value, s.Solids.After, s.Solids.Known = r.Sum(sol, 0)
			s.Water.Value, s.Water.After, s.Water.Known = r.Sum(wat, 0)
		} else {
			s.Solids, s.Water = figure(r.Streams[2*i]), figure(r.Streams[2*i+1])
			if s.Solids.Z != 0 || s.Water.Z != 0 {
				tested++
			}
		}
		b.Streams = append(b.Streams, s)
	}
	b.Limit = reconcile.Limit(2*tested, Level)
}

func figure(e reconcile.Estimate) Figure {
	return Figure{Measured: e.Measured, U: e.U, Value: e.Value, After: e.After, Moved: e.Moved, Z: e.Z, Known: true}
}
