package rigsim

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
)

// gravity is standard gravity, exact (NIST SP 811 appendix B.8), m/s².
const gravity = 9.80665

// Plumbing is everything the syrup passes on its way to a colony.
type Plumbing struct {
	// The pump's head is Shutoff*(n/RatedSpeed)² - Droop*Q², as the affinity
	// laws have it: H in m, n the shaft speed, Q in m³/s.
	Shutoff    quantity.Length
	RatedSpeed quantity.Frequency
	Droop      float64            // s²/m⁵
	Speed      quantity.Frequency // where the governor holds the engine
	Hunting    float64            // how far the speed swings about it, fraction

	SuctionBore, SuctionLength quantity.Length
	SuctionLoss                float64 // sum of minor losses, velocity heads
	MeterLoss                  float64 // pressure over viscosity and flow, 1/m³
	HoseBore, HoseLength       quantity.Length
	HoseLoss                   float64         // sum of minor losses, velocity heads
	Roughness                  quantity.Length // of suction and hose
	NozzleBore                 quantity.Length
	NozzleDischarge            float64 // discharge coefficient of the open trigger
	NozzleLaminar              float64 // K1 of its loss K1/Re

	ToteFloor quantity.Length // tote's floor above the ground
	Nozzle    quantity.Length // nozzle above the ground
}

// DefaultPlumbing is an invented but ordinary rig: a two-inch semi-trash pump
// a little above idle and 30 m of 3/4-inch hose, a shade wider than its label.
func DefaultPlumbing() Plumbing {
	return Plumbing{
		Shutoff: 30, RatedSpeed: 3600 * quantity.PerMinute, Droop: 3e5,
		Speed: 2200 * quantity.PerMinute, Hunting: 0.012,
		SuctionBore: 2 * quantity.Inch, SuctionLength: 4, SuctionLoss: 4,
		MeterLoss: 5e8,
		HoseBore:  0.0197, HoseLength: 30, HoseLoss: 6, Roughness: 1.5e-6,
		NozzleBore: 0.0105, NozzleDischarge: 0.8, NozzleLaminar: 300,
		ToteFloor: 0.65, Nozzle: 0.9,
	}
}

// HoseVolume returns what the hose holds, from the meter to the nozzle.
func (p *Plumbing) HoseVolume() quantity.Volume {
	return quantity.VolumeOf(math.Pi / 4 * float64(p.HoseBore*p.HoseBore*p.HoseLength))
}

func (p *Plumbing) check() error {
	for _, x := range []struct {
		field  string
		v      float64
		lo, hi float64
	}{
		{"shutoff", float64(p.Shutoff), 1, 500},
		{"rated_speed", float64(p.RatedSpeed), 1, 500},
		{"droop", p.Droop, 0, 1e12},
		{"speed", float64(p.Speed), 0.1, 500},
		{"hunting", p.Hunting, 0, 0.2},
		{"suction_bore", float64(p.SuctionBore), 0.005, 0.5},
		{"suction_length", float64(p.SuctionLength), 0, 100},
		{"suction_loss", p.SuctionLoss, 0, 1000},
		{"meter_loss", p.MeterLoss, 0, 1e12},
		{"hose_bore", float64(p.HoseBore), 0.003, 0.2},
		{"hose_length", float64(p.HoseLength), 0.5, 1000},
		{"hose_loss", p.HoseLoss, 0, 1000},
		{"roughness", float64(p.Roughness), 0, 0.001},
		{"nozzle_bore", float64(p.NozzleBore), 0.0005, 0.2},
		{"nozzle_discharge", p.NozzleDischarge, 0.05, 1},
		{"nozzle_laminar", p.NozzleLaminar, 0, 1e5},
		{"tote_floor", float64(p.ToteFloor), 0, 5},
		{"nozzle", float64(p.Nozzle), 0, 5},
	} {
		if err := within("plumbing."+x.field, x.v, x.lo, x.hi); err != nil {
			return err
		}
	}
	return nil
}

func within(field string, v, lo, hi float64) error {
	if math.IsNaN(v) || v < lo || v > hi {
		return fmt.Errorf("%s: must be between %g and %g, is %g", field, lo, hi, v)
	}
	return nil
}

// churchill returns the Darcy friction factor for all regimes: S. W. Churchill,
// Chemical Engineering 84 (1977) no. 24, 91. Re > 0, rel is roughness over bore.
// Below Re 1000 the other terms are under 1e-12 of the laminar one.
func churchill(re, rel float64) float64 {
	if re < 1000 {
		return 64 / re
	}
	a := math.Pow(2.457*math.Log(1/(math.Pow(7/re, 0.9)+0.27*rel)), 16)
	b := math.Pow(37530/re, 16)
	return 8 * math.Pow(math.Pow(8/re, 12)+math.Pow(a+b, -1.5), 1.0/12)
}

// hoseCells is in how many plugs of syrup, each with its temperature, the hose
// is thought of.
const hoseCells = 10

// fluid is the syrup along the line.
type fluid struct {
	rho     float64            // kg/m³
	suction float64            // viscosity in the suction line, Pa·s
	meter   float64            // in pump and meter
	hose    [hoseCells]float64 // along the hose, from the meter on
}

func even(rho, mu float64) *fluid {
	f := &fluid{rho: rho, suction: mu, meter: mu}
	for i := range f.hose {
		f.hose[i] = mu
	}
	return f
}

// pipe returns the pressure lost in Pa over a length of pipe (m) at q > 0 m³/s.
func pipe(q, rho, mu, bore, length, rough, minor float64) float64 {
	v := q / (math.Pi / 4 * bore * bore)
	re := rho * v * bore / mu
	return (churchill(re, rough/bore)*length/bore + minor) * rho * v * v / 2
}

// loss returns the pressure in Pa that the line takes at q > 0 m³/s, with the
// trigger open to this share of its area.
func (p *Plumbing) loss(q float64, f *fluid, open float64) float64 {
	dp := pipe(q, f.rho, f.suction, float64(p.SuctionBore), float64(p.SuctionLength), float64(p.Roughness), p.SuctionLoss)
	dp += p.MeterLoss * f.meter * q
	return dp + p.after(q, f, open)
}

// after returns the part of the loss that is downstream of the meter.
func (p *Plumbing) after(q float64, f *fluid, open float64) float64 {
	bore, length := float64(p.HoseBore), float64(p.HoseLength)/hoseCells
	rel, minor := float64(p.Roughness)/bore, p.HoseLoss/hoseCells
	v := q / (math.Pi / 4 * bore * bore)
	dp := 0.0
	for _, mu := range f.hose { // pipe, cell by cell
		re := f.rho * v * bore / mu
		dp += (churchill(re, rel)*length/bore + minor) * f.rho * v * v / 2
	}
	d := float64(p.NozzleBore) * math.Sqrt(open)
	v = q / (math.Pi / 4 * d * d)
	orifice := v / p.NozzleDischarge
	return dp + f.rho/2*orifice*orifice + p.NozzleLaminar*f.hose[hoseCells-1]*v/(2*d)
}

// lift returns the pressure the pump makes at q m³/s with its shaft at n 1/s.
func (p *Plumbing) lift(q, n, rho float64) float64 {
	s := n / float64(p.RatedSpeed)
	return rho * gravity * math.Max(0, float64(p.Shutoff)*s*s-p.Droop*q*q)
}

// leastFlow and mostFlow bound what flows, m³/s.
const (
	leastFlow = 1e-9
	mostFlow  = 0.02
)

// operate returns the flow in m³/s at which pump and static head (Pa) pay for
// the losses, by bisection: what is left over falls as flow rises, so the root
// is bracketed and the only one. Guess is where to look first.
func (p *Plumbing) operate(n, static float64, f *fluid, open, guess float64) float64 {
	x := crossing{p: p, f: f, n: n, static: static, open: open, hi: math.Inf(1)}
	x.near(guess)
	if !x.over(leastFlow) {
		return 0
	}
	lo, hi := leastFlow, mostFlow
	if guess > leastFlow {
		if g := guess * 1.02; !x.over(g) {
			hi = g
		}
		if g := guess * 0.98; g < hi && x.over(g) {
			lo = g
		}
	}
	for hi-lo > 1e-7*hi {
		mid := lo + (hi-lo)/2
		if x.over(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo + (hi-lo)/2
}

// crossing is where what is left over of pump and static head falls to zero.
// It keeps how far that is known, so that the bisection, whose steps set what
// operate returns, need not work out what it can tell.
type crossing struct {
	p               *Plumbing
	f               *fluid
	n, static, open float64
	lo, hi          float64 // something is left over at lo and below, nothing at hi and above
}

func (x *crossing) left(q float64) float64 {
	y := x.p.lift(q, x.n, x.f.rho) + x.static - x.p.loss(q, x.f, x.open)
	if y > 0 {
		x.lo = math.Max(x.lo, q)
	} else {
		x.hi = math.Min(x.hi, q)
	}
	return y
}

// over reports whether at q something is left over.
func (x *crossing) over(q float64) bool {
	return q <= x.lo || q < x.hi && x.left(q) > 0
}

// near closes in by secants, as far as that goes.
func (x *crossing) near(guess float64) {
	const close = 4e-8 // half of what bisection ends with
	if guess <= leastFlow {
		guess = 1e-4
	}
	a, b := guess, guess*1.001
	ya, yb := x.left(a), x.left(b)
	for range 10 {
		q := b - yb*(b-a)/(yb-ya)
		if !(q > x.lo && q < x.hi) {
			q = (x.lo + math.Min(x.hi, mostFlow)) / 2
		}
		if q < leastFlow || q > mostFlow {
			return
		}
		if math.Abs(q-b) < close*q {
			x.over(q * (1 - close))
			x.over(q * (1 + close))
			return
		}
		a, ya = b, yb
		b, yb = q, x.left(q)
	}
}
