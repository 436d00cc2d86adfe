package draw

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
)

// wellFormed fails the test where the drawing is not XML, or where a number
// in it is not finite.
func wellFormed(t *testing.T, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%v in %s", err, svg)
		}
	}
	if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") || strings.Contains(svg, "style=") {
		t.Fatalf("not to be drawn: %s", svg)
	}
}

// strokes returns the heights drawn full and hollow, in order within each.
func strokes(t *testing.T, svg string) (full, hollow []float64) {
	t.Helper()
	number := func(s string) float64 {
		x, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for _, m := range regexp.MustCompile(`M[\d.]+ ([\d.]+)V([\d.]+)(H?)`).FindAllStringSubmatch(svg, -1) {
		h := number(m[1]) - number(m[2])
		if m[3] == "H" {
			hollow = append(hollow, h)
		} else {
			full = append(full, h)
		}
	}
	return full, hollow
}

func TestStripHeightIsVolume(t *testing.T) {
	const gal = quantity.USGallon
	g := Strip(Large, []Stroke{{Volume: gal}, {Volume: gal / 2}, {Volume: gal / 4, Short: true}, {Volume: gal * 3 / 4, Open: true}}, 0, nil, gal)
	if len(g) != 1 {
		t.Fatalf("%d groups, want 1", len(g))
	}
	wellFormed(t, g[0])
	full, hollow := strokes(t, g[0])
	if len(full) != 3 || len(hollow) != 1 {
		t.Fatalf("%d full and %d hollow, want 3 and 1: %s", len(full), len(hollow), g[0])
	}
	for i, want := range []float64{1, 0.5, 0.75} {
		if got := full[i] / full[0]; math.Abs(got-want) > 0.01 {
			t.Errorf("stroke %d is %.3f of the first, want %.3f", i, got, want)
		}
	}
	if got := hollow[0] / full[0]; math.Abs(got-0.25) > 0.02 {
		t.Errorf("the hollow one is %.3f, want 0.25", got)
	}
	if full[0] > Large.Height {
		t.Errorf("higher than the strip: %g", full[0])
	}
	full, _ = strokes(t, Strip(Large, []Stroke{{Volume: gal}, {Volume: 3 * gal}}, 0, nil, gal)[0])
	if math.Abs(full[1]-Large.Height) > 0.1 {
		t.Errorf("the highest stroke is %g, want the strip's height, %g", full[1], Large.Height)
	}
}

func TestStripGroups(t *testing.T) {
	for _, c := range []struct{ strokes, ahead, flats, want int }{
		{0, 0, 0, 0}, {0, 0, 1, 1}, {1, 0, 0, 1}, {5, 0, 0, 1}, {6, 0, 0, 2}, {3, 9, 2, 3}, {24, -3, 0, 5}, {0, 7, 1, 2},
	} {
		ss := make([]Stroke, c.strokes)
		for i := range ss {
			ss[i].Volume = quantity.Litre
		}
		fs := make([]Flat, c.flats)
		for i := range fs {
			fs[i] = Flat{After: i * c.strokes, Volume: 900 * quantity.Litre, Unsure: i == 1}
		}
		got := Strip(Small, ss, c.ahead, fs, 0)
		if len(got) != c.want {
			t.Errorf("%+v: %d groups, want %d", c, len(got), c.want)
		}
		drawn, dots, lying := 0, 0, 0
		for _, g := range got {
			wellFormed(t, g)
			full, _ := strokes(t, g)
			drawn += len(full)
			dots += strings.Count(g, "v-3")
			for _, class := range []string{"unsure", "ink flat"} {
				lying += strings.Count(g, class)
			}
		}
		if drawn != c.strokes || dots != max(c.ahead, 0) || lying != c.flats {
			t.Errorf("%+v: drew %d strokes, %d dots, %d flats: %v", c, drawn, dots, lying, got)
		}
	}
}

// A top-up stands on the stroke it belongs to, and the stack is as high as what
// the colony got; one that got none has a mark and no stroke.
func TestStripTopUpsAndPassed(t *testing.T) {
	const gal = quantity.USGallon
	svg := Strip(Large, []Stroke{{Volume: gal}, {Volume: gal / 2, Tops: []quantity.Volume{gal / 4, gal / 4}}, {Passed: true},
		{Volume: gal / 4, Tops: []quantity.Volume{gal / 4}, Short: true}}, 1, []Flat{{After: 4, Volume: gal / 4, Unsure: true}}, gal)
	if len(svg) != 1 {
		t.Fatalf("%d groups, want 1", len(svg))
	}
	g := svg[0]
	wellFormed(t, g)
	full, hollow := strokes(t, g)
	if len(full) != 4 || len(hollow) != 2 {
		t.Fatalf("%d full and %d hollow, want 4 and 2: %s", len(full), len(hollow), g)
	}
	if got, want := full[1]+full[2]+full[3]+2*seam, full[0]; math.Abs(got-want) > 0.3 {
		t.Errorf("a fill with its top-ups is %.2f high, one as large %.2f", got, want)
	}
	if got, want := hollow[0]+hollow[1]+seam+1.5, full[0]/2; math.Abs(got-want) > 0.3 { // 1.5: its outline's width
		t.Errorf("a short fill with its top-up is %.2f high, want %.2f", got, want)
	}
	// All of a stack stands over one place: x of the second stroke.
	x := n(Large.Pitch + Large.Width/2)
	if c := strings.Count(g, "M"+x+" "); c != 3 {
		t.Errorf("%d pieces over the second place, want 3: %s", c, g)
	}
	if c := strings.Count(g, `class="passed"`); c != 1 {
		t.Errorf("%d marks of a colony passed over, want 1", c)
	}
	if strings.Count(g, "v-3") != 1 || strings.Count(g, `class="unsure"`) != 1 {
		t.Errorf("the place ahead or the flat is not there: %s", g)
	}
	// The highest stack is as high as the strip, whatever its parts.
	full, _ = strokes(t, Strip(Small, []Stroke{{Volume: gal, Tops: []quantity.Volume{gal}}, {Volume: gal}}, 0, nil, 0)[0])
	if got := full[0] + full[1] + seam; math.Abs(got-Small.Height) > 0.2 {
		t.Errorf("the highest stack is %g, want %g", got, Small.Height)
	}
	for _, z := range []Size{Large, Middle, Small} {
		for _, g := range Strip(z, []Stroke{{Tops: []quantity.Volume{0, 0}, Short: true, Open: true}, {Passed: true}}, 0, nil, 0) {
			wellFormed(t, g)
		}
	}
}

func TestStripOfNothingButZeros(t *testing.T) {
	for _, g := range Strip(Large, []Stroke{{}, {Short: true}}, 0, []Flat{{}}, 0) {
		wellFormed(t, g)
	}
}

func TestRunLevelIsTrue(t *testing.T) {
	surface := func(share float64) float64 {
		svg := Run{Share: share}.Draw()
		wellFormed(t, svg)
		m := regexp.MustCompile(`stroke-width="2.5" d="M2 ([\d.]+)H112"`).FindStringSubmatch(svg)
		if m == nil {
			t.Fatalf("no surface in %s", svg)
		}
		y, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		return (floor - y) / (floor - toteTop)
	}
	for _, share := range []float64{0, 0.25, 0.5, 0.661, 1} {
		if got := surface(share); math.Abs(got-share) > 0.001 {
			t.Errorf("drawn at %.3f, want %.3f", got, share)
		}
	}
	if surface(1.3) != 1 || surface(-1) != 0 {
		t.Error("a level outside the tote must be drawn at its brim or floor")
	}
	unknown := Run{Share: math.NaN()}.Draw()
	wellFormed(t, unknown)
	if strings.Contains(unknown, "H112\"") || strings.Contains(unknown, "still") {
		t.Errorf("an unknown level is drawn: %s", unknown)
	}
}

func TestRunMarks(t *testing.T) {
	if strings.Contains((Run{}).Draw(), "wrong") {
		t.Error("marked, and nothing is wrong")
	}
	svg := Run{Marks: []Part{Hose, Pump}}.Draw()
	wellFormed(t, svg)
	if n := strings.Count(svg, `<path class="wrong"`); n != 2 || !regexp.MustCompile(`class="part wrong"[^>]*>pump<`).MatchString(svg) || !regexp.MustCompile(`class="part wrong"[^>]*>hose<`).MatchString(svg) {
		t.Errorf("two parts, %d marks: %s", n, svg)
	}
	svg = Run{Marks: []Part{Meter}, Flowing: true}.Draw()
	wellFormed(t, svg)
	if !regexp.MustCompile(`class="part wrong"[^>]*>meter<`).MatchString(svg) || !strings.Contains(svg, `<path class="wrong"`) {
		t.Errorf("the meter is not marked by word and shape: %s", svg)
	}
	if !strings.Contains(svg, "drops") {
		t.Error("flowing, and nothing drops")
	}
}
