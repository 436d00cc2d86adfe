package dashboard

import (
	"math"
	"regexp"
	"strconv"
	"testing"
)

// luminance is the relative luminance of an sRGB colour as WCAG 2.x defines it
// (W3C WCAG 2.2, "relative luminance"; the formula is from memory).
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(hex, 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	lin := func(c uint64) float64 {
		x := float64(c&255) / 255
		if x <= 0.04045 {
			return x / 12.92
		}
		return math.Pow((x+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(n>>16) + 0.7152*lin(n>>8) + 0.0722*lin(n)
}

func contrast(t *testing.T, a, b string) float64 {
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// White on black is 21 by definition, and #767676 on white is the well-known
// grey that just passes 4.5 (both from memory).
func TestContrastFormula(t *testing.T) {
	if c := contrast(t, "ffffff", "000000"); math.Abs(c-21) > 1e-9 {
		t.Errorf("white on black is %g, want 21", c)
	}
	if c := contrast(t, "767676", "ffffff"); c < 4.5 || c > 4.6 {
		t.Errorf("#767676 on white is %g, want just over 4.5", c)
	}
}

// W3C WCAG 2.2: 4.5:1 for text (1.4.3), 7:1 for the figures (1.4.6), 3:1 for
// borders and lines that carry meaning (1.4.11).
func TestPaletteContrast(t *testing.T) {
	css, err := static.ReadFile("static/style.css")
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile(`--ground: #(\w{6}); --ink: #(\w{6}); --soft: #(\w{6}); --line: #(\w{6}); --wrong: #(\w{6});`).
		FindAllStringSubmatch(string(css), -1)
	if len(blocks) != 4 {
		t.Fatalf("%d palettes, want 4", len(blocks))
	}
	for i, b := range blocks {
		for k, least := range map[int]float64{2: 7, 3: 4.5, 4: 3, 5: 4.5} {
			if c := contrast(t, b[1], b[k]); c < least {
				t.Errorf("palette %d: #%s on #%s is %.2f:1, want %g:1", i, b[k], b[1], c, least)
			}
		}
	}
	if blocks[0][0] != blocks[2][0] || blocks[1][0] != blocks[3][0] {
		t.Error("the chosen day or night differs from the device's")
	}
	for _, b := range [][]string{blocks[1], blocks[3]} {
		for _, hex := range b[1:] {
			n, err := strconv.ParseUint(hex, 16, 32)
			if err != nil {
				t.Fatal(err)
			}
			if blue, red := n&255, n>>16; blue > red/2+8 {
				t.Errorf("night: #%s has too much blue", hex)
			}
		}
	}
}
