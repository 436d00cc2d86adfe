package reconcile

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// problemOf reads the inputs of a golden row: A, y and Sigma=I or sd.
func problemOf(t *testing.T, in string) Problem {
	t.Helper()
	parts := strings.Split(in, ";")
	var p Problem
	for i, row := range regexp.MustCompile(`\[([^\[\]]+)\]`).FindAllStringSubmatch(parts[0], -1) {
		b := Balance{Name: fmt.Sprint("node ", i+1)}
		for j, f := range strings.Split(row[1], ",") {
			if v := number(t, f); v != 0 {
				b.Terms = append(b.Terms, Term{j, v})
			}
		}
		p.Balances = append(p.Balances, b)
	}
	y, _, _ := strings.Cut(strings.TrimPrefix(parts[1], "y="), "(")
	var sd []float64
	if s, ok := strings.CutPrefix(parts[2], "sd="); ok {
		sd = numbers(t, strings.TrimSuffix(s, " kg"))
	}
	for i, v := range numbers(t, y) {
		u := 1.0
		if sd != nil {
			u = sd[i]
		}
		p.Streams = append(p.Streams, Stream{Name: fmt.Sprint("stream ", i+1), Value: v})
		p.Causes = append(p.Causes, Cause{fmt.Sprint("own ", i+1), []Term{{i, u}}})
	}
	return p
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func numbers(t *testing.T, s string) (out []float64) {
	for _, f := range strings.Fields(s) {
		out = append(out, number(t, f))
	}
	return out
}

// TestGolden checks every dr row of the project's reference table. The data and
// results of dr.reconciled, dr.global_test (prints 16.674) and the limit 2.63
// of dr.measurement_test are of Narasimhan and Jordache, Data Reconciliation
// and Gross Error Detection (2000), from memory; they were computed again apart
// from this code. All other rows were computed only.
func TestGolden(t *testing.T) {
	f, err := os.Open("testdata/golden_reconcile.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, row := range rows[1:] {
		r, err := Solve(problemOf(t, row[1]))
		if err != nil {
			t.Fatal(err)
		}
		var got []float64
		tol := number(t, row[4])
		limits := map[string]float64{}
		switch name := row[0]; name {
		case "dr.reconciled", "dr.syrup_ledger.reconciled":
			for _, s := range r.Streams {
				got = append(got, s.Value)
			}
		case "dr.constraint_residuals":
			for _, n := range r.Nodes {
				got = append(got, n.Residual)
			}
		case "dr.global_test", "dr.syrup_ledger.global":
			got = []float64{r.Chi2}
			if !r.Rejects(0.05) || !strings.Contains(row[3], fmt.Sprintf("%d dof", r.DOF)) {
				t.Errorf("%s: %d degrees of freedom, p %v", name, r.DOF, r.P)
			}
		case "dr.measurement_test", "dr.syrup_ledger.z":
			for i, s := range r.Streams {
				got = append(got, math.Abs(s.Z))
				if c := r.Causes[i]; math.Abs(math.Abs(c.Z)-math.Abs(s.Z)) > 1e-6 {
					t.Errorf("%s: cause %v is blamed with %v, its stream with %v", name, c.Name, c.Z, s.Z)
				}
			}
			limits["Sidak crit 2.631"] = 2.631
		case "dr.nodal_test":
			for _, n := range r.Nodes {
				got = append(got, math.Abs(n.Z))
			}
		case "dr.reconciled_variance":
			for _, s := range r.Streams {
				got = append(got, s.After*s.After)
			}
		default:
			t.Errorf("row %s is not checked", name)
			continue
		}
		checked++
		want := row[2]
		if v, n, ok := strings.Cut(want, " x"); ok {
			want = strings.Repeat(v+" ", int(number(t, n)))
		}
		if w := numbers(t, want); len(w) != len(got) {
			t.Errorf("%s: %v, want %v", row[0], got, w)
		} else {
			for i := range w {
				if !(math.Abs(got[i]-w[i]) <= tol) {
					t.Errorf("%s: %v, want %v within %v", row[0], got, w, tol)
					break
				}
			}
		}
		for text, limit := range limits {
			if strings.Contains(row[3], text) && math.Abs(Limit(6, 0.05)-limit) > 5e-4 {
				t.Errorf("%s: limit %v, want %v", row[0], Limit(6, 0.05), limit)
			}
		}
	}
	if checked != 9 {
		t.Errorf("%d rows checked, want 9", checked)
	}
}

// The yards of one balance cannot be told apart, and a factor common to all of
// them can be told from none of them either, but from the ticket.
func TestAlike(t *testing.T) {
	p := problemOf(t, "A=[[1,-1,0,0,0],[0,1,-1,-1,-1]];y=1381 1372 412 530 398 (invented);sd=4 15 4 5 4 kg")
	r, err := Solve(p)
	if err != nil {
		t.Fatal(err)
	}
	yard := func(i int) Direction { return Direction{Streams: []Term{{i, 1}}} }
	meter := Direction{Streams: []Term{{2, 412}, {3, 530}, {4, 398}}}
	for _, c := range []struct {
		a, b Direction
		same bool
	}{{yard(2), yard(3), true}, {yard(2), meter, true}, {yard(0), yard(1), false}, {yard(0), meter, false},
		{yard(1), Direction{Balances: []Term{{1, 1}}}, false}, {yard(2), Direction{Balances: []Term{{1, 1}}}, true}} {
		got, err := r.Alike(c.a, c.b)
		if err != nil || (math.Abs(got) > 1-1e-9) != c.same {
			t.Errorf("%v and %v: cosine %v, %v", c.a, c.b, got, err)
		}
	}
	// z of the test along one stream is that stream's measurement test.
	for i, s := range r.Streams {
		d, err := r.Suspect(yard(i))
		if err != nil || math.Abs(math.Abs(d.Z)-math.Abs(s.Z)) > 1e-9 {
			t.Errorf("stream %d: %v, measurement test %v, %v", i, d.Z, s.Z, err)
		}
	}
}

// random is a problem of a connected network with some streams unmeasured,
// common errors among the causes, and balances that depend on others.
func random(r *rand.Rand) (p Problem, truth []float64) {
	nodes := 3 + r.IntN(8)
	for i := range nodes {
		p.Balances = append(p.Balances, Balance{Name: fmt.Sprint("node ", i)})
	}
	stream := func(from, to int, v float64) {
		i := len(p.Streams)
		p.Streams = append(p.Streams, Stream{Name: fmt.Sprint("s", i)})
		truth = append(truth, v)
		if from >= 0 {
			p.Balances[from].Terms = append(p.Balances[from].Terms, Term{i, -1})
		}
		if to >= 0 {
			p.Balances[to].Terms = append(p.Balances[to].Terms, Term{i, 1})
		}
	}
	for range nodes * 2 {
		stream(r.IntN(nodes+1)-1, r.IntN(nodes+1)-1, 10+100*r.Float64())
	}
	for i := range nodes { // what lacks comes from or goes to the world
		sum := 0.0
		for _, t := range p.Balances[i].Terms {
			sum += t.By * truth[t.Stream]
		}
		stream(i, -1, sum)
	}
	if r.IntN(2) == 0 { // the whole, which the nodes tell
		whole := Balance{Name: "whole"}
		for i := range p.Balances {
			whole.Terms = append(whole.Terms, p.Balances[i].Terms...)
		}
		p.Balances = append(p.Balances, whole)
	}
	for i := range p.Streams {
		if r.IntN(4) == 0 {
			p.Streams[i].Unmeasured = true
			continue
		}
		p.Streams[i].Value = truth[i]
		p.Causes = append(p.Causes, Cause{"own", []Term{{i, 0.5 + r.Float64()}}})
	}
	for range 3 {
		c := Cause{Name: "common"}
		for i, s := range p.Streams {
			if !s.Unmeasured && r.IntN(3) == 0 {
				c.Touch = append(c.Touch, Term{i, 0.02 * truth[i]})
			}
		}
		p.Causes = append(p.Causes, c)
	}
	return p, truth
}

// err draws an error for every cause.
func (p Problem) wrong(r *rand.Rand) Problem {
	p.Streams = slices.Clone(p.Streams)
	for _, c := range p.Causes {
		z := r.NormFloat64()
		for _, t := range c.Touch {
			p.Streams[t.Stream].Value += z * t.By
		}
	}
	return p
}

// dense solves the same by another way: Lagrange's conditions in causes,
// unmeasured streams and multipliers, as one linear system by its pseudo-inverse.
func dense(t *testing.T, p Problem) (value []float64, chi2 float64) {
	t.Helper()
	nc, nb, ns := len(p.Causes), len(p.Balances), len(p.Streams)
	n := nc + ns + nb
	k, rhs := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for c := range nc {
		k.Set(c, c, 1)
	}
	for b, bal := range p.Balances {
		at := nc + ns + b
		rest := -bal.Const
		for _, tm := range bal.Terms {
			if p.Streams[tm.Stream].Unmeasured {
				k.Set(at, nc+tm.Stream, k.At(at, nc+tm.Stream)+tm.By)
				k.Set(nc+tm.Stream, at, k.At(nc+tm.Stream, at)+tm.By)
				continue
			}
			rest -= tm.By * p.Streams[tm.Stream].Value
			for c, cause := range p.Causes {
				for _, touch := range cause.Touch {
					if touch.Stream == tm.Stream {
						k.Set(at, c, k.At(at, c)-tm.By*touch.By)
						k.Set(c, at, k.At(c, at)-tm.By*touch.By)
					}
				}
			}
		}
		rhs.SetVec(at, rest)
	}
	var svd mat.SVD
	if !svd.Factorize(k, mat.SVDFull) {
		t.Fatal("no decomposition")
	}
	var x mat.VecDense
	svd.SolveVecTo(&x, rhs, svd.Rank(1e-11))
	for c := range nc {
		chi2 += x.AtVec(c) * x.AtVec(c)
	}
	for i, s := range p.Streams {
		v := s.Value
		if s.Unmeasured {
			v = x.AtVec(nc + i)
		}
		for c, cause := range p.Causes {
			for _, touch := range cause.Touch {
				if touch.Stream == i {
					v -= x.AtVec(c) * touch.By
				}
			}
		}
		value = append(value, v)
	}
	return value, chi2
}

// Elimination and whitening find what Lagrange's conditions demand; balances
// close; a unit other than the others changes nothing.
func TestAgainstLagrange(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 1))
	free := 0
	for range 200 {
		clean, _ := random(rnd)
		p := clean.wrong(rnd)
		r, err := Solve(p)
		if err != nil {
			t.Fatal(err)
		}
		value, chi2 := dense(t, p)
		if math.Abs(chi2-r.Chi2) > 1e-6*(1+chi2) {
			t.Fatalf("chi-square %v, by Lagrange %v", r.Chi2, chi2)
		}
		for i, s := range r.Streams {
			if !s.Known {
				free++
			} else if math.Abs(s.Value-value[i]) > 1e-5 {
				t.Fatalf("stream %d: %v, by Lagrange %v", i, s.Value, value[i])
			}
		}
		for _, b := range p.Balances {
			if v, u, known := r.Sum(b.Terms, b.Const); known && (math.Abs(v) > 1e-7 || u > 1e-4) {
				t.Fatalf("%s does not close: %v ± %v", b.Name, v, u)
			}
		}
		for i := range p.Balances {
			f := math.Pow(1000, float64(i%3-1))
			p.Balances[i].Const *= f
			p.Balances[i].Terms = slices.Clone(p.Balances[i].Terms)
			for k := range p.Balances[i].Terms {
				p.Balances[i].Terms[k].By *= f
			}
		}
		again, err := Solve(p)
		if err != nil || again.DOF != r.DOF || math.Abs(again.Chi2-r.Chi2) > 1e-6*(1+r.Chi2) {
			t.Fatalf("in other units %v on %d, was %v on %d, %v", again.Chi2, again.DOF, r.Chi2, r.DOF, err)
		}
	}
	if free == 0 {
		t.Error("no stream was unobservable: not tried")
	}
}

// The uncertainties, tests and sizes are what repeated draws show.
func TestDraws(t *testing.T) {
	draws := 4000
	switch {
	case os.Getenv("YARDTALLY_FULL") == "long":
		draws = 40000
	case os.Getenv("YARDTALLY_FULL") != "":
		draws = 20000
	}
	rnd := rand.New(rand.NewPCG(7, 2))
	clean, truth := random(rnd)
	fault := Direction{Streams: []Term{}}
	for i, s := range clean.Streams {
		if !s.Unmeasured {
			fault.Streams = append(fault.Streams, Term{i, 1})
			if len(fault.Streams) == 2 {
				break
			}
		}
	}
	var chi, size, sizeZ2, rejected float64
	sum, sum2 := make([]float64, len(truth)), make([]float64, len(truth))
	var dof int
	for range draws {
		p := clean.wrong(rnd)
		r, err := Solve(p)
		if err != nil {
			t.Fatal(err)
		}
		chi += r.Chi2
		dof = r.DOF
		if r.Rejects(0.05) {
			rejected++
		}
		for i, s := range r.Streams {
			if s.Known && s.After > 0 {
				z := (s.Value - truth[i]) / s.After
				sum[i] += z
				sum2[i] += z * z
			}
		}
		for _, f := range fault.Streams {
			p.Streams[f.Stream].Value += 3 * f.By
		}
		if r, err = Solve(p); err != nil {
			t.Fatal(err)
		}
		s, err := r.Suspect(fault)
		if err != nil || !s.Seen {
			t.Fatal(s, err)
		}
		size += s.Size
		sizeZ2 += (s.Size - 3) * (s.Size - 3) / (s.U * s.U)
	}
	n := float64(draws)
	// Four standard deviations of what so many draws give.
	within := func(what string, got, want, sd float64) {
		t.Helper()
		if math.Abs(got-want) > 4*sd {
			t.Errorf("%s: %v, want %v ± %v", what, got, want, sd)
		}
	}
	within("mean chi-square", chi/n, float64(dof), math.Sqrt(2*float64(dof)/n))
	within("rejected", rejected/n, 0.05, math.Sqrt(0.05*0.95/n))
	within("squared error of the size", sizeZ2/n, 1, math.Sqrt(2/n))
	for i := range sum {
		if sum2[i] > 0 {
			within(fmt.Sprint("mean error of stream ", i), sum[i]/n, 0, 1/math.Sqrt(n))
			within(fmt.Sprint("squared error of stream ", i), sum2[i]/n, 1, math.Sqrt(2/n))
		}
	}
	if s := size / n; math.Abs(s-3) > 0.2 {
		t.Errorf("mean size %v, want 3", s)
	}
}

// A second fault is found with the first allowed for, and both sizes at once
// are the true ones where nothing else is wrong.
func TestTwoFaults(t *testing.T) {
	p := problemOf(t, "A=[[1,-1,-1,0,0,0],[0,1,0,-1,0,0],[0,0,1,0,-1,0],[0,0,0,1,1,-1]];y=100 60 40 60 40 100;Sigma=I")
	p.Streams[0].Value += 8
	p.Streams[3].Value -= 5
	r, err := Solve(p)
	if err != nil {
		t.Fatal(err)
	}
	a, b := Direction{Streams: []Term{{0, 1}}}, Direction{Streams: []Term{{3, 1}}}
	first, err1 := r.Suspect(a, b)
	second, err2 := r.Suspect(b, a)
	if err1 != nil || err2 != nil || math.Abs(first.Size-8) > 1e-9 || math.Abs(second.Size+5) > 1e-9 {
		t.Errorf("sizes %v and %v, want 8 and -5 (%v, %v)", first.Size, second.Size, err1, err2)
	}
	one, err := r.Suspect(a)
	if err != nil {
		t.Fatal(err)
	}
	if rest := r.Chi2 - one.Chi2(one.Size) - second.Chi2(second.Size); math.Abs(rest) > 1e-9 {
		t.Errorf("chi-square left %v, want 0", rest)
	}
	if s, err := r.Suspect(a, a); err != nil || s.Seen {
		t.Errorf("what is allowed for is suspected: %+v, %v", s, err)
	}
}

func TestErrors(t *testing.T) {
	two := []Stream{{Name: "in", Value: 3}, {Name: "out", Value: 4}}
	exact := Balance{Name: "tank", Terms: []Term{{0, 1}, {1, -1}}}
	for _, c := range []struct {
		p    Problem
		want string
	}{
		{Problem{Streams: []Stream{{Name: "in", Value: math.NaN()}}}, "stream 0 (in): value: must be a number, is NaN"},
		{Problem{Streams: two, Balances: []Balance{{Name: "tank", Terms: []Term{{2, 1}}}}}, "balance 0 (tank): stream: must be one of the 2 streams, is 2"},
		{Problem{Streams: two, Balances: []Balance{{Name: "tank", Const: math.Inf(1)}}}, "balance 0 (tank): constant: must be a number, is +Inf"},
		{Problem{Streams: two, Causes: []Cause{{"scale", []Term{{0, math.NaN()}}}}}, "cause 0 (scale): factor: must be a number, is NaN"},
		{Problem{Streams: []Stream{{Name: "in", Unmeasured: true}}, Causes: []Cause{{"scale", []Term{{0, 1}}}}}, "cause 0 (scale): stream: must be a measured one, is stream 0 (in)"},
		{Problem{Streams: two, Balances: []Balance{exact}}, "balance 0 (tank): must add up where nothing in it may be wrong or other balances tell it, is -1"},
		{Problem{Streams: two, Causes: []Cause{{"own", []Term{{0, 1}}}}, Balances: []Balance{exact, {"again", exact.Terms, 2}}},
			"balance 1 (again): must add up where nothing in it may be wrong or other balances tell it, is 2"},
	} {
		_, err := Solve(c.p)
		var e *Error
		if !errors.As(err, &e) || err.Error() != c.want {
			t.Errorf("%v, want %s", err, c.want)
		}
	}
	r, err := Solve(Problem{Streams: append(two[:2:2], Stream{Name: "lost", Unmeasured: true}), Causes: []Cause{{"own", []Term{{0, 1}}}}, Balances: []Balance{exact}[:0]})
	if err != nil || r.DOF != 0 || r.P != 1 || r.Streams[0].Value != 3 || r.Streams[0].Z != 0 || r.Streams[2].Known {
		t.Errorf("without balances: %+v, %v", r, err)
	}
	for d, want := range map[string]Direction{
		"direction: stream: must be one of the problem's, is 9":  {Streams: []Term{{9, 1}}},
		"direction: balance: must be one of the problem's, is 0": {Balances: []Term{{0, 1}}},
		"direction: stream: must be a measured one, is lost":     {Streams: []Term{{2, 1}}},
		"direction: factor: must be a number, is NaN":            {Streams: []Term{{1, math.NaN()}}},
	} {
		if _, err := r.Suspect(want); err == nil || err.Error() != d {
			t.Errorf("%v, want %s", err, d)
		}
	}
}

// Whatever the problem, the answer is numbers or an *Error.
func FuzzSolve(f *testing.F) {
	f.Add([]byte("a balance of a tank"))
	f.Add([]byte{3, 2, 2, 1, 200, 0, 9, 0, 1, 7, 0, 1, 1, 9, 2, 0, 1})
	f.Fuzz(func(t *testing.T, data []byte) {
		next := func() int {
			if len(data) == 0 {
				return 0
			}
			b := int(data[0])
			data = data[1:]
			return b
		}
		var p Problem
		for range 1 + next()%12 {
			v := float64(next()) * math.Pow(10, float64(next()%13-6))
			p.Streams = append(p.Streams, Stream{Value: v, Unmeasured: next()%4 == 0})
		}
		terms := func() (ts []Term) {
			for range next() % 6 {
				ts = append(ts, Term{next() % len(p.Streams), float64(next()-128) * math.Pow(10, float64(next()%9-4))})
			}
			return ts
		}
		for range next() % 10 {
			p.Causes = append(p.Causes, Cause{"c", terms()})
		}
		for range next() % 10 {
			p.Balances = append(p.Balances, Balance{"b", terms(), float64(next())})
		}
		r, err := Solve(p)
		var e *Error
		if err != nil {
			if !errors.As(err, &e) {
				t.Fatal(err)
			}
			return
		}
		if !finite(r.Chi2) || r.Chi2 < 0 || !(r.P >= 0 && r.P <= 1) || r.DOF > len(p.Balances) {
			t.Fatalf("%+v", r)
		}
		for _, s := range r.Streams {
			if !finite(s.Value) || !finite(s.After) || !finite(s.Z) || s.After > s.U*(1+1e-9)+1e-300 && !s.Unmeasured {
				t.Fatalf("%+v", s)
			}
		}
		for i, s := range p.Streams {
			if !s.Unmeasured {
				if d, err := r.Suspect(Direction{Streams: []Term{{i, 1}}}); err != nil || !finite(d.Z) || !finite(d.Size) {
					t.Fatal(d, err)
				}
			}
		}
	})
}

// A season: 12 nights, some 60 balances, 120 streams and as many causes.
func BenchmarkSolve(b *testing.B) {
	rnd := rand.New(rand.NewPCG(7, 3))
	var p Problem
	for range 12 {
		q, _ := random(rnd)
		n := len(p.Streams)
		move := func(ts []Term) (out []Term) {
			for _, t := range ts {
				out = append(out, Term{t.Stream + n, t.By})
			}
			return out
		}
		p.Streams = append(p.Streams, q.Streams...)
		for _, c := range q.Causes {
			p.Causes = append(p.Causes, Cause{c.Name, move(c.Touch)})
		}
		for _, x := range q.Balances {
			p.Balances = append(p.Balances, Balance{x.Name, move(x.Terms), 0})
		}
	}
	p = p.wrong(rnd)
	b.Logf("%d streams, %d causes, %d balances", len(p.Streams), len(p.Causes), len(p.Balances))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Solve(p); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSuspect(b *testing.B) {
	rnd := rand.New(rand.NewPCG(7, 4))
	p, _ := random(rnd)
	r, err := Solve(p)
	if err != nil {
		b.Fatal(err)
	}
	d := Direction{Balances: []Term{{0, 1}}}
	for b.Loop() {
		if _, err := r.Suspect(d); err != nil {
			b.Fatal(err)
		}
	}
}
