package ledger

import (
	"fmt"
	"slices"
	"testing"

	"yardtally/meter/act"
)

// What was fed by an earlier outing of the night is not ahead once more, unless
// a route says so that was made since; the night after, all is ahead again.
func TestLeftOfTheWholeNight(t *testing.T) {
	const away = 6 * 3600.0 // s: more than outing.Pause
	s := evening()
	s.length = away + 700
	s.places = append(s.places, place{1450, 43.260, -91.900})
	for i := range 3 {
		at := away + 60 + 60*float64(i)
		s.pulls = append(s.pulls, pull{at, at + 30, 400, "larch"})
	}
	said := slices.DeleteFunc(s.tell(), func(m message) bool { return m.t > 1500 && m.t < away })
	acts := settings()
	n := 0
	say := func(at int64, b act.Body) act.Act {
		n++
		return act.Act{ID: fmt.Sprint("said ", n), Rig: "heron", Who: "wren", When: at, From: at, Body: b}
	}
	const before = t0 - 900*sec
	for i, y := range []act.Yard{{ID: "larch", Name: "Larch Bank", Lat: 43.260}, {ID: "ferry", Name: "Ferry Lane", Lat: 43.290}} {
		y.Lon, y.EnterM, y.LeaveM, y.Colonies = -91.9, 120, 200, 4+i
		acts = append(acts, say(before, y))
	}
	for _, id := range []string{"orchard", "mill", "larch", "ferry"} {
		acts = append(acts, say(before, act.Colonies{Yard: id, Count: 6, FillL: 4}))
	}
	route := func(at int64, yards ...string) act.Act { return say(at, act.Route{Yards: yards}) }
	for _, c := range []struct {
		name  string
		route []act.Act
		want  []string // what is ahead in the second outing, at Larch Bank
		next  []string // and a night later
	}{
		{"no route", nil, []string{"ferry"}, []string{"ferry", "larch", "mill", "orchard"}},
		{"a route of before", []act.Act{route(before, "larch", "orchard", "mill", "ferry")}, []string{"ferry"}, []string{"larch", "orchard", "mill", "ferry"}},
		{"a route of between", []act.Act{route(before, "orchard", "mill"), route(t0+3*3600*sec, "larch", "orchard", "ferry")},
			[]string{"orchard", "ferry"}, []string{"larch", "orchard", "ferry"}},
	} {
		all := append(slices.Clone(acts), c.route...)
		ahead := func(what string, v *View, want []string) {
			t.Helper()
			var got []string
			for _, y := range v.Left.Yards {
				got = append(got, y.Yard)
			}
			if !v.Left.Known || !slices.Equal(got, want) || len(v.Left.Unsaid) > 0 {
				t.Errorf("%s, %s: known %v (%s), ahead %q, want %q; unsaid %q", c.name, what, v.Left.Known, v.Left.Why, got, want, v.Left.Unsaid)
			}
		}
		recs := serial(said)
		v := replayed(t, all, recs).View()
		if len(v.Outings) != 2 || v.Left.Yard != "larch" {
			t.Fatalf("%s: %d outings, at %q", c.name, len(v.Outings), v.Left.Yard)
		}
		ahead("second outing", v, c.want)
		// The first alone, long over: still the same night.
		one := serial(slices.DeleteFunc(slices.Clone(said), func(m message) bool { return m.t > 1500 }))
		later := one[len(one)-1]
		later.Seq, later.Mono, later.Wall = later.Seq+1, later.Mono+int64(away*1e9), later.Wall+int64(away*1e9)
		if v := replayed(t, all[:len(acts)], append(one, later)).View(); len(v.Outings) != 1 || v.Left.Yard != "" {
			t.Errorf("%s: %d outings, at %q", c.name, len(v.Outings), v.Left.Yard)
		} else if c.route == nil {
			ahead("between", v, []string{"ferry", "larch"})
		}
		last := recs[len(recs)-1]
		last.Seq, last.Mono, last.Wall = last.Seq+1, last.Mono+20*3600*sec, last.Wall+20*3600*sec
		ahead("a night later", replayed(t, all, append(recs, last)).View(), c.next)
	}
}
