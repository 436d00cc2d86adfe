package dashboard

import (
	"encoding/csv"
	"encoding/json"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"yardtally/meter/act"
	"yardtally/meter/bucket"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// provings are bucket tests of a meter with some 500 pulses/gal; the last lies
// off the others.
func provingActs() []act.Act {
	day := int64(24 * 3600e9)
	test := func(id string, back int64, pulses, seconds float64) act.Act {
		done := at(17, 0, 0) - back*day
		return act.Act{ID: id, Rig: "heron", Who: "wren", When: done, From: done, Body: act.Proving{Pulses: pulses, NetKg: 20, Syrup: "sucrose", Brix: 64, TempC: 15, Seconds: seconds, DoneNS: done}}
	}
	return []act.Act{
		{ID: "meter", Rig: "heron", Who: act.BySettings, When: 1, Body: act.Meter{Type: "oval gear"}},
		{ID: "batch", Rig: "heron", Who: "wren", When: 2, Body: act.Batch{Syrup: "sucrose", Brix: 64.2}},
		test("p1", 30, 2016, 150), test("p2", 20, 2018, 60), test("p3", 10, 2015, 90), test("p4", 5, 2100, 90),
	}
}

// proved is the sample of a rig whose meter was proved.
func proved(t *testing.T) *stand {
	t.Helper()
	s := sample()
	acts := provingActs()
	s.View.Restore(acts)
	s.View.Batch = &act.Batch{Syrup: "sucrose", Brix: 64.2}
	st := newStand(t, s)
	st.book.acts = acts
	return st
}

func TestMeterPage(t *testing.T) {
	st := proved(t)
	page := st.page("/meter")
	got := words1(page)
	for _, want := range []string{
		"Due by 2027-04-02 17:00", "Prove it with a bucket", "What a pulse is worth", "flow × viscosity, gal/min · mPa·s", "K-factor, pulses/gal", "curve, right 19 times in 20",
		"Drawn for tonight’s syrup at 47 °F", "of tonight’s", "Proved range: flow", "The provings as a table", "outlier",
		"Does it drift?", "between the control limits", "when it was proved, 9 Sep 2026 to 4 Oct 2026", "outside, or off by more than chance", "rough",
		"Each proving", "2026-10-04 17:00", "mostly by scatter", "To do better: repeat the test", "Said by wren.",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in %s", want, got)
		}
	}
	if n := strings.Count(page, `<svg class="chart`); n != 2 {
		t.Errorf("%d charts, want 2", n)
	}
	if n := len(page); n > 40_000 {
		t.Errorf("%d bytes", n)
	}
	if strings.Contains(page, " style=") || strings.Contains(page, "<style") {
		t.Error("it styles inline")
	}
	// The same as its report, as CSV and JSON.
	rows, err := csv.NewReader(get(t, st.h, "/meter.csv").Body).ReadAll()
	if err != nil || len(rows) != 5 || rows[1][0] != "p1" {
		t.Errorf("CSV: %v, %v", rows, err)
	}
	var doc struct {
		Report   string
		Provings []struct{ Proving string }
	}
	if err := json.NewDecoder(get(t, st.h, "/meter.json").Body).Decode(&doc); err != nil || doc.Report != "meter" || len(doc.Provings) != 4 {
		t.Errorf("JSON: %+v, %v", doc, err)
	}
	// Who is not signed in reads, and can take nothing back.
	reads := words1(get(t, st.h, "/meter").Body.String())
	if !strings.Contains(reads, "Sign in to prove the meter") || strings.Contains(reads, "Take back") || !strings.Contains(reads, "Does it drift?") {
		t.Errorf("to a reader: %s", reads)
	}
}

func TestMeterPageOfLittle(t *testing.T) {
	for name, c := range map[string]struct {
		snap *Snapshot
		want string
	}{
		"no view":    {&Snapshot{}, "Nothing was proved yet"},
		"not proved": {sample(), "Nothing was proved yet"},
	} {
		w := get(t, handler(c.snap), "/meter")
		if got := words1(w.Body.String()); w.Code != 200 || !strings.Contains(got, c.want) || strings.Contains(got, "<svg class=\"chart") {
			t.Errorf("%s: %d: %s", name, w.Code, got)
		}
	}
	for name, body := range map[string][]act.Body{
		"a label":  {act.Proving{PulsesPerL: 132}},
		"one test": {act.Proving{Pulses: 2016, NetKg: 20, Brix: 64, TempC: 15, Seconds: 90, DoneNS: at(17, 0, 0)}},
		"by mass":  {act.Proving{Pulses: 2016, NetKg: 20, Mass: true, TempC: 15, DoneNS: at(17, 0, 0)}},
		"turbine": {act.Meter{Type: "turbine"}, act.Proving{Pulses: 2016, NetKg: 20, Brix: 50, TempC: 15, Seconds: 90, DoneNS: at(17, 0, 0)},
			act.Proving{Pulses: 2000, NetKg: 20, Brix: 50, TempC: 15, Seconds: 190, DoneNS: at(18, 0, 0)}},
	} {
		s := sample()
		var acts []act.Act
		for i, b := range body {
			acts = append(acts, act.Act{ID: string(rune('a' + i)), Rig: "heron", Who: "wren", When: int64(i + 1), Body: b})
		}
		s.View.Restore(acts)
		w := get(t, handler(s), "/meter")
		if got := words1(w.Body.String()); w.Code != 200 || !strings.Contains(got, "What a pulse is worth") || strings.Contains(got, "NaN") {
			t.Errorf("%s: %d: %s", name, w.Code, got)
		}
	}
}

// A proving is taken back, once, and nothing else is.
func TestTakeProvingBack(t *testing.T) {
	st := proved(t)
	w := st.post("/meter/back", "act=p4&token=a")
	if w.Code != 303 || !strings.HasPrefix(w.Header().Get("Location"), "/meter?said=") {
		t.Fatalf("status %d: %s", w.Code, words1(w.Body.String()))
	}
	said := st.said()
	if u, ok := said[len(said)-1].Body.(act.Undo); !ok || u.Act != "p4" {
		t.Errorf("said %+v", said[len(said)-1])
	}
	if got := words1(st.page(w.Header().Get("Location"))); !strings.Contains(got, "Taken back: proving of 2026-10-04 17:00, K-factor") {
		t.Errorf("not said: %s", got)
	}
	if w := st.post("/meter/back", "act=p4&token=a"); w.Code != 303 || len(st.said()) != len(said) {
		t.Errorf("sent twice: status %d, %d acts", w.Code, len(st.said()))
	}
	st.now = st.now.Add(time.Minute)
	for _, c := range []struct{ act, says string }{{"p4", "must not be taken back already"}, {"batch", "must be a proving"}, {"", "must be a proving"}, {"nobody", "must be a proving"}} {
		w := st.post("/meter/back", url.Values{"act": {c.act}, "token": {"b" + c.act}}.Encode())
		if got := words1(w.Body.String()); w.Code != 422 || !strings.Contains(got, "Nothing was taken back: act: "+c.says) {
			t.Errorf("%q: status %d: %s", c.act, w.Code, got)
		}
	}
	st.book.acts = append(st.book.acts, act.Act{ID: "s", Rig: "heron", Who: act.BySettings, When: 3, Body: act.Proving{PulsesPerL: 132}})
	if w := st.post("/meter/back", "act=s&token=c"); w.Code != 422 || !strings.Contains(w.Body.String(), "strike it out there") {
		t.Errorf("of the settings: status %d", w.Code)
	}
}

var hidden = regexp.MustCompile(`<input[^>]*type="hidden"[^>]*>`)

// proveForm is what a browser sends of a step's form that has a button of that
// value, with answers over what it is filled with.
func proveForm(t *testing.T, page, do string, answers map[string]string) url.Values {
	t.Helper()
	for _, form := range regexp.MustCompile(`(?s)<form.*?</form>`).FindAllString(page, -1) {
		if do != "" && !strings.Contains(form, `name="do" value="`+do+`"`) || do == "" && !strings.Contains(form, `method="get"`) {
			continue
		}
		q := url.Values{}
		for _, m := range hidden.FindAllString(form, -1) {
			q.Set(attr(m, "name"), attr(m, "value"))
		}
		for _, m := range regexp.MustCompile(`<input id="f-[^>]*>`).FindAllString(form, -1) {
			q.Set(attr(m, "name"), attr(m, "value"))
		}
		for _, m := range regexp.MustCompile(`(?s)<select[^>]* name="(\w+)".*?</select>`).FindAllStringSubmatch(form, -1) {
			if c := regexp.MustCompile(`<option value="([^"]*)" selected`).FindStringSubmatch(m[0]); c != nil {
				q.Set(m[1], c[1])
			}
		}
		for k, v := range answers {
			q.Set(k, v)
		}
		if do != "" {
			q.Set("do", do)
		}
		return q
	}
	t.Fatalf("no form %q: %s", do, words1(page))
	return nil
}

// follow sends a form and returns where it leads.
func (st *stand) follow(q url.Values) string {
	st.t.Helper()
	w := st.post("/meter/prove", q.Encode())
	if w.Code != 303 {
		st.t.Fatalf("%v: status %d: %s", q, w.Code, words1(w.Body.String()))
	}
	to, _, _ := strings.Cut(w.Header().Get("Location"), "#")
	return to
}

// pull has the meter count on: a pull of so many pulses in so many seconds.
func (st *stand) pull(pulses uint64, seconds int64, open bool) {
	s := *st.feed.Snapshot()
	v := *s.View
	n := len(v.Fills)
	last := v.Fills[n-1]
	last.Open = false
	v.Fills = append(v.Fills[:n-1:n-1], last, outing.Fill{Session: last.Session, First: last.Last, Last: last.Last + pulses, Start: last.End + 60e9, End: last.End + (60+seconds)*1e9, Open: open, Visit: -1})
	v.At = last.End + (61+seconds)*1e9
	v.Syrup = ledger.Last{Value: 15, At: v.At, Has: true}
	s.View, s.Now = &v, v.At
	st.feed.set(&s)
}

// settle ends the pull that is open.
func (st *stand) settle() {
	s := *st.feed.Snapshot()
	v := *s.View
	n := len(v.Fills)
	last := v.Fills[n-1]
	last.Open = false
	v.Fills = append(v.Fills[:n-1:n-1], last)
	s.View = &v
	st.feed.set(&s)
}

// A person is led from the empty bucket to a proving that is kept.
func TestProveGuidedPage(t *testing.T) {
	st := proved(t)
	st.settle()
	was := len(st.said())
	page := st.page("/meter/prove")
	for _, c := range bucket.Cautions {
		if !strings.Contains(words1(page), c) {
			t.Errorf("not said before anything is poured: %s", c)
		}
	}
	if !strings.Contains(words1(page), "empty: 64.2, as the batch") {
		t.Errorf("the batch's Brix is not offered: %s", words1(page))
	}
	to := st.follow(proveForm(t, page, "start", map[string]string{"wish": "0.25 %", "empty": "2.6 lb", "brix": "66.7"}))
	page = st.page(to)
	if got := words1(page); !strings.Contains(got, "0 pulses in 0 s") || !strings.Contains(got, "For ± 0.25 % draw") || !strings.Contains(page, `data-stream="meter/prove/live?`) || !strings.Contains(page, "Look again") {
		t.Errorf("drawing: %s", got)
	}
	// Nothing yet.
	q := proveForm(t, page, "stop", nil)
	if w := st.post("/meter/prove", q.Encode()); w.Code != 422 || !strings.Contains(words1(w.Body.String()), "count: must be above 0: nothing was counted since the start") {
		t.Errorf("nothing drawn: status %d: %s", w.Code, words1(w.Body.String()))
	}
	st.pull(1200, 60, true)
	page = st.page(to)
	if got := words1(page); !strings.Contains(got, "1200 pulses in 60 s, flowing") || !strings.Contains(got, "About 2.4 gal (26.6 lb) so far.") || !strings.Contains(got, "to go") || !strings.Contains(got, "If you stopped now it would be sure to ±") {
		t.Errorf("flowing: %s", got)
	}
	if w := st.post("/meter/prove", proveForm(t, page, "stop", nil).Encode()); w.Code != 422 || !strings.Contains(words1(w.Body.String()), "let go, wait a few seconds") {
		t.Errorf("still flowing: status %d: %s", w.Code, words1(w.Body.String()))
	}
	st.settle()
	q = proveForm(t, st.page(to), "stop", nil)
	to = st.follow(q)
	if again := st.follow(q); again != to {
		t.Errorf("sent twice it leads to %s, not to %s", again, to)
	}
	said := st.said()
	if len(said) != was+1 {
		t.Fatalf("%d acts, want one that says where the syrup went", len(said)-was)
	}
	if d, ok := said[was].Body.(act.Deem); !ok || d.As != act.AsProving || d.Last-d.First != 1200 {
		t.Errorf("said %+v", said[was].Body)
	}
	page = st.page(to)
	if got := words1(page); !strings.Contains(got, "The meter counted 1200 pulses in 60 s.") {
		t.Errorf("weighing: %s", got)
	}
	q = proveForm(t, page, "", map[string]string{"full": "28.9 lb"})
	if q.Get("empty") != "2.6 lb" || q.Get("brix") != "66.7" || q.Get("temp") != "59 F" {
		t.Errorf("carried on: %v", q)
	}
	look := "/meter/prove?" + q.Encode()
	page = st.page(look)
	for _, want := range []string{"K-factor ", "proved at ", "What it is uncertain by", "scale calibration", "To do better", "What changes", "K-factor there", "Keep this proving", "Throw it away"} {
		if !strings.Contains(words1(page), want) {
			t.Errorf("before it is kept: no %q in %s", want, words1(page))
		}
	}
	if len(st.said()) != was+1 {
		t.Error("it was kept before anybody said so")
	}
	keep := proveForm(t, page, "keep", nil)
	to = st.follow(keep)
	st.follow(keep)
	said = st.said()
	if len(said) != was+2 {
		t.Fatalf("%d acts, want 2", len(said)-was)
	}
	a := said[was+1]
	b := a.Body.(act.Proving)
	f := st.feed.Snapshot().View.Fills
	if b.Pulses != 1200 || b.Seconds != 60 || b.Brix != 66.7 || b.Syrup != "sucrose" || b.TempC != 15 || b.DoneNS != f[len(f)-1].End || a.From != b.DoneNS || b.Session != f[len(f)-1].Session || b.Last-b.First != 1200 {
		t.Errorf("kept %+v from %d", b, a.From)
	}
	if kg := 26.3 * 0.45359237; b.NetKg < kg-1e-6 || b.NetKg > kg+1e-6 { // NIST SP 811, appendix B
		t.Errorf("net %v kg, want %v", b.NetKg, kg)
	}
	if got := words1(st.page(to)); !strings.Contains(got, "Kept: proving of 2026-") || !strings.Contains(got, "It holds from") || !strings.Contains(got, "Take back") {
		t.Errorf("kept: %s", got)
	}
}

// Thrown away, nothing is kept but where the syrup went, and that can be taken back.
func TestProvingThrownAway(t *testing.T) {
	st := proved(t)
	st.settle()
	to := st.follow(proveForm(t, st.page("/meter/prove"), "start", nil))
	st.pull(900, 50, false)
	to = st.follow(proveForm(t, st.page(to), "stop", nil))
	was := len(st.said())
	to = st.follow(proveForm(t, st.page(to), "away", nil))
	if got := words1(st.page(to)); !strings.Contains(got, "Thrown away: no proving was kept.") {
		t.Errorf("said: %s", got)
	}
	if len(st.said()) != was {
		t.Error("something was kept")
	}
	id := st.said()[was-1].ID
	w := st.post("/meter/back", "token=z&act="+id)
	if w.Code != 303 || !strings.Contains(words1(st.page(w.Header().Get("Location"))), "a colony’s again") {
		t.Errorf("taken back: %d", w.Code)
	}
}

// Errors stand at their field, with the rule and what was written.
func TestProveRefuses(t *testing.T) {
	st := proved(t)
	st.settle()
	for _, c := range []struct {
		name  string
		f     map[string]string
		field string
		says  string
	}{
		{"wish", map[string]string{"wish": "lots"}, "wish", `must be a share above 0 and at most 10 %, like 0.3 %, is "lots"`},
		{"brix", map[string]string{"brix": "78"}, "brix", "must be above 0 and at most 77 Brix"},
		{"brix and none", map[string]string{"brix": "64", "mass": "true"}, "brix", "must be empty where it is proved by weight alone"},
		{"syrup", map[string]string{"syrup": "maple"}, "syrup", `must be sucrose, invert, hfcs-42 or hfcs-55, is "maple"`},
		{"no brix", map[string]string{"syrup": "sucrose", "brix": ""}, "brix", "must be given"},
		{"empty", map[string]string{"empty": "-1 kg"}, "empty", "must be between 0 and 500 kg"},
		{"weight", map[string]string{"empty": "light"}, "empty", `must be a weight, like 1.2 kg or 2.6 lb, is "light"`},
		{"step", map[string]string{"scale-step": "0 g"}, "scale-step", "must be above 0"},
		{"within", map[string]string{"temp-within": "x"}, "temp-within", "must be a difference of temperatures"},
		{"note", map[string]string{"note": strings.Repeat("x", 500)}, "note", "must have 400 letters at most"},
	} {
		q := proveForm(t, st.page("/meter/prove"), "start", c.f)
		w := st.post("/meter/prove", q.Encode())
		page := w.Body.String()
		if w.Code != 422 || !strings.Contains(words1(page), c.says) || !strings.Contains(page, `href="#f-`+c.field+`"`) || !strings.Contains(page, `id="e-`+c.field+`"`) {
			t.Errorf("%s: status %d: %s", c.name, w.Code, words1(page))
		}
	}
	// Weighing, with pulses that were typed.
	to := st.follow(proveForm(t, st.page("/meter/prove"), "hand", nil))
	good := map[string]string{"pulses": "2016", "time": "90", "empty": "1.2 kg", "full": "21.2 kg", "temp": "15 C"}
	for _, c := range []struct {
		field, value, says string
	}{
		{"pulses", "many", "must be a count between 1 and 1000000000"}, {"time", "0", "must be between 0.1 and 86400 s"}, {"full", "1 kg", "more than the empty bucket's 2.6 lb"},
		{"temp", "90 C", "must be between -5 °C and 50 °C"}, {"full", "6000 kg", "must be between 0.05 and 5000 kg more"}, {"empty", "", "must be a weight"}, {"brix", "80", "at most 77 Brix"},
	} {
		f := map[string]string{}
		for k, v := range good {
			f[k] = v
		}
		f[c.field] = c.value
		q := proveForm(t, st.page(to), "", f)
		w := get(t, st.h, "/meter/prove?"+q.Encode(), st.cookie)
		page := w.Body.String()
		if w.Code != 422 || !strings.Contains(words1(page), c.says) || !strings.Contains(page, `id="e-`+c.field+`"`) {
			t.Errorf("%s %q: status %d: %s", c.field, c.value, w.Code, words1(page))
		}
	}
	q := proveForm(t, st.page(to), "", good)
	if got := words1(st.page("/meter/prove?" + q.Encode())); !strings.Contains(got, "Keep this proving") {
		t.Errorf("what is right is refused: %s", got)
	}
	// A made-up count is none.
	for _, bad := range []string{"/meter/prove?since=x", "/meter/prove?counts=1.2.3&full=20+kg&empty=1+kg&temp=15+C&brix=64"} {
		if got := words1(get(t, st.h, bad, st.cookie).Body.String()); !strings.Contains(got, "as the page has it") {
			t.Errorf("%s: %s", bad, got)
		}
	}
	if w := st.post("/meter/prove", "do=dance&token=q"); w.Code != 422 {
		t.Errorf("an unknown step: status %d", w.Code)
	}
}

// Of a meter that is not heard the count so far is not shown as it were now.
func TestProveSaysSilence(t *testing.T) {
	st := proved(t)
	st.settle()
	to := st.follow(proveForm(t, st.page("/meter/prove"), "start", nil))
	s := *st.feed.Snapshot()
	s.Now += 3600e9
	st.feed.set(&s)
	if got := words1(st.page(to)); !strings.Contains(got, "The meter was not heard for 60 min") {
		t.Errorf("silent for an hour: %s", got)
	}
}

// Reading the page does not need a passphrase, saying something does.
func TestProveNeedsTheDoor(t *testing.T) {
	st := proved(t)
	if got := words1(get(t, st.h, "/meter/prove").Body.String()); !strings.Contains(got, "Sign in to prove the meter") || strings.Contains(got, "Ready: start to count") {
		t.Errorf("to a reader: %s", got)
	}
	r := httptest.NewRequest("POST", "/meter/prove", strings.NewReader("do=start"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	st.h.ServeHTTP(w, r)
	if w.Code == 303 || len(st.said()) != len(provingActs()) {
		t.Errorf("without the passphrase: status %d", w.Code)
	}
}
