package books

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/sugar"
	"yardtally/meter/worth"
)

// How what is left, or what came in, is known.
const (
	ByCount     = "counted"
	CountedThen = "counted, and booked since"
	ByBooks     = "by the books" // what came less what went
	BySaid      = "said"
	ByLevel     = "level"
)

// prices are what solids cost, by kind.
type prices struct {
	per   [len(Sugars{})]float64
	known [len(Sugars{})]bool
	list  []Price
}

func pricesOf(book *sugar.Book) *prices {
	p := new(prices)
	if book == nil {
		return p
	}
	for i := range book.Stocks {
		s := &book.Stocks[i]
		k := kindOf(s.Kind)
		per, ok := book.Price(s.Kind)
		p.per[k], p.known[k] = per, ok
		unpriced := max(0, s.Opening.DrySolids()+s.Bought.DrySolids()-s.PaidSolids)
		if n := len(p.list) - 1; n >= 0 && p.list[n].Kind == s.Kind { // of several stores of a house
			p.list[n].Unpriced += unpriced
			continue
		}
		p.list = append(p.list, Price{Kind: s.Kind, PerKg: per, Unpriced: unpriced})
	}
	return p
}

// of returns what solids cost, and how much of them has no price.
func (p *prices) of(s Sugars) (cost Money, unpriced mix.Micrograms) {
	x := 0.0
	for k, m := range s {
		if p.known[k] {
			x += float64(float64(m.Mass()) * p.per[k])
		} else {
			unpriced += m
		}
	}
	return MoneyOf(x), unpriced
}

// kindOf returns the kind that the solids of goods are.
func kindOf(goods string) syrup.Kind {
	goods, _, _ = strings.Cut(goods, " of ") // of a store that was a rig's own
	if k, err := syrup.ParseKind(goods); err == nil {
		return k
	}
	return syrup.Sucrose
}

func sugarsOf(b mix.Batch) (s Sugars) {
	for k := range s {
		s[k] = b.Of(syrup.Kind(k))
	}
	return s
}

// storeAt returns what is in store of a kind of goods at an instant: what was
// counted last and has come and gone since; of a kind never counted by then, by
// the books.
func storeAt(book *sugar.Book, stock *sugar.Stock, at int64) (s Sugars, by string) {
	since, by := int64(math.MinInt64), ByBooks
	place := sugar.Place{At: sugar.Store, Name: stock.Name()}
	var counted *sugar.Counted
	for i := range stock.Counts {
		if c := &stock.Counts[i]; c.At < at {
			counted = c
		}
	}
	if counted != nil {
		s, since, by = sugarsOf(counted.Batch), counted.At, ByCount
	}
	moved := false
	for i := range book.Moves {
		m := &book.Moves[i]
		// What a count is of stands beside what was said to happen then: it came first.
		if m.At >= at || counted != nil && m.At <= since {
			continue
		}
		switch place {
		case m.To:
			s, moved = s.Plus(sugarsOf(m.Batch)), true
		case m.From:
			s, moved = s.Less(sugarsOf(m.Batch)), true
		}
	}
	if counted != nil && moved {
		by = CountedThen
	}
	return s, by
}

// toteAt returns what a tote holds at an instant: by the newest of what was said
// or booked and its level at rest, less what the meter took since.
func (s *Season) toteAt(name string, at int64, levels []Levelled, rigs *meters, flows func(from, to int64) []passed) (l Line, ok bool) {
	i := s.Book.In(name, at-1)
	if i < 0 {
		return l, false
	}
	h := &s.Book.Held[i]
	l = Line{Key: name, Name: name, Volume: volumeAt20(h.Batch), Sugars: sugarsOf(h.Batch), By: ByBooks}
	from := h.From
	if h.Before != nil || s.seenBy(h.Act) {
		l.By = BySaid
	}
	for k := range levels {
		x := &levels[k]
		if x.Tote != name || x.At < from || x.At >= at {
			continue
		}
		from, l.By = x.At, ByLevel
		l.Volume = quantity.VolumeOf(x.Volume)
		l.Sugars = Sugars{}
		if all := h.Batch.Total(); all > 0 {
			l.Sugars = split(micrograms(x.Volume*float64(h.Syrup.Near(20).Density)*float64(h.Syrup.Solids)), h.Syrup.Makeup)
		}
	}
	if !h.OnRig {
		return l, true
	}
	until := at
	for _, other := range s.Book.Held[i+1:] {
		if other.OnRig && other.Rig == h.Rig && other.Tote != name || other.Tote == name && (!other.OnRig || other.Rig != h.Rig) {
			until = min(until, other.From) // it was taken off
			break
		}
	}
	rig := rigs.of(h.Rig)
	for _, p := range flows(from, until) {
		if s.Book.House && p.rig != rig {
			continue
		}
		l.Volume -= p.volume
		if !p.dry {
			l.Sugars = l.Sugars.Less(p.sugars)
		}
	}
	return l, true
}

func (s *Season) seenBy(id string) bool {
	return slices.ContainsFunc(s.Book.Seen, func(x sugar.Seen) bool { return x.Act == id })
}

// volumeAt20 is a batch's volume at 20 °C.
func volumeAt20(b mix.Batch) quantity.Volume {
	if b.Total() == 0 {
		return 0
	}
	return quantity.VolumeOf(float64(b.Total().Mass()) / float64(b.Syrup().Near(20).Density))
}

// totes names the totes that the book knows of by an instant, in order of name.
func totes(book *sugar.Book, by int64) []string {
	names := make(map[string]bool)
	for i := range book.Held {
		if book.Held[i].From < by {
			names[book.Held[i].Tote] = true
		}
	}
	return sorted(names)
}

// entries puts what the books say of the period into the statement. flows gives
// what was metered in a stretch.
func (st *Statement) entries(s *Season, levels []Levelled, rigs *meters, flows func(from, to int64) []passed, price *prices) {
	book := s.Book
	put := func(l Line) {
		l.Cost, l.Unpriced = price.of(l.Sugars)
		st.Lines = append(st.Lines, l)
	}
	for i := range book.Stocks {
		k := &book.Stocks[i]
		if at, by := storeAt(book, k, st.From); at != (Sugars{}) {
			put(Line{Part: CameIn, Key: "store " + k.Name(), Name: k.Name(), Sugars: at, By: by})
		}
	}
	for _, name := range totes(book, st.From) {
		if l, ok := s.toteAt(name, st.From, levels, rigs, flows); ok && (l.Volume != 0 || l.Sugars != Sugars{}) {
			l.Part, l.Key = CameIn, "tote "+name
			put(l)
		}
	}
	// What came in, was fed past the meter or lost, added up by where it came
	// from and went.
	sums := make(map[lineKey]*Line)
	var order []lineKey
	for i := range book.Moves {
		m := &book.Moves[i]
		if m.At < st.From || m.At >= st.To || m.Batch.DrySolids() == 0 {
			continue
		}
		l, ok := moved(m)
		if !ok {
			continue
		}
		k := lineKey{l.Part, l.Key}
		x := sums[k]
		if x == nil {
			sums[k] = &l
			order = append(order, k)
			x = sums[k]
			x.First = m.At
		}
		x.Sugars = x.Sugars.Plus(sugarsOf(m.Batch))
		x.Last = m.At
		if m.From.At == sugar.Tote {
			x.Volume += volumeAt20(m.Batch)
		}
	}
	slices.SortStableFunc(order, func(a, b lineKey) int { return cmp.Compare(slices.Index(Parts, a.part), slices.Index(Parts, b.part)) })
	for _, k := range order {
		put(*sums[k])
	}
	st.paid(s)
	for _, name := range totes(book, st.To) {
		if l, ok := s.toteAt(name, st.To, levels, rigs, flows); ok {
			l.Part = InTotes
			put(l)
		}
	}
	for i := range book.Stocks {
		k := &book.Stocks[i]
		at, by := storeAt(book, k, st.To)
		if k.Of != "" && at == (Sugars{}) {
			continue // the house's store has it
		}
		put(Line{Part: InStore, Key: k.Name(), Name: k.Name(), Sugars: at, By: by})
	}
	var left Sugars
	for i := range st.Lines {
		if l := &st.Lines[i]; l.Part == CameIn {
			left = left.Plus(l.Sugars)
		} else {
			left = left.Less(l.Sugars)
		}
	}
	put(Line{Part: Unaccounted, Name: string(Unaccounted), Sugars: left})
}

// paid says what was paid of what was bought, and of opening stock, where the
// whole of both came in within the statement's time and all of it has a price.
// Elsewhere the average price stands, so that the sums close.
func (st *Statement) paid(s *Season) {
	bought := make(map[string]float64)
	gone := act.Corrected(s.Acts)
	for i := range s.Acts {
		if p, ok := s.Acts[i].Body.(act.Purchase); ok && !gone[s.Acts[i].ID] && p.Check() == nil {
			name := p.Goods.Kind
			if p.Goods.Store != "" {
				name = act.Own(name, p.Goods.Store)
			}
			bought[name] += p.Price
		}
	}
	line := func(key string) *Line {
		for i := range st.Lines {
			if l := &st.Lines[i]; l.Part == CameIn && l.Key == key {
				return l
			}
		}
		return nil
	}
	for i := range s.Book.Stocks {
		k := &s.Book.Stocks[i]
		open, came := line("store "+k.Name()), line("bought "+k.Name())
		all := k.Opening.DrySolids() + k.Bought.DrySolids()
		if open == nil || came == nil || k.PaidSolids != all || open.Sugars.All()+came.Sugars.All() != all {
			continue
		}
		both := open.Cost + came.Cost
		came.Cost = MoneyOf(bought[k.Name()])
		open.Cost = both - came.Cost
	}
}

// moved returns the line that a move is on, its amounts apart; of a move between
// store and totes there is none, and what the meter took is metered.
func moved(m *sugar.Move) (Line, bool) {
	what := m.From.Name
	switch {
	case m.From.At == sugar.Bought:
		return Line{Part: CameIn, Key: "bought " + m.To.Name, Name: m.To.Name}, true
	case m.From.At == sugar.Opening && m.To.At == sugar.Tote:
		return Line{Part: CameIn, Key: "tote " + m.To.Name, Name: m.To.Name, By: BySaid}, true
	case m.From.At == sugar.Opening:
		return Line{Part: CameIn, Key: "store " + m.To.Name, Name: m.To.Name, By: ByCount}, true
	case m.To.At == sugar.Yard:
		if m.From.At == sugar.Tote {
			what = "syrup"
		}
		return Line{Part: ByHand, Key: m.To.Name + " " + what, Yard: m.To.Name, Name: what}, true
	case m.To.At == sugar.Gone && m.To.Name != sugar.Missing: // what is missing is unaccounted for
		from := "store"
		if m.From.At == sugar.Tote {
			from, what = "tote", "syrup"
		}
		return Line{Part: Lost, Key: m.To.Name + " " + from + " " + m.From.Name, Name: m.To.Name + ", " + what}, true
	}
	return Line{}, false
}

// rinses takes the water that went through the meter, as was said, out of the
// loose flow that is nearest in time to when it was said, within an outing.
func rinses(book *sugar.Book, flows []passed) []passed {
	if book == nil {
		return flows
	}
	for i := range book.Moves {
		m := &book.Moves[i]
		if m.From.At != sugar.Tap || m.To.At != sugar.Meter {
			continue
		}
		rig := ""
		if h := book.In(m.To.Name, m.At); book.House && h >= 0 {
			rig = book.Held[h].Rig
		} else if on, ok := act.StandsOn(m.To.Name); ok && book.House {
			rig = on
		}
		for rest := volumeAt20(m.Batch); rest > 0; {
			best := -1
			for k := range flows {
				p := &flows[k]
				if rig != "" && p.view.Rig != rig {
					continue
				}
				if p.why == "" || p.dry || p.volume <= 0 || apart(p.start, m.At) > rinseApart {
					continue
				}
				if best < 0 || apart(p.start, m.At) < apart(flows[best].start, m.At) {
					best = k
				}
			}
			if best < 0 {
				break
			}
			flows = rinse(flows, best, rest)
			rest -= flows[best].volume
		}
	}
	return flows
}

// rinseApart is how far in time a rinse may be from the flow that it was, ns.
// Common practice, no source: it is said when the night's work is done.
const rinseApart = int64(5 * 3600 * 1e9)

func apart(a, b int64) int64 { return max(a-b, b-a) }

// rinse makes up to v of a flow water; what is more stays what it was, behind it.
func rinse(flows []passed, i int, v quantity.Volume) []passed {
	p := flows[i]
	if p.volume > v {
		share := v.CubicMetres() / p.volume.CubicMetres()
		rest := p
		cut := p.counts.First + uint64(float64(p.counts.Last-p.counts.First)*share)
		f, g := p.flow.Part(share), p.flow.Part(1-share)
		p.flow, rest.flow = &f, &g
		p.counts.Last, rest.counts.First = cut, cut
		p.volume, rest.volume = v, p.volume-v
		rest.sugars, rest.given = p.sugars.share(1-share), p.given.share(1-share)
		rest.inSolids = p.inSolids.Part(1 - share)
		rest.terms = nil
		for _, t := range p.terms {
			rest.terms = append(rest.terms, brixTerm{t.cause, t.kg * (1 - share)})
		}
		flows = slices.Insert(flows, i+1, rest)
	}
	p.why, p.dry, p.unknown = Rinse, true, false
	p.sugars, p.given, p.inSolids, p.terms = Sugars{}, Sugars{}, worth.Flow{}, nil
	flows[i] = p
	return flows
}

// share is a part of a, 0 to 1.
func (a Sugars) share(f float64) Sugars {
	for k := range a {
		a[k] = mix.Micrograms(math.Round(float64(a[k]) * f))
	}
	return a
}

// Rinse is what flow is called that was water, as a person said.
const Rinse = "rinse"
