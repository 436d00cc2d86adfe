package fill

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"yardtally/ingest/rigsim"
)

// many returns how many pieces of each sort are made.
func many(quick, full int) int {
	if os.Getenv("YARDTALLY_FULL") != "" {
		return full
	}
	return quick
}

// stream makes the pieces of a stream of pulses at rising times,
// s, that a board says each 0.2 s, of which a share is lost.
func stream(pulses []float64, lose float64, rng *rand.Rand) []Piece {
	var s State
	var out []Piece
	m := Move{Session: 1, Meter: &hundred}
	last := pulses[len(pulses)-1]
	for at, i := sec/5, 0; at < int64((last+30)*1e9); at += sec / 5 {
		for i < len(pulses) && int64(pulses[i]*1e9) <= at {
			i++
		}
		if rng.Float64() < lose {
			continue
		}
		m.To, m.ToAt, m.Took = uint64(i), at, at-m.ToAt
		m.FromAt = m.ToAt - m.Took
		out = s.Next(m, rules, out)
		m.From = m.To
	}
	return out
}

// poisson appends n stray pulses at a rate.
func poisson(to []float64, from, hz float64, n int, rng *rand.Rand) []float64 {
	for range n {
		from += rng.ExpFloat64() / hz
		to = append(to, from)
	}
	return to
}

// even appends n pulses of a flow whose rate at a time since from is hz, each
// of them off by jitter.
func even(to []float64, from float64, n int, jitter float64, rng *rand.Rand, hz func(t float64) float64) []float64 {
	t := from + rng.Float64()/hz(0)
	for range n {
		to = append(to, t)
		t += max(0.2, 1+jitter*rng.NormFloat64()) / hz(t-from)
	}
	return to
}

func steady(hz float64) func(float64) float64 { return func(float64) float64 { return hz } }

// Of four pulses in two windows all are in one of them in 2 of 16 cases, three in
// 8 (binomial); of even flow the shares are those that the package says.
func TestWeights(t *testing.T) {
	w := &weights[4]
	for _, c := range []struct {
		name        string
		got         int64
		stray, even float64
	}{{"in", w.in, 6. / 16, 1 - 1./4 - 1./64}, {"edge", w.edge, 8. / 16, 1. / 4}, {"out", w.out, 2. / 16, 1. / 64}} {
		if want := 500 * math.Log(c.stray/c.even); math.Abs(float64(c.got)-want) > 0.5 {
			t.Errorf("%s: %d, want %.1f", c.name, c.got, want)
		}
	}
	// Even flow whose every edge of a window falls on a pulse gains nothing in the
	// mean of an even and an odd number of pulses: of eight cases d is none in two,
	// one in four (an odd number) and two in two.
	ratio := func(tells int64) float64 { return math.Exp(float64(tells) / 500) }
	tells := func(s int, d int64) float64 {
		switch w := &weights[s]; {
		case pulse*d < w.bound:
			return ratio(w.in)
		case pulse*d < w.bound+pulse:
			return ratio(w.edge)
		default:
			return ratio(w.out)
		}
	}
	for s := leastCounts; s+1 < mostCounts; s += 2 {
		if mean := (tells(s, 0)+tells(s, 2))/4 + tells(s+1, 1)/2; mean > 1.001 { // whole thousandths
			t.Errorf("%d or %d pulses: the mean ratio of even flow is %.4f, want at most 1", s, s+1, mean)
		}
	}
}

// Stray pulses are told from even flow, the more the surer.
func TestStrayPulsesAreTold(t *testing.T) {
	for _, c := range []struct {
		pulses int
		least  float64 // share that is wholly told
	}{{100, 0.35}, {200, 0.8}, {400, 0.9}} {
		told, doubted, cut, all := 0, 0, 0, 0
		for k := range many(400, 10000) {
			rng := rand.New(rand.NewPCG(uint64(k), uint64(c.pulses)))
			lose := 0.0
			if k%3 == 0 {
				lose = 0.1
			}
			hz := 2 + 13*rng.Float64()
			for _, p := range stream(poisson(nil, 1, hz, c.pulses, rng), lose, rng) {
				if int(p.Last-p.First) < c.pulses*9/10 {
					continue // it had a pause
				}
				all++
				switch {
				case p.Stray == AllStray:
					told++
				case p.Stray != NoStray:
					doubted++
				case p.Head > 0 || p.Tail > 0:
					cut++
				}
			}
		}
		t.Logf("%d pulses: %d of %d told, %d doubted, %d in part", c.pulses, told, all, doubted, cut)
		if float64(told) < c.least*float64(all) || float64(told+doubted+cut) < (c.least+0.09)*float64(all) {
			t.Errorf("%d stray pulses: %d of %d told, %d doubted, want %.2f told", c.pulses, told, all, doubted, c.least)
		}
	}
}

// Even flow is not taken for stray pulses: at any rate, with pulses that are off
// by some of themselves, where messages keep step with pulses, where the flow
// begins slowly, is halved half way, stops and goes on, or sways.
func TestEvenFlowIsNeverStray(t *testing.T) {
	n := many(1500, 60000)
	stray, doubted, all := 0, 0, 0
	for k := range n {
		rng := rand.New(rand.NewPCG(uint64(k), 11))
		hz := 0.9 * math.Exp(rng.Float64()*math.Log(90))
		if k%4 == 0 {
			hz = 5 * float64(1+rng.IntN(6)) // pulses keep step with messages
		}
		rate, turn := steady(hz), 1+rng.Float64()*20
		switch k % 5 {
		case 1:
			rate = func(t float64) float64 { return hz * max(0.2, 1-math.Exp(-t/0.7)) }
		case 2:
			rate = func(t float64) float64 {
				if t > turn {
					return hz / 2
				}
				return hz
			}
		case 3:
			rate = func(t float64) float64 { return hz * (1 + 0.1*math.Sin(t*2*math.Pi/turn)) }
		}
		lose := []float64{0, 0.1, 0.3}[k%3]
		jitter := []float64{0, 0.02, 0.05, 0.1}[rng.IntN(4)]
		pulses := even(nil, 1, 20+rng.IntN(500), jitter, rng, rate)
		if k%5 == 4 { // the trigger is let go for a moment
			last := pulses[len(pulses)-1] + 0.3 + 2*rng.Float64()
			pulses = even(pulses, last, 20+rng.IntN(300), jitter, rng, rate)
		}
		for _, p := range stream(pulses, lose, rng) {
			all++
			switch {
			case p.Head > 0 || p.Tail > 0 || p.Stray == AllStray:
				stray++
				t.Logf("case %d of %.2f Hz, jitter %v, lost %v: %d to %d is stray up to %d, from %d", k, hz, jitter, lose, p.First, p.Last, p.Head, p.Tail)
			case p.Stray != NoStray:
				doubted++
			}
		}
	}
	t.Logf("of %d pieces of even flow %d are stray, %d doubted", all, stray, doubted)
	if stray > n/10000 || doubted > n/500 {
		t.Errorf("of %d pieces of even flow %d are taken for stray, %d doubted; want at most 1 in 10,000, 1 in 500", all, stray, doubted)
	}
}

// A burst right before a pull, or after it, is cut off; the pull is not lost.
func TestBurstBesidePull(t *testing.T) {
	n, cut, off := many(100, 3000), 0, 0
	for k := range n {
		rng := rand.New(rand.NewPCG(uint64(k), 12))
		burst, pull := 5+9*rng.Float64(), 30+40*rng.Float64()
		count, size := 150+rng.IntN(200), 300+rng.IntN(300)
		var ts []float64
		first, last := uint64(count), uint64(count+size)
		if k%2 == 0 {
			ts = poisson(ts, 1, burst, count, rng)
			ts = even(ts, ts[len(ts)-1]+0.1, size, 0.03, rng, steady(pull))
		} else {
			first, last = 0, uint64(size)
			ts = even(ts, 1, size, 0.03, rng, steady(pull))
			ts = poisson(ts, ts[len(ts)-1], burst, count, rng)
		}
		lost, found := uint64(0), uint64(0) // of the pull, of the burst: taken for stray
		take := func(from, to uint64) {
			if from < to {
				in := min(to, last) - min(max(from, first), min(to, last))
				lost += in
				found += to - from - in
			}
		}
		for _, p := range stream(ts, 0, rng) {
			if p.Stray == AllStray {
				take(p.First, p.Last)
			}
			if p.Head > 0 {
				take(p.First, p.Head)
			}
			if p.Tail > 0 {
				take(p.Tail, p.Last)
			}
		}
		if found > uint64(count)*8/10 {
			cut++
		}
		if lost > uint64(pull*1.2)+2 {
			off++
			t.Logf("case %d: %d pulses of a pull of %d at %.0f Hz are lost to a burst of %d at %.0f Hz", k, lost, size, pull, count, burst)
		}
	}
	t.Logf("of %d bursts beside pulls %d are cut off, %d with more than a second of the pull", n, cut, off)
	if cut < n*7/10 || off > n/100 {
		t.Errorf("of %d bursts beside pulls %d are cut off, %d with more than a second of the pull", n, cut, off)
	}
}

// The index of dispersion of stray pulses over neighbours is 1, and scatters by
// the root of 3/pairs: what among rests on.
func TestDispersion(t *testing.T) {
	mean, sq, n := 0.0, 0.0, many(300, 5000)
	for k := range n {
		rng := rand.New(rand.NewPCG(uint64(k), 13))
		var c Scatter
		c.begin(0)
		to := uint64(0)
		for next, at := rng.ExpFloat64()/40, 0.0; at < 40; {
			at += 0.2
			for ; next < at; next += rng.ExpFloat64() / 40 {
				to++
			}
			c.moved(to, sec/5)
		}
		m := c.lane().Now
		x := (float64(m.D)/1000/float64(m.Pairs) - 1) * math.Sqrt(float64(m.Pairs)/3)
		mean += x / float64(n)
		sq += x * x / float64(n)
	}
	if math.Abs(mean) > 0.3 || math.Abs(sq-1) > 0.25 {
		t.Errorf("scores of the index of dispersion have the mean %.3f and the mean square %.3f, want 0 and 1", mean, sq)
	}
}

// The pulls of a rig whose meter and hand are less even than most are its own.
func TestUnevenRigIsNoStray(t *testing.T) {
	for _, c := range []struct {
		name            string
		jitter, tremble float64
	}{{"even", 0, 0}, {"jitter", 0.05, 0}, {"trembling hand", 0.03, 0.15}} {
		pulls, stray, doubted := 0, 0, 0
		for seed := range uint64(many(2, 40)) {
			s := rigsim.WatchNight(seed)
			s.Coarse = false
			s.Meter.PulsesPerL = []float64{132.6, 40, 400}[seed%3]
			s.Meter.Jitter, s.Hand.Tremble, s.Hand.Throttled = c.jitter, c.tremble, 0.2
			if seed%2 == 1 {
				s = rigsim.KinkNight(s)
			}
			pieces, _ := played(t, s)
			for _, p := range pieces {
				if p.Kind != Pull {
					continue
				}
				pulls++
				switch {
				case p.Head > 0 || p.Tail > 0 || p.Stray == AllStray:
					stray++
					t.Logf("seed %d, %s: %d to %d is stray up to %d, from %d", seed, c.name, p.First, p.Last, p.Head, p.Tail)
				case p.Stray != NoStray:
					doubted++
				}
			}
		}
		t.Logf("%s: of %d pulls %d are stray, %d doubted", c.name, pulls, stray, doubted)
		if pulls == 0 || stray > 0 || doubted > pulls/200 {
			t.Errorf("%s: of %d pulls %d are taken for stray, %d doubted", c.name, pulls, stray, doubted)
		}
	}
}

// A fall that goes on is copied when it ends only: what comes of it is the same as
// if it were at each step.
func TestFallIsCopiedLate(t *testing.T) {
	fell := 0
	for k := range uint64(many(60, 2000)) {
		rng := rand.New(rand.NewPCG(k, 14))
		var late, soon Scatter
		late.begin(7)
		soon.begin(7)
		to, owed, hz, stray := uint64(7), 0.0, 1+40*rng.Float64(), false
		for i := range 600 {
			if rng.IntN(100) == 0 {
				hz, stray = 1+40*rng.Float64(), !stray
			}
			took := sec/5 + rng.Int64N(sec/50)
			owed += hz * float64(took) / 1e9
			if n := uint64(owed); n > 0 && (!stray || rng.IntN(3) == 0) {
				to += n
				owed -= float64(n)
			}
			late.moved(to, took)
			soon.moved(to, took)
			for j := range soon.Lanes {
				l := late.Lanes[j]
				if l.Falls {
					fell++
				}
				l.land()
				soon.Lanes[j].land()
				if l != soon.Lanes[j] {
					t.Fatalf("case %d, message %d, lane %d:\n%+v, want\n%+v", k, i, j, l, soon.Lanes[j])
				}
			}
		}
	}
	if fell == 0 {
		t.Error("nothing fell")
	}
}
