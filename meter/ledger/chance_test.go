package ledger

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"testing"

	"yardtally/calibrate/proving"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/worth"
)

// A Monte-Carlo test of the whole way from pulses and provings to fills, yard
// totals and season totals: rigs whose truth is known, with meters, sensors,
// syrup and provings as they are in the world (chance_physics_test.go), told to
// the ledger in nothing but readings and acts. The interval that the ledger states
// must hold the truth as often as it says. Rig n of a kind is drawn with seed n.

// plan is a kind of rigs.
type plan struct {
	turbine  bool
	provings int
	where    where // the provings were made
	on       doubt // causes of error that are at work
}

// where is under which of the conditions that a rig feeds under its provings were
// made.
type where uint8

const (
	corners where = iota // thin and thick, cold and warm, and in the middle
	middle               // in the middle only: nights are beyond it
	thickly              // with the thickest syrup only
)

// trueFill is one pull as it truly was.
type trueFill struct {
	yard  string
	night int
	vol   float64 // m³
}

// simulated is what people said of a rig, what the rig said, and the truth.
type simulated struct {
	acts  []act.Act
	recs  []meter.Record
	fills []trueFill

	room []meter.Reading
}

const (
	simNights = 3
	simFills  = 6
	nightGap  = 9 * 86400 * sec
)

var simYards = [...]act.Yard{
	{ID: "orchard", Name: "Orchard End", Lat: 43.200, Lon: -91.900, EnterM: 120, LeaveM: 200},
	{ID: "mill", Name: "Mill Bottom", Lat: 43.230, Lon: -91.900, EnterM: 120, LeaveM: 200},
	{ID: "larch", Name: "Larch Bank", Lat: 43.260, Lon: -91.900, EnterM: 120, LeaveM: 200},
}

// tell adds a record at an instant.
func (s *simulated) tell(at int64, r ...meter.Reading) {
	n := len(s.room)
	s.room = append(s.room, r...)
	s.recs = append(s.recs, meter.Record{Seq: uint64(len(s.recs) + 1), Boot: 1, Mono: 77*sec + at - t0, Wall: at,
		Source: "serial", Readings: s.room[n:len(s.room):len(s.room)]})
}

func (s *simulated) say(from int64, b act.Body) {
	id := fmt.Sprint("s", len(s.acts))
	if _, ok := b.(act.Proving); ok {
		id = "proving " + id
	}
	s.acts = append(s.acts, act.Act{ID: id, Rig: "heron", Who: "wren", When: t0 - 100*86400*sec, From: from, Body: b})
}

// rigNow is where a simulated rig is in its life.
type rigNow struct {
	*simulated
	r     *rand.Rand
	p     *plan
	world nature
	dev   device
	at    int64
	count float64 // with the part of a pulse that no one sees
	brix  float64 // true
}

// simulate draws rig n of a plan into s, whose room is used again.
func (s *simulated) simulate(p *plan, n int) {
	stream := uint64(1)
	if p.turbine {
		stream = 2
	}
	r := rand.New(rand.NewPCG(uint64(n), stream))
	*s = simulated{acts: s.acts[:0], recs: s.recs[:0], fills: s.fills[:0], room: s.room[:0]}
	g := &rigNow{simulated: s, r: r, p: p, world: natureOf(r, p.on), count: 1000 + r.Float64()}
	g.dev = deviceOf(r, p.turbine, p.on)

	// What this rig feeds, and how cold and warm its syrup gets.
	thin, thick := 40+10*r.Float64(), 58+9*r.Float64()
	cold, warm := 1+9*r.Float64(), 22+12*r.Float64()
	for tries := 0; p.turbine; tries++ {
		// Thin syrup, and nothing on which it gives less than nine tenths of its
		// pulses: who sees that feeds warmer and thinner, or has no turbine.
		thin, thick = 40+5*r.Float64(), 47+5*r.Float64()
		cold, warm = 5+13*r.Float64(), 22+12*r.Float64()
		if g.dev.turns(&g.world, thick, cold) > 0.9 {
			break
		}
		if tries%20 == 19 {
			g.dev = deviceOf(r, true, p.on)
		}
	}

	kind := "oval gear"
	if p.turbine {
		kind = "turbine"
	}
	s.say(0, act.Meter{Type: kind, Body: "steel"})
	for _, y := range simYards {
		s.say(0, y)
	}
	between := func(lo, hi, from, to float64) float64 { return lo + (hi-lo)*(from+(to-from)*r.Float64()) }
	for i := range p.provings {
		// The corners of what the rig feeds, and the middle.
		brix, temp := between(thin, thick, 0.4, 0.6), between(cold, warm, 0.4, 0.6)
		switch {
		case p.where == thickly:
			brix = thick
		case p.where == corners && i > 0:
			brix, temp = [...]float64{thin, thick}[i%2], [...]float64{cold, warm}[i/2%2]
		}
		done := t0 - int64(20-3*i)*86400*sec
		s.say(t0-86400*sec, g.dev.prove(r, &g.world, p.on, 20+20*r.Float64(), brix, temp, done))
	}
	for night := range simNights {
		g.at = t0 + int64(night)*nightGap
		g.dev.wear(r, p.on, g.at)
		temp := between(cold, warm, 0, 1)
		drop := min(3*r.Float64(), temp-cold) // through the night
		for i := range simYards {
			if i == 0 || r.Float64() < 0.4 {
				g.batch(between(thin, thick, 0, 1))
			}
			g.yard(&simYards[i], night, temp-drop*float64(i)/float64(len(simYards)))
			g.at += 1200 * sec
		}
	}
}

// batch fills the tote.
func (g *rigNow) batch(brix float64) {
	brix = math.Round(brix*10) / 10
	g.say(g.at, act.Batch{Syrup: "sucrose", Brix: brix})
	off := within1(g.r, 0.2)
	if g.p.on&wrongBrix == 0 {
		off = 0
	}
	g.brix = brix + off
	g.at += 60 * sec
}

// yard feeds one yard.
func (g *rigNow) yard(y *act.Yard, night int, temp float64) {
	here := []meter.Reading{{Channel: meter.Lat, Value: y.Lat}, {Channel: meter.Lon, Value: y.Lon}}
	for range 3 {
		g.tell(g.at, here...)
		g.at += sec
	}
	each := 3e-3 + 2e-3*g.r.Float64()
	for range simFills {
		t := temp + 0.3*g.r.NormFloat64()
		vol := g.pull(each*(0.95+0.1*g.r.Float64()), t, t+g.world.probe)
		g.fills = append(g.fills, trueFill{y.ID, night, vol})
		g.at += int64((10 + 20*g.r.Float64()) * 1e9)
		g.tell(g.at, here...)
		g.at += sec
	}
}

const (
	fifth = sec / 5
	tiny  = 0.05 // s, step of the pull
	ramp  = 0.15 // s, of the trigger, opening and shutting
)

// pull draws about want m³ and returns what truly passed. Messages come five
// times a second, the temperature with every twentieth, from half a second before the pull until the
// quiet that ends it.
func (g *rigNow) pull(want, temp, shown float64) float64 {
	x := g.brix / 100
	dens, visc := g.world.densityAt(x, temp), g.world.viscosityAt(x, temp)
	q0 := flowOf(visc) * (0.9 + 0.2*g.r.Float64()) // not every trigger is pulled as far
	sag := within1(g.r, 0.05)                      // of the pump
	scatter := g.dev.repeat * g.r.NormFloat64()
	if g.p.on&scatterOf == 0 {
		scatter = 0
	}
	base := q0
	kBase := g.dev.kAt(base, visc, dens, temp) * (1 + scatter)
	n, vol, quiet := 0, 0.0, 0
	phase := g.r.Float64() * 0.2
	length := want/q0 + ramp
	for t := -0.6 - phase; quiet <= 14; n++ {
		for range 4 {
			switch mid := t + tiny/2; {
			case mid < 0 || mid > length:
			default:
				q := q0 * (1 + sag*(mid/length-0.5))
				k := kBase
				if edge := min(mid, length-mid); edge < ramp {
					q *= edge / ramp
					k = g.dev.kAt(q, visc, dens, temp) * (1 + scatter)
				} else if math.Abs(q/base-1) > 0.005 {
					base = q
					kBase = g.dev.kAt(q, visc, dens, temp) * (1 + scatter)
					k = kBase
				}
				vol += q * tiny
				g.count += k * q * tiny
			}
			t += tiny
		}
		if t > length {
			quiet++
		}
		g.at += fifth
		pulses := meter.Reading{Channel: meter.Pulses, Value: math.Floor(g.count)}
		if n%20 == 0 {
			// A usual probe tells sixteenths of a kelvin.
			g.tell(g.at, pulses, meter.Reading{Channel: meter.Syrup, Value: math.Round(shown*16) / 16})
		} else {
			g.tell(g.at, pulses)
		}
	}
	return vol
}

// score is one figure of the ledger's held against the truth, m³.
type score struct {
	got, within, truth float64
	beyond             float64 // what of got flowed outside what was proved, by the ledger
}

func (s score) err() float64   { return s.got/s.truth - 1 }
func (s score) holds() bool    { return math.Abs(s.got-s.truth) <= s.within }
func (s score) share() float64 { return s.within / s.truth }

// scores are those of one rig. The errors of its figures hang together.
type scores struct {
	fills, yards []score
	season       score
	causes       map[string]float64 // of yard totals, relative, mean squares
	one          float64            // a number of its own to choose one figure by
}

// run simulates rigs 1 to n of a plan and scores them.
func (p plan) run(t *testing.T, n int) []scores {
	t.Helper()
	out := make([]scores, n)
	var wait sync.WaitGroup
	workers := min(4, runtime.GOMAXPROCS(0))
	for w := range workers {
		wait.Go(func() {
			var s simulated
			for i := w; i < n; i += workers {
				s.simulate(&p, i+1)
				if err := s.score(&out[i]); err != nil {
					t.Errorf("%+v, rig %d: %v", p, i+1, err)
					return
				}
				out[i].one = rand.New(rand.NewPCG(uint64(i+1), 3)).Float64()
			}
		})
	}
	wait.Wait()
	if t.Failed() {
		t.FailNow()
	}
	return out
}

// score tells everything to a ledger and holds what it says against the truth.
func (s *simulated) score(out *scores) error {
	l := New("heron")
	l.SetActs(s.acts)
	if err := l.Rebuild(replayOf(s.recs)); err != nil {
		return err
	}
	v := l.View()
	switch {
	case len(v.Review) > 0:
		return fmt.Errorf("to review: %+v", v.Review)
	case len(v.Fills) != len(s.fills) || len(v.Loose) > 0:
		return fmt.Errorf("%d fills, want %d; loose %+v", len(v.Fills), len(s.fills), v.Loose)
	}
	season, beyond := 0.0, 0.0
	out.causes = make(map[string]float64)
	for i := range s.fills {
		f, is := &v.Fills[i], &s.fills[i]
		if f.Yard != is.yard {
			return fmt.Errorf("fill %d in %q (%s), want %q", i, f.Yard, f.Reason, is.yard)
		}
		out.fills = append(out.fills, score{f.Volume.CubicMetres(), f.Within.CubicMetres(), is.vol, f.Metered.Beyond})
		season += is.vol
		beyond += f.Metered.Beyond
	}
	for night := range simNights {
		from := t0 + int64(night)*nightGap
		got := Tally(v, from, from+86400*sec)
		if len(got.Yards) != len(simYards) {
			return fmt.Errorf("night %d: %d yards", night, len(got.Yards))
		}
		for i := range got.Yards {
			y := &got.Yards[i]
			truth, far := 0.0, 0.0
			for k, f := range s.fills {
				if f.night == night && f.yard == y.Yard {
					truth += f.vol
					far += out.fills[k].beyond
				}
			}
			out.yards = append(out.yards, score{y.Volume.CubicMetres(), y.Within.CubicMetres(), truth, far})
			for _, c := range y.Budget {
				name := c.Name
				switch {
				case strings.HasPrefix(name, "proving"):
					name = byProving
				case strings.HasPrefix(name, "drift"):
					name = "drift"
				}
				u := c.U / truth
				out.causes[name] += u * u / float64(simNights*len(simYards))
			}
		}
	}
	all := Tally(v, t0, t0+simNights*nightGap)
	out.season = score{all.Volume.CubicMetres(), all.Within.CubicMetres(), season, beyond}
	return nil
}

// byProving stands for the causes that are a test each.
const byProving = "provings"

// sum is what many scores come to.
type sum struct {
	n, held         int
	clustered       int // one figure for each rig, and of those held
	of              int
	rms, within     float64 // of the relative error; mean of the stated interval
	bias, p95, most float64
}

func sumUp(all []scores, pick func(*scores) []score) sum {
	var s sum
	var errs []float64
	for i := range all {
		of := pick(&all[i])
		for j := range of {
			e := of[j].err()
			errs = append(errs, math.Abs(e))
			s.rms += e * e
			s.bias += e
			s.within += of[j].share()
			s.n++
			if of[j].holds() {
				s.held++
			}
		}
		if len(of) == 0 {
			continue
		}
		s.of++
		if of[int(all[i].one*float64(len(of)))].holds() {
			s.clustered++
		}
	}
	slices.Sort(errs)
	n := float64(s.n)
	s.rms, s.within, s.bias = math.Sqrt(s.rms/n), s.within/n, s.bias/n
	s.p95, s.most = errs[int(math.Ceil(0.95*n))-1], errs[s.n-1]
	return s
}

func (s sum) String() string {
	return fmt.Sprintf("holds %5.2f %% (one a rig: %5.2f %%), error rms %.3f %%, bias %+.3f %%, 95 %% within %.3f %%, most %.3f %%; stated ±%.3f %%",
		100*float64(s.held)/float64(s.n), 100*float64(s.clustered)/float64(s.of), 100*s.rms, 100*s.bias, 100*s.p95, 100*s.most, 100*s.within)
}

func perFill(s *scores) []score   { return s.fills }
func perYard(s *scores) []score   { return s.yards }
func perSeason(s *scores) []score { return []score{s.season} }

// perInside picks the yard totals of which all flowed inside what was proved.
func perInside(s *scores) (in []score) {
	for _, y := range s.yards {
		if y.beyond == 0 {
			in = append(in, y)
		}
	}
	return in
}

// statedCauses are the causes stated of yard totals, relative standard uncertainties.
func statedCauses(all []scores) map[string]float64 {
	mean := make(map[string]float64)
	for i := range all {
		for k, u := range all[i].causes {
			mean[k] += u / float64(len(all))
		}
	}
	for k, u := range mean {
		mean[k] = math.Sqrt(u)
	}
	return mean
}

func asText(causes map[string]float64) string {
	names := slices.SortedFunc(maps.Keys(causes), func(a, b string) int { return cmp.Compare(causes[b], causes[a]) })
	for i, k := range names {
		names[i] = fmt.Sprintf("%s %.3f %%", k, 100*causes[k])
	}
	return strings.Join(names, ", ")
}

// rigsFor is how many rigs a test simulates. Where the environment says
// YARDTALLY_FULL it is 2,000 of those whose interval must hold on both sides,
// and 400 of others, or of all 2,000 with YARDTALLY_FULL=long; else fewer, of
// turbines too, whose curves take longer to make; a few under the race detector.
func rigsFor(turbine, bothSides bool) int {
	if b, ok := debug.ReadBuildInfo(); ok && slices.Contains(b.Settings, debug.BuildSetting{Key: "-race", Value: "true"}) {
		return 30
	}
	switch {
	case os.Getenv("YARDTALLY_FULL") == "long", os.Getenv("YARDTALLY_FULL") != "" && bothSides:
		return 2000
	case os.Getenv("YARDTALLY_FULL") != "":
		return 400
	case turbine:
		return 100
	}
	return 300
}

// holdsEnough fails where the share that holds is not 93 to 97 %, and, where fewer rigs than 2,000
// are simulated, as much more as so few would miss them by chance at either
// limit (3.1 standard deviations of the binomial, one in a thousand).
func holdsEnough(t *testing.T, what string, s sum, full bool, atMost float64) {
	t.Helper()
	slack := func(p float64) float64 {
		if full {
			return 0
		}
		return 3.1 * math.Sqrt(p*(1-p)/float64(s.of))
	}
	for _, got := range [...]float64{float64(s.clustered) / float64(s.of), float64(s.held) / float64(s.n)} {
		if got < 0.93-slack(0.93) || got > atMost+slack(atMost) {
			t.Errorf("%s: the stated interval holds the truth in %.2f %%, want 93 to %g %%", what, 100*got, 100*atMost)
		}
	}
}

func TestChance(t *testing.T) {
	for _, tc := range []struct {
		name      string
		plan      plan
		atMost    float64 // of the share that holds
		p95, most float64 // of yard totals' error inside what was proved; 0: any
	}{
		{"oval gear, five provings", plan{false, 5, corners, allDoubts}, 0.97, 0.005, 0.01},
		{"oval gear, nights beyond what was proved", plan{false, 5, middle, allDoubts}, 1, 0, 0},
		{"oval gear, proved on thick syrup only", plan{false, 5, thickly, allDoubts}, 1, 0, 0},
		{"oval gear, one proving", plan{false, 1, middle, allDoubts}, 1, 0, 0},
		{"turbine, five provings", plan{true, 5, corners, allDoubts}, 0.97, 0.015, 0.015},
		{"turbine, nights beyond what was proved", plan{true, 5, middle, allDoubts}, 1, 0, 0},
		{"turbine, proved on thick syrup only", plan{true, 5, thickly, allDoubts}, 1, 0, 0},
		{"turbine, one proving", plan{true, 1, middle, allDoubts}, 1, 0, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			n := rigsFor(tc.plan.turbine, tc.atMost < 1)
			full := n >= 2000
			all := tc.plan.run(t, n)
			fills, yards, seasons := sumUp(all, perFill), sumUp(all, perYard), sumUp(all, perSeason)
			t.Logf("%d rigs\nfills:   %v\nyards:   %v\nseasons: %v\ncauses of yard totals: %s; beyond %.1f %%", n, fills, yards, seasons, asText(statedCauses(all)), 100*beyondOf(all))
			holdsEnough(t, "fills", fills, full, tc.atMost)
			holdsEnough(t, "yard totals", yards, full, tc.atMost)
			holdsEnough(t, "season totals", seasons, full, tc.atMost)
			if tc.most == 0 {
				return
			}
			in := sumUp(all, perInside)
			t.Logf("yards inside: %d of %d, %v", in.n, yards.n, in)
			if in.n < yards.n*9/10 || in.p95 > tc.p95 || in.most > tc.most {
				t.Errorf("yard totals inside what was proved: 95 %% of %d are within %.3f %%, all within %.3f %%, want %g and %g %%", in.n, 100*in.p95, 100*in.most, 100*tc.p95, 100*tc.most)
			}
		})
	}
}

func beyondOf(all []scores) float64 {
	sum := 0.0
	for i := range all {
		sum += all[i].season.beyond / all[i].season.truth / float64(len(all))
	}
	return sum
}

// Each cause alone errs yard totals by no more than is stated for it.
func TestChanceByCause(t *testing.T) {
	// What is left with no cause at all: a trigger's opening and shutting is not
	// seen, and a curve is not known between its points.
	var left [2]float64
	for _, tc := range []struct {
		name   string
		on     doubt
		stated []string
	}{
		{"none", 0, nil},
		{"whole pulses", wholePulses, []string{worth.ByCount, byProving}},
		{"scatter", scatterOf, []string{worth.ByRepeat, byProving}},
		{"Brix", wrongBrix, []string{worth.ByBrix}},
		{"temperature", wrongTemp, []string{worth.ByTemp}},
		{"formulas", wrongFormula, []string{worth.ByFormula, proving.CauseDensity}},
		{"scale", wrongScale, []string{proving.CauseScale}},
		{"provings", wrongProving, []string{byProving}},
		{"drift", drifts, []string{"drift"}},
		{"slip", slips, []string{proving.CauseSlow, proving.CauseFast, proving.CauseUnknown, proving.CauseBody, byProving}},
	} {
		for kind, name := range []string{"oval gear", "turbine"} {
			n := max(20, rigsFor(kind == 1, false)/5)
			all := plan{kind == 1, 5, corners, tc.on}.run(t, n)
			yards, causes := sumUp(all, perYard), statedCauses(all)
			if tc.on == 0 {
				left[kind] = yards.rms
			}
			u := math.Hypot(left[kind], 5e-5) // what is less than 0.005 % does not matter
			for _, c := range tc.stated {
				u = math.Hypot(u, causes[c])
			}
			t.Logf("%s, %s: error rms %.4f %%, stated %.4f %% (%s)", name, tc.name, 100*yards.rms, 100*u, asText(causes))
			// A root mean square of n rigs is by chance 3.1/sqrt(2n) off once in a thousand.
			if yards.rms > u*(1.05+3.1/math.Sqrt(2*float64(n))) {
				t.Errorf("%s: %s alone errs yard totals by %.4f %%, stated is %.4f %%", name, tc.name, 100*yards.rms, 100*u)
			}
		}
		if left[0] > 0.0003 || left[1] > 0.001 {
			t.Errorf("with no cause of error yard totals are %.4f and %.4f %% off", 100*left[0], 100*left[1])
		}
	}
}
