package dashboard

import (
	"context"
	"errors"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/door"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// book is a Said in memory.
type book struct {
	mu   sync.Mutex
	feed *feed
	acts []act.Act
	err  error // of the next Say
}

const bookMono = 500e9

func (b *book) Now() act.Moment {
	return act.Moment{NS: b.feed.Snapshot().Now, Boot: "boot 1", MonoNS: bookMono}
}

func (b *book) Say(_ context.Context, who string, bodies ...act.Body) ([]act.Act, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.err != nil {
		return nil, b.err
	}
	var out []act.Act
	for _, x := range bodies {
		out = append(out, act.Act{ID: fmt.Sprint("act-", len(b.acts)), Rig: "heron", Who: who, When: b.Now().NS + int64(len(b.acts)), Body: x})
		b.acts = append(b.acts, out[len(out)-1])
	}
	return out, nil
}

func (b *book) Book(_ context.Context, who, _ string, from int64, body act.Body, over []string) (act.Act, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.err != nil {
		return act.Act{}, b.err
	}
	a := act.Act{ID: fmt.Sprint("act-", len(b.acts)), Rig: "heron", Who: who, When: b.Now().NS + int64(len(b.acts)), From: from, Replaces: over, Body: body}
	b.acts = append(b.acts, a)
	return a, nil
}

func (b *book) Acts(context.Context) ([]act.Act, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]act.Act(nil), b.acts...), nil
}

// stand is a page behind a door, with a device that signed in.
type stand struct {
	t      testing.TB
	h      http.Handler
	book   *book
	feed   *feed
	cookie *http.Cookie
	extra  []*http.Cookie
	taps   *taps
	now    time.Time // of the taps
}

// signedIn is what a door keeps of one device that signed in, made once: a
// passphrase's hash is slow on purpose.
var signedIn struct {
	sync.Once
	pass, sessions []byte
	cookie         *http.Cookie
}

func newStand(t testing.TB, s *Snapshot) *stand {
	t.Helper()
	dir := t.TempDir()
	pass, sessions := filepath.Join(dir, "passphrase"), filepath.Join(dir, "sessions")
	f := newFeed(s)
	st := &stand{t: t, feed: f, book: &book{feed: f}, now: time.Unix(1000, 0)}
	pages := newServer(Options{Feed: f, Said: st.book, Books: st.book, Rig: "heron", Version: "0.1.0"})
	pages.taps.now, pages.taps.ending = func() time.Time { return st.now }, time.Millisecond
	st.taps = &pages.taps
	open := func() {
		t.Helper()
		d, err := door.New(door.Options{Passphrase: pass, Sessions: sessions, ReadingOpen: true, Rig: "heron"})
		if err != nil {
			t.Fatal(err)
		}
		st.h = d.Wrap(pages.handler())
	}
	signedIn.Do(func() {
		if err := door.Set(pass, "four cold wet gloves"); err != nil {
			t.Fatal(err)
		}
		open()
		signedIn.cookie = st.signIn()
		signedIn.pass, signedIn.sessions = read(t, pass), read(t, sessions)
	})
	write(t, pass, signedIn.pass)
	write(t, sessions, signedIn.sessions)
	st.cookie = signedIn.cookie
	open()
	return st
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func write(t testing.TB, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

func (st *stand) signIn() *http.Cookie {
	st.t.Helper()
	r := httptest.NewRequest("POST", "/enter", strings.NewReader("passphrase=four+cold+wet+gloves"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	st.h.ServeHTTP(w, r)
	c := w.Result().Cookies()
	if len(c) != 1 {
		st.t.Fatalf("not signed in: %d", w.Code)
	}
	return c[0]
}

// post sends a form as the page's own buttons do.
func (st *stand) post(path, form string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", path, strings.NewReader(form))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.Header.Set("Accept", "text/html")
	if st.cookie != nil {
		r.AddCookie(st.cookie)
	}
	for _, c := range st.extra {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	st.h.ServeHTTP(w, r)
	return w
}

// page is what a browser shows after a redirect, or at once.
func (st *stand) page(path string) string {
	st.t.Helper()
	path, _, _ = strings.Cut(path, "#")
	w := get(st.t, st.h, path, append(st.extra, st.cookie)...)
	if w.Code != 200 {
		st.t.Fatalf("%s: status %d", path, w.Code)
	}
	return html.UnescapeString(w.Body.String())
}

func (st *stand) said() []act.Act {
	a, _ := st.book.Acts(context.Background())
	return a
}

func TestTaps(t *testing.T) {
	snap := sample()
	snap.Live.Flow = 0 // the last fill has just ended, and the rig cannot know yet
	last := snap.View.Fills[len(snap.View.Fills)-1]
	pull := fmt.Sprintf("pull=%d+%d", last.Session, last.First)
	deem := func(as string) act.Deem {
		return act.Deem{Session: last.Session, First: last.First, Last: last.Last, As: as}
	}
	now := act.Moment{NS: snap.Now, Boot: "boot 1", MonoNS: bookMono}
	for _, c := range []struct {
		path, form string
		want       act.Body
		words      string
	}{
		{"arrive", "yard=larch", act.Arrive{At: now, Yard: "larch"}, "Arrived at Larch Bank."},
		{"arrive", "yard=", act.Arrive{At: now}, "Left the yard."},
		{"colony", "what=skipped", act.Colony{At: now, What: act.Skipped}, "Skipped one."},
		{"colony", "what=dead", act.Colony{At: now, What: act.Dead}, "One is dead."},
		{"colony", "what=two+feeders", act.Colony{At: now, What: act.TwoFeeders}, "Two feeders."},
		{"colony", "what=shared&n=3", act.Colony{At: now, What: act.Shared, N: 3}, "One fill for 3 colonies."},
		{"colony", "what=all+told&yard=mill", act.Colony{At: now, What: act.AllTold, Yard: "mill"}, "All told at Mill Bottom."},
		{"deem", pull + "&as=priming", deem(act.AsPriming), "Priming: 0.58 gal at"},
		{"deem", pull + "&as=flush", deem(act.AsFlush), "A flush: 0.58 gal at"},
		{"deem", pull + "&as=spill", deem(act.AsSpill), "A spill: 0.58 gal at"},
		{"deem", pull + "&as=fill", deem(act.AsFill), "A colony’s fill: 0.58 gal at"},
		{"deem", pull + "&as=top-up", deem(act.AsTopUp), "A top-up of the one before: 0.58 gal at"},
		{"drained", "", act.Drained{At: now}, "The hose was drained."},
	} {
		st := newStand(t, snap)
		w := st.post("/say/"+c.path, c.form+"&token=a")
		said := st.said()
		if w.Code != 303 || len(said) != 1 || !reflect.DeepEqual(said[0].Body, c.want) || said[0].Who != "phone" {
			t.Errorf("%s %s: status %d, acts %+v, want %+v", c.path, c.form, w.Code, said, c.want)
			continue
		}
		page := st.page(w.Header().Get("Location"))
		if !strings.Contains(page, `<p>`+c.words) || strings.Count(page, `name="act" value="act-0"`) != 2 {
			t.Errorf("%s %s: the page does not say %q with a way back", c.path, c.form, c.words)
		}
		// To load it again says nothing again; and it can be taken back.
		st.page(w.Header().Get("Location"))
		w = st.post("/say/back", "act=act-0&token=b")
		if said = st.said(); w.Code != 303 || len(said) != 2 || said[1].Body != (act.Undo{Act: "act-0"}) {
			t.Errorf("%s %s: taking back: status %d, acts %+v", c.path, c.form, w.Code, said)
			continue
		}
		page = st.page(w.Header().Get("Location"))
		if !strings.Contains(page, "Taken back: "+c.words) || strings.Contains(page, `name="act" value=`) {
			t.Errorf("%s %s: the page does not say that it is taken back", c.path, c.form)
		}
	}
}

func TestTapsAreRefused(t *testing.T) {
	st := newStand(t, sample())
	st.book.acts = []act.Act{{ID: "set", Rig: "heron", Who: "settings file", When: 1, Body: act.Colonies{Yard: "mill", Count: 3}}}
	for _, c := range []struct {
		path, form string
		status     int
		words      string
	}{
		{"/say/arrive", "yard=moon", 422, `yard: must be a yard of this rig, is "moon"`},
		{"/say/arrive", "", 422, `yard: must be a yard of this rig, is ""`},
		{"/say/colony", "what=blue", 422, `what: must be "skipped", "dead", "two feeders", "shared" or "all told", is "blue"`},
		{"/say/colony", "what=all+told", 422, `yard: must be known, where all of its colonies are told of, is ""`},
		{"/say/colony", "what=all+told&yard=moon", 422, `yard: must be a yard of this rig, is "moon"`},
		{"/say/colony", "what=all+told&yard=mill&n=3", 422, "n: must be left out, as number must, where all is told, is 3"},
		{"/say/colony", "what=shared&n=1", 422, "n: must be between 2 and 1000 for a shared fill, is 1"},
		{"/say/colony", "what=shared&n=two", 422, `n: must be a whole number, is "two"`},
		{"/say/deem", "as=priming", 422, `pull: must be a flow that the rig still knows, is ""`},
		{"/say/deem", "pull=1+999999999&as=priming", 422, `pull: must be a flow that the rig still knows`},
		{"/say/deem", "pull=1+1000&as=rain", 422, `as: must be "fill", "top-up"`},
		{"/say/back", "act=nothing", 422, `act: must be one that was said by a tap, is "nothing"`},
		{"/say/back", "act=set", 422, `act: must be one that was said by a tap, is "set"`},
		{"/say/time", "time=noon", 422, "time: must be a day and a time like"},
		{"/who", "name=" + strings.Repeat("w", 41), 422, "name: must have 40 letters at most, is 41"},
		{"/who", "name=%00", 422, "name: must be letters that can be read"},
		{"/say/dance", "", 404, ""},
		{"/say/drained", "x=" + strings.Repeat("y", 5000), 400, "4096 bytes at most"},
	} {
		w := st.post(c.path, c.form)
		if body := html.UnescapeString(w.Body.String()); w.Code != c.status || !strings.Contains(body, c.words) {
			t.Errorf("%s %s: status %d, want %d with %q", c.path, c.form, w.Code, c.status, c.words)
		} else if c.status == 422 && !strings.Contains(body, `role="alert"`) {
			t.Errorf("%s %s: not said as an alert", c.path, c.form)
		}
	}
	for _, path := range []string{"/say/drained", "/who"} {
		if w := get(t, st.h, path, st.cookie); w.Code != 303 || w.Header().Get("Location") != "/#tell" {
			t.Errorf("GET %s: status %d, to %q", path, w.Code, w.Header().Get("Location"))
		}
	}
	st.book.err = errors.New("the disk is full")
	if w := st.post("/say/drained", ""); w.Code != 503 || !strings.Contains(w.Body.String(), "Nothing was said: the disk is full") {
		t.Errorf("not kept: status %d", w.Code)
	}
	if len(st.said()) != 1 {
		t.Errorf("acts were said: %+v", st.said()[1:])
	}
}

// What is still flowing has no end to be named by: a tap waits for it, and is
// refused where none comes.
func TestAPullThatStillFlows(t *testing.T) {
	s := sample()
	st := newStand(t, s)
	last := s.View.Fills[len(s.View.Fills)-1]
	form := fmt.Sprintf("pull=%d+%d&as=spill", last.Session, last.First)
	w := st.post("/say/deem", form)
	if w.Code != 422 || !strings.Contains(w.Body.String(), "pull: must have ended before it is said what it was, is still flowing") || len(st.said()) != 0 {
		t.Fatalf("status %d, acts %+v", w.Code, st.said())
	}
	st.taps.ending = time.Minute
	answered := make(chan *httptest.ResponseRecorder)
	go func() { answered <- st.post("/say/deem", form) }()
	for st.feed.watched() == 0 {
		time.Sleep(time.Millisecond)
	}
	ended, v := *s, *s.View
	v.Fills = append([]ledger.Fill(nil), v.Fills...)
	f := &v.Fills[len(v.Fills)-1]
	f.Last, f.Open = f.Last+40, false
	ended.View = &v
	st.feed.set(&ended)
	w = <-answered
	if said := st.said(); w.Code != 303 || len(said) != 1 || said[0].Body != (act.Deem{Session: last.Session, First: last.First, Last: last.Last + 40, As: act.AsSpill}) {
		t.Errorf("status %d, acts %+v", w.Code, said)
	}
}

func TestTapsNeedThePassphrase(t *testing.T) {
	st := newStand(t, sample())
	in := st.cookie
	for _, path := range []string{"/say/drained", "/who", "/clock"} {
		st.cookie = nil
		if w := st.post(path, "name=wren"); w.Code != 401 {
			t.Errorf("%s signed out: status %d", path, w.Code)
		}
		r := httptest.NewRequest("POST", path, strings.NewReader("name=wren"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		r.AddCookie(in)
		w := httptest.NewRecorder()
		st.h.ServeHTTP(w, r)
		if w.Code != 403 {
			t.Errorf("%s from another site: status %d", path, w.Code)
		}
		// Without any door nobody is known, and nobody can say anything.
		r = httptest.NewRequest("POST", path, strings.NewReader("name=wren"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w = httptest.NewRecorder()
		newServer(Options{Feed: st.feed, Said: st.book}).handler().ServeHTTP(w, r)
		if w.Code != 403 {
			t.Errorf("%s without a door: status %d", path, w.Code)
		}
	}
	page := get(t, st.h, "/").Body.String()
	if strings.Contains(page, "/say/") || !strings.Contains(page, `<a href="/enter">Sign in to say`) {
		t.Error("who only reads has buttons, or no link to sign in")
	}
	if w := get(t, st.h, "/clock"); w.Code != 403 {
		t.Errorf("the boot's clock, signed out: status %d", w.Code)
	}
	st.cookie = in
	r := httptest.NewRequest("POST", "/say/drained", strings.NewReader("{}"))
	r.Header.Set("Content-Type", "application/json")
	r.AddCookie(in)
	w := httptest.NewRecorder()
	st.h.ServeHTTP(w, r)
	if w.Code != 415 || len(st.said()) != 0 {
		t.Errorf("no form: status %d, acts %+v", w.Code, st.said())
	}
}

func TestATapThatComesTwiceCountsOnce(t *testing.T) {
	st := newStand(t, sample())
	tap := func(what, form string, after time.Duration, want int) {
		t.Helper()
		st.now = st.now.Add(after)
		w := st.post("/say/colony", form)
		if n := len(st.said()); w.Code != 303 || n != want {
			t.Errorf("%s: status %d, %d acts, want %d", what, w.Code, n, want)
		}
	}
	tap("first", "what=skipped&token=a", 0, 1)
	tap("same page, at once", "what=skipped&token=a", 100*time.Millisecond, 1)
	tap("next page, the second half of a double tap", "what=skipped&token=b", time.Second, 1)
	tap("another button at once", "what=dead&token=b", 0, 2)
	tap("same page again, long after: a form sent anew", "what=skipped&token=a", time.Hour, 2)
	tap("a new page, long after", "what=skipped&token=c", 0, 3)
	other := st.cookie
	st.cookie = st.signIn()
	tap("another device at once", "what=skipped&token=d", 0, 4)
	st.cookie = other
	w := st.post("/say/colony", "what=skipped&token=c")
	if page := st.page(w.Header().Get("Location")); !strings.Contains(page, "tapped twice, and counts once") {
		t.Error("the page does not say that it counts once")
	}
	// What was taken back can be said again at once.
	st.post("/say/back", "act=act-2&token=e")
	tap("after taking back", "what=skipped&token=f", 0, 6)
}

func TestManyTapsAreBounded(t *testing.T) {
	st := newStand(t, sample())
	for i := range mostTaps {
		if w := st.post("/say/drained", "token="+strconv.Itoa(i)+"&x="+strconv.Itoa(i)); w.Code != 303 {
			t.Fatalf("tap %d: status %d", i, w.Code)
		}
	}
	w := st.post("/say/drained", "token=more&x=more")
	if w.Code != 429 || w.Header().Get("Retry-After") != "60" || len(st.said()) != mostTaps {
		t.Errorf("status %d, %v, %d acts", w.Code, w.Header(), len(st.said()))
	}
	st.now = st.now.Add(time.Minute)
	if w := st.post("/say/drained", "token=later"); w.Code != 303 {
		t.Errorf("a minute later: status %d", w.Code)
	}
	tt := newTaps()
	for i := range mostTapsKept + 5 {
		tt.note(tap{id: strconv.Itoa(i)})
	}
	if len(tt.done) != mostTapsKept || tt.done[0].id != "5" {
		t.Errorf("%d taps kept, the oldest %s", len(tt.done), tt.done[0].id)
	}
}

func TestNameIsKeptOnTheDevice(t *testing.T) {
	st := newStand(t, sample())
	w := st.post("/who", url.Values{"name": {" wren ü "}}.Encode())
	if c := w.Result().Cookies(); w.Code != 303 || len(c) != 1 || !c[0].HttpOnly || c[0].MaxAge < 1e6 {
		t.Fatalf("status %d, cookies %v", w.Code, c)
	}
	st.extra = w.Result().Cookies()
	st.post("/say/drained", "token=a")
	if said := st.said(); len(said) != 1 || said[0].Who != "wren ü" {
		t.Errorf("said %+v", said)
	}
	if !strings.Contains(st.page("/"), `name="name" value="wren ü"`) {
		t.Error("the name is not on the page")
	}
	if c := st.post("/who", "name=").Result().Cookies(); len(c) != 1 || c[0].MaxAge >= 0 {
		t.Errorf("the name is not forgotten: %v", c)
	}
	st.extra = []*http.Cookie{{Name: "who", Value: "AAAA"}} // three zero bytes
	st.post("/say/colony", "what=dead&token=b")
	if said := st.said(); said[1].Who != "phone" {
		t.Errorf("an unreadable name came through: %q", said[1].Who)
	}
}

// The likeliest yards come first: those that still wait, along the route or
// else from near to far; the one that the rig stands in is under the fold.
func TestYardsAreInOrder(t *testing.T) {
	s := sample()
	v := *s.View
	v.Yards = []ledger.YardInfo{
		{ID: "ferry", Name: "Ferry Lane", Lat: 43.30, Lon: -91.88}, {ID: "larch", Name: "Larch Bank", Lat: 43.21, Lon: -91.88},
		{ID: "mill", Name: "Mill Bottom", Lat: 43.20, Lon: -91.88}, {ID: "orchard", Name: "Orchard End", Lat: 43.19, Lon: -91.88},
		{ID: "shut", Name: "Shut", Lat: 43.20, Lon: -91.88, Closed: true},
	}
	s.View = &v
	order := func(acts ...act.Act) string {
		var ids []string
		for _, y := range newModel(s).nextYards(newModel(s).routeOf(acts)) {
			ids = append(ids, y.ID)
		}
		return strings.Join(ids, " ")
	}
	if got := order(); got != "larch ferry orchard mill" {
		t.Errorf("by distance: %s", got)
	}
	route := act.Act{ID: "r", From: s.Now - 1, Body: act.Route{Yards: []string{"orchard", "mill", "ferry", "larch"}}}
	if got := order(route); got != "ferry larch orchard mill" {
		t.Errorf("by route: %s", got)
	}
	route.From = s.Now + 1
	if got := order(route); got != "larch ferry orchard mill" {
		t.Errorf("by a route of tomorrow: %s", got)
	}
	page := newStand(t, s).page("/")
	if a, b, c := strings.Index(page, `button name="yard" value="larch"`), strings.Index(page, "Another yard"), strings.Index(page, `button name="yard" value="mill"`); a < 0 || a > b || b > c {
		t.Errorf("larch at %d, fold at %d, mill at %d", a, b, c)
	}
}

// A flow outside fills that is newer than the last fill is the last pull, if
// it is more than what drips off a nozzle.
func TestTheLastPull(t *testing.T) {
	s := sample()
	v := *s.View
	v.Fills = append([]ledger.Fill(nil), v.Fills...)
	last := &v.Fills[len(v.Fills)-1]
	last.Open = false
	v.Loose = append([]ledger.Loose(nil), v.Loose...)
	s.View = &v
	add := func(volume quantity.Volume, start int64) {
		v.Loose = append(v.Loose, ledger.Loose{Session: 1, First: last.Last, Last: last.Last + 90, Start: start, Volume: volume, Yard: "mill", Why: "dribble"})
	}
	add(20*quantity.Millilitre, last.Start+1e9)
	if got := newModel(s).pull(); got.Pull != fmt.Sprint(1, " ", last.First) {
		t.Errorf("after a drip: %+v", got)
	}
	v.At = last.Start + 60e9
	add(300*quantity.Millilitre, last.Start+2e9)
	if got := newModel(s).pull(); got.Pull != fmt.Sprint(1, " ", last.Last) || !strings.HasSuffix(got.Text, "Mill Bottom, outside fills") {
		t.Errorf("after a flow outside fills: %+v", got)
	}
	v.Loose[len(v.Loose)-1].End = v.At - 1e9
	if got := newModel(s).pull(); !strings.HasSuffix(got.Text, "Mill Bottom, still flowing") {
		t.Errorf("after a flow that may yet be a fill: %+v", got)
	}
	page := newStand(t, s).page("/")
	if n := strings.Count(page, "<option"); n != lastFlows {
		t.Errorf("%d earlier pulls to choose from, want %d", n, lastFlows)
	}
	s.View = &ledger.View{}
	if page := newStand(t, s).page("/"); !strings.Contains(page, "Nothing has flowed tonight yet.") || strings.Contains(page, "<select") {
		t.Error("a night without flow has pulls")
	}
}

// How a visit stands is said beside the button that tells all of it.
func TestSoFar(t *testing.T) {
	for _, c := range []struct {
		x    ledger.Visit
		want string
	}{
		{ledger.Visit{Fills: 17, Colonies: 18, Skipped: 1}, "17 fills, 1 skipped, of 18 colonies: adds up."},
		{ledger.Visit{Fills: 17, Colonies: 18, Missing: 1}, "17 fills, of 18 colonies: 1 colony is not told of yet."},
		{ledger.Visit{Fills: 14, Colonies: 18, Dead: 1, Sharing: 1, Missing: 2}, "14 fills, 1 dead, 1 sharing another’s fill, of 18 colonies: 2 colonies are not told of yet."},
		{ledger.Visit{Fills: 20, Colonies: 18, Twice: 1, Missing: -1}, "20 fills, 1 with two feeders, of 18 colonies: 1 fill more than that makes."},
		{ledger.Visit{Fills: 18, Colonies: 18, Unsure: 1}, "17 or 18 fills, of 18 colonies: adds up with 18."},
		{ledger.Visit{Fills: 18, Colonies: 18, Unsure: 1, Perhaps: 1, Told: true}, "17 to 19 fills, of 18 colonies: adds up with 18, and all is told, but not every pull is sure."},
		{ledger.Visit{Fills: 18, Colonies: 18, Told: true}, "18 fills, of 18 colonies: adds up, and all is told."},
		{ledger.Visit{Fills: 1, Colonies: 1}, "1 fill, of 1 colony: adds up."},
		{ledger.Visit{Fills: 3}, "3 fills; how many colonies stand there was not said, so nothing can add up."},
	} {
		s := finished()
		c.x.Yard, c.x.From, c.x.To = "mill", s.View.Visits[1].From, s.View.Visits[1].To
		s.View.Visits[1], s.View.Here.Yard = c.x, "mill"
		if got := newModel(s).soFar(); got != (soFarModel{"mill", "Mill Bottom: " + c.want}) {
			t.Errorf("got %+v, want %q", got, c.want)
		}
	}
	s := finished()
	s.View.Here.Yard = "larch"
	if got := newModel(s).soFar(); got != (soFarModel{Text: "Larch Bank: nothing was fed yet."}) {
		t.Errorf("%+v", got)
	}
	s = &Snapshot{View: &ledger.View{}, Zone: zone, Now: at(21, 0, 0)}
	if page := newStand(t, s).page("/"); !strings.Contains(page, "No yard is known here, so no colonies can add up.") || strings.Contains(page, `name="yard" value="mill"`) {
		t.Error("without a yard, there is one to tell of")
	}
	// What cannot be used is said after the tap.
	st := newStand(t, sample())
	if page := st.page("/"); !strings.Contains(page, `name="yard" value="mill">Mill Bottom: `) {
		t.Error("the yard in hand is not beside the button")
	}
	st.post("/say/colony", "what=all+told&yard=mill&token=a")
	s = sample()
	s.View.Review = []ledger.Review{{Act: "act-0", Why: "all is told, but there are 5 fills fewer than colonies to feed"}}
	st.feed.set(s)
	if page := st.page("/?said=act-0"); !strings.Contains(page, "All told at Mill Bottom. It cannot be used as it was meant: all is told, but there are 5 fills fewer than colonies to feed.") {
		t.Error("why it cannot be used is not said")
	}
}

// unsure is the sample with pulls that may be something else: two of the visit
// in hand, one of the visit before.
func unsure() *Snapshot {
	s := sample()
	v := s.View
	v.Loose[0].Or = outing.AFill
	mill := -1
	for i := range v.Fills {
		if f := &v.Fills[i]; f.Yard == "mill" && mill < 0 {
			mill = i
		}
	}
	v.Fills[mill].Or = outing.Priming
	for i := range v.Fills[mill:] {
		if f := &v.Fills[mill+i]; f.TopUp {
			f.Or = outing.AFill
		}
	}
	last := &v.Visits[len(v.Visits)-1]
	last.Unsure, last.Perhaps, v.Visits[0].Perhaps = 1, 1, 1
	return s
}

func TestDoubtfulPullsAreAsked(t *testing.T) {
	s := unsure()
	v := s.View
	m := newModel(s)
	fs := m.doubtfulPulls()
	if len(fs) != 3 || fs[0].yard != "mill" || fs[1].yard != "mill" || fs[2].yard != "orchard" || fs[0].start > fs[1].start {
		t.Fatalf("%+v", fs)
	}
	want := m.hundredths(fs[0].volume) + " at " + m.clock(fs[0].start) + ", Mill Bottom: a colony’s fill, or priming?"
	ask := m.ask()
	if ask.Text != want || ask.Pull != fs[0].pull() || ask.More != "2 more are not sure; asked next." ||
		!reflect.DeepEqual(ask.Answers, []pullAnswer{{act.AsFill, "A colony’s fill"}, {act.AsPriming, "Priming"}}) {
		t.Errorf("%+v, want %q", ask, want)
	}
	// The page has the question with its answers, then the others, in its list first.
	st := newStand(t, s)
	page := st.page("/")
	list := page[strings.Index(page, `<select id="which"`):]
	options := regexp.MustCompile(`<option value="([^"]*)">([^<]*)<`).FindAllStringSubmatch(list, -1)
	if len(options) < 3 || options[0][1] != fs[1].pull() || !strings.HasSuffix(options[0][2], "gal: top-up or fill?") ||
		options[1][1] != fs[2].pull() || !strings.HasSuffix(options[1][2], "gal: priming or fill?") || strings.Contains(options[2][2], "?") {
		t.Errorf("%q", options)
	}
	for _, o := range options {
		if o[1] == fs[0].pull() {
			t.Errorf("asked, and listed besides: %q", o)
		}
	}
	// One tap settles it, and the next is asked.
	w := st.post("/say/deem", url.Values{"pull": {ask.Pull}, "as": {ask.Answers[1].As}, "token": {"a"}}.Encode())
	if said := st.said(); w.Code != 303 || len(said) != 1 || said[0].Body != (act.Deem{Session: fs[0].session, First: fs[0].first, Last: fs[0].last, As: act.AsPriming}) {
		t.Fatalf("status %d, said %+v", w.Code, said)
	}
	for i := range v.Fills {
		if v.Fills[i].First == fs[0].first {
			v.Fills[i].Or = ""
		}
	}
	if next := newModel(s).ask(); next.Pull != fs[1].pull() || next.More != "1 more is not sure; asked next." {
		t.Errorf("next is %+v", next)
	}
	// What flows still, or what nobody can say, is not asked.
	for i := range v.Fills {
		v.Fills[i].Or = ""
	}
	v.Fills[len(v.Fills)-1].Or, v.Loose[0].Or = outing.Flush, ""
	v.Loose[1].Why, v.Loose[1].Or = outing.Unseen, outing.AFill
	if got := newModel(s).ask(); !reflect.DeepEqual(got, askModel{}) {
		t.Errorf("asked: %+v", got)
	}
	if page := newStand(t, s).page("/"); strings.Contains(page, "Not sure what it was") {
		t.Error("there is a question without a doubt")
	}
}

// A yard's name is a person's text, wherever it stands.
func TestNamesInQuestions(t *testing.T) {
	s := unsure()
	for i := range s.View.Yards {
		s.View.Yards[i].Name = `<img src=x onerror="alert(1)">`
	}
	st := newStand(t, s)
	st.post("/say/colony", "what=all+told&yard=mill&token=a")
	page := get(t, st.h, "/?said=act-0", st.cookie).Body.String()
	if strings.Contains(page, "<img") {
		t.Error("a yard's name comes as markup")
	}
	for _, want := range []string{"All told at &lt;img", ", &lt;img src=x onerror=&#34;alert(1)&#34;&gt;: a colony’s fill, or priming?", `value="mill">&lt;img`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
}

// In a phone's hand, with all that can be said: light, nothing inline, and all
// of it with a label.
func TestThePageWithTaps(t *testing.T) {
	st := newStand(t, many(300))
	for i := range 10 {
		st.post("/say/colony", "what=skipped&token="+strconv.Itoa(i))
		st.now = st.now.Add(time.Minute)
	}
	page := st.page("/?said=act-9")
	sum := len(page)
	for _, p := range []string{"/style.css", "/live.js", "/mark.svg"} {
		sum += get(t, st.h, p, st.cookie).Body.Len()
	}
	t.Logf("page with 300 fills and all taps, all told: %d bytes", sum)
	if sum >= 100_000 {
		t.Errorf("%d bytes, want less than 100000", sum)
	}
	for _, bad := range []string{"style=", "<style", "onclick", "javascript:"} {
		if strings.Contains(page, bad) {
			t.Errorf("the page has %q", bad)
		}
	}
	if n := strings.Count(page, `name="act" value=`); n != 1+lastSaid {
		t.Errorf("%d ways back, want %d", n, 1+lastSaid)
	}
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if ids[m[1]] {
			t.Errorf("id %q stands twice", m[1])
		}
		ids[m[1]] = true
	}
	for _, m := range regexp.MustCompile(`<(?:select|input)[^>]*>`).FindAllString(page, -1) {
		id := regexp.MustCompile(` id="([^"]*)"`).FindStringSubmatch(m)
		if !strings.Contains(m, `type="hidden"`) && (id == nil || !strings.Contains(page, `<label for="`+id[1]+`"`)) {
			t.Errorf("no label: %s", m)
		}
	}
}
