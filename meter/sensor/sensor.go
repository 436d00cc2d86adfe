// Package sensor watches over the sensors of a rig: which channel is stuck,
// noisy, absent, or says what cannot be, since when and until when. It judges a
// sensor by what it said before and by what else was seen meanwhile, never by a
// model of the line. It is a fold: fed in order, the same records give the same
// answer, and nothing is asked of the time.
//
// All constants are judgement, no source: they are set so that a night without
// a fault has none, and a fault is told within minutes.
package sensor

import (
	"cmp"
	"math"
	"slices"

	"yardtally/meter"
)

// What can be the matter with a channel.
const (
	Stuck      = "stuck"      // it says the same, and must have changed
	Noisy      = "noisy"      // it scatters several times as much as it used to
	Absent     = "absent"     // it spoke regularly and says nothing, while others are heard
	Impossible = "impossible" // it says what cannot be
)

var kinds = [...]string{Stuck, Noisy, Absent, Impossible}

const (
	stuck = iota
	noisy
	absent
	impossible
)

// Health is what is, or was, the matter with a channel.
type Health struct {
	Channel  meter.Channel
	What     string // one of the names above
	From, To int64  // Unix ns; To 0: it lasts
	Told     int64  // when the evidence sufficed
	// Value is, in the channel's unit, what it is stuck at, or last said before
	// it was absent; the usual step from reading to reading, where it is noisy;
	// of what cannot be, the farthest out.
	Value float64
}

const (
	second = int64(1_000_000_000)
	minute = 60 * second
)

// Rules are what a channel can say on this rig.
type Rules struct {
	Least, Most [meter.LastChannel + 1]float64
	Litres      float64 // through the meter, in which a level must change
}

// Tote is what is known of the tote; zero values are not known.
type Tote struct {
	SensorM   float64 // headspace sensor above the floor
	TopM      float64 // highest level above the floor
	CapacityL float64
}

// Of what can be: temperatures of syrup that is still fed and of a yard in any
// season (a sensor in the sun shows more than the air has); twice the speed of
// the fastest engines; a vacuum, and what bursts a hose.
const (
	leastSyrup, mostSyrup = -20, 60 // °C; hotter where it climbed there: see hot
	leastAir, mostAir     = -45, 65 // °C
	mostPump              = 100     // 1/s
	leastLine, mostLine   = -95e3, 2e6
	leastHead, mostHead   = -20e3, 100e3 // Pa: a tote without air sucks; 7 m of syrup

	heavy  = 1500 * 9.8 // Pa/m, of the heaviest syrup
	floorM = 0.05       // m: how far below the floor an echo may seem to come from
	waveM  = 0.12       // m: and how far above a full tote's surface, of a tote that is driven
)

// RulesOf returns the rules for a tote.
func RulesOf(t Tote) *Rules {
	r := &Rules{Litres: max(20, t.CapacityL/50)}
	for c := range r.Least {
		r.Least[c], r.Most[c] = math.Inf(-1), math.Inf(1)
	}
	r.Least[meter.Syrup], r.Most[meter.Syrup] = leastSyrup, mostSyrup
	r.Least[meter.Air], r.Most[meter.Air] = leastAir, mostAir
	r.Most[meter.Pump] = mostPump
	r.Least[meter.Line], r.Most[meter.Line] = leastLine, mostLine
	r.Least[meter.Head], r.Most[meter.Head] = leastHead, mostHead
	if t.TopM > 0 {
		r.Most[meter.Head] = heavy * (t.TopM + waveM)
	}
	if t.SensorM > 0 {
		r.Most[meter.Headspace] = t.SensorM + floorM
		if t.TopM > 0 {
			r.Least[meter.Headspace] = t.SensorM - t.TopM - waveM
		}
	}
	return r
}

// Seen is what else is known at an instant.
type Seen struct {
	Flowing  bool // syrup flows: pulses come
	Standing bool // the rig has stood for long enough that the surface is at rest
}

// open is what is the matter with a channel now.
type open struct {
	On    bool
	From  int64
	Told  int64
	Value float64
}

// channel is what is remembered of one.
type channel struct {
	Has   bool
	At    int64   // newest reading
	Awake int64   // State.Awake then
	Last  float64 // what it said

	Every float64 // usual ns between two readings; 0: not known
	Heard int     // readings that Every rests on, up to regular
	Back  int     // readings since it was absent
	BackA int64   // the first of them

	// Since it says the same: when that began, readings, pulls that began and
	// ended meanwhile, litres, and what the other temperature was.
	Same      int64
	SameN     int
	SamePulls int
	SameL     float64
	Other     float64
	HasOther  bool
	Run       float64 // readings in which it usually says the same; 0: it has never changed
	Fine      float64 // its finest step; 0: it has never changed

	Fed    bool    // the newest reading counts for the noise
	Noise  float64 // usual step now, 0: none yet
	Usual  float64 // and as a rule
	Judged int     // readings that it rests on, up to learnt
	Over   int64   // since when it is noisy, or no longer is; 0: it is not
	OverN  int     // readings since

	Bad, Good int // readings in a row that cannot be, or can
	Since     int64
	Worst     float64

	Open [len(kinds)]open
}

// State is what is remembered of all channels. It is a value; Told is only
// appended to.
type State struct {
	At       int64 // newest record
	Awake    int64 // ns for which the rig was heard
	Look     int64 // Awake at which absences are looked for next
	Channels [meter.LastChannel + 1]channel
	Told     []Health // what is over, in the order of its end
}

// Clone returns a copy that can be fed without changing s.
func (s *State) Clone() State {
	c := *s
	c.Told = slices.Clip(s.Told)
	return c
}

// List returns what was or is the matter at or after an instant, in the order
// of its beginning.
func (s *State) List(since int64) []Health {
	var out []Health
	for i := len(s.Told) - 1; i >= 0 && s.Told[i].To >= since; i-- {
		out = append(out, s.Told[i])
	}
	for c := range s.Channels {
		for k, o := range s.Channels[c].Open {
			if o.On {
				out = append(out, Health{Channel: meter.Channel(c), What: kinds[k], From: o.From, Told: o.Told, Value: o.Value})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Health) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.Channel, b.Channel), cmp.Compare(a.What, b.What))
	})
	return out
}

// Ill returns the first span that ends after an instant and begins before another
// in which something was the matter with a channel, from to 0: it lasts; zeros:
// there is none.
func (s *State) Ill(c meter.Channel, since, until int64) (from, to int64) {
	take := func(f, t int64) {
		if f < until && (from == 0 || f < from) {
			from, to = f, t
		}
	}
	for i := len(s.Told) - 1; i >= 0 && s.Told[i].To > since; i-- {
		if h := &s.Told[i]; h.Channel == c {
			take(h.From, h.To)
		}
	}
	for _, o := range s.Channels[c].Open {
		if o.On {
			take(o.From, 0)
		}
	}
	return from, to
}

func (s *State) begin(c meter.Channel, k int, from int64, v float64) {
	s.Channels[c].Open[k] = open{true, from, s.At, v}
}

func (s *State) end(c meter.Channel, k int, to int64) {
	o := &s.Channels[c].Open[k]
	s.Told = append(s.Told, Health{Channel: c, What: kinds[k], From: o.From, To: max(to, o.From+1), Told: o.Told, Value: o.Value})
	*o = open{}
}

// hears is how far apart records are at most while a rig is heard, ns.
const hears = 5 * second

// Record is told of each record, in order, before its readings.
func (s *State) Record(at int64) {
	if gap := at - s.At; gap > 0 && gap <= hears {
		s.Awake += gap
	}
	s.At = at
	if s.Awake >= s.Look {
		s.Look = s.Awake + 2*second
		s.absences()
	}
}

// Reading takes in a reading and reports whether it can be.
func (s *State) Reading(at int64, c meter.Channel, v float64, seen Seen, r *Rules) bool {
	h := &s.Channels[c]
	if traits[c].patience > 0 {
		s.heard(h, at, c)
	}
	can := true
	if traits[c].judged {
		can = s.possible(h, at, c, v, r)
		s.same(h, at, c, v, r)
		s.noise(h, at, c, v, seen, can)
		h.Last = v
	}
	h.Has, h.At, h.Awake = true, at, s.Awake
	return can
}

// traits are what is judged of a channel.
var traits = [meter.LastChannel + 1]struct {
	patience int64   // least silence that is an absence, ns; 0: it may be silent
	judged   bool    // by its values
	floor    float64 // a usual step below which no noise is worth telling is taken for this, in its unit; 0: noise is not judged
}{
	meter.Pulses:    {30 * second, false, 0},
	meter.Headspace: {30 * second, true, 0.002},
	meter.Head:      {30 * second, true, 20},
	meter.Syrup:     {30 * second, true, 0.1},
	meter.Air:       {30 * second, true, 0.1},
	meter.Line:      {30 * second, true, 1000},
	meter.Pump:      {30 * second, true, 0.1},
	// A position may be lost for a while among trees.
	meter.Lat: {120 * second, false, 0},
}
