package tote

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"yardtally/calibrate/quantity"
)

// TestKeeperIsBounded: a season of 40 nights stays in the thousands, and
// standing at 6 an hour.
func TestKeeperIsBounded(t *testing.T) {
	season := 0
	for seed := range uint64(40) {
		n := newNight(7000+seed, 950)
		n.quiet(8, nil)
		season += len(n.points)
	}
	n := newNight(1, 700)
	n.run(48*3600, 0, 0, 0)
	t.Logf("%d points in 40 nights, %d in two days of standing", season, len(n.points))
	if season > 6000 || len(n.points) > 48*6+20 || len(n.points) < 48*5 {
		t.Errorf("%d and %d points", season, len(n.points))
	}
}

// TestKeeperBrackets: the last settled point before a change and the first
// after it are kept, and its course.
func TestKeeperBrackets(t *testing.T) {
	for seed := range uint64(20) {
		n := newNight(seed, 800)
		n.quiet(2, nil)
		n.run(900, 0, 0, 0)
		from := n.at
		n.run(100, 0, -208, 0)
		to := n.at
		n.run(60, 0, 0, 0)
		before, course, after := int64(0), 0, int64(math.MaxInt64)
		for _, p := range n.points {
			switch {
			case p.Rest && p.At <= from+10*sec:
				before = p.At
			case p.Rest && p.At > to:
				after = min(after, p.At)
			case !p.Rest && p.At > from:
				course++
			}
		}
		if from-before > 10*sec || after-to > 50*sec || course < 4 {
			t.Errorf("seed %d: kept %d s before, %d s after, %d of its course", seed, (from-before)/sec, (after-to)/sec, course)
		}
		if p, ok := n.keeper.Pending(); ok && p.At <= n.points[len(n.points)-1].At {
			t.Error("what is pending is older than what is kept")
		}
	}
}

// TestKeeperCourse: a sensor that looks at nothing is kept as such once, after a
// silence as well, and so is the course of a refill right after one.
func TestKeeperCourse(t *testing.T) {
	kinds := func(points []Point) (silent, lost, course int) {
		for i := range points {
			switch p := &points[i]; {
			case p.Why == Silent:
				silent++
			case astray(p):
				lost++
			case p.Why == Changing:
				course++
			}
		}
		return silent, lost, course
	}
	offer := func(k *Keeper, points []Point, p Point) []Point {
		p.Tote = "a"
		out, n := k.Offer(p)
		return append(points, out[:n]...)
	}
	var k Keeper
	var points []Point
	const l = quantity.Litre
	points = offer(&k, points, Point{At: 10 * sec, Rest: true, Volume: 500 * l, U: l})
	points = offer(&k, points, Point{At: 200 * sec, Why: Silent, Silent: 180 * sec, Volume: 500 * l, U: 10 * l})
	for i := range int64(20) {
		points = offer(&k, points, Point{At: (210 + 10*i) * sec, Why: Restless, Volume: 0, U: quantity.Volume(900+i) * l})
	}
	if silent, lost, _ := kinds(points); silent != 1 || lost != 1 {
		t.Errorf("%d silent, %d of no level: %+v", silent, lost, points)
	}
	for i := range quantity.Volume(10) {
		points = offer(&k, points, Point{At: (500 + 10*int64(i)) * sec, Why: Changing, Volume: (500 + 25*i) * l, U: 16 * l})
	}
	if _, lost, course := kinds(points); lost != 1 || course != 10 {
		t.Errorf("%d of no level, %d of the course: %+v", lost, course, points)
	}
}

// TestKeeperLag: the lag is what was metered since the mean instant of the readings.
func TestKeeperLag(t *testing.T) {
	var k Keeper
	for i := range int64(30) { // 8 L/min for good
		p := Point{At: i * 10 * sec, Rest: true, Metered: quantity.VolumeOf(8e-3 / 60 * 10 * float64(i)), Tote: "a"}
		p.Volume = 500*quantity.Litre - p.Metered
		out, m := k.Offer(p)
		for _, q := range out[:m] {
			// 23 s of 8 L/min, half of it; none is known before the first.
			if i >= 3 && math.Abs(q.Lag.Litres()-8.0/60*11.5) > 1e-9 {
				t.Errorf("point %d: lag %v", i, q.Lag)
			}
		}
	}
	if k.N != offers || k.lag(&Point{At: 5 * sec}) != 0 {
		t.Errorf("%+v", k)
	}
}

// TestKeeperIsAValue: it goes on alike from a checkpoint.
func TestKeeperIsAValue(t *testing.T) {
	n := newNight(3, 600)
	n.quiet(1, nil)
	raw, err := json.Marshal(n.keeper)
	if err != nil {
		t.Fatal(err)
	}
	var k Keeper
	if err := json.Unmarshal(raw, &k); err != nil || k != n.keeper {
		t.Errorf("%v: %+v, want %+v", err, k, n.keeper)
	}
}

// fuzzed reads points and flows out of bytes: small numbers mostly, at times extremes.
func fuzzed(raw []byte) (points []Point, flows []Flow) {
	at := int64(0)
	for ; len(raw) >= 6; raw = raw[6:] {
		at += int64(raw[0]) * 5 * sec
		p := Point{At: at, Rest: raw[1]&3 != 0, Why: Counts, U: quantity.Volume(raw[4]) * 20 * quantity.Millilitre, Tote: "a",
			Volume: quantity.Volume(raw[2]) * 4 * quantity.Litre, Metered: quantity.Volume(len(points)) * quantity.Litre * quantity.Volume(raw[3]>>5)}
		if !p.Rest {
			p.Why = Why(raw[5] % 9)
		}
		switch raw[5] {
		case 255:
			p.Volume = math.MaxInt64
		case 254:
			p.Metered = math.MinInt64
		case 253:
			p.Silent = 3600 * sec
		case 252:
			p.Tote = "b"
		case 251:
			at = int64(raw[0]) * sec // back in time
		case 250:
			p.U = math.MaxInt64
		}
		points = append(points, p)
		if raw[1]&8 != 0 {
			flows = append(flows, Flow{Start: at, End: at + int64(raw[1])*sec/8, Volume: quantity.Volume(raw[3]) * 100 * quantity.Millilitre})
		}
	}
	return points, flows
}

func FuzzChanges(f *testing.F) {
	r := rand.New(rand.NewPCG(8, 8))
	for range 20 {
		raw := make([]byte, 240)
		for i := range raw {
			raw[i] = byte(r.UintN(256))
		}
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		points, flows := fuzzed(raw)
		given := slices.Clone(points)
		tm := Terms{ShareU: 0.005, MeterU: 0.005, Outlet: 12 * quantity.Litre}
		got := Changes(points, tm)
		if !reflect.DeepEqual(points, given) {
			t.Fatal("the points given are changed")
		}
		for i, c := range got {
			if i > 0 && c.From < got[i-1].To || c.To < c.From || c.Begin < c.From || c.End > c.To || c.Begin > c.End || c.Within < 0 || !(c.Rate >= 0) {
				t.Fatalf("out of order: %+v", got)
			}
			if c.Kind != Swap && math.Abs(float64(c.Volume)) <= float64(c.Within) {
				t.Fatalf("within its uncertainty: %+v", c)
			}
			if !c.Sure && c.Note == "" {
				t.Fatalf("not sure, and no word why: %+v", c)
			}
		}
		doubts := Doubts(points, flows, tm)
		for i, d := range doubts {
			if i > 0 && d.From < doubts[i-1].To || d.To < d.From || d.Excess <= 0 || d.Part < 0 || d.Part > 1 || d.Sure && len(d.Flows) == 0 {
				t.Fatalf("%+v", doubts)
			}
			for j, k := range d.Flows {
				if k < 0 || k >= len(flows) || j > 0 && k <= d.Flows[j-1] {
					t.Fatalf("%+v of %d flows", d, len(flows))
				}
			}
		}
		// The order of points given does not matter, where their instants differ.
		seen := map[int64]bool{}
		for _, p := range points {
			if seen[p.At] {
				return
			}
			seen[p.At] = true
		}
		slices.Reverse(given)
		if again := Changes(given, tm); !reflect.DeepEqual(again, got) {
			t.Fatalf("backwards %+v, forwards %+v", again, got)
		}
		var k Keeper
		for i := range points {
			out, n := k.Offer(points[i])
			for _, p := range out[:n] {
				if p.At > points[i].At && slices.IsSortedFunc(points[:i+1], func(a, b Point) int { return int((a.At - b.At) / sec) }) {
					t.Fatalf("kept %+v of the future", p)
				}
			}
		}
	})
}

// season is 5,000 points and 3,000 flows.
func season() (points []Point, flows []Flow) {
	for seed := uint64(0); len(points) < 5000 || len(flows) < 3000; seed++ {
		n := newNight(9000+seed, 900)
		n.quiet(8, func() { n.run(100, 0, -208, 0); n.run(120, 0, 0, 0); n.pull(60, 0, 0, 10) })
		shift := int64(seed) * 86400 * sec
		for _, p := range n.points {
			p.At += shift
			points = append(points, p)
		}
		for _, f := range n.flows {
			f.Start += shift
			f.End += shift
			flows = append(flows, f)
		}
	}
	return points[:min(len(points), 5000)], flows[:min(len(flows), 3000)]
}

func BenchmarkChanges(b *testing.B) {
	points, _ := season()
	b.ReportAllocs()
	for b.Loop() {
		Changes(points, terms())
	}
}

// BenchmarkChangesLeak is of 5,000 points that are all one leak.
func BenchmarkChangesLeak(b *testing.B) {
	var points []Point
	for i := range int64(5000) {
		points = append(points, Point{At: i * 600 * sec, Rest: true, U: 500 * quantity.Millilitre, Volume: quantity.Volume(20000-4*i) * quantity.Litre})
	}
	for b.Loop() {
		if n := len(Changes(points, terms())); n != 1 {
			b.Fatal(n)
		}
	}
}

func BenchmarkDoubts(b *testing.B) {
	points, flows := season()
	b.ReportAllocs()
	for b.Loop() {
		Doubts(points, flows, terms())
	}
}

func BenchmarkOffer(b *testing.B) {
	n := newNight(1, 800)
	n.run(3600, 0, 0, 0)
	p := n.keeper.Kept
	b.ReportAllocs()
	for b.Loop() {
		p.At += 10 * sec
		n.keeper.Offer(p)
	}
}
