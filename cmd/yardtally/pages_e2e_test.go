package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// listed is a page that all tests of pages look at.
type listed struct {
	name string // of its pictures
	of   string // the rig, as in site
	path string // with the slash that it begins with
	link string // a selector: the page is where the first such link on path leads
	out  bool   // as one sees it who is not signed in
	live bool   // it goes live, and says so
}

// everyPage lists the pages. A new page is added here, in each state that
// looks different: in a night, in a season, where nothing is known yet, of a
// rig of several. All tests below then look at it.
var everyPage = []listed{
	{name: "tonight", of: "night", path: "/", live: true},
	{name: "tonight-out", of: "night", path: "/", out: true, live: true},
	{name: "tonight-morning", of: "season", path: "/", live: true},
	{name: "tonight-new", of: "new", path: "/", live: true},
	{name: "yards", of: "night", path: "/yards"},
	{name: "yards-season", of: "season", path: "/yards?by=uneven"},
	{name: "yards-out", of: "season", path: "/yards", out: true},
	{name: "yards-new", of: "new", path: "/yards"},
	{name: "yard", of: "season", path: "/yards", link: `a[href^="/yards/"]`},
	{name: "visit", of: "season", path: "/yards", link: `a[href^="/visit?at="]`},
	{name: "visit-tonight", of: "night", path: "/visit"},
	{name: "visit-new", of: "new", path: "/visit"},
	{name: "fill", of: "season", path: "/visit", link: `a[href^="/fill?pull="]`},
	{name: "fill-tonight", of: "night", path: "/visit", link: `a[href^="/fill?pull="]`},
	{name: "yards-of-several", of: "house", path: "/rigs/plover/yards"},
	{name: "forecast", of: "night", path: "/forecast"},
	{name: "forecast-asked", of: "night", path: "/forecast?syrup=sucrose&brix=66&temp=41"},
	{name: "forecast-new", of: "new", path: "/forecast"},
	{name: "mix", of: "night", path: "/mix"},
	{name: "mix-new", of: "new", path: "/mix"},
	{name: "alarms", of: "night", path: "/watch", live: true},
	{name: "alarms-out", of: "night", path: "/watch", out: true, live: true},
	{name: "alarms-season", of: "season", path: "/watch", live: true},
	{name: "alarms-new", of: "new", path: "/watch", live: true},
	{name: "meter", of: "night", path: "/meter"},
	{name: "meter-season", of: "season", path: "/meter"},
	{name: "meter-out", of: "night", path: "/meter", out: true},
	{name: "meter-new", of: "new", path: "/meter"},
	{name: "prove", of: "night", path: "/meter/prove"},
	{name: "prove-draw", of: "night", path: "/meter/prove?since=1&brix=64", live: true},
	{name: "prove-weigh", of: "night", path: "/meter/prove?since=hand&brix=64"},
	{name: "prove-keep", of: "night", path: "/meter/prove?since=hand&brix=64&pulses=2016&time=150&empty=1.2+kg&full=21.2+kg&temp=15+C"},
	{name: "tote", of: "night", path: "/tote"},
	{name: "tote-season", of: "season", path: "/tote"},
	{name: "tote-new", of: "new", path: "/tote"},
	{name: "rig", of: "night", path: "/rig", live: true},
	{name: "rig-season", of: "season", path: "/rig", live: true},
	{name: "rig-new", of: "new", path: "/rig", live: true},
	{name: "books", of: "season", path: "/books"},
	{name: "books-out", of: "season", path: "/books", out: true},
	{name: "books-new", of: "new", path: "/books"},
	{name: "entry-purchase", of: "season", path: "/books/write?way=purchase"},
	{name: "entry-mix", of: "season", path: "/books/write?way=mix"},
	{name: "entry-correct", of: "season", path: "/books", link: `a[href*="?fix="]`},
	{name: "statement", of: "season", path: "/books/statement"},
	{name: "statement-issued", of: "season", path: "/books/statement?number=1"},
	{name: "statement-changes", of: "season", path: "/books/statement?changes=1"},
	{name: "statement-new", of: "new", path: "/books/statement"},
	{name: "balance", of: "season", path: "/books/balance"},
	{name: "balance-new", of: "new", path: "/books/balance"},
	{name: "rigs", of: "house", path: "/", live: true},
	{name: "rig-of-several", of: "house", path: "/rigs/plover/", live: true},
	{name: "mix-of-several", of: "house", path: "/rigs/plover/mix"},
	{name: "enter", of: "night", path: "/enter", out: true},
	{name: "enter-in", of: "night", path: "/enter"},
	{name: "enter-none", of: "shut", path: "/enter", out: true},
}

const mostWeight = 100_000 // bytes of a page all told

// TestPages looks at every page in a real browser: at three widths, by night
// and by day, holds each against WCAG 2.2 AA, goes through it by keyboard and
// reads it without its script; then works with the pages in both ways. Pictures
// go to shots/, which is not committed; with YARDTALLY_SHOTS=all each width is
// pictured by night and by day.
func TestPages(t *testing.T) {
	t.Parallel()
	s := openSite(t)
	s.eachPage(t, func(t *testing.T, p *listed, b *tab) {
		if raced && !p.live {
			t.Skip("looked at where the race detector is not at work")
		}
		if !raced { // the browser is not
			t.Run("fits", func(t *testing.T) { b.fits(t, p) })
			t.Run("wcag", func(t *testing.T) { b.accessible(t, p) })
			t.Run("keyboard", func(t *testing.T) { b.walk(t) })
		}
		t.Run("plain", func(t *testing.T) { b.readsPlain(t, p) })
	})
	t.Run("by-keyboard", s.byKeyboard)
	t.Run("plain-forms", s.plainForms)
	t.Run("hidden", s.hiddenForAnHour)
	t.Run("night", s.wholeNight)
}

// eachPage goes to every page that is listed, and lets a test look at it.
func (s *site) eachPage(t *testing.T, look func(*testing.T, *listed, *tab)) {
	tabs := make(map[string]*tab) // by rig, and whether it is signed in
	for i := range everyPage {
		p := &everyPage[i]
		key := fmt.Sprint(p.of, p.out)
		t.Run(p.name, func(t *testing.T) {
			if tabs[key] == nil {
				tabs[key] = s.newTab(t, p.of, !p.out)
			}
			tabs[key].to(t, p)
			look(t, p, tabs[key])
		})
	}
}

// to goes to a page, and waits until it is all there.
func (b *tab) to(t *testing.T, p *listed) {
	t.Helper()
	path := p.path
	if p.link != "" {
		b.do(t, chromedp.Navigate(b.home+path))
		path = eval[string](t, b.ctx, `document.querySelector('`+p.link+`').getAttribute('href')`)
	}
	b.forget()
	b.do(t, chromedp.Navigate(b.home+path))
	if got := eval[string](t, b.ctx, `location.pathname + location.search`); got != path {
		t.Fatalf("%s leads to %s", path, got)
	}
	if p.live {
		shows(t, b.ctx, "Connected to the rig")
	}
}

// tooSmall names what a gloved hand cannot hit: what can be pressed and is less
// than 48 px high, or is too narrow for what stands in it. The link past the
// header is for keyboards: no finger meets it.
const tooSmall = `[...document.querySelectorAll('a[href]:not(.skip), button, summary, select, textarea, input:not([type=hidden])')]
	.filter(e => e.checkVisibility() && !e.closest('.unseen'))
	.map(e => [e, (/^(checkbox|radio)$/.test(e.type) && e.closest('label') || e)])
	.filter(([e, t]) => t.getBoundingClientRect().height < 47.5 || t.getBoundingClientRect().width < 24 || e.tagName === 'BUTTON' && e.scrollWidth > e.clientWidth + 1)
	.map(([e, t]) => Math.round(t.getBoundingClientRect().height) + ' px: ' + e.outerHTML.slice(0, 90))`

// tooWide names what reaches past the screen's edge.
const tooWide = `document.documentElement.scrollWidth <= innerWidth ? [] : [document.documentElement.scrollWidth + ' px',
	...[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > innerWidth + 0.5 && !e.closest('.wide-table')).slice(0, 5).map(e => e.outerHTML.slice(0, 90))]`

// fits holds a page against what any page must be, folded and unfolded.
func (b *tab) fits(t *testing.T, p *listed) {
	bare, sent := b.weight()
	if bare > mostWeight || sent > mostWeight || bare == 0 {
		t.Errorf("it weighs %d bytes, %d as they came; at most %d", bare, sent, mostWeight)
	}
	t.Logf("it weighs %d bytes, %d as they came", bare, sent)
	for _, width := range []int64{360, 768, 1280} {
		schemes := []string{"dark", "light"}
		if os.Getenv("YARDTALLY_SHOTS") != "all" { // a phone by night, a laptop by day
			schemes = schemes[width/1000 : width/1000+1]
		}
		for _, scheme := range schemes {
			b.at(t, width, scheme)
			b.shoot(t, fmt.Sprintf("%s-%d-%s", p.name, width, scheme))
		}
		eval[bool](t, b.ctx, `document.querySelectorAll('details').forEach(d => { d.was = d.open; d.open = true }), true`)
		if over := eval[[]string](t, b.ctx, tooWide); len(over) > 0 {
			t.Errorf("%d px: wider than the screen: %q", width, over)
		}
		if small := eval[[]string](t, b.ctx, tooSmall); width == 360 && len(small) > 0 {
			t.Errorf("too small for a gloved hand, or for what stands in it: %q", small)
		}
		if width == 360 && eval[bool](t, b.ctx, `!!document.querySelector('details')`) {
			b.shoot(t, p.name+"-unfolded")
		}
		eval[bool](t, b.ctx, `document.querySelectorAll('details').forEach(d => { d.open = d.was }), true`)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.strangers) > 0 || len(b.complaints) > 0 {
		t.Errorf("asked of others: %q; complaints: %q", b.strangers, b.complaints)
	}
}

// shoot keeps a picture of the whole page.
func (b *tab) shoot(t *testing.T, name string) {
	t.Helper()
	var png []byte
	b.do(t, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		yes := true
		res, err := cdp.Call(ctx, tab, page.CaptureScreenshot, page.CaptureScreenshotParams{CaptureBeyondViewport: &yes, OptimizeForSpeed: &yes})
		png = res.Data
		return err
	}))
	shots := filepath.Join("..", "..", "shots")
	if err := os.MkdirAll(shots, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(shots, strings.ReplaceAll(name, "/", "-")+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}
