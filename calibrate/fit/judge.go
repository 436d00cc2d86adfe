package fit

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// ChiSquared returns the value that a chi-squared of dof degrees of freedom
// stays below with probability p.
func ChiSquared(p float64, dof int) float64 {
	return distuv.ChiSquared{K: float64(dof)}.Quantile(p)
}

// Student returns the value that Student's t of dof degrees of freedom stays
// within, on both sides, with probability p. dof may be no integer (GUM G.4),
// or infinite.
func Student(p, dof float64) float64 {
	if math.IsInf(dof, 1) {
		return distuv.UnitNormal.Quantile((1 + p) / 2)
	}
	return distuv.StudentsT{Sigma: 1, Nu: dof}.Quantile((1 + p) / 2)
}

// Grubbs returns how far the value farthest from the mean is from it, in
// standard deviations of the sample, and which one it is; 0, -1 where nothing is
// far: of fewer than three values, or of equal ones.
// (NIST/SEMATECH e-Handbook 1.3.5.17.1.)
func Grubbs(x []float64) (g float64, at int) {
	if len(x) < 3 {
		return 0, -1
	}
	mean, ss := 0.0, 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		ss += (v - mean) * (v - mean)
	}
	sd := math.Sqrt(ss / float64(len(x)-1))
	at = -1
	for i, v := range x {
		if d := math.Abs(v-mean) / sd; d > g {
			g, at = d, i
		}
	}
	return g, at
}

// GrubbsLimit returns what Grubbs exceeds by chance with probability alpha,
// for n values, at least 3, of a normal distribution: on the one side that was
// asked about beforehand. For both sides give half the alpha.
func GrubbsLimit(n int, alpha float64) float64 {
	dof := float64(n - 2)
	t := distuv.StudentsT{Sigma: 1, Nu: dof}.Quantile(1 - alpha/float64(n))
	return float64(n-1) / math.Sqrt(float64(n)) * math.Sqrt(t*t/(dof+t*t))
}

// Sidak returns what the largest of n independent standard normal values
// exceeds, on either side, with probability alpha.
func Sidak(n int, alpha float64) float64 {
	each := 1 - math.Pow(1-alpha, 1/float64(n))
	return distuv.UnitNormal.Quantile(1 - each/2)
}

// Monotone makes y rise or stay with the least change, weighted: pool adjacent
// violators. It returns for each value the first and last of those it was
// pooled with; the pooled value is their weighted mean.
func Monotone(y, weight []float64) (pools [][2]int) {
	type pool struct {
		sum, weight float64
		from, to    int
	}
	var ps []pool
	for i := range y {
		ps = append(ps, pool{y[i] * weight[i], weight[i], i, i})
		for len(ps) > 1 {
			a, b := ps[len(ps)-2], ps[len(ps)-1]
			if a.sum/a.weight <= b.sum/b.weight {
				break
			}
			ps = append(ps[:len(ps)-2], pool{a.sum + b.sum, a.weight + b.weight, a.from, b.to})
		}
	}
	for _, p := range ps {
		for range p.to - p.from + 1 {
			pools = append(pools, [2]int{p.from, p.to})
		}
	}
	return pools
}
