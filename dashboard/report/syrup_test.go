package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// What the report says is what is published; each row names its source and how
// it was come by.
func TestSyrupSaysWhatIsPublished(t *testing.T) {
	for _, row := range golden(t, "golden_syrup.csv") {
		t.Run(row[0]+" "+row[1]+" "+row[6], func(t *testing.T) {
			var pc, at float64
			var unit string
			if _, err := fmt.Sscanf(strings.NewReplacer("ds=", "", "w=", "", "%; T=", " ").Replace(row[1]), "%g %g%s", &pc, &at, &unit); err != nil {
				t.Fatal(err)
			}
			temp := quantity.Temperature(at)
			if unit == "F" {
				temp = quantity.FromFahrenheit(at)
			}
			s := SyrupSheet{Syrup: syrup.Syrup{Solids: quantity.FromBrix(pc)}, SolidsU: 0.001, Temp: temp, TempU: 0.5}
			what, kind, _ := strings.Cut(row[0], "_")
			switch kind {
			case "hfcs42":
				s.Syrup.Makeup = syrup.Only(syrup.HFCS42)
			case "hfcs55":
				s.Syrup.Makeup = syrup.Only(syrup.HFCS55)
			}
			var b bytes.Buffer
			if err := Syrup(&b, s, Options{Format: JSON}); err != nil {
				t.Fatal(err)
			}
			var d map[string]any
			if err := json.Unmarshal(b.Bytes(), &d); err != nil {
				t.Fatal(err)
			}
			got := d[map[string]string{"density": "density_kg_m3", "viscosity": "viscosity_mpa_s"}[what]].(float64)
			if row[3] == "lb/US gal" {
				got /= 0.45359237 / 3.785411784e-3
			}
			if want := parseFloat(t, row[2]); math.Abs(got-want) > parseFloat(t, row[4]) {
				t.Errorf("%v %s, want %v ± %s (%s)", got, row[3], want, row[4], row[5])
			}
		})
	}
}

func sheetOf(brix float64, t quantity.Temperature, m syrup.Makeup) SyrupSheet {
	return SyrupSheet{Syrup: syrup.Syrup{Makeup: m, Solids: quantity.FromBrix(brix)}, SolidsU: quantity.FromBrix(0.2 / math.Sqrt(3)), Temp: t, TempU: 1 / math.Sqrt(3)}
}

func TestSyrupGolden(t *testing.T) {
	read := sheetOf(0, 13, syrup.Only(syrup.HFCS55))
	f, err := syrup.Refractometer{}.True(62, 15, read.Syrup.Makeup)
	if err != nil {
		t.Fatal(err)
	}
	read.Syrup.Solids, read.SolidsU = f.Solids, f.U()
	read.Read, read.Reading, read.ReadTemp, read.Finding = true, 62, 15, f
	for name, s := range map[string]SyrupSheet{
		"syrup":       sheetOf(66.7, 13, syrup.Makeup{}),
		"syrup_blend": sheetOf(60, 25, syrup.Blend(syrup.Only(syrup.Sucrose), 2, syrup.Only(syrup.HFCS55), 1)),
		"syrup_read":  read,
	} {
		for ending, o := range map[string]Options{"txt": {Units: quantity.US}, "json": {Format: JSON}} {
			var b bytes.Buffer
			if err := Syrup(&b, s, o); err != nil {
				t.Fatal(err)
			}
			compare(t, name+"."+ending, b.Bytes())
		}
	}
}

func TestSyrupOutOfRange(t *testing.T) {
	var re *syrup.RangeError
	for _, s := range []SyrupSheet{sheetOf(78, 20, syrup.Makeup{}), sheetOf(60, 51, syrup.Makeup{}), sheetOf(60, -6, syrup.Makeup{}), sheetOf(math.NaN(), 20, syrup.Makeup{})} {
		var b bytes.Buffer
		if err := Syrup(&b, s, Options{}); !errors.As(err, &re) {
			t.Errorf("%+v: %v, want a range error", s.Syrup, err)
		}
		if b.Len() > 0 {
			t.Errorf("said something all the same: %s", b.String())
		}
	}
}

// The parts that are told combine to the ± that is told, and every syrup in range can be told.
func TestSyrupEverywhere(t *testing.T) {
	for _, m := range []syrup.Makeup{{}, syrup.Only(syrup.Invert), syrup.Only(syrup.HFCS42), syrup.Only(syrup.HFCS55), syrup.Blend(syrup.Makeup{}, 1, syrup.Only(syrup.Invert), 1)} {
		for brix := 0.0; brix <= 77; brix += 7 {
			for _, temp := range []quantity.Temperature{-5, 0, 12.5, 50} {
				var b bytes.Buffer
				if err := Syrup(&b, sheetOf(brix, temp, m), Options{Format: JSON}); err != nil {
					t.Fatalf("%v, %v Brix, %v: %v", m, brix, temp, err)
				}
				var d struct {
					U struct{ Formula, Brix, Temperature, All float64 } `json:"viscosity_relative_u"`
				}
				if err := json.Unmarshal(b.Bytes(), &d); err != nil {
					t.Fatal(err)
				}
				if got := math.Sqrt(d.U.Formula*d.U.Formula + d.U.Brix*d.U.Brix + d.U.Temperature*d.U.Temperature); math.Abs(got-d.U.All) > 3e-6 {
					t.Errorf("%v, %v Brix, %v: parts make %v, told is %v", m, brix, temp, got, d.U.All)
				}
				b.Reset()
				if err := Syrup(&b, sheetOf(brix, temp, m), Options{Units: quantity.US}); err != nil {
					t.Fatal(err)
				}
				if s := b.String(); strings.Contains(s, "–") || strings.Contains(s, "NaN") || !strings.Contains(s, LegalNote) {
					t.Errorf("%v, %v Brix, %v:\n%s", m, brix, temp, s)
				}
			}
		}
	}
}

// A recipe's golden: 16 lb of sugar and 1 gal of water make 2.21 gal of 65.8
// Brix, 11.026 lb/gal (computed with the same formula, so it checks the sums).
func TestMixGolden(t *testing.T) {
	r, err := mix.ParseRecipe("16 lb sugar + 1 gal water")
	if err != nil {
		t.Fatal(err)
	}
	b, err := r.Mix(20, mix.Usual)
	if err != nil {
		t.Fatal(err)
	}
	st, err := b.At(20, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	m := MixSheet{Title: "Syrup of 16 lb sugar + 1 gal water", Weigh: []Amount{{"16.0 lb sugar", 16 * quantity.Pound, 0}, {"1.0 gal water", 0, quantity.USGallon}}, State: st, Mass: b.Total().Mass(), Least: 0.64, Most: 0.67}
	for ending, o := range map[string]Options{"txt": {Units: quantity.US}, "json": {Format: JSON}} {
		var out bytes.Buffer
		if err := Mix(&out, m, o); err != nil {
			t.Fatal(err)
		}
		compare(t, "mix."+ending, out.Bytes())
		if ending == "txt" {
			for _, want := range []string{"65.8", "11.03  lb/gal", "2.21  gal"} {
				if !strings.Contains(out.String(), want) {
					t.Errorf("no %s in\n%s", want, out.String())
				}
			}
		}
	}
}

// Sentences run no wider than a terminal, and units stay with their numbers.
func TestWrap(t *testing.T) {
	var b strings.Builder
	wrap(&b, "  ", strings.Repeat("x 5 % ± 3 °C y ", 40))
	for _, l := range strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n") {
		if utf8.RuneCountInString(l) > lineWidth {
			t.Errorf("%d wide: %q", utf8.RuneCountInString(l), l)
		}
		if s := strings.TrimSpace(l); strings.HasPrefix(s, "%") || strings.HasPrefix(s, "°") || strings.HasSuffix(s, "±") {
			t.Errorf("torn: %q", l)
		}
	}
	b.Reset()
	wrap(&b, "", strings.Repeat("z", 200))
	if b.String() != strings.Repeat("z", 200)+"\n" {
		t.Errorf("a long word: %q", b.String())
	}
}
