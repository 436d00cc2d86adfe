package fill

import (
	"math/rand/v2"
	"testing"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/meter/worth"
)

const sec = int64(1_000_000_000)

var rules = Rules{Quiet: 5 * sec / 2, Least: 250 * quantity.Millilitre}

// hundred is a meter of 100 pulses/L at any flow.
var hundred = meterOf(100)

func meterOf(perLitre float64) worth.Meter {
	c, err := proving.NewCurve(proving.Meter{}, nil, perLitre, 0)
	if err != nil {
		panic(err)
	}
	return worth.Under(c, 1, worth.Passing{Temp: 20})
}

type step struct {
	n    uint64  // pulses
	took float64 // s
	mark string  // "fast", "restart"
}

// run feeds steps of 10 mL pulses and a long quiet.
func run(steps []step) []Piece {
	var s State
	var out []Piece
	at, n, session := int64(0), uint64(100), 1
	for _, x := range append(steps, step{0, 2.9, ""}, step{0, 2.9, ""}) {
		took := int64(x.took * 1e9)
		from := n
		if x.mark == "restart" {
			session, from = session+1, 0
		}
		n = from + x.n
		out = s.Next(Move{Session: session, From: from, To: n, FromAt: at, ToAt: at + took, Took: took,
			Meter: &hundred, Fast: x.mark == "fast"}, rules, out)
		at += took
	}
	return out
}

func TestPieces(t *testing.T) {
	pull := []step{{20, 0.2, ""}, {20, 0.2, ""}, {20, 0.2, ""}}
	join := func(parts ...[]step) (all []step) {
		for _, p := range parts {
			all = append(all, p...)
		}
		return all
	}
	quiet := func(s float64) []step { return []step{{0, s / 2, ""}, {0, s / 2, ""}} }
	type want struct {
		kind   Kind
		pulses uint64
	}
	for _, tc := range []struct {
		name  string
		steps []step
		want  []want
	}{
		{"nothing", quiet(2), nil},
		{"one pull", pull, []want{{Pull, 60}}},
		{"two pulls", join(pull, quiet(4), pull), []want{{Pull, 60}, {Pull, 60}}},
		{"a moment's rest does not end it", join(pull, quiet(2), pull), []want{{Pull, 120}}},
		{"partial trigger", join(pull, []step{{1, 1, ""}, {0, 1, ""}, {1, 1, ""}, {0, 1, ""}, {1, 1, ""}}, pull), []want{{Pull, 123}}},
		{"dribble", []step{{3, 0.2, ""}}, []want{{Dribble, 3}}},
		{"just enough", []step{{25, 0.2, ""}}, []want{{Pull, 25}}},
		{"one pulse short", []step{{24, 0.2, ""}}, []want{{Dribble, 24}}},
		{"unseen alone", []step{{500, 40, ""}}, []want{{Hidden, 500}}},
		{"unseen after a pull", join(pull, []step{{500, 40, ""}}), []want{{Pull, 60}, {Hidden, 500}}},
		{"silence without flow ends a pull", join(pull, []step{{0, 3.1, ""}}, pull), []want{{Pull, 60}, {Pull, 60}}},
		{"suspect between", join(pull, []step{{9000, 0.2, "fast"}}, pull), []want{{Pull, 60}, {Suspect, 9000}, {Pull, 60}}},
		{"restart mid fill", join(pull, []step{{5, 0.2, "restart"}}, pull), []want{{Pull, 60}, {Pull, 65}}},
		{"restart without a pulse", join(pull, []step{{0, 0.2, "restart"}}, pull), []want{{Pull, 60}, {Pull, 60}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := run(tc.steps)
			if len(got) != len(tc.want) {
				t.Fatalf("%d pieces, want %d: %+v", len(got), len(tc.want), got)
			}
			for i, w := range tc.want {
				if got[i].Kind != w.kind || got[i].Last-got[i].First != w.pulses {
					t.Errorf("piece %d is %d of %d pulses, want %d of %d", i, got[i].Kind, got[i].Last-got[i].First, w.kind, w.pulses)
				}
			}
		})
	}
}

func TestFlowing(t *testing.T) {
	// 0.6 s of flow, a rest of 1 s, 0.6 s of flow: the rest in between is part
	// of the pull, the quiet after it is not.
	got := run([]step{{20, 0.2, ""}, {20, 0.2, ""}, {20, 0.2, ""}, {0, 1, ""}, {20, 0.2, ""}, {20, 0.2, ""}, {20, 0.2, ""}})
	if len(got) != 1 || got[0].Flowing != 22*sec/10 || got[0].End-got[0].Start != 22*sec/10 {
		t.Errorf("%+v", got)
	}
}

// Whatever moves, pieces never overlap and together are all of the flow.
func TestAllFlowOnce(t *testing.T) {
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 3))
		var steps []step
		moved := uint64(0)
		for range 300 {
			x := step{took: 0.2}
			switch r.IntN(12) {
			case 0, 1, 2:
				x.n = uint64(r.IntN(30))
			case 3:
				x.took = 10 * r.Float64()
				x.n = uint64(r.IntN(3) * r.IntN(300))
			case 4:
				if r.IntN(4) == 0 {
					x = step{uint64(1000 + r.IntN(1000)), 0.2, "fast"}
				}
			case 5:
				if r.IntN(4) == 0 {
					x.mark, x.n = "restart", uint64(r.IntN(20))
				}
			}
			moved += x.n
			steps = append(steps, x)
		}
		var sum quantity.Volume
		pieces := run(steps)
		for i, p := range pieces {
			sum += p.Volume()
			if p.Last <= p.First || p.End < p.Start {
				t.Fatalf("seed %d: empty piece %+v", seed, p)
			}
			if i > 0 {
				if q := pieces[i-1]; p.Start < q.End || p.Session < q.Session || p.Session == q.Session && p.First < q.Last {
					t.Fatalf("seed %d: %+v overlaps %+v", seed, p, q)
				}
			}
		}
		if want := quantity.Volume(moved) * 10 * quantity.Millilitre; sum != want {
			t.Fatalf("seed %d: pieces are %v, moved %v", seed, sum, want)
		}
	}
}
