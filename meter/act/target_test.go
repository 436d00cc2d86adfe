package act

import (
	"encoding/json"
	"errors"
	"math"
	"testing"
)

func TestTarget(t *testing.T) {
	for _, c := range []struct {
		text      string
		each, kg  float64
		wrongRule bool
	}{
		{"6 gal", 6 * 3.785411784, 0, false}, // exact: NIST Special Publication 811 (2008), appendix B.8
		{"22 L", 22, 0, false},
		{"40 lb", 0, 40 * 0.45359237, false}, // exact: the same
		{"18 kg", 0, 18, false},
		{"6", 0, 0, true}, {"", 0, 0, true}, {"6 ft", 0, 0, true}, {"0 gal", 0, 0, true}, {"-1 kg", 0, 0, true}, {"200 gal", 0, 0, true}, {"NaN L", 0, 0, true},
	} {
		got, err := ParseTarget("mill", c.text)
		var field *FieldError
		if c.wrongRule {
			if !errors.As(err, &field) || field.Field != "season" || got != (Target{}) {
				t.Errorf("%q: %+v, %v", c.text, got, err)
			}
			continue
		}
		if err != nil || got.Yard != "mill" || math.Abs(got.EachL-c.each) > 1e-6 || math.Abs(got.SugarKg-c.kg) > 1e-6 {
			t.Errorf("%q: %+v, %v", c.text, got, err)
		}
		if err := got.Check(); err != nil {
			t.Errorf("%q: %v", c.text, err)
		}
		a := Act{ID: "a", Rig: "heron", Who: "wren", When: 1, From: 2, Body: got}
		data, err := json.Marshal(a)
		var back Act
		if err == nil {
			err = json.Unmarshal(data, &back)
		}
		if err != nil || back.Body != a.Body {
			t.Errorf("%s comes back as %+v, %v", data, back, err)
		}
	}
	for _, bad := range []Target{{EachL: 1, SugarKg: 1}, {EachL: -1}, {SugarKg: 501}, {EachL: math.NaN()}} {
		if bad.Check() == nil {
			t.Errorf("%+v is let pass", bad)
		}
	}
	if (Target{}).Check() != nil {
		t.Error("a target cannot be taken away")
	}
	if a, b := Subject(Target{Yard: "mill"}), Subject(Target{}); a == b || a == "" || b == "" {
		t.Errorf("subjects %q and %q", a, b)
	}
}
