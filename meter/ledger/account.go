package ledger

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/fill"
	"yardtally/meter/outing"
	ltote "yardtally/meter/tote"
	"yardtally/meter/worth"
	"yardtally/meter/yard"
)

// book is the accounts of a rig's outings, put together, up to one of them.
type book struct {
	fills   []Fill
	loose   []Loose
	visits  []Visit
	outings []Outing
	hits    []string
	review  []Review
	deaths  []death
	changes []ltote.Change
	doubts  []ltote.Doubt
	levels  []ltote.Point // of the newest outing
	terms   ltote.Terms

	here    outing.Here
	ahead   []string
	routed  bool
	begun   int  // visits of outings before this one
	follows bool // the level was seen to follow the flow

	flows, stays, presses, points int   // where the next outing begins in the state's lists
	until                         int64 // and the instant: end of what the last outing may look at
}

// clip makes the book's lists safe to append to without harm to their owner.
func (b *book) clip() book {
	c := *b
	c.fills, c.loose, c.visits, c.outings = slices.Clip(b.fills), slices.Clip(b.loose), slices.Clip(b.visits), slices.Clip(b.outings)
	c.hits, c.review, c.deaths = slices.Clip(b.hits), slices.Clip(b.review), slices.Clip(b.deaths)
	c.changes, c.doubts = slices.Clip(b.changes), slices.Clip(b.doubts)
	return c
}

// death is colonies that were said to be dead.
type death struct {
	yard      string
	at        int64
	when      int64 // when it was said
	n, number int
}

// made is an outing's account with everything that it was made from, to know
// whether it must be made again.
type made struct {
	from  facts
	after book // up to and with this outing
}

// facts are what an outing's account is made from, beside what people said:
// lists that only grow are named by their lengths.
type facts struct {
	flows, stays, presses, points int // ends
	open, over                    bool
	last, next                    yard.Stay
	moving, fix, now              int64
	held                          ltote.Point
	deaths                        int
	follows                       bool
	ill, well                     int64 // since when the level's sensor is not to be believed, and until when
}

// whole returns the accounts of everything in a state, the outing that goes on
// with them; open says that the last flow may go on. Outings whose facts are as
// they were are not made again. With keep they are remembered.
func (l *Ledger) whole(st *State, open, keep bool) book {
	said := l.said(st)
	b := book{until: math.MinInt64}
	shared := false // whether what b lists is remembered, or was handed out
	for i := 0; ; i++ {
		end, over := nextOuting(st.Flows, b.flows, st.At)
		p := l.facts(&b, st, end, open && end == len(st.Flows), over)
		if i < len(l.made) && l.made[i].from == p.facts {
			b, shared = l.made[i].after, true
		} else {
			if shared {
				b, shared = b.clip(), false
			}
			if keep {
				l.remade[0], l.remade[1] = min(l.remade[0], len(b.fills)), min(l.remade[1], len(b.loose))
			}
			l.enter(&b, st, &p, said)
			if keep {
				l.made = append(l.made[:i], made{p.facts, b})
			}
		}
		if !over {
			if keep {
				clear(l.made[min(i+1, len(l.made)):])
				l.made = l.made[:min(i+1, len(l.made))]
			}
			return b
		}
	}
}

// nextOuting returns the end of the outing that begins with the flow first,
// and whether it is over: a pause follows.
func nextOuting(flows []outing.Flow, first int, now int64) (end int, over bool) {
	if first >= len(flows) {
		return first, false
	}
	for i := first + 1; i < len(flows); i++ {
		if flows[i].Start-flows[i-1].End > outing.Pause {
			return i, true
		}
	}
	return len(flows), now-flows[len(flows)-1].End > outing.Pause
}

// outingFacts are facts and the lists they name.
type outingFacts struct {
	facts
	to     int64 // nothing after it is looked at
	seen   outing.Seen
	points []ltote.Point
}

// facts gathers what the account of the flows from b.flows to end is made from.
func (l *Ledger) facts(b *book, st *State, end int, open, over bool) outingFacts {
	p := outingFacts{to: math.MaxInt64}
	if over {
		p.to = st.Flows[end-1].End + outing.Pause
		if end < len(st.Flows) {
			p.to = min(p.to, st.Flows[end].Start-1)
		}
	}
	upTo := func(from, n int, at func(int) int64) int {
		return from + sort.Search(n-from, func(i int) bool { return at(from+i) > p.to })
	}
	p.facts = facts{flows: end, open: open, over: over, now: min(st.At, p.to), deaths: len(b.deaths), follows: b.follows,
		stays:   upTo(b.stays, len(st.Stays), func(i int) int64 { return st.Stays[i].From }),
		presses: upTo(b.presses, len(st.Presses), func(i int) int64 { return st.Presses[i].At }),
		points:  upTo(b.points, len(st.Points), func(i int) int64 { return st.Points[i].At })}
	s := &p.seen
	*s = outing.Seen{Flows: st.Flows[b.flows:end], Open: open, From: b.until, Now: p.now, Ended: over,
		Presses: st.Presses[b.presses:p.presses]}
	// One stay more than the outing's own tells when the last of them ended.
	last := min(p.stays+1, len(st.Stays))
	s.Stays = st.Stays[b.stays:last:last]
	if last == p.stays {
		if stay, standing := st.Track.Open(); standing {
			s.Stays = append(s.Stays, stay)
		}
	}
	if n := len(s.Stays); n > 0 {
		p.next = s.Stays[n-1]
		if n > 1 {
			p.last = s.Stays[n-2]
		}
	}
	if p.next.From <= p.to {
		p.moving, p.fix = st.Track.Moving(), st.Track.Fix()
	}
	s.Moving, s.Fix = p.moving, p.fix
	p.pointsOf(b, st)
	p.illOf(b, st, l.cfg.at(p.now))
	return p
}

func (p *outingFacts) pointsOf(b *book, st *State) {
	p.points = nil
	list := st.Points[b.points:p.facts.points:p.facts.points]
	if p.facts.points == len(st.Points) {
		if held, ok := st.Keeper.Pending(); ok && held.At <= p.to {
			p.held = held
			list = append(list, held)
		}
	}
	p.points = list
}

// illOf notes when the sensor that the level comes from was ill, while it flowed.
func (p *outingFacts) illOf(b *book, st *State, sp *span) {
	if p.facts.flows == b.flows || sp.tote == nil {
		return
	}
	c := meter.Head
	if sp.tote.SensorM > 0 && st.Level.N > 0 {
		c = meter.Headspace
	}
	p.ill, p.well = st.Sensors.Ill(c, st.Flows[b.flows].Start, p.to)
}

// enter makes the account and puts it in the book.
func (l *Ledger) enter(b *book, st *State, p *outingFacts, said *saying) {
	l.weigh(b, st, p)
	said.book = b
	a := outing.Make(&p.seen, &said.Said)
	shift := len(b.visits)
	for i := range a.Fills {
		if a.Fills[i].Visit >= 0 {
			a.Fills[i].Visit += shift
		}
	}
	for i := range a.Loose {
		if a.Loose[i].Visit >= 0 {
			a.Loose[i].Visit += shift
		}
	}
	b.fills, b.loose, b.visits = append(b.fills, a.Fills...), append(b.loose, a.Loose...), append(b.visits, a.Visits...)
	b.hits, b.review = append(b.hits, a.Hits...), append(b.review, a.Review...)
	for _, d := range a.Deaths {
		b.deaths = append(b.deaths, death{d.Yard, d.At, d.When, d.N, d.Number})
	}
	b.here, b.ahead, b.routed, b.begun = a.Here, a.Ahead, a.Routed, shift
	if n := len(p.seen.Flows); n > 0 {
		b.outings = append(b.outings, Outing{From: p.seen.Flows[0].Start, To: p.seen.Flows[n-1].End, Visits: len(a.Visits)})
	}
	b.flows, b.presses, b.until = p.flows, p.presses, p.to
	// The last stay and the last settled level may be the next outing's as well.
	b.stays, b.points = max(b.stays, p.stays-1), max(b.points, p.facts.points-1)
}

// weigh holds the tote's levels against what the meter counted.
func (l *Ledger) weigh(b *book, st *State, p *outingFacts) {
	points, seen := p.points, &p.seen
	if len(seen.Flows) > 0 {
		b.levels, b.terms = nil, ltote.Terms{}
	}
	sp := l.cfg.at(p.now)
	if len(points) < 2 || sp.tote == nil || sp.curve == nil {
		return
	}
	var volume, within quantity.Volume
	flows := make([]ltote.Flow, len(seen.Flows))
	for i := range seen.Flows {
		f := &seen.Flows[i]
		v := f.Volume()
		flows[i] = ltote.Flow{Start: f.Start, End: f.End, Volume: v, U: quantity.Volume(float64(f.Within) / worth.Cover), Stray: f.Kind == fill.Suspect}
		if f.Flowing > 0 {
			flows[i].Rate = quantity.Flow(v.CubicMetres() / (float64(f.Flowing) / 1e9))
		}
		volume += v
		within += f.Within
	}
	seen.Levels, seen.OutletU = make([]outing.Level, 0, len(points)), outletU
	for i := range points {
		q := &points[i]
		ill := p.ill != 0 && q.At > p.ill && (p.well == 0 || q.At < p.well)
		if !ill && (q.Rest || q.Why != ltote.NoReading && q.Why != ltote.Silent) {
			seen.Levels = append(seen.Levels, outing.Level{At: q.At, Over: q.Volume - litres(sp.tote.UnusableL), U: q.U, Passed: q.Metered - q.Lag, Restless: !q.Rest})
		}
	}
	terms := ltote.Terms{ShareU: sp.strapU, MeterU: usualMeterU, Outlet: litres(sp.tote.UnusableL), OutletU: outletU}
	if volume > 0 && within > 0 {
		terms.MeterU = float64(within) / float64(volume) / worth.Cover
	}
	if len(flows) > 0 {
		b.levels, b.terms = points, terms
	}
	b.changes = append(b.changes, ltote.Changes(points, terms)...)
	seen.Doubts = ltote.Doubts(points, flows, terms)
	// A level that never falls may be a sensor that is stuck: it accuses only
	// where it has been seen to follow the flow, this outing or the one before.
	if follows(points) {
		b.follows = true
	} else if b.follows = b.follows && volume < stuckL; !b.follows {
		for i := range seen.Doubts {
			seen.Doubts[i].Sure = false
		}
	}
	seen.Follows = b.follows
	for i := range seen.Doubts { // nor does one that is known to be stuck accuse
		if d := &seen.Doubts[i]; p.ill != 0 && d.To > p.ill && (p.well == 0 || d.From < p.well) {
			d.Sure = false
		}
	}
	b.doubts = append(b.doubts, seen.Doubts...)
}

// follows reports whether the level was seen to fall with the flow.
func follows(points []ltote.Point) bool {
	last := -1
	for i := range points {
		if !points[i].Rest {
			continue
		}
		if last >= 0 {
			metered := float64(points[i].Metered - points[last].Metered)
			fall := float64(points[last].Volume - points[i].Volume)
			if metered > float64(followL) && fall > metered/2 && fall < 2*metered {
				return true
			}
			if metered > 0 && metered <= float64(followL) {
				continue // too little to show
			}
		}
		last = i
	}
	return false
}

// How much must be metered for a level to show that it follows, and how much
// may be before one that does not is taken to be stuck. Common practice, no
// source: 3 mm and 15 mm of a tote's 1 m².
const (
	followL = 3 * quantity.Litre
	stuckL  = 15 * quantity.Litre
)

const (
	// usualMeterU is the relative standard uncertainty of a meter that says nothing of it.
	usualMeterU = 0.01
	// outletU is how well it is known with how much left the outlet draws air,
	// standard uncertainty. Common practice, no source.
	outletU = 3 * quantity.Litre
)

// saying is what people have said, as the account needs it.
type saying struct {
	outing.Said
	l      *Ledger
	st     *State
	book   *book             // of the outings before the one in hand
	passed []quantity.Volume // how much had passed the meter when each batch came
}

// said puts together what people have said. Instants that they named by a
// boot's clock are placed anew, for that may have been corrected.
func (l *Ledger) said(st *State) *saying {
	c := l.cfg
	s := &saying{l: l, st: st, Said: c.said}
	for i := range c.batchList {
		s.passed = append(s.passed, s.passedBy(c.batchList[i].from))
	}
	s.Arrives = slices.Clone(c.said.Arrives)
	s.Colony = slices.Clone(c.said.Colony)
	s.Visits = slices.Clone(c.said.Visits)
	s.Drains = slices.Clone(c.said.Drains)
	for i, m := range c.moments.arrives {
		s.Arrives[i].At = l.instant(m)
	}
	for i, m := range c.moments.colony {
		s.Colony[i].At = l.instant(m)
	}
	for i, m := range c.moments.visits {
		s.Visits[i].At = l.instant(m)
	}
	for i, m := range c.moments.drains {
		s.Drains[i].At = l.instant(m)
	}
	slices.SortStableFunc(s.Arrives, func(a, b outing.Arrive) int { return cmp.Compare(a.At, b.At) })
	slices.SortStableFunc(s.Colony, func(a, b outing.Colony) int { return cmp.Compare(a.At, b.At) })
	slices.SortStableFunc(s.Visits, func(a, b outing.Begin) int { return cmp.Compare(a.At, b.At) })
	slices.SortStableFunc(s.Drains, func(a, b outing.Drain) int { return cmp.Compare(a.At, b.At) })
	s.TopUp = func(at int64) int64 {
		if t := c.at(at).rig.TopUpS; t > 0 {
			return int64(t * 1e9)
		}
		return int64(act.DefaultTopUp * 1e9)
	}
	s.Hose = func(at int64) quantity.Volume { return litres(c.at(at).rig.HoseL) }
	s.Least = func(at int64) quantity.Volume { return litres(c.at(at).rig.LeastL) }
	s.Places = func(at int64) []yard.Place { return c.at(at).places }
	s.Within = func(f *outing.Flow) quantity.Volume { return meteredOf(f).within(c.curves) }
	s.Stock = func(at int64) (outing.Stock, bool) { sp := c.at(at); return sp.stock, sp.batch != nil }
	s.Site = s.site
	s.BatchAt = s.batchAt
	return s
}

// instant returns when a moment was.
func (l *Ledger) instant(m act.Moment) int64 {
	if m.Boot == "" {
		return m.NS
	}
	for n, id := range l.cfg.boots {
		if id == m.Boot {
			return l.Here(n, m.MonoNS, m.NS)
		}
	}
	return m.NS
}

// site returns a yard as it was at an instant: as last said, less those that
// died since.
func (s *saying) site(id string, at int64) outing.Site {
	var out outing.Site
	var said stand
	for _, x := range s.l.cfg.stands[id] {
		if x.from > at {
			break
		}
		said = x
	}
	out.Colonies, out.Meant, out.Numbered, out.Said = said.colonies, said.meant, said.numbered, said.when
	if out.Meant == 0 && id != "" {
		out.Meant = litres(s.l.cfg.at(at).rig.FillL)
	}
	for _, d := range s.book.deaths {
		if d.yard == id && d.at < at && d.at >= said.from && d.when > said.when {
			out.Colonies = max(0, out.Colonies-d.n)
			if d.number > 0 && d.n == 1 {
				out.Absent = append(out.Absent, d.number)
			} else {
				out.Unsure = true
			}
		}
	}
	return out
}

// batchAt returns the batch that passed the meter when so much had.
func (s *saying) batchAt(through quantity.Volume) (outing.Batch, quantity.Volume, bool) {
	list := s.l.cfg.batchList
	until := quantity.Volume(math.MaxInt64)
	for i := len(list) - 1; i >= 0; i-- {
		if s.passed[i] <= through {
			return list[i].batch, until, true
		}
		until = s.passed[i]
	}
	return outing.Batch{}, until, false
}

// passedBy returns how much had passed the meter by an instant.
func (s *saying) passedBy(at int64) quantity.Volume {
	flows := s.st.Flows
	if at == math.MinInt64 {
		return math.MinInt64
	}
	i := sort.Search(len(flows), func(i int) bool { return flows[i].End >= at })
	if i == len(flows) {
		if i == 0 {
			return 0
		}
		return flows[i-1].Through + flows[i-1].Volume()
	}
	f := &flows[i]
	if at <= f.Start || f.End <= f.Start {
		return f.Through
	}
	return f.Through + quantity.Volume(float64(f.Volume())*float64(at-f.Start)/float64(f.End-f.Start))
}
