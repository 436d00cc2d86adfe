package door

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

const right, other = "four cold wet gloves", "a different set of words"

// rig is a door in a folder of its own, before a page that says what it is.
type rig struct {
	*Door
	http.Handler
	o     Options
	now   time.Time
	calls int // of the page
}

var clockStart = time.Date(2026, 10, 9, 21, 0, 0, 0, time.UTC)

func newRig(t *testing.T, change func(*Options)) *rig {
	t.Helper()
	dir := t.TempDir()
	r := &rig{now: clockStart}
	r.o = Options{Passphrase: filepath.Join(dir, "passphrase"), Sessions: filepath.Join(dir, "sessions"), Rig: "heron",
		Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return r.now }}
	if change != nil {
		change(&r.o)
	}
	r.reopen(t)
	return r
}

// reopen is a restart of the board.
func (r *rig) reopen(t *testing.T) {
	t.Helper()
	var err error
	if r.Door, err = New(r.o); err != nil {
		t.Fatal(err)
	}
	r.Handler = r.Wrap(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		r.calls++
		fmt.Fprintf(w, "readings %d", Of(q.Context()))
	}))
}

func (r *rig) set(t *testing.T, passphrase string) {
	t.Helper()
	if err := Set(r.o.Passphrase, passphrase); err != nil {
		t.Fatal(err)
	}
}

func (r *rig) do(q *http.Request, cookies ...*http.Cookie) *http.Response {
	for _, c := range cookies {
		q.AddCookie(c)
	}
	w := httptest.NewRecorder()
	r.ServeHTTP(w, q)
	return w.Result()
}

func post(path string, v url.Values) *http.Request {
	q := httptest.NewRequest("POST", path, strings.NewReader(v.Encode()))
	q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	q.Header.Set("Accept", "text/html")
	q.Header.Set("Origin", "http://example.com") // httptest's host
	return q
}

func (r *rig) enterFrom(remote, passphrase string) *http.Response {
	q := post("/enter", url.Values{"passphrase": {passphrase}, "to": {"/tonight.csv"}})
	q.RemoteAddr = remote
	return r.do(q)
}

func (r *rig) signIn(t *testing.T, passphrase string) *http.Cookie {
	t.Helper()
	res := r.enterFrom("192.0.2.7:4000", passphrase)
	if res.StatusCode != http.StatusSeeOther || len(res.Cookies()) != 1 {
		t.Fatalf("signing in: status %d, cookies %v", res.StatusCode, res.Cookies())
	}
	return res.Cookies()[0]
}

func get(path string) *http.Request { return httptest.NewRequest("GET", path, nil) }

func body(res *http.Response) string {
	b, _ := io.ReadAll(res.Body)
	return string(b)
}

// Every door, from every standing: who may pass, and what the others are told.
func TestDoors(t *testing.T) {
	tried := 0
	for _, c := range []struct {
		name          string
		open, set, in bool
	}{
		{"closed, none set", false, false, false},
		{"closed, signed out", false, true, false},
		{"closed, signed in", false, true, true},
		{"open, none set", true, false, false},
		{"open, signed out", true, true, false},
		{"open, signed in", true, true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, func(o *Options) { o.ReadingOpen = c.open })
			var cookies []*http.Cookie
			if c.set {
				r.set(t, right)
			}
			if c.in {
				cookies = append(cookies, r.signIn(t, right))
			}
			for _, method := range []string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND"} {
				for _, path := range []string{"/", "/live", "/tonight.csv", "/tonight.json", "/yards.csv", "/yards.json", "/live.js", "/look",
					"/anything/else", "/mark.svg", "/style.css", "//", "/./live", "/enter/", "/Enter"} {
					for _, accept := range []string{"", "*/*", "text/html,application/xhtml+xml", "text/event-stream", "application/json"} {
						tried++
						reading := method == "GET" || method == "HEAD"
						free := reading && (path == "/mark.svg" || path == "/style.css") || method == "POST" && path == "/look"
						want := c.in || free || c.open && reading
						q := httptest.NewRequest(method, "http://example.com"+path, nil)
						q.Header.Set("Accept", accept)
						before := r.calls
						res := r.do(q, cookies...)
						passed := r.calls > before
						if redirect := res.StatusCode == http.StatusTemporaryRedirect || res.StatusCode == http.StatusMovedPermanently; redirect {
							continue // http.ServeMux cleans the path; the clean one is tried too
						}
						if passed != want {
							t.Errorf("%s %s (%s): passed %v, status %d", method, path, accept, passed, res.StatusCode)
						}
						if passed {
							continue
						}
						html := strings.HasPrefix(accept, "text/html")
						status := http.StatusUnauthorized
						if html && reading {
							status = http.StatusSeeOther
						}
						if res.StatusCode != status || res.Header.Get("Cache-Control") != "no-store" ||
							!html && res.Header.Get("WWW-Authenticate") == "" {
							t.Errorf("%s %s (%s): status %d, want %d; %v", method, path, accept, res.StatusCode, status, res.Header)
						}
						if to := res.Header.Get("Location"); status == http.StatusSeeOther && !strings.HasPrefix(to, "/enter?to=%2F") {
							t.Errorf("%s %s: sent to %q", method, path, to)
						}
						if strings.Contains(body(res), "readings") && !html && c.set {
							t.Errorf("%s %s: the page's own words in a refusal", method, path)
						}
					}
				}
			}
		})
	}
	t.Logf("%d doors tried", tried)
}

func TestSignInAndOut(t *testing.T) {
	for _, secure := range []bool{false, true} {
		r := newRig(t, func(o *Options) { o.Secure = secure })
		r.set(t, right)
		res := r.enterFrom("192.0.2.7:4000", right)
		c := res.Cookies()[0]
		if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/tonight.csv" {
			t.Errorf("status %d to %q", res.StatusCode, res.Header.Get("Location"))
		}
		name := "yardtally"
		if secure {
			name = "__Host-yardtally"
		}
		if c.Name != name || !c.HttpOnly || c.Secure != secure || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" ||
			c.MaxAge != 30*24*3600 || len(c.Value) != 43 { // 256 bits in base64
			t.Errorf("cookie %+v", c)
		}
		if again := r.signIn(t, right); again.Value == c.Value {
			t.Error("two devices hold the same token")
		}
		if got := body(r.do(get("/"), c)); got != "readings 2" {
			t.Errorf("signed in: %q", got)
		}
		page := body(r.do(get("/enter"), c))
		if !strings.Contains(page, "Sign out") || strings.Contains(page, `type="password"`) {
			t.Errorf("the form shows to a device that is in: %s", page)
		}
		res = r.do(post("/leave", nil), c)
		if res.StatusCode != http.StatusSeeOther || res.Cookies()[0].MaxAge != -1 {
			t.Errorf("signing out: %d, %v", res.StatusCode, res.Cookies())
		}
		if res := r.do(get("/"), c); res.StatusCode != http.StatusUnauthorized {
			t.Errorf("signed out, the token still opens: %d", res.StatusCode)
		}
		r.reopen(t)
		if res := r.do(get("/"), c); res.StatusCode != http.StatusUnauthorized {
			t.Errorf("signed out, the token opens after a restart: %d", res.StatusCode)
		}
	}
}

func TestSessions(t *testing.T) {
	r := newRig(t, nil)
	r.set(t, right)
	c := r.signIn(t, right)
	in := func() bool { return r.do(get("/"), c).StatusCode == http.StatusOK }
	data, err := os.ReadFile(r.o.Sessions)
	if err != nil || bytes.Contains(data, []byte(c.Value)) || !bytes.Contains(data, []byte(digest(c.Value))) {
		t.Errorf("the file must hold the token's digest only: %s, %v", data, err)
	}
	if info, err := os.Stat(r.o.Sessions); err != nil || info.Mode() != 0o640 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	r.reopen(t)
	if !in() {
		t.Error("a restart signs out")
	}
	for range 3 { // sliding: in use now and then, for longer than its life
		r.now = r.now.Add(sessionLife - time.Hour)
		res := r.do(get("/"), c)
		if res.StatusCode != http.StatusOK || len(res.Cookies()) != 1 || res.Cookies()[0].Value != c.Value {
			t.Errorf("in use, after %v: status %d, cookies %v", r.now.Sub(clockStart), res.StatusCode, res.Cookies())
		}
		if res := r.do(get("/"), c); len(res.Cookies()) != 0 {
			t.Error("the cookie is renewed at each request")
		}
		r.reopen(t)
	}
	r.now = r.now.Add(-40 * 24 * time.Hour) // a clock set back
	if !in() {
		t.Error("a clock set back signs out")
	}
	r.now = r.now.Add(40*24*time.Hour + sessionLife)
	if in() {
		t.Error("a session lives for ever")
	}

	c = r.signIn(t, right)
	r.set(t, other)
	if in() {
		t.Error("a new passphrase leaves an old session")
	}
	r.set(t, right)
	if in() {
		t.Error("the same words set anew leave an old session")
	}
	if err := os.WriteFile(r.o.Sessions, []byte("not JSON"), 0o640); err != nil {
		t.Fatal(err)
	}
	r.reopen(t)
	c = r.signIn(t, right)
	os.Remove(r.o.Passphrase)
	if in() {
		t.Error("without a passphrase a session opens")
	}
	for _, v := range []string{"", "x", digest(c.Value), strings.Repeat("x", 5000)} {
		if res := r.do(get("/"), &http.Cookie{Name: c.Name, Value: v}); res.StatusCode == http.StatusOK {
			t.Errorf("cookie %.20q opens", v)
		}
	}
}

func TestSessionsAreBounded(t *testing.T) {
	s := loadSessions(filepath.Join(t.TempDir(), "s"), slog.New(slog.DiscardHandler))
	first := s.open("m", clockStart)
	second := s.open("m", clockStart.Add(1*time.Second))
	for i := range 3 * mostSession {
		s.use(first, "m", clockStart.Add(time.Duration(i+2)*time.Second), true)
		s.open("m", clockStart.Add(time.Duration(i+2)*time.Second))
	}
	now := clockStart.Add(time.Hour)
	if in, _ := s.use(first, "m", now, true); !in || len(s.all) != mostSession {
		t.Errorf("%d sessions; the one always in use: %v", len(s.all), in)
	}
	if in, _ := s.use(second, "m", now, true); in {
		t.Error("the one unused for longest is still there")
	}
	if data, err := os.ReadFile(s.path); err != nil || len(data) > mostStore/4 {
		t.Errorf("file of %d bytes, %v", len(data), err)
	}
	if again := loadSessions(s.path, s.log); len(again.all) != mostSession {
		t.Errorf("%d read again", len(again.all))
	}
	s.path = "/nowhere/at/all" // a full card: who is in stays in
	tok := s.open("m", now)
	if in, _ := s.use(tok, "m", now, true); !in {
		t.Error("a file that cannot be written keeps people out")
	}
}

// A page that stays open ends with its session.
func TestLongRequestEndsWithItsSession(t *testing.T) {
	for name, end := range map[string]func(*rig, *http.Cookie){
		"signed out":     func(r *rig, c *http.Cookie) { r.do(post("/leave", nil), c) },
		"new passphrase": func(r *rig, _ *http.Cookie) { r.set(t, other) },
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, nil)
			r.set(t, right)
			c := r.signIn(t, right)
			synctest.Test(t, func(t *testing.T) {
				var ended error
				h := r.Wrap(http.HandlerFunc(func(_ http.ResponseWriter, q *http.Request) {
					<-q.Context().Done()
					ended = q.Context().Err()
				}))
				q := get("/live")
				q.AddCookie(c)
				done := make(chan struct{})
				go func() { h.ServeHTTP(httptest.NewRecorder(), q); close(done) }()
				time.Sleep(time.Minute)
				synctest.Wait()
				select {
				case <-done:
					t.Fatal("ended by itself")
				default:
				}
				end(r, c)
				<-done
				if ended != context.Canceled {
					t.Error(ended)
				}
			})
		})
	}
}

// A form of another site is refused, also where the browser says only where
// the form came from (plain HTTP: Fetch Metadata is for secure contexts).
func TestFormsOfOtherSites(t *testing.T) {
	r := newRig(t, nil)
	r.set(t, right)
	c := r.signIn(t, right)
	for _, x := range []struct {
		site, origin string
		want         int
	}{
		{"same-origin", "", 200}, {"none", "", 200}, {"", "http://example.com", 200},
		{"cross-site", "", 403}, {"same-site", "", 403}, {"", "http://evil.example", 403}, {"", "null", 403},
		{"", "http://example.com:81", 403}, {"", "https://example.com.evil.example", 403},
	} {
		for _, path := range []string{"/change", "/enter", "/leave"} {
			q := post(path, url.Values{"passphrase": {right}})
			q.Header.Del("Origin")
			q.Header.Set("Sec-Fetch-Site", x.site)
			if x.site == "" {
				q.Header.Del("Sec-Fetch-Site")
				q.Header.Set("Origin", x.origin)
			}
			res := r.do(q, c)
			if (res.StatusCode == 403) != (x.want == 403) {
				t.Errorf("%s from %q %q: status %d", path, x.site, x.origin, res.StatusCode)
			}
		}
		c = r.signIn(t, right)
	}
}

func TestWhereToGo(t *testing.T) {
	for in, want := range map[string]string{
		"/": "/", "/tonight.csv": "/tonight.csv", "/night?date=2026-10-09": "/night?date=2026-10-09", "/a/b/": "/a/b/", "/a%20b": "/a%20b",
		"": "/", "//evil.example": "/", "///evil.example": "/", `/\evil.example`: "/", `\\evil.example`: "/", "https://evil.example/": "/",
		"javascript:alert(1)": "/", "/\tx": "/", "/a\r\nSet-Cookie: x=y": "/", "evil.example": "/", "/.//evil.example": "/", "/..//evil.example": "/",
		"/a/../..//evil.example": "/", "/enter": "/", "/enter?to=/": "/", "/leave": "/", "/live": "/", "http:evil.example": "/",
		"/" + strings.Repeat("a", 600): "/", "/é": "/", "/%2f/evil.example": "/", "@evil.example": "/", "/x#y": "/x",
	} {
		if got := local(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	r := newRig(t, nil)
	r.set(t, right)
	for _, to := range []string{"//evil.example", `/\evil.example`, "https://evil.example"} {
		res := r.do(post("/enter", url.Values{"passphrase": {right}, "to": {to}}))
		if res.StatusCode != 303 || res.Header.Get("Location") != "/" {
			t.Errorf("%q: %d to %q", to, res.StatusCode, res.Header.Get("Location"))
		}
	}
	// What was asked for comes back through the form.
	q := get("/night?date=2026-10-09&x=%22%3E")
	q.Header.Set("Accept", "text/html")
	res := r.do(q)
	page := body(r.do(get(res.Header.Get("Location"))))
	if !strings.Contains(page, `name="to" value="/night?date=2026-10-09&amp;x=%22%3E"`) {
		t.Errorf("the form forgets where to go: %s", page)
	}
}

type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

// Neither passphrase, nor token, nor hash is ever logged or shown.
func TestNoSecretsInLogsAndPages(t *testing.T) {
	var log safeBuffer
	r := newRig(t, func(o *Options) {
		o.Log = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	const marker, wrong = "marker right passphrase", "marker wrong passphrase"
	r.set(t, marker)
	s := httptest.NewUnstartedServer(r)
	s.Config = NewServer(t.Context(), r, r.o.Log)
	s.Start()
	defer s.Close()
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	var pages, token string
	for _, p := range []string{wrong, marker, "marker short", "marker \x00 control", strings.Repeat("marker", 100), "marker\xff"} {
		res, err := client.PostForm(s.URL+"/enter", url.Values{"passphrase": {p}})
		if err != nil {
			t.Fatal(err)
		}
		pages += body(res)
		for _, c := range res.Cookies() {
			token = c.Value
		}
	}
	res, err := client.Get(s.URL + "/enter?passphrase=" + url.QueryEscape(marker) + "&to=/")
	if err != nil {
		t.Fatal(err)
	}
	pages += body(res)
	if token == "" {
		t.Fatal("nobody got in")
	}
	for _, bad := range []string{"//", "x"} { // a client that net/http itself complains of
		q, _ := http.NewRequest("GET", s.URL+"/"+bad, nil)
		q.AddCookie(&http.Cookie{Name: "yardtally", Value: token})
		if res, err := client.Do(q); err == nil {
			pages += body(res)
		}
	}
	p, err := Load(r.o.Passphrase)
	if err != nil {
		t.Fatal(err)
	}
	all := log.b.String() + pages + fmt.Sprintf("%v %+v %#v %s", p, p, p, p)
	for _, secret := range []string{"marker", url.QueryEscape(marker), token, digest(token), fmt.Sprint(p.kept.Hash), fmt.Sprintf("%x", p.kept.Hash)} {
		if strings.Contains(all, secret) {
			t.Errorf("%q is shown in: %s", secret, all)
		}
	}
	if !strings.Contains(log.b.String(), "a wrong passphrase was given") || !strings.Contains(log.b.String(), "signed in") {
		t.Errorf("the owner is told nothing: %s", log.b.String())
	}
}

func TestPage(t *testing.T) {
	r := newRig(t, nil)
	page := body(r.do(get("/enter")))
	if !strings.Contains(page, "yardtally passphrase") || strings.Contains(page, "<input") || !strings.Contains(r.Advice(), "yardtally passphrase") {
		t.Errorf("nothing says how to set a passphrase: %s; %s", page, r.Advice())
	}
	r.set(t, right)
	if a := r.Advice(); a != "" {
		t.Errorf("advice %q", a)
	}
	page = body(r.do(get("/enter")))
	for _, want := range []string{`lang="en"`, "<label for=\"passphrase\">", `type="password"`, `autocomplete="current-password"`, "<h1>",
		`name="viewport"`, `method="post"`, `maxlength="256"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	for _, bad := range []string{"<script", "style=", "http://", "https://", "onsubmit"} {
		if strings.Contains(page, bad) {
			t.Errorf("the page has %s", bad)
		}
	}
	res := r.enterFrom("192.0.2.9:1", other)
	page = body(res)
	if res.StatusCode != 403 || !strings.Contains(page, `role="alert"`) || !strings.Contains(page, `aria-describedby="wrong"`) ||
		!strings.Contains(page, "That is not the passphrase.") || !strings.Contains(page, "<title>Not signed in") {
		t.Errorf("a wrong passphrase: %d %s", res.StatusCode, page)
	}
	q := get("/enter")
	q.AddCookie(&http.Cookie{Name: "look", Value: "night"})
	if !strings.Contains(body(r.do(q)), `data-look="night"`) {
		t.Error("the page forgets that it is night")
	}
	if res := r.do(httptest.NewRequest("HEAD", "/enter", nil)); res.StatusCode != 200 || res.Header.Get("Cache-Control") != "no-store" {
		t.Errorf("HEAD: %d %v", res.StatusCode, res.Header)
	}
}
