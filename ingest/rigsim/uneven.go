package rigsim

import (
	"math"
	"math/rand/v2"
)

// uneven is what a meter and a hand add to an even flow: the marks that a meter
// counts by are not quite equally far apart, nor its chambers equally large, and
// a trigger is held by a hand.
type uneven struct {
	rng   *rand.Rand
	next  float64    // what the next pulse turns, as a share of a usual one
	phase [3]float64 // of the hand
}

// sways are the hand's: periods, s, and shares. Invented.
var sways = [3]struct{ period, share float64 }{{0.9, 0.4}, {2.3, 0.4}, {5.7, 0.2}}

func (u *uneven) set(s *Scenario) {
	u.rng, u.next = stream(s.Seed, seedJitter), 1
	rng := stream(s.Seed, seedTremble)
	for i := range u.phase {
		u.phase[i] = 2 * math.Pi * rng.Float64()
	}
}

// jitter counts what has turned by pulses that are not alike.
func (r *Rig) jitter() {
	u := &r.uneven
	for r.turns >= u.next {
		r.turns -= u.next
		r.count++
		u.next = math.Max(0.1, 1+r.s.Meter.Jitter*u.rng.NormFloat64())
	}
}

// opening is how far the trigger is open: a hand that trembles shuts it a little.
func (r *Rig) opening() float64 {
	t := r.s.Hand.Tremble
	if t == 0 {
		return r.open
	}
	y := 0.0
	for i, s := range sways {
		y += s.share * math.Sin(2*math.Pi*float64(r.now)/1000/s.period+r.uneven.phase[i])
	}
	return r.open * (1 - t*(1+y)/2)
}
