package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"yardtally/dashboard/door"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// goner is a phone that leaves with the first that it is given.
type goner struct {
	*httptest.ResponseRecorder
	leave func()
}

func (g goner) Write(b []byte) (int, error) {
	g.leave()
	return g.ResponseRecorder.Write(b)
}

// until is a wait for what must come at once.
const until = 30 * time.Second

// left serves a request of a phone that leaves with the first that it is given,
// which is when a stream must end.
func left(t *testing.T, h http.Handler, r *http.Request) *httptest.ResponseRecorder {
	t.Helper()
	ctx, leave := context.WithCancel(t.Context())
	defer leave()
	g := goner{httptest.NewRecorder(), leave}
	done := make(chan any, 1)
	go func() {
		defer func() { done <- recover() }()
		h.ServeHTTP(g, r.WithContext(ctx))
	}()
	select {
	case p := <-done:
		if p != nil {
			t.Fatalf("%s %s: %v", r.Method, r.URL, p)
		}
	case <-time.After(until):
		t.Fatalf("%s %s goes on after its reader left", r.Method, r.URL)
	}
	return g.ResponseRecorder
}

// requested makes a request; whatever the path, as net/http hands it on.
func requested(method, path, query, body string) *http.Request {
	r := httptest.NewRequest(method, "/", strings.NewReader(body))
	if body == "" {
		r.Body, r.ContentLength = http.NoBody, 0
	}
	r.URL = &url.URL{Path: path, RawQuery: query}
	return r
}

// Whatever a stream is asked, with whatever header of an event before, it says
// so in a text or streams whole events, and ends with its reader; its place is
// free again, or after 64 of them there would be none.
func FuzzStreams(f *testing.F) {
	st := kit(f)
	paths := []string{"/live", provePath + "/live"}
	fill := st.feed.snap.View.Fills[3]
	for i := range paths {
		for _, q := range []string{"", "said=act-0", "since=hand", "since=1790000000000000000.1.1000", fmt.Sprintf("since=%d.%d.%d&brix=64&wish=0.5+%%25", fill.Start, fill.Session, fill.First),
			"since=1.1.99999999999999999999", "since=-1.-1.-1", "since=" + strings.Repeat("9", 400), "since=<script>", "%zz=;&&=", "full=48.5+lb&empty=2.6+lb&wish=NaN&brix=1e309",
			"since=1790000000000000000.1.1000&temp=9e99+F&how=mass&scale=0.1+lb&repeat=0"} {
			for _, last := range []string{"", "7", "-1", "\x00\r\n", strings.Repeat("x", 1000)} {
				f.Add(uint8(i), q, last, false)
			}
		}
		f.Add(uint8(i), "", "1", true)
	}
	f.Fuzz(func(t *testing.T, which uint8, query, last string, head bool) {
		r := requested("GET", paths[int(which)%len(paths)], query, "")
		if head {
			r.Method = "HEAD"
		}
		r.Header["Last-Event-Id"] = []string{last}
		r.AddCookie(st.cookie)
		w := left(t, st.h, r)
		text := w.Body.String()
		switch {
		case w.Code >= 400 && w.Code < 500:
			if strings.TrimSpace(text) == "" {
				t.Errorf("%s: status %d, and not a word", r.URL, w.Code)
			}
			return
		case w.Code != 200 || w.Header().Get("Content-Type") != "text/event-stream":
			t.Fatalf("%s: status %d, %v: %s", r.URL, w.Code, w.Header(), text)
		case head:
			if text != "" {
				t.Errorf("HEAD %s: %q", r.URL, text)
			}
			return
		}
		rest, ok := strings.CutPrefix(text, "retry: 2000\n\n")
		if !ok || !strings.HasSuffix(rest, "\n\n") {
			t.Errorf("%s: no whole stream: %q", r.URL, text)
		}
		beats := 0
		for _, e := range strings.Split(strings.TrimSuffix(rest, "\n\n"), "\n\n") {
			name, data, _ := strings.Cut(strings.TrimPrefix(e, "event: "), "\ndata: ")
			var p part
			var b beat
			var err error
			switch name {
			case "part":
				if err = json.Unmarshal([]byte(data), &p); p.HTML == "" && p.ID == "count" || strings.Contains(p.HTML, "<script") {
					t.Errorf("%s: part %q is %q", r.URL, p.ID, p.HTML)
				}
			case "beat":
				beats++
				err = json.Unmarshal([]byte(data), &b)
			default:
				t.Errorf("%s: event %q", r.URL, e)
			}
			if err != nil || strings.ContainsAny(data, "\r\n") {
				t.Errorf("%s: event %s: %q: %v", r.URL, name, data, err)
			}
		}
		if beats != 1 {
			t.Errorf("%s: %d beats", r.URL, beats)
		}
	})
}

// farm is a house of two rigs with a book of its own, behind a door that lets
// everybody read.
type farm struct {
	h     http.Handler
	in    *http.Cookie
	books map[string]*book // of the rigs; "": of the house
	said  bytes.Buffer     // log
}

func newFarm(f *testing.F) *farm {
	st := kit(f)
	x := &farm{in: st.cookie, books: map[string]*book{}}
	log := slog.New(slog.NewTextHandler(&x.said, nil))
	var o HouseOptions
	all := &Snapshot{Units: st.feed.snap.Units, Zone: st.feed.snap.Zone, Currency: "$", Now: st.feed.snap.Now, Speed: 1}
	for _, rig := range []string{"heron", "wren"} {
		snap, view := *st.feed.snap, *st.feed.snap.View
		view.Rig = rig
		snap.View = &view
		feed := newFeed(&snap)
		x.books[rig] = &book{feed: feed, acts: st.said()}
		for i := range x.books[rig].acts {
			x.books[rig].acts[i].Rig = rig
		}
		all.Rigs = append(all.Rigs, &view)
		o.Rigs = append(o.Rigs, Options{Feed: feed, Said: x.books[rig], Books: x.books[rig], Rig: rig, Version: "0.1.0", Log: log})
	}
	all.View = ledger.Together(all.Rigs)
	feed := newFeed(all)
	x.books[""] = &book{feed: feed, acts: st.said()}
	for i := range x.books[""].acts {
		x.books[""].acts[i].Rig = act.House
	}
	o.Books = &Options{Feed: feed, Said: x.books[""], Books: x.books[""], Rig: "the house", House: true, Version: "0.1.0", Log: log}
	o.Version, o.Log = "0.1.0", log
	dir := f.TempDir()
	pass, sessions := filepath.Join(dir, "passphrase"), filepath.Join(dir, "sessions")
	write(f, pass, signedIn.pass)
	write(f, sessions, signedIn.sessions)
	d, err := door.New(door.Options{Passphrase: pass, Sessions: sessions, ReadingOpen: true, Rig: "the house"})
	if err != nil {
		f.Fatal(err)
	}
	x.h = d.Wrap(NewHouse(o))
	return x
}

// Whatever path of a house is asked for, by whatever method, with whatever
// query or form: it is answered; what is not let in by the door, or comes from
// another site's page, or only asks, keeps nothing; and what is kept is kept by
// the rig of the path, or by the house.
func FuzzHouse(f *testing.F) {
	methods := []string{"GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "get"}
	x := newFarm(f)
	base := map[string][]act.Act{}
	for rig, b := range x.books {
		base[rig] = b.acts
	}
	for _, path := range []string{"", "live", "rigs", "rigs.csv", "rigs.json", "books", "books/statement.csv", "books/balance", "mix", "mix.json", "mark.svg", "rigs/heron/", "rigs/heron", "rigs/wren/live",
		"rigs/heron/meter/prove/live", "rigs/wren/yards/mill", "rigs/wren/yards/%2e%2e", "rigs/egret/", "rigs/heron/books/statement", "rigs/heron/books//example.net", "rigs/heron//example.net", "rigs/heron/../wren/",
		"rigs/heron/rigs/wren/", "/example.net", "../etc", "rigs/heron/tonight.csv", "rigs/\x00/", "\xff"} {
		for m := range methods {
			f.Add(uint8(m), path, "said=act-0&from=x", "", uint8(3))
		}
	}
	fill := x.books["heron"].feed.snap.View.Fills[3]
	for path, form := range map[string]string{"say/arrive": "yard=mill", "say/deem": fmt.Sprintf("as=priming&pull=%d+%d", fill.Session, fill.First), "say/back": "act=mixed", "say/target": "yard=&season=6+gal",
		"who": "name=wren", "clock": "boot=boot+1&mono_ns=499000000000&utc_ms=1790000000000&rtt_ms=40", "look": "look=night&from=/rigs/wren//example.net",
		"meter/prove": "do=keep&since=hand&pulses=543&full=48.5+lb&empty=2.6+lb&temp=68+F&brix=64", "books/write": "way=mix&what=4+bags+%2B+15+gal+water&empty=true&on=2026-10-09&at=17:30", "books/back": "act=bought"} {
		for by := range uint8(4) {
			f.Add(uint8(1), "rigs/wren/"+path, "", form+"&token="+fmt.Sprint(by), by)
			f.Add(uint8(1), path, "", form+"&token="+fmt.Sprint(by), by)
		}
	}
	f.Fuzz(func(t *testing.T, method uint8, path, query, form string, by uint8) {
		if path = "/" + path; path == "/enter" || path == "/leave" {
			return // the door's own, which are slow on purpose
		}
		for rig, b := range x.books {
			b.acts = append([]act.Act(nil), base[rig]...)
		}
		x.said.Reset()
		r := requested(methods[int(method)%len(methods)], path, query, form)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		in, ours := by&1 != 0, by&2 != 0
		if in {
			r.AddCookie(x.in)
		}
		r.Header.Set("Sec-Fetch-Site", map[bool]string{true: "same-origin", false: "cross-site"}[ours])
		w := left(t, x.h, r)
		what := fmt.Sprintf("%s %q?%s %q (signed in: %v, own form: %v)", r.Method, path, query, form, in, ours)
		if w.Code < 200 || w.Code >= 500 || x.said.Len() > 0 {
			t.Errorf("%s: status %d, %s; log: %s", what, w.Code, clip(w.Body.String()), &x.said)
		}
		if w.Code >= 400 && r.Method != "HEAD" && strings.TrimSpace(w.Body.String()) == "" {
			t.Errorf("%s: status %d, and not a word", what, w.Code)
		}
		if to := w.Header().Get("Location"); to != "" {
			if u, err := url.Parse(to); err != nil || u.Host != "" || u.Scheme != "" || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.HasPrefix(to, `/\`) {
				t.Errorf("%s leads to %q", what, to)
			}
		}
		for rig, b := range x.books {
			kept := len(b.acts) - len(base[rig])
			switch {
			case kept == 0:
			case !in || !ours || r.Method != "POST" || w.Code >= 400:
				t.Errorf("%s: status %d, and %d acts are kept", what, w.Code, kept)
			case rig != "" && !strings.HasPrefix(path, "/rigs/"+rig+"/") || rig == "" && !strings.HasPrefix(path, "/books/"):
				t.Errorf("%s keeps %+v in the book of %q", what, b.acts[len(base[rig]):], rig)
			}
		}
	})
}
