package yard

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

// A rig's way in these tests, metres east and north of home.
type leg struct {
	to    xy
	speed float64 // m/s; 0: stands there, at once
	secs  int     // how long it stands
	dark  bool    // positions do not come
}

var home = Corner{43.2, -91.9}

// truth is where the rig really was in one second.
type truth struct {
	at     int64
	xy     xy
	stands bool // during a leg that stands
	dark   bool
	leg    int
}

const start = 1_800_000_000 * sec

// trueWay returns the way second by second.
func trueWay(legs []leg) (out []truth) {
	now, here := start, legs[0].to
	say := func(i int, stands bool) {
		out = append(out, truth{now, here, stands, legs[i].dark, i})
		now += sec
	}
	for i, l := range legs {
		if l.speed == 0 {
			here = l.to
			for range l.secs {
				say(i, true)
			}
			continue
		}
		for {
			dx, dy := l.to.x-here.x, l.to.y-here.y
			d := math.Hypot(dx, dy)
			if d <= l.speed {
				break
			}
			here = xy{here.x + dx/d*l.speed, here.y + dy/d*l.speed}
			say(i, false)
		}
	}
	return out
}

// receiver adds what a receiver errs by: noise as in ingest/rigsim/sense.go, but
// outliers five times as often.
type receiver struct {
	rng        *rand.Rand
	east, nort float64
	jumpy      bool    // dilution jumps about, and the jitter with it
	wander     float64 // m; 0: 2 m
}

func (r *receiver) hear(tr truth) Position {
	const jitter, keep = 0.7, 0.97
	wander := r.wander
	if wander == 0 {
		wander = 2
	}
	fresh := wander * math.Sqrt(1-keep*keep)
	r.east = keep*r.east + fresh*r.rng.NormFloat64()
	r.nort = keep*r.nort + fresh*r.rng.NormFloat64()
	hdop := 0.8 + 0.5*r.rng.Float64()
	j := jitter
	if r.jumpy {
		hdop = 0.8 * math.Exp(2.4*r.rng.Float64()) // 0.8 to 8.8
		j *= hdop
	}
	e, n := tr.xy.x+r.east+j*r.rng.NormFloat64(), tr.xy.y+r.nort+j*r.rng.NormFloat64()
	if u := r.rng.Float64(); u < 1/240.0 {
		far, angle := 40+200*r.rng.Float64(), 2*math.Pi*r.rng.Float64()
		e += far * math.Cos(angle)
		n += far * math.Sin(angle)
		if u < 0.5/240 { // half of them own up to it
			hdop = 4 + 4*r.rng.Float64()
		}
	}
	c := home.at(e, n)
	grid := func(x, step float64) float64 { return math.Round(x/step) / math.Round(1/step) }
	return Position{At: tr.at, Lat: grid(c.Lat, 1e-6), Lon: grid(c.Lon, 1e-6), HDOP: max(0.1, grid(hdop, 0.1))}
}

// heard is what a track made of a way, live after every second and in the end.
type heard struct {
	way   []truth
	live  []Trail // after the second of the same index; Found is not filled in
	trail Trail
}

func listen(way []truth, r receiver, places []Place) heard {
	h := heard{way: way}
	var track Track
	var stays []Stay
	snap := func() Trail {
		t := Trail{Stays: stays[:len(stays):len(stays)], Moving: track.Moving(), Fix: track.Fix()}
		if s, ok := track.Open(); ok {
			t.Stays = append(t.Stays, s)
		}
		return t
	}
	for _, tr := range way {
		if p := r.hear(tr); !tr.dark {
			if s, ok := track.Next(p); ok {
				stays = append(stays, s)
			}
		}
		h.live = append(h.live, snap())
	}
	h.trail = snap()
	h.trail.Found = Locate(h.trail.Stays, func(int64) []Place { return places })
	return h
}

func circle(id string, east, north float64) Place {
	c := home.at(east, north)
	return Place{ID: id, Lat: c.Lat, Lon: c.Lon, Enter: 60, Leave: 80}
}

// neighbours are two yards 120 m apart, and one far away.
var neighbours = []Place{circle("orchard", 0, 0), circle("mill", 120, 0), circle("larch", 0, 3000)}

func seeds(t *testing.T) int {
	if os.Getenv("YARDTALLY_FULL") != "" {
		return 1000
	}
	if testing.Short() {
		return 5
	}
	return 30
}

// wrong returns why a verdict contradicts the truth: it names a yard that the
// rig is not in, being beyond its Leave.
func wrong(f Found, where xy, places []Place) string {
	if f.Why != InYard {
		return ""
	}
	c := home.at(where.x, where.y)
	for i := range places {
		if p := &places[i]; p.ID == f.Yard {
			if d := p.Distance(c.Lat, c.Lon); d > p.Leave {
				return fmt.Sprintf("in %s, truly %.0f m off", f.Yard, float64(d))
			}
			return ""
		}
	}
	return "in a yard that is not: " + f.Yard
}

// A scenario's verdict on each leg that stands; "" with NoPosition and so on.
type verdict struct {
	leg  int
	want Found
}

func in(yard string) Found { return Found{Yard: yard, Why: InYard} }

var out, silent = Found{Why: Outside}, Found{}

// near returns a place near another, so many metres off at most.
func near(rng *rand.Rand, x, y, off float64) xy {
	a, d := 2*math.Pi*rng.Float64(), off*math.Sqrt(rng.Float64())
	return xy{x + d*math.Cos(a), y + d*math.Sin(a)}
}

var strip = Place{ID: "strip", Enter: 10, Leave: 25,
	Ring: ring(home.at(-10, -12), xy{0, 0}, xy{320, 0}, xy{320, 24}, xy{0, 24})}

func TestDrives(t *testing.T) {
	for _, tc := range []struct {
		name   string
		places []Place
		ear    receiver
		legs   func(r *rand.Rand) []leg
		want   []verdict
	}{
		{"two yards 120 m apart", neighbours, receiver{}, func(r *rand.Rand) []leg {
			a, b := near(r, 0, 0, 40), near(r, 120, 0, 40)
			return []leg{{a, 0, 300, false}, {b, 5, 0, false}, {b, 0, 300, false}, {a, 3, 0, false}, {a, 0, 120, false}}
		}, []verdict{{0, in("orchard")}, {2, in("mill")}, {4, in("orchard")}}},
		{"driven past at 11 m/s", neighbours, receiver{}, func(r *rand.Rand) []leg {
			return []leg{{xy{-700, 5}, 0, 90, false}, {xy{700, 5}, 11, 0, false}, {xy{700, 5}, 0, 90, false}}
		}, []verdict{{0, out}, {1, out}, {2, out}}},
		{"driven past at 5 m/s", neighbours, receiver{}, func(r *rand.Rand) []leg {
			return []leg{{xy{-700, 5}, 0, 90, false}, {xy{700, 5}, 5, 0, false}, {xy{700, 5}, 0, 90, false}}
		}, []verdict{{0, out}, {1, out}, {2, out}}},
		{"crossroads within another's leave", neighbours, receiver{}, func(r *rand.Rand) []leg {
			m, x := near(r, 0, 3000, 40), xy{-73, 0}
			return []leg{{m, 0, 200, false}, {x, 11, 0, false}, {x, 0, 25, false}, {xy{-900, 0}, 11, 0, false}, {xy{-900, 0}, 0, 60, false}}
		}, []verdict{{0, in("larch")}, {2, out}, {4, out}}},
		{"4 minutes dark, stood", neighbours, receiver{}, dark(4, xy{0, 0}), []verdict{{0, in("orchard")}, {1, in("orchard")}, {4, in("orchard")}}},
		{"20 minutes dark, stood", neighbours, receiver{}, dark(20, xy{0, 0}), []verdict{{0, in("orchard")}, {1, in("orchard")}, {4, in("orchard")}}},
		{"20 minutes dark, moved within the yard", neighbours, receiver{}, dark(20, xy{0, 30}), []verdict{{0, in("orchard")}, {1, in("orchard")}, {3, in("orchard")}, {4, in("orchard")}}},
		{"40 minutes dark, stood", neighbours, receiver{}, dark(40, xy{0, 0}), []verdict{{0, in("orchard")}, {1, silent}, {4, in("orchard")}}},
		{"4 minutes dark, moved to the next", neighbours, receiver{}, dark(4, xy{120, 0}), []verdict{{0, in("orchard")}, {1, silent}, {3, silent}, {4, in("mill")}}},
		{"20 minutes dark, moved to the next", neighbours, receiver{}, dark(20, xy{120, 0}), []verdict{{0, in("orchard")}, {1, silent}, {3, silent}, {4, in("mill")}}},
		{"40 minutes dark, moved out", neighbours, receiver{}, dark(40, xy{-500, 0}), []verdict{{0, in("orchard")}, {1, silent}, {3, silent}, {4, out}}},
		{"dark on the road", neighbours, receiver{}, func(r *rand.Rand) []leg {
			return []leg{{xy{0, 0}, 0, 90, false}, {xy{0, 1000}, 11, 0, false}, {xy{0, 2000}, 11, 0, true}, {xy{0, 3000}, 11, 0, false}, {xy{0, 3000}, 0, 90, false}}
		}, []verdict{{0, in("orchard")}, {4, in("larch")}}},
		{"creeping along a strip at 1 m/s", []Place{strip}, receiver{}, creeping(1), []verdict{{0, in("strip")}, {1, in("strip")}, {2, in("strip")}}},
		{"creeping along a strip at 0.25 m/s", []Place{strip}, receiver{}, creeping(0.25), []verdict{{0, in("strip")}, {1, in("strip")}, {2, in("strip")}}},
		{"hive to hive, 12 m at 2.5 m/s", []Place{strip}, receiver{}, func(r *rand.Rand) (legs []leg) {
			for x := 0.0; x < 300; x += 12 {
				legs = append(legs, leg{xy{x, 0}, 2.5, 0, false}, leg{xy{x, 0}, 0, 40, false})
			}
			return legs[1:]
		}, []verdict{{0, in("strip")}, {2, in("strip")}, {24, in("strip")}, {48, in("strip")}}},
		{"jumping dilution", neighbours, receiver{jumpy: true}, func(r *rand.Rand) []leg {
			a, b := near(r, 0, 0, 30), near(r, 120, 0, 30)
			return []leg{{a, 0, 600, false}, {b, 5, 0, false}, {b, 0, 600, false}}
		}, nil},
		{"a poor receiver, 5 m", neighbours, receiver{wander: 5}, func(r *rand.Rand) []leg {
			a, b := near(r, 0, 0, 30), near(r, 120, 0, 30)
			return []leg{{a, 0, 300, false}, {b, 5, 0, false}, {b, 0, 300, false}}
		}, nil},
		{"left and back within minutes", neighbours, receiver{}, func(r *rand.Rand) []leg {
			a := near(r, 0, 0, 20)
			return []leg{{a, 0, 120, false}, {xy{0, -700}, 10, 0, false}, {a, 10, 0, false}, {a, 0, 120, false}}
		}, []verdict{{0, in("orchard")}, {1, out}, {2, out}, {3, in("orchard")}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			claims, unknown := 0, 0
			for seed := range seeds(t) {
				rng := rand.New(rand.NewPCG(uint64(seed), 7))
				ear := tc.ear
				ear.rng = rng
				h := listen(trueWay(tc.legs(rng)), ear, tc.places)
				dark := false
				want := map[int]Found{}
				for _, v := range tc.want {
					want[v.leg] = v.want
				}
				for i, tr := range h.way {
					f := h.trail.At(tr.at, tr.at)
					if why := wrong(f, tr.xy, tc.places); why != "" {
						t.Errorf("seed %d second %d: %s", seed, i, why)
					}
					claims++
					dark = dark || tr.dark
					if f.Why == NoPosition && i >= 10 { // the first may all be diluted
						unknown++
					}
					settled := i >= 6 && h.way[i-6].leg == tr.leg && i+6 < len(h.way) && h.way[i+6].leg == tr.leg
					if w, ok := want[tr.leg]; ok && settled && f != w {
						t.Errorf("seed %d second %d, leg %d: %+v, want %+v", seed, i, tr.leg, f, w)
					}
				}
				if unknown > 0 && !dark {
					t.Errorf("seed %d: positions all the way, and %d instants unknown", seed, unknown)
				}
				live(t, h, tc.places, seed)
				flows(t, h, rng, tc.places, seed)
				for leg, w := range want { // a flow over the whole leg, seen from the end
					from, to := int64(0), int64(0)
					for _, tr := range h.way {
						if tr.leg == leg {
							if from == 0 {
								from = tr.at
							}
							to = tr.at
						}
					}
					if f := h.trail.At(from, to); f != w {
						t.Errorf("seed %d, flow over leg %d: %+v, want %+v", seed, leg, f, w)
					}
				}
				if t.Failed() {
					for i, s := range h.trail.Stays {
						t.Logf("%4d-%4d left %4d since %4d n %d u %.1f gap %d %v", (s.From-start)/sec, (s.To-start)/sec, (s.LeftAt-start)/sec, (s.Since-start)/sec, s.N, float64(s.U), s.Gap/sec, h.trail.Found[i])
					}
					return
				}
			}
			t.Logf("%d instants, %.1f %% unknown", claims, 100*float64(unknown)/float64(claims))
		})
	}
}

// live checks what was said at the time, of that time: the rig may have gone up
// to FixAge before unheard, so that only what is heard can contradict.
func live(t *testing.T, h heard, places []Place, seed int) {
	t.Helper()
	for i := 0; i < len(h.way); i += 3 {
		tr := h.way[i]
		trail := h.live[i]
		trail.Found = Locate(trail.Stays, func(int64) []Place { return places })
		f := trail.At(tr.at, tr.at)
		if tr.dark {
			if tr.at-trail.Fix > FixAge && f.Why != NoPosition {
				t.Errorf("seed %d second %d, live: %+v long after the last position", seed, i, f)
			}
			continue
		}
		// Three positions more may pass before it shows that it left.
		if why := wrong(f, h.way[max(0, i-Steady)].xy, places); why != "" && wrong(f, tr.xy, places) != "" {
			t.Errorf("seed %d second %d, live: %s", seed, i, why)
		}
	}
}

// flows checks flows of any length, at any time: of one that is given to a yard
// the rig was there for half, but for the seconds until it shows that it left.
func flows(t *testing.T, h heard, rng *rand.Rand, places []Place, seed int) {
	t.Helper()
	for range 50 {
		i := rng.IntN(len(h.way))
		j := min(len(h.way)-1, i+rng.IntN(400))
		f := h.trail.At(h.way[i].at, h.way[j].at)
		bad := 0
		for _, tr := range h.way[i : j+1] {
			if wrong(f, tr.xy, places) != "" {
				bad++
			}
		}
		if 2*bad > j-i+1+2*Steady {
			t.Errorf("seed %d, flow in seconds %d to %d: %+v, but %d s elsewhere", seed, i, j, f, bad)
		}
	}
}

func dark(minutes int, to xy) func(*rand.Rand) []leg {
	return func(r *rand.Rand) []leg {
		a := near(r, 0, 0, 20)
		b := xy{a.x + to.x, a.y + to.y}
		return []leg{{a, 0, 200, false}, {a, 0, 30 * minutes, true}, {b, 8, 0, true}, {b, 0, 30 * minutes, true}, {b, 0, 200, false}}
	}
}

func creeping(speed float64) func(*rand.Rand) []leg {
	return func(r *rand.Rand) []leg {
		y := 4 * (r.Float64() - 0.5)
		return []leg{{xy{0, y}, 0, 60, false}, {xy{300, y}, speed, 0, false}, {xy{300, y}, 0, 60, false}}
	}
}

// The same across ±180° and far from the equator.
func TestDrivesElsewhere(t *testing.T) {
	defer func(c Corner) { home = c }(home)
	for _, home = range origins {
		places := []Place{circle("orchard", 0, 0), circle("mill", 120, 0)}
		rng := rand.New(rand.NewPCG(1, 1))
		way := trueWay([]leg{{xy{0, 9}, 0, 200, false}, {xy{120, -9}, 5, 0, false}, {xy{120, -9}, 0, 200, false}})
		h := listen(way, receiver{rng: rng}, places)
		for i, tr := range way {
			want := []Found{in("orchard"), {}, in("mill")}[tr.leg]
			if f := h.trail.At(tr.at, tr.at); tr.leg != 1 && i >= 6 && way[i-6].leg == tr.leg && f != want {
				t.Errorf("home %v, second %d: %+v, want %+v", home, i, f, want)
			}
		}
		if len(h.trail.Stays) != 2 {
			t.Errorf("home %v: %d stays", home, len(h.trail.Stays))
		}
		for i, want := range []xy{{0, 9}, {120, -9}} {
			s, c := h.trail.Stays[i], home.at(want.x, want.y)
			if d := Distance(s.Lat, s.Lon, c.Lat, c.Lon); d > 2*s.U {
				t.Errorf("home %v: the mean of stay %d is %v off", home, i, d)
			}
		}
	}
}
