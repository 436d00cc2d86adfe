package dashboard

import (
	"encoding/csv"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"yardtally/dashboard/report"
	"yardtally/meter/watch"
)

func houseOf(snaps map[string]*Snapshot, names ...string) http.Handler {
	o := HouseOptions{Version: "test", Notices: func() []Notice { return []Notice{{Text: "The disk is full."}} }}
	for _, n := range names {
		o.Rigs = append(o.Rigs, Options{Feed: newFeed(snaps[n]), Rig: n, Version: "test"})
	}
	return NewHouse(o)
}

func askFor(t *testing.T, h http.Handler, path string) string {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	if w.Code != http.StatusOK {
		t.Fatalf("%s: status %d", path, w.Code)
	}
	return w.Body.String()
}

// Who needs somebody stands first, then who is out, then who stands at home;
// volumes are those of the rigs' own pages, and add up as they are printed.
func TestHousePage(t *testing.T) {
	home := sample()
	home.Now += 3 * 24 * 3600e9
	snaps := map[string]*Snapshot{"avocet": {Zone: sample().Zone}, "dunlin": home, "heron": sample(), "plover": ailing(nil, of(watch.Kink))}
	snaps["heron"].Watch = nil
	h := houseOf(snaps, "avocet", "dunlin", "heron", "plover")
	rows, err := csv.NewReader(strings.NewReader(askFor(t, h, "/rigs.csv"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	sum := 0.0
	for _, r := range rows[1:] {
		got = append(got, r[0]+" "+r[1])
		if r[4] == "" {
			continue
		}
		v, err := strconv.ParseFloat(r[4], 64)
		if err != nil {
			t.Fatal(err)
		}
		sum += v
		if own := askFor(t, h, "/rigs/"+r[0]+"/"); !strings.Contains(own, ">"+r[4]+"<") {
			t.Errorf("%s: %s is not on its own page", r[0], r[4])
		}
	}
	if want := "plover needs somebody, heron out, avocet not heard, dunlin standing"; strings.Join(got, ", ") != want {
		t.Errorf("got  %s\nwant %s", strings.Join(got, ", "), want)
	}
	if !strings.Contains(rows[1][7], "kink") || rows[4][4] != "" {
		t.Errorf("%q", rows)
	}
	page := askFor(t, h, "/")
	total := report.Fixed(int64(sum*100+0.5), 100)
	for _, want := range []string{"1 needs somebody, 1 out, 2 standing.", ">" + total + "<", "The disk is full.", `href="/rigs/plover/"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// Of a rig's page, what its templates link to is the rig's; what a person wrote
// stays as it was written, and what all have together too.
func TestUnder(t *testing.T) {
	s := &server{base: "/rigs/heron"}
	for in, want := range map[string]string{
		`<a href="/">`:                               `<a href="/rigs/heron/">`,
		`<a href="/mix#answer">`:                     `<a href="/rigs/heron/mix#answer">`,
		`<form action="/say/ack#heard">`:             `<form action="/rigs/heron/say/ack#heard">`,
		`<button formaction="/say/shelve">`:          `<button formaction="/rigs/heron/say/shelve">`,
		`<script src="/live.js?1">`:                  `<script src="/rigs/heron/live.js?1">`,
		`<link href="/style.css?1">`:                 `<link href="/style.css?1">`,
		`<a href="/rigs">`:                           `<a href="/rigs">`,
		`<form action="/look">`:                      `<form action="/look">`,
		`<input name="from" value="/mix">`:           `<input name="from" value="/rigs/heron/mix">`,
		`<input name="name" value="/mix">`:           `<input name="name" value="/mix">`,
		`say href=&#34;/mix&#34;`:                    `say href=&#34;/mix&#34;`,
		`<a href="#tell"><a href="/a"><a href="/b">`: `<a href="#tell"><a href="/rigs/heron/a"><a href="/rigs/heron/b">`,
	} {
		if got := s.under(in); got != want {
			t.Errorf("%s: got %s, want %s", in, got, want)
		}
		if got := (&server{}).under(in); got != in {
			t.Errorf("one rig alone: %s became %s", in, got)
		}
	}
}

// The choice of night or day leads back to the page where it was made, and
// nowhere else.
func TestHouseLook(t *testing.T) {
	h := houseOf(map[string]*Snapshot{"heron": sample()}, "heron")
	for from, want := range map[string]string{
		"/": "/", "/rigs/heron/mix": "/rigs/heron/mix", "/rigs/heron/": "/rigs/heron/", "/rigs/plover/mix": "/", "//example.net": "/", "/rigs/heron//example.net": "/rigs/heron/",
	} {
		r := httptest.NewRequest(http.MethodPost, "/look", strings.NewReader(url.Values{"look": {"day"}, "from": {from}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if got := w.Header().Get("Location"); w.Code != http.StatusSeeOther || got != want {
			t.Errorf("from %s: status %d to %q, want %q", from, w.Code, got, want)
		}
	}
}
