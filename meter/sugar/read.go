package sugar

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// reader goes through the acts in order.
type reader struct {
	book  *Book
	totes map[string]*tote
	over  *act.RigTotes
	same  map[moment][]told  // entries by when and what they say, to find what was said twice
	most  map[string]float64 // what totes can hold, L
	moved []*tote            // by the act in hand
	empty map[string]*Review // by rig, of a swap that brought a tote of which nothing is known
	short map[string]bool    // kinds of which more was used than there was, as said already
	came  map[string]int64   // when a kind first came into the store or left it
	brief bool               // nothing is wanted but Held and Readings
}

// moment is a kind of act at an instant, and told is one such act and what it
// says, made when there is another to compare it with.
type moment struct {
	rig, kind string
	from      int64
}

type told struct {
	act  *act.Act
	says []byte
}

// tote is what a tote holds.
type tote struct {
	name      string
	batch     mix.Batch
	mixes     []Portion // by mass of solids, kg
	times     []int64   // of mixes
	held      int       // in Book.Held; -1: none
	measured  bool
	unstirred bool
	over      bool         // it holds more than it can, as said already
	moved     bool         // something came or went since Held says what is in it
	exposed   bool         // on the rig since its amount was known: the meter may have taken of it
	booked    bool         // something was ever brought here by an act
	said      *act.Batch   // what was said to be in it, where no act brought it
	saidBy    string       // by which act
	before    *act.Content // of the act in hand
}

// inOrder returns the acts that count here, in order of From; at one instant
// what a person said a batch is comes last, since it is later than what it is of.
func inOrder(standing []act.Act) []*act.Act {
	gone := act.Corrected(standing)
	var out []*act.Act
	for i := range standing {
		a := &standing[i]
		switch a.Body.(type) {
		case act.Tote, act.Batch:
			out = append(out, a)
		case act.Statement:
		default:
			if act.OfBooks(a.Body) && !gone[a.ID] {
				out = append(out, a)
			}
		}
	}
	slices.SortFunc(out, func(a, b *act.Act) int {
		_, x := a.Body.(act.Batch)
		_, y := b.Body.(act.Batch)
		switch {
		case x != y && x:
			return cmp.Or(cmp.Compare(a.Since(), b.Since()), 1)
		case x != y:
			return cmp.Or(cmp.Compare(a.Since(), b.Since()), -1)
		}
		return cmp.Or(cmp.Compare(a.Since(), b.Since()), cmp.Compare(a.When, b.When), cmp.Compare(a.ID, b.ID))
	})
	return out
}

func (r *reader) review(a *act.Act, format string, args ...any) {
	if r.brief {
		return
	}
	r.book.Review = append(r.book.Review, Review{a.ID, fmt.Sprintf(format, args...)})
}

func (r *reader) take(a *act.Act) {
	if err := a.Check(); err != nil {
		if act.OfBooks(a.Body) {
			r.review(a, "%v", err)
		}
		return
	}
	if act.OfBooks(a.Body) && !r.brief {
		r.twice(a)
	}
	var err error
	switch b := a.Body.(type) {
	case act.Tote:
		r.most[b.Name] = b.CapacityL
		r.rig(a)
	case act.Swap:
		r.rig(a)
	case act.Batch:
		r.said(a, b)
	case act.Purchase:
		err = r.purchase(a, b)
	case act.Count:
		err = r.count(a, b)
	case act.Mix:
		err = r.mix(a, b)
	case act.Transfer:
		err = r.transfer(a, b)
	case act.Water:
		err = r.water(a, b)
	case act.Stirred:
		r.stirred(a, b)
	case act.Rinse:
		err = r.rinse(a, b)
	case act.Lost:
		err = r.out(a, b.Goods, b.Tote, b.L, b.Within(), Place{Gone, b.Why})
	case act.Fed:
		err = r.out(a, b.Goods, b.Tote, b.L, b.Within(), Place{Yard, b.Yard})
	case act.Contents:
		t := r.tote(a, b.Tote)
		r.seen(a, t, act.Content{L: b.L, WithinL: b.WithinL})
		r.hold(a, t, false)
	}
	if err != nil {
		r.review(a, "%v", err)
	}
	for _, t := range r.moved { // also by an act of which not all could be used
		if t.moved {
			r.hold(a, t, false)
		}
	}
	r.moved = r.moved[:0]
}

// twice says where the same was said twice: both count, as two such purchases
// on one day may.
func (r *reader) twice(a *act.Act) {
	if act.Subject(a.Body) != "" {
		return
	}
	at := moment{a.Rig, a.Body.Kind(), a.From}
	all := r.same[at]
	if len(all) == 0 {
		r.same[at] = []told{{act: a}}
		return
	}
	body, err := json.Marshal(a.Body)
	if err != nil {
		return
	}
	for i := range all {
		o := &all[i]
		if o.says == nil {
			if o.says, err = json.Marshal(o.act.Body); err != nil {
				continue
			}
		}
		if bytes.Equal(body, o.says) {
			r.review(a, "says the same as act %s, and both count: if it was said twice, take one back", o.act.ID)
			return
		}
	}
	r.same[at] = append(all, told{a, body})
}

// tote returns the tote of which an act speaks.
func (r *reader) tote(a *act.Act, name string) *tote { return r.named(r.over.Named(a, name)) }

func (r *reader) named(name string) *tote {
	t := r.totes[name]
	if t == nil {
		t = &tote{name: name, held: -1}
		r.totes[name] = t
	}
	return t
}

func (r *reader) onRig(t *tote) bool { _, ok := r.over.Rig(t.name); return ok }

// rig takes in what stands on a rig.
func (r *reader) rig(a *act.Act) {
	was := make(map[string]string)
	for _, rig := range r.over.Rigs() {
		was[rig] = r.over.On(rig)
	}
	rig, from := r.over.Take(a)
	if rig != "" && (r.over.On(rig) != was[rig] || r.isSwap(a)) {
		t := r.named(r.over.On(rig))
		t.exposed = true
		if len(r.book.Held) > 0 || r.isSwap(a) {
			r.hold(a, t, true)
		}
		r.bare(rig)
		if r.isSwap(a) && t.batch.Total() == 0 {
			r.empty[rig] = &Review{a.ID, fmt.Sprintf("what %s held is not known: what flowed is taken for what the tote before it held; a mix, a transfer or a batch would tell", sayTote(t.name))}
		}
	}
	if from == "" {
		return
	}
	// It stood on another rig until then: what stands there now nobody said.
	t := r.named(r.over.On(from))
	t.exposed = true
	r.hold(a, t, true)
	r.bare(from)
	r.empty[from] = &Review{a.ID, fmt.Sprintf("took the tote off %s: what stands there now is not known, and what flowed is taken for what was in the tote before; another swap would tell", from)}
}

// bare says of a tote of which nothing was known while it stood on a rig.
func (r *reader) bare(rig string) {
	if x := r.empty[rig]; x != nil {
		r.book.Review = append(r.book.Review, *x)
	}
	delete(r.empty, rig)
}

func (r *reader) isSwap(a *act.Act) bool { _, ok := a.Body.(act.Swap); return ok }

// said takes in what a person said is in the tote on the rig: a measurement of
// what acts brought there; of a tote of which no act tells, what it is.
func (r *reader) said(a *act.Act, b act.Batch) {
	t := r.tote(a, act.OnRig(a.Rig))
	delete(r.empty, a.Rig)
	if t.batch.DrySolids() == 0 {
		if !t.booked {
			t.said, t.saidBy = &b, a.ID
		}
		return
	}
	s, u, err := b.Solution()
	if err != nil || !(s.Solids > 0) {
		return
	}
	if r.read(a, t, s.Solids, quantity.Solids(u)) {
		r.hold(a, t, true)
		r.book.Held[t.held].said = true
	}
}

// hold notes what a tote holds from now on.
func (r *reader) hold(a *act.Act, t *tote, changed bool) {
	rig, onRig := r.over.Rig(t.name)
	if onRig && t.batch.Total() > 0 {
		delete(r.empty, rig)
	}
	h := Held{Tote: t.name, From: a.Since(), Act: a.ID, OnRig: onRig, Rig: rig, Batch: t.batch, Syrup: t.batch.Syrup(),
		Measured: t.measured, Unstirred: t.unstirred, Before: t.before, changed: changed}
	t.before = nil
	u := float64(t.batch.SolidsU())
	if t.unstirred {
		u = math.Hypot(u, UnstirredBrix/100/math.Sqrt(3))
	}
	h.SolidsU = quantity.Solids(u)
	sum := 0.0
	for _, p := range t.mixes {
		sum += p.Share
	}
	h.made = math.MaxInt64
	for i, p := range t.mixes {
		if !(sum > 0) {
			break
		}
		p.Share /= sum
		h.Mixes = append(h.Mixes, p)
		if p.Share >= 0.1 {
			h.made = min(h.made, t.times[i])
		}
	}
	if h.made == math.MaxInt64 {
		h.made = 0
	}
	t.full(r, a)
	t.held, t.moved = len(r.book.Held), false
	r.book.Held = append(r.book.Held, h)
}

// full says, once, that a tote holds more by the acts than it can.
func (t *tote) full(r *reader, a *act.Act) {
	most, known := r.most[t.name]
	over := known && volume(t.batch).Litres() > most*overfull
	if over && !t.over {
		r.review(a, "%s must hold %.4g L at most, by acts it holds %.4g L: something that left it was not said", sayTote(t.name), most, volume(t.batch).Litres())
	}
	t.over = over
}

// overfull is how much more than its nominal capacity a tote can hold. Common
// practice, no source: there is room under the lid.
const overfull = 1.1

// volume is a batch's volume, also of one that is thicker than syrup can be.
func volume(b mix.Batch) quantity.Volume {
	if b.Total() == 0 {
		return 0
	}
	return quantity.VolumeOf(float64(b.Total().Mass()) / float64(b.Syrup().Near(at20).Density))
}

// volumeU is the standard uncertainty of that.
func volumeU(b mix.Batch) quantity.Volume {
	_, u, err := b.Volume(at20, 0)
	if err != nil {
		return volume(b) / 50 // of what is no syrup
	}
	return u
}

func litres(l float64) quantity.Volume { return quantity.VolumeOf(l / 1000) }

// move notes a move.
func (r *reader) move(a *act.Act, from, to Place, b mix.Batch, reckoned bool) {
	if b.Total() == 0 {
		return
	}
	if !r.brief {
		m := Move{Act: a.ID, Kind: a.Body.Kind(), At: a.Since(), From: from, To: to, Batch: b, Held: -1, Reckoned: reckoned}
		if from.At == Tote {
			m.Held = r.totes[from.Name].held
		}
		r.book.Moves = append(r.book.Moves, m)
	}
	for _, p := range [...]Place{from, to} {
		switch p.At {
		case Tote:
			t := r.totes[p.Name]
			t.moved = true
			r.moved = append(r.moved, t)
		case Store:
			if _, ok := r.came[p.Name]; !ok {
				r.came[p.Name] = a.Since()
			}
		}
	}
}

func (t *tote) place() Place { return Place{Tote, t.name} }

// leave takes a volume out of a tote and puts it somewhere, u being its standard
// uncertainty.
func (r *reader) leave(a *act.Act, t *tote, v, u quantity.Volume, to Place) mix.Batch {
	drawn, left := draw(t.batch, v, u)
	if drawn.Total() == 0 {
		return drawn
	}
	r.move(a, t.place(), to, drawn, false)
	t.shrink(left)
	return drawn
}

func draw(b mix.Batch, v, u quantity.Volume) (drawn, left mix.Batch) {
	if v <= 0 {
		return mix.Batch{}, b
	}
	all := volume(b)
	if v >= all {
		return b, mix.Batch{}
	}
	var err error
	if drawn, left, err = b.Draw(v, u, at20); err == nil {
		return drawn, left
	}
	// Thicker than syrup can be: by mass.
	drawn, left, err = b.DrawMass(quantity.Mass(float64(b.Total().Mass()) * (float64(v) / float64(all))))
	if err != nil {
		return mix.Batch{}, b
	}
	return drawn, left
}

// shrink leaves a part of what the tote held.
func (t *tote) shrink(left mix.Batch) {
	was, is := t.batch.DrySolids(), left.DrySolids()
	t.batch = left
	if is == 0 {
		t.mixes, t.times = nil, nil
	} else {
		f := float64(is) / float64(was)
		t.mixes = slices.Clone(t.mixes)
		for i := range t.mixes {
			t.mixes[i].Share *= f
		}
	}
	if left.Total() == 0 {
		t.measured, t.unstirred = false, false
	}
}

// add puts a batch in. Its portions are of its solids.
func (t *tote) add(b mix.Batch, from []Portion, times []int64, measured bool) error {
	sum, err := mix.Blend(t.batch, b)
	if err != nil {
		return err
	}
	if old, new := t.batch.DrySolids(), b.DrySolids(); old < new || old == 0 {
		t.measured = measured
	}
	t.batch, t.booked, t.said = sum, true, nil
	t.mixes, t.times = slices.Clone(t.mixes), slices.Clone(t.times)
	share := 0.0
	for _, p := range from {
		share += p.Share
	}
	for i, p := range from {
		if !(share > 0) {
			break
		}
		kg := float64(b.DrySolids().Mass()) * p.Share / share
		if j := slices.IndexFunc(t.mixes, func(q Portion) bool { return q.Act == p.Act }); j >= 0 {
			t.mixes[j].Share += kg
			continue
		}
		t.mixes, t.times = append(t.mixes, Portion{p.Act, kg}), append(t.times, times[i])
	}
	return nil
}

// read brings what is in a tote to a measured Brix, and reports whether it could.
func (r *reader) read(a *act.Act, t *tote, x, u quantity.Solids) bool {
	b, err := t.batch.Read(x, u)
	if err != nil {
		r.review(a, "%v", err)
		return false
	}
	r.book.Readings = append(r.book.Readings, Reading{Act: a.ID, Tote: t.name, At: a.Since(),
		Expected: t.batch.Syrup().Solids, ExpectedU: expectedU(t), Read: x, ReadU: u})
	r.reckon(a, t.place(), t.batch, b)
	t.batch, t.measured = b, true
	return true
}

func expectedU(t *tote) quantity.Solids {
	u := float64(t.batch.SolidsU())
	if t.unstirred {
		u = math.Hypot(u, UnstirredBrix/100/math.Sqrt(3))
	}
	return quantity.Solids(u)
}

// reckon notes the water that a measurement says there is more or less of.
func (r *reader) reckon(a *act.Act, where Place, was, is mix.Batch) {
	d := is.Water() - was.Water()
	from, to := Place{At: Tap}, where
	if d < 0 {
		from, to, d = to, from, -d
	}
	if w, err := mix.Water(d.Mass(), mix.Means{Bulk: mix.Usual.Bulk}); err == nil && w.Water() == d {
		r.move(a, from, to, w, true)
	}
}
