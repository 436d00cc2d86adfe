package draw

import (
	"cmp"
	"fmt"
	"html"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// Kind is how a series is drawn.
type Kind uint8

// The kinds of series. A Rule is a straight line across the chart with its
// name beside it: upright at each X or, where there is no X, level at each Y.
const (
	Line Kind = iota
	Steps
	Points
	Band
	Whiskers
	Rule
)

// Chart is a picture of figures over an axis. Unlike the other pictures it is
// read out to those who do not see it: by its title and what Desc says.
type Chart struct {
	ID          string // unique on the page: letters, digits, "-"
	Title, Desc string // Desc says in words what the picture shows
	X, Y        Axis
	Series      []Series // drawn in this order: bands first
	Wide        bool     // twice as wide as high on a laptop; a phone's shape otherwise
}

// Axis is one axis of a chart.
type Axis struct {
	Label    string         // quantity and unit: "flow, gal/min"
	Min, Max float64        // equal: from the data, with room; from 0 where the data come near it
	Ticks    []Tick         // nil: at steps of 1, 2 or 5
	Zone     *time.Location // not nil: values are Unix seconds, and ticks stand at whole local times
	Log      bool           // not with Zone; what is not above 0 is not drawn
}

// Tick is a value that is written at an axis.
type Tick struct {
	At   float64
	Text string
}

// Series is what is drawn of one thing. All slices that its kind uses have one
// length; of longer ones the rest is left out. A value that is not finite parts
// a line. X rises.
type Series struct {
	Kind         Kind
	X, Y, Lo, Hi []float64 // Band and Whiskers use Lo and Hi; the others Y
	Name         string    // beside its shape in the legend; "": none
	Hollow       bool      // points: rings; lines: thin
	Wrong        bool      // needs a person: coloured, points as triangles
}

// A chart is laid out in em of its letters for a phone 360 CSS px wide; on
// anything wider there is more room. widthEm is of page's width, without the
// body's margins.
const (
	widthEm  = 25.0
	rightEm  = 1.0
	heightEm = 17.0
	side     = 1000 // units of the plot's own coordinates, both ways
	mostRows = 3    // of words above the plot
	mostMark = 60   // triangles of one series
	mostKeys = 12   // entries of the legend, and rules' words that it explains
	ruleStep = 8    // rules nearer than that are drawn as one
)

// picture is a chart that is being drawn.
type picture struct {
	*Chart
	x, y   scale
	left   float64 // em left of the plot
	cols   int     // columns that lines are thinned to
	plot   strings.Builder
	over   strings.Builder
	words  strings.Builder
	legend []key
	top    int // rows of words above the plot
}

// key is an entry of the legend.
type key struct{ shape, word string }

// Draw returns the chart as one SVG that has classes and no style: its box is
// the plot, what is written stands outside of it in the margins that the
// classes give. Text keeps its size at any width. Lines are thinned to what can
// be seen, lowest and highest kept.
func (c *Chart) Draw() string {
	p := &picture{Chart: c}
	var b strings.Builder
	id, box := html.EscapeString(c.ID), ""
	if c.Wide {
		box = " wide"
	}
	head := func(left, top, bottom int) {
		fmt.Fprintf(&b, `<svg class="chart%s l%d t%d b%d" role="img" aria-labelledby="%s-t" aria-describedby="%[5]s-d"><title id="%[5]s-t">%s</title><desc id="%[5]s-d">%s</desc>`,
			box, left, top, bottom, id, html.EscapeString(c.Title), html.EscapeString(c.Desc))
	}
	var ok bool
	if p.x, p.y, ok = c.scales(); !ok {
		head(2, 0, 0)
		b.WriteString(`<svg class="plot" viewBox="0 0 1000 1000" preserveAspectRatio="none"><path class="frame" d="M0 0V1000H1000"/></svg><text class="none" x="50%" y="50%">nothing yet</text></svg>`)
		return b.String()
	}
	p.axes()
	p.columns()
	lines, dots := 0, 0
	for i := range c.Series {
		s := &c.Series[i]
		switch s.Kind {
		case Band:
			p.band(s)
		case Line, Steps:
			p.line(s, lines)
			lines++
		case Whiskers:
			p.whiskers(s)
		case Points:
			p.points(s, dots)
			dots++
		}
	}
	p.rules()
	rows := p.keys()
	head(int(p.left), p.top+1, rows)
	b.WriteString(`<svg class="plot" viewBox="0 0 1000 1000" preserveAspectRatio="none">` + p.plot.String() + `</svg>`)
	if p.over.Len() > 0 {
		b.WriteString(`<svg class="over" viewBox="0 0 1000 1000" preserveAspectRatio="none">` + p.over.String() + `</svg>`)
	}
	b.WriteString(p.words.String() + `</svg>`)
	return b.String()
}

// wordEm is about how long a word is, in em; rather too long than too short.
func wordEm(s string) float64 {
	sum := 0.0
	for _, r := range s {
		switch {
		case strings.ContainsRune("iljtf.,:;'|()! ", r):
			sum += 0.36
		case strings.ContainsRune("mwMW@%—", r):
			sum += 0.95
		case r >= 'A' && r <= 'Z':
			sum += 0.72
		default:
			sum += 0.6
		}
	}
	return sum
}

func pct(x float64) string { return n(100*x) + "%" }

// axes writes ticks and labels, and draws the grid.
func (p *picture) axes() {
	ys := p.y.ticks(7, func(t []Tick) bool { return float64(len(t))*1.8 <= heightEm })
	p.left = 2
	for _, t := range ys {
		p.left = max(p.left, math.Ceil(wordEm(t.Text)+0.8))
	}
	p.left = min(p.left, 8)
	room := widthEm - p.left - rightEm
	fits := func(ts []Tick) bool {
		end := math.Inf(-1)
		for _, t := range ts {
			from, to := p.label(t, room)
			if from < end+0.6 {
				return false
			}
			end = to
		}
		return true
	}
	xs := p.x.ticks(8, fits)
	end := math.Inf(-1)
	xs = slices.DeleteFunc(xs, func(t Tick) bool { // what a caller chose may still lie too near
		from, to := p.label(t, room)
		if from < end+0.3 {
			return true
		}
		end = to
		return false
	})
	var grid strings.Builder
	for _, t := range ys {
		fmt.Fprintf(&grid, "M0 %.0fh1000", side*(1-p.y.at(t.At)))
		fmt.Fprintf(&p.words, `<text class="y" x="-.5em" y="%s" dy=".35em">%s</text>`, pct(1-p.y.at(t.At)), html.EscapeString(t.Text))
	}
	for _, t := range xs {
		fmt.Fprintf(&grid, "M%.0f 1000v-18", side*p.x.at(t.At))
	}
	fmt.Fprintf(&p.plot, `<path class="grid" d="%s"/><path class="frame" d="M0 0V1000H1000"/>`, grid.String())
	p.words.WriteString(`<svg class="under" y="100%">`)
	for _, t := range xs {
		class, at := "x", p.x.at(t.At)
		if at*room+wordEm(t.Text)/2 > room+rightEm {
			class = "x last"
		}
		fmt.Fprintf(&p.words, `<text class="%s" x="%s" y="1.3em">%s</text>`, class, pct(at), html.EscapeString(t.Text))
	}
	if p.X.Label != "" {
		fmt.Fprintf(&p.words, `<text class="axis last" x="100%%" y="2.7em">%s</text>`, html.EscapeString(p.X.Label))
	}
	p.words.WriteString(`</svg>`)
	if p.Y.Label != "" {
		fmt.Fprintf(&p.words, `<text class="axis" x="-%gem" y="-.7em">%s</text>`, p.left, html.EscapeString(p.Y.Label))
	}
}

// label is where a tick's text lies on the axis below, em from the plot's left.
func (p *picture) label(t Tick, room float64) (from, to float64) {
	at, w := p.x.at(t.At)*room, wordEm(t.Text)
	if at+w/2 > room+rightEm {
		return at - w, at
	}
	return at - w/2, at + w/2
}

// rules draws the rules and writes their words: upright ones' in rows above the
// plot, or by number where there is no room for all.
func (p *picture) rules() {
	type word struct {
		at   float64
		text string
		row  int
	}
	var up, level []word
	var ups, levels [side/ruleStep + 1]bool
	once := func(seen *[side/ruleStep + 1]bool, at float64) bool {
		k := int(at * side / ruleStep)
		was := seen[k]
		seen[k] = true
		return !was
	}
	for i := range p.Series {
		s := &p.Series[i]
		if s.Kind != Rule {
			continue
		}
		var d strings.Builder
		name := s.Name
		if s.Wrong && name != "" {
			name = "▲ " + name
		}
		for _, x := range s.X {
			if at := p.x.at(x); at >= 0 && at <= 1 && once(&ups, at) {
				fmt.Fprintf(&d, "M%.0f 0v1000", side*at)
				up = append(up, word{at, name, 0})
			}
		}
		if len(s.X) == 0 {
			for _, y := range s.Y {
				if at := p.y.at(y); at >= 0 && at <= 1 && once(&levels, at) {
					fmt.Fprintf(&d, "M0 %.0fh1000", side*(1-at))
					level = append(level, word{at, name, 0})
				}
			}
		}
		if d.Len() > 0 {
			fmt.Fprintf(&p.over, `<path class="%s" d="%s"/>`, s.class("rule"), d.String())
		}
	}
	slices.SortStableFunc(level, func(a, b word) int { return cmp.Compare(a.at, b.at) })
	ends := [2]float64{-1, -1} // height of the last word at the right and left end
	for _, w := range level {
		for k, anchor := range []string{`class="of last" x="99%"`, `class="of" x="1%"`} {
			if w.text != "" && w.at-ends[k] >= 1.3/heightEm && w.at < 1-1/heightEm {
				fmt.Fprintf(&p.words, `<text %s y="%s" dy="-.3em">%s</text>`, anchor, pct(1-w.at), html.EscapeString(w.text))
				ends[k], w.text = w.at, ""
			}
		}
		if w.text != "" {
			p.legend = append(p.legend, key{"rule", w.text})
		}
	}
	slices.SortStableFunc(up, func(a, b word) int { return cmp.Compare(a.at, b.at) })
	room := widthEm - p.left - rightEm
	// rows places words from the left, each in the lowest row that has room.
	rows := func(text func(i int) string) (lost int) {
		var ends [mostRows]float64
		for i := range ends {
			ends[i] = -p.left
		}
		if p.Y.Label != "" {
			ends[0] += wordEm(p.Y.Label) + 0.6
		}
		p.top = 0
		for i := range up {
			if up[i].row = -1; text(i) == "" {
				continue
			}
			w := wordEm(text(i))
			from := min(max(up[i].at*room-w/2, -p.left), room+rightEm-w)
			for r := range ends {
				if from >= ends[r] {
					up[i].row, ends[r] = r+1, from+w+0.6
					p.top = max(p.top, r+1)
					break
				}
			}
			if up[i].row < 0 {
				lost++
			}
		}
		return lost
	}
	text := func(i int) string { return up[i].text }
	if rows(text) > 0 {
		seen := []string{}
		for i := range up {
			if up[i].text != "" && !slices.Contains(seen, up[i].text) {
				seen = append(seen, up[i].text)
				p.legend = append(p.legend, key{fmt.Sprint(len(seen)), up[i].text})
			}
		}
		text = func(i int) string {
			if k := slices.Index(seen, up[i].text); k >= 0 && k < mostKeys {
				return fmt.Sprint(k + 1)
			}
			return ""
		}
		rows(text)
	}
	for i, w := range up {
		if w.row < 1 || text(i) == "" {
			continue
		}
		long := wordEm(text(i))
		class, at := "up", pct(w.at)
		switch {
		case w.at*room-long/2 < -p.left:
			class, at = "up first", fmt.Sprintf("-%gem", p.left)
		case w.at*room+long/2 > room+rightEm:
			class = "up last"
			if w.at < 1 {
				at = "100%"
			}
		}
		fmt.Fprintf(&p.words, `<text class="%s" x="%s" y="%.1fem">%s</text>`, class, at, -0.6-1.4*float64(w.row-1), html.EscapeString(text(i)))
	}
}

// keys writes the legend below and returns how many rows stand under the plot.
func (p *picture) keys() int {
	rows := 2
	if p.X.Label != "" {
		rows = 3
	}
	if len(p.legend) == 0 {
		return rows
	}
	if more := len(p.legend) - mostKeys; more > 0 {
		p.legend = append(p.legend[:mostKeys:mostKeys], key{"…", fmt.Sprintf("and %d more", more)})
	}
	p.words.WriteString(`<svg class="under" y="100%">`)
	x := 0.0
	for _, k := range p.legend {
		long := 2.2 + wordEm(k.word)
		if x > 0 && x+long > widthEm {
			x, rows = 0, rows+1
		}
		y := 1.5*float64(rows) - 0.2
		if utf8.RuneCountInString(k.shape) <= 2 {
			fmt.Fprintf(&p.words, `<text x="%.1fem" y="%.1fem">%s</text>`, x-p.left+0.5, y, k.shape)
		} else {
			fmt.Fprintf(&p.words, `<svg class="key" x="%.1fem" y="%.1fem">%s</svg>`, x-p.left, y-0.35, keyShapes(k.shape))
		}
		fmt.Fprintf(&p.words, `<text x="%.1fem" y="%.1fem">%s</text>`, x-p.left+1.9, y, html.EscapeString(k.word))
		x += long + 0.9
	}
	p.words.WriteString(`</svg>`)
	return rows + 1
}

// keyShapes draws a class's sample, 20 px long about the middle of a line.
func keyShapes(class string) string {
	d := "M0 0h20"
	switch kind, _, _ := strings.Cut(class, " "); kind {
	case "band":
		d = "M0-6h20V6H0z"
	case "steps":
		d = "M0 4h10v-8h10"
	case "dot", "ring", "core":
		d = "M10 0h.1"
	case "whisker":
		d = "M10-7V7M6-7h8M6 7h8"
	case "tri":
		d = "M10-6l6 11H4z"
	}
	out := fmt.Sprintf(`<path class="%s" d="%s"/>`, class, d)
	if rest, ok := strings.CutPrefix(class, "ring"); ok {
		out += fmt.Sprintf(`<path class="core%s" d="%s"/>`, rest, d)
	}
	return out
}
