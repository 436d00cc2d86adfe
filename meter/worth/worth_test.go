package worth

import (
	"math"
	"math/rand/v2"
	"testing"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

func curveOf(t testing.TB, label float64, tests ...proving.Test) *proving.Curve {
	t.Helper()
	c, err := proving.NewCurve(proving.Meter{}, tests, label, 0)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// bucket is an invented bucket test of 36 pulses/L with 2:1 syrup.
func bucket(name string, net, brix, temp, seconds float64) proving.Test {
	s := syrup.Syrup{Solids: quantity.FromBrix(brix)}
	rho := float64(s.Near(quantity.Temperature(temp)).Density)
	return proving.Test{Name: name, Pulses: math.Round(36e3 * net * 1.000755 / rho), Net: quantity.Mass(net), Syrup: s,
		Temp: quantity.Temperature(temp), Seconds: seconds, Means: proving.Usual}
}

// slipping are tests of a meter that counts 0.4 % less of thin syrup.
var slipping = []proving.Test{bucket("a", 20, 66.7, 20, 150), thin()}

func thin() proving.Test {
	t := bucket("b", 20, 50, 20, 40)
	t.Pulses = math.Round(t.Pulses * 0.996)
	return t
}

func passing(brix, temp float64, batch int32) Passing {
	return Passing{Syrup: syrup.Syrup{Solids: quantity.FromBrix(brix)}, Known: true, SolidsU: 0.0012,
		Temp: quantity.Temperature(temp), TempU: 0.5, BatchKey: batch}
}

// fills adds n fills of 136 pulses, one after the other, with whatever pulses
// lie between.
func fills(m *Meter, n int, apart uint64) (s Sum, v float64) {
	at := uint64(0)
	for range n {
		var f Flow
		m.Add(&f, 136, 3)
		s.Add(&f, Counts{1, at, at + 136, 0}, 0.001)
		at += 136 + apart
		v += f.Volume
	}
	return s, v
}

func part(b Budget, name string) float64 {
	for _, c := range b {
		if c.Name == name {
			return c.U
		}
	}
	return 0
}

// What is common to all fills grows with their number, what is not with its
// root, and what cancels at the seams not at all.
func TestCommonAndNot(t *testing.T) {
	c := curveOf(t, 0, slipping...)
	m := Under(c, 1, passing(64, 12, 1))
	curve := func(int32) *proving.Curve { return c }
	one, v1 := fills(&m, 1, 0)
	many, v := fills(&m, 100, 0)
	apart, _ := fills(&m, 100, 7)
	a, b, d := one.Budget(curve), many.Budget(curve), apart.Budget(curve)
	if math.Abs(v/v1-100) > 1e-9 {
		t.Fatalf("volumes %v and %v", v1, v)
	}
	for name, want := range map[string]float64{ByRepeat: 10, ByCount: 1, ByBrix: 100, ByTemp: 100, "a": 100} {
		if x, y := part(a, name), part(b, name); x == 0 || math.Abs(y/x-want) > 1e-9*want {
			t.Errorf("%s: %v for one fill, %v for a hundred, want %v times", name, x, y, want)
		}
	}
	if x, y := part(a, ByCount), part(d, ByCount); math.Abs(y/x-10) > 1e-9 {
		t.Errorf("fills apart: the pulse count adds %v, one fill %v", y, x)
	}
	// One pulse at either end, triangular: a pulse over the root of six.
	if got, want := part(a, ByCount), v1/136/math.Sqrt(6); math.Abs(got/want-1) > 1e-12 {
		t.Errorf("pulse count %v, want %v", got, want)
	}
	for i := 1; i < len(b); i++ {
		if b[i].U > b[i-1].U {
			t.Errorf("not in order of size: %v", b)
		}
	}
}

// Two batches are measured apart; their errors of Brix are not common.
func TestBatchesApart(t *testing.T) {
	c := curveOf(t, 0, slipping...)
	curve := func(int32) *proving.Curve { return c }
	same, differ := Sum{}, Sum{}
	var one float64
	for batch := range int32(4) {
		var f, g Flow
		a, b := Under(c, 1, passing(55, 12, 1)), Under(c, 1, passing(55, 12, batch))
		a.Add(&f, 1000, 5)
		b.Add(&g, 1000, 5)
		same.Add(&f, Counts{1, 0, 1000, 0}, 0)
		differ.Add(&g, Counts{1, 0, 1000, 0}, 0)
		one = math.Abs(f.Brix)
	}
	if a, b := part(same.Budget(curve), ByBrix), part(differ.Budget(curve), ByBrix); one == 0 || math.Abs(a/one-4) > 1e-9 || math.Abs(b/one-2) > 1e-9 {
		t.Errorf("four of one batch %v, of four %v, want 4 and 2 times %v", a, b, one)
	}
}

// A test that two curves rest on errs for both alike: a season that spans both is no
// surer than one that spans either.
func TestCurvesShareTests(t *testing.T) {
	a, b := bucket("a", 20, 66.7, 20, 150), bucket("b", 20, 50, 20, 40)
	first, second := curveOf(t, 0, a), curveOf(t, 0, a, b)
	curve := func(k int32) *proving.Curve { return []*proving.Curve{first, second}[k] }
	var s, alone Sum
	for k := range int32(2) {
		m := Under(curve(k), k, passing(66.7, 20, 1))
		var f Flow
		m.Add(&f, 5000, 4)
		s.Add(&f, Counts{1, 0, 5000, 0}, 0)
		if k == 0 {
			alone.Add(&f, Counts{1, 0, 5000, 0}, 0)
		}
	}
	both, one := part(s.Budget(curve), "a"), part(alone.Budget(curve), "a")
	if one == 0 || both <= one || both > 2*one {
		t.Errorf("the common test adds %v to the season, %v to its first half", both, one)
	}
}

// Cut in two at any place and added up again, nothing changes.
func TestPartsAddUp(t *testing.T) {
	c := curveOf(t, 0, bucket("a", 20, 66.7, 20, 150), bucket("b", 20, 50, 20, 40))
	m := Under(c, 1, passing(60, 8, 1))
	var f Flow
	m.Add(&f, 777, 3)
	for _, share := range []float64{0, 0.1, 0.5, 1} {
		x, y := f.Part(share), f.Part(1-share)
		sum := Flow{Volume: x.Volume + y.Volume, Key: f.Key, Batch: f.Batch, Brix: x.Brix + y.Brix, Temp: x.Temp + y.Temp,
			Formula: x.Formula + y.Formula, Beyond: x.Beyond + y.Beyond}
		for i := range sum.Sense {
			sum.Sense[i] = x.Sense[i] + y.Sense[i]
		}
		if math.Abs(sum.Volume/f.Volume-1) > 1e-12 || math.Abs(sum.Brix-f.Brix) > 1e-12*math.Abs(f.Brix) || math.Abs(sum.Temp-f.Temp) > 1e-12*math.Abs(f.Temp) {
			t.Errorf("cut at %v: %+v, want %+v", share, sum, f)
		}
	}
}

// By mass, a pulse is worth the same kilograms whatever is said of the syrup,
// and density is all that turns it into volume.
func TestByMass(t *testing.T) {
	test := bucket("a", 20, 66.7, 20, 150)
	test.NoBrix, test.Syrup = true, syrup.Syrup{}
	c := curveOf(t, 0, test)
	if !c.Mass() {
		t.Fatal("not a proving by mass")
	}
	perPulse := float64(test.Net) * (1 - 1.2/8000) / (1 - 1.2/1327) / test.Pulses // NISTIR 7383 SOP 14 (memory)
	p := passing(66.7, 20, 1)
	m := Under(c, 1, p)
	var f Flow
	m.Add(&f, 1000, 3.6)
	rho := float64(p.Syrup.Near(20).Density)
	if got := f.Volume * rho / 1000; math.Abs(got/perPulse-1) > 1e-4 {
		t.Errorf("%v kg a pulse, want %v", got, perPulse)
	}
	unsaid := Under(c, 1, Passing{Temp: 20, TempU: 5})
	var g Flow
	unsaid.Add(&g, 1000, 3.6)
	if rel := math.Abs(g.Brix / g.Volume); math.Abs(rel-unsaidDensityU) > 1e-9 {
		t.Errorf("of unknown syrup the density is good to %v, want %v", rel, unsaidDensityU)
	}
}

// Nothing that can be said of the syrup makes a volume no number.
func TestWild(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	wild := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -1, 1e300, 1e-300, 5, 66}
	pick := func() float64 { return wild[r.IntN(len(wild))] }
	c := curveOf(t, 0, bucket("a", 20, 66.7, 20, 150), bucket("b", 20, 50, 20, 40))
	for range 2000 {
		m := Under(c, 1, Passing{Syrup: syrup.Syrup{Solids: quantity.Solids(pick() / 100)}, Known: r.IntN(2) == 0, SolidsU: 0.001,
			Temp: quantity.Temperature(pick()), TempU: 0.5})
		var f Flow
		one := m.Add(&f, 100, pick())
		if !(one > 0 && !math.IsInf(one, 0)) || !(f.Volume > 0 && !math.IsInf(f.Volume, 0)) {
			t.Fatalf("%v a pulse, %+v under %+v", one, f, m)
		}
		var s Sum
		s.Add(&f, Counts{1, 0, 100, 0}, 0.001)
		if u := s.Budget(func(int32) *proving.Curve { return c }).U(); math.IsNaN(u) {
			t.Fatalf("uncertainty %v of %+v", u, f)
		}
	}
	if (&Meter{}).Nominal() != 0 {
		t.Error("without a curve a pulse is worth something")
	}
}

func BenchmarkAdd(b *testing.B) {
	c := curveOf(b, 0, bucket("a", 20, 66.7, 20, 150), bucket("b", 20, 50, 20, 40))
	m := Under(c, 1, passing(60, 8, 1))
	var f Flow
	b.ReportAllocs()
	for i := range b.N {
		m.Add(&f, 16, 3+float64(i&7))
	}
}

// Drift is a walk away from the newest proving, both ways: its variance is that
// of the walk's covariance, the smaller age of two on one side.
func TestDrift(t *testing.T) {
	c := curveOf(t, 0, slipping...)
	m := Under(c, 1, passing(60, 12, 1))
	r := rand.New(rand.NewPCG(3, 3))
	for range 50 {
		var s Sum
		var vs, ages []float64
		age := -2 * r.Float64()
		for i := range 12 {
			age += r.Float64() / 3
			var f Flow
			m.Add(&f, 100+1000*r.Float64(), 5)
			s.Add(&f, Counts{1, uint64(i) * 2000, uint64(i)*2000 + 1000, age}, 0)
			vs, ages = append(vs, f.Volume), append(ages, age)
		}
		want := 0.0
		for i := range vs {
			for j := range vs {
				if ages[i] < 0 == (ages[j] < 0) {
					want += vs[i] * vs[j] * min(math.Abs(ages[i]), math.Abs(ages[j]))
				}
			}
		}
		got := part(s.Budget(func(int32) *proving.Curve { return c }), ByDrift)
		if math.Abs(got/(proving.DriftPerYear*math.Sqrt(want))-1) > 1e-9 {
			t.Fatalf("drift %v, want %v for ages %v", got, proving.DriftPerYear*math.Sqrt(want), ages)
		}
	}
}
