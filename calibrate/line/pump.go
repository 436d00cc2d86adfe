package line

import (
	"math"

	"yardtally/calibrate/quantity"
)

// Pump is a centrifugal pump as its plate has it, on water at its rated speed. Its head is
// Shutoff·(n/Rated)² - a·Q², as the affinity laws have it, a being Shutoff by MaxFlow squared.
type Pump struct {
	Rated   quantity.Frequency // shaft speed of the plate
	Shutoff quantity.Length    // head at no flow
	MaxFlow quantity.Flow      // flow at no head; 0: head does not fall with flow
	// BestFlow is where the pump is best, for the correction for viscosity; 0: 0.6 of MaxFlow (judgement).
	BestFlow quantity.Flow
	Idle     quantity.Frequency // where the governor holds it, if nobody measures the speed
	Needs    quantity.Length    // suction head (NPSH) it needs; 0: 3 m (judgement)
}

const (
	usualBest  = 0.6
	usualNeeds = 3.0
)

// Shut returns the pressure at no flow, at a shaft speed.
func (p Pump) Shut(speed quantity.Frequency, rho quantity.Density) quantity.Pressure {
	s := float64(speed / p.Rated)
	return quantity.Pressure(float64(rho) * gravity * float64(p.Shutoff) * s * s)
}

// Viscous is what a viscous liquid does to a centrifugal pump.
type Viscous struct {
	B                float64
	Flow, Efficiency float64 // factors CQ and Cη
	Beyond           bool    // B is above 40: taken as 40
}

// ViscousPump returns the corrections of ANSI/HI 9.6.7 for a kinematic viscosity in m²/s, the
// water flow and head at best efficiency, and the shaft speed. Stated for 1 < B < 40 and
// conventional impellers; for B up to 1 there are none. Near shutoff it is outside what it was made
// for, but there it does next to nothing.
func ViscousPump(nu float64, best quantity.Flow, head quantity.Length, speed quantity.Frequency) Viscous {
	b := 16.5 * math.Sqrt(nu*1e6) * pow(float64(head), 0.0625) /
		(pow(float64(best)*3600, 0.375) * pow(float64(speed)*60, 0.25))
	if !(b > 1) {
		return Viscous{b, 1, 1, false}
	}
	at := min(b, 40)
	return Viscous{b, pow(2.71, -0.165*pow(math.Log10(at), 3.15)), pow(at, -0.0547*pow(at, 0.69)), b > 40}
}

// scaled returns the pump as if it ran faster by the root of a factor: its heads grow by the factor,
// and the droop stays.
func (p Pump) scaled(factor float64) Pump {
	faster := quantity.Flow(math.Sqrt(factor))
	p.Shutoff *= quantity.Length(factor)
	p.MaxFlow *= faster
	p.BestFlow *= faster
	return p
}

// curve is a pump at one speed with one liquid, in plain numbers; scale is as scaled has it.
type curve struct {
	shut, droop float64 // m; s²/m⁵
	cq, best    float64 // best 0: no correction
}

func (p *Pump) at(speed, nu, scale float64) (c curve, beyond bool) {
	s := speed / float64(p.Rated)
	c = curve{shut: float64(p.Shutoff) * scale * s * s, cq: 1}
	if p.MaxFlow == 0 {
		return c, false
	}
	c.droop = float64(p.Shutoff) / square(float64(p.MaxFlow))
	best := float64(p.BestFlow)
	if best == 0 {
		best = usualBest * float64(p.MaxFlow)
	}
	c.best = best * s * math.Sqrt(scale)
	v := ViscousPump(nu, quantity.Flow(c.best), quantity.Length(c.shut-c.droop*c.best*c.best), quantity.Frequency(speed))
	c.cq = v.Flow
	return c, v.Beyond
}

// head returns the head in m at q m³/s; it falls with q.
func (c *curve) head(q float64) float64 {
	water := q / c.cq
	h := c.shut - c.droop*water*water
	if c.cq < 1 && h > 0 {
		r := math.Sqrt(water / c.best)
		h *= max(0, 1-(1-c.cq)*r*math.Sqrt(r)) // to the power of 0.75
	}
	return h
}
