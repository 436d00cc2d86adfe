package line

import (
	"math"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

func cane(brix float64) syrup.Syrup { return syrup.Syrup{Solids: quantity.FromBrix(brix)} }

var hfcs55 = syrup.Syrup{Makeup: syrup.Only(syrup.HFCS55), Solids: quantity.FromBrix(77)}

// TestTrade: what feeding people know of their rigs, at 20-30 °C and 2000-2900 rpm with 100 ft of
// 3/4-inch hose. Common practice, no source.
func TestTrade(t *testing.T) {
	gallon := func(l Line, s syrup.Syrup, deg quantity.Temperature, rpm float64) float64 {
		c := Under(s, deg, AllAt(deg), Setting{Speed: quantity.Frequency(rpm) * quantity.PerMinute, Level: 0.5})
		return float64(quantity.USGallon.CubicMetres()) / float64(at(t, &l, &c).Flow)
	}
	for _, rpm := range []float64{2000, 2450, 2900} {
		for _, deg := range []quantity.Temperature{20, 25, 30} {
			thin, thick := gallon(Usual(), cane(50), deg, rpm), gallon(Usual(), cane(66.7), deg, rpm)
			less, corn := gallon(Usual(), cane(65), deg, rpm), gallon(Usual(), hfcs55, deg, rpm)
			t.Logf("%4.0f rpm %g °C: 1:1 %.1f s, 65 Brix %.0f s, 2:1 %.0f s, HFCS-55 %.0f s a gallon", rpm, float64(deg), thin, less, thick, corn)
			if thin < 5 || thin > 12 {
				t.Errorf("%g rpm, %g °C: a gallon of 1:1 takes %.1f s", rpm, float64(deg), thin)
			}
			// At 30 °C it is half as thick as at 20: a fast pump then needs 80 s, and the fact is about cooler syrup.
			if corn < 120 && (deg <= 25 || rpm <= 2000) {
				t.Errorf("%g rpm, %g °C: a gallon of HFCS-55 takes %.0f s", rpm, float64(deg), corn)
			}
		}
	}
	// Of slightly thinned 2:1 the middle of the range has to serve: over all of it viscosity and
	// pressure differ by a factor of 4.
	for _, brix := range []float64{64, 65} {
		if s := gallon(Usual(), cane(brix), 25, 2450); s < 20 || s > 45 {
			t.Errorf("%g Brix: a gallon takes %.0f s", brix, s)
		}
	}
	narrow := Usual()
	narrow.Hose.Bore = 0.625 * quantity.Inch
	for _, s := range []syrup.Syrup{cane(50), cane(65), hfcs55} {
		ratio := gallon(narrow, s, 25, 2450) / gallon(Usual(), s, 25, 2450)
		t.Logf("5/8 against 3/4 inch: %.2f times as long", ratio)
		if ratio < 1.25 || ratio > 2.1 { // (6/5)⁴ is 2.07
			t.Errorf("5/8-inch hose takes %.2f times as long", ratio)
		}
	}
	// A tote of 275 gallons of 2:1 through 2-inch hose, in 4 to 7 minutes.
	transfer := Usual()
	transfer.Screen, transfer.Meter = Element{}, Element{}
	transfer.Nozzle = Nozzle{Bore: 2 * quantity.Inch, Discharge: 1}
	for _, feet := range []quantity.Length{25, 50} {
		transfer.Hose = Hose{Bore: 2 * quantity.Inch, Length: feet * quantity.Foot, Fittings: TwoK(800, 0.4, 2).Times(3)}
		minutes := 275 * gallon(transfer, cane(66.7), 25, 2450) / 60
		t.Logf("a tote of 2:1 through %g ft of 2-inch hose: %.1f min", float64(feet), minutes)
		if minutes < 4 || minutes > 7 {
			t.Errorf("a tote takes %.1f minutes through %g ft", minutes, float64(feet))
		}
	}
}

// TestSuction: 15 ft of 2-inch suction, 0.3 m flooded, K 4. The project's reference, section D,
// computed apart from this code.
func TestSuction(t *testing.T) {
	for _, c := range []struct {
		gpm, rho, mu, inlet, head float64
		deg                       quantity.Temperature
	}{
		{55, 1327, 0.205, -24, 5.8, 20},
		{20, 1388, 1, -32, math.NaN(), 20},
	} {
		l := reference(2, 25, quantity.PSI, c.rho)
		l.Heights.ToteFloor = 0.3
		cond := Even(quantity.Density(c.rho), quantity.Viscosity(c.mu), Setting{})
		cond.Tote = c.deg
		var w works
		w.set(&l, &cond, nudge{})
		var p Point
		w.point(&l, &cond, c.gpm*float64(quantity.USGallonPerMinute), &p)
		if math.Abs(float64(p.Inlet)/1000-c.inlet) > 0.6 || math.Abs(float64(p.Suction)-c.head) > 0.06 {
			t.Errorf("%g gpm of %g Pa·s: %.1f kPa at the inlet, %.2f m; want %g and %g", c.gpm, c.mu, float64(p.Inlet)/1000, float64(p.Suction), c.inlet, c.head)
		}
	}
	// Water boils at 100 °C under the standard atmosphere; at 20 °C 2.339 kPa (CRC Handbook; memory).
	if v := vapour(20); math.Abs(v-2339) > 10 {
		t.Errorf("vapour pressure at 20 °C is %.0f Pa", v)
	}
}

// TestSection: figures of section D that are not in the table: seconds a gallon against
// temperature, cold against clog. Computed apart from this code; viscosities are the syrup room's.
func TestSection(t *testing.T) {
	flow := func(l Line, s syrup.Syrup, deg quantity.Temperature) float64 {
		c := Under(s, deg, AllAt(deg), Setting{})
		return float64(at(t, &l, &c).Flow / quantity.USGallonPerMinute)
	}
	for _, c := range []struct {
		deg  quantity.Temperature
		want float64
	}{{30, 2.58}, {25, 1.90}, {20, 1.36}, {15, 0.93}, {10, 0.61}, {5, 0.39}, {0, 0.23}} {
		rho := float64(cane(66.7).Near(c.deg).Density)
		if got := flow(reference(0.75, 100, 25*quantity.PSI, rho), cane(66.7), c.deg); math.Abs(got/c.want-1) > 0.035 {
			t.Errorf("2:1 at %g °C: %.3f gpm, want %g", float64(c.deg), got, c.want)
		}
	}
	// 1:1 is not monotone in temperature: it crosses the transition.
	for _, c := range []struct {
		deg  quantity.Temperature
		want float64
	}{{5, 6.8}, {10, 8.1}, {15, 8.6}, {20, 8.0}, {25, 7.7}, {30, 7.9}} {
		rho := float64(cane(50).Near(c.deg).Density)
		if got := flow(reference(0.75, 100, 25*quantity.PSI, rho), cane(50), c.deg); math.Abs(got/c.want-1) > 0.02 {
			t.Errorf("1:1 at %g °C: %.3f gpm, want %g", float64(c.deg), got, c.want)
		}
	}
	for _, c := range []struct{ mu, rho, open, clogged float64 }{{0.0154, 1229.6, 8.5, 2.7}, {0.205, 1327, 1.67, 1.32}, {0.8, 1388, 0.433, 0.423}} {
		l := reference(0.75, 100, 30*quantity.PSI, c.rho)
		cond := Even(quantity.Density(c.rho), quantity.Viscosity(c.mu), Setting{})
		open := float64(at(t, &l, &cond).Flow / quantity.USGallonPerMinute)
		l.Nozzle.Bore = 4 * quantity.Millimetre
		clogged := float64(at(t, &l, &cond).Flow / quantity.USGallonPerMinute)
		if math.Abs(open/c.open-1) > 0.01 || math.Abs(clogged/c.clogged-1) > 0.02 {
			t.Errorf("%g Pa·s: %.3f gpm, clogged %.3f; want %g and %g", c.mu, open, clogged, c.open, c.clogged)
		}
	}
}
