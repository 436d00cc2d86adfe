package main

import (
	"errors"
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
)

// A whole simulated night teaches the tote's strapping: what lies between two
// levels is what the simulated tote truly holds there. Kept, levels are read by
// it, and it says whose error it shares.
func TestStrap(t *testing.T) {
	n := playNight(t, rigsim.DemoNight())
	data := filepath.Join(t.TempDir(), "data")
	n.importTo(t, data)
	b, err := openLocal(data, "", false)
	if err != nil {
		t.Fatal(err)
	}
	v, err := b.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	l, meterU, err := v.LearnTote(0)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	straps := l.Table.Straps()
	low, high := straps[0], straps[len(straps)-1]
	truth := func(level float64) float64 { // m³, between the simulated tote's own lines
		lines := n.Tote.Straps(2000)
		for i := 1; i < len(lines); i++ {
			if a, z := lines[i-1], lines[i]; float64(z.Level) >= level {
				part := (level - float64(a.Level)) / float64(z.Level-a.Level)
				return a.Volume.CubicMetres() + part*(z.Volume-a.Volume).CubicMetres()
			}
		}
		return math.NaN()
	}
	got := (high.Volume - low.Volume).CubicMetres()
	want := truth(float64(high.Level)) - truth(float64(low.Level))
	if high.Level-low.Level < 0.1 || math.Abs(got/want-1) > 0.03 || meterU <= 0 {
		t.Errorf("from %v to %v: %v m³ learnt, %v m³ truly", low.Level, high.Level, got, want)
	}

	out, errs, code := tell("strap", "-data", data, "-units", "SI")
	if code != 0 || errs != "" || !strings.Contains(out, "Learnt from the meter: the table shares the meter's error.") || !strings.HasSuffix(out, "Nothing was kept: -keep keeps it.\n") {
		t.Errorf("code %d: %s%s", code, out, errs)
	}
	if out, _, code := tell("strap", "-data", data, "-keep"); code != 0 || !strings.HasSuffix(out, "Kept: from now on levels are read by this table.\n") {
		t.Errorf("kept: code %d: %s", code, out)
	}
	if out, _, _ := tell("acts", "-data", data); !strings.Contains(out, "strapping learnt from the meter") {
		t.Errorf("acts:\n%s", out)
	}
	b, err = openLocal(data, "", false)
	if err != nil {
		t.Fatal(err)
	}
	acts, err := b.Acts(t.Context())
	if err = errors.Join(err, b.Close()); err != nil {
		t.Fatal(err)
	}
	kept := acts[len(acts)-1].Body.(act.Tote)
	if kept.LearntU != meterU || len(kept.Straps) != len(straps) || kept.SensorM != float64(n.Tote.Sensor) {
		t.Errorf("kept %+v", kept)
	}

	// Without its only proving nothing of the night has a volume.
	id := ""
	for i := range acts {
		if _, ok := acts[i].Body.(act.Proving); ok {
			id = acts[i].ID
		}
	}
	if out, errs, code := tell("undo", "-data", data, "-units", "SI", id); code != 0 || !regexp.MustCompile(`(?m)^Metered in all: 12\d\.\d\d L before, 0\.00 L now\.$`).MatchString(out) {
		t.Errorf("undo: code %d: %s%s", code, out, errs)
	}

	for _, c := range []struct {
		args []string
		code int
		text string
	}{
		{[]string{"-since", "October"}, 2, `-since: must be a date like 2026-10-09, is "October"`},
		{[]string{"-units", "imperial"}, 2, `-units: must be US or SI, is "imperial"`},
		{[]string{"-since", "2027-01-01"}, 1, "the levels at rest do not tell: steps: "},
	} {
		if _, errs, code := tell(append([]string{"strap", "-data", data}, c.args...)...); code != c.code || !strings.Contains(errs, c.text) {
			t.Errorf("%v: code %d, %q", c.args, code, errs)
		}
	}
}
