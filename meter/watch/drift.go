package watch

import (
	"math"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/meter/outing"
	"yardtally/meter/tote"
)

// Judgement.
const (
	driftEnough = 0.1           // m³ through the meter before it is judged
	driftLeast  = 0.03          // share
	driftU      = 4             // standard uncertainties
	driftStands = int64(1200e9) // a level is followed no longer with nothing metered, a drive: a slow leak is not to count
	driftSpan   = 0.015         // m³: over so much each, the difference must be in proportion
	driftSpans  = 5
	driftLittle = 0.25 // of what was metered meanwhile: a loss that may be the meter's
)

// ofDrift holds the meter against the tote over all that was drawn between
// settled levels in which nothing else went in or out. The difference must be
// there all along, in proportion to what was metered: what somebody took is not, nor is a
// single burst of pulses. A slow leak may be, and so may many bursts.
func ofDrift(seen *Seen) []Verdict {
	var spans []driftPart
	var all, now driftPart
	var a *tote.Point // the newest level at rest
	var silent, from int64
	joined := false // it was used
	for i := range seen.Points {
		b, was := &seen.Points[i], joined
		silent += b.Silent
		if !b.Rest {
			continue
		}
		last, quiet := a, silent
		a, silent = b, 0
		if joined = last != nil && seen.between(last, b, quiet); !joined {
			now = driftPart{}
			continue
		}
		if from == 0 {
			from = last.At
		}
		passed, fell := gave(last, b)
		all.add(passed, fell, last.U, b.U, was) // neighbours share a level: its error cancels but at the ends
		now.add(passed, fell, last.U, b.U, now != driftPart{})
		if now.metered >= driftSpan {
			spans, now = append(spans, now), driftPart{}
		}
		if all.metered < driftEnough || all.fell <= 0 || len(spans) < driftSpans {
			continue
		}
		part := all.metered/all.fell - 1
		u := math.Sqrt(all.v/square(all.fell) + square(seen.Terms.ShareU) + square(seen.Terms.MeterU))
		if math.Abs(part) <= max(driftLeast, driftU*u) || !even(spans, part) {
			continue
		}
		v := Verdict{Kinds: []Kind{Drift, Phantom}, From: from, Told: b.At, Size: part, Chance: 0.95,
			Evidence: []string{"Over many litres the meter and the tote do not agree, by the same share all along, and nothing else went in or out."}}
		if part < 0 {
			v.Kinds[1] = Leak
		}
		return []Verdict{v}
	}
	return nil
}

// gave is what was metered between two levels, and what the tote gave, m³.
func gave(a, b *tote.Point) (metered, fell float64) {
	return (b.Metered - b.Lag - a.Metered + a.Lag).CubicMetres(), (a.Volume - b.Volume).CubicMetres()
}

// between reports whether nothing but what was metered is known to have gone into
// or out of the tote between two levels.
func (s *Seen) between(a, b *tote.Point, silent int64) bool {
	passed, _ := gave(a, b)
	return a.Tote == b.Tote && a.Series == b.Series && silent == 0 && passed >= 0 && (passed > 0 || b.At-a.At <= driftStands) &&
		!strayed(s, a.At, b.At) && !levelIll(s, a.At, b.At) &&
		!slices.ContainsFunc(s.Changes, func(c tote.Change) bool {
			return c.From < b.At && c.To > a.At && c.Kind != tote.Meter && !little(s, &c)
		}) &&
		!slices.ContainsFunc(s.Doubts, func(d tote.Doubt) bool { return d.From < b.At && d.To > a.At && d.Why != tote.LessFall })
}

// driftPart is what was metered and what the tote gave meanwhile, m³.
type driftPart struct {
	metered, fell float64
	v             float64 // variance of the levels at its ends, m⁶
}

// add adds what was between two levels; joined: it begins where the part ended.
func (d *driftPart) add(metered, fell float64, from, to quantity.Volume, joined bool) {
	d.metered += metered
	d.fell += fell
	if joined {
		d.v -= square(from.CubicMetres())
	} else {
		d.v += square(from.CubicMetres())
	}
	d.v += square(to.CubicMetres())
}

// even reports whether the parts differ by the share, as far as levels tell: by
// the sum of squares, within three standard deviations of its mean.
func even(spans []driftPart, part float64) bool {
	sum := 0.0
	for _, d := range spans {
		sum += square(d.metered-(1+part)*d.fell) / d.v
	}
	n := float64(len(spans) - 1)
	return sum <= n+3*math.Sqrt(2*n)
}

// little reports whether a loss is so little against what was metered meanwhile
// that it may be the meter's.
func little(seen *Seen, c *tote.Change) bool {
	if c.Kind != tote.Loss {
		return false
	}
	first, last := -1, -1
	for i := range seen.Points {
		if at := seen.Points[i].At; at >= c.From && at <= c.To {
			if last = i; first < 0 {
				first = i
			}
		}
	}
	if first < 0 {
		return false
	}
	metered := seen.Points[last].Metered - seen.Points[first].Metered
	return math.Abs(float64(c.Volume)) < driftLittle*float64(metered)
}

// strayed reports whether pulses that are known to be none of syrup came
// between two instants.
func strayed(seen *Seen, from, to int64) bool {
	return slices.ContainsFunc(seen.Loose, func(l outing.Loose) bool { return l.Why == outing.Suspect && l.Start < to && l.End > from }) ||
		slices.ContainsFunc(seen.Pulls, func(p Pull) bool { return p.Start < to && p.End > from && (p.idling() || p.Moving) })
}

// drifts reports whether a verdict of drift, where there is one, explains what
// began at an instant.
func drifts(drift []Verdict, from int64) bool {
	return len(drift) > 0 && from >= drift[0].From
}
