package dashboard

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"yardtally/meter/act"
)

// fed is booked with the night's flow, and syrup in the rig's tote that the
// keeper mixed the day before.
func fed(t *testing.T) *stand {
	t.Helper()
	st := booked(t)
	s := sample()
	s.Currency = "$"
	st.feed.set(s)
	day := at(15, 0, 0)
	st.book.acts = append(st.book.acts, act.Act{ID: "rig", Rig: "heron", Who: "wren", When: day + 1, From: day,
		Body: act.Mix{Parts: []act.Goods{{Kind: "sugar", Bags: 10, BagKg: 25}}, WaterL: 130, Brix: 65.8, Before: &act.Content{}}})
	return st
}

// The statement says what the command says, closes, and can be taken away.
func TestStatementPage(t *testing.T) {
	st := fed(t)
	page := st.page("/books/statement")
	text := words1(page)
	for _, want := range []string{"Statement of the season", "Sugar fed by heron, ", "Came in", "bought, sugar", "Mill Bottom", "sum, what came in", "unaccounted for",
		"Readings are not legal for trade. The supplier's ticket stays the record of purchase.", "Issue it", "None yet."} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %s", want, text)
		}
	}
	if strings.Contains(text, "yardtally ") {
		t.Error("the page names commands")
	}
	closesOnPage(t, page)
	for path, kind := range map[string]string{".csv": "text/csv; charset=utf-8; header=present", ".json": "application/json", ".pdf": "application/pdf"} {
		for _, name := range []string{"statement", "balance"} {
			w := get(t, st.h, "/books/"+name+path)
			if w.Code != 200 || w.Header().Get("Content-Type") != kind || w.Body.Len() < 100 || w.Header().Get("Content-Security-Policy") != policy {
				t.Errorf("%s%s: status %d, %v, %d bytes", name, path, w.Code, w.Header(), w.Body.Len())
			}
		}
		if !strings.Contains(page, `href="/books/statement`+path+`"`) {
			t.Errorf("no way to %s", path)
		}
	}
	if pdf := get(t, st.h, "/books/statement.pdf").Body.Bytes(); !bytes.HasPrefix(pdf, []byte("%PDF-")) {
		t.Error("no PDF")
	}
	var doc struct {
		Report string
		Legal  *bool `json:"legal_for_trade"`
	}
	if err := json.Unmarshal(get(t, st.h, "/books/statement.json").Body.Bytes(), &doc); err != nil || doc.Report != "statement" || doc.Legal == nil || *doc.Legal {
		t.Errorf("JSON: %v, %+v", err, doc)
	}
	text = words1(st.page("/books/balance"))
	for _, want := range []string{"Balance of the season", "Readings are not legal for trade.", "Sugar, lb", "Mill Bottom"} {
		if !strings.Contains(text, want) {
			t.Errorf("balance: no %q in %s", want, text)
		}
	}
	// Another period is asked for by dates, and shows so.
	text = words1(st.page("/books/statement?from=2026-09-01&to=2026-09-30"))
	if !strings.Contains(text, "1 Sep to ") || strings.Contains(text, "Mill Bottom") {
		t.Errorf("September: %s", text)
	}
	if page := st.page("/books/statement?from=2026-09-01&to=2026-10-09"); !strings.Contains(page, `href="/books/statement.csv?from=2026-09-01&to=2026-10-09"`) || !strings.Contains(page, `value="2026-09-01"`) {
		t.Error("the period is not kept in the ways to take it away")
	}
}

// closesOnPage adds up the columns of the first table: each sum is that of the
// rows above it, and the last is what came in.
func closesOnPage(t *testing.T, page string) {
	t.Helper()
	table := regexp.MustCompile(`(?s)<table.*?</table>`).FindString(page)
	names := regexp.MustCompile(`(?s)<th scope="col"[^>]*>(.*?)</th>`).FindAllStringSubmatch(table, -1)
	cell := regexp.MustCompile(`(?s)<t[hd][^>]*>(.*?)</t[hd]>`)
	closed := 0
	for c, name := range names {
		if !strings.HasPrefix(name[1], "sugar") && !strings.HasPrefix(name[1], "cost") {
			continue
		}
		var acc, in int64
		for _, row := range strings.Split(table, "<tr")[2:] {
			cells := cell.FindAllStringSubmatch(row, -1)
			if len(cells) != len(names) {
				if !strings.Contains(row, "colspan") {
					t.Errorf("%d cells under %d columns: %s", len(cells), len(names), row)
				}
				continue
			}
			text := strings.NewReplacer(",", "", ".", "", "–", "").Replace(cells[c][1])
			v := int64(0)
			if text != "" {
				if _, err := fmt.Sscan(text, &v); err != nil {
					t.Errorf("%q is no number", cells[c][1])
				}
			}
			if !strings.Contains(row, `class="sum"`) {
				acc += v
				continue
			}
			if v != acc {
				t.Errorf("%s of %s is %d, and the rows above make %d", name[1], cells[0][1], v, acc)
			}
			switch cells[0][1] {
			case "came in":
				in, acc = v, 0
			case "sum, what came in":
				if v != in || in == 0 {
					t.Errorf("%s: %d came in and %d are told of", name[1], in, v)
				}
				closed++
			}
		}
	}
	if closed != 2 {
		t.Errorf("%d columns close, want 2", closed)
	}
}

// A statement that was issued keeps its figures; what a correction changes
// shows against it.
func TestIssueOnThePage(t *testing.T) {
	st := fed(t)
	page := st.page("/books/statement")
	form := url.Values{"token": {attr(regexp.MustCompile(`(?s)action="/books/issue".*?</form>`).FindString(page), "value")}, "title": {"autumn <feeding>"}}
	for _, name := range []string{"from", "to"} {
		m := regexp.MustCompile(`name="` + name + `" value="([\d-]+)"`).FindStringSubmatch(page)
		if m == nil {
			t.Fatalf("no %s in the form", name)
		}
		form.Set(name, m[1])
	}
	first, second := st.post("/books/issue", form.Encode()), st.post("/books/issue", form.Encode())
	said := st.said()
	if first.Code != 303 || second.Code != 303 || len(said) != 5 {
		t.Fatalf("statuses %d and %d, %d acts: %s", first.Code, second.Code, len(said), words1(first.Body.String()))
	}
	b, ok := said[4].Body.(act.Statement)
	if !ok || b.Number != 1 || b.Title != "autumn <feeding>" || said[4].Check() != nil {
		t.Fatalf("kept %+v, %v", said[4], said[4].Check())
	}
	issued := st.page(first.Header().Get("Location"))
	for _, want := range []string{"Issued as statement No 1. Its figures stay.", "Statement No 1: autumn <feeding>", "These are the figures as issued.", "No 1 autumn <feeding>, issued "} {
		if !strings.Contains(words1(html.EscapeString(issued)), html.EscapeString(want)) && !strings.Contains(strings.ReplaceAll(issued, "\u00a0", " "), want) && !strings.Contains(words1(get(t, st.h, "/books/statement?number=1").Body.String()), want) {
			t.Errorf("the page of what was issued does not say %q", want)
		}
	}
	if text := words1(st.page(second.Header().Get("Location"))); !strings.Contains(text, "That was sent twice, and counts once.") {
		t.Error("it does not say that it was sent twice")
	}
	if raw := get(t, st.h, "/books/statement?number=1").Body.String(); strings.Contains(raw, "<feeding>") {
		t.Error("a heading is not escaped")
	}
	// One more bag was used.
	mix := said[3].Body.(act.Mix)
	mix.Parts = []act.Goods{{Kind: "sugar", Bags: 11, BagKg: 25}}
	st.book.mu.Lock()
	st.book.acts = append(st.book.acts, act.Act{ID: "fix", Rig: "heron", Who: "wren", When: said[4].When + 5, From: said[3].From, Body: mix, Replaces: []string{"rig"}})
	st.book.mu.Unlock()
	changes := words1(get(t, st.h, "/books/statement?changes=1", st.cookie).Body.String())
	for _, want := range []string{"What changed since statement No 1", "issued now change", "Said since, on ", "11 bags of 25 kg of sugar"} {
		if !strings.Contains(changes, want) {
			t.Errorf("what changed does not say %q: %s", want, changes)
		}
	}
	again := get(t, st.h, "/books/statement?number=1").Body.String()
	article := regexp.MustCompile(`(?s)<article.*?</article>`)
	if words1(article.FindString(again)) != words1(html.EscapeString(article.FindString(issued))) && article.FindString(html.UnescapeString(again)) != article.FindString(issued) {
		t.Error("what was issued shows other figures after a correction")
	}
	closesOnPage(t, get(t, st.h, "/books/statement").Body.String())
	// And it can be taken back; its number is not given again.
	st.post("/books/back", "token=q&act="+said[4].ID)
	st.now = st.now.Add(doubleTap)
	form.Set("token", "another")
	if w := st.post("/books/issue", form.Encode()); w.Code != 303 || !strings.Contains(w.Header().Get("Location"), "number=2") {
		t.Errorf("status %d to %q", w.Code, w.Header().Get("Location"))
	}
}

func TestStatementPageRefuses(t *testing.T) {
	st := fed(t)
	const evil = `"><script>alert(1)</script>`
	for _, c := range []struct {
		query, want string
	}{
		{"?from=soon", `id="e-from" role="alert"`},
		{"?from=soon", `First night: must be a date like 2026-10-09, is "soon".`},
		{"?to=" + url.QueryEscape(evil), `Last night: must be a date like 2026-10-09, is `},
		{"?from=2026-10-09&to=2026-10-01", `First night: must be before the period ends, on 2026-10-01, is "2026-10-09".`},
		{"?from=0001-01-01", "First night: must be a date"},
		{"?number=1", "Number: must be that of a statement issued, is 1."},
		{"?changes=7", "Changes: must be that of a statement issued, is 7."},
		{"?number=" + url.QueryEscape(evil), "Number: must be that of a statement issued, is "},
		{"?number=-1", `must be that of a statement issued, is "-1"`},
	} {
		w := get(t, st.h, "/books/statement"+c.query, st.cookie)
		if w.Code != 422 || !strings.Contains(html.UnescapeString(w.Body.String()), c.want) || strings.Contains(w.Body.String(), "<script") || strings.Contains(w.Body.String(), "<article") {
			t.Errorf("%s: status %d, want 422 with %q", c.query, w.Code, c.want)
		}
		if w := get(t, st.h, "/books/statement.csv"+c.query); w.Code != 422 || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain") {
			t.Errorf("%s as CSV: status %d", c.query, w.Code)
		}
	}
	for form, want := range map[string]string{
		"title=" + strings.Repeat("x", 101):          "Heading: must be 100 letters at most, is 101.",
		"title=" + url.QueryEscape("\xff"):           "Heading: must be 100 letters at most",
		"from=tomorrow":                              "First night: must be a date",
		"from=2026-10-09&to=2026-10-01&title=" + "x": "First night: must be before",
	} {
		w := st.post("/books/issue", "token=t&"+form)
		if w.Code != 422 || !strings.Contains(html.UnescapeString(w.Body.String()), want) || len(st.said()) != 4 {
			t.Errorf("%.40s: status %d, %d acts, want %q", form, w.Code, len(st.said()), want)
		}
	}
	st.cookie = nil
	page := get(t, st.h, "/books/statement").Body.String()
	if strings.Contains(page, "/books/issue") || !strings.Contains(page, "<article") {
		t.Error("whoever has not signed in is offered to issue, or does not read")
	}
	if w := st.post("/books/issue", "token=t"); w.Code == 303 && !strings.HasPrefix(w.Header().Get("Location"), "/enter") || len(st.said()) != 4 {
		t.Errorf("issued by one who has not signed in: status %d", w.Code)
	}
	r := httptest.NewRequest("GET", "/books/issue", nil)
	w := httptest.NewRecorder()
	if st.h.ServeHTTP(w, r); w.Code != 303 || w.Header().Get("Location") != "/books/statement" {
		t.Errorf("asked for again: %d to %q", w.Code, w.Header().Get("Location"))
	}
}

// A house without books has a statement of what was metered, and nothing fails.
func TestStatementWithoutBooks(t *testing.T) {
	st := fed(t)
	st.book.acts = nil
	if text := words1(st.page("/books/statement")); !strings.Contains(text, "Nothing was booked of what came in, so there is no balance.") {
		t.Errorf("%s", text)
	}
	st.page("/books/balance")
	st.feed.set(&Snapshot{Now: at(21, 0, 0)})
	for _, path := range []string{"/books", "/books/statement", "/books/balance", "/books/write?way=mix"} {
		st.page(path)
	}
	st.feed.set(sample())
	st.season()
	for _, path := range []string{"/books/statement", "/books/balance"} {
		if w := get(t, st.h, path, st.cookie); w.Code != 200 || w.Body.Len() > 100_000 {
			t.Errorf("%s: status %d, %d bytes, want below 100000", path, w.Code, w.Body.Len())
		} else {
			t.Logf("%s: %d bytes", path, w.Body.Len())
		}
	}
}

// Whoever asks while others do is given what was reckoned for them.
func TestSeasonIsReckonedOnce(t *testing.T) {
	st := fed(t)
	first := get(t, st.h, "/books/statement").Body.String()
	s := *st.feed.Snapshot()
	v := *s.View
	v.Fills = v.Fills[:len(v.Fills)-3]
	s.View = &v
	st.feed.set(&s)
	if get(t, st.h, "/books/statement").Body.String() != first {
		t.Error("it is reckoned anew for each who asks")
	}
	st.book.acts = append(st.book.acts, act.Act{ID: "more", Rig: "heron", Who: "wren", When: at(21, 0, 0), From: at(21, 0, 0), Body: act.Lost{L: 3, Why: act.Spilled}})
	if get(t, st.h, "/books/statement").Body.String() == first {
		t.Error("what was said since is not in it")
	}
}
