package main

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

const mostPicture = 60_000 // bytes of a picture in README

// TestPictures makes README's pictures anew, in testdata/pictures, where
// YARDTALLY_PICTURES is set: from the demo's night, an hour into it and later
// with its strainer clogging, and from a season made of such nights.
func TestPictures(t *testing.T) {
	if os.Getenv("YARDTALLY_PICTURES") == "" {
		t.Skip("README's pictures are made anew with YARDTALLY_PICTURES=1")
	}
	s := openSite(t)
	for _, p := range []struct {
		name, of, path, link string
		width                int64
		scheme               string
		top, end             string // selectors: from the top of one to the bottom of another
		clip                 int    // px high at most
	}{
		{"night", "quiet", "/", "", 360, "dark", "header", ".yard", 1400},
		{"wrong", "night", "/", "", 360, "dark", ".watch", "#run svg", 1300},
		{"forecast", "night", "/forecast", "", 360, "light", ".answer", ".answer figcaption", 900},
		{"statement", "season", "/books/statement", "", 1280, "light", "header", ".sheet", 722},
	} {
		t.Run(p.name, func(t *testing.T) {
			b := s.newTab(t, p.of, true)
			b.at(t, p.width, p.scheme)
			b.to(t, &listed{of: p.of, path: p.path, link: p.link, live: p.path == "/"})
			box := eval[[]float64](t, b.ctx, fmt.Sprintf(`(() => { const a = document.querySelector('%s').getBoundingClientRect(), b = document.querySelector('%s').getBoundingClientRect();
				return [Math.max(0, a.top + scrollY - 8), Math.min(b.bottom - a.top + 9, %d)] })()`, p.top, p.end, p.clip))
			var shot []byte
			b.do(t, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
				yes := true
				res, err := cdp.Call(ctx, tab, page.CaptureScreenshot, page.CaptureScreenshotParams{CaptureBeyondViewport: &yes,
					Clip: &page.Viewport{Y: box[0], Width: float64(p.width), Height: box[1], Scale: 1}})
				shot = res.Data
				return err
			}))
			small, err := fewColours(shot)
			if err != nil {
				t.Fatal(err)
			}
			if len(small) > mostPicture {
				t.Errorf("it has %d bytes, at most %d", len(small), mostPicture)
			}
			if err := os.WriteFile(filepath.Join("..", "..", "testdata", "pictures", fmt.Sprintf("%s-%d.png", p.name, p.width)), small, 0o644); err != nil {
				t.Fatal(err)
			}
		})
	}
}

// siteQuiet is the demo's night in its second yard, with nothing wrong and a
// fill growing.
func siteQuiet(t *testing.T) *atWork {
	s := demoNight(1)
	s.Coarse = true
	n := playNight(t, s)
	w := workNight(t, n)
	w.hear(t, n, n.before(n.truth.Fills[20].Start.Add(20*time.Second)))
	return w
}

// fewColours makes a picture one of at most 256 colours.
func fewColours(shot []byte) ([]byte, error) {
	m, err := png.Decode(bytes.NewReader(shot))
	if err != nil {
		return nil, err
	}
	// Pages are of few inks and their mixes: 4 bits of each part tell them apart.
	sums := make(map[[3]uint8][4]int)
	box := m.Bounds()
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for x := box.Min.X; x < box.Max.X; x++ {
			r, g, b, _ := m.At(x, y).RGBA()
			k := [3]uint8{uint8(r >> 12), uint8(g >> 12), uint8(b >> 12)}
			s := sums[k]
			sums[k] = [4]int{s[0] + int(r>>8), s[1] + int(g>>8), s[2] + int(b>>8), s[3] + 1}
		}
	}
	var inks color.Palette
	for k := range 1 << 12 {
		if s := sums[[3]uint8{uint8(k >> 8), uint8(k >> 4 & 15), uint8(k & 15)}]; s[3] > 0 && len(inks) < 256 {
			inks = append(inks, color.RGBA{uint8(s[0] / s[3]), uint8(s[1] / s[3]), uint8(s[2] / s[3]), 255})
		}
	}
	few := image.NewPaletted(box, inks)
	draw.Draw(few, box, m, box.Min, draw.Src)
	var out bytes.Buffer
	err = (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, few)
	return out.Bytes(), err
}
