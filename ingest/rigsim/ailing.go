package rigsim

import (
	"math"
	"math/rand/v2"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// ail is a fault of the line that begins with a pull.
type ail struct {
	kind        FaultKind
	side        Side
	first, last int     // pulls
	over        int     // pulls over which it grows
	to          float64 // factor, full-grown
	after       int64   // ms into its first pull
	told        int     // index of its span; -1: none yet
}

// factor returns what is left, or how many times, at a pull that it is about in.
func (x *ail) factor(fill int) float64 {
	return 1 + (x.to-1)*min(1, float64(fill-x.first+1)/float64(x.over))
}

// ailing is all that fails.
type ailing struct {
	ails      []ail
	restricts bool  // there is a clog or a kink among them
	fill      int   // newest pull for a colony; -1 before the first
	began     int64 // ms

	throttle, drift, thick float64 // factors
	shut                   bool    // the vent, since the tote held shutAt
	shutAt                 quantity.Volume
	free                   float64 // m³/s: what flowed without restriction when it was last worked out

	spans   []FaultSpan
	sensors []sensorFault
	last    [meter.LastChannel + 1]float64 // said
	spoke   [meter.LastChannel + 1]bool
}

func (a *ailing) set(s *Scenario) {
	a.fill, a.throttle, a.drift, a.thick = -1, 1, 1, 1
	if s.Thickness > 0 {
		a.thick = s.Thickness
	}
	const good = 1 << 30 // pulls
	last := func(first, n int) int {
		if n == 0 {
			return good
		}
		return first + n - 1
	}
	add := func(x ail) { x.told = -1; a.ails = append(a.ails, x) }
	for _, x := range s.Clogs {
		add(ail{kind: Clogged, side: x.Where, first: x.Fill, last: good, over: x.Over, to: x.To})
	}
	for _, x := range s.Kinks {
		add(ail{kind: Kinked, side: DeliverySide, first: x.Fill, last: last(x.Fill, x.For), over: 1, to: x.To, after: x.After.Milliseconds()})
	}
	for _, x := range s.Throttles {
		add(ail{kind: Throttled, first: x.Fill, last: last(x.Fill, x.For), over: 1, to: x.By})
	}
	for _, x := range s.Vents {
		add(ail{kind: Unvented, first: x.Fill, last: last(x.Fill, x.For), over: 1})
	}
	for _, x := range s.Drifts {
		add(ail{kind: Drifted, first: x.Fill, last: good, over: x.Over, to: 1 + x.By})
	}
	a.restricts = len(s.Clogs)+len(s.Kinks) > 0
	a.sensors = sensorFaults(s)
}

// turn takes notice of a pull that begins, and returns its number.
func (r *Rig) turn(feeding bool) int {
	if !feeding {
		return -1
	}
	a := &r.ailing
	a.fill++
	a.began, a.throttle, a.drift = r.now, 1, 1
	shut := false
	for i := range a.ails {
		x := &a.ails[i]
		if a.fill > x.last && x.told >= 0 && a.spans[x.told].To.IsZero() {
			a.spans[x.told].To = r.instant(r.now)
		}
		if a.fill < x.first || a.fill > x.last {
			continue
		}
		switch x.kind {
		case Kinked: // is told when it comes about
			continue
		case Throttled:
			a.throttle *= x.factor(a.fill)
		case Drifted:
			a.drift *= x.factor(a.fill)
		case Unvented:
			shut = true
		}
		r.befall(x)
	}
	if shut && !a.shut {
		a.shutAt = r.volume
	}
	a.shut = shut
	return a.fill
}

// befall writes down that a fault has begun.
func (r *Rig) befall(x *ail) {
	if x.told < 0 {
		x.told = len(r.ailing.spans)
		r.ailing.spans = append(r.ailing.spans, FaultSpan{Kind: x.kind, From: r.instant(r.now)})
	}
}

// shares returns what share of the flow is left on each side.
func (r *Rig) shares() (suction, delivery float64) {
	suction, delivery = 1, 1
	a := &r.ailing
	for i := range a.ails {
		x := &a.ails[i]
		if x.kind != Clogged && x.kind != Kinked || a.fill < x.first || a.fill > x.last ||
			a.fill == x.first && r.now-a.began < x.after {
			continue
		}
		r.befall(x)
		if x.side == SuctionSide {
			suction *= x.factor(a.fill)
		} else {
			delivery *= x.factor(a.fill)
		}
	}
	return suction, delivery
}

// restrict puts what restricts the line now into it, as minor losses of suction
// and hose. They are what makes the shares true at this moment with the trigger
// fully open, and are worked out anew at every look: pump and height pay so much
// more at the lesser flow than the free line takes of it. That may be more than
// the air can press through a screen; then the pump cavitates, and loses the
// rest itself.
func (r *Rig) restrict(n, static float64, f *fluid) {
	free, line := &r.s.Plumbing, &r.line
	line.SuctionLoss, line.HoseLoss = free.SuctionLoss, free.HoseLoss
	suction, delivery := r.shares()
	if suction == 1 && delivery == 1 {
		return
	}
	q := free.operate(n, static, f, 1, r.ailing.free)
	if r.ailing.free = q; q == 0 {
		return
	}
	spare := func(bore float64) float64 { // in velocity heads
		v := q / (math.Pi / 4 * bore * bore)
		return math.Max(0, line.lift(q, n, f.rho)+static-line.loss(q, f, 1)) / (f.rho * v * v / 2)
	}
	if suction < 1 {
		q *= suction
		line.SuctionLoss += spare(float64(line.SuctionBore))
	}
	if delivery < 1 {
		q *= delivery
		line.HoseLoss += spare(float64(line.HoseBore))
	}
}

// The tote without a vent, and the pump without a flow. All of these are
// judgement, no source.
const (
	ambient   = 101325.0 // Pa
	wallsGive = 15e-6    // m³/Pa: a blow-moulded bottle in a cage, some 15 L a kPa over its four sides and the top
	wallsFold = 6000.0   // Pa at which they fold in, and take all that leaves from then on
	leastGas  = 1e-3     // m³ of air under the lid of the fullest tote
	deadPower = 1300.0   // W into the syrup in the casing at the rated speed, no flow: some 40 % of what a two-inch pump takes there
	bodyHeat  = 9500.0   // J/K of pump and meter: 1.2 L of syrup, 4.4 kJ/K, and 8 kg of metal
	boils     = 103.0    // °C, of syrup
)

// suck returns how far the pressure in the tote is below the air's, Pa. Its
// level is taken as that of a tote whose walls stand.
//
// Of a volume v that has left, the walls make up for C*u, and the air under the
// lid, G at first, widens by the rest, x: u = p*x/(G+x), v = x + C*u. So
// x² + (G + C*p - v)*x - v*G = 0.
func (r *Rig) suck() float64 {
	a := &r.ailing
	if !a.shut || r.volume >= a.shutAt {
		return 0
	}
	v := (a.shutAt - r.volume).CubicMetres()
	gas := math.Max(leastGas, (r.s.Tote.Capacity() - a.shutAt).CubicMetres())
	b := gas + wallsGive*ambient - v
	x := (math.Sqrt(b*b+4*v*gas) - b) / 2
	return math.Min(wallsFold, ambient*x/(gas+x))
}

// churn returns how fast the pump warms what stands in it, K/s. Only pauses
// are reckoned with: between two colonies of a yard it stands for too short a
// time, and the next pull takes the heat along.
func (r *Rig) churn() float64 {
	s := r.shaft() / float64(r.s.Plumbing.RatedSpeed)
	return deadPower * s * s * s / bodyHeat
}

// sensorFault is a Fault at work.
type sensorFault struct {
	Fault
	from, to int64 // ms
	rng      *rand.Rand
}

func sensorFaults(s *Scenario) []sensorFault {
	out := make([]sensorFault, len(s.Faults))
	for i, x := range s.Faults {
		from := x.After.Milliseconds()
		out[i] = sensorFault{x, from, from + max(1, x.For.Milliseconds()), stream(s.Seed, seedFault+uint64(i))}
	}
	return out
}

// faulty returns what a sensor says in place of v, if it says anything.
func (r *Rig) faulty(c meter.Channel, v float64) (float64, bool) {
	a := &r.ailing
	for i := range a.sensors {
		x := &a.sensors[i]
		if x.Channel != c || r.now < x.from || r.now >= x.to {
			continue
		}
		switch x.Kind {
		case Stuck:
			if a.spoke[c] {
				v = a.last[c]
			}
		case Noisy:
			v = tidy(c, v+x.Size*x.rng.NormFloat64())
			if (meter.Reading{Channel: c, Value: v}).Check() != nil {
				return 0, false
			}
		case Absent:
			return 0, false
		case Impossible:
			if v = x.Size; v == 0 {
				v = failing[c].never
			}
		}
	}
	a.last[c], a.spoke[c] = v, true
	return v, true
}

// tidy returns v in the steps of its sensor.
func tidy(c meter.Channel, v float64) float64 {
	if c == meter.Pump {
		return math.Round(60*v) / 60
	}
	return round(v, failing[c].step)
}

// faults returns the spans so far, in the order of their start.
func (r *Rig) faults() []FaultSpan {
	out := slices.Clone(r.ailing.spans)
	for _, x := range r.ailing.sensors {
		if x.from <= r.now {
			s := FaultSpan{Kind: x.Kind, Channel: x.Channel, From: r.instant(x.from)}
			if x.to <= r.now {
				s.To = r.instant(x.to)
			}
			out = append(out, s)
		}
	}
	slices.SortStableFunc(out, func(a, b FaultSpan) int { return a.From.Compare(b.From) })
	for i := range out {
		s := &out[i]
		s.FirstFill, s.LastFill = -1, -1
		for k := range r.truth.Fills {
			f := &r.truth.Fills[k]
			if f.Number < 0 || !s.To.IsZero() && !f.Start.Before(s.To) || !f.Open && !f.End.After(s.From) {
				continue
			}
			if s.FirstFill < 0 {
				s.FirstFill = f.Number
			}
			s.LastFill = f.Number
		}
	}
	return out
}

// flat is the steady part of the pull at hand.
type flat struct {
	half         quantity.Volume // of what will pass the meter
	reached      bool            // it is past the middle
	settled      bool
	wide         float64 // s since the trigger was open
	volume, time float64 // m³ and s since it settled, with the trigger open
}

// steady takes in dv m³ in dt s.
func (r *Rig) steady(dv, dt float64) {
	x := &r.flat
	if r.taskEnd >= 0 || r.want == 0 || r.open != r.want || r.dry() {
		return
	}
	// Where the target itself moves, as hot syrup fills a cold hose, the flow
	// stays behind it.
	x.wide += dt
	if x.settled = x.settled || math.Abs(r.q-r.target) <= 0.005*r.target || x.wide > 5*r.lag; x.settled {
		x.volume += dv
		x.time += dt
	}
}

// middle works out, half way through a pull, what would flow without faults.
func (r *Rig) middle(f *fluid) {
	x := &r.flat
	if fill := &r.truth.Fills[len(r.truth.Fills)-1]; !x.reached && fill.Open && fill.Volume >= x.half {
		fill.Clear, x.reached = r.clear(f), true
	}
}

// clear returns what would flow with the trigger fully open, without faults and
// without the governor's hunting.
func (r *Rig) clear(f *fluid) quantity.Flow {
	n := 0.0
	if r.pumping {
		n = float64(r.s.Plumbing.Speed)
	}
	return quantity.Flow(r.s.Plumbing.operate(n, r.height(f.rho), f, 1, r.target))
}

// letGo ends the steady part of a pull.
func (r *Rig) letGo(fill *Fill) {
	x := &r.flat
	if x.time > 0 {
		fill.Plateau = quantity.Flow(x.volume / x.time)
	}
	if !x.reached {
		var f fluid
		r.fluid(&f)
		fill.Clear, x.reached = r.clear(&f), true
	}
}
