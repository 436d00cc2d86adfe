package rigsim

import (
	"math"
	"slices"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// volumeAt returns what the level sensor makes of the tote over some 20 s from
// an instant on: 1.3 mm of noise is 1.4 L, a twentieth reading's 0.3 L.
func volumeAt(s Scenario, said []Said, at time.Time) float64 {
	sum, n := 0.0, 0.0
	for _, m := range said {
		if d, ok := value(m, meter.Headspace); ok && !m.At.Before(at) && m.At.Before(at.Add(20*time.Second)) {
			sum, n = sum+d, n+1
		}
	}
	return s.Tote.Volume(s.Tote.Sensor - quantity.Length(sum/n)).Litres()
}

// pause returns an offset at which a small night has just ended its pull i, and
// the dribble after it.
func pause(t *testing.T, s Scenario, i int) time.Duration {
	t.Helper()
	_, truth := played(t, s)
	return truth.Fills[i].End.Add(7500 * time.Millisecond).Sub(s.Start)
}

// TestTransfers: what is pumped in or out unmetered is seen by the level and by
// no count, at its rate, while the keeper waits.
func TestTransfers(t *testing.T) {
	s := steady(1)
	s.Hand.Topped, s.Hand.Walk = 0, 40*time.Second
	after := pause(t, s, 2)
	_, plain := played(t, s)
	full := (s.Tote.Capacity() - s.Load).Litres() // what goes in by then
	for _, f := range plain.Fills[:3] {
		full += (f.Volume + f.Dribble).Litres()
	}
	for _, x := range []struct {
		edit  func(*Scenario)
		kind  string
		in    float64 // L; negative: out
		takes float64 // s
	}{
		{func(s *Scenario) {
			s.Refills = []Refill{{After: after, Volume: 150 * quantity.Litre, Rate: 60 * quantity.LitrePerMinute}}
		}, "refill", 150, 150},
		{func(s *Scenario) {
			s.Refills = []Refill{{After: after, Volume: 900 * quantity.Litre, Rate: 600 * quantity.LitrePerMinute}}
		}, "refill", full, full / 10},
		{func(s *Scenario) { s.Transfers = []Transfer{{After: after, Volume: 208198 * quantity.Millilitre}} }, "transfer", -208.198, 60}, // 55 US gal
		{func(s *Scenario) {
			s.Transfers = []Transfer{{After: after, Volume: 100 * quantity.Litre, Rate: 50 * quantity.LitrePerMinute, In: true}}
		}, "transfer", 100, 120},
		{func(s *Scenario) { s.Leaks = []Leak{{after, 5 * time.Minute, 4 * quantity.LitrePerMinute}} }, "leak", -20, 300},
	} {
		n := s
		x.edit(&n)
		said, truth := played(t, n)
		h := truth.Handlings[0]
		if h.Kind != x.kind || math.Abs((h.In-h.Out).Litres()-x.in) > 0.3 || math.Abs(h.To.Sub(h.From).Seconds()-x.takes) > 0.25 {
			t.Errorf("%s: want %g L in %g s, got %+v", x.kind, x.in, x.takes, h)
		}
		if h.From.Sub(s.Start)-after > 200*time.Millisecond {
			t.Errorf("%s: want it begun at %v, got %v", x.kind, after, h.From.Sub(s.Start))
		}
		next := truth.Fills[3].Start
		if x.kind == "leak" {
			if next.After(h.To) {
				t.Error("leak: want the keeper to know nothing of it")
			}
			continue
		}
		if next.Before(h.To) {
			t.Errorf("%s: want no pull before %v, got one at %v", x.kind, h.To, next)
		}
		if a, b := countAt(said, h.From), countAt(said, h.To); a != b {
			t.Errorf("%s: want nothing counted, got %g", x.kind, b-a)
		}
		if rise := volumeAt(s, said, h.To) - volumeAt(s, said, h.From.Add(-20*time.Second)); math.Abs(rise-x.in) > 2.5 {
			t.Errorf("%s: want the level to tell of %g L, got %.2f", x.kind, x.in, rise)
		}
	}
}

// TestSwap: nonsense while it takes place, the new tote's level afterwards.
func TestSwap(t *testing.T) {
	s := steady(2)
	s.Hand.Topped = 0
	after := pause(t, s, 2)
	s.Swaps = []Swap{{after, 2 * time.Minute, 500 * quantity.Litre}}
	said, truth := played(t, s)
	h := truth.Handlings[0]
	absent, wild := 120, 0
	for _, m := range said {
		if d, ok := value(m, meter.Headspace); ok && m.At.After(h.From) && m.At.Before(h.To) {
			absent--
			if d > float64(s.Tote.Sensor) {
				wild++
			} else {
				t.Errorf("during a swap: want nothing sensible, got %g", d)
			}
		}
	}
	if absent < 40 || absent > 80 || wild < 40 {
		t.Errorf("during a swap: want half absent, half wild; got %d and %d", absent, wild)
	}
	if got := volumeAt(s, said, h.To); h.Kind != "swap" || math.Abs(got-500) > 3 || h.In != 500*quantity.Litre || h.To.Sub(h.From) != 2*time.Minute || math.Abs(h.Out.Litres()-789) > 3 {
		t.Errorf("after a swap: want 500 L for 789 L, got %.1f, %+v", got, h)
	}
}

// TestOff: silence, then all counts from zero, and another level.
func TestOff(t *testing.T) {
	s := steady(3)
	s.Hand.Topped = 0
	s.Fitted = append(s.Fitted, meter.Mark)
	after := pause(t, s, 2)
	s.Offs = []Off{{after, 4 * time.Minute, -80 * quantity.Litre}}
	s.Restarts = []time.Duration{after + time.Minute} // has no board to restart
	said, truth := played(t, s)
	h := truth.Handlings[0]
	if h.Kind != "off" || h.Out != 80*quantity.Litre || h.To.Sub(h.From) != 4*time.Minute || len(truth.Restarts) != 1 || truth.Restarts[0].Missed != 0 {
		t.Fatalf("want one power cut that misses no flow, got %+v, %+v", h, truth.Restarts)
	}
	seen := map[meter.Channel]bool{}
	for _, m := range said {
		if m.At.After(h.From) && m.At.Before(h.To.Add(bootTime)) {
			t.Fatalf("while off: want nothing said, got %v", m)
		}
		if !m.At.After(h.To) {
			continue
		}
		for _, x := range m.Readings {
			if !seen[x.Channel] {
				seen[x.Channel] = true
				want, ok := map[meter.Channel]float64{meter.Pulses: 0, meter.Uptime: 0, meter.Boot: 4, meter.Mark: 0, meter.UTC: float64(m.At.Unix())}[x.Channel]
				if ok && x.Value != want {
					t.Errorf("%v after a power cut: want %g, got %g", x.Channel, want, x.Value)
				}
				if x.Channel == meter.UTC && m.At.Nanosecond() != 0 {
					t.Errorf("position: want it on the second, got %v", m.At)
				}
			}
		}
	}
	if len(seen) != len(s.Fitted)+2 {
		t.Errorf("after a power cut: want all sensors back, got %v", seen)
	}
	if f := truth.Fills[3]; f.Start.Before(h.To.Add(bootTime)) || f.Session != 1 {
		t.Errorf("want no pull before the board counts, got %+v", f)
	}
	if fall := volumeAt(s, said, h.From.Add(-20*time.Second)) - volumeAt(s, said, h.To); math.Abs(fall-80) > 2.5 {
		t.Errorf("want the level to tell of 80 L, got %.2f", fall)
	}
}

// TestOffOnTheRoad: the rig arrives in the dark, and the keeper presses the
// button once it counts again.
func TestOffOnTheRoad(t *testing.T) {
	s := steady(3)
	s.Fitted = append(s.Fitted, meter.Mark)
	_, plain := played(t, s)
	s.Offs = []Off{{plain.Marks[1].At.Add(-20 * time.Second).Sub(s.Start), 5 * time.Minute, 0}}
	said, truth := played(t, s)
	h, p := truth.Handlings[0], truth.Marks[1]
	if h.From.Sub(s.Start) != s.Offs[0].After || p.At.Before(h.To.Add(bootTime)) || p.Number != 1 || p.Yard != "mill" {
		t.Errorf("want power cut on the road, and the press after it, from zero; got %+v, %+v", h, p)
	}
	var marks []float64
	for _, m := range said {
		if n, ok := value(m, meter.Mark); ok {
			marks = append(marks, n)
		}
	}
	if !slices.Equal(marks, []float64{0, 1, 0, 1}) {
		t.Errorf("marks: want 0, 1, and again 0, 1; got %v", marks)
	}
}

// TestAir: at the outlet the counter surges while nothing flows, until the hand
// lets go; a refill that waits for it ends it.
func TestAir(t *testing.T) {
	s := steady(4)
	s.Hand.Topped, s.Hand.Short, s.Hand.Throttled = 0, 0, 0
	s.Load, s.Meter.Surges = s.Tote.Unusable+10*quantity.Litre, true
	s.Refills = []Refill{{Volume: 300 * quantity.Litre, Rate: 100 * quantity.LitrePerMinute, WhenDry: true}}
	said, truth := played(t, s)
	if len(truth.Airs) != 1 || len(truth.Handlings) != 1 {
		t.Fatalf("want one airing and one refill, got %+v, %+v", truth.Airs, truth.Handlings)
	}
	a := truth.Airs[0]
	f := truth.Fills[a.Fill]
	// Syrup's rate from the pull before, which was whole.
	g := truth.Fills[a.Fill-1]
	rate := float64(g.Last-g.First) / g.End.Sub(g.Start).Seconds()
	took := a.To.Sub(a.From).Seconds()
	if took < 15 || took > 15.5 || a.Counts != f.Air || f.Volume >= f.Aim || f.Dribble != 0 || f.Air == 0 {
		t.Errorf("want 15 s of air, and no more syrup; got %+v, %+v", a, f)
	}
	if times := float64(a.Counts) / took / rate; times < 1.8 || times > 2.8 { // the mean of 1.5 to 3 is 2.25
		t.Errorf("want 1.5 to 3 times the syrup's rate of %.1f Hz, got %.2f times", rate, times)
	}
	if n := countAt(said, a.To) - countAt(said, a.From); math.Abs(n-float64(a.Counts)) > 20 {
		t.Errorf("on the wire: want %d counts of air, got %g", a.Counts, n)
	}
	if h := truth.Handlings[0]; h.From.Before(f.End) || truth.Fills[a.Fill+1].Start.Before(h.To) || truth.Fills[a.Fill+1].Volume < 3*quantity.Litre {
		t.Errorf("want the refill after it, and syrup again, got %+v", h)
	}
	s.Refills = nil
	_, truth = played(t, s)
	if len(truth.Airs) != len(truth.Fills)-a.Fill || truth.Fills[len(truth.Fills)-1].Volume > 50*quantity.Millilitre {
		t.Errorf("without a refill: want air in every pull that follows, got %+v", truth.Airs)
	}
}

// TestPhantoms: pulses of nothing, while the keeper walks, while the pump runs,
// while syrup flows, and faster than any line.
func TestPhantoms(t *testing.T) {
	s := steady(5)
	s.Hand.Topped, s.Hand.Walk = 0, 60*time.Second
	_, plain := played(t, s)
	walk := plain.Fills[0].End.Add(8 * time.Second).Sub(s.Start)
	flow := plain.Fills[2].Start.Add(3 * time.Second).Sub(s.Start)
	s.Phantom = []Burst{
		{walk, 15 * time.Second, 6, false},
		{flow, 8 * time.Second, 5, false},
		{0, time.Hour, 0.2, true},
		{plain.Fills[3].End.Add(9 * time.Second).Sub(s.Start), 3 * time.Second, 2000, false},
	}
	said, truth := played(t, s)
	if len(truth.Phantoms) != 4 {
		t.Fatalf("want four bursts told, got %+v", truth.Phantoms)
	}
	for i, p := range truth.Phantoms {
		b := s.Phantom[i]
		want := b.Rate * b.For.Seconds()
		if b.Pump { // the pump runs for most of the time between the first pull and the last
			want *= plain.Fills[8].End.Sub(plain.Fills[0].Start).Seconds() * 0.9 / b.For.Seconds()
		}
		if math.Abs(float64(p.Counts)-want) > 5*math.Sqrt(want) {
			t.Errorf("burst %d: want about %.0f counts, got %d", i, want, p.Counts)
		}
		from, to := s.Start.Add(b.After), s.Start.Add(b.After+b.For)
		if p.First.Before(from) || p.Last.After(to) || p.Burst != i {
			t.Errorf("burst %d: want it between %v and %v, got %+v", i, from, to, p)
		}
		if i != 1 && !b.Pump {
			if n := countAt(said, to.Add(200*time.Millisecond)) - countAt(said, from); math.Abs(n-float64(p.Counts)) > 8 {
				t.Errorf("burst %d on the wire: want %d, got %g", i, p.Counts, n)
			}
		}
	}
	if f := truth.Fills[2]; f.Phantom < truth.Phantoms[1].Counts || f.Volume != plain.Fills[2].Volume {
		t.Errorf("in a pull: want it unchanged but for %d counts, got %+v", truth.Phantoms[1].Counts, f)
	}
	// Irregular: of Poisson's, intervals of 200 ms at 6 Hz are mostly 0, 1, 2 or 3.
	seen, last := map[float64]int{}, math.NaN()
	for _, m := range said {
		if n, ok := value(m, meter.Pulses); ok && m.At.After(s.Start.Add(walk)) && m.At.Before(s.Start.Add(walk+15*time.Second)) {
			seen[n-last]++
			last = n
		}
	}
	if seen[0] < 10 || seen[1] < 10 || seen[2]+seen[3] < 5 {
		t.Errorf("want irregular counts, got %v", seen)
	}
	// The engine's are not there on the road, where it is off.
	s.Phantom = []Burst{{0, time.Hour, 5, true}}
	said, truth = played(t, s)
	a, b := truth.Fills[4].End, truth.Fills[5].Start
	road := a.Add(b.Sub(a) / 2)
	if x, y, z := countAt(said, road.Add(-10*time.Second)), countAt(said, road.Add(10*time.Second)), countAt(said, b); x != y || z-y < 20 {
		t.Errorf("the engine's: want none on the road, and some before the next pull; got %g and %g", y-x, z-y)
	}
	// While the board is down there is nothing to count them.
	s.Phantom = []Burst{{walk, 10 * time.Second, 100, false}}
	s.Restarts = []time.Duration{walk + 3*time.Second}
	_, truth = played(t, s)
	if n := truth.Phantoms[0].Counts; n < 650 || n > 950 {
		t.Errorf("over a restart of 2 s: want about 800 counts, got %d", n)
	}
}

// TestPositions: gone where it is gone, far off where it is bad, and the same
// as ever elsewhere.
func TestPositions(t *testing.T) {
	s := steady(6)
	gone, bad := Span{time.Minute, 100 * time.Second}, Span{4 * time.Minute, 90 * time.Second}
	plain, _ := played(t, s)
	s.PositionGone, s.PositionBad = []Span{gone}, []Span{bad}
	said, _ := played(t, s)
	origin := s.Yards[0].Place
	without, far := 0, 0
	for i, m := range said {
		utc, ok := value(m, meter.UTC)
		if !ok {
			continue
		}
		if utc != float64(m.At.Unix()) {
			t.Fatalf("utc: want %v, got %g", m.At, utc)
		}
		lat, has := value(m, meter.Lat)
		lon, _ := value(m, meter.Lon)
		hdop, _ := value(m, meter.HDOP)
		oldLat, _ := value(plain[i], meter.Lat)
		oldLon, _ := value(plain[i], meter.Lon)
		d := Place{lat, lon}.on(origin).to(Place{oldLat, oldLon}.on(origin))
		since := m.At.Sub(s.Start)
		switch {
		case in([]Span{gone}, since) >= 0:
			without++
			if has {
				t.Fatalf("want no position, got %v", m)
			}
		case in([]Span{bad}, since) >= 0:
			far++
			if d < 59.5 || d > 300.5 || hdop < 6 || hdop > 12 {
				t.Fatalf("want it 60 to 300 m off, and an hdop of 6 to 12; got %.1f, %g", d, hdop)
			}
		case !has || d > 0:
			t.Fatalf("elsewhere: want what was said without, got %v, was %v", m, plain[i])
		}
	}
	if without != 100 || far != 90 {
		t.Errorf("want 100 s without and 90 s far off, got %d and %d", without, far)
	}
}
