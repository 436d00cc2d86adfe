package tote

import (
	"math"
	"slices"
	"testing"

	"yardtally/calibrate/quantity"
)

// TestDoubts: what the meter counts and the tote does not give accuses the
// flows that it can be, and says so if it cannot tell which.
func TestDoubts(t *testing.T) {
	for _, c := range []struct {
		name    string
		held    float64
		happens func(n *night)
		why     string
		sure    bool
		excess  float64
		exact   bool // just the false flows are accused
	}{
		{"ignition noise of 12 L while standing", 700, func(n *night) {
			n.run(120, 0, 0, 0)
			n.pull(90, 0, 0, 8)
			n.run(120, 0, 0, 0)
		}, NoFall, true, 12, true},
		{"noise of 0.8 L/min for 20 min", 700, func(n *night) {
			n.run(120, 0, 0, 0)
			n.pull(1200, 0, 0, 0.8)
			n.run(120, 0, 0, 0)
		}, NoFall, true, 16, true},
		{"one false flow of 25 L between two pulls", 700, func(n *night) {
			n.run(120, 0, 0, 0)
			n.pull(30, 8, 0, 0)
			n.pull(60, 0, 0, 25)
			n.pull(30, 8, 0, 0)
			n.run(120, 0, 0, 0)
		}, LessFall, true, 25, true},
		{"each of five pulls counts double", 700, func(n *night) {
			n.run(120, 0, 0, 0)
			for range 5 {
				n.pull(30, 8, 0, 8)
				n.run(5, 0, 0, 0)
			}
			n.run(120, 0, 0, 0)
		}, LessFall, false, 20, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			const seeds = 60
			found, named, held, exact := 0, 0, 0, 0
			for seed := range uint64(seeds) {
				n := newNight(3000+seed, c.held)
				var ghosts []int
				n.quiet(2, func() {
					first := len(n.flows)
					c.happens(n)
					for i := first; i < len(n.flows); i++ {
						if n.given[i] == 0 {
							ghosts = append(ghosts, i)
						}
					}
				})
				got := Doubts(n.all(), n.flows, terms())
				if len(got) != 1 {
					t.Logf("seed %d: %d doubts %+v", seed, len(got), got)
					continue
				}
				found++
				d := got[0]
				if d.Why == c.why && d.Sure == c.sure {
					named++
				} else {
					t.Logf("seed %d: %s sure %v, %v ± %v of %v, %v not %v", seed, d.Why, d.Sure, d.Excess, d.Within, d.Metered, d.Flows, ghosts)
				}
				if math.Abs(d.Excess.Litres()-c.excess*(1+n.meter)) <= d.Within.Litres() {
					held++
				}
				if slices.Equal(d.Flows, ghosts) {
					exact++
				} else if d.Sure {
					t.Logf("seed %d: accuses %v, false are %v", seed, d.Flows, ghosts)
				}
			}
			t.Logf("found %d, named %d, just the false ones %d, excess within its interval %d of %d", found, named, exact, held, seeds)
			if found < seeds || named < seeds*9/10 || held < 52 || c.exact && exact < seeds*9/10 {
				t.Errorf("found %d, named %d, exact %d, held %d", found, named, exact, held)
			}
		})
	}
}

// TestEmpty: with the level at the outlet, what the meter counts is air.
func TestEmpty(t *testing.T) {
	const seeds = 60
	found, right, held, lost, same, off := 0, 0, 0, 0.0, 0, 0.0
	for seed := range uint64(seeds) {
		n := newNight(4000+seed, 75)
		n.run(200, 0, 0, 0)
		air, since, part := 0.0, int64(0), 1.0
		first := -1
		for len(n.flows) < 24 && air < 20 {
			from, was := n.at, n.metered
			dry := 0
			for range 30 {
				if n.held > 12 {
					n.run(1, 8, 0, 0)
				} else {
					if since == 0 {
						since, first = n.at, len(n.flows)
					}
					n.run(1, 0, 0, 14)
					air += 14.0 / 60
					dry++
				}
			}
			v := quantity.VolumeOf((n.metered - was) / 1000)
			if dry > 0 && len(n.flows) == first {
				part = float64(dry) * 14 / 60 / (v.Litres() / (1 + n.meter))
			}
			n.flows = append(n.flows, Flow{Start: from, End: n.at, Volume: v})
			n.run(30, 0, 0, 0)
		}
		n.run(120, 0, 0, 0)
		got := Doubts(n.all(), n.flows, terms())
		if len(got) != 1 || got[0].Why != Empty || !got[0].Sure {
			t.Logf("seed %d: %+v\n%+v", seed, got, Changes(n.all(), terms()))
			continue
		}
		found++
		d := got[0]
		if k := d.Flows[0]; d.Flows[len(d.Flows)-1] == len(n.flows)-1 && k >= first-1 && k <= first+1 &&
			d.Since > since-20*sec && d.Since < since+40*sec {
			right++
		} else {
			t.Logf("seed %d: %v from %d, %d s off, part %.2f not %.2f", seed, d.Flows, first, (d.Since-since)/sec, d.Part, part)
		}
		if d.Flows[0] == first {
			same++
			off += math.Abs(d.Part - part)
		}
		lost += air*(1+n.meter) - d.Excess.Litres()
		if math.Abs(d.Excess.Litres()-(n.ghosts[d.To]-n.ghosts[d.From])) <= d.Within.Litres() {
			held++
		}
	}
	lost /= seeds
	off /= float64(same)
	t.Logf("found %d, flows and instant right %d, air within its interval %d of %d; %.2f L of 20 L not seen in the mean; the first flow found in %d, its part of air off by %.2f",
		found, right, held, seeds, lost, same, off)
	if same < 30 || off > 0.2 || found < seeds || right < 54 || held < 52 || lost > 1 {
		t.Errorf("found %d, right %d, held %d", found, right, held)
	}
}

// TestEmptyAfterBurst: pulses faster than the line before the air are not taken
// for air, nor the pulls after them.
func TestEmptyAfterBurst(t *testing.T) {
	for seed := range uint64(6) {
		n := newNight(7000+seed, 32)
		n.run(200, 0, 0, 0)
		pull := func(stray bool, s int, through, ghost float64) {
			from, was := n.at, n.metered
			n.run(s, through, 0, ghost)
			n.flows = append(n.flows, Flow{Start: from, End: n.at, Volume: quantity.VolumeOf((n.metered - was) / 1000), Stray: stray})
			n.run(30, 0, 0, 0)
		}
		pull(true, 3, 0, 500) // 25 L
		for range 4 {
			pull(false, 30, 10, 0)
		}
		for n.held > 12.2 {
			pull(false, 20, 0.1+min(10, 3*(n.held-12.1)), 0)
		}
		first := len(n.flows)
		for range 3 {
			pull(false, 20, 0, 20)
		}
		n.run(120, 0, 0, 0)
		got := Doubts(n.all(), n.flows, terms())
		if len(got) != 1 || got[0].Why != Empty || got[0].Flows[0] < first-1 {
			t.Errorf("seed %d: %+v, air began with flow %d", seed, got, first)
		}
	}
}

// TestDoubtWhileOff: with the rig off in between, something may have gone in.
func TestDoubtWhileOff(t *testing.T) {
	l := quantity.Litre
	p := func(at, metered, silent int64) Point {
		return Point{At: at * sec, Rest: true, Volume: 500 * l, U: l, Metered: quantity.Volume(metered) * l, Tote: "a", Silent: silent * sec}
	}
	flows := []Flow{{Start: 3700 * sec, End: 3750 * sec, Volume: 30 * l}}
	for _, silent := range []int64{0, 3500} {
		points := []Point{p(0, 0, 0), p(3800, 30, silent), p(3900, 30, 0)}
		got, changes := Doubts(points, flows, Terms{}), Changes(points, Terms{})
		if len(got) != 1 || got[0].Why != NoFall || got[0].Sure != (silent == 0) || len(got[0].Flows) != 1 {
			t.Errorf("silent %d s: %+v", silent, got)
		}
		if len(changes) != 1 || changes[0].Kind != Meter || changes[0].Sure != (silent == 0) {
			t.Errorf("silent %d s: %+v", silent, changes)
		}
	}
}

// TestFilledMeanwhile: a refill between the same two points leaves no flow accused.
func TestFilledMeanwhile(t *testing.T) {
	l := quantity.Litre
	p := func(at, held, metered int64) Point {
		return Point{At: at * sec, Rest: true, Volume: quantity.Volume(held) * l, U: l, Metered: quantity.Volume(metered) * l, Tote: "a"}
	}
	points := []Point{p(0, 500, 0), p(60, 420, 150), p(120, 440, 170), p(180, 400, 260), p(240, 400, 260)}
	flows := []Flow{{Start: 10 * sec, End: 50 * sec, Volume: 150 * l}, {Start: 70 * sec, End: 80 * sec, Volume: 20 * l}, {Start: 130 * sec, End: 170 * sec, Volume: 90 * l}}
	got := Doubts(points, flows, Terms{})
	for _, d := range got {
		if d.Why == Filled && (d.Sure || len(d.Flows) > 0) {
			t.Errorf("%+v", d)
		}
	}
	if len(got) == 0 {
		t.Error("no doubt")
	}
}
