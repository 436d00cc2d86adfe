package main

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// rise is what a series rises by from its first sample to its last, by the
// Theil–Sen estimator, the median of the slopes of all pairs of samples: a third
// of them may be anything. (H. Theil 1950; P. K. Sen, J. Am. Stat. Assoc. 63,
// 1968, 1379; from memory.)
func rise(y []float64) float64 {
	var slopes []float64
	for i := range y {
		for k := i + 1; k < len(y); k++ {
			slopes = append(slopes, (y[k]-y[i])/float64(k-i))
		}
	}
	slices.Sort(slopes)
	n := len(slopes)
	if n == 0 {
		return 0
	}
	return (slopes[(n-1)/2] + slopes[n/2]) / 2 * float64(len(y)-1)
}

func TestRise(t *testing.T) {
	// Wikipedia's example of the estimator has none with numbers; these are by hand.
	for _, c := range []struct {
		y    []float64
		want float64
	}{
		{nil, 0}, {[]float64{3}, 0}, {[]float64{3, 5}, 2}, {[]float64{1, 2, 100, 4, 5}, 4}, {[]float64{7, 7, 7, 9, 7, 7}, 0},
	} {
		if got := rise(c.y); got != c.want {
			t.Errorf("%v rises by %g, want %g", c.y, got, c.want)
		}
	}
}

// samples are what was measured of one life of the daemon, at rest.
type samples struct{ memory, heap, descriptors, goroutines []float64 }

// Most that a life may rise by. Descriptors and goroutines come and go by a
// connection; a leak is one of each reconnect at least. Memory holds the season's
// ledger, which grows by its fills: judgement, no source.
const (
	mostDescriptors = 1.0
	mostGoroutines  = 2.0
	mostHeap        = 3 << 20
	mostMemory      = 8 << 20
)

// leaks says what of a life's samples is not flat, after a quarter of them as
// warm-up.
func (s *samples) leaks() (out []string) {
	for _, x := range []struct {
		what string
		y    []float64
		most float64
	}{
		{"memory", s.memory, mostMemory}, {"heap", s.heap, mostHeap}, {"descriptors", s.descriptors, mostDescriptors}, {"goroutines", s.goroutines, mostGoroutines},
	} {
		if rise(x.y[len(x.y)/4:]) > x.most {
			out = append(out, x.what)
		}
	}
	return out
}

// What is judged flat may jitter, and what leaks is found: one descriptor or
// goroutine kept of each reconnect, among eighteen samples with half a dozen reconnects.
func TestLeaks(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	make := func(fds, goroutines, bytes float64) (s samples) {
		for i := range 18 {
			n := float64(i / 3)
			s.memory = append(s.memory, 30e6+2e6*rng.Float64()+n*bytes)
			s.heap = append(s.heap, 8e6+0.3e6*rng.Float64()+n*bytes)
			s.descriptors = append(s.descriptors, 22+float64(rng.IntN(2))+n*fds)
			s.goroutines = append(s.goroutines, 50+float64(rng.IntN(3))+n*goroutines)
		}
		return s
	}
	for _, c := range []struct {
		name                   string
		fds, goroutines, bytes float64
		want                   []string
	}{
		{"nothing", 0, 0, 0, nil},
		{"descriptors", 1, 0, 0, []string{"descriptors"}},
		{"goroutines", 0, 1.5, 0, []string{"goroutines"}},
		{"heap", 0, 0, 1.5e6, []string{"heap"}},
	} {
		s := make(c.fds, c.goroutines, c.bytes)
		if got := s.leaks(); !slices.Equal(got, c.want) {
			t.Errorf("%s: found %v, want %v", c.name, got, c.want)
		}
	}
}
