package tote

import (
	"math"
	"math/rand/v2"

	"yardtally/calibrate/quantity"
)

// night is a tote simulated second by second, by physics of its own: a box of
// 1.07 m² whose walls bulge by 2 %, a level sensor of 1.3 mm noise read once a
// second, and a meter. The strapping and the meter are each off by a share that
// stays the same all night, and the tote cools.
type night struct {
	r             *rand.Rand
	at            int64
	held, metered float64 // L
	strap, meter  float64 // relative errors
	stand         Stand
	level         Level
	keeper        Keeper
	points        []Point
	flows         []Flow
	given         []float64 // L that each flow took from the tote
	offered       int
	silent        int64
	name          string
	series        int
	shift         float64                // L that volumes are off
	every         int                    // s between readings; 0: 1
	began         int64                  // when what is to be found began, where not with all that happens
	wave          float64                // L that the strapping is off, in waves of 150 mm
	past          float64                // L that went past the meter so far, positive in
	ghost         float64                // L counted that did not flow
	pasts, ghosts map[int64]float64      // both by instant
	sensor        func() (float64, bool) // instead of the level; nil: the level
}

const (
	shareU = 0.005
	meterU = 0.005
	top    = 0.9592 // m
)

func newNight(seed uint64, litres float64) *night {
	r := rand.New(rand.NewPCG(seed, 77))
	n := &night{r: r, at: 1_700_000_000 * sec, held: litres, name: "white", pasts: map[int64]float64{}, ghosts: map[int64]float64{}}
	n.strap, n.meter = shareU*r.NormFloat64(), meterU*r.NormFloat64()
	n.stand = Stand{Known: true, Since: n.at}
	return n
}

func litresAt(z float64) float64 {
	return 1070 * (z + 0.02*top/math.Pi*(1-math.Cos(math.Pi*z/top)))
}

func levelOf(litres float64) float64 {
	z := litres / 1070
	for range 4 {
		z -= (litresAt(z) - litres) / (1070 * (1 + 0.02*math.Sin(math.Pi*z/top)))
	}
	return z
}

// run lets s seconds pass, with flows in L/min: through the meter, past it
// (positive in), and pulses without flow.
func (n *night) run(s int, through, past, ghost float64) {
	for range s {
		n.at += sec
		n.held += (past - through) / 60
		n.past += past / 60
		n.ghost += ghost / 60 * (1 + n.meter)
		n.held -= n.held * 0.3 * 3.8e-4 / 3600 // 0.3 K/h
		n.metered += (through + ghost) / 60 * (1 + n.meter)
		z, ok := levelOf(n.held)+0.0013*n.r.NormFloat64(), true
		if n.sensor != nil {
			z, ok = n.sensor()
		} else if n.stand.Moving {
			z += 0.03 * math.Sin(5.1*float64(n.at/sec))
		}
		if ok && n.at/sec%int64(max(1, n.every)) == 0 {
			n.level.Add(n.at, z)
		}
		if n.at/sec%10 == 0 {
			n.offer()
		}
	}
}

func (n *night) offer() {
	set := n.level.Settle(n.at, n.stand, Rule{})
	u := set.U
	if !set.OK() {
		u = max(set.U, set.Spread, 0.01)
	}
	p := Point{At: n.at, Rest: set.OK(), Why: set.Why, Tote: n.name, Series: n.series, Silent: n.silent,
		Volume: quantity.VolumeOf((litresAt(set.Value)*(1+n.strap) + n.shift + n.wave*math.Sin(2*math.Pi*set.Value/0.15)) / 1000), U: quantity.VolumeOf(1.07 * u),
		Metered: quantity.VolumeOf(n.metered / 1000)}
	n.silent = 0
	n.offered++
	n.pasts[n.at], n.ghosts[n.at] = n.past, n.ghost
	keep, k := n.keeper.Offer(p)
	n.points = append(n.points, keep[:k]...)
}

// pull is a metered flow; ghost and past as in run.
func (n *night) pull(s int, through, past, ghost float64) {
	from, was := n.at, n.metered
	n.run(s, through, past, ghost)
	v := quantity.VolumeOf((n.metered - was) / 1000)
	n.flows = append(n.flows, Flow{Start: from, End: n.at, Volume: v, U: v / 200, Rate: quantity.Flow(through+ghost) * quantity.LitrePerMinute})
	n.given = append(n.given, through*float64(s)/60)
}

func (n *night) drive(s int) {
	n.stand = Stand{Known: true, Moving: true, Since: n.at}
	n.run(s, 0, 0, 0)
	n.stand = Stand{Known: true, Since: n.at}
}

// off powers the rig off for s seconds, in which litres go in.
func (n *night) off(s int, litres float64) {
	n.at += int64(s) * sec
	n.silent = int64(s) * sec
	n.put(litres)
	n.stand = Stand{Known: true, Since: n.at}
}

// put puts litres in at once.
func (n *night) put(litres float64) {
	n.held += litres
	n.past += litres
}

// yard feeds a yard: pulls of 3 to 5 L.
func (n *night) yard(pulls int) {
	n.run(120+n.r.IntN(120), 0, 0, 0)
	for range pulls {
		n.pull(22+n.r.IntN(16), 8, 0, 0)
		n.run(20+n.r.IntN(30), 0, 0, 0)
	}
	n.run(60+n.r.IntN(60), 0, 0, 0)
}

// quiet is a night of yards, with what happens in the midst of it.
func (n *night) quiet(yards int, happens func()) {
	for i := range yards {
		n.drive(200 + n.r.IntN(300))
		n.yard(8 + n.r.IntN(8))
		if happens != nil && i == yards/2-1 {
			happens()
			n.run(120, 0, 0, 0)
		}
	}
}

// all returns the points kept, and the newest.
func (n *night) all() []Point {
	points := n.points[:len(n.points):len(n.points)]
	if p, ok := n.keeper.Pending(); ok {
		points = append(points, p)
	}
	return points
}

func terms() Terms {
	return Terms{ShareU: shareU, MeterU: meterU, Outlet: 12 * quantity.Litre, OutletU: quantity.Litre}
}
