package line

import (
	"math"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

func TestForecast(t *testing.T) {
	l := Usual()
	rows, err := ByTemperature(&l, cane(66.7), Setting{Level: 0.4}, 0, 30, 7)
	if err != nil || len(rows) != 7 || rows[0].Temp != 0 || rows[6].Temp != 30 {
		t.Fatalf("%v, %v", rows, err)
	}
	for i, r := range rows {
		t.Logf("2:1 at %g °C: %.0f s a gallon %v", float64(r.Temp), r.PerGallon.Seconds(), r.Marks)
		if i > 0 && r.Flow <= rows[i-1].Flow {
			t.Errorf("2:1 does not flow faster when warmer: %v", rows)
		}
		if s := quantity.USGallon.CubicMetres() / float64(r.Flow); math.Abs(r.PerGallon.Seconds()-s) > 1e-6 {
			t.Errorf("%v for %g s", r.PerGallon, s)
		}
	}
	if PerGallon(0) != 24*time.Hour || PerGallon(1e-12) != 24*time.Hour || PerGallon(quantity.USGallonPerMinute) != time.Minute {
		t.Error("PerGallon")
	}
	// 1 Brix is 21-25 % of viscosity at 65-67 % (section D of the project's reference, computed).
	thin, err := Thin(&l, cane(66.7), quantity.FromBrix(65.7), 20, Setting{})
	if err != nil || thin.Faster < 1.19 || thin.Faster > 1.26 || math.Abs(thin.Water-66.7/65.7+1) > 1e-12 {
		t.Errorf("%+v, %v", thin, err)
	}
	if !(thin.Sugar > 1 && thin.Sugar < thin.Faster) {
		t.Errorf("%+v", thin)
	}
	if _, err := Thin(&l, cane(60), quantity.FromBrix(65), 20, Setting{}); err == nil {
		t.Error("thinned to more")
	}
	if _, err := ByTemperature(&l, cane(60), Setting{}, 0, 30, 1); err == nil {
		t.Error("one row")
	}
}

// TestPour: on a rig as warm as the tote it is volume by flow; after a drive in the cold it takes
// longer, and no longer than with all of the rig cold throughout.
func TestPour(t *testing.T) {
	l := Usual()
	pour := func(w Warmth, v quantity.Volume) time.Duration {
		d, _, err := Pour(&l, cane(65), 22, w, Setting{}, v)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	steady, err := At(&l, cane(65), 22, Setting{})
	if err != nil {
		t.Fatal(err)
	}
	if d := pour(AllAt(22), 2*quantity.USGallon); math.Abs(d.Seconds()/(2*steady.PerGallon.Seconds())-1) > 1e-6 {
		t.Errorf("2 gallons take %v, one %v", d, steady.PerGallon)
	}
	cold := AllAt(22).Cool(time.Hour, 0)
	frozen, err := At(&l, cane(65), cold.Hose[0], Setting{})
	if err != nil {
		t.Fatal(err)
	}
	first, tenth := pour(cold, quantity.USGallon), pour(cold, 10*quantity.USGallon)/10
	t.Logf("a gallon takes %.0f s warm, %.0f s the first after an hour at 0 °C, %.0f s the mean of ten, %.0f s all cold",
		steady.PerGallon.Seconds(), first.Seconds(), tenth.Seconds(), frozen.PerGallon.Seconds())
	if !(steady.PerGallon < tenth && tenth < first && first < frozen.PerGallon) {
		t.Error("not in order")
	}
	high := l
	high.Heights.Nozzle = 20
	for _, c := range []struct {
		l Line
		v quantity.Volume
	}{{high, quantity.Litre}, {l, -quantity.Litre}, {l, 11 * quantity.CubicMetre}} {
		if _, _, err := Pour(&c.l, syrup.Syrup{Solids: 0.6}, 20, AllAt(20), Setting{}, c.v); err == nil {
			t.Errorf("poured %v", c.v)
		}
	}
}
