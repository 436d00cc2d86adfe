package places

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"yardtally/meter/act"
)

func at(id, name string, more func(*Place)) Item {
	it := Item{Where: "feature " + name + id, Place: Place{ID: id, Name: name, Lat: 43.22, Lon: -91.88}}
	if more != nil {
		more(&it.Place)
	}
	return it
}

// Which yard an item is.
func TestMerge(t *testing.T) {
	known := []act.Yard{
		{ID: "orchard", Name: "Orchard End", Lat: 43.22, Lon: -91.88, EnterM: 70, LeaveM: 110, Colonies: 14},
		{ID: "mill", Name: "Mill Bottom", Lat: 43.22, Lon: -91.88, EnterM: 60, LeaveM: 96},
		{ID: "twin1", Name: "Twins", Lat: 43.22, Lon: -91.88, EnterM: 60, LeaveM: 96},
		{ID: "twin2", Name: "Twins", Lat: 43.22, Lon: -91.88, EnterM: 60, LeaveM: 96},
	}
	for _, c := range []struct {
		name  string
		items []Item
		want  []string // "id", "id: changes" of a known yard, "+id" of a new one, "!error"
	}{
		{"by id, under a new name", []Item{at("mill", "Mill Foot", nil)}, []string{"mill: name"}},
		{"by name, whatever the case", []Item{at("", "orchard  END", nil)}, []string{"orchard"}},
		{"by name, its id being another's", []Item{at("way/7", "Orchard End", nil)}, []string{"orchard"}},
		{"id before name", []Item{at("", "Orchard End", nil), at("orchard", "Larch Bank", nil)}, []string{`!name: must differ from that of feature Larch Bankorchard, or ids be given, is "Orchard End"`, "orchard: name"}},
		{"new", []Item{at("", "Larch Bank", nil), at("ferry", "", nil)}, []string{"+larch-bank", "+ferry"}},
		{"an id that is taken", []Item{at("", "Mill", nil), at("mill-2", "x", nil), at("", "mill!", nil)}, []string{"+mill-3", "+mill-2", "+mill-4"}},
		{"a name without letters", []Item{at("", "†", nil)}, []string{"+yard"}},
		{"letters of others", []Item{at("", "Große Lärche 2", nil)}, []string{"+große-lärche-2"}},
		{"one id twice", []Item{at("a", "A", nil), at("a", "B", nil)}, []string{"+a", `!id: must differ from that of feature Aa, is "a"`}},
		{"one name twice", []Item{at("", "Larch Bank", nil), at("", "larch bank", nil)}, []string{"+larch-bank", `!name: must differ from that of feature Larch Bank, or ids be given, is "larch bank"`}},
		{"one known name twice", []Item{at("", "Mill Bottom", nil), at("", "Mill Bottom", nil)}, []string{"mill", `!name: must differ from that of feature Mill Bottom, or ids be given, is "Mill Bottom"`}},
		{"one name, two ids", []Item{at("a", "Larch Bank", nil), at("b", "Larch Bank", nil)}, []string{"+a", "+b"}},
		{"the name of two", []Item{at("", "Twins", nil)}, []string{`!name: must be one yard's only, or an id be given, as 2 yards have it, is "Twins"`}},
		{"the name of two, one told by its id", []Item{at("", "Twins", nil), at("twin2", "Twins", nil)}, []string{"twin1", "twin2"}},
		{"nameless", []Item{at("", "", nil)}, []string{`!name: must be given, or an id, is ""`}},
		{"what is not said stays", []Item{at("orchard", "", nil)}, []string{"orchard"}},
		{"a wider yard is left farther off", []Item{at("orchard", "", func(p *Place) { p.EnterM = new(200.0) })}, []string{"orchard: enter_m leave_m"}},
		{"an outline has distances of its own", []Item{at("orchard", "", func(p *Place) {
			p.Ring = []act.Corner{{Lat: 43.22, Lon: -91.88}, {Lat: 43.22, Lon: -91.87}, {Lat: 43.23, Lon: -91.87}}
		})}, []string{"orchard: ring enter_m leave_m"}},
		{"everything", []Item{at("mill", "M", func(p *Place) {
			p.Lat, p.Colonies, p.FillL, p.Closed, p.Numbered = 43, 3, 2, new(true), new(true)
		})}, []string{"mill: name position colonies fill_l closed numbered"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got []string
			for _, s := range Merge(known, c.items) {
				switch {
				case s.Err != nil:
					got = append(got, "!"+s.Err.Error())
				case s.Old == nil:
					got = append(got, "+"+s.New.ID)
				case s.Changes == nil:
					got = append(got, s.New.ID)
				default:
					got = append(got, s.New.ID+": "+strings.Join(s.Changes, " "))
				}
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
}

// The same file again changes nothing.
func TestMergeAgain(t *testing.T) {
	for seed := range uint64(20) {
		var items []Item
		for i, y := range randomYards(seed, 30) {
			it := Item{Where: fmt.Sprint("feature ", i), Place: Place{Name: fmt.Sprint(y.Name, i), Lat: y.Lat, Lon: y.Lon, Ring: y.Ring, Colonies: y.Colonies}}
			items = append(items, it)
		}
		var known []act.Yard
		for _, s := range Merge(nil, items) {
			if s.Err != nil {
				t.Fatal(s.Err)
			}
			known = append(known, s.New)
		}
		for _, s := range Merge(known, items) {
			if s.Old == nil || s.Changes != nil || s.Err != nil {
				t.Fatalf("%+v", s)
			}
		}
	}
}

func TestSameOutline(t *testing.T) {
	a := []act.Corner{{Lat: 1, Lon: 1}, {Lat: 1, Lon: 2}, {Lat: 2, Lon: 2}, {Lat: 2, Lon: 1}}
	for _, c := range []struct {
		order []int
		want  bool
	}{{[]int{0, 1, 2, 3}, true}, {[]int{2, 3, 0, 1}, true}, {[]int{3, 2, 1, 0}, true}, {[]int{1, 0, 3, 2}, true}, {[]int{0, 2, 1, 3}, false}, {[]int{0, 1, 2}, false}, {[]int{0, 0, 0, 0}, false}} {
		var b []act.Corner
		for _, i := range c.order {
			b = append(b, a[i])
		}
		if sameRing(a, b) != c.want {
			t.Errorf("%v: want %t", c.order, c.want)
		}
	}
}
