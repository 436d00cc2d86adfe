package tote

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"yardtally/calibrate/quantity"
)

const (
	begin  = int64(1_791_588_000_000_000_000)
	minute = 60 * sec
)

// TestFalling: a level that is read as well as such are, while the rig stands: 1.5
// L/min is told within five minutes, and nothing in quiet hours.
func TestFalling(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 1))
	point := func(at int64, litres float64) Point {
		return Point{At: at, Rest: true, Tote: "t", Volume: quantity.VolumeOf((litres + 0.35*r.NormFloat64()) / 1000), U: quantity.VolumeOf(0.35e-3)}
	}
	late, over := 0, 0
	n := 100
	if os.Getenv("YARDTALLY_FULL") != "" {
		n = 2000
	}
	for range n {
		var s Falling
		at, litres, told, ended := begin, 700.0, int64(0), int64(0)
		for range 60 {
			s.Offer(point(at, litres))
			at += 10e9
		}
		from := at
		for at < from+20*minute {
			at += 10e9
			litres -= 0.25
			if f, ok := s.Offer(point(at, litres)); ok && told == 0 {
				told = at
				if f.From < from-4*minute || f.From > at || f.At != at {
					t.Errorf("%+v, from %d", f, from)
				}
			}
		}
		for range 60 {
			at += 10e9
			if f, ok := s.Offer(point(at, litres)); ok && f.Until != 0 {
				ended++
				if math.Abs(f.Volume.Litres()-30) > 3 || math.Abs(float64(f.Rate/quantity.LitrePerMinute)-1.5) > 0.3 {
					t.Errorf("%+v", f)
				}
			}
		}
		if told == 0 || told > from+5*minute {
			late++
		}
		if ended == 1 {
			over++
		}
	}
	if late > 0 || over != n {
		t.Errorf("of %d leaks %d were told late, %d came to an end", n, late, over)
	}
	var s Falling
	for i := range int64(300 * 360) { // 300 h, a tote that cools by 0.3 K/h
		if f, ok := s.Offer(point(begin+i*10e9, 700-0.1*math.Sin(float64(i)/1500))); ok {
			t.Fatalf("after %d min: %+v", i/6, f)
		}
	}
	// Pulls, another tote and a gap begin anew.
	s = Falling{}
	for i := range int64(60) {
		p := point(begin+i*10e9, 700-0.5*float64(i))
		p.Metered = quantity.VolumeOf(0.5e-3 * float64(i))
		if _, ok := s.Offer(p); ok {
			t.Fatal("what was metered is no leak")
		}
	}
}
