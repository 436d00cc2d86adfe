package rigsim

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// mean returns the mean of a channel between two instants, and of how many readings.
func mean(said []Said, c meter.Channel, from, to time.Time) (float64, int) {
	sum, n := 0.0, 0
	for _, m := range said {
		if v, ok := value(m, c); ok && m.At.After(from) && m.At.Before(to) {
			sum, n = sum+v, n+1
		}
	}
	return sum / float64(n), n
}

// plain is a night of nine pulls, each of them whole and with the trigger open.
func plain(seed uint64) Scenario {
	s := steady(seed)
	s.Hand.Topped, s.Hand.Short, s.Hand.Throttled = 0, 0, 0
	s.Fitted = append(s.Fitted, meter.Head)
	return s
}

// left returns what share of the clear flow each pull had.
func left(truth Truth) []float64 {
	var out []float64
	for _, f := range truth.Fills {
		out = append(out, float64(f.Plateau/f.Clear))
	}
	return out
}

// span fails unless the truth tells of one fault, over these pulls.
func span(t *testing.T, truth Truth, kind FaultKind, from, to int, ended bool) FaultSpan {
	t.Helper()
	if len(truth.Faults) != 1 {
		t.Fatalf("%s: want it told once, got %+v", kind, truth.Faults)
	}
	x := truth.Faults[0]
	if x.Kind != kind || x.FirstFill != from || x.LastFill != to || x.To.IsZero() == ended || ended && !x.To.After(x.From) {
		t.Errorf("%s: want pulls %d to %d, ended %v; got %+v", kind, from, to, ended, x)
	}
	return x
}

// TestPlateau: where nothing fails the steady flow is the clear one, on the wire
// too, and less by a trigger that is not wide open.
func TestPlateau(t *testing.T) {
	for seed := range uint64(3) {
		s := plain(seed)
		said, truth := played(t, s)
		for i, f := range truth.Fills {
			near(t, "plateau", float64(f.Plateau), float64(f.Clear), 0.01)
			if f.Number != i || f.Opening != 1 {
				t.Errorf("pull %d: want it numbered and wide open, got %+v", i, f)
			}
			from, to := f.Start.Add(time.Second), f.End.Add(-time.Second)
			n := countAt(said, to) - countAt(said, from)
			near(t, "counts", n, float64(f.Plateau)*1000*to.Sub(from).Seconds()*s.Meter.PulsesPerL*(1-s.Meter.Slip), 0.02)
		}
		s.Hand.Throttled = 1
		s.Hand.Prime = quantity.Litre
		_, truth = played(t, s)
		for i, f := range truth.Fills {
			if f.Number != i-1 {
				t.Errorf("pull %d after a priming: want number %d, got %d", i, i-1, f.Number)
			}
			if open := i == 0; open != (f.Opening == 1) || !open && (f.Opening < 0.12 || f.Opening > 0.32 || f.Plateau > f.Clear*98/100) {
				t.Errorf("throttled: want an opening of 0.12 to 0.32 and less flow, got %+v", f)
			}
		}
	}
}

// TestRestriction holds the added loss against a line that can be done by hand:
// a pump without droop, 30 m of 3/4-inch hose, laminar, nothing else. There
// p = 128 μ L q / (π d⁴), Hagen and Poiseuille's; at a share s of the flow the
// hose takes s of the pump's pressure and the restriction the rest.
func TestRestriction(t *testing.T) {
	const d, length, mu, rho, head = 0.01905, 30.0, 0.2, 1325.0, 10.0
	p := Plumbing{
		Shutoff: head, RatedSpeed: 1, Speed: 1,
		SuctionBore: 2 * quantity.Inch, HoseBore: d, HoseLength: length,
		NozzleBore: 0.19, NozzleDischarge: 1,
	}
	pump := rho * gravity * head
	free := pump * math.Pi * math.Pow(d, 4) / (128 * mu * length)
	for _, x := range []struct {
		ail
		share, bore float64
	}{
		{ail{kind: Kinked, side: DeliverySide, last: 9, over: 1, to: 0.5}, 0.5, d},
		{ail{kind: Clogged, side: DeliverySide, last: 9, over: 4, to: 0.2}, 0.8, d},
		{ail{kind: Clogged, side: SuctionSide, last: 9, over: 1, to: 0.4}, 0.4, 0.0508},
	} {
		x.told = -1
		r := &Rig{s: Scenario{Plumbing: p}, line: p}
		r.ailing = ailing{ails: []ail{x.ail}, restricts: true}
		r.restrict(1, 0, even(rho, mu))
		v := x.share * free / (math.Pi / 4 * x.bore * x.bore)
		want := (1 - x.share) * pump / (rho * v * v / 2)
		got := r.line.HoseLoss
		if x.side == SuctionSide {
			got = r.line.SuctionLoss
		}
		near(t, "loss in velocity heads", got, want, 1e-4)
		near(t, "flow", r.line.operate(1, 0, even(rho, mu), 1, 0), x.share*free, 1e-4)
	}
}

func TestKink(t *testing.T) {
	s := plain(1)
	s.Plumbing.Hunting = 0
	was, before := played(t, s)
	s.Kinks = []Kink{{Fill: 2, For: 3, To: 0.5}}
	said, truth := played(t, s)
	for i, share := range left(truth) {
		want := 1.0
		if i >= 2 && i < 5 {
			want = 0.5
		}
		near(t, "flow left", share, want, 0.02)
	}
	x := span(t, truth, Kinked, 2, 4, true)
	if f := truth.Fills[2]; x.From != f.Start || x.To != truth.Fills[5].Start || !reflect.DeepEqual(truth.Fills[:2], before.Fills[:2]) {
		t.Errorf("want a kink from pull 2 to pull 5, and nothing else changed before it; got %+v", x)
	}
	// Downstream: the pressure at the pump's outlet rises towards that of no flow,
	// by what the suction takes less: some 200 Pa.
	pressure := func(said []Said, f Fill) float64 {
		p, _ := mean(said, meter.Line, f.Start.Add(2*time.Second), f.End.Add(-2*time.Second))
		return p
	}
	if a, b := pressure(was, before.Fills[2]), pressure(said, truth.Fills[2]); b < a+50 {
		t.Errorf("line: want more than %.0f Pa, got %.0f", a, b)
	}
}

// TestKinkInPull: it comes five seconds into a pull.
func TestKinkInPull(t *testing.T) {
	s := plain(2)
	s.Kinks = []Kink{{Fill: 3, For: 1, To: 0.4, After: 5 * time.Second}}
	said, truth := played(t, s)
	f := truth.Fills[3]
	x := span(t, truth, Kinked, 3, 3, true)
	if into := x.From.Sub(f.Start); into < 5*time.Second || into > 5200*time.Millisecond {
		t.Errorf("want it 5 s into the pull, got %v", into)
	}
	pace := func(from, to time.Duration) float64 {
		return (countAt(said, f.Start.Add(to)) - countAt(said, f.Start.Add(from))) / (to - from).Seconds()
	}
	near(t, "pace after, of that before", pace(6*time.Second, 14*time.Second)/pace(time.Second, 5*time.Second), 0.4, 0.05)
	if share := left(truth); share[3] < 0.42 || share[3] > 0.9 || math.Abs(share[4]-1) > 0.01 {
		t.Errorf("want a plateau of both, and the next as ever; got %v", share)
	}
}

func TestClog(t *testing.T) {
	for _, where := range []Side{SuctionSide, DeliverySide} {
		s := plain(3)
		_, before := played(t, s)
		s.Clogs = []Clog{{Where: where, Fill: 1, Over: 6, To: 0.4}}
		said, truth := played(t, s)
		share := left(truth)
		for i := range share {
			grown := math.Max(0, math.Min(1, float64(i)/6))
			near(t, "flow left", share[i], 1-0.6*grown, 0.02)
			if i > 1 && i < 7 && share[i] >= share[i-1]-0.05 {
				t.Errorf("%s: want it to grow, got %v", where, share)
			}
			near(t, "clear flow", float64(truth.Fills[i].Clear), float64(before.Fills[i].Clear), 0.1) // the hose is colder, or warmer
		}
		span(t, truth, Clogged, 1, 8, false)
		p := func(i int) float64 {
			f := truth.Fills[i]
			v, _ := mean(said, meter.Line, f.Start.Add(2*time.Second), f.End.Add(-2*time.Second))
			return v
		}
		// Before the pump the outlet's pressure falls with the flow, after it it rises.
		if a, b := p(0), p(7); where == SuctionSide && b > 0.6*a || where == DeliverySide && b < a {
			t.Errorf("%s: line of %.0f Pa clear and %.0f clogged", where, a, b)
		}
	}
	// Two at once take their shares one after the other.
	s := plain(3)
	s.Clogs = []Clog{{SuctionSide, 0, 1, 0.8}, {DeliverySide, 0, 1, 0.7}}
	s.Kinks = []Kink{{Fill: 4, For: 1, To: 0.5}}
	_, truth := played(t, s)
	for i, share := range left(truth) {
		want := 0.56
		if i == 4 {
			want = 0.28
		}
		near(t, "flow left by two", share, want, 0.02)
	}
}

// TestClogThrottled: with the trigger half shut a clog takes less of the flow.
func TestClogThrottled(t *testing.T) {
	s := plain(4)
	s.Hand.Throttled = 1
	_, before := played(t, s)
	s.Clogs = []Clog{{DeliverySide, 0, 1, 0.5}}
	_, truth := played(t, s)
	for i, f := range truth.Fills {
		g := before.Fills[i]
		if share := float64(f.Plateau/f.Clear) / float64(g.Plateau/g.Clear); f.Opening != g.Opening || share < 0.51 || share > 0.95 {
			t.Errorf("pull %d, opened to %.2f: want more than half left, got %.2f", i, f.Opening, share)
		}
	}
}

// TestThrottleRaised: by the affinity laws pressure goes with the square of the speed.
func TestThrottleRaised(t *testing.T) {
	s := plain(5)
	s.Plumbing.Hunting = 0
	s.Throttles = []Throttle{{Fill: 3, For: 2, By: 1.15}}
	said, truth := played(t, s)
	f := truth.Fills
	const free = 2200.0 / 60
	for i, by := range []float64{1, 1, 1, 1.15, 1.15, 1} {
		n, _ := mean(said, meter.Pump, f[i].Start, f[i].End)
		near(t, "speed", n, free*by, 0.002)
		if i == 5 {
			break
		}
		// Standing against the trigger after it, less the height in the tote.
		from, to := f[i].End.Add(time.Second), f[i].End.Add(5*time.Second)
		p, _ := mean(said, meter.Line, from, to)
		h, _ := mean(said, meter.Head, from, to)
		near(t, "pressure of no flow", p-h-float64(s.Tote.Head)*1310*gravity, 1310*gravity*30*math.Pow(by*free/60, 2), 0.01)
		if share := float64(f[i].Plateau / f[i].Clear); by > 1 && (share < 1.15 || share > 1.3225) || by == 1 && math.Abs(share-1) > 0.01 {
			t.Errorf("flow at %g times the speed: want between that and its square, got %.3f", by, share)
		}
	}
	span(t, truth, Throttled, 3, 4, true)
	s.Throttles[0].For = 0
	_, truth = played(t, s)
	span(t, truth, Throttled, 3, 8, false)
}

// TestSuck holds the pressure in a shut tote against both of its laws, worked
// out apart: the air's, p*V constant, and that of the walls, 15 L a kPa.
func TestSuck(t *testing.T) {
	s := plain(1)
	full := s.Tote.Capacity()
	suck := func(gas, out quantity.Volume) float64 {
		r := &Rig{s: s, volume: full - gas - out}
		r.ailing = ailing{shut: true, shutAt: full - gas}
		return r.suck()
	}
	// 100 L of air, 20 L out: were the walls to make up for all, 1333 Pa. They
	// make up for 18.75 L; the air widens by 1.25 L, to 101325*100/101.25.
	near(t, "suction", suck(100*quantity.Litre, 20*quantity.Litre), 1250, 1e-3)
	near(t, "air after it", 101325*100/101.2492, 101325-1250, 1e-4)
	// 900 L of air and 20 L out: u = 101325*x/(900+x), 20 - x = 15*u/1000: x = 7.47.
	near(t, "much air", suck(900*quantity.Litre, 20*quantity.Litre), 834.7, 2e-3)
	if got := suck(100*quantity.Litre, 300*quantity.Litre); got != wallsFold {
		t.Errorf("walls that fold: want %g Pa, got %g", wallsFold, got)
	}
	if got := suck(0, 20*quantity.Litre); !(got > 1250 && got < 1334) {
		t.Errorf("no air: want almost 1333 Pa, got %g", got)
	}
	if got := suck(100*quantity.Litre, -quantity.Litre); got != 0 {
		t.Errorf("more in it than when it was shut: want 0, got %g", got)
	}
}

func TestVent(t *testing.T) {
	s := plain(6)
	s.Plumbing.Hunting = 0
	was, before := played(t, s)
	s.Vents = []Vent{{Fill: 2, For: 4}}
	said, truth := played(t, s)
	x := span(t, truth, Unvented, 2, 5, true)
	heads := func(said []Said, truth Truth, i int) (head, space float64) {
		from := truth.Fills[i].End.Add(7500 * time.Millisecond)
		head, _ = mean(said, meter.Head, from, from.Add(4*time.Second))
		space, _ = mean(said, meter.Headspace, from, from.Add(4*time.Second))
		return head, space
	}
	for i := range 5 {
		a, d := heads(was, before, i)
		b, e := heads(said, truth, i)
		want := 0.0
		if i >= 2 { // some 14 L of 15 the walls give, for each 3.8 L; 240 L of air under the lid
			out := truth.Fills[i].Volume.Litres()
			for _, f := range truth.Fills[2:i] {
				out += f.Volume.Litres() + f.Dribble.Litres()
			}
			want = out / 15 * 1000 * 0.88
		}
		if math.Abs(a-b-want) > 40+0.05*want {
			t.Errorf("after pull %d: want the head %.0f Pa low, got %.0f", i, want, a-b)
		}
		if math.Abs(d-e) > 0.003 {
			t.Errorf("after pull %d: want the level as ever, got %.4f and %.4f m", i, d, e)
		}
	}
	share := left(truth)
	if share[5] > 0.997 || share[5] < 0.95 || math.Abs(share[6]-1) > 0.005 || x.To != truth.Fills[6].Start {
		t.Errorf("want a little less flow by the end, and all of it after, got %v", share)
	}
}

// TestVentRefill: what is poured in lets air in too. The pull that waited for it
// has begun when the next message is said.
func TestVentRefill(t *testing.T) {
	s := plain(6)
	s.Vents = []Vent{{Fill: 0}}
	_, before := played(t, s)
	s.Refills = []Refill{{After: before.Fills[3].End.Add(8 * time.Second).Sub(s.Start), Volume: 8 * quantity.Litre, Rate: 60 * quantity.LitrePerMinute}}
	r := build(t, s)
	low, poured := 0.0, false
	for range r.All() {
		if len(r.truth.Handlings) == 0 {
			low = r.suck()
		} else if h := r.truth.Handlings[0]; !poured && !h.To.IsZero() {
			poured = true
			if got := r.suck(); low < 700 || got > 20 {
				t.Errorf("want 700 Pa or more before it, and hardly any after, got %.0f and %.0f", low, got)
			}
		}
	}
	if got := r.suck(); !poured || got < 700 {
		t.Errorf("want it shut again after, got %.0f Pa", got)
	}
}

func TestDrift(t *testing.T) {
	s := steady(7)
	s.Hand.Topped = 0
	s.Drifts = []Drift{{Fill: 2, Over: 4, By: -0.08}}
	r := build(t, s)
	said := slices.Collect(r.All())
	truth := r.Truth()
	for i, f := range truth.Fills {
		by := -0.08 * math.Max(0, math.Min(1, float64(i-1)/4))
		want := s.Meter.PulsesPerL * (1 - s.Meter.Slip) * (1 + by)
		near(t, "pulses a litre", float64(f.Settled-f.First)/(f.Volume+f.Dribble).Litres(), want, 0.004)
		near(t, "on the wire", (countAt(said, f.End.Add(8*time.Second))-countAt(said, f.Start))/(f.Volume+f.Dribble).Litres(), want, 0.01)
	}
	span(t, truth, Drifted, 2, 8, false)
}

// TestSensorFaults: each sensor fails as it should for as long as it should; all
// else that is said is as without.
func TestSensorFaults(t *testing.T) {
	base := plain(8)
	base.Fitted = nil
	for c := meter.Pulses; c <= meter.LastChannel; c++ {
		base.Fitted = append(base.Fitted, c)
	}
	const after, lasts = 2 * time.Minute, 3 * time.Minute
	good, _ := played(t, base)
	for c := meter.Headspace; c <= meter.LastChannel; c++ {
		for _, x := range []Fault{
			{Kind: Stuck}, {Kind: Absent}, {Kind: Impossible}, {Kind: Noisy, Size: failing[c].noise / 20},
		} {
			x.Channel, x.After, x.For = c, after, lasts
			s := base
			s.Faults = []Fault{x}
			said, truth := played(t, s)
			from, to := truth.Faults[0].From, truth.Faults[0].To
			if k := truth.Faults[0]; len(truth.Faults) != 1 || k.Kind != x.Kind || k.Channel != c || from != s.Start.Add(after) || to.Sub(from) != lasts {
				t.Fatalf("%v %s: want it told, got %+v", c, x.Kind, truth.Faults)
			}
			at := map[int64]Said{} // all that is said at an instant
			for _, m := range said {
				if m.At.After(from) && m.At.Before(from.Add(20*time.Second)) {
					if _, err := SerialLines(nil, m); err != nil {
						t.Fatalf("%v %s: want it to go over the wire, got %v", c, x.Kind, err)
					}
				}
				both := at[m.At.UnixNano()]
				both.Readings = append(both.Readings[:len(both.Readings):len(both.Readings)], m.Readings...)
				at[m.At.UnixNano()] = both
			}
			held, n, changed := math.NaN(), 0, 0
			var off []float64
			for _, m := range good {
				v, ok := value(m, c)
				during := !m.At.Before(from) && m.At.Before(to)
				got := at[m.At.UnixNano()]
				for _, y := range m.Readings {
					if y.Channel == c && during || during && x.Kind == Absent && (c == meter.Lat || c == meter.Lon) && (y.Channel == meter.Lat || y.Channel == meter.Lon || y.Channel == meter.HDOP) {
						continue
					}
					if w, ok := value(got, y.Channel); !ok || w != y.Value {
						t.Fatalf("%v %s: want %v of %v unchanged at %v, got %g", c, x.Kind, y.Value, y.Channel, m.At, w)
					}
				}
				if !ok || !during {
					if ok {
						held = v
					}
					continue
				}
				n++
				w, ok := value(got, c)
				switch x.Kind {
				case Absent:
					if ok {
						t.Fatalf("%v absent: got %g", c, w)
					}
				case Stuck:
					if w != held {
						t.Fatalf("%v stuck: want %g, got %g", c, held, w)
					}
				case Impossible:
					if w != failing[c].never {
						t.Fatalf("%v impossible: want %g, got %g", c, failing[c].never, w)
					}
				case Noisy:
					if ok {
						off = append(off, w-v)
					}
				}
				if w != v {
					changed++
				}
			}
			if presses := c == meter.Mark || c == meter.Skip; n == 0 != presses {
				t.Errorf("%v %s: want some said meanwhile, got %d", c, x.Kind, n)
			}
			if x.Kind == Noisy && len(off) > 30 && !slices.Contains([]meter.Channel{meter.HDOP, meter.Pump}, c) { // half of those would be below 0
				sum := 0.0
				for _, d := range off {
					sum += d * d
				}
				near(t, c.String()+" noise", math.Sqrt(sum/float64(len(off))), x.Size, 4/math.Sqrt(2*float64(len(off))))
			}
			if n > 0 && changed == 0 && c != meter.Pump { // which stands still for some of the time
				t.Errorf("%v %s: want it to show", c, x.Kind)
			}
		}
	}
	// A press that the button does not tell.
	s := base
	s.Faults = []Fault{{Channel: meter.Mark, For: time.Hour, Kind: Absent}, {Channel: meter.Syrup, After: time.Minute, For: time.Minute, Kind: Impossible, Size: -40}}
	said, truth := played(t, s)
	for _, m := range said {
		if n, ok := value(m, meter.Mark); ok {
			t.Errorf("absent button: got %g", n)
		}
	}
	if v, n := mean(said, meter.Syrup, truth.Faults[1].From, truth.Faults[1].To); v != -40 || n < 10 || len(truth.Marks) != 2 {
		t.Errorf("want -40 °C as said, got %g of %d", v, n)
	}
}

// TestDeadhead: the pump warms what stands in it. By hand: 1300 W at 3600/min,
// by the cube of the speed 296.7 W at 2200/min, over 9.5 kJ/K: 0.03123 K/s, and
// 300 s of it against a loss to the air of 1/2400 a second.
func TestDeadhead(t *testing.T) {
	s := plain(9)
	s.Plumbing.Hunting, s.Air = 0, []AirPoint{{0, 20}}
	_, before := played(t, s)
	s.Pauses = []Pause{{Fill: 3, For: 5 * time.Minute}}
	said, truth := played(t, s)
	x := span(t, truth, Deadhead, -1, -1, true)
	if x.To.Sub(x.From) != 5*time.Minute || x.From.Before(truth.Fills[2].End) || x.To != truth.Fills[3].Start || truth.Fills[3].Start.Sub(before.Fills[3].Start) != 5*time.Minute {
		t.Errorf("want five minutes before pull 3, got %+v", x)
	}
	if a, b := countAt(said, x.From.Add(8*time.Second)), countAt(said, x.To); a != b {
		t.Errorf("want nothing counted, got %g", b-a)
	}
	for c, want := range map[meter.Channel]float64{meter.Pump: 2200.0 / 60, meter.Line: 1310 * gravity * (30*math.Pow(2200.0/3600, 2) + 0.7)} {
		got, _ := mean(said, c, x.From.Add(8*time.Second), x.To)
		near(t, c.String(), got, want, 0.02)
	}
	begin, _ := mean(said, meter.Syrup, x.From.Add(-15*time.Second), x.From)
	end, _ := mean(said, meter.Syrup, x.To.Add(-6*time.Second), x.To)
	tau, rate := 2400.0, 1300*math.Pow(2200.0/3600, 3)/9500
	if want := rate * tau * (1 - math.Exp(-300/tau)); math.Abs(end-begin-want) > 0.3 {
		t.Errorf("want it %.2f K warmer, got %.2f", want, end-begin)
	}
	near(t, "by hand", rate, 0.03123, 1e-3)
	s.Pauses[0].For = 4 * time.Hour
	r := build(t, s)
	hottest := 0.0
	for range r.All() {
		hottest = math.Max(hottest, r.body)
	}
	if hottest > boils || hottest < 90 {
		t.Errorf("hours of it: want it near the boil, got %.1f °C", hottest)
	}
}

// TestQuiet: a rig that stands counts nothing, warms and cools, and its level
// is still but for noise.
func TestQuiet(t *testing.T) {
	s := QuietNight(1, 8*time.Hour)
	said, truth := played(t, s)
	if last := said[len(said)-1].At.Sub(s.Start); truth.Count != s.Meter.Count || len(truth.Fills) != 0 || last < 8*time.Hour-time.Second || last > 8*time.Hour || !truth.Done {
		t.Fatalf("want eight hours and nothing counted, got %v, %+v", last, truth)
	}
	sum, squares, n := 0.0, 0.0, 0.0
	for _, m := range said {
		if c, ok := value(m, meter.Pulses); ok && c != float64(s.Meter.Count) {
			t.Fatalf("want no counts, got %g", c)
		}
		if p, ok := value(m, meter.Pump); ok && p != 0 {
			t.Fatalf("want the pump off, got %g", p)
		}
		if d, ok := value(m, meter.Headspace); ok {
			sum, squares, n = sum+d, squares+d*d, n+1
		}
	}
	if sd := math.Sqrt(squares/n - sum/n*sum/n); sd < 0.001 || sd > 0.0017 {
		t.Errorf("level: want noise of 1.3 mm, got %.2f mm", 1000*sd)
	}
	first, _ := mean(said, meter.Air, s.Start, s.Start.Add(10*time.Minute))
	last, _ := mean(said, meter.Air, s.Start.Add(7*time.Hour+50*time.Minute), s.Start.Add(8*time.Hour))
	if first-last < 2 {
		t.Errorf("air: want it to fall, got %.1f to %.1f", first, last)
	}
	// By hand: a volume error of none, 1.5 L/min for 20 min are 30 L.
	s.Leaks = []Leak{{2 * time.Hour, 20 * time.Minute, 1.5 * quantity.LitrePerMinute}}
	s.Transfers = []Transfer{{After: 4 * time.Hour, Volume: 100 * quantity.Litre}}
	said, truth = played(t, s)
	if out := volumeAt(s, said, s.Start.Add(time.Hour)) - volumeAt(s, said, s.Start.Add(3*time.Hour)); math.Abs(out-30) > 2.5 {
		t.Errorf("leak: want 30 L by the level, got %.1f", out)
	}
	if out := volumeAt(s, said, s.Start.Add(3*time.Hour)) - volumeAt(s, said, s.Start.Add(5*time.Hour)); math.Abs(out-100) > 2.5 || len(truth.Handlings) != 2 {
		t.Errorf("transfer: want 100 L by the level, got %.1f", out)
	}
}

// TestHotAndCold: syrup of 60 °C and a night below zero can be played.
func TestHotAndCold(t *testing.T) {
	s := plain(10)
	s.Warm = 60
	_, hot := played(t, s)
	s.Warm, s.Brix, s.Air = 0, 62, []AirPoint{{0, -2}, {time.Hour, -25}}
	s.Tail = time.Hour
	said, cold := played(t, s)
	for i := range hot.Fills {
		if a, b := hot.Fills[i], cold.Fills[i]; a.Plateau < 2*b.Plateau || b.Plateau <= 0 {
			t.Errorf("pull %d: want it at least twice as fast hot, got %v and %v", i, a.Plateau, b.Plateau)
		}
	}
	if air, _ := mean(said, meter.Air, s.Start.Add(70*time.Minute), s.Start.Add(3*time.Hour)); math.Abs(air+25) > 0.6 {
		t.Errorf("air: want -25 °C, got %.2f", air)
	}
	// Thickness counts as viscosity does: in laminar flow twice as thick is half the flow, about.
	s = plain(10)
	_, thin := played(t, s)
	s.Thickness = 2
	_, thick := played(t, s)
	if share := float64(thick.Fills[0].Clear / thin.Fills[0].Clear); share < 0.5 || share > 0.62 {
		t.Errorf("twice as thick: want some more than half the flow, got %.3f", share)
	}
}

// TestIdle: the rig stands first, and then the night is as without.
func TestIdle(t *testing.T) {
	s := plain(11)
	_, before := played(t, s)
	s.Idle = 10 * time.Minute
	_, truth := played(t, s)
	for i := range truth.Fills {
		if d := truth.Fills[i].Aim - before.Fills[i].Aim; d != 0 || i == 0 && truth.Fills[i].Start.Sub(before.Fills[i].Start) != s.Idle {
			t.Errorf("pull %d: want it ten minutes later, got %+v", i, truth.Fills[i])
		}
	}
}

// TestFaultsAreApart: what never comes about changes nothing.
func TestFaultsAreApart(t *testing.T) {
	s := OddNight(4)
	want := fingerprint(build(t, s))
	s.Clogs = []Clog{{SuctionSide, 900, 3, 0.2}}
	s.Kinks = []Kink{{Fill: 900, For: 1, To: 0.5}}
	s.Throttles, s.Vents = []Throttle{{900, 0, 2}}, []Vent{{900, 0}}
	s.Drifts, s.Pauses = []Drift{{900, 1, 0.1}}, []Pause{{900, time.Minute}}
	s.Faults = []Fault{{Channel: meter.Syrup, After: 40 * time.Hour, For: time.Hour, Kind: Noisy, Size: 3}}
	s.Sensors = 0
	r := build(t, s)
	if got := fingerprint(r); got != want || len(r.Truth().Faults) != 0 {
		t.Errorf("faults that never come: want the same night, got another, %+v", r.Truth().Faults)
	}
	a, b := build(t, s), build(t, s)
	if fingerprint(a) != fingerprint(b) || !reflect.DeepEqual(a.Truth(), b.Truth()) {
		t.Error("the same faults twice: want the same night, got two")
	}
}

func TestFaultErrors(t *testing.T) {
	for _, x := range []struct {
		want string
		edit func(*Scenario)
	}{
		{`clogs[0].where: must be "suction" or "delivery", is "hose"`, func(s *Scenario) { s.Clogs = []Clog{{"hose", 0, 1, 0.5}} }},
		{"clogs[0].fill: must be between 0 and 100000, is -1", func(s *Scenario) { s.Clogs = []Clog{{SuctionSide, -1, 1, 0.5}} }},
		{"clogs[1].over: must be between 1 and 100000, is 0", func(s *Scenario) { s.Clogs = []Clog{{SuctionSide, 0, 1, 1}, {SuctionSide, 0, 0, 0.5}} }},
		{"clogs[0].to: must be between 0.01 and 1, is 0", func(s *Scenario) { s.Clogs = []Clog{{SuctionSide, 0, 1, 0}} }},
		{"kinks[0].for: must be between 1", func(s *Scenario) { s.Kinks = []Kink{{To: 0.5}} }},
		{"kinks[0].to: must be between 0.01 and 1, is 1.5", func(s *Scenario) { s.Kinks = []Kink{{For: 1, To: 1.5}} }},
		{"kinks[0].after: must be between 0s and 8m0s, is 9m0s", func(s *Scenario) { s.Kinks = []Kink{{For: 1, To: 0.5, After: 9 * time.Minute}} }},
		{"throttles[0].for: must be between 0", func(s *Scenario) { s.Throttles = []Throttle{{0, -1, 1.1}} }},
		{"throttles[0].by: must be between 0.2 and 3, is 0", func(s *Scenario) { s.Throttles = []Throttle{{}} }},
		{"vents[0].fill: must be between 0", func(s *Scenario) { s.Vents = []Vent{{-1, 0}} }},
		{"drifts[0].by: must be between -0.5 and 0.5, is NaN", func(s *Scenario) { s.Drifts = []Drift{{0, 1, math.NaN()}} }},
		{"drifts[0].over: must be between 1", func(s *Scenario) { s.Drifts = []Drift{{0, 0, 0.1}} }},
		{"pauses[0].for: must be between 1s and 4h0m0s, is 0s", func(s *Scenario) { s.Pauses = []Pause{{0, 0}} }},
		{"faults[0].channel: must be one that is fitted, and not pulses, uptime or boot, is pulses", func(s *Scenario) { s.Faults = []Fault{{meter.Pulses, 0, time.Second, Stuck, 0}} }},
		{"faults[0].channel: must be one that is fitted, and not pulses, uptime or boot, is head", func(s *Scenario) { s.Faults = []Fault{{meter.Head, 0, time.Second, Stuck, 0}} }},
		{"faults[0].for: must be between 1ms", func(s *Scenario) { s.Faults = []Fault{{meter.Syrup, 0, 0, Stuck, 0}} }},
		{"faults[0].size: must be 0 of one that is stuck, is 1", func(s *Scenario) { s.Faults = []Fault{{meter.Syrup, 0, time.Second, Stuck, 1}} }},
		{"faults[0].size: must be between 0.1 and 30, is 0", func(s *Scenario) { s.Faults = []Fault{{meter.Syrup, 0, time.Second, Noisy, 0}} }},
		{"faults[0].size: syrup: must be between -60 and 150 Cel, is 200", func(s *Scenario) { s.Faults = []Fault{{meter.Syrup, 0, time.Second, Impossible, 200}} }},
		{"faults[0].size: must be between", func(s *Scenario) { s.Faults = []Fault{{meter.UTC, 0, time.Second, Impossible, 5}} }},
		{`faults[0].kind: must be one of ["stuck" "noisy" "absent" "impossible"], is "kink"`, func(s *Scenario) { s.Faults = []Fault{{meter.Syrup, 0, time.Second, Kinked, 0}} }},
		{"idle: must be between 0s and 48h0m0s, is -1s", func(s *Scenario) { s.Idle = -time.Second }},
		{"yards: must be at least one, or idle and home be set", func(s *Scenario) { s.Yards, s.Home = nil, Place{43, -91} }},
		{"yards: must be at least one, or idle and home be set", func(s *Scenario) { s.Yards, s.Idle = nil, time.Hour }},
		{"drained[0]: must be the index of a yard that is fed, is 0", func(s *Scenario) { *s = QuietNight(1, time.Hour); s.Drained = []int{0} }},
		{"warm: must be between 0 and 60, is 61", func(s *Scenario) { s.Warm = 61 }},
		{"thickness: must be between 0 and 20, is -1", func(s *Scenario) { s.Thickness = -1 }},
	} {
		s := SmallNight(1)
		x.edit(&s)
		if _, err := New(s); err == nil || !strings.HasPrefix(err.Error(), x.want) {
			t.Errorf("want %q, got %v", x.want, err)
		}
	}
}
