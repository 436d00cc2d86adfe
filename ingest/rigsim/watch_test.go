package rigsim

import (
	"math"
	"os"
	"reflect"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// watchSeeds is on how many rigs the nights for the watch are looked at.
func watchSeeds() uint64 {
	if os.Getenv("YARDTALLY_FULL") != "" {
		return 60
	}
	return 5
}

// TestWatchNights: one rig, other nights; within the bounds that it names.
func TestWatchNights(t *testing.T) {
	if a, b := WatchNights(3, 2), WatchNights(3, 5); !reflect.DeepEqual(a, b[:2]) || reflect.DeepEqual(a[0], WatchNight(4)) || !reflect.DeepEqual(a[0], WatchNight(3)) {
		t.Error("want the same nights of the same seed, however many, and others of another")
	}
	base := DemoNight().Plumbing
	off := func(a, b float64) float64 { return math.Abs(a/b - 1) }
	most := map[string]float64{}
	note := func(what string, x float64) { most[what] = math.Max(most[what], x) }
	watery := 0
	for seed := range uint64(100) {
		nights := WatchNights(seed, 4)
		for i, s := range nights {
			p, was := s.Plumbing, nights[0].Plumbing
			note("bore", off(float64(p.HoseBore), float64(base.HoseBore)))
			note("shutoff", off(float64(p.Shutoff), float64(base.Shutoff)))
			note("length", off(float64(p.HoseLength), float64(base.HoseLength)))
			note("nozzle", off(float64(p.NozzleBore), float64(base.NozzleBore)))
			note("meter", off(p.MeterLoss, base.MeterLoss))
			rig := base.Perturbed(seed)
			note("throttle", off(float64(p.Speed), float64(rig.Speed)))
			note("speed", off(float64(rig.Speed), float64(base.Speed)))
			p.Speed = was.Speed
			if p != was || !reflect.DeepEqual(s.Yards, nights[0].Yards) || s.Sensors != nights[0].Sensors || i > 0 && (s.Seed == nights[i-1].Seed || s.Start.Sub(nights[i-1].Start) < 24*time.Hour) {
				t.Fatalf("seed %d: want one rig on other nights", seed)
			}
			if n := s.pulls(); n < 30 || n > 60 || s.Brix < 50 || s.Brix > 70 || s.Air[0].Temp < 5 || s.Air[0].Temp > 25 || s.Air[6].Temp >= s.Air[0].Temp {
				t.Errorf("seed %d: want 30 to 60 colonies, 50 to 70 Brix, and air of 5 to 25 °C that falls; got %d, %g, %v", seed, n, s.Brix, s.Air)
			}
			if s.Thickness != 0 {
				watery++
			}
		}
	}
	for what, bound := range map[string]float64{"bore": 0.04, "shutoff": 0.10, "length": 0.05, "nozzle": 0.04, "meter": 0.20, "throttle": 0.03, "speed": 0.08} {
		if x := most[what]; x > bound+1e-9 || x < 0.9*bound {
			t.Errorf("%s: want it off by up to %g, got %.4f", what, bound, x)
		}
	}
	if watery < 40 || watery > 95 { // of 400, one in six
		t.Errorf("want some batches like corn syrup, got %d of 400", watery)
	}
}

// TestWatchCases: each night shows what it is for, and leaves the one it was
// made of alone.
func TestWatchCases(t *testing.T) {
	for seed := range watchSeeds() {
		night := WatchNights(seed, 3)[2]
		kept := night.cloned()
		open := func(truth Truth) (out []Fill) {
			for _, f := range truth.Fills {
				if f.Opening == 1 && f.Clear > 0 && f.Plateau > 0 {
					out = append(out, f)
				}
			}
			return out
		}
		unharmed := func(name string, truth Truth) {
			if len(truth.Faults) > 0 {
				t.Errorf("seed %d, %s: want no fault, got %+v", seed, name, truth.Faults)
			}
			for _, f := range open(truth) {
				near(t, name, float64(f.Plateau/f.Clear), 1, 0.02)
			}
		}
		_, plain := played(t, night)
		unharmed("plain", plain)
		cold := ColdNight(night)
		_, truth := played(t, cold)
		unharmed("cold", truth)
		if a := cold.Air[0].Temp; a > 7 || cold.Warm > 12 || truth.Fills[20].Clear >= plain.Fills[20].Clear && night.Air[0].Temp > 9 && night.Warm > 13 {
			t.Errorf("seed %d: want it cold and slower, got %v", seed, a)
		}

		s := ClogNight(night)
		_, truth = played(t, s)
		if c := s.Clogs[0]; c.Over != 25 || c.To != 0.4 || c.Fill+c.Over > s.pulls() || !reflect.DeepEqual(s.Air, cold.Air) {
			t.Errorf("seed %d: want a whole clog on the cold night, got %+v", seed, c)
		}
		for _, f := range open(truth) {
			want := 1 - 0.6*math.Max(0, math.Min(1, float64(f.Number-s.Clogs[0].Fill+1)/25))
			near(t, "clog", float64(f.Plateau/f.Clear), want, 0.02)
		}

		s = KinkNight(night)
		_, truth = played(t, s)
		for _, f := range open(truth) {
			want := 1.0
			if k := f.Number - s.Kinks[0].Fill; k >= 0 && k < 6 {
				want = 0.5
			}
			near(t, "kink", float64(f.Plateau/f.Clear), want, 0.02)
		}

		// Laminar flow through hose and nozzle goes with something between speed and
		// its square. At the transition friction rises with it, and takes most of it.
		s = ThrottleNight(night)
		_, truth = played(t, s)
		least := 1.15
		if s.Brix < 58 || s.Thickness > 0 {
			least = 1.05
		}
		for _, f := range open(truth) {
			if got, raised := float64(f.Plateau/f.Clear), f.Number >= s.Throttles[0].Fill; raised && (got < least*0.99 || got > 1.3225*1.01) || !raised && math.Abs(got-1) > 0.02 {
				t.Errorf("seed %d: throttle raised %v: got %.3f of the clear flow", seed, raised, got)
			}
		}

		s, declared := ThinNight(night)
		_, truth = played(t, s)
		unharmed("thin", truth)
		s.Brix += 7
		_, thick := played(t, s)
		if gain := float64(truth.Fills[20].Clear / thick.Fills[20].Clear); math.Abs(declared-s.Brix) > 1e-9 || declared < 58 || gain < 1.15 {
			t.Errorf("seed %d: want 7 Brix less and more flow, got %.2f times that of %g", seed, gain, declared)
		}

		s = LeakNight(night)
		said, truth := played(t, s)
		h := truth.Handlings[0]
		if fall := volumeAt(s, said, h.From.Add(-20*time.Second)) - volumeAt(s, said, h.To); math.Abs(fall-30) > 2.5 || h.To.Sub(s.Start) > s.Idle {
			t.Errorf("seed %d: want 30 L gone while it stands, got %.1f, %+v", seed, fall, h)
		}

		s = TransferNight(night)
		_, truth = played(t, s)
		if h := truth.Handlings[0]; h.Kind != "transfer" || h.Out != s.Transfers[0].Volume || !h.From.After(truth.Fills[2].End) || !h.To.Before(truth.Fills[len(truth.Fills)-3].Start) {
			t.Errorf("seed %d: want a transfer in mid-night, got %+v", seed, h)
		}

		s = DryNight(night)
		_, truth = played(t, s)
		if len(truth.Airs) == 0 || truth.Airs[0].Fill < 8 || truth.Airs[0].Fill > 50 || !truth.Done {
			t.Errorf("seed %d: want air in mid-night, got %+v", seed, truth.Airs)
		}

		s = BurstNight(night)
		_, truth = played(t, s)
		if n := len(truth.Phantoms); n < 2 || n > 8 || truth.Filled != plain.Filled {
			t.Errorf("seed %d: want phantoms, and the same feed, got %+v", seed, truth.Phantoms)
		}
		if !reflect.DeepEqual(night, kept) {
			t.Fatalf("seed %d: want the night as it was", seed)
		}
	}
}

// TestLastingErrors: a thermometer is off by the same on all nights of a rig.
func TestLastingErrors(t *testing.T) {
	a, b := build(t, WatchNights(1, 2)[0]), build(t, WatchNights(1, 2)[1])
	c := build(t, WatchNight(2))
	if x := a.sense.bias; x != b.sense.bias || x == c.sense.bias || x[meter.Syrup] == 0 {
		t.Errorf("want one bias a rig, got %v, %v, %v", x, b.sense.bias, c.sense.bias)
	}
}

// TestCoarse: longer steps change the flow by less than a part in 500, and a
// pull by less than the hand does.
func TestCoarse(t *testing.T) {
	for seed := range uint64(4) {
		s := WatchNight(seed)
		s.Meter.SlipViscous = 0
		s.Yards[0].Colonies, s.Yards[1].Colonies, s.Yards[2].Colonies = 5, 3, 2
		s.Kinks = []Kink{{Fill: 3, For: 2, To: 0.5, After: 3 * time.Second}}
		_, coarse := played(t, s)
		s.Coarse = false
		_, fine := played(t, s)
		if len(coarse.Fills) != len(fine.Fills) {
			t.Fatalf("want as many pulls, got %d and %d", len(coarse.Fills), len(fine.Fills))
		}
		for i, f := range fine.Fills {
			c := coarse.Fills[i]
			if f.Number != 3 {
				near(t, "plateau", float64(c.Plateau), float64(f.Plateau), 0.004)
			}
			near(t, "clear", float64(c.Clear), float64(f.Clear), 0.003)
			if math.Abs((c.Volume-f.Volume).Litres()) > 0.02 || math.Abs((c.Dribble-f.Dribble).Litres()) > 0.0005 {
				t.Errorf("seed %d, pull %d: want it alike to 20 mL, got %v and %v", seed, i, c.Volume, f.Volume)
			}
		}
	}
}

// TestOperateIsBisection: what spares the bisection its looks changes nothing
// that it returns, to the last bit.
func TestOperateIsBisection(t *testing.T) {
	d := dice{stream(1, 1)}
	for range 2000 {
		p := DefaultPlumbing().Perturbed(d.Uint64())
		p.HoseLoss, p.SuctionLoss = d.between(0, 50), d.between(0, 50)
		brix, temp := d.between(0, 70), d.between(-10, 60)
		f := even(density(brix, temp), viscosity(brix, temp))
		for i := range f.hose {
			f.hose[i] *= d.between(0.5, 2)
		}
		n, static, open := float64(p.Speed)*d.between(0, 1.5), d.between(-2e4, 2e4), d.between(0.01, 1)
		guess := 0.0
		for range 3 {
			left := func(q float64) float64 { return p.lift(q, n, f.rho) + static - p.loss(q, f, open) }
			want := bisect(left, guess)
			if got := p.operate(n, static, f, open, guess); got != want {
				t.Fatalf("%g Brix, %g °C, opened to %g, guess %g: want %g, got %g", brix, temp, open, guess, want, got)
			}
			guess = want * d.between(0.97, 1.03)
		}
	}
}

// bisect is what operate does, without its shortcuts.
func bisect(left func(float64) float64, guess float64) float64 {
	lo, hi := leastFlow, mostFlow
	if left(lo) <= 0 {
		return 0
	}
	if guess > leastFlow {
		if g := guess * 1.02; left(g) < 0 {
			hi = g
		}
		if g := guess * 0.98; g < hi && left(g) > 0 {
			lo = g
		}
	}
	for hi-lo > 1e-7*hi {
		mid := lo + (hi-lo)/2
		if left(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo + (hi-lo)/2
}

// TestLevelIsBisection: the same of the tote's level.
func TestLevelIsBisection(t *testing.T) {
	d := dice{stream(2, 1)}
	for range 2000 {
		tote := DefaultTote()
		tote.Length, tote.Height, tote.Bulge = quantity.Length(d.between(0.2, 3)), quantity.Length(d.between(0.2, 3)), d.between(0, 0.3)
		v := quantity.Volume(d.between(-0.01, 1.01) * float64(tote.Capacity()))
		lo, hi := 0.0, float64(tote.Height)
		for range 40 {
			mid := lo + (hi-lo)/2
			if tote.cubic(mid) < v.CubicMetres() {
				lo = mid
			} else {
				hi = mid
			}
		}
		if got, want := tote.Level(v), quantity.Length(lo+(hi-lo)/2); got != want {
			t.Fatalf("%v in %+v: want %v, got %v", v, tote, want, got)
		}
	}
}

// BenchmarkWatchNight plays nights of 40 colonies, of other rigs each time.
func BenchmarkWatchNight(b *testing.B) {
	for _, x := range []struct {
		name string
		of   func(Scenario) Scenario
	}{{"plain", func(s Scenario) Scenario { return s }}, {"cold", ColdNight}, {"clog", ClogNight}, {"kink", KinkNight}} {
		b.Run(x.name, func(b *testing.B) {
			hours, seed := 0.0, uint64(0)
			for b.Loop() {
				s := WatchNight(seed % 64)
				s.Yards[0].Colonies, s.Yards[1].Colonies, s.Yards[2].Colonies = 14, 13, 13
				s = x.of(s)
				seed++
				var last Said
				for m := range build(b, s).All() {
					last = m
				}
				hours += last.At.Sub(s.Start).Hours()
			}
			b.ReportMetric(hours/b.Elapsed().Seconds(), "hours/s")
		})
	}
}

// BenchmarkQuietNight plays ten hours of standing.
func BenchmarkQuietNight(b *testing.B) {
	for b.Loop() {
		for range build(b, QuietNight(1, 10*time.Hour)).All() {
		}
	}
}
