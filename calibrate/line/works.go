package line

import "math"

// nudge is what is tried about a line and its conditions: logarithms of factors, but for reel
// (metres more of the hose on it, as part of its length), kelvin and solids.
type nudge struct {
	bore, pressure, viscosity, friction, reel, kelvin, solids float64
}

func (n nudge) plus(m nudge) nudge {
	return nudge{n.bore + m.bore, n.pressure + m.pressure, n.viscosity + m.viscosity,
		n.friction + m.friction, n.reel + m.reel, n.kelvin + m.kelvin, n.solids + m.solids}
}

// tube is a pipe of one bore, in plain numbers.
type tube struct {
	bore, rough float64 // m; roughness by bore
	toRe        float64 // Re is toRe·q/µ
	toHead      float64 // a velocity head is toHead·q², Pa
}

func newTube(bore, roughness, rho float64) tube {
	area := math.Pi / 4 * bore * bore
	return tube{bore, roughness / bore, rho / area * bore, rho / 2 / (area * area)}
}

// works is a line under its conditions, ready to be asked for the pressure left at a flow.
type works struct {
	weight           float64 // ρg
	pump             curve
	lift             float64 // Pa that the tote stands above the nozzle
	suction, hose    tube
	suctionLength    float64
	suctionMu        float64
	bodyMu           float64
	suctionFittings  Fitting
	hoseFittings     Fitting
	mu               [Cells]float64
	wound, laid      [Cells]float64 // m of hose in the cell, on the reel and off
	turns, critical  float64        // bore by the drum's diameter; the coil's critical Re
	friction         float64        // factor on the hose's
	screenV, screenS float64        // Pa by q and by q²
	meterV, meterS   float64
	nozzleV, nozzleS float64
	beyond           bool // the pump's correction is
	gauged           bool // pump stands for what a gauge at its outlet shows
}

func (w *works) set(l *Line, c *Conditions, n nudge) {
	rho := float64(c.Density)
	w.weight = rho * gravity
	var mu [Cells + 2]float64
	shift := n != nudge{}
	for i := range mu {
		s := c.section(i)
		mu[i] = float64(s.Viscosity)
		if shift {
			mu[i] *= math.Exp(n.viscosity + s.PerKelvin*n.kelvin + s.PerSolids*n.solids)
		}
	}
	w.suctionMu, w.bodyMu = mu[0], mu[1]
	copy(w.mu[:], mu[2:])

	speed := float64(c.Speed)
	if speed == 0 {
		speed = float64(l.Pump.Idle)
	}
	w.pump, w.beyond = l.Pump.at(speed, w.bodyMu/rho, math.Exp(n.pressure))
	w.lift = w.weight * float64(l.Heights.ToteFloor+c.Level-l.Heights.Nozzle)
	if w.gauged = c.Outlet > 0; w.gauged {
		w.pump = curve{shut: float64(c.Outlet) / w.weight * math.Exp(n.pressure), cq: 1}
		w.beyond = false
		w.lift = w.weight * float64(l.Heights.Pump-l.Heights.Nozzle)
	}
	w.suction = newTube(float64(l.Suction.Bore), float64(l.Roughness), rho)
	w.suctionLength, w.suctionFittings = float64(l.Suction.Length), l.Suction.Fittings

	w.hose = newTube(float64(l.Hose.Bore)*math.Exp(n.bore), float64(l.Roughness), rho)
	w.hoseFittings, w.friction = l.Hose.Fittings, math.Exp(n.friction)
	w.turns, w.critical = 0, straight
	if l.Hose.Drum > 0 {
		w.turns = w.hose.bore / float64(l.Hose.Drum)
		w.critical = Schmidt(w.turns)
	}
	cell := float64(l.Hose.Length) / Cells
	onReel := float64(l.Hose.OnReel) + n.reel*float64(l.Hose.Length)
	for i := range w.wound {
		w.wound[i] = min(max(0, onReel-float64(i)*cell), cell)
		w.laid[i] = cell - w.wound[i]
	}

	w.screenV, w.screenS = l.Screen.Viscous*w.bodyMu, l.Screen.Square*rho
	w.meterV, w.meterS = l.Meter.Viscous*w.bodyMu, l.Meter.Square*rho
	open := c.Open
	if open == 0 {
		open = 1
	}
	area := math.Pi / 4 * square(float64(l.Nozzle.Bore)) * open
	w.nozzleS = rho / 2 / square(l.Nozzle.Discharge*area)
	w.nozzleV = l.Nozzle.K1 * w.mu[Cells-1] / (4 * area * math.Sqrt(area/math.Pi)) // K1·µ·v/(2d)
}

// fittings returns what K1/Re + K costs at q.
func (t *tube) fittings(f Fitting, q, mu float64) float64 {
	return t.toHead * q * (f.K1*mu/t.toRe + f.K*q)
}

// laid returns what a metre of straight pipe costs at q > 0.
func (t *tube) laid(q, mu float64) float64 {
	return Churchill(t.toRe*q/mu, t.rough) / t.bore * t.toHead * q * q
}

func (t *tube) wound(q, mu, turns, critical float64) float64 {
	return coiled(t.toRe*q/mu, t.rough, turns, critical) / t.bore * t.toHead * q * q
}

func (w *works) suctionLoss(q float64) float64 {
	return w.suction.laid(q, w.suctionMu)*w.suctionLength + w.suction.fittings(w.suctionFittings, q, w.suctionMu)
}

func (w *works) hoseLoss(q float64) float64 {
	var dp, laid, wound, laidMu, woundMu float64
	for i, mu := range w.mu {
		if w.laid[i] > 0 {
			if mu != laidMu { // of one warmth it is the same in every cell
				laid, laidMu = w.hose.laid(q, mu), mu
			}
			dp += laid * w.laid[i]
		}
		if w.wound[i] > 0 {
			if mu != woundMu {
				wound, woundMu = w.hose.wound(q, mu, w.turns, w.critical), mu
			}
			dp += wound * w.wound[i]
		}
	}
	return dp*w.friction + w.hose.fittings(w.hoseFittings, q, w.mu[Cells/2])
}

// after returns the losses from the pump's outlet to the nozzle.
func (w *works) after(q float64) float64 {
	return w.hoseLoss(q) + q*(w.screenV+w.meterV+w.nozzleV+q*(w.screenS+w.meterS+w.nozzleS))
}

// left returns the pressure that pump and lift have left at q > 0; it falls with q.
func (w *works) left(q float64) float64 {
	v := w.weight*w.pump.head(q) + w.lift - w.after(q)
	if !w.gauged {
		v -= w.suctionLoss(q)
	}
	return v
}

// flow returns where nothing is left, 0 if the pump cannot lift the syrup to the nozzle.
//
// It is a bisection whose next look is, where three points agree on a smooth curve, where that curve
// crosses (T. R. Chandrupatla, Advances in Engineering Software 28 (1997) 145; memory): the flow
// stays between a and b throughout.
func (w *works) flow() float64 {
	all := w.weight*w.pump.shut + w.lift
	if !(all > 0) {
		return 0
	}
	// Friction is nowhere less than laminar, and the nozzle alone lets through no more than this.
	laminar := w.screenV + w.meterV + w.nozzleV
	for i, mu := range w.mu {
		laminar += 64 * mu / w.hose.toRe / w.hose.bore * w.hose.toHead * (w.wound[i] + w.laid[i]) * w.friction
	}
	a, b := 1.0001*min(math.Sqrt(all/w.nozzleS), all/laminar), 0.0
	atA, atB, t := w.left(a), all, 0.5
	for range 200 { // halving alone takes some 35
		q := a + t*(b-a)
		v := w.left(q)
		c, atC := a, atA
		if v > 0 != (atA > 0) {
			c, atC, b, atB = b, atB, a, atA
		}
		a, atA = q, v
		least := 1e-10 * a / math.Abs(b-a)
		if v == 0 || least > 0.5 {
			break
		}
		xi, phi := (a-b)/(c-b), (atA-atB)/(atC-atB)
		if t = 0.5; phi*phi < xi && square(1-phi) < 1-xi {
			t = atA/(atB-atA)*atC/(atB-atC) + (c-a)/(b-a)*atA/(atC-atA)*atB/(atC-atB)
		}
		t = min(max(t, least), 1-least)
	}
	return a
}
