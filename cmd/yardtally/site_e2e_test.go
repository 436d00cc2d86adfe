package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdpruntime "github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
)

// site is what the tests of pages share: rigs, each in a state of its own, and
// one browser. Rigs are by name:
//
//	night   the demo's night, in its second yard, with a strainer that clogs
//	quiet   the same, with nothing wrong
//	season  a kept season, the morning after its last night
//	house   two rigs of one daemon, each in a night
//	new     a rig of which nothing is known yet
//	shut    a rig without a passphrase
type site struct {
	t       *testing.T // as long as it lasts
	browser context.Context
	rigs    map[string]*atWork
}

func openSite(t *testing.T) *site {
	s := &site{t: t, browser: browser(t), rigs: make(map[string]*atWork)}
	if err := chromedp.Do(s.browser, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	return s
}

// rig returns a rig at work, which is set up when it is first asked for.
func (s *site) rig(name string) *atWork {
	if s.rigs[name] == nil {
		w := map[string]func(*testing.T) *atWork{"night": siteNight, "quiet": siteQuiet, "season": siteSeason, "house": siteHouse, "new": siteNew, "shut": siteNew}[name](s.t)
		if name != "shut" {
			if err := door.Set(filepath.Join(w.set.Data, passphraseFile), tapsPassphrase); err != nil {
				s.t.Fatal(err)
			}
		}
		s.rigs[name] = w
	}
	return s.rigs[name]
}

// url is where a rig's pages are, without a slash at the end.
func (s *site) url(name string) string {
	return strings.TrimSuffix(pageURL(s.rig(name).page.Addr(), false), "/")
}

// hear puts messages of a night into a rig at work.
func (w *atWork) hear(t testing.TB, n *night, said []rigsim.Said) {
	t.Helper()
	for said := range slices.Chunk(said, 256) {
		var heard []meter.Record
		for _, m := range said {
			w.clock.set(m.At)
			at := w.clock.Now()
			heard = append(heard, meter.Record{Mono: at.Mono, Wall: at.Wall, Source: "broker", Readings: m.Readings})
		}
		if err := w.sink().Put(context.Background(), source.Arrival{Rig: n.Rig, Records: heard}); err != nil {
			t.Fatal(err)
		}
	}
	settled(t, w.of(n.Rig))
}

// before returns what was said before an instant.
func (n *night) before(at time.Time) []rigsim.Said {
	return n.said[:max(0, slices.IndexFunc(n.said, func(m rigsim.Said) bool { return !m.At.Before(at) }))]
}

func siteNight(t *testing.T) *atWork {
	s := demoNight(1)
	s.Coarse = true
	s.Clogs = []rigsim.Clog{{Where: rigsim.SuctionSide, Fill: 12, Over: 6, To: 0.4}}
	n := playNight(t, s)
	w := workNight(t, n)
	w.hear(t, n, n.before(n.truth.Fills[20].Start.Add(20*time.Second)))
	return w
}

// workNight opens a rig for a night of the demo. Its broker may be silent.
func workNight(t testing.TB, n *night) *atWork {
	t.Helper()
	set := n.settings(t, t.TempDir())
	set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
	clock := newStepClock(n.Start)
	w := workBy(t, set, clock, func(d *daemon) { d.demo = "A simulated night." })
	w.clock = clock
	return w
}

// laterClock is the real one, moved.
type laterClock struct{ by time.Duration }

// Now implements source.Clock.
func (c laterClock) Now() source.Stamp {
	s := source.SystemClock{}.Now()
	s.Wall += int64(c.by)
	return s
}

func siteSeason(t *testing.T) *atWork {
	nights := 6
	if full() {
		nights = 12
	}
	k := keepSeason(t, 1, nights)
	k.says("statement", "-issue", "-who", "wren")
	if err := k.correct(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(k.set)
	if err != nil {
		t.Fatal(err)
	}
	set, err := settings.Parse(k.set, text)
	if err != nil {
		t.Fatal(err)
	}
	set.Data = filepath.Join(filepath.Dir(k.set), "data")
	last := k.began.Add(time.Duration(3*(nights-1)) * 24 * time.Hour)
	return workBy(t, set, &source.Steady{Clock: laterClock{time.Until(last.Add(13 * time.Hour))}})
}

func siteHouse(t *testing.T) *atWork {
	a, b := rigsim.SmallNight(1), rigsim.SmallNight(2)
	b.Rig = "plover"
	heron, plover := playNight(t, a), playNight(t, b)
	data := filepath.Join(t.TempDir(), "data")
	if err := os.MkdirAll(data, 0o700); err != nil {
		t.Fatal(err)
	}
	w := work(t, house(t, data, heron, plover), newStepClock(heron.Start))
	for _, n := range []*night{heron, plover} {
		w.hear(t, n, n.said[:2*len(n.said)/3])
	}
	return w
}

func siteNew(t *testing.T) *atWork {
	set, err := settings.Parse("heron.toml", []byte("rig = \"heron\"\nzone = \"America/Chicago\"\npage = \"127.0.0.1:0\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	set.Data = t.TempDir()
	set.Serial, set.Broker, set.MQTT = nil, nil, nil
	set.Door = settings.Door{Open: true}
	return work(t, set, newStepClock(time.Date(2026, 10, 9, 23, 40, 0, 0, time.UTC)))
}

// tab is a page of the browser, with cookies of its own, and what was seen of it.
type tab struct {
	ctx context.Context

	mu         sync.Mutex
	home       string           // what its requests must go to
	strangers  []string         // requests that went elsewhere
	complaints []string         // of scripts, of the policy, of loads that failed
	bare, sent map[string]int64 // bytes by request: uncompressed, and as they came with their heads
}

// newTab opens a tab at a rig; with in, it is signed in there.
func (s *site) newTab(t *testing.T, rig string, in bool) *tab {
	t.Helper()
	return s.tabAt(t, s.url(rig), in)
}

// tabAt opens a tab for the pages at an address without a slash at its end.
func (s *site) tabAt(t *testing.T, home string, in bool) *tab {
	t.Helper()
	b := &tab{home: home}
	b.forget()
	ctx, cancel := chromedp.NewContext(s.browser, chromedp.WithNewBrowserContext(), chromedp.WithListener(b.hear))
	s.t.Cleanup(cancel)
	b.ctx = ctx
	b.do(t, chromedp.Navigate("about:blank"))
	b.do(t, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
		return err
	}))
	if in {
		b.do(t, chromedp.Navigate(b.home+"/enter"))
		eval[bool](t, b.ctx, `document.getElementById('passphrase').value = '`+tapsPassphrase+`', true`)
		press(t, b.ctx, "button.main")
		await(t, "the door to open", func() bool {
			at, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`document.readyState == 'complete' ? location.pathname : ''`))
			return err == nil && at == "/"
		})
	}
	return b
}

func (b *tab) do(t *testing.T, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(b.ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

func (b *tab) hear(ev any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := ev.(type) {
	case *network.EventRequestWillBeSent:
		// The browser draws its own date fields with pictures in data URLs.
		if u := e.Request.URL; !strings.HasPrefix(u, b.home+"/") && !strings.HasPrefix(u, "data:") && u != "about:blank" {
			b.strangers = append(b.strangers, e.Request.URL)
		}
	case *network.EventDataReceived:
		b.bare[string(e.RequestID)] += e.DataLength
		b.sent[string(e.RequestID)] += e.EncodedDataLength
	case *network.EventLoadingFinished:
		b.sent[string(e.RequestID)] = int64(e.EncodedDataLength)
	case *cdpruntime.EventExceptionThrown:
		b.complaints = append(b.complaints, e.ExceptionDetails.Text+" "+e.ExceptionDetails.URL)
	case *cdplog.EventEntryAdded:
		if e.Entry.Level == "error" || e.Entry.Level == "warning" {
			b.complaints = append(b.complaints, e.Entry.Text+" "+e.Entry.URL)
		}
	case *cdpruntime.EventConsoleAPICalled:
		b.complaints = append(b.complaints, fmt.Sprintf("console.%s", e.Type))
	}
}

// forget forgets what was seen.
func (b *tab) forget() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.strangers, b.complaints, b.bare, b.sent = nil, nil, make(map[string]int64), make(map[string]int64)
}

// weight is what came since forget, in bytes: uncompressed, and as it came.
func (b *tab) weight() (bare, sent int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, n := range b.bare {
		bare += n
	}
	for _, n := range b.sent {
		sent += n
	}
	return bare, sent
}

// at looks at pages as on a screen so wide, by night ("dark") or day ("light").
func (b *tab) at(t *testing.T, width int64, scheme string) {
	t.Helper()
	b.do(t, chromedp.EmulateViewport(width, 800), chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	}))
}
