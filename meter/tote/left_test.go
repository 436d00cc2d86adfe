package tote

import (
	"math"
	"math/rand/v2"
	"testing"

	"yardtally/calibrate/quantity"
)

// TestNormal against the table of the cumulative standard normal distribution,
// NIST/SEMATECH e-Handbook 1.3.6.7.1, which gives the area from 0 (memory).
func TestNormal(t *testing.T) {
	for _, c := range []struct{ z, area float64 }{
		{0, 0}, {0.5, 0.19146}, {1, 0.34134}, {1.28, 0.39973}, {1.64, 0.44950}, {1.96, 0.47500}, {2, 0.47725}, {2.58, 0.49506}, {3, 0.49865},
	} {
		if p := normal(c.z) - 0.5; math.Abs(p-c.area) > 0.6e-5 {
			t.Errorf("area from 0 to %g: %.6f, the table has %.5f", c.z, p, c.area)
		}
		if p := 0.5 - normal(-c.z); math.Abs(p-c.area) > 0.6e-5 {
			t.Errorf("area from %g to 0: %.6f, the table has %.5f", -c.z, p, c.area)
		}
	}
}

// TestNormalTail against the table of standard normal probabilities at
// math.com/tables/stat/distributions/z-dist.htm (read).
func TestNormalTail(t *testing.T) {
	for _, c := range []struct{ z, below float64 }{
		{-2.31, 0.01044}, {-2.5, 0.00621}, {-2.58, 0.00494}, {-2.75, 0.00298}, {-3, 0.00135}, {-3.29, 0.0005}, {-3.5, 0.00023}, {-3.7, 0.00011},
	} {
		if p := normal(c.z); math.Abs(p-c.below) > 0.6e-5 {
			t.Errorf("below %g: %.6f, the table has %.5f", c.z, p, c.below)
		}
	}
}

func TestLeft(t *testing.T) {
	const l = quantity.Litre
	h := Holding{Usable: 200 * l, U: 3 * l, Metered: 80 * l, MeteredU: 400 * quantity.Millilitre,
		Density: 1327, DensityRelU: 0.001, Solids: 0.667, SolidsU: 0.005}
	o := Left(h, Need{Colonies: 20, Each: 5 * l, Scatter: 0.2})
	// u of what is left: sqrt(3² + 0.4²) = 3.027 L; of the need: 0.2·5·sqrt 20 =
	// 4.472 L; of the margin 5.400 L. Solids 0.12·1327·0.667 = 106.21 kg,
	// relative u sqrt((3.027/120)² + (0.005/0.667)² + 0.001²) = 0.02633. Computed.
	for _, c := range []struct {
		name            string
		got, want, tole float64
	}{
		{"volume", o.Volume.Litres(), 120, 1e-6},
		{"within", o.Within.Litres(), 1.96 * 3.0265, 1e-3},
		{"margin", o.Margin.Litres(), 20, 1e-6},
		{"margin within", o.MarginWithin.Litres(), 1.96 * 5.4, 1e-3},
		{"solids", float64(o.Solids), 106.213, 1e-3},
		{"solids within", float64(o.SolidsWithin), 1.96 * 106.213 * 0.02633, 0.01},
		{"colonies", float64(o.Colonies), 24, 0},
		{"surely", float64(o.ColoniesSure), 22, 0},
		{"chance", o.Chance, 0.99989, 2e-5}, // normal(3.7037), computed
	} {
		if math.Abs(c.got-c.want) > c.tole {
			t.Errorf("%s: %v, want %v", c.name, c.got, c.want)
		}
	}
	if o.Enough != Yes {
		t.Errorf("%v", o.Enough)
	}
	for _, c := range []struct {
		name   string
		h      Holding
		n      Need
		want   Enough
		lo, hi float64
	}{
		{"ten too few", h, Need{Colonies: 34, Each: 5 * l}, No, 0, 1e-6},
		{"just so", h, Need{Colonies: 24, Each: 5 * l}, Close, 0.5, 0.5},
		{"a little more", h, Need{Colonies: 23, Each: 5 * l}, Close, 0.9, 0.975},
		{"exactly known, just so", Holding{Usable: 100 * l}, Need{Colonies: 20, Each: 5 * l}, Yes, 1, 1},
		{"exactly known, lacking", Holding{Usable: 99 * l}, Need{Colonies: 20, Each: 5 * l}, No, 0, 0},
		{"nothing to feed", Holding{U: l}, Need{Each: 5 * l}, Yes, 1, 1},
		{"nothing each", Holding{U: l}, Need{Colonies: 3}, Yes, 1, 1},
		{"drawn below the outlet", Holding{Usable: 5 * l, Metered: 9 * l, U: l}, Need{Colonies: 1, Each: 5 * l}, No, 0, 1e-6},
	} {
		o := Left(c.h, c.n)
		if o.Enough != c.want || o.Chance < c.lo || o.Chance > c.hi || o.Volume < 0 || o.Enough.String() == "" {
			t.Errorf("%s: %v, chance %v, %+v", c.name, o.Enough, o.Chance, o)
		}
	}
	if o := Left(Holding{Usable: math.MaxInt64}, Need{Colonies: math.MaxInt, Each: 2}); o.Colonies != mostColonies || o.Chance != 0 {
		t.Errorf("%+v", o)
	}
}

// TestLeftChance: of tries as uncertain as said, so many suffice as Chance says.
func TestLeftChance(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	const l, tries = quantity.Litre, 20000
	for _, left := range []float64{96, 100, 104, 110} {
		o := Left(Holding{Usable: quantity.VolumeOf(left / 1000), U: 4 * l}, Need{Colonies: 20, Each: 5 * l, Scatter: 0.25})
		enough := 0
		for range tries {
			have := left + 4*r.NormFloat64()
			for range 20 {
				have -= 5 * (1 + 0.25*r.NormFloat64())
			}
			if have >= 0 {
				enough++
			}
		}
		share := float64(enough) / tries
		// 3.5 standard deviations of a share of 20,000.
		if math.Abs(share-o.Chance) > 3.5*math.Sqrt(o.Chance*(1-o.Chance)/tries) {
			t.Errorf("%g L: chance %.4f, came true in %.4f", left, o.Chance, share)
		}
	}
}
