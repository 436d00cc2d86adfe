package books

import (
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/sugar"
)

// world is the season as booked or, to see what an error does, with something
// in it changed.
type world struct {
	acts     []act.Act
	held     []sugar.Held
	readings []sugar.Reading
	flow     float64            // factor of what was metered
	of       string             // flow is of this rig's meter alone; "": of every one's
	levels   map[string]float64 // factor of a tote's levels by sensor; nil: 1
}

func (s *Season) world() *world {
	return &world{acts: s.Acts, held: s.Book.Held, readings: s.Book.Readings, flow: 1}
}

// changed is the season with other entries: change gets acts of which it may
// replace the bodies. The books are read again, so that all that follows from
// an entry follows from the changed one.
func (s *Season) changed(change func(acts []act.Act)) *world {
	w := s.restocked(change)
	held, readings := s.Book.Again(w.acts)
	w.held, w.readings = aligned(s.Book.Held, held), readings
	return w
}

// aligned puts what totes hold in the places of the books as they stand: what
// is unlikely enough to be refused changes nothing.
func aligned(stand, now []sugar.Held) []sugar.Held {
	same := func(a, b *sugar.Held) bool { return a.Act == b.Act && a.Tote == b.Tote }
	if len(stand) == len(now) {
		ok := true
		for i := range now {
			ok = ok && same(&stand[i], &now[i])
		}
		if ok {
			return now
		}
	}
	out := slices.Clone(stand)
	k := 0
	for i := range out {
		for j := k; j < len(now); j++ {
			if same(&out[i], &now[j]) {
				out[i], k = now[j], j+1
				break
			}
		}
	}
	return out
}

// restocked is the same where what the totes hold cannot have changed.
func (s *Season) restocked(change func(acts []act.Act)) *world {
	w := s.world()
	w.acts = slices.Clone(s.Acts)
	change(w.acts)
	return w
}

func (w *world) syrup(held int) syrup.Syrup { return w.held[held].Syrup }

// kg returns the solids and the water in a volume of the syrup held.
func (w *world) kg(held int, volume float64, t quantity.Temperature) (solids, water float64) {
	s := w.syrup(held)
	m := volume * float64(s.Near(t).Density)
	return m * float64(s.Solids), m * (1 - float64(s.Solids))
}

// goodsRef is where goods are booked: an act and, of a mix, a part of it.
type goodsRef struct{ act, part int }

// mixed tells whether goods went into a tote: else no tote's content follows from them.
func (s *Season) mixed(r goodsRef) bool { _, ok := s.Acts[r.act].Body.(act.Mix); return ok }

func goodsOf(acts []act.Act, r goodsRef) *act.Goods {
	switch b := acts[r.act].Body.(type) {
	case act.Purchase:
		return &b.Goods
	case act.Count:
		return &b.Goods
	case act.Mix:
		return &b.Parts[r.part]
	case act.Lost:
		return b.Goods
	case act.Fed:
		return b.Goods
	}
	return nil
}

// setGoods changes goods where they are booked, without changing what others see.
func setGoods(acts []act.Act, r goodsRef, change func(*act.Goods)) {
	g := *goodsOf(acts, r)
	change(&g)
	switch b := acts[r.act].Body.(type) {
	case act.Purchase:
		b.Goods = g
		acts[r.act].Body = b
	case act.Count:
		b.Goods = g
		acts[r.act].Body = b
	case act.Mix:
		b.Parts = slices.Clone(b.Parts)
		b.Parts[r.part] = g
		acts[r.act].Body = b
	case act.Lost:
		b.Goods = &g
		acts[r.act].Body = b
	case act.Fed:
		b.Goods = &g
		acts[r.act].Body = b
	}
}

func scaleGoods(f float64) func(*act.Goods) {
	return func(g *act.Goods) { g.Bags *= f; g.Kg *= f; g.L *= f }
}

// waterOf returns the water that an act books, kg or L, and its error at most, percent.
func waterOf(b act.Body) (kg, l, within float64) {
	switch b := b.(type) {
	case act.Mix:
		kg, l, within = b.WaterKg, b.WaterL, b.WaterWithinPct
	case act.Water:
		kg, l, within = b.Kg, b.L, b.WithinPct
	}
	if within == 0 {
		within = act.UsualScalePct
		if l > 0 {
			within = act.UsualVolumePct
		}
	}
	return kg, l, within
}

func scaleWater(acts []act.Act, i int, f float64) {
	switch b := acts[i].Body.(type) {
	case act.Mix:
		b.WaterKg *= f
		b.WaterL *= f
		acts[i].Body = b
	case act.Water:
		b.Kg *= f
		b.L *= f
		acts[i].Body = b
	}
}

// addBrix shifts what a mix or a tote was measured to be.
func addBrix(acts []act.Act, i int, by float64) {
	add := func(brix, reading *float64) {
		if *reading != 0 {
			*reading = min(max(*reading+by, 0.1), 95)
		} else {
			*brix = min(max(*brix+by, 0.1), 77)
		}
	}
	switch b := acts[i].Body.(type) {
	case act.Mix:
		add(&b.Brix, &b.Reading)
		acts[i].Body = b
	case act.Stirred:
		add(&b.Brix, &b.Reading)
		acts[i].Body = b
	case act.Batch:
		add(&b.Brix, &b.Reading)
		acts[i].Body = b
	}
}

// contentOf returns what an act says that a tote held before it, or then.
func contentOf(b act.Body) (l, within float64, ok bool) {
	var c *act.Content
	switch b := b.(type) {
	case act.Mix:
		c = b.Before
	case act.Transfer:
		c = b.Before
	case act.Water:
		c = b.Before
	case act.Contents:
		return b.L, b.Within(), true
	}
	if c == nil {
		return 0, 0, false
	}
	return c.L, c.Within(), true
}

func addContent(acts []act.Act, i int, l float64) {
	more := func(c *act.Content) *act.Content {
		return &act.Content{L: max(0, c.L+l), WithinL: c.Within()}
	}
	switch b := acts[i].Body.(type) {
	case act.Mix:
		b.Before = more(b.Before)
		acts[i].Body = b
	case act.Transfer:
		b.Before = more(b.Before)
		acts[i].Body = b
	case act.Water:
		b.Before = more(b.Before)
		acts[i].Body = b
	case act.Contents:
		b.WithinL = b.Within()
		b.L = max(0, b.L+l)
		acts[i].Body = b
	}
}

// litresOf returns the volume of syrup that an act moved, and its error at most, L.
func litresOf(b act.Body) (l, within float64) {
	switch b := b.(type) {
	case act.Transfer:
		return b.L, b.Within()
	case act.Rinse:
		return b.L, b.Within()
	case act.Lost:
		if b.Goods == nil {
			return b.L, b.Within()
		}
	case act.Fed:
		if b.Goods == nil {
			return b.L, b.Within()
		}
	}
	return 0, 0
}

func scaleLitres(acts []act.Act, i int, f float64) {
	switch b := acts[i].Body.(type) {
	case act.Transfer:
		b.L *= f
		acts[i].Body = b
	case act.Rinse:
		b.L *= f
		acts[i].Body = b
	case act.Lost:
		b.L *= f
		acts[i].Body = b
	case act.Fed:
		b.L *= f
		acts[i].Body = b
	}
}
