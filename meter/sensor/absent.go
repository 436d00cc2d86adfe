package sensor

import (
	"yardtally/meter"
)

const (
	regular = 20                 // readings that show how often a channel speaks
	silent  = 20                 // times its usual interval is silence
	back    = 3                  // readings with which it is back
	gone    = 12 * 60 * minute   // of silence while others are heard: it is no longer fitted
	follow  = 1.125              // by how much a running median follows one value
	longest = float64(hears) * 4 // no usual interval is longer: a rig may be heard in bursts
)

// toward moves a running median by one value: by a factor, so that it has no
// scale of its own, and strays do not count for more.
func toward(m, v, by float64) float64 {
	switch {
	case v > m:
		return m * by
	case v < m:
		return m / by
	}
	return m
}

// heard takes notice of when a channel spoke.
func (s *State) heard(h *channel, at int64, c meter.Channel) {
	if h.Open[absent].On {
		if h.Back++; h.Back == 1 {
			h.BackA = at
		}
		if h.Back >= back {
			s.end(c, absent, h.BackA)
			h.Back = 0
		}
		return
	}
	d := float64(s.Awake - h.Awake)
	if !h.Has || d <= 0 {
		return
	}
	if h.Every == 0 {
		h.Every = d
	}
	h.Every = min(toward(h.Every, d, follow), longest)
	if h.Heard < regular {
		h.Heard++
	}
}

// absences looks for channels that have fallen silent.
func (s *State) absences() {
	for c := range s.Channels {
		h := &s.Channels[c]
		if h.Heard < regular {
			continue
		}
		quiet := s.Awake - h.Awake
		switch {
		case float64(quiet) <= max(silent*h.Every, float64(traits[c].patience)):
		case !h.Open[absent].On:
			h.Back = 0
			s.begin(meter.Channel(c), absent, h.At, h.Last)
		default:
			h.Back = 0
			if quiet > gone {
				s.end(meter.Channel(c), absent, s.At)
				h.Heard, h.Every, h.Has = 0, 0, false
			}
		}
	}
}
