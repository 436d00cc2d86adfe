package dashboard

import (
	"errors"
	"fmt"
	"html"
	"net/http/httptest"
	"net/url"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// booked is the sample with a keeper who keeps books: what was bought, a mix in
// the tank at home, and the rig's level at rest at 20:00.
func booked(t testing.TB) *stand {
	t.Helper()
	s := sample()
	s.Currency = "$"
	s.View.Steps = []ledger.ToteStep{{At: at(20, 0, 0), Level: 0.5, LevelU: 0.001}}
	s.View.Fills, s.View.Loose = nil, nil
	st := newStand(t, s)
	day := at(0, 0, 0) - 10*24*3600e9
	st.book.acts = []act.Act{
		{ID: "tote", Rig: "heron", Who: "settings file", When: 1, Body: act.Tote{Name: "tote one", CapacityL: 1000, LengthM: 1, WidthM: 1, HeightM: 1}},
		{ID: "bought", Rig: "heron", Who: "wren", When: day + 1, From: day, Body: act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 40, BagKg: 25}, Price: 1060, Lot: "B-17"}},
		{ID: "mixed", Rig: "heron", Who: "wren", When: day + 2, From: day + 3600e9, Body: act.Mix{Name: "first", Tote: "mixing tank", Parts: []act.Goods{{Kind: "sugar", Bags: 8, BagKg: 25}}, WaterL: 110, Brix: 64.4}},
	}
	return st
}

// fill posts the form of a way.
func (st *stand) fill(way string, f map[string]string) *httptest.ResponseRecorder {
	q := url.Values{"way": {way}, "token": {token()}}
	for k, v := range f {
		q.Set(k, v)
	}
	return st.post("/books/write", q.Encode())
}

type fields = map[string]string

// What is filled in becomes what the command makes of the same words.
func TestEachFormOfTheBooks(t *testing.T) {
	const gal, lb = 3.785411784, 0.45359237 // exact: NIST SP 811 (2008), appendix B
	now := booked(t).feed.Snapshot().Now
	noon := at(12, 0, 0) // 9 October
	for _, c := range []struct {
		way  string
		f    fields
		from int64
		want act.Body
		says string
		note string
	}{
		{"purchase", fields{"what": "40 bags of 25 kg sugar", "price": "$26.50 a bag", "lot": "C-02", "on": "2026-10-09"}, noon,
			act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 40, BagKg: 25}, Price: 1060, Lot: "C-02"}, "Kept: Purchase, 40 bags of 25 kg of sugar, price $1060.00, lot C-02, for 9 Oct 2026 12:00.", "right to 0.5 % at most"},
		{"count", fields{"what": "0 kg sugar"}, now, act.Count{Goods: act.Goods{Kind: "sugar"}, Empty: true}, "Kept: Count, no sugar in the store", ""},
		{"mix", fields{"what": "4 bags + 15 gal water", "brix": "62 Brix", "on": "2026-10-09", "at": "21:10"}, at(21, 10, 0),
			act.Mix{Parts: []act.Goods{{Kind: "sugar", Bags: 4, BagKg: 25}}, WaterL: 15 * gal, Brix: 62, Before: &act.Content{L: 500}}, "Kept: Mix, 4 bags of 25 kg of sugar and 15.0 gal of water into the tote on the rig", "Before it \"tote one\" held 132.1 gal ± "},
		{"mix", fields{"what": "4 bags", "bag": "20 kg", "tote": "MIXING tank", "reading": "61 Brix", "reading-temp": "68 F", "left": "5 gal", "left-within": "1 gal", "unstirred": "true", "name": "second"}, now, nil, "", ""},
		{"load", fields{"what": "100 gal", "from": "mixing tank", "left": "10 gal"}, now,
			act.Transfer{FromTote: "mixing tank", L: 100 * gal, Before: &act.Content{L: 10 * gal}}, "Kept: Transfer, 100.0 gal of tote mixing tank", ""},
		{"transfer", fields{"what": "all", "to": "mixing tank", "empty": "true"}, now, act.Transfer{ToTote: "mixing tank", All: true, Before: &act.Content{}}, "Kept: Transfer, all of", ""},
		{"swap", fields{"what": "mixing tank"}, now, act.Swap{Tote: "mixing tank"}, "Kept: Swap, tote mixing tank stands on the rig", ""},
		{"water", fields{"what": "40 lb", "unstirred": "true", "left": "20 gal"}, now, act.Water{Kg: 40 * lb, Unstirred: true, Before: &act.Content{L: 20 * gal}}, "Kept: Water, 40.0 lb into", "right to 1 % at most"},
		{"stirred", fields{"brix": "60.5 Brix"}, now, act.Stirred{Brix: 60.5}, "Kept: Stirred, the tote on the rig, 60.5 Brix", ""},
		{"rinse", fields{"what": "4 gal"}, now, act.Rinse{L: 4 * gal}, "Kept: Rinse, 4.0 gal of water", ""},
		{"loss", fields{"what": "1 bag sugar", "why": "spilled"}, now, act.Lost{Goods: &act.Goods{Kind: "sugar", Bags: 1, BagKg: 25}, Why: "spilled"}, "Kept: Loss, 1 bag of 25 kg of sugar from the store spilled", "as last bought"},
		{"fed", fields{"what": "3 gal", "yard": "mill", "colonies": "3", "note": "weak"}, now, act.Fed{L: 3 * gal, Yard: "mill", Colonies: 3, Note: "weak"}, "past the meter in yard Mill Bottom, to 3 colonies, weak", ""},
		{"content", fields{"what": "25 gal", "tote": "mixing tank"}, now, act.Contents{Tote: "mixing tank", L: 25 * gal}, "Kept: Content, tote mixing tank held 25.0 gal", ""},
	} {
		st := booked(t)
		w := st.fill(c.way, c.f)
		said := st.said()
		if w.Code != 303 || len(said) != 4 {
			t.Errorf("%s %v: status %d, %d acts: %s", c.way, c.f, w.Code, len(said), words1(w.Body.String()))
			continue
		}
		a := said[3]
		if c.want == nil {
			c.want = a.Body // it is read; how is the concern of entry
		}
		if a.From != c.from || a.Who != "phone" || a.Body.Check() != nil || !alike(a.Body, c.want) {
			t.Errorf("%s %v: kept %+v from %d, want %+v from %d", c.way, c.f, a.Body, a.From, c.want, c.from)
		}
		page := words1(st.page(w.Header().Get("Location")))
		if !strings.Contains(page, c.says) || !strings.Contains(page, c.note) {
			t.Errorf("%s %v: the page does not say %q with %q: %s", c.way, c.f, c.says, c.note, page)
		}
		// Each can be said again as it was written.
		form := st.page("/books/write?fix=" + a.ID)
		q := filled(t, form)
		if w := st.post("/books/write", q.Encode()); w.Code != 303 {
			t.Errorf("%s %v: said again: status %d: %s", c.way, c.f, w.Code, words1(w.Body.String()))
		} else if b := st.said()[4]; b.From != a.From || !alike(b.Body, a.Body) || !reflect.DeepEqual(b.Replaces, []string{a.ID}) {
			t.Errorf("%s %v: said again it is %+v, was %+v", c.way, c.f, b, a)
		}
		// And taken back, which brings back what it was.
		if w := st.post("/books/back", "act=act-4&token=z"); w.Code != 303 {
			t.Errorf("%s: taking back: status %d", c.way, w.Code)
		} else if page := words1(st.page(w.Header().Get("Location"))); !strings.Contains(page, "Taken back: ") || !strings.Contains(page, "This counts again: ") {
			t.Errorf("%s: the page does not say what counts again: %s", c.way, page)
		}
	}
}

// alike compares bodies as their text, with the last digits of floats left off.
func alike(a, b act.Body) bool {
	text := func(x act.Body) string {
		s := fmt.Sprintf("%+v", x)
		if c := before(x); c != nil { // how sure a level is, is the concern of entry
			s = regexp.MustCompile(`0x[0-9a-f]+`).ReplaceAllString(s, fmt.Sprint(c.L))
		}
		if l, ok := x.(act.Lost); ok && l.Goods != nil {
			s = fmt.Sprintf("%+v %s", *l.Goods, l.Why)
		}
		return regexp.MustCompile(`(\.\d{6})\d+`).ReplaceAllString(s, "$1")
	}
	return text(a) == text(b)
}

func before(b act.Body) *act.Content {
	switch b := b.(type) {
	case act.Mix:
		return b.Before
	case act.Transfer:
		return b.Before
	case act.Water:
		return b.Before
	}
	return nil
}

// filled is what a browser sends of the form of an entry.
func filled(t *testing.T, page string) url.Values {
	t.Helper()
	q := url.Values{}
	_, form, ok := strings.Cut(page, `action="/books/write"`)
	if !ok {
		t.Fatalf("no form: %s", words1(page))
	}
	form, _, _ = strings.Cut(form, "</form>")
	for _, m := range regexp.MustCompile(`<input[^>]*>`).FindAllString(form, -1) {
		name, value := attr(m, "name"), attr(m, "value")
		if strings.Contains(m, `type="checkbox"`) && !strings.Contains(m, " checked") {
			continue
		}
		q.Set(name, value)
	}
	for _, m := range regexp.MustCompile(`(?s)<select[^>]* name="(\w+)".*?</select>`).FindAllStringSubmatch(form, -1) {
		q.Set(m[1], "")
		if c := regexp.MustCompile(`<option value="([^"]*)" selected`).FindStringSubmatch(m[0]); c != nil {
			q.Set(m[1], c[1])
		}
	}
	return q
}

func attr(tag, name string) string {
	m := regexp.MustCompile(` ` + name + `="([^"]*)"`).FindStringSubmatch(tag)
	if m == nil {
		return ""
	}
	return html.UnescapeString(m[1])
}

// What cannot be is said beside its field, and what was typed stays.
func TestFormsOfTheBooksRefuse(t *testing.T) {
	long := strings.Repeat("9", 1200)
	for _, c := range []struct {
		way   string
		f     fields
		field string
		want  string
	}{
		{"purchase", fields{"what": "40"}, "what", `What was bought: must name its unit, like bags, lb, kg, gal or L, is "40".`},
		{"purchase", fields{"lot": "x"}, "what", "What was bought: must be given"},
		{"purchase", fields{"what": "40 bags sugar", "bag": "heavy"}, "bag", `A bag, by its label: `},
		{"purchase", fields{"what": "1 t sugar", "price": "cheap"}, "price", `Price: must be an amount of money, like "$38.50", or of one, like "$38.50 a bag", is "cheap".`},
		{"purchase", fields{"what": "1 t sugar", "on": "2027-01-01"}, "on", `Day: must not be in the future, is "2027-01-01".`},
		{"purchase", fields{"what": "1 t sugar", "on": "yesterday"}, "on", `Day: must be a date like 2026-10-09, is "yesterday".`},
		{"purchase", fields{"what": long}, "what", "What was bought: must be at most 1000 letters"},
		{"purchase", fields{"what": "-4 bags sugar"}, "what", "What was bought: must name its unit"},
		{"count", fields{"what": "some sugar"}, "what", "What is in the store: must begin with an amount"},
		{"mix", fields{"what": "4 bags"}, "brix", `Brix: must be given, like "62 Brix", where the water is not: one of the two must be known, is "".`},
		{"mix", fields{"what": "4 bags + 10 gal water", "brix": "95 Brix"}, "brix", "Brix: must be between 0 and 77, is 95."},
		{"mix", fields{"what": "4 bags + 10 gal water", "left": "5 gal", "empty": "true"}, "empty", `The tote was empty before: must not stand beside left, is "5 gal".`},
		{"mix", fields{"what": "4 bags + 10 gal water", "reading": "60 Brix"}, "reading-temp", "Temperature of the reading: must be given"},
		{"load", fields{"what": "10 gal", "left": "1 gal"}, "from", "From tote: must name the tote that it came from"},
		{"load", fields{"what": "much", "from": "mixing tank"}, "what", "How much: "},
		{"transfer", fields{"what": "10 gal", "from": "barrel"}, "from", `From tote: must be one of the totes spoken of so far: mixing tank, tote one, is "barrel".`},
		{"transfer", fields{"what": "10 gal"}, "to", "To tote: must be another tote than it came from"},
		{"swap", fields{"what": " "}, "what", "The tote on the rig now: must be given"},
		{"water", fields{"what": "5 gal sugar"}, "what", "How much water: must be an amount of water"},
		{"stirred", fields{"brix": "thick"}, "brix", "Brix: "},
		{"rinse", fields{"what": "0 gal"}, "what", "How much water: must be above 0"},
		{"loss", fields{"what": "1 bag"}, "why", `Why: must be given: spilled, dumped, spoiled or leaked, is "".`},
		{"loss", fields{"what": "1 bag", "why": "eaten"}, "why", `Why: must be spilled, dumped, spoiled or leaked, is "eaten".`},
		{"fed", fields{"what": "3 gal"}, "yard", "Yard: must be given: the yard that got it"},
		{"fed", fields{"what": "3 gal", "yard": "nowhere"}, "yard", "Yard: must be one of "},
		{"fed", fields{"what": "3 gal", "yard": "mill", "colonies": "few"}, "colonies", `Colonies: must be a whole number between 1 and 100000, is "few".`},
		{"content", fields{"what": "-3 gal"}, "what", "How much it holds: must not be negative"},
		{"content", fields{"what": "3 gal", "tote": "barrel"}, "tote", "Tote: must be one of the totes"},
	} {
		st := booked(t)
		w := st.fill(c.way, c.f)
		page := html.UnescapeString(w.Body.String())
		if w.Code != 422 || len(st.said()) != 3 {
			t.Errorf("%s %.80v: status %d, %d acts", c.way, c.f, w.Code, len(st.said()))
			continue
		}
		wrong := regexp.MustCompile(`(?s)<p class="wrong" id="e-([\w-]+)">.*?</svg> (.*?)</p>`).FindAllStringSubmatch(page, -1)
		if len(wrong) != 1 || wrong[0][1] != c.field || !strings.HasPrefix(wrong[0][2], c.want) {
			t.Errorf("%s %.80v: it says %.300q, want %s: %q", c.way, c.f, wrong, c.field, c.want)
		}
		if !regexp.MustCompile(`id="f-`+c.field+`"[^>]*aria-invalid="true" aria-describedby="e-`+c.field+`"`).MatchString(page) ||
			!strings.Contains(page, `role="alert"`) || !strings.Contains(page, `href="#f-`+c.field+`"`) {
			t.Errorf("%s %.80v: the field is not named to a screen reader", c.way, c.f)
		}
		got := filled(t, w.Body.String())
		for k, v := range c.f {
			if got.Get(k) != v {
				t.Errorf("%s: of %s %.80q is kept, typed was %.80q", c.way, k, got.Get(k), v)
			}
		}
		if slow := regexp.MustCompile(`<details class="rest"( open)?>`).FindStringSubmatch(page); slow != nil && (slow[1] != "") != anySeldom(c.f, c.field) {
			t.Errorf("%s %.80v: the fields seldom needed stand open: %q", c.way, c.f, slow[0])
		}
	}
}

func anySeldom(f fields, bad string) bool {
	for _, n := range seldom {
		if f[n] != "" || n == bad {
			return true
		}
	}
	return false
}

// Whoever has not signed in reads, and writes nothing; nor does a form of
// another site.
func TestBooksNeedThePassphrase(t *testing.T) {
	st := booked(t)
	mine := st.cookie
	st.cookie = nil
	page := get(t, st.h, "/books").Body.String()
	if !strings.Contains(page, "B-17") || strings.Contains(page, `action="/books`) || strings.Contains(page, "/books/write") || !strings.Contains(page, `href="/enter"`) {
		t.Error("whoever has not signed in does not read the books, or is offered to write in them")
	}
	if w := get(t, st.h, "/books/write?way=mix"); w.Code != 303 || w.Header().Get("Location") != "/enter" {
		t.Errorf("the form of one who has not signed in: %d to %q", w.Code, w.Header().Get("Location"))
	}
	for _, path := range []string{"/books/write", "/books/back"} {
		if w := st.post(path, "way=rinse&what=4+gal&act=bought"); w.Code == 303 && !strings.HasPrefix(w.Header().Get("Location"), "/enter") {
			t.Errorf("%s: %d to %q", path, w.Code, w.Header().Get("Location"))
		}
		r := httptest.NewRequest("POST", path, strings.NewReader("way=rinse&what=4+gal&act=bought"))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		r.AddCookie(mine)
		w := httptest.NewRecorder()
		st.h.ServeHTTP(w, r)
		if w.Code != 403 {
			t.Errorf("%s of another site: status %d", path, w.Code)
		}
	}
	if n := len(st.said()); n != 3 {
		t.Errorf("%d acts, want 3", n)
	}
}

// A form that is sent twice is kept once, and says so.
func TestABookFormSentTwice(t *testing.T) {
	st := booked(t)
	form := "way=purchase&what=10+bags&price=%24265&token=same"
	first, second := st.post("/books/write", form), st.post("/books/write", form)
	if n := len(st.said()); n != 4 || first.Code != 303 || second.Code != 303 {
		t.Fatalf("%d acts, statuses %d and %d", n, first.Code, second.Code)
	}
	if page := words1(st.page(second.Header().Get("Location"))); !strings.Contains(page, "That was sent twice, and counts once.") {
		t.Errorf("it does not say so: %s", page)
	}
	// Two like purchases on two pages are two.
	st.post("/books/write", strings.Replace(form, "same", "other", 1))
	st.now = st.now.Add(doubleTap)
	if st.post("/books/write", strings.Replace(form, "same", "third", 1)); len(st.said()) != 5 {
		t.Errorf("%d acts, want 5: within a moment they are one, later two", len(st.said()))
	}
}

// An entry that was corrected, or taken back, shows as such and cannot be
// corrected from an older page.
func TestBooksTellWhatWasCorrected(t *testing.T) {
	st := booked(t)
	if w := st.post("/books/write", "way=mix&fix=mixed&token=a&what=9+bags+%2B+110+L+water&tote=mixing+tank&brix=64.4+Brix&name=first&on=2026-09-30&at=01:00&empty=true"); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, words1(w.Body.String()))
	} else if page := words1(st.page(w.Header().Get("Location"))); !strings.Contains(page, "Corrected. Now: Mix, first, 9 bags of 25 kg of sugar") {
		t.Errorf("it says %s", page)
	}
	if a := st.said()[3]; !reflect.DeepEqual(a.Replaces, []string{"mixed"}) || a.From != st.said()[2].From {
		t.Errorf("kept %+v", a)
	}
	page := words1(st.page("/books"))
	for _, want := range []string{"Mix first, 9 bags", "Before: first, 8 bags of 25 kg", "sugar 1,708.6", "31"} {
		if !strings.Contains(page, strings.ReplaceAll(want, ",708", "708")) {
			t.Errorf("no %q in %s", want, page)
		}
	}
	if w := get(t, st.h, "/books/write?fix=mixed", st.cookie); w.Code != 422 || !strings.Contains(w.Body.String(), "must be an entry that counts") {
		t.Errorf("correcting what was corrected: status %d", w.Code)
	}
	if w := st.post("/books/write", "way=mix&fix=mixed&token=b&what=7+bags+%2B+110+L+water"); w.Code != 422 || len(st.said()) != 4 {
		t.Errorf("correcting what was corrected: status %d", w.Code)
	}
	if w := st.post("/books/write", "way=rinse&fix=act-3&token=c&what=7+gal"); w.Code != 422 || len(st.said()) != 4 {
		t.Errorf("a mix corrected as a rinse: status %d", w.Code)
	}
	st.post("/books/back", "act=act-3&token=d")
	if page := words1(st.page("/books")); !strings.Contains(page, "Mix first, 8 bags of 25 kg") || !strings.Contains(page, "and taken back 9 Oct 2026") {
		t.Errorf("the correction taken back: %s", page)
	}
	st.post("/books/back", "act=bought&token=e")
	if page := words1(st.page("/books")); !strings.Contains(page, "Taken back 9 Oct 2026") {
		t.Errorf("the purchase taken back: %s", page)
	}
	st.now = st.now.Add(doubleTap)
	for _, form := range []string{"act=bought&token=f", "act=tote&token=g", "act=&token=h", "act=nobody&token=i"} {
		if w := st.post("/books/back", form); w.Code != 422 || !strings.Contains(w.Body.String(), "Nothing was taken back: act: must ") {
			t.Errorf("%s: status %d", form, w.Code)
		}
	}
}

// Whatever people and totes are called, it is text.
func TestBooksEscape(t *testing.T) {
	const evil = `"><script>alert(1)</script><img src=x>`
	st := booked(t)
	st.book.acts[1].Who = evil
	st.book.acts[2].Body = act.Mix{Name: evil, Tote: evil, Parts: []act.Goods{{Kind: "sugar", Bags: 8, BagKg: 25}}, WaterL: 110}
	v := *st.feed.Snapshot().View
	v.Yards = []ledger.YardInfo{{ID: "mill", Name: evil}}
	snap := *st.feed.Snapshot()
	snap.View = &v
	st.feed.set(&snap)
	bodies := []string{
		get(t, st.h, "/books", st.cookie).Body.String(),
		get(t, st.h, "/books?said="+url.QueryEscape(evil)+"&before="+url.QueryEscape(evil), st.cookie).Body.String(),
		get(t, st.h, "/books/write?fix=mixed", st.cookie).Body.String(),
		get(t, st.h, "/books/write?fix="+url.QueryEscape(evil), st.cookie).Body.String(),
		get(t, st.h, "/books/write?way=fed", st.cookie).Body.String(),
		st.fill("mix", fields{"what": evil, "tote": evil, "brix": evil, "on": evil, "at": evil}).Body.String(),
		st.fill("fed", fields{"what": "3 gal", "yard": evil + "x"}).Body.String(),
		st.post("/books/back", "act="+url.QueryEscape(evil)).Body.String(),
	}
	for i, p := range bodies {
		for _, bad := range []string{"<script", "<img", "style=", "http:", "https:"} {
			if strings.Contains(p, bad) {
				t.Errorf("page %d has %q", i, bad)
			}
		}
		if !strings.Contains(p, "</html>") {
			t.Errorf("page %d is not whole: %.200s", i, p)
		}
	}
	if w := get(t, st.h, "/books/write?way="+url.QueryEscape(evil), st.cookie); w.Code != 404 {
		t.Errorf("an unknown sort of entry: %d", w.Code)
	}
}

// season fills the books with a season of 60 entries besides those of booked.
func (st *stand) season() {
	for i := range 60 {
		from := at(12, 0, 0) - int64(60-i)*20*3600e9
		var b act.Body
		switch i % 6 {
		case 0:
			b = act.Purchase{Goods: act.Goods{Kind: "sugar", Bags: 20, BagKg: 25}, Price: 530, Lot: fmt.Sprint("B-", i)}
		case 1:
			b = act.Mix{Name: fmt.Sprint("mix ", i), Tote: "mixing tank", Parts: []act.Goods{{Kind: "sugar", Bags: 8, BagKg: 25}, {Kind: "hfcs-55", L: 20}}, WaterL: 110, Brix: 64.4, Before: &act.Content{L: 12}}
		case 2:
			b = act.Transfer{FromTote: "mixing tank", L: 250, Before: &act.Content{L: 40}}
		case 3:
			b = act.Fed{L: 12, Yard: "mill", Colonies: 3, Note: "weak ones by the fence"}
		case 4:
			b = act.Rinse{L: 15}
		case 5:
			b = act.Contents{Tote: "mixing tank", L: 30}
		}
		st.book.acts = append(st.book.acts, act.Act{ID: fmt.Sprintf("0123456789abcdef0123%04d", i), Rig: "heron", Who: "wren", When: from + 1, From: from, Body: b})
	}
}

func TestPagesOfTheBooksAreSmall(t *testing.T) {
	st := booked(t)
	st.season()
	for _, path := range []string{"/books", "/books/write?way=mix", "/books/write?fix=0123456789abcdef01230001"} {
		w := get(t, st.h, path, st.cookie)
		if n := w.Body.Len(); w.Code != 200 || n > 100_000 {
			t.Errorf("%s: status %d, %d bytes, want below 100000", path, w.Code, n)
		} else {
			t.Logf("%s: %d bytes", path, n)
		}
		page := w.Body.String()
		for _, m := range regexp.MustCompile(`<(?:select|input)[^>]*>`).FindAllString(page, -1) {
			if id := attr(m, "id"); !strings.Contains(m, `type="hidden"`) && !strings.Contains(page, `<label for="`+id+`"`) && !strings.Contains(m, `type="checkbox"`) {
				t.Errorf("%s: no label: %s", path, m)
			}
		}
		for _, m := range regexp.MustCompile(`(?:src|href)="(/[^"#]*)`).FindAllStringSubmatch(page, -1) {
			if w := get(t, st.h, html.UnescapeString(m[1]), st.cookie); w.Code != 200 {
				t.Errorf("%s links to %s: status %d", path, m[1], w.Code)
			}
		}
	}
	// More than a page has stand on pages of their own, each once.
	st.season()
	for i := range st.book.acts[63:] {
		st.book.acts[63+i].ID += "b"
	}
	seen := map[string]int{}
	pages := 0
	for path := "/books"; path != ""; pages++ {
		page := get(t, st.h, path, st.cookie).Body.String()
		for _, m := range regexp.MustCompile(`fix=([\w-]+)"`).FindAllStringSubmatch(page, -1) {
			seen[m[1]]++
		}
		path = ""
		if m := regexp.MustCompile(`href="(/books\?before=[^"#]*)`).FindStringSubmatch(page); m != nil {
			path = m[1]
		}
	}
	if pages < 2 || len(seen) != 112 { // ten looks into a tote were said again for the same instants
		t.Errorf("%d entries on %d pages, want 112 on 2 or more", len(seen), pages)
	}
	for id, n := range seen {
		if n != 1 {
			t.Errorf("%s stands there %d times", id, n)
		}
	}
}

// What two people said of one thing is there to be settled; what cannot be read
// or kept is said.
func TestBooksInTrouble(t *testing.T) {
	st := booked(t)
	from := at(21, 0, 0)
	st.book.acts = append(st.book.acts,
		act.Act{ID: "c1", Rig: "heron", Who: "wren", When: from + 1, From: from, Body: act.Contents{Tote: "mixing tank", L: 30}},
		act.Act{ID: "c2", Rig: "heron", Who: "heron", When: from + 2, From: from, Body: act.Contents{Tote: "mixing tank", L: 50}})
	page := words1(st.page("/books"))
	if !strings.Contains(page, "Said twice Content for 9 Oct 2026 21:00 was said twice: tote mixing tank held 13.2 gal by heron counts, and tote mixing tank held 7.9 gal by wren does not.") ||
		!strings.Contains(page, "Does not count: a later entry says otherwise.") {
		t.Errorf("nothing is to be settled: %s", page)
	}
	st.book.err = errors.New("the disk is full")
	w := st.fill("rinse", fields{"what": "4 gal"})
	if page := w.Body.String(); w.Code != 503 || !strings.Contains(page, "the disk is full") || filled(t, page).Get("what") != "4 gal" {
		t.Errorf("the disk is full: status %d", w.Code)
	}
	st.book.err = nil
	for i := 0; ; i++ {
		w = st.fill("rinse", fields{"what": fmt.Sprint(i+1, " gal")})
		if w.Code != 303 {
			break
		}
	}
	if page := w.Body.String(); w.Code != 429 || w.Header().Get("Retry-After") == "" || !strings.Contains(page, "too many") || filled(t, page).Get("what") == "" {
		t.Errorf("too many: status %d", w.Code)
	}
	if w := st.post("/books/write", "way=rinse&what="+strings.Repeat("9", mostBook)); w.Code != 400 {
		t.Errorf("a form too long: status %d", w.Code)
	}
	for _, path := range []string{"/books/write", "/books/back"} {
		if w := get(t, st.h, path, st.cookie); w.Code != 303 || w.Header().Get("Location") != "/books" {
			t.Errorf("%s asked for again: %d to %q", path, w.Code, w.Header().Get("Location"))
		}
	}
}

// In SI units the page asks and says in SI units; a house without books says so.
func TestBooksInSI(t *testing.T) {
	st := booked(t)
	snap := *st.feed.Snapshot()
	snap.Units = quantity.SI
	st.feed.set(&snap)
	if page := words1(st.page("/books")); !strings.Contains(page, "kind kg bags $ a kg sugar 800.0 32 1.060") || !strings.Contains(page, "110.0 L of water") {
		t.Errorf("%s", page)
	}
	if page := st.page("/books/write?way=mix"); !strings.Contains(page, "12 bags sugar + 150 L water") {
		t.Error("the form is not in SI units")
	}
	st.book.acts = nil
	if page := words1(st.page("/books")); !strings.Contains(page, "Nothing is booked yet.") || strings.Count(page, "Nothing that was booked.") != 2 {
		t.Errorf("without books: %s", page)
	}
}

// Night or day, chosen on a page of the books, leads back there.
func TestLookLeadsBackToTheBooks(t *testing.T) {
	st := booked(t)
	for from, to := range map[string]string{"/books": "/books", "/books/statement": "/books/statement", "/books/balance": "/books/balance",
		"/books/statement?from=2026-09-01&to=2026-10-01": "/books/statement?from=2026-09-01&to=2026-10-01", "/booksellers": "/", "/books/../look": "/"} {
		if w := st.post("/look", url.Values{"look": {"day"}, "from": {from}}.Encode()); w.Code != 303 || w.Header().Get("Location") != to {
			t.Errorf("from %s: %d to %q", from, w.Code, w.Header().Get("Location"))
		}
	}
	if page := st.page("/"); !strings.Contains(page, `href="/books"`) {
		t.Error("no way there from the night's page")
	}
}
