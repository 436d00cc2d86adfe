package ledger

import (
	"cmp"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/fill"
	"yardtally/meter/total"
	ltote "yardtally/meter/tote"
	"yardtally/meter/yard"
)

// order is the order of folding: by instant; at one instant by content, so
// that it does not depend on the order of arrival; records that say the same
// by order of arrival.
func order(a, b *item) int {
	if c := cmp.Compare(a.at, b.at); c != 0 {
		return c
	}
	if c := content(&a.rec, &b.rec); c != 0 {
		return c
	}
	return cmp.Compare(a.rec.Seq, b.rec.Seq)
}

func content(a, b *meter.Record) int {
	if c := slices.CompareFunc(a.Readings, b.Readings, func(x, y meter.Reading) int {
		if c := cmp.Compare(x.Channel, y.Channel); c != 0 {
			return c
		}
		return cmp.Compare(x.Value, y.Value)
	}); c != 0 {
		return c
	}
	return cmp.Compare(a.Source, b.Source)
}

// rate is one step of the count, kept to tell the flow now.
type rate struct {
	At, Took int64
	Volume   quantity.Volume
}

// State is everything the fold remembers. It is a value: Clone shares only
// what is never changed afterwards. Its fields are exported for checkpoints.
type State struct {
	At   int64        // instant of the newest record folded
	Last meter.Record // that record, to know its double
	Seen uint64       // records folded

	Count total.State
	Fill  fill.State
	Yard  yard.State
	Level ltote.Level // headspace as the sensor said it, m
	Head  ltote.Level // Pa, from the pressure sensor
	Stand ltote.Standing
	Steps []ToteStep // settled levels, and what had been metered by then

	OpenYard, MoveYard   string // yard when the open piece began, and at the last count
	OpenKnown, MoveKnown bool
	HDOP                 float64
	HDOPAt               int64
	Syrup, Air           Last

	Volume quantity.Volume // of all closed pieces
	Fills  []Fill
	Loose  []Loose
	Gaps   []Gap
	Review []Review
	Hit    []string // assignments that found flow

	metered metered

	Rates    [8]rate
	RateN    int
	SampleAt int64 // next multiple of SampleEvery
	SampleV  quantity.Volume
	SampleF  int64 // instant SampleV was taken
}

// Clone returns a copy that can be folded on without changing s.
func (s *State) Clone() State {
	c := *s
	c.Count = s.Count.Clone()
	c.Fills = slices.Clip(s.Fills)
	c.Loose = slices.Clip(s.Loose)
	c.Gaps = slices.Clip(s.Gaps)
	c.Review = slices.Clip(s.Review)
	c.Hit = slices.Clip(s.Hit)
	c.Steps = slices.Clip(s.Steps)
	return c
}

// clean reports whether everything told so far lies before the last record and
// nothing is under way that began before it: from here, folding can go on.
func (s *State) clean() bool {
	return s.Seen > 0 && !s.Fill.Open && !s.Count.InDoubt && (len(s.Count.Sessions) == 0 || s.Count.Last.At == s.At)
}

// said is a record's readings by channel.
type said struct {
	has   [meter.LastChannel + 1]bool
	value [meter.LastChannel + 1]float64
}

// read takes the readings apart, without those that cannot be.
func (d *said) read(r *meter.Record) {
	for i := range r.Readings {
		if x := &r.Readings[i]; x.Check() == nil {
			d.has[x.Channel], d.value[x.Channel] = true, x.Value
		}
	}
}

// step folds one record into the state and passes what it brought forth to
// emit. Records come in order; a record that says the same as the one before
// it, at the same instant, is its double and adds nothing.
func (s *State) step(cfg *config, it *item, emit func(Event)) {
	if s.Seen > 0 && it.at == s.At && content(&it.rec, &s.Last) == 0 {
		return
	}
	sp := cfg.at(it.at)
	s.sample(cfg, it.at, emit)
	s.At, s.Last = it.at, it.rec
	s.Seen++
	var d said
	d.read(&it.rec)
	s.sense(sp, &d, it.at)
	if d.has[meter.Pulses] {
		s.count(cfg, sp, total.Count{
			At: it.at, N: uint64(d.value[meter.Pulses]), Clock: it.rec.Boot, Mono: it.rec.Mono,
			Up: int64(d.value[meter.Uptime]*1e9 + 0.5), HasUp: d.has[meter.Uptime],
			Boot: uint64(d.value[meter.Boot]), HasNum: d.has[meter.Boot],
		}, emit)
	}
}

// sense takes in everything but the count.
func (s *State) sense(sp *span, d *said, at int64) {
	if d.has[meter.HDOP] {
		s.HDOP, s.HDOPAt = d.value[meter.HDOP], at
	}
	if d.has[meter.Lat] && d.has[meter.Lon] {
		p := yard.Position{At: at, Lat: d.value[meter.Lat], Lon: d.value[meter.Lon]}
		if at-s.HDOPAt <= 5_000_000_000 {
			p.HDOP = s.HDOP
		}
		s.Yard.Next(p, sp.places)
		s.Stand.Place(at, p.Lat, p.Lon, p.HDOP)
	}
	if d.has[meter.Syrup] {
		s.Syrup = Last{d.value[meter.Syrup], at, true}
	}
	if d.has[meter.Air] {
		s.Air = Last{d.value[meter.Air], at, true}
	}
	if d.has[meter.Headspace] && sp.tote != nil && sp.tote.SensorM > 0 {
		s.Level.Add(at, d.value[meter.Headspace])
	}
	if d.has[meter.Head] {
		s.Head.Add(at, d.value[meter.Head])
	}
}

// count takes in one message of the counter.
func (s *State) count(cfg *config, sp *span, c total.Count, emit func(Event)) {
	var buf [2]total.Outcome
	told := s.Count.Next(c, sp.counts, buf[:0])
	for i := range told {
		switch o := &told[i]; o.What {
		case total.Same, total.Late:
		case total.First:
			s.MoveYard, s.MoveKnown = s.Yard.At(c.At)
		default:
			s.move(cfg, sp, o, emit)
		}
	}
}

// move takes in one step of the count.
func (s *State) move(cfg *config, sp *span, o *total.Outcome, emit func(Event)) {
	s.gap(sp, o, emit)
	wasOpen, wasFirst := s.Fill.Open, s.Fill.Now.First
	here, known := s.Yard.At(o.ToAt)
	var buf [2]fill.Piece
	under := sp
	if s.Fill.Open {
		under = cfg.at(s.Fill.Now.Under)
	}
	done := s.Fill.Next(fill.Move{Session: o.Session, From: o.From, To: o.To, FromAt: o.FromAt, ToAt: o.ToAt,
		Took: o.Took, Meter: s.meter(under), Fast: o.Fast}, under.fills, buf[:0])
	for i := range done {
		p := &done[i]
		y, k := s.stood()
		switch {
		case p.Kind == fill.Suspect:
			y = ""
		case p.Kind == fill.Hidden && (s.MoveYard != here || !s.MoveKnown || !known):
			// Only where the rig stood in the same yard before and after.
			y, k = "", s.MoveKnown && known
		case p.Kind == fill.Hidden:
			y, k = here, true
		}
		s.closed(cfg, p, y, k, emit)
	}
	if s.Fill.Open && (!wasOpen || s.Fill.Now.First != wasFirst) {
		s.OpenYard, s.OpenKnown = here, known
	}
	s.MoveYard, s.MoveKnown = here, known
	s.Rates[s.RateN%len(s.Rates)] = rate{o.ToAt, o.Took, quantity.Volume(o.To-o.From) * s.pulse(sp)}
	s.RateN++
}

// stood tells in which yard the open piece flowed: where the rig stood when it
// began, else where it stood at the last count of it.
func (s *State) stood() (yard string, known bool) {
	if s.OpenYard != "" || !s.MoveKnown {
		return s.OpenYard, s.OpenKnown
	}
	return s.MoveYard, true
}

// gap tells of what the counter may have kept from us.
func (s *State) gap(sp *span, o *total.Outcome, emit func(Event)) {
	pulse := s.pulse(sp)
	moved := quantity.Volume(o.To-o.From) * pulse
	if o.What == total.Advance && o.Hidden == 0 && (o.Took <= fill.Unseen || moved == 0) {
		return
	}
	g := Gap{Start: o.FromAt, End: o.ToAt, Why: o.Why}
	switch {
	case o.What == total.SetBack:
	case o.What == total.Restart:
		g.Start, g.End = o.Heard, o.FromAt
		if g.End-g.Start > 600_000_000_000 {
			g.Why = "board was off"
		}
	case o.Hidden > 0:
		g.Known = moved
	default:
		g.Known, g.Why = moved, "no readings"
	}
	g.Hidden = quantity.Volume(o.Hidden) * pulse
	if sp.tote != nil && o.What == total.Restart {
		g.Hidden = min(g.Hidden, litres(sp.tote.CapacityL))
	}
	s.Gaps = append(s.Gaps, g)
	if emit != nil {
		emit(Event{Kind: GapSeen, At: g.Start, Gap: &g})
	}
}

// closed puts a piece of flow on its account, cut where a person said so.
func (s *State) closed(cfg *config, p *fill.Piece, here string, known bool, emit func(Event)) {
	s.Volume += p.Volume()
	reason := ByPosition
	switch {
	case !known:
		here, reason = "", NoPosition
	case here == "":
		reason = NoYard
	}
	session := cfg.session(&s.Count.Sessions[p.Session-1])
	for _, part := range s.cut(cfg, p, session) {
		y, why := here, reason
		if part.act != "" {
			y, why = part.yard, ByHand
		}
		if p.Kind == fill.Pull {
			f := Fill{Session: session, First: part.First, Last: part.Last, Start: part.Start, End: part.End,
				Volume: part.Volume(), Metered: part.Flow, Yard: y, Reason: why}
			f.Within = fillFlow(&f).within(cfg.curves)
			if part.Flowing > 0 {
				f.Flow = quantity.Flow(f.Volume.CubicMetres() / (float64(part.Flowing) / 1e9))
			}
			if s.Syrup.Has && part.End-s.Syrup.At <= 120_000_000_000 {
				f.Syrup, f.HasSyrup = quantity.Temperature(s.Syrup.Value), true
			}
			s.Fills = append(s.Fills, f)
			if emit != nil {
				emit(Event{Kind: FillDone, At: f.Start, Fill: &f})
			}
			continue
		}
		l := Loose{Session: session, First: part.First, Last: part.Last, Start: part.Start, End: part.End,
			Volume: part.Volume(), Metered: part.Flow, Why: looseWhy[p.Kind], Yard: y, Reason: why}
		l.Within = looseFlow(&l).within(cfg.curves)
		s.Loose = append(s.Loose, l)
		if emit != nil {
			emit(Event{Kind: LooseDone, At: l.Start, Loose: &l})
		}
	}
}

var looseWhy = [...]string{fill.Dribble: "dribble", fill.Hidden: "unseen", fill.Suspect: "suspect"}

type part struct {
	fill.Piece
	act, yard string
}

// cut divides a piece at the edges of the assignments that touch it. Each part
// goes where the latest assignment that covers it says.
func (s *State) cut(cfg *config, p *fill.Piece, session uint64) []part {
	parts := []part{{Piece: *p}}
	for i := range cfg.assigns {
		a := cfg.assigns[i].Body.(act.Assign)
		if a.Session != session || a.Last <= p.First || a.First >= p.Last {
			continue
		}
		id := cfg.assigns[i].ID
		if !slices.Contains(s.Hit, id) {
			s.Hit = append(s.Hit, id)
		}
		if a.First > p.First || a.Last < p.Last {
			s.Review = append(s.Review, Review{id, "cuts through a fill: part of it moved"})
		}
		var next []part
		for _, q := range parts {
			for _, edge := range [2]uint64{a.First, a.Last} {
				if edge > q.First && edge < q.Last {
					var head part
					head, q = split(q, edge)
					next = append(next, head)
				}
			}
			next = append(next, q)
		}
		for j := range next {
			if next[j].First >= a.First && next[j].Last <= a.Last {
				next[j].act, next[j].yard = id, a.Yard
			}
		}
		parts = next
	}
	return parts
}

// split divides a part at a count; instants in proportion.
func split(q part, edge uint64) (head, rest part) {
	share := float64(edge-q.First) / float64(q.Last-q.First)
	at := q.Start + int64(share*float64(q.End-q.Start))
	flowing := int64(share * float64(q.Flowing))
	head, rest = q, q
	head.Last, head.End, head.Flowing, head.Flow = edge, at, flowing, q.Flow.Part(share)
	rest.First, rest.Start, rest.Flowing, rest.Flow = edge, at, q.Flowing-flowing, q.Flow.Part(1-share)
	return head, rest
}

// sample tells the state at the last multiple of SampleEvery before at, if
// records came since the multiple before that.
func (s *State) sample(cfg *config, at int64, emit func(Event)) {
	if s.Seen == 0 || at <= s.SampleAt {
		if s.Seen == 0 {
			s.SampleAt = nextSample(at)
			s.SampleF = at
		}
		return
	}
	g := s.SampleAt
	s.SampleAt = nextSample(at)
	sm := Sample{At: g, Total: s.total(cfg)}
	if d := g - s.SampleF; d > 0 {
		sm.Flow = quantity.Flow((sm.Total - s.SampleV).CubicMetres() / (float64(d) / 1e9))
	}
	s.SampleV, s.SampleF = sm.Total, g
	if t := s.toteNow(cfg.at(g), g); t.Known {
		sm.Tote, sm.HasTote = t.Volume, true
		if t.Settled {
			s.stepTote(&t, sm.Total)
		}
	}
	if s.Syrup.Has && g-s.Syrup.At <= 120_000_000_000 {
		sm.Syrup, sm.HasSyrup = quantity.Temperature(s.Syrup.Value), true
	}
	if s.Air.Has && g-s.Air.At <= 120_000_000_000 {
		sm.Air, sm.HasAir = quantity.Temperature(s.Air.Value), true
	}
	if emit != nil {
		emit(Event{Kind: Sampled, At: g, Sample: &sm})
	}
}

// nextSample returns the first multiple of SampleEvery not before at.
func nextSample(at int64) int64 {
	n := at / SampleEvery
	if at%SampleEvery > 0 {
		n++
	}
	return n * SampleEvery
}

// pending is the open piece as it would end now.
func (s *State) pending(cfg *config) (fill.Piece, bool) {
	if !s.Fill.Open {
		return fill.Piece{}, false
	}
	sp := cfg.at(s.Fill.Now.Under)
	return s.Fill.Pending(s.meter(sp), sp.fills)
}

// total is all that flowed, the open piece with it.
func (s *State) total(cfg *config) quantity.Volume {
	v := s.Volume
	if p, ok := s.pending(cfg); ok {
		v += p.Volume()
	}
	return v
}

// flowNow is the flow over the newest second of counts.
func (s *State) flowNow() (quantity.Flow, int64) {
	if s.RateN == 0 {
		return 0, 0
	}
	last := s.Rates[(s.RateN-1)%len(s.Rates)].At
	var v quantity.Volume
	var took int64
	for i := range min(s.RateN, len(s.Rates)) {
		r := s.Rates[(s.RateN-1-i)%len(s.Rates)]
		if last-r.At >= 1_000_000_000 {
			break
		}
		v += r.Volume
		took += r.Took
	}
	if took <= 0 {
		return 0, last
	}
	return quantity.Flow(v.CubicMetres() / (float64(took) / 1e9)), last
}
