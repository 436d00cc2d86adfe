package yard

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"yardtally/calibrate/quantity"
)

// step is some positions in a place, metres east of home, one a second.
type step struct {
	east, hdop float64
	n          int
	after      int64 // seconds since the position before; 0: one
}

// follow returns the stays of steps, the open one last, in seconds from start-1.
func follow(steps []step) (stays []Stay, open bool, track Track) {
	now := start - sec
	for _, s := range steps {
		now += max(0, s.after-1) * sec
		for range s.n {
			now += sec
			c := home.at(s.east, 0)
			if closed, ok := track.Next(Position{At: now, Lat: c.Lat, Lon: c.Lon, HDOP: s.hdop}); ok {
				stays = append(stays, closed)
			}
		}
	}
	s, open := track.Open()
	if open {
		stays = append(stays, s)
	}
	return stays, open, track
}

func TestTrack(t *testing.T) {
	type stay struct {
		from, to, left, since int64 // seconds from start; -1: none
		n                     int
		gap, gapFrom          int64
		east                  float64
	}
	for _, tc := range []struct {
		name   string
		steps  []step
		want   []stay
		open   bool
		moving int64 // seconds from start; -1: not
	}{
		{"nothing", nil, nil, false, -1},
		{"two are too few", []step{{0, 1, 2, 0}}, nil, false, -1},
		{"three are a stay", []step{{0, 1, 3, 0}}, []stay{{0, 2, -1, 0, 3, 1, 0, 0}}, true, -1},
		{"unknown dilution", []step{{0, 0, 3, 0}}, []stay{{0, 2, -1, 0, 3, 1, 0, 0}}, true, -1},
		{"diluted ones are not used", []step{{0, 1, 5, 0}, {500, 5.1, 9, 0}, {0, 1, 1, 0}}, []stay{{0, 14, -1, 0, 6, 10, 4, 0}}, true, -1},
		{"one outlier", []step{{0, 1, 5, 0}, {500, 1, 1, 0}, {0, 1, 5, 0}}, []stay{{0, 10, -1, 0, 10, 2, 4, 0}}, true, -1},
		{"two outliers", []step{{0, 1, 5, 0}, {500, 1, 2, 0}, {0, 1, 5, 0}}, []stay{{0, 11, -1, 0, 10, 3, 4, 0}}, true, -1},
		{"two and two", []step{{0, 1, 5, 0}, {500, 1, 2, 0}, {0, 1, 1, 0}, {500, 1, 2, 0}, {0, 1, 1, 0}}, []stay{{0, 10, -1, 0, 7, 3, 4, 0}}, true, -1},
		{"three elsewhere", []step{{0, 1, 5, 0}, {500, 1, 3, 0}}, []stay{{0, 4, 5, 0, 5, 1, 0, 0}, {5, 7, -1, 5, 3, 1, 5, 500}}, true, -1},
		{"gone", []step{{0, 1, 5, 0}, {11, 1, 1, 0}, {22, 1, 1, 0}, {33, 1, 1, 0}}, []stay{{0, 4, 5, 0, 5, 1, 0, 0}}, false, 5},
		{"gone, and arrived", []step{{0, 1, 5, 0}, {11, 1, 1, 0}, {22, 1, 1, 0}, {33, 1, 1, 0}, {44, 1, 3, 0}},
			[]stay{{0, 4, 5, 0, 5, 1, 0, 0}, {8, 10, -1, 5, 3, 1, 8, 44}}, true, -1},
		{"only driving", []step{{0, 1, 1, 0}, {5, 1, 1, 0}, {10, 1, 1, 0}, {15, 1, 1, 0}}, nil, false, 0},
		{"silent, and there again", []step{{0, 1, 5, 0}, {3, 1, 3, 1200}}, []stay{{0, 1206 - 0, -1, 0, 8, 1200, 4, 9. / 8}}, true, -1},
		{"silent, and driving past", []step{{0, 1, 5, 0}, {0, 1, 1, 1200}, {11, 1, 1, 0}, {22, 1, 1, 0}}, []stay{{0, 4, -1, 0, 5, 1, 0, 0}}, false, 1204},
		{"silent, and driving through", []step{{0, 1, 5, 0}, {-6, 1, 1, 1200}, {0, 1, 1, 0}, {6, 1, 1, 0}}, []stay{{0, 4, -1, 0, 5, 1, 0, 0}}, false, 1204},
		{"in reach as it is diluted", []step{{0, 1, 4, 0}, {12, 4, 1, 0}}, []stay{{0, 4, -1, 0, 5, 1, 0, 2.4}}, true, -1},
		{"in reach as the stay is diluted", []step{{0, 4, 4, 0}, {12, 1, 1, 0}}, []stay{{0, 4, -1, 0, 5, 1, 0, 2.4}}, true, -1},
		{"a start that is diluted", []step{{0, 4, 1, 0}, {18, 4, 1, 0}, {0, 4, 1, 0}}, []stay{{0, 2, -1, 0, 3, 1, 0, 6}}, true, -1},
		{"not a start, undiluted", []step{{0, 1, 1, 0}, {18, 1, 1, 0}, {0, 1, 1, 0}}, nil, false, 0},
		{"silent, and too few yet", []step{{0, 1, 5, 0}, {500, 1, 2, 1200}}, []stay{{0, 4, -1, 0, 5, 1, 0, 0}}, true, -1},
		{"silent, and elsewhere", []step{{0, 1, 5, 0}, {500, 1, 3, 1200}},
			[]stay{{0, 4, -1, 0, 5, 1, 0, 0}, {1204, 1206, -1, 1204, 3, 1, 1204, 500}}, true, -1},
		{"silent for half an hour", []step{{0, 1, 5, 0}, {0, 1, 3, 1800}}, []stay{{0, 1806, -1, 0, 8, 1800, 4, 0}}, true, -1},
		{"silent for longer", []step{{0, 1, 5, 0}, {0, 1, 3, 1801}},
			[]stay{{0, 4, -1, 0, 5, 1, 0, 0}, {1805, 1807, -1, 1805, 3, 1, 1805, 0}}, true, -1},
		{"silent on the road", []step{{0, 1, 5, 0}, {11, 1, 1, 0}, {22, 1, 1, 0}, {33, 1, 1, 0}, {900, 1, 1, 60}, {911, 1, 1, 0}, {922, 1, 3, 0}},
			[]stay{{0, 4, 5, 0, 5, 1, 0, 0}, {69, 71, -1, 67, 3, 1, 69, 922}}, true, -1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			stays, open, track := follow(tc.steps)
			at := func(s int64) int64 {
				if s < 0 {
					return 0
				}
				return start + s*sec
			}
			if open != tc.open || track.Moving() != at(tc.moving) || len(stays) != len(tc.want) {
				t.Fatalf("open %v, moving %d, %+v", open, track.Moving(), stays)
			}
			for i, w := range tc.want {
				s := stays[i]
				s.Lat, s.Lon, s.U = 0, 0, 0
				if want := (Stay{From: at(w.from), To: at(w.to), LeftAt: at(w.left), Since: at(w.since), N: w.n, Gap: w.gap * sec, GapFrom: at(w.gapFrom)}); s != want {
					t.Errorf("stay %d: %+v\nwant %+v", i, s, want)
				}
				if c := home.at(w.east, 0); Distance(stays[i].Lat, stays[i].Lon, c.Lat, c.Lon) > 0.01 {
					t.Errorf("stay %d: at %v, %v, want %v", i, stays[i].Lat, stays[i].Lon, c)
				}
			}
		})
	}
}

// Positions that are not used leave no trace.
func TestTrackUnused(t *testing.T) {
	_, _, track := follow([]step{{0, 1, 5, 0}})
	was, now := track, track.Fix()
	if now != start+4*sec {
		t.Errorf("newest %d", now)
	}
	for _, p := range []Position{
		{At: now, Lat: home.Lat, Lon: home.Lon},
		{At: now - sec, Lat: home.Lat, Lon: home.Lon},
		{At: now + 399_999_999, Lat: home.Lat, Lon: home.Lon}, // the same fix again
		{At: now + sec, Lat: 90.1, Lon: home.Lon},
		{At: now + sec, Lat: home.Lat, Lon: math.NaN()},
		{At: now + sec, Lat: home.Lat, Lon: home.Lon, HDOP: math.NaN()},
		{At: now + sec, Lat: home.Lat, Lon: home.Lon, HDOP: 5.01},
		{At: -now, Lat: home.Lat, Lon: home.Lon},
	} {
		if _, ok := track.Next(p); ok || track != was {
			t.Errorf("%+v was used", p)
		}
	}
}

// The mean follows an error that wanders slowly by 18 m; and a rig that creeps on,
// as slowly as the mean can follow, is cut into stays of some 50 m.
func TestTrackFollows(t *testing.T) {
	var wander, creep []step
	for i := range 1800 {
		wander = append(wander, step{float64(i) / 100, 1, 1, 0})
		creep = append(creep, step{float64(i) / 5, 1, 1, 0})
	}
	if stays, open, _ := follow(wander); len(stays) != 1 || !open {
		t.Errorf("%d stays of one", len(stays))
	}
	stays, _, _ := follow(creep)
	if len(stays) < 360/60 || len(stays) > 360/20 {
		t.Fatalf("%d stays on 360 m", len(stays))
	}
	for i, s := range stays {
		from, to := float64(s.From-start)/1e9/5, float64(s.To-start)/1e9/5 // metres
		if c := home.at((from+to)/2, 0); Distance(s.Lat, s.Lon, c.Lat, c.Lon) > 0.1 || to-from > 60 {
			t.Errorf("stay %d, from %.1f to %.1f m: mean at %v, %v", i, from, to, s.Lat, s.Lon)
		}
		if i > 0 && (stays[i-1].LeftAt != s.From || s.Since != s.From) {
			t.Errorf("stay %d: %+v after %+v", i, s, stays[i-1])
		}
	}
}

// An hour in one place is one stay; in 1000 of them one may be cut.
func TestTrackStands(t *testing.T) {
	cuts := 0
	for seed := range uint64(seeds(t)) {
		r := receiver{rng: rand.New(rand.NewPCG(seed, 5))}
		var track Track
		for _, tr := range trueWay([]leg{{xy{0, 0}, 0, 3600, false}}) {
			if s, ok := track.Next(r.hear(tr)); ok {
				cuts++
				t.Logf("seed %d: cut, %+v", seed, s)
			}
		}
	}
	if hours := seeds(t); cuts > hours/1000 {
		t.Errorf("%d cuts in %d hours", cuts, hours)
	}
}

// A stay's uncertainty: what the dilution says, 2.5 m for each, or the spread:
// of -6, 0 and 6 m, along one of two ways, sqrt(72/2/2) = 4.24 m (computed).
func TestStayUncertainty(t *testing.T) {
	for _, tc := range []struct {
		steps []step
		want  float64
	}{
		{[]step{{0, 1, 9, 0}}, 2.5},
		{[]step{{0, 2, 9, 0}}, 5},
		{[]step{{0, 0, 9, 0}}, 5},
		{[]step{{0, 1, 1, 0}, {6, 1, 1, 5}, {12, 1, 1, 5}}, math.Sqrt(18)},
	} {
		stays, _, _ := follow(tc.steps)
		if len(stays) != 1 || math.Abs(float64(stays[0].U)-tc.want) > 1e-3 {
			t.Errorf("%v: %+v, want U %.3f m", tc.steps, stays, tc.want)
		}
	}
}

// A track that was kept as JSON, or copied, half way goes on as the one that was not.
func TestTrackKept(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	way := trueWay([]leg{{xy{0, 0}, 0, 90, false}, {xy{0, 0}, 0, 60, true}, {xy{0, 0}, 0, 30, false}, {xy{300, 0}, 8, 0, false}, {xy{300, 0}, 0, 60, false}})
	r := receiver{rng: rng}
	var whole, kept Track
	for i, tr := range way {
		p := r.hear(tr)
		if tr.dark {
			continue
		}
		data, err := json.Marshal(kept)
		if err != nil {
			t.Fatal(err)
		}
		kept = Track{}
		if err := json.Unmarshal(data, &kept); err != nil {
			t.Fatal(err)
		}
		was := whole
		a, okA := whole.Next(p)
		b, okB := kept.Next(p)
		if whole != kept || a != b || okA != okB {
			t.Fatalf("second %d: %+v\nkept %+v", i, whole, kept)
		}
		if c, okC := was.Next(p); was != whole || c != a || okC != okA {
			t.Fatalf("second %d: the copy differs", i)
		}
	}
}

// FuzzTrack makes positions of bytes: time, place and dilution are free, most of
// them near each other.
func FuzzTrack(f *testing.F) {
	stand := make([]byte, 8*40)
	for i := range 40 {
		stand[8*i] = 10
	}
	f.Add(stand, 10.0, 179.99999, int64(1000))
	f.Add(append(append([]byte{}, stand...), 200, 255, 3, 0, 200, 0, 9, 9, 10, 0, 3, 0, 200, 0, 9, 9), 89.9999, 0.0, int64(1))
	f.Fuzz(func(t *testing.T, data []byte, lat, lon float64, now int64) {
		var track Track
		var stays []Stay
		for ; len(data) >= 8; data = data[8:] {
			gap := int64(data[0]) * 100_000_000
			if data[1] > 250 {
				gap *= int64(data[1]) * 10
			}
			now += gap - 200_000_000
			scale := 1e-6
			if data[7]&1 == 1 {
				scale = 1e-2
			}
			lat += float64(int16(binary.LittleEndian.Uint16(data[2:]))) * scale
			lon += float64(int16(binary.LittleEndian.Uint16(data[4:]))) * scale
			p := Position{At: now, Lat: lat, Lon: lon, HDOP: float64(data[6]) / 32}
			was := track.Fix()
			s, ok := track.Next(p)
			if ok {
				stays = append(stays, s)
			}
			if track.Fix() < was {
				t.Fatalf("newest position went back: %d after %d", track.Fix(), was)
			}
		}
		s, open := track.Open()
		if open {
			stays = append(stays, s)
		}
		end := track.Fix()
		for i, s := range stays {
			last := i == len(stays)-1
			switch {
			case s.Since <= 0 || s.From < s.Since || s.To < s.From || s.To > end:
				t.Errorf("out of order: %+v", s)
			case s.LeftAt != 0 && (s.LeftAt <= s.To || s.LeftAt > end):
				t.Errorf("left: %+v", s)
			case i > 0 && (s.Since < stays[i-1].LeftAt || s.Since <= stays[i-1].To):
				t.Errorf("overlap: %+v, %+v", stays[i-1], s)
			case last && open && s.LeftAt != 0:
				t.Errorf("open, and left: %+v", s)
			case s.N < 1 || !valid(s.Lat, s.Lon) || !(s.U > 0) || math.IsInf(float64(s.U), 0):
				t.Errorf("no place: %+v", s)
			case s.Gap > MaxSilence || s.Gap > 0 && (s.GapFrom < s.From || s.GapFrom+s.Gap > s.To):
				t.Errorf("gap: %+v", s)
			}
		}
		if open && track.Moving() != 0 {
			t.Error("in a stay, and moving")
		}
		places := []Place{{ID: "a", Lat: lat, Lon: lon, Enter: 60, Leave: 80}}
		trail := Trail{stays, Locate(stays, func(int64) []Place { return places }), track.Moving(), end}
		for _, s := range stays {
			for _, at := range []int64{s.Since - 1, s.From, s.To, s.To + 1, s.LeftAt} {
				f := trail.At(at, at)
				if at >= s.From && at <= s.To && f.Why == NoPosition {
					t.Errorf("inside %+v: nothing known", s)
				}
				trail.At(at, end+1)
				trail.At(s.From, at)
			}
		}
		if _, err := json.Marshal(track); err != nil {
			t.Error(err)
		}
	})
}

func BenchmarkNext(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	r := receiver{rng: rng}
	for _, bc := range []struct {
		name string
		legs []leg
	}{
		{"standing", []leg{{xy{0, 0}, 0, 4096, false}}},
		{"driving", []leg{{xy{0, 0}, 0, 1, false}, {xy{45056, 0}, 11, 0, false}}},
	} {
		var ps []Position
		for _, tr := range trueWay(bc.legs) {
			ps = append(ps, r.hear(tr))
		}
		b.Run(bc.name, func(b *testing.B) {
			b.ReportAllocs()
			var track Track
			shift := int64(0)
			for i := range b.N {
				if i%len(ps) == 0 {
					shift = int64(i) * sec
				}
				p := ps[i%len(ps)]
				p.At += shift
				track.Next(p)
			}
		})
	}
}

// A season's night: 200 stays, 40 yards, every fourth with an outline.
func BenchmarkLocate(b *testing.B) {
	var places []Place
	for i := range 40 {
		p := circle(string(rune('A'+i)), float64(i%8)*2000, float64(i/8)*2000)
		if i%4 == 0 {
			p.Ring = ring(home.at(float64(i%8)*2000, float64(i/8)*2000), ell...)
		}
		places = append(places, p)
	}
	var stays []Stay
	for i := range int64(200) {
		c := home.at(float64(i%8)*2000, float64(i/8)*2000)
		from := start + i*600*sec
		stays = append(stays, Stay{From: from, To: from + 400*sec, LeftAt: from + 401*sec, Since: max(start, from-199*sec), Lat: c.Lat, Lon: c.Lon, U: quantity.Length(2.5), N: 400})
	}
	at := func(int64) []Place { return places }
	trail := Trail{Stays: stays, Found: Locate(stays, at), Fix: start + 200*600*sec}
	b.Run("locate", func(b *testing.B) {
		for range b.N {
			Locate(stays, at)
		}
	})
	b.Run("at", func(b *testing.B) {
		b.ReportAllocs()
		for i := range b.N {
			from := start + int64(i%200)*600*sec
			trail.At(from+10*sec, from+300*sec)
		}
	})
}
