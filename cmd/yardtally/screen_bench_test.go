package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/rigsim"
)

// BenchmarkByteToScreen measures from just before a count's first byte is
// written to a serial line to when the live flow that follows from it stands in
// the page of a real browser. Counts come at any point of the daemon's second
// and of the page's. Both instants are of this machine's clock.
func BenchmarkByteToScreen(b *testing.B) {
	changes := 60 // an operation
	if full() {
		changes = 300
	}
	n := playNight(b, rigsim.SmallNight(1))
	set := n.settings(b, b.TempDir())
	l := newLine(b)
	set.Serial = []settings.Serial{{Name: "counter board", Port: l.path, Baud: 115200}}
	clock := newStepClock(n.Start)
	w := work(b, set, clock)
	await(b, "the settings to be known", func() bool { return w.view().PulseVolume > 0 })
	s := newScript(n.Start)
	send := func(lpm float64) {
		m := s.step(lpm)
		clock.set(m.At)
		text, err := rigsim.SerialLines(nil, m)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := l.near.Write(text); err != nil {
			b.Fatal(err)
		}
	}
	flow := func() string {
		number, _ := quantity.US.FlowParts(w.desk.Snapshot().Live.Flow)
		return number
	}
	for i := range 10 {
		at := w.desk.Snapshot().Live.FlowAt
		send(10)
		await(b, "the flow", func() bool { return i == 0 || w.desk.Snapshot().Live.FlowAt != at }) // it is of two counts
	}
	ctx := browser(b)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(360, 800), chromedp.Navigate(pageURL(w.page.Addr(), false))); err != nil {
		b.Fatal(err)
	}
	ask := func(what, script string) float64 {
		var at float64
		await(b, what, func() bool {
			v, err := chromedp.Run(ctx, chromedp.Evaluate[float64](script))
			at = v
			if at == 0 {
				time.Sleep(20 * time.Millisecond) // to ask is work for the browser
			}
			return err == nil && v > 0
		})
		return at
	}
	ask("the page to live", `+document.getElementById('told').innerText.includes('Connected')`)
	// When each figure came to stand there, Unix ms.
	ask("the page to be watched", `(() => {
	window.flows = [];
	let was = '';
	const look = () => { const e = document.querySelector('#run [data-live=flow]'); if (e && e.textContent !== was) { was = e.textContent; flows.push([was, performance.timeOrigin + performance.now()]); } };
	new MutationObserver(look).observe(document.getElementById('run'), {subtree: true, childList: true, characterData: true});
	look();
	return 1 })()`)
	var took []float64
	for b.Loop() {
		for i := range changes {
			before, at := flow(), w.desk.Snapshot().Live.FlowAt
			start := time.Now()
			send(float64(6 + 13*(i%3) + i%7))
			await(b, "the flow", func() bool { time.Sleep(time.Millisecond); return w.desk.Snapshot().Live.FlowAt != at })
			if flow() == before {
				continue
			}
			since := ask("the flow on the page", `(flows.findLast(f => f[0] === '`+flow()+`' && f[1] > `+fmt.Sprint(start.UnixMilli())+`) || [0, 0])[1]`)
			took = append(took, since-float64(start.UnixNano())/1e6)
			time.Sleep(time.Duration(50+i*37%200) * time.Millisecond)
		}
	}
	slices.Sort(took)
	at := func(share float64) float64 { return took[int(share*float64(len(took)-1))] }
	b.ReportMetric(at(0.5), "ms-p50")
	b.ReportMetric(at(0.99), "ms-p99")
	b.ReportMetric(at(1), "ms-most")
	b.ReportMetric(float64(len(took)), "changes")
}

// BenchmarkFirstPaint measures from asking for a page to its first contentful
// paint in a real browser without a cache, with a season open: ten million
// readings with YARDTALLY_FULL=1, a tenth of that without. An operation is one
// load; what is told is the median and the longest. Before them each page is asked
// for without a browser: ms-first-answer is the daemon's own part of a first load.
func BenchmarkFirstPaint(b *testing.B) {
	s := theSeason(b)
	set, err := (&demo{night: seasonNight(0), data: b.TempDir(), page: "127.0.0.1:0", units: quantity.US}).settings("")
	if err != nil {
		b.Fatal(err)
	}
	set.Serial, set.Broker = nil, nil
	if err := os.WriteFile(filepath.Join(set.Data, journalFile), s.file, 0o600); err != nil {
		b.Fatal(err)
	}
	w := workBy(b, set, stillClock(s.end), func(d *daemon) { d.bootID = s.bootID })
	<-w.up // what the settings say is said, and the season restated by it
	home := strings.TrimSuffix(pageURL(w.page.Addr(), false), "/")
	ctx := browser(b)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(360, 800), chromedp.Navigate("about:blank"), chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
		return err
	})); err != nil {
		b.Fatal(err)
	}
	for _, p := range everyPage {
		if p.of != "night" && p.of != "season" || p.link != "" || strings.ContainsAny(p.path, "?") || strings.HasPrefix(p.path, "/enter") || strings.Contains(p.name, "-") {
			continue
		}
		b.Run(p.name, func(b *testing.B) {
			asked := time.Now()
			answer, err := http.Get(home + p.path)
			if err != nil {
				b.Fatal(err)
			}
			_, err = io.Copy(io.Discard, answer.Body)
			answer.Body.Close()
			if err != nil || answer.StatusCode != http.StatusOK {
				b.Fatal(answer.Status, err)
			}
			first := time.Since(asked)
			var took []float64
			for b.Loop() {
				for range 5 {
					if err := chromedp.Do(ctx, chromedp.Navigate(home+p.path)); err != nil {
						b.Fatal(err)
					}
					await(b, "the first paint", func() bool {
						ms, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0`))
						if err == nil && ms > 0 {
							took = append(took, ms)
						}
						return err == nil && ms > 0
					})
				}
			}
			slices.Sort(took)
			b.ReportMetric(took[len(took)/2], "ms-paint")
			b.ReportMetric(took[len(took)-1], "ms-paint-most")
			b.ReportMetric(float64(first.Microseconds())/1000, "ms-first-answer")
			b.ReportMetric(float64(s.readings), "readings")
			b.ReportMetric(0, "ns/op")
		})
	}
}
