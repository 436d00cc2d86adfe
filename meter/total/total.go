// Package total turns a counter board's running count into flow: how many
// pulses, since when, and what of it could not be seen. It knows wraps,
// restarts, doubled and late messages.
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
	Seq    uint64 // order of arrival
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
	Seq   uint64 // lowest order of arrival among its messages: its name in acts
	Start int64  // when it was first heard
	Base  uint64 // count at its first message
}

// State is what is remembered between messages. It is a value; copying it
// with Clone keeps a checkpoint.
type State struct {
	Sessions []Session
	Last     Count
	Count    uint64 // unwrapped count of the session
	Late     uint64 // messages that were late or doubled
}

// Clone returns an independent copy.
func (s *State) Clone() State {
	c := *s
	c.Sessions = append([]Session(nil), s.Sessions...)
	return c
}

// Next takes in the next message, in order of Count.At.
func (s *State) Next(c Count, r Rules) Outcome {
	if len(s.Sessions) == 0 {
		s.open(c, c.N)
		return Outcome{What: First, Session: 1, From: c.N, To: c.N, FromAt: c.At, ToAt: c.At}
	}
	cur := &s.Sessions[len(s.Sessions)-1]
	l := &s.Last
	out := Outcome{Session: len(s.Sessions), From: s.Count, To: s.Count, FromAt: l.At, ToAt: c.At, Heard: l.At}
	up := c.Up
	if c.HasUp && l.HasUp {
		up = unwrapUptime(c, l)
	}
	if c.HasUp == l.HasUp && up == l.Up && c.N == l.N && (c.HasUp || c.At == l.At) {
		cur.Seq = min(cur.Seq, c.Seq)
		s.Late++
		out.What = Same
		return out
	}
	switch s.judge(c, up, r) {
	case Late:
		s.Late++
		cur.Seq = min(cur.Seq, c.Seq)
		out.What = Late
		return out
	case Restart:
		return s.restart(c, r)
	}
	cur.Seq = min(cur.Seq, c.Seq)
	took := c.At - l.At
	if c.HasUp && l.HasUp {
		took = up - l.Up
	}
	d := c.N - l.N
	if c.N < l.N {
		d = c.N + r.Wrap - l.N
	}
	out.What, out.Took = Advance, took
	// Could it have gone around once more, unseen?
	if r.Wrap > 0 && r.MaxRate > 0 {
		most := r.MaxRate * float64(took) / 1e9
		if most >= float64(d)+float64(r.Wrap) {
			out.Hidden = uint64((most-float64(d))/float64(r.Wrap)) * r.Wrap
			out.Why = "may have wrapped unseen"
		}
	}
	out.Fast = tooFast(d, took, r)
	s.Count += d
	c.Up = up
	if !c.HasNum {
		c.Boot, c.HasNum = l.Boot, l.HasNum
	}
	s.Last = c
	out.To = s.Count
	return out
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

// judge tells whether a message goes on, is late, or is of a new session.
func (s *State) judge(c Count, up int64, r Rules) What {
	l := &s.Last
	if c.HasNum && l.HasNum && c.Boot != l.Boot {
		if c.Boot > l.Boot {
			return Restart
		}
		return Late
	}
	if !c.HasUp || !l.HasUp {
		// Without uptime a lower count is a wrap if it can be one.
		if c.N >= l.N {
			return Advance
		}
		if r.Wrap > 0 && l.N < r.Wrap {
			if !tooFast(c.N+r.Wrap-l.N, c.At-l.At, r) {
				return Advance
			}
		}
		return Restart
	}
	// When did the board that says this start, and when did we last hear of
	// the session we know? One board cannot have started before that.
	began, before := c.At-up, l.At-l.Up
	if up < l.Up {
		if began >= l.At-2*second || c.Clock != l.Clock {
			return Restart
		}
		return Late
	}
	if began >= l.At-2*second && began-before > 60*second {
		return Restart
	}
	if c.N < l.N && (r.Wrap == 0 || l.N >= r.Wrap || tooFast(c.N+r.Wrap-l.N, up-l.Up, r)) {
		// Lower, and not by a wrap: the count was set back.
		return Restart
	}
	return Advance
}

// tooFast reports whether the line could not have flowed n pulses in the time,
// with a second's grace for messages that were stamped unevenly.
func tooFast(n uint64, took int64, r Rules) bool {
	return r.MaxRate > 0 && float64(n) > r.MaxRate*(float64(took)/1e9+1)
}

func (s *State) open(c Count, count uint64) {
	s.Sessions = append(s.Sessions, Session{Seq: c.Seq, Start: c.At, Base: count})
	s.Last, s.Count = c, count
}

func (s *State) restart(c Count, r Rules) Outcome {
	l := s.Last
	began := l.At
	if c.HasUp {
		began = max(l.At, c.At-c.Up)
	}
	out := Outcome{What: Restart, From: 0, To: c.N, FromAt: began, ToAt: c.At, Heard: l.At, Took: c.At - began, Why: "board restarted"}
	if r.MaxRate > 0 {
		out.Hidden = uint64(r.MaxRate * float64(began-l.At) / 1e9)
	}
	out.Fast = tooFast(c.N, out.Took, r)
	s.open(c, c.N)
	s.Sessions[len(s.Sessions)-1].Base = 0
	out.Session = len(s.Sessions)
	return out
}
