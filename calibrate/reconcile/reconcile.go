// Package reconcile makes measured streams agree with the balances that they
// must keep: weighted least squares with the balances as constraints, after
// streams that nobody measured were eliminated (Crowe, Garcia Campos and
// Hrymak 1983; memory). It tests whether errors as large as stated explain what
// does not balance, and which single fault would.
//
// Errors come from causes, independent of each other, each of which may touch
// several streams: so one scale or one meter's factor errs alike wherever it
// was used. Nothing here knows a unit; streams of one balance share theirs.
package reconcile

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Error says what cannot be so: field, rule, value.
type Error struct {
	Field string // such as "balance 3 (store): stream"
	Rule  string
	Value any
}

func (e *Error) Error() string { return fmt.Sprintf("%s: %s, is %v", e.Field, e.Rule, e.Value) }

// Stream is an amount that moved, or was there.
type Stream struct {
	Name       string
	Value      float64 // as measured
	Unmeasured bool    // Value says nothing
}

// Term is a stream, by its place in Problem.Streams, times a factor.
type Term struct {
	Stream int
	By     float64
}

// Cause is a cause of error. One standard uncertainty of it changes each
// stream that it touches by By, signed. A stream that no cause touches is exact.
type Cause struct {
	Name  string
	Touch []Term
}

// Balance says that the sum of its terms and Const is 0.
type Balance struct {
	Name  string
	Terms []Term
	Const float64
}

// Problem is what is to be reconciled.
type Problem struct {
	Streams  []Stream
	Causes   []Cause
	Balances []Balance
}

// Estimate is what became of a stream.
type Estimate struct {
	Name         string
	Unmeasured   bool
	Known        bool    // false: unmeasured, and no balance tells how much it was; then all else is 0
	Measured, U  float64 // as measured, and its standard uncertainty
	Value, After float64 // reconciled, and its standard uncertainty
	Moved        float64 // Value less Measured
	// Z is the measurement test: Moved by its own standard uncertainty, a
	// standard normal deviate where all errors are as stated; 0 where no
	// balance tells anything of the stream.
	Z float64
}

// Node is a balance as it can be tested: one of the given, or several of
// them together where an unmeasured stream ran between them.
type Node struct {
	Balances []int   // by their place in Problem.Balances
	Residual float64 // of the measured values
	U        float64 // its standard uncertainty
	Z        float64 // nodal test; 0 where U is
}

// Blame is what the balances say of a cause.
type Blame struct {
	Name string
	Size float64 // its error as estimated, in standard uncertainties
	Z    float64 // Size by its own standard uncertainty; 0: nothing is told of it
}

// Result is a reconciled problem. It is a value that nobody changes.
type Result struct {
	Streams []Estimate
	Nodes   []Node
	Causes  []Blame

	// Global test: Chi2 is distributed as chi-square of DOF degrees of freedom
	// where all errors are as stated; P is the chance of as much or more.
	Chi2 float64
	DOF  int
	P    float64

	p     *Problem
	e     *eliminated
	r     *root
	white []float64 // residuals, whitened
	slips []float64 // errors of the causes as estimated
}

// Solve reconciles. Errors are *Error: of what is no problem, and of balances
// that exact streams do not keep.
func Solve(p Problem) (*Result, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	e := eliminate(&p)
	g := e.causes(&p)
	res := e.residuals(&p)
	root, err := factor(&p, e, g, res)
	if err != nil {
		return nil, err
	}
	out := &Result{p: &p, e: e, r: root, DOF: len(root.rows)}
	out.white = root.whiten(res)
	for _, w := range out.white {
		out.Chi2 += float64(w * w)
	}
	out.P = 1
	if out.DOF > 0 {
		out.P = distuv.ChiSquared{K: float64(out.DOF)}.Survival(out.Chi2)
	}
	out.slips = make([]float64, len(p.Causes))
	for c := range p.Causes {
		var size, v float64
		for k, w := range out.white {
			b := root.b[k][c]
			size += float64(b * w)
			v += float64(b * b)
		}
		out.slips[c] = size
		out.Causes = append(out.Causes, Blame{Name: p.Causes[c].Name, Size: size, Z: ratio(size, v, 1)})
	}
	for i, row := range e.rows {
		n := Node{Balances: row.of, Residual: res[i], U: norm(g[i])}
		if root.scale[i] > 0 {
			n.Z = n.Residual / n.U
		} else {
			n.U = 0
		}
		out.Nodes = append(out.Nodes, n)
	}
	for i, s := range p.Streams {
		out.Streams = append(out.Streams, out.stream(i, s))
	}
	return out, nil
}

// ratio returns x by the root of a variance, 0 where that is nothing but
// rounding of a total.
func ratio(x, variance, total float64) float64 {
	if !(variance > 1e-12*total) {
		return 0
	}
	return x / math.Sqrt(variance)
}

func (r *Result) stream(i int, s Stream) Estimate {
	est := Estimate{Name: s.Name, Unmeasured: s.Unmeasured, Known: true}
	terms := []Term{{i, 1}}
	if s.Unmeasured {
		est.Value, est.After, est.Known = r.Sum(terms, 0)
		return est
	}
	f := r.of(terms, 0)
	est.Measured, est.U, est.Value, est.After = s.Value, f.before, f.value, f.after
	est.Moved = est.Value - est.Measured
	est.Z = ratio(est.Moved, f.told, f.before*f.before)
	return est
}

type function struct {
	value, before, after float64
	told                 float64 // variance of the adjustment
}

// of returns a linear function of measured streams, reconciled.
func (r *Result) of(terms []Term, constant float64) (f function) {
	j := make([]float64, len(r.p.Causes))
	f.value = constant
	for _, t := range terms {
		f.value += float64(t.By * r.p.Streams[t.Stream].Value)
		for _, c := range r.e.touching[t.Stream] {
			j[c.Stream] += float64(t.By * c.By)
		}
	}
	total := 0.0
	for c, by := range j {
		f.value -= float64(by * r.slips[c])
		total += float64(by * by)
	}
	for _, b := range r.r.b {
		d := dot(b, j)
		f.told += float64(d * d)
	}
	f.before = math.Sqrt(total)
	f.after = math.Sqrt(max(0, total-f.told))
	return f
}

// Sum returns a sum of streams and a constant, reconciled, with its standard
// uncertainty; known is false where it holds a stream that nothing tells of.
func (r *Result) Sum(terms []Term, constant float64) (value, u float64, known bool) {
	flat, free := make([]float64, len(r.p.Streams)), make([]float64, len(r.p.Streams))
	for _, t := range terms {
		if !r.p.Streams[t.Stream].Unmeasured {
			flat[t.Stream] += t.By
			continue
		}
		x, ok := r.e.solved[t.Stream]
		if !ok {
			free[t.Stream] += t.By
			continue
		}
		constant += float64(x.constant * t.By)
		for _, m := range x.terms {
			if r.p.Streams[m.Stream].Unmeasured {
				free[m.Stream] += float64(m.By * t.By)
			} else {
				flat[m.Stream] += float64(m.By * t.By)
			}
		}
	}
	var all []Term
	for i := range flat {
		if math.Abs(free[i]) > 1e-9 {
			return 0, 0, false
		}
		if flat[i] != 0 {
			all = append(all, Term{i, flat[i]})
		}
	}
	f := r.of(all, constant)
	return f.value, f.after, true
}

// Limit returns the Šidák limit of |z| for a family of n tests at a level such
// as 0.05: with no fault anywhere the chance that any is beyond it is at most
// the level. (Šidák 1967; memory.)
func Limit(n int, level float64) float64 {
	if n < 1 {
		n = 1
	}
	beta := -math.Expm1(math.Log1p(-level) / float64(n))
	return distuv.UnitNormal.Quantile(1 - beta/2)
}

// Rejects tells whether the global test rejects at a level such as 0.05.
func (r *Result) Rejects(level float64) bool { return r.DOF > 0 && r.P < level }

func (p *Problem) check() error {
	for i, s := range p.Streams {
		if !s.Unmeasured && !finite(s.Value) {
			return &Error{name("stream", i, s.Name) + ": value", "must be a number", s.Value}
		}
	}
	terms := func(field string, ts []Term, measured bool) error {
		for _, t := range ts {
			switch {
			case t.Stream < 0 || t.Stream >= len(p.Streams):
				return &Error{field + ": stream", fmt.Sprintf("must be one of the %d streams", len(p.Streams)), t.Stream}
			case !finite(t.By):
				return &Error{field + ": factor", "must be a number", t.By}
			case measured && p.Streams[t.Stream].Unmeasured:
				return &Error{field + ": stream", "must be a measured one", name("stream", t.Stream, p.Streams[t.Stream].Name)}
			}
		}
		return nil
	}
	for i, c := range p.Causes {
		if err := terms(name("cause", i, c.Name), c.Touch, true); err != nil {
			return err
		}
	}
	for i, b := range p.Balances {
		if err := terms(name("balance", i, b.Name), b.Terms, false); err != nil {
			return err
		}
		if !finite(b.Const) {
			return &Error{name("balance", i, b.Name) + ": constant", "must be a number", b.Const}
		}
	}
	return nil
}

func name(what string, i int, n string) string { return fmt.Sprintf("%s %d (%s)", what, i, n) }

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func dot(a, b []float64) (s float64) {
	for i, x := range a {
		s += float64(x * b[i])
	}
	return s
}

func norm(a []float64) float64 { return math.Sqrt(dot(a, a)) }
