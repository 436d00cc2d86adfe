package rigsim

import (
	"math"
	"testing"

	"yardtally/meter"
)

// A meter whose pulses are not alike counts the same in the mean, and less evenly;
// a hand that trembles lets less flow. Both play as they did, pulse by pulse.
func TestUnevenMeterAndHand(t *testing.T) {
	play := func(jitter, tremble float64) (counts uint64, rough float64, pull float64) {
		s := SmallNight(3)
		s.Meter.Jitter, s.Hand.Tremble, s.Meter.SlipViscous = jitter, tremble, 0
		s.Meter.PulsesPerL = 400
		r := build(t, s)
		var last, before, n float64
		for m := range r.All() {
			for _, x := range m.Readings {
				if x.Channel != meter.Pulses {
					continue
				}
				if d := x.Value - last; d > 5 && before > 5 {
					rough += math.Abs(d - before)
					n++
				}
				before, last = x.Value-last, x.Value
			}
		}
		f := &r.Truth().Fills[1]
		perL := s.Meter.PulsesPerL * (1 - s.Meter.Slip)
		near(t, "counts of a pull", float64(f.Settled-f.First), (f.Volume+f.Dribble).Litres()*perL, 0.01)
		return r.Truth().Fills[len(r.Truth().Fills)-1].Settled, rough / n, f.End.Sub(f.Start).Seconds() / f.Volume.Litres()
	}
	even, rough, pull := play(0, 0)
	again, same, _ := play(0.2, 0)
	if again2, same2, _ := play(0.2, 0); again2 != again || same2 != same {
		t.Errorf("played again: %d counts, then %d", again, again2)
	}
	near(t, "counts with jitter", float64(again), float64(even), 0.005)
	if same < 1.1*rough {
		t.Errorf("neighbouring counts differ by %.3f with jitter, %.3f without, want more", same, rough)
	}
	if _, swayed, slow := play(0, 0.3); swayed < 1.1*rough || slow < 1.005*pull {
		t.Errorf("with a trembling hand neighbouring counts differ by %.3f, not %.3f, and a litre takes %.2f s, not %.2f", swayed, rough, slow, pull)
	}
}
