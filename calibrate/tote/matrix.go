package tote

import "math"

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, x := range a {
		sum += float64(x * b[i])
	}
	return sum
}

// times returns a·x of a square a.
func times(a, x []float64) []float64 {
	n := len(x)
	out := make([]float64, n)
	for i := range out {
		out[i] = dot(a[i*n:(i+1)*n], x)
	}
	return out
}

// invert returns the inverse of a symmetric positive definite matrix of which
// only the lower half is given, by Cholesky's decomposition; nil if it is not.
// Rows and columns are scaled to a diagonal of 1 first, for the sake of digits.
func invert(a []float64, n int) []float64 {
	d := make([]float64, n)
	for i := range n {
		if !(a[i*n+i] > 0) || math.IsInf(a[i*n+i], 1) {
			return nil
		}
		d[i] = 1 / math.Sqrt(a[i*n+i])
	}
	for i := range n {
		for j := range i + 1 {
			a[i*n+j] *= d[i] * d[j]
		}
	}
	for i := range n {
		for j := range i + 1 {
			sum := a[i*n+j] - dot(a[i*n:i*n+j], a[j*n:j*n+j])
			if i > j {
				a[i*n+j] = sum / a[j*n+j]
			} else if !(sum > 1e-15) {
				return nil
			} else {
				a[i*n+i] = math.Sqrt(sum)
			}
		}
	}
	// w = the transpose of the inverse of the factor, row by row.
	w := make([]float64, n*n)
	for j := range n {
		w[j*n+j] = 1 / a[j*n+j]
		for i := j + 1; i < n; i++ {
			w[j*n+i] = -dot(a[i*n+j:i*n+i], w[j*n+j:j*n+i]) / a[i*n+i]
		}
	}
	out := make([]float64, n*n)
	for i := range n {
		for j := range i + 1 {
			v := dot(w[i*n+i:(i+1)*n], w[j*n+i:(j+1)*n]) * d[i] * d[j]
			out[i*n+j], out[j*n+i] = v, v
		}
	}
	return out
}
