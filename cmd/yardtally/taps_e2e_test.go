package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

const tapsPassphrase = "four cold wet gloves"

// lostClock is that of a board without a battery: its wall clock starts in 1970
// whenever the board does.
type lostClock struct{ began time.Time }

// Now implements source.Clock.
func (c *lostClock) Now() source.Stamp {
	d := time.Since(c.began)
	return source.Stamp{Mono: int64(d) + 100e9, Wall: int64(d) + 103e9}
}

// lostBoard is a daemon on such a board, which heard one fill of 3 L that
// began 30 s ago and lasted 12.
type lostBoard struct {
	t      *testing.T
	d      *daemon
	stop   func()
	page   string
	poured time.Time // when the fill truly began
}

func newLostBoard(t *testing.T) *lostBoard {
	t.Helper()
	set, err := settings.Parse("heron.toml", []byte("rig = \"heron\"\nzone = \"America/Chicago\"\n[[yards]]\nid = \"mill\"\nname = \"Mill Bottom\"\nposition = [43.195, -91.88]\n[[provings]]\nk_factor = \"100 pulses/L\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	set.Data, set.Page = t.TempDir(), "127.0.0.1:0"
	set.Serial, set.Broker, set.MQTT = nil, nil, nil
	if err := door.Set(filepath.Join(set.Data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	b := &lostBoard{t: t, poured: time.Now().Add(-30 * time.Second),
		d: &daemon{set: set, clock: &lostClock{time.Now()}, bootID: "lost board", speed: 1, log: slog.New(slog.DiscardHandler)}}
	if err := openDaemon(t.Context(), b.d); err != nil {
		t.Fatal(err)
	}
	b.page = pageURL(b.d.page.Addr(), false)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.d.run(ctx) }()
	b.stop = func() {
		b.stop = func() {}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(func() { b.stop() })
	now := b.d.clock.Now()
	var heard []meter.Record
	for s := range 29 { // one message a second, ending with now
		back := int64(29-s) * 1e9
		pulses := 1000 + 25*float64(min(max(s, 0), 12))
		heard = append(heard, meter.Record{Mono: now.Mono - back, Wall: now.Wall - back, Source: "serial",
			Readings: []meter.Reading{{Channel: meter.Pulses, Value: pulses}, {Channel: meter.Uptime, Value: 500 + float64(s)}}})
	}
	if err := b.d.desk.Put(t.Context(), source.Arrival{Rig: "heron", Records: heard}); err != nil {
		t.Fatal(err)
	}
	if f := b.fill(); time.Unix(0, f.Start).Year() != 1970 {
		t.Fatalf("the board knows the time: %v", time.Unix(0, f.Start))
	}
	return b
}

func (b *lostBoard) view() *ledger.View {
	b.t.Helper()
	if err := b.d.desk.Settle(context.Background()); err != nil {
		b.t.Fatal(err)
	}
	return b.d.desk.Snapshot().View
}

func (b *lostBoard) fill() ledger.Fill {
	b.t.Helper()
	v := b.view()
	if len(v.Fills) != 1 {
		b.t.Fatalf("%d fills, want 1", len(v.Fills))
	}
	return v.Fills[0]
}

func (b *lostBoard) acts() []act.Act {
	b.t.Helper()
	acts, err := b.d.desk.Acts(context.Background())
	if err != nil {
		b.t.Fatal(err)
	}
	return acts
}

// rightTime checks that the fill is where it truly was, the counter's second
// and a phone's measurement aside.
func (b *lostBoard) rightTime(what string, v *ledger.View) {
	b.t.Helper()
	if len(v.Fills) != 1 {
		b.t.Fatalf("%s: %d fills, want 1", what, len(v.Fills))
	}
	if off := time.Unix(0, v.Fills[0].Start).Sub(b.poured); off.Abs() > 3*time.Second {
		b.t.Errorf("%s: the fill is %v from where it was", what, off)
	}
}

// A board that starts in 1970 learns the time from a phone that is opened, back
// to its start: also for what it heard before, and after all is read again.
func TestOpenedPhoneTellsTheTime(t *testing.T) {
	b := newLostBoard(t)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Jar: jar, Timeout: time.Minute}
	post := func(path string, form url.Values) (int, string) {
		t.Helper()
		res, err := client.PostForm(strings.TrimSuffix(b.page, "/")+path, form)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		return res.StatusCode, string(body)
	}
	if code, _ := post("/clock", url.Values{}); code != 401 {
		t.Errorf("signed out: status %d", code)
	}
	post("/enter", url.Values{"passphrase": {tapsPassphrase}})
	// A tap before the time is known is of the boot's clock.
	if code, body := post("/say/colony", url.Values{"what": {act.Skipped}, "token": {"a"}}); code != 200 || !strings.Contains(body, "Time not known") {
		t.Errorf("a tap in 1970: status %d", code)
	}
	res, err := client.Get(strings.TrimSuffix(b.page, "/") + "/clock")
	if err != nil {
		t.Fatal(err)
	}
	utc := time.Now()
	var boot struct {
		Boot string `json:"boot"`
		Mono string `json:"mono_ns"`
	}
	if err := json.NewDecoder(res.Body).Decode(&boot); err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	code, body := post("/clock", url.Values{"boot": {boot.Boot}, "mono_ns": {boot.Mono}, "utc_ms": {fmt.Sprint(utc.UnixMilli())}, "rtt_ms": {"5"}})
	if code != 200 || !strings.Contains(body, "set from this phone") {
		t.Fatalf("status %d: %s", code, body)
	}
	v := b.view()
	b.rightTime("live", v)
	if v.Placed.By != "phone" {
		t.Errorf("the clock is known by %q", v.Placed.By)
	}
	if _, body := post("/say/drained", url.Values{"token": {"b"}}); strings.Contains(body, "Time not known") || !strings.Contains(body, "The rig’s time: set from a phone") {
		t.Error("the page does not say that a phone told the time")
	}
	var moments []act.Moment
	for _, a := range b.acts() {
		switch x := a.Body.(type) {
		case act.Colony:
			moments = append(moments, x.At)
		case act.Drained:
			moments = append(moments, x.At)
			if off := time.Since(time.Unix(0, x.At.NS)); off.Abs() > time.Minute {
				t.Errorf("said %v from now", off)
			}
		}
	}
	if len(moments) != 2 || moments[0].Boot != "lost board" || moments[1].MonoNS <= moments[0].MonoNS || moments[1].Boot != moments[0].Boot {
		t.Errorf("moments %+v", moments)
	}
	b.stop()
	b.rightTime("read again", replayed(t, b.d.set.Data))
}

// browser returns a context of a browser of its own.
func browser(t testing.TB) context.Context {
	t.Helper()
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium(t)), chromedp.NoSandbox,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	alloc, cancelAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancelAlloc)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	return ctx
}

// eval runs a script in the page.
func eval[T any](t *testing.T, ctx context.Context, script string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script))
	if err != nil {
		t.Fatalf("%s: %v", script, err)
	}
	return v
}

// shows waits until the page says something.
func shows(t *testing.T, ctx context.Context, what string) {
	t.Helper()
	limit := time.Now().Add(2 * time.Minute)
	for {
		text, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body ? document.body.innerText : ''`)) // fails while it loads
		if err == nil && strings.Contains(text, what) {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("the page never says %q: %s", what, text)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// press sends a click to the middle of a button, as a finger does, and opens
// the folds around it before.
func press(t *testing.T, ctx context.Context, button string) {
	t.Helper()
	eval[bool](t, ctx, fmt.Sprintf(`(() => { for (let e = document.querySelector(%q); e; e = e.parentElement) if (e.tagName == 'DETAILS') e.open = true; return true })()`, button))
	if _, err := chromedp.Run(ctx, chromedp.Click(button)); err != nil {
		t.Fatalf("%s: %v", button, err)
	}
}

func enter(t *testing.T, ctx context.Context, page string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Navigate(strings.TrimSuffix(page, "/")+"/enter")); err != nil {
		t.Fatal(err)
	}
	eval[bool](t, ctx, `document.getElementById('passphrase').value = '`+tapsPassphrase+`', true`)
	press(t, ctx, "button.main")
	shows(t, ctx, "Tell the rig")
}

// The same with a real browser, whose script does the telling: nobody presses
// anything for it.
func TestOpenedPhoneInBrowser(t *testing.T) {
	ctx := browser(t)
	b := newLostBoard(t)
	enter(t, ctx, b.page)
	shows(t, ctx, "set from this phone; it was")
	b.rightTime("live", b.view())
	var fixes int
	for _, a := range b.acts() {
		if f, ok := a.Body.(act.Fix); ok {
			fixes++
			if f.By != "phone" || f.Boot != "lost board" {
				t.Errorf("fix %+v", f)
			}
		}
	}
	if fixes != 1 {
		t.Errorf("%d fixes", fixes)
	}
	if _, err := chromedp.Run(ctx, chromedp.Navigate(b.page)); err != nil {
		t.Fatal(err)
	}
	eval[bool](t, ctx, `document.querySelector('.more').open = true`)
	shows(t, ctx, "set from a phone")
	if text := eval[string](t, ctx, `document.body.innerText`); strings.Contains(text, "Time not known") {
		t.Error("the page still says that the time is not known")
	}
}

// Without its script, the page has a person read the time off a watch.
func TestTimeByHandInBrowser(t *testing.T) {
	ctx := browser(t)
	if _, err := chromedp.Run(ctx, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	})); err != nil {
		t.Fatal(err)
	}
	b := newLostBoard(t)
	enter(t, ctx, b.page)
	shows(t, ctx, "Time not known")
	photograph(t, ctx, "lost")
	if f := b.fill(); time.Unix(0, f.Start).Year() != 1970 {
		t.Fatalf("somebody told the time: %v", time.Unix(0, f.Start))
	}
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	eval[bool](t, ctx, `document.getElementById('time').value = '`+time.Now().In(zone).Format("2006-01-02T15:04:05")+`', true`)
	press(t, ctx, `form[action^="/say/time"] button`)
	shows(t, ctx, "The rig’s time, by hand: it was")
	b.rightTime("by hand", b.view())
}

// A wrong tap in a simulated night is taken back with one more; and the page
// with all that can be said fits a phone. Pictures go to shots/.
func TestTapsInBrowser(t *testing.T) {
	ctx := browser(t)
	data := t.TempDir()
	if err := door.Set(filepath.Join(data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	enter(t, ctx, showDemo(t, data))
	for end := time.Now().Add(2 * time.Minute); eval[int](t, ctx, `document.querySelectorAll('#fills tr td:nth-child(3)').length`) < 3; time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("no fills come")
		}
	}

	// A double tap, of the wrong button.
	eval[bool](t, ctx, `(() => { const b = document.querySelector('button[value="skipped"]'); b.click(); b.click(); return true })()`)
	shows(t, ctx, "Skipped one.")
	acts := func() string {
		t.Helper()
		text := call(t, "acts", "-data", data, "-json", "-all")
		return fmt.Sprint("colony ", strings.Count(text, `"what":"skipped"`), ", undo ", strings.Count(text, `"kind":"undo"`))
	}
	if got := acts(); got != "colony 1, undo 0" {
		t.Errorf("after a double tap: %s", got)
	}
	photograph(t, ctx, "tapped")
	press(t, ctx, `#said button`)
	shows(t, ctx, "Taken back: Skipped one.")
	if got := acts(); got != "colony 1, undo 1" {
		t.Errorf("after taking back: %s", got)
	}
	if _, err := chromedp.Run(ctx, chromedp.Reload()); err != nil {
		t.Fatal(err)
	}
	if got := acts(); got != "colony 1, undo 1" {
		t.Errorf("after loading again: %s", got)
	}

	// The last pull is named anew as flow goes on, without a load.
	first := eval[string](t, ctx, `document.querySelector('#pull input').value`)
	for end := time.Now().Add(2 * time.Minute); eval[string](t, ctx, `document.querySelector('#pull input').value`) == first; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the last pull stays the same")
		}
	}
	press(t, ctx, `form:has(#pull) button[value="priming"]`)
	shows(t, ctx, "Priming: ")
	if got := eval[string](t, ctx, `document.querySelector('#said form button').value`); got == "" {
		t.Error("it cannot be taken back")
	}
	eval[bool](t, ctx, `document.querySelector('#said form button').value = 'nothing', true`)
	press(t, ctx, `#said button`)
	shows(t, ctx, `Nothing was said: act: must be one that was said by a tap, is "nothing".`)
	if top := eval[float64](t, ctx, `document.getElementById('said').getBoundingClientRect().top / innerHeight`); top < 0 || top > 0.9 {
		t.Errorf("why nothing was said is out of sight: %g screens down", top)
	}

	// All of a yard is told in knowledge of how it stands, and taken back with one tap.
	if so := eval[string](t, ctx, `document.getElementById('sofar').textContent`); !strings.Contains(so, "fill") || !strings.Contains(so, "colon") {
		t.Errorf("beside the button stands %q", so)
	}
	press(t, ctx, `.whole button`)
	shows(t, ctx, "All told at ")
	press(t, ctx, `#said button`)
	shows(t, ctx, "Taken back: All told at ")

	// By keyboard: the next after a button is the next button, and seen to be so.
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`document.querySelector('button[value="skipped"]').focus(), true`)); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"\t", "\r"} {
		if _, err := chromedp.Run(ctx, chromedp.KeyEvent(key)); err != nil {
			t.Fatal(err)
		}
		if key == "\t" {
			if got := eval[string](t, ctx, `document.activeElement.value + ' ' + getComputedStyle(document.activeElement).outlineWidth`); got != "dead 3px" {
				t.Errorf("one Tab on is %q", got)
			}
		}
	}
	shows(t, ctx, "One is dead.")
	eval[bool](t, ctx, `document.querySelectorAll('.hand details').forEach(d => d.open = true), true`)
	photograph(t, ctx, "tell")
}

// photograph takes pictures of the page as it stands, and looks for what no
// screen or hand can hold.
func photograph(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	shots := filepath.Join("..", "..", "shots")
	if err := os.MkdirAll(shots, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, width := range []int64{360, 1280} {
		for _, scheme := range []string{"dark", "light"} {
			if _, err := chromedp.Run(ctx, chromedp.EmulateViewport(width, 800)); err != nil {
				t.Fatal(err)
			}
			if _, err := chromedp.Run(ctx, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
				_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
					Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
				return err
			})); err != nil {
				t.Fatal(err)
			}
			shot := fmt.Sprintf("%s-%d-%s", name, width, scheme)
			if over := eval[float64](t, ctx, `document.documentElement.scrollWidth - window.innerWidth`); over > 0 {
				t.Errorf("%s: %g px wider than the screen", shot, over)
			}
			if small := eval[[]string](t, ctx, `[...document.querySelectorAll(':is(.hand, .watch, .asking) :is(button, summary, select, input:not([type=hidden]))')].filter(e => e.offsetParent)
				.filter(e => e.getBoundingClientRect().height < 47.5 || e.getBoundingClientRect().width < 47.5 || e.scrollWidth > e.clientWidth + 1).map(e => e.outerHTML.slice(0, 80))`); len(small) > 0 {
				t.Errorf("%s: too small for a gloved hand, or for what stands in it: %q", shot, small)
			}
			png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(shots, shot+".png"), png, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}
