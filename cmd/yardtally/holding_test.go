package main

import (
	"fmt"
	"strings"
	"testing"

	"yardtally/meter/act"
)

// How a yard stands at an instant, whatever was said of it and when. Of its own
// number of colonies and one counted since, the later counts (act.Colonies).
func TestYardsAt(t *testing.T) {
	yard := func(id string, colonies int, fill float64) act.Yard {
		return act.Yard{ID: id, Name: "N" + id, EnterM: 60, LeaveM: 96, Colonies: colonies, FillL: fill}
	}
	var acts []act.Act
	say := func(from int64, b act.Body) {
		n := int64(len(acts) + 1)
		acts = append(acts, act.Act{ID: fmt.Sprint("act", n), Rig: "heron", When: 1000 + n, From: from, Body: b})
	}
	say(0, yard("orchard", 14, 3))
	say(20, act.Colonies{Yard: "orchard", Count: 11})
	say(30, yard("orchard", 0, 4)) // moved, say; it does not count
	say(40, yard("orchard", 9, 0))
	say(10, act.Colonies{Yard: "mill", Count: 5, FillL: 2}) // before the yard itself is told
	say(20, yard("mill", 0, 0))
	say(30, yard("larch", 1, 0))
	say(30, yard("larch", 2, 0)) // said later, so it counts
	for _, c := range []struct {
		at   int64
		want string
	}{
		{0, "larch 1 0 later 30, mill 0 0 later 20, orchard 14 3 next 30"},
		{20, "larch 1 0 later 30, mill 5 2, orchard 11 3 next 30"},
		{30, "larch 2 0, mill 5 2, orchard 11 4 next 40"},
		{40, "larch 2 0, mill 5 2, orchard 9 0"},
	} {
		var got []string
		for _, h := range yardsAt(act.Standing(acts), c.at) {
			text := fmt.Sprintf("%s %d %g", h.ID, h.Colonies, h.FillL)
			if h.later {
				text += fmt.Sprint(" later ", h.next)
			} else if h.next != 0 {
				text += fmt.Sprint(" next ", h.next)
			}
			got = append(got, text)
		}
		if s := strings.Join(got, ", "); s != c.want {
			t.Errorf("at %d:\ngot  %s\nwant %s", c.at, s, c.want)
		}
	}
}
