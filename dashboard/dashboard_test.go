package dashboard

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	stdhtml "html"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/watch"
	"yardtally/meter/worth"
)

func handler(s *Snapshot) http.Handler {
	return New(Options{Feed: newFeed(s), Rig: "heron", Version: "0.1.0"})
}

func get(t testing.TB, h http.Handler, path string, cookies ...*http.Cookie) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest("GET", path, nil)
	for _, c := range cookies {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// text is the page with plain spaces only, whatever must not be torn apart.
func text(t *testing.T, s *Snapshot) string {
	t.Helper()
	return strings.ReplaceAll(get(t, handler(s), "/").Body.String(), "\u00a0", " ")
}

func TestRoutes(t *testing.T) {
	h := handler(sample())
	for _, c := range []struct {
		path, kind string
		status     int
	}{
		{"/", "text/html; charset=utf-8", 200},
		{"/style.css", "text/css; charset=utf-8", 200},
		{"/live.js", "text/javascript; charset=utf-8", 200},
		{"/mark.svg", "image/svg+xml", 200},
		{"/forecast", "text/html; charset=utf-8", 200},
		{"/mix", "text/html; charset=utf-8", 200},
		{"/tonight.csv", "text/csv; charset=utf-8; header=present", 200},
		{"/tonight.json", "application/json", 200},
		{"/yards.csv", "text/csv; charset=utf-8; header=present", 200},
		{"/yards.json", "application/json", 200},
		{"/static/style.css", "", 404},
		{"/other", "", 404},
		{"/look", "", 405},
	} {
		w := get(t, h, c.path)
		if w.Code != c.status {
			t.Errorf("%s: status %d, want %d", c.path, w.Code, c.status)
		}
		if c.kind != "" && w.Header().Get("Content-Type") != c.kind {
			t.Errorf("%s: type %q, want %q", c.path, w.Header().Get("Content-Type"), c.kind)
		}
		if w.Header().Get("X-Content-Type-Options") != "nosniff" || w.Header().Get("Content-Security-Policy") != policy {
			t.Errorf("%s: guarding headers are missing: %v", c.path, w.Header())
		}
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("POST", "/", nil))
	if w.Code != 405 {
		t.Errorf("POST /: status %d, want 405", w.Code)
	}
}

func TestNothingInlineAndNothingFromElsewhere(t *testing.T) {
	h := handler(sample())
	page := get(t, h, "/").Body.String()
	for _, bad := range []string{"style=", "<style", "onclick", "onload", "javascript:", "http://", "https://", `src="//`} {
		if strings.Contains(page, bad) {
			t.Errorf("the page has %q", bad)
		}
	}
	if n := strings.Count(page, "<script"); n != 1 || !strings.Contains(page, `<script src="/live.js?`) {
		t.Errorf("%d scripts, want one, from its own file", n)
	}
	for _, m := range regexp.MustCompile(`(?:src|href)="(/[^"]+)"`).FindAllStringSubmatch(page, -1) {
		if w := get(t, h, stdhtml.UnescapeString(m[1])); w.Code != 200 {
			t.Errorf("%s: status %d", m[1], w.Code)
		}
	}
}

// What stands in look.md's rule: any page under 100 kB all told.
func TestPageIsLight(t *testing.T) {
	h := handler(many(300))
	sum := 0
	for _, p := range []string{"/", "/style.css", "/live.js", "/mark.svg"} {
		sum += get(t, h, p).Body.Len()
	}
	t.Logf("page with 300 fills, all told: %d bytes", sum)
	if sum >= 100_000 {
		t.Errorf("%d bytes, want less than 100000", sum)
	}
}

func TestReadsWithoutScript(t *testing.T) {
	page := text(t, sample())
	for _, want := range []string{
		"<h1>Tonight", "<h2>Mill Bottom</h2>", `class="took">11.77 gal<`, "13 fills and 1 top-up so far, 18 colonies; 5 still to go.",
		"Fills: mean 0.93 gal, meant 1.00 gal; from 0.22 gal to 1.03 gal, uneven by 24 %. 1 fill short: less than half.",
		"the rig stood outside every yard", "Hollow: 1 short.", "On top: 1 top-up.", "Small dots: 5 to come.",
		"Below the line: 0.08 gal dribble, 0.12 gal unseen; broken where not sure.", "Arrowhead: still growing.",
		`role="img" aria-label="13 strokes, one a fill; dotted: 1.0 gal each;`, "181.6", "gal in it",
		"gal/min", "Orchard End", "No yard known", "23 of 24", "Outside fills", "Readings are not legal for trade.",
		"Level 27.6 in above the floor", "Left: 180.0 gal ±2.9 gal. Mill Bottom still needs 5.0 gal: enough, 175.0 gal over. Larch Bank next needs 20.0 gal: enough, 155.0 gal over.", "Listening to serial (3 dropped: 2 wrong checksum, 1 no checksum), mqtt.",
		"reload for newer figures", "Engine exhaust", `<caption`, `scope="col"`, `scope="row"`, `lang="en"`,
		"This fill so far: 0.58 gal", "yard by hand", "short", "growing",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(page, `class="loud"`) {
		t.Error("all is well, and something is loud")
	}
}

func TestUnitsAreNeverMixed(t *testing.T) {
	s := sample()
	s.Units = quantity.SI
	page := text(t, s)
	if m := regexp.MustCompile(`\d (gal|in|°F|lb)\b`).FindString(page); m != "" || strings.Contains(page, "gal/min") {
		t.Errorf("SI page has %q", m)
	}
	if !strings.Contains(page, `class="took">44.54 L<`) {
		t.Error("no litres on the SI page")
	}
}

func TestNamesAreEscaped(t *testing.T) {
	const evil = `<script>alert("x")</script>`
	s := sample()
	v := *s.View
	v.Yards = append([]ledger.YardInfo(nil), v.Yards...)
	v.Yards[1].Name = evil
	v.Gaps = []ledger.Gap{{Start: s.Now - 2, End: s.Now - 1, Why: evil}}
	v.Review = []ledger.Review{{Act: evil, Why: evil}}
	s.View, s.Demo, s.Notices = &v, evil, []Notice{{Text: evil}}
	s.Sources = append(s.Sources, SourceLine{Name: evil, Phase: "waiting", Err: evil, Dropped: 1, Why: map[string]uint64{evil: 1}})
	h := New(Options{Feed: newFeed(s), Rig: evil, Version: evil})
	page := get(t, h, "/").Body.String()
	if strings.Contains(page, "<script>") {
		t.Error("a name came through unescaped")
	}
	if n := strings.Count(page, "&lt;script&gt;alert("); n < 10 {
		t.Errorf("the name stands on the page %d times, want at least 10", n)
	}
}

func TestPartsHoldNothingThatTakesFocus(t *testing.T) {
	s := &server{Options: Options{Feed: newFeed(nil)}}
	for _, snap := range []*Snapshot{sample(), many(30), {Now: 1}, unsure(), ailing(shelved(watch.Drift), still(0.01, watch.Leak), still(-0.04, watch.Drift))} {
		for _, p := range s.render(snap, new(kept)).parts {
			html := regexp.MustCompile(`<input type="hidden"`).ReplaceAllString(p.HTML, "") // takes none
			// What says something by itself is found anew by live.js, by its name, value and path.
			html = regexp.MustCompile(`<button (class="big" )?(form(action)?="[^"]*" )?name="[a-z]+" value="[^"]*">`).ReplaceAllString(html, "")
			html = regexp.MustCompile(`<a (class="[a-z ]+" )?href="/[^"]+">`).ReplaceAllString(html, "") // and links by their paths
			if m := regexp.MustCompile(`<(a|button|input|select|summary|textarea)\b|tabindex`).FindString(html); m != "" {
				t.Errorf("part %s has %s: swapping it would lose the focus", p.ID, m)
			}
		}
	}
}

func TestOldValuesAreNotShownAsCurrent(t *testing.T) {
	s := sample()
	m := newModel(s)
	if r := m.run(); r.Flow.Old || r.Tote.Old || r.Syrup.Old || !r.Flowing {
		t.Fatalf("fresh values are old: %+v", r)
	}
	for _, name := range []string{"flow", "tote", "syrup"} {
		if left := m.left[name]; left <= 0 || left > 60 {
			t.Errorf("%s may be shown for %g s", name, left)
		}
	}
	s.Now += 40e9
	page := get(t, handler(s), "/").Body.String()
	for _, want := range []string{"meter not heard for 40\u00a0s", "no level for 40\u00a0s", "The fill when last heard", `class="part wrong"`, "As of 21:26. Left: "} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, bad := range []string{`data-live="flow"`, `data-live="tote"`, "181.6"} {
		if strings.Contains(page, bad) {
			t.Errorf("an old value is shown: %q", bad)
		}
	}
	if m := newModel(s); m.run().Flow.Old && m.left["flow"] != 0 {
		t.Error("an old value is said to be good for longer")
	}
	s.Speed = 60 // 40 s by the rig's clock is less than one of life
	if r := newModel(s).run(); r.Flow.Old || r.Tote.Old {
		t.Error("a faster clock made values old too early")
	}
}

func TestNothingHeardYet(t *testing.T) {
	start := time.Unix(0, at(20, 30, 0))
	s := &Snapshot{Zone: zone, Now: at(20, 30, 40), Sources: []SourceLine{
		{Name: "serial", Phase: "open", Since: start},
		{Name: "mqtt", Phase: "waiting", Since: start, Err: "connection refused", NextTry: start.Add(time.Minute)},
	}}
	page := get(t, handler(s), "/").Body.String()
	for _, want := range []string{
		"Nothing heard yet from serial: open, and silent since 20:30:00.",
		"Nothing heard yet from mqtt: not open since 20:30:00; connection refused; trying again at 20:31:00.",
		"level not known", "no flow heard yet",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	s.Sources = nil
	if page := get(t, handler(s), "/").Body.String(); !strings.Contains(page, "No source of readings is set") {
		t.Error("the page does not say that no source is set")
	}
}

func TestLoudOnlyWhenWrong(t *testing.T) {
	s := sample()
	s.Notices = []Notice{{Text: "The disk is full: nothing has been kept since 21:14."}}
	s.Sources[0].Phase, s.Sources[0].Err, s.Sources[0].NextTry = "waiting", "no such port", time.Unix(0, s.Now+5e9)
	s.Sources[1].LastAt = time.Unix(0, s.Now-100e9)
	v := *s.View
	v.Tote.Usable, v.Tote.Volume, v.Tote.At, v.PulseVolume = 20*quantity.USGallon, 22*quantity.USGallon, s.Now, 0
	v.Left = leftOf(v.Tote.Usable, 5, 20)
	s.View, s.Live.ToteAt = &v, 0
	page := text(t, s)
	for _, want := range []string{"<b>Fault</b> The disk is full", "<b>Not heard</b> serial: not open since", "no such port; trying again at",
		"<b>Silent</b> mqtt is open but has said nothing since", "<b>Not enough</b> Larch Bank next needs 20.0 gal: not enough, 5.0 gal short", "<b>No proving yet</b>"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if n, marks := strings.Count(page, `class="loud"`), strings.Count(page, `<svg class="mark"`); n != 5 || marks != n {
		t.Errorf("%d loud lines with %d marks, want 5 and 5", n, marks)
	}
}

// What a person may act on says how sure it is, and a tote that is too heavy
// is said.
func TestHowSure(t *testing.T) {
	s := sample()
	v := *s.View
	s.View, s.Live.ToteAt = &v, 0
	v.Left = ledger.Left{Why: "no proving yet"}
	v.Tote.At, v.Tote.Within, v.Tote.Unsettled = s.Now, 3*quantity.USGallon, "the rig has just stopped"
	v.Tote.Load = tote.Weights{Over: []tote.Over{{Rating: tote.TotePlate, Mass: 960, Limit: 950}}, Missing: []tote.Rating{tote.TrailerGross}}
	c, err := proving.NewCurve(proving.Meter{}, nil, 132, 0)
	if err != nil {
		t.Fatal(err)
	}
	v.Curves = []ledger.CurveSpan{{}, {Curve: c, Repeat: 0.001}}
	v.Fills = slices.Clone(v.Fills)
	for i := range v.Fills {
		m := v.Fills[i].Volume.CubicMetres()
		v.Fills[i].Metered = worth.Flow{Volume: m, Key: 1, Sense: [proving.Terms]float64{-m}}
	}
	page := text(t, s)
	for _, want := range []string{"can be drawn, ±3.0 gal while the rig has just stopped.", "11.77 ±0.14 gal<", "What is left is not known: no proving yet.",
		"The tote&#39;s plate: 2,116 lb, and it allows 2,094 lb", "licensed to judge it."} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(page, "not entered yet") {
		t.Error("the page asks for plates")
	}
}

// hundredths reads a printed figure.
func hundredths(t *testing.T, s string) int {
	t.Helper()
	n, err := strconv.Atoi(strings.NewReplacer(".", "", ",", "").Replace(s))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestTablesClose(t *testing.T) {
	for seed := range uint64(50) {
		rnd := rand.New(rand.NewPCG(seed, 3))
		n := newNight()
		n.rnd = rnd
		n.t = at(12, 10, 0)
		for range 10 + rnd.IntN(60) {
			yard := []string{"orchard", "mill", "larch", ""}[rnd.IntN(4)]
			n.pour(yard, ledger.ByPosition, rnd.Float64()*1.5)
			if rnd.IntN(5) == 0 {
				n.dribble(yard, "dribble", rnd.Float64()/10)
			}
			if seed%3 > 0 && rnd.IntN(20) == 0 && n.t < at(20, 0, 0) { // home, and out again
				n.t += outing.Pause + rnd.Int64N(3600e9)
			}
		}
		n.account()
		n.v.Here.Yard = n.v.Fills[len(n.v.Fills)-1].Yard
		s := &Snapshot{View: n.v, Units: quantity.System(seed % 2), Zone: zone, Now: n.t}
		m := newModel(s)
		y := m.yards()
		sum, fills := 0, 0
		if len(y.Parts) != max(1, len(n.v.Outings)) || y.Whole != (len(y.Parts) > 1) {
			t.Fatalf("seed %d: %d parts for %d outings", seed, len(y.Parts), len(n.v.Outings))
		}
		for i, part := range y.Parts {
			partly, some := hundredths(t, part.Outside), 0
			for _, r := range part.Rows {
				if r.Ahead {
					continue
				}
				partly += hundredths(t, r.Volume)
				n, _, _ := strings.Cut(r.Fills, " ")
				k, err := strconv.Atoi(n)
				if err != nil {
					t.Fatal(err)
				}
				some += k
			}
			o := n.v.Outings[i]
			night := ledger.Tally(n.v, o.From, o.To)
			if partly != hundredths(t, part.Sum) || strconv.Itoa(some) != part.Fills || some != night.Fills {
				t.Errorf("seed %d: outing %d has lines of %d and %d fills, sums of %s and %s; it had %d fills", seed, i, partly, some, part.Sum, part.Fills, night.Fills)
			}
			sum, fills = sum+partly, fills+some
		}
		if sum != hundredths(t, y.Sum) || strconv.Itoa(fills) != y.Fills || fills != len(n.v.Fills) {
			t.Errorf("seed %d: lines add up to %d and %d fills; sum line says %s and %s", seed, sum, fills, y.Sum, y.Fills)
		}
		vol := n.v.Total.Litres()
		if s.Units == quantity.US {
			vol = n.v.Total.USGallons()
		}
		if got, want := hundredths(t, y.Sum), vol*100; float64(got) < want-0.51 || float64(got) > want+0.51 {
			t.Errorf("seed %d: sum %d, the counter says %g", seed, got, want)
		}
		_, f := m.here()
		sum = 0
		for _, r := range f.Rows {
			sum += hundredths(t, r.Volume)
		}
		if sum != hundredths(t, f.Sum) {
			t.Errorf("seed %d: fills add up to %d, sum line says %s", seed, sum, f.Sum)
		}
	}
}

func TestDoubtIsBounded(t *testing.T) {
	s := sample()
	v := *s.View
	for i := range int64(1000) {
		v.Gaps = append(v.Gaps, ledger.Gap{Start: s.Now - 3e12 + i*2e9, End: s.Now - 3e12 + i*2e9 + 1e9, Why: "no readings"})
		v.Review = append(v.Review, ledger.Review{Act: "a", Why: "no such counts"})
	}
	s.View = &v
	got := newModel(s).doubt()
	if len(got) != 2*mostDoubts+2 || !strings.HasPrefix(got[mostDoubts], "994 earlier gaps") || !strings.HasPrefix(got[len(got)-1], "994 more corrections") {
		t.Errorf("%d lines: %q", len(got), got)
	}
	if !strings.Contains(got[0], newModel(s).clock(v.Gaps[999].Start)) {
		t.Errorf("the newest gap is not first: %s", got[0])
	}
}

func TestLookIsRemembered(t *testing.T) {
	h := handler(sample())
	post := func(look, site string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("POST", "/look", strings.NewReader(url.Values{"look": {look}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", site)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	for _, look := range []string{"night", "day"} {
		w := post(look, "same-origin")
		cookies := w.Result().Cookies()
		if w.Code != 303 || len(cookies) != 1 || !cookies[0].HttpOnly || cookies[0].MaxAge < 1e6 {
			t.Fatalf("%s: status %d, cookies %v", look, w.Code, cookies)
		}
		page := get(t, h, "/", cookies[0]).Body.String()
		if !strings.Contains(page, fmt.Sprintf(`<html lang="en" data-look=%q`, look)) {
			t.Errorf("%s is not on the page", look)
		}
	}
	if c := post("device", "same-origin").Result().Cookies(); len(c) != 1 || c[0].MaxAge >= 0 {
		t.Errorf("the choice is not forgotten: %v", c)
	}
	if w := post("pink", "same-origin"); w.Code != 400 {
		t.Errorf("pink: status %d, want 400", w.Code)
	}
	if w := post("night", "cross-site"); w.Code != 403 {
		t.Errorf("from another site: status %d, want 403", w.Code)
	}
	if page := get(t, h, "/", &http.Cookie{Name: "look", Value: "pink"}).Body.String(); strings.Contains(page, "data-look") {
		t.Error("an unknown look came through")
	}
}

func TestExport(t *testing.T) {
	h := handler(sample())
	rows, err := csv.NewReader(get(t, h, "/tonight.csv").Body).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if want := 1 + len(sample().View.Fills) + len(sample().View.Loose); len(rows) != want {
		t.Errorf("%d lines, want %d", len(rows), want)
	}
	var doc struct {
		Rig   string
		Yards []struct {
			Yard  string
			Fills int
		}
	}
	if err := json.Unmarshal(get(t, h, "/yards.json").Body.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	if doc.Rig != "heron" || len(doc.Yards) != 3 || doc.Yards[2].Yard != "" || doc.Yards[0].Fills != 23 {
		t.Errorf("yards.json: %+v", doc)
	}
}

func TestAssetsAreKeptByTheirContent(t *testing.T) {
	h := handler(sample())
	m := regexp.MustCompile(`/style\.css\?\w+`).FindString(get(t, h, "/").Body.String())
	if c := get(t, h, m).Header().Get("Cache-Control"); !strings.Contains(c, "immutable") {
		t.Errorf("%s: %q", m, c)
	}
	if c := get(t, h, "/style.css?old").Header().Get("Cache-Control"); c != "no-cache" {
		t.Errorf("an old mark is kept: %q", c)
	}
}

func TestKeptPartsAreTheSame(t *testing.T) {
	s := &server{Options: Options{Feed: newFeed(nil)}}
	var k kept
	a, b := sample(), many(30)
	other := *a
	other.Units = quantity.SI
	night := *a
	night.Now += int64(24 * time.Hour)
	for i, snap := range []*Snapshot{a, a, b, a, &other, a, &night, {Now: 1}, a, a} {
		got, want := s.render(snap, &k), s.render(snap, new(kept))
		for j := range want.parts {
			if got.parts[j] != want.parts[j] {
				t.Errorf("snapshot %d: part %s is of another snapshot", i, want.parts[j].ID)
			}
		}
	}
}

// A page with 300 fills: with a new view, and with the view it had.
func BenchmarkRender300Fills(b *testing.B) {
	s := &server{Options: Options{Feed: newFeed(nil)}}
	snap := many(300)
	for _, again := range []bool{false, true} {
		b.Run(fmt.Sprintf("again=%v", again), func(b *testing.B) {
			b.ReportAllocs()
			var k kept
			for b.Loop() {
				if !again {
					k = kept{}
				}
				s.render(snap, &k)
			}
		})
	}
}

// What a store lacks is said once it lags by more than it always does.
func TestStoreLine(t *testing.T) {
	now := at(21, 30, 0)
	m := newModel(&Snapshot{Now: now, Zone: zone, View: &ledger.View{Records: 1}})
	if out := m.sources(); len(out) != 0 {
		t.Errorf("without a store: %+v", out)
	}
	for _, c := range []struct {
		s    StoreLine
		want string
	}{
		{StoreLine{Name: "InfluxDB"}, "The InfluxDB has everything."},
		{StoreLine{Name: "InfluxDB", Waiting: 3, Oldest: now - int64(20*time.Second)}, "The InfluxDB is up to date."},
		{StoreLine{Name: "InfluxDB", Waiting: 1, Oldest: at(21, 26, 0)}, "1 point waits for the InfluxDB, the oldest from 21:26, 4\u00a0min ago."},
		{StoreLine{Name: "InfluxDB", Waiting: 4211, Oldest: at(21, 26, 0), Rejected: 1}, "4,211 points wait for the InfluxDB, the oldest from 21:26, 4\u00a0min ago. It rejected 1 point."},
	} {
		m.Store = &c.s
		if out := m.sources(); len(out) != 1 || out[0].Loud || out[0].Text != c.want {
			t.Errorf("%+v: %+v, want %q", c.s, out, c.want)
		}
	}
}
