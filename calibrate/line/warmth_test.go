package line

import (
	"math"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// TestCool: never beyond the air, in two spans as in one, slower in the body than in the hose.
func TestCool(t *testing.T) {
	w := AllAt(20)
	once := w.Cool(50*time.Minute, -5)
	twice := w.Cool(20*time.Minute, -5).Cool(30*time.Minute, -5)
	if math.Abs(float64(once.Body-twice.Body)) > 1e-9 || math.Abs(float64(once.Hose[2]-twice.Hose[2])) > 1e-9 {
		t.Errorf("%v and %v", once, twice)
	}
	if !(once.Body > once.Hose[0] && once.Hose[0] > -5 && once.Body < 20) {
		t.Errorf("after 50 min at -5 °C: %v", once)
	}
	if w.Cool(-time.Hour, -5) != w {
		t.Error("time ran backwards")
	}
	if end := w.Cool(48*time.Hour, -5); math.Abs(float64(end.Body+5)) > 1e-6 {
		t.Errorf("after two days: %v", end)
	}
}

// TestPass: warmth never leaves what lies between tote and rig, reaches the nozzle last, and in
// the end is the tote's; many small volumes do as one.
func TestPass(t *testing.T) {
	hose := Usual().Holdup()
	cold := AllAt(5)
	w := cold
	for range 40 {
		next := w.Pass(quantity.Litre, 22, hose)
		for i := range Cells {
			if next.Hose[i] < w.Hose[i] || next.Hose[i] > 22 || i > 0 && next.Hose[i] > next.Hose[i-1] {
				t.Fatalf("from %v to %v", w, next)
			}
		}
		w = next
	}
	if w.Hose[Cells-1] < 21 || w.Body < 21 {
		t.Errorf("after 40 L: %v", w)
	}
	one := cold.Pass(6*quantity.Litre, 22, hose)
	many := cold
	for range 12 {
		many = many.Pass(quantity.Litre/2, 22, hose)
	}
	for i := range Cells {
		if math.Abs(float64(one.Hose[i]-many.Hose[i])) > 0.7 {
			t.Errorf("cell %d: 6 L at once %.2f °C, by halves %.2f", i, float64(one.Hose[i]), float64(many.Hose[i]))
		}
	}
	// After half a hose the nozzle's end has next to nothing of it.
	if half := cold.Pass(hose/2, 22, hose); half.Hose[Cells-1] > 7 || half.Hose[0] < 15 {
		t.Errorf("after half a hose: %v", half)
	}
	for _, v := range []quantity.Volume{0, -quantity.Litre} {
		if cold.Pass(v, 22, hose) != cold {
			t.Errorf("%d nL passed", v)
		}
	}
	if cold.Pass(quantity.Litre, 22, 0) != cold {
		t.Error("passed through no hose")
	}
	if far := cold.Pass(9e18, 22, hose); math.Abs(float64(far.Hose[5]-22)) > 0.01 {
		t.Errorf("after any amount: %v", far)
	}
}

// TestSlowAfterDrive: a pull after a drive in the cold is slow at first and comes back, and a
// gallon of 1:1 does not care much.
func TestSlowAfterDrive(t *testing.T) {
	l := Usual()
	rate := func(s syrup.Syrup, w Warmth) float64 {
		c := Under(s, 22, w, Setting{Level: 0.4})
		return float64(at(t, &l, &c).Flow)
	}
	warm := AllAt(22)
	cold := warm.Cool(45*time.Minute, 2)
	thick, thin := cane(66.7), cane(50)
	first := rate(thick, cold) / rate(thick, warm)
	after := rate(thick, cold.Pass(2*l.Holdup(), 22, l.Holdup())) / rate(thick, warm)
	t.Logf("2:1 after 45 min at 2 °C: %.2f of the flow, after two hoses %.2f; 1:1 %.2f", first, after, rate(thin, cold)/rate(thin, warm))
	if first > 0.6 || after < 0.9 || rate(thin, cold)/rate(thin, warm) < 0.75 {
		t.Error("not so")
	}
}
