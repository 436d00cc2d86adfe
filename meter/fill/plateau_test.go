package fill

import (
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"yardtally/ingest/rigsim"
	"yardtally/meter"
)

// nights is how many nights are played.
func nights() uint64 {
	if os.Getenv("YARDTALLY_FULL") != "" {
		return 100
	}
	return 6
}

// played cuts a night into pieces, of which a tenth of the messages are lost,
// and returns what truly was with it.
func played(t *testing.T, s rigsim.Scenario) ([]Piece, rigsim.Truth) {
	t.Helper()
	rig, err := rigsim.New(s)
	if err != nil {
		t.Fatal(err)
	}
	lose := rand.New(rand.NewPCG(s.Seed, 9))
	var st State
	var out []Piece
	var last Move
	for m := range rig.All() {
		at := m.At.UnixNano()
		for _, x := range m.Readings {
			switch x.Channel {
			case meter.Line:
				if st.Open {
					st.Beside(Outlet, x.Value)
				}
			case meter.Pump:
				if st.Open {
					st.Beside(Speed, x.Value)
				}
			case meter.Pulses:
				if lose.Float64() < 0.1 {
					continue
				}
				n := uint64(x.Value)
				if last.ToAt != 0 {
					out = st.Next(Move{Session: 1, From: last.To, To: n, FromAt: last.ToAt, ToAt: at, Took: at - last.ToAt, Meter: &hundred}, rules, out)
				}
				last.To, last.ToAt = n, at
			}
		}
	}
	return out, rig.Truth()
}

// The plateau is the flow that truly was while the trigger was open and nothing
// moved, as well as pulses can be counted: of pulls with the trigger half shut
// as well, on rigs and nights that differ.
func TestPlateauIsTheFlow(t *testing.T) {
	var miss, score []float64
	pulls, none, throttled, over, overT := 0, 0, 0, 0, 0
	for seed := range nights() {
		s := rigsim.WatchNight(seed)
		s.Hand.Throttled = 0.15
		s.Meter.PulsesPerL = 100 + 50*float64(seed%11)/10
		s.Meter.SlipViscous = 0 // what a pulse is worth is not the question here
		pieces, truth := played(t, s)
		perM3 := 1000 * s.Meter.PulsesPerL * (1 - s.Meter.Slip)
		for _, f := range truth.Fills {
			if f.Plateau == 0 {
				continue
			}
			i := slices.IndexFunc(pieces, func(p Piece) bool { return p.Kind == Pull && p.First <= f.First+1 && p.Last+1 >= f.Last })
			if i < 0 {
				continue // joined with another one
			}
			pulls++
			p := &pieces[i].Plateau
			if p.Took == 0 {
				none++
				continue
			}
			x := math.Log(p.Rate() / perM3 / float64(f.Plateau))
			miss, score = append(miss, x), append(score, math.Abs(x)/p.RelU)
			off := math.Abs(x) > 2*p.RelU+hunts
			if off {
				over++
			}
			if f.Opening < 1 {
				throttled++
				if off {
					overT++
				}
			}
		}
	}
	mean, sq := 0.0, 0.0
	for _, x := range miss {
		mean += x / float64(len(miss))
		sq += x * x / float64(len(miss))
	}
	slices.Sort(score)
	t.Logf("%d pulls, %d throttled, %d without a plateau; mean ln of measured over true %+.5f, rms %.5f; beyond counting error %d (throttled %d); |miss| over its counting uncertainty: median %.2f, 95 %% %.2f",
		pulls, throttled, none, mean, math.Sqrt(sq), over, overT, score[len(score)/2], score[len(score)*95/100])
	if math.Abs(mean) > 0.005 {
		t.Errorf("plateaus are off by %+.4f in the mean, want at most 0.005", mean)
	}
	if n := len(miss); n < pulls*9/10 || throttled < pulls/20 || over > n/20 || overT > max(1, throttled/20) {
		t.Errorf("of %d pulls (%d throttled) %d have a plateau, %d (%d) of them beyond counting error", pulls, throttled, n, over, overT)
	}
}

// hunts is how far the flow over the windows that count may be from that over
// all of the time: the governor hunts, and the hose warms up. Computed from the
// simulator's own figures: speed ±1.5 % over swings of up to 41 s, cut at some
// 2 s of 30.
const hunts = 0.002

// leg is a stretch of a scripted pull; hz 0: the trigger is let go.
type leg struct{ hz, seconds, pressure float64 }

// scripted plays one pull, a message each 0.2 s and the pressure as often.
func scripted(legs ...leg) Piece {
	var s State
	var out []Piece
	turned, n, at := 0.0, uint64(0), int64(0)
	for _, l := range append(legs, leg{0, 4, 9e5}) {
		for range int(math.Round(l.seconds * 5)) {
			turned += l.hz / 5
			if s.Open {
				s.Beside(Outlet, l.pressure)
			}
			to := uint64(turned)
			out = s.Next(Move{Session: 1, From: n, To: to, FromAt: at, ToAt: at + sec/5, Took: sec / 5, Meter: &hundred}, rules, out)
			n, at = to, at+sec/5
		}
	}
	if len(out) != 1 {
		panic(len(out))
	}
	return out[0]
}

// What the hand does before and after is not the plateau; nor is air, nor a
// pull too short to tell. The pressure is that of the same time.
func TestPlateau(t *testing.T) {
	for _, tc := range []struct {
		name     string
		legs     []leg
		hz       float64 // 0: none
		pressure float64
		least    float64 // s that it must last
	}{
		{"even", []leg{{15, 30, 2e5}}, 15, 2e5, 25},
		{"throttled at the end", []leg{{15, 20, 2e5}, {6, 10, 3e5}}, 15, 2e5, 15},
		{"throttled for two thirds", []leg{{15, 10, 2e5}, {6, 20, 3e5}}, 15, 2e5, 6},
		{"eased off to the end", []leg{{15, 20, 2e5}, {12, 2, 2.5e5}, {9, 2, 2.8e5}, {6, 2, 3e5}, {3, 4, 3e5}}, 15, 2e5, 15},
		{"begun with care", []leg{{11, 4, 3e5}, {15, 20, 2e5}}, 15, 2e5, 15},
		{"a rest", []leg{{15, 15, 2e5}, {0, 2, 5e5}, {15, 15, 2e5}}, 15, 2e5, 20},
		{"air", []leg{{15, 20, 2e5}, {40, 20, 0.5e5}}, 15, 2e5, 15},
		{"fast", []leg{{70, 7, 2e5}}, 70, 2e5, 4},
		{"slow", []leg{{2, 100, 2e5}}, 2, 2e5, 70},
		{"an hour", []leg{{15, 3600, 2e5}}, 15, 2e5, 3400},
		{"too short", []leg{{15, 4, 2e5}}, 0, 0, 0},
		{"too few pulses", []leg{{2, 25, 2e5}}, 0, 0, 0},
	} {
		got := scripted(tc.legs...).Plateau
		if (got.Took == 0) != (tc.hz == 0) || tc.hz == 0 && got != (Plateau{}) {
			t.Errorf("%s: got %+v", tc.name, got)
			continue
		}
		if tc.hz == 0 {
			continue
		}
		// Ten standard uncertainties hold whatever the phase of the pulses.
		if math.Abs(got.Rate()/tc.hz-1) > min(0.02, 10*got.RelU) || float64(got.Took)/1e9 < tc.least {
			t.Errorf("%s: %.3f pulses/s ± %.2g over %.1f s, want %g over %g s", tc.name, got.Rate(), got.RelU, float64(got.Took)/1e9, tc.hz, tc.least)
		}
		// One window of fourteen may be half of the leg beside it.
		if n := float64(got.N[Outlet]); math.Abs(got.Mean[Outlet]/tc.pressure-1) > 0.5/14 || math.Abs(n-float64(got.Took)/2e8) > 1 || got.N[Speed] != 0 {
			t.Errorf("%s: %v Pa of %v readings, want %v of %v", tc.name, got.Mean[Outlet], n, tc.pressure, float64(got.Took)/2e8)
		}
	}
	if p := scripted(leg{2, 2, 2e5}, leg{0, 1, 0}); p.Kind != Dribble && p.Plateau != (Plateau{}) {
		t.Errorf("a splash has a plateau: %+v", p)
	}
}

// However long a pull, its course stays within its bounds.
func TestCourseIsBounded(t *testing.T) {
	var s State
	n := uint64(0)
	for range 200_000 {
		s.Next(Move{Session: 1, From: n, To: n + 3, FromAt: int64(n), ToAt: int64(n) + sec/5, Took: sec / 5, Meter: &hundred}, rules, nil)
		n += 3
	}
	c := &s.Course
	if c.N < mostWindows/2 || c.N > mostWindows {
		t.Errorf("%d windows", c.N)
	}
	if p := c.plateau(); math.Abs(p.Rate()-15) > 1e-9 || p.Pulses < n*9/10 {
		t.Errorf("of %d pulses the plateau has %+v", n, p)
	}
}
