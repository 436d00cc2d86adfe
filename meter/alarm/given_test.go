package alarm

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/watch"
)

// announce says that a change of a verdict's alarm was given out.
func announce(when float64, what string, v watch.Verdict) act.Act {
	return say(when, act.Announced{Key: KeyOf(&v), What: what, At: act.Moment{NS: at(when)}, Kinds: names(v.Kinds), Channel: v.Channel, Yard: v.Yard})
}

func pulled(v watch.Verdict, first uint64) watch.Verdict {
	v.Session, v.First, v.Last = 7, first, first+50
	return v
}

// What was given out stays the same alarm, with its answer, when it is
// understood a little otherwise.
func TestRecognised(t *testing.T) {
	was := pulled(verdict(10, 0, watch.Air, watch.Empty), 100)
	now := pulled(verdict(14, 0, watch.Empty), 120)
	air, line := verdict(10, 0, watch.Sensor), verdict(14, 0, watch.Sensor)
	air.Channel, line.Channel = "air", "line"
	ack := say(12, act.Ack{Key: KeyOf(&was)})
	for _, c := range []struct {
		name string
		acts []act.Act
		vs   []watch.Verdict
		want string // of each: key, path
	}{
		{"told anew", []act.Act{announce(10, act.Raised, was), ack}, []watch.Verdict{now}, KeyOf(&was) + ": unacknowledged 10, acknowledged 12"},
		{"not given out", []act.Act{ack}, []watch.Verdict{now}, KeyOf(&now) + ": unacknowledged 14"},
		{"taken back", []act.Act{announce(10, act.Raised, was), say(11, act.Undo{Act: announce(10, act.Raised, was).ID})}, []watch.Verdict{now}, KeyOf(&now) + ": unacknowledged 14"},
		{"it has its own verdict still", []act.Act{announce(10, act.Raised, was), ack}, []watch.Verdict{now, was},
			KeyOf(&was) + ": unacknowledged 10, acknowledged 12; " + KeyOf(&now) + ": unacknowledged 14"},
		{"it had returned", []act.Act{announce(10, act.Raised, was), announce(13, act.Returned, was)}, []watch.Verdict{now}, KeyOf(&now) + ": unacknowledged 14"},
		{"over before it was given out", []act.Act{announce(30, act.Raised, was)}, []watch.Verdict{pulled(verdict(14, 15, watch.Empty), 120)},
			KeyOf(&now) + ": unacknowledged 14, returned 17"},
		{"another sensor", []act.Act{announce(10, act.Raised, air)}, []watch.Verdict{line}, KeyOf(&line) + ": unacknowledged 14"},
		{"more urgent", []act.Act{announce(10, act.Raised, verdict(10, 0, watch.Vent))}, []watch.Verdict{verdict(14, 0, watch.Vent, watch.Air)},
			KeyOf(&watch.Verdict{Kinds: []watch.Kind{watch.Vent, watch.Air}, From: at(13)}) + ": unacknowledged 14"},
		{"less urgent", []act.Act{announce(10, act.Raised, verdict(10, 0, watch.Vent, watch.Air))}, []watch.Verdict{verdict(14, 0, watch.Vent)},
			KeyOf(&watch.Verdict{Kinds: []watch.Kind{watch.Vent, watch.Air}, From: at(9)}) + ": unacknowledged 10"},
	} {
		var got []string
		for _, a := range Life(c.vs, c.acts, at(40)) {
			got = append(got, a.Key+": "+path(&a))
		}
		if s := strings.Join(got, "; "); s != c.want {
			t.Errorf("%s: %q, want %q", c.name, s, c.want)
		}
	}
}

func TestDue(t *testing.T) {
	kink, over, note := pulled(verdict(10, 0, watch.Kink), 100), pulled(verdict(10, 20, watch.Kink), 100), verdict(10, 0, watch.Old)
	second := pulled(verdict(24, 0, watch.Kink), 500)
	raised, returned := announce(10, act.Raised, kink), announce(22, act.Returned, kink)
	for _, c := range []struct {
		name string
		vs   []watch.Verdict
		acts []act.Act
		now  float64
		want string
	}{
		{"new", []watch.Verdict{kink}, nil, 11, "raised"},
		{"given out", []watch.Verdict{kink}, []act.Act{raised}, 11, ""},
		{"a note", []watch.Verdict{note}, nil, 11, ""},
		{"answered before it was given out", []watch.Verdict{kink}, []act.Act{say(11, act.Ack{Key: KeyOf(&kink)})}, 12, ""},
		{"on the shelf", []watch.Verdict{kink}, []act.Act{say(5, act.Shelve{What: "kink", Until: act.Moment{NS: at(60)}})}, 12, ""},
		{"off the shelf", []watch.Verdict{kink}, []act.Act{say(5, act.Shelve{What: "kink", Until: act.Moment{NS: at(60)}})}, 60, "raised"},
		{"over, and never given out", []watch.Verdict{over}, nil, 30, ""},
		{"the off-delay runs", []watch.Verdict{over}, []act.Act{raised}, 21, ""},
		{"over", []watch.Verdict{over}, []act.Act{raised}, 22, "returned"},
		{"over, and given out", []watch.Verdict{over}, []act.Act{raised, returned}, 23, ""},
		{"no longer told", nil, []act.Act{raised}, 23, "returned, of no verdict"},
		{"back at once", []watch.Verdict{over, second}, []act.Act{raised, returned}, 23.9, ""},
		{"back after the delay", []watch.Verdict{over, second}, []act.Act{raised, returned}, 24, "raised"},
		{"it goes on after all", []watch.Verdict{kink}, []act.Act{raised, returned}, 24, "raised"},
		{"and is given out again", []watch.Verdict{kink}, []act.Act{raised, returned, announce(25, act.Raised, kink)}, 26, ""},
		{"back a second time, too soon", []watch.Verdict{kink}, []act.Act{raised, returned, announce(25, act.Raised, kink), announce(30, act.Returned, kink)}, 33.9, ""},
		{"back a second time", []watch.Verdict{kink}, []act.Act{raised, returned, announce(25, act.Raised, kink), announce(30, act.Returned, kink)}, 34, "raised"},
	} {
		var got []string
		for _, x := range Due(Life(c.vs, c.acts, at(c.now)), c.acts, at(c.now)) {
			s := x.What
			if x.Alarm == nil {
				s += ", of no verdict"
			}
			if len(x.Kinds) == 0 || x.Key == "" {
				t.Errorf("%s: %+v", c.name, x)
			}
			got = append(got, s)
		}
		if s := strings.Join(got, "; "); s != c.want {
			t.Errorf("%s: %q, want %q", c.name, s, c.want)
		}
	}
}

// Verdicts that are told anew at each look, at other pulls and as other pairs,
// and such as come and go, make few announcements: one where it is one matter,
// and no more than the delays allow whatever happens. A look is every ten
// seconds, and a person answers now and then.
func TestRestatedVerdicts(t *testing.T) {
	for _, c := range []struct {
		name string
		gone float64 // share of looks from which on it is not told for some minutes
		most int     // raised in 8 h
	}{
		{"always told, always otherwise", 0, 1},
		{"gone now and then", 0.01, 5 + 2*8},
		{"gone most of the time", 0.2, 5 + 2*8},
	} {
		worst, seeds := 0, uint64(4)
		if os.Getenv("YARDTALLY_FULL") != "" {
			seeds = 40
		}
		for seed := range seeds {
			r := rand.New(rand.NewPCG(seed, 5))
			var acts []act.Act
			raised, quiet := 0, 0
			open := map[string]bool{}
			for look := range 8 * 360 {
				now := float64(look) / 6
				var vs []watch.Verdict
				if quiet--; quiet < 0 && r.Float64() < c.gone {
					quiet = 1 + r.IntN(60)
				}
				if quiet < 0 {
					v := verdict(min(now, 5+r.Float64()), 0, watch.Empty)
					if r.IntN(2) == 0 {
						v.Kinds = []watch.Kind{watch.Air, watch.Empty}
					}
					vs = append(vs, pulled(v, r.Uint64N(1000)))
				}
				alarms := Life(vs, acts, at(now))
				for _, x := range Due(alarms, acts, at(now)) {
					if open[x.Key] == (x.What == act.Raised) {
						t.Fatalf("%s, seed %d: %s is %s twice", c.name, seed, x.Key, x.What)
					}
					open[x.Key] = x.What == act.Raised
					if x.What == act.Raised {
						raised++
					}
					acts = append(acts, act.Act{ID: fmt.Sprint("g", len(acts)), Rig: "heron", Who: "rig", When: at(now),
						Body: act.Announced{Key: x.Key, What: x.What, At: act.Moment{NS: at(now)}, Kinds: x.Kinds}})
				}
				if len(alarms) > 0 && r.IntN(2000) == 0 {
					acts = append(acts, act.Act{ID: fmt.Sprint("k", len(acts)), Rig: "heron", Who: "wren", When: at(now), Body: act.Ack{Key: alarms[0].Key}})
				}
			}
			worst = max(worst, raised)
			if raised == 0 {
				t.Errorf("%s, seed %d: never raised", c.name, seed)
			}
			keys := 0
			for _, on := range open {
				if on {
					keys++
				}
			}
			if keys > 1 {
				t.Errorf("%s, seed %d: %d are said to stand at once", c.name, seed, keys)
			}
		}
		if worst > c.most {
			t.Errorf("%s: raised %d times in 8 h, want %d at most", c.name, worst, c.most)
		}
		t.Logf("%s: raised %d times in 8 h at most", c.name, worst)
	}
}

// What was given out is read in any order, and what was said twice counts once.
func TestGivenTwice(t *testing.T) {
	kink := pulled(verdict(10, 0, watch.Kink), 100)
	acts := []act.Act{announce(10, act.Raised, kink), announce(11, act.Raised, kink), announce(22, act.Returned, kink), announce(23, act.Returned, kink)}
	for seed := range uint64(10) {
		r := rand.New(rand.NewPCG(seed, 6))
		in := slices.Clone(acts)
		r.Shuffle(len(in), func(i, j int) { in[i], in[j] = in[j], in[i] })
		s := read(in, at(30))
		if len(s.given) != 1 || len(s.given[0].raised) != 1 || s.given[0].raised[0] != at(10) || len(s.given[0].returned) != 1 || s.given[0].returned[0] != at(22) {
			t.Fatalf("%+v", s.given[0])
		}
	}
}
