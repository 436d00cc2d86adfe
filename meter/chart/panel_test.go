package chart

import (
	"math"
	"testing"
)

// TestPanelKeepsItsWord: from a baseline of twenty on, alarms of rigs on which
// nothing happens begin no oftener than was wished, all charts together.
func TestPanelKeepsItsWord(t *testing.T) {
	const arl = 400
	rigs, steps, begun := times(60), 1500, 0
	r := random(9)
	raised := 0
	for range rigs {
		p := testPanel(t, arl)
		for range steps {
			told := p.Step(0.02 * r.NormFloat64())
			if told.Begun {
				begun++
			}
			if told.Alarm != Within {
				raised++
			}
		}
	}
	length := float64(rigs*steps-raised) / float64(begun)
	t.Logf("%d alarms, one in %.0f steps; %.4f of the steps raised", begun, length, float64(raised)/float64(rigs*steps))
	if length < arl {
		t.Errorf("an alarm in %.0f steps, want %d", length, arl)
	}
	if length > 4*arl {
		t.Errorf("an alarm in %.0f steps: the charts hardly signal", length)
	}
}

// settledPanel is one that has seen n quiet values, in spreads of 0.05.
func settledPanel(t *testing.T, seed uint64, n int) (p Panel, next func(shift float64) float64) {
	r := random(seed)
	next = func(shift float64) float64 { return 0.05 * (r.NormFloat64() + shift) }
	for p = testPanel(t, 3000); p.Scale.Seen < n; {
		p.Step(next(0))
	}
	return p, next
}

// TestPanelDatesAShift: how soon a shift is seen, since when it says, and how
// large, over seeds. The last time a sum was nothing is late for a shift that the
// slack and the baseline's own doubt leave little of. (Limits: as simulated, with
// something to spare.)
func TestPanelDatesAShift(t *testing.T) {
	for _, c := range []struct {
		shift               float64
		delay, late, within float64 // mean delay at most; mean and mean absolute error of the date, at most
	}{
		{-1, 32, 8, 9},
		{-2, 9, 2, 2.5},
		{-4, 3, 1.5, 1.5},
	} {
		var n, delay, late, abs, size float64
		for seed := range uint64(times(60)) {
			p, next := settledPanel(t, seed, 150)
			for i := 1; i < 500 && p.Latch.Raised == Within; i++ {
				if told := p.Step(next(c.shift)); told.Begun && told.Alarm == Below {
					d := float64(i - told.Since) // so many shifted values are from before its date
					n, delay, late, abs, size = n+1, delay+float64(i), late+d, abs+math.Abs(d), size+told.Size
				}
			}
		}
		t.Logf("shift %g: %g rigs, seen after %.1f, dated %+.2f, off by %.2f, size %.2f", c.shift, n, delay/n, late/n, abs/n, size/n)
		if n < 0.9*float64(times(60)) || delay/n > c.delay || math.Abs(late/n) > c.late || abs/n > c.within {
			t.Errorf("shift %g: seen on %g rigs after %.1f, dated %+.2f, off by %.2f", c.shift, n, delay/n, late/n, abs/n)
		}
		near(t, "size", size/n, c.shift, 0.5*math.Abs(c.shift))
	}
}

// TestAClogIsNotLearnt: hundreds of clogged pulls are one alarm, and leave the
// baseline as it was; when the line is clear it is over soon, and another clog is
// seen again.
func TestAClogIsNotLearnt(t *testing.T) {
	p, next := settledPanel(t, 21, 200)
	for round := range 2 {
		before := p.Scale
		begun := 0
		for i := range 500 {
			told := p.Step(next(-3))
			if told.Begun {
				begun++
				before = p.Scale
				if i > 8 {
					t.Errorf("round %d: seen after %d", round, i)
				}
			}
			if told.Over {
				t.Errorf("round %d: over at %d, while clogged", round, i)
			}
		}
		if begun != 1 || p.Scale != before {
			t.Errorf("round %d: %d alarms; baseline %g ± %g, was %g ± %g", round, begun, p.Scale.Middle, p.Scale.Spread, before.Middle, before.Spread)
		}
		over := 0
		for i := 1; i < 60; i++ {
			if p.Step(next(0)).Over {
				over = i
			}
		}
		if over == 0 || over > 40 || p.Latch.Raised != Within {
			t.Errorf("round %d: over after %d clear pulls", round, over)
		}
	}
	near(t, "middle", p.Scale.Middle, 0, 0.015)
}

// TestASlowClogIsSeen: 1/40 of a spread a pull, to the end of the row.
func TestASlowClogIsSeen(t *testing.T) {
	seen := 0
	for seed := range uint64(20) {
		p, next := settledPanel(t, 100+seed, 150)
		for i := range 160 {
			if told := p.Step(next(-float64(i) / 40)); told.Begun && told.Alarm == Below {
				seen++
				break
			}
		}
	}
	if seen < 19 {
		t.Errorf("seen on %d of 20 rigs", seen)
	}
}

// TestAKinkIsSeenAtOnce, and one wrong pull of it is one alarm that ends.
func TestAKinkIsSeenAtOnce(t *testing.T) {
	p, next := settledPanel(t, 33, 200)
	told := p.Step(next(-12))
	if !told.Begun || told.Alarm != Below || told.By&ByPoint == 0 || told.Since > 5 || told.Z > -8 || told.Size > -2 {
		t.Fatalf("%+v, want an alarm below by a point", told)
	}
	for i := 0; p.Latch.Raised != Within; i++ {
		if p.Step(next(0)); i > 40 {
			t.Fatal("not over")
		}
	}
}

// TestWrongPulls: where one pull in fifty is wrong for reasons of its own,
// clipping keeps alarms three quarters as far apart as was wished for a row
// without them (simulated: 294 steps; 57 without clipping),
// and a kink still shows within a few pulls.
func TestWrongPulls(t *testing.T) {
	alarms := func(clip float64) (steps float64) {
		rigs, begun, n := times(30), 0, 0
		r := random(77)
		for range rigs {
			p := testPanel(t, 400)
			p.Clip = clip
			for range 1000 {
				x := 0.05 * r.NormFloat64()
				if r.IntN(50) == 0 {
					x -= 0.75
				}
				told := p.Step(x)
				if n++; told.Begun {
					begun++
				}
			}
		}
		return float64(n) / float64(begun)
	}
	all, clipped := alarms(0), alarms(3)
	t.Logf("an alarm in %.0f steps, clipped in %.0f", all, clipped)
	if all > 100 || clipped < 240 {
		t.Errorf("an alarm in %.0f steps, clipped in %.0f", all, clipped)
	}
	var delay float64
	for seed := range uint64(20) {
		p, next := settledPanel(t, seed, 150)
		for p.Clip = 3; p.Latch.Raised == Within; delay++ {
			p.Step(next(-6))
		}
	}
	if delay/20 > 4 || delay/20 < 2 {
		t.Errorf("a kink shows after %g pulls", delay/20)
	}
}

// TestStepsAllocateNothing, nor does a value with which the baseline grows.
func TestStepsAllocateNothing(t *testing.T) {
	p, next := settledPanel(t, 5, 300)
	if n := testing.AllocsPerRun(500, func() { p.Step(next(0)) }); n != 0 {
		t.Errorf("%g allocations a step", n)
	}
}

func BenchmarkStep(b *testing.B) {
	c := mustCusum(b, 0.5, 5, 0.5)
	e, _ := NewEwma(0.2, 3)
	p, _ := NewPoints(3, 2)
	l, _ := NewLatch(0.5, 5)
	z := func(i int) float64 { return float64(i%7-3) / 3 }
	b.Run("cusum", func(b *testing.B) {
		for i := range b.N {
			c.Step(z(i))
		}
	})
	b.Run("ewma", func(b *testing.B) {
		for i := range b.N {
			e.Step(z(i))
		}
	})
	b.Run("points", func(b *testing.B) {
		for i := range b.N {
			p.Step(z(i))
		}
	})
	b.Run("latch", func(b *testing.B) {
		for i := range b.N {
			l.Step(z(i), Above)
		}
	})
}

func BenchmarkScale(b *testing.B) {
	s, r := Scale{Floor: 0.01, Biweight: true}, random(1)
	for range 10 * held {
		s.Add(r.NormFloat64())
	}
	b.Run("score", func(b *testing.B) {
		for i := range b.N {
			s.Score(float64(i % 5))
		}
	})
	b.Run("add", func(b *testing.B) {
		for i := range b.N {
			s.Seen = held + i%held // held every other time and more
			s.Add(float64(i % 5))
		}
	})
	p := testPanel(b, 400)
	b.Run("panel", func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			p.Step(r.NormFloat64())
		}
	})
}

func BenchmarkDesign(b *testing.B) {
	for range b.N {
		if _, err := Design(0.5, 0.1, 3000); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkBreaks(b *testing.B) {
	r := random(1)
	x := make([]float64, 2000)
	for i := range x {
		x[i] = r.NormFloat64() + float64(i/500)
	}
	b.Run("breaks", func(b *testing.B) {
		for range b.N {
			Breaks(x, 1)
		}
	})
	b.Run("tell", func(b *testing.B) {
		for range b.N {
			Tell(x, 1)
		}
	})
}
