package syrup

import (
	"errors"
	"math"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
)

// TestRefractiveIndexTable: CRC Handbook to 0.00011 (read), ICUMSA 1974 to 7.5e-6 (memory).
func TestRefractiveIndexTable(t *testing.T) {
	rows := table(t, "refractive_index_sucrose_20C.csv")
	for _, row := range rows {
		w, want, limit := number(t, row["mass_percent_brix"]), number(t, row["nD_20C"]), 1.1e-4
		if strings.Contains(row["source"], "ICUMSA") {
			limit = 7.5e-6
		}
		got, err := RefractiveIndex(quantity.FromBrix(w))
		if err != nil || math.Abs(got-want) > limit {
			t.Errorf("%g %%: %.6f, %v, want %g (%s, %s)", w, got, err, want, row["source"], row["how"])
		}
		// Our own column, computed apart from this code.
		if own := number(t, row["formula_C_nD"]); math.Abs(got-own) > 5.1e-7 {
			t.Errorf("%g %%: %.7f, the formula is %g", w, got, own)
		}
		if back := brixOf(got); math.Abs(back-w) > 1e-9 {
			t.Errorf("%g %%: back from its index %v", w, back)
		}
	}
	if len(rows) != 30 {
		t.Errorf("%d rows", len(rows))
	}
	for _, s := range []quantity.Solids{-0.01, 0.81, quantity.Solids(math.NaN())} {
		var re *RangeError
		if _, err := RefractiveIndex(s); !errors.As(err, &re) {
			t.Errorf("%v: %v", s, err)
		}
	}
}

// TestTemperatureCorrectionTable: OIV-MA-AS2-02 Table I to 0.0155 Brix (read);
// the rows at 30 °C derived from glucose syrup to 0.07, and all within
// twice the stated uncertainty (thermometer aside) or the table's last digit.
func TestTemperatureCorrectionTable(t *testing.T) {
	read := 0
	for _, row := range table(t, "refractometer_temp_correction.csv") {
		deg, b, want := number(t, row["temp_C"]), number(t, row["reading_brix"]), number(t, row["correction_to_add"])
		got, err := Refractometer{}.TemperatureCorrection(b, quantity.Temperature(deg))
		limit := 0.07
		if row["how"] == "read" {
			limit = 0.0155
			read++
		}
		if err != nil || math.Abs(got-want) > limit {
			t.Errorf("%g Brix, %g °C: %.4f, %v, want %g (%s, %s)", b, deg, got, err, want, row["source"], row["how"])
		}
		if u, _ := correctionU(b, deg, 0, 1e-9); math.Abs(got-want) > 2*u+0.005 {
			t.Errorf("%g Brix, %g °C: off by %.3f, u is %.3f", b, deg, got-want, u)
		}
		if own := number(t, row["formula_D"]); math.Abs(got-own) > 5.1e-4 {
			t.Errorf("%g Brix, %g °C: %.5f, the formula is %g", b, deg, got, own)
		}
	}
	if read != 136 {
		t.Errorf("%d rows read", read)
	}
}

// TestOffsetTable: what the sucrose scale reads of fructose with glucose, of
// honey and of HFCS; to 0.1 Brix.
func TestOffsetTable(t *testing.T) {
	rows := table(t, "refractometer_invert_hfcs_offset.csv")
	for _, row := range rows {
		ds, reading := number(t, row["true_dry_solids_percent"]), number(t, row["sucrose_scale_brix_reading"])
		want := number(t, row["offset_to_add"])
		got := offset(ds)
		if math.Abs(got-want) > 0.105 {
			t.Errorf("%g %%: %.3f, want %g (%s, %s)", ds, got, want, row["source"], row["how"])
		}
		if own := number(t, row["formula_E"]); math.Abs(got-own) > 0.0051 {
			t.Errorf("%g %%: %.4f, the formula is %g", ds, got, own)
		}
		if reading > 80 {
			continue // thicker than any syrup here
		}
		// The instrument's whole way, from its reading, and from the index.
		f, err := Refractometer{Compensated: true}.True(reading, 20, Only(Invert))
		if err != nil || math.Abs(f.Solids.Brix()-ds) > 0.11 || math.Abs(f.Solids.Brix()-ds) > 2*f.MakeupU.Brix()+0.01 {
			t.Errorf("%g %%: found %v ± %v of %g, %v", ds, f.Solids.Brix(), f.MakeupU.Brix(), reading, err)
		}
		if row["nD_20C"] == "" {
			continue
		}
		f, err = Refractometer{Compensated: true, Scale: IndexScale}.True(number(t, row["nD_20C"]), 20, Only(Invert))
		if err != nil || math.Abs(f.Solids.Brix()-ds) > 0.11 {
			t.Errorf("%g %%: found %v of nD %s, %v", ds, f.Solids.Brix(), row["nD_20C"], err)
		}
	}
	if len(rows) != 20 {
		t.Errorf("%d rows", len(rows))
	}
}

// TestReadBack: what an instrument would show of a syrup is read as that syrup,
// for every scale, temperature and makeup.
func TestReadBack(t *testing.T) {
	for _, r := range []Refractometer{{}, {Compensated: true}, {Scale: IndexScale}, {Compensated: true, Scale: IndexScale}} {
		for _, m := range makeups {
			for deg := quantity.Temperature(5); deg <= 30; deg += 2.5 {
				last := math.Inf(-1)
				for w := 0.0; w <= 77; w += 0.5 {
					shown, err := r.Shows(Syrup{m, quantity.FromBrix(w)}, deg)
					if err != nil {
						t.Fatal(err)
					}
					if shown <= last {
						t.Fatalf("%+v, %v, %v: %g %% shows %v after %v", r, m, deg, w, shown, last)
					}
					last = shown
					f, err := r.True(shown, deg, m)
					if err != nil || math.Abs(f.Solids.Brix()-w) > 1e-9 {
						t.Fatalf("%+v, %v, %v: %g %% shows %v, read as %v, %v", r, m, deg, w, shown, f.Solids.Brix(), err)
					}
					if u := f.U().Brix(); !(u > 0.1 && u < 0.3) {
						t.Fatalf("%+v, %v, %v: %g %%: uncertainty %v", r, m, deg, w, u)
					}
				}
			}
		}
	}
}

// TestFinding: the parts of a reading. Cold syrup reads high (rough rule: 0.075
// Brix a kelvin); HFCS reads low; a blend takes its part; ATC is not corrected twice.
func TestFinding(t *testing.T) {
	plain, atc := Refractometer{ReadingU: 0.1, TempU: 1}, Refractometer{Compensated: true, ReadingU: 0.1}
	f, err := plain.True(60, 10, Only(Sucrose))
	if err != nil || math.Abs(f.TemperatureAdded.Brix()+0.75) > 0.02 || f.MakeupAdded != 0 || f.MakeupU != 0 ||
		math.Abs(f.TemperatureU.Brix()-0.077) > 0.006 || math.Abs(f.ReadingU.Brix()-0.1) > 0.002 || f.Mark != Within {
		t.Errorf("plain, 60 at 10 °C: %+v, %v", f, err)
	}
	if want := math.Hypot(float64(f.ReadingU), float64(f.TemperatureU)); math.Abs(float64(f.U())-want) > 1e-15 {
		t.Errorf("combined %v, want %v", f.U(), want)
	}
	f, err = atc.True(60, 10, Only(Sucrose))
	if err != nil || f.Solids.Brix() != 60 || f.TemperatureAdded != 0 || math.Abs(f.TemperatureU.Brix()-0.05) > 1e-12 {
		t.Errorf("compensated, 60 at 10 °C: %+v, %v", f, err)
	}
	cold, err := atc.True(60, 2, Only(Sucrose))
	unknown, err2 := atc.True(60, quantity.Temperature(math.NaN()), Only(Sucrose))
	if err != nil || err2 != nil || cold.TemperatureU <= f.TemperatureU || unknown.TemperatureU <= f.TemperatureU ||
		cold.Mark != Beyond || unknown.Mark != Beyond {
		t.Errorf("compensated in the cold %+v, %v, at no known temperature %+v, %v", cold, err, unknown, err2)
	}
	// HFCS-55 of 77 % reads about 75.4, HFCS-42 of 71 % about 69.6 (computed).
	whole, err := atc.True(75.44, 20, Only(HFCS55))
	half, err2 := atc.True(75.44, 20, makeups[4])
	if err != nil || err2 != nil || math.Abs(whole.Solids.Brix()-77) > 0.01 || math.Abs(whole.MakeupU.Brix()-0.119) > 0.001 ||
		math.Abs(half.MakeupAdded.Brix()/whole.MakeupAdded.Brix()-0.5) > 0.02 {
		t.Errorf("HFCS-55 %+v, %v; half invert %+v, %v", whole, err, half, err2)
	}
	// Warm and plain: beyond the rows seen.
	if f, err := plain.True(60, 28, Only(Sucrose)); err != nil || f.Mark != Beyond || f.TemperatureAdded <= 0 {
		t.Errorf("plain, 60 at 28 °C: %+v, %v", f, err)
	}
	// Plain water, read a hair low, is water; far too low it is refused.
	if f, err := atc.True(-0.1, 20, Only(Sucrose)); err != nil || f.Solids != 0 {
		t.Errorf("-0.1: %+v, %v", f, err)
	}
	var re *RangeError
	if _, err := atc.True(-1, 20, Only(Sucrose)); !errors.As(err, &re) || re.Field != "corrected reading" {
		t.Errorf("-1: %v", err)
	}
}

func TestRefractometerRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	if _, err := (Refractometer{Compensated: true}).TemperatureCorrection(60, 10); !errors.Is(err, ErrCompensated) ||
		!strings.Contains(err.Error(), "compensated (ATC)") {
		t.Errorf("correcting a compensated instrument: %v", err)
	}
	for _, c := range []struct {
		r      Refractometer
		b, deg float64
		text   string
	}{
		{Refractometer{}, 60, 4.9, "refractometer: temperature must be between 5 and 30 °C, is 4.9 °C"},
		{Refractometer{}, 60, 30.1, "refractometer: temperature must be between 5 and 30 °C, is 30.1 °C"},
		{Refractometer{}, 60, nan, "refractometer: temperature must be between 5 and 30 °C, is NaN °C"},
		{Refractometer{}, 95, 20, "refractometer: reading must be between -1.5 and 80 Brix, is 95 Brix"},
		{Refractometer{}, nan, 20, "refractometer: reading must be between -1.5 and 80 Brix, is NaN Brix"},
		{Refractometer{}, inf, 20, "refractometer: reading must be between -1.5 and 80 Brix, is +Inf Brix"},
		{Refractometer{Scale: IndexScale}, 60, 20, "refractometer: reading must be between 1.3309 and 1.4907 nD, is 60 nD"},
		{Refractometer{Compensated: true}, 60, inf, "refractometer: temperature must be between -5 and 50 °C, is +Inf °C"},
		{Refractometer{ReadingU: -1}, 60, 20, "refractometer: uncertainty of reading must be between 0 and 10 Brix, is -1 Brix"},
		{Refractometer{TempU: nan}, 60, 20, "refractometer: uncertainty of temperature must be between 0 and 10 K, is NaN K"},
	} {
		var re *RangeError
		if _, err := c.r.True(c.b, quantity.Temperature(c.deg), Only(HFCS42)); !errors.As(err, &re) || err.Error() != c.text {
			t.Errorf("%+v, %g at %g °C: %v, want %s", c.r, c.b, c.deg, err, c.text)
		}
	}
	for _, w := range []float64{-1, 78, nan} {
		var re *RangeError
		if _, err := (Refractometer{}).Shows(Syrup{Solids: quantity.FromBrix(w)}, 20); !errors.As(err, &re) || re.Field != "dry solids" {
			t.Errorf("shows of %g %%: %v", w, err)
		}
	}
}

func BenchmarkTrue(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		f, _ := Refractometer{}.True(65, 12, makeups[4])
		sink += float64(f.Solids)
	}
}
