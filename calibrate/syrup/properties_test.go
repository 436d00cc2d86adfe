package syrup

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"yardtally/calibrate/quantity"
)

// makeups are the kinds alone and blends of them.
var makeups = []Makeup{
	Only(Sucrose), Only(Invert), Only(HFCS42), Only(HFCS55),
	Blend(Only(Sucrose), 1, Only(Invert), 1),
	Blend(Only(Sucrose), 9, Only(HFCS55), 1),
	Blend(Only(Sucrose), 1, Only(HFCS42), 9),
}

func at(t testing.TB, m Makeup, x, deg float64) Properties {
	t.Helper()
	p, err := Syrup{m, quantity.Solids(x)}.At(quantity.Temperature(deg))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestSlopes compares the slopes with the functions' own differences, and
// holds density and viscosity to rise with solids and to fall with temperature
// (density above 4 °C), over the whole range and every makeup, with no jump.
func TestSlopes(t *testing.T) {
	const dx, dt = 1e-5, 1e-3
	ln := func(p Properties) (float64, float64) {
		return math.Log(float64(p.Density)), math.Log(float64(p.Viscosity))
	}
	for _, m := range makeups {
		for x := 0.0; x < 0.77; x += 0.01 {
			for deg := -5.0; deg < 50; deg += 0.5 {
				p := at(t, m, x, deg)
				d0, v0 := ln(p)
				d1, v1 := ln(at(t, m, x+dx, deg))
				d2, v2 := ln(at(t, m, x, deg+dt))
				for _, c := range []struct {
					name           string
					got, want, tol float64
				}{
					{"density per solids", p.DensityPerSolids, (d1 - d0) / dx, 1e-3},
					{"viscosity per solids", p.ViscosityPerSolids, (v1 - v0) / dx, 0.02},
					{"density per kelvin", p.DensityPerKelvin, (d2 - d0) / dt, 1e-7},
					{"viscosity per kelvin", p.ViscosityPerKelvin, (v2 - v0) / dt, 2e-5},
				} {
					if math.Abs(c.got-c.want) > c.tol {
						t.Fatalf("%v, %.4g, %g °C: %s is %v, the function's difference %v", m, x, deg, c.name, c.got, c.want)
					}
				}
				if d1 <= d0 || v1 <= v0 {
					t.Fatalf("%v, %.4g, %g °C: does not rise with solids", m, x, deg)
				}
				if v2 >= v0 || deg > 4 && d2 >= d0 {
					t.Fatalf("%v, %.4g, %g °C: does not fall with temperature", m, x, deg)
				}
			}
		}
	}
}

// TestContinuous: steps of 1/500 K change nothing by more than the slopes
// allow, uncertainties and the seam of the water formula at 20 °C included.
func TestContinuous(t *testing.T) {
	for _, m := range makeups {
		for _, x := range []float64{0, 0.6667, 0.75, 0.77} {
			last := at(t, m, x, -5)
			for i := 1; i <= 27500; i++ {
				p := at(t, m, x, -5+float64(i)/500)
				if p.Viscosity >= last.Viscosity || float64(p.Viscosity/last.Viscosity) < 1-5e-4 ||
					math.Abs(float64(p.Density/last.Density)-1) > 2e-6 ||
					math.Abs(p.DensityU-last.DensityU) > 2e-6 || math.Abs(p.ViscosityU-last.ViscosityU) > 2e-4 {
					t.Fatalf("%v, %g, %g °C: %+v after %+v", m, x, -5+float64(i)/500, p, last)
				}
				last = p
			}
		}
	}
}

func TestBlend(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 1))
	for range 1000 {
		a, b := makeups[r.IntN(len(makeups))], makeups[r.IntN(len(makeups))]
		ka, kb := quantity.Mass(r.ExpFloat64()*100), quantity.Mass(r.ExpFloat64()*100)
		if got := Blend(a, ka, a, kb); got != a {
			t.Fatalf("%v with itself is %v", a, got)
		}
		m, back := Blend(a, ka, b, kb), Blend(b, kb, a, ka)
		total := 0.0
		for k := range Kind(kinds) {
			// The mass of every kind is conserved.
			want := a.Share(k)*float64(ka) + b.Share(k)*float64(kb)
			if got := m.Share(k) * float64(ka+kb); math.Abs(got-want) > 1e-12*float64(ka+kb) {
				t.Fatalf("%v %v with %v %v: %v kg of %v, want %v", a, ka, b, kb, got, k, want)
			}
			if math.Abs(m.Share(k)-back.Share(k)) > 1e-14 {
				t.Fatalf("%v and %v: the order matters", a, b)
			}
			total += m.Share(k)
		}
		if math.Abs(total-1) > 1e-14 {
			t.Fatalf("shares of %v sum to %v", m, total)
		}
	}
	inf, nan := quantity.Mass(math.Inf(1)), quantity.Mass(math.NaN())
	cane, corn := Only(Sucrose), Only(HFCS55)
	for _, c := range []struct {
		ka, kb quantity.Mass
		want   Makeup
	}{
		{0, 0, cane}, {1, 0, cane}, {0, 1, corn}, {nan, 1, corn}, {1, nan, cane}, {-1, 1, corn},
		{inf, 1, cane}, {1, inf, corn}, {inf, inf, Blend(cane, 1, corn, 1)}, {1e308, 1e308, Blend(cane, 1, corn, 1)},
	} {
		if got := Blend(cane, c.ka, corn, c.kb); got != c.want {
			t.Errorf("%v of sucrose and %v of hfcs-55: %v, want %v", float64(c.ka), float64(c.kb), got, c.want)
		}
	}
	if got := Blend(cane, 70, corn, 30).String(); got != "sucrose 70 %, hfcs-55 30 %" {
		t.Errorf("named %q", got)
	}
	if got := corn.String(); got != "hfcs-55" {
		t.Errorf("named %q", got)
	}
}

// TestBlendNearsKinds: as a share goes to nothing, the blend goes to the kind alone.
func TestBlendNearsKinds(t *testing.T) {
	for _, k := range []Kind{Invert, HFCS42, HFCS55} {
		for _, pair := range [][2]Makeup{{Only(Sucrose), Only(k)}, {Only(k), Only(Sucrose)}} {
			p, q := at(t, pair[0], 0.67, 12), at(t, Blend(pair[0], 1e6, pair[1], 1), 0.67, 12)
			if math.Abs(float64(q.Density/p.Density)-1) > 1e-8 || math.Abs(float64(q.Viscosity/p.Viscosity)-1) > 2e-6 ||
				math.Abs(q.DensityU-p.DensityU) > 1e-8 || math.Abs(q.ViscosityU-p.ViscosityU) > 1e-6 || q.Mark != p.Mark {
				t.Errorf("%v with a millionth of %v: %+v, alone %+v", pair[0], pair[1], q, p)
			}
		}
	}
	// Half way lies between.
	p, q := at(t, Only(Sucrose), 0.67, 20), at(t, Only(HFCS55), 0.67, 20)
	if m := at(t, makeups[4], 0.67, 20); m.Density >= p.Density || m.Density <= q.Density ||
		math.Abs(float64(m.Viscosity*m.Viscosity/(p.Viscosity*q.Viscosity))-1) > 1e-12 {
		t.Errorf("half way %+v of %+v and %+v", m, p, q)
	}
}

func TestMarks(t *testing.T) {
	half := Blend(Only(Sucrose), 1, Only(Invert), 1)
	for _, c := range []struct {
		m      Makeup
		x, deg float64
		want   Mark
	}{
		{Only(Sucrose), 0.6667, 0, Within}, {Only(Sucrose), 0.75, 50, Within},
		{Only(Sucrose), 0.751, 20, Beyond}, {Only(Sucrose), 0.6, -0.1, Beyond},
		{Only(HFCS55), 0.77, 20, Within}, {Only(HFCS42), 0.71, 40, Within},
		{Only(HFCS55), 0.77, 19.9, Beyond}, {Only(Invert), 0.7, 40.1, Beyond},
		{half, 0.6, 25, Beyond}, {Blend(Only(Invert), 1, Only(HFCS42), 1), 0.6, 25, Within},
		{Blend(Only(Sucrose), 99, Only(Invert), 1), 0.6, 10, Within},
	} {
		if got := at(t, c.m, c.x, c.deg).Mark; got != c.want {
			t.Errorf("%v, %g, %g °C: %v, want %v", c.m, c.x, c.deg, got, c.want)
		}
	}
}

// TestNear: within the range it is At; outside it holds the edge and widens, ever
// more; of what is no number it makes no number; nothing is negative or panics.
func TestNear(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, m := range makeups {
		s := Syrup{m, 0.6667}
		if got := s.Near(12); got != at(t, m, 0.6667, 12) {
			t.Errorf("%v: Near %+v is not At", m, got)
		}
		last := at(t, m, 0.6667, 50)
		for _, deg := range []float64{50.0001, 51, 60, 100, 1e6, inf} {
			p := s.Near(quantity.Temperature(deg))
			if p.Mark != Held || p.Density != last.Density || p.Viscosity != last.Viscosity ||
				p.DensityU < last.DensityU || p.ViscosityU < last.ViscosityU || p.ViscosityU > 1 || p.DensityU > 1 {
				t.Errorf("%v at %g °C: %+v after %+v", m, deg, p, last)
			}
			last = p
		}
		for _, c := range [][4]float64{{-0.1, 20, 0, 20}, {0.9, 20, 0.77, 20}, {inf, -inf, 0.77, -5}, {0.5, -5.5, 0.5, -5}} {
			got, edge := Syrup{m, quantity.Solids(c[0])}.Near(quantity.Temperature(c[1])), at(t, m, c[2], c[3])
			if got.Mark != Held || got.Density != edge.Density || got.Viscosity != edge.Viscosity || got.DensityU <= edge.DensityU || got.ViscosityU <= edge.ViscosityU {
				t.Errorf("%v, %g, %g °C: %+v, the edge %+v", m, c[0], c[1], got, edge)
			}
		}
		for _, c := range [][2]float64{{nan, 20}, {0.5, nan}, {nan, inf}, {inf, nan}} {
			p := Syrup{m, quantity.Solids(c[0])}.Near(quantity.Temperature(c[1]))
			if p.Mark != Held || p.Density == p.Density || p.Viscosity == p.Viscosity || p.DensityU == p.DensityU || p.ViscosityPerKelvin == p.ViscosityPerKelvin {
				t.Errorf("%v, %g, %g °C: %+v, want no numbers", m, c[0], c[1], p)
			}
		}
	}
}

func TestAtRefuses(t *testing.T) {
	for _, c := range []struct {
		x, deg float64
		text   string
	}{
		{0.7701, 20, "properties of syrup: Brix must be between 0 and 77 %, is 77.01 %"},
		{0.6, -5.1, "properties of syrup: temperature must be between -5 and 50 °C, is -5.1 °C"},
		{math.NaN(), 20, "properties of syrup: Brix must be between 0 and 77 %, is NaN %"},
		{0.6, math.Inf(1), "properties of syrup: temperature must be between -5 and 50 °C, is +Inf °C"},
	} {
		var re *RangeError
		if _, err := (Syrup{Only(HFCS55), quantity.Solids(c.x)}).At(quantity.Temperature(c.deg)); !errors.As(err, &re) || err.Error() != c.text {
			t.Errorf("%g, %g °C: %v, want %s", c.x, c.deg, err, c.text)
		}
		if _, err := (Syrup{Only(HFCS55), quantity.Solids(c.x)}).Estimate(quantity.Temperature(c.deg), 0, 0); !errors.As(err, &re) {
			t.Errorf("estimate, %g, %g °C: %v", c.x, c.deg, err)
		}
	}
	for _, c := range [][2]float64{{-0.1, 0}, {math.NaN(), 0}, {0, -1}, {0, math.NaN()}} {
		var re *RangeError
		if _, err := (Syrup{Solids: 0.6}).Estimate(20, quantity.Solids(c[0]), c[1]); !errors.As(err, &re) {
			t.Errorf("uncertainties %v: %v", c, err)
		}
	}
}

// TestEstimate: at 2:1 one Brix is worth 0.46 % of density and about 25 % of
// viscosity; at 10 °C one kelvin 0.037 % and 8.5 % (computed, from the formulas).
func TestEstimate(t *testing.T) {
	e, err := Syrup{Solids: 0.6667}.Estimate(10, 0.01, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name           string
		got, want, tol float64
	}{
		{"density, Brix", e.DensityParts.Brix, 0.0046, 0.0001},
		{"density, temperature", e.DensityParts.Temperature, 0.00037, 0.00001},
		{"density, formula", e.DensityParts.Formula, e.DensityU, 0},
		{"viscosity, Brix", e.ViscosityParts.Brix, 0.25, 0.02},
		{"viscosity, temperature", e.ViscosityParts.Temperature, 0.085, 0.004},
		{"viscosity, formula", e.ViscosityParts.Formula, e.ViscosityU, 0},
		{"3, 4 and 12 combined", Parts{3, 4, 12}.Combined(), 13, 1e-12},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: %v, want %v", c.name, c.got, c.want)
		}
	}
}

func TestNearDoesNotAllocate(t *testing.T) {
	for _, m := range makeups {
		for _, deg := range []float64{-40, 12, 25, 80, math.NaN()} {
			s := Syrup{m, 0.6667}
			if n := testing.AllocsPerRun(100, func() { sink += float64(s.Near(quantity.Temperature(deg)).Density) }); n != 0 {
				t.Errorf("%v at %g °C: %v allocations", m, deg, n)
			}
		}
	}
}

// TestSupercooledWater: below 0 °C the formulas of water, carried on, still meet
// what is known: 999.26 kg/m³ (Kell; memory) and 2.14 mPa·s (memory) at -5 °C.
func TestSupercooledWater(t *testing.T) {
	for _, m := range makeups {
		p := at(t, m, 0, -5)
		if math.Abs(float64(p.Density)-999.26) > 0.05 || math.Abs(float64(p.Viscosity/quantity.MillipascalSecond)-2.14) > 0.02 || p.Mark != Beyond {
			t.Errorf("%v, no solids: %+v", m, p)
		}
	}
}

// TestAnyBits: whatever numbers come, nothing panics, and what is not refused
// is a number with an uncertainty.
func TestAnyBits(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	wild := func(from, to float64) float64 {
		switch r.IntN(3) {
		case 0:
			return math.Float64frombits(r.Uint64())
		case 1:
			return []float64{0, math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, 5e-324}[r.IntN(7)]
		}
		return from + r.Float64()*(to-from)
	}
	good := 0
	for range 100_000 {
		m := Blend(makeups[r.IntN(len(makeups))], quantity.Mass(wild(0, 100)), makeups[r.IntN(len(makeups))], quantity.Mass(wild(0, 100)))
		s, deg := Syrup{m, quantity.Solids(wild(-0.1, 0.9))}, quantity.Temperature(wild(-10, 60))
		p, isNaN := s.Near(deg), s.Solids != s.Solids || deg != deg
		if isNaN != (p.Density != p.Density) || !isNaN && !(p.Density > 900 && p.Density < 1500 && p.Viscosity > 0 && p.DensityU > 0 && p.DensityU <= 1 && p.ViscosityU > 0 && p.ViscosityU <= 1) {
			t.Fatalf("%+v at %v: %+v", s, deg, p)
		}
		if e, err := s.Estimate(deg, quantity.Solids(wild(0, 0.01)), wild(0, 1)); err == nil && !(e.DensityParts.Combined() > 0 && e.ViscosityParts.Combined() < 1e4) {
			t.Fatalf("%+v at %v: %+v", s, deg, e)
		}
		if l, err := s.Saturation(deg); err == nil && l.Known && !(l.Solids > 0.6 && l.Solids < 0.75 && l.U > 0) {
			t.Fatalf("%+v at %v: %+v", s, deg, l)
		}
		ref := Refractometer{Compensated: r.IntN(2) == 0, Scale: Scale(r.IntN(3)), ReadingU: wild(0, 1), TempU: wild(0, 2)}
		if f, err := ref.True(wild(-2, 82), deg, m); err == nil {
			good++
			if !(f.Solids >= 0 && f.Solids < 0.83 && f.U() >= 0 && f.U() < 1) {
				t.Fatalf("%+v at %v: %+v", ref, deg, f)
			}
		}
		if b, err := ref.Shows(s, deg); err == nil && !(b > -2 && b < 80) {
			t.Fatalf("%+v, %+v at %v shows %v", ref, s, deg, b)
		}
	}
	if good < 1000 {
		t.Errorf("only %d readings were good", good)
	}
}

func BenchmarkNear(b *testing.B) {
	for _, c := range []struct {
		name string
		m    Makeup
	}{{"sucrose", Only(Sucrose)}, {"hfcs-55", Only(HFCS55)}, {"blend", makeups[4]}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			s, deg := Syrup{c.m, 0.6667}, quantity.Temperature(5)
			for b.Loop() {
				sink += float64(s.Near(deg).Density)
				deg = 30 - deg
			}
		})
	}
}
