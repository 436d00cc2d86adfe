package act

import (
	"encoding/json"
	"errors"
	"reflect"
	"testing"
)

// What rigs said of their books is told apart by their names in the house's.
func TestHoused(t *testing.T) {
	sugar := Goods{Kind: SugarGoods, Kg: 5}
	rigs := Goods{Kind: SugarGoods, Kg: 5, Store: "heron"}
	for _, c := range []struct{ was, want Body }{
		{Tote{Name: "tote"}, Tote{Name: "tote of heron"}},
		{Purchase{Goods: sugar}, Purchase{Goods: rigs}},
		{Count{Goods: sugar}, Count{Goods: rigs}},
		{Mix{Parts: []Goods{sugar}}, Mix{Tote: "@heron", Parts: []Goods{rigs}}},
		{Transfer{FromTote: "tank"}, Transfer{FromTote: "tank of heron", ToTote: "@heron"}},
		{Swap{Tote: "tote"}, Swap{Tote: "tote of heron", Rig: "heron"}},
		{Rinse{L: 5}, Rinse{Tote: "@heron", L: 5}},
		{Fed{Goods: &sugar, Yard: "mill"}, Fed{Goods: &rigs, Yard: "mill"}},
		{Lost{L: 2, Why: Spilled}, Lost{Tote: "@heron", L: 2, Why: Spilled}},
		{Undo{Act: "a"}, Undo{Act: "a"}},
	} {
		all := []Act{{ID: "a", Rig: "heron", Body: c.was}, {ID: "b", Rig: House, Body: c.was}}
		got := Housed(all)
		if !reflect.DeepEqual(got[0].Body, c.want) {
			t.Errorf("%#v became %#v, want %#v", c.was, got[0].Body, c.want)
		}
		if !reflect.DeepEqual(got[1].Body, c.was) || !reflect.DeepEqual(all[0].Body, c.was) {
			t.Errorf("%#v: the house's own, or what was given, was changed", c.was)
		}
		data, err := json.Marshal(got[0])
		var back Act
		if err == nil {
			err = json.Unmarshal(data, &back)
		}
		if err != nil {
			t.Errorf("%#v: %v", c.want, err)
		}
	}
}

// An act of the house leaves nothing to be guessed.
func TestHouseCheck(t *testing.T) {
	sugar := []Goods{{Kind: SugarGoods, Kg: 5}}
	for _, c := range []struct {
		b     Body
		field string // "": it is well
	}{
		{Purchase{Goods: sugar[0]}, ""}, {Mix{Tote: "@heron", Parts: sugar, WaterKg: 5}, ""}, {Swap{Tote: "tank", Rig: "heron"}, ""},
		{Undo{Act: "a"}, ""}, {Lost{Goods: &sugar[0], Why: Spoiled}, ""}, {Rinse{Tote: "@heron", L: 5}, ""},
		{Mix{Parts: sugar, WaterKg: 5}, "tote"}, {Transfer{FromTote: "tank", L: 5}, "to_tote"}, {Transfer{ToTote: "@heron", L: 5}, "from_tote"},
		{Swap{Tote: "tank"}, "rig"}, {Swap{Tote: "@heron", Rig: "plover"}, "tote"}, {Water{Kg: 5}, "tote"}, {Stirred{Tote: "@"}, "tote"},
		{Rinse{L: 5}, "tote"}, {Lost{L: 5, Why: Spilled}, "tote"}, {Fed{L: 5, Yard: "mill"}, "tote"}, {Contents{L: 5}, "tote"},
		{DefaultRig, "rig"}, {Batch{Syrup: "sucrose", Brix: 60}, "rig"},
	} {
		a := Act{ID: "a", Rig: House, Body: c.b}
		err := a.Check()
		var fe *FieldError
		switch {
		case c.field == "" && err != nil:
			t.Errorf("%#v: %v", c.b, err)
		case c.field != "" && (!errors.As(err, &fe) || fe.Field != c.field):
			t.Errorf("%#v: %v, want the field %s", c.b, err, c.field)
		}
	}
}

// A tote that goes from rig to rig stands on one of them.
func TestRigTotes(t *testing.T) {
	all := Housed([]Act{
		{ID: "a", Rig: "heron", When: 1, From: 1, Body: Tote{Name: "tote"}}, {ID: "b", Rig: "plover", When: 2, From: 1, Body: Tote{Name: "tote"}},
		{ID: "c", Rig: House, When: 3, From: 3, Body: Swap{Tote: "tote of heron", Rig: "plover"}},
		{ID: "d", Rig: "heron", When: 4, From: 4, Body: Tote{Name: "tote", CapacityL: 5}},
		{ID: "e", Rig: House, When: 5, From: 5, Body: Swap{Tote: "tank", Rig: "heron"}},
	})
	r := NewRigTotes(all)
	for i, want := range []struct{ heron, plover, from string }{
		{"tote of heron", "@plover", ""}, {"tote of heron", "tote of plover", ""}, {"@heron", "tote of heron", "heron"}, {"@heron", "tote of heron", ""}, {"tank", "tote of heron", ""},
	} {
		_, from := r.Take(&all[i])
		if i == 0 { // what is described first stood there from the first
			want.plover = "tote of plover"
		}
		if r.On("heron") != want.heron || r.On("plover") != want.plover || from != want.from {
			t.Errorf("after %s: heron %q, plover %q, taken from %q; want %+v", all[i].ID, r.On("heron"), r.On("plover"), from, want)
		}
	}
	if rig, ok := r.Rig("tote of heron"); !ok || rig != "plover" {
		t.Errorf("heron's tote stands on %q", rig)
	}
	if got := r.Named(&all[4], OnRig("plover")); got != "tote of heron" {
		t.Errorf("the tote on plover is %q", got)
	}
}
