package proving

import (
	"errors"
	"math"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// TestGravimetric: each row names its source and how it was come by.
func TestGravimetric(t *testing.T) {
	// Z is the volume of 1 mg of water weighed in air, µL. Densities of water:
	// CIPM, from memory. Air of 1.2 kg/m³ at 1013 hPa, and in proportion.
	const table = "Z table (ISO/TR 20461 values) printed in a pipette maker user manual"
	for _, c := range []struct {
		temp, hPa, water, z float64
	}{
		{15, 1013, 999.1026, 1.0020},
		{20, 1013, 998.2067, 1.0029},
		{20, 853, 998.2067, 1.0027},
		{25, 1013, 997.0476, 1.0040},
		{25, 960, 997.0476, 1.0039},
		{30, 1013, 995.6502, 1.0054},
	} {
		air := quantity.Density(1.2 * c.hPa / 1013)
		z := 1e3 * Buoyancy(quantity.Density(c.water), air) / c.water
		if math.Abs(z-c.z) > 1e-4 {
			t.Errorf("Z at %g °C, %g hPa = %.5f, want %.4f (%s, read)", c.temp, c.hPa, z, c.z, table)
		}
		// The same by the whole path, with the syrup room's water: 1 kg is 1000 Z mL.
		d, err := syrup.Density(0, quantity.Temperature(c.temp))
		if err != nil {
			t.Fatal(err)
		}
		if v := Volume(1, d, air); math.Abs(v.Litres()-c.z) > 1e-4 {
			t.Errorf("1 kg of water at %g °C, %g hPa is %v, want %.4f L", c.temp, c.hPa, v, c.z)
		}
	}
	for _, c := range []struct {
		liquid quantity.Density
		factor float64
	}{
		{1327, 1.0007550}, // computed; equation form of NISTIR 7383 SOP 14 (memory)
		{998.2067, 1.0010534},
	} {
		if f := Buoyancy(c.liquid, UsualAir); math.Abs(f-c.factor) > 1e-7 {
			t.Errorf("buoyancy of %v = %.8f, want %.7f", c.liquid, f, c.factor)
		}
	}
	// m*buoyancy/rho, computed
	if v := Volume(20, 1327, UsualAir); math.Abs(v.Litres()-15.082969) > 1e-5 {
		t.Errorf("20 kg at 1327 kg/m³ = %v, want 15.082969 L", v)
	}
}

// twoToOne is the worked example: 20 kg of 2:1 at 20 °C, about 36 pulses/L.
var twoToOne = Bucket{Pulses: 543, Net: 20, Brix: 0.6667, Temp: 20}

func TestPoint(t *testing.T) {
	p, err := twoToOne.Point()
	if err != nil {
		t.Fatal(err)
	}
	// 66.67 % at 20 °C: 1326.8 kg/m³, 20 kg weighed in air: 20*1.000755/1326.8 m³ (computed).
	if want := 543 / (20 * 1.000755 / 1326.8); math.Abs(p.K/want-1) > 5e-5 {
		t.Errorf("K = %v, want %v", p.K, want)
	}
	if got := p.K * p.PulseVolume.CubicMetres(); math.Abs(got-1) > 1e-7 {
		t.Errorf("K times the pulse's volume = %v, want 1", got)
	}
	if p.RelU < 0.001 || p.RelU > 0.002 {
		t.Errorf("uncertainty %v", p.RelU)
	}

	// Without buoyancy 0.0755 % is missing; in thinner air a part of it.
	thin := twoToOne
	thin.AirDensity = 1.0
	q, err := thin.Point()
	if want := p.K * (1 + 0.2*(1/1326.8-1/8000.)); err != nil || math.Abs(q.K/want-1) > 1e-6 {
		t.Errorf("in thin air K = %v, %v; want %v", q.K, err, want)
	}
	said := twoToOne
	said.AirDensity = UsualAir
	if q, err := said.Point(); err != nil || q != p {
		t.Errorf("air of 1.2 said: %v, %v; not said: %v", q, err, p)
	}
}

func TestFromK(t *testing.T) {
	p, err := FromK(36)
	if err != nil || math.Abs(p.K-36000) > 1e-9 || p.PulseVolume != 27_777_778 || p.RelU != LabelRelU {
		t.Errorf("FromK(36) = %+v, %v", p, err)
	}
	for _, k := range []float64{0.01, 100_000} {
		if p, err := FromK(k); err != nil || math.Abs(p.PulseVolume.Litres()*k-1) > 6e-5 {
			t.Errorf("FromK(%v) = %+v, %v", k, p, err)
		}
	}
	for _, k := range []float64{0, -1, 0.0099, 100_001, math.NaN(), math.Inf(1)} {
		var e *Error
		if _, err := FromK(k); !errors.As(err, &e) || !strings.HasPrefix(err.Error(), "K-factor: must come to between 0.01 and 100000 pulses per litre, is ") {
			t.Errorf("FromK(%v): %v", k, err)
		}
	}
}

func TestBudget(t *testing.T) {
	// The published parts of the worked example, in percent (computed): root
	// of the sum of squares 0.113 ± 0.002 (GUM sum of squares).
	published := Budget{{"scale calibration", .025}, {"scale step", .020}, {"scatter", .045}, {"Brix", .050},
		{"temperature", .024}, {"film and drops", .029}, {"pulse count", .076}, {"air density", .005}}
	if u := published.RelU(); math.Abs(u-0.113) > 0.002 {
		t.Errorf("combined %v %%, want 0.113", u)
	}
	// JCGM 100:2008 annex H.1, nm (memory; recomputed): printed 32.
	if u := (Budget{{"", 25}, {"", 9.7}, {"", 2.9}, {"", 16.6}}).RelU(); math.Abs(u-31.7) > 0.3 {
		t.Errorf("GUM H.1: %v nm, want 31.7", u)
	}

	// And the parts, found from the means: 540 pulses, s = 0.10 % of 5 tests.
	b, m := twoToOne, Usual
	b.Pulses, m.Tests = 540, 5
	got, err := b.Budget(m)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range published {
		if got[i].Name != p.Name || math.Abs(got[i].RelU*100-p.RelU) > 0.004 {
			t.Errorf("%+v, want %s %v %%", got[i], p.Name, p.RelU)
		}
	}
	if u := got.RelU() * 100; len(got) != 9 || math.Abs(u-0.113) > 0.003 { // with the density formula's own
		t.Errorf("combined %v %% of %d", u, len(got))
	}
	if most := got.Largest(); most.Name != "pulse count" {
		t.Errorf("largest is %v", most)
	}
	// More pulses and a larger bucket make it better.
	b.Pulses, b.Net = 1080, 40
	if more, err := b.Budget(m); err != nil || more.RelU() >= got.RelU() {
		t.Errorf("40 kg: %v, %v", more, err)
	}
}

func TestRefuses(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		change func(*Bucket)
		text   string
	}{
		{func(b *Bucket) { b.Pulses = 0 }, "pulses: must be between 1 and 1000000000, is 0"},
		{func(b *Bucket) { b.Pulses = nan }, "pulses: must be between 1 and 1000000000, is NaN"},
		{func(b *Bucket) { b.Net = 0.04 }, "net: must be between 0.05 and 5000 kg, is 0.04 kg"},
		{func(b *Bucket) { b.Net = quantity.Mass(math.Inf(1)) }, "net: must be between 0.05 and 5000 kg, is +Inf kg"},
		{func(b *Bucket) { b.AirDensity = -1 }, "air density: must be between 0 and 1.5 kg/m3, is -1 kg/m3"},
		{func(b *Bucket) { b.Brix = 0.8 }, "bucket test: density of sucrose syrup: Brix must be between 0 and 75 %, is 80 %"},
		{func(b *Bucket) { b.Temp = -3 }, "bucket test: density of sucrose syrup: temperature must be between 0 and 50 °C, is -3 °C"},
		{func(b *Bucket) { b.Pulses, b.Net = 1, 1000 }, "pulses and net: must come to between 0.01 and 100000 pulses per litre, is "},
	} {
		b := twoToOne
		c.change(&b)
		if p, err := b.Point(); err == nil || !strings.HasPrefix(err.Error(), c.text) || p != (Point{}) {
			t.Errorf("%+v: %v, want %s", p, err, c.text)
		}
	}
	var re *syrup.RangeError
	if _, err := (Bucket{Pulses: 543, Net: 20, Brix: 0.8, Temp: 20}).Point(); !errors.As(err, &re) || re.Field != "Brix" {
		t.Errorf("%v is no range error", err)
	}
	for _, c := range []struct {
		change func(*Means)
		field  string
	}{
		{func(m *Means) { m.Scatter = nan }, "scatter"},
		{func(m *Means) { m.ScaleStep = -1 }, "scale step"},
		{func(m *Means) { m.Tests = 0 }, "tests"},
	} {
		m := Usual
		c.change(&m)
		var e *Error
		if _, err := twoToOne.Budget(m); !errors.As(err, &e) || e.Field != c.field {
			t.Errorf("%v, want an error of %s", err, c.field)
		}
	}
	// The corners of the range have slopes too.
	for _, b := range []Bucket{{100, 10, 0, 0, 0}, {100, 10, syrup.MaxSolids, syrup.MaxTemperature, 0}} {
		if p, err := b.Point(); err != nil || !(p.RelU > 0 && p.RelU < 0.01) {
			t.Errorf("%+v: %+v, %v", b, p, err)
		}
	}
}

func BenchmarkPoint(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := twoToOne.Point(); err != nil {
			b.Fatal(err)
		}
	}
}
