package reconcile

import "math"

// Direction is what a fault of size 1 would do: to measured streams, to
// balances (by place in Problem.Balances), or both. An unbooked outflow of a
// balance whose outflows count negative leaves +1 there.
type Direction struct {
	Streams  []Term
	Balances []Term
}

// Suspicion is what the balances say of a fault along a direction, by
// generalised least squares; its square Z is the likelihood-ratio test of
// Narasimhan and Mah 1987 (memory).
type Suspicion struct {
	Size, U float64 // of the fault, and its standard uncertainty by the balances alone
	Z       float64 // Size by U; 0: the balances do not see it
	Seen    bool    // whether they do
}

// Chi2 returns by how much the global chi-square falls if the fault is taken
// for one of a given size, such as a whole bag; with Size itself it falls by Z².
func (s Suspicion) Chi2(size float64) float64 {
	if !s.Seen {
		return 0
	}
	d := (s.Size - size) / s.U
	return float64(s.Z*s.Z) - float64(d*d)
}

// Suspect tests for a fault along a direction. Faults along given directions
// are allowed for, whatever their sizes: to look for a second one.
func (r *Result) Suspect(d Direction, given ...Direction) (Suspicion, error) {
	w, total, err := r.direction(d)
	if err != nil {
		return Suspicion{}, err
	}
	basis, err := r.basis(given)
	if err != nil {
		return Suspicion{}, err
	}
	for _, q := range basis {
		take(w, q)
	}
	v := dot(w, w)
	if !(v > 1e-12*total) {
		return Suspicion{}, nil
	}
	s := Suspicion{Size: dot(w, r.white) / v, U: 1 / math.Sqrt(v), Seen: true}
	s.Z = s.Size / s.U
	return s, nil
}

// Alike returns the cosine of two directions in the metric of the residuals'
// covariance: where it is 1 or -1 the balances cannot tell them apart. It is 0
// where they do not see one of them. Given directions are allowed for.
func (r *Result) Alike(a, b Direction, given ...Direction) (float64, error) {
	x, xt, err := r.direction(a)
	if err != nil {
		return 0, err
	}
	y, yt, err := r.direction(b)
	if err != nil {
		return 0, err
	}
	basis, err := r.basis(given)
	if err != nil {
		return 0, err
	}
	for _, q := range basis {
		take(x, q)
		take(y, q)
	}
	xx, yy := dot(x, x), dot(y, y)
	if !(xx > 1e-12*xt) || !(yy > 1e-12*yt) {
		return 0, nil
	}
	return max(-1, min(1, dot(x, y)/math.Sqrt(xx*yy))), nil
}

// Whitened returns a direction among the residuals as a vector of independent
// parts of variance 1, and Residual the residuals themselves, for callers that
// weigh many faults against each other. Neither may be changed.
func (r *Result) Whitened(d Direction) ([]float64, error) {
	w, _, err := r.direction(d)
	return w, err
}

// Residual returns the whitened residuals; the sum of their squares is Chi2.
func (r *Result) Residual() []float64 { return r.white }

// basis returns an orthonormal basis of directions.
func (r *Result) basis(ds []Direction) (out [][]float64, err error) {
	for _, d := range ds {
		w, total, err := r.direction(d)
		if err != nil {
			return nil, err
		}
		for range 2 { // twice, for rounding
			for _, q := range out {
				take(w, q)
			}
		}
		n := norm(w)
		if !(n*n > 1e-12*total) {
			continue
		}
		for i := range w {
			w[i] /= n
		}
		out = append(out, w)
	}
	return out, nil
}

func take(w, q []float64) {
	s := dot(w, q)
	for i := range w {
		w[i] -= float64(s * q[i])
	}
}

// direction returns the whitened direction, and the square of its length
// before anything cancelled, as a measure of rounding.
func (r *Result) direction(d Direction) (w []float64, total float64, err error) {
	bal := make([]float64, len(r.p.Balances))
	for _, t := range d.Balances {
		switch {
		case t.Stream < 0 || t.Stream >= len(bal):
			return nil, 0, &Error{"direction: balance", "must be one of the problem's", t.Stream}
		case !finite(t.By):
			return nil, 0, &Error{"direction: factor", "must be a number", t.By}
		}
		bal[t.Stream] += t.By
	}
	for _, t := range d.Streams {
		switch {
		case t.Stream < 0 || t.Stream >= len(r.p.Streams):
			return nil, 0, &Error{"direction: stream", "must be one of the problem's", t.Stream}
		case !finite(t.By):
			return nil, 0, &Error{"direction: factor", "must be a number", t.By}
		case r.p.Streams[t.Stream].Unmeasured:
			return nil, 0, &Error{"direction: stream", "must be a measured one", r.p.Streams[t.Stream].Name}
		}
	}
	f := make([]float64, len(r.e.rows))
	for i, row := range r.e.rows {
		mag := 0.0
		for b, by := range row.by {
			f[i] += float64(by * bal[b])
			mag += math.Abs(by * bal[b])
		}
		for _, t := range d.Streams {
			f[i] += float64(row.a[t.Stream] * t.By)
			mag += math.Abs(row.a[t.Stream] * t.By)
		}
		if math.Abs(f[i]) <= rounding*mag {
			f[i] = 0
		}
		if s := r.r.scale[i]; s > 0 {
			total += float64(mag/s) * float64(mag/s)
		}
	}
	return r.r.whiten(f), total, nil
}
