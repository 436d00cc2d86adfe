package yard

import (
	"math"
	"testing"

	"yardtally/calibrate/quantity"
)

// stood returns a stay between two seconds from start, metres east of home, with
// an uncertainty of 3 m. left and since: seconds from start; -1: 0 and from.
func stood(east float64, from, to, left, since int64) Stay {
	c := home.at(east, 0)
	s := Stay{From: start + from*sec, To: start + to*sec, Lat: c.Lat, Lon: c.Lon, U: 3, N: 9}
	s.Since = s.From
	if since >= 0 {
		s.Since = start + since*sec
	}
	if left >= 0 {
		s.LeftAt = start + left*sec
	}
	return s
}

func two(yard, other string) Found { return Found{yard, other, TwoYards} }

func TestLocate(t *testing.T) {
	// All of it once eastward and once northward.
	t.Run("east", func(t *testing.T) { locates(t, func(along, across float64) xy { return xy{along, across} }) })
	t.Run("north", func(t *testing.T) { locates(t, func(along, across float64) xy { return xy{across, along} }) })
}

func locates(t *testing.T, to func(along, across float64) xy) {
	type stay struct {
		along float64
		from  int64 // stands for 50 s
		u     float64
	}
	round := func(id string, along, enter float64) Place {
		c := to(along, 0)
		p := circle(id, c.x, c.y)
		p.Enter, p.Leave = quantity.Length(enter), quantity.Length(enter+20)
		return p
	}
	yards := []Place{round("orchard", 0, 60), round("mill", 120, 60)}
	wide := []Place{round("mill", 120, 140), round("orchard", 0, 140), round("larch", -130, 140)}
	block := ring(home, to(-50, -30), to(50, -30), to(50, 30), to(-50, 30))
	next := ring(home, to(56, -30), to(150, -30), to(150, 30), to(56, 30))
	outlines := []Place{{ID: "orchard", Enter: 10, Leave: 25, Ring: block}, {ID: "mill", Enter: 10, Leave: 25, Ring: next}}
	over := []Place{{ID: "orchard", Enter: 10, Leave: 25, Ring: block}, {ID: "mill", Enter: 10, Leave: 25, Ring: block}}
	for _, tc := range []struct {
		name   string
		places []Place
		stays  []stay
		want   []Found
	}{
		{"no stays", yards, nil, nil},
		{"no yards", nil, []stay{{0, 0, 3}}, []Found{out}},
		{"one of two", yards, []stay{{0, 0, 3}, {120, 100, 3}}, []Found{in("orchard"), in("mill")}},
		{"between the radii, from outside", yards, []stay{{-300, 0, 3}, {-70, 100, 3}}, []Found{out, out}},
		{"between the radii, from inside", yards, []stay{{0, 0, 3}, {-70, 100, 3}, {-79, 200, 3}, {-81, 300, 3}, {-70, 400, 3}}, []Found{in("orchard"), in("orchard"), in("orchard"), out, out}},
		{"between the radii, long after", yards, []stay{{0, 0, 3}, {-70, 351, 3}}, []Found{in("orchard"), out}},
		{"between the radii, not quite so long after", yards, []stay{{0, 0, 3}, {-70, 350, 3}}, []Found{in("orchard"), in("orchard")}},
		{"half way between", yards, []stay{{60, 0, 3}}, []Found{two("orchard", "mill")}},
		{"54 and 66 m: could be the other", yards, []stay{{54.1, 0, 3}}, []Found{two("orchard", "mill")}},
		{"further from the other than could be", yards, []stay{{53.9, 0, 3}}, []Found{in("orchard")}},
		{"the same, less sure", yards, []stay{{53.9, 0, 5}}, []Found{two("orchard", "mill")}},
		{"so unsure that it could be beyond the leave", yards, []stay{{35, 0, 30}}, []Found{two("orchard", "mill")}},
		{"an outline without a corner on Earth", []Place{{ID: "orchard", Lat: home.Lat, Lon: home.Lon, Enter: 60, Leave: 80, Ring: []Corner{{400, 0}}}}, []stay{{0, 0, 3}}, []Found{in("orchard")}},
		{"nearly between, surer", yards, []stay{{58, 0, 0.9}}, []Found{in("orchard")}},
		{"come from one, half way, and on", yards, []stay{{0, 0, 3}, {60, 100, 3}, {-70, 200, 3}}, []Found{in("orchard"), two("orchard", "mill"), in("orchard")}},
		{"come from one, in the other, and back outside both", yards, []stay{{0, 0, 3}, {120, 100, 3}, {-70, 200, 3}}, []Found{in("orchard"), in("mill"), out}},
		{"between two and nearer to neither yard's outside", yards, []stay{{-70, 0, 3}, {60, 100, 3}, {-70, 200, 3}}, []Found{out, two("orchard", "mill"), out}},
		{"in three, the nearest", wide, []stay{{8, 0, 3}, {-20, 0, 3}, {100, 400, 3}}, []Found{in("orchard"), in("orchard"), in("mill")}},
		{"in three, half way between two", wide, []stay{{58, 0, 3}, {-66, 0, 3}, {62, 0, 3}}, []Found{two("orchard", "mill"), two("larch", "orchard"), two("mill", "orchard")}},
		{"in three, all alike", wide, []stay{{-4.9, 0, 100}, {-5.1, 800, 100}}, []Found{two("orchard", "mill"), two("orchard", "larch")}},
		{"in three, all alike, in other order", []Place{wide[2], wide[1], wide[0]}, []stay{{-4.9, 0, 100}, {-5.1, 800, 100}}, []Found{two("orchard", "mill"), two("orchard", "larch")}},
		{"in an outline", outlines, []stay{{45, 0, 1}, {100, 400, 1}}, []Found{in("orchard"), in("mill")}},
		{"in the lane between two", outlines, []stay{{52.5, 0, 1}}, []Found{two("orchard", "mill")}},
		{"outside an outline, within its leave", outlines, []stay{{-45, 0, 3}, {-70, 100, 3}, {-80, 200, 3}}, []Found{in("orchard"), in("orchard"), out}},
		{"in two outlines", over, []stay{{0, 0, 3}}, []Found{two("orchard", "mill")}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var stays []Stay
			for _, s := range tc.stays {
				st := stood(0, s.from, s.from+50, -1, -1)
				at := to(s.along, 0)
				c := home.at(at.x, at.y)
				st.Lat, st.Lon = c.Lat, c.Lon
				st.U = quantity.Length(s.u)
				stays = append(stays, st)
			}
			asked := map[int64]bool{}
			got := Locate(stays, func(at int64) []Place { asked[at] = true; return tc.places })
			for i := range tc.want {
				if got[i] != tc.want[i] {
					t.Errorf("stay %d: %+v, want %+v", i, got[i], tc.want[i])
				}
				if !asked[stays[i].From] {
					t.Errorf("stay %d: the yards of its From were not asked for", i)
				}
			}
			if len(got) != len(tc.want) {
				t.Errorf("%d found for %d stays", len(got), len(tc.want))
			}
		})
	}
}

// A yard that moved in the course of a night is where it was then.
func TestLocateMoved(t *testing.T) {
	stays := []Stay{stood(0, 0, 50, 51, -1), stood(0, 1000, 1050, -1, -1)}
	got := Locate(stays, func(at int64) []Place {
		if at < start+500*sec {
			return []Place{circle("orchard", 0, 0)}
		}
		return []Place{circle("orchard", 900, 0)}
	})
	if got[0] != in("orchard") || got[1] != out {
		t.Errorf("%+v", got)
	}
}

func TestAt(t *testing.T) {
	const forever = int64(100_000)
	age, most := FixAge/sec, MaxSilence/sec
	a := func(from, to, left, since int64) Stay { return stood(0, from, to, left, since) }
	b := func(from, to, left, since int64) Stay { return stood(120, from, to, left, since) }
	far := func(from, to, left, since int64) Stay { return stood(900, from, to, left, since) }
	half := func(from, to, left, since int64) Stay { return stood(60, from, to, left, since) }
	places := []Place{circle("orchard", 0, 0), circle("mill", 120, 0)}
	type flow struct {
		from, to int64
		want     Found
	}
	orchard, mill := in("orchard"), in("mill")
	for _, tc := range []struct {
		name        string
		stays       []Stay
		moving, fix int64 // seconds from start; -1: 0
		flows       []flow
	}{
		{"nothing heard", nil, -1, -1, []flow{{0, 0, silent}, {0, forever, silent}}},
		{"only driving", nil, 10, 100, []flow{{9, 9, silent}, {10, 10, out}, {120, 120, out}, {121, 121, silent}, {0, 100, out}, {0, 12, silent}}},
		{"open", []Stay{a(10, 100, -1, -1)}, -1, 100, []flow{{9, 9, silent}, {10, 10, orchard}, {100, 100, orchard},
			{100 + age, 100 + age, orchard}, {101 + age, 101 + age, silent}, {99 + age, 105 + age, silent}, {0, 15, silent}, {0, 21, orchard}}},
		{"open, two outliers", []Stay{a(10, 100, -1, -1)}, -1, 102, []flow{{102, 102, orchard}}},
		{"open, heard again, too few", []Stay{a(10, 100, -1, -1)}, -1, 202, []flow{{100, 100, orchard}, {101, 101, silent}, {202, 202, silent}}},
		{"left", []Stay{a(10, 100, 101, -1)}, 101, 150, []flow{{100, 100, orchard}, {101, 101, out}, {170, 170, out}, {171, 171, silent}, {90, 110, orchard}, {91, 115, out}}},
		{"left, then silent, then driving", []Stay{a(10, 100, 101, -1)}, 400, 450, []flow{{100, 100, orchard}, {101, 101, silent}, {399, 399, silent}, {400, 400, out}}},
		{"left, then silent, too few yet", []Stay{a(10, 100, 101, -1)}, -1, 450, []flow{{100, 100, orchard}, {101, 101, silent}, {450, 450, silent}}},
		{"silent, then driving", []Stay{a(10, 100, -1, -1)}, 400, 450, []flow{{100, 100, orchard}, {101, 101, silent}, {400, 400, out}, {471, 471, silent}}},
		{"from one yard to the next", []Stay{a(10, 100, 101, -1), b(150, 300, -1, 101)}, -1, 300, []flow{{100, 100, orchard}, {101, 101, out}, {149, 149, out}, {150, 150, mill},
			{20, 140, orchard}, // away from it
			{110, 200, mill},   // and to it
			{20, 170, orchard}, // 81 of 150 s there
			{40, 170, silent},  // 61 of 130 s there
			{90, 300, silent},  // most of it in the other
			{95, 151, silent}}},
		{"crept on", []Stay{a(10, 100, 101, -1), a(160, 300, -1, 101)}, -1, 300, []flow{{101, 101, orchard}, {159, 159, orchard}, {50, 200, orchard}, {110, 120, orchard}}},
		{"away for longer", []Stay{a(10, 100, 101, -1), a(161, 300, -1, 101)}, -1, 300, []flow{{100, 100, orchard}, {101, 101, out}, {160, 160, out}, {161, 161, orchard}, {20, 300, orchard}, {90, 170, out}}},
		{"crept where it may be two yards", []Stay{half(10, 100, 101, -1), half(120, 300, -1, 101)}, -1, 300, []flow{{10, 10, two("orchard", "mill")}, {110, 110, two("orchard", "mill")}, {10, 300, two("orchard", "mill")}}},
		{"crept into what may be two", []Stay{a(10, 100, 101, -1), half(120, 300, -1, 101)}, -1, 300, []flow{{110, 110, out}, {80, 130, silent}, {50, 130, orchard}, {90, 250, two("orchard", "mill")}}},
		{"silent in one yard", []Stay{a(10, 100, -1, -1), a(100+most, 3000, -1, -1)}, -1, 3000, []flow{{101, 101, orchard}, {99 + most, 99 + most, orchard}, {50, 2500, orchard}}},
		{"silent for too long", []Stay{a(10, 100, -1, -1), a(101+most, 3000, -1, -1)}, -1, 3000, []flow{{100, 100, orchard}, {101, 101, silent}, {100 + most, 100 + most, silent}, {101 + most, 101 + most, orchard}}},
		{"silent, and came driving", []Stay{a(10, 100, -1, -1), a(861, 3000, -1, 800)}, -1, 3000, []flow{{101, 101, silent}, {799, 799, silent}, {800, 800, out}, {860, 860, out}}},
		{"silent, and stood within a minute", []Stay{a(10, 100, -1, -1), a(860, 3000, -1, 800)}, -1, 3000, []flow{{101, 101, orchard}, {859, 859, orchard}}},
		{"left, and silent", []Stay{a(10, 100, 101, -1), a(800, 3000, -1, -1)}, -1, 3000, []flow{{100, 100, orchard}, {101, 101, silent}, {799, 799, silent}}},
		{"left, silent and back within a minute", []Stay{a(10, 100, 101, -1), a(150, 3000, -1, 140)}, -1, 3000, []flow{{100, 100, orchard}, {101, 101, silent}, {139, 139, silent}, {140, 140, out}, {50, 250, orchard}}},
		{"silent, then elsewhere", []Stay{a(10, 100, -1, -1), b(200, 300, -1, -1)}, -1, 300, []flow{{100, 100, orchard}, {101, 101, silent}, {199, 199, silent}, {200, 200, mill}, {60, 130, orchard}}},
		{"silent outside", []Stay{far(10, 100, -1, -1), far(200, 300, -1, -1)}, -1, 300, []flow{{50, 50, out}, {150, 150, silent}, {10, 300, out}}},
		{"before the first", []Stay{a(50, 100, -1, 20)}, -1, 100, []flow{{19, 19, silent}, {20, 20, out}, {49, 49, out}, {0, 300, orchard}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			trail := Trail{Stays: tc.stays, Found: Locate(tc.stays, func(int64) []Place { return places })}
			if tc.moving >= 0 {
				trail.Moving = start + tc.moving*sec
			}
			if tc.fix >= 0 {
				trail.Fix = start + tc.fix*sec
			}
			for _, f := range tc.flows {
				if got := trail.At(start+f.from*sec, start+f.to*sec); got != f.want {
					t.Errorf("%d to %d: %+v, want %+v", f.from, f.to, got, f.want)
				}
			}
		})
	}
	trail := Trail{Stays: []Stay{a(10, 100, -1, -1)}, Found: []Found{orchard}, Fix: start + 100*sec}
	if got := trail.At(math.MinInt64, math.MinInt64); got != silent {
		t.Errorf("before everything: %+v", got)
	}
	if got := trail.At(start+50*sec, start+20*sec); got != orchard {
		t.Errorf("from after to: %+v", got)
	}
}
