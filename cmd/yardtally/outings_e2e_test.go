package main

import (
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/outing"
)

// twoOutings is a daemon that heard of two outings of one night: three pulls of
// 3 L at Mill Bottom from 19:00 on and, the counter board having been off at
// home, three at Larch Bank from the given time on. Satellites tell the time, so
// no phone has to.
func twoOutings(t *testing.T, again time.Time) *atWork {
	t.Helper()
	set, err := settings.Parse("heron.toml", []byte(`rig = "heron"
zone = "America/Chicago"
[[yards]]
id = "mill"
name = "Mill Bottom"
position = [43.195, -91.88]
[[yards]]
id = "larch"
name = "Larch Bank"
position = [43.250, -91.88]
[[provings]]
k_factor = "100 pulses/L"
`))
	if err != nil {
		t.Fatal(err)
	}
	set.Data, set.Page = t.TempDir(), "127.0.0.1:0"
	set.Serial, set.Broker, set.MQTT = nil, nil, nil
	if err := door.Set(filepath.Join(set.Data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	first := time.Date(2026, 10, 9, 19, 0, 0, 0, again.Location())
	clock := newStepClock(first.Add(-time.Minute))
	w := work(t, set, clock)
	out := func(at time.Time, lat, up float64) {
		for s := range 240 {
			clock.set(at.Add(time.Duration(s) * time.Second))
			now := clock.Now()
			pulses := 0.0
			for k := range 3 { // of 12 s each
				pulses += 25 * float64(min(max(s-10-60*k, 0), 12))
			}
			if err := w.desk.Put(t.Context(), source.Arrival{Rig: "heron", Records: []meter.Record{
				{Mono: now.Mono, Wall: now.Wall, Source: "serial", Readings: []meter.Reading{
					{Channel: meter.Pulses, Value: pulses}, {Channel: meter.Uptime, Value: up + float64(s)}}},
				{Mono: now.Mono, Wall: now.Wall, Source: "serial", Readings: []meter.Reading{
					{Channel: meter.Lat, Value: lat}, {Channel: meter.Lon, Value: -91.88}, {Channel: meter.HDOP, Value: 0.9},
					{Channel: meter.UTC, Value: float64(now.Wall) / 1e9}}}}}); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.desk.Settle(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	out(first, 43.195, 500)
	out(again, 43.250, 20)
	return w
}

// Whoever comes home and goes out again before noon finds the whole night on the
// page and in the reports, and a tap names a pull of the first outing.
func TestTwoOutingsInBrowser(t *testing.T) {
	ctx := browser(t)
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for _, again := range []time.Time{time.Date(2026, 10, 10, 0, 30, 0, 0, zone), time.Date(2026, 10, 10, 6, 30, 0, 0, zone)} {
		w := twoOutings(t, again)
		v := w.desk.Snapshot().View
		if len(v.Outings) != 2 || len(v.Fills) != 6 || v.Fills[0].Session == v.Fills[3].Session || v.Fills[0].First != v.Fills[3].First {
			t.Fatalf("%d outings, fills %+v", len(v.Outings), v.Fills)
		}
		page := pageURL(w.page.Addr(), false)
		enter(t, ctx, page)
		shows(t, ctx, "Second outing, since "+again.Format("15:04")+".")
		table := func() string {
			t.Helper()
			return strings.Join(strings.Fields(eval[string](t, ctx, `document.getElementById('yards').innerText`)), " ")
		}
		// 3 L are 0.79 gallons of 231 in³ (NIST Handbook 44, appendix C).
		whole := regexp.MustCompile(`First outing 19:00 to 19:02 Mill Bottom 3 2\.38 .*This outing 3 2\.38 Second outing since ` + again.Format("15:04") +
			` Larch Bank here 3 2\.38 .*This outing 3 2\.38 Whole night 6 4\.76$`)
		if got := table(); !whole.MatchString(got) {
			t.Errorf("the table is %s", got)
		}
		for _, night := range [][]string{nil, {"-night", "2026-10-09"}} {
			got := call(t, append([]string{"yards", "-data", w.set.Data, "-csv", "-visits"}, night...)...)
			if strings.Count(got, "Mill Bottom") != 1 || strings.Count(got, "Larch Bank") != 1 {
				t.Errorf("%q: the report has %s", night, got)
			}
		}
		if again.Hour() == 6 {
			photograph(t, ctx, "outings")
		}

		// The first pull of all, by its own counts: they are those of a pull of the
		// second outing as well.
		f := v.Fills[0]
		eval[bool](t, ctx, `(() => { const s = document.getElementById('which'); s.closest('details').open = true
			s.value = [...s.querySelector('optgroup[label^="First outing"]').children].at(-1).value; return true })()`)
		press(t, ctx, `form:has(#which) button[value="priming"]`)
		shows(t, ctx, "Priming: 0.79 gal at 19:00:")
		acts, err := w.desk.Acts(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if i := slices.IndexFunc(acts, func(a act.Act) bool {
			return a.Body == act.Deem{Session: f.Session, First: f.First, Last: f.Last, As: act.AsPriming}
		}); i < 0 {
			t.Errorf("no act says so of %+v: %+v", f, acts)
		}
		after := w.desk.Snapshot().View
		if len(after.Fills) != 5 || after.Fills[0].First != v.Fills[1].First || len(after.Loose) != 1 || after.Loose[0].Why != outing.Priming || after.Loose[0].Session != f.Session {
			t.Errorf("fills %+v, loose %+v", after.Fills, after.Loose)
		}
		if got := table(); !strings.Contains(got, "Mill Bottom 2 1.59") || !strings.HasSuffix(got, "Whole night 5 4.76") {
			t.Errorf("after the tap the table is %s", got)
		}
		press(t, ctx, `#said button`)
		shows(t, ctx, "Taken back: Priming: 0.79 gal")
		if got := table(); !whole.MatchString(got) {
			t.Errorf("taken back, the table is %s", got)
		}
		if _, err := chromedp.Run(ctx, chromedp.Navigate("about:blank")); err != nil { // its stream ends before the daemon does
			t.Fatal(err)
		}
		w.end()
		same := replayed(t, w.set.Data)
		if len(same.Fills) != 6 || len(same.Outings) != 2 {
			t.Errorf("read again: %d fills, %d outings", len(same.Fills), len(same.Outings))
		}
	}
}
