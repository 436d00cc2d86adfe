package watch

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter"
	"yardtally/meter/chart"
	"yardtally/meter/outing"
	"yardtally/meter/sensor"
	"yardtally/meter/tote"
)

// TestRunLengths: the limits give what is stated beside them.
func TestRunLengths(t *testing.T) {
	sum, mean, high := chart.CusumARL(sumSlack, sumLimit, 0, 0), chart.EwmaARL(meanShare, meanWidth, 0), 2*chart.PointsARL(point, warn, 0)
	for _, x := range []struct {
		name      string
		got, want float64
	}{{"sum", sum, sumARL}, {"mean", mean, meanARL}, {"point", high, pointARL}} {
		if math.Abs(x.got/x.want-1) > 0.01 {
			t.Errorf("%s: a run of %.4g, stated %.4g", x.name, x.got, x.want)
		}
	}
	if all := 1 / (1/sum + 1/mean + 1/high); all < allARL || all > 2*allARL {
		t.Errorf("all: a run of %.4g, stated %.4g", all, allARL)
	}
	// Three pulls far off are beyond the sum, two are not.
	if 2*(clip-sumSlack) > sumLimit || 3*(clip-sumSlack) < sumLimit || clip < warn || clip > point {
		t.Error("the clip does not fit the limits")
	}
}

// TestChartsKeepTheirWord: on independent normal scores they signal about as seldom as
// is stated; with looser limits of the same kind, where it can be seen in the time.
func TestChartsKeepTheirWord(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	steps, signals := int(seeds(400_000, 6_000_000)), 0
	c := newCharts()
	for range steps {
		if c.step(r.NormFloat64()) != chart.Within {
			signals++
			c.restart()
		}
	}
	want := float64(steps) / allARL
	if got := float64(signals); got > want+3*math.Sqrt(want) {
		t.Errorf("%d signals in %d pulls, want %.1f", signals, steps, want)
	}
	t.Logf("%d signals in %d pulls", signals, steps)
}

// TestFalseAlarms: nights without a fault, with hands that hold back; of all
// charts together at most one alarm in 100 h of 40 pulls each, and design is for far
// fewer.
func TestFalseAlarms(t *testing.T) {
	pulls, alarms := 0, 0
	for seed := range seeds(30, 400) {
		g := newRig(seed)
		g.gauge, g.counter = seed%3 == 0, seed%3 > 0
		s := g.learnt(t)
		for range 5 {
			night := g.night(g.evening("tonight"), nil)
			log := logOf(night, s)
			pulls += len(night)
			if n := len(log.Verdicts); n > 0 {
				alarms += n
				t.Logf("seed %d: %+v", seed, log.Verdicts)
			}
		}
	}
	t.Logf("%d alarms in %d pulls", alarms, pulls)
	if most := 1 + float64(pulls)/4000; float64(alarms) > most {
		t.Errorf("%d alarms in %d pulls, want %.1f at most", alarms, pulls, most)
	}
}

// TestFlowVerdicts: every fault, by what is fitted: the kinds, from about when,
// and how soon, in nine rigs of ten and more.
func TestFlowVerdicts(t *testing.T) {
	from := func(k int, a ailment) func(int) ailment {
		return func(i int) ailment {
			if i < k {
				return well
			}
			return a
		}
	}
	grows := func(before bool) func(int) ailment {
		return func(i int) ailment {
			x := 1 - 0.6*min(1, float64(max(0, i-14))/25)
			if before {
				return ailment{x, 1, 1, 0, false}
			}
			return ailment{1, x, 1, 0, false}
		}
	}
	kink, screen := ailment{1, 0.5, 1, 0, false}, ailment{0.5, 1, 1, 0, false}
	slow, fast := ailment{1, 1, 0.8, 0, false}, ailment{1, 1, 1.15, 0, false}
	for _, c := range []struct {
		name           string
		gauge, counter bool
		ail            func(int) ailment
		want           []Kind
		where          Where
		from, by       int // pulls
	}{
		{"a kink, flow alone", false, false, from(20, kink), []Kind{Kink, ThrottleDown}, Unknown, 20, 23},
		{"a kink, the pump's speed", false, true, from(20, kink), []Kind{Kink, Suction}, Unknown, 20, 23},
		{"a kink, pressure", true, false, from(20, kink), []Kind{Kink}, Downstream, 20, 23},
		{"a kink, both", true, true, from(20, kink), []Kind{Kink}, Downstream, 20, 23},
		{"a screen that something covers, flow alone", false, false, from(20, screen), []Kind{Kink, ThrottleDown}, Unknown, 20, 23},
		{"the same, pressure", true, false, from(20, screen), []Kind{ThrottleDown, Suction}, Upstream, 20, 23},
		{"the same, both", true, true, from(20, screen), []Kind{Suction}, Upstream, 20, 23},
		{"a throttle lowered, flow alone", false, false, from(20, slow), []Kind{Kink, ThrottleDown}, Unknown, 20, 25},
		{"the same, pressure", true, false, from(20, slow), []Kind{ThrottleDown, Suction}, Upstream, 20, 25},
		{"the same, the pump's speed", false, true, from(20, slow), []Kind{ThrottleDown}, Upstream, 20, 25},
		{"a throttle raised, flow alone", false, false, from(20, fast), []Kind{ThrottleUp, Thinner}, Unknown, 20, 25},
		{"the same, pressure", true, false, from(20, fast), []Kind{ThrottleUp}, Upstream, 20, 25},
		{"the same, the pump's speed", false, true, from(20, fast), []Kind{ThrottleUp}, Upstream, 20, 25},
		{"a clog of nozzle or hose, flow alone", false, false, grows(false), []Kind{Clog}, Unknown, 14, 30},
		{"the same, pressure", true, false, grows(false), []Kind{Clog}, Downstream, 14, 30},
		{"a clog of the screen, pressure", true, true, grows(true), []Kind{Clog}, Upstream, 14, 30},
		{"thinner than declared, flow alone", false, false, from(0, ailment{1, 1, 1, -0.07, false}), []Kind{Thinner, ThrottleUp}, Unknown, 0, 7},
		{"the same, the pump's speed", false, true, from(0, ailment{1, 1, 1, -0.07, false}), []Kind{Thinner}, Unknown, 0, 7},
		{"thicker than declared, flow alone", false, false, from(0, ailment{1, 1, 1, 0.06, false}), []Kind{ThrottleDown, Thicker}, Unknown, 0, 7},
		{"the same, the pump's speed", false, true, from(0, ailment{1, 1, 1, 0.06, false}), []Kind{Thicker, Clog}, Unknown, 0, 7},
	} {
		t.Run(c.name, func(t *testing.T) {
			n, right := int(seeds(10, 100)), 0
			for seed := range uint64(n) {
				g := newRig(1000 + seed)
				g.gauge, g.counter = c.gauge, c.counter
				s := g.learnt(t)
				night := g.night(g.evening("tonight"), c.ail)
				log := logOf(night, s)
				ok := false
				for i := range log.Verdicts {
					v := &log.Verdicts[i]
					f := slices.IndexFunc(night, func(p Pull) bool { return p.First == v.First })
					told := slices.IndexFunc(night, func(p Pull) bool { return p.End >= v.Told })
					if slices.Equal(v.Kinds, c.want) && f >= c.from-3 && f <= c.from+6 && told >= c.from && told < c.by {
						ok = c.where == Unknown || v.Where == c.where
					}
				}
				if ok && len(log.Verdicts) == 1 {
					right++
				} else {
					t.Logf("seed %d: %+v", seed, log.Verdicts)
				}
			}
			if float64(right) < 0.9*float64(n) {
				t.Errorf("right on %d of %d rigs", right, n)
			}
		})
	}
}

// TestRelease: flow that comes back ends the verdict; the next kink is another.
// A kink shows too where the throttle was raised before.
func TestRelease(t *testing.T) {
	for seed := range seeds(10, 60) {
		g := newRig(2000 + seed)
		g.held = 0
		s := g.learnt(t)
		night := g.night(g.evening("tonight"), func(i int) ailment {
			a := well
			if i >= 8 && i < 14 || i >= 30 && i < 36 {
				a.after = 0.5
			}
			if i >= 22 {
				a.speed = 1.2
			}
			return a
		})
		log := logOf(night, s)
		var kinks []Verdict
		for _, v := range log.Verdicts {
			if v.Has(Kink) {
				kinks = append(kinks, v)
			} else if !v.Has(ThrottleUp) || v.Until != 0 {
				t.Errorf("seed %d: %+v", seed, v)
			}
		}
		if len(kinks) != 2 || len(log.Verdicts) != 3 {
			t.Fatalf("seed %d: %+v, want two kinks and a throttle", seed, log.Verdicts)
		}
		for i, k := range [...]struct{ from, to int }{{8, 14}, {30, 36}} {
			v := &kinks[i]
			if v.From != night[k.from].Start || v.Told > night[k.from+3].End || v.Until < night[k.to].End || v.Until > night[k.to+2].End {
				t.Errorf("seed %d: kink %d: %+v", seed, i, v)
			}
		}
		if kinks[0].Key() == kinks[1].Key() {
			t.Errorf("both are %s", kinks[0].Key())
		}
	}
}

// TestTheHand: pulls that are held back, up to a third of them, are no verdict
// by themselves, and are said to be held; a top-up of one counts as the same.
func TestTheHand(t *testing.T) {
	alarms, held, pulls := 0, 0, 0
	for seed := range seeds(20, 200) {
		g := newRig(3000 + seed)
		s := g.learnt(t)
		g.held = 0
		night := g.night(g.evening("tonight"), func(i int) ailment {
			a := well
			if i%3 == 1 {
				a.after = 0.3 + 0.6*g.r.Float64()
			}
			if i%9 == 2 {
				a.topUp, a.after = true, 0.5
			}
			return a
		})
		log := logOf(night, s)
		for _, v := range log.Verdicts {
			if v.Size < 0 { // what is faster was not the hand
				alarms++
				t.Logf("seed %d: %+v", seed, v)
			}
		}
		for i, f := range log.Fills {
			if i%3 == 1 {
				pulls++
				if f.Held {
					held++
				}
			}
		}
	}
	if alarms > 0 || float64(held) < 0.7*float64(pulls) {
		t.Errorf("%d alarms; %d of %d pulls held back are known as that", alarms, held, pulls)
	}
}

// TestModesty: before the rig is learnt the watch says that, tells what halves the
// flow, and keeps quiet of a quarter.
func TestModesty(t *testing.T) {
	quiet, told := 0, 0
	const n = 10
	for seed := range uint64(n) {
		g := newRig(4000 + seed)
		g.held = 0
		e := g.evening("first")
		by := func(x float64) Log {
			return logOf(g.night(e, func(i int) ailment {
				a := well
				if i >= 20 && i < 26 {
					a.after = x
				}
				return a
			}), nil)
		}
		a, b := by(0.8), by(0.4)
		if !a.Learning || logOf(g.night(e, nil), g.learnt(t)).Learning {
			t.Fatal("want it to say that it learns, until it has")
		}
		if len(a.Verdicts) == 0 {
			quiet++
		}
		if slices.ContainsFunc(b.Verdicts, func(v Verdict) bool { return v.Has(Kink) }) {
			told++
		}
	}
	if quiet < n-1 || told < n-1 {
		t.Errorf("quiet on %d, told on %d of %d", quiet, told, n)
	}
}

// TestCold: what temperature explains is a forecast and no verdict.
func TestCold(t *testing.T) {
	g := newRig(11)
	s := g.learnt(t)
	e := g.evening("tonight")
	e.solids, e.says, e.tote, e.falls, e.cools = 0.65, 0.65, 22, 3, 5
	night := g.night(e, nil)
	log := logOf(night, s)
	o := log.Outlook
	if len(log.Verdicts) > 0 || o == nil || !o.Explained || o.SinceStart > 0.85 || o.Slower >= 1 || o.Slower < 0.5 ||
		o.AirHour >= o.Air || o.Now.PerGallon <= 0 || o.Hour.PerGallon <= o.Now.PerGallon {
		t.Errorf("%+v, outlook %+v", log.Verdicts, o)
	}
	for i := range night {
		night[i].Batch, night[i].Liquid = "", syrup.Syrup{}
	}
	if log := logOf(night, s); log.Outlook != nil {
		t.Error("an outlook of no batch")
	}
}

// TestLittleIsKnown: whatever is not measured, nothing crashes and a kink shows.
func TestLittleIsKnown(t *testing.T) {
	for mask := range 32 {
		g := newRig(5000)
		g.held = 0
		kink := func(i int) ailment {
			if i >= 25 {
				return ailment{1, 0.4, 1, 0, false}
			}
			return well
		}
		strip := func(n []Pull) []Pull {
			for i := range n {
				p := &n[i]
				if mask&1 != 0 {
					p.HasTote, p.Tote = false, 0
				}
				if mask&2 != 0 {
					p.HasSyrup, p.Syrup = false, 0
				}
				if mask&4 != 0 {
					p.HasAir, p.Air = false, 0
				}
				if mask&8 != 0 {
					p.HasLevel, p.Level = false, 0
				}
				if mask&16 != 0 {
					p.Batch, p.Liquid, p.SolidsU = "", syrup.Syrup{}, 0
				}
			}
			return n
		}
		var nights [][]Pull
		for _, name := range []string{"a", "b", "c"} {
			nights = append(nights, strip(g.night(g.evening(name), nil)))
		}
		s, err := Learn(nights, line.Usual())
		if err != nil {
			t.Errorf("mask %d: %v", mask, err)
			continue
		}
		log := logOf(strip(g.night(g.evening("tonight"), kink)), &s)
		if !slices.ContainsFunc(log.Verdicts, func(v Verdict) bool { return v.Has(Kink) }) {
			t.Errorf("mask %d: %+v", mask, log.Verdicts)
		}
	}
}

// TestSameAgain: the same input gives the same log, and a watcher that was shown the
// night as it came says what Make says; keys that were told stay.
func TestSameAgain(t *testing.T) {
	g := newRig(77)
	g.gauge = true
	s := g.learnt(t)
	night := g.night(g.evening("tonight"), func(i int) ailment {
		a := well
		if i >= 12 && i < 18 {
			a.after = 0.5
		}
		if i > 24 {
			a.before = max(0.4, 1-0.03*float64(i-24))
		}
		return a
	})
	label := line.Usual()
	w := NewWatcher(&label, s)
	keys := map[string]bool{}
	for n := range night {
		seen := &Seen{Pulls: night[:n+1], Now: night[n].End}
		a, b := w.Make(seen), Make(seen, &label, s)
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("after %d pulls: %+v\n and %+v", n+1, a, b)
		}
		now := map[string]bool{}
		for i := range a.Verdicts {
			now[a.Verdicts[i].Key()] = true
			if a.Verdicts[i].Told > seen.Now {
				t.Errorf("told before it was seen: %+v", a.Verdicts[i])
			}
		}
		for k := range keys {
			if !now[k] {
				t.Errorf("after %d pulls %s is no longer told", n+1, k)
			}
		}
		keys = now
	}
	if len(keys) != 2 {
		t.Errorf("%v, want two", keys)
	}
	// A pull that is told otherwise afterwards is worked out anew.
	night[3].Flow *= 1.01
	seen := &Seen{Pulls: night, Now: night[len(night)-1].End}
	if a, b := w.Make(seen), Make(seen, &label, s); !reflect.DeepEqual(a, b) {
		t.Error("a watcher kept what is no longer so")
	}
}

func TestNames(t *testing.T) {
	seen := map[string]bool{}
	for k := Clog; k < kindsAfter; k++ {
		if got, ok := ParseKind(k.String()); got != k || !ok || seen[k.String()] {
			t.Errorf("%d is %q", k, k)
		}
		seen[k.String()] = true
	}
	if _, ok := ParseKind(""); ok || kindsAfter.String() != "" {
		t.Error("no kind has a name")
	}
	v := Verdict{Kinds: []Kind{Kink, ThrottleDown}, Session: 3, First: 8, Last: 9}
	if v.Key() != "kink+throttle down @3/8" {
		t.Errorf("key %q", v.Key())
	}
}

const minute = int64(60e9)

// one returns the log's verdict, which must be the only one.
func one(t *testing.T, seen *Seen) Verdict {
	t.Helper()
	label := line.Usual()
	log := Make(seen, &label, nil)
	if len(log.Verdicts) != 1 {
		t.Fatalf("%+v, want one verdict", log.Verdicts)
	}
	return log.Verdicts[0]
}

func none(t *testing.T, what string, seen *Seen) {
	t.Helper()
	label := line.Usual()
	if log := Make(seen, &label, nil); len(log.Verdicts) > 0 {
		t.Errorf("%s: %+v", what, log.Verdicts)
	}
}

func kinds(t *testing.T, v Verdict, want ...Kind) {
	t.Helper()
	if !slices.Equal(v.Kinds, want) || v.Chance <= 0 || v.Chance >= 1 || len(v.Evidence) == 0 {
		t.Errorf("%+v, want %v", v, want)
	}
}

// TestOfTheTote: what level and meter show together.
func TestOfTheTote(t *testing.T) {
	change := func(k tote.Kind, litres float64, rate float64) *Seen {
		return &Seen{Now: start + 60*minute, Changes: []tote.Change{{Kind: k, From: start, To: start + 20*minute, Begin: start + minute, End: start + 19*minute,
			Volume: quantity.VolumeOf(litres / 1000), Rate: quantity.Flow(rate) * quantity.LitrePerMinute, Note: "a note"}}}
	}
	kinds(t, one(t, change(tote.Transfer, -90, 180)), Transfer)
	kinds(t, one(t, change(tote.Leak, -12, 0.6)), Leak)
	kinds(t, one(t, change(tote.Loss, -12, 0.6)), Leak, Transfer)
	kinds(t, one(t, change(tote.Loss, -12, 15)), Transfer, Leak)
	none(t, "a refill", change(tote.Refill, 300, 60))
	none(t, "another tote", change(tote.Swap, 300, 0))

	// A fall that was told while it went on is the same as the change it comes to.
	s := change(tote.Leak, -30, 1.5)
	s.Falls = []tote.Fall{{From: start + minute, At: start + 4*minute, Volume: 4 * quantity.Litre, Rate: 1.5 * quantity.LitrePerMinute}}
	v := one(t, s)
	kinds(t, v, Leak)
	if v.Told != start+4*minute || v.Size != 0.004 {
		t.Errorf("%+v", v)
	}

	doubt := func(why string) *Seen {
		return &Seen{Now: start + 60*minute, Doubts: []tote.Doubt{{Why: why, From: start, To: start + 9*minute, Since: start + 5*minute, Excess: 9 * quantity.Litre}}}
	}
	kinds(t, one(t, doubt(tote.NoFall)), Phantom)
	kinds(t, one(t, doubt(tote.LessFall)), Phantom)
	v = one(t, doubt(tote.Empty))
	kinds(t, v, Empty)
	if v.From != start+5*minute {
		t.Errorf("%+v", v)
	}
	none(t, "a refill meanwhile", doubt(tote.Filled))

	// Air and a level at the outlet are one matter.
	s = doubt(tote.Empty)
	s.Loose = []outing.Loose{{Why: outing.Air, Session: 1, First: 5, Last: 9, Start: start + 6*minute, End: start + 7*minute}}
	kinds(t, one(t, s), Empty)
	s = &Seen{Now: start + 60*minute, Loose: s.Loose}
	kinds(t, one(t, s), Empty, Air)
	s.Loose = []outing.Loose{{Why: outing.Suspect, Session: 1, First: 5, Last: 9, Start: start, End: start + minute},
		{Why: outing.Suspect, Session: 1, First: 50, Last: 90, Start: start + 9*minute, End: start + 10*minute}}
	v = one(t, s) // one matter
	kinds(t, v, Phantom)
	if v.Until != start+10*minute || v.Told != start+minute {
		t.Errorf("%+v", v)
	}
}

// TestPullsThatAreNone: pulses while the pump stands, and a rate that leaps.
func TestPullsThatAreNone(t *testing.T) {
	pull := func(change func(p *Pull)) *Seen {
		p := Pull{Session: 1, First: 10, Last: 200, Start: start, End: start + minute, Volume: 2 * quantity.Litre}
		p.Level, p.HasLevel = 0.6, true
		change(&p)
		return &Seen{Pulls: []Pull{p}, Now: start + 2*minute}
	}
	kinds(t, one(t, pull(func(p *Pull) { p.HasSpeed = true; p.Flow = 1e-4 })), Phantom)
	kinds(t, one(t, pull(func(p *Pull) { p.Outlet, p.HasOutlet = 9e3, true; p.Flow = 1e-4 })), Phantom)
	kinds(t, one(t, pull(func(p *Pull) { p.Rest, p.Aside = true, true })), Phantom)
	kinds(t, one(t, pull(func(p *Pull) { p.Moving, p.Aside = true, true })), Phantom)
	kinds(t, one(t, pull(func(p *Pull) { p.Stray = true })), Phantom)
	// What tells is the spacing of the pulses: an ill level does not speak against it.
	s := &Seen{Now: start + 60*minute, Loose: []outing.Loose{{Why: outing.Suspect, Note: outing.Scattered, Session: 1, First: 5, Last: 400, Start: start, End: start + minute, Volume: 3 * quantity.Litre}},
		Health: []sensor.Health{{Channel: meter.Head, What: sensor.Stuck, From: start - minute}}}
	if log := logOfSeen(s); !slices.ContainsFunc(log.Verdicts, func(v Verdict) bool { return v.Has(Phantom) && v.Size == 0.003 }) {
		t.Errorf("scattered pulses, with a level that is ill: %+v", log.Verdicts)
	}
	none(t, "a nozzle that drips on the road", pull(func(p *Pull) { p.Moving, p.Volume = true, 50*quantity.Millilitre }))
	none(t, "a pump that turns", pull(func(p *Pull) { p.Speed, p.HasSpeed = 40, true }))
	none(t, "a leap of the rate with a full tote", pull(func(p *Pull) { p.Surged = true }))
	kinds(t, one(t, pull(func(p *Pull) { p.Surged, p.Level = true, 0.05 })), Empty, Air)
	kinds(t, one(t, pull(func(p *Pull) { p.Surged, p.HasLevel = true, false })), Empty, Air)
}

// TestScatteredIsAirWhereToteIsLow: a pump that draws air has the meter count as
// scattered as ignition does, and only a level tells them apart.
func TestScatteredIsAirWhereToteIsLow(t *testing.T) {
	seen := func(level quantity.Length, known bool) *Seen {
		p := Pull{Session: 1, First: 10, Last: 200, Start: start, End: start + minute, Volume: 2 * quantity.Litre}
		p.Level, p.HasLevel = level, known
		return &Seen{Pulls: []Pull{p}, Now: start + 60*minute}
	}
	loose := func(s *Seen) *Seen {
		s.Loose = []outing.Loose{{Why: outing.Suspect, Note: outing.Scattered, Session: 1, First: 205, Last: 400, Start: start + 2*minute, End: start + 3*minute, Volume: 3 * quantity.Litre}}
		return s
	}
	stray := func(s *Seen) *Seen {
		s.Pulls[0].Stray = true
		return s
	}
	none(t, "scattered pulses in a pull, a low tote", stray(seen(0.05, true)))
	none(t, "scattered pulses by themselves, a low tote", loose(seen(0.05, true)))
	for _, sort := range []func(*Seen) *Seen{stray, loose} {
		kinds(t, one(t, sort(seen(0.6, true))), Phantom)
		kinds(t, one(t, sort(seen(0, false))), Phantom) // no level: nothing speaks of air
	}
	// Neither does a level that came afterwards.
	s := loose(seen(0.05, true))
	s.Loose[0].Start, s.Loose[0].End = start-3*minute, start-2*minute
	kinds(t, one(t, s), Phantom)
}

// TestIdle: a pump that turns against the trigger for as long as is too long.
func TestIdle(t *testing.T) {
	none(t, "nine minutes", &Seen{Idle: []outing.Idle{{From: start, To: start + 9*minute}}, Now: start + 60*minute})
	none(t, "nine minutes so far", &Seen{Idle: []outing.Idle{{From: start}}, Now: start + 9*minute})
	v := one(t, &Seen{Idle: []outing.Idle{{From: start}}, Now: start + 11*minute})
	kinds(t, v, Deadhead)
	if v.Told != start+10*minute || v.Until != 0 || v.Size != 660 {
		t.Errorf("%+v", v)
	}
	v = one(t, &Seen{Idle: []outing.Idle{{From: start, To: start + 5*minute}}, Now: start + 60*minute, Deadhead: 4 * minute})
	if v.Told != start+4*minute || v.Until != start+5*minute {
		t.Errorf("%+v", v)
	}
}

// TestIllSensors: what a sensor says that is ill is not believed.
func TestIllSensors(t *testing.T) {
	ill := func(s *Seen, c meter.Channel) *Seen {
		s.Health = []sensor.Health{{Channel: c, What: sensor.Stuck, From: start - minute}}
		return s
	}
	onlySensor := func(s *Seen) { t.Helper(); kinds(t, one(t, s), Sensor) }
	shaft := func() *Seen {
		return &Seen{Idle: []outing.Idle{{From: start, To: start + 20*minute, Speed: 38}}, Now: start + 60*minute}
	}
	kinds(t, one(t, shaft()), Deadhead)
	onlySensor(ill(shaft(), meter.Pump))
	if log := logOfSeen(ill(shaft(), meter.Line)); len(log.Verdicts) != 2 {
		t.Errorf("the gauge is stuck, and the shaft turns: %+v", log.Verdicts)
	}
	pressed := shaft()
	pressed.Idle[0].Speed, pressed.Idle[0].Outlet = 0, 2e5
	onlySensor(ill(pressed, meter.Line))

	doubt := func() *Seen {
		return &Seen{Doubts: []tote.Doubt{{Why: tote.NoFall, From: start, To: start + 10*minute, Excess: 20 * quantity.Litre}}, Now: start + 60*minute}
	}
	kinds(t, one(t, doubt()), Phantom)
	onlySensor(ill(doubt(), meter.Headspace))
	onlySensor(ill(doubt(), meter.Head)) // the level's only sensor
	both := doubt()
	both.Heads = []tote.Head{{At: start, Pressure: 0.5, Face: 0.5}}
	if log := logOfSeen(ill(both, meter.Head)); len(log.Verdicts) != 2 {
		t.Errorf("the pressure is stuck, and the face seen from above is not: %+v", log.Verdicts)
	}
	vent := &Seen{Now: start + 60*minute}
	for i := range 20 {
		vent.Heads = append(vent.Heads, tote.Head{At: start + int64(i)*minute, Face: 0.8, Pressure: 0.8 - quantity.Length(max(0, i-5))/100})
	}
	kinds(t, one(t, vent), Vent)
	for _, c := range []meter.Channel{meter.Headspace, meter.Head} {
		s := *vent
		onlySensor(ill(&s, c))
	}
}

func logOfSeen(s *Seen) Log {
	label := line.Usual()
	return Make(s, &label, nil)
}

// TestHeated: after a pump has turned for long against a shut trigger the line is
// warm, and faster: that is no throttle.
func TestHeated(t *testing.T) {
	g := newRig(3)
	season := g.learnt(t)
	pulls := g.night(g.evening("hot"), func(i int) ailment {
		a := well
		if i >= 10 && i < 15 {
			a.after = 1.3
		}
		return a
	})
	s := &Seen{Pulls: pulls, Now: pulls[len(pulls)-1].End}
	label := line.Usual()
	if log := Make(s, &label, season); len(log.Verdicts) == 0 {
		t.Fatal("faster for no reason, and nobody says so")
	}
	s.Idle = []outing.Idle{{From: pulls[10].Start - 9*minute, To: pulls[10].Start}}
	if log := Make(s, &label, season); len(log.Verdicts) > 0 {
		t.Errorf("%+v", log.Verdicts)
	}
	if s.Pulls[10].heated {
		t.Error("what was seen is changed")
	}
	s.Idle[0].From = pulls[10].Start - 2*minute
	if log := Make(s, &label, season); len(log.Verdicts) == 0 {
		t.Error("two minutes heat nothing")
	}
}

// TestSpeedLost: a shaft that is heard no more has not changed its speed.
func TestSpeedLost(t *testing.T) {
	for seed := range seeds(5, 60) {
		g := newRig(seed)
		g.counter = true
		season := g.learnt(t)
		e := g.evening("lost")
		e.throttle = 0.85
		pulls := g.night(e, nil)
		for i := 12; i < len(pulls); i++ {
			pulls[i].Speed, pulls[i].HasSpeed = 0, false
		}
		if log := logOf(pulls, season); len(log.Verdicts) > 0 {
			t.Errorf("seed %d: %+v", seed, log.Verdicts)
		}
	}
}

// TestVent: the pressure sensor falls behind the level seen from above, and
// comes back when the vent is opened.
func TestVent(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	heads := func(shut, open int) *Seen {
		s := &Seen{}
		for i := range 60 {
			h := tote.Head{At: start + int64(i)*minute, Face: quantity.Length(0.8 - 0.005*float64(i))}
			h.Pressure = h.Face + quantity.Length(0.006+0.003*r.NormFloat64())
			if i >= shut && i < open {
				h.Pressure -= quantity.Length(0.012 * float64(i-shut+1))
			}
			s.Heads = append(s.Heads, h)
		}
		s.Now = start + 60*minute
		return s
	}
	none(t, "an open vent", heads(99, 99))
	v := one(t, heads(20, 40))
	kinds(t, v, Vent)
	if v.From < start+21*minute || v.Told > start+27*minute || v.Until != start+40*minute || v.Size < 0.2 {
		t.Errorf("%+v", v)
	}
}

func TestHotAndOld(t *testing.T) {
	s := &Seen{Now: start + 60*minute}
	for i, c := range []quantity.Temperature{40, 44, 46, 48, 44, 42, 44, 41} {
		s.Pulls = append(s.Pulls, Pull{Session: 1, First: uint64(i), Last: uint64(i + 1), Start: start + int64(i)*minute, End: start + int64(i)*minute + 1, Syrup: c, HasSyrup: true})
	}
	v := one(t, s)
	kinds(t, v, Hot)
	if v.From != s.Pulls[2].Start || v.Until != s.Pulls[5].End || v.Size != 3 {
		t.Errorf("%+v", v)
	}
	const day = 24 * 60 * minute
	batch := func(solids quantity.Solids, age int64) *Seen {
		return &Seen{Now: start, Batches: []Batch{{ID: "b", Made: start - age, From: start - minute, Liquid: syrup.Syrup{Solids: solids}}}}
	}
	none(t, "fresh and thin", batch(0.5, 4*day))
	kinds(t, one(t, batch(0.5, 6*day)), Old)
	none(t, "thick", batch(0.66, 20*day))
	kinds(t, one(t, batch(0.66, 31*day)), Old)
	none(t, "nobody knows when", &Seen{Now: start, Batches: []Batch{{ID: "b", From: start, Liquid: syrup.Syrup{Solids: 0.5}}}})
}

// TestDrift: over many litres, beyond what either can be off by.
func TestDrift(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	points := func(off float64, litres float64) *Seen {
		s := &Seen{Now: start + 900*minute, Terms: tote.Terms{ShareU: 0.005, MeterU: 0.003}}
		for i := range int(litres/10) + 1 {
			u := 0.5
			s.Points = append(s.Points, tote.Point{At: start + int64(i)*minute, Rest: true, Tote: "t", U: quantity.VolumeOf(u / 1000),
				Volume:  quantity.VolumeOf((800 - 10*float64(i) + u*r.NormFloat64()) / 1000),
				Metered: quantity.VolumeOf(10 * float64(i) * (1 + off) / 1000)})
		}
		return s
	}
	for range 50 {
		none(t, "no drift", points(0.005, 500))
		none(t, "few litres", points(0.2, 80))
	}
	v := one(t, points(0.06, 500))
	kinds(t, v, Drift, Phantom)
	if math.Abs(v.Size-0.06) > 0.03 {
		t.Errorf("%+v", v)
	}
	if v := one(t, points(-0.06, 500)); v.Size > -0.03 {
		t.Errorf("%+v", v)
	}
	s := points(0.06, 500) // something else explains it
	s.Changes = []tote.Change{{Kind: tote.Refill, From: start, To: start + 900*minute}}
	none(t, "a refill meanwhile", s)
	// The same difference at once is no drift: of pulses that came together.
	s = points(0, 500)
	for i := 20; i < len(s.Points); i++ {
		s.Points[i].Metered += 30 * quantity.Litre
	}
	none(t, "one burst", s)
	// A little loss is what a meter makes that counts too few; more is none.
	loss := func(litres float64) *Seen {
		s := points(-0.06, 500)
		s.Changes = []tote.Change{{Kind: tote.Loss, From: start + 5*minute, To: start + 45*minute, Volume: -quantity.VolumeOf(litres / 1000), Note: "some was drawn past the meter"}}
		return s
	}
	kinds(t, one(t, loss(24)), Drift, Leak)
	kinds(t, one(t, loss(200)), Leak, Transfer)
	// Levels that do not count, as on the road, break nothing; silence does.
	s = points(0.06, 150)
	for i := 3; i < len(s.Points); i += 3 {
		s.Points[i].Rest = false
	}
	kinds(t, one(t, s), Drift, Phantom)
	s = points(0.06, 150)
	for i := range s.Points {
		s.Points[i].Silent = 1
	}
	none(t, "silence between all levels", s)
	// Pulses that are known to be none of syrup do not count.
	s = points(0, 500)
	for i := 3; i < len(s.Points); i += 3 {
		for k := i; k < len(s.Points); k++ {
			s.Points[k].Metered += 3 * quantity.Litre
		}
		s.Loose = append(s.Loose, outing.Loose{Why: outing.Suspect, Start: s.Points[i].At - 20, End: s.Points[i].At - 10, Volume: 3 * quantity.Litre})
	}
	for _, v := range logOfSeen(s).Verdicts {
		kinds(t, v, Phantom)
	}
}

func TestSensors(t *testing.T) {
	v := one(t, &Seen{Now: start, Health: []sensor.Health{{Channel: meter.Line, What: sensor.Stuck, From: start - minute, Value: 3}}})
	kinds(t, v, Sensor)
	if v.Channel != "line" || v.Until != 0 || !strings.Contains(v.Key(), "line") {
		t.Errorf("%+v", v)
	}
}

// TestNotes: syrup below its saturation temperature is a note of its batch, once.
// 2:1 by weight saturates at 19.6 °C (reference F).
func TestNotes(t *testing.T) {
	at := func(c quantity.Temperature) Log {
		s := &Seen{Now: start}
		for i := range 3 {
			p := Pull{First: uint64(i), Last: uint64(i + 1), Start: start + int64(i), End: start + int64(i)}
			p.Tote, p.HasTote, p.Batch, p.Liquid = c, true, "b", syrup.Syrup{Solids: 2.0 / 3}
			s.Pulls = append(s.Pulls, p)
		}
		label := line.Usual()
		return Make(s, &label, nil)
	}
	if cold, warm := at(12), at(25); len(cold.Notes) != 1 || cold.Notes[0].Batch != "b" || len(cold.Verdicts) > 0 || len(warm.Notes) > 0 {
		t.Errorf("%+v, %+v", cold.Notes, warm.Notes)
	}
}

// TestBlind: thick syrup hardly feels the nozzle, thin syrup hardly the cold.
func TestBlind(t *testing.T) {
	at := func(solids quantity.Solids, c quantity.Temperature) string {
		g := newRig(1)
		e := g.evening("x")
		e.solids, e.says, e.tote, e.pulls = solids, solids, float64(c), 1
		return strings.Join(logOf(g.night(e, nil), nil).Blind, " ")
	}
	if s := at(0.67, 8); !strings.Contains(s, "thick hardly feels the nozzle") || strings.Contains(s, "hardly feels the cold") {
		t.Errorf("thick: %q", s)
	}
	if s := at(0.30, 25); !strings.Contains(s, "thin hardly feels the cold") || strings.Contains(s, "nozzle") {
		t.Errorf("thin: %q", s)
	}
}

// TestLearn names what it cannot learn from.
func TestLearn(t *testing.T) {
	if _, err := Learn(nil, line.Usual()); err == nil || !strings.Contains(err.Error(), "pulls") {
		t.Errorf("%v", err)
	}
	if _, err := Learn([][]Pull{make([]Pull, 30)}, line.Usual()); err == nil {
		t.Error("learnt from pulls without a flow")
	}
	g := newRig(42)
	var nights [][]Pull
	for i := range 12 {
		nights = append(nights, g.night(g.evening(fmt.Sprint(i)), nil))
	}
	s, err := Learn(nights, line.Usual())
	if err != nil || !s.Has || s.Nights != 12 || s.Learnt.Used > maxLearnt || s.Learnt.Used < 300 ||
		s.NightU <= 0 || s.NightU > 0.2 || s.Scatter < leastScatter || s.Scatter > 0.03 || s.Held < 0.03 || s.Held > 0.12 {
		t.Errorf("%v: nights %d, used %d, night %.3f, scatter %.4f, held %.3f", err, s.Nights, s.Learnt.Used, s.NightU, s.Scatter, s.Held)
	}
}

func benchNight(b *testing.B) (*Season, *Seen, line.Line) {
	g := newRig(6)
	g.gauge = true
	s := g.learnt(b)
	e := g.evening("tonight")
	e.pulls = 100
	night := g.night(e, nil)
	return s, &Seen{Pulls: night, Now: night[99].End}, line.Usual()
}

// BenchmarkMake is a whole night of 100 pulls.
func BenchmarkMake(b *testing.B) {
	s, seen, label := benchNight(b)
	b.ReportAllocs()
	for b.Loop() {
		Make(seen, &label, s)
	}
}

// BenchmarkWatcher is a second's update on such a night, with no pull more and with one.
func BenchmarkWatcher(b *testing.B) {
	s, seen, label := benchNight(b)
	w := NewWatcher(&label, s)
	b.Run("same", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			w.Make(seen)
		}
	})
	b.Run("a pull more", func(b *testing.B) {
		less := *seen
		less.Pulls = seen.Pulls[:99]
		for b.Loop() {
			w.Make(&less)
			w.Make(seen)
		}
	})
}

func BenchmarkLearn(b *testing.B) {
	g := newRig(6)
	var nights [][]Pull
	for i := range 3 {
		nights = append(nights, g.night(g.evening(fmt.Sprint(i)), nil))
	}
	for b.Loop() {
		if _, err := Learn(nights, line.Usual()); err != nil {
			b.Fatal(err)
		}
	}
}
