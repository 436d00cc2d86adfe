package draw

import (
	"fmt"
	"html"
	"math"
	"strings"
	"unicode/utf8"

	"yardtally/calibrate/quantity"
	"yardtally/meter/yard"
)

// Plan is yards as they lie, north up.
type Plan struct {
	ID          string // unique on the page: letters, digits, "-"
	Title, Desc string
	Yards       []Plot
	Route       []int // places in Yards, in the order of the way; none: no way is drawn
	Units       quantity.System
}

// Plot is a yard on a plan: its outline, or a circle about its middle.
type Plot struct {
	Name     string
	Lat, Lon float64 // degrees, WGS 84
	Radius   quantity.Length
	Ring     []yard.Corner
}

// A plan is laid out for a phone 360 CSS px wide.
const (
	planWidth   = 328.0
	planHighest = 380.0
	planLowest  = 150.0
	planMargin  = 24.0
	planLetter  = 6.6  // width of a letter of a name
	planLine    = 15.0 // and a line's height
	leastPlot   = 4.0  // a yard is drawn no smaller
	planMost    = 60   // names written; the others are outlines only
)

type box struct{ x, y, w, h float64 }

func (a box) meets(b box) bool {
	return a.x < b.x+b.w && b.x < a.x+a.w && a.y < b.y+b.h && b.y < a.y+a.h
}

// Draw returns the plan as one SVG: yards with their names, the way between
// them as a broken line with its numbers before the names, a bar that is so long
// as it says, and where north is. It is drawn on the tangent plane of the middle.
func (p *Plan) Draw() string {
	var b strings.Builder
	id := html.EscapeString(p.ID)
	head := func(high float64) {
		fmt.Fprintf(&b, `<svg class="plan" viewBox="0 0 %s %s" role="img" aria-labelledby="%s-t" aria-describedby="%[3]s-d"><title id="%[3]s-t">%s</title><desc id="%[3]s-d">%s</desc>`,
			n(planWidth), n(high), id, html.EscapeString(p.Title), html.EscapeString(p.Desc))
	}
	if len(p.Yards) == 0 {
		head(planLowest)
		b.WriteString("</svg>")
		return b.String()
	}
	// Metres east and north of the middle.
	lat0, lon0 := p.middle()
	const rad = math.Pi / 180
	flat := func(lat, lon float64) (e, n float64) {
		return yard.EarthRadius * math.Cos(lat0*rad) * turn(lon-lon0) * rad, yard.EarthRadius * (lat - lat0) * rad
	}
	west, east, south, north := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	hold := func(e, n, r float64) {
		west, east, south, north = min(west, e-r), max(east, e+r), min(south, n-r), max(north, n+r)
	}
	for i := range p.Yards {
		y := &p.Yards[i]
		e, n := flat(y.Lat, y.Lon)
		hold(e, n, float64(y.Radius))
		for _, c := range y.Ring {
			e, n := flat(c.Lat, c.Lon)
			hold(e, n, 0)
		}
	}
	wide, long := max(east-west, 1), max(north-south, 1)
	scale := min((planWidth-2*planMargin)/wide, (planHighest-3*planMargin)/long)
	high := max(planLowest, long*scale+3*planMargin)
	// In the middle of what is left; the bar stands below.
	offX := (planWidth - wide*scale) / 2
	offY := (high - planMargin - long*scale) / 2
	at := func(lat, lon float64) (x, y float64) {
		e, n := flat(lat, lon)
		return offX + (e-west)*scale, offY + (north-n)*scale
	}
	head(high)
	var way, marks strings.Builder
	boxes := []box{{0, high - planMargin, planWidth, planMargin}, {planWidth - 22, 0, 22, 40}}
	xs, ys, rs := make([]float64, len(p.Yards)), make([]float64, len(p.Yards)), make([]float64, len(p.Yards))
	for i := range p.Yards {
		y := &p.Yards[i]
		xs[i], ys[i] = at(y.Lat, y.Lon)
		rs[i] = max(float64(y.Radius)*scale, leastPlot)
		if len(y.Ring) > 0 {
			size := 0.0
			var d strings.Builder
			for k, c := range y.Ring {
				x, y := at(c.Lat, c.Lon)
				size = max(size, math.Hypot(x-xs[i], y-ys[i]))
				fmt.Fprintf(&d, "%c%s %s", "ML"[min(k, 1)], n(x), n(y))
			}
			if size >= leastPlot {
				rs[i] = size
				marks.WriteString(d.String() + "z")
			} else { // too small for its shape
				fmt.Fprintf(&marks, "M%s %sh%s v%[3]sh-%[3]sz", n(xs[i]-leastPlot), n(ys[i]-leastPlot), n(2*leastPlot))
			}
		} else {
			fmt.Fprintf(&marks, "M%s %sa%s %[3]s 0 1 0 %s 0a%[3]s %[3]s 0 1 0 -%[4]s 0z", n(xs[i]-rs[i]), n(ys[i]), n(rs[i]), n(2*rs[i]))
		}
		boxes = append(boxes, box{xs[i] - rs[i], ys[i] - rs[i], 2 * rs[i], 2 * rs[i]})
	}
	turnAt := make([]int, len(p.Yards))
	for k, i := range p.Route {
		if turnAt[i] == 0 {
			turnAt[i] = k + 1
		}
		fmt.Fprintf(&way, "%c%s %s", "ML"[min(k, 1)], n(xs[i]), n(ys[i]))
	}
	if len(p.Route) > 1 {
		path(&b, "way", way.String(), 1.5)
	}
	path(&b, "plot", marks.String(), 1.8)
	for i := range min(len(p.Yards), planMost) {
		name := p.Yards[i].Name
		if turnAt[i] > 0 {
			name = fmt.Sprint(turnAt[i], " ", name)
		}
		w := float64(utf8.RuneCountInString(name)) * planLetter
		x, y, r := xs[i], ys[i], rs[i]+6
		for _, c := range []struct {
			x, y   float64
			anchor string
		}{{x + r, y + 4, ""}, {x - r - w, y + 4, "end"}, {x - w/2, y - r, "mid"}, {x - w/2, y + r + 11, "mid"}} {
			at := box{c.x, c.y - 12, w, planLine}
			free := at.x >= 0 && at.x+at.w <= planWidth && at.y >= 0
			for k := range boxes {
				free = free && !at.meets(boxes[k])
			}
			if !free {
				continue
			}
			boxes = append(boxes, at)
			tx, class := at.x, "name-of"
			switch c.anchor {
			case "end":
				tx, class = at.x+at.w, "name-of last"
			case "mid":
				tx, class = at.x+at.w/2, "name-of up"
			}
			fmt.Fprintf(&b, `<text class="%s" x="%s" y="%s">%s</text>`, class, n(tx), n(c.y), html.EscapeString(name))
			break
		}
	}
	// A bar of about a quarter of the width, and north.
	bar, word := p.bar((planWidth / 4) / scale)
	path(&b, "ink", fmt.Sprintf("M2 %sv6h%sv-6", n(high-12), n(bar*scale)), 1.5)
	fmt.Fprintf(&b, `<text class="of" x="%s" y="%s">%s</text>`, n(bar*scale+8), n(high-4), word)
	path(&b, "ink", fmt.Sprintf("M%s 30V4l-5 9m5 -9l5 9", n(planWidth-10)), 1.5)
	fmt.Fprintf(&b, `<text class="of up" x="%s" y="42">N</text></svg>`, n(planWidth-10))
	return b.String()
}

// turn is a difference of longitudes the short way round.
func turn(d float64) float64 { return math.Remainder(d, 360) }

// middle is the middle of the yards, also of those on both sides of the 180th
// meridian.
func (p *Plan) middle() (lat, lon float64) {
	first := p.Yards[0].Lon
	south, north, west, east := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for i := range p.Yards {
		y := &p.Yards[i]
		south, north = min(south, y.Lat), max(north, y.Lat)
		d := turn(y.Lon - first)
		west, east = min(west, d), max(east, d)
	}
	return (south + north) / 2, first + (west+east)/2
}

// bar returns a round length of at most so many metres, in metres and in the
// person's units.
func (p *Plan) bar(most float64) (metres float64, word string) {
	type unit struct {
		name string
		m    float64
	}
	units := []unit{{"m", 1}, {"km", 1000}}
	if p.Units == quantity.US {
		units = []unit{{"ft", 0.3048}, {"mi", 1609.344}} // exact: NIST Special Publication 811 (2008), appendix B.8
	}
	u := units[0]
	if most >= units[1].m/2 {
		u = units[1]
	}
	x := most / u.m
	ten := math.Pow(10, math.Floor(math.Log10(x)))
	for _, k := range []float64{5, 2, 1} {
		if k*ten <= x {
			return k * ten * u.m, fmt.Sprintf("%g %s", k*ten, u.name)
		}
	}
	return ten * u.m, fmt.Sprintf("%g %s", ten, u.name)
}
