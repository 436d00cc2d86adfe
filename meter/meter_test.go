package meter

import (
	"math"
	"strings"
	"testing"
)

func TestChannels(t *testing.T) {
	for c := Pulses; c <= LastChannel; c++ {
		if got, ok := ParseChannel(c.String()); !ok || got != c {
			t.Errorf("%s parses as %v, %v", c, got, ok)
		}
		if c.Unit() == "" {
			t.Errorf("%s has no unit", c)
		}
	}
	if _, ok := ParseChannel("PULSES"); ok {
		t.Error("names are in small letters")
	}
	if got := Channel(200).String(); got != "channel(200)" || Channel(0).Unit() != "" {
		t.Errorf("unknown channel prints %q", got)
	}
	// Kept on disk: these numbers can never change.
	if Pulses != 1 || Uptime != 2 || Headspace != 4 || Lat != 12 || UTC != 15 {
		t.Error("a channel was renumbered")
	}
}

func TestCheck(t *testing.T) {
	for _, tc := range []struct {
		name string
		r    Reading
		want string // part of the error; "" for none
	}{
		{"count", Reading{Pulses, 184223}, ""},
		{"half a pulse", Reading{Pulses, 0.5}, "pulses: must be a whole count, is 0.5"},
		{"negative count", Reading{Boot, -1}, "boot: must be between"},
		{"not a number", Reading{Air, math.NaN()}, "air: must be a finite number"},
		{"infinite", Reading{Line, math.Inf(1)}, "line: must be a finite number"},
		{"colder than any night", Reading{Syrup, -61}, "is -61"},
		{"pole", Reading{Lat, 90}, ""},
		{"beyond the pole", Reading{Lat, 90.01}, "lat: must be between -90 and 90"},
		{"uptime that overflows ns", Reading{Uptime, 9.3e9}, "uptime: must be between"},
		{"no such channel", Reading{Channel(99), 1}, "channel 99 is not known"},
		{"channel zero", Reading{}, "channel 0 is not known"},
	} {
		err := tc.r.Check()
		if (err == nil) != (tc.want == "") || err != nil && !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want %q", tc.name, err, tc.want)
		}
	}
}

func TestValue(t *testing.T) {
	r := Record{Readings: []Reading{{Pulses, 5}, {Uptime, 1.5}}}
	if v, ok := r.Value(Uptime); !ok || v != 1.5 {
		t.Error(v, ok)
	}
	if _, ok := r.Value(Air); ok {
		t.Error("a channel that is not there has a value")
	}
}
