package mix

import (
	"errors"
	"math"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// A reading leaves the solids as they are, kind by kind, and says the water.
func TestRead(t *testing.T) {
	b := must(Blend(must(Sugar(200, Usual)), must(Syrup(syrup.Syrup{Makeup: syrup.Only(syrup.HFCS55), Solids: 0.77}, 100, Usual)), must(Water(120, Usual))))
	const u = 0.002
	r := must(b.Read(0.62, u))
	for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
		if r.Of(k) != b.Of(k) {
			t.Errorf("of %v: %v, was %v", k, r.Of(k), b.Of(k))
		}
	}
	if got, want := float64(r.Water().Mass()), 277*0.38/0.62; math.Abs(got-want) > 1e-6 {
		t.Errorf("%g kg of water, want %g", got, want)
	}
	// How thick it is hangs on the reading alone ...
	if got := float64(r.SolidsU()); math.Abs(got-u) > 1e-6 {
		t.Errorf("solids are known to %g, want %g", got, u)
	}
	s := must(r.At(20, 0))
	if s.SolidsU != r.SolidsU() {
		t.Errorf("the state's %v, the batch's %v", s.SolidsU, r.SolidsU())
	}
	// ... and how much there is, on the weights: by shifting each by its own u.
	want := 0.0
	for _, m := range []struct{ sugar, corn, sold, x float64 }{{1 + Usual.Scale, 1, 0, 0}, {1, 1 + Usual.Scale, 0, 0}, {1, 1, float64(Usual.SoldWithin) / math.Sqrt(3), 0}, {1, 1, 0, u}} {
		solids := 200*m.sugar + 100*m.corn*(0.77+m.sold)
		x := 0.62 + m.x
		p := must(syrup.Syrup{Makeup: s.Syrup.Makeup, Solids: quantity.Solids(x)}.At(20))
		d := solids/x/float64(p.Density)/s.Volume.CubicMetres() - 1
		want += d * d
	}
	// The formula's own uncertainty is not in a batch put together of weights but in its state.
	p := must(s.Syrup.At(20))
	want = math.Sqrt(want + p.DensityU*p.DensityU)
	if got := s.VolumeU.CubicMetres() / s.Volume.CubicMetres(); math.Abs(got/want-1) > 0.02 {
		t.Errorf("the volume is known to %g, want %g", got, want)
	}
	// Read twice, the second counts.
	again := must(r.Read(0.65, u))
	if once := must(b.Read(0.65, u)); !again.SameMasses(once) || math.Abs(float64(again.SolidsU()-once.SolidsU())) > 1e-9 {
		t.Errorf("read twice %v, once %v", again, once)
	}
	if w := must(b.Read(1, 0)); w.Water() != 0 {
		t.Errorf("dry: %v of water", w.Water())
	}
	if got := (Batch{}).SolidsU(); got != 0 {
		t.Errorf("nothing is known to %v", got)
	}
}

func TestReadErrors(t *testing.T) {
	b := must(Sugar(200, Usual))
	for _, c := range []struct {
		b     Batch
		x, u  quantity.Solids
		field string
	}{
		{b, 0, 0.001, "reading"},
		{b, 1.01, 0.001, "reading"},
		{b, quantity.Solids(math.NaN()), 0.001, "reading"},
		{b, 1e-12, 0.001, "reading"},
		{b, 0.5, -1, "uncertainty of a reading"},
		{must(Water(5, Usual)), 0.5, 0.001, "solids"},
		{Batch{}, 0.5, 0.001, "solids"},
	} {
		var e *Error
		if r, err := c.b.Read(c.x, c.u); !errors.As(err, &e) || e.Field != c.field || r.Total() != 0 {
			t.Errorf("%v ± %v: %v, want an error of %s", c.x, c.u, err, c.field)
		}
	}
}
