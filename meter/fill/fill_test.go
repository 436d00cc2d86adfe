package fill

import (
	"math"
	"math/rand/v2"
	"testing"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/worth"
)

const sec = int64(1_000_000_000)

var rules = Rules{Quiet: 5 * sec / 2, Least: 250 * quantity.Millilitre}

// hundred is a meter of 100 pulses/L at any flow.
var hundred = meterOf(100)

func meterOf(perLitre float64) worth.Meter {
	c, err := proving.NewCurve(proving.Meter{}, nil, perLitre, 0)
	if err != nil {
		panic(err)
	}
	return worth.Under(c, 1, worth.Passing{Temp: 20})
}

type step struct {
	n    uint64  // pulses
	took float64 // s
	mark string  // "fast", "restart"
}

// run feeds steps of 10 mL pulses and a long quiet.
func run(steps []step) []Piece {
	var s State
	var out []Piece
	at, n, session := int64(0), uint64(100), 1
	for _, x := range append(steps, step{0, 2.9, ""}, step{0, 2.9, ""}) {
		took := int64(x.took * 1e9)
		from := n
		if x.mark == "restart" {
			session, from = session+1, 0
		}
		n = from + x.n
		out = s.Next(Move{Session: session, From: from, To: n, FromAt: at, ToAt: at + took, Took: took,
			Meter: &hundred, Fast: x.mark == "fast"}, rules, out)
		at += took
	}
	return out
}

func TestPieces(t *testing.T) {
	pull := []step{{20, 0.2, ""}, {20, 0.2, ""}, {20, 0.2, ""}}
	join := func(parts ...[]step) (all []step) {
		for _, p := range parts {
			all = append(all, p...)
		}
		return all
	}
	quiet := func(s float64) []step { return []step{{0, s / 2, ""}, {0, s / 2, ""}} }
	type want struct {
		kind   Kind
		pulses uint64
	}
	for _, tc := range []struct {
		name  string
		steps []step
		want  []want
	}{
		{"nothing", quiet(2), nil},
		{"one pull", pull, []want{{Pull, 60}}},
		{"two pulls", join(pull, quiet(4), pull), []want{{Pull, 60}, {Pull, 60}}},
		{"a moment's rest does not end it", join(pull, quiet(2), pull), []want{{Pull, 120}}},
		{"partial trigger", join(pull, []step{{1, 1, ""}, {0, 1, ""}, {1, 1, ""}, {0, 1, ""}, {1, 1, ""}}, pull), []want{{Pull, 123}}},
		{"dribble", []step{{3, 0.2, ""}}, []want{{Dribble, 3}}},
		{"just enough", []step{{25, 0.2, ""}}, []want{{Pull, 25}}},
		{"one pulse short", []step{{24, 0.2, ""}}, []want{{Dribble, 24}}},
		{"unseen alone", []step{{500, 40, ""}}, []want{{Hidden, 500}}},
		{"unseen after a pull", join(pull, []step{{500, 40, ""}}), []want{{Pull, 60}, {Hidden, 500}}},
		{"silence without flow ends a pull", join(pull, []step{{0, 3.1, ""}}, pull), []want{{Pull, 60}, {Pull, 60}}},
		{"suspect between", join(pull, []step{{9000, 0.2, "fast"}}, pull), []want{{Pull, 60}, {Suspect, 9000}, {Pull, 60}}},
		{"restart mid fill", join(pull, []step{{5, 0.2, "restart"}}, pull), []want{{Pull, 60}, {Pull, 65}}},
		{"restart without a pulse", join(pull, []step{{0, 0.2, "restart"}}, pull), []want{{Pull, 60}, {Pull, 60}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := run(tc.steps)
			if len(got) != len(tc.want) {
				t.Fatalf("%d pieces, want %d: %+v", len(got), len(tc.want), got)
			}
			for i, w := range tc.want {
				if got[i].Kind != w.kind || got[i].Last-got[i].First != w.pulses {
					t.Errorf("piece %d is %d of %d pulses, want %d of %d", i, got[i].Kind, got[i].Last-got[i].First, w.kind, w.pulses)
				}
			}
		})
	}
}

func TestFlowing(t *testing.T) {
	// 0.6 s of flow, a rest of 1 s, 0.6 s of flow: the rest in between is part
	// of the pull, the quiet after it is not.
	got := run([]step{{20, 0.2, ""}, {20, 0.2, ""}, {20, 0.2, ""}, {0, 1, ""}, {20, 0.2, ""}, {20, 0.2, ""}, {20, 0.2, ""}})
	if len(got) != 1 || got[0].Flowing != 22*sec/10 || got[0].End-got[0].Start != 22*sec/10 {
		t.Errorf("%+v", got)
	}
}

// Whatever moves, pieces never overlap and together are all of the flow.
func TestAllFlowOnce(t *testing.T) {
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 3))
		var steps []step
		moved := uint64(0)
		for range 300 {
			x := step{took: 0.2}
			switch r.IntN(12) {
			case 0, 1, 2:
				x.n = uint64(r.IntN(30))
			case 3:
				x.took = 10 * r.Float64()
				x.n = uint64(r.IntN(3) * r.IntN(300))
			case 4:
				if r.IntN(4) == 0 {
					x = step{uint64(1000 + r.IntN(1000)), 0.2, "fast"}
				}
			case 5:
				if r.IntN(4) == 0 {
					x.mark, x.n = "restart", uint64(r.IntN(20))
				}
			}
			moved += x.n
			steps = append(steps, x)
		}
		var sum quantity.Volume
		pieces := run(steps)
		for i, p := range pieces {
			sum += p.Volume()
			if p.Last <= p.First || p.End < p.Start {
				t.Fatalf("seed %d: empty piece %+v", seed, p)
			}
			if i > 0 {
				if q := pieces[i-1]; p.Start < q.End || p.Session < q.Session || p.Session == q.Session && p.First < q.Last {
					t.Fatalf("seed %d: %+v overlaps %+v", seed, p, q)
				}
			}
		}
		if want := quantity.Volume(moved) * 10 * quantity.Millilitre; sum != want {
			t.Fatalf("seed %d: pieces are %v, moved %v", seed, sum, want)
		}
	}
}

// slipping is a meter that counts some percent less of slow thin syrup, so that
// what a pulse is worth shows the rate it was valued at.
func slipping(t testing.TB) (*proving.Curve, worth.Meter) {
	t.Helper()
	var tests []proving.Test
	for i, x := range []struct{ brix, temp, lpm, counted float64 }{{40, 30, 4, 0.97}, {40, 30, 30, 0.995}, {67, 10, 4, 1}} {
		s := syrup.Syrup{Solids: quantity.FromBrix(x.brix)}
		litres := 20 / float64(s.Near(quantity.Temperature(x.temp)).Density) * 1000
		tests = append(tests, proving.Test{Name: string(rune('a' + i)), At: int64(i), Net: 20, Pulses: math.Round(36 * litres * x.counted), Syrup: s,
			Temp: quantity.Temperature(x.temp), Seconds: litres / x.lpm * 60, Means: proving.Usual})
	}
	c, err := proving.NewCurve(proving.Meter{}, tests, 0, 10)
	if err != nil {
		t.Fatal(err)
	}
	return c, worth.Under(c, 1, worth.Passing{Syrup: syrup.Syrup{Solids: 0.4}, Known: true, Temp: 30})
}

// The rate that pulses are valued at is the rate they came at, whatever the
// spacing of messages, from some pulses a second to fast, over rests and with a throttled
// end; and what is valued is every pulse once.
func TestValuedAtItsRate(t *testing.T) {
	_, m := slipping(t)
	one := func(hz float64) float64 {
		var f worth.Flow
		return m.Add(&f, 1, hz)
	}
	if ratio := one(2.4) / one(18); ratio < 1.01 {
		t.Fatalf("the meter does not show its rate: %v", ratio)
	}
	type leg struct{ hz, seconds float64 } // hz 0: the trigger is let go
	for _, tc := range []struct {
		name  string
		every float64 // s between messages
		legs  []leg
		miss  float64 // relative, of what ideal valuing gives
	}{
		{"steady", 0.2, []leg{{12, 20}}, 2e-4},
		{"steady, slow", 0.2, []leg{{2.4, 60}}, 4e-4},
		{"steady, a message a second", 1, []leg{{12, 20}}, 2e-4},
		{"steady, fast", 0.2, []leg{{60, 8}}, 2e-4},
		{"a rest", 0.2, []leg{{12, 15}, {0, 1.8}, {12, 15}}, 4e-4},
		{"three rests", 0.2, []leg{{12, 5}, {0, 1.8}, {12, 5}, {0, 1.8}, {12, 5}, {0, 1.8}, {12, 5}}, 8e-4},
		{"throttled at the end", 0.2, []leg{{12, 20}, {3, 10}}, 5e-4},
		{"a few pulses", 0.2, []leg{{12, 1}}, 3e-3},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var s State
			var out []Piece
			const quiet = 4.0
			at, turned, ideal := 0.0, 0.4, 0.0
			from, last := uint64(1000), 0.0
			step := func(until float64) {
				to := uint64(1000 + turned)
				out = s.Next(Move{Session: 1, From: from, To: to, FromAt: int64(last * 1e9), ToAt: int64(until * 1e9),
					Took: int64((until - last) * 1e9), Meter: &m}, rules, out)
				from, last = to, until
			}
			for range 5 {
				at += tc.every
				step(at)
			}
			for _, l := range append(tc.legs, leg{0, quiet}) {
				for left := l.seconds; left > 1e-9; left -= tc.every {
					dt := min(tc.every, left)
					turned += l.hz * dt
					if l.hz > 0 {
						ideal += l.hz * dt * one(l.hz)
					}
					at += dt
					step(at)
				}
			}
			if len(out) != 1 {
				t.Fatalf("%d pieces: %+v", len(out), out)
			}
			p := out[0]
			ideal *= float64(p.Last-p.First) / (turned - 0.4) // whole pulses only
			if got := p.Volume().CubicMetres(); math.Abs(got/ideal-1) > tc.miss {
				t.Errorf("%v m³, ideally %v: off by %.2g, want %v", got, ideal, got/ideal-1, tc.miss)
			}
			if math.Abs(p.Flow.Volume-p.Volume().CubicMetres()) > 1e-9*p.Flow.Volume+1e-12*float64(p.Last-p.First) {
				t.Errorf("valued %v, volume %v", p.Flow.Volume, p.Volume())
			}
		})
	}
}

// BenchmarkNext is what a message of the counter costs while syrup flows, the
// correction by the meter's curve with it.
func BenchmarkNext(b *testing.B) {
	_, m := slipping(b)
	for _, meter := range []struct {
		name string
		m    *worth.Meter
	}{{"corrected", &m}, {"label", &hundred}, {"no proving", &worth.Meter{}}} {
		b.Run(meter.name, func(b *testing.B) {
			var s State
			var buf [2]Piece
			b.ReportAllocs()
			n, at := uint64(0), int64(0)
			for range b.N {
				s.Next(Move{Session: 1, From: n, To: n + 3, FromAt: at, ToAt: at + sec/5, Took: sec / 5, Meter: meter.m}, rules, buf[:0])
				n, at = n+3, at+sec/5
			}
		})
	}
}

func TestNextAllocatesNothing(t *testing.T) {
	_, m := slipping(t)
	var s State
	var buf [2]Piece
	n := uint64(0)
	if got := testing.AllocsPerRun(1000, func() {
		s.Next(Move{Session: 1, From: n, To: n + 3, Took: sec / 5, Meter: &m}, rules, buf[:0])
		n += 3
	}); got != 0 {
		t.Errorf("%v allocations a message", got)
	}
}

// A coarse meter in thick syrup has seconds between its pulses: one pull stays
// one, and a pause of many pulses still ends it.
func TestSlowPulsesAreOnePull(t *testing.T) {
	var s State
	var out []Piece
	at, n := int64(0), uint64(0)
	ten := meterOf(10) // pulses/L
	feed := func(pulses uint64, seconds int) {
		for i := range seconds * 5 { // a message each 0.2 s
			from := n
			if pulses > 0 && (i+1)%(seconds*5/int(pulses)) == 0 {
				n++
			}
			out = s.Next(Move{Session: 1, From: from, To: n, FromAt: at, ToAt: at + sec/5, Took: sec / 5, Meter: &ten}, rules, out)
			at += sec / 5
		}
	}
	feed(40, 160) // a pulse each 4 s: more than Rules.Quiet
	feed(0, 20)
	feed(20, 80)
	feed(0, 20)
	if len(out) != 2 || out[0].Last-out[0].First != 40 || out[1].Last-out[1].First != 20 {
		t.Fatalf("pieces %+v, want one of 40 pulses and one of 20", out)
	}
	// The first few pulses show no rate yet: they may stand apart, never be lost.
	if got := s.Now; s.Open {
		t.Errorf("still open: %+v", got)
	}
}

// A pull that surges to its end is marked where that began; one that surges and
// falls back is not, nor one that is only throttled.
func TestSurge(t *testing.T) {
	even := make([]step, 40) // 100 pulses/s
	for i := range even {
		even[i] = step{20, 0.2, ""}
	}
	fast := make([]step, 20)
	for i := range fast {
		fast[i] = step{45, 0.2, ""}
	}
	gusts := make([]step, 20) // as air comes: mostly two to three times as fast
	for i := range gusts {
		gusts[i] = step{[]uint64{45, 26, 60, 30, 24, 50}[i%6], 0.2, ""}
	}
	slow := make([]step, 20)
	for i := range slow {
		slow[i] = step{7, 0.2, ""}
	}
	join := func(parts ...[]step) (all []step) {
		for _, p := range parts {
			all = append(all, p...)
		}
		return all
	}
	for _, tc := range []struct {
		name  string
		steps []step
		from  uint64 // within a message of it; 0: none
	}{
		{"even", even, 0},
		{"surges", join(even, fast), 100 + 800},
		{"surges in gusts", join(even, gusts), 100 + 800},
		{"one gust at its end", join(even, []step{{26, 0.2, ""}}), 0},
		{"surges and falls back", join(even, fast, even), 0},
		{"surges, falls back and surges", join(even, fast, even, gusts), 100 + 800 + 900 + 800},
		{"throttled", join(even, slow), 0},
		{"opened from throttled, soon", join(slow[:2], even), 0},
	} {
		out := run(tc.steps)
		if len(out) != 1 {
			t.Fatalf("%s: %d pieces", tc.name, len(out))
		}
		got := out[0].Surge
		if (got == 0) != (tc.from == 0) || got != 0 && (got < tc.from || got > tc.from+45) {
			t.Errorf("%s: surge from %d, want %d", tc.name, got, tc.from)
		}
		if p := out[0]; p.Surging != 0 != (got != 0) || got != 0 && (p.Surging < 38e8 || p.Surging > 42e8) {
			t.Errorf("%s: it surged for %d ns, want 4 s", tc.name, p.Surging)
		}
	}
}
