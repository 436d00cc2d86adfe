package tote

import (
	"errors"
	"math"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
)

// TestLoad: 275 gal of 2:1 is 1381 kg and a tote 60 kg (golden row
// tote.liquid_mass, computed; supplier size guides, read). One supplier's guide
// lists about 2540 lb gross for such a tote (read): too much.
func TestLoad(t *testing.T) {
	const lb = quantity.Pound
	full := Mass(275*quantity.USGallon, 1327)
	w, err := Load(full, 8, Plate{Gross: 2540 * lb}, Trailer{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "gross", float64(w.Tote), 1441.4, 0.1)
	if len(w.Over) != 1 || w.Over[0].Rating != TotePlate || w.Over[0].MayBe || len(w.Missing) != 0 {
		t.Fatalf("%+v", w)
	}
	near(t, "too much", -float64(w.Room), 1441.4-1152.1, 0.1)
	near(t, "uncertainty: 8 kg and the tare's 6 kg", float64(w.U), 10, 1e-9)
	words := w.Words(quantity.US)
	if len(words) != 2 || words[0] != "The tote's plate: 3,178 lb, and it allows 2,540 lb: 638 lb too much." || words[1] != Defer {
		t.Errorf("%q", words)
	}
	for _, must := range []string{"plates", "weighbridge", "law", "licensed"} {
		if !strings.Contains(Defer, must) {
			t.Errorf("does not defer to %s", must)
		}
	}
}

func TestLoadTrailer(t *testing.T) {
	tr := Trailer{Described: true, Empty: 400, Other: 100, Gross: 2000, Axles: 1600, Tongue: 250}
	// tote 1000 + 60, trailer 500: 1560 in all; on axles at most 90 %, on the tongue at most 15 %
	w, err := Load(1000, 5, Plate{Empty: 60, Gross: 1500}, tr)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "all", float64(w.Trailer), 1560, 1e-9)
	near(t, "axles", float64(w.Axles), 1404, 1e-9)
	near(t, "tongue", float64(w.Tongue), 234, 1e-9)
	near(t, "room: the tongue's 16 kg at 15 %", float64(w.Room), 16/0.15, 1e-9)
	if len(w.Over) != 0 || len(w.Missing) != 0 || w.Words(quantity.SI) != nil || !w.HasRoom {
		t.Errorf("%+v", w)
	}
	// What fits by Room fits, and no more.
	for _, more := range []quantity.Mass{-0.01, 0.01} {
		again, err := Load(1000+w.Room+more, 0, Plate{Empty: 60, Gross: 1500}, tr)
		if err != nil || len(again.Over) != map[bool]int{false: 0, true: 1}[more > 0] {
			t.Errorf("%+v, %v", again, err)
		}
	}
	// Close to a rating is said to be close.
	w, _ = Load(1435, 5, Plate{Empty: 60, Gross: 1500}, Trailer{})
	if len(w.Over) != 1 || !w.Over[0].MayBe || !strings.Contains(w.Words(quantity.SI)[0], "too close") {
		t.Errorf("%+v", w)
	}
	// What nobody has entered is asked for.
	w, _ = Load(300, 5, Plate{}, Trailer{Described: true})
	if len(w.Missing) != 4 || w.HasRoom || len(w.Words(quantity.SI)) != 5 {
		t.Errorf("%+v", w)
	}
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		var e *Error
		if _, err := Load(quantity.Mass(bad), 0, Plate{}, Trailer{}); !errors.As(err, &e) || e.Field != "liquid" {
			t.Error(err)
		}
		if _, err := Load(1, 0, Plate{}, Trailer{OnTongue: bad}); !errors.As(err, &e) {
			t.Error(err)
		}
	}
}
