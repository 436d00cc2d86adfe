package main

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
)

// An alarm as a person meets it: it comes onto an open page by itself, is
// answered, taken back, put on the shelf and off it with one tap each, by hand
// and by keyboard, and goes by itself. Pictures go to shots/.
func TestAlarmsInBrowser(t *testing.T) {
	ctx := browser(t)
	n := playNight(t, rigsim.SmallNight(1))
	set := n.settings(t, t.TempDir())
	set.Page = "127.0.0.1:0"
	set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
	if err := door.Set(filepath.Join(set.Data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	w := work(t, set, newStepClock(n.Start))
	run := w.idles(n)
	top := func() string { return eval[string](t, ctx, `document.getElementById('watch-tap').innerText`) }
	acts := func() (ack, shelve, undo int) {
		t.Helper()
		all, err := w.desk.Acts(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range all {
			switch a.Body.(type) {
			case act.Ack:
				ack++
			case act.Shelve:
				shelve++
			case act.Undo:
				undo++
			}
		}
		return ack, shelve, undo
	}
	const seen, quiet, off = `#watch-tap button[name="key"]`, `#watch-tap button[formaction^="/say/shelve"]`, `#aside-tap button`

	run(2, 0)
	enter(t, ctx, pageURL(w.page.Addr(), false))
	shows(t, ctx, "Nothing is wrong that the rig can see.")
	run(12, 40)
	shows(t, ctx, "Now: pump against a shut trigger")
	shows(t, ctx, "for 12\u00a0minutes")
	if got := eval[string](t, ctx, `document.getElementById('news').innerText`); got != "Now: pump against a shut trigger." {
		t.Errorf("a screen reader is told %q", got)
	}
	if marked := eval[string](t, ctx, `document.querySelector('#run .part.wrong').textContent`); marked != "pump" {
		t.Errorf("marked on the run is %q", marked)
	}
	photograph(t, ctx, "alarm")

	// What a keyboard is at stays, though what stands around it changes.
	eval[bool](t, ctx, `document.querySelector('`+quiet+`').focus(), true`)
	run(1, 40)
	shows(t, ctx, "for 13\u00a0minutes")
	if got := eval[string](t, ctx, `document.activeElement.getAttribute('formaction')`); got != "/say/shelve#heard" {
		t.Errorf("the focus went to %q", got)
	}

	press(t, ctx, seen)
	shows(t, ctx, "Seen: pump against a shut trigger.")
	shows(t, ctx, "Seen by phone at")
	if y := eval[float64](t, ctx, `document.getElementById('heard').getBoundingClientRect().top`); y < 0 || y > 700 {
		t.Errorf("what was said is out of sight: %g px down", y)
	}
	photograph(t, ctx, "seen")
	press(t, ctx, `#heard button`)
	shows(t, ctx, "Taken back: Seen: pump against a shut trigger.")
	if !strings.Contains(top(), "Quiet for") || !eval[bool](t, ctx, `!!document.querySelector('`+seen+`')`) {
		t.Errorf("after taking back: %s", top())
	}
	if a, s, u := acts(); a != 1 || s != 0 || u != 1 {
		t.Errorf("%d seen, %d shelved, %d taken back", a, s, u)
	}

	// By keyboard onto the shelf, and off it.
	eval[bool](t, ctx, `document.querySelector('`+quiet+`').focus(), true`)
	if _, err := chromedp.Run(ctx, chromedp.KeyEvent("\r")); err != nil {
		t.Fatal(err)
	}
	shows(t, ctx, "but for what is on the shelf.")
	shows(t, ctx, "1 on the shelf")
	eval[bool](t, ctx, `document.querySelector('.aside').open = true`)
	photograph(t, ctx, "shelf")
	press(t, ctx, off)
	shows(t, ctx, "Off the shelf: pump against a shut trigger.")
	if !strings.Contains(top(), "Now: pump against a shut trigger") || eval[bool](t, ctx, `!!document.querySelector('.aside').offsetParent`) {
		t.Errorf("off the shelf: %s", top())
	}
	run(5, 0)
	shows(t, ctx, "1 over and not seen")
	shows(t, ctx, "Nothing is wrong that the rig can see.")

	// Whether it will pump, without a batch and a temperature to go by.
	if _, err := chromedp.Run(ctx, chromedp.Navigate(strings.TrimSuffix(pageURL(w.page.Addr(), false), "/")+"/forecast")); err != nil {
		t.Fatal(err)
	}
	eval[bool](t, ctx, `document.getElementById('syrup').value = 'hfcs-55', document.getElementById('temp').value = '50', true`)
	press(t, ctx, `.entry button`)
	shows(t, ctx, "What thinning buys")
	photograph(t, ctx, "forecast")

	// And what to mix for it: asked, refused, answered.
	if _, err := chromedp.Run(ctx, chromedp.Navigate(strings.TrimSuffix(pageURL(w.page.Addr(), false), "/")+"/mix")); err != nil {
		t.Fatal(err)
	}
	eval[bool](t, ctx, `document.querySelectorAll('[name=yards]').forEach(e => e.checked = false), document.getElementById('colonies').value = '24, 18', document.getElementById('bag').value = '50', true`)
	press(t, ctx, `.entry button`)
	shows(t, ctx, "each: must be given, like 1 gal")
	photograph(t, ctx, "mix-refused")
	eval[bool](t, ctx, `document.getElementById('each').value = '1', true`)
	press(t, ctx, `.entry button`)
	shows(t, ctx, "That makes 4")
	photograph(t, ctx, "mix")
}
