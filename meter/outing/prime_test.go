package outing

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/fill"
	"yardtally/meter/tote"
)

// ors writes down what each entry is and may be, in order of time: "fill/priming".
func ors(a *Account) string {
	type entry struct {
		at   int64
		text string
	}
	var all []entry
	for i := range a.Fills {
		f := &a.Fills[i]
		s := AFill
		if f.TopUp {
			s = ATopUp
		}
		all = append(all, entry{f.Start, s + "/" + f.Or})
	}
	for i := range a.Loose {
		all = append(all, entry{a.Loose[i].Start, a.Loose[i].Why + "/" + a.Loose[i].Or})
	}
	slices.SortStableFunc(all, func(x, y entry) int { return cmp.Compare(x.at, y.at) })
	var out []string
	for _, e := range all {
		out = append(out, strings.TrimSuffix(e.text, "/"))
	}
	return strings.Join(out, " ")
}

// TestToldDoubts: that all is told settles who was fed, not that all of it was
// syrup, nor whose a pull was that ran dry (common practice, no source).
func TestToldDoubts(t *testing.T) {
	for _, c := range []struct {
		name     string
		do       func(n *night)
		want     string
		numbered bool
	}{
		{"all alike", func(n *night) { n.fills(0, 4, 4, 4, 4, 4, 4) }, "fill fill fill fill fill fill", true},
		{"one much larger", func(n *night) { n.fills(0, 4, 4, 4, 4, 4, 5.2) }, "fill fill fill fill fill fill/suspect", false},
		{"one slow, and larger", func(n *night) {
			n.flowing(n.fills(0, 4, 4, 4, 4, 4)+40, 4.5, 70, fill.Pull)
		}, "fill fill fill fill fill fill/suspect", false},
		{"one slow by the hand", func(n *night) {
			n.flowing(n.fills(0, 4, 4, 4, 4, 4)+40, 4, 70, fill.Pull)
		}, "fill fill fill fill fill fill", true},
		{"few pulls, and one much larger", func(n *night) {
			n.fills(0, 4, 6, 4)
			n.sites["orchard"] = Site{Colonies: 3, Meant: 4 * litre, Numbered: true}
		}, "fill fill/suspect fill", false},
		{"a slow top-up", func(n *night) {
			s := n.fills(0, 4, 4, 4, 4, 4, 3)
			n.flowing(s+3, 1, 20, fill.Pull)
		}, "fill fill fill fill fill fill top-up/suspect", false},
		{"one ran dry", func(n *night) {
			n.fills(0, 4, 4, 4, 4, 4, 5)
			n.Flows[5].Surge = n.Flows[5].First + 400
			n.Doubts = []tote.Doubt{{Why: tote.Empty, Sure: true, Flows: []int{5}, Part: 0.2}}
		}, "fill fill fill fill fill fill air", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := inOrchard().over()
			n.sites["orchard"] = Site{Colonies: 6, Meant: 4 * litre, Numbered: true}
			c.do(n)
			n.colony(float64(n.Flows[len(n.Flows)-1].End-t0)/1e9+20, act.AllTold, 0)
			a := n.make()
			if got := ors(&a); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
			if got := a.Visits[0].Numbered; got != c.numbered {
				t.Errorf("numbered %v, want %v", got, c.numbered)
			}
		})
	}
}

// TestDoubts: what a pull may have been besides, and how many fills that leaves
// open (common practice, no source).
func TestDoubts(t *testing.T) {
	told := func(n *night) { n.colony(float64(n.Now-t0)/1e9, act.AllTold, 0) }
	for _, c := range []struct {
		name   string
		litres []float64
		do     func(n *night)
		want   string
		range_ string // the least and most fills
	}{
		{"as many as colonies, all alike", []float64{4, 4, 4, 4}, nil, "fill fill fill fill", "4-4"},
		{"a feed less than colonies, and a top-up that may be it", []float64{4, 2.4}, func(n *night) {
			n.flow(n.flow(n.flow(95, 1.6)+40, 4)+3, 0.5)
			n.flow(n.fills(220, 4)+40, 4)
			n.sites["orchard"] = Site{Colonies: 6, Meant: 4 * litre}
		}, "fill fill top-up/fill fill top-up fill fill", "5-6"},
		{"first unlike the others", []float64{2, 4, 4, 4}, nil, "fill/priming fill fill fill", "3-4"},
		{"last unlike the others", []float64{4, 4, 4, 2}, nil, "fill fill fill fill/flush", "3-4"},
		{"the hand's own scatter is small", []float64{4.3, 4, 4, 4.02, 3.98, 4, 4}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 7, Meant: 4 * litre}
		}, "fill/priming fill fill fill fill fill fill", "6-7"},
		{"the hand's own scatter is large", []float64{4.3, 4.2, 3.9, 4.1, 3.7, 4, 4.2}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 7, Meant: 4 * litre}
		}, "fill fill fill fill fill fill fill", "7-7"},
		{"unlike, but all is told", []float64{2, 4, 4, 4}, told, "fill fill fill fill", "4-4"},
		{"one too many, unlike", []float64{2, 4, 4, 4, 4}, nil, "priming/fill fill fill fill fill", "4-5"},
		{"one too many, unlike, all told", []float64{2, 4, 4, 4, 4}, told, "priming fill fill fill fill", "4-4"},
		{"one too many, surely priming", []float64{1, 4, 4, 4, 4}, nil, "priming fill fill fill fill", "4-4"},
		{"one too many, all alike", []float64{4, 4, 4, 4, 4}, nil, "fill/priming fill fill fill fill/flush", "3-5"},
		{"two too many, the first two unlike", []float64{1, 6, 4, 4, 4, 4}, nil, "priming priming/fill fill fill fill fill", "4-5"},
		{"the last came after all was told", []float64{4, 4, 4, 4, 4}, func(n *night) { n.colony(270, act.AllTold, 0) }, "fill fill fill fill flush", "4-4"},
		{"told, but one is missing", []float64{2, 4, 4}, told, "fill/priming fill fill", "2-3"},
		{"a heap in the middle", []float64{4, 4, 7, 4, 4}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 5, Meant: 4 * litre}
		}, "fill fill fill/suspect fill fill", "4-5"},
		{"a heap that two shared", []float64{4, 4, 7, 4, 4}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 6, Meant: 4 * litre}
			n.colony(210, act.Shared, 2)
		}, "fill fill fill fill fill", "5-5"},
		{"a splash in the middle", []float64{4, 4, 1, 4, 4}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 5, Meant: 4 * litre}
		}, "fill fill fill/ground fill fill", "4-5"},
		{"told, and two may be the one too many", []float64{2, 4, 7, 4, 4, 4}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 5, Meant: 4 * litre}
			told(n)
		}, "priming/fill fill fill/suspect fill fill fill", "4-6"},
		{"told, and a top-up may be the one too many", []float64{2.5, 4}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 5, Meant: 4 * litre}
			e := n.flow(98, 2)
			n.fills(e+40, 4, 4, 4)
			told(n)
		}, "priming/fill fill fill/top-up fill fill fill", "4-6"},
		{"a trickle", []float64{4, 4, 4, 4}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 6, Meant: 4 * litre}
			n.flow(n.flowing(280, 3, 68, fill.Pull)+30, 4)
		}, "fill fill fill fill fill/suspect fill", "5-6"},
		{"a trigger hardly open", []float64{4, 4, 4, 4}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 6, Meant: 4 * litre}
			n.flow(n.flowing(280, 4, 90, fill.Pull)+30, 4)
		}, "fill fill fill fill fill fill", "6-6"},
		{"slower, and one too many", []float64{4, 4, 4, 4}, func(n *night) {
			n.sites["orchard"] = Site{Colonies: 5, Meant: 4 * litre}
			n.flow(n.flowing(280, 4, 50, fill.Pull)+30, 4)
		}, "fill/priming fill fill fill fill/suspect fill/flush", "3-6"},
		{"a splash after the last", []float64{4, 4, 4, 4}, func(n *night) { n.flow(254, 0.5) }, "fill fill fill fill flush/top-up", "4-4"},
		{"a last top-up", []float64{4, 4, 4, 2}, func(n *night) { n.flow(238, 2) }, "fill fill fill fill top-up/flush", "4-4"},
		{"the tote does not bear one of two out", []float64{4, 4, 4, 4}, func(n *night) {
			n.Doubts = []tote.Doubt{{Why: tote.LessFall, From: at(50), To: at(230), Flows: []int{1, 2}, Excess: 4 * litre, Within: litre}}
		}, "fill fill/suspect fill/suspect fill", "2-4"},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := inOrchard()
			n.fills(0, c.litres...)
			if c.do != nil {
				c.do(n)
			}
			a := n.over().make()
			if got := ors(&a); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
			v := &a.Visits[0]
			if got := fmt.Sprint(v.Fills-v.Unsure, "-", v.Fills+v.Perhaps); got != c.range_ {
				t.Errorf("fills are %s, want %s", got, c.range_)
			}
			if sure := !strings.Contains(strings.ReplaceAll(c.want, "top-up/fill", ""), "/"); sure != (v.Doubt == 0) {
				t.Errorf("%v is in doubt", v.Doubt)
			}
		})
	}
}

// TestDoubtWaits: while the rig may pull again, the last pull is not doubted.
func TestDoubtWaits(t *testing.T) {
	n := inOrchard()
	n.fills(0, 4, 4, 4, 2)
	a := n.make()
	if got := ors(&a); got != "fill fill fill fill" {
		t.Errorf("got %s", got)
	}
	n.Now += restful
	a = n.make()
	if got := ors(&a); got != "fill fill fill fill/flush" {
		t.Errorf("after a rest: got %s", got)
	}
}

// TestSplashUnmeant: without an idea of what colonies get there, a last top-up
// is one, or a flush.
func TestSplashUnmeant(t *testing.T) {
	n := inOrchard()
	n.sites["orchard"] = Site{}
	n.fills(0, 4, 4)
	n.flow(77+5, 0.5)
	a := n.over().make()
	if got := ors(&a); got != "fill fill top-up/fill" {
		t.Errorf("got %s", got)
	}
}

// TestNowhereDoubts: where no yard is known, a pull or two may be onto the
// ground, and of more the last.
func TestNowhereDoubts(t *testing.T) {
	n := newNight()
	n.fills(0, 4, 4)
	a := n.over().make()
	if got := ors(&a); got != "fill/ground fill/ground" {
		t.Errorf("got %s", got)
	}
	n = newNight()
	n.fills(0, 4, 4, 4)
	a = n.over().make()
	if got := ors(&a); got != "fill fill fill/flush" {
		t.Errorf("got %s", got)
	}
}

// TestAllTold: what does not add up is said to who said that it does.
func TestAllTold(t *testing.T) {
	for _, c := range []struct {
		name   string
		litres []float64
		do     func(n *night)
		want   string
	}{
		{"it adds up", []float64{4, 4, 4, 4}, nil, ""},
		{"one fewer", []float64{4, 4, 4}, nil, "all is told, but there is 1 fill fewer than colonies to feed"},
		{"two fewer", []float64{4, 4}, nil, "all is told, but there are 2 fills fewer than colonies to feed"},
		{"one more", []float64{4, 4, 4, 4, 4}, nil, "all is told, but there is 1 fill more than colonies to feed"},
		{"colonies not said", []float64{4, 4}, func(n *night) { n.sites["orchard"] = Site{} }, "how many colonies stand there is not said"},
	} {
		n := inOrchard()
		e := n.fills(0, c.litres...)
		if c.do != nil {
			c.do(n)
		}
		n.colony(e+2, act.AllTold, 0)
		a := n.make()
		got := ""
		for _, r := range a.Review {
			got += r.Why
		}
		if got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
	n := inOrchard()
	n.colony(5, act.AllTold, 0)
	n.Now = at(10)
	if a := n.make(); len(a.Visits) != 0 || len(a.Review) != 1 {
		t.Errorf("of a yard without a pull: %+v", a)
	}
}
