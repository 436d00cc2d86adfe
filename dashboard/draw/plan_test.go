package draw

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/yard"
)

func plots() []Plot {
	return []Plot{
		{Name: "Orchard End", Lat: 43.220, Lon: -91.880, Radius: 90},
		{Name: "Mill <Bottom>", Lat: 43.235, Lon: -91.925, Ring: []yard.Corner{{Lat: 43.2346, Lon: -91.9256}, {Lat: 43.2346, Lon: -91.9244}, {Lat: 43.2354, Lon: -91.9244}, {Lat: 43.2354, Lon: -91.9256}}},
		{Name: "Larch Bank", Lat: 43.195, Lon: -91.880, Radius: 60},
	}
}

// circles returns the middles of the circles drawn, in the order of the yards.
func circles(t *testing.T, svg string) (out [][2]float64) {
	t.Helper()
	for _, m := range regexp.MustCompile(`M([-\d.]+) ([-\d.]+)a([\d.]+) `).FindAllStringSubmatch(svg, -1) {
		var x [3]float64
		for i := range x {
			v, err := strconv.ParseFloat(m[i+1], 64)
			if err != nil {
				t.Fatal(err)
			}
			x[i] = v
		}
		out = append(out, [2]float64{x[0] + x[2], x[1]})
	}
	return out
}

// Distances on the plan are those on the ground, on the scale of its bar.
func TestPlanIsToScale(t *testing.T) {
	for _, u := range []quantity.System{quantity.US, quantity.SI} {
		p := Plan{ID: "plan", Title: "Plan", Desc: "Yards", Yards: plots(), Units: u}
		svg := p.Draw()
		wellFormed(t, svg)
		c := circles(t, svg)
		if len(c) != 2 {
			t.Fatalf("%d circles, want 2: %s", len(c), svg)
		}
		bar := regexp.MustCompile(`v6h([\d.]+)v-6"/><text class="of" x="[\d.]+" y="[\d.]+">([\d.]+) (mi|ft|km|m)<`).FindStringSubmatch(svg)
		if bar == nil {
			t.Fatalf("no bar: %s", svg)
		}
		long, _ := strconv.ParseFloat(bar[1], 64)
		says, _ := strconv.ParseFloat(bar[2], 64)
		metres := says * map[string]float64{"mi": 1609.344, "ft": 0.3048, "km": 1000, "m": 1}[bar[3]]
		drawn := math.Hypot(c[0][0]-c[1][0], c[0][1]-c[1][1]) / long * metres
		truly := float64(yard.Distance(43.220, -91.880, 43.195, -91.880))
		if math.Abs(drawn/truly-1) > 0.01 { // a coordinate has one decimal
			t.Errorf("%v: %.0f m on the plan, %.0f m on the ground", u, drawn, truly)
		}
		if (bar[3] == "mi" || bar[3] == "ft") != (u == quantity.US) {
			t.Errorf("%v: a bar in %s", u, bar[3])
		}
		// North is up: Larch Bank lies south of Orchard End, and straight below it.
		if c[1][1] <= c[0][1] || math.Abs(c[1][0]-c[0][0]) > 0.2 {
			t.Errorf("Orchard End at %v, Larch Bank at %v", c[0], c[1])
		}
		if strings.Contains(svg, "<Bottom>") || !strings.Contains(svg, "Mill &lt;Bottom&gt;") {
			t.Error("a name is not escaped")
		}
	}
}

// The way is drawn in its order, and names say which yard is which on it.
func TestPlanRoute(t *testing.T) {
	p := Plan{ID: "plan", Yards: plots(), Route: []int{2, 0, 1}}
	svg := p.Draw()
	wellFormed(t, svg)
	for _, want := range []string{">1 Larch Bank<", ">2 Orchard End<", ">3 Mill &lt;Bottom&gt;<"} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %s: %s", want, svg)
		}
	}
	if n := len(regexp.MustCompile(`class="way" stroke-width="1.5" d="M[^"L]+L[^"L]+L[^"L]+"`).FindAllString(svg, -1)); n != 1 {
		t.Errorf("no way through three yards: %s", svg)
	}
}

// Names do not lie on each other, though yards are crowded, and all is on the plan.
func TestPlanOfManyYards(t *testing.T) {
	var p Plan
	for i := range 300 {
		p.Yards = append(p.Yards, Plot{Name: "Ferry Lane " + strconv.Itoa(i), Lat: 43 + float64(i%20)/100, Lon: 179.95 + float64(i/20)/100, Radius: 60}) // across the 180th meridian
		if p.Yards[i].Lon > 180 {
			p.Yards[i].Lon -= 360
		}
	}
	svg := p.Draw()
	wellFormed(t, svg)
	var names []box
	for _, m := range regexp.MustCompile(`<text class="name-of( last| up)?" x="([-\d.]+)" y="([-\d.]+)">([^<]+)<`).FindAllStringSubmatch(svg, -1) {
		x, _ := strconv.ParseFloat(m[2], 64)
		y, _ := strconv.ParseFloat(m[3], 64)
		w := float64(len(m[4])) * planLetter
		switch m[1] {
		case " last":
			x -= w
		case " up":
			x -= w / 2
		}
		names = append(names, box{x, y - 12, w, planLine})
	}
	if len(names) < 2 { // there is hardly room for one
		t.Errorf("%d names on the plan", len(names))
	}
	for i, a := range names {
		if a.x < -0.1 || a.x+a.w > planWidth+0.1 {
			t.Errorf("a name reaches past the plan: %+v", a)
		}
		for _, b := range names[i+1:] {
			if a.meets(box{b.x + 0.2, b.y + 0.2, b.w - 0.4, b.h - 0.4}) {
				t.Errorf("names on each other: %+v %+v", a, b)
			}
		}
	}
	for _, c := range circles(t, svg) {
		if c[0] < 0 || c[0] > planWidth {
			t.Errorf("a yard at %v, off the plan", c)
		}
	}
	if len(svg) > 45_000 {
		t.Errorf("%d bytes", len(svg))
	}
	for _, ys := range [][]Plot{nil, plots()[:1], {plots()[0], plots()[0]}} {
		wellFormed(t, (&Plan{ID: "plan", Yards: ys}).Draw())
	}
}
