package signal

import (
	"math"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
	"yardtally/meter"
)

// On simulated nights, which have their own physics and a hand that scatters,
// throttles and drips, full comes once for each fill that reaches the set
// volume, and nothing is said to fail or to be silent.
func TestNights(t *testing.T) {
	for seed := range uint64(12) {
		n := rigsim.DemoNight()
		n.Seed = seed
		rig, err := rigsim.New(n)
		if err != nil {
			t.Fatal(err)
		}
		r := rules()
		r.Pulse = quantity.VolumeOf(1 / n.Meter.PulsesPerL / 1000)
		var s State
		var out []Signal
		var at []uint64 // counts at which full was said
		for m := range rig.All() {
			now := m.At.UnixNano()
			out = s.Tick(now, r, out[:0])
			c := Count{At: now}
			count := false
			for _, x := range m.Readings {
				switch x.Channel {
				case meter.Pulses:
					c.N, count = uint64(x.Value), true
				case meter.Uptime:
					c.Up, c.HasUp = int64(math.Round(x.Value*1e9)), true
				}
			}
			if count {
				out = s.Next(c, r, out)
			}
			for _, x := range out {
				if x.Kind != Full {
					t.Errorf("seed %d: %v at %v", seed, x.Kind, m.At)
					continue
				}
				at = append(at, c.N)
			}
		}
		truth := rig.Truth()
		before := quantity.Volume(0)
		for i, f := range truth.Fills {
			v := quantity.Volume(f.Settled-f.First) * r.Pulse
			if f.TopUp {
				v += before
			}
			before = v
			if f.Cut {
				continue
			}
			said := 0
			for _, n := range at {
				if n > f.First && n <= f.Settled {
					said++
				}
			}
			want := 0
			if v >= r.Set {
				want = 1
			}
			if off := v - r.Set; off.Litres() < 0.02 && off.Litres() > -0.02 {
				continue // what dribbles decides
			}
			if said != want {
				t.Errorf("seed %d: fill %d of %.2f L: full was said %d times", seed, i, v.Litres(), said)
			}
		}
		if len(at) < 5 || len(at) > len(truth.Fills) {
			t.Errorf("seed %d: full %d times, of %d fills", seed, len(at), len(truth.Fills))
		}
	}
}
