package clock

import (
	"math/rand/v2"
	"testing"

	"yardtally/meter"
)

const (
	t0   = 1_791_588_000 * second // an October evening of 2026, invented
	days = 86400 * second
)

// rec is a record that arrived at so many seconds of the night.
func rec(boot uint32, t float64, wallOff int64) meter.Record {
	at := int64(t * 1e9)
	return meter.Record{Boot: boot, Mono: 40*second + at, Wall: t0 + at + wallOff, Source: "serial",
		Readings: []meter.Reading{{Channel: meter.Pulses, Value: t}}}
}

// sent makes it one that a sender stamped; up < 0: without uptime.
func sent(r meter.Record, stamp int64, up float64) meter.Record {
	r.Sent, r.Source = stamp, "mqtt"
	r.Readings = []meter.Reading{{Channel: meter.Lat, Value: 43}}
	if up >= 0 {
		r.Readings = append(r.Readings, meter.Reading{Channel: meter.Uptime, Value: up})
	}
	return r
}

func withSat(r meter.Record, utc int64) meter.Record {
	r.Readings = append(r.Readings[:len(r.Readings):len(r.Readings)], meter.Reading{Channel: meter.UTC, Value: float64(utc) / 1e9})
	return r
}

func noteAll(recs []meter.Record, fixes map[uint32]Fix) *Clock {
	var c Clock
	for i := range recs {
		c.Note(&recs[i])
	}
	c.SetFixes(func(n uint32) (Fix, bool) { f, ok := fixes[n]; return f, ok })
	return &c
}

// off is how far a record is placed from its true second of the night.
func off(c *Clock, r *meter.Record, t float64) float64 {
	return float64(c.Place(r)-t0-int64(t*1e9)) / 1e9
}

func TestPlace(t *testing.T) {
	const far = 37 * days
	for _, tc := range []struct {
		name   string
		record func(t float64) meter.Record // one a second, for 200 s
		fixes  map[uint32]Fix
		by     string
		unsure int
		within float64 // s
	}{
		{"own clock", func(t float64) meter.Record { return rec(1, t, 0) }, nil, ByOwnClock, 0, 0},
		{"own clock steps back to the truth", func(t float64) meter.Record {
			if t < 100 {
				return rec(1, t, far)
			}
			return rec(1, t, 0)
		}, nil, ByOwnClock, 0, 0},
		{"own clock steps forward to the truth", func(t float64) meter.Record {
			if t < 100 {
				return rec(1, t, -far)
			}
			return rec(1, t, 0)
		}, nil, ByOwnClock, 0, 0},
		{"own clock glitches for a moment", func(t float64) meter.Record {
			if t > 100 && t < 106 {
				return rec(1, t, far)
			}
			return rec(1, t, 0)
		}, nil, ByOwnClock, 0, 0},
		{"1970, then satellites", func(t float64) meter.Record {
			r := rec(1, t, -t0)
			if t > 150 {
				r = withSat(r, t0+int64((t-0.3)*1e9))
			}
			return r
		}, nil, BySatellites, 0, 1},
		{"two satellite seconds are not enough, one wild one is nothing", func(t float64) meter.Record {
			r := rec(1, t, 0)
			if t == 50 || t == 51 {
				r = withSat(r, t0-far)
			}
			return r
		}, nil, ByOwnClock, 0, 0},
		{"a person's fix beats all", func(t float64) meter.Record { return withSat(rec(1, t, far), t0+far) },
			map[uint32]Fix{1: {Mono: 40 * second, UTC: t0, By: "hand"}}, "hand", 0, 0},
		{"a phone's fix beats the own clock", func(t float64) meter.Record { return rec(1, t, far) },
			map[uint32]Fix{1: {Mono: 40 * second, UTC: t0, By: "phone"}}, "phone", 0, 0},
		{"satellites beat a phone, known before it", func(t float64) meter.Record { return withSat(rec(1, t, far), t0+int64(t*1e9)) },
			map[uint32]Fix{1: {Mono: 140 * second, UTC: t0 + 300*second, By: "phone"}}, BySatellites, 0, 0},
		{"satellites beat a phone, known after it", func(t float64) meter.Record {
			if t < 150 {
				return rec(1, t, far)
			}
			return withSat(rec(1, t, far), t0+int64(t*1e9))
		}, map[uint32]Fix{1: {Mono: 40 * second, UTC: t0 + 300*second, By: "phone"}}, BySatellites, 0, 0},
		{"satellites beat the network", func(t float64) meter.Record { return withSat(rec(1, t, far), t0+int64(t*1e9)) },
			map[uint32]Fix{1: {Mono: 40 * second, UTC: t0 + 300*second, By: "network"}}, BySatellites, 0, 0},
		{"a sender's satellites beat a phone that is days off", func(t float64) meter.Record {
			return withSat(sent(rec(1, t+0.1, far), t0+int64(t*1e9), t+500), t0+int64(t*1e9))
		}, map[uint32]Fix{1: {Mono: 40 * second, UTC: t0 - 3*days, By: "phone"}}, BySatellites, 0, 0.2},
		{"a phone is finer than a sender's satellites", func(t float64) meter.Record {
			return withSat(sent(rec(1, t+8, far), t0+int64(t*1e9), t+500), t0+int64(t*1e9))
		}, map[uint32]Fix{1: {Mono: 40 * second, UTC: t0, By: "phone"}}, ByPhone, 0, 0},
		{"sender on time", func(t float64) meter.Record { return sent(rec(1, t+0.1, 0), t0+int64(t*1e9), t+500) }, nil, ByOwnClock, 0, 0},
		{"sender 37 days ahead, own clock fixed", func(t float64) meter.Record {
			return sent(rec(1, t+0.1, 0), t0+far+int64(t*1e9), t+500)
		}, map[uint32]Fix{1: {Mono: 40 * second, UTC: t0, By: "network"}}, "network", 0, 0.2},
		{"sender 37 days behind", func(t float64) meter.Record { return sent(rec(1, t+0.1, 0), t0-far+int64(t*1e9), t+500) }, nil, ByOwnClock, 0, 0.2},
		{"sender five hours behind, without uptime", func(t float64) meter.Record {
			return sent(rec(1, t+0.1, 0), t0-18000*second+int64(t*1e9), -1)
		}, nil, ByOwnClock, 0, 0.2},
		{"sender steps to the truth", func(t float64) meter.Record {
			stamp := t0 + int64(t*1e9)
			if t < 100 {
				stamp += far
			}
			return sent(rec(1, t+0.1, 0), stamp, t+500)
		}, nil, ByOwnClock, 0, 0},
		{"one wild stamp", func(t float64) meter.Record {
			stamp := t0 + int64(t*1e9)
			if t == 77 {
				stamp += far
			}
			return sent(rec(1, t+0.1, 0), stamp, t+500)
		}, nil, ByOwnClock, 0, 0},
		{"two clocks in one sender", func(t float64) meter.Record {
			stamp := t0 + int64(t*1e9)
			if int(t)%2 == 1 {
				stamp -= 3600 * second
			}
			return sent(rec(1, t+0.1, 0), stamp, t+500)
		}, nil, ByOwnClock, 0, 0},
		{"own clock in 1970, a sender knows", func(t float64) meter.Record {
			return sent(rec(1, t, -t0), t0+int64(t*1e9), t+500)
		}, nil, BySender, 0, 0},
		{"import", func(t float64) meter.Record {
			r := sent(rec(1, t, 0), t0+int64(t*1e9), t+500)
			r.Mono, r.Wall = 0, 0
			return r
		}, nil, BySender, 0, 0},
		{"import whose stamps jump", func(t float64) meter.Record {
			stamp := t0 + int64(t*1e9)
			if t < 100 {
				stamp -= far
			}
			r := sent(rec(1, t, 0), stamp, t+500)
			r.Mono, r.Wall = 0, 0
			return r
		}, nil, BySender, 0, 0},
		{"satellites whose first words were long on the way", func(t float64) meter.Record {
			r := rec(1, t+4.5*max(0, 1-t/9), -t0)
			return withSat(r, t0+int64(t*1e9))
		}, nil, BySatellites, 0, 4.5},
		{"sender 37 days ahead, whose first words were long on the way", func(t float64) meter.Record {
			return sent(rec(1, t+40*max(0, 1-t/80), 0), t0+far+int64(t*1e9), t+500)
		}, nil, ByOwnClock, 0, 0.3},
		{"a moment ago, said the sender", func(t float64) meter.Record { r := rec(1, t+4, 0); r.Rel = -4 * second; return r }, nil, ByOwnClock, 0, 0},
		{"nine years ago, said the sender", func(t float64) meter.Record { r := rec(1, t, 0); r.Rel = -9 * 365 * days; return r }, nil, ByOwnClock, 0, 0},
		{"no clock at all", func(t float64) meter.Record { return rec(1, t, -t0) }, nil, ByNeighbours, 1, 2e9},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var recs []meter.Record
			for i := range 200 {
				recs = append(recs, tc.record(float64(i)))
			}
			c := noteAll(recs, tc.fixes)
			for i := range recs {
				if d := off(c, &recs[i], float64(i)); d > tc.within+1e-6 || d < -tc.within-1e-6 {
					t.Fatalf("second %d is placed %g s off", i, d)
				}
			}
			if by, _, unsure, _ := c.Summary(); by != tc.by || unsure != tc.unsure {
				t.Errorf("placed by %q, %d unsure; want %q, %d", by, unsure, tc.by, tc.unsure)
			}
		})
	}
}

// Of several fixes of a boot the one that counts does not hang on the clock by
// which they were said, as it was wrong.
func TestYields(t *testing.T) {
	early := Fix{Mono: 10, When: t0 + 37*days, By: "phone"}
	late := Fix{Mono: 20, When: t0, By: "network"}
	hand := Fix{Mono: 5, When: t0 - 1, By: "hand"}
	again := Fix{Mono: 20, When: t0 + 1, By: "phone"}
	for _, c := range []struct {
		name string
		f, g Fix
	}{
		{"the later of two, though said by a clock far ahead", early, late},
		{"a phone to a person", late, hand},
		{"of one instant, what was said later", late, again},
	} {
		if !c.f.Yields(c.g) || c.g.Yields(c.f) {
			t.Errorf("%s: %+v to %+v: %v, the other way %v", c.name, c.f, c.g, c.f.Yields(c.g), c.g.Yields(c.f))
		}
	}
}

// A backlog that waited in a broker while we were away keeps its times.
func TestBacklog(t *testing.T) {
	var recs []meter.Record
	for i := range 3600 {
		recs = append(recs, sent(rec(1, 7200, 0), t0+int64(i)*second, float64(i)+5))
	}
	c := noteAll(recs, nil)
	for i := range recs {
		if d := off(c, &recs[i], float64(i)); d != 0 {
			t.Fatalf("second %d is placed %g s off", i, d)
		}
	}
}

func TestBoots(t *testing.T) {
	type span struct {
		boot     uint32
		from, to float64
		wall     int64
	}
	for _, tc := range []struct {
		name string
		in   []span
		want [][2]float64 // where the first of each boot may lie, s
	}{
		{"without a clock between two with", []span{{1, 0, 100, 0}, {2, 500, 600, -t0}, {3, 1000, 1100, 0}},
			[][2]float64{{0, 0}, {100, 102}, {1000, 1000}}},
		{"two without a clock", []span{{1, 0, 100, 0}, {2, 500, 600, -t0}, {3, 1000, 1100, -t0}},
			[][2]float64{{0, 0}, {100, 102}, {200, 204}}},
		{"first without a clock", []span{{1, 0, 100, -t0}, {2, 500, 600, 0}}, [][2]float64{{400, 400}, {500, 500}}},
		{"clock an hour slow waits its turn", []span{{1, 0, 5000, 0}, {2, 5100, 5200, -3600 * second}}, [][2]float64{{0, 0}, {5000, 5002}}},
		{"clock 37 days ahead yields", []span{{1, 0, 100, 37 * days}, {2, 500, 600, 0}}, [][2]float64{{400, 400}, {500, 500}}},
		{"clock that was put right stands against one 37 days behind", []span{{1, 0, 50, 9 * days}, {1, 50, 100, 0}, {2, 500, 600, -37 * days}},
			[][2]float64{{0, 0}, {50, 50}, {100, 102}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var recs, firsts []meter.Record
			for _, s := range tc.in {
				for x := s.from; x < s.to; x++ {
					recs = append(recs, rec(s.boot, x, s.wall))
					if x == s.from {
						firsts = append(firsts, recs[len(recs)-1])
					}
				}
			}
			c := noteAll(recs, nil)
			for i := range firsts {
				if at := off(c, &firsts[i], 0); at < tc.want[i][0] || at > tc.want[i][1] {
					t.Errorf("boot %d begins at %g, want %v", i+1, at, tc.want[i])
				}
			}
		})
	}
}

// The same evidence in any order places everything the same, and every change
// of placing was told.
func TestOrderDoesNotMatter(t *testing.T) {
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 1))
		var recs []meter.Record
		jitter := func() float64 { return 0.3 * r.Float64() }
		wall, send, upAt := int64(0), int64(0), -float64(r.IntN(5000))
		boot := uint32(1)
		for i := range 400 {
			x := float64(i)
			switch r.IntN(100) {
			case 0:
				wall = int64((r.Float64() - 0.5) * 80 * float64(days))
			case 1:
				send = int64((r.Float64() - 0.5) * 80 * float64(days))
			case 2:
				upAt = x
			case 3:
				boot++
			case 4:
				wall, send = 0, 0
			}
			a := rec(boot, x, wall)
			if r.IntN(3) == 0 {
				a = withSat(a, t0+int64((x-jitter())*1e9))
			}
			b := sent(rec(boot, x+jitter()+float64(r.IntN(40)/39*9), wall), t0+send+int64(x*1e9), x-upAt)
			d := sent(rec(boot, x+jitter(), wall), t0+send+int64(x*1e9), -1)
			if r.IntN(50) == 0 {
				b.Sent += int64(r.Uint64() >> 4)
			}
			recs = append(recs, a, b, d)
		}
		fixes := map[uint32]Fix{uint32(1 + r.IntN(4)): {Mono: 90 * second, UTC: t0, By: "hand"}}
		want := noteAll(recs, fixes)
		shuffled := append([]meter.Record(nil), recs...)
		for range 3 {
			r.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
			c := noteAll(shuffled, fixes)
			for i := range recs {
				if a, b := want.Place(&recs[i]), c.Place(&recs[i]); a != b {
					t.Fatalf("seed %d: record %d %+v is at %d or at %d", seed, i, recs[i], a-t0, b-t0)
				}
			}
		}
	}
}

// A clock that means nothing costs bounded memory.
func TestNoise(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	var c Clock
	for i := range 5000 {
		m := withSat(sent(rec(1, float64(i), 0), int64(r.Uint64()>>2), 1e6*r.Float64()), int64(r.Uint64()>>4))
		c.Note(&m)
		n := sent(rec(1, float64(i), int64(r.IntN(1e9))*second), int64(r.Uint64()>>2), -1)
		c.Note(&n)
	}
	s := c.Senders["mqtt"]
	for what, n := range map[string]int{"stamps": len(s.Sent), "satellites": len(s.Sat), "heard": len(*s.Heard[1]), "wall": len(c.Boots[1].Wall.States)} {
		if n > maxStates {
			t.Errorf("%s: %d states", what, n)
		}
	}
	c.Starts()
}

// A message without uptime that comes late and is the first of its sender's
// moves no clock, and yet its stretch begins with it.
func TestEarlier(t *testing.T) {
	quiet := 0
	for at := range 9 { // how quickly messages came is judged in steps of some 9 s
		var c Clock
		start := float64(at) + 5
		note := func(said, arrived float64) bool {
			r := sent(rec(1, start+arrived, 0), t0+int64((start+said)*1e9), -1)
			return c.Note(&r)
		}
		first := func() int64 {
			for e, at := range c.Starts() {
				if e.late {
					return at - t0 - int64(start*1e9)
				}
			}
			t.Fatal("the sender has no stretch")
			return 0
		}
		for i := range 4 {
			note(float64(i), float64(i)+0.1)
		}
		if got := first(); got != 0 || c.Earlier() {
			t.Errorf("it begins at %d, and earlier: %v", got, c.Earlier())
		}
		if note(4, 4.1); c.Earlier() {
			t.Error("one that came in order begins nothing")
		}
		moved := note(-1, 4.2)
		if !c.Earlier() {
			t.Error("one that is the first begins nothing")
		}
		if got := first(); got != -second || c.Earlier() {
			t.Errorf("it begins at %d, and earlier: %v", got, c.Earlier())
		}
		if !moved {
			quiet++
		}
	}
	if quiet == 0 {
		t.Error("every message was said to move a clock")
	}
}

// In a recording the lines right after a pause may hold no uptime, and the time
// line does not know yet how long it was; others come late, from before it.
func TestRecordingAroundAPause(t *testing.T) {
	const s, day = int64(1e9), 86400 * int64(1e9)
	sent := int64(1_790_000_000) * s
	var c Clock
	note := func(mono, at, up int64) *meter.Record {
		r := &meter.Record{Boot: 1, Mono: mono, Sent: sent + at, Source: "file",
			Readings: []meter.Reading{{Channel: meter.Syrup, Value: 12}}}
		if up > 0 {
			r.Readings = []meter.Reading{{Channel: meter.Uptime, Value: float64(up / s)}}
		}
		c.Note(r)
		return r
	}
	for k := range int64(60) {
		note(k*s, k*s, 5000*s+k*s)
	}
	first := note(59*s+1e6, 59*s+day, 0)
	for k := range int64(60) {
		note(60*s+day+k*s, 60*s+day+k*s, 60*s+k*s) // the board was started again
	}
	late := note(70*s+day, 58*s, 0)
	for what, r := range map[string]*meter.Record{"the first line after it": first, "a late line from before it": late} {
		if got := c.Place(r); got != r.Sent {
			t.Errorf("%s is placed %v s off", what, (got-r.Sent)/s)
		}
	}
}
