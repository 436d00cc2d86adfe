package chart

import (
	"fmt"
	"math"
	"slices"
)

const (
	// held is how many values a Scale keeps.
	held = 256
	// Least is how many it needs (reference E).
	Least = 20
	// madNormal makes the median absolute deviation of a normal distribution its
	// standard deviation: 1/Φ⁻¹(3/4) (computed).
	madNormal = 1.482602218505602
)

// manner is how the middle and the spread of values are estimated.
type manner struct {
	middle float64 // variance of the middle, times the count
	dof    float64 // degrees of freedom that the spread is worth, as a share of the count - 1
}

// The median's variance is π/2 of the mean's, and the median absolute
// deviation's efficiency 0.37 (Rousseeuw & Croux 1993; memory). The biweights'
// are simulated (TestMannersAreWorthWhatTheySay).
var (
	medians   = manner{middle: math.Pi / 2, dof: 0.37}
	biweights = manner{middle: 1.15, dof: 0.85}
)

// Scale is a robust baseline of residuals: where they are in the middle, and
// how far they spread. It keeps 256; when there were more, each is as likely
// among them as every other (Vitter 1985, algorithm R, with a fixed shuffle), so
// that what is newer weighs no more. The zero Scale is empty.
type Scale struct {
	Floor    float64 // the spread is never below it: what the residuals cannot resolve
	Biweight bool    // biweight middle and spread (Tukey; NIST Dataplot), else median and median absolute deviation
	Count    int     // values held
	Seen     int     // values ever
	Middle   float64 // as the residuals; of Least values at least
	Spread   float64 // standard deviation, as the residuals
	Values   [held]float64
}

// NewScale returns an empty baseline. floor is as the residuals, above 0:
// without it, residuals of which half are equal would have no spread.
func NewScale(floor float64, biweight bool) (Scale, error) {
	return Scale{Floor: floor, Biweight: biweight}, between("scale floor", floor, 0, far)
}

// Ready tells whether it has enough to standardise by.
func (s *Scale) Ready() bool { return s.Count >= Least }

// Add takes a residual into the baseline; false if it is not finite.
func (s *Scale) Add(x float64) bool {
	x, taken := take(x)
	if !taken {
		return false
	}
	s.Seen++
	at := s.Count
	if at == held {
		if at = int(shuffle(uint64(s.Seen)) % uint64(s.Seen)); at >= held {
			return true
		}
	} else {
		s.Count++
	}
	s.Values[at] = x
	if s.Ready() {
		s.estimate()
	}
	return true
}

// shuffle spreads a count over 64 bits (the finisher of SplitMix64, Steele, Lea
// & Flood 2014; memory).
func shuffle(n uint64) uint64 {
	n *= 0x9e3779b97f4a7c15
	n = (n ^ n>>30) * 0xbf58476d1ce4e5b9
	n = (n ^ n>>27) * 0x94d049bb133111eb
	return n ^ n>>31
}

func (s *Scale) estimate() {
	sorted := s.Values
	x := sorted[:s.Count]
	slices.Sort(x)
	m := median(x)
	var off [held]float64
	d := off[:len(x)]
	for i, v := range x {
		d[i] = math.Abs(v - m)
	}
	slices.Sort(d)
	mad := median(d)
	n := float64(len(x))
	// For few values it is too small on the average by n/(n-0.8) (Croux &
	// Rousseeuw 1992; memory, and simulated in the same test).
	s.Middle, s.Spread = m, madNormal*mad*n/(n-0.8)
	if s.Biweight && mad > 0 {
		s.Middle, s.Spread = biweight(x, m, mad)
		s.Spread *= n / (n - 0.5) // simulated in the same test
	}
	s.Spread = max(s.Spread, s.Floor)
}

// median returns the middle of sorted values.
func median(x []float64) float64 {
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// biweight returns Tukey's biweight middle (6 median deviations) and midvariance
// (9) about the median (Mosteller & Tukey 1977; NIST Dataplot; memory).
func biweight(x []float64, m, mad float64) (middle, spread float64) {
	var w, wx, top, bottom float64
	for _, v := range x {
		if u := (v - m) / (6 * mad); math.Abs(u) < 1 {
			q := (1 - u*u) * (1 - u*u)
			w, wx = w+q, wx+float64(q*(v-m))
		}
		if u := (v - m) / (9 * mad); math.Abs(u) < 1 {
			q := 1 - u*u
			top += float64((v - m) * (v - m) * q * q * q * q)
			bottom += q * (1 - 5*u*u)
		}
	}
	return m + wx/w, math.Sqrt(float64(len(x))*top) / math.Abs(bottom)
}

func (s *Scale) manner() manner {
	if s.Biweight {
		return biweights
	}
	return medians
}

// Unsure returns the standard uncertainty of the middle, in spreads; infinite
// before it is ready.
func (s *Scale) Unsure() float64 {
	if !s.Ready() {
		return math.Inf(1)
	}
	return math.Sqrt(s.manner().middle / float64(s.Count))
}

// Score standardises a residual. What it rests on is uncertain itself, so that
// the distance from the middle is distributed about as Student's t; the score
// is the normal value that is as unlikely (a Q chart, Quesenberry 1991). Few
// values thus make large scores modest. ok is false before it is ready, and
// for a residual that is not finite.
func (s *Scale) Score(x float64) (z float64, ok bool) {
	x, ok = take(x)
	if !ok || !s.Ready() {
		return 0, false
	}
	m, n := s.manner(), float64(s.Count)
	t := (x - s.Middle) / (s.Spread * math.Sqrt(1+m.middle/n))
	return normalOf(t, m.dof*(n-1)), true
}

// normalOf returns the normal value that is as unlikely as a Student's t
// (Wallace 1959; within 0.03 for 7 degrees of freedom and more up to 8).
func normalOf(t, dof float64) float64 {
	z := (8*dof + 1) / (8*dof + 3) * math.Sqrt(dof*math.Log1p(t*t/dof))
	return math.Copysign(z, t)
}

// Check errs unless what was read back can be gone on with.
func (s *Scale) Check() error {
	if err := between("scale floor", s.Floor, 0, far); err != nil {
		return err
	}
	if s.Count < 0 || s.Count > held || s.Seen < s.Count {
		return fmt.Errorf("scale count must be 0 to %d and at most those seen (%d), and is %d", held, s.Seen, s.Count)
	}
	if s.Ready() && !(s.Spread >= s.Floor) {
		return fmt.Errorf("scale spread must be at least the floor %g, and is %g", s.Floor, s.Spread)
	}
	return nil
}
