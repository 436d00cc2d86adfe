package outing

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/fill"
)

func visits(a *Account) string {
	var out []string
	for i := range a.Visits {
		v := &a.Visits[i]
		out = append(out, fmt.Sprintf("%s %s: %d+%d, missing %d", v.Yard, v.Reason, v.Fills, v.TopUps, v.Missing))
	}
	return strings.Join(out, "; ")
}

func TestWhere(t *testing.T) {
	route := func(n *night) { n.Routes = []Route{{t0 - hour, []string{"orchard", "mill", "orchard"}}} }
	mark := func(n *night, s ...float64) {
		for _, x := range s {
			n.press(x, 1, false)
		}
	}
	for _, c := range []struct {
		name string
		do   func(n *night)
		want []string
	}{
		{"nothing tells", func(n *night) { n.fills(0, 4) }, []string{"fill 4 no position"}},
		{"marks along the route, without positions", func(n *night) {
			route(n)
			mark(n, 0, 600)
			n.fills(100, 4)
			n.fills(700, 4)
		}, []string{"fill 4 orchard mark", "fill 4 mill mark"}},
		{"flow before the first mark", func(n *night) { route(n); n.fills(0, 4); mark(n, 100); n.fills(200, 4) },
			[]string{"fill 4 no position", "fill 4 orchard mark"}},
		{"marks without a route", func(n *night) { mark(n, 0, 600); n.fills(100, 4); n.fills(700, 4) },
			[]string{"fill 4 no position", "fill 4 no position"}},
		{"more marks than the route has yards", func(n *night) {
			n.Routes = []Route{{t0 - hour, []string{"orchard"}}}
			mark(n, 0, 600)
			n.fills(100, 4)
			n.fills(700, 4)
		}, []string{"fill 4 orchard mark", "fill 4 no position"}},
		{"a mark pressed twice", func(n *night) {
			route(n)
			mark(n, 0, 1.5, 600)
			n.fills(100, 4)
			n.fills(700, 4)
		}, []string{"fill 4 orchard mark", "fill 4 mill mark"}},
		{"a mark that was not heard", func(n *night) {
			route(n)
			n.press(0, 1, false)
			n.press(1300, 2, false)
			n.Presses[1].From = at(0)
			n.fills(100, 4, 4)
			n.fills(1400, 4)
			n.press(2000, 1, false)
			n.fills(2100, 4)
		}, []string{"fill 4 orchard mark", "fill 4 no position", "fill 4 no position", "fill 4 no position"}},
		{"a mark that was not heard, and positions again", func(n *night) {
			route(n)
			n.press(0, 1, false)
			n.press(1300, 2, false)
			n.flow(10, 4)
			n.fills(1400, 4)
			n.stands(2000, 2500, "mill")
			mark(n, 2600)
			n.fills(2700, 4)
		}, []string{"fill 4 orchard mark", "fill 4 no position", "fill 4 orchard mark"}},
		{"a mark before unseen flow", func(n *night) {
			route(n)
			mark(n, 0)
			n.flowing(n.flow(10, 4)+20, 9, 180, fill.Hidden)
		}, []string{"fill 4 orchard mark", "unseen 9 no position"}},
		{"a mark forgotten, with positions", func(n *night) {
			route(n)
			n.stands(0, 500, "orchard")
			n.stands(600, 1200, "mill")
			mark(n, 1300)
			n.fills(100, 4)
			n.fills(700, 4)
			n.fills(1400, 4)
		}, []string{"fill 4 orchard position", "fill 4 mill position", "fill 4 orchard mark"}},
		{"a mark does not outlive the place it was made at", func(n *night) {
			route(n)
			n.stands(0, 500, "orchard")
			mark(n, 10)
			n.fills(100, 4)
			n.fills(700, 4)
		}, []string{"fill 4 orchard position", "fill 4 no position"}},
		{"positions say more than the button", func(n *night) {
			route(n)
			n.stands(0, 5000, "mill")
			mark(n, 10)
			n.fills(100, 4)
		}, []string{"fill 4 mill position"}},
		{"a tap says more than positions", func(n *night) {
			n.stands(0, 5000, "mill")
			n.arrive(10, "orchard")
			n.fills(100, 4)
		}, []string{"fill 4 orchard tap"}},
		{"a tap while the rig still rolls", func(n *night) {
			n.stands(120, 5000, "mill")
			n.arrive(10, "orchard")
			n.fills(200, 4)
		}, []string{"fill 4 orchard tap"}},
		{"a tap at another place", func(n *night) {
			n.stands(0, 500, "mill")
			n.stands(600, 5000, "orchard")
			n.arrive(10, "mill")
			n.fills(700, 4)
		}, []string{"fill 4 orchard position"}},
		{"left, by a tap", func(n *night) {
			n.arrive(0, "mill")
			n.fills(100, 4)
			n.arrive(300, "")
			n.fills(400, 4)
		}, []string{"fill 4 mill tap", "fill 4 tap"}},
		{"a press that was not heard, as the next position shows", func(n *night) {
			route(n)
			mark(n, 5)
			n.stands(0, 100, "orchard")
			n.Stays[0].LeftAt = 0
			n.fills(10, 4, 4)
			n.fills(124, 4)
			n.fills(400, 4)
			n.stands(500, 900, "mill")
			n.Stays[1].Since = n.Stays[1].From
			n.fills(520, 4)
		}, []string{"fill 4 orchard position", "fill 4 orchard position", "fill 4 orchard mark", "fill 4 no position", "fill 4 mill position"}},
		{"the same, and it was heard", func(n *night) {
			route(n)
			mark(n, 5)
			n.stands(0, 100, "orchard")
			n.Stays[0].LeftAt = 0
			n.fills(10, 4, 4)
			n.fills(190, 4)
			mark(n, 390)
			n.fills(400, 4)
			n.stands(500, 900, "mill")
			n.Stays[1].Since = n.Stays[1].From
			n.fills(520, 4)
		}, []string{"fill 4 orchard position", "fill 4 orchard position", "fill 4 orchard mark", "fill 4 mill mark", "fill 4 mill position"}},
		{"a press while no position was heard, and then one in another yard", func(n *night) {
			route(n)
			mark(n, 5)
			n.fills(10, 4)
			n.stands(200, 300, "mill")
			n.Stays[0].LeftAt = 0
			n.fills(250, 4)
			n.fills(900, 4)
		}, []string{"fill 4 orchard mark", "fill 4 mill position", "fill 4 no position"}},
		{"by hand over all", func(n *night) {
			route(n)
			mark(n, 0)
			n.stands(0, 5000, "mill")
			n.arrive(10, "mill")
			n.fills(100, 4)
			n.Assigns = []Assign{{"a", 7, 1000, 1400, "orchard"}}
		}, []string{"fill 4 orchard hand"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := newNight()
			c.do(n)
			a := n.make()
			got := lines(&a)
			for i := range got {
				got[i] = strings.TrimSuffix(got[i], " short")
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(c.want, "\n  "))
			}
		})
	}
}

func TestHereAndAhead(t *testing.T) {
	n := newNight()
	n.Routes = []Route{{t0 - hour, []string{"orchard", "mill", "larch"}}}
	n.press(0, 1, false)
	n.fills(100, 4)
	a := n.make()
	if a.Here != (Here{"orchard", ByMark, at(0)}) || !slices.Equal(a.Ahead, []string{"mill", "larch"}) || !a.Routed {
		t.Errorf("here %+v, ahead %q", a.Here, a.Ahead)
	}
	n.stands(600, 5000, "mill")
	n.Now = at(800)
	a = n.make()
	if a.Here.Yard != "mill" || a.Here.Reason != ByPosition || a.Here.Since != at(600) || !slices.Equal(a.Ahead, []string{"larch"}) {
		t.Errorf("here %+v, ahead %q", a.Here, a.Ahead)
	}
}

func TestVisits(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(n *night)
		want string
	}{
		{"one", func(n *night) { n.stands(0, 1000, "orchard"); n.flow(n.fills(0, 4, 2)+5, 2) }, "orchard position: 2+1, missing 2"},
		{"two yards", func(n *night) {
			n.stands(0, 1000, "orchard")
			n.stands(1200, 3000, "mill")
			n.fills(0, 4, 4)
			n.fills(1300, 4)
		}, "orchard position: 2+0, missing 2; mill position: 1+0, missing 3"},
		{"there, elsewhere and back", func(n *night) {
			n.stands(0, 500, "orchard")
			n.stands(600, 1000, "mill")
			n.stands(1100, 3000, "orchard")
			n.fills(0, 4)
			n.fills(700, 4)
			n.fills(1200, 4)
		}, "orchard position: 1+0, missing 3; mill position: 1+0, missing 3; orchard position: 1+0, missing 3"},
		{"gone for a while, in no yard", func(n *night) {
			n.stands(0, 500, "orchard")
			n.stands(600, 1000, "")
			n.stands(1100, 3000, "orchard")
			n.fills(0, 4)
			n.fills(1200, 4)
		}, "orchard position: 2+0, missing 2"},
		{"gone for more than an hour, in no yard", func(n *night) {
			n.stands(0, 500, "orchard")
			n.stands(600, 4000, "")
			n.stands(5000, 9000, "orchard")
			n.fills(0, 4)
			n.flow(700, 1)
			n.fills(5100, 4)
		}, "orchard position: 1+0, missing 3;  outside: 0+0, missing 0; orchard position: 1+0, missing 3"},
		{"begins, as said", func(n *night) {
			n.stands(0, 3000, "orchard")
			n.fills(0, 4)
			n.fills(200, 4)
			n.Said.Visits = []Begin{{Act: "b", At: at(150)}}
		}, "orchard position: 1+0, missing 3; orchard position: 1+0, missing 3"},
		{"goes on, as said", func(n *night) {
			n.stands(0, 500, "orchard")
			n.stands(600, 1000, "mill")
			n.stands(1100, 3000, "orchard")
			n.fills(0, 4)
			n.fills(700, 4)
			n.fills(1200, 4)
			n.Said.Visits = []Begin{{Act: "b", At: at(1200), Goes: true}}
		}, "orchard position: 2+0, missing 2; mill position: 1+0, missing 3"},
		{"every colony passed over", func(n *night) {
			n.stands(0, 500, "orchard")
			n.stands(600, 1000, "mill")
			n.fills(0, 4)
			n.press(700, 1, true)
			n.Now = at(800)
		}, "orchard position: 1+0, missing 3; mill position: 0+0, missing 3"},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := newNight()
			c.do(n)
			a := n.make()
			if got := visits(&a); got != c.want {
				t.Errorf("got\n  %s\nwant\n  %s", got, c.want)
			}
		})
	}
}

// TestColonies: what is said of colonies, and the numbers that follow.
func TestColonies(t *testing.T) {
	// Pulls of 4 L, 32 s each, begin at 0, 72, 144 and so on.
	for _, c := range []struct {
		name    string
		pulls   int
		do      func(n *night)
		missing int
		numbers string
	}{
		{"all", 4, nil, 0, "1 2 3 4"},
		{"all, but nobody says so", 4, func(n *night) { n.untold = true }, 0, "0 0 0 0"},
		{"one short", 3, nil, 1, "0 0 0"},
		{"one too many", 5, nil, -1, "0 0 0 0 0"},
		{"skipped by a tap", 3, func(n *night) { n.colony(50, act.Skipped, 1) }, 0, "1 3 4"},
		{"skipped by the button", 3, func(n *night) { n.press(110, 1, true) }, 0, "1 2 4"},
		{"skipped last", 3, func(n *night) { n.press(300, 1, true) }, 0, "1 2 3"},
		{"two presses, one not heard", 2, func(n *night) { n.press(80, 2, true) }, 1, "0 0"},
		{"two presses, one not heard, both here", 2, func(n *night) {
			n.press(80, 2, true)
			n.Presses[0].From = at(10)
		}, 0, "0 0"},
		{"dead", 3, func(n *night) { n.colony(-5, act.Dead, 1) }, 0, "2 3 4"},
		{"two feeders", 5, func(n *night) { n.colony(180, act.TwoFeeders, 1) }, 0, "1 2 2 3 4"},
		{"two feeders, unsaid of which", 6, func(n *night) { n.colony(400, act.TwoFeeders, 2) }, 0, "0 0 0 0 0 0"},
		{"shared by two", 3, func(n *night) { n.colony(50, act.Shared, 2) }, 0, "1-2 3 4"},
		{"shared by all", 1, func(n *night) { n.colony(50, act.Shared, 4) }, 0, "1-4"},
		{"a number that does not fit the order", 3, func(n *night) {
			n.colony(50, act.Skipped, 1)
			n.Said.Colony[0].Number = 4
		}, 0, "0 0 0"},
		{"not numbered", 4, func(n *night) { n.sites["orchard"] = Site{Colonies: 4, Meant: 4 * litre} }, 0, "0 0 0 0"},
		{"one died before, which is known", 3, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 3, Meant: 4 * litre, Numbered: true, Absent: []int{2}}
		}, 0, "1 3 4"},
		{"one died before, which is not", 3, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 3, Meant: 4 * litre, Numbered: true, Unsure: true}
		}, 0, "0 0 0"},
		{"dead, but counted since", 4, func(n *night) {
			n.colony(50, act.Dead, 1)
			n.sites["orchard"] = Site{Colonies: 4, Meant: 4 * litre, Numbered: true, Said: at(9999)}
		}, 0, ""},
		{"said of another yard", 4, func(n *night) {
			n.colony(50, act.Skipped, 1)
			n.Said.Colony[0].Yard = "mill"
		}, 0, "1 2 3 4"},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := inOrchard()
			for i := range c.pulls {
				n.flow(float64(72*i), 4)
			}
			if c.do != nil {
				c.do(n)
			}
			n.Now = max(n.Now, at(500))
			if !n.untold {
				n.colony(499, act.AllTold, 0)
			}
			a := n.over().make()
			v := &a.Visits[0]
			if v.Told == n.untold {
				t.Errorf("told is %v", v.Told)
			}
			if v.Missing != c.missing {
				t.Errorf("%d are missing, want %d: %+v", v.Missing, c.missing, v)
			}
			var got []string
			for i := range a.Fills {
				s := fmt.Sprint(a.Fills[i].Colony)
				if to := a.Fills[i].To; to > 0 {
					s += fmt.Sprint("-", to)
				}
				got = append(got, s)
			}
			if s := strings.Join(got, " "); c.numbers != "" && s != c.numbers {
				t.Errorf("numbers are %s, want %s", s, c.numbers)
			}
		})
	}
}

// TestNumbersOfTopUps: a top-up is its colony's, whatever is said after it.
func TestNumbersOfTopUps(t *testing.T) {
	n := inOrchard()
	e := n.flow(n.flow(n.flow(0, 4)+40, 2)+6, 2)
	n.colony(e+5, act.Shared, 2)
	e = n.flow(n.flow(e+40, 2.5)+6, 1.5)
	n.flow(e+40, 4)
	n.colony(e+80, act.TwoFeeders, 1)
	n.sites["orchard"] = Site{Colonies: 4, Meant: 4 * litre, Numbered: true}
	n.colony(e+90, act.AllTold, 0)
	a := n.over().make()
	want := []string{full + " #1", "fill 2 orchard position #2-3", "top-up 2 orchard position #2-3",
		"fill 2.5 orchard position #4", "top-up 1.5 orchard position #4", full + " #4"}
	if got := lines(&a); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestShortNeighbours: of three part pulls in a row it is not sure which two
// go together.
func TestShortNeighbours(t *testing.T) {
	n := inOrchard()
	e := n.flow(0, 4)
	e = n.flow(n.flow(n.flow(e+40, 2.2)+6, 1.8)+3, 2)
	n.flow(e+40, 4)
	a := n.over().make()
	if v := a.Visits[0]; v.Fills != 4 || v.Missing != 0 || v.Unsure != 1 || v.Numbered || a.Fills[3].Or != ATopUp {
		t.Errorf("visit is %+v", v)
	}
	// Who says that all is told, of four colonies, says how many, not which.
	n.colony(e+60, act.AllTold, 0)
	a = n.make()
	if v := a.Visits[0]; v.Fills != 4 || v.Missing != 0 || v.Unsure != 0 || v.Numbered || a.Fills[3].Or != "" {
		t.Errorf("visit is %+v", v)
	}
}

// TestUnseenHasNoNumbers: where flow was not seen, the order makes nothing sure.
func TestUnseenHasNoNumbers(t *testing.T) {
	n := inOrchard()
	n.colony(n.fills(n.flowing(n.fills(0, 4, 4)+30, 9, 180, fill.Hidden)+30, 4, 4)+1, act.AllTold, 0)
	a := n.over().make()
	if v := a.Visits[0]; v.Missing != 0 || v.Numbered || v.Unseen != 9*litre || a.Fills[0].Colony != 0 {
		t.Errorf("visit is %+v", v)
	}
}

func TestDeaths(t *testing.T) {
	n := newNight()
	n.stands(0, 500, "orchard")
	n.stands(600, 1000, "mill")
	n.stands(1100, 3000, "orchard")
	n.fills(0, 4)
	n.fills(700, 4)
	n.fills(1200, 4)
	n.colony(50, act.Dead, 1)
	n.Said.Colony[0].Number = 3
	a := n.make()
	want := []Death{{Yard: "orchard", At: at(50), When: at(50), N: 1, Number: 3}}
	if !slices.Equal(a.Deaths, want) {
		t.Errorf("deaths are %+v, want %+v", a.Deaths, want)
	}
	if a.Visits[0].Dead != 1 || a.Visits[0].Colonies != 4 || a.Visits[2].Colonies != 3 {
		t.Errorf("visits are %+v", a.Visits)
	}
}

func TestColonyNearNoVisit(t *testing.T) {
	n := newNight()
	n.fills(0, 4)
	n.colony(50, act.Skipped, 1)
	n.colony(60, act.Skipped, 1)
	n.Said.Colony[1].Yard = "mill"
	n.Said.Colony[1].Act = "elsewhere"
	n.Now = at(100)
	a := n.make()
	if got := visits(&a); got != " no position: 1+0, missing 0; mill tap: 0+0, missing 3" {
		t.Errorf("visits are %s", got)
	}
}
