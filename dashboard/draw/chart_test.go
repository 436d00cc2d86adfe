package draw

import (
	"encoding/xml"
	"fmt"
	"math"
	"math/rand"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

func texts(ts []Tick) string {
	var out []string
	for _, t := range ts {
		out = append(out, t.Text)
	}
	return strings.Join(out, " ")
}

func TestLinearTicksAreAtOneTwoFive(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		want   string
	}{
		{0, 10, "0 2 4 6 8 10"}, {0, 1, "0.0 0.2 0.4 0.6 0.8 1.0"}, {-3, 3, "-3 -2 -1 0 1 2 3"}, {0, 100, "0 20 40 60 80 100"},
		{136.02, 136.09, "136.02 136.03 136.04 136.05 136.06 136.07 136.08 136.09"}, {0.9973, 1.0031, "0.998 0.999 1.000 1.001 1.002 1.003"},
		{3, 47, "10 20 30 40"}, {0, 23000, "0 5000 10000 15000 20000"},
	} {
		s := scale{lo: c.lo, hi: c.hi}
		got := s.ticks(8, func(ts []Tick) bool { return len(ts) <= 8 })
		if texts(got) != c.want {
			t.Errorf("%g to %g: %s, want %s", c.lo, c.hi, texts(got), c.want)
		}
	}
	// Anything: few enough, inside, rising, told apart.
	r := rand.New(rand.NewSource(1))
	for range 3000 {
		lo := r.NormFloat64() * math.Pow(10, float64(r.Intn(9)-3))
		s := scale{lo: lo, hi: lo + math.Abs(lo)*1e-6 + r.Float64()*math.Pow(10, float64(r.Intn(12)-4))}
		ts := s.ticks(7, func([]Tick) bool { return true })
		if len(ts) > 7 || len(ts) < 2 {
			t.Fatalf("%g to %g: %d ticks: %s", s.lo, s.hi, len(ts), texts(ts))
		}
		for i, k := range ts {
			if k.At < s.lo-1e-6*(s.hi-s.lo) || k.At > s.hi+1e-6*(s.hi-s.lo) || i > 0 && (k.At <= ts[i-1].At || k.Text == ts[i-1].Text) {
				t.Fatalf("%g to %g: %s", s.lo, s.hi, texts(ts))
			}
		}
	}
}

func TestLogTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		want   string
	}{{0.1, 10, "0.1 0.2 0.5 1 2 5 10"}, {1, 1000, "1 3 10 30 100 300 1000"}, {1e-4, 1e4, "0.0001 0.001 0.01 0.1 1 10 100 1000 10000"}, {20, 70, "20 30 40 50 60 70"}} {
		s := scale{Axis: Axis{Log: true}, lo: math.Log10(c.lo), hi: math.Log10(c.hi)}
		if got := texts(s.ticks(9, func([]Tick) bool { return true })); got != c.want {
			t.Errorf("%g to %g: %s, want %s", c.lo, c.hi, got, c.want)
		}
	}
}

// Ticks stand at whole local times. In New York clocks went back at 2:00 on 1
// November 2026 and forward at 2:00 on 8 March; on Lord Howe Island by half an
// hour, back on 5 April (IANA time zone database, as Go has it).
func TestTimeTicks(t *testing.T) {
	at := func(zone, from string, long time.Duration, most int) []Tick {
		z, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		begin, err := time.ParseInLocation("2006-01-02 15:04:05", from, z)
		if err != nil {
			t.Fatal(err)
		}
		s := scale{Axis: Axis{Zone: z}, lo: float64(begin.Unix()), hi: float64(begin.Add(long).Unix())}
		ts := s.ticks(most, func([]Tick) bool { return true })
		for _, k := range ts {
			if k.At < s.lo || k.At > s.hi {
				t.Errorf("%s %s: %s lies outside", zone, from, k.Text)
			}
		}
		return ts
	}
	const ny, lh = "America/New_York", "Australia/Lord_Howe"
	for _, c := range []struct {
		zone, from string
		long       time.Duration
		most       int
		want       string
	}{
		{ny, "2026-10-09 20:10:00", 3 * time.Hour, 7, "20:30 21:00 21:30 22:00 22:30 23:00"},
		{ny, "2026-10-09 20:00:10", 40 * time.Second, 9, "20:00:10 20:00:15 20:00:20 20:00:25 20:00:30 20:00:35 20:00:40 20:00:45 20:00:50"},
		{ny, "2026-10-31 23:00:00", 6 * time.Hour, 8, "23:00 1 Nov 01:00 01:00 02:00 03:00 04:00"},
		{ny, "2026-10-31 20:00:00", 11 * time.Hour, 6, "20:00 22:00 1 Nov 02:00 04:00 06:00"},
		{ny, "2026-03-07 23:00:00", 6 * time.Hour, 8, "23:00 8 Mar 01:00 03:00 04:00 05:00 06:00"},
		{ny, "2026-03-07 20:00:00", 11 * time.Hour, 6, "20:00 22:00 8 Mar 04:00 06:00 08:00"},
		{lh, "2026-04-05 00:00:00", 4 * time.Hour, 6, "5 Apr 01:00 02:00 03:00"},
		{ny, "2026-10-30 12:00:00", 4 * 24 * time.Hour, 5, "31 Oct 1 Nov 2 Nov 3 Nov"},
		{ny, "2026-08-20 12:00:00", 80 * 24 * time.Hour, 7, "24 Aug 7 Sep 21 Sep 5 Oct 19 Oct 2 Nov"},
		{ny, "2026-08-20 12:00:00", 200 * 24 * time.Hour, 8, "Sep Oct Nov Dec 2027 Feb Mar"},
		{ny, "2020-01-01 00:00:00", 9 * 366 * 24 * time.Hour, 6, "2020 2022 2024 2026 2028"},
	} {
		got := at(c.zone, c.from, c.long, c.most)
		if texts(got) != c.want {
			t.Errorf("%s %s: %s, want %s", c.zone, c.from, texts(got), c.want)
		}
	}
	// Each is a whole local hour, and midnight is in its place.
	z, _ := time.LoadLocation(ny)
	for _, k := range at(ny, "2026-10-31 20:00:00", 11*time.Hour, 12) {
		if l := time.Unix(int64(k.At), 0).In(z); l.Minute() != 0 || l.Second() != 0 {
			t.Errorf("a tick at %v", l)
		}
	}
	// Weeks begin on Mondays.
	for _, k := range at(ny, "2026-08-20 12:00:00", 40*24*time.Hour, 7) {
		if l := time.Unix(int64(k.At), 0).In(z); l.Weekday() != time.Monday || l.Hour() != 0 {
			t.Errorf("a week begins at %v", l)
		}
	}
}

// spots reads back the places that a path goes to.
func spots(t *testing.T, d string) (out []spot) {
	t.Helper()
	number := regexp.MustCompile(`[MLHVl]|-?\d+`)
	var at spot
	var cmd string
	var have []int
	for _, tok := range number.FindAllString(d, -1) {
		if strings.Contains("MLHVl", tok) {
			cmd, have = tok, nil
			continue
		}
		v, err := strconv.Atoi(tok)
		if err != nil {
			t.Fatal(err)
		}
		have = append(have, v)
		switch {
		case cmd == "H":
			at.x = v
		case cmd == "V":
			at.y = v
		case len(have) < 2:
			continue
		case cmd == "l":
			at = spot{at.x + have[0], at.y + have[1]}
		default:
			at = spot{have[0], have[1]}
		}
		have = nil
		out = append(out, at)
	}
	return out
}

func pathOf(t *testing.T, svg, class string) string {
	t.Helper()
	m := regexp.MustCompile(`<path class="` + class + `" d="([^"]*)"`).FindStringSubmatch(svg)
	if m == nil {
		t.Fatalf("no %q in %s", class, svg)
	}
	return m[1]
}

func wave(n int) (x, y []float64) {
	for i := range n {
		x = append(x, float64(i))
		y = append(y, 50+10*math.Sin(float64(i)/300)+math.Sin(float64(i)*1.7))
	}
	return x, y
}

// A line of 10,000 points is thinned, and nothing that stands out is lost.
func TestThinningKeepsExtremes(t *testing.T) {
	x, y := wave(10000)
	y[4321], y[4322], y[7777] = 97, 2, 90 // alone among hundreds in their columns
	lo, hi := make([]float64, len(x)), make([]float64, len(x))
	for i := range x {
		lo[i], hi[i] = y[i]-3, y[i]+3
	}
	c := Chart{ID: "a", Y: Axis{Min: 0, Max: 100}, Series: []Series{{Kind: Band, X: x, Lo: lo, Hi: hi}, {Kind: Line, X: x, Y: y}, {Kind: Points, X: x, Y: y}}}
	svg := c.Draw()
	wellFormed(t, svg)
	line := spots(t, pathOf(t, svg, "line n0"))
	if len(line) > 1000 || len(line) < 300 {
		t.Errorf("a line of %d points", len(line))
	}
	band := spots(t, pathOf(t, svg, "band"))
	dots := regexp.MustCompile(`M(\d+) (\d+)h`).FindAllStringSubmatch(pathOf(t, svg, "dot p0"), -1)
	for _, k := range []int{4321, 4322} {
		at, in, out := int(math.Round(float64(k)/9999*1000)), int(math.Round(1000-10*y[k])), 0
		for _, s := range line {
			if s.y == in && s.x == at {
				out |= 1
			}
		}
		for _, s := range band {
			if s.x >= at-3 && s.x <= at+3 && (s.y == in-30 || s.y == in+30) {
				out |= 2
			}
		}
		for _, m := range dots {
			if m[1] == strconv.Itoa(at) && m[2] == strconv.Itoa(in) {
				out |= 4
			}
		}
		if out != 7 {
			t.Errorf("the point at %d is lost (in line 1, band 2, points 4: %d)", k, out)
		}
	}
	found := false
	for _, s := range line {
		found = found || s.y == 100 && s.x == 778
	}
	if !found {
		t.Error("the second highest is lost")
	}
	// Every point lies inside what the line's columns span, and the line goes to no place that is none of its points.
	at := map[spot]bool{}
	for i := range x {
		at[spot{int(math.Round(x[i] / 9999 * 1000)), int(math.Round(1000 - 10*y[i]))}] = true
	}
	for _, s := range line {
		if !at[s] {
			t.Fatalf("the line goes to %v, where no point is", s)
		}
	}
}

func TestGapsPartALine(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4, 5, 6, 7}
	y := []float64{1, 2, math.NaN(), 3, 4, math.Inf(1), 5, math.NaN()}
	for _, k := range []Kind{Line, Steps} {
		c := Chart{Series: []Series{{Kind: k, X: x, Y: y}}}
		svg := c.Draw()
		wellFormed(t, svg)
		if n := strings.Count(pathOf(t, svg, "line n0"), "M"); n != 3 {
			t.Errorf("kind %d: %d pieces, want 3", k, n)
		}
	}
	c := Chart{Series: []Series{{Kind: Band, X: x, Lo: y, Hi: []float64{2, 3, 4, 5, 6, 7, 8, 9}}}}
	svg := c.Draw()
	wellFormed(t, svg)
	if n := strings.Count(pathOf(t, svg, "band"), "z"); n != 3 {
		t.Errorf("a band of %d pieces, want 3", n)
	}
}

// What a night of readings and all that may stand with it comes to.
func TestChartSize(t *testing.T) {
	r := rand.New(rand.NewSource(2))
	const most = 12 * 1000
	x, y := make([]float64, 10000), make([]float64, 10000)
	lo, hi := make([]float64, 10000), make([]float64, 10000)
	for i := range x {
		x[i], y[i] = 1.79e9+float64(i)*3.6, r.Float64() // the worst: nothing like its neighbour
		lo[i], hi[i] = y[i]-r.Float64(), y[i]+r.Float64()
	}
	for name, c := range map[string]Chart{
		"line":          {Series: []Series{{X: x, Y: y}}},
		"band and line": {Series: []Series{{Kind: Band, X: x, Lo: lo, Hi: hi, Name: "expected"}, {X: x, Y: y, Name: "measured"}}},
		"two and rules": {Series: []Series{{Kind: Band, X: x, Lo: lo, Hi: hi}, {X: x, Y: y}, {X: x, Y: lo}, {Kind: Rule, X: x[:20], Name: "refill"}}},
		"points":        {Series: []Series{{Kind: Points, X: x, Y: y, Hollow: true}}},
		"wrong points":  {Series: []Series{{Kind: Points, X: x, Y: y, Wrong: true}}},
		"steps":         {Series: []Series{{Kind: Steps, X: x, Y: y}}},
		"few steps":     {Series: []Series{{Kind: Steps, X: x[:900], Y: y}}},
		"whiskers":      {Series: []Series{{Kind: Whiskers, X: x, Lo: lo, Hi: hi}}},
		"holes":         {Series: []Series{{X: x, Y: holed(y, 2)}}},
		"band, holes":   {Series: []Series{{Kind: Band, X: x, Lo: holed(y, 3), Hi: hi}}},
		"rules":         {Series: []Series{{X: x, Y: y}, {Kind: Rule, X: x, Name: "refill"}, {Kind: Rule, Y: y, Name: "level"}}},
		"all":           {Series: []Series{{Kind: Band, X: x, Lo: lo, Hi: hi}, {X: x, Y: y}, {Kind: Points, X: x, Y: y}, {Kind: Whiskers, X: x, Lo: lo, Hi: hi}}},
	} {
		c.ID, c.Title, c.X.Zone, c.X.Label, c.Y.Label = "c-"+name, name, time.UTC, "time", "gal"
		svg := c.Draw()
		wellFormed(t, svg)
		if len(svg) > most {
			t.Errorf("%s: %d bytes, want at most %d", name, len(svg), most)
		}
	}
}

func holed(y []float64, every int) []float64 {
	out := append([]float64(nil), y...)
	for i := every - 1; i < len(out); i += every {
		out[i] = math.NaN()
	}
	return out
}

func TestChartEscapes(t *testing.T) {
	const bad = `<b>&"'x`
	c := Chart{ID: `i"d`, Title: bad, Desc: bad, X: Axis{Label: bad, Ticks: []Tick{{1, bad}}}, Y: Axis{Label: bad},
		Series: []Series{{X: []float64{0, 2}, Y: []float64{0, 1}, Name: bad}, {Kind: Rule, X: []float64{1}, Name: bad}, {Kind: Rule, Y: []float64{.5}, Name: bad}}}
	svg := c.Draw()
	wellFormed(t, svg)
	if strings.Contains(svg, "<b>") {
		t.Error("a name makes an element")
	}
	d := xml.NewDecoder(strings.NewReader(svg))
	seen := 0
	for {
		tok, err := d.Token()
		if err != nil {
			break
		}
		if x, ok := tok.(xml.CharData); ok && string(x) == bad {
			seen++
		}
	}
	if seen != 8 {
		t.Errorf("%d texts as they were given, want 8", seen)
	}
}

func TestChartOfLittle(t *testing.T) {
	for name, c := range map[string]Chart{
		"none":     {},
		"empty":    {Series: []Series{{}, {Kind: Band}, {Kind: Points, X: []float64{1}}}},
		"nothing":  {Series: []Series{{X: []float64{1, 2}, Y: []float64{math.NaN(), math.Inf(-1)}}}},
		"a rule":   {Series: []Series{{Kind: Rule, Y: []float64{3}, Name: "outlet"}}},
		"below":    {Y: Axis{Log: true}, Series: []Series{{X: []float64{1, 2}, Y: []float64{0, -3}}}},
		"nowhen":   {X: Axis{Log: true}, Series: []Series{{X: []float64{0}, Y: []float64{3}}}},
		"no edges": {Series: []Series{{Kind: Whiskers, X: []float64{1}, Lo: []float64{1}}}},
	} {
		svg := c.Draw()
		wellFormed(t, svg)
		if !strings.Contains(svg, ">nothing yet<") {
			t.Errorf("%s: does not say that there is nothing: %s", name, svg)
		}
	}
	zone := time.FixedZone("", 3600)
	for name, c := range map[string]Chart{
		"one point":   {Series: []Series{{Kind: Points, X: []float64{5}, Y: []float64{7}}, {X: []float64{5}, Y: []float64{7}}}},
		"at zero":     {Series: []Series{{Kind: Points, X: []float64{0}, Y: []float64{0}}}},
		"one instant": {X: Axis{Zone: zone}, Series: []Series{{Kind: Points, X: []float64{1.79e9, 1.79e9}, Y: []float64{7, 8}}}},
		"all equal":   {Series: []Series{{X: []float64{1, 2, 3}, Y: []float64{7, 7, 7}}, {Kind: Band, X: []float64{1, 2}, Lo: []float64{7, 7}, Hi: []float64{7, 7}}}},
		"one, log":    {X: Axis{Log: true}, Y: Axis{Log: true}, Series: []Series{{Kind: Whiskers, X: []float64{5}, Lo: []float64{7}, Hi: []float64{7}}, {Kind: Points, X: []float64{5}, Y: []float64{7}}}},
		"huge":        {Series: []Series{{X: []float64{-1e300, 1e300}, Y: []float64{1e-300, 2e-300}}}},
		"far":         {X: Axis{Zone: zone}, Series: []Series{{X: []float64{-1e30, 1e30}, Y: []float64{0, 1}}}},
		"outside":     {Y: Axis{Min: 100, Max: 200}, Series: []Series{{X: []float64{1, 2}, Y: []float64{0, 1e9}}, {Kind: Points, X: []float64{1}, Y: []float64{0}}, {Kind: Whiskers, X: []float64{1}, Lo: []float64{0}, Hi: []float64{150}}}},
	} {
		svg := c.Draw()
		wellFormed(t, svg)
		if strings.Contains(svg, ">nothing yet<") {
			t.Errorf("%s: says that there is nothing", name)
		}
		for _, m := range regexp.MustCompile(`[^a-z](?:x|y)="(-?[\d.]+)%"`).FindAllStringSubmatch(svg, -1) {
			if v, _ := strconv.ParseFloat(m[1], 64); v < -0.1 || v > 100.1 {
				t.Errorf("%s: written at %s %%: %s", name, m[1], svg)
			}
		}
	}
}

// Words at marks do not lie over each other, nor over the axis's own label:
// where there is no room for all, they are numbers, and the legend has the words.
func TestWordsOfRules(t *testing.T) {
	x, y := []float64{0, 100}, []float64{0, 1}
	up := regexp.MustCompile(`<text class="up[^"]*" x="(-?[\d.]+)(%|em)" y="(-?[\d.]+)em">([^<]*)<`)
	for _, many := range []int{1, 2, 3, 5, 12, 60} {
		c := Chart{ID: "r", X: Axis{Label: "s"}, Y: Axis{Label: "in the tote, gal"}, Series: []Series{{X: x, Y: y}}}
		for i := range many {
			c.Series = append(c.Series, Series{Kind: Rule, X: []float64{100 * float64(i) / float64(many)}, Name: fmt.Sprintf("refill of %d gal", i%3)})
		}
		svg := c.Draw()
		wellFormed(t, svg)
		type span struct{ from, to, row float64 }
		var all []span
		words := 0
		for _, m := range up.FindAllStringSubmatch(svg, -1) {
			at, _ := strconv.ParseFloat(m[1], 64)
			row, _ := strconv.ParseFloat(m[3], 64)
			if m[2] == "%" {
				at = at / 100 * 22 // the least width of a plot here, em
			}
			w := 0.5 * float64(len(m[4])) // narrower than a letter is
			s := span{at - w/2, at + w/2, row}
			if strings.Contains(m[0], "first") {
				s = span{at, at + w, row}
			}
			if strings.Contains(m[0], "last") {
				s = span{at - w, at, row}
			}
			for _, o := range all {
				if o.row == s.row && s.from < o.to && o.from < s.to {
					t.Errorf("%d rules: words lie over each other: %s", many, m[0])
				}
			}
			all = append(all, s)
			if strings.Contains(m[4], "refill") {
				words++
			}
		}
		for i := range min(3, many) {
			if !strings.Contains(svg, fmt.Sprintf(">refill of %d gal<", i)) {
				t.Errorf("%d rules: not said what the mark is of", many)
			}
		}
		if many <= 3 && words != many || many >= 12 && words != 0 {
			t.Errorf("%d rules: %d with words beside them", many, words)
		}
	}
}

// Ticks' words keep apart on a phone, also where a caller chose them.
func TestTickTextKeepsApart(t *testing.T) {
	own := []Tick{{0, "a long word"}, {5, "another"}, {6, "too near"}, {100, "at the end"}}
	c := Chart{X: Axis{Ticks: own}, Series: []Series{{X: []float64{0, 100}, Y: []float64{0, 1}}}}
	svg := c.Draw()
	wellFormed(t, svg)
	if strings.Contains(svg, "too near") || !strings.Contains(svg, "a long word") || !strings.Contains(svg, "at the end") {
		t.Errorf("ticks: %s", svg)
	}
}

func BenchmarkChart(b *testing.B) {
	x, y := wave(10000)
	lo, hi := make([]float64, len(x)), make([]float64, len(x))
	for i := range x {
		lo[i], hi[i] = y[i]-3, y[i]+3
	}
	c := Chart{ID: "a", Title: "A night", X: Axis{Zone: time.UTC}, Series: []Series{{Kind: Band, X: x, Lo: lo, Hi: hi, Name: "expected"}, {Kind: Line, X: x, Y: y, Name: "measured"}}}
	size := 0
	b.ReportAllocs()
	for b.Loop() {
		size = len(c.Draw())
	}
	b.ReportMetric(float64(size), "B/svg")
}
