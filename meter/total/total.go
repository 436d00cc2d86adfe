// Package total turns a counter board's running count into flow: how many
// pulses, since when, and what of it could not be seen. It knows wraps,
// restarts, doubled and late messages.
//
// What is out of the ordinary, a restart or a count that leaps, counts only
// once the next message bears it out. A single message that is wrong, or an old
// one that comes when nobody asks, moves nothing.
package total

// UptimeWrap is where the uptime of a board that counts milliseconds in 32 bits
// starts again at zero, ns (49.7 days).
const UptimeWrap = int64(1<<32) * 1_000_000

const second = int64(1_000_000_000)

// Count is one message of the counter, placed on UTC.
type Count struct {
	At     int64  // Unix ns
	N      uint64 // as said: wraps
	Up     int64  // the board's uptime, ns
	HasUp  bool
	Boot   uint64 // how often the board has started
	HasNum bool   // whether Boot is known
	Clock  uint32 // boot of the daemon that heard it
	Mono   int64  // and its monotonic time on arrival, ns
}

// Rules are what is known of the counter.
type Rules struct {
	Wrap    uint64  // the count wraps at this value; 0: never
	MaxRate float64 // pulses a second that the line can never exceed; 0: not known
}

// What says what a message meant.
type What uint8

// Meanings of a message.
const (
	First   What = iota // the first message of all: a baseline, no flow
	Same                // said before
	Late                // older than what is known: the running count covers it
	Advance             // the count moved on, perhaps by nothing
	Restart             // the board started again; its count since then is flow
	SetBack             // the count was set to another value; what flowed is not known
)

// Outcome is what a message told.
type Outcome struct {
	What     What
	Session  int    // ordinal of the session, from 1
	From, To uint64 // count of the session before and after, unwrapped
	FromAt   int64  // instant of the message before (Restart: when the board started)
	ToAt     int64
	Heard    int64  // instant of the message before
	Took     int64  // ns between the two by the truest clock there is
	Hidden   uint64 // pulses that may have passed besides, without any trace
	Why      string // of Hidden
	Fast     bool   // more pulses than the line can flow in that time: suspect
}

// Session is a run of the counter board without a restart.
type Session struct {
	Clock uint32 // arrival of its first message: what tells it from all others
	Mono  int64
	Start int64  // when it was first heard
	Base  uint64 // count at its first message
}

// State is what is remembered between messages. It is a value; copying it
// with Clone keeps a checkpoint.
type State struct {
	Sessions []Session
	Last     Count
	Before   Count  // the last message of the session before
	Count    uint64 // unwrapped count of the session
	Late     uint64 // messages that were late or doubled
	Wild     uint64 // messages that nothing bore out

	InDoubt bool // Doubt waits for the next message to bear it out
	Doubt   Count
}

// Clone returns an independent copy.
func (s *State) Clone() State {
	c := *s
	c.Sessions = append([]Session(nil), s.Sessions...)
	return c
}

// Next takes in the next message, in order of Count.At, and appends to out what
// it told: nothing, its own outcome, or that of the message before it as well.
func (s *State) Next(c Count, r Rules, out []Outcome) []Outcome {
	if r.Wrap > 0 && c.N >= r.Wrap {
		s.Wild++ // this counter cannot say that
		return out
	}
	if len(s.Sessions) == 0 {
		s.open(c, c.N)
		return append(out, Outcome{What: First, Session: 1, From: c.N, To: c.N, FromAt: c.At, ToAt: c.At, Heard: c.At})
	}
	if s.InDoubt {
		switch s.weigh(c, r) {
		case repeated:
			s.Late++
			return out
		case refuted:
			s.Wild++
		case borneOut:
			what, up := s.judge(&s.Doubt, r)
			out = append(out, s.take(s.Doubt, what, up, r))
		}
		s.InDoubt = false
	}
	switch what, up := s.judge(&c, r); what {
	case Same, Late:
		s.Late++
		return append(out, Outcome{What: what, Session: len(s.Sessions), From: s.Count, To: s.Count,
			FromAt: s.Last.At, ToAt: c.At, Heard: s.Last.At})
	case Advance:
		if !s.leaps(&c, up, r) {
			return append(out, s.take(c, what, up, r))
		}
	}
	s.InDoubt, s.Doubt = true, c
	return out
}

// verdict is what a message says of the one in doubt before it.
type verdict uint8

const (
	borneOut verdict = iota
	refuted
	repeated // says the same, or is late itself: no news
)

// weigh holds the next message against the one in doubt.
func (s *State) weigh(c Count, r Rules) verdict {
	d := &s.Doubt
	if c.HasUp == d.HasUp && c.Up == d.Up && c.N == d.N && (c.HasUp || c.At == d.At) {
		return repeated
	}
	after := State{Sessions: s.Sessions, Last: *d}
	fromDoubt, up := after.judge(&c, r)
	goesOn := fromDoubt == Advance && !after.leaps(&c, up, r)
	what, up := s.judge(&c, r)
	if what == Late && !goesOn {
		return repeated
	}
	if !goesOn {
		return refuted // if it was true, the running count brings it again
	}
	if (what == Advance || what == Same) && !s.leaps(&c, up, r) {
		// It goes on from before as well: only a leap upward stands.
		if dw, _ := s.judge(d, r); dw != Advance {
			return refuted
		}
	}
	return borneOut
}

// take makes c the newest message, judged to be what, and tells what it meant.
func (s *State) take(c Count, what What, up int64, r Rules) Outcome {
	l := &s.Last
	switch what {
	case Restart:
		return s.restart(c, r)
	case SetBack:
		o := Outcome{What: SetBack, From: c.N, To: c.N, FromAt: l.At, ToAt: c.At, Heard: l.At, Took: s.took(&c, up), Why: "count set back"}
		if r.MaxRate > 0 {
			o.Hidden = uint64(r.MaxRate * float64(o.Took) / 1e9)
		}
		c.Up = up
		s.open(c, c.N)
		o.Session = len(s.Sessions)
		return o
	}
	took, d := s.took(&c, up), s.ahead(&c, r)
	o := Outcome{What: Advance, Session: len(s.Sessions), From: s.Count, To: s.Count + d, FromAt: l.At, ToAt: c.At, Heard: l.At,
		Took: took, Fast: tooFast(d, took, r)}
	switch most := r.MaxRate * float64(took) / 1e9; {
	case r.Wrap > 0 && most >= float64(d)+float64(r.Wrap):
		// It could have gone around once more, unseen.
		o.Hidden = uint64((most-float64(d))/float64(r.Wrap)) * r.Wrap
		o.Why = "may have wrapped unseen"
	case s.afresh(&c, up) && l.N > 0:
		o.Hidden = l.N
		o.Why = "board may have restarted unseen"
	}
	s.Count += d
	c.Up = up
	if !c.HasNum {
		c.Boot, c.HasNum = l.Boot, l.HasNum
	}
	s.Last = c
	return o
}

// took is the time since the message before, by the truest clock there is.
func (s *State) took(c *Count, up int64) int64 {
	if c.HasUp && s.Last.HasUp {
		return up - s.Last.Up
	}
	return c.At - s.Last.At
}

// ahead is how far c's count is ahead of the message before, around the wrap.
func (s *State) ahead(c *Count, r Rules) uint64 {
	if c.N < s.Last.N {
		return c.N + r.Wrap - s.Last.N
	}
	return c.N - s.Last.N
}

// leaps reports whether c, an advance, is faster than the line can flow, or its
// uptime faster than time.
func (s *State) leaps(c *Count, up int64, r Rules) bool {
	took, passed := s.took(c, up), c.At-s.Last.At
	return tooFast(s.ahead(c, r), took, r) || (c.Clock == s.Last.Clock && took > passed+passed/100+60*second)
}

// afresh reports whether, by our own clock, the board that says c started after
// we last heard the session we know.
func (s *State) afresh(c *Count, up int64) bool {
	l := &s.Last
	if !c.HasUp || !l.HasUp {
		return false
	}
	began, before := c.At-up, l.At-l.Up
	return began >= l.At-2*second && began-before > 60*second
}

// exchanged reports whether c, of a lower start number than the session we know,
// is of another board in its place and not late: that board started after we
// last heard the one we know. Where another boot of the daemon heard it, whose
// clock may be wrong, a lower uptime says so too, unless the session before can
// have said it.
func (s *State) exchanged(c *Count, up int64) bool {
	l, b := &s.Last, &s.Before
	switch {
	case !c.HasUp || !l.HasUp || s.old(c):
		return false
	case c.At-up >= l.At-2*second:
		return true
	case c.Clock == l.Clock || up >= l.Up:
		return false
	}
	before := len(s.Sessions) > 1 && b.HasUp && b.HasNum && c.Boot == b.Boot && c.Up <= b.Up+10*second
	return !before
}

// unwrapUptime returns c's uptime as it would be had the board's counter of
// milliseconds not wrapped, where the time that passed says that it did.
func unwrapUptime(c Count, l *Count) int64 {
	if c.Up >= l.Up || c.Up >= UptimeWrap {
		return c.Up
	}
	slack := 10*second + (c.At-l.At)/100
	for cand := l.Up/UptimeWrap*UptimeWrap + c.Up; cand <= l.Up+UptimeWrap; cand += UptimeWrap {
		if off := (cand - l.Up) - (c.At - l.At); cand >= l.Up && off < slack && off > -slack {
			return cand
		}
	}
	return c.Up
}

// judge tells what a message means after the newest, and its uptime without
// wraps.
func (s *State) judge(c *Count, r Rules) (What, int64) {
	l := &s.Last
	up := c.Up
	if c.HasUp && l.HasUp {
		up = unwrapUptime(*c, l)
	}
	if c.HasUp == l.HasUp && up == l.Up && c.N == l.N && (c.HasUp || c.At == l.At) {
		return Same, up
	}
	if c.HasNum && l.HasNum && c.Boot != l.Boot {
		if c.Boot > l.Boot || s.exchanged(c, up) {
			return Restart, c.Up
		}
		return Late, up
	}
	if s.old(c) {
		return Late, up
	}
	// Lower, and not by a wrap.
	lower := c.N < l.N && (r.Wrap == 0 || l.N >= r.Wrap || tooFast(c.N+r.Wrap-l.N, s.took(c, up), r))
	if !c.HasUp || !l.HasUp {
		if lower {
			return Restart, up
		}
		return Advance, up
	}
	// When did the board that says this start? One board cannot have started
	// before we last heard of the session we know.
	began := c.At - up
	switch {
	case up < l.Up && (began >= l.At-2*second || c.Clock != l.Clock):
		return Restart, c.Up
	case up < l.Up || (up == l.Up && lower):
		return Late, up
	case s.afresh(c, up) && (c.Clock == l.Clock || lower):
		return Restart, c.Up
	case s.afresh(c, up):
		// Another boot of the daemon heard it, and the clock of one of the two
		// may be wrong. Counts that go on speak for a board that ran on.
		return Advance, up
	case lower && c.Clock == l.Clock && l.N < r.Wrap && up-l.Up <= 10*second && float64(c.N+r.Wrap-l.N) <= noise*float64(up-l.Up)/1e9:
		// Its uptime runs on: more likely a burst of interference carried the
		// count around than that it was set back.
		return Advance, up
	case lower && c.Clock != l.Clock:
		return Restart, c.Up
	case lower && tooFast(c.N, up-l.Up, r):
		return SetBack, up
	case lower:
		return Restart, up
	}
	return Advance, up
}

// noise is more pulses a second than interference makes. Judgement, no source.
const noise = 20_000

// tooFast reports whether the line could not have flowed n pulses in the time,
// with a second's grace for messages that were stamped unevenly.
func tooFast(n uint64, took int64, r Rules) bool {
	return r.MaxRate > 0 && float64(n) > r.MaxRate*(float64(took)/1e9+1)
}

func (s *State) open(c Count, count uint64) {
	s.Sessions = append(s.Sessions, Session{Clock: c.Clock, Mono: c.Mono, Start: c.At, Base: count})
	s.Last, s.Count = c, count
}

// old reports whether a message is of the session before, late: its board
// started when that one did, and not when this one did.
func (s *State) old(c *Count) bool {
	b, l := &s.Before, &s.Last
	if len(s.Sessions) < 2 || !c.HasUp || !b.HasUp || !l.HasUp || c.Clock != b.Clock || c.Up <= l.Up || c.Up > b.Up+10*second {
		return false
	}
	apart := func(x *Count) int64 {
		d := (c.At - c.Up) - (x.At - x.Up)
		return max(d, -d)
	}
	return apart(b) <= 30*second && apart(b) < apart(l)/2
}

func (s *State) restart(c Count, r Rules) Outcome {
	l := s.Last
	s.Before = l
	began := l.At
	if c.HasUp {
		began = max(l.At, c.At-c.Up)
	}
	o := Outcome{What: Restart, From: 0, To: c.N, FromAt: began, ToAt: c.At, Heard: l.At, Took: c.At - began, Why: "board restarted"}
	if r.MaxRate > 0 {
		o.Hidden = uint64(r.MaxRate * float64(began-l.At) / 1e9)
		if !c.HasUp {
			// It started at any time since; what it counts came after that.
			o.Hidden = uint64(max(0, r.MaxRate*float64(c.At-l.At)/1e9-float64(c.N)))
		}
	}
	o.Fast = tooFast(c.N, o.Took, r)
	s.open(c, c.N)
	s.Sessions[len(s.Sessions)-1].Base = 0
	o.Session = len(s.Sessions)
	return o
}
