package watch

import (
	"testing"

	"yardtally/meter"
	"yardtally/meter/sensor"
)

// TestSilenceOnABreak: what falls silent on a break is not told while it lasts,
// nor where it comes back in time; what else is the matter with a sensor is.
func TestSilenceOnABreak(t *testing.T) {
	const min = int64(60e9)
	at := func(m int64) int64 { return 1_791_590_000e9 + m*min }
	gone := func(from, told, to int64) sensor.Health {
		return sensor.Health{Channel: meter.Pulses, What: sensor.Absent, From: from, Told: told, To: to}
	}
	stuck := gone(at(10), at(12), 0)
	stuck.What = sensor.Stuck
	on, over := []Break{{From: at(10)}}, []Break{{From: at(10), To: at(40)}}
	for _, c := range []struct {
		name   string
		h      sensor.Health
		breaks []Break
		told   int64 // 0: never
	}{
		{"no break", gone(at(11), at(13), 0), nil, at(13)},
		{"on a break", gone(at(11), at(13), 0), on, 0},
		{"switched off a little before it", gone(at(6), at(8), 0), on, 0},
		{"long before it", gone(at(2), at(4), 0), on, at(4)},
		{"still silent after it", gone(at(11), at(13), 0), over, at(42)},
		{"heard again with its end", gone(at(11), at(13), at(41)), over, 0},
		{"heard again late", gone(at(11), at(13), at(50)), over, at(42)},
		{"silent after it", gone(at(41), at(43), 0), over, at(43)},
		{"stuck on a break", stuck, on, at(12)},
	} {
		seen := Seen{Now: at(60), Health: []sensor.Health{c.h}, Breaks: c.breaks}
		out := ofHealth(&seen)
		switch {
		case c.told == 0 && len(out) > 0:
			t.Errorf("%s: told %+v", c.name, out)
		case c.told != 0 && (len(out) != 1 || out[0].Told != c.told || out[0].From != c.h.From):
			t.Errorf("%s: %+v, want it told at %d", c.name, out, c.told)
		}
	}
}
