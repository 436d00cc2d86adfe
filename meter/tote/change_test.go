package tote

import (
	"math"
	"math/rand/v2"
	"testing"

	"yardtally/calibrate/quantity"
)

// TestQuietNights: feeding, driving and cooling are no change, and no doubt.
func TestQuietNights(t *testing.T) {
	seeds, changes, doubts, points, offered := 320, 0, 0, 0, 0
	for seed := range uint64(seeds) {
		n := newNight(seed, 400+500*float64(seed%7)/7)
		n.quiet(4, nil)
		for _, c := range Changes(n.all(), terms()) {
			t.Errorf("seed %d: %v %+v", seed, c.Kind, c)
			changes++
		}
		doubts += len(Doubts(n.all(), n.flows, terms()))
		points += len(n.points)
		offered += n.offered
	}
	t.Logf("%d nights: %d changes, %d doubts; with none, the 95 %% bound of the rate is %.1f %%; %d points kept a night of %d",
		seeds, changes, doubts, 100*(1-math.Pow(0.05, 1/float64(seeds))), points/seeds, offered/seeds)
	if changes > 0 || doubts > 0 {
		t.Errorf("%d changes, %d doubts", changes, doubts)
	}
	if points/seeds > 150 || points/seeds < 30 {
		t.Errorf("%d points a night", points/seeds)
	}
}

// TestQuietOtherwise: nor are thin syrup's short pulls, a trickle, a slow
// sensor, a strapping that is off from place to place, and a cold night off.
func TestQuietOtherwise(t *testing.T) {
	for _, c := range []struct {
		name string
		run  func(n *night)
	}{
		{"pulls of 32 L/min", func(n *night) {
			for range 80 {
				n.pull(7, 32, 0, 0)
				n.run(15+n.r.IntN(20), 0, 0, 0)
			}
		}},
		{"a trickle of 1.5 L/min", func(n *night) {
			for range 30 {
				n.pull(150, 1.5, 0, 0)
				n.run(10+n.r.IntN(20), 0, 0, 0)
			}
		}},
		{"one pull of 200 L, 30 L/min", func(n *night) { n.run(200, 0, 0, 0); n.pull(400, 30, 0, 0); n.run(200, 0, 0, 0) }},
		{"one reading in four seconds", func(n *night) {
			n.every = 4
			n.quiet(3, nil)
		}},
		{"waves in the walls", func(n *night) {
			n.wave = 1.5 // L, over 150 mm: 6 % of the area at most
			n.quiet(4, nil)
		}},
		{"half a day of standing", func(n *night) { n.run(43200, 0, 0, 0) }},
		{"off in the cold for a week", func(n *night) {
			n.quiet(1, nil)
			n.off(7*86400, -n.held*10*3.8e-4)
			n.past = 0
			n.quiet(1, nil)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for seed := range uint64(20) {
				n := newNight(2000+seed, 900)
				c.run(n)
				tm := terms()
				if n.wave > 0 {
					tm.ShareU = 0.04
				}
				got, doubts := Changes(n.all(), tm), Doubts(n.all(), n.flows, tm)
				if len(got) > 0 || len(doubts) > 0 || len(n.points) > 400 {
					t.Errorf("seed %d: %d points, %+v, %+v", seed, len(n.points), got, doubts)
				}
			}
		})
	}
}

// TestSeries: volumes of another strapping are not held against those before,
// and a change after it is found all the same.
func TestSeries(t *testing.T) {
	for seed := range uint64(20) {
		n := newNight(6000+seed, 800)
		n.quiet(1, nil)
		n.series, n.shift = 1, 40
		n.quiet(1, nil)
		if got := Changes(n.all(), terms()); len(got) > 0 {
			t.Errorf("seed %d: %+v", seed, got)
		}
		n.run(120, 0, -100, 0)
		n.run(120, 0, 0, 0)
		if got := Changes(n.all(), terms()); len(got) != 1 || got[0].Kind != Transfer {
			t.Errorf("seed %d: %+v", seed, got)
		}
	}
}

// TestLeakAllNight: one that goes on through feeding is one record or a few,
// none of another kind, and together they are most of it.
func TestLeakAllNight(t *testing.T) {
	for seed := range uint64(20) {
		n := newNight(8000+seed, 800)
		n.run(300, 0, 0, 0)
		from := n.at
		for range 5 { // half an hour each
			n.run(1200, 0, -0.4, 0)
			for range 10 {
				n.pull(30, 8, -0.4, 0)
				n.run(30, 0, -0.4, 0)
			}
		}
		to := n.at
		n.run(600, 0, 0, 0)
		sum, long := 0.0, int64(0)
		got := Changes(n.all(), terms())
		for _, c := range got {
			if c.Kind != Leak && c.Kind != Loss {
				t.Errorf("seed %d: %v %v", seed, c.Kind, c.Volume)
			}
			sum += c.Volume.Litres()
			long = max(long, c.To-c.From)
		}
		if want := -0.4 * float64((to-from)/sec) / 60; len(got) > 4 || sum > 0.8*want || sum < 1.1*want {
			t.Errorf("seed %d: %d records of %.1f L, want %.1f L", seed, len(got), sum, want)
		}
	}
}

// TestKinds: what happens in the midst of a night is its own record, of its kind.
func TestKinds(t *testing.T) {
	for _, c := range []struct {
		name    string
		held    float64
		happens func(n *night)
		kind    Kind
		sure    bool
		litres  float64
		rate    float64 // L/min; 0: not judged
	}{
		{"refill of 600 L, 150 L/min", 300, func(n *night) { n.run(240, 0, 150, 0) }, Refill, true, 600, 150},
		{"refill of 500 L, 20 L/min", 300, func(n *night) { n.run(1500, 0, 20, 0) }, Refill, true, 500, 20},
		{"refill of 100 L, 100 L/min", 300, func(n *night) { n.run(60, 0, 100, 0) }, Refill, true, 100, 0},
		{"refill in three steps", 300, func(n *night) {
			for range 3 {
				n.run(60, 0, 120, 0)
				n.run(180, 0, 0, 0)
			}
		}, Refill, true, 360, 0},
		{"bucket of 15 L", 500, func(n *night) { n.run(10, 0, 90, 0) }, Refill, false, 15, 0},
		{"transfer of 400 L, 208 L/min", 800, func(n *night) { n.run(115, 0, -208.7, 0) }, Transfer, true, -400, 208.7},
		{"transfer of 150 L, 80 L/min", 700, func(n *night) { n.run(112, 0, -80.4, 0) }, Transfer, true, -150, 80},
		{"transfer of 90 L, 180 L/min", 700, func(n *night) { n.run(30, 0, -180, 0) }, Transfer, true, -90, 0},
		{"leak of 8 L/h for two hours", 500, func(n *night) { n.run(7200, 0, -8.0/60, 0) }, Leak, true, -16, 8.0 / 60},
		{"8 L drawn past the meter", 500, func(n *night) { n.run(60, 0, -8, 0) }, Loss, false, -8, 0},
		{"off for a day, 12 L gone", 300, func(n *night) { n.off(86400, -12) }, Unheard, true, -12, 0},
		{"leak of 30 L/h for an hour", 700, func(n *night) { n.run(3600, 0, -0.5, 0) }, Leak, true, -30, 0.5},
		{"leak of 120 L/h for 20 min", 700, func(n *night) { n.run(1200, 0, -2, 0) }, Leak, false, -40, 2},
		{"15 L drawn past the meter", 700, func(n *night) { n.run(60, 0, -15, 0) }, Loss, false, -15, 0},
		{"off for an hour, 50 L gone", 700, func(n *night) { n.off(3600, -50) }, Unheard, true, -50, 0},
		{"off for a night, 300 L more", 400, func(n *night) { n.off(30000, 300) }, Unheard, true, 300, 0},
		{"out of reach for three minutes, 100 L more", 500, func(n *night) { n.off(180, 100) }, Unheard, true, 100, 0},
		{"out of reach for three minutes, 60 L gone", 500, func(n *night) { n.off(180, -60) }, Unheard, true, -60, 0},
		{"out of reach, and right after that a refill", 400, func(n *night) {
			n.off(180, 0)
			n.run(5, 0, 0, 0)
			n.run(180, 0, 80, 0)
		}, Refill, true, 240, 0},
		{"arrived from afar, and at once a transfer", 700, func(n *night) {
			n.run(200, 0, 0, 0)
			n.drive(240)
			n.run(32, 0, 0, 0)
			n.began = n.at
			n.run(30, 0, -208, 0)
		}, Transfer, true, -104, 0},
		{"leak of 54 L/h between pulls", 700, func(n *night) {
			for range 4 {
				for range 3 {
					n.pull(30, 8, -0.9, 0)
					n.run(30, 0, -0.9, 0)
				}
				n.run(280, 0, -0.9, 0)
			}
		}, Leak, true, -25, 0.9},
		{"pulls of which the meter misses a third", 700, func(n *night) {
			for i := range 4 {
				if i > 0 {
					n.run(280, 0, 0, 0)
				}
				for range 4 {
					n.pull(30, 8, -4, 0)
					n.run(30, 0, 0, 0)
				}
			}
		}, Loss, false, -32, 0},
		{"another tote, 40 L more in it, sensor lifted out", 500, func(n *night) {
			n.sensor = func() (float64, bool) { return -0.2 - 4*n.r.Float64(), n.r.IntN(2) == 0 }
			n.run(200, 0, 0, 0)
			n.put(40)
			n.sensor = nil
		}, Swap, false, 40, 0},
		{"out of reach, and right after that another tote", 400, func(n *night) {
			n.off(180, 0)
			n.sensor = func() (float64, bool) { return -0.2 - 4*n.r.Float64(), n.r.IntN(2) == 0 }
			n.run(200, 0, 0, 0)
			n.put(300)
			n.sensor = nil
		}, Swap, false, 300, 0},
		{"another tote in no time", 250, func(n *night) { n.put(600); n.level = Level{} }, Swap, true, 600, 0},
		{"another tote by name", 300, func(n *night) {
			n.name = "blue"
			n.put(700)
			n.sensor = func() (float64, bool) { return 0, false }
			n.run(300, 0, 0, 0)
			n.sensor = nil
		}, Swap, true, 700, 0},
		{"another tote while off, booked after", 250, func(n *night) {
			n.off(3600, 600)
			n.run(100, 0, 0, 0)
			n.name = "blue"
		}, Swap, true, 600, 0},
		{"another tote, booked before", 250, func(n *night) {
			n.name = "blue"
			n.run(300, 0, 0, 0)
			n.sensor = func() (float64, bool) { return 0, false }
			n.run(300, 0, 0, 0)
			n.put(600)
			n.sensor = nil
		}, Swap, true, 600, 0},
		{"another tote, sensor unplugged", 250, func(n *night) {
			n.sensor = func() (float64, bool) { return 0, false }
			n.run(300, 0, 0, 0)
			n.put(700)
			n.sensor = nil
		}, Swap, false, 700, 0},
		{"another tote, sensor lifted out", 250, func(n *night) {
			n.sensor = func() (float64, bool) { return 1.8 + 0.3*n.r.NormFloat64(), true }
			n.run(200, 0, 0, 0)
			n.put(700)
			n.sensor = nil
		}, Swap, false, 700, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			seeds, found, named, held := 60, 0, 0, 0
			worst := 0.0
			for seed := range uint64(seeds) {
				n := newNight(1000+seed, c.held)
				var from, to int64
				n.quiet(2, func() { from = n.at; c.happens(n); from, to = max(from, n.began), n.at })
				got := Changes(n.all(), terms())
				if len(got) != 1 {
					t.Logf("seed %d: %d changes", seed, len(got))
					for _, g := range got {
						t.Logf("  %v %v ± %v, %d s from the start, %d s long, %.1f L/min", g.Kind, g.Volume, g.Within, (g.From-from)/sec, (g.To-g.From)/sec, g.Rate/quantity.LitrePerMinute)
					}
					continue
				}
				found++
				g := got[0]
				if g.Kind == c.kind && (g.Sure == c.sure || c.litres == 15) && (g.Sure || g.Note != "") {
					named++
				} else {
					t.Logf("seed %d: %v sure %v %q", seed, g.Kind, g.Sure, g.Note)
				}
				wait := 200 * sec   // for rest
				if c.kind == Leak { // points 10 min apart, and 2 L to show
					wait = 1500*sec + int64(2*60/c.rate)*sec
				}
				if g.From > from+wait || g.To < to-wait || g.From < from-800*sec || g.To > to+wait {
					t.Errorf("seed %d: %d s before to %d s after it began and ended", seed, (from-g.From)/sec, (g.To-to)/sec)
				}
				want := c.litres
				if c.kind == Leak { // of one that goes on, what went in that time
					want = n.pasts[g.To] - n.pasts[g.From]
				}
				if math.Abs(g.Volume.Litres()-want) <= g.Within.Litres() {
					held++
				}
				if rate := float64(g.Rate / quantity.LitrePerMinute); c.rate > 0 {
					worst = max(worst, math.Abs(rate/c.rate-1))
				}
			}
			t.Logf("found %d, named %d, volume within its interval %d of %d; rate at most %.0f %% off", found, named, held, seeds, 100*worst)
			if found < seeds || named < seeds {
				t.Errorf("found %d, named %d of %d", found, named, seeds)
			}
			// 95 % of 60 is 57; fewer than 52 has a chance of 0.7 % (binomial, computed).
			if held < 52 {
				t.Errorf("the volume is within its interval in %d of %d", held, seeds)
			}
			if worst > 0.25 {
				t.Errorf("rate off by %.0f %%", 100*worst)
			}
		})
	}
}

// TestTurns: what goes straight over into the opposite is told as two, as far as
// the level was seen to go; and what follows after the level stood is its own.
func TestTurns(t *testing.T) {
	lifted := func(n *night, s int, litres float64) {
		n.sensor = func() (float64, bool) { return -0.2 - 4*n.r.Float64(), n.r.IntN(2) == 0 }
		n.run(s, 0, 0, 0)
		n.put(litres)
		n.sensor = nil
	}
	for _, c := range []struct {
		name    string
		held    float64
		happens func(n *night)
		kinds   [2]Kind
		litres  [2]float64
		exact   bool // by settled levels
	}{
		{"a refill, and at once another tote of the same content", 600, func(n *night) {
			n.run(90, 0, 110, 0)
			lifted(n, 200, -165)
		}, [2]Kind{Refill, Swap}, [2]float64{165, -165}, false},
		{"a refill, at once another tote, and then off", 500, func(n *night) {
			n.run(120, 0, 110, 0)
			lifted(n, 200, -300)
			n.off(900, 0)
		}, [2]Kind{Refill, Swap}, [2]float64{220, -300}, false},
		{"another tote, and at once a refill", 700, func(n *night) {
			lifted(n, 200, -300)
			n.run(120, 0, 80, 0)
		}, [2]Kind{Swap, Refill}, [2]float64{-300, 160}, false},
		{"a refill, and at once a transfer", 400, func(n *night) {
			n.run(120, 0, 120, 0)
			n.run(30, 0, -208, 0)
		}, [2]Kind{Refill, Transfer}, [2]float64{240, -104}, false},
		{"a transfer, and at once a refill", 700, func(n *night) {
			n.run(40, 0, -208, 0)
			n.run(90, 0, 150, 0)
		}, [2]Kind{Transfer, Refill}, [2]float64{-138.7, 225}, false},
		{"another tote, and a transfer 80 s later", 700, func(n *night) {
			lifted(n, 200, -100)
			n.run(80, 0, 0, 0)
			n.run(30, 0, -208, 0)
		}, [2]Kind{Swap, Transfer}, [2]float64{-100, -104}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			const seeds = 60
			found, held, widest := 0, 0, 0.0
			for seed := range uint64(seeds) {
				n := newNight(12000+seed, c.held)
				n.quiet(2, func() { c.happens(n) })
				got := Changes(n.all(), terms())
				if len(got) != 2 || got[0].Kind != c.kinds[0] || got[1].Kind != c.kinds[1] {
					t.Logf("seed %d: %+v", seed, got)
					continue
				}
				found++
				sum := 0.0
				for i, g := range got {
					sum += g.Volume.Litres()
					widest = max(widest, g.Within.Litres())
					if math.Abs(g.Volume.Litres()-c.litres[i]) <= g.Within.Litres() {
						held++
					}
				}
				if want := c.litres[0] + c.litres[1]; math.Abs(sum-want) > 9 { // the net is of settled levels
					t.Errorf("seed %d: %.1f L together, want %.1f", seed, sum, want)
				}
			}
			t.Logf("found %d, volumes within their interval %d of %d, the widest ±%.1f L", found, held, 2*seeds, widest)
			// 95 % of 120 is 114; fewer than 106 has a chance of 0.1 % (binomial, computed).
			if found < seeds || held < 106 || c.exact && widest > 6 {
				t.Errorf("found %d of %d, held %d, the widest ±%.1f L", found, seeds, held, widest)
			}
		})
	}
}

// TestChangeCovers: with readings that scatter as they say, the volume is
// within its 95 % interval in 95 of 100.
func TestChangeCovers(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 95))
	const trials = 4000
	held, found := 0, 0
	for range trials {
		strap, meter := 0.01*r.NormFloat64(), 0.004*r.NormFloat64()
		const u = 0.6
		var points []Point
		v, m := 500.0, 0.0
		in := 50 + 350*r.Float64()
		if r.IntN(2) == 0 {
			in = -in
		}
		for i := range int64(20) {
			if i == 10 {
				v += in
			} else {
				v -= 5
				m += 5
			}
			points = append(points, Point{At: i * 300 * sec, Rest: true, U: quantity.VolumeOf(u / 1000), Tote: "a",
				Volume: quantity.VolumeOf((v*(1+strap) + u*r.NormFloat64()) / 1000), Metered: quantity.VolumeOf(m * (1 + meter) / 1000)})
		}
		got := Changes(points, Terms{ShareU: 0.01, MeterU: 0.004})
		if len(got) == 1 {
			found++
			if math.Abs(got[0].Volume.Litres()-in) <= got[0].Within.Litres() {
				held++
			}
		}
	}
	share := float64(held) / trials
	t.Logf("found %d of %d, %.1f %% within their interval", found, trials, 100*share)
	// 0.95 ± 3.3 standard deviations of a share of 4000.
	if found < trials*999/1000 || math.Abs(share-0.95) > 3.3*math.Sqrt(0.95*0.05/trials) {
		t.Errorf("found %d, held %d of %d", found, held, trials)
	}
}

// TestDetects: the least that is seen is what the uncertainty allows.
func TestDetects(t *testing.T) {
	for _, c := range []struct {
		litres   float64
		low, top int // of 40
	}{{1, 0, 0}, {2, 0, 20}, {6, 39, 40}, {10, 40, 40}} {
		seen := 0
		for seed := range uint64(40) {
			n := newNight(5000+seed, 600)
			n.quiet(2, func() { n.run(30, 0, -2*c.litres, 0) })
			for _, g := range Changes(n.all(), terms()) {
				if g.Volume < 0 && math.Abs(float64(g.Volume)) > float64(g.Within) {
					seen++
				}
			}
		}
		t.Logf("%g L out: seen in %d of 40", c.litres, seen)
		if seen < c.low || seen > c.top {
			t.Errorf("%g L seen in %d of 40", c.litres, seen)
		}
	}
}

func TestWords(t *testing.T) {
	seen := map[string]bool{}
	for k := Refill; k <= Meter; k++ {
		if seen[k.String()] || k.String() == "" {
			t.Errorf("%d is %q", k, k)
		}
		seen[k.String()] = true
	}
	if Kind(200).String() != Meter.String() {
		t.Error("a kind from nowhere")
	}
}
