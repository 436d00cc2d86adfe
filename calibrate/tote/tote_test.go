package tote

import (
	"errors"
	"math"
	"testing"

	"yardtally/calibrate/quantity"
)

func table(t *testing.T, straps ...Strap) Table {
	t.Helper()
	tab, err := New(straps)
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

// TestGolden: each row names its source and how it was come by.
func TestGolden(t *testing.T) {
	check := func(what string, got, want, tolerance float64, source, how string) {
		t.Helper()
		if !(math.Abs(got-want) <= tolerance) {
			t.Errorf("%s = %v, want %v ± %v (%s, %s)", what, got, want, tolerance, source, how)
		}
	}
	ibc, err := IBC(275 * quantity.USGallon)
	if err != nil {
		t.Fatal(err)
	}
	check("ibc.capacity 275 US gal, L", ibc.Capacity().Litres(), 1040.988, 0.001,
		"3.785411784 L/gal", "computed; 1041 L read in supplier size guides")
	top, _ := ibc.Level(ibc.Capacity())
	check("effective height of a 275 gal tote, m", float64(top), 0.975, 0.025,
		"bottle 45 x 37 in, supplier size guides", "read; 0.95-1.0 m computed")
	level, err := FromHead(13013.4, 1327, 0)
	if err != nil {
		t.Fatal(err)
	}
	check("level.hydrostatic rho=1327, 13013.4 Pa, m", float64(level), 1, 0.1/13013.4,
		"rho g h, g=9.80665", "computed")
	check("tote.liquid_mass 275 gal sucrose 66.7 % rho=1327, kg", float64(Mass(275*quantity.USGallon, 1327)), 1381.4, 0.1,
		"volume*density", "computed")
	check("tote.liquid_mass 275 gal HFCS-55 rho=1388, kg", float64(Mass(275*quantity.USGallon, 1388)), 1444.9, 0.1,
		"volume*density", "computed")
}

func TestVolume(t *testing.T) {
	const L = quantity.Litre
	tab := table(t, Strap{0.05, 40 * L}, Strap{0.15, 150 * L}, Strap{0.25, 150 * L}, Strap{1, 1050 * L})
	for _, c := range []struct {
		level  quantity.Length
		volume quantity.Volume
		mark   Mark
	}{
		{0.05, 40 * L, Within},
		{0.10, 95 * L, Within},
		{0.15, 150 * L, Within},
		{0.20, 150 * L, Within},
		{0.625, 600 * L, Within},
		{1, 1050 * L, Within},
		{0.049, 40 * L, Below},
		{-3, 40 * L, Below},
		{1.001, 1050 * L, Above},
		{quantity.Length(math.Inf(1)), 1050 * L, Above},
		{quantity.Length(math.Inf(-1)), 40 * L, Below},
		{quantity.Length(math.NaN()), 0, NoNumber},
	} {
		got, mark := tab.Volume(c.level)
		if d := got - c.volume; mark != c.mark || d > 1000 || d < -1000 {
			t.Errorf("volume at %v = %v %v, want %v %v", c.level, got, mark, c.volume, c.mark)
		}
	}
	for _, c := range []struct {
		volume quantity.Volume
		level  float64
		mark   Mark
	}{
		{40 * L, 0.05, Within},
		{95 * L, 0.10, Within},
		{150 * L, 0.15, Within}, // the lowest of the flat part
		{600 * L, 0.625, Within},
		{1050 * L, 1, Within},
		{39 * L, 0.05, Below},
		{1051 * L, 1, Above},
	} {
		got, mark := tab.Level(c.volume)
		if mark != c.mark || math.Abs(float64(got)-c.level) > 1e-12 {
			t.Errorf("level at %v = %v %v, want %v %v", c.volume, got, mark, c.level, c.mark)
		}
	}
	if v, m := (Table{}).Volume(0.5); v != 0 || m != NoNumber {
		t.Errorf("the empty table says %v %v", v, m)
	}
	if l, m := (Table{}).Level(L); l != 0 || m != NoNumber || (Table{}).Capacity() != 0 {
		t.Errorf("the empty table says %v %v", l, m)
	}
}

// TestInverse: the volume never falls with the level, and the level of a
// volume is the level it came from, to what a nanolitre is worth.
func TestInverse(t *testing.T) {
	tab := table(t, Strap{0, 0}, Strap{0.031, 21 * quantity.Litre}, Strap{0.2, 205 * quantity.Litre},
		Strap{0.61, 660 * quantity.Litre}, Strap{0.98, 1041 * quantity.Litre})
	last := quantity.Volume(-1)
	for i := 0; i <= 98_000; i++ {
		level := quantity.Length(i) / 100_000
		v, mark := tab.Volume(level)
		if mark != Within || v < last {
			t.Fatalf("%v: %v %v after %v", level, v, mark, last)
		}
		last = v
		back, mark := tab.Level(v)
		if mark != Within || math.Abs(float64(back-level)) > 1e-11 {
			t.Fatalf("%v: %v gives %v %v", level, v, back, mark)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	const L = quantity.Litre
	nan := quantity.Length(math.NaN())
	good := Strap{0.5, 500 * L}
	for _, c := range []struct {
		straps []Strap
		text   string
	}{
		{nil, "straps: needs at least two lines, is 0"},
		{[]Strap{good}, "straps: needs at least two lines, is 1"},
		{[]Strap{{-0.1, 0}, good}, "straps[0].level: must be between 0 and 20 m, is -0.1 m"},
		{[]Strap{good, {nan, 600 * L}}, "straps[1].level: must be between 0 and 20 m, is NaN m"},
		{[]Strap{good, {0.6, -L}}, "straps[1].volume: must be between 0 and 1000000 L, is -1 L"},
		{[]Strap{good, {0.5, 600 * L}}, "straps[1].level: must be above the line before (0.5 m), is 0.5 m"},
		{[]Strap{good, {0.6, 400 * L}}, "straps[1].volume: must not be below the line before (500 L), is 400 L"},
	} {
		_, err := New(c.straps)
		var e *Error
		if !errors.As(err, &e) || err.Error() != c.text {
			t.Errorf("%v: %v, want %s", c.straps, err, c.text)
		}
	}
	straps := []Strap{{0, 0}, good}
	tab := table(t, straps...)
	straps[1].Volume = 0
	tab.Straps()[0].Volume = 77
	if tab.Capacity() != 500*L || tab.Straps()[0].Volume != 0 {
		t.Error("the table shares its lines with the caller")
	}
	if _, err := Box(1, 0, 1); err == nil || err.Error() != "width: must be above 0 and at most 20 m, is 0 m" {
		t.Error(err)
	}
	if _, err := Box(20, 20, 20); err == nil { // 8000 m³
		t.Error("a box of 8000 m³ is taken")
	}
	if _, err := IBC(3 * L); err == nil || err.Error() != "capacity: must be between 100 and 3000 L, is 3 L" {
		t.Error(err)
	}
	if b, err := Box(1.2, 1, 0.9); err != nil || b.Capacity() != 1080*L {
		t.Errorf("box: %v, %v", b.Capacity(), err)
	}
}

func TestSensors(t *testing.T) {
	if got := FromHeadspace(0.412, 1.1); math.Abs(float64(got)-0.688) > 1e-12 {
		t.Errorf("headspace: level %v", got)
	}
	// The sensor sits 5 cm above the floor; 1 m of 2:1 over it is 13.01 kPa.
	if got, err := FromHead(13013.4, 1327, 0.05); err != nil || math.Abs(float64(got)-1.05) > 1e-5 {
		t.Errorf("head: level %v, %v", got, err)
	}
	var e *Error
	if _, err := FromHead(100, 0, 0); !errors.As(err, &e) || err.Error() != "density: must be between 500 and 2000 kg/m3, is 0 kg/m3" {
		t.Error(err)
	}
	if _, err := FromHead(quantity.Pressure(math.NaN()), 1300, 0); !errors.As(err, &e) || e.Field != "head" {
		t.Error(err)
	}
	if Usable(30*quantity.Litre, 10*quantity.Litre) != 20*quantity.Litre || Usable(5, 10) != 0 {
		t.Error("usable volume")
	}
}

func TestNoAllocation(t *testing.T) {
	tab := table(t, Strap{0, 0}, Strap{0.5, 500 * quantity.Litre}, Strap{1, 1050 * quantity.Litre})
	if n := testing.AllocsPerRun(100, func() {
		v, _ := tab.Volume(0.7)
		l, _ := tab.Level(v)
		sink = l
	}); n != 0 {
		t.Errorf("%v allocations, want none", n)
	}
}

var sink quantity.Length

func BenchmarkVolume(b *testing.B) {
	straps := make([]Strap, 100)
	for i := range straps {
		straps[i] = Strap{quantity.Length(i) / 100, quantity.Volume(i) * 10 * quantity.Litre}
	}
	tab, err := New(straps)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		v, _ := tab.Volume(0.7123)
		sink += quantity.Length(v)
	}
}
