package main

import (
	"bytes"
	"regexp"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// tell runs a command and returns what it said and its exit code.
func tell(args ...string) (out, errs string, code int) {
	var o, e bytes.Buffer
	code = Main(args, &env{strings.NewReader(""), &o, &e})
	return o.String(), e.String(), code
}

func TestActsAndUndo(t *testing.T) {
	data := t.TempDir()
	b, err := openLocal(data, "heron", true)
	if err != nil {
		t.Fatal(err)
	}
	say := func(id string, when, from int64, body act.Body) {
		t.Helper()
		if _, err := b.AddActs(t.Context(), act.Act{ID: id, Rig: "heron", Who: "wren", When: when, From: from, Body: body}); err != nil {
			t.Fatal(err)
		}
	}
	say("0aaaaa1111112222", 1_790_000_000e9, 0, act.Proving{PulsesPerL: 36, Note: "label"})
	say("0bbbbb1111112222", 1_790_000_001e9, 0, act.Proving{Pulses: 543, NetKg: 20, Brix: 66.7, TempC: 20, DoneNS: 1_790_000_000e9})
	say("0bbbbb3333332222", 1_790_000_002e9, 1_790_000_000e9, act.Proving{Pulses: 553, NetKg: 20, Brix: 66.7, TempC: 20, DoneNS: 1_790_000_000e9, Fresh: true})
	say("0ccccc1111112222", 1_790_000_003e9, 0, act.Batch{Syrup: "blend", Shares: map[string]float64{"sucrose": 2, "hfcs-55": 1}, Brix: 60})
	say("0ddddd1111112222", 1_790_000_004e9, 0, act.Yard{ID: "larch", Name: "Larch Bank", Lat: 43.195, Lon: -91.88, EnterM: 60, LeaveM: 96, Colonies: 9})
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	list := func(args ...string) string {
		t.Helper()
		out, errs, code := tell(append([]string{"acts", "-data", data}, args...)...)
		if code != 0 || errs != "" {
			t.Fatalf("code %d, %s", code, errs)
		}
		return out
	}
	out := list("-units", "SI")
	for _, want := range []string{
		"0aaaaa111111  said 2026-09-21 14:13 by wren, holds since ever\n    proving: K-factor 36 pulses/L, label\n",
		"0bbbbb333333  said 2026-09-21 14:13 by wren, holds from 2026-09-21 14:13\n    proving: 553 pulses, 20.0 kg of 66.7 Brix at 20 °C, the meter fresh\n",
		"    batch: 1 hfcs-55 + 2 sucrose at 60 Brix\n",
		"    yard: larch (Larch Bank) at 43.19500, -91.88000, 9 colonies\n",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("the list lacks %q:\n%s", want, out)
		}
	}
	if strings.Contains(out, "0bbbbb111111") {
		t.Error("what was said again is listed as counting")
	}
	if all := list("-all", "-units", "SI"); !strings.Contains(all, "0bbbbb111111  said 2026-09-21 14:13 by wren, holds since ever, no longer counts\n") {
		t.Errorf("all:\n%s", all)
	}

	// Taken back, and the one it had replaced counts again.
	out, errs, code := tell("undo", "-data", data, "-units", "SI", "0bbbbb33", "-who", "wren")
	if code != 0 || out != "Taken back: proving: 553 pulses, 20.0 kg of 66.7 Brix at 20 °C, the meter fresh\n" {
		t.Errorf("code %d: %q %q", code, out, errs)
	}
	out = list("-units", "SI")
	if strings.Contains(out, "0bbbbb333333  said") || !strings.Contains(out, "0bbbbb111111  said") {
		t.Errorf("after the undo:\n%s", out)
	}
	undo := regexp.MustCompile(`(?m)^([0-9a-f]{12})  said .* by wren\n    undo: of act 0bbbbb333333$`).FindStringSubmatch(out)
	if undo == nil {
		t.Fatalf("the undo is not listed:\n%s", out)
	}
	// And the undo taken back.
	if out, errs, code := tell("undo", "-data", data, undo[1]); code != 0 || out != "Taken back: undo: of act 0bbbbb333333\n" {
		t.Errorf("code %d: %q %q", code, out, errs)
	}
	if out := list(); !strings.Contains(out, "0bbbbb333333  said") || strings.Contains(out, undo[1]+"  said") {
		t.Errorf("after the undo of the undo:\n%s", out)
	}
	if lines := strings.Count(list("-json", "-all"), "\n"); lines != 7 {
		t.Errorf("%d acts as JSON, want 7", lines)
	}

	for _, c := range []struct {
		args []string
		code int
		text string
	}{
		{[]string{"undo"}, 2, `ACT: must be the id of an act, as "yardtally acts" lists it`},
		{[]string{"undo", "0bbb"}, 1, `ACT: must be the id of an act, or its first 6 letters at least, is "0bbb"`},
		{[]string{"undo", "0eeeee"}, 1, `is "0eeeee"`},
		{[]string{"undo", "0bbbbb"}, 1, `ACT: must name one act only, and "0bbbbb" begins several`},
		{[]string{"undo", undo[1]}, 1, `ACT: must not be taken back already`},
		{[]string{"undo", "0aaaaa1", "-units", "imperial"}, 2, `-units: must be US or SI, is "imperial"`},
		{[]string{"acts", "-units", "imperial"}, 2, `-units: must be US or SI, is "imperial"`},
	} {
		args := append([]string{c.args[0], "-data", data}, c.args[1:]...)
		if _, errs, code := tell(args...); code != c.code || !strings.Contains(errs, c.text) {
			t.Errorf("%v: code %d, %q; want %d, %q", c.args, code, errs, c.code, c.text)
		}
	}
}

// Every kind of act is said in words of its own.
func TestSayAct(t *testing.T) {
	zone := time.FixedZone("", -5*3600)
	at := act.Moment{NS: 1_791_589_261e9} // 2026-10-09 23:41:01 UTC
	for want, b := range map[string]act.Body{
		"rig: a fill ends after 2.5 s of quiet, less than 0.1 gal is a dribble, zone UTC": act.DefaultRig,
		"tote: one of 275.0 gal, strapping learnt from the meter":                         act.Tote{Name: "one", CapacityL: 275 * 3.785411784, LearntU: 0.002},
		"meter: turbine": act.Meter{Type: "turbine"},
		"proving: 500 pulses, 22.0 lb, by mass at 68 °F, kitchen scale":         act.Proving{Pulses: 500, NetKg: 10, Mass: true, TempC: 20, Note: "kitchen scale"},
		"batch: hfcs-55 that a refractometer read as 75.4 Brix":                 act.Batch{Syrup: "hfcs-55", Reading: 75.4},
		"assign: pulses 5 to 9 of session 7 to yard mill":                       act.Assign{Session: 7, First: 5, Last: 9, Yard: "mill"},
		"deem: pulses 5 to 9 of session 7 as priming":                           act.Deem{Session: 7, First: 5, Last: 9, As: act.AsPriming},
		"cut: after pulse 8 of session 7":                                       act.Cut{Session: 7, At: 8},
		"visit: begins at 2026-10-09 18:41:01":                                  act.Visit{At: at},
		"visit: what begins at 2026-10-09 18:41:01 goes on with the one before": act.Visit{At: at, Goes: true},
		"arrive: in yard mill at 2026-10-09 18:41:01":                           act.Arrive{At: at, Yard: "mill"},
		"arrive: left at 2026-10-09 18:41:01":                                   act.Arrive{At: at},
		"arrive: left at a moment of boot b7":                                   act.Arrive{At: act.Moment{Boot: "b7", MonoNS: 5}},
		"drained: the hose, at 2026-10-09 18:41:01":                             act.Drained{At: at},
		"break: from 2026-10-09 18:41:01":                                       act.Break{At: at},
		"break: over at 2026-10-09 18:41:01":                                    act.Break{At: at, Over: true},
		"colony: one skipped, at 2026-10-09 18:41:01":                           act.Colony{At: at, What: act.Skipped},
		"colony: 3 dead in yard mill, at 2026-10-09 18:41:01":                   act.Colony{At: at, What: act.Dead, N: 3, Yard: "mill"},
		"colony: number 7 dead, at 2026-10-09 18:41:01":                         act.Colony{At: at, What: act.Dead, Number: 7},
		"colony: one with two feeders, at 2026-10-09 18:41:01":                  act.Colony{At: at, What: act.TwoFeeders, N: 1},
		"colony: all told in yard mill, at 2026-10-09 18:41:01":                 act.Colony{At: at, What: act.AllTold, Yard: "mill"},
		"colony: 2 share the fill before, at 2026-10-09 18:41:01":               act.Colony{At: at, What: act.Shared, N: 2},
		"colonies: 24 in yard mill":                                             act.Colonies{Yard: "mill", Count: 24},
		"colonies: 0 in yard mill, to get 1.00 gal each":                        act.Colonies{Yard: "mill", FillL: 3.785411784},
		"route: mill, orchard":                                                  act.Route{Yards: []string{"mill", "orchard"}},
		"route: none":                                                           act.Route{},
		"fix: the clock of boot b7 by phone":                                    act.Fix{Boot: "b7", By: "phone"},
		"skipped: of a later version":                                           act.Unknown{Name: "skipped"},
	} {
		if got := sayAct(b, quantity.US, zone, ""); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
