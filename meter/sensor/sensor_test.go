package sensor

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"yardtally/meter"
)

// What follows is series made by hand; the simulator's nights are in the
// ledger's tests.

// bench feeds a state as a ledger would.
type bench struct {
	State
	at   int64 // ns
	seen Seen
	r    *Rules
	rnd  *rand.Rand
}

func newBench() *bench {
	return &bench{at: 1_000_000 * second, r: RulesOf(Tote{SensorM: 1.1, TopM: 0.96, CapacityL: 1000}), rnd: rand.New(rand.NewPCG(1, 2)), seen: Seen{Standing: true}}
}

// run lets channels speak for so long, each every so often; a value of NaN is
// not said.
func (b *bench) run(lasts int64, say map[meter.Channel]func() float64, every map[meter.Channel]int64) {
	step := second / 5
	for end := b.at + lasts; b.at < end; b.at += step {
		b.Record(b.at)
		for c := range traits {
			c := meter.Channel(c)
			if f := say[c]; f != nil && b.at%max(step, every[c]) == 0 {
				if v := f(); !math.IsNaN(v) {
					b.Reading(b.at, c, v, b.seen, b.r)
				}
			}
		}
	}
}

func (b *bench) has(what string, c meter.Channel) []Health {
	return slices.DeleteFunc(b.List(math.MinInt64), func(h Health) bool { return h.What != what || h.Channel != c })
}

func (b *bench) want(t *testing.T, name string, want ...string) {
	t.Helper()
	var got []string
	for _, h := range b.List(math.MinInt64) {
		s := fmt.Sprint(h.Channel, " ", h.What)
		if h.To == 0 {
			s += ", lasts"
		}
		got = append(got, s)
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s: got %q, want %q", name, got, want)
	}
}

func scattered(b *bench, mean *float64, u, step float64) func() float64 {
	return func() float64 { return math.Round((*mean+u*b.rnd.NormFloat64())/step) * step }
}

var usualEvery = map[meter.Channel]int64{meter.Headspace: second, meter.Syrup: 5 * second, meter.Air: 5 * second, meter.Pump: second}

func TestAbsent(t *testing.T) {
	b := newBench()
	level, syrup := 0.4, 18.0
	say := map[meter.Channel]func() float64{
		meter.Pulses: func() float64 { return 5 }, meter.Headspace: scattered(b, &level, 0.001, 1e-4), meter.Syrup: scattered(b, &syrup, 0.1, 0.1)}
	b.run(10*minute, say, usualEvery)
	fell := b.at
	only := map[meter.Channel]func() float64{meter.Pulses: say[meter.Pulses], meter.Syrup: say[meter.Syrup]}
	b.run(25*second, only, usualEvery)
	b.want(t, "silent for 25 s")
	b.run(20*second, only, usualEvery)
	b.want(t, "silent for 45 s", "headspace absent, lasts")
	if h := b.has(Absent, meter.Headspace)[0]; fell-h.From > second || math.Abs(h.Value-0.4) > 0.01 {
		t.Errorf("since %d s before, value %v", (fell-h.From)/second, h.Value)
	}
	came := b.at
	b.run(minute, say, usualEvery)
	b.want(t, "it came back", "headspace absent")
	if h := b.has(Absent, meter.Headspace)[0]; h.To-came > second {
		t.Errorf("back %d s after it was", (h.To-came)/second)
	}
	// The rig is switched off for a day: nobody else is heard either.
	b.at += 24 * 60 * minute
	slow := map[meter.Channel]func() float64{meter.Pulses: say[meter.Pulses], meter.Headspace: say[meter.Headspace]}
	b.run(90*second, slow, usualEvery)
	b.want(t, "off for a day", "headspace absent")
	b.run(30*second, slow, usualEvery)
	b.want(t, "and one that did not come back", "headspace absent", "syrup absent, lasts")
	b.run(gone, slow, usualEvery)
	b.want(t, "it is no longer fitted", "headspace absent", "syrup absent")
	// What has spoken only now and then is missed by nobody.
	b = newBench()
	b.run(minute, say, map[meter.Channel]int64{meter.Headspace: 10 * second, meter.Syrup: 20 * second})
	b.run(60*minute, map[meter.Channel]func() float64{meter.Pulses: say[meter.Pulses]}, nil)
	b.want(t, "seldom heard")
}

func TestImpossible(t *testing.T) {
	b := newBench()
	v := 18.0
	say := map[meter.Channel]func() float64{meter.Pulses: func() float64 { return 1 }, meter.Syrup: func() float64 { return v + 0.1*float64(b.rnd.IntN(2)) }}
	b.run(5*minute, say, usualEvery)
	v = 85
	b.run(10*second, say, usualEvery)
	v = 18
	b.run(minute, say, usualEvery)
	b.want(t, "a spike of two readings")
	v = 85
	began := b.at
	b.run(minute, say, usualEvery)
	b.want(t, "it says 85", "syrup impossible, lasts")
	v = 130
	b.run(minute, say, usualEvery)
	// One right reading in between does not end it.
	v = 18
	b.run(5*second, say, usualEvery)
	v = 85
	b.run(minute, say, usualEvery)
	b.want(t, "and goes on", "syrup impossible, lasts")
	v = 18
	well := b.at
	b.run(2*minute, say, usualEvery)
	b.want(t, "well again", "syrup impossible")
	if h := b.has(Impossible, meter.Syrup)[0]; h.From-began > 5*second || h.To-well > 5*second || h.Value < 129 {
		t.Errorf("from %d s, to %d s, worst %v", (h.From-began)/second, (h.To-well)/second, h.Value)
	}
	// Syrup in a pump that runs against the shut trigger does get hot.
	b = newBench()
	say[meter.Syrup] = func() float64 { v += 0.7; return min(v, 102) }
	b.run(15*minute, say, usualEvery)
	v = 102
	say[meter.Syrup] = func() float64 { v -= 0.2; return v }
	b.run(20*minute, say, usualEvery)
	b.want(t, "it got hot")

	for _, tc := range []struct {
		c    meter.Channel
		v    float64
		what bool
	}{
		{meter.Headspace, 1.14, false}, {meter.Headspace, 1.16, true}, {meter.Headspace, 0.03, false}, {meter.Headspace, 0.01, true},
		{meter.Head, 15.8e3, false}, {meter.Head, 16e3, true}, {meter.Head, -19e3, false}, {meter.Head, -21e3, true},
		{meter.Pump, 99, false}, {meter.Pump, 101, true}, {meter.Air, -44, false}, {meter.Air, 66, true},
		{meter.Line, -90e3, false}, {meter.Line, -96e3, true}, {meter.Line, 2.1e6, true}, {meter.Syrup, -19, false}, {meter.Syrup, -21, true}, {meter.Syrup, 61, true},
	} {
		b := newBench()
		if got := !b.Reading(b.at, tc.c, tc.v, b.seen, b.r); got != tc.what {
			t.Errorf("%v of %g: impossible is %v", tc.c, tc.v, got)
		}
	}
	r := RulesOf(Tote{})
	if r.Most[meter.Headspace] < 1e9 || r.Litres != 20 || RulesOf(Tote{CapacityL: 4000}).Litres != 80 {
		t.Errorf("without a tote: %+v", r)
	}
}

func TestStuck(t *testing.T) {
	b := newBench()
	level, fixed := 0.4, 0.0
	say := map[meter.Channel]func() float64{meter.Headspace: func() float64 {
		if fixed > 0 {
			return fixed
		}
		return math.Round((level+0.001*b.rnd.NormFloat64())*1e4) / 1e4
	}}
	pull := func(litres float64) {
		start := b.at
		b.run(20*second, say, usualEvery)
		level += litres / 1000
		b.Flowed(start, litres, true)
		b.run(30*second, say, usualEvery)
	}
	for range 8 {
		pull(4)
	}
	b.want(t, "it falls")
	fixed = 0.4321
	began := b.at
	for range 4 {
		pull(4)
	}
	b.run(60*minute, say, usualEvery)
	b.want(t, "the same, but 16 L only")
	pull(4)
	b.want(t, "the same over 20 L", "headspace stuck, lasts")
	fixed = 0
	pull(4)
	b.want(t, "it came loose", "headspace stuck")
	if h := b.has(Stuck, meter.Headspace)[0]; h.From-began > 2*second || h.Value != 0.4321 {
		t.Errorf("from %d s, %v", (h.From-began)/second, h.Value)
	}

	// A shaft whose speed is said in whole turns a second stays at 40 for long,
	// as it always has; one that used to change does not.
	for _, coarse := range []bool{false, true} {
		b := newBench()
		k, hold := 0, false
		say := map[meter.Channel]func() float64{meter.Pump: func() float64 {
			k++
			switch {
			case hold:
				return 40
			case !coarse:
				return 40 + 0.1*b.rnd.NormFloat64()
			case k%150 == 0:
				return 41
			}
			return 40
		}}
		pulls := func(n int) {
			for range n {
				start := b.at
				b.run(20*second, say, usualEvery)
				b.Flowed(start, 4, true)
				b.run(30*second, say, usualEvery)
			}
		}
		pulls(20)
		b.want(t, fmt.Sprint("a shaft, coarse ", coarse))
		hold = true
		pulls(5)
		want := []string{"pump stuck, lasts"}
		if coarse {
			want = nil
		}
		b.want(t, fmt.Sprint("held, coarse ", coarse), want...)
	}

	// Whole turns a second from the start, and nothing else: it starts, runs for
	// a yard, and stops.
	b = newBench()
	for range 5 {
		speed := 0.0
		say := map[meter.Channel]func() float64{meter.Pump: func() float64 { return speed }}
		b.run(5*minute, say, usualEvery)
		speed = 40
		for range 14 {
			start := b.at
			b.run(20*second, say, usualEvery)
			b.Flowed(start, 4, true)
			b.run(60*second, say, usualEvery)
		}
	}
	b.want(t, "a governor without a flaw")

	// A pump that stands says 0 for hours.
	b = newBench()
	b.run(180*minute, map[meter.Channel]func() float64{meter.Pump: func() float64 { return 0 }, meter.Line: func() float64 { return 101 }}, usualEvery)
	b.want(t, "at rest")

	// A thermometer that says the same for hours while the air cools.
	for _, tc := range []struct {
		name  string
		falls float64 // K/h
		step  float64
		hours int64
		want  []string
	}{
		{"the air falls by 3 K", 1, 0.1, 3, []string{"syrup stuck, lasts"}},
		{"the air stays", 0.2, 0.1, 3, nil},
		{"for an hour", 3, 0.1, 1, nil},
		{"a coarse one in a tote that stays warm", 1, 1, 3, nil},
	} {
		b := newBench()
		air, syrup, hold := 12.0, 18.2, false
		say := map[meter.Channel]func() float64{
			meter.Air: func() float64 { air -= tc.falls / 720; return math.Round(10*air+b.rnd.NormFloat64()) / 10 },
			meter.Syrup: func() float64 {
				if hold {
					return 18
				}
				return math.Round((syrup+0.3*b.rnd.NormFloat64())/tc.step) * tc.step
			}}
		b.run(30*minute, say, usualEvery)
		hold = true
		b.run(tc.hours*60*minute, say, usualEvery)
		b.want(t, tc.name, tc.want...)
	}
}

func TestNoisy(t *testing.T) {
	b := newBench()
	level, u := 0.4, 0.001
	say := map[meter.Channel]func() float64{meter.Headspace: func() float64 { return level + u*b.rnd.NormFloat64() }}
	b.run(20*minute, say, usualEvery)
	u = 0.05
	b.run(90*second, say, usualEvery)
	b.want(t, "noisy for a minute and a half")
	u = 0.001
	b.run(10*minute, say, usualEvery)
	b.seen.Standing = false // a drive
	u = 0.05
	b.run(20*minute, say, usualEvery)
	b.seen.Standing, u = true, 0.001
	b.run(5*minute, say, usualEvery)
	b.want(t, "a drive")
	u = 0.05
	began := b.at
	b.run(6*minute, say, usualEvery)
	b.want(t, "noisy", "headspace noisy, lasts")
	u = 0.001
	well := b.at
	b.run(6*minute, say, usualEvery)
	b.want(t, "well again", "headspace noisy")
	if h := b.has(Noisy, meter.Headspace)[0]; h.From-began > 2*minute || h.To-well > 2*minute || h.Value < 0.02 || h.Value > 0.2 {
		t.Errorf("from %d s, to %d s, %v", (h.From-began)/second, (h.To-well)/second, h.Value)
	}
}

// A copy is its own; what is told stays told, and in order.
func TestClone(t *testing.T) {
	b := newBench()
	air := 12.0
	say := map[meter.Channel]func() float64{meter.Air: scattered(b, &air, 0.1, 0.1), meter.Pulses: func() float64 { return 1 }}
	b.run(5*minute, say, usualEvery)
	air = 80
	b.run(minute, say, usualEvery)
	air = 12
	b.run(2*minute, say, usualEvery)
	c := *b
	c.State = b.Clone()
	air = 80
	c.run(minute, say, usualEvery)
	air = 12
	c.run(2*minute, say, usualEvery)
	was := b.List(math.MinInt64)
	air = 80
	b.run(minute, say, usualEvery)
	if n := len(c.List(math.MinInt64)); n != 2 || len(was) != 1 || !reflect.DeepEqual(b.State.Told, was) {
		t.Errorf("%d in the copy, was %v, told %v", n, was, b.State.Told)
	}
	if got := b.List(b.at); len(got) != 1 || got[0].To != 0 {
		t.Errorf("what lasts: %v", got)
	}
}

func BenchmarkReading(b *testing.B) {
	r := RulesOf(Tote{})
	for _, c := range []meter.Channel{meter.Pulses, meter.Line, meter.Headspace} {
		b.Run(c.String(), func(b *testing.B) {
			var s State
			at := int64(0)
			b.ReportAllocs()
			for i := range b.N {
				at += second / 5
				s.Record(at)
				s.Reading(at, c, float64(i%7), Seen{Flowing: true}, r)
			}
		})
	}
}
