// Package draw draws Yardtally's two pictures as SVG, the tally strip of a
// yard and the run of the rig, and its charts. It knows no page and no colours:
// everything is drawn in the current ink, and a style sheet sets the classes
// named here.
//
// The two pictures carry no words that are not beside them as text too, so they
// are hidden from screen readers; a chart has a title and a description.
package draw

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
)

// Stroke is one place in a strip: a fill with its top-ups or, where Passed is
// set, a colony that got none.
type Stroke struct {
	Volume quantity.Volume
	Tops   []quantity.Volume // top-ups, which stand on it in their order
	Short  bool              // drawn hollow
	Open   bool              // still growing: drawn with an arrowhead on top
	Passed bool              // a small cross on the line, and no stroke
	Unsure []int             // its pulls that may be something else, drawn broken: 0 the fill, from 1 on its top-ups
}

// whole is the fill and its top-ups.
func (s *Stroke) whole() quantity.Volume {
	sum := s.Volume
	for _, t := range s.Tops {
		sum += t
	}
	return sum
}

// Flat is flow that belongs to no colony; it lies below the line.
type Flat struct {
	After  int // after how many strokes it came
	Volume quantity.Volume
	Unsure bool // it may be none, or hide a fill: drawn broken
}

// Size is the size of a strip, in CSS pixels.
type Size struct {
	Pitch, Width float64 // from stroke to stroke; of a stroke
	Height       float64 // of the highest stroke
}

// Sizes of strips: the yard one stands in, and a line in a table.
var (
	Large  = Size{Pitch: 12, Width: 7, Height: 84}
	Middle = Size{Pitch: 9, Width: 5, Height: 48} // for a yard of more than fifty
	Small  = Size{Pitch: 5, Width: 3, Height: 22}
)

// seam is the gap between a fill and the top-up on it, CSS pixels.
const seam = 1.5

// Strip draws strokes in the order they were poured, an SVG for each group of
// five, so that a long yard wraps like writing. A stroke's height is its
// volume, and a flat's length is on the same scale; the highest stroke, or a
// fifth more than the intended volume, is as high as the strip goes. A dotted
// line stands at the intended volume, where that is not zero, and a dot on the
// line for each colony that is still ahead.
func Strip(size Size, strokes []Stroke, ahead int, flats []Flat, intended quantity.Volume) []string {
	top := intended + intended/5
	for i := range strokes {
		top = max(top, strokes[i].whole())
	}
	if top <= 0 {
		for _, f := range flats {
			top = max(top, f.Volume)
		}
	}
	scale := 0.0
	if top > 0 {
		scale = size.Height / float64(top)
	}
	places := len(strokes) + max(ahead, 0)
	groups := (places + 4) / 5
	if groups == 0 && len(flats) > 0 {
		groups = 1
	}
	out := make([]string, 0, groups)
	for g := range groups {
		first := g * 5
		last := max(first, min(first+5, len(strokes)))
		dots := max(0, min(first+5, places)-last)
		var fs []Flat
		for _, f := range flats {
			if at := max(f.After-1, 0); at >= first && at < first+5 {
				f.After = max(f.After-1-first, 0)
				fs = append(fs, f)
			}
		}
		out = append(out, group(size, strokes[min(first, len(strokes)):min(last, len(strokes))], dots, fs, scale, intended))
	}
	return out
}

// group draws up to five strokes, the dots of those ahead, and the flats under them; a Flat's After is
// here the index of the stroke it starts under.
func group(z Size, strokes []Stroke, dots int, flats []Flat, scale float64, intended quantity.Volume) string {
	head := z.Pitch * 0.9 // room for the arrowhead
	base := head + z.Height
	wide := 5*z.Pitch - (z.Pitch-z.Width)/2
	thick := z.Width * 0.55
	var ink, hollow, arrow, passed, flat, unsure, broken, outline strings.Builder
	for i := range strokes {
		s := &strokes[i]
		x := float64(i)*z.Pitch + z.Width/2
		if s.Passed {
			a := max(z.Width*0.4, 1.5)
			fmt.Fprintf(&passed, "M%s %sl%s %sm0 -%[4]sl-%[3]s %[4]s", n(x-a), n(base-2*a-2), n(2*a), n(2*a))
			continue
		}
		foot := base
		for k, v := range append([]quantity.Volume{s.Volume}, s.Tops...) {
			head := foot - max(float64(v)*scale, 2)
			from := foot
			if k > 0 {
				from -= seam // a top-up stands on its fill, and shows that it is one
			}
			full, empty := &ink, &hollow
			if slices.Contains(s.Unsure, k) {
				full, empty = &broken, &outline
			}
			if s.Short {
				in := z.Width/2 - 0.75
				fmt.Fprintf(empty, "M%s %sV%sH%sV%s", n(x-in), n(from), n(min(head+0.75, from)), n(x+in), n(from))
				if k > 0 {
					empty.WriteByte('z')
				}
			} else {
				fmt.Fprintf(full, "M%s %sV%s", n(x), n(from), n(min(head, from-0.5)))
			}
			foot = head
		}
		if s.Open {
			a := z.Width / 2
			fmt.Fprintf(&arrow, "M%s %sL%s %sL%s %s", n(x-a), n(foot-3), n(x), n(foot-3-a), n(x+a), n(foot-3))
		}
	}
	var wait strings.Builder
	for i := len(strokes); i < len(strokes)+dots; i++ {
		fmt.Fprintf(&wait, "M%s %sv-3", n(float64(i)*z.Pitch+z.Width/2), n(base))
	}
	var ends []float64 // right end of what lies in each row
	for _, f := range flats {
		x := float64(f.After) * z.Pitch
		long := max(float64(f.Volume)*scale, thick)
		row := 0
		for row < len(ends) && row < 2 && ends[row]+2 > x {
			row++
		}
		if row == len(ends) {
			ends = append(ends, 0)
		}
		x = max(x, ends[row]+2*min(ends[row], 1))
		end := min(x+long, wide)
		if end <= x {
			continue // no room: the table has it
		}
		ends[row] = end
		y := base + z.Width*0.9 + float64(row)*(thick+3)
		d := &flat
		if f.Unsure {
			d = &unsure
		}
		fmt.Fprintf(d, "M%s %sH%s", n(x), n(y), n(end))
		if x+long > wide && end-x > 9 { // longer than there is room: broken off
			d.WriteString("m-7 3l3 -6m2 0l-3 6")
		}
	}
	high := base + z.Width*0.9 + float64(max(len(ends), 1))*(thick+3)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="group" width="%s" height="%s" viewBox="0 0 %[1]s %[2]s" aria-hidden="true" focusable="false">`, n(wide), n(high))
	path(&b, "base", fmt.Sprintf("M0 %sH%s", n(base+0.5), n(wide)), 1)
	if intended > 0 {
		path(&b, "meant", fmt.Sprintf("M0 %sH%s", n(base-float64(intended)*scale), n(wide)), 1)
	}
	path(&b, "ahead-dots", wait.String(), z.Width*0.5)
	path(&b, "ink", ink.String(), z.Width)
	path(&b, "hollow", hollow.String(), 1.5)
	path(&b, "unsure", broken.String(), z.Width)
	path(&b, "unsure", outline.String(), 1.5)
	path(&b, "ink", arrow.String(), 1.5)
	path(&b, "passed", passed.String(), 1.5)
	path(&b, "ink flat", flat.String(), thick)
	path(&b, "unsure", unsure.String(), thick)
	b.WriteString("</svg>")
	return b.String()
}

func path(b *strings.Builder, class, d string, width float64) {
	if d != "" {
		fmt.Fprintf(b, `<path class="%s" stroke-width="%s" d="%s"/>`, class, n(width), d)
	}
}

// n prints a coordinate with at most one decimal.
func n(x float64) string {
	s := strconv.FormatFloat(x, 'f', 1, 64)
	return strings.TrimSuffix(s, ".0")
}
