package draw

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// len is how many values there are.
func (s *Series) len() int {
	if s.Kind == Band || s.Kind == Whiskers {
		return min(len(s.X), len(s.Lo), len(s.Hi))
	}
	return min(len(s.X), len(s.Y))
}

// few points or whiskers are all drawn.
const few = 60

// columns parts the plot for thinning: as finely as the chart's size allows.
func (p *picture) columns() {
	each := 0
	for i := range p.Series {
		if s := &p.Series[i]; s.Kind <= Steps || s.Kind == Band || max(s.len(), len(s.X), len(s.Y)) > few {
			each += 2
		}
	}
	p.cols = min(400, max(40, 1200/max(each, 1)))
}

// spot is a place in the plot's own coordinates, whole numbers, y down.
type spot struct{ x, y int }

// spot is where values stand; false: nowhere. What lies far outside is drawn
// just as far as the clipped plot needs.
func (p *picture) spot(x, y float64) (spot, bool) {
	fx, fy := p.x.at(x), 1-p.y.at(y)
	if !finite(fx) || !finite(fy) {
		return spot{}, false
	}
	clamp := func(v float64) int { return int(math.Round(min(max(v*side, -side), 2*side))) }
	return spot{clamp(fx), clamp(fy)}, true
}

// thinned are the pieces of a line: one goes on while values are finite. Where it
// has more points than two a column, of each column the lowest and the highest stay,
// in their order.
func (p *picture) thinned(xs, ys []float64) (pieces [][]spot) {
	var piece []spot
	apart := false
	for i := range xs {
		s, ok := p.spot(xs[i], ys[i])
		if !ok {
			apart = true
			continue
		}
		if apart && len(piece) > 0 && p.seen(piece[len(piece)-1], s) {
			pieces, piece = append(pieces, p.thin(piece)), nil
		}
		piece, apart = append(piece, s), false
	}
	if len(piece) > 0 {
		pieces = append(pieces, p.thin(piece))
	}
	return pieces
}

// seen reports whether a gap is wide enough to be seen: wider than a column.
func (p *picture) seen(a, b spot) bool { return (b.x-a.x)*p.cols > side }

func (p *picture) thin(line []spot) []spot {
	if len(line) <= 2*p.cols {
		return line
	}
	var out []spot
	for i := 0; i < len(line); {
		col := line[i].x * p.cols / side
		lo, hi, k := i, i, i
		for ; k < len(line) && line[k].x*p.cols/side == col; k++ {
			if line[k].y < line[lo].y {
				lo = k
			}
			if line[k].y > line[hi].y {
				hi = k
			}
		}
		if lo > hi {
			lo, hi = hi, lo
		}
		out = append(out, line[lo])
		if hi != lo {
			out = append(out, line[hi])
		}
		i = k
	}
	return out
}

// trail writes spots as a path that goes from one to the next.
func trail(b *strings.Builder, line []spot, begin bool) {
	var at spot
	for i, s := range line {
		switch {
		case i == 0 && begin:
			fmt.Fprintf(b, "M%d %dl", s.x, s.y)
			if len(line) == 1 {
				b.WriteString("0 0")
			}
		case i == 0:
			fmt.Fprintf(b, "L%d %d", s.x, s.y)
			if len(line) > 1 {
				b.WriteByte('l')
			}
		default:
			if i > 1 && s.x >= at.x {
				b.WriteByte(' ')
			}
			b.WriteString(strconv.Itoa(s.x - at.x))
			if s.y >= at.y {
				b.WriteByte(' ')
			}
			b.WriteString(strconv.Itoa(s.y - at.y))
		}
		at = s
	}
}

func (s *Series) class(name string) string {
	if s.Hollow {
		name += " hollow"
	}
	if s.Wrong {
		name += " wrong"
	}
	return name
}

func (p *picture) named(s *Series, shape string) {
	if s.Name != "" {
		p.legend = append(p.legend, key{shape, s.Name})
	}
}

// line draws a line, the k-th of its chart: the second is dashed, the third dotted.
func (p *picture) line(s *Series, k int) {
	var d strings.Builder
	m := s.len()
	for _, piece := range p.thinned(s.X[:m], s.Y[:m]) {
		if s.Kind == Steps && len(piece) <= p.cols {
			fmt.Fprintf(&d, "M%d %d", piece[0].x, piece[0].y)
			for i := 1; i < len(piece); i++ {
				fmt.Fprintf(&d, "H%dV%d", piece[i].x, piece[i].y)
			}
			continue
		}
		trail(&d, piece, true)
	}
	class := s.class(fmt.Sprintf("line n%d", min(k, 2)))
	if d.Len() > 0 {
		fmt.Fprintf(&p.plot, `<path class="%s" d="%s"/>`, class, d.String())
	}
	if s.Kind == Steps {
		class = s.class(fmt.Sprintf("steps line n%d", min(k, 2)))
	}
	p.named(s, class)
}

// band fills between Lo and Hi; thinned, it is never narrower than it is.
func (p *picture) band(s *Series) {
	var d strings.Builder
	m := s.len()
	var lo, hi []spot
	flush := func() {
		if len(lo) == 0 {
			return
		}
		if len(lo) > p.cols {
			lo, hi = p.edge(lo, 1), p.edge(hi, -1)
		}
		if len(lo) == 1 { // one place: as wide as can be seen
			lo, hi = []spot{{lo[0].x - 3, lo[0].y}, {lo[0].x + 3, lo[0].y}}, []spot{{hi[0].x - 3, hi[0].y}, {hi[0].x + 3, hi[0].y}}
		}
		trail(&d, hi, true)
		back := make([]spot, len(lo))
		for k := range lo {
			back[len(lo)-1-k] = lo[k]
		}
		trail(&d, back, false)
		d.WriteByte('z')
		lo, hi = nil, nil
	}
	apart := false
	for i := range m {
		l, ok1 := p.spot(s.X[i], min(s.Lo[i], s.Hi[i]))
		h, ok2 := p.spot(s.X[i], max(s.Lo[i], s.Hi[i]))
		if !ok1 || !ok2 {
			apart = true
			continue
		}
		if apart && len(lo) > 0 && p.seen(lo[len(lo)-1], l) {
			flush()
		}
		lo, hi, apart = append(lo, l), append(hi, h), false
	}
	flush()
	if d.Len() > 0 {
		fmt.Fprintf(&p.plot, `<path class="%s" d="%s"/>`, s.class("band"), d.String())
	}
	p.named(s, s.class("band"))
}

// edge thins one edge of a band to the outermost spot of each column: with the
// greatest y for sign 1, the least for -1.
func (p *picture) edge(line []spot, sign int) []spot {
	var out []spot
	for i := 0; i < len(line); {
		col, far := line[i].x*p.cols/side, i
		for ; i < len(line) && line[i].x*p.cols/side == col; i++ {
			if sign*line[i].y > sign*line[far].y {
				far = i
			}
		}
		out = append(out, line[far])
	}
	return out
}

// whiskers draws an upright line from Lo to Hi with a bar at each end, cut off
// without a bar at the plot's edge.
func (p *picture) whiskers(s *Series) {
	var d strings.Builder
	seen := map[spot]bool{}
	every := 1 + s.len()/max(few+1, p.cols/2)
	for i := 0; i < s.len(); i += every {
		l, ok1 := p.spot(s.X[i], min(s.Lo[i], s.Hi[i]))
		h, ok2 := p.spot(s.X[i], max(s.Lo[i], s.Hi[i]))
		if !ok1 || !ok2 || l.x < 0 || l.x > side || l.y < 0 || h.y > side || seen[spot{l.x, h.y}] {
			continue
		}
		seen[spot{l.x, h.y}] = true
		fmt.Fprintf(&d, "M%d %dV%d", l.x, max(h.y, 0), min(l.y, side))
		if h.y >= 0 {
			fmt.Fprintf(&d, "M%d %dh16", l.x-8, h.y)
		}
		if l.y <= side {
			fmt.Fprintf(&d, "M%d %dh16", l.x-8, l.y)
		}
	}
	if d.Len() > 0 {
		fmt.Fprintf(&p.over, `<path class="%s" d="%s"/>`, s.class("whisker"), d.String())
	}
	p.named(s, s.class("whisker"))
}

// points draws dots, the k-th series of its chart: the second's are square. Of
// many dots that lie on one another one is drawn; lowest and highest stay.
func (p *picture) points(s *Series, k int) {
	var all []spot
	lo, hi := 0, 0
	for i := range s.len() {
		v, ok := p.spot(s.X[i], s.Y[i])
		if !ok || v.x < 0 || v.x > side || v.y < 0 || v.y > side {
			continue
		}
		all = append(all, v)
		if v.y < all[lo].y {
			lo = len(all) - 1
		}
		if v.y > all[hi].y {
			hi = len(all) - 1
		}
	}
	at := all
	for cell := 4; len(all) > few; cell *= 2 {
		at = nil
		seen := map[spot]bool{}
		for i, v := range all {
			c := spot{v.x / cell, v.y / cell}
			if !seen[c] || i == lo || i == hi {
				seen[c] = true
				at = append(at, v)
			}
		}
		if len(at) <= 2*p.cols*3/4 {
			break
		}
	}
	shape := fmt.Sprintf("dot p%d", min(k, 1))
	if s.Hollow {
		shape = fmt.Sprintf("ring p%d", min(k, 1))
	}
	if s.Wrong && len(at) <= mostMark {
		for _, v := range at {
			fmt.Fprintf(&p.words, `<svg class="mark-at" x="%s" y="%s"><path class="tri wrong" d="M0-7l7 12H-7z"/></svg>`, pct(float64(v.x)/side), pct(float64(v.y)/side))
		}
		p.named(s, "tri wrong")
		return
	}
	if s.Wrong {
		shape += " wrong"
	}
	var d strings.Builder
	for _, v := range at {
		fmt.Fprintf(&d, "M%d %dh.1", v.x, v.y)
	}
	if d.Len() > 0 {
		fmt.Fprintf(&p.over, `<path class="%s" d="%s"/>`, shape, d.String())
		if rest, ok := strings.CutPrefix(shape, "ring"); ok {
			fmt.Fprintf(&p.over, `<path class="core%s" d="%s"/>`, rest, d.String())
		}
	}
	p.named(s, shape)
}
