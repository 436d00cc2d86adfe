package books

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/sugar"
)

// Statement is StatementOf one rig.
func (s *Season) Statement(v *ledger.View, b *Balance) *Statement {
	return s.StatementOf([]*ledger.View{v}, b)
}

// StatementOf makes the statement of a season from the views of its rigs. b is
// the season's balance; nil: how sure what is unaccounted for is, is not known.
// The books are read as of the season; without a book it is a statement of what
// was metered.
func (s *Season) StatementOf(views []*ledger.View, b *Balance) *Statement {
	v := ledger.Together(views)
	zone := s.Loc
	if zone == nil {
		zone = time.UTC
	}
	st := &Statement{Version: Version, Rig: v.Rig, From: s.From, To: s.To, At: v.At, Zone: zone.String()}
	if len(views) > 1 {
		for _, x := range views {
			st.Rigs = append(st.Rigs, x.Rig)
		}
	}
	all := meters{views: views}
	for _, x := range views {
		all.liquids = append(all.liquids, liquidsOf(x, s.Book))
	}
	price := pricesOf(s.Book)
	st.Prices = price.list
	flows := func(from, to int64) []passed { return rinses(s.Book, all.flows(from, to)) }
	st.metered(v, &all, flows(s.From, s.To), zone, price)
	if s.Book != nil && len(s.Book.Moves) > 0 {
		st.Booked = true
		st.entries(s, s.everyLevel(views), &all, flows, price)
	}
	if b != nil && st.Booked {
		st.weighed(s, b, price)
	}
	st.Until = min(s.To, st.newest(s.Book))
	st.order()
	return st
}

// everyLevel returns the levels at rest of all time: what there was when the
// season began has to be what there was when the one before it ended.
func (s *Season) everyLevel(views []*ledger.View) []Levelled {
	var out []Levelled
	for _, v := range views {
		all := Season{From: math.MinInt64, To: math.MaxInt64, Book: s.Book}
		all.levels(v, s.Acts)
		out = append(out, all.Levels...)
	}
	if len(out) == 0 {
		return s.Levels
	}
	slices.SortStableFunc(out, func(a, b Levelled) int { return cmp.Compare(a.At, b.At) })
	return out
}

// newest is the newest instant that the statement knows of.
func (st *Statement) newest(book *sugar.Book) int64 {
	at := st.At
	if book == nil {
		return at
	}
	for i := range book.Moves {
		at = max(at, book.Moves[i].At)
	}
	for i := range book.Stocks {
		for _, c := range book.Stocks[i].Counts {
			at = max(at, c.At)
		}
	}
	return at
}

// weighed parts what is unaccounted for into what the balance finds missing,
// with its interval, and what is only that figures are not exact.
func (st *Statement) weighed(s *Season, b *Balance, price *prices) {
	if !b.MissingKnown {
		return
	}
	var missing Sugars
	of := func(p *Pool, kg mix.Micrograms) Sugars {
		if p.Store != "" {
			var one Sugars
			one[kindOf(p.Store)] = kg
			return one
		}
		return split(kg, s.Book.Held[max(0, s.Book.In(p.Tote, p.To-1))].Syrup.Makeup)
	}
	other := b.Missing // of what together alone is known, as where nobody measured what went from tote to tote
	unknown := -1
	for i := range b.Pools {
		switch p := &b.Pools[i]; {
		case !p.Closed:
		case !p.Known:
			unknown = i
		default:
			missing = missing.Plus(of(p, micrograms(p.Missing)))
			other -= p.Missing
		}
	}
	if unknown >= 0 {
		missing = missing.Plus(of(&b.Pools[unknown], micrograms(other)))
	}
	i := slices.IndexFunc(st.Lines, func(l Line) bool { return l.Part == Unaccounted })
	whole := st.Lines[i].Sugars
	put := func(l *Line, kg Sugars) {
		l.Sugars = kg
		l.Cost, l.Unpriced = price.of(kg)
	}
	put(&st.Lines[i], missing)
	st.Lines[i].SugarsWithin = micrograms(b.MissingWithin)
	rest := Line{Part: Unaccounted, Key: Inexact, Name: Inexact}
	put(&rest, whole.Less(missing))
	st.Lines = append(st.Lines, rest)
	st.Weighed, st.Doubted = true, b.Global.Rejects
}

// Inexact is what figures do not add up by besides, since they are not exact: by
// so much the balance moved them.
const Inexact = "errors of measuring"

// Period is what a statement covers where nobody says: the calendar year of the
// newest outing, in whole nights; of it, from the night on in which the books
// begin where that is later.
func Period(v *ledger.View, book *sugar.Book, zone *time.Location) (from, to int64) {
	if zone == nil {
		zone = time.UTC
	}
	at := v.At
	if n := len(v.Outings); n > 0 {
		at = v.Outings[n-1].From
	} else if book != nil && len(book.Moves) > 0 {
		at = book.Moves[len(book.Moves)-1].At
	}
	year := v.Evening(at, zone).Year()
	from, _ = v.NightOn(time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC), zone)
	to, _ = v.NightOn(time.Date(year+1, 1, 1, 0, 0, 0, 0, time.UTC), zone)
	if book == nil {
		return from, to
	}
	for i := range book.Moves {
		m := &book.Moves[i]
		if m.From.At == sugar.Opening && m.To.At == sugar.Store {
			if begin, _ := v.NightAt(m.At, zone); begin > from && begin < to {
				from = begin
			}
			break
		}
	}
	return from, to
}

// Nights is the stretch of the nights from one date to another, both with it.
// Of dates only year, month and day count.
func Nights(v *ledger.View, first, last time.Time, zone *time.Location) (from, to int64) {
	from, _ = v.NightOn(first, zone)
	_, to = v.NightOn(last, zone)
	return from, to
}

// metered puts the flow of the period into the statement: by yard, without
// one, and by what else it was.
func (st *Statement) metered(v *ledger.View, rigs *meters, flows []passed, zone *time.Location, price *prices) {
	var fed, all flowSum
	var keys []lineKey
	sums := make(map[lineKey]*flowSum)
	first, last := make(map[lineKey]int64), make(map[lineKey]int64)
	var hose Sugars // passed the meter and did not leave the nozzle meanwhile
	for i := range flows {
		p := &flows[i]
		k := lineKey{Elsewhere, p.why}
		if p.why == "" {
			k = lineKey{ToYards, p.yard}
			if p.yard == "" {
				k.part = NoYard
			}
			fed.add(p, rigs)
		}
		s := sums[k]
		if s == nil {
			s = &flowSum{}
			sums[k] = s
			keys = append(keys, k)
			first[k] = p.start
		}
		last[k] = p.start
		s.add(p, rigs)
		all.add(p, rigs)
		hose = hose.Plus(p.sugars).Less(p.given)
	}
	at := stays(v, rigs.views, st.From, st.To, zone)
	for id := range at {
		k := lineKey{ToYards, id}
		if sums[k] == nil { // it was visited and got nothing
			sums[k] = &flowSum{}
			keys = append(keys, k)
		}
	}
	st.YardNames = make(map[string]string)
	for i := range v.Yards {
		st.YardNames[v.Yards[i].ID] = v.Yards[i].Name
	}
	for _, k := range keys {
		s := sums[k]
		l := Line{Part: k.part, Key: k.key, Name: k.key, Volume: s.volume, Sugars: s.sugars, Unknown: s.unknown, First: first[k], Last: last[k]}
		l.Within, l.SugarsWithin = s.within(rigs)
		if k.part == ToYards {
			l.Yard = k.key
			if n := st.YardNames[k.key]; n != "" {
				l.Name = n
			}
			l.standing(at[k.key])
		}
		l.Cost, l.Unpriced = price.of(l.Sugars)
		st.Lines = append(st.Lines, l)
	}
	if hose != (Sugars{}) {
		l := Line{Part: Elsewhere, Key: InHose, Name: InHose, Sugars: hose}
		l.Cost, l.Unpriced = price.of(hose)
		st.Lines = append(st.Lines, l)
	}
	st.Fed, st.Metered = total(&fed, rigs), total(&all, rigs)
	st.Metered.Sugars = st.Metered.Sugars.Plus(hose)
	st.served(flows, price)
	for _, x := range rigs.views {
		for _, g := range x.Gaps {
			// Between outings the rig stands at home: what left the tote then shows in its level.
			if g.End >= st.From && g.Start < st.To && g.End-g.Start <= outing.Pause {
				st.Hidden += g.Hidden
			}
		}
		for i := range x.Fills {
			f := &x.Fills[i]
			st.Open = st.Open || f.Open && f.Start >= st.From && f.Start < st.To
		}
	}
	st.Unsettled = v.Settled < min(st.To, v.At)
	nights := make(map[string]bool)
	for _, o := range v.Outings {
		if o.From >= st.From && o.From < st.To {
			nights[v.Evening(o.From, zone).Format(time.DateOnly)] = true
		}
	}
	st.Nights = len(nights)
}

// InHose is what the hose held back: what passed the meter less what left the
// nozzle meanwhile. It is below nothing where it gave more.
const InHose = "left in the hose"

func total(s *flowSum, rigs *meters) Total {
	t := Total{Volume: s.volume, Sugars: s.sugars}
	t.Within, t.SugarsWithin = s.within(rigs)
	return t
}

// standing puts what is known of a yard's visits on its line.
func (l *Line) standing(s *stay) {
	if s == nil {
		return
	}
	l.Visits, l.Fills, l.Meant, l.Doubt, l.Least, l.Most = s.visits, s.fills, s.meant, s.doubt, s.least, s.top
	if s.said > 0 {
		l.Colonies = float64(s.colonies) / float64(s.said)
		l.FewestMost = [2]int{s.fewest, s.most}
	}
}

// served lists what numbered colonies got, of yards of which every fill's
// colony is sure. A fill that several shared is shared alike.
func (st *Statement) served(flows []passed, price *prices) {
	type who struct {
		yard   string
		colony int
	}
	got := make(map[who]*Served)
	unsure := make(map[string]bool)
	for i := range flows {
		p := &flows[i]
		if p.fill < 0 || p.yard == "" {
			continue
		}
		f := &p.view.Fills[p.fill]
		if f.Colony == 0 || p.unknown {
			unsure[p.yard] = true
			continue
		}
		n := max(1, f.To-f.Colony+1)
		for k := range n {
			w := who{p.yard, f.Colony + k}
			s := got[w]
			if s == nil {
				s = &Served{Yard: p.yard, Colony: w.colony}
				got[w] = s
			}
			if !f.TopUp {
				s.Fills++
			}
			// The parts of a shared fill add up to it.
			s.Volume += f.Volume*quantity.Volume(k+1)/quantity.Volume(n) - f.Volume*quantity.Volume(k)/quantity.Volume(n)
			for kind, m := range p.given {
				s.Sugars[kind] += m*mix.Micrograms(k+1)/mix.Micrograms(n) - m*mix.Micrograms(k)/mix.Micrograms(n)
			}
		}
	}
	for _, s := range got {
		if !unsure[s.Yard] {
			s.Cost, s.Unpriced = price.of(s.Sugars)
			st.Served = append(st.Served, *s)
		}
	}
	slices.SortFunc(st.Served, func(a, b Served) int {
		return cmp.Or(cmp.Compare(a.Yard, b.Yard), cmp.Compare(a.Colony, b.Colony))
	})
}

// order puts the lines in the order of the parts, those of yards by name and
// the others by key.
func (st *Statement) order() {
	place := func(p Part) int { return slices.Index(Parts, p) }
	slices.SortStableFunc(st.Lines, func(a, b Line) int {
		if c := cmp.Compare(place(a.Part), place(b.Part)); c != 0 {
			return c
		}
		if a.Part != ToYards && a.Part != Elsewhere {
			return 0 // as they were put
		}
		return cmp.Or(byName(a.Name, b.Name), cmp.Compare(a.Key, b.Key))
	})
}

// byName compares names as people do: "Yard 4" comes before "Yard 10".
func byName(a, b string) int {
	digit := func(s string, i int) bool { return i < len(s) && s[i] >= '0' && s[i] <= '9' }
	i, j := 0, 0
	for i < len(a) && j < len(b) {
		if !digit(a, i) || !digit(b, j) {
			if a[i] != b[j] {
				return cmp.Compare(a[i], b[j])
			}
			i, j = i+1, j+1
			continue
		}
		m, n := i, j
		for digit(a, i) {
			i++
		}
		for digit(b, j) {
			j++
		}
		x, y := strings.TrimLeft(a[m:i], "0"), strings.TrimLeft(b[n:j], "0")
		if c := cmp.Or(cmp.Compare(len(x), len(y)), cmp.Compare(x, y)); c != 0 {
			return c
		}
	}
	return cmp.Compare(len(a)-i, len(b)-j)
}
