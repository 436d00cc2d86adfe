package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	cdpruntime "github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
)

// chromium returns the browser, which Go cannot fetch.
func chromium(t testing.TB) string {
	t.Helper()
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv("YARDTALLY_CI") != "" {
		t.Fatal("chromium is not installed, and must be here")
	}
	t.Skip("chromium is not installed: the page is not looked at in a real browser")
	return ""
}

// safeBuffer is a buffer that a demo writes while a test reads.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *safeBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *safeBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// showDemo runs a small night of the demo, until the test ends, and returns the
// address of its page.
func showDemo(t *testing.T, data string) string {
	t.Helper()
	page, _ := showDemoAt(t, data, 20)
	return page
}

// showDemoAt is showDemo so many times faster than life; out is what it says.
func showDemoAt(t *testing.T, data string, speed float64) (page string, out *safeBuffer) {
	t.Helper()
	out = &safeBuffer{}
	ctx, stop := context.WithCancel(context.Background())
	m := &demo{e: &env{strings.NewReader(""), out, os.Stderr}, night: rigsim.SmallNight(3), speed: speed, page: "127.0.0.1:0",
		data: data, units: quantity.US, log: slog.New(slog.DiscardHandler)}
	ended := make(chan error, 1)
	go func() { ended <- m.run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	await(t, "the demo's address", func() bool {
		page = regexp.MustCompile(`http://\S+`).FindString(out.String())
		return page != ""
	})
	return page, out
}

// The demo, as a person sees it in a browser: the page fills without being
// loaded again, at phone and laptop width, by night and by day, and asks
// nothing of anybody but the rig. Pictures go to shots/, which is not committed.
func TestPageInBrowser(t *testing.T) {
	bin := chromium(t)
	address := showDemo(t, t.TempDir())
	var mu sync.Mutex
	var strangers, complaints []string
	loads := 0
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(bin), chromedp.NoSandbox,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	alloc, cancelAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	defer cancelAlloc()
	ctx, cancel := chromedp.NewContext(alloc, chromedp.WithListener(func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := ev.(type) {
		case *network.EventRequestWillBeSent:
			if e.Request.URL == address {
				loads++
			} else if !strings.HasPrefix(e.Request.URL, address) {
				strangers = append(strangers, e.Request.URL)
			}
		case *cdpruntime.EventExceptionThrown:
			complaints = append(complaints, e.ExceptionDetails.Text)
		}
	}))
	defer cancel()
	if _, err := chromedp.Run(ctx, chromedp.Navigate(address)); err != nil {
		t.Fatal(err)
	}

	// The sum of the night grows by itself.
	sum := func() float64 {
		t.Helper()
		text, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body.innerText`))
		if err != nil {
			t.Fatal(err)
		}
		f := regexp.MustCompile(`(?s)Sum\s+\d+\s+([\d.]+)`).FindStringSubmatch(text)
		if f == nil {
			return 0
		}
		v, err := strconv.ParseFloat(f[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	// A fold that is open stays open while what is in it changes.
	unfolded, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`(() => { const d = document.querySelector('.yard details'); d.open = true; return d.open })()`))
	if err != nil || !unfolded {
		t.Fatalf("the fold of the fills does not open: %v", err)
	}
	first := 0.0
	for end := time.Now().Add(90 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		s := sum()
		if s > 0 && first == 0 {
			first = s
		}
		if first > 0 && s > first+1 {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("the page does not live: the sum went from %v to %v", first, s)
		}
	}
	for what, js := range map[string]string{
		"the fold has closed":               `document.querySelector('.yard details').open`,
		"the strip is not told to a reader": `/^\d+ strokes?, one a fill/.test(document.querySelector('#here .strip[role=img]').getAttribute('aria-label'))`,
		"the fills have no numbers":         `/^\d+$/.test(document.querySelector('#fills th').innerText)`,
		"what is left is not said":          `/^Left: [\d.]+\sgal ±|^What is left is not known/.test(document.querySelector('#left').innerText)`,
	} {
		if ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](js)); err != nil || !ok {
			t.Errorf("%s: %v", what, err)
		}
	}
	if mu.Lock(); loads != 1 {
		t.Errorf("the page was loaded %d times", loads)
	}
	mu.Unlock()

	shots := filepath.Join("..", "..", "shots")
	if err := os.MkdirAll(shots, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, width := range []int64{360, 768, 1280} {
		for _, scheme := range []string{"dark", "light"} {
			must := func(err error) {
				t.Helper()
				if err != nil {
					t.Fatal(err)
				}
			}
			_, err := chromedp.Run(ctx, chromedp.EmulateViewport(width, 900))
			must(err)
			_, err = chromedp.Run(ctx, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
				_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
					Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
				return err
			}))
			must(err)
			over, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`document.documentElement.scrollWidth - window.innerWidth`))
			must(err)
			// The link past the header is for keyboards: no finger meets it.
			small, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`[...document.querySelectorAll('button, summary, a:not(.skip)')].filter(e => e.offsetParent)
					.filter(e => e.getBoundingClientRect().height < 47.5).map(e => e.outerHTML.slice(0, 80))`))
			must(err)
			png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			must(err)
			name := fmt.Sprintf("tonight-%d-%s", width, scheme)
			if over > 0 {
				t.Errorf("%s: %g px wider than the screen", name, over)
			}
			if width < 500 && len(small) > 0 {
				t.Errorf("%s: too small for a gloved hand: %q", name, small)
			}
			if err := os.WriteFile(filepath.Join(shots, name+".png"), png, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	mu.Lock()
	defer mu.Unlock()
	if len(strangers) > 0 || len(complaints) > 0 {
		t.Errorf("asked of others: %q; the script complains: %q", strangers, complaints)
	}
}
