package dashboard

import (
	"html"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// batched is the sample with a batch in the tote, the air's temperature, and
// yards that are planned.
func batched() *Snapshot {
	s := sample()
	s.View.Batch = &act.Batch{Syrup: "sucrose", Brix: 64.2}
	s.View.Air = ledger.Last{Value: 3, At: s.Now, Has: true}
	s.View.Plan = []ledger.Planned{{Yard: "mill", Colonies: 18, Each: quantity.USGallon}, {Yard: "larch", Colonies: 20, Each: quantity.USGallon}, {Yard: "orchard"}}
	return s
}

func words1(page string) string {
	page = strings.ReplaceAll(html.UnescapeString(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page, " ")), "\u00a0", " ")
	return strings.Join(strings.Fields(page), " ")
}

// The page says what the command says, of the tote at once and of what is asked.
func TestWillItPump(t *testing.T) {
	s := batched()
	h := handler(s)
	for _, c := range []struct {
		query string
		want  []string
		not   string
	}{
		{"", []string{"Yes: ", "Syrup of sucrose, 64.2 Brix at 47 °F", "in 19 of 20", "the batch in the tote", "as read at", "Mill Bottom 18 1.00 18.00", "all 38 38.00", "Orchard End.",
			"By temperature, syrup and rig alike", "What thinning buys", "After a drive", "Take care", "Never run the pump against a shut trigger", "Readings are not legal for trade."}, "No answer"},
		{"?syrup=tote&brix=55&temp=60", []string{"Yes: ", "sucrose, 55.0 Brix at 60 °F"}, "the batch in the tote;"},
		{"?syrup=tote&brix=&temp=10+C", []string{"sucrose, 64.2 Brix at 50 °F", "the batch in the tote;"}, "as read at"},
		{"?syrup=hfcs-55&brix=&temp=40+F", []string{"Hardly: ", "hfcs-55, 77.0 Brix at 40 °F"}, "the batch in the tote;"},
		{"?syrup=sucrose&brix=50+Brix&temp=70", []string{"sucrose, 50.0 Brix at 70 °F"}, "the batch in the tote;"},
	} {
		w := get(t, h, "/forecast"+c.query)
		got := words1(w.Body.String())
		if w.Code != 200 {
			t.Errorf("%q: status %d: %s", c.query, w.Code, got)
		}
		for _, want := range c.want {
			if !strings.Contains(got, want) {
				t.Errorf("%q: no %q in %s", c.query, want, got)
			}
		}
		if strings.Contains(got, c.not) {
			t.Errorf("%q: it says %q", c.query, c.not)
		}
	}
	// Whatever the text of the command has, word for word.
	m := newModel(s)
	sheet, err := m.sheet(&asking{syrup: inTote})
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := report.Forecast(&b, sheet, report.Options{Units: s.Units, Zone: zone}); err != nil {
		t.Fatal(err)
	}
	got := words1(get(t, h, "/forecast").Body.String())
	for _, line := range strings.Split(b.String(), "\n") {
		if line = strings.Join(strings.Fields(line), " "); line != "" && strings.Trim(line, "- ") != "" && !strings.HasPrefix(line, "Will heron pump it?") && !strings.Contains(got, line) {
			t.Errorf("the page lacks %q", line)
		}
	}
	s.Units = quantity.SI
	if got := words1(get(t, handler(s), "/forecast").Body.String()); !strings.Contains(got, "Syrup of sucrose, 64.2 Brix at 8 °C") || !strings.Contains(got, " °C empty: as read") {
		t.Error("not in SI units")
	}
}

func TestWillItPumpIsRefused(t *testing.T) {
	bare := sample()
	bare.View.Syrup = ledger.Last{}
	cold := batched()
	cold.View.Syrup.Value = -30
	for _, c := range []struct {
		s     *Snapshot
		query string
		want  string
		field string
	}{
		{batched(), "?syrup=treacle&brix=60", `syrup: must be sucrose, invert, hfcs-42 or hfcs-55, is "treacle".`, "syrup"},
		{batched(), "?syrup=sucrose&brix=", `brix: must be a number of Brix, like 64, is "".`, "brix"},
		{batched(), "?syrup=sucrose&brix=thick", `brix: must be a number of Brix, like 64, is "thick".`, "brix"},
		{batched(), "?syrup=sucrose&brix=NaN", `is "NaN".`, "brix"},
		{batched(), "?syrup=sucrose&brix=99", "brix: must be between 0 and 77, is 99.", "brix"},
		{batched(), "?syrup=sucrose&brix=" + strings.Repeat("6", 41), "brix: must have 40 letters at most, is 41.", "brix"},
		{batched(), "?syrup=tote&temp=warm", `temp: must be a temperature, like 55 F or 13 C, is "warm".`, "temp"},
		{batched(), "?syrup=tote&temp=500", "temp: must be between ", "temp"},
		{bare, "?syrup=sucrose&brix=60", `temp: must be given, as no temperature of syrup was read, is "".`, "temp"},
		{bare, "?syrup=tote&temp=50", `syrup: must be a kind, as nobody said what is in the tote, is "tote".`, "syrup"},
		{cold, "", "temp: must be between ", "temp"},
	} {
		w := get(t, handler(c.s), "/forecast"+c.query)
		page := html.UnescapeString(w.Body.String())
		if w.Code != 422 || !strings.Contains(page, c.want) || !strings.Contains(page, `id="wrong" role="alert"`) {
			t.Errorf("%q: status %d, want 422 with %q: %s", c.query, w.Code, c.want, section(t, page, "</form>", "</main>"))
		}
		if !regexp.MustCompile(`<(input|select) id="` + c.field + `"[^>]*aria-invalid="true" aria-describedby="wrong"`).MatchString(page) {
			t.Errorf("%q: field %s is not named to a screen reader", c.query, c.field)
		}
		if strings.Contains(page, `class="answer"`) {
			t.Errorf("%q: there is an answer all the same", c.query)
		}
	}
	// Nothing known and nothing asked: a form, and no complaint.
	if w := get(t, handler(&Snapshot{Now: 1}), "/forecast"); w.Code != 200 || strings.Contains(w.Body.String(), "No answer") || strings.Contains(w.Body.String(), `value="tote"`) {
		t.Errorf("nothing known: status %d", w.Code)
	}
}

func TestTheForecastPage(t *testing.T) {
	s := batched()
	for i := range s.View.Yards {
		s.View.Yards[i].Name = "<img src=x>"
	}
	h := handler(s)
	const evil = `"><script>alert(1)</script>`
	w := get(t, h, "/forecast")
	page := w.Body.String()
	for _, p := range []string{page, get(t, h, "/forecast?"+url.Values{"syrup": {evil}, "brix": {evil}, "temp": {evil}}.Encode()).Body.String()} {
		for _, bad := range []string{"<script", "<img", "style=", "http:", "https:"} {
			if strings.Contains(p, bad) {
				t.Errorf("the page has %q", bad)
			}
		}
	}
	if w.Header().Get("Cache-Control") != "no-store" || w.Header().Get("Content-Security-Policy") != policy {
		t.Errorf("headers %v", w.Header())
	}
	for _, m := range regexp.MustCompile(`<(?:select|input)[^>]*>`).FindAllString(page, -1) {
		id := regexp.MustCompile(` id="([^"]*)"`).FindStringSubmatch(m)
		if !strings.Contains(m, `type="hidden"`) && (id == nil || !strings.Contains(page, `<label for="`+id[1]+`"`)) {
			t.Errorf("no label: %s", m)
		}
	}
	for _, m := range regexp.MustCompile(`(?:src|href)="(/[^"]*)"`).FindAllStringSubmatch(page, -1) {
		if w := get(t, h, m[1]); w.Code != 200 {
			t.Errorf("%s: status %d", m[1], w.Code)
		}
	}
	// Cells keep their places: as many in each row as there are columns.
	tables := regexp.MustCompile(`(?s)<table.*?</table>`).FindAllString(page, -1)
	if len(tables) != 4 {
		t.Fatalf("%d tables", len(tables))
	}
	for _, x := range tables {
		columns := strings.Count(x, `scope="col"`)
		for _, row := range strings.Split(x, "<tr")[2:] {
			if n := strings.Count(row, "<td") + strings.Count(row, `scope="row"`); n != columns {
				t.Errorf("%d cells under %d columns: %s", n, columns, row)
			}
		}
	}
	// Night or day is chosen here, too, and leads nowhere else.
	for from, to := range map[string]string{"/forecast": "/forecast", "/": "/", "//elsewhere.example": "/",
		"//elsewhere.example/forecast": "/", `/\elsewhere.example`: "/", "https://elsewhere.example/forecast": "/", "/forecast?syrup=hfcs-55": "/forecast?syrup=hfcs-55", "/live": "/"} {
		r := httptest.NewRequest("POST", "/look", strings.NewReader(url.Values{"look": {"night"}, "from": {from}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != 303 || w.Header().Get("Location") != to {
			t.Errorf("from %q: status %d to %q", from, w.Code, w.Header().Get("Location"))
		}
	}
	if page := get(t, h, "/").Body.String(); !strings.Contains(page, `href="/forecast"`) {
		t.Error("no way there from the night's page")
	}
}

func BenchmarkForecastPage(b *testing.B) {
	h := handler(batched())
	for b.Loop() {
		h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/forecast", nil))
	}
}
