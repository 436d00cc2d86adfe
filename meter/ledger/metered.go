package ledger

import (
	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
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

// within is half the width of the 95 % interval of a fill's volume.
func within(curves []CurveSpan, f *Fill) quantity.Volume {
	var s worth.Sum
	addFill(&s, curves, f)
	return s.Budget(func(k int32) *proving.Curve { return curveOf(curves, k) }).Within()
}

func addFill(s *worth.Sum, curves []CurveSpan, f *Fill) {
	s.Add(&f.Metered, worth.Counts{Session: f.Session, First: f.First, Last: f.Last, Age: ageOf(curves, f)}, repeatOf(curves, f.Metered.Key))
}

func repeatOf(curves []CurveSpan, key int32) float64 {
	if int(key) >= len(curves) || key < 0 {
		return 0
	}
	return curves[key].Repeat
}

// ageOf is how long after the newest test of its curve a fill was, years.
func ageOf(curves []CurveSpan, f *Fill) float64 {
	k := f.Metered.Key
	if int(k) >= len(curves) || k <= 0 || curves[k].Proved == 0 {
		return 0
	}
	return float64(f.Start-curves[k].Proved) / (365.25 * 86400e9)
}
