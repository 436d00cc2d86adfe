package ledger

import (
	"cmp"
	"math/bits"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/fill"
	"yardtally/meter/outing"
	"yardtally/meter/sensor"
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
	Track yard.Track
	Stays []yard.Stay // closed ones
	Level ltote.Level // headspace as the sensor said it, m
	Head  ltote.Level // Pa, from the pressure sensor
	Stand ltote.Standing
	Steps []ToteStep // settled levels, and what had been metered by then

	Marks, Skips button
	Presses      []outing.Press

	Points  []ltote.Point // levels worth keeping
	Keeper  ltote.Keeper
	PointAt int64 // newest level reading offered to Keeper
	Silent  int64 // ns of silence of the whole rig since then
	Falling ltote.Falling
	Falls   []ltote.Fall // those that are over
	Heads   []ltote.Head // where both level sensors were at rest

	HDOP       float64
	HDOPAt     int64
	Syrup, Air Last
	Surface    Last // syrup above the tote's floor at the newest sample, m
	Fix        fix  // newest position
	Beside     beside
	Warmth     warmth
	Sensors    sensor.State
	Idling     idling
	Idles      []outing.Idle // those that are over

	Volume quantity.Volume // of all closed pieces
	Flows  []outing.Flow
	Gaps   []Gap

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
	c.Flows = slices.Clip(s.Flows)
	c.Stays = slices.Clip(s.Stays)
	c.Presses = slices.Clip(s.Presses)
	c.Points = slices.Clip(s.Points)
	c.Gaps = slices.Clip(s.Gaps)
	c.Steps = slices.Clip(s.Steps)
	c.Idles = slices.Clip(s.Idles)
	c.Falls = slices.Clip(s.Falls)
	c.Heads = slices.Clip(s.Heads)
	c.Sensors = s.Sensors.Clone()
	return c
}

// clean reports whether everything told so far lies before the last record and
// nothing is under way that began before it: from here, folding can go on.
func (s *State) clean() bool {
	return s.Seen > 0 && !s.Fill.Open && !s.Count.InDoubt && (len(s.Count.Sessions) == 0 || s.Count.Last.At == s.At)
}

// silence is how long a rig that is heard says nothing at most, ns.
const silence = int64(60_000_000_000)

// said is a record's readings by channel.
type said struct {
	set   uint32 // a bit a channel
	value [meter.LastChannel + 1]float64
}

// read takes the readings apart, without those that cannot be.
func (d *said) read(r *meter.Record) {
	for i := range r.Readings {
		if x := &r.Readings[i]; x.Check() == nil {
			d.set |= 1 << x.Channel
			d.value[x.Channel] = x.Value
		}
	}
}

// has reports whether there is a reading of the channel.
func (d *said) has(c meter.Channel) bool { return d.set>>c&1 != 0 }

// listened are the channels whose sensors are judged, and elsewhere those that
// nothing else is derived from.
const (
	listened  = 1<<meter.Pulses | 1<<meter.Headspace | 1<<meter.Head | 1<<meter.Syrup | 1<<meter.Air | 1<<meter.Line | 1<<meter.Pump | 1<<meter.Lat
	elsewhere = 1<<meter.Line | 1<<meter.Pump | 1<<meter.UTC
)

func lowest(set uint32) meter.Channel { return meter.Channel(bits.TrailingZeros32(set)) }

// step folds one record into the state and passes what it brought forth to
// emit. Records come in order; a record that says the same as the one before
// it, at the same instant, is its double and adds nothing.
func (s *State) step(cfg *config, it *item, emit func(Event)) {
	if s.Seen > 0 && it.at == s.At && content(&it.rec, &s.Last) == 0 {
		return
	}
	sp := cfg.at(it.at)
	s.sample(cfg, it.at, emit)
	if gap := it.at - s.At; gap > silence && s.Seen > 0 {
		s.Silent += gap
	}
	s.At, s.Last = it.at, it.rec
	s.Seen++
	var d said
	d.read(&it.rec)
	s.listen(sp, &d, it.at)
	if d.set&^elsewhere == 0 {
		return
	}
	s.sense(sp, &d, it.at)
	if d.has(meter.Mark) {
		s.press(&s.Marks, uint64(d.value[meter.Mark]), false)
	}
	if d.has(meter.Skip) {
		s.press(&s.Skips, uint64(d.value[meter.Skip]), true)
	}
	if d.has(meter.Pulses) {
		s.count(cfg, sp, total.Count{
			At: it.at, N: uint64(d.value[meter.Pulses]), Clock: it.rec.Boot, Mono: it.rec.Mono,
			Up: int64(d.value[meter.Uptime]*1e9 + 0.5), HasUp: d.has(meter.Uptime),
			Boot: uint64(d.value[meter.Boot]), HasNum: d.has(meter.Boot),
		}, emit)
	}
}

// sense takes in everything but the count.
func (s *State) sense(sp *span, d *said, at int64) {
	if d.has(meter.HDOP) {
		s.HDOP, s.HDOPAt = d.value[meter.HDOP], at
	}
	if d.has(meter.Lat) && d.has(meter.Lon) {
		p := yard.Position{At: at, Lat: d.value[meter.Lat], Lon: d.value[meter.Lon]}
		if at-s.HDOPAt <= 5_000_000_000 {
			p.HDOP = s.HDOP
		}
		if stay, closed := s.Track.Next(p); closed {
			s.Stays = append(s.Stays, stay)
		}
		s.Stand.Place(at, p.Lat, p.Lon, p.HDOP)
		s.Fix = fix{at, p.Lat, p.Lon}
	}
	if d.has(meter.Syrup) {
		s.Syrup = Last{d.value[meter.Syrup], at, true}
		s.warm(sp, at, d.value[meter.Syrup])
	}
	if d.has(meter.Air) {
		s.Air = Last{d.value[meter.Air], at, true}
	}
	if d.has(meter.Headspace) && sp.tote != nil && sp.tote.SensorM > 0 {
		s.Level.Add(at, d.value[meter.Headspace])
	}
	if d.has(meter.Head) {
		s.Head.Add(at, d.value[meter.Head])
	}
}

// button is the newest that was heard of a button's running count.
type button struct {
	Has     bool
	N       uint64
	At      int64
	Session int // sessions of the counter by then: it starts again with the board
}

// press takes in a button's running count.
func (s *State) press(b *button, n uint64, skip bool) {
	was := *b
	session := len(s.Count.Sessions)
	anew := session != was.Session && was.Session > 0 // the board started again, and its buttons with it
	pressed := uint64(0)
	switch {
	case !was.Has:
		// What was pressed before anything was heard is not known.
	case anew:
		pressed = n
	case n < was.N:
		return // late
	default:
		pressed = n - was.N
	}
	if pressed > 0 {
		s.Presses = append(s.Presses, outing.Press{From: was.At, At: s.At, N: int(min(pressed, mostPresses)), Skip: skip})
	}
	*b = button{true, n, s.At, session}
}

// mostPresses is more than anybody presses a button between two messages.
const mostPresses = 1000

// count takes in one message of the counter.
func (s *State) count(cfg *config, sp *span, c total.Count, emit func(Event)) {
	var buf [2]total.Outcome
	told := s.Count.Next(c, sp.counts, buf[:0])
	for i := range told {
		switch o := &told[i]; o.What {
		case total.Same, total.Late, total.First:
		default:
			s.move(cfg, sp, o, emit)
		}
	}
}

// move takes in one step of the count.
func (s *State) move(cfg *config, sp *span, o *total.Outcome, emit func(Event)) {
	s.gap(sp, o, emit)
	if s.Fill.Open || o.To > o.From {
		s.flow(cfg, sp, o)
	}
	s.Rates[s.RateN%len(s.Rates)] = rate{o.ToAt, o.Took, quantity.Volume(o.To-o.From) * s.pulse(sp)}
	s.RateN++
}

// flow takes in a step of the count while something flows, or has just done.
func (s *State) flow(cfg *config, sp *span, o *total.Outcome) {
	var buf [2]fill.Piece
	under := sp
	if s.Fill.Open {
		under = cfg.at(s.Fill.Now.Under)
	}
	done := s.Fill.Next(fill.Move{Session: o.Session, From: o.From, To: o.To, FromAt: o.FromAt, ToAt: o.ToAt,
		Took: o.Took, Meter: s.meter(under), Fast: o.Fast, Driven: s.driven()}, under.fills, buf[:0])
	for i := range done {
		s.closed(cfg, &done[i])
	}
	if o.To > o.From && s.Fill.Open {
		s.pulsed()
	}
}

// away is how far from where it stood the rig has come to another place: less
// than two yards are apart, and more than it creeps in a pull. fastest is the
// greatest speed of a loaded trailer, m/s, well meant: what came faster is a
// receiver that errs. A pull may seem to begin some seconds before the rig
// stands where counter and receiver go by different clocks. Common practice, no
// source, all three.
const (
	away    quantity.Length = 60
	fastest                 = 40.0
	seeming                 = int64(15_000_000_000)
)

// driven reports whether the rig came to another place since the open piece of
// flow began. Nobody pulls on the road: pulses that go on from one yard to the
// next are stray ones, and must not carry the next yard's first pull with them.
func (s *State) driven() bool {
	n := len(s.Stays)
	if !s.Fill.Open || n == 0 {
		return false
	}
	now, stands := s.Track.Open()
	was := &s.Stays[n-1]
	if !stands || now.From-s.Fill.Now.Start < seeming {
		return false
	}
	d := yard.Distance(was.Lat, was.Lon, now.Lat, now.Lon)
	return d > away && float64(d) <= fastest*float64(now.From-was.To)/1e9
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
		if g.End == g.Start {
			g.End = o.ToAt // when it started is not known
		}
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

// closed notes a piece of flow. Whose it was is the account's to say.
func (s *State) closed(cfg *config, p *fill.Piece) {
	f := outing.Flow{Session: cfg.session(&s.Count.Sessions[p.Session-1]), First: p.First, Last: p.Last,
		Start: p.Start, End: p.End, Flowing: p.Flowing, Kind: p.Kind, Surge: p.Surge, Surging: p.Surging, Head: p.Head, Tail: p.Tail, Stray: p.Stray, Most: float32(p.Most),
		Pulse: p.Pulse, Metered: p.Flow, Through: s.Volume}
	if s.Syrup.Has && f.End-s.Syrup.At <= 120_000_000_000 {
		f.Syrup, f.HasSyrup = quantity.Temperature(s.Syrup.Value), true
	}
	f.Steady = s.steady(p)
	if ofPulses(p) {
		s.Beside.tell(&f)
		s.Beside = beside{}
	}
	f.Within = meteredOf(&f).within(cfg.curves)
	s.Volume += f.Volume()
	s.Flows = append(s.Flows, f)
	s.flowed(p)
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
	if t, p := s.toteNow(cfg.at(g), g); t.Known {
		sm.Tote, sm.HasTote = t.Volume, true
		s.Surface = Last{float64(t.Level), t.At, true}
		if t.Settled {
			s.stepTote(&t, sm.Total)
		}
		s.point(cfg.at(g), &t, p, sm.Total)
		s.head(cfg.at(g), &t, g)
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
