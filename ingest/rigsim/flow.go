package rigsim

import (
	"math"

	"yardtally/calibrate/quantity"
)

// Times of the hand and the line.
const (
	openMS  = 250             // the trigger takes to open
	shutMS  = 200             // and to shut
	dripTau = 1.2             // s in which the dribble falls to 1/e
	dripMS  = 7200            // after which nothing drips any more
	giveUp  = int64(8 * 60e3) // ms after which the hand lets go whatever came
	dryMS   = int64(15e3)     // ms after which it lets go where nothing comes
	tauHose = 1300.0          // s in which a standing hose nears the air: 0.28 L and 0.1 m² a metre, 10 W/m²K
	tauBody = 2400.0          // s, pump and meter
	tauTote = 1e5             // s, a full tote: 3.4 MJ/K over 5.5 m² and 6 W/m²K
	bodyVol = 1.2e-3          // m³ of syrup in pump and meter
)

// flow moves syrup from now to next, ms.
func (r *Rig) flow(next int64) {
	dt := float64(next-r.now) / 1000
	moving := r.open != r.want
	if r.open < r.want {
		r.open = math.Min(r.want, r.open+float64(next-r.now)/openMS)
	} else if r.open > r.want {
		r.open = math.Max(r.want, r.open-float64(next-r.now)/shutMS)
	}
	before := r.q
	if r.open > 0 {
		if moving || r.now%r.glance() == 0 {
			r.look()
		}
		r.q += (r.target - r.q) * (1 - r.ease.left(dt, r.lag))
	} else if r.dripping {
		r.q *= r.dies.left(dt, dripTau)
	} else {
		r.q = 0
	}
	r.book((before + r.q) / 2 * dt)
	r.steady((before+r.q)/2*dt, dt)
	r.gasp(next)

	if r.taskEnd < 0 { // a pull
		f := &r.truth.Fills[len(r.truth.Fills)-1]
		held := next - f.Start.Sub(r.start).Milliseconds()
		dry := held > dryMS && r.q < 1e-7
		if r.airing.on {
			dry = next-r.airing.from > dryMS
		}
		if f.Reached >= f.Aim-r.closing() || held > giveUp || dry {
			if r.want != 0 {
				r.letGo(f)
			}
			r.want = 0
		}
		if r.want == 0 && r.open == 0 {
			f.End, f.Last, f.Settled, f.EndSession, f.Open = r.instant(next), r.count, r.count, r.session, false
			r.taskEnd = next
			r.dripUntil = next + dripMS
			r.q = float64(r.s.Hand.Drip) / float64(quantity.CubicMetre) / dripTau * r.sense.drip()
			r.target = 0
			// A hose that is not full, or has drawn air, has nothing to drip.
			if r.dripping = r.hold.now == r.hold.full && !r.airing.on; !r.dripping {
				r.q = 0
			}
			r.airing.on = false
		}
	} else if r.dripping && next >= r.dripUntil {
		r.dripping, r.q = false, 0
	}
}

// ease is an exponential decay, and what it was last worked out for.
type ease struct{ dt, tau, y float64 }

// left returns what is left after dt of what dies away with tau, s.
func (e *ease) left(dt, tau float64) float64 {
	if e.dt != dt || e.tau != tau {
		*e = ease{dt, tau, math.Exp(-dt / tau)}
	}
	return e.y
}

// closing returns what still passes while the trigger shuts.
func (r *Rig) closing() quantity.Volume { return quantity.VolumeOf(r.q * shutMS / 1000 * 0.8 * r.open) }

// look finds the flow that the line is heading for.
func (r *Rig) look() {
	r.breathe()
	if r.volume <= r.s.Tote.Unusable {
		r.target, r.lag = 0, 0.1
		return
	}
	f, p := &r.lines, &r.line
	r.fluid(f)
	n, static := r.shaft(), r.static(f.rho)
	if r.ailing.restricts {
		r.restrict(n, static, f)
	}
	r.target = p.operate(n, static, f, r.opening(), r.target)
	r.airing.wet = r.target
	r.middle(f)
	// What the pump pays for is spent on speeding the hose's syrup up first.
	area := math.Pi / 4 * float64(p.HoseBore*p.HoseBore)
	drive := math.Max(1000, p.lift(r.target, n, f.rho)+static)
	r.lag = math.Max(0.02, f.rho*float64(p.HoseLength)/area*r.target/drive)
}

// fluid works out what is in the line.
func (r *Rig) fluid(f *fluid) {
	f.rho = density(r.brix, r.tote)
	f.suction = r.viscosity(&r.sips[hoseCells], r.brix, r.tote)
	f.meter = r.viscosity(&r.sips[hoseCells+1], r.bodyBrix, r.body)
	for i, t := range r.hose {
		f.hose[i] = r.viscosity(&r.sips[i], r.hoseBrix[i], t)
	}
}

// static returns the pressure of the height of the tote's surface over the
// nozzle, less what the tote sucks, Pa.
func (r *Rig) static(rho float64) float64 { return r.height(rho) - r.suck() }

func (r *Rig) height(rho float64) float64 {
	p := &r.s.Plumbing
	return rho * gravity * float64(r.level()+p.ToteFloor-p.Nozzle)
}

// book takes dv m³ out of the tote and counts them.
func (r *Rig) book(dv float64) {
	r.carry += dv * float64(quantity.CubicMetre)
	n := quantity.Volume(r.carry)
	if n > r.volume {
		n = r.volume
	}
	r.carry -= float64(n)
	r.volume -= n
	t := &r.truth
	t.Total += n
	if len(t.Fills) == 0 {
		return
	}
	f := &t.Fills[len(t.Fills)-1]
	if d := &r.dense; d.mu == 0 || d.brix != r.bodyBrix || d.t != r.body {
		*d = sip{r.bodyBrix, r.body, solids(r.bodyBrix, r.body)}
	}
	reached, kg := r.hold.pass(n, r.dense.mu)
	if f.Open {
		f.Volume += n
		f.Reached += reached
		f.Solids += quantity.Mass(kg)
	} else {
		f.Dribble += n
	}
	switch {
	case f.Kind == Proving:
		t.Proved += n
	case !f.feeding():
		t.Ground += n
	default:
		y := &t.Yards[r.yardAt]
		if f.Open {
			if f.Volume == n && n > 0 {
				y.Fills++
			}
			t.Filled += n
			y.Filled += n
		} else {
			t.Dribble += n
			y.Dribble += n
		}
	}
	if r.upAt > r.now { // the board is starting
		t.Missed += n
		t.Restarts[len(t.Restarts)-1].Missed += n
	} else {
		m := &r.s.Meter
		slip := m.Slip
		if r.q > 0 && r.lines.meter > 0 {
			slip += math.Min(0.5, m.SlipViscous/(r.lines.meter*r.q))
		}
		r.turns += n.Litres() * m.PulsesPerL * (1 - slip) * r.ailing.drift
		if m.Jitter > 0 {
			r.jitter()
		} else if whole := math.Floor(r.turns); whole > 0 {
			r.count += uint64(whole)
			r.turns -= whole
		}
	}
	if !f.Open {
		f.Settled = r.count
	}
	// Shift the hose on when it has moved a thousandth of its volume.
	r.moved += n.CubicMetres()
	area := math.Pi / 4 * float64(r.s.Plumbing.HoseBore*r.s.Plumbing.HoseBore)
	cell := area * float64(r.s.Plumbing.HoseLength) / hoseCells
	if r.moved > cell/100 {
		share := math.Min(1, r.moved/cell)
		for i := hoseCells - 1; i > 0; i-- {
			r.hose[i] += share * (r.hose[i-1] - r.hose[i])
			r.hoseBrix[i] += share * (r.hoseBrix[i-1] - r.hoseBrix[i])
		}
		r.hoseBrix[0] += share * (r.bodyBrix - r.hoseBrix[0])
		r.hose[0] += share * (r.body - r.hose[0])
		r.body += math.Min(1, r.moved/bodyVol) * (r.tote - r.body)
		r.bodyBrix += math.Min(1, r.moved/bodyVol) * (r.brix - r.bodyBrix)
		r.moved = 0
	}
}

// cool lets stepHeat of cold in.
func (r *Rig) cool() {
	const dt = stepHeat / 1000.0
	air := r.air(r.now)
	r.tote += (air - r.tote) * dt / tauTote
	r.body += (air - r.body) * dt / tauBody
	if r.away && r.pumping {
		r.body = math.Min(boils, r.body+r.churn()*dt)
	}
	for i := range r.hose {
		r.hose[i] += (air - r.hose[i]) * dt / tauHose
	}
}
