package sensor

import (
	"math"

	"yardtally/meter"
)

const (
	badMany  = 3 // readings in a row that cannot be, not one spike
	goodMany = 10
	goodFor  = 10 * second
)

// Syrup that stands in a running pump gets hot, as fast as this, K/s: a sensor
// that is there tells so before it is as hot as can be.
const (
	heats = 0.5
	hops  = 3 // K
)

// hot reports whether a temperature of syrup climbed to where it is.
func (h *channel) hot(at int64, v float64) bool {
	return h.Has && h.Bad == 0 && math.Abs(v-h.Last) <= hops+heats*float64(min(at-h.At, 30*second))/1e9 && v < 110
}

// possible reports whether a reading can be.
func (s *State) possible(h *channel, at int64, c meter.Channel, v float64, r *Rules) bool {
	out := max(r.Least[c]-v, v-r.Most[c])
	if out > 0 && c == meter.Syrup && v > 0 && h.hot(at, v) {
		out = 0
	}
	on := h.Open[impossible].On
	if out > 0 {
		if h.Bad++; h.Bad == 1 && !on {
			h.Since, h.Worst = at, v
		}
		h.Good = 0
		if far := max(r.Least[c]-h.Worst, h.Worst-r.Most[c]); out > far {
			h.Worst = v
		}
		switch {
		case on:
			h.Open[impossible].Value = h.Worst
		case h.Bad >= badMany:
			s.begin(c, impossible, h.Since, h.Worst)
		}
		return false
	}
	h.Bad = 0
	if on {
		if h.Good++; h.Good == 1 {
			h.Since = at
		}
		if h.Good >= goodMany && at-h.Since >= goodFor {
			s.end(c, impossible, h.Since)
		}
	}
	return true
}

const (
	// A channel is stuck if, besides all else, it says the same for so many
	// times as many readings as it does as a rule: coarse ones do for long.
	longer   = 30
	lineSame = minute
	warmSame = 120 * minute
	// How far another temperature has gone meanwhile, K; coarse is a step with
	// which a thermometer may stand still all night, and unknown is for one that
	// has shown none yet.
	moved       = 2
	movedAlone  = 8
	coarse      = 0.3
	linePulls   = 1  // with the trigger open and shut its pressure differs
	pumpPulls   = 3  // a governor may be good ...
	pumpUnknown = 20 // ... and a shaft's speed be said in steps that are not known yet
	otherFresh  = 10 * minute
	steadyRuns  = 16 // how many runs its usual length is the mean of
	leastChange = 1e-12
	unheard     = minute // of silence, within which it may have changed and come back
)

// same tells whether a channel is stuck.
func (s *State) same(h *channel, at int64, c meter.Channel, v float64, r *Rules) {
	deaf := float64(at-h.At) > max(float64(unheard), silent*h.Every)
	if h.Has && !deaf && math.Abs(v-h.Last) <= leastChange {
		h.SameN++
		if !h.Open[stuck].On && float64(h.SameN) > longer*h.Run && s.must(h, at, c, r) {
			s.begin(c, stuck, h.Same, v)
		}
		return
	}
	if h.Open[stuck].On {
		s.end(c, stuck, at)
	}
	if h.Has && !deaf {
		// A pump that stands still, starts or stops says nothing of how it says
		// things.
		if d := math.Abs(v - h.Last); (h.Fine == 0 || d < h.Fine) && (c != meter.Pump || h.Last != 0 && v != 0) {
			h.Fine = d
		}
		if c != meter.Pump || h.Last != 0 {
			h.Run += (float64(h.SameN) - h.Run) / steadyRuns
		}
	}
	h.Same, h.SameN, h.SamePulls, h.SameL = at, 1, 0, 0
	if o := other(c); o != 0 {
		x := &s.Channels[o]
		h.HasOther = x.Has && at-x.At <= otherFresh && !x.Open[impossible].On
		h.Other = x.Last
	}
}

// other is the other temperature of a rig; 0: c is none.
func other(c meter.Channel) meter.Channel {
	switch c {
	case meter.Syrup:
		return meter.Air
	case meter.Air:
		return meter.Syrup
	}
	return 0
}

// must reports whether a channel must have changed since it says the same.
func (s *State) must(h *channel, at int64, c meter.Channel, r *Rules) bool {
	if h.Open[impossible].On {
		return false
	}
	switch c {
	case meter.Headspace, meter.Head:
		return h.SameL >= r.Litres
	case meter.Line:
		return h.SamePulls >= linePulls && at-h.Same >= lineSame
	case meter.Pump:
		pulls := pumpPulls
		if h.Fine == 0 {
			pulls = pumpUnknown
		}
		return h.SamePulls >= pulls && at-h.Same >= lineSame
	case meter.Syrup, meter.Air:
		x := &s.Channels[other(c)]
		if at-h.Same < warmSame || !x.Has || at-x.At > otherFresh || x.Open[impossible].On || h.Fine > coarse {
			return false
		}
		if !h.HasOther { // it was not there yet when this began
			h.Other, h.HasOther = x.Last, true
		}
		far := float64(moved)
		if h.Fine == 0 {
			far = movedAlone
		}
		return math.Abs(x.Last-h.Other) >= far
	}
	return false
}

// Flowed is told of each piece of flow that is over, of how many litres; pull
// says that it was a pull of the trigger.
func (s *State) Flowed(start int64, litres float64, pull bool) {
	for _, c := range [...]meter.Channel{meter.Headspace, meter.Head} {
		if h := &s.Channels[c]; h.Has && start >= h.Same {
			h.SameL += litres
		}
	}
	if !pull {
		return
	}
	for _, c := range [...]meter.Channel{meter.Line, meter.Pump} {
		if h := &s.Channels[c]; h.Has && start >= h.Same {
			h.SamePulls++
		}
	}
}
