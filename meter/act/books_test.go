package act

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"yardtally/calibrate/syrup"
)

func someBags() Goods { return Goods{Kind: "sugar", Bags: 8, BagKg: 25} }

var entries = []Body{
	Purchase{Goods: someBags(), Price: 120.5, Lot: "L7"},
	Purchase{Goods: Goods{Kind: "hfcs-55", L: 200, TempC: 25, Brix: 76.8, WithinPct: 3, BrixWithin: 0.3}},
	Count{Goods: Goods{Kind: "invert", Kg: 80, Brix: 72}, Price: 90}, Count{Goods: Goods{Kind: "sugar"}, Empty: true}, Count{Goods: Goods{Kind: "invert"}, Empty: true},
	Mix{Name: "first", Tote: "two", Parts: []Goods{someBags(), {Kind: "hfcs-42", Kg: 20}}, WaterL: 100, WaterWithinPct: 1, Reading: 64, ReadC: 18, BrixWithin: 0.3,
		TempC: 30, VolumeL: 240, VolumeWithinL: 5, Unstirred: true, Before: &Content{L: 30, WithinL: 4}},
	Mix{Parts: []Goods{someBags()}, Brix: 60}, Mix{Parts: []Goods{{Kind: "hfcs-55", L: 300}}},
	Transfer{FromTote: "two", L: 300, WithinL: 10, Before: &Content{}}, Transfer{ToTote: "two", All: true},
	Swap{Tote: "two"}, Water{L: 20, Unstirred: true, Before: &Content{L: 90}}, Water{Tote: "two", Kg: 20, WithinPct: 5},
	Stirred{}, Stirred{Tote: "two", Reading: 61, Compensated: true, BrixWithin: 0.4}, Rinse{L: 40, WithinL: 3},
	Lost{L: 20, Why: Spilled}, Lost{Goods: &Goods{Kind: "sugar", Kg: 3}, Why: Spoiled},
	Fed{Goods: &Goods{Kind: "sugar", Kg: 12}, Yard: "larch", Colonies: 12, Note: "on paper"}, Fed{Tote: "two", L: 15, Yard: "mill"},
	Contents{L: 0}, Contents{Tote: "two", L: 300, WithinL: 10},
	Statement{Number: 3, FromNS: 5, ToNS: 6, Title: "autumn", Figures: json.RawMessage(`{"litres":5}`)},
}

func TestEntries(t *testing.T) {
	kinds := make(map[string]bool)
	for _, b := range entries {
		a := Act{ID: "x1", Rig: "heron", Who: "wren", When: 1_791_588_000_123_456_789, From: 1_791_580_000_000_000_003, Body: b, Replaces: []string{"x0"}}
		if err := a.Check(); err != nil {
			t.Errorf("%#v: %v", b, err)
		}
		data, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		var back Act
		if err := json.Unmarshal(data, &back); err != nil || !reflect.DeepEqual(a, back) {
			t.Errorf("%+v became %+v (%v) by way of %s", a, back, err, data)
		}
		if !OfBooks(back.Body) || OfAlarms(back.Body) {
			t.Errorf("%s: not taken for an entry", data)
		}
		kinds[b.Kind()] = true
	}
	if len(kinds) != 12 {
		t.Errorf("kinds: %v", slices.Sorted(maps.Keys(kinds)))
	}
	for _, b := range bodies {
		if OfBooks(b) {
			t.Errorf("%s: taken for an entry", b.Kind())
		}
	}
}

func TestEntriesCheck(t *testing.T) {
	mixed := func(change func(*Mix)) Mix {
		m := Mix{Parts: []Goods{someBags()}, WaterKg: 100}
		change(&m)
		return m
	}
	for _, c := range []struct {
		b     Body
		field string
		text  string
	}{
		{Purchase{Goods: Goods{Kind: "honey", Kg: 5}}, "kind", `must be "sugar", "hfcs-42", "hfcs-55" or "invert", is "honey"`},
		{Purchase{Goods: Goods{Kind: "sugar"}}, "kg", "exactly one of the three, is 0 of them"},
		{Purchase{Goods: Goods{Kind: "sugar", Kg: 5, Bags: 3, BagKg: 25}}, "kg", "exactly one of the three, is 2 of them"},
		{Purchase{Goods: Goods{Kind: "sugar", Bags: 3}}, "bag_kg", "must be said where bags are, kg, is 0"},
		{Purchase{Goods: Goods{Kind: "sugar", Kg: 3, BagKg: 25}}, "bags", "must be said where bag_kg is, is 0"},
		{Purchase{Goods: Goods{Kind: "sugar", Bags: 90000, BagKg: 1000}}, "bags", "must be 500000 kg at most in all, is 9e+07"},
		{Purchase{Goods: Goods{Kind: "sugar", L: 5}}, "l", "must not be said of sugar"},
		{Purchase{Goods: Goods{Kind: "sugar", Kg: 5, Brix: 66}}, "brix", "must be between 90 and 100, is 66"},
		{Purchase{Goods: Goods{Kind: "invert", Kg: 5}}, "brix", "must be said of invert: there is no usual, is 0"},
		{Purchase{Goods: Goods{Kind: "hfcs-55", Kg: 5, Brix: 80}}, "brix", "must be between 1 and 77, is 80"},
		{Purchase{Goods: Goods{Kind: "sugar", Kg: -5}}, "kg", "must be between 0 and 500000, is -5"},
		{Purchase{Goods: Goods{Kind: "sugar", Kg: math.NaN()}}, "kg", "is NaN"},
		{Purchase{Goods: Goods{Kind: "sugar", Kg: 5, WithinPct: 30}}, "within_pct", "must be between 0 and 20, is 30"},
		{Purchase{Goods: someBags(), Price: -1}, "price", "is -1"},
		{Purchase{Goods: someBags(), Lot: strings.Repeat("x", 201)}, "lot", "must be 200 bytes at most, is 201"},
		{Count{Goods: someBags(), Empty: true}, "empty", "must not stand beside an amount, is 8"},
		{Count{Goods: Goods{Kind: "honey"}, Empty: true}, "kind", `is "honey"`},
		{Count{Goods: Goods{Kind: "sugar"}}, "kg", "is 0 of them"},
		{Mix{WaterKg: 100}, "parts", "must be between 1 and 16, is 0"},
		{mixed(func(m *Mix) { m.Parts = make([]Goods, 17) }), "parts", "is 17"},
		{mixed(func(m *Mix) { m.Parts = append(m.Parts, Goods{Kind: "hfcs-42"}) }), "parts[1].kg", "is 0 of them"},
		{mixed(func(m *Mix) { m.WaterL = 5 }), "water_l", "must not stand beside water_kg, is 5"},
		{mixed(func(m *Mix) { m.WaterKg = 0 }), "water_kg", "must be said, or water_l, or what brix it came to, is 0"},
		{mixed(func(m *Mix) { m.Brix, m.Reading = 60, 61 }), "reading", "must not stand beside brix, is 61"},
		{mixed(func(m *Mix) { m.Brix = 80 }), "brix", "must be between 0 and 77, is 80"},
		{mixed(func(m *Mix) { m.Reading, m.ReadC = 50, 1 }), "reading_temp_c", "must be between 5 and 30, is 1"},
		{mixed(func(m *Mix) { m.TempC = 80 }), "temp_c", "must be between -5 and 50, is 80"},
		{mixed(func(m *Mix) { m.Before = &Content{L: -1} }), "before.l", "is -1"},
		{Transfer{FromTote: "two"}, "l", "must be above 0, or all must be said, is 0"},
		{Transfer{FromTote: "two", ToTote: "two", L: 5}, "to_tote", `must be another than from_tote, is "two"`},
		{Swap{}, "tote", `must name the tote that stands on the rig now, is ""`},
		{Water{}, "kg", "exactly one of the two, is 0"},
		{Water{Kg: 5, L: 5}, "kg", "exactly one of the two, is 5"},
		{Stirred{Brix: 60, Reading: 60}, "reading", "must not stand beside brix"},
		{Rinse{}, "l", "must be above 0, is 0"},
		{Lost{L: 5, Why: "gone"}, "why", `must be "spilled", "dumped", "spoiled" or "leaked", is "gone"`},
		{Lost{Why: Dumped}, "l", "must be above 0, is 0"},
		{Lost{Goods: &Goods{Kind: "sugar", Kg: 5}, L: 5, Why: Dumped}, "l", "must not stand beside goods, is 5"},
		{Lost{Goods: &Goods{Kind: "sugar", Kg: 5}, Tote: "two", Why: Dumped}, "tote", `must not stand beside goods, which are in the store, is "two"`},
		{Fed{L: 5}, "yard", "must not be empty"},
		{Fed{L: 5, Yard: "mill", Colonies: -1}, "colonies", "is -1"},
		{Fed{Goods: &Goods{Kind: "sugar"}, Yard: "mill"}, "goods.kg", "is 0 of them"},
		{Contents{L: -1}, "l", "must be between 0 and 1e+06, is -1"},
		{Statement{FromNS: 1, ToNS: 2, Figures: json.RawMessage("1")}, "number", "is 0"},
		{Statement{Number: 1, FromNS: 2, ToNS: 2, Figures: json.RawMessage("1")}, "to_ns", "must be after from_ns, is 2"},
		{Statement{Number: 1, ToNS: 2, Figures: json.RawMessage("{")}, "figures", "must be JSON"},
		{Statement{Number: 1, ToNS: 2}, "figures", "must be JSON"},
	} {
		a := Act{ID: "x", Rig: "heron", Body: c.b}
		err := a.Check()
		var fe *FieldError
		if !errors.As(err, &fe) || fe.Field != c.field || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%#v: %v, want %s: %s", c.b, err, c.field, c.text)
		}
	}
}

// What amounts come to. HFCS-55 of 77 % weighs 11.542 lb a US gallon at 70 °F and
// is sold so, HFCS-42 at 71 % (A.W. Buck, HFCS chapter in Alternative Sweeteners,
// Table 5, read); the rest is arithmetic.
func TestGoods(t *testing.T) {
	for _, c := range []struct {
		g              Goods
		solids, water  float64 // kg
		k              syrup.Kind
		within, tolKgs float64
	}{
		{someBags(), 200, 0, syrup.Sucrose, 0.005, 1e-9},
		{Goods{Kind: "sugar", Kg: 50, Brix: 99.9}, 49.95, 0.05, syrup.Sucrose, 0.01, 1e-9},
		{Goods{Kind: "hfcs-42", Kg: 100}, 71, 29, syrup.HFCS42, 0.01, 1e-9},
		{Goods{Kind: "hfcs-55", L: 378.5411784, TempC: 21.11}, 1154.2 * 0.45359237 * 0.77, 1154.2 * 0.45359237 * 0.23, syrup.HFCS55, 0.02, 0.2},
		{Goods{Kind: "invert", Kg: 10, Brix: 70, WithinPct: 4}, 7, 3, syrup.Invert, 0.04, 1e-9},
	} {
		b, err := c.g.Batch()
		if err != nil {
			t.Errorf("%+v: %v", c.g, err)
			continue
		}
		if got := float64(b.Of(c.k).Mass()); math.Abs(got-c.solids) > c.tolKgs || b.Of(c.k) != b.DrySolids() {
			t.Errorf("%+v: %g kg of solids, want %g", c.g, got, c.solids)
		}
		if got := float64(b.Water().Mass()); math.Abs(got-c.water) > c.tolKgs {
			t.Errorf("%+v: %g kg of water, want %g", c.g, got, c.water)
		}
		if m, err := c.g.Mass(); err != nil || math.Abs(float64(m-b.Total().Mass())) > 1e-6 {
			t.Errorf("%+v: weighs %v (%v), made of %v", c.g, m, err, b.Total())
		}
		if got := c.g.Within(); got != c.within {
			t.Errorf("%+v: within %g, want %g", c.g, got, c.within)
		}
	}
	if got := (Content{L: 100}).Within(); got != 7 {
		t.Errorf("a content of 100 L is within %g L, want 2 %% and 5 L", got)
	}
	if got := (Transfer{L: 100}).Within(); got != 2 {
		t.Errorf("100 L that went over are within %g L, want 2 %%", got)
	}
}

func TestCorrected(t *testing.T) {
	mix := func(id string, when int64, kg float64, over ...string) Act {
		return Act{ID: id, Rig: "heron", When: when, From: 9, Body: Mix{Parts: []Goods{someBags()}, WaterKg: kg}, Replaces: over}
	}
	count := func(id string, when, from int64, kg float64) Act {
		return Act{ID: id, Rig: "heron", When: when, From: from, Body: Count{Goods: Goods{Kind: "sugar", Kg: kg}}}
	}
	undo := func(id string, when int64, of string) Act {
		return Act{ID: id, Rig: "heron", When: when, Body: Undo{Act: of}}
	}
	a := mix("a", 1, 100)
	b := mix("b", 2, 110, Over(&a)...)
	for _, c := range []struct {
		name string
		acts []Act
		want string // those that count
		odds int    // conflicts
	}{
		{"side by side", []Act{a, mix("z", 2, 100)}, "az", 0},
		{"corrected", []Act{a, b}, "b", 0},
		{"corrected twice", []Act{a, b, mix("c", 3, 120, Over(&b)...)}, "c", 0},
		{"the correction taken back", []Act{a, b, undo("u", 3, "b")}, "a", 0},
		{"one between taken back", []Act{a, b, mix("c", 3, 120, Over(&b)...), undo("u", 4, "b")}, "c", 0},
		{"the first taken back too", []Act{a, b, undo("u", 3, "a")}, "b", 0},
		{"two copies", []Act{a, b, mix("c", 3, 120, "a")}, "c", 1},
		{"two copies that agree", []Act{a, b, mix("c", 3, 110, "a")}, "c", 0},
		{"settled", []Act{a, b, mix("c", 3, 120, "a"), mix("d", 4, 130, "a", "b", "c")}, "d", 0},
		{"said in a circle", []Act{mix("x", 1, 1, "y"), mix("y", 2, 2, "x")}, "y", 0},
		{"two counts of one instant", []Act{count("x", 1, 9, 5), count("y", 2, 9, 6)}, "y", 1},
		{"two counts", []Act{count("x", 1, 9, 5), count("y", 2, 10, 6)}, "xy", 0},
		{"what is no entry replaces none", []Act{a, {ID: "b", When: 2, Body: Batch{Syrup: "sucrose"}, Replaces: []string{"a"}}}, "a", 0},
	} {
		for seed := range uint64(10) {
			in := slices.Clone(c.acts)
			rand.New(rand.NewPCG(seed, 1)).Shuffle(len(in), func(i, j int) { in[i], in[j] = in[j], in[i] })
			standing := Standing(in)
			gone := Corrected(standing)
			got := ""
			for _, x := range standing {
				if OfBooks(x.Body) && !gone[x.ID] {
					got += x.ID
				}
			}
			if got != c.want {
				t.Errorf("%s: %q count, want %q", c.name, got, c.want)
			}
			odds := Conflicts(standing)
			if len(odds) != c.odds {
				t.Errorf("%s: conflicts %+v, want %d", c.name, odds, c.odds)
			}
			for _, o := range odds {
				if gone[o.Counts.ID] || !gone[o.Other.ID] {
					t.Errorf("%s: %s is said to count over %s", c.name, o.Counts.ID, o.Other.ID)
				}
			}
		}
	}
}

func TestRigTote(t *testing.T) {
	tote := func(name string, from int64) Act { return Act{From: from, Body: Tote{Name: name}} }
	swap := func(name string, from int64) Act { return Act{From: from, Body: Swap{Tote: name}} }
	for _, c := range []struct {
		name string
		acts []Act
		want string // the tote on the rig before the first and after each
	}{
		{"described", []Act{tote("a", 1), tote("b", 2)}, "a a b"},
		{"swapped", []Act{tote("a", 1), swap("b", 2), swap("a", 3)}, "a a b a"},
		{"described before it comes", []Act{tote("a", 1), tote("b", 2), swap("b", 3), tote("a", 4)}, "a a a b b"},
		{"the only one", []Act{tote("b", 2), swap("b", 3)}, " b b"},
		{"described anew", []Act{tote("a", 1), tote("b", 2), swap("c", 3), tote("c", 4)}, "a a b c c"},
	} {
		for i := range c.acts {
			c.acts[i].ID = fmt.Sprint(i)
		}
		r := NewRigTote(c.acts)
		got := r.Name
		for i := range c.acts {
			on := r.Take(&c.acts[i])
			if body, ok := c.acts[i].Body.(Tote); ok && on != (body.Name == r.Name) {
				t.Errorf("%s: act %d: on the rig: %v", c.name, i, on)
			}
			got += " " + r.Name
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
