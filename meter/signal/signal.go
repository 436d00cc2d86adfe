// Package signal says, while a pull goes on, what the keeper in the dark should
// hear: the set fill is reached, flow fails, or the counter has gone silent. It
// is told every message of the counter as it arrives and knows nothing that is
// kept: its signals are for the ear, and the account is the ledger's.
//
// A signal says something and does nothing. It is also only as good as the
// wire: a message that is lost delays it until the next one, and without
// messages there is nothing but Silent.
//
// What pulses alone can tell, and what they cannot:
//
//   - A trigger that is let go early and a pump that stops at once look the
//     same. A stop is therefore never a signal. Flow that dies away over
//     seconds, as from a tote that runs empty, is one.
//   - A trigger held half open from the start is a slower pull, and no signal.
//     One that is eased by hand in mid-pull cannot be told from a kinked hose:
//     below Rules.Failing of this pull's own flow both are Failing. The last
//     tenth of the set fill is left out, where a careful hand slows down.
//   - Pulses of air are pulses. Flow that surges and stalls again and again is
//     Failing; a steady stream of froth looks like syrup.
//   - A fill whose beginning nobody heard, because the daemon began in it or
//     messages were missing for longer than a top-up's moment, has no Full: it
//     would come too late, and too late is worse than never.
package signal

import (
	"yardtally/calibrate/quantity"
	"yardtally/meter/total"
)

// Kind is what a signal says.
type Kind uint8

// Kinds of signals.
const (
	Full    Kind = iota + 1 // the set fill is reached, less what it is to come early by
	Failing                 // flow fails while the trigger seems to be open
	Silent                  // the counter says nothing any more, in mid-pull
	Alarm                   // something else needs the keeper now; State never says it
)

// Kinds is one more than the highest Kind: the length of a table by kind.
const Kinds = int(Alarm) + 1

// String returns the kind's name, as it is given out.
func (k Kind) String() string {
	switch k {
	case Full:
		return "full"
	case Failing:
		return "failing"
	case Silent:
		return "silent"
	case Alarm:
		return "alarm"
	}
	return "none"
}

// Signal is one thing to be heard.
type Signal struct {
	Kind Kind
	Fill quantity.Volume // what the fill had by the newest message; 0 without a proving
	Set  quantity.Volume // the set fill; 0: none is set here
}

// Count is one message of the counter as it arrived.
type Count struct {
	At     int64  // ns of the daemon's monotonic clock on arrival
	N      uint64 // as said: wraps
	Up     int64  // the board's uptime, ns
	HasUp  bool
	Boot   uint64 // how often the board has started
	HasNum bool   // whether Boot is known
}

// Rules are what holds where the rig is now. They may change from message to
// message.
type Rules struct {
	Wrap    uint64          // the count wraps at this value; 0: never
	MaxRate float64         // pulses a second that the line can never exceed; 0: not known
	Quiet   int64           // the count stands still after so long, ns
	TopUp   int64           // a pull within this of the one before goes on with its fill, ns
	Least   quantity.Volume // less is a dribble, not a pull
	Pulse   quantity.Volume // what a pulse is worth; 0: not known
	Set     quantity.Volume // the set fill; 0: none
	Early   quantity.Volume // Full comes so much before it; at most half of it counts
	Failing float64         // share of the pull's own flow below which it fails; 0: never said
	Break   bool            // the keeper said that he takes a break: silence is no news
}

// Judgement, no source: long enough that a hand on a trigger is not taken for a
// fault, short enough that a colony gets no cupful of air meanwhile.
const (
	rateOver    = int64(1_000_000_000) // flow is the mean over this, ns
	surgeOver   = int64(400_000_000)   // and over this where surges are looked for
	failAfter   = int64(1_500_000_000) // so long below the share; the mean lags half a second more
	surgeWithin = int64(4_000_000_000) // three stalls within this are surging
	stopped     = 0.1                  // below this share of the pull's flow it is a stop
	surged      = 0.8                  // above this share flow has come back
	lastPart    = 0.9                  // beyond this share of the set fill slow flow is the hand's care

	silentAfter  = int64(2_000_000_000) // without a message
	silentTimes  = 3                    // and at least so many times the usual wait for one
	standsStill  = int64(1_000_000_000) // without a pulse, so that silence is no news
	staleAfter   = int64(2_000_000_000) // a message that was under way for longer is no news
	clockPercent = 100                  // a board's clock may run slow by one part in so many
	unseen       = int64(3_000_000_000) // between messages: no flow is worked out over it

	fewPulses = 5 // are a dribble where it is not known what a pulse is worth
)

// State is what is remembered between messages. The zero State is a beginning.
type State struct {
	count total.State

	// Of the board's and our clock: the shortest way a message took, and when.
	timed  bool
	lead   int64 // arrival less uptime, ns
	leadUp int64
	fresh  bool  // the newest message was not long under way
	heard  int64 // arrival of the newest news
	waits  [2]int64
	board  int64  // the board's time, ns from the first message
	pulses uint64 // from the first message
	still  int64  // ns without a pulse
	unsure bool   // what flowed before is not known, until the count stands still

	// The fill.
	in     bool
	sure   bool // its beginning was heard
	open   bool // it is more than a dribble
	from   uint64
	markAt int64  // what is more than a dribble flowed until then
	markN  uint64 // pulses by then
	marked bool   // for the rest that is going on
	given  [Kinds]bool

	pull pull
}

// pull is what is known of the flow since the trigger was opened last.
type pull struct {
	ring   [32]point
	n      int     // points so far
	best   float64 // highest rate, pulses a second
	low    bool
	lowAt  int64
	high   bool     // since the stall before
	stalls [3]int64 // instants of the newest stalls, board's time
	nStall int
}

type point struct {
	at int64 // board's time
	n  uint64
}

// pointEvery is how close points of a ring stand, ns: the ring reaches back 3 s
// then, however fast the board talks.
const pointEvery = int64(100_000_000)

// Next takes in a message as it arrived and appends to out what is to be heard
// now. Messages may come late, twice or not at all.
func (s *State) Next(c Count, r Rules, out []Signal) []Signal {
	var buf [2]total.Outcome
	told := s.count.Next(total.Count{At: c.At, N: c.N, Up: c.Up, HasUp: c.HasUp, Boot: c.Boot, HasNum: c.HasNum, Mono: c.At},
		total.Rules{Wrap: r.Wrap, MaxRate: r.MaxRate}, buf[:0])
	for i := range told {
		o := &told[i]
		switch o.What {
		case total.First:
			s.timed, s.heard, s.unsure = false, c.At, true
			s.clock(c.At)
		case total.Advance:
			s.news(c.At)
			s.clock(c.At)
			out = s.move(o, o.Took, r, out)
		case total.Restart:
			s.timed = false // its uptime began anew
			s.news(c.At)
			s.clock(c.At)
			out = s.move(o, max(0, o.ToAt-o.Heard), r, out)
		case total.SetBack: // what flowed is not known; the fill goes on
			s.news(c.At)
			s.pull = pull{}
		}
	}
	return out
}

// Tick says how late it is, ns of the clock that Count.At is of, and appends
// Silent where a pull should have been heard of.
func (s *State) Tick(now int64, r Rules, out []Signal) []Signal {
	limit := max(silentAfter, silentTimes*max(s.waits[0], s.waits[1]))
	if r.Break || !s.in || !s.open || s.still >= standsStill || s.given[Silent] || now-s.heard <= limit {
		return out
	}
	return s.give(Silent, r, out)
}

// Due reports whether the fill that goes on is still to have its Full: whatever
// else there is to hear waits until then.
func (s *State) Due(r Rules) bool {
	return s.in && s.sure && r.Set > 0 && r.Pulse > 0 && !s.given[Full] && !s.given[Silent]
}

func (s *State) give(k Kind, r Rules, out []Signal) []Signal {
	s.given[k] = true
	return append(out, Signal{Kind: k, Fill: s.fill(r), Set: r.Set})
}

func (s *State) fill(r Rules) quantity.Volume { return quantity.Volume(s.pulses-s.from) * r.Pulse }

// news notes that there was a message that told something. How long one waits
// for the next is learnt from those before.
func (s *State) news(at int64) {
	if wait := at - s.heard; wait <= unseen {
		s.waits[0], s.waits[1] = s.waits[1], wait
	}
	s.heard = at
}

// clock finds out whether the newest message was long under way. Those that
// waited at a broker for hours tell of fills long past.
func (s *State) clock(at int64) {
	l := &s.count.Last
	if !l.HasUp {
		s.fresh = true
		return
	}
	lead := at - l.Up
	least := s.lead + (l.Up-s.leadUp)/clockPercent
	if !s.timed || lead <= least {
		s.timed, s.lead, s.leadUp, s.fresh = true, lead, l.Up, true
		return
	}
	s.fresh = lead-least <= staleAfter
}

// move takes in a step of the count that took so long.
func (s *State) move(o *total.Outcome, took int64, r Rules, out []Signal) []Signal {
	d := o.To - o.From
	if o.Fast {
		d = 0 // no syrup flows so fast
	}
	s.board += took
	quiet := s.still + took
	if d > 0 && s.still == 0 {
		quiet = 0 // flow at both ends
	}
	if quiet >= r.Quiet {
		s.unsure = false
		if !s.marked {
			s.marked, s.markAt, s.markN = true, s.board-quiet, s.pulses
		}
	}
	known := s.board // until when it is known that nothing flowed besides
	if d > 0 && quiet == 0 {
		known -= took
	}
	if s.in && s.over(known, quiet, r) {
		s.in, s.unsure = false, false
	}
	if d == 0 {
		s.still = quiet
		s.pull.add(s.board, s.pulses)
		return s.flow(r, out)
	}
	missed := quiet == 0 && took > r.TopUp // a whole fill may have ended and begun in it
	if missed {
		s.in, s.unsure = false, true
	}
	switch {
	case !s.in:
		s.in, s.sure, s.open, s.from = true, !s.unsure, false, s.pulses
		s.marked, s.markAt, s.markN, s.given = false, s.board-took, s.pulses, [Kinds]bool{}
		s.pull = pull{}
		s.pull.add(s.board-took, s.pulses)
	case quiet >= standsStill:
		s.pull = pull{}
		s.pull.add(s.board-took, s.pulses)
	case took > unseen:
		s.pull.n, s.pull.low, s.pull.high = 0, false, false
	}
	s.still = 0
	s.pulses += d
	s.pull.add(s.board, s.pulses)
	if s.more(s.markN, r) {
		s.open, s.marked = true, false
		s.markAt, s.markN = s.board, s.pulses
	}
	if target := r.Set - min(r.Early, r.Set/2); s.sure && s.fresh && !s.given[Full] && r.Set > 0 && r.Pulse > 0 && s.fill(r) >= target {
		out = s.give(Full, r, out)
	}
	return s.flow(r, out)
}

// more reports whether more than a dribble has flowed since a count.
func (s *State) more(since uint64, r Rules) bool { return !dribble(float64(s.pulses-since), r) }

// dribble reports whether so many pulses are no pull.
func dribble(pulses float64, r Rules) bool {
	if r.Pulse == 0 {
		return pulses < fewPulses
	}
	least := r.Least
	if r.Set > 0 {
		least = min(least, r.Set/4)
	}
	return pulses*float64(r.Pulse) <= float64(least)
}

// over reports whether the fill has ended: nothing but a dribble came for a
// top-up's moment, and no more than that flows now. A fill that got its signal
// needs no top-up, and one of which nobody knows how it began has none.
func (s *State) over(known, quiet int64, r Rules) bool {
	switch {
	case quiet >= r.TopUp:
		return true
	case quiet >= r.Quiet && (s.given[Full] || !s.sure || !s.open):
		return true
	case known-s.markAt < r.TopUp || s.more(s.markN, r):
		return false
	}
	// A pull that has just begun may be a top-up in good time.
	rate, _, ok := s.pull.rate(rateOver)
	return ok && dribble(rate*float64(r.TopUp)/1e9, r)
}

// flow judges how the pull's flow goes.
func (s *State) flow(r Rules, out []Signal) []Signal {
	p := &s.pull
	rate, over, ok := p.rate(rateOver)
	if !ok {
		return out
	}
	p.best = max(p.best, rate)
	// A pulse more or less in the window is no news.
	below := func(rate, over float64) bool { return rate*over+1 < r.Failing*(p.best*over-1) }
	switch {
	case !below(rate, over) || rate < stopped*p.best:
		p.low = false
	case !p.low:
		p.low, p.lowAt = true, s.board
	}
	if short, over, ok := p.rate(surgeOver); ok {
		switch {
		case short >= surged*p.best:
			p.high = true
		case p.high && below(short, over):
			p.high = false
			p.stalls[p.nStall%len(p.stalls)] = s.board
			p.nStall++
		}
	}
	surging := p.nStall >= len(p.stalls) && s.board-p.stalls[p.nStall%len(p.stalls)] <= surgeWithin
	dying := p.low && s.board-p.lowAt >= failAfter
	switch {
	case !surging && !dying, !s.in, !s.open, !s.fresh, s.given[Full], s.given[Failing]:
		return out
	case r.Set > 0 && float64(s.fill(r)) >= lastPart*float64(r.Set):
		return out
	}
	return s.give(Failing, r, out)
}

func (p *pull) add(at int64, n uint64) {
	i := p.n
	if i > 1 && at-p.ring[(i-2)%len(p.ring)].at < pointEvery {
		i-- // takes the place of the newest
	}
	p.ring[i%len(p.ring)] = point{at, n}
	p.n = i + 1
}

// rate returns the mean rate over at least the given span up to now, pulses a
// second, and the span that it is over, s.
func (p *pull) rate(span int64) (rate, over float64, ok bool) {
	if p.n == 0 {
		return 0, 0, false
	}
	now := p.ring[(p.n-1)%len(p.ring)]
	for back := 1; back < min(p.n, len(p.ring)); back++ {
		b := &p.ring[(p.n-1-back)%len(p.ring)]
		if took := now.at - b.at; took >= span {
			over = float64(took) / 1e9
			return float64(now.n-b.n) / over, over, true
		}
	}
	return 0, 0, false
}
