package ledger

import (
	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/meter/outing"
	"yardtally/meter/worth"
)

// How well the temperature of the syrup in the meter is known, K, standard
// uncertainty. Judgement, no source: a probe in a pocket of the meter; the air
// that the trailer stands in; nothing but the season.
const (
	probeU  = 0.5
	airU    = 5
	nothing = 8

	unknownTemp = quantity.Temperature(15)
	// tempAge is how long a temperature holds, ns.
	tempAge = int64(600_000_000_000)
)

// metered is the meter under the syrup that passes now, kept because it
// changes rarely. It follows from the rest of the state.
type metered struct {
	sp    *span
	temp  quantity.Temperature
	tempU float64
	meter worth.Meter
}

// passing is what is known of the syrup that passes the meter now.
func (s *State) passing(sp *span) worth.Passing {
	p := sp.syrup
	switch {
	case s.Syrup.Has && s.At-s.Syrup.At <= tempAge:
		p.Temp, p.TempU = quantity.Temperature(s.Syrup.Value), probeU
	case s.Air.Has && s.At-s.Air.At <= tempAge:
		p.Temp, p.TempU = quantity.Temperature(s.Air.Value), airU
	default:
		p.Temp, p.TempU = unknownTemp, nothing
	}
	return p
}

// meter returns the meter of a span under the syrup that passes now. It holds
// until the next call.
func (s *State) meter(sp *span) *worth.Meter {
	p := s.passing(sp)
	if c := &s.metered; c.sp != sp || c.temp != p.Temp || c.tempU != p.TempU {
		*c = metered{sp, p.Temp, p.TempU, worth.Under(sp.curve, sp.key, p)}
	}
	return &s.metered.meter
}

// pulse is what one pulse is worth about now.
func (s *State) pulse(sp *span) quantity.Volume {
	if s.Fill.PulseWorth > 0 && sp.curve != nil {
		return quantity.VolumeOf(s.Fill.PulseWorth)
	}
	return sp.pulse
}

// flowed is metered flow and where it lies on the counter and in time.
type flowed struct {
	flow   *worth.Flow
	counts worth.Counts
	start  int64
}

func fillFlow(f *Fill) flowed {
	return flowed{&f.Metered, worth.Counts{Session: f.Session, First: f.First, Last: f.Last}, f.Start}
}

func meteredOf(f *outing.Flow) flowed {
	return flowed{&f.Metered, worth.Counts{Session: f.Session, First: f.First, Last: f.Last}, f.Start}
}

func looseFlow(l *Loose) flowed {
	return flowed{&l.Metered, worth.Counts{Session: l.Session, First: l.First, Last: l.Last}, l.Start}
}

// add adds the flow to a sum. Flows are added in order of time.
func (f flowed) add(s *worth.Sum, curves []CurveSpan) {
	repeat := 0.0
	if k := f.flow.Key; k > 0 && int(k) < len(curves) {
		repeat = curves[k].Repeat
		if at := curves[k].Proved; at != 0 {
			f.counts.Age = float64(f.start-at) / (365.25 * 86400e9)
		}
	}
	s.Add(f.flow, f.counts, repeat)
}

// within is half the width of the 95 % interval of its volume.
func (f flowed) within(curves []CurveSpan) quantity.Volume {
	var s worth.Sum
	f.add(&s, curves)
	return s.Budget(func(k int32) *proving.Curve { return curveOf(curves, k) }).Within()
}
