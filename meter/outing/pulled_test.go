package outing

import (
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
)

// A pull that nobody cut, and that is over, says what its steady part showed;
// any other one nothing.
func TestPulled(t *testing.T) {
	said := Steady{Pulses: 300, RelU: 1.0 / 1024, Took: 20 * second, Outlet: 2e5, Speed: 40, Air: 9, Level: 0.5, Tote: 21}
	fed := func(has Has, do func(n *night)) []Fill {
		n := inOrchard()
		n.fills(0, 4, 4, 4)
		for i := range n.Flows {
			s := said
			s.Pulses += uint32(20 * i)
			s.Has = has
			n.Flows[i].Steady = s
		}
		n.Stock = func(at int64) (Stock, bool) {
			return Stock{"b1", syrup.Syrup{Solids: 0.6}, 0.002}, at >= n.Flows[1].Start
		}
		n.Flows[1].Surge = n.Flows[1].First + 300
		do(n)
		a := n.make()
		return a.Fills
	}
	all := HasOutlet | HasSpeed | HasAir | HasLevel | HasTote
	got := fed(all, func(*night) {})
	want := Pulled{Flow: quantity.Flow(320 * (10 * quantity.Millilitre).CubicMetres() / 20), RelU: 1.0 / 1024, Steady: 20 * second,
		Outlet: 2e5, Speed: 40, Air: 9, Level: 0.5, Tote: 21, Batch: "b1", Liquid: syrup.Syrup{Solids: 0.6}, SolidsU: 0.002,
		HasOutlet: true, HasSpeed: true, HasAir: true, HasLevel: true, HasTote: true}
	if p := got[1].Pulled; p != want || !got[1].Surged || got[2].Surged {
		t.Errorf("got %+v, want %+v; surged %v", p, want, got[1].Surged)
	}
	if p := got[0].Pulled; p.Batch != "" || p.SolidsU != 0 || p.Flow == 0 {
		t.Errorf("before any batch: %+v", p)
	}
	for _, has := range []Has{0, HasOutlet, HasSpeed, HasAir, HasLevel, HasTote} {
		p := fed(has, func(*night) {})[1].Pulled
		if p.HasOutlet != (has == HasOutlet) || p.HasSpeed != (has == HasSpeed) || p.HasAir != (has == HasAir) || p.HasLevel != (has == HasLevel) || p.HasTote != (has == HasTote) {
			t.Errorf("of %v: %+v", has, p)
		}
	}
	for _, f := range fed(all, func(n *night) {
		n.Cuts = []Cut{{"c", 7, n.Flows[0].First + 100}}
		n.Deems = []Deem{{"d", 7, n.Flows[1].First + 100, n.Flows[1].Last, act.AsFill}}
		n.Open = true
	}) {
		if f.Pulled != (Pulled{}) {
			t.Errorf("one that is cut or open: %+v", f)
		}
	}
}
