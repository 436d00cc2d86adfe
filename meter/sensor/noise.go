package sensor

import (
	"math"

	"yardtally/meter"
)

const (
	noisier  = 5.0 // times its usual step
	calmer   = 2.5
	noisyFor = 2 * minute
	noisyN   = 60 // readings in that time, at least
	calmFor  = minute
	learnt   = 300        // readings that show what is usual
	slowly   = 1 + 1.0/64 // by how much what is usual follows one value while it is learnt
	later    = 1 + 1.0/512
	yields   = 1 + 1.0/16384 // and while it is noisy: a sensor that was changed is usual after some nights
	apart    = 5             // usual intervals between two readings that are neighbours no more
)

// noise tells whether a channel scatters more than it used to. Only what was
// read under like conditions is held against each other: a surface at rest, or
// the line while it flows.
func (s *State) noise(h *channel, at int64, c meter.Channel, v float64, seen Seen, can bool) {
	floor := traits[c].floor
	like := true
	switch c {
	case meter.Headspace, meter.Head:
		like = seen.Standing || seen.Flowing
	case meter.Line, meter.Pump:
		like = seen.Flowing
	}
	was := h.Fed
	h.Fed = like && can
	if !h.Fed || !was || h.Every == 0 || float64(at-h.At) > apart*h.Every+float64(second) {
		return
	}
	d := math.Abs(v - h.Last)
	if h.Usual == 0 {
		h.Usual, h.Noise = floor, floor
	}
	h.Noise = max(toward(h.Noise, d, follow), floor/16)
	over := h.Noise > noisier*h.Usual
	switch {
	case h.Judged < learnt:
		h.Judged++
		h.Usual = max(toward(h.Usual, d, slowly), floor)
		return
	case over || h.Open[noisy].On:
		h.Usual = max(toward(h.Usual, d, yields), floor)
	default:
		h.Usual = max(toward(h.Usual, d, later), floor)
	}
	turns := over
	if h.Open[noisy].On {
		turns = h.Noise < calmer*h.Usual
		h.Open[noisy].Value = max(h.Open[noisy].Value, h.Noise)
	}
	if !turns {
		h.Over = 0
		return
	}
	if h.Over == 0 {
		h.Over, h.OverN = at, 0
	}
	h.OverN++
	switch {
	case h.Open[noisy].On && at-h.Over >= calmFor:
		s.end(c, noisy, h.Over)
	case !h.Open[noisy].On && at-h.Over >= noisyFor && h.OverN >= noisyN && !h.Open[impossible].On:
		s.begin(c, noisy, h.Over, h.Noise)
	default:
		return
	}
	h.Over = 0
}
