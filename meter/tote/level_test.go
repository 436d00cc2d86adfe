package tote

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
)

const sec = int64(1_000_000_000)

func TestMedian(t *testing.T) {
	var l Level
	if _, ok := l.Median(); ok || l.Last() != 0 {
		t.Error("a level from nothing")
	}
	for i, v := range []float64{0.5, 9, 0.52} { // 9: an echo off the rim
		l.Add(int64(i+1)*sec, v)
	}
	if v, _ := l.Median(); v != 0.52 {
		t.Errorf("median of three is %g", v)
	}
	l.Add(4*sec, 0.54)
	if v, _ := l.Median(); v != 0.53 {
		t.Errorf("median of four is %g", v)
	}
	for i := range 100 {
		l.Add(int64(5+i)*sec, float64(i))
	}
	if v, _ := l.Median(); v != 87.5 {
		t.Errorf("median of the newest %d of 0..99 is %g, want 87.5", Window, v)
	}
	l.Add(500*sec, 0.3)
	if v, _ := l.Median(); v != 0.3 || l.Last() != 500*sec {
		t.Errorf("readings of minutes ago still count: %g", v)
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		l.Add(501*sec, bad)
	}
	if v, _ := l.Median(); v != 0.3 || l.Last() != 500*sec {
		t.Errorf("what is no number counts: %g", v)
	}
}

// waves adds readings of a surface at level that swings, from one instant to
// another, at a rate, with a sensor's noise.
func waves(l *Level, r *rand.Rand, from, to int64, rate, level, slope, swing, noise float64) {
	step := int64(1e9 / rate)
	for at := from; at <= to; at += step {
		s := float64(at-from) / 1e9
		l.Add(at, level+slope*s+swing*math.Sin(2*math.Pi*0.82*s)+noise*r.NormFloat64())
	}
}

func TestSettle(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	still := func(since int64) Stand { return Stand{Known: true, Since: since} }
	for _, c := range []struct {
		name                      string
		from, to                  int64
		rate, slope, swing, noise float64
		stand                     Stand
		why                       Why
		tolerance                 float64
	}{
		{"at rest", 0, 60, 1, 0, 0.0005, 0.001, still(5 * sec), Counts, 0.001},
		{"at rest, five a second", 0, 60, 5, 0, 0.0005, 0.001, still(5 * sec), Counts, 0.001},
		{"at rest, fifty a second", 0, 60, 50, 0, 0.0005, 0.001, still(5 * sec), Counts, 0.001},
		{"at rest, one in five seconds", 0, 60, 0.2, 0, 0.0005, 0.001, still(5 * sec), Counts, 0.0015},
		{"standing not known, at rest", 0, 60, 1, 0, 0.0005, 0.001, Stand{}, Counts, 0.001},
		{"standing not known, swinging", 0, 60, 1, 0, 0.03, 0.001, Stand{}, Restless, 0.01},
		{"moving", 0, 60, 1, 0, 0.03, 0.001, Stand{Known: true, Moving: true, Since: 60 * sec}, Moving, 0.02},
		{"just stopped", 0, 60, 1, 0, 0.0, 0.001, still(40 * sec), JustStopped, 0.001},
		{"stopped, still swinging", 0, 60, 1, 0, 0.03, 0.001, still(10 * sec), Restless, 0.01},
		{"read for 15 s", 0, 15, 1, 0, 0, 0.001, Stand{}, TooFew, 0.001},
		{"one reading in ten seconds", 0, 60, 0.1, 0, 0, 0.001, still(20 * sec), TooFew, 0.003},
		{"pulls of a gallon each 30 s", 0, 60, 1, -0.00012, 0.0005, 0.0005, still(5 * sec), Counts, 0.001},
		{"transfer of 55 gal a minute", 0, 60, 1, -0.0032, 0.0005, 0.001, still(5 * sec), Changing, 0.002},
	} {
		t.Run(c.name, func(t *testing.T) {
			var l Level
			waves(&l, r, c.from*sec, c.to*sec, c.rate, 0.6, c.slope, c.swing, c.noise)
			got := l.Settle(c.to*sec, c.stand, Rule{})
			// The mean is that of the middle of the last 23 s or so.
			want := 0.6 + c.slope*(float64(c.to)-11.5)
			if got.Why != c.why || got.OK() != (c.why == Counts) || math.Abs(got.Value-want) > c.tolerance || got.At != l.Last() {
				t.Errorf("%+v (%v), want %v, %.4f ± %v", got, got.Why, c.why, want, c.tolerance)
			}
			if got.OK() && !(got.U > 0 && got.U < 0.0015) {
				t.Errorf("u %v", got.U)
			}
		})
	}
	var l Level
	if got := l.Settle(0, Stand{}, Rule{}); got != (Settled{Why: NoReading}) {
		t.Errorf("%+v", got)
	}
	waves(&l, r, 0, 60*sec, 1, 0.6, 0, 0, 0.001)
	if got := l.Settle(121*sec, still(0), Rule{}); got.Why != Silent || got.At != 60*sec {
		t.Errorf("%+v", got)
	}
	if got := l.Settle(60*sec, still(15*sec), Rule{Still: 50 * sec}); got.Why != JustStopped {
		t.Errorf("a longer rest is not waited for: %+v", got)
	}
	// Another unit, Pa.
	var head Level
	for i := range int64(40) {
		head.Add(i*sec, 8000+20*r.NormFloat64())
	}
	if got := head.Settle(39*sec, Stand{}, Rule{Swing: 40}); !got.OK() || math.Abs(got.Value-8000) > 20 {
		t.Errorf("%+v", got)
	}
}

// TestSettleLeavesOutStrays, few of them: echoes off the rim.
func TestSettleLeavesOutStrays(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	var l Level
	for i := range int64(60) {
		v := 0.6 + 0.001*r.NormFloat64()
		if i%8 == 0 {
			v = 1.05
		}
		l.Add(i*sec, v)
	}
	got := l.Settle(59*sec, Stand{}, Rule{})
	if !got.OK() || math.Abs(got.Value-0.6) > 0.001 || got.Used > Window-3 {
		t.Errorf("%+v", got)
	}
	for i := range int64(60) { // every second one: which of the two is the surface?
		l.Add((60+i)*sec, 0.6+0.45*float64(i%2))
	}
	if got := l.Settle(119*sec, Stand{}, Rule{}); got.Why != Restless {
		t.Errorf("%+v", got)
	}
}

// TestSettleBegun: readings that stray last of all, alike, are a change that has
// begun; on both sides, or before others, they are strays.
func TestSettleBegun(t *testing.T) {
	for _, c := range []struct {
		name string
		last []float64 // m off, of the newest readings
		why  Why
	}{
		{"none", nil, Counts},
		{"one", []float64{0.03}, Counts},
		{"two", []float64{-0.02, -0.03}, Changing},
		{"seven", []float64{-0.01, -0.02, -0.02, -0.03, -0.03, -0.04, -0.04}, Changing},
		{"one above and one below", []float64{0.03, -0.03}, Counts},
		{"two, and it is as before", []float64{0.03, 0.03, 0}, Counts},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(4, 4))
			for range 50 {
				var l Level
				for i := range 24 {
					v := 0.5 + 0.001*r.NormFloat64()
					if k := i - 24 + len(c.last); k >= 0 {
						v += c.last[k]
					}
					l.Add(int64(100+i)*sec, v)
				}
				s := l.Settle(123*sec, Stand{}, Rule{})
				if s.Why != c.why || math.Abs(s.Value-0.5) > 0.0015 {
					t.Fatalf("%+v, want %v", s, c.why)
				}
			}
		})
	}
}

// TestSettleCovers: the mean's 95 % interval holds the level, in noise and a slow swing.
func TestSettleCovers(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 95))
	held, n := 0, 4000
	for range n {
		var l Level
		phase, swing := 6.28*r.Float64(), 0.002*r.Float64()
		f := 0.6 + 0.4*r.Float64()
		for i := range int64(40) {
			l.Add(i*sec, 0.5+0.001*r.NormFloat64()+swing*math.Sin(2*math.Pi*f*float64(i)+phase))
		}
		s := l.Settle(39*sec, Stand{}, Rule{})
		if math.Abs(s.Value-0.5) <= 1.96*s.U {
			held++
		}
	}
	t.Logf("held %.1f %%", 100*float64(held)/float64(n))
	if float64(held) < 0.95*float64(n) {
		t.Errorf("held %d of %d", held, n)
	}
}

// TestLevelIsAValue: a copy goes its own way, and both survive a checkpoint.
func TestLevelIsAValue(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	var a Level
	waves(&a, r, 0, 40*sec, 5, 0.6, 0, 0, 0.001)
	b := a
	b.Add(41*sec, 0.9)
	if b == a {
		t.Error("the copy shares with the original")
	}
	raw, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var c Level
	if err := json.Unmarshal(raw, &c); err != nil || c != a {
		t.Errorf("%v: %+v, want %+v", err, c, a)
	}
	c.Add(41*sec, 0.9)
	if c != b {
		t.Error("a checkpoint goes on otherwise")
	}
	if n := testing.AllocsPerRun(50, func() {
		a.Add(50*sec, 0.5)
		sink = a.Settle(50*sec, Stand{}, Rule{})
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func TestStanding(t *testing.T) {
	const lat, lon = 50.0, 10.0
	r := rand.New(rand.NewPCG(7, 7))
	var s Standing
	if s.Stand(5*sec) != (Stand{}) {
		t.Error("known from nothing")
	}
	north := func(m float64) float64 { return lat + m/perDegree }
	// Drive 10 m/s for 30 s, stand for 120 s with 2 m of noise, creep at 1 m/s.
	at := int64(1000) * sec
	place := 0.0
	for range 30 {
		at += sec
		place += 10
		s.Place(at, north(place), lon, 1)
	}
	if got := s.Stand(at); !got.Known || !got.Moving {
		t.Errorf("driving: %+v", got)
	}
	stop := at
	for range 120 {
		at += sec
		s.Place(at, north(place+2*max(-2, min(2, r.NormFloat64()))), lon, 1)
	}
	got := s.Stand(at)
	if !got.Known || got.Moving || got.Since < stop || got.Since > stop+5*sec {
		t.Errorf("standing: %+v, stopped at %d", got, stop)
	}
	s.Place(at-3*sec, north(place+1000), lon, 1) // late
	s.Place(at, north(place+1000), lon, 9)       // too vague
	s.Place(at, math.NaN(), lon, 1)
	if s.Stand(at) != got {
		t.Error("a late, a vague or a wrong position counts")
	}
	if s.Stand(at + 11*sec).Known {
		t.Error("old evidence counts")
	}
	for range 60 {
		at += sec
		place++
		s.Place(at, north(place), lon, 1)
		if now := s.Stand(at); at > stop+135*sec && at-now.Since > 25*sec {
			t.Fatalf("creeping counts as standing: %+v at %d", now, at)
		}
	}
	// Half an hour without a fix: nothing is known of the time between.
	at += 1800 * sec
	s.Place(at, north(place), lon, 1)
	if got := s.Stand(at); got.Since != at {
		t.Errorf("after a silence: %+v", got)
	}
	// Across the date line it is a step of 0.1 m only.
	s = Standing{}
	s.Place(sec, 10, 179.9999995, 1)
	s.Place(10*sec, 10, -179.9999995, 1)
	if got := s.Stand(10 * sec); got.Since != sec {
		t.Errorf("at the date line: %+v", got)
	}
	s = Standing{}
	s.Speed(sec, 3)
	s.Speed(2*sec, 0.1)
	if got := s.Stand(2 * sec); !got.Moving || got.Since != sec {
		t.Errorf("by speed: %+v", got)
	}
	s.Speed(20*sec, 0.1)
	s.Speed(21*sec, math.NaN())
	if got := s.Stand(20 * sec); got.Moving || !got.Known || got.Since != sec || s.At != 20*sec {
		t.Errorf("by speed: %+v", got)
	}
}

var sink Settled

func BenchmarkAdd(b *testing.B) {
	var l Level
	b.ReportAllocs()
	at := int64(0)
	for b.Loop() {
		at += sec
		l.Add(at, 0.6)
	}
}

func BenchmarkSettle(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 1))
	var l Level
	waves(&l, r, 0, 40*sec, 1, 0.6, 0, 0.001, 0.001)
	b.ReportAllocs()
	for b.Loop() {
		sink = l.Settle(40*sec, Stand{}, Rule{})
	}
}

func BenchmarkPlace(b *testing.B) {
	var s Standing
	b.ReportAllocs()
	at := int64(0)
	for b.Loop() {
		at += sec
		s.Place(at, 50, 10, 1)
	}
}
