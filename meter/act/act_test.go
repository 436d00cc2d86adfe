package act

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
)

func aTote() Tote {
	return Tote{Name: "tote", CapacityL: 1041, SensorM: 1.1, UnusableL: 20, Straps: []Strap{{LevelM: 0, VolumeL: 0}, {LevelM: 1, VolumeL: 1000}}}
}

func yard() Yard {
	return Yard{ID: "orchard", Name: "Orchard End", Lat: 43.2, Lon: -91.9, EnterM: 120, LeaveM: 200, Colonies: 24, FillL: 3.785}
}

var bodies = []Body{
	DefaultRig, aTote(), yard(),
	Proving{PulsesPerL: 100}, Proving{Pulses: 950, NetKg: 11.5, Brix: 60, TempC: 18},
	Proving{Pulses: 950, NetKg: 11.5, Mass: true, TempC: 18, Seconds: 90, DoneNS: 1_791_588_000_000_000_001, Fresh: true, ScaleStepKg: 0.005, TempWithin: 2},
	Meter{Type: "turbine", Body: "acetal", Repeat: 0.2, DueDays: 90},
	Batch{Syrup: "sucrose", Brix: 66.7},
	Batch{Syrup: "blend", Shares: map[string]float64{"sucrose": 2, "hfcs-55": 1}, Reading: 61, ReadC: 12, BrixWithin: 0.5},
	Line{}, aLine(),
	Assign{Session: 7, First: 100, Last: 480, Yard: "mill"},
	Undo{Act: "a1"},
	Fix{Boot: "2", MonoNS: 5, UTC: 1_791_588_000_000_000_001, By: "phone"},
	Unknown{Name: "skipped", Raw: json.RawMessage(`{"colony":7,"why":["dead"]}`)},
}

func TestJSON(t *testing.T) {
	for _, b := range bodies {
		for _, from := range []int64{0, 1_791_580_000_000_000_003} {
			a := Act{ID: "x1", Rig: "heron", Who: "wren", When: 1_791_588_000_123_456_789, From: from, Body: b}
			if err := a.Check(); err != nil {
				t.Errorf("%s: %v", b.Kind(), err)
			}
			data, err := json.Marshal(a)
			if err != nil {
				t.Fatal(err)
			}
			var back Act
			if err := json.Unmarshal(data, &back); err != nil || !reflect.DeepEqual(a, back) {
				t.Errorf("%s: %+v became %+v (%v) by way of %s", b.Kind(), a, back, err, data)
			}
		}
	}
	if _, err := json.Marshal(Act{ID: "x"}); err == nil {
		t.Error("an act without a body was written")
	}
}

func TestCheck(t *testing.T) {
	steep := aTote()
	steep.Straps = []Strap{{}, {LevelM: 0.5, VolumeL: 500}, {LevelM: 0.5, VolumeL: 600}}
	short := aTote()
	short.Straps = short.Straps[:1]
	deep := aTote()
	deep.UnusableL = 2000
	small := yard()
	small.EnterM = 1
	inside := yard()
	inside.LeaveM = 100
	noID := yard()
	noID.ID = ""
	for _, tc := range []struct {
		name  string
		b     Body
		field string
		text  string
	}{
		{"wrap", Rig{WrapBits: 24, QuietS: 2, MostLPM: 100}, "wrap_bits", "must be 16 or 32, is 24"},
		{"quiet", Rig{WrapBits: 16, QuietS: 0.1, MostLPM: 100}, "quiet_s", "must be between 0.5 and 60, is 0.1"},
		{"not a number", Rig{WrapBits: 16, QuietS: math.NaN(), MostLPM: 100}, "quiet_s", "is NaN"},
		{"most", Rig{WrapBits: 16, QuietS: 2}, "most_l_per_min", "is 0"},
		{"one strap", short, "straps", "at least two lines, is 1"},
		{"steep straps", steep, "straps[2]", "must rise"},
		{"more unusable than there is", deep, "unusable_l", "between 0 and 1041"},
		{"small radius", small, "enter_m", "is 1"},
		{"leaves before it enters", inside, "leave_m", "between 120 and 10000, is 100"},
		{"no id", noID, "id", "must not be empty"},
		{"both provings", Proving{PulsesPerL: 100, NetKg: 5}, "pulses_per_l", "beside a bucket test"},
		{"no proving", Proving{}, "pulses_per_l", "is 0"},
		{"bucket without weight", Proving{Pulses: 500, Brix: 60}, "net_kg", "is 0"},
		{"syrup", Batch{Syrup: "honey", Brix: 50}, "syrup", `is "honey"`},
		{"brix", Batch{Syrup: "sucrose", Brix: 78}, "brix", "between 0 and 77, is 78"},
		{"syrup without a name", Batch{Brix: 50}, "syrup", "must be \"sucrose\""},
		{"shares of one kind", Batch{Syrup: "invert", Brix: 50, Shares: map[string]float64{"invert": 1}}, "shares", "only with syrup"},
		{"shares of nothing", Batch{Syrup: "blend", Brix: 50, Shares: map[string]float64{"invert": 0}}, "shares.invert", "above 0"},
		{"Brix and reading", Batch{Syrup: "sucrose", Brix: 50, Reading: 50, Compensated: true}, "reading", "beside brix"},
		{"a batch of before", Batch{Syrup: "sucrose", Brix: 50, MadeNS: -1}, "made_ns", "must be 0 or after 1970, is -1"},
		{"a cold reading that is to be corrected", Batch{Syrup: "sucrose", Reading: 50, ReadC: 1}, "reading_temp_c", "must be between 5 and 30, is 1"},
		{"meter", Meter{Type: "coriolis"}, "type", "oval gear"},
		{"meter's body", Meter{Type: "turbine", Body: "glass"}, "body", "steel"},
		{"meter's scatter", Meter{Type: "turbine", Repeat: 11}, "repeat_pct", "is 11"},
		{"mass and Brix", Proving{Pulses: 900, NetKg: 9, Brix: 60, Mass: true}, "mass", "beside brix"},
		{"proving's syrup", Proving{Pulses: 900, NetKg: 9, Brix: 60, Syrup: "honey"}, "syrup", "honey"},
		{"empty interval", Assign{First: 5, Last: 5}, "last", "more than first, is 5"},
		{"undo of nothing", Undo{}, "act", "must name"},
		{"boot without an id", Fix{}, "boot", "empty"},
	} {
		a := Act{ID: "x", Rig: "heron", Body: tc.b}
		err := a.Check()
		var fe *FieldError
		if !errors.As(err, &fe) || fe.Field != tc.field || !strings.Contains(err.Error(), tc.text) {
			t.Errorf("%s: %v, want %s: %s", tc.name, err, tc.field, tc.text)
		}
	}
	for field, a := range map[string]Act{"id": {Rig: "r", Body: Undo{"a"}}, "rig": {ID: "i", Body: Undo{"a"}}, "body": {ID: "i", Rig: "r"}} {
		if err := a.Check(); err == nil || !strings.Contains(err.Error(), field) {
			t.Errorf("without %s: %v", field, err)
		}
	}
}

func TestStanding(t *testing.T) {
	say := func(id string, when int64, b Body) Act { return Act{ID: id, Rig: "heron", When: when, Body: b} }
	a, b := say("a", 1, Batch{Syrup: "sucrose", Brix: 50}), say("b", 2, Batch{Syrup: "sucrose", Brix: 60})
	for _, tc := range []struct {
		name string
		in   []Act
		want string
	}{
		{"all", []Act{a, b}, "ab"},
		{"undone", []Act{a, b, say("u", 3, Undo{"a"})}, "b"},
		{"undo undone", []Act{a, b, say("u", 3, Undo{"a"}), say("v", 4, Undo{"u"})}, "ab"},
		{"undo of an undo undone", []Act{a, b, say("u", 3, Undo{"a"}), say("v", 4, Undo{"u"}), say("w", 5, Undo{"v"})}, "b"},
		{"undone twice", []Act{a, b, say("u", 3, Undo{"a"}), say("v", 4, Undo{"a"}), say("w", 5, Undo{"u"})}, "b"},
		{"undo of what nobody said", []Act{a, say("u", 3, Undo{"zz"})}, "a"},
		{"undo said before", []Act{b, say("u", 1, Undo{"b"})}, "b"},
		{"undo of itself", []Act{a, say("u", 3, Undo{"u"})}, "a"},
		{"the same act twice", []Act{a, a, b}, "ab"},
		{"unknown kinds stay", []Act{a, say("k", 3, Unknown{Name: "later"})}, "ak"},
	} {
		for seed := range uint64(20) {
			in := append([]Act(nil), tc.in...)
			rand.New(rand.NewPCG(seed, 0)).Shuffle(len(in), func(i, j int) { in[i], in[j] = in[j], in[i] })
			got := ""
			for _, x := range Standing(in) {
				got += x.ID
			}
			if got != tc.want {
				t.Errorf("%s: %q stand, want %q", tc.name, got, tc.want)
			}
		}
	}
	later := a
	later.ID, later.From = "c", 9
	if got := Standing([]Act{later, b}); got[0].ID != "b" || got[1].ID != "c" {
		t.Error("acts do not come in order of From")
	}
}

// Whatever comes in is refused or comes out as it went in.
func FuzzUnmarshalJSON(f *testing.F) {
	for _, b := range bodies {
		data, err := json.Marshal(Act{ID: "x", Rig: "heron", Who: "wren", When: 1, From: 2, Body: b})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte(`{"id":"x","kind":"undo","body":null,"when":"2026-10-09T21:30:00Z"}`))
	f.Add([]byte(`{"id":"x","kind":"later","when":"0001-01-01T00:00:00Z"}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		var a, b Act
		if json.Unmarshal(data, &a) != nil {
			return
		}
		_ = a.Check()
		out, err := json.Marshal(a)
		if err != nil {
			t.Fatalf("%s was read and cannot be written: %v", data, err)
		}
		if err := json.Unmarshal(out, &b); err != nil {
			t.Fatalf("%s was written and cannot be read: %v", out, err)
		}
		again, err := json.Marshal(b)
		if err != nil || string(again) != string(out) {
			t.Fatalf("%s became %s (%v)", out, again, err)
		}
	})
}
