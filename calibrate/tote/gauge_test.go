package tote

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
)

func gauge(t *testing.T, tab Table, s Sensor) Gauge {
	t.Helper()
	g, err := NewGauge(tab, s)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func box(t *testing.T) Table { // 1.2 m2
	t.Helper()
	tab, err := Box(1.2, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %v, want %v ± %v", what, got, want, tolerance)
	}
}

// TestGaugeSound: 0.18 % of the air gap a kelvin (metering.md C, computed).
func TestGaugeSound(t *testing.T) {
	tab := box(t)
	plain := gauge(t, tab, Sensor{Height: 1.1, Made: 20})
	at := func(g Gauge, air quantity.Temperature, has bool) Reading {
		return g.Read(Sight{Value: 0.5, Air: air, HasAir: has, Density: 1327})
	}
	near(t, "level at 20 °C", float64(at(plain, 20, true).Level), 0.6, 1e-12)
	cold := at(plain, 0, true)
	near(t, "gap at 0 °C", 1.1-float64(cold.Level), 0.5*math.Sqrt(273.15/293.15), 1e-12)
	near(t, "a kelvin, of the gap", (float64(at(plain, 10.5, true).Level)-float64(at(plain, 9.5, true).Level))/-0.5, 0.0018, 0.0001)
	none := at(plain, 0, false)
	if none.Notes&NoAir == 0 || none.U[BySound] < 2*cold.U[BySound] || none.Level != at(plain, 20, true).Level {
		t.Errorf("without an air temperature: %+v", none)
	}
	own := gauge(t, tab, Sensor{Height: 1.1, Compensated: true})
	if r := at(own, 0, true); math.Abs(float64(r.Level)-0.6) > 1e-12 || !(r.U[BySound] < cold.U[BySound]) || r.Notes&NoAir != 0 {
		t.Errorf("compensated: %+v", r)
	}
	light := gauge(t, tab, Sensor{Kind: Optical, Height: 1.1})
	if r := at(light, 0, false); math.Abs(float64(r.Level)-0.6) > 1e-12 || r.U[BySound] != 0 || r.Notes&NoAir != 0 {
		t.Errorf("optical: %+v", r)
	}
}

// TestGaugeTilt against the test's own geometry: a box that leans holds its
// volume, the surface is a plane through the centroid's level.
func TestGaugeTilt(t *testing.T) {
	tab := box(t)
	r := rand.New(rand.NewPCG(8, 1))
	const rho, level = 1300.0, 0.55
	for range 200 {
		pitch, roll := 0.08*r.NormFloat64(), 0.08*r.NormFloat64()
		x, y := r.Float64()-0.5, r.Float64()-0.5
		// "Up" in the tote's axes (front, right, up). Front up: rear is lower,
		// so up leans to the front; right side down: up leans to the left.
		up := [3]float64{math.Tan(pitch), -math.Tan(roll), 1}
		n := math.Sqrt(up[0]*up[0] + up[1]*up[1] + 1)
		// The surface is all points p with (p - centroid's)·up = 0.
		surface := level - (x*up[0]+y*up[1])/up[2]
		for _, kind := range []Kind{Optical, Hydrostatic} {
			g := gauge(t, tab, Sensor{Kind: kind, Height: 1.1, Forward: quantity.Length(x), Right: quantity.Length(y)})
			s := Sight{Value: 1.1 - surface, Density: rho, Tilt: Tilt{Known: true, Pitch: pitch, Roll: roll}}
			if kind == Hydrostatic {
				g.Sensor.Height = 0.05
				s.Value = rho * Gravity * (surface - 0.05) / n // depth is upright
			}
			got := g.Read(s)
			near(t, kind.String()+" level", float64(got.Level), level, 1e-12)
			s.Tilt.Known = false
			blind := g.Read(s)
			if blind.Notes&NoTilt == 0 || blind.U[ByTilt] < 2*got.U[ByTilt] && math.Hypot(x, y) > 0.05 {
				t.Errorf("%v, tilt not known: %+v", kind, blind)
			}
		}
	}
	// 2 degrees at 0.5 m and 1 m2: 17 L (metering.md C, computed).
	g := gauge(t, tab, Sensor{Kind: Optical, Height: 1.1, Forward: -0.5})
	a := g.Read(Sight{Value: 0.5, Tilt: Tilt{Known: true, Pitch: 2 * math.Pi / 180}})
	b := g.Read(Sight{Value: 0.5, Tilt: Tilt{Known: true}})
	near(t, "2 degrees, L", (b.Volume - a.Volume).Litres(), 17.46*1.2, 0.01)
}

// TestGaugeParts: each cause alone moves the volume by what its part says, and
// the combined uncertainty is the root of the sum of squares.
func TestGaugeParts(t *testing.T) {
	tab := box(t)
	sum := func(r Reading) float64 {
		s := 0.0
		for _, u := range r.U {
			s += u * u
		}
		return math.Sqrt(s)
	}
	g := gauge(t, tab, Sensor{Height: 1.1, Forward: 0.3, Right: -0.2})
	s := Sight{Value: 0.5, ValueU: 0.004, Air: 10, HasAir: true, AirU: 1.5, Density: 1327, DensityRelU: 0.002, Tilt: Tilt{Known: true, U: 0.01}}
	r := g.Read(s)
	near(t, "combined", r.U.U(), sum(r), 1e-15)
	near(t, "95 %", r.Wide().CubicMetres(), 1.96*sum(r), 1e-6)
	near(t, "slosh", r.U[BySlosh], 1.2*0.004*math.Sqrt(283.15/273.15), 1e-12)
	warm := s
	warm.Air += 1.5
	moved := (g.Read(warm).Volume - r.Volume).CubicMetres()
	near(t, "sound", math.Sqrt(r.U[BySound]*r.U[BySound]-math.Pow(1.2*moistRelU*0.5*math.Sqrt(283.15/273.15), 2)), math.Abs(moved), 1e-5)
	tilted := s
	tilted.Tilt.Pitch, tilted.Tilt.Roll = 0.01*0.3/math.Hypot(0.3, 0.2), 0.01*0.2/math.Hypot(0.3, 0.2) // the worst way
	near(t, "tilt", math.Abs((g.Read(tilted).Volume - r.Volume).CubicMetres()), r.U[ByTilt], 1e-5)
	if r.PerDensity != 0 || r.U[ByDensity] != 0 || math.Abs(r.MassPerDensity-float64(r.Mass)) > 1e-9 {
		t.Errorf("density does nothing to a volume from above, all to its mass: %+v", r)
	}

	// From below: 1 % of density is 1 % of volume and nothing of mass, between straight walls.
	h := gauge(t, tab, Sensor{Kind: Hydrostatic})
	p := Sight{Value: 8000, ValueU: 30, Density: 1327, DensityRelU: 0.01, Tilt: Tilt{Known: true}}
	r = h.Read(p)
	near(t, "combined", r.U.U(), sum(r), 1e-15)
	near(t, "mass", float64(r.Mass), float64(MassOfHead(8000, 1.2)), 1e-5)
	near(t, "density part", r.U[ByDensity], 0.01*r.Volume.CubicMetres(), 1e-9)
	near(t, "its sign", r.PerDensity, -r.Volume.CubicMetres(), 1e-9)
	near(t, "density part of mass", r.MassU[ByDensity], 0, 1e-8)
	denser := p
	denser.Density *= 1.001
	near(t, "volume moves", (h.Read(denser).Volume-r.Volume).CubicMetres()/r.Volume.CubicMetres(), -0.001, 2e-6)
	// A sensor 10 cm up does not feel what is below it: that mass wants a density.
	h.Sensor.Height = 0.1
	r = h.Read(p)
	near(t, "mass below the sensor", r.MassPerDensity, 1327*1.2*0.1, 1e-5)
}

// TestGaugeNeverLooksGood: what cannot be said is marked, with everything open.
func TestGaugeNeverLooksGood(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	tab := box(t)
	for _, c := range []struct {
		kind  Kind
		s     Sight
		notes Note
	}{
		{Optical, Sight{Value: nan}, NotRead},
		{Optical, Sight{Value: inf}, NotRead},
		{Optical, Sight{Value: -inf}, NotRead},
		{Optical, Sight{Value: 1e300}, NotRead},
		{Optical, Sight{Value: 0.5, ValueU: nan}, NotRead},
		{Hydrostatic, Sight{Value: 8000}, NotRead | NoDensity},
		{Hydrostatic, Sight{Value: 8000, Density: quantity.Density(nan)}, NotRead | NoDensity},
		{Hydrostatic, Sight{Value: 8000, Density: 7}, NotRead | NoDensity},
	} {
		g := gauge(t, tab, Sensor{Kind: c.kind, Height: 0.9})
		if r := g.Read(c.s); r.Mark != NoNumber || r.Notes&c.notes != c.notes || r.Volume != 0 || r.U.U() < 1 || r.Mass != 0 {
			t.Errorf("%v: %+v", c.s, r)
		}
	}
	g := gauge(t, tab, Sensor{Height: 1.1, Forward: 0.2})
	for _, s := range []Sight{
		{Value: 0.5, Air: quantity.Temperature(nan), HasAir: true, AirU: nan, Density: quantity.Density(inf), DensityRelU: nan, Tilt: Tilt{Known: true, Pitch: nan, Roll: inf, U: nan}},
		{Value: 0.5, Air: -500, HasAir: true, AirU: inf, Tilt: Tilt{Known: true, Pitch: 1.5}},
	} {
		r := g.Read(s)
		if r.Mark != Within || r.Notes&(NoAir|NoTilt|NoDensity) != NoAir|NoTilt|NoDensity || !(r.U.U() > 0.005) || math.IsInf(r.U.U(), 0) || math.Abs(float64(r.Level)-0.6) > 1e-9 {
			t.Errorf("%+v", r)
		}
	}
	if r := g.Read(Sight{Value: 3}); r.Mark != Below || r.Notes&UnderAll == 0 || r.U[ByStrapping] < 1 {
		t.Errorf("below: %+v", r)
	}
	if r := g.Read(Sight{Value: 0.01}); r.Mark != Above || r.Notes&OverAll == 0 {
		t.Errorf("above: %+v", r)
	}
	var none Gauge
	if r := none.Read(Sight{Value: 0.5}); r.Mark != NoNumber {
		t.Errorf("no table: %+v", r)
	}
	if w := (NoAir | FromMeter).Words(); len(w) != 2 || !strings.Contains(w[1], "never judges the meter") {
		t.Error(w)
	}
	for _, bad := range []Sensor{{Height: -1}, {Height: quantity.Length(nan)}, {U: -1}, {U: 2}, {RelU: 1}, {Forward: 11}, {Made: 100}, {Kind: 9}} {
		var e *Error
		if _, err := NewGauge(tab, bad); !errors.As(err, &e) {
			t.Errorf("%+v is taken", bad)
		}
	}
	for _, k := range []Kind{Ultrasonic, Optical, Hydrostatic} {
		if got, err := ParseKind(k.String()); got != k || err != nil {
			t.Error(k, got, err)
		}
	}
	if _, err := ParseKind("dip stick"); err == nil {
		t.Error("any kind is taken")
	}
}

// TestGaugeHolds: the stated interval holds the truth, with errors drawn as the
// parts say and a true tote of the test's own.
func TestGaugeHolds(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 95))
	norm := r.NormFloat64
	held, n := 0, 4000
	for range n {
		// strapped every 10 cm with errors of 3 L each
		tt := trueTote{area: 1.05, height: 1, bulge: 0.05, ribs: 1}
		straps := []Strap{{Level: 0, U: 3 * quantity.Litre}}
		for i := 1; i <= 10; i++ {
			z := float64(i) / 10
			v := straps[i-1].Volume + max(0, quantity.VolumeOf(tt.volume(z)+0.003*norm())-straps[i-1].Volume)
			straps = append(straps, Strap{quantity.Length(z), v, 3 * quantity.Litre})
		}
		tab := table(t, straps...)
		level := 0.1 + 0.8*r.Float64()
		kind := Kind(r.IntN(3))
		pitch, air, rho := 0.02*norm(), 15+8*norm(), 1327.0
		sensor := Sensor{Kind: kind, Height: 1.2, Forward: 0.3, Made: 20}
		if kind == Hydrostatic {
			sensor.Height = 0.05
		}
		g := gauge(t, tab, sensor)
		surface := level - 0.3*math.Tan(pitch)
		height := float64(sensor.Height) + 0.002*norm()
		s := Sight{Tilt: Tilt{Known: true, Pitch: pitch + 0.003*norm(), U: 0.003}, Air: quantity.Temperature(air + 2*norm()), AirU: 2, HasAir: true,
			Density: quantity.Density(rho * (1 + 0.002*norm())), DensityRelU: 0.002}
		if kind == Hydrostatic {
			s.Value = rho * (Gravity * (1 + 0.003*(2*r.Float64()-1))) * (surface - height) * math.Cos(pitch) * (1 + 0.002*norm())
			s.Value += 30*norm() + 20*norm()
			s.ValueU = 20
		} else {
			gap := (height - surface) * (1 + 0.002*norm())
			if kind == Ultrasonic {
				gap *= math.Sqrt((273.15+20)/(273.15+air)) * (1 + 0.002*norm())
			}
			s.Value = gap + 0.002*norm() + 0.001*norm()
			s.ValueU = 0.001
		}
		got := g.Read(s)
		if math.Abs(got.Volume.CubicMetres()-tt.volume(level)) <= Wide*got.U.U() {
			held++
		}
	}
	share := float64(held) / float64(n)
	t.Logf("held %.1f %%", 100*share)
	if share < 0.94 || share > 0.985 {
		t.Errorf("the 95 %% interval holds %.1f %%", 100*share)
	}
}

func TestExpanded(t *testing.T) {
	// 2:1 by sucrose tables: 1330.4 kg/m3 at 12 °C in the tote, 1326.7 at 20 °C at the meter (worked by hand).
	v := Expanded(100*quantity.Litre, 1330.4, 1326.7)
	near(t, "warm volume, L", v.Litres(), 100.2789, 1e-4)
	near(t, "mass", float64(Mass(v, 1326.7)), float64(Mass(100*quantity.Litre, 1330.4)), 1e-7)
	if Expanded(5, 0, 1) != 5 || Expanded(5, 1, quantity.Density(math.NaN())) != 5 {
		t.Error("without a density")
	}
	if SloshFrequency(0, 1) != 0 || SloshFrequency(1, quantity.Length(math.NaN())) != 0 {
		t.Error("slosh of nothing")
	}
	near(t, "rest at 0.9 m, s", Rest(1.14, 0.9), 30, 0)
	near(t, "rest at 0.1 m, s", Rest(1.14, 0.1), 24/float64(SloshFrequency(1.14, 0.1)), 1e-9)
	near(t, "rest in a puddle, s", Rest(1.14, 0.001), 60, 0)
	near(t, "rest, nothing known, s", Rest(0, 0), 30, 0)
}

func TestTableU(t *testing.T) {
	const L = quantity.Litre
	tab := table(t, Strap{Level: 0, U: L}, Strap{Level: 0.5, Volume: 500 * L, U: 4 * L}, Strap{Level: 1, Volume: 1040 * L})
	near(t, "stated", tab.At(0.5).U, 0.004, 1e-12)
	near(t, "not stated: 0.5 % and 2 mm", tab.At(1).U, math.Hypot(0.005*1.04, 0.002*1.08), 1e-12)
	// (1.08-1.00)/0.5 m bends by 0.16·0.5²/8 = 5 L at most in the middle.
	near(t, "halfway", tab.At(0.25).U, math.Hypot(0.0025, 0.005/math.Sqrt(3)), 1e-9)
	v, u, per, m := tab.Between(0.5, 0)
	if v != -500*L || per != 0 || m != Within {
		t.Error(v, per, m)
	}
	near(t, "between", u, math.Hypot(0.001, 0.004), 1e-12)
	if _, u, _, m := tab.Between(0.5, quantity.Length(math.NaN())); m != NoNumber || !math.IsInf(u, 1) {
		t.Error(u, m)
	}
	if tab.Source() != Strapped || box(t).Source() != Walls || tab.MeterU() != 0 {
		t.Error("sources")
	}
	if _, err := New([]Strap{{}, {Level: 1, Volume: L, U: -1}}); err == nil || err.Error() != "straps[1].u: must be between 0 and 1000000 L, is -0.000000001 L" {
		t.Error(err)
	}
	again := table(t, tab.Straps()...)
	for z := quantity.Length(-0.2); z < 1.3; z += 0.01 {
		a, b := tab.At(z), again.At(z)
		near(t, "U again", b.U, a.U, 1e-12) // Straps rounds to a nanolitre
		if b.U = a.U; a != b {
			t.Fatalf("at %v: %+v, %+v", z, a, b)
		}
		v, m := tab.Volume(z)
		if p := tab.At(z); p.Volume != v || p.Mark != m {
			t.Fatalf("at %v: Volume %v %v, At %+v", z, v, m, p)
		}
	}
}

func TestReadAllocatesNothing(t *testing.T) {
	g := gauge(t, box(t), Sensor{Height: 1.1, Forward: 0.2})
	s := Sight{Value: 0.5, Air: 10, HasAir: true, Density: 1300, Tilt: Tilt{Known: true, Pitch: 0.01}}
	if n := testing.AllocsPerRun(100, func() { sinkReading = g.Read(s) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

var sinkReading Reading

func BenchmarkRead(b *testing.B) {
	tab, _ := IBC(275 * quantity.USGallon)
	g := Gauge{tab, Sensor{Height: 1.1, Forward: 0.2}}
	s := Sight{Value: 0.5, Air: 10, HasAir: true, Density: 1300, Tilt: Tilt{Known: true, Pitch: 0.01}}
	b.ReportAllocs()
	for b.Loop() {
		sinkReading = g.Read(s)
	}
}
