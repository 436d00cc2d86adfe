package watch

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/outing"
)

// rig is a plain model of a rig, with constants of its own: a pump whose pressure
// goes with the square of its speed, laminar friction, an orifice. Of syrup the
// formulas are asked, and then wrong.
type rig struct {
	r              *rand.Rand
	shut           float64 // Pa at 40 turns a second
	viscous        float64 // 1/m³
	orifice        float64 // Pa s²/m⁶ by density
	suction        float64 // share of viscous that is before the pump
	wrong          float64 // ln of true viscosity over the formula's
	scatter        float64
	held           float64
	gauge, counter bool // outlet pressure and shaft speed are measured
}

func newRig(seed uint64) *rig {
	r := rand.New(rand.NewPCG(seed, 5))
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	return &rig{r: r, shut: between(1.4e5, 2.2e5), viscous: between(7.5e9, 1.1e10), orifice: between(8e7, 1.8e8), suction: 0.05,
		wrong: 0.04 * r.NormFloat64(), scatter: between(0.005, 0.015), held: 0.07}
}

// evening is what one night has in common.
type evening struct {
	batch        string
	solids, says quantity.Solids
	tote, falls  float64 // °C; by how much air falls in an hour
	cools        float64 // °C; by how much the tote falls in an hour
	throttle     float64
	pulls        int
}

func (g *rig) evening(name string) evening {
	s := quantity.Solids(0.58 + 0.09*g.r.Float64())
	return evening{batch: name, solids: s, says: s + quantity.Solids(0.002*g.r.NormFloat64()), tote: 12 + 12*g.r.Float64(), falls: 1 + 2*g.r.Float64(), cools: 0.3,
		throttle: 1 + 0.02*g.r.NormFloat64(), pulls: 50}
}

// ailment is what is the matter in a pull.
type ailment struct {
	before, after float64 // shares of the flow that are left
	speed         float64 // factor
	solids        quantity.Solids
	topUp         bool
}

var well = ailment{1, 1, 1, 0, false}

const start = int64(1_790_000_000_000_000_000)

// night plays an evening.
func (g *rig) night(e evening, ail func(i int) ailment) []Pull {
	var out []Pull
	at := start
	count := uint64(1000)
	hose := e.tote - 3 // °C; it nears the air in 25 min
	for i := range e.pulls {
		a := well
		if ail != nil {
			a = ail(i)
		}
		hours := float64(at-start) / 3600e9
		air := e.tote - 4 - e.falls*hours
		temp := e.tote - e.cools*hours
		hose = air + (hose-air)*math.Exp(-60.0/1500)
		// What stands in the hose is a quarter of what flows.
		s := syrup.Syrup{Solids: e.solids + a.solids}.Near(quantity.Temperature(temp + (hose-temp)/8))
		hose = temp
		mu, rho := float64(s.Viscosity)*math.Exp(g.wrong), float64(s.Density)
		n := 40 * e.throttle * a.speed
		pressure := g.shut * n * n / 1600
		solve := func(open float64) float64 { // viscous q + orifice q² = pressure
			v, o := g.viscous*mu, g.orifice*rho/open/open
			return (math.Sqrt(v*v+4*o*pressure) - v) / (2 * o)
		}
		open := 1.0
		if g.r.Float64() < g.held {
			open = 0.12 + 0.2*g.r.Float64()
		}
		q := solve(open) * a.before * a.after
		free := g.viscous*mu*(1-g.suction)*q + g.orifice*rho/open/open*q*q
		outlet := pressure - g.viscous*mu*g.suction*q // restricted after the pump
		if a.before < 1 {
			outlet = free
		}
		q *= math.Exp(g.scatter * g.r.NormFloat64())
		took := int64(4e-3 / q * 1e9)
		p := Pull{Session: 7, First: count, Last: count + 530, Start: at, End: at + took, Yard: "larch", Volume: 4 * quantity.Litre, TopUp: a.topUp,
			Syrup: quantity.Temperature(temp), HasSyrup: true}
		p.Pulled = outing.Pulled{Flow: quantity.Flow(q), RelU: 0.002, Steady: took, Air: quantity.Temperature(air), HasAir: true, Tote: quantity.Temperature(temp), HasTote: true,
			Level: quantity.Length(0.9 - 0.003*float64(i)), HasLevel: true, Batch: e.batch, Liquid: syrup.Syrup{Solids: e.says}, SolidsU: 0.002}
		if g.gauge {
			p.Outlet, p.HasOutlet = quantity.Pressure(outlet*(1+0.005*g.r.NormFloat64())), true
		}
		if g.counter {
			p.Speed, p.HasSpeed = quantity.Frequency(n*(1+0.003*g.r.NormFloat64())), true
		}
		out = append(out, p)
		count += 531
		at += took + int64(60e9)
	}
	return out
}

// learnt is what three nights teach of a rig.
func (g *rig) learnt(t testing.TB) *Season {
	t.Helper()
	var nights [][]Pull
	for _, name := range []string{"a", "b", "c"} {
		nights = append(nights, g.night(g.evening(name), nil))
	}
	s, err := Learn(nights, line.Usual())
	if err != nil {
		t.Fatal(err)
	}
	return &s
}

func logOf(pulls []Pull, s *Season) Log {
	label := line.Usual()
	return Make(&Seen{Pulls: pulls, Now: pulls[len(pulls)-1].End}, &label, s)
}

// seeds is how many rigs a test tries.
func seeds(quick, full uint64) uint64 {
	if os.Getenv("YARDTALLY_FULL") != "" {
		return full
	}
	return quick
}
