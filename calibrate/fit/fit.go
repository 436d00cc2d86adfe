// Package fit does least squares: linear, weighted or with a covariance of the
// observations, by QR; and nonlinear, by Levenberg's and Marquardt's damping of
// the same. It names outliers and says whether points and fit agree.
package fit

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Errors of the fits.
var (
	ErrShape    = errors.New("fit: rows, observations and uncertainties do not match, or are no numbers")
	ErrSingular = errors.New("fit: the observations do not tell all coefficients apart")
	ErrStuck    = errors.New("fit: no minimum found")
)

// Fit is what a fit found of p coefficients from n observations.
type Fit struct {
	Coef []float64
	// Cov is the covariance of Coef if the uncertainties given are true. Where
	// they were not given (all 1) see SD.
	Cov [][]float64
	// Gain is by how much each coefficient changes with each observation, p rows of n.
	Gain  [][]float64
	Resid []float64 // observation less fit
	// Std is each residual by its own standard deviation if the uncertainties
	// given are true; 0 where the fit passes through the point whatever it is.
	Std []float64
	RSS float64 // sum of squares of the residuals, each by its uncertainty
	DOF int     // n-p

	n        int
	tss      float64 // weighted sum of squares about the weighted mean
	constant bool    // one column is a constant
}

// ResidualSD returns the residual standard deviation, in units of the
// uncertainties given; NaN without a degree of freedom.
func (f *Fit) ResidualSD() float64 { return math.Sqrt(f.RSS / float64(f.DOF)) }

// SD returns the standard deviation of coefficient j as found from the
// scatter of the residuals: the root of Cov times ResidualSD.
func (f *Fit) SD(j int) float64 { return math.Sqrt(f.Cov[j][j]) * f.ResidualSD() }

// R2 returns the coefficient of determination of a weighted fit with a
// constant; NaN for others.
func (f *Fit) R2() float64 {
	if !f.constant {
		return math.NaN()
	}
	return 1 - f.RSS/f.tss
}

// F returns the F statistic of a weighted fit with a constant against the
// constant alone; NaN for others.
func (f *Fit) F() float64 {
	if !f.constant {
		return math.NaN()
	}
	return (f.tss - f.RSS) / float64(len(f.Coef)-1) / (f.RSS / float64(f.DOF))
}

// Prior is what is known of a coefficient beforehand: mean and standard
// uncertainty, as of a normal distribution. It enters as one more observation.
type Prior struct {
	Coef     int
	Mean, SD float64
}

// WithPriors returns the observations with one more row for each prior. sd may be nil.
func WithPriors(x [][]float64, y, sd []float64, priors ...Prior) (xs [][]float64, ys, sds []float64) {
	xs, ys = append(xs, x...), append(ys, y...)
	if sds = append(sds, sd...); sd == nil {
		for range y {
			sds = append(sds, 1)
		}
	}
	for _, p := range priors {
		row := make([]float64, len(x[0]))
		row[p.Coef] = 1
		xs, ys, sds = append(xs, row), append(ys, p.Mean), append(sds, p.SD)
	}
	return xs, ys, sds
}

// Linear fits y = x·coef, x having a row for each observation and a column
// for each coefficient. sd holds the standard uncertainties of y; nil: all 1.
// Errors are ErrShape and ErrSingular.
func Linear(x [][]float64, y, sd []float64) (*Fit, error) {
	n := len(y)
	if sd != nil && len(sd) != n {
		return nil, ErrShape
	}
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
		if sd != nil {
			w[i] = 1 / sd[i]
		}
		if !(w[i] > 0) || math.IsInf(w[i], 0) {
			return nil, ErrShape
		}
	}
	a, b, err := dense(x, y)
	if err != nil {
		return nil, err
	}
	for i := range n {
		row := a.RawRowView(i)
		for j := range row {
			row[j] *= w[i]
		}
		b.SetVec(i, b.AtVec(i)*w[i])
	}
	f, err := solve(a, b)
	if err != nil {
		return nil, err
	}
	for j := range f.Gain {
		for i := range n {
			f.Gain[j][i] *= w[i]
		}
	}
	for i := range n {
		f.Resid[i] /= w[i]
	}
	f.about(x, y, w)
	return f, nil
}

// about sets what R2 and F need, if a column of x is a constant.
func (f *Fit) about(x [][]float64, y, w []float64) {
	for j := range f.Coef {
		same := x[0][j] != 0
		for i := range x {
			same = same && x[i][j] == x[0][j]
		}
		f.constant = f.constant || same
	}
	mean, sum := 0.0, 0.0
	for i := range y {
		mean += w[i] * w[i] * y[i]
		sum += w[i] * w[i]
	}
	mean /= sum
	for i := range y {
		d := w[i] * (y[i] - mean)
		f.tss += d * d
	}
}

// Correlated fits y = x·coef where cov is the covariance of the observations,
// positive definite (generalised least squares). Errors are ErrShape and ErrSingular.
func Correlated(x [][]float64, y []float64, cov [][]float64) (*Fit, error) {
	a, b, err := dense(x, y)
	n := len(y)
	if err != nil || len(cov) != n {
		return nil, ErrShape
	}
	sym := mat.NewSymDense(n, nil)
	for i := range n {
		if len(cov[i]) != n {
			return nil, ErrShape
		}
		for j := 0; j <= i; j++ {
			sym.SetSym(i, j, cov[i][j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(sym) {
		return nil, ErrSingular
	}
	var l mat.TriDense
	chol.LTo(&l)
	var wa mat.Dense
	var wb mat.VecDense
	if wa.Solve(&l, a) != nil || wb.SolveVec(&l, b) != nil {
		return nil, ErrSingular
	}
	f, err := solve(&wa, &wb)
	if err != nil {
		return nil, err
	}
	// Gain of y is gain of the whitened times the inverse of l; residuals and
	// their variance (cov - x·Cov·xᵀ) are those of y itself.
	p := len(f.Coef)
	g := mat.NewDense(p, n, nil)
	for j := range p {
		g.SetRow(j, f.Gain[j])
	}
	var back mat.Dense
	if back.Solve(l.T(), g.T()) != nil {
		return nil, ErrSingular
	}
	for j := range p {
		for i := range n {
			f.Gain[j][i] = back.At(i, j)
		}
	}
	for i := range n {
		fitted, v := 0.0, cov[i][i]
		for j := range p {
			fitted += x[i][j] * f.Coef[j]
			for k := range p {
				v -= x[i][j] * f.Cov[j][k] * x[i][k]
			}
		}
		f.Resid[i] = y[i] - fitted
		f.Std[i] = standardised(f.Resid[i], v, cov[i][i])
	}
	return f, nil
}

func standardised(resid, variance, of float64) float64 {
	if variance < 1e-9*of { // nothing but rounding
		return 0
	}
	return resid / math.Sqrt(variance)
}

func dense(x [][]float64, y []float64) (*mat.Dense, *mat.VecDense, error) {
	n := len(y)
	if n == 0 || len(x) != n || len(x[0]) == 0 || len(x[0]) > n {
		return nil, nil, ErrShape
	}
	a, b := mat.NewDense(n, len(x[0]), nil), mat.NewVecDense(n, nil)
	for i, row := range x {
		if len(row) != len(x[0]) || !finite(y[i]) {
			return nil, nil, ErrShape
		}
		for _, v := range row {
			if !finite(v) {
				return nil, nil, ErrShape
			}
		}
		a.SetRow(i, row)
		b.SetVec(i, y[i])
	}
	return a, b, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// solve fits b = a·coef, all uncertainties being 1. Columns are brought to one
// length first, so that their units do not matter, and the solution is
// refined once with its own residuals.
func solve(a *mat.Dense, b *mat.VecDense) (*Fit, error) {
	n, p := a.Dims()
	scale := make([]float64, p)
	for j := range p {
		if scale[j] = mat.Norm(a.ColView(j), 2); !(scale[j] > 0) {
			return nil, ErrSingular
		}
	}
	var s mat.Dense
	s.CloneFrom(a)
	for i := range n {
		row := s.RawRowView(i)
		for j := range row {
			row[j] /= scale[j]
		}
	}
	var qr mat.QR
	qr.Factorize(&s)
	if !(qr.Cond() < 1e14) {
		return nil, ErrSingular
	}
	var c, r, dc mat.VecDense
	if qr.SolveVecTo(&c, false, b) != nil {
		return nil, ErrSingular
	}
	for range 2 {
		r.MulVec(&s, &c)
		r.SubVec(b, &r)
		if qr.SolveVecTo(&dc, false, &r) != nil {
			return nil, ErrSingular
		}
		c.AddVec(&c, &dc)
	}
	r.MulVec(&s, &c)
	r.SubVec(b, &r)

	gain := mat.NewDense(p, n, nil)
	if !gains(&qr, gain) {
		return nil, ErrSingular
	}
	var cov mat.Dense
	cov.Mul(gain, gain.T())
	f := &Fit{DOF: n - p, n: n, RSS: mat.Dot(&r, &r)}
	for j := range p {
		f.Coef = append(f.Coef, c.AtVec(j)/scale[j])
		crow := make([]float64, p)
		for k := range p {
			crow[k] = cov.At(j, k) / scale[j] / scale[k]
		}
		f.Cov = append(f.Cov, crow)
	}
	for i := range n {
		leverage := 0.0
		for j := range p {
			leverage += s.At(i, j) * gain.At(j, i)
		}
		f.Resid = append(f.Resid, r.AtVec(i))
		f.Std = append(f.Std, standardised(r.AtVec(i), 1-leverage, 1))
	}
	for j := range p {
		row := gain.RawRowView(j)
		for i := range row {
			row[i] /= scale[j]
		}
		f.Gain = append(f.Gain, row)
	}
	return f, nil
}

// gains fills gain, by how much coefficients change with each observation. It
// solves for some observations at a time: for all at once it would take the room
// of a matrix of observations by observations, most of what a fit takes.
func gains(qr *mat.QR, gain *mat.Dense) bool {
	p, n := gain.Dims()
	for from := 0; from < n; from += gainsAtOnce {
		m := min(gainsAtOnce, n-from)
		unit := mat.NewDense(n, m, nil)
		for i := range m {
			unit.Set(from+i, i, 1)
		}
		part := gain.Slice(0, p, from, from+m).(*mat.Dense)
		if qr.SolveTo(part, false, unit) != nil {
			return false
		}
	}
	return true
}

const gainsAtOnce = 64

// Nonlinear finds the p that makes the sum of squares of residuals smallest,
// near start. residuals fills r, of length n, from p; each residual is already by
// its uncertainty, and priors are residuals like others. Errors are ErrShape,
// ErrSingular and ErrStuck; with the last the best that was found is returned too.
//
// Levenberg and Marquardt: the step solves the linear problem with damping as
// further rows, by QR. Slopes by central differences.
func Nonlinear(residuals func(p, r []float64), n int, start []float64) (*Fit, error) {
	np := len(start)
	if np == 0 || n < np {
		return nil, ErrShape
	}
	p := append([]float64(nil), start...)
	r, lo, hi := make([]float64, n), make([]float64, n), make([]float64, n)
	x := make([][]float64, n+np)
	for i := range x {
		x[i] = make([]float64, np)
	}
	y, try := make([]float64, n+np), make([]float64, np)
	residuals(p, r)
	rss := dot(r)
	if !finite(rss) {
		return nil, ErrShape
	}
	slopes := func() {
		for j := range p {
			was := p[j]
			h := 6e-6 * math.Max(math.Abs(was), 1e-6)
			p[j] = was - h
			residuals(p, lo)
			p[j] = was + h
			residuals(p, hi)
			p[j] = was
			for i := range n {
				x[i][j] = -(hi[i] - lo[i]) / (2 * h)
			}
		}
	}
	end := func(why error) (*Fit, error) {
		slopes()
		a, b, err := dense(x[:n], r)
		if err != nil {
			return nil, err
		}
		f, err := solve(a, b) // for Cov, Gain and Std only: the step is nil
		if err != nil {
			return nil, err
		}
		f.Coef, f.Resid, f.RSS = p, r, rss
		return f, why
	}
	damp := 1e-3
	for range 200 {
		slopes()
		copy(y, r)
		for moved := false; !moved; {
			for j := range p { // damping, by the length of its column
				length := 0.0
				for i := range n {
					length += x[i][j] * x[i][j]
				}
				clear(x[n+j])
				x[n+j][j] = math.Sqrt(damp * math.Max(length, 1e-300))
				y[n+j] = 0
			}
			a, b, err := dense(x, y)
			if err != nil {
				return nil, err
			}
			step, err := solve(a, b)
			if err != nil {
				return nil, fmt.Errorf("%w at %v", err, p)
			}
			small := true
			for j := range p {
				try[j] = p[j] + step.Coef[j]
				small = small && math.Abs(step.Coef[j]) <= 1e-10*math.Abs(p[j])+1e-14
			}
			residuals(try, hi)
			if next := dot(hi); next <= rss {
				small = small || rss-next <= 1e-15*rss
				copy(p, try)
				copy(r, hi)
				rss, damp, moved = next, max(damp/10, 1e-15), true
			} else if damp *= 10; damp > 1e12 && !small {
				return end(ErrStuck)
			}
			if small {
				return end(nil)
			}
		}
	}
	return end(ErrStuck)
}

func dot(r []float64) float64 {
	sum := 0.0
	for _, v := range r {
		sum += v * v
	}
	return sum
}
