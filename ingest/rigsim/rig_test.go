package rigsim

import (
	"fmt"
	"hash/fnv"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

func build(t testing.TB, s Scenario) *Rig {
	t.Helper()
	r, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func value(s Said, c meter.Channel) (float64, bool) {
	for _, x := range s.Readings {
		if x.Channel == c {
			return x.Value, true
		}
	}
	return 0, false
}

// fingerprint is of all that a rig says.
func fingerprint(r *Rig) uint64 {
	h := fnv.New64a()
	for s := range r.All() {
		fmt.Fprint(h, s.At.UnixNano(), s.Readings)
	}
	return h.Sum64()
}

func TestSameSeedSameNight(t *testing.T) {
	a, b := build(t, SmallNight(7)), build(t, SmallNight(7))
	if fingerprint(a) != fingerprint(b) || !reflect.DeepEqual(a.Truth(), b.Truth()) {
		t.Error("the same seed twice: want the same night, got two")
	}
	if fingerprint(build(t, SmallNight(7))) == fingerprint(build(t, SmallNight(8))) {
		t.Error("two seeds: want two nights, got the same")
	}
}

func TestWhatIsFittedChangesNothingElse(t *testing.T) {
	s := SmallNight(3)
	few, many := s, s
	few.Fitted = nil
	many.Fitted = nil
	for c := meter.Pulses; c <= meter.LastChannel; c++ {
		many.Fitted = append(many.Fitted, c)
	}
	counts := func(r *Rig) (out []Said) {
		for m := range r.All() {
			if n, ok := value(m, meter.Pulses); ok {
				out = append(out, Said{m.At, []meter.Reading{{Channel: meter.Pulses, Value: n}}})
			}
		}
		return out
	}
	a, b := build(t, few), build(t, many)
	if !reflect.DeepEqual(counts(a), counts(b)) {
		t.Error("more sensors: want the same counts, got others")
	}
	if !reflect.DeepEqual(a.Truth().Fills, b.Truth().Fills) {
		t.Error("more sensors: want the same fills, got others")
	}
}

// TestConserved: what left the tote is fills and dribble, and with a meter of
// constant slip the counts are that volume to within a pulse, at any moment.
func TestConserved(t *testing.T) {
	for seed := range uint64(5) {
		s := SmallNight(seed)
		s.Meter.SlipViscous = 0
		perL := s.Meter.PulsesPerL * (1 - s.Meter.Slip)
		r := build(t, s)
		n := 0
		for m := range r.All() {
			got, ok := value(m, meter.Pulses)
			if n++; !ok || n%50 != 0 {
				continue
			}
			if pulses := r.truth.Total.Litres() * perL; math.Abs(got-float64(s.Meter.Count)-pulses) > 1 {
				t.Fatalf("seed %d: want %.2f pulses, got %g", seed, pulses, got-float64(s.Meter.Count))
			}
		}
		checkSums(t, s, r.Truth())
	}
}

func checkSums(t *testing.T, s Scenario, truth Truth) {
	t.Helper()
	var filled, dribble quantity.Volume
	fills := 0
	for i, f := range truth.Fills {
		filled += f.Volume
		dribble += f.Dribble
		if f.Volume > 0 {
			fills++
		}
		if f.Open || !f.End.After(f.Start) || i > 0 && f.Start.Before(truth.Fills[i-1].End) {
			t.Errorf("fill %d: want it ended, and after the one before, got %+v", i, f)
		}
	}
	for _, y := range truth.Yards {
		filled, dribble, fills = filled-y.Filled, dribble-y.Dribble, fills-y.Fills
	}
	if filled != 0 || dribble != 0 || fills != 0 {
		t.Errorf("yards against fills: want no difference, got %v filled, %v dribble, %d fills", filled, dribble, fills)
	}
	if truth.Filled+truth.Dribble != truth.Total || s.Load-truth.Tote != truth.Total {
		t.Errorf("want the tote's fall %d = fills %d + dribble %d = total %d", s.Load-truth.Tote, truth.Filled, truth.Dribble, truth.Total)
	}
	if !truth.Done {
		t.Error("want the keeper done")
	}
}

// TestDemoNight holds the demo to what it promises.
func TestDemoNight(t *testing.T) {
	s := DemoNight()
	r := build(t, s)
	var last time.Time
	uptime := -1.0
	n := map[meter.Channel]int{}
	byTime := map[int64]float64{} // count by instant
	var levels []float64
	pace, pulls := 0.0, 0.0 // s a gallon
	for m := range r.All() {
		if m.At.Before(last) {
			t.Fatalf("message of %v after one of %v", m.At, last)
		}
		last = m.At
		for _, x := range m.Readings {
			n[x.Channel]++
			if err := x.Check(); err != nil {
				t.Fatal(err)
			}
		}
		if c, ok := value(m, meter.Pulses); ok {
			byTime[m.At.UnixNano()] = c
			u, ok := value(m, meter.Uptime)
			if want := uptime + 0.2; !ok || uptime >= 0 && math.Abs(u-want) > 1e-6 {
				t.Fatalf("uptime beside pulses: want %.1f, got %v", want, m)
			}
			uptime = u
		}
		if u, ok := value(m, meter.UTC); ok && u != float64(m.At.UnixNano())/1e9 {
			t.Fatalf("utc: want %v, got %f", m.At, u)
		}
		if d, ok := value(m, meter.Headspace); ok {
			levels = append(levels, d)
			if math.Abs(d*1e4-math.Round(d*1e4)) > 1e-6 {
				t.Fatalf("headspace: want tenths of a millimetre, got %v", d)
			}
		}
	}
	secs := last.Sub(s.Start).Seconds()
	for c, every := range map[meter.Channel]float64{
		meter.Pulses: 0.2, meter.Uptime: 0.2, meter.Line: 0.2, meter.Headspace: 1, meter.Lat: 1, meter.Lon: 1,
		meter.HDOP: 1, meter.UTC: 1, meter.Pump: 1, meter.Syrup: 5, meter.Air: 5, meter.Boot: secs, meter.Head: math.Inf(1),
	} {
		if want := secs / every; math.Abs(float64(n[c])-want) > 1.001 {
			t.Errorf("%v: want %.0f readings in %.0f s, got %d", c, want, secs, n[c])
		}
	}

	truth := r.Truth()
	checkSums(t, s, truth)
	if f := truth.Fills[0].Start.Sub(s.Start); f > 3*time.Minute {
		t.Errorf("first fill: want it within 3 min, got %v", f)
	}
	colonies := map[string]map[int]bool{}
	for i, f := range truth.Fills {
		if colonies[f.Yard] == nil {
			colonies[f.Yard] = map[int]bool{}
		}
		colonies[f.Yard][f.Colony] = true
		if f.TopUp != (i > 0 && truth.Fills[i-1].Cut) {
			t.Errorf("fill %d: want a top-up after each cut one, and only there", i)
		}
		if off := (f.Volume - f.Aim).Litres(); math.Abs(off) > 0.03 {
			t.Errorf("fill %d: want %.3f L, got %.3f", i, f.Aim.Litres(), f.Volume.Litres())
		}
		// The counts of the messages are those of the truth.
		at := s.Start.Add(f.Start.Sub(s.Start).Truncate(200 * time.Millisecond)).UnixNano()
		if got, ok := byTime[at]; !ok || got != float64(f.First) {
			t.Errorf("fill %d: want count %d in the last message before it, got %g", i, f.First, got)
		}
		if !f.Cut {
			at = s.Start.Add(f.End.Sub(s.Start).Truncate(200 * time.Millisecond)).Add(dripMS*time.Millisecond + 200*time.Millisecond).UnixNano()
			if got, ok := byTime[at]; !ok || got != float64(f.Settled) {
				t.Errorf("fill %d: want count %d in the first message after its dribble, got %g", i, f.Settled, got)
			}
		}
		perL := float64(f.Last-f.First) / f.Volume.Litres()
		if worth := s.Meter.PulsesPerL * (1 - s.Meter.Slip); math.Abs(perL/worth-1) > 0.004 {
			t.Errorf("fill %d: want about %.1f pulses/L, got %.2f", i, worth, perL)
		}
		if f.Aim > quantity.USGallon*9/10 && f.End.Sub(f.Start) < 80*time.Second {
			pace += f.End.Sub(f.Start).Seconds() / f.Volume.USGallons()
			pulls++
		}
	}
	if mean := pace / pulls; mean < 20 || mean > 60 { // common practice, no source
		t.Errorf("seconds a gallon: want 20 to 60, got %.1f", mean)
	}
	for _, y := range s.Yards {
		if want := y.Colonies; y.Past && colonies[y.ID] != nil || !y.Past && len(colonies[y.ID]) != want {
			t.Errorf("%s: want %d colonies fed, got %d", y.ID, want, len(colonies[y.ID]))
		}
	}
	// The level sensor sees the tote fall as far as it did. 60 readings each,
	// standing: 1.3 mm / sqrt 60 is 0.2 mm, 0.2 L.
	mean := func(x []float64) float64 {
		sum := 0.0
		for _, v := range x {
			sum += v
		}
		return sum / float64(len(x))
	}
	end := s.Tote.Volume(s.Tote.Sensor - quantity.Length(mean(levels[len(levels)-60:])))
	if math.Abs((end - truth.Tote).Litres()) > 1.2 {
		t.Errorf("tote by its level: want %.1f L, got %.1f", truth.Tote.Litres(), end.Litres())
	}
	if fall := mean(levels[len(levels)-60:]) - mean(levels[20:80]); math.Abs(fall-truth.Total.CubicMetres()/1.09) > 0.003 {
		t.Errorf("fall of the level: want about %.3f m, got %.3f", truth.Total.CubicMetres()/1.09, fall)
	}
}

// TestTrack: the position is in the yard while it is fed, and passes the yard
// that is driven by, at about the cruising speed.
func TestTrack(t *testing.T) {
	s := DemoNight()
	r := build(t, s)
	origin := s.Yards[0].Place
	type fix struct {
		at time.Time
		p  point
	}
	var fixes []fix
	for m := range r.All() {
		lat, ok := value(m, meter.Lat)
		lon, _ := value(m, meter.Lon)
		if ok {
			fixes = append(fixes, fix{m.At, Place{lat, lon}.on(origin)})
		}
	}
	yard := map[string]point{}
	for _, y := range s.Yards {
		yard[y.ID] = y.Place.on(origin)
	}
	far, sum, n := 0, 0.0, 0.0
	for _, f := range r.Truth().Fills {
		var middle point
		k := 0.0
		for _, x := range fixes {
			if x.at.After(f.Start) && x.at.Before(f.End) {
				if x.p.to(yard[f.Yard]) > 35 {
					far++
				}
				middle.e, middle.n, k = middle.e+x.p.e, middle.n+x.p.n, k+1
			}
		}
		sum, n = sum+point{middle.e / k, middle.n / k}.to(yard[f.Yard]), n+1
	}
	if far > 6 {
		t.Errorf("fixes away from the yard while it is fed: want single ones, got %d", far)
	}
	if mean := sum / n; mean < 3 || mean > 15 {
		t.Errorf("distance of the rig from the yard's centre: want 4 to 12 m or so, got %.1f", mean)
	}
	passing := 0
	nearest := math.Inf(1)
	for _, x := range fixes {
		d := x.p.to(yard["ferry"])
		nearest = min(nearest, d)
		if d < 100 {
			passing++
		}
	}
	if nearest > 20 || passing < 14 || passing > 24 { // 200 m at 11.1 m/s: 18 s
		t.Errorf("ferry: want it passed within 20 m, 18 s or so within 100 m; got %.0f m, %d s", nearest, passing)
	}
}

func TestNoiseOfPosition(t *testing.T) {
	s := SmallNight(5)
	s.Tail = 3 * time.Hour
	r := build(t, s)
	origin := s.Yards[0].Place
	var off []float64
	for m := range r.All() {
		if lat, ok := value(m, meter.Lat); ok && r.idle() {
			lon, _ := value(m, meter.Lon)
			off = append(off, Place{lat, lon}.on(origin).to(r.where))
		}
	}
	slices.Sort(off)
	if mid := off[len(off)/2]; mid < 1.5 || mid > 3.5 {
		t.Errorf("position error: want a median of 2 to 3 m, got %.2f", mid)
	}
	wild := 0
	for _, d := range off {
		if d > 30 {
			wild++
		}
	}
	if wild < 1 || wild > len(off)/300 {
		t.Errorf("outliers: want a few in %d, got %d", len(off), wild)
	}
}

func TestBoardRestart(t *testing.T) {
	s := SmallNight(2)
	mid := build(t, s)
	for range mid.All() {
	}
	f := mid.Truth().Fills[3]
	at := f.Start.Add(f.End.Sub(f.Start)/2).Sub(s.Start).Truncate(time.Second) + 50*time.Millisecond
	s.Restarts = []time.Duration{at}
	r := build(t, s)
	var before, after, boots, uptime float64
	seen := false
	for m := range r.All() {
		c, ok := value(m, meter.Pulses)
		if !ok {
			continue
		}
		u, _ := value(m, meter.Uptime)
		if b, ok := value(m, meter.Boot); ok {
			boots = b
		}
		if !seen && u < 1 {
			seen, after, uptime = true, c, u
		}
		if !seen {
			before = c
		}
	}
	truth := r.Truth()
	if !seen || after != 0 || uptime != 0 || boots != float64(s.Meter.Boots+1) {
		t.Fatalf("after a restart: want count 0, uptime 0, boot %d; got %g, %g, %g", s.Meter.Boots+1, after, uptime, boots)
	}
	if len(truth.Restarts) != 1 || truth.Session != 1 {
		t.Fatalf("want one restart, got %+v", truth.Restarts)
	}
	x := truth.Restarts[0]
	if float64(x.Count)-before < 0 || float64(x.Count)-before > 5 || x.At != s.Start.Add(at) {
		t.Errorf("restart: want it at %v near count %g, got %+v", s.Start.Add(at), before, x)
	}
	if x.Missed <= 0 || x.Missed != truth.Missed {
		t.Errorf("restart during a pull: want volume missed, got %v of %v", x.Missed, truth.Missed)
	}
	g := truth.Fills[3]
	if g.Session != 0 || g.EndSession != 1 || g.Volume != mid.Truth().Fills[3].Volume {
		t.Errorf("the pull meanwhile: want it whole and in both sessions, got %+v", g)
	}
	checkSums(t, s, truth)
	worth := s.Meter.PulsesPerL * (1 - s.Meter.Slip)
	counted := float64(x.Count-s.Meter.Count) + float64(truth.Count)
	near(t, "counts of both sessions", counted, (truth.Total-truth.Missed).Litres()*worth, 0.003)
}

func TestWrap(t *testing.T) {
	s := SmallNight(4)
	s.Meter.WrapBits, s.Meter.Count = 16, 3<<16-700
	r := build(t, s)
	fell, last := 0, -1.0
	for m := range r.All() {
		c, ok := value(m, meter.Pulses)
		if !ok {
			continue
		}
		if c > 65535 {
			t.Fatalf("count of 16 bits: got %g", c)
		}
		if c < last {
			fell++
		}
		last = c
	}
	if fell != 1 || last != float64(r.Truth().Count&0xffff) {
		t.Errorf("want one fall to zero, and %d at the end; got %d, %g", r.Truth().Count&0xffff, fell, last)
	}
}

func TestButtons(t *testing.T) {
	s := SmallNight(6)
	s.Hand.Skip = 0.3
	s.Fitted = append(s.Fitted, meter.Mark, meter.Skip)
	r := build(t, s)
	last := map[meter.Channel]float64{meter.Mark: -1, meter.Skip: -1}
	for m := range r.All() {
		for c := range last {
			if v, ok := value(m, c); ok {
				if v != last[c]+1 {
					t.Errorf("%v: want %g, got %g", c, last[c]+1, v)
				}
				last[c] = v
			}
		}
	}
	truth := r.Truth()
	if last[meter.Mark] != 2 || last[meter.Skip] != float64(truth.Skipped) || truth.Skipped == 0 {
		t.Errorf("want 2 marks and %d skips, got %v", truth.Skipped, last)
	}
	fed := 0
	for _, f := range truth.Fills {
		if !f.TopUp {
			fed++
		}
	}
	if fed+truth.Skipped != 9 {
		t.Errorf("want 9 colonies fed or skipped, got %d and %d", fed, truth.Skipped)
	}
}

// TestRunsDry: an almost empty tote gives what it has, and the night still ends.
func TestRunsDry(t *testing.T) {
	s := SmallNight(1)
	s.Load = s.Tote.Unusable + 10*quantity.Litre
	r := build(t, s)
	for range r.All() {
	}
	truth := r.Truth()
	if got := truth.Total.Litres(); got < 9.9 || got > 10.5 {
		t.Errorf("want the 10 L above the outlet to flow, got %.2f", got)
	}
	checkSums(t, s, truth)
}

// TestHeat: the syrup nears the air, slower in the tote than in the hose.
func TestHeat(t *testing.T) {
	s := SmallNight(1)
	s.Air = []AirPoint{{0, 5}}
	s.Tail = 2 * time.Hour
	r := build(t, s)
	for range r.All() {
	}
	tote, hose := r.tote, r.hose[hoseCells-1]
	if tote < 17 || tote > 19.9 || hose < 5 || hose > 5.4 || r.body < hose || r.body > 8 {
		t.Errorf("after 2 h at 5 °C: want a warm tote, a cold hose, and the meter between; got %.1f, %.1f, %.1f", tote, hose, r.body)
	}
}

func TestScenarioErrors(t *testing.T) {
	for _, x := range []struct {
		want string
		edit func(*Scenario)
	}{
		{"rig: must be 1 to 64 characters, is 0", func(s *Scenario) { s.Rig = "" }},
		{"brix: must be between 0 and 77, is 90", func(s *Scenario) { s.Brix = 90 }},
		{"load (L): must be between 12", func(s *Scenario) { s.Load = 5000 * quantity.Litre }},
		{"yards[1].colonies: must be between 1 and 10000, is 0", func(s *Scenario) { s.Yards[1].Colonies = 0 }},
		{"yards[1].lat, degrees from the first yard: must be between -1 and 1", func(s *Scenario) { s.Yards[1].Lat = 50 }},
		{"air: must have at least one point", func(s *Scenario) { s.Air = nil }},
		{"meter.wrap_bits: must be 16 or 32, is 24", func(s *Scenario) { s.Meter.WrapBits = 24 }},
		{"plumbing.hose_bore: must be between 0.003 and 0.2, is NaN", func(s *Scenario) { s.Plumbing.HoseBore = quantity.Length(math.NaN()) }},
		{"restarts[1]: must be after the start", func(s *Scenario) { s.Restarts = []time.Duration{time.Minute, time.Minute} }},
	} {
		s := SmallNight(1)
		s.Yards = slices.Clone(s.Yards)
		x.edit(&s)
		if _, err := New(s); err == nil || !strings.HasPrefix(err.Error(), x.want) {
			t.Errorf("want %q, got %v", x.want, err)
		}
	}
}

// BenchmarkNight tells how many simulated hours a rig plays in a second.
func BenchmarkNight(b *testing.B) {
	s := DemoNight()
	s.Tail = 4 * time.Hour
	hours, messages := 0.0, 0
	for b.Loop() {
		r := build(b, s)
		var last Said
		for m := range r.All() {
			last = m
			messages++
		}
		hours += last.At.Sub(s.Start).Hours()
	}
	b.ReportMetric(hours/b.Elapsed().Seconds(), "hours/s")
	b.ReportMetric(float64(messages)/b.Elapsed().Seconds(), "messages/s")
}
