package main

import (
	"context"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"yardtally/dashboard/door"
)

// air is a network between a browser and a rig that can be lost.
type air struct {
	home string // the rig's address by way of it, without a slash at the end
	mu   sync.Mutex
	lost bool
	open map[net.Conn]bool
}

func throughAir(t *testing.T, rig string) *air {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	a := &air{home: "http://" + l.Addr().String(), open: make(map[net.Conn]bool)}
	var all sync.WaitGroup
	t.Cleanup(func() {
		l.Close()
		a.lose(true)
		all.Wait()
	})
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() { a.carry(c, strings.TrimPrefix(rig, "http://")) })
		}
	})
	return a
}

func (a *air) carry(near net.Conn, rig string) {
	defer near.Close()
	far, err := net.Dial("tcp", rig)
	if err != nil {
		return
	}
	defer far.Close()
	a.mu.Lock()
	if a.lost {
		a.mu.Unlock()
		return
	}
	a.open[near] = true
	a.mu.Unlock()
	go func() {
		io.Copy(far, near)
		far.Close()
		near.Close()
	}()
	io.Copy(near, far)
	a.mu.Lock()
	delete(a.open, near)
	a.mu.Unlock()
}

// lose cuts what is open and lets nothing through, or lets through again.
func (a *air) lose(lost bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.lost = lost
	for c := range a.open {
		if lost {
			c.Close()
		}
	}
}

// sends does what sends a form, and waits until another page is there.
func (b *tab) sends(t *testing.T, does func()) {
	t.Helper()
	eval[bool](t, b.ctx, `document.body.dataset.was = 'here', true`)
	does()
	await(t, "the next page", func() bool {
		next, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](`document.readyState === 'complete' && !document.body.dataset.was`))
		return err == nil && next
	})
}

// A night, as a person meets it on the page, from the door to the statement.
func (s *site) wholeNight(t *testing.T) {
	data := t.TempDir()
	if err := door.Set(filepath.Join(data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	address, out := showDemoAt(t, data, 20)
	wifi := throughAir(t, strings.TrimSuffix(address, "/"))
	b := s.tabAt(t, wifi.home, false)
	b.at(t, 360, "dark")
	says := func(what string) bool {
		t.Helper()
		return strings.Contains(eval[string](t, b.ctx, `document.body.innerText`), what)
	}

	// The rig's network is lost on the way; the page says so, and what stands
	// there is from then. When it is back, the page catches up by itself.
	fills := func() int {
		t.Helper()
		return strings.Count(call(t, "fills", "-data", data, "-all", "--csv"), "\n") - 1
	}
	shown := func() int { return eval[int](t, b.ctx, `document.querySelectorAll('#yards .strip svg').length`) }
	b.do(t, chromedp.Navigate(b.home+"/"))
	await(t, "a fill on the page", func() bool { return shown() > 0 })
	eval[bool](t, b.ctx, `document.body.dataset.was = 'here', true`)
	wifi.lose(true)
	shows(t, b.ctx, "Cut off from the rig since ")
	stood, were := shown(), fills()
	await(t, "another fill", func() bool { return fills() > were })
	if shown() != stood || !says("Cut off from the rig since ") {
		t.Error("a page that is cut off changes")
	}
	wifi.lose(false)
	shows(t, b.ctx, "Connected to the rig.")
	await(t, "the fills that were missed", func() bool { return shown() > stood })
	if !eval[bool](t, b.ctx, `document.body.dataset.was === 'here'`) {
		t.Error("it was loaded again")
	}
	if s := eval[string](t, b.ctx, `document.getElementById('told').className`); s != "" {
		t.Errorf("it still looks as if cut off: %q", s)
	}

	// Cold fingers: three slips cost nothing, the next costs two seconds.
	b.do(t, chromedp.Navigate(b.home+"/enter"))
	var slipped time.Time
	for range 4 {
		slipped = time.Now()
		b.sends(t, func() { b.key(t, "four cold wet mittens\r") })
		if !says("That is not the passphrase.") {
			t.Fatal("a wrong passphrase is not told")
		}
	}
	held := false
	for {
		b.sends(t, func() { b.key(t, tapsPassphrase+"\r") })
		if !says("Try again in ") {
			break
		}
		held = true
	}
	if waited := time.Since(slipped); !held && waited < 2*time.Second {
		t.Errorf("after four slips the door was open at once, after %v", waited)
	}
	b.arrives(t, "/")
	shows(t, b.ctx, "Connected to the rig.")

	// A wrong tap, undone with one more.
	eval[bool](t, b.ctx, `document.querySelectorAll('.hand details').forEach(d => { d.open = true }), true`)
	b.sends(t, func() { press(t, b.ctx, `form[action^="/say/arrive"] button[value="mill"]`) })
	shows(t, b.ctx, "Arrived at Mill Bottom.")
	b.sends(t, func() { press(t, b.ctx, `#said button`) })
	shows(t, b.ctx, "Taken back: Arrived at Mill Bottom.")

	// The night over, the statement is issued and printed.
	await(t, "the end of the night", func() bool { return strings.Contains(out.String(), "The page stays open.") })
	b.do(t, chromedp.Navigate(b.home+"/books/statement"))
	eval[bool](t, b.ctx, `document.getElementById('title').value = 'one night', true`)
	b.sends(t, func() { press(t, b.ctx, `.issue button`) })
	shows(t, b.ctx, "No 1")
	b.do(t, chromedp.Navigate(b.home+"/books/statement?number=1"))
	b.prints(t)
}

// prints holds the print preview of a sheet's page against the page: each row is
// on the paper, figure by figure, and what is not of the sheet is not.
func (b *tab) prints(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath("pdftotext"); err != nil {
		if os.Getenv("YARDTALLY_CI") != "" {
			t.Fatal("pdftotext is not installed, and must be here")
		}
		t.Skip("pdftotext is not installed: the print preview is not read")
	}
	rows := eval[[]string](t, b.ctx, `[...document.querySelectorAll('.sheet tbody tr')].map(r => [...r.cells].map(c => c.innerText).join(' '))`)
	if len(rows) < 10 {
		t.Fatalf("a sheet of %d rows", len(rows))
	}
	var pdf []byte
	b.do(t, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		yes := true
		res, err := cdp.Call(ctx, tab, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: &yes})
		pdf = res.Data
		return err
	}))
	shots := filepath.Join("..", "..", "shots")
	if err := os.MkdirAll(shots, 0o755); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(shots, "statement.pdf")
	if err := os.WriteFile(path, pdf, 0o644); err != nil {
		t.Fatal(err)
	}
	text, err := exec.Command("pdftotext", "-layout", path, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	paper := flat(string(text))
	for _, row := range rows {
		if row = flat(row); !strings.Contains(paper, row) {
			t.Errorf("not on the paper: %q", row)
		}
	}
	if n := regexp.MustCompile(`\d`).FindAllString(strings.Join(rows, ""), -1); len(n) < 50 {
		t.Errorf("there are %d digits on the page", len(n))
	}
	for _, other := range []string{"Night or day", "Take back", "Sign out"} {
		if strings.Contains(paper, other) {
			t.Errorf("%q is printed too", other)
		}
	}
	if t.Failed() {
		t.Logf("%s", text)
	}
}

// hiddenForAnHour has a page asleep in a pocket while the night goes on for an
// hour and its connection breaks. Awake again it shows by itself what a page
// that is loaded then does.
func (s *site) hiddenForAnHour(t *testing.T) {
	sc := demoNight(2)
	sc.Coarse = true
	n := playNight(t, sc)
	w := workNight(t, n)
	dozes := n.truth.Fills[3].End.Add(20 * time.Second)
	before, after := n.before(dozes), n.before(dozes.Add(time.Hour))
	w.hear(t, n, before)
	home := strings.TrimSuffix(pageURL(w.page.Addr(), false), "/")
	wifi := throughAir(t, home)
	b := s.tabAt(t, wifi.home, false)
	lives := func(state page.SetWebLifecycleStateState) {
		b.do(t, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
			_, err := cdp.Call(ctx, tab, page.SetWebLifecycleState, page.SetWebLifecycleStateParams{State: state})
			return err
		}))
	}
	const text = `document.querySelector('main').innerText`
	b.do(t, chromedp.Navigate(wifi.home+"/"))
	shows(t, b.ctx, "Connected to the rig.")
	was := eval[string](t, b.ctx, text)
	eval[bool](t, b.ctx, `document.body.dataset.was = 'here', true`)
	lives(page.SetWebLifecycleStateStateFrozen)
	w.hear(t, n, after[len(before):])
	wifi.lose(true)
	wifi.lose(false)
	lives(page.SetWebLifecycleStateStateActive)

	fresh := s.tabAt(t, home, false)
	fresh.do(t, chromedp.Navigate(home+"/"))
	shows(t, fresh.ctx, "Connected to the rig.")
	want := eval[string](t, fresh.ctx, text)
	if want == was {
		t.Fatal("nothing happened in that hour")
	}
	await(t, "the page to catch up", func() bool { return eval[string](t, b.ctx, text) == want })
	shows(t, b.ctx, "Connected to the rig.")
	if !eval[bool](t, b.ctx, `document.body.dataset.was === 'here'`) {
		t.Error("it was loaded again")
	}
}
