package tote

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
)

// trueTote is a tote of the test's own physics: a box whose walls bulge, in the
// middle most, with ribs, over a floor that is not flat.
type trueTote struct{ area, height, bulge, rib, ribs, phase, floor float64 }

func (t trueTote) volume(z float64) float64 { // m³
	h := t.height
	rib := t.rib / t.ribs * (math.Cos(t.phase) - math.Cos(t.ribs*z+t.phase))
	return t.floor + t.area*(z+t.bulge*h/math.Pi*(1-math.Cos(math.Pi*z/h))+rib)
}

func (t trueTote) level(v float64) float64 {
	lo, hi := 0.0, 2*t.height
	for range 60 {
		if mid := (lo + hi) / 2; t.volume(mid) < v {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

func someTote(r *rand.Rand) trueTote {
	return trueTote{area: 1.02 + 0.1*r.Float64(), height: 1, bulge: 0.06 * r.Float64(), rib: 0.01 * r.Float64(), ribs: 20 + 20*r.Float64(),
		phase: 6.28 * r.Float64(), floor: 0.005 * r.NormFloat64()}
}

// night makes the steps of draws from a full tote down, with noise; the meter
// says (1+e) times what passed.
func night(r *rand.Rand, tt trueTote, run string, e, levelU float64) []Step {
	v0 := tt.volume(0.90 + 0.08*r.Float64())
	low := tt.volume(0.08 + 0.05*r.Float64())
	var out []Step
	gone := 0.0
	for v0-gone > low {
		level := tt.level(v0-gone) + levelU*r.NormFloat64()
		out = append(out, Step{Name: fmt.Sprintf("%s/%d", run, len(out)), Run: run, Level: quantity.Length(level), LevelU: quantity.Length(levelU),
			In: quantity.VolumeOf(-gone*(1+e) + 0.0001*r.NormFloat64()), InU: 100 * quantity.Millilitre})
		gone += 0.03 + 0.08*r.Float64()
	}
	return out
}

// TestLearnCovers: what is learnt holds the truth within its 95 % interval. The
// prior of 3 % over a quarter of a metre is wider than these totes' bulges on
// purpose, so the share may be above 95 %, not below.
func TestLearnCovers(t *testing.T) {
	const totes, meterU, levelU = 300, 0.003, 0.002
	r := rand.New(rand.NewPCG(4, 275))
	volumes, held, draws, drawsHeld := 0, 0, 0, 0
	worst, sum := 0.0, 0.0
	for range totes {
		tt := someTote(r)
		e := meterU * r.NormFloat64()
		var steps []Step
		for k := range 1 + r.IntN(4) {
			steps = append(steps, night(r, tt, fmt.Sprint(k), e, levelU)...)
		}
		got, err := Learn(steps, Learning{MeterRelU: meterU})
		if err != nil {
			t.Fatal(err)
		}
		straps := got.Table.Straps()
		lo, hi := float64(straps[0].Level), float64(straps[len(straps)-1].Level)
		for range 10 {
			x, y := lo+(hi-lo)*r.Float64(), lo+(hi-lo)*r.Float64()
			p := got.Table.At(quantity.Length(x))
			if p.Mark != Within {
				t.Fatalf("%v: %v", x, p.Mark)
			}
			off := p.Volume.CubicMetres() - tt.volume(x)
			u := math.Hypot(p.U, p.PerMeter*meterU)
			volumes++
			if math.Abs(off) <= Wide*u {
				held++
			}
			worst, sum = max(worst, math.Abs(off)), sum+u
			v, du, per, _ := got.Table.Between(quantity.Length(x), quantity.Length(y))
			off = v.CubicMetres() - (tt.volume(y) - tt.volume(x))
			draws++
			if math.Abs(off) <= Wide*math.Hypot(du, per*meterU) {
				drawsHeld++
			}
		}
	}
	t.Logf("volumes held: %.1f %% of %d; drawn volumes held: %.1f %%; mean u %.2f L, worst error %.2f L",
		100*float64(held)/float64(volumes), volumes, 100*float64(drawsHeld)/float64(draws), 1000*sum/float64(volumes), 1000*worst)
	if float64(held) < 0.95*float64(volumes) {
		t.Errorf("the interval holds %d of %d volumes", held, volumes)
	}
	if float64(drawsHeld) < 0.95*float64(draws) {
		t.Errorf("the interval holds %d of %d drawn volumes", drawsHeld, draws)
	}
	// Not by being useless: the floor's 5 L and 0.3 % of some 500 L make 5.2 L.
	if mean := 1000 * sum / float64(volumes); mean > 7 {
		t.Errorf("mean standard uncertainty is %.1f L", mean)
	}
}

// TestLearnShowsTheMeter: a meter that says 2 % too much makes a table that
// holds 2 % too much, and the table says so of itself.
func TestLearnShowsTheMeter(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	tt := trueTote{area: 1.07, height: 1, bulge: 0.03, ribs: 1}
	steps := night(r, tt, "a", 0.02, 0.0005)
	got, err := Learn(steps, Learning{MeterRelU: 0.02, FloorU: quantity.Litre})
	if err != nil {
		t.Fatal(err)
	}
	tab := got.Table
	v, u, per, _ := tab.Between(0.2, 0.8)
	true1 := tt.volume(0.8) - tt.volume(0.2)
	if off := v.CubicMetres()/true1 - 1; math.Abs(off-0.02) > 0.003 {
		t.Errorf("drawn volume is off by %.4f, want the meter's 0.02", off)
	}
	if math.Abs(per/v.CubicMetres()-1) > 0.02 || u > 0.003 {
		t.Errorf("for the meter's error of 1 it changes by %v of %v; own u %v", per, v, u)
	}
	if tab.Source() != Metered || tab.MeterU() != 0.02 || !strings.Contains(tab.Source().Words(), "never that the meter is right") {
		t.Error("the table hides where it comes from")
	}
	// A known volume that owes nothing to the meter takes the meter's error out of where it is.
	known, err := Learn(steps, Learning{MeterRelU: 0.02, Known: []Strap{{Level: 0.8, Volume: quantity.VolumeOf(tt.volume(0.8)), U: 100 * quantity.Millilitre}}})
	if err != nil {
		t.Fatal(err)
	}
	if p := known.Table.At(0.8); math.Abs(p.Volume.CubicMetres()-tt.volume(0.8)) > 0.001 || math.Abs(p.PerMeter) > 0.01 {
		t.Errorf("at the known level: %+v, true %v", p, tt.volume(0.8))
	}
}

// TestLearnFills: filled and drawn by turns, counted on from a season's total.
func TestLearnFills(t *testing.T) {
	r := rand.New(rand.NewPCG(12, 12))
	tt := trueTote{area: 1.07, height: 1, bulge: 0.04, ribs: 1}
	var steps []Step
	v := tt.volume(0.1)
	in := -3210 * quantity.Litre
	for range 60 {
		steps = append(steps, Step{Level: quantity.Length(tt.level(v) + 0.002*r.NormFloat64()), In: in})
		d := quantity.VolumeOf(min(tt.volume(0.95), max(tt.volume(0.08), v+0.2*r.NormFloat64())) - v)
		v += d.CubicMetres()
		in += d
	}
	got, err := Learn(steps, Learning{})
	if err != nil || len(got.Odd) != 0 {
		t.Fatal(err, got.Odd)
	}
	for x := quantity.Length(0.2); x < 0.9; x += 0.1 {
		d, u, _, m := got.Table.Between(0.2, x)
		near(t, "between, m3", d.CubicMetres(), tt.volume(float64(x))-tt.volume(0.2), 3*u+1e-9)
		if m != Within || u > 0.003 {
			t.Errorf("at %v: u %v, %v", x, u, m)
		}
	}
}

// TestLearnNamesTheOdd: bad levels and unmetered flow are found and named, and
// cost nothing; honest steps stay.
func TestLearnNamesTheOdd(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	tt := trueTote{area: 1.05, height: 1, bulge: 0.04, ribs: 1}
	var steps []Step
	for k := range 3 {
		steps = append(steps, night(r, tt, fmt.Sprint(k), 0, 0.002)...)
	}
	clean, err := Learn(steps, Learning{})
	if err != nil || len(clean.Odd) != 0 || clean.Used != len(steps) || clean.Runs != 3 || clean.Spread > 1.6 {
		t.Fatalf("clean steps: %v, %+v, used %d, runs %d, spread %v", err, clean.Odd, clean.Used, clean.Runs, clean.Spread)
	}
	bad := steps
	bad[4].Level += 0.05   // an echo off the rim
	bad[20].In += 30 * 1e9 // a count misread
	in1 := -1
	for i := range bad { // 15 L went out unseen in run 1 after its fifth step
		if bad[i].Run == "1" {
			if in1++; in1 >= 5 {
				bad[i].In += 15 * quantity.Litre
			}
		}
	}
	got, err := Learn(bad, Learning{})
	if err != nil {
		t.Fatal(err)
	}
	words := map[string]bool{}
	for _, o := range got.Odd {
		words[o.Name] = o.Shift
		t.Log(o.Words(quantity.System(0)))
	}
	if shift, has := words["0/4"]; len(got.Odd) != 3 || !has || shift || !words["1/5"] {
		t.Errorf("odd: %+v", got.Odd)
	}
	if s, has := words[bad[20].Name]; !has || s {
		t.Errorf("%s is not named: %+v", bad[20].Name, got.Odd)
	}
	for _, o := range got.Odd {
		if o.Shift && math.Abs(o.Off.Litres()+15) > 3 {
			t.Errorf("shift of %v, want -15 L", o.Off)
		}
	}
	if got.Used != len(steps)-2 || got.Runs != 4 {
		t.Errorf("used %d of %d, runs %d", got.Used, len(steps), got.Runs)
	}
	for z := quantity.Length(0.2); z < 0.9; z += 0.1 {
		a, b := clean.Table.At(z), got.Table.At(z)
		if math.Abs((a.Volume - b.Volume).Litres()) > 1 {
			t.Errorf("at %v the odd steps cost %v", z, a.Volume-b.Volume)
		}
	}
}

// TestLearnMarks what it has not seen.
func TestLearnMarks(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	tt := trueTote{area: 1.05, height: 1, bulge: 0.04, ribs: 1}
	var steps []Step
	for _, s := range night(r, tt, "a", 0, 0.002) {
		if s.Level < 0.3 || s.Level > 0.65 {
			steps = append(steps, s)
		}
	}
	got, err := Learn(steps, Learning{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Gaps) != 1 || got.Gaps[0].From > 0.3 || got.Gaps[0].To < 0.65 {
		t.Errorf("gaps: %v", got.Gaps)
	}
	mid, edge := got.Table.At(0.475), got.Table.At(got.Gaps[0].To+0.02)
	if mid.Mark != Gap || edge.Mark != Within {
		t.Errorf("marks: %v in the gap, %v beside it", mid.Mark, edge.Mark)
	}
	_, m := got.Table.Volume(0.475)
	_, m2 := got.Table.Level(mid.Volume)
	if m != Gap || m2 != Gap {
		t.Errorf("Volume marks %v, Level %v", m, m2)
	}
	// Across the gap its total is known, in its middle not.
	_, uMid, _, _ := got.Table.Between(got.Gaps[0].From, 0.475)
	_, uAll, _, _ := got.Table.Between(got.Gaps[0].From, got.Gaps[0].To)
	if !(uMid > 1.2*uAll) {
		t.Errorf("u to the middle of the gap %v, across it %v", uMid, uAll)
	}
	if p := got.Table.At(0.01); p.Mark != Below || p.U < 0.03 {
		t.Errorf("below all steps: %+v", p)
	}
	if p := got.Table.At(1.2); p.Mark != Above || p.U < 0.2 {
		t.Errorf("above all steps: %+v", p)
	}
}

// TestLearnInverse: as for any table, and its volumes rise.
func TestLearnInverse(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 3))
	for range 20 {
		got, err := Learn(night(r, someTote(r), "a", 0, 0.003), Learning{})
		if err != nil {
			t.Fatal(err)
		}
		straps := got.Table.Straps()
		lo, hi := straps[0].Level, straps[len(straps)-1].Level
		last := quantity.Volume(-1)
		for i := range 5000 {
			level := lo + (hi-lo)*quantity.Length(i)/4999
			v, _ := got.Table.Volume(level)
			back, _ := got.Table.Level(v)
			if v <= last || math.Abs(float64(back-level)) > 1e-11 {
				t.Fatalf("%v: %v after %v, back %v", level, v, last, back)
			}
			last = v
		}
	}
}

func TestLearnRefuses(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	tt := trueTote{area: 1.05, height: 1, ribs: 1}
	good := func() []Step { return night(r, tt, "a", 0, 0.002) }
	change := func(f func(s []Step)) []Step { s := good(); f(s); return s }
	nan := math.NaN()
	for _, c := range []struct {
		steps []Step
		o     Learning
		field string
	}{
		{nil, Learning{}, "steps"},
		{make([]Step, maxSteps+1), Learning{}, "steps"},
		{change(func(s []Step) { s[2].Level = quantity.Length(nan) }), Learning{}, "steps[2].level"},
		{change(func(s []Step) { s[2].Level = quantity.Length(math.Inf(1)) }), Learning{}, "steps[2].level"},
		{change(func(s []Step) { s[2].LevelU = quantity.Length(nan) }), Learning{}, "steps[2].level_u"},
		{change(func(s []Step) { s[2].InU = -1 }), Learning{}, "steps[2].in_u"},
		{change(func(s []Step) { s[3].In = math.MinInt64 }), Learning{}, "steps[3].in"},
		{change(func(s []Step) { s[3].In = math.MaxInt64 }), Learning{}, "steps[3].in"},
		{good(), Learning{MeterRelU: nan}, "meter_rel_u"},
		{good(), Learning{Stray: nan}, "stray"},
		{good(), Learning{FloorU: -1}, "floor_u"},
		{good(), Learning{Known: []Strap{{Level: 0.5, Volume: 1}}}, "known[0].volume"},
		{good(), Learning{Known: []Strap{{Level: quantity.Length(nan), Volume: 1, U: 1}}}, "known[0].level"},
		{[]Step{{Level: 0.5}, {Level: 0.51}, {Level: 0.52}}, Learning{}, "steps"},
		{[]Step{{Run: "a", Level: 0.5}, {Run: "b", Level: 0.6}, {Run: "c", Level: 0.7}}, Learning{}, "steps"},
		{change(func(s []Step) { // drawn, given as if it were filled in
			for i := range s {
				s[i].In = -s[i].In
			}
		}), Learning{}, "steps"},
		{change(func(s []Step) { // nonsense
			for i := range s {
				s[i].In = quantity.VolumeOf(r.Float64())
			}
		}), Learning{}, "steps"},
	} {
		_, err := Learn(c.steps, c.o)
		var e *Error
		if !errors.As(err, &e) || e.Field != c.field {
			t.Errorf("%v, want an error of %s", err, c.field)
		}
	}
	var many []Step
	for i := range maxRuns + 1 {
		many = append(many, Step{Run: fmt.Sprint(i), Level: quantity.Length(i) / 100})
	}
	if _, err := Learn(many, Learning{}); err == nil {
		t.Error("too many runs are taken")
	}
}

// FuzzLearn: nothing panics, and what is learnt is sound.
func FuzzLearn(f *testing.F) {
	f.Add(uint64(1), 5, 0.9, 0.1, int64(30))
	f.Add(uint64(2), 40, 0.0, 0.0, int64(0))
	f.Fuzz(func(t *testing.T, seed uint64, n int, level, levelU float64, in int64) {
		r := rand.New(rand.NewPCG(seed, 0))
		steps := make([]Step, min(max(0, n), 200))
		for i := range steps {
			steps[i] = Step{Run: fmt.Sprint(r.IntN(3)), Level: quantity.Length(level * r.Float64()), LevelU: quantity.Length(levelU * r.Float64()), In: quantity.Volume(float64(in) * r.NormFloat64())}
		}
		got, err := Learn(steps, Learning{})
		if err != nil {
			return
		}
		for _, s := range got.Table.Straps() {
			if p := got.Table.At(s.Level); !(p.U >= 0) || math.IsInf(p.U, 0) || p.Volume < 0 {
				t.Fatalf("%+v", p)
			}
		}
	})
}

func BenchmarkLearn(b *testing.B) {
	r := rand.New(rand.NewPCG(3, 3))
	tt := someTote(r)
	var steps []Step
	for k := range 20 {
		steps = append(steps, night(r, tt, fmt.Sprint(k), 0, 0.002)...)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Learn(steps, Learning{}); err != nil {
			b.Fatal(err)
		}
	}
}
