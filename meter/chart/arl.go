package chart

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
)

// Run lengths are the solution of Fredholm's integral equation of the second
// kind by Gauss-Legendre quadrature (Nyström's method; Goel & Wu 1971, Vance
// 1986 for CUSUM, Crowder 1987 for EWMA).

// endless is the longest run length that is told apart from none: beyond it
// the equations are as good as singular.
const endless = 1e12

func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

func below(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// nodes returns quadrature nodes and weights from lo to hi, for kernels as wide
// as wide.
func nodes(lo, hi, wide float64) (x, w []float64) {
	n := min(400, 20+int(2.5*(hi-lo)/wide))
	x, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, lo, hi)
	return x, w
}

// solve returns the run lengths of which each is 1 and the sum of the others
// by chance[i][j].
func solve(n int, chance func(i, j int) float64) []float64 {
	a, one := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		one.SetVec(i, 1)
		for j := range n {
			a.Set(i, j, -chance(i, j))
		}
		a.Set(i, i, a.At(i, i)+1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, one); err != nil {
		if _, near := err.(mat.Condition); !near {
			return nil
		}
	}
	return l.RawVector().Data
}

// tame makes what a singular equation gave endless.
func tame(arl float64) float64 {
	if arl >= 1 && arl < endless {
		return arl
	}
	return math.Inf(1)
}

// sum is a one-sided cumulative sum: its run lengths from the nodes and from 0.
type sum struct {
	k, h, shift float64
	x, w, l     []float64
}

func oneSided(k, h, shift float64) sum {
	s := sum{k: k, h: h, shift: shift}
	s.x, s.w = nodes(0, h, 1)
	n := len(s.x)
	s.l = solve(n+1, func(i, j int) float64 {
		from := 0.0
		if i < n {
			from = s.x[i]
		}
		return s.chance(from, j)
	})
	return s
}

// chance returns that of going from a sum to node j, with its weight; j =
// len(x) is nothing.
func (s *sum) chance(from float64, j int) float64 {
	if j == len(s.x) {
		return below(s.k - from - s.shift)
	}
	return s.w[j] * density(s.x[j]+s.k-from-s.shift)
}

// from returns the run length from a sum.
func (s *sum) from(head float64) float64 {
	if s.l == nil {
		return math.Inf(1)
	}
	l := 1.0
	for j := range s.l {
		l += s.chance(head, j) * s.l[j]
	}
	return tame(l)
}

// CusumOneARL returns the average run length of the upper sum alone, when the
// values' mean is shift and their standard deviation 1. head is the sum it
// begins with, as a share of the limit. More than 1e12 is returned as infinite.
func CusumOneARL(slack, limit, head, shift float64) float64 {
	s := oneSided(slack, limit, shift)
	return s.from(head * limit)
}

// CusumARL returns the average run length of a Cusum when the values' mean is
// shift and their standard deviation 1. Both sums run at once: 1/ARL is the
// sum of theirs (Kemp 1961), and with a head start as Lucas & Crosier (1982)
// put it together, which holds while the head is at most half the limit and the
// slack.
func CusumARL(slack, limit, head, shift float64) float64 {
	up, down := oneSided(slack, limit, shift), oneSided(slack, limit, -shift)
	u, d := up.from(0), down.from(0)
	switch {
	case math.IsInf(u, 1) && math.IsInf(d, 1):
		return u
	case math.IsInf(u, 1): // that side never signals
		return down.from(head * limit)
	case math.IsInf(d, 1):
		return up.from(head * limit)
	}
	return (up.from(head*limit)*d + down.from(head*limit)*u - u*d) / (u + d)
}

// LatchARL returns how many steps an alarm lasts on the average from the step
// after it was raised, when the values' mean is shift to the alarm's side:
// until it is over with shift 0, until it ends by mistake with what raised it.
func LatchARL(slack, limit, shift float64) float64 {
	return CusumOneARL(-slack, limit, 0, -shift)
}

// smooth is a moving average between two limits.
type smooth struct {
	share, shift float64
	x, w         []float64
}

// chance returns that of going from a mean to node j, with its weight.
func (m *smooth) chance(from float64, j int) float64 {
	return m.w[j] / m.share * density((m.x[j]-(1-m.share)*from)/m.share-m.shift)
}

// fixed returns the nodes of an Ewma with the limits of many steps, and the run
// lengths from them.
func fixed(share, width, shift float64) (smooth, []float64) {
	m := smooth{share: share, shift: shift}
	c := width * math.Sqrt(share/(2-share))
	m.x, m.w = nodes(-c, c, share)
	return m, solve(len(m.x), func(i, j int) float64 { return m.chance(m.x[i], j) })
}

// from returns the run length from a mean, of those from the nodes.
func (m *smooth) from(mean float64, l []float64) float64 {
	if l == nil {
		return math.Inf(1)
	}
	sum := 1.0
	for j := range l {
		sum += m.chance(mean, j) * l[j]
	}
	return sum
}

// EwmaFixedARL returns the average run length of an Ewma that has the limits of
// many steps from the first on, when the values' mean is shift and their
// standard deviation 1.
func EwmaFixedARL(share, width, shift float64) float64 {
	m, l := fixed(share, width, shift)
	return tame(m.from(0, l))
}

// EwmaARL returns the average run length of an Ewma as it is, with its limits
// of each step: back from the step when they are settled (Knoth 2003). A share
// of 1 is a chart of single values.
func EwmaARL(share, width, shift float64) float64 {
	m, l := fixed(share, width, shift)
	steps := 1
	if share < 1 {
		steps = int(math.Log(1e-10)/(2*math.Log1p(-share))) + 1
	}
	for t := steps; t > 0; t-- {
		c := width * math.Sqrt(share/(2-share)*(1-math.Pow(1-share, float64(2*t))))
		now := smooth{share: share, shift: shift}
		now.x, now.w = nodes(-c, c, share)
		next := make([]float64, len(now.x))
		for i, x := range now.x {
			next[i] = m.from(x, l)
		}
		m, l = now, next
	}
	return tame(m.from(0, l))
}

// PointsARL returns the average run length of a Points when the values' mean is
// shift and their standard deviation 1: a Markov chain of the last two values'
// sides of Warn (Champ & Woodall 1987).
func PointsARL(limit, warn, shift float64) float64 {
	if warn == 0 {
		warn = limit
	}
	sides := [3]Side{Within, Above, Below}
	odds := [3]float64{
		below(warn-shift) - below(-warn-shift),
		below(limit-shift) - below(warn-shift),
		below(-warn-shift) - below(-limit-shift),
	}
	l := solve(9, func(i, j int) float64 {
		newest, before, next := sides[i/3], sides[i%3], sides[j/3]
		if j%3 != i/3 || next != Within && (newest == next || before == next) {
			return 0
		}
		return odds[j/3]
	})
	if l == nil {
		return math.Inf(1)
	}
	return tame(l[0])
}
