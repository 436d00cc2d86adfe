package chart

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

// times returns how often a simulation is run: YARDTALLY_FULL makes it ten
// times as long.
func times(n int) int {
	if os.Getenv("YARDTALLY_FULL") != "" {
		return 10 * n
	}
	return n
}

func random(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 7)) }

func must[T any](t testing.TB, v T, err error) T {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func mustCusum(t testing.TB, slack, limit, head float64) Cusum {
	c, err := NewCusum(slack, limit, head)
	return must(t, c, err)
}

// TestHandbookCusum: NIST/SEMATECH e-Handbook 6.3.2.3, in the data's units.
func TestHandbookCusum(t *testing.T) {
	r := goldenRow(t, "cusum.S_hi")
	in := r.numbers(t)
	high, low := numbers(t, r.expected), numbers(t, goldenRow(t, "cusum.S_lo").expected)
	c := mustCusum(t, in["k"][0], in["h"][0], 0)
	for i, x := range in["x"] {
		s, taken := c.Step(x - in["target"][0])
		near(t, "high sum", c.High.Sum, high[i], 0.0051)
		near(t, "low sum", c.Low.Sum, low[i], 0.0051)
		want := Within
		if i+1 >= 14 { // row cusum.signals: groups 14 to 20
			want = Above
		}
		if s != want || !taken {
			t.Errorf("group %d: %v, want %v", i+1, s, want)
		}
		if i+1 == 14 { // begun with group 13; 0.3175 + 4.94/2, computed
			steps, size := c.Change(s)
			near(t, "groups of the change", float64(steps), 2, 0)
			near(t, "size", size, 2.7875, 1e-9)
		}
	}
}

// TestHandbookEwma: NIST/SEMATECH e-Handbook 6.3.2.4.
func TestHandbookEwma(t *testing.T) {
	r := goldenRow(t, "ewma.series")
	in := r.numbers(t)
	upper, lower := goldenRow(t, "ewma.UCL"), goldenRow(t, "ewma.LCL")
	limits := upper.numbers(t)
	sd, start := limits["s"][0], in["start"][0]
	e, err := NewEwma(in["lambda"][0], limits["L"][0])
	must(t, e, err)
	want := numbers(t, r.expected)
	for i, x := range in["x"] {
		s, _ := e.Step((x - start) / sd)
		near(t, "mean", start+sd*e.Mean, want[i], 0.0051)
		// The first limit is lambda times that of one value.
		if i == 0 {
			near(t, "first limit", e.Limit(), 0.9, 1e-12)
		}
		if s != Within {
			t.Errorf("step %d: %v; the handbook's process is in control", i+1, s)
		}
	}
	near(t, "upper limit", start+sd*e.Limit(), numbers(t, upper.expected)[0], 1e-4)
	near(t, "lower limit", start-sd*e.Limit(), numbers(t, lower.expected)[0], 1.01e-4)
}

func TestPoints(t *testing.T) {
	for _, c := range []struct {
		name string
		z    []float64
		want Side // at the last; Within before
	}{
		{"one far", []float64{0, 3.1}, Above},
		{"one far below", []float64{2.5, -3.1}, Below},
		{"two running", []float64{2.1, 2.1}, Above},
		{"two of three", []float64{-2.1, 0, -2.1}, Below},
		{"two of four", []float64{2.1, 0, 0, 2.1}, Within},
		{"one on either side", []float64{2.1, -2.1}, Within},
		{"on the limits", []float64{2, 2, 3}, Within},
		{"two with a value between that is none", []float64{2.1, 0, math.NaN(), 2.1}, Above},
	} {
		p, err := NewPoints(3, 2)
		must(t, p, err)
		for i, z := range c.z {
			s, _ := p.Step(z)
			want := Within
			if i == len(c.z)-1 {
				want = c.want
			}
			if s != want {
				t.Errorf("%s: step %d: %v, want %v", c.name, i, s, want)
			}
		}
	}
}

func TestHeadStartIsSaidApart(t *testing.T) {
	c := mustCusum(t, 0.5, 4, 0.5)
	c.Step(3)
	s, _ := c.Step(3) // 2 + 2.5 + 2.5
	steps, size := c.Change(s)
	if s != Above || steps != 2 || size != 3 || c.High.Sum != 7 {
		t.Errorf("%v %d %g %+v, want above, 2 steps, size 3, sum 7", s, steps, size, c.High)
	}
	c.Step(-9)
	c.Step(3)
	if c.High != (Run{Sum: 2.5, Steps: 1}) {
		t.Errorf("%+v: the head start must end when the sum is nothing", c.High)
	}
	c.Restart()
	if c != mustCusum(t, 0.5, 4, 0.5) {
		t.Errorf("%+v is not as new", c)
	}
}

func TestLatch(t *testing.T) {
	l, err := NewLatch(0.5, 4)
	must(t, l, err)
	step := func(z float64, signal, want Side) {
		t.Helper()
		if got, _ := l.Step(z, signal); got != want {
			t.Fatalf("%v after %g, want %v: %+v", got, z, want, l)
		}
	}
	step(-5, Within, Within)
	step(-5, Below, Below)
	for range 100 { // a signal that comes and goes is one alarm
		step(-1, Above, Below)
		step(-1, Within, Below)
	}
	for range 8 { // 8 × 0.5 is not beyond 4
		step(0, Below, Below)
	}
	step(math.NaN(), Within, Below)
	step(0, Below, Within)
	step(0, Within, Within)
}

// TestNotTaken: what is not finite changes nothing, and is said; what is huge
// does not make a sum that is not finite.
func TestNotTaken(t *testing.T) {
	c := mustCusum(t, 0.5, 4, 0.25)
	e, _ := NewEwma(0.2, 3)
	p, _ := NewPoints(3, 2)
	l, _ := NewLatch(0.5, 4)
	s, _ := NewScale(0.01, false)
	for range 30 {
		c.Step(2)
		e.Step(2)
		p.Step(2)
		l.Step(2, Above)
		s.Add(2)
	}
	c0, e0, p0, l0, s0 := c, e, p, l, s
	for _, z := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		_, a := c.Step(z)
		_, b := e.Step(z)
		_, d := p.Step(z)
		_, f := l.Step(z, Below)
		_, g := s.Score(z)
		if a || b || d || f || g || s.Add(z) {
			t.Errorf("%g was taken", z)
		}
	}
	if c != c0 || e != e0 || p != p0 || l != l0 || s != s0 {
		t.Error("a value that is not finite changed a chart")
	}
	for _, z := range []float64{math.MaxFloat64, -math.MaxFloat64, math.MaxFloat64} {
		c.Step(z)
		e.Step(z)
		l.Step(z, Within)
		s.Add(z)
	}
	for _, v := range []float64{c.High.Sum, c.Low.Sum, e.Mean, l.Sum, s.Middle, s.Spread} {
		if _, ok := take(v); !ok {
			t.Errorf("%g after huge values", v)
		}
	}
}

func TestRefused(t *testing.T) {
	nan := math.NaN()
	for name, err := range map[string]error{
		"cusum limit must be above 0 and at most 1e+09, and is 0":                   second(NewCusum(0.5, 0, 0)),
		"cusum slack must be above 0 and at most 1e+09, and is -1":                  second(NewCusum(-1, 4, 0)),
		"cusum head start must be above 0 and at most 1, and is 2":                  second(NewCusum(0.5, 4, 2)),
		"cusum limit must be above 0 and at most 1e+09, and is NaN":                 second(NewCusum(0.5, nan, 0)),
		"ewma share must be above 0 and at most 1, and is 1.5":                      second(NewEwma(1.5, 3)),
		"ewma width must be above 0 and at most 1e+09, and is -3":                   second(NewEwma(0.5, -3)),
		"points limit must be above 0 and at most 1e+09, and is NaN":                second(NewPoints(nan, 2)),
		"points warn must be above 0 and at most 3, and is 4":                       second(NewPoints(3, 4)),
		"scale floor must be above 0 and at most 1e+09, and is 0":                   second(NewScale(0, true)),
		"run length for cusum must be above 1 and at most 1e+08, and is 1e+09":      second(CusumLimit(0.5, 0, 1e9)),
		"run length for points must be above 10 and at most 1e+08, and is 3":        third(PointsLimit(3)),
		"baseline's count must be at least 20, and is 19":                           second(CusumLimitOn(0.5, 400, 19, false)),
		"value 1 must be finite, and is NaN":                                        second(Breaks([]float64{1, nan}, 1)),
		"sigma must be above 0 and at most 1e+09, and is 0":                         second(Tell([]float64{1, 2, 3}, 0)),
		"scale count must be 0 to 256 and at most those seen (0), and is 1":         (&Scale{Floor: 1, Count: 1}).Check(),
		"scale spread must be at least the floor 1, and is 0":                       (&Scale{Floor: 1, Count: 20, Seen: 20}).Check(),
		"run length of all charts must be above 10 and at most 1e+07, and is 1e+08": second(Design(0.5, 0.1, 1e8)),
		"panel's waiting values must be 0 to 32, and are 33":                        (&Panel{Scale: Scale{Floor: 1}, Waits: 33}).Check(),
	} {
		if err == nil || err.Error() != name {
			t.Errorf("got %v, want %s", err, name)
		}
	}
}

func second[T any](_ T, err error) error { return err }

func third[T any](_, _ T, err error) error { return err }

// FuzzPanel: whatever comes in, nothing panics, the panel goes on equally after
// it was saved, a copy is independent, and values that are not finite do
// nothing.
func FuzzPanel(f *testing.F) {
	f.Add(uint64(1), []byte{1, 2, 250, 3, 0, 255, 128})
	base := testPanel(f, 400)
	odd := []float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, 0, 5e-324}
	f.Fuzz(func(t *testing.T, seed uint64, steps []byte) {
		r := random(seed)
		p := base
		for _, b := range steps {
			x := r.NormFloat64() * float64(b%8)
			if int(b) < len(odd) {
				x = odd[b]
			}
			saved, err := json.Marshal(p)
			if err != nil {
				t.Fatal(err)
			}
			var again Panel
			if err := json.Unmarshal(saved, &again); err != nil || again != p {
				t.Fatalf("read back as %+v, %v; was %+v", again, err, p)
			}
			before := p
			a, b := p.Step(x), again.Step(x)
			if a != b || p != again {
				t.Fatalf("%+v after it was read back, want %+v", b, a)
			}
			if _, ok := take(x); !ok && (p != before || a.Taken) {
				t.Fatalf("%g was taken", x)
			}
			if err := p.Check(); err != nil {
				t.Fatal(err)
			}
		}
		if base != testPanel(t, 400) {
			t.Fatal("a copy changed what it was copied from")
		}
	})
}

var panels = map[float64]Panel{} // limits take a while to find

func testPanel(t testing.TB, arl float64) Panel {
	t.Helper()
	if _, ok := panels[arl]; !ok {
		s, err := NewScale(0.01, true)
		must(t, s, err)
		l, err := Design(0.5, 0.1, arl)
		must(t, l, err)
		p, err := NewPanel(s, l)
		panels[arl] = must(t, p, err)
	}
	return panels[arl]
}
