package rigsim

import (
	"math"
	"math/rand/v2"
	"time"
)

// burst is a Burst at work.
type burst struct {
	Burst
	rng  *rand.Rand
	next float64 // ms: of its next pulse
	to   float64 // ms
	told Phantoms
}

func bursts(s *Scenario) []burst {
	out := make([]burst, len(s.Phantom))
	for i, b := range s.Phantom {
		rng := stream(s.Seed, seedPhantom+uint64(i))
		ms := float64(time.Millisecond)
		out[i] = burst{Burst: b, rng: rng, next: float64(b.After) / ms, to: float64(b.After+b.For) / ms, told: Phantoms{Burst: i}}
		out[i].next += out[i].gap()
	}
	return out
}

// gap draws the time to the next pulse, ms.
func (b *burst) gap() float64 { return 1000 * b.rng.ExpFloat64() / b.Rate }

// up reports whether the board counts.
func (r *Rig) up() bool { return r.upAt <= r.now }

// phantom counts the pulses up to next that nothing made.
func (r *Rig) phantom(next int64) {
	for i := range r.bursts {
		b := &r.bursts[i]
		for b.next <= float64(next) && b.next < b.to {
			if r.up() && (r.pumping || !b.Pump) {
				at := r.instant(0).Add(time.Duration(b.next * float64(time.Millisecond)))
				if b.told.Counts == 0 {
					b.told.First = at
				}
				b.told.Last = at
				b.told.Counts++
				r.count++
				if k := len(r.truth.Fills) - 1; k >= 0 && (r.truth.Fills[k].Open || r.dripping) {
					r.truth.Fills[k].Phantom++
				}
			}
			b.next += b.gap()
		}
	}
}

// airing is air on its way through the meter.
type airing struct {
	on   bool
	from int64   // ms
	wet  float64 // m³/s: the newest flow of syrup at an open trigger
	rate float64 // Hz
	work float64 // pulses' worth still to go before the next
	rng  *rand.Rand
}

// breathe looks, while the trigger is open, whether the pump draws air.
func (r *Rig) breathe() {
	a := &r.airing
	if !r.s.Meter.Surges || !r.dry() || !r.pumping {
		a.on = false
		return
	}
	if !a.on {
		a.on, a.from, a.work = true, r.now, a.rng.ExpFloat64()
		r.truth.Airs = append(r.truth.Airs, Airing{Fill: len(r.truth.Fills) - 1, From: r.instant(r.now), To: r.instant(r.now)})
	}
	const guess = 1e-4 // m³/s, where no syrup flowed yet
	wet := a.wet
	if wet == 0 {
		wet = guess
	}
	a.rate = (1.5 + 1.5*a.rng.Float64()) * wet * 1000 * r.s.Meter.PulsesPerL
}

// gasp counts air up to next.
func (r *Rig) gasp(next int64) {
	a := &r.airing
	if !a.on {
		return
	}
	told := &r.truth.Airs[len(r.truth.Airs)-1]
	told.To = r.instant(next)
	a.work -= a.rate * float64(next-r.now) / 1000
	for a.work <= 0 {
		a.work += math.Max(1e-6, a.rng.ExpFloat64())
		if r.up() {
			told.Counts++
			r.count++
			r.truth.Fills[len(r.truth.Fills)-1].Air++
		}
	}
}
