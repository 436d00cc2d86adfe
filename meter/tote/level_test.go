package tote

import "testing"

const sec = int64(1_000_000_000)

func TestMedian(t *testing.T) {
	var l Level
	if _, ok := l.Median(); ok || l.Last() != 0 {
		t.Error("a level from nothing")
	}
	for i, v := range []float64{0.5, 9, 0.52} { // 9: an echo off the rim
		l.Add(int64(i+1)*sec, v)
	}
	if v, _ := l.Median(); v != 0.52 {
		t.Errorf("median of three is %g", v)
	}
	l.Add(4*sec, 0.54)
	if v, _ := l.Median(); v != 0.53 {
		t.Errorf("median of four is %g", v)
	}
	for i := range 100 {
		l.Add(int64(5+i)*sec, float64(i))
	}
	if v, _ := l.Median(); v != 89 {
		t.Errorf("median of the newest %d of 0..99 is %g, want 89", Window, v)
	}
	l.Add(500*sec, 0.3)
	if v, _ := l.Median(); v != 0.3 || l.Last() != 500*sec {
		t.Errorf("readings of minutes ago still count: %g", v)
	}
}
