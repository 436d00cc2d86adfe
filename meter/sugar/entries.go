package sugar

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
)

// stock returns the store of a kind, made where there was none. The house's
// takes over what is in those that rigs had of their own.
func (r *reader) stock(a *act.Act, g *act.Goods) *Stock {
	name := storeName(g.Kind, g.Store)
	if r.book.Stock(name) == nil {
		r.book.Stocks = append(r.book.Stocks, Stock{Kind: g.Kind, Of: g.Store})
		slices.SortFunc(r.book.Stocks, func(a, b Stock) int {
			return cmp.Or(slices.Index(act.GoodsKinds, a.Kind)-slices.Index(act.GoodsKinds, b.Kind), cmp.Compare(a.Of, b.Of))
		})
	}
	s := r.book.Stock(name)
	if g.Store == "" {
		r.takeOver(a, s)
	}
	return s
}

// takeOver brings what rigs' own stores hold of a kind into the house's.
func (r *reader) takeOver(a *act.Act, s *Stock) {
	for i := range r.book.Stocks {
		own := &r.book.Stocks[i]
		if own.Kind != s.Kind || own.Of == "" {
			continue
		}
		b, ok := rest(own)
		if !ok {
			continue // more went out than came in: that stays said of it
		}
		came, err := mix.Blend(s.Came, b)
		went, err2 := mix.Blend(own.Went, b)
		if err != nil || err2 != nil {
			continue
		}
		s.Came, own.Went = came, went
		r.move(a, Place{Store, own.Name()}, Place{Store, s.Name()}, b, false)
	}
}

// rest is what is left in a store, as a batch.
func rest(s *Stock) (b mix.Batch, ok bool) {
	solids, water := s.Left()
	if solids < 0 || water < 0 || solids+water == 0 {
		return b, false
	}
	by := mix.Means{Bulk: mix.Usual.Bulk}
	if s.Kind != act.SugarGoods {
		x := act.Goods{Kind: s.Kind}.Syrup()
		x.Solids = min(quantity.Solids(float64(solids)/float64(solids+water)), syrup.MaxSolids)
		b, err := mix.Syrup(x, (solids + water).Mass(), by)
		return b, err == nil
	}
	dry, err := mix.Sugar(solids.Mass(), by)
	if err != nil || water == 0 {
		return dry, err == nil
	}
	wet, err := mix.Water(water.Mass(), by)
	if err == nil {
		b, err = mix.Blend(dry, wet)
	}
	return b, err == nil
}

// into adds goods to a sum.
func into(sum *mix.Batch, b mix.Batch) error {
	s, err := mix.Blend(*sum, b)
	if err == nil {
		*sum = s
	}
	return err
}

func (s *Stock) paid(price float64, b mix.Batch) {
	if price > 0 {
		s.Paid += price
		s.PaidSolids += b.DrySolids()
	}
}

func (r *reader) purchase(a *act.Act, p act.Purchase) error {
	b, err := p.Goods.Batch()
	if err != nil {
		return err
	}
	s := r.stock(a, &p.Goods)
	if err := into(&s.Bought, b); err != nil {
		return err
	}
	s.paid(p.Price, b)
	r.move(a, Place{At: Bought}, Place{Store, s.Name()}, b, false)
	r.enough(a, s)
	return nil
}

// count takes in a stock count. The first of a kind is what the books begin
// with, unless something of that kind came or went before.
func (r *reader) count(a *act.Act, c act.Count) error {
	var b mix.Batch
	if !c.Empty {
		var err error
		if b, err = c.Goods.Batch(); err != nil {
			return err
		}
	}
	name := storeName(c.Goods.Kind, c.Goods.Store)
	came, any := r.came[name]
	// Where rigs had stores of their own, the house's begins with those.
	opens := c.Goods.Store != "" || !slices.ContainsFunc(r.book.Stocks, func(s Stock) bool { return s.Kind == c.Goods.Kind && s.Of != "" })
	opens = opens && (r.book.Stock(name) == nil || !any || came >= a.Since())
	s := r.stock(a, &c.Goods)
	if opens && len(s.Counts) == 0 && s.Opening.Total() == 0 {
		s.Opening = b
		s.paid(c.Price, b)
		r.move(a, Place{At: Opening}, Place{Store, name}, b, false)
		r.enough(a, s)
		return nil
	}
	if c.Price > 0 {
		r.review(a, "price: must be said of opening stock only, is %.2f: what was bought has its own", c.Price)
	}
	left, _ := s.Left()
	s.Counts = append(s.Counts, Counted{Act: a.ID, At: a.Since(), Batch: b, Solids: left})
	return nil
}

// enough says, once, that more left the store than came in.
func (r *reader) enough(a *act.Act, s *Stock) {
	left, _ := s.Left()
	used := s.Mixed.DrySolids() + s.Fed.DrySolids() + s.Lost.DrySolids()
	short := float64(left) < -0.001*float64(used) // what rounding of weights can do
	if short && !r.short[s.Name()] {
		r.review(a, "%s: %.4g kg more left the store by then than was bought or counted", s.Name(), float64(-left.Mass()))
	}
	r.short[s.Name()] = short
}

// fromStore takes goods out of the store into one of its sums.
func (r *reader) fromStore(a *act.Act, g act.Goods, to Place, sum func(*Stock) *mix.Batch) (mix.Batch, error) {
	b, err := g.Batch()
	if err != nil {
		return b, err
	}
	s := r.stock(a, &g)
	if err := into(sum(s), b); err != nil {
		return b, err
	}
	r.move(a, Place{Store, s.Name()}, to, b, false)
	r.enough(a, s)
	return b, nil
}

func (r *reader) mix(a *act.Act, m act.Mix) error {
	t := r.tote(a, m.Tote)
	made, reading, err := r.make(a, t, m)
	if err != nil {
		return err
	}
	// Nothing moves unless all of it can.
	if _, err := mix.Blend(t.batch, made.Batch); err != nil {
		return err
	}
	for _, kind := range act.GoodsKinds {
		sum := mix.Batch{}
		if s := r.book.Stock(storeName(kind, m.Parts[0].Store)); s != nil {
			sum = s.Mixed
		}
		for _, p := range made.Parts {
			if p.Goods.Kind != kind {
				continue
			}
			if err := into(&sum, p.Batch); err != nil {
				return err
			}
		}
	}
	r.coming(a, t, m.Before)
	if err := t.add(made.Batch, []Portion{{a.ID, 1}}, []int64{a.Since()}, m.Measured()); err != nil {
		return err
	}
	for _, p := range made.Parts {
		if _, err := r.fromStore(a, p.Goods, t.place(), func(s *Stock) *mix.Batch { return &s.Mixed }); err != nil {
			return err
		}
	}
	r.move(a, Place{At: Tap}, t.place(), made.Water, false)
	r.reckon(a, t.place(), made.Weighed, made.Batch)
	t.unstirred = m.Unstirred
	t.exposed = r.onRig(t)
	r.hold(a, t, true)
	made.Held = t.held
	if reading != nil {
		r.book.Readings = append(r.book.Readings, *reading)
	}
	if !r.brief {
		r.book.Mixes = append(r.book.Mixes, made)
	}
	if x := t.batch.Syrup().Solids; x > syrup.MaxSolids+1e-6 {
		r.review(a, "sugar must be at most 77 %% of the whole to be syrup, is %.4g %%: what flows of it is not known", x.Brix())
	}
	return nil
}

// make works out what a mix is, and how what was measured compares with it.
func (r *reader) make(a *act.Act, t *tote, m act.Mix) (made Made, reading *Reading, err error) {
	made = Made{Act: a.ID, Name: m.Name, Tote: t.name, At: a.Since(), Body: m, WaterKnown: m.WaterKnown()}
	var all []mix.Batch
	for _, g := range m.Parts {
		b, err := g.Batch()
		if err != nil {
			return made, nil, err
		}
		made.Parts, all = append(made.Parts, Part{g, b}), append(all, b)
	}
	if made.Water, err = m.Water(); err != nil {
		return made, nil, err
	}
	if made.Weighed, err = mix.Blend(append(all, made.Water)...); err != nil {
		return made, nil, err
	}
	made.Batch = made.Weighed
	if !m.Measured() {
		return made, nil, nil
	}
	was := made.Weighed.Syrup()
	x, u, err := m.Found(was.Makeup)
	if err != nil {
		return made, nil, err
	}
	if x > was.Solids {
		made.WaterKnown = true // none: it is thicker than its parts were sold
	}
	if made.Batch, err = made.Weighed.Read(x, u); err != nil {
		return made, nil, err
	}
	if made.WaterKnown {
		reading = &Reading{Act: a.ID, Tote: t.name, At: a.Since(), Mix: true,
			Expected: was.Solids, ExpectedU: made.Weighed.SolidsU(), Read: x, ReadU: u}
	}
	return made, reading, nil
}

// coming sees to what a tote held before something comes in.
func (r *reader) coming(a *act.Act, t *tote, before *act.Content) {
	t.before = before
	switch {
	case before != nil:
		r.seen(a, t, *before)
	case t.exposed && t.batch.Total() > 0:
		r.leave(a, t, volume(t.batch), 0, Place{Meter, t.name})
		r.review(a, "before: must be said where a tote on the rig held something; it is taken as empty")
	}
}

// seen takes in what a tote held.
func (r *reader) seen(a *act.Act, t *tote, c act.Content) {
	booked, u := volume(t.batch), quantity.VolumeOf(c.Within()/1000/math.Sqrt(3))
	if !r.brief {
		r.book.Seen = append(r.book.Seen, Seen{Act: a.ID, Tote: t.name, At: a.Since(), L: c.L, U: u.Litres(), Booked: booked, Held: t.held, Exposed: t.exposed})
	}
	v := litres(c.L)
	margin := float64(litres(c.Within())) + 2*float64(volumeU(t.batch))
	out := booked - v
	defer func() { t.exposed = r.onRig(t) }()
	switch {
	case t.batch.Total() == 0:
		if c.L > c.Within() {
			r.opening(a, t, v, u)
		}
	case out < 0:
		if float64(-out) > margin {
			r.review(a, "%s held %.4g L more than acts say can have been in it, which is %.4g L: what they say counts", sayTote(t.name), -out.Litres(), booked.Litres())
		}
	case t.exposed:
		r.leave(a, t, out, u, Place{Meter, t.name})
	case float64(out) > margin:
		r.leave(a, t, out, u, Place{Gone, Missing})
		r.review(a, "%s held %.4g L less than acts say, and was not on the rig: that much is missing", sayTote(t.name), out.Litres())
	}
}

// opening takes in what was in a tote before any act brought it there.
func (r *reader) opening(a *act.Act, t *tote, v, u quantity.Volume) {
	if t.said == nil {
		r.review(a, "what the %.4g L in %s were is not known: they are left out; a batch said before would tell", v.Litres(), sayTote(t.name))
		return
	}
	s, su, err := t.said.Solution()
	var b mix.Batch
	if err == nil {
		b, err = mix.ByVolume(s, v, at20, mix.Reading{Solids: quantity.Solids(su), Volume: u})
	}
	if err == nil {
		err = t.add(b, []Portion{{t.saidBy, 1}}, []int64{max(0, t.said.MadeNS)}, true)
	}
	if err != nil {
		r.review(a, "%v", err)
		return
	}
	r.move(a, Place{At: Opening}, t.place(), b, false)
}

func sayTote(name string) string {
	if name == "" {
		return "the tote"
	}
	if rig, ok := act.StandsOn(name); ok {
		return "the tote on " + rig
	}
	return "tote " + name
}

func (r *reader) transfer(a *act.Act, tr act.Transfer) error {
	from, to := r.tote(a, tr.FromTote), r.tote(a, tr.ToTote)
	if from == to {
		return fmt.Errorf("to_tote: must be another than from_tote, is %q", to.name)
	}
	r.coming(a, to, tr.Before)
	booked := volume(from.batch)
	v, margin := litres(tr.L), float64(litres(tr.Within()))+2*float64(volumeU(from.batch))
	switch {
	case booked == 0 && tr.L == 0:
		return fmt.Errorf("from_tote: must hold something that acts tell of, is %q", from.name)
	case booked == 0:
		if r.opening(a, from, v, litres(tr.Within()/math.Sqrt(3))); from.batch.Total() == 0 {
			return nil
		}
	case tr.All && tr.L == 0:
		if v = booked; from.exposed {
			r.review(a, "l: must be said where all of a tote that was on the rig goes over, since the meter took of it; %.4g L are taken, all that acts brought", v.Litres())
		}
	case float64(v-booked) > margin:
		r.review(a, "l: must not be more than %s held, %.4g L, is %.4g", sayTote(from.name), booked.Litres(), v.Litres())
	}
	parts, times, measured, unstirred := from.mixes, from.times, from.measured, from.unstirred
	if tr.All && !from.exposed && float64(volume(from.batch)-v) <= margin {
		v = max(v, volume(from.batch))
	}
	// Of the whole, what would go into to must have a place there.
	if _, err := mix.Blend(to.batch, from.batch); err != nil {
		return err
	}
	b := r.leave(a, from, v, litres(tr.Within()/math.Sqrt(3)), to.place())
	if err := to.add(b, parts, times, measured); err != nil {
		return err
	}
	to.unstirred = to.unstirred || unstirred
	if tr.All && from.batch.Total() > 0 {
		where := Place{Gone, Missing}
		if from.exposed {
			where.At, where.Name = Meter, from.name
		} else {
			r.review(a, "%s held %.4g L more, by acts, than went over: that much is missing", sayTote(from.name), volume(from.batch).Litres())
		}
		r.leave(a, from, volume(from.batch), 0, where)
	}
	if tr.All {
		from.exposed = r.onRig(from)
	}
	to.exposed = r.onRig(to)
	r.hold(a, from, false)
	r.hold(a, to, true)
	return nil
}

func (r *reader) water(a *act.Act, w act.Water) error {
	t := r.tote(a, w.Tote)
	b, err := w.Batch()
	if err != nil {
		return err
	}
	if _, err := mix.Blend(t.batch, b); err != nil {
		return err
	}
	t.before = w.Before
	if w.Before != nil {
		r.seen(a, t, *w.Before)
	} else if t.exposed && t.batch.Total() > 0 {
		r.review(a, "before: must be said where water comes to syrup on the rig; nothing is taken to have been drawn")
	}
	if empty := t.booked || w.Before != nil && w.Before.L <= w.Before.Within(); t.batch.DrySolids() == 0 && !empty {
		r.review(a, "tote: must hold syrup that acts tell of, or be empty, is %q: what the water made is not known", t.name)
		return nil
	}
	if err := t.add(b, nil, nil, t.measured); err != nil {
		return err
	}
	r.move(a, Place{At: Tap}, t.place(), b, false)
	t.unstirred = t.unstirred || w.Unstirred
	r.hold(a, t, true)
	return nil
}

func (r *reader) stirred(a *act.Act, s act.Stirred) {
	t := r.tote(a, s.Tote)
	if t.batch.DrySolids() == 0 {
		r.review(a, "tote: must hold syrup that acts tell of, is %q", t.name)
		return
	}
	if s.Measured() {
		x, u, err := s.Found(t.batch.Syrup().Makeup)
		if err != nil {
			r.review(a, "%v", err)
			return
		}
		t.unstirred = false // that it was does not matter to what it is on the whole
		if !r.read(a, t, x, u) {
			return
		}
	}
	t.unstirred = false
	r.hold(a, t, true)
}

func (r *reader) rinse(a *act.Act, w act.Rinse) error {
	b, err := mix.WaterByVolume(litres(w.L), at20, mix.Means{Measure: min(0.2, w.Within()/w.L/math.Sqrt(3)), Bulk: mix.Usual.Bulk})
	if err != nil {
		return err
	}
	r.move(a, Place{At: Tap}, Place{Meter, r.tote(a, w.Tote).name}, b, false)
	return nil
}

// out takes goods out of the store, or syrup out of a tote.
func (r *reader) out(a *act.Act, g *act.Goods, name string, l, within float64, to Place) error {
	if g != nil {
		_, err := r.fromStore(a, *g, to, func(s *Stock) *mix.Batch {
			if to.At == Yard {
				return &s.Fed
			}
			return &s.Lost
		})
		return err
	}
	t := r.tote(a, name)
	v, u := litres(l), litres(within/math.Sqrt(3))
	if t.batch.Total() == 0 {
		if r.opening(a, t, v, u); t.batch.Total() == 0 {
			return nil
		}
	}
	if booked := volume(t.batch); float64(v-booked) > float64(litres(within))+2*float64(volumeU(t.batch)) {
		r.review(a, "l: must not be more than %s held, %.4g L, is %.4g", sayTote(t.name), booked.Litres(), l)
	}
	r.leave(a, t, v, u, to)
	r.hold(a, t, false)
	return nil
}
