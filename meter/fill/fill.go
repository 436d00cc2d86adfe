// Package fill cuts the flow of one counter into fills: a pull of the trigger,
// from the first pulse to the moment the count has stood still long enough.
package fill

import (
	"math"

	"yardtally/calibrate/quantity"
	"yardtally/meter/worth"
)

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
	Took     int64        // ns, by the board's own clock where it has one
	Meter    *worth.Meter // says what pulses are worth
	Fast     bool         // faster than the line can flow
	Driven   bool         // the rig came from elsewhere since the open piece began
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

// Stray is how many of a piece's pulses came scattered as stray ones do; see Scatter.
type Stray uint8

// How many are stray.
const (
	NoStray    Stray = iota // as far as is known, or few among syrup's
	MaybeStray              // perhaps all
	SomeStray               // some surely, with syrup's or without
	AllStray
)

// Piece is a stretch of flow. Pieces of one counter never overlap, and together
// they are all of its flow.
type Piece struct {
	Kind        Kind
	Session     int
	First, Last uint64 // pulses after First, up to and with Last
	Start, End  int64  // Unix ns
	Flowing     int64  // ns by the board's clock
	Under       int64  // instant whose rules and meter hold for the piece, Unix ns
	Surge       uint64 // from this count on it came much faster than before, to the end; 0: it did not
	Surging     int64  // ns by the board's clock from there on; 0 where Surge is

	// Up to the count Head, and from the count Tail on, pulses came scattered as
	// only stray ones are, not syrup's; 0: none did. Stray is of the others, and Most
	// with it the highest rate that they came at, Hz.
	Head, Tail uint64
	Stray      Stray
	Most       float64

	// What one pulse is worth in the mean, settled when the piece is closed, so
	// that it can be cut at any count.
	Pulse quantity.Volume
	Flow  worth.Flow

	Plateau Plateau // of a pull that is over
}

// Volume returns the piece's volume: exact, by count difference.
func (p *Piece) Volume() quantity.Volume { return quantity.Volume(p.Last-p.First) * p.Pulse }

// State is what is remembered between moves. It is a value.
type State struct {
	Open  bool
	Now   Piece
	Still int64 // ns since the last pulse of an open piece

	// Pulses whose worth is not settled: it hangs on the rate, and the rate
	// shows over some of them only.
	Unsettled  uint64
	Rated      uint64  // those of them whose time is known ...
	RatedTook  int64   // ... and that time, ns
	Rate       float64 // of the pulses settled last, Hz; 0: none yet
	PulseWorth float64 // of those, m³

	Even     uint64  // pulses of the open piece up to a surge ...
	EvenTook int64   // ... and their time, ns
	Lift     float64 // how much likelier those after them are a surge than not, as a logarithm; 0: there are none
	LiftFrom uint64  // from which count on ...
	LiftTook int64   // ... and their time, ns

	// Nothing where no piece is open.
	Course  Course  `json:",omitzero"`
	Scatter Scatter `json:",omitzero"`
}

// A rate is taken over so many pulses, or so long.
const (
	ratePulses = 16
	restPulses = 6 // so many that did not come, and as many again as did, show a rest
	rateTook   = int64(3_000_000_000)
)

// surge is how many times faster than before a surge is, and evenPulses how many
// pulses before show what before was. Common practice, no source: air turns a
// meter's gears that much faster than syrup under the same pressure. It comes in
// gusts, so that it is summed up how much likelier pulses are at that rate than
// at the one before, from 0 upwards (Page, Biometrika 41, 1954; from memory): it
// is a surge from surely on, and no sum is above most, so that what falls back
// for some 40 pulses is none.
const (
	surge      = 2.0
	evenPulses = 48
	surely     = 3.0
	most       = 12.0
)

// Slow flow through a coarse meter has seconds between its pulses: a quiet is
// none before so many pulses are overdue, up to mostQuiet.
const (
	overdue   = 3
	mostQuiet = int64(15_000_000_000)
	// leastFlow is the least that anybody feeds with, m³/s: full-strength corn
	// syrup in the cold, 0.6 L/min (reference, section D; computed).
	leastFlow = 1e-5
)

// Next takes in a move and appends to out what it completed.
func (s *State) Next(m Move, r Rules, out []Piece) []Piece {
	moved := m.To > m.From
	if s.Open && (m.Session != s.Now.Session || m.Took > Unseen || m.Fast || m.Driven) {
		out = s.close(m.Meter, r, out)
	}
	switch {
	case !moved && s.Open:
		s.Still += m.Took
		s.Scatter.Stood++
		if s.over(s.Still, m.Meter, r) {
			out = s.close(m.Meter, r, out)
		}
	case !moved:
	case m.Fast || m.Took > Unseen:
		k := Hidden
		if m.Fast {
			k = Suspect
		}
		p := Piece{Kind: k, Session: m.Session, First: m.From, Last: m.To,
			Start: m.FromAt, End: m.ToAt, Flowing: m.Took, Under: m.ToAt}
		// When in that time it flowed is not known: the rate is taken to be
		// the last one seen.
		rate := s.Rate
		if rate == 0 {
			rate = perSecond(m.To-m.From, m.Took)
		}
		m.Meter.Add(&p.Flow, float64(m.To-m.From), rate)
		p.settle()
		out = append(out, p)
	default:
		if s.Open && s.Still > 0 && s.over(s.Still+m.Took, m.Meter, r) {
			// The pulse came at the end of a long enough quiet.
			out = s.close(m.Meter, r, out)
		}
		s.Unsettled += m.To - m.From
		if !s.Open {
			s.Open = true
			s.Now = Piece{Kind: Pull, Session: m.Session, First: m.From, Start: m.FromAt, Under: m.ToAt}
			s.Scatter.begin(m.To)
		} else {
			s.Now.Flowing += s.Still
			if s.Still > 0 {
				s.Scatter.stood(m.From, s.Still)
			}
			s.Scatter.moved(m.To, m.Took)
			// Not the first move, nor one over a rest: when in it the flow
			// began is not known.
			n, gap := m.To-m.From, s.Still+m.Took
			if s.Rate*float64(gap)/1e9 <= float64(2*n+restPulses) {
				s.Rated += n
				s.RatedTook += gap
			} else {
				s.Course.rest()
			}
		}
		s.Still = 0
		s.Now.Last, s.Now.End = m.To, m.ToAt
		s.Now.Flowing += m.Took
		if s.Rated >= ratePulses || s.RatedTook >= rateTook {
			s.Rate = perSecond(s.Rated, s.RatedTook)
			s.PulseWorth = m.Meter.Add(&s.Now.Flow, float64(s.Unsettled), s.Rate)
			s.Course.settled(s.Rated, s.RatedTook, s.even(m.To))
			s.Unsettled, s.Rated, s.RatedTook = 0, 0, 0
		}
	}
	return out
}

// over reports whether the open piece is over when the count stood still for
// so long.
func (s *State) over(still int64, m *worth.Meter, r Rules) bool {
	if still < r.Quiet || still >= mostQuiet {
		return still >= r.Quiet
	}
	n := s.Now.Last - s.Now.First
	if n > overdue {
		return still >= overdue*int64(uint64(s.Now.Flowing)/n)
	}
	// Too few to show a rate: they may be the first of the least flow.
	pulse := s.PulseWorth
	if pulse == 0 {
		pulse = m.Nominal()
	}
	return float64(still) >= pulse/leastFlow*1e9
}

// even notes the pulses that were just settled, and whether they may be of a
// surge over those before.
func (s *State) even(to uint64) bool {
	if s.Even >= evenPulses {
		before := float64(s.Even) * float64(s.RatedTook) / float64(s.EvenTook) // pulses in that time
		lift := float64(float64(s.Rated)*lnSurge) - float64(before*(surge-1))
		if s.Lift == 0 {
			s.LiftFrom, s.LiftTook = to-s.Unsettled, 0
		}
		s.LiftTook += s.RatedTook
		s.Lift = max(0, min(most, s.Lift+lift))
		s.Now.Surge = 0
		if s.Lift >= surely {
			s.Now.Surge = s.LiftFrom
		}
		if s.Lift > 0 {
			return true
		}
	}
	s.Even += s.Rated
	s.EvenTook += s.RatedTook
	return false
}

var lnSurge = math.Log(surge)

func perSecond(n uint64, took int64) float64 {
	if took <= 0 {
		return 0
	}
	return float64(n) / (float64(took) / 1e9)
}

// Pending returns the open piece as it would end now.
func (s *State) Pending(m *worth.Meter, r Rules) (Piece, bool) {
	if !s.Open {
		return Piece{}, false
	}
	return s.judge(m, r), true
}

// judge settles the open piece as it is now.
func (s *State) judge(m *worth.Meter, r Rules) Piece {
	p := s.Now
	if s.Unsettled > 0 {
		rate := s.Rate
		switch {
		case p.Flow.Volume > 0 && rate > 0: // the rest came at the rate of what went before
		case s.Rated > 0:
			rate = perSecond(s.Rated, s.RatedTook)
		case rate == 0:
			rate = perSecond(p.Last-p.First, p.Flowing)
		}
		m.Add(&p.Flow, float64(s.Unsettled), rate)
	}
	p.settle()
	s.Scatter.tell(&p)
	if p.Surge > 0 {
		p.Surging = s.LiftTook + s.RatedTook
	}
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

func (p *Piece) settle() {
	p.Pulse = quantity.VolumeOf(p.Flow.Volume / float64(p.Last-p.First))
}

func (s *State) close(m *worth.Meter, r Rules, out []Piece) []Piece {
	p := s.judge(m, r)
	if p.Kind == Pull {
		p.Plateau = s.Course.plateau()
	}
	*s = State{Rate: s.Rate, PulseWorth: s.PulseWorth}
	return append(out, p)
}
