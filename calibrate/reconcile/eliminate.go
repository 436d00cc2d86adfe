package reconcile

import (
	"math"
	"slices"
)

// eliminated is a problem without its unmeasured streams.
type eliminated struct {
	rows     []row
	touching [][]Term     // of each stream: the causes that touch it (Stream is the cause's place) and by how much
	solved   map[int]expr // unmeasured streams by others: measured ones or, where the balances do not tell, free ones
}

// row is a sum of balances in which no unmeasured stream is left.
type row struct {
	of       []int     // balances with a part in it
	by       []float64 // and how much of each, by place in Problem.Balances
	a        []float64 // factor of each stream
	constant float64
}

// expr is a stream as a function of others.
type expr struct {
	terms    []Term
	constant float64
}

// rounding is what of a sum is nothing but rounding, of the sum of the
// magnitudes that went into it.
const rounding = 1e-10

// eliminate takes out the unmeasured streams, one after the other, by the
// balance in which each weighs most (Gauss and Jordan): the projection of Crowe
// et al. with a sparse basis, so that what is left are balances, or sums of
// neighbouring ones, that still can be named.
func eliminate(p *Problem) *eliminated {
	n := len(p.Balances)
	e := &eliminated{touching: make([][]Term, len(p.Streams)), solved: map[int]expr{}}
	for c := range p.Causes {
		for _, t := range p.Causes[c].Touch {
			e.touching[t.Stream] = append(e.touching[t.Stream], Term{c, t.By})
		}
	}
	all := make([]row, n)
	size := make([]float64, n) // largest factor, so that units of balances do not matter
	for i, b := range p.Balances {
		all[i] = row{by: make([]float64, n), a: make([]float64, len(p.Streams)), constant: b.Const}
		all[i].by[i] = 1
		for _, t := range b.Terms {
			all[i].a[t.Stream] += t.By
		}
		for _, a := range all[i].a {
			size[i] = max(size[i], math.Abs(a))
		}
	}
	pivotOf := make([]int, n) // unmeasured stream that a balance was used up for
	for i := range pivotOf {
		pivotOf[i] = -1
	}
	for u, s := range p.Streams {
		if !s.Unmeasured {
			continue
		}
		best := -1
		for i := range all {
			if pivotOf[i] < 0 && math.Abs(all[i].a[u]) > 1e-9*size[i] &&
				(best < 0 || math.Abs(all[i].a[u])/size[i] > math.Abs(all[best].a[u])/size[best]*(1+1e-9)) {
				best = i
			}
		}
		if best < 0 {
			continue
		}
		pivotOf[best] = u
		for i := range all {
			if f := all[i].a[u] / all[best].a[u]; i != best && f != 0 {
				all[i].less(&all[best], f)
				all[i].a[u] = 0
			}
		}
	}
	for i := range all {
		r := &all[i]
		for k, by := range r.by {
			if by != 0 {
				r.of = append(r.of, k)
			}
		}
		if u := pivotOf[i]; u >= 0 {
			x := expr{constant: -r.constant / r.a[u]}
			for s, a := range r.a {
				if s != u && a != 0 {
					x.terms = append(x.terms, Term{s, -a / r.a[u]})
				}
			}
			e.solved[u] = x
			continue
		}
		e.rows = append(e.rows, *r)
	}
	return e
}

// less takes f times o off r; what is left by rounding alone is nothing.
func (r *row) less(o *row, f float64) {
	sub := func(x *float64, y float64) {
		d := *x - float64(f*y)
		if math.Abs(d) <= rounding*(math.Abs(*x)+math.Abs(f*y)) {
			d = 0
		}
		*x = d
	}
	for i := range r.a {
		sub(&r.a[i], o.a[i])
	}
	for i := range r.by {
		sub(&r.by[i], o.by[i])
	}
	sub(&r.constant, o.constant)
}

// residuals returns what the measured values leave of each row.
func (e *eliminated) residuals(p *Problem) []float64 {
	out := make([]float64, len(e.rows))
	for i, r := range e.rows {
		out[i] = r.constant
		for s, a := range r.a {
			if a != 0 {
				out[i] += float64(a * p.Streams[s].Value)
			}
		}
	}
	return out
}

// causes returns what one standard uncertainty of each cause does to each row.
func (e *eliminated) causes(p *Problem) [][]float64 {
	out := make([][]float64, len(e.rows))
	for i, r := range e.rows {
		out[i] = make([]float64, len(p.Causes))
		mag := make([]float64, len(p.Causes))
		for s, a := range r.a {
			if a == 0 {
				continue
			}
			for _, c := range e.touching[s] {
				out[i][c.Stream] += float64(a * c.By)
				mag[c.Stream] += math.Abs(a * c.By)
			}
		}
		for c := range mag { // common errors that cancel do so for good
			if math.Abs(out[i][c]) <= rounding*mag[c] {
				out[i][c] = 0
			}
		}
	}
	return out
}

// root is the Cholesky root of the residuals' covariance, over as many rows as
// are independent.
type root struct {
	rows  []int       // of eliminated.rows, in the order of pivots
	scale []float64   // standard uncertainty of each of all rows; 0: exact
	l     [][]float64 // lower, of the rows by their scale
	b     [][]float64 // whitened effect of the causes: rows by causes
}

const (
	dependent   = 1e-12 // part of a row's variance that no other row tells, below which it is none
	contradicts = 1e-5  // standard uncertainties that a dependent row may be off
)

// factor takes rows in the order of what each adds (pivoted Cholesky), and
// leaves out those that add nothing. These and exact ones must agree by themselves.
func factor(p *Problem, e *eliminated, g [][]float64, res []float64) (*root, error) {
	n := len(g)
	rt := &root{scale: make([]float64, n)}
	unit := make([][]float64, n)
	left := make([]float64, n) // variance still untold
	for i := range g {
		rt.scale[i] = norm(g[i])
		if rt.scale[i] == 0 {
			mag := math.Abs(e.rows[i].constant)
			for s, a := range e.rows[i].a {
				mag += math.Abs(a * p.Streams[s].Value)
			}
			if math.Abs(res[i]) > 1e-9*mag {
				return nil, e.contradiction(p, i, res[i])
			}
			continue
		}
		unit[i] = make([]float64, len(g[i]))
		for c, x := range g[i] {
			unit[i][c] = x / rt.scale[i]
		}
		left[i] = 1
	}
	// Modified Gram-Schmidt on the rows' effects, the same as Cholesky of
	// their products, without squaring their condition.
	work := make([][]float64, n)
	for i := range unit {
		work[i] = slices.Clone(unit[i])
	}
	low := make([][]float64, n) // coefficients of each row in the roots so far
	for {
		best := -1
		for i, v := range left {
			if v > dependent && (best < 0 || v > left[best]*(1+1e-9)) {
				best = i
			}
		}
		if best < 0 {
			break
		}
		d := norm(work[best])
		q := work[best]
		for c := range q {
			q[c] /= d
		}
		for k := range rt.b { // once more, for rounding
			if s := dot(rt.b[k], q); s != 0 {
				for c := range q {
					q[c] -= float64(s * rt.b[k][c])
				}
			}
		}
		rt.rows, rt.b = append(rt.rows, best), append(rt.b, q)
		left[best] = 0
		low[best] = append(low[best], d)
		for i := range work {
			if left[i] <= dependent {
				continue
			}
			s := dot(work[i], q)
			low[i] = append(low[i], s)
			if s == 0 {
				continue
			}
			for c := range q {
				work[i][c] -= float64(s * q[c])
			}
			left[i] = dot(work[i], work[i])
		}
	}
	for _, i := range rt.rows {
		rt.l = append(rt.l, low[i])
	}
	white := rt.whiten(res)
	for i := range g {
		if rt.scale[i] == 0 || slices.Contains(rt.rows, i) {
			continue
		}
		want, mag := 0.0, 1.0
		for k, q := range rt.b {
			s := dot(unit[i], q)
			want += float64(s * white[k])
			mag += math.Abs(s * white[k])
		}
		if math.Abs(res[i]/rt.scale[i]-want) > contradicts*mag {
			return nil, e.contradiction(p, i, res[i]-want*rt.scale[i])
		}
	}
	return rt, nil
}

func (e *eliminated) contradiction(p *Problem, i int, off float64) error {
	of := e.rows[i].of
	field := name("balance", of[0], p.Balances[of[0]].Name)
	for _, k := range of[1:] {
		field += " with " + name("balance", k, p.Balances[k].Name)
	}
	return &Error{field, "must add up where nothing in it may be wrong or other balances tell it", off}
}

// whiten brings a vector over all rows to independent parts of variance 1.
func (rt *root) whiten(x []float64) []float64 {
	out := make([]float64, len(rt.rows))
	for k, i := range rt.rows {
		v := x[i] / rt.scale[i]
		for m := range k {
			v -= float64(rt.l[k][m] * out[m])
		}
		out[k] = v / rt.l[k][k]
	}
	return out
}
