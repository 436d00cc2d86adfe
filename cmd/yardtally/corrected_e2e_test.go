package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/source"
	"yardtally/meter/ledger"
)

// recorded is a rig's folder into which a recorded night was imported.
func recorded(t *testing.T) (dir, set string) {
	t.Helper()
	dir = t.TempDir()
	for _, name := range []string{"hand.rec", "heron.toml"} {
		text, err := os.ReadFile(filepath.Join("testdata", name))
		if err != nil {
			t.Fatal(err)
		}
		if name == "heron.toml" { // where commands find it from anywhere
			text = []byte(strings.Replace(string(text), `data = "data"`, "data = "+strconv.Quote(filepath.Join(dir, "data")), 1))
		}
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	set = filepath.Join(dir, "heron.toml")
	call(t, "import", "-settings", set, filepath.Join(dir, "hand.rec"))
	return dir, set
}

// reader is a signed-in browser without script.
type reader struct {
	t      *testing.T
	base   string
	client *http.Client
}

func (r *reader) do(res *http.Response, err error) (path, body string) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		r.t.Fatal(err)
	}
	if res.StatusCode != 200 {
		r.t.Fatalf("%s: status %d: %s", res.Request.URL, res.StatusCode, b)
	}
	return res.Request.URL.RequestURI(), string(b)
}

func (r *reader) get(path string) (body string) {
	r.t.Helper()
	_, body = r.do(r.client.Get(r.base + path))
	return body
}

// say sends a form of a page, with what the page put into it, and returns the
// page that follows.
func (r *reader) say(page, action string, fields url.Values) (path, body string) {
	r.t.Helper()
	form := regexp.MustCompile(`(?s)<form method="post" action="` + regexp.QuoteMeta(action) + `#said"[^>]*>(.*?)</form>`)
	for _, m := range form.FindAllStringSubmatch(r.get(page), -1) {
		sent := url.Values{}
		for _, h := range regexp.MustCompile(`<input type="hidden" name="([a-z]+)" value="([^"]*)">`).FindAllStringSubmatch(m[1], -1) {
			sent.Set(h[1], html.UnescapeString(h[2]))
		}
		fits := true
		for k, v := range fields {
			fits = fits && strings.Contains(m[1], `name="`+k+`"`)
			if sent.Has(k) && sent.Get(k) != v[0] {
				fits = false
			}
			sent[k] = v
		}
		if fits {
			return r.do(r.client.PostForm(r.base+action, sent))
		}
	}
	r.t.Fatalf("%s has no form %s with %v", page, action, fields)
	return "", ""
}

// back takes back what a page says first.
func (r *reader) back(page string) {
	r.t.Helper()
	body := r.get(page)
	m := regexp.MustCompile(`(?s)<div class="told">.*?<input type="hidden" name="page" value="([^"]*)"><button name="act" value="([^"]+)">Take back`).FindStringSubmatch(body)
	if m == nil {
		r.t.Fatalf("%s has nothing to take back: %s", page, body)
	}
	path, body := r.do(r.client.PostForm(r.base+"/say/back", url.Values{"act": {m[2]}, "page": {html.UnescapeString(m[1])}, "token": {"t" + m[2]}}))
	if !strings.Contains(body, "Taken back: ") {
		r.t.Fatalf("%s does not say that it was taken back", path)
	}
}

// What is moved, cut, joined, split and taken back through the pages changes
// totals as the same said by commands does, on a copy of the same recorded night.
func TestCorrectedOnThePages(t *testing.T) {
	_, pageSet := recorded(t)
	_, byHand := recorded(t)
	text, err := os.ReadFile(pageSet)
	if err != nil {
		t.Fatal(err)
	}
	set, err := settings.Parse(pageSet, text)
	if err != nil {
		t.Fatal(err)
	}
	if err := door.Set(filepath.Join(set.Data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	d := &daemon{set: set, clock: source.SystemClock{}, bootID: "corrected", speed: 1, log: slog.New(slog.DiscardHandler)}
	if err := openDaemon(t.Context(), d); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	r := &reader{t, strings.TrimSuffix(pageURL(d.page.Addr(), false), "/"), &http.Client{Jar: jar, Timeout: time.Minute}}
	r.do(r.client.PostForm(r.base+"/enter", url.Values{"passphrase": {tapsPassphrase}}))

	totals := func(set string) string {
		return call(t, "yards", "-settings", set, "-visits", "--csv")
	}
	same := func(what string) {
		t.Helper()
		if a, b := totals(pageSet), totals(byHand); a != b {
			t.Errorf("%s: by the pages\n%s\nby commands\n%s", what, a, b)
		}
	}
	view := func() *ledger.View { return d.desk.Snapshot().View }
	link := func(i int) string {
		f := &view().Fills[i]
		return fmt.Sprintf("/fill?pull=%d+%d", f.Session, f.First)
	}
	before := totals(byHand)
	same("imported")
	undo := func(out string) {
		t.Helper()
		m := regexp.MustCompile(`To take it back: yardtally undo (.*)\n`).FindStringSubmatch(out)
		if m == nil {
			t.Fatal(out)
		}
		call(t, append([]string{"undo", "-settings", byHand}, strings.Fields(m[1])...)...)
	}

	// A move, and taken back.
	path, body := r.say(link(0), "/say/move", url.Values{"yard": {"mill"}})
	if !strings.Contains(body, "Moved to Mill Bottom: 1.06 gal") || !strings.Contains(body, "by hand: somebody said so afterwards") {
		t.Errorf("the page does not say that it moved: %s", body)
	}
	out := call(t, "move", "1", "to", "mill", "-settings", byHand)
	same("moved")
	if totals(pageSet) == before {
		t.Error("a move changes nothing")
	}
	r.back(path)
	undo(out)
	same("a move taken back")
	if totals(pageSet) != before {
		t.Error("taken back, it is not as it was")
	}

	// A cut by volume, the pieces joined, and the second of them counted otherwise.
	path, _ = r.say(link(0), "/say/cut", url.Values{"where": {"0.5 gal"}})
	call(t, "cut", "1", "at", "0.5 gal", "-settings", byHand)
	same("cut")
	if n := len(view().Fills); n != 4 {
		t.Fatalf("%d fills after a cut, want 4", n)
	}
	if body := r.get(link(1)); !strings.Contains(body, "How it flowed") || !strings.Contains(body, "Cut at ") {
		t.Errorf("the page of the second piece: %s", body)
	}
	joined, _ := r.say(link(1), "/say/join", url.Values{"with": {"before"}})
	out = call(t, "join", "1-2", "-settings", byHand)
	same("joined")
	if f := view().Fills[1]; !f.TopUp {
		t.Errorf("joined, the second piece is %+v", f)
	}
	r.back(joined)
	undo(out)
	same("a join taken back")
	r.say(link(1), "/say/deem", url.Values{"as": {"spill"}})
	call(t, "count", "2", "as", "spill", "-settings", byHand)
	same("counted")
	r.back(path) // the cut: its piece is named all the same, and the rest is whole
	acts := call(t, "acts", "-settings", byHand)
	m := regexp.MustCompile(`(?m)^([0-9a-f]{12})  said .*\n    cut: `).FindStringSubmatch(acts)
	if m == nil {
		t.Fatal(acts)
	}
	call(t, "undo", m[1], "-settings", byHand)
	same("a cut taken back")

	// All of a visit moves, and back; it is split, and joined.
	visit := func(k int) string { return "/visit?at=" + strconv.FormatInt(view().Visits[k].From, 10) }
	moved, _ := r.say(visit(0), "/say/move", url.Values{"yard": {"mill"}, "whole": {"1"}})
	at := time.Unix(0, view().Fills[0].Start).In(set.Zone).Format("15:04:05")
	out = call(t, "move", "-visit", at, "to", "mill", "-settings", byHand)
	same("a visit moved")
	r.back(moved)
	undo(out)
	same("a visit moved back")
	v := view()
	last := 0
	for i := range v.Fills {
		if v.Fills[i].Visit == 0 {
			last = i
		}
	}
	f := v.Fills[last]
	split, body := r.say(visit(0), "/say/visit", url.Values{"what": {"begins"}, "pull": {fmt.Sprint(f.Session, " ", f.First)}})
	if !strings.Contains(body, "A visit begins at ") {
		t.Errorf("the page does not say that it is split: %s", body)
	}
	out = call(t, "visit", "begins", "-at", time.Unix(0, f.Start).UTC().Format(time.RFC3339Nano), "-settings", byHand)
	same("split")
	if a, b := len(view().Visits), len(v.Visits); a != b+1 {
		t.Fatalf("%d visits, %d before the split", a, b)
	}
	r.back(split)
	undo(out)
	same("a split taken back")

	// How many stand there, and what is meant for the season.
	_, body = r.say("/yards/mill", "/say/colonies", url.Values{"count": {"4"}, "each": {"1 gal"}, "since": {"ever"}})
	if !strings.Contains(body, "4 colonies at Mill Bottom, 1.00 gal each.") {
		t.Errorf("the page does not say the colonies: %s", body)
	}
	call(t, "say", "colonies", "mill", "4", "-fill", "1 gal", "-at", "ever", "-settings", byHand)
	same("colonies")
	r.say("/yards/mill", "/say/target", url.Values{"season": {"6 gal"}})
	if y := view().Yards[0]; y.Target.Each.Litres() < 22.7 || y.Target.All {
		t.Errorf("the target is %+v", y.Target)
	}
	r.say("/yards", "/say/target", url.Values{"yard": {""}, "season": {"40 lb"}})
	if y := view().Yards[1]; y.Target.Sugar < 18 || !y.Target.All {
		t.Errorf("the target of the others is %+v", y.Target)
	}

	// Refused where it was said, with field, rule and value.
	res, err := r.client.PostForm(r.base+"/say/cut", url.Values{"pull": {strings.ReplaceAll(strings.TrimPrefix(link(0), "/fill?pull="), "+", " ")},
		"where": {"9 gal"}, "page": {link(0)}, "token": {"x"}})
	if err != nil {
		t.Fatal(err)
	}
	refused, err := io.ReadAll(res.Body)
	res.Body.Close()
	if err != nil || res.StatusCode != 422 || !strings.Contains(html.UnescapeString(string(refused)), `where: must be more than nothing and less than all of its `) ||
		!strings.Contains(string(refused), "Cut it in two") {
		t.Errorf("status %d, %v: %s", res.StatusCode, err, refused)
	}
}

// The course of a fill of an imported night adds up to the fill, pulse by pulse.
func TestCourseOfARecordedFill(t *testing.T) {
	_, path := recorded(t)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	set, err := settings.Parse(path, text)
	if err != nil {
		t.Fatal(err)
	}
	set.Door.Open = true
	d := &daemon{set: set, clock: source.SystemClock{}, bootID: "course", speed: 1, log: slog.New(slog.DiscardHandler)}
	if err := openDaemon(t.Context(), d); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	t.Cleanup(func() { stop(); <-ended })
	if err := d.desk.Settle(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := door.Set(filepath.Join(set.Data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	r := &reader{t, strings.TrimSuffix(pageURL(d.page.Addr(), false), "/"), &http.Client{Timeout: time.Minute}}
	for _, f := range d.desk.Snapshot().View.Fills {
		query := fmt.Sprintf("?pull=%d+%d", f.Session, f.First)
		rows, err := csv.NewReader(strings.NewReader(r.get("/fill.csv" + query))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		pulses := uint64(0)
		for _, row := range rows[1:] {
			n, err := strconv.ParseUint(row[2], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			pulses += n
		}
		if pulses != f.Last-f.First {
			t.Errorf("the course of the fill at %d has %d pulses, the fill %d", f.Start, pulses, f.Last-f.First)
		}
		var doc struct {
			Course []struct{ Pulses uint64 }
		}
		if err := json.Unmarshal([]byte(r.get("/fill.json"+query)), &doc); err != nil || len(doc.Course) != len(rows)-1 {
			t.Errorf("%d rows as JSON, %d as CSV, %v", len(doc.Course), len(rows)-1, err)
		}
	}
}
