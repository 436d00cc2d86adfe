package fit

import (
	"encoding/csv"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
)

// row is a line of golden_fit.csv: it names its source and how it was come by.
type row struct{ property, inputs, expected, unit, tolerance, source, how string }

func golden(t *testing.T, property string) row {
	t.Helper()
	f, err := os.Open("testdata/golden_fit.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range all {
		if r[0] == property {
			return row{r[0], r[1], r[2], r[3], r[4], r[5], r[6]}
		}
	}
	t.Fatalf("no row %s", property)
	return row{}
}

func numbers(t *testing.T, s string) (out []float64) {
	t.Helper()
	for _, f := range strings.Fields(s) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

func field(t *testing.T, s, key string) []float64 {
	t.Helper()
	for _, part := range strings.Split(s, ";") {
		if v, ok := strings.CutPrefix(part, key+"="); ok {
			return numbers(t, v)
		}
	}
	t.Fatalf("no %s in %s", key, s)
	return nil
}

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g within %g", what, got, want, rel)
	}
}

// TestNorris: NIST StRD, linear, low difficulty; data and certified values as
// quoted in public test files (read, as the rows say).
func TestNorris(t *testing.T) {
	r := golden(t, "strd.norris.B1")
	var x [][]float64
	for _, v := range field(t, r.inputs, "x") {
		x = append(x, []float64{1, v})
	}
	f, err := Linear(x, field(t, r.inputs, "y"), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		got  float64
	}{
		{"B0", f.Coef[0]}, {"B1", f.Coef[1]}, {"sd_B0", f.SD(0)}, {"sd_B1", f.SD(1)}, {"R2", f.R2()}, {"F", f.F()}, {"RSS", f.RSS},
	} {
		near(t, c.name, c.got, numbers(t, golden(t, "strd.norris."+c.name).expected)[0], 1e-9)
	}
	near(t, "B1", f.Coef[1], numbers(t, r.expected)[0], 1e-11)
}

// TestLongley: NIST StRD, linear, columns nearly dependent (read).
func TestLongley(t *testing.T) {
	r := golden(t, "strd.longley.beta")
	_, data, _ := strings.Cut(r.inputs, ": ")
	var x [][]float64
	var y []float64
	for _, line := range strings.Split(data, "|") {
		v := numbers(t, line)
		y = append(y, v[0])
		x = append(x, append([]float64{1}, v[1:]...))
	}
	f, err := Linear(x, y, nil)
	if err != nil {
		t.Fatal(err)
	}
	sd := numbers(t, golden(t, "strd.longley.sd").expected)
	for j, want := range numbers(t, r.expected) {
		near(t, "beta", f.Coef[j], want, 1e-9)
		near(t, "sd", f.SD(j), sd[j], 1e-8)
	}
	near(t, "residual sd", f.ResidualSD(), numbers(t, golden(t, "strd.longley.rsd").expected)[0], 1e-9)
	near(t, "R2", f.R2(), numbers(t, golden(t, "strd.longley.R2").expected)[0], 1e-11)
}

// TestMisra1a: NIST StRD, nonlinear, lower difficulty, from both of its starts
// (read; standard deviations and sum of squares stand in the row's last column).
func TestMisra1a(t *testing.T) {
	r := golden(t, "strd.misra1a")
	_, data, _ := strings.Cut(r.inputs, ";") // the first part is the model
	x, y := field(t, data, "x"), field(t, data, "y")
	want := numbers(t, r.expected)
	for _, start := range [][]float64{{500, 1e-4}, {250, 5e-4}} {
		f, err := Nonlinear(func(p, r []float64) {
			for i := range x {
				r[i] = y[i] - p[0]*(1-math.Exp(-p[1]*x[i]))
			}
		}, len(x), start)
		if err != nil {
			t.Fatal(err)
		}
		for j, sd := range []float64{2.7070075241, 7.2668688436e-06} {
			near(t, "b", f.Coef[j], want[j], 1e-8)
			near(t, "sd", f.SD(j), sd, 1e-7)
		}
		near(t, "RSS", f.RSS, 1.2455138894e-01, 1e-9)
	}
}

// TestWeights: with uncertainties, the weighted mean and its variance
// 1/sum(1/u²); with a prior, the same with one observation more; with a
// covariance, the closed form for two. (textbook algebra)
func TestWeights(t *testing.T) {
	one := [][]float64{{1}, {1}}
	f, err := Linear(one, []float64{10, 13}, []float64{1, 2})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", f.Coef[0], (10+13/4.)/(1+1/4.), 1e-14)
	near(t, "variance", f.Cov[0][0], 1/(1+1/4.), 1e-14)
	near(t, "gain", f.Gain[0][1], 0.2, 1e-14)
	near(t, "residual", f.Resid[1], 2.4, 1e-13)
	near(t, "standardised", f.Std[1], 3/math.Sqrt(5), 1e-13) // their difference by its own sd
	near(t, "standardised", f.Std[0], -3/math.Sqrt(5), 1e-13)

	x, y, sd := WithPriors(one, []float64{10, 13}, []float64{1, 2}, Prior{Coef: 0, Mean: 9, SD: 0.5})
	if f, err = Linear(x, y, sd); err != nil {
		t.Fatal(err)
	}
	near(t, "mean with prior", f.Coef[0], (10+13/4.+9*4)/(1+1/4.+4), 1e-14)
	if len(one) != 2 {
		t.Error("the caller's rows were changed")
	}

	const u1, u2, c = 1.0, 2.0, 0.8
	if f, err = Correlated(one, []float64{10, 13}, [][]float64{{u1 * u1, c}, {c, u2 * u2}}); err != nil {
		t.Fatal(err)
	}
	w := (u2*u2 - c) / (u1*u1 + u2*u2 - 2*c)
	near(t, "correlated mean", f.Coef[0], w*10+(1-w)*13, 1e-14)
	near(t, "its variance", f.Cov[0][0], (u1*u1*u2*u2-c*c)/(u1*u1+u2*u2-2*c), 1e-13)
	near(t, "its gain", f.Gain[0][0], w, 1e-13)
	near(t, "its standardised residual", f.Std[1], 3/math.Sqrt(u1*u1+u2*u2-2*c), 1e-12)
}

// TestRecovers: the scatter of what is fitted, over many made sets, is what Cov
// says, and standardised residuals have a variance of 1.
func TestRecovers(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 1))
	const sets = 2000
	var slope, std float64
	var said float64
	for range sets {
		var x [][]float64
		var y, sd []float64
		for i := range 8 {
			v, s := float64(i)/4, 0.1+0.1*float64(i%3)
			x, sd = append(x, []float64{1, v, v * v}), append(sd, s)
			y = append(y, 2+3*v-v*v+s*rnd.NormFloat64())
		}
		f, err := Linear(x, y, sd)
		if err != nil {
			t.Fatal(err)
		}
		slope += (f.Coef[1] - 3) * (f.Coef[1] - 3) / sets
		said = f.Cov[1][1]
		for _, z := range f.Std {
			std += z * z / sets / 8
		}
	}
	near(t, "variance of the slope", slope, said, 0.13) // 4 sd of a variance from 2000
	near(t, "variance of standardised residuals", std, 1, 0.05)
}

func TestRefuses(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		x     [][]float64
		y, sd []float64
		want  error
	}{
		{nil, nil, nil, ErrShape},
		{[][]float64{{1}}, []float64{1, 2}, nil, ErrShape},
		{[][]float64{{1}, {1, 2}}, []float64{1, 2}, nil, ErrShape},
		{[][]float64{{1, 2}}, []float64{1}, nil, ErrShape},
		{[][]float64{{1}, {nan}}, []float64{1, 2}, nil, ErrShape},
		{[][]float64{{1}, {1}}, []float64{1, math.Inf(1)}, nil, ErrShape},
		{[][]float64{{1}, {1}}, []float64{1, 2}, []float64{1, 0}, ErrShape},
		{[][]float64{{1}, {1}}, []float64{1, 2}, []float64{1, nan}, ErrShape},
		{[][]float64{{1, 2}, {1, 2}}, []float64{1, 2}, nil, ErrSingular},
		{[][]float64{{0}, {0}}, []float64{1, 2}, nil, ErrSingular},
	} {
		if _, err := Linear(c.x, c.y, c.sd); !errors.Is(err, c.want) {
			t.Errorf("%v %v %v: %v, want %v", c.x, c.y, c.sd, err, c.want)
		}
	}
	if _, err := Correlated([][]float64{{1}, {1}}, []float64{1, 2}, [][]float64{{1, 2}, {2, 1}}); !errors.Is(err, ErrSingular) {
		t.Errorf("a covariance that cannot be: %v", err)
	}
	if _, err := Nonlinear(func(_, r []float64) { r[0] = nan }, 1, []float64{1}); !errors.Is(err, ErrShape) {
		t.Errorf("residual that is no number: %v", err)
	}
}

func TestJudge(t *testing.T) {
	r := golden(t, "grubbs.G")
	x := numbers(t, r.inputs)
	g, at := Grubbs(x)
	near(t, r.property, g, numbers(t, r.expected)[0], 1e-4/2.4687)
	if at != len(x)-1 {
		t.Errorf("Grubbs names %d", at)
	}
	near(t, "Grubbs limit, "+r.how, GrubbsLimit(len(x), 0.05), 2.032, 5e-4/2.032)
	if g, at := Grubbs([]float64{3, 3, 3}); g != 0 || at != -1 {
		t.Errorf("of equal values Grubbs names %d, %v", at, g)
	}
	// chi2.quantile rows: standard tables (memory), to half a unit of the last digit.
	for dof, want := range map[int]float64{1: 3.841, 2: 5.991, 3: 7.815, 4: 9.488} {
		near(t, "chi2", ChiSquared(0.95, dof), want, 5e-4/want)
	}
	// Student's t: tables (memory).
	near(t, "t95(2)", Student(0.95, 2), 4.303, 2e-4)
	near(t, "t99(16)", Student(0.99, 16), 2.92, 1e-3)
	near(t, "t95(inf)", Student(0.95, math.Inf(1)), 1.95996, 1e-5)
	// Sidak, two-sided 5 % of six: metering reference F (memory, recomputed).
	near(t, "Sidak", Sidak(6, 0.05), 2.631, 1e-3)
}

// TestMonotone: the worked case by hand, and over many made ones: it rises, keeps the weighted mean, changes nothing
// that rises already.
func TestMonotone(t *testing.T) {
	if got := Monotone([]float64{1, 3, 2, 4}, []float64{1, 1, 3, 1}); got[1] != [2]int{1, 2} || got[2] != [2]int{1, 2} || got[0] != [2]int{0, 0} || got[3] != [2]int{3, 3} {
		t.Errorf("%v", got)
	}
	rnd := rand.New(rand.NewPCG(4, 2))
	for range 500 {
		n := 1 + rnd.IntN(8)
		y, w := make([]float64, n), make([]float64, n)
		for i := range y {
			y[i], w[i] = rnd.NormFloat64()+float64(i)/2, rnd.Float64()+0.1
		}
		last := math.Inf(-1)
		for i, p := range Monotone(y, w) {
			sum, ws := 0.0, 0.0
			for j := p[0]; j <= p[1]; j++ {
				sum, ws = sum+y[j]*w[j], ws+w[j]
			}
			v := sum / ws
			if i < p[0] || i > p[1] || v < last-1e-12 {
				t.Fatalf("%v: %v falls from %v", y, v, last)
			}
			last = v
		}
	}
}

func BenchmarkLinear(b *testing.B) {
	x, y := make([][]float64, 12), make([]float64, 12)
	for i := range x {
		x[i] = []float64{1, float64(i), float64(i * i % 5)}
		y[i] = float64(i % 3)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Linear(x, y, nil); err != nil {
			b.Fatal(err)
		}
	}
}
