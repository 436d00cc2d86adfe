// Package fill cuts the flow of one counter into fills: a pull of the trigger,
// from the first pulse to the moment the count has stood still long enough.
package fill

import "yardtally/calibrate/quantity"

// Unseen is how long two messages may be apart before the flow between them
// has no detail, ns. A rig says its count five times a second.
const Unseen = int64(3_000_000_000)

// fewPulses are no fill where it is not known what a pulse is worth: common
// practice, no source; the coarsest meters in use give some ten pulses a litre.
const fewPulses = 5

// Move is one step of the count.
type Move struct {
	Session  int
	From, To uint64 // unwrapped count before and after
	FromAt   int64  // Unix ns
	ToAt     int64
	Took     int64           // ns, by the board's own clock where it has one
	Pulse    quantity.Volume // what one pulse is worth
	Fast     bool            // faster than the line can flow
}

// Rules say what is a fill.
type Rules struct {
	Quiet int64           // a fill ends when the count stood still for this long, ns
	Least quantity.Volume // less is a dribble
}

// Kind is what a piece of flow is.
type Kind uint8

// Kinds of flow.
const (
	Pull    Kind = iota + 1 // a fill
	Dribble                 // too little to be one
	Hidden                  // flow between messages too far apart to show detail
	Suspect                 // faster than the line can flow
)

// Piece is a stretch of flow. Pieces of one counter never overlap, and together
// they are all of its flow.
type Piece struct {
	Kind        Kind
	Session     int
	First, Last uint64 // pulses after First, up to and with Last
	Start, End  int64  // Unix ns
	Flowing     int64  // ns by the board's clock
	Pulse       quantity.Volume
}

// Volume returns the piece's volume: exact, by count difference.
func (p *Piece) Volume() quantity.Volume { return quantity.Volume(p.Last-p.First) * p.Pulse }

// State is what is remembered between moves. It is a value.
type State struct {
	Open  bool
	Now   Piece
	Still int64 // ns since the last pulse of an open piece
}

// Next takes in a move and appends to out what it completed. What one pulse is
// worth is settled when a piece opens, so that a piece can be cut at any count.
func (s *State) Next(m Move, r Rules, out []Piece) []Piece {
	moved := m.To > m.From
	if s.Open && (m.Session != s.Now.Session || m.Took > Unseen || m.Fast) {
		out = s.close(r, out)
	}
	switch {
	case !moved && s.Open:
		s.Still += m.Took
		if s.Still >= r.Quiet {
			out = s.close(r, out)
		}
	case !moved:
	case m.Fast || m.Took > Unseen:
		k := Hidden
		if m.Fast {
			k = Suspect
		}
		out = append(out, Piece{Kind: k, Session: m.Session, First: m.From, Last: m.To,
			Start: m.FromAt, End: m.ToAt, Flowing: m.Took, Pulse: m.Pulse})
	default:
		if s.Open && s.Still+m.Took >= r.Quiet && s.Still > 0 {
			// The pulse came at the end of a long enough quiet.
			out = s.close(r, out)
		}
		if !s.Open {
			s.Open = true
			s.Now = Piece{Kind: Pull, Session: m.Session, First: m.From, Start: m.FromAt, Pulse: m.Pulse}
		} else {
			s.Now.Flowing += s.Still
		}
		s.Still = 0
		s.Now.Last, s.Now.End = m.To, m.ToAt
		s.Now.Flowing += m.Took
	}
	return out
}

// Pending returns the open piece as it would end now.
func (s *State) Pending(r Rules) (Piece, bool) {
	if !s.Open {
		return Piece{}, false
	}
	return s.judge(r), true
}

func (s *State) judge(r Rules) Piece {
	p := s.Now
	switch {
	case p.Pulse == 0:
		// Without a proving a pull can still be told from a drip.
		if p.Last-p.First < fewPulses {
			p.Kind = Dribble
		}
	case p.Volume() < r.Least:
		p.Kind = Dribble
	}
	return p
}

func (s *State) close(r Rules, out []Piece) []Piece {
	p := s.judge(r)
	*s = State{}
	return append(out, p)
}
