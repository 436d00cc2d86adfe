package ledger

import (
	"math"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/fill"
	"yardtally/meter/outing"
	"yardtally/meter/sensor"
	ltote "yardtally/meter/tote"
)

// steady is what a pull's steady part showed.
func (s *State) steady(p *fill.Piece) outing.Steady {
	q := &p.Plateau
	if q.Took == 0 {
		return outing.Steady{}
	}
	out := outing.Steady{Pulses: uint32(q.Pulses), RelU: float32(q.RelU), Took: q.Took}
	if q.N[fill.Outlet] > 0 {
		out.Outlet, out.Has = float32(q.Mean[fill.Outlet]), out.Has|outing.HasOutlet
	}
	if q.N[fill.Speed] > 0 {
		out.Speed, out.Has = float32(q.Mean[fill.Speed]), out.Has|outing.HasSpeed
	}
	if s.Air.Has && p.End-s.Air.At <= tempAge {
		out.Air, out.Has = float32(s.Air.Value), out.Has|outing.HasAir
	}
	if s.Surface.Has && p.End-s.Surface.At <= ltote.MaxAge {
		out.Level, out.Has = float32(s.Surface.Value), out.Has|outing.HasLevel
	}
	if w := &s.Warmth; w.Tote.Has && p.End-w.Tote.At <= outing.Pause {
		out.Tote, out.Has = float32(w.Tote.Value), out.Has|outing.HasTote
	}
	return out
}

// warmth is the tote's temperature, as what comes by the thermometer tends to it.
type warmth struct {
	Session     int // the pull that Began is of
	First       uint64
	Began       float64 // what it said before anything flowed, °C
	Has         bool
	Tote        Last
	Roughly     bool // Tote is of too little flow to be more than a guess
	LastAt      int64
	LastReading float64
}

// How what stood in pump, meter and pipes gives way to what comes from the
// tote: common practice, no source, a litre or two for a 2-inch pump and a hose
// to it. What it tends to is worked out from so much flow on, and before
// guessed from the newest reading.
const (
	standing = 1.5e-3 // m³ in which the difference falls to 1/e
	tends    = 2e-3   // m³
	guessed  = 0.5e-3
)

// warm takes in a temperature of the syrup at the meter.
func (s *State) warm(sp *span, at int64, t float64) {
	w := &s.Warmth
	last, lastAt := w.LastReading, w.LastAt
	w.LastReading, w.LastAt = t, at
	if !s.Fill.Open {
		return
	}
	p := &s.Fill.Now
	if w.Session != p.Session || w.First != p.First || !w.Has {
		// Of a pull that began right after another, the reading before may be
		// of that one, and is the better for it.
		w.Session, w.First, w.Has, w.Began = p.Session, p.First, true, t
		if lastAt > 0 && lastAt <= p.Start && at-lastAt <= tempAge {
			w.Began = last
		}
	}
	v := float64(p.Last-p.First) * s.pulse(sp).CubicMetres()
	switch {
	case v >= tends:
		left := math.Exp(-v / standing)
		w.Tote, w.Roughly = Last{t + float64((t-w.Began)*left/(1-left)), at, true}, false
	case v >= guessed && (!w.Tote.Has || w.Roughly || at-w.Tote.At > outing.Pause):
		w.Tote, w.Roughly = Last{t, at, true}, true
	}
}

// idling is the pump turning while nothing flows.
type idling struct {
	Pump, Line Last
	Speed      float64 // usual while syrup flows, 1/s; 0: not known
	Outlet     float64 // usual then, Pa; 0: not known
	FlowEnd    int64   // end of the newest flow
	Turns      int64   // since when it is seen to turn; 0: it does not
	At         int64   // newest evidence of that
	Open       outing.Idle
	N          [2]int // readings that the means of Open rest on
}

// What shows that the pump turns, as shares of what is usual while syrup flows;
// before that is known, a tenth of a pump's usual speed, and more than a tote's
// height can press. Common practice, no source.
const (
	turnShare  = 1.0 / 3
	pressShare = 1.0 / 2
	turnBefore = 5.0 // 1/s
	lineBefore = 5e4 // Pa
	// A reading holds for so long, and so long is a span worth telling, ns.
	turnAge  = int64(10_000_000_000)
	idleTold = int64(60_000_000_000)
	usualOf  = 8.0 // pulls that usual speed and pressure are about the mean of
	dripping = 5   // pulses of a piece that is no flow, but what a nozzle loses
)

// turning reports whether the pump is seen to turn. Where the shaft is heard it
// alone tells: a shut line holds its pressure after the pump has stopped.
func (d *idling) turning(at int64) bool {
	switch {
	case d.Pump.Has && at-d.Pump.At <= turnAge:
		least := turnBefore
		if d.Speed > 0 {
			least = d.Speed * turnShare
		}
		return d.Pump.Value > least
	case d.Line.Has && at-d.Line.At <= turnAge:
		least := lineBefore
		if d.Outlet > 0 {
			least = d.Outlet * pressShare
		}
		return d.Line.Value > least
	}
	return false
}

// turn takes in a reading of the shaft's speed, or of the pressure at the outlet.
func (s *State) turn(at int64, c meter.Channel, v float64) {
	d := &s.Idling
	if c == meter.Pump {
		d.Pump = Last{v, at, true}
	} else {
		d.Line = Last{v, at, true}
	}
	if d.Turns != 0 && at-d.At > idleTold {
		s.idleEnds(d.At) // what was meanwhile nobody heard
		d.Turns = 0
	}
	if !d.turning(at) {
		s.idleEnds(at)
		d.Turns = 0
		return
	}
	d.At = at
	if d.Turns == 0 {
		d.Turns = at
	}
	if p := &s.Fill.Now; s.Fill.Open && p.Last-p.First > dripping {
		s.idleEnds(p.Start)
		return
	}
	if d.Open.From == 0 {
		d.Open, d.N = outing.Idle{From: max(d.Turns, d.FlowEnd)}, [2]int{}
	}
	if c == meter.Pump {
		d.N[0]++
		d.Open.Speed += (quantity.Frequency(v) - d.Open.Speed) / quantity.Frequency(d.N[0])
	} else {
		d.N[1]++
		d.Open.Outlet += (quantity.Pressure(v) - d.Open.Outlet) / quantity.Pressure(d.N[1])
	}
}

// idleEnds ends the span in which the pump turned and nothing flowed.
func (s *State) idleEnds(at int64) {
	x := s.Idling.Open
	if x.From == 0 {
		return
	}
	s.Idling.Open = outing.Idle{}
	// To no more figures than they are worth: there are many of them.
	x.Outlet = quantity.Pressure(math.Round(float64(x.Outlet)))
	x.Speed = quantity.Frequency(math.Round(float64(x.Speed)*1000) / 1000)
	if x.To = at; x.To-x.From >= idleTold {
		s.Idles = append(s.Idles, x)
	}
}

// flowed tells those who listen for flow of a piece that is over.
func (s *State) flowed(p *fill.Piece) {
	pull := p.Kind == fill.Pull
	if p.Kind != fill.Suspect && p.Stray == fill.NoStray && p.Head+p.Tail == 0 {
		s.Sensors.Flowed(p.Start, p.Volume().Litres(), pull)
	}
	d := &s.Idling
	if p.Last-p.First > dripping {
		s.idleEnds(p.Start)
		d.FlowEnd = max(d.FlowEnd, p.End)
	}
	if q := &p.Plateau; q.Took > 0 {
		usual := func(u *float64, i int) {
			switch {
			case q.N[i] == 0:
			case *u == 0:
				*u = q.Mean[i]
			default:
				*u += (q.Mean[i] - *u) / usualOf
			}
		}
		usual(&d.Speed, fill.Speed)
		usual(&d.Outlet, fill.Outlet)
	}
}

// still is how long a rig must have stood before its level's scatter is the
// sensor's, ns: a tote's surface is at rest within a minute (common practice,
// no source).
const still = int64(45_000_000_000)

// listen lets the sensors be judged, and passes on what they say of the line.
// It drops from d what cannot be of a temperature.
func (s *State) listen(sp *span, d *said, at int64) {
	s.Sensors.Record(at)
	seen := sensor.Seen{Flowing: s.Fill.Open}
	if d.has(meter.Headspace) || d.has(meter.Head) {
		stand := s.Stand.Stand(at)
		seen.Standing = stand.Known && !stand.Moving && at-stand.Since >= still
	}
	for set := d.set & listened; set != 0; set &= set - 1 {
		c := lowest(set)
		v := d.value[c]
		if !s.Sensors.Reading(at, c, v, seen, sp.sense) {
			if c == meter.Syrup || c == meter.Air {
				d.set &^= 1 << c
			}
			continue
		}
		switch c {
		case meter.Line, meter.Pump:
			if s.Fill.Open {
				which := fill.Outlet
				if c == meter.Pump {
					which = fill.Speed
				}
				s.Fill.Beside(which, v)
			}
			s.turn(at, c, v)
		}
	}
}

// before is how long before an outing's first flow what is told with it may have
// ended, ns; and how far back it is told where there is no outing.
const (
	before    = int64(2 * 3600_000_000_000)
	beforeNow = int64(12 * 3600_000_000_000)
)

// newest returns from when on a view tells of sensors and of idling: from some
// time before the outing that goes on, else of the newest hours.
func (s *State) newest(b *book) int64 {
	if n := len(b.outings); n > 0 && s.At-b.outings[n-1].To <= outing.Pause {
		return b.outings[n-1].From - before
	}
	return s.At - beforeNow
}

// idles are the spans that end at or after an instant, and one that lasts.
func (s *State) idles(since int64) []outing.Idle {
	i := len(s.Idles)
	for i > 0 && s.Idles[i-1].To >= since {
		i--
	}
	out := slices.Clone(s.Idles[i:])
	if x := s.Idling.Open; x.From != 0 && s.Idling.At-x.From >= idleTold {
		out = append(out, x)
	}
	return out
}
