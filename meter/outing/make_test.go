package outing

import (
	"slices"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/fill"
	"yardtally/meter/tote"
)

// What follows is hand-made nights and what must become of them. The volumes
// and times are invented; the rules are those of the constants beside the code.

const full = "fill 4 orchard position"

func TestAccount(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(n *night)
		want []string
	}{
		{"fills", func(n *night) { n.fills(0, 4, 4) }, []string{full, full}},
		{"a top-up within the time", func(n *night) { n.flow(n.flow(0, 2.5)+8, 1.5) },
			[]string{"fill 2.5 orchard position", "top-up 1.5 orchard position"}},
		{"too late for a top-up", func(n *night) { n.flow(n.flow(0, 2.5)+11, 1.5) },
			[]string{"fill 2.5 orchard position short", "fill 1.5 orchard position short"}},
		{"neighbours on a pallet", func(n *night) { n.flow(n.flow(n.flow(0, 4)+6, 4)+7, 4) }, []string{full, full, full}},
		{"a short one and its neighbour", func(n *night) { n.flow(n.flow(n.flow(0, 4)+7, 2)+7, 4) },
			[]string{full, "fill 2 orchard position short", full}},
		{"a splash after a full one", func(n *night) { n.flow(n.flow(0, 3.8)+5, 0.5) },
			[]string{"fill 3.8 orchard position", "top-up 0.5 orchard position"}},
		{"a button between two pulls", func(n *night) { e := n.flow(0, 2.5); n.press(e+3, 1, true); n.flow(e+8, 1.5) },
			[]string{"fill 2.5 orchard position short", "fill 1.5 orchard position short"}},
		{"a button heard long after two pulls", func(n *night) { e := n.flow(n.flow(0, 2.5)+8, 1.5); n.press(e+100, 1, true) },
			[]string{"fill 2.5 orchard position", "top-up 1.5 orchard position"}},
		{"a top-up that is said to be a fill", func(n *night) {
			n.flow(n.flow(0, 2.5)+8, 1.5)
			n.Deems = []Deem{{"d", 7, 1250, 1400, act.AsFill}}
		}, []string{"fill 2.5 orchard position short", "fill 1.5 orchard position short"}},
		{"what is said", func(n *night) {
			n.fills(0, 1, 1, 1, 1, 1, 1)
			for i, as := range []string{act.AsPriming, act.AsFlush, act.AsProving, act.AsSpill, act.AsSuspect, act.AsTopUp} {
				n.Deems = append(n.Deems, Deem{"d", 7, 1000 + uint64(i)*100, 1100 + uint64(i)*100, as})
			}
		}, []string{"priming 1 orchard position", "flush 1 orchard position", "proving 1 orchard position", "spill 1 orchard position",
			"suspect 1 orchard position", "fill 1 orchard position short"}},
		{"the later word wins", func(n *night) {
			n.fills(0, 4)
			n.Deems = []Deem{{"d", 7, 1000, 1400, act.AsSpill}, {"e", 7, 1000, 1400, act.AsFlush}}
		}, []string{"flush 4 orchard position"}},
		{"a dribble", func(n *night) { n.fills(0, 4); n.flowing(40, 0.1, 1, fill.Dribble) }, []string{full, "dribble 0.1 orchard position"}},
		{"unseen flow", func(n *night) { n.fills(0, 4); n.flowing(70, 9, 180, fill.Hidden) }, []string{full, "unseen 9 orchard position"}},
		{"the rest of a pull after unseen flow is neither priming nor short", func(n *night) {
			n.flowing(0, 9, 180, fill.Hidden)
			n.fills(n.flow(180, 1)+40, 4, 4)
		}, []string{"unseen 9 orchard position", "fill 1 orchard position", full, full}},
		{"a burst and its edges", func(n *night) {
			n.fills(0, 4)
			n.flowing(100, 0.5, 0.2, fill.Pull)
			n.flowing(100.2, 20, 2, fill.Suspect)
			n.flowing(102.2, 0.3, 0.2, fill.Pull)
		}, []string{full, "suspect 0.5 orchard position", "suspect 20 orchard position", "suspect 0.3 orchard position"}},
		{"no fall in the tote", func(n *night) {
			n.fills(0, 4, 4)
			n.Doubts = []tote.Doubt{{Why: tote.NoFall, Sure: true, Flows: []int{1}, Excess: 4 * litre, Within: litre}}
		}, []string{full, "suspect 4 orchard position"}},
		{"a doubt that is not sure", func(n *night) {
			n.fills(0, 4, 4)
			n.Doubts = []tote.Doubt{{Why: tote.LessFall, Flows: []int{0, 1}, Excess: 4 * litre, Within: litre}}
		}, []string{full, full}},
		{"a burst that explains what the tote did not give", func(n *night) {
			n.fills(0, 4)
			n.flowing(100, 20, 2, fill.Suspect)
			n.Doubts = []tote.Doubt{{Why: tote.NoFall, Sure: true, Flows: []int{0, 1}, Excess: 19 * litre, Within: 3 * litre}}
		}, []string{full, "suspect 20 orchard position"}},
		{"air by what the tote gave", func(n *night) {
			n.fills(0, 4, 4, 4)
			n.Doubts = []tote.Doubt{{Why: tote.Empty, Sure: true, Flows: []int{1, 2}, Part: 0.25}}
		}, []string{full, "fill 3 orchard position short", "air 1 orchard position", "air 4 orchard position"}},
		{"air by a surge with the tote at its outlet", func(n *night) {
			n.fills(0, 4)
			n.flowing(70, 6, 30, fill.Pull)
			n.Flows[1].Surge = 1700
			n.flowing(120, 4, 15, fill.Pull)
			n.level(0, 40)
			n.level(200, 0)
		}, []string{full, "fill 3 orchard position short", "air 3 orchard position", "air 4 orchard position"}},
		{"air by a surge, and refilled at once", func(n *night) {
			n.fills(0, 4)
			n.flowing(70, 6, 30, fill.Pull)
			n.Flows[1].Surge = 1700
			n.level(0, 40)
			n.level(400, 40)
		}, []string{full, "fill 3 orchard position short", "air 3 orchard position"}},
		{"a surge with the tote soon seen not to be empty", func(n *night) {
			n.fills(0, 4)
			n.flowing(70, 5, 30, fill.Pull)
			n.Flows[1].Surge = 1700
			n.level(0, 40)
			n.level(150, 40)
		}, []string{full, "fill 5 orchard position"}},
		{"a surge no faster than syrup was before", func(n *night) {
			n.flowing(0, 4, 12, fill.Pull)
			n.flowing(70, 5, 30, fill.Pull)
			n.Flows[1].Surge = 1700
			n.level(0, 40)
			n.level(400, 40)
		}, []string{full, "fill 5 orchard position"}},
		{"thinner syrup flows faster", func(n *night) {
			n.fills(0, 4)
			n.flowing(70, 4, 10, fill.Pull)
			n.level(50, 0)
			n.level(100, 40)
		}, []string{full, full}},
		{"a drained hose", func(n *night) {
			n.hose = 3 * litre
			n.Drains = []Drain{{"h", at(-5)}}
			n.fills(0, 2, 5, 4)
		}, []string{"hose 2 orchard position", "hose 1 orchard position", full, full}},
		{"a hose that was drained during a pull", func(n *night) {
			n.hose = 3 * litre
			n.fills(0, 2, 4, 4)
			n.Drains = []Drain{{"h", at(4)}}
		}, []string{"fill 2 orchard position short", "hose 1 orchard position", "fill 3 orchard position short", full}},
		{"far more than a colony can take", func(n *night) { n.fills(0, 18, 4, 4) }, []string{"proving 18 orchard position", full, full}},
		{"unless it is said to be shared", func(n *night) { e := n.fills(0, 18); n.colony(e+5, act.Shared, 3); n.fills(e+40, 4) },
			[]string{"fill 18 orchard position", full}},
		{"or to be a fill", func(n *night) { n.fills(0, 18, 4); n.Deems = []Deem{{"d", 7, 1000, 2800, act.AsFill}} },
			[]string{"fill 18 orchard position", full}},
		{"a cut", func(n *night) { n.fills(0, 8); n.Cuts = []Cut{{"c", 7, 1400}} }, []string{full, full}},
		{"two pulls said to be one", func(n *night) {
			n.fills(0, 2, 2)
			n.Deems = []Deem{{"d", 7, 1200, 1400, act.AsTopUp}}
		}, []string{"fill 2 orchard position", "top-up 2 orchard position"}},
		{"by hand", func(n *night) { n.fills(0, 4, 4); n.Assigns = []Assign{{"a", 7, 1000, 1400, "mill"}} },
			[]string{"fill 4 mill hand", full}},
		{"by hand to no yard", func(n *night) { n.fills(0, 4); n.Assigns = []Assign{{"a", 7, 1000, 1400, ""}} },
			[]string{"fill 4 hand"}},
		{"a proving by its counts", func(n *night) {
			n.fills(0, 9, 4)
			n.Said.Proved = []Proved{{Act: "p", Session: 7, First: 1000, Last: 1900}}
		}, []string{"proving 9 orchard position", full}},
		{"a proving by its pulses", func(n *night) {
			n.fills(0, 8, 9, 4)
			n.Said.Proved = []Proved{{Act: "p", Pulses: 899, Done: at(200)}}
		}, []string{"fill 8 orchard position", "proving 9 orchard position", full}},
		{"a proving of two stretches", func(n *night) {
			n.fills(n.flow(n.flow(0, 8.5)+20, 0.5)+60, 4, 4)
			n.Said.Proved = []Proved{{Act: "p", Pulses: 900, Done: at(120)}}
		}, []string{"proving 8.5 orchard position", "proving 0.5 orchard position", full, full}},
		{"a proving booked too late", func(n *night) {
			n.fills(0, 8)
			n.Said.Proved = []Proved{{Act: "p", Pulses: 800, Done: at(64 + 901)}}
		}, []string{"fill 8 orchard position"}},
		{"as many pulses as two colonies took are no proving", func(n *night) {
			n.fills(n.flow(0, 4)+20, 4)
			n.Said.Proved = []Proved{{Act: "p", Pulses: 800, Done: at(100)}}
		}, []string{full, full}},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := inOrchard()
			c.do(n)
			a := n.make()
			if got := lines(&a); !slices.Equal(got, c.want) {
				t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(c.want, "\n  "))
			}
		})
	}
}

// Outages leave pieces of pulls, more of them than whole ones; where nobody said
// what a colony is meant to get, whole ones are no buckets for that. A bucket is.
func TestPiecesAndBuckets(t *testing.T) {
	for _, c := range []struct {
		litres  []float64
		buckets int
	}{
		{[]float64{1, 1.1, 0.9, 4, 1.2, 1, 4, 3.9}, 0},
		{[]float64{4, 4, 4, 4, 4, 18}, 1},
	} {
		n := inOrchard()
		n.sites["orchard"] = Site{Colonies: 24}
		s := 0.0
		for _, l := range c.litres {
			s = n.flow(s, l) + 60
		}
		a := n.make()
		buckets := 0
		for i := range a.Loose {
			if a.Loose[i].Why == Proving {
				buckets++
			}
		}
		if buckets != c.buckets {
			t.Errorf("%v: %d buckets, want %d: %q", c.litres, buckets, c.buckets, lines(&a))
		}
	}
}

// TestPriming: small pulls at the ends of a visit, by size and by the number of
// colonies (common practice, no source).
func TestPriming(t *testing.T) {
	for _, c := range []struct {
		name   string
		litres []float64
		over   bool
		do     func(n *night)
		want   string // whys of the first and last pull
	}{
		{"one more than colonies", []float64{1.5, 4, 4, 4, 4}, true, nil, "priming fill"},
		{"a large one more", []float64{6, 4, 4, 4, 4.1}, true, nil, "priming fill"},
		{"one more at the end", []float64{4, 4, 4, 4, 2.5}, true, nil, "fill flush"},
		{"both", []float64{1, 4, 4, 4, 4, 2}, true, nil, "priming flush"},
		{"as many as colonies, short", []float64{2, 4, 4, 4}, true, nil, "fill fill"},
		{"as many as colonies, very small", []float64{1, 4, 4, 4}, true, nil, "fill fill"},
		{"fewer, very small", []float64{1, 4, 4}, true, nil, "priming fill"},
		{"as many as colonies, very small, and some unseen", []float64{1, 4, 4, 4}, true, func(n *night) {
			e := float64(n.Flows[3].End-t0) / 1e9
			n.flowing(e+60, 4, 180, fill.Hidden)
		}, "priming unseen"},
		{"very small, more to come", []float64{1, 4, 4, 4}, false, nil, "priming fill"},
		{"one more, all alike", []float64{4, 4.1, 4, 4, 4}, true, nil, "fill fill"},
		{"a dead colony that was said", []float64{2, 4, 4, 4}, true, func(n *night) { n.colony(100, act.Dead, 1) }, "priming fill"},
		{"two feeders that were said", []float64{2, 4, 4, 4, 4}, true, func(n *night) { n.colony(230, act.TwoFeeders, 1) }, "fill fill"},
		{"colonies not said", []float64{1, 4, 4, 4, 4}, true, func(n *night) { n.sites["orchard"] = Site{Meant: 4 * litre} }, "priming fill"},
		{"said to be a fill", []float64{1, 4, 4, 4, 4}, true, func(n *night) { n.Deems = []Deem{{"d", 7, 1000, 1100, act.AsFill}} }, "fill fill"},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := inOrchard()
			n.fills(0, c.litres...)
			n.Ended = c.over
			if c.do != nil {
				c.do(n)
			}
			a := n.make()
			got := lines(&a)
			word := func(s string) string { return strings.Fields(s)[0] }
			if s := word(got[0]) + " " + word(got[len(got)-1]); s != c.want {
				t.Errorf("first and last are %s, want %s: %q", s, c.want, got)
			}
		})
	}
}

func TestGround(t *testing.T) {
	n := newNight()
	n.stands(0, 300, "")
	n.stands(400, 2000, "orchard")
	n.fills(100, 1, 2)
	n.fills(500, 4, 4)
	a := n.make()
	want := []string{"ground 1 outside", "ground 2 outside", full, full}
	if got := lines(&a); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	n = newNight()
	n.stands(0, 3000, "")
	n.fills(100, 4, 4, 4)
	a = n.make()
	want = []string{"fill 4 outside", "fill 4 outside", "fill 4 outside"}
	if got := lines(&a); !slices.Equal(got, want) {
		t.Errorf("a yard that nobody has described: got %q, want %q", got, want)
	}
}

// TestHoldUp: what leaves the nozzle passed the meter a hose ago.
func TestHoldUp(t *testing.T) {
	n := inOrchard()
	n.hose = 6 * litre
	n.fills(0, 4, 4, 4, 4)
	// The first 4 L go before the change, at 60 %; then 50 %.
	n.brix, n.since = []float64{60, 50}, []quantity.Volume{-100 * litre, 4 * litre}
	a := n.make()
	// 4 L at 1300 kg/m³ are 5.2 kg: of 60 %, of 60 %, half and half, of 50 % (computed).
	for i, want := range []float64{3.12, 3.12, 2.86, 2.6} {
		if got := float64(a.Fills[i].Solids); got < want-1e-6 || got > want+1e-6 {
			t.Errorf("fill %d has %g kg of sugar, want %g", i, got, want)
		}
	}
	if b := a.Fills[2].Brix; b < 54.99 || b > 55.01 {
		t.Errorf("the fill that has both is %g brix, want 55", b)
	}
	n.since[0] = 0 // before the first batch the hose held something unknown
	a = n.make()
	if a.Fills[0].Solids != 0 || a.Fills[0].Brix != 0 {
		t.Errorf("sugar of an unknown batch: %+v", a.Fills[0])
	}
}

func TestShortAndHalf(t *testing.T) {
	n := inOrchard()
	n.fills(0, 4, 3.3, 3.1, 1.9)
	a := n.over().make()
	v := a.Visits[0]
	if v.Short != 2 || v.Half != 1 || v.Least != litre*19/10 || v.Most != 4*litre {
		t.Errorf("visit is %+v, want 2 short, 1 half, 1.9 to 4 L", v)
	}
	n = inOrchard()
	n.fills(0, 4, 2)
	n.Open = true
	a = n.make()
	if a.Fills[1].Short || !a.Fills[1].Open {
		t.Errorf("a fill that goes on is %+v", a.Fills[1])
	}
	// Where nothing was said of what is meant, five usual ones say it.
	n = inOrchard()
	n.sites["orchard"] = Site{}
	n.fills(0, 3, 3, 1, 3, 3)
	a = n.over().make()
	if !a.Fills[2].Short || a.Visits[0].Short != 1 {
		t.Errorf("of five the small one is not short: %+v", a.Visits[0])
	}
}

func TestReviewsAndHits(t *testing.T) {
	n := inOrchard()
	n.fills(0, 4, 4)
	n.Assigns = []Assign{{"through", 7, 1200, 1800, "mill"}, {"nowhere", 9, 0, 9000, "mill"}}
	n.Cuts = []Cut{{"cut", 7, 1100}, {"outside", 7, 1400}}
	n.Drains = []Drain{{"drain", at(-1)}}
	n.arrive(10, "orchard")
	a := n.make()
	for _, id := range []string{"through", "cut", "drain"} {
		if !slices.Contains(a.Hits, id) {
			t.Errorf("%s is no hit: %q", id, a.Hits)
		}
	}
	for _, id := range []string{"nowhere", "outside"} {
		if slices.Contains(a.Hits, id) {
			t.Errorf("%s is a hit: %q", id, a.Hits)
		}
	}
	has := func(id, why string) bool {
		return slices.ContainsFunc(a.Review, func(r Review) bool { return r.Act == id && strings.Contains(r.Why, why) })
	}
	if !has("through", "cuts through a fill") || !has("drain", "what the hose holds is not known") || len(a.Review) != 2 {
		t.Errorf("reviews are %+v", a.Review)
	}
	// Where a person cut it first, it is no surprise.
	n.Cuts = append(n.Cuts, Cut{"cut2", 7, 1200})
	a = n.make()
	if has("through", "cuts through a fill") {
		t.Errorf("reviews are %+v", a.Review)
	}
}
