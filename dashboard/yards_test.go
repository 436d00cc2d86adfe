package dashboard

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// aSeason is the sample as a season: two nights, with colonies, targets and places.
func aSeason() *Snapshot {
	s := twice()
	v := *s.View
	v.Yards = slices.Clone(v.Yards)
	for i := range v.Yards {
		y := &v.Yards[i]
		y.Standing, y.Each = y.Colonies, y.Fill
		y.Lat, y.Lon, y.EnterM, y.LeaveM = 43.2+0.01*float64(i), -91.9+0.02*float64(i), 60, 96
	}
	v.Loose = slices.Clone(v.Loose)
	for i := range v.Loose { // with counts, as the meter has them
		v.Loose[i].Session, v.Loose[i].First, v.Loose[i].Last = 3, uint64(1000*i), uint64(1000*i+50)
	}
	v.Yards[0].Target = ledger.Target{Each: 2 * quantity.USGallon}
	v.Yards[1].Target = ledger.Target{Sugar: 20 * quantity.Pound, All: true}
	s.View = &v
	return s
}

// What the page says of yards adds up to what the view has.
func TestAllYards(t *testing.T) {
	s := aSeason()
	h := handler(s)
	page := get(t, h, "/yards").Body.String()
	from, to := report.SeasonOf(s.View.Outings[0].From, zone)
	ys, all := report.Season(s.View, from, to)
	if len(ys) != 4 || ys[3].Yard != "" {
		t.Fatalf("%d lines: %+v", len(ys), ys)
	}
	shown := int64(0)
	cells := regexp.MustCompile(`data-of="gal">([\d.]+)`).FindAllStringSubmatch(page, -1)
	if len(cells) != 5 {
		t.Fatalf("%d volumes on the page, want 4 and their sum", len(cells))
	}
	for i, c := range cells {
		x, err := strconv.ParseFloat(c[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		n := int64(math.Round(100 * x))
		if i < 4 {
			shown += n
			if off := math.Abs(x - ys[i].Volume.USGallons()); off > 0.01 {
				t.Errorf("line %d: %s, the view has %.4f", i, c[1], ys[i].Volume.USGallons())
			}
		} else if n != shown {
			t.Errorf("the lines come to %d hundredths, the sum says %d", shown, n)
		}
	}
	var sum quantity.Volume
	for _, f := range s.View.Fills {
		sum += f.Volume
	}
	if all.Volume != sum {
		t.Errorf("the season is %v, the fills %v", all.Volume, sum)
	}
	// Larch Bank took 19 fills of about a gallon for 20 colonies, of two meant: some 47 %.
	each, _, ok := ys[0].Colony()
	share, _, told := ys[0].Share()
	if ys[0].Name != "Larch Bank" || !ok || !told || math.Abs(each.USGallons()-ys[0].Volume.USGallons()/20) > 1e-9 || math.Abs(share-each.USGallons()/2) > 1e-9 {
		t.Errorf("%s: %v a colony, %.3f of the target", ys[0].Name, each, share)
	}
	if !strings.Contains(page, report.Percent(share)) || !strings.Contains(page, "2.00 gal") {
		t.Error("the page does not say how far the target is")
	}
	if _, _, ok := ys[1].Share(); ok {
		t.Error("a share of a target of sugar, of syrup whose sugar nobody knows")
	}
	// Every path on the page leads somewhere.
	for _, m := range regexp.MustCompile(`href="(/[^"]+)"`).FindAllStringSubmatch(page, -1) {
		if w := get(t, h, strings.ReplaceAll(m[1], "&amp;", "&")); w.Code != 200 {
			t.Errorf("%s: status %d", m[1], w.Code)
		}
	}
	if !strings.Contains(page, `<svg class="plan"`) || strings.Index(page, `<svg class="plan"`) < strings.Index(page, "</table>") {
		t.Error("the plan does not stand below the table")
	}
}

// The lines are put in order by links alone.
func TestOrderOfYards(t *testing.T) {
	s := aSeason()
	h := handler(s)
	names := func(path string) (out []string) {
		for _, m := range regexp.MustCompile(`class="name(?: to)?"[^>]*>([^<]+)<`).FindAllStringSubmatch(get(t, h, path).Body.String(), -1) {
			out = append(out, m[1])
		}
		return out
	}
	for _, c := range []struct{ by, want string }{
		{"", "Larch Bank, Mill Bottom, Orchard End, No yard known"},
		{"?by=newest", "Mill Bottom, Orchard End, Larch Bank, No yard known"},
		{"?by=volume", "Orchard End, Larch Bank, Mill Bottom, No yard known"},
		{"?by=each", "Mill Bottom, Larch Bank, Orchard End, No yard known"},
		{"?by=share", "Larch Bank, Mill Bottom, Orchard End, No yard known"},
		{"?by=nonsense", "Larch Bank, Mill Bottom, Orchard End, No yard known"},
	} {
		if got := strings.Join(names("/yards"+c.by), ", "); got != c.want {
			t.Errorf("%q: %s, want %s", c.by, got, c.want)
		}
	}
}

// The season for programs has the same figures, without rounding.
func TestSeasonToTakeAway(t *testing.T) {
	s := aSeason()
	h := handler(s)
	var doc struct {
		Yards []struct {
			Yard    string
			FillsL  float64 `json:"fills_l"`
			TargetL float64 `json:"target_l"`
			Share   *float64
		}
		Sum struct {
			FillsL float64 `json:"fills_l"`
		}
	}
	if err := json.Unmarshal(get(t, h, "/yards/season.json").Body.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for _, y := range doc.Yards {
		sum += y.FillsL
	}
	if len(doc.Yards) != 4 || math.Abs(sum-doc.Sum.FillsL) > 1e-9 || doc.Yards[0].TargetL != quantity.Volume(2*quantity.USGallon).Litres() || doc.Yards[0].Share == nil || doc.Yards[1].Share != nil {
		t.Errorf("%+v", doc)
	}
	if rows := strings.Split(strings.TrimSpace(get(t, h, "/yards/season.csv").Body.String()), "\n"); len(rows) != 5 || !strings.HasPrefix(rows[1], "larch,Larch Bank,1,") {
		t.Errorf("%q", rows)
	}
	if rows := strings.Split(strings.TrimSpace(get(t, h, "/yards/orchard.csv").Body.String()), "\n"); len(rows) != 3 { // two visits
		t.Errorf("%q", rows)
	}
	k := len(s.View.Visits) - 1
	fills, loose := report.FlowsOf(s.View, k)
	rows := strings.Split(strings.TrimSpace(get(t, h, fmt.Sprint("/visit.csv?at=", s.View.Visits[k].From)).Body.String()), "\n")
	if len(rows) != 1+len(fills)+len(loose) {
		t.Errorf("%d rows of a visit of %d fills and %d others", len(rows), len(fills), len(loose))
	}
}

// A visit's fills and what flowed beside them are all on its page, each with
// its own, and add up.
func TestAVisit(t *testing.T) {
	s := aSeason()
	st := newStand(t, s)
	for k := range s.View.Visits {
		fills, loose := report.FlowsOf(s.View, k)
		page := st.page(fmt.Sprint("/visit?at=", s.View.Visits[k].From))
		for i := range fills {
			if !strings.Contains(page, flowLink(fills[i].Session, fills[i].First)) {
				t.Errorf("visit %d: fill %d has no link", k, i)
			}
		}
		for i := range loose {
			if !strings.Contains(page, report.SayLoose(&loose[i])) {
				t.Errorf("visit %d: %s is not said", k, report.SayLoose(&loose[i]))
			}
		}
		sum := regexp.MustCompile(`>sum</th><td>([\d.]+)`).FindStringSubmatch(page)
		if len(fills) > 0 {
			var v quantity.Volume
			for i := range fills {
				v += fills[i].Volume
			}
			if x, _ := strconv.ParseFloat(sum[1], 64); math.Abs(x-v.USGallons()) > 0.011 {
				t.Errorf("visit %d: %s, the view has %.3f", k, sum[1], v.USGallons())
			}
		}
	}
}

// What is said of flow on its page becomes the act it should be, leads back to
// the page, and is taken back there.
func TestCorrectionsBySaying(t *testing.T) {
	s := aSeason()
	s.Live.Flow = 0
	v := s.View
	i := slices.IndexFunc(v.Fills, func(f ledger.Fill) bool { return f.Yard == "orchard" && f.Session == 2 && !f.TopUp })
	f, next := v.Fills[i], v.Fills[i+1]
	named := ofFill(&f)
	pull := url.QueryEscape(named.pull())
	page := url.QueryEscape("/fill?pull=" + pull)
	mid := f.First + (f.Last-f.First)/2
	half := (f.Volume * quantity.Volume(mid-f.First) / quantity.Volume(f.Last-f.First)).USGallons()
	for _, c := range []struct {
		path, form string
		want       act.Body
		words      string
	}{
		{"/say/move", "yard=mill", act.Assign{Session: 2, First: f.First, Last: f.Last, Yard: "mill"}, "Moved to Mill Bottom: "},
		{"/say/move", "yard=", act.Assign{Session: 2, First: f.First, Last: f.Last}, "Taken out of its yard: "},
		{"/say/cut", "where=" + url.QueryEscape(fmt.Sprintf("%.6f gal", half)), act.Cut{Session: 2, At: mid}, "Cut after count "},
		{"/say/cut", "where=" + strconv.FormatFloat(half, 'f', 6, 64), act.Cut{Session: 2, At: mid}, "Cut after count "},
		{"/say/join", "with=after", act.Deem{Session: 2, First: next.First, Last: next.Last, As: act.AsTopUp}, "A top-up of the one before: "},
		{"/say/deem", "as=proving", act.Deem{Session: 2, First: f.First, Last: f.Last, As: act.AsProving}, "A proving: "},
	} {
		st := newStand(t, s)
		w := st.post(c.path, "pull="+pull+"&page="+page+"&token=a&"+c.form)
		to := w.Header().Get("Location")
		if w.Code != 303 || !strings.HasPrefix(to, "/fill?pull=") || !strings.HasSuffix(to, "#said") {
			t.Errorf("%s %s: status %d, to %q: %s", c.path, c.form, w.Code, to, w.Body)
			continue
		}
		said := st.said()
		if len(said) != 1 || said[0].Body != c.want {
			t.Errorf("%s %s: said %+v, want %+v", c.path, c.form, said, c.want)
			continue
		}
		body := st.page(to)
		if !strings.Contains(body, c.words) {
			t.Errorf("%s %s: the page does not say %q", c.path, c.form, c.words)
		}
		if w := st.post("/say/back", "act="+said[0].ID+"&page="+page+"&token=b"); w.Code != 303 || !strings.Contains(st.page(w.Header().Get("Location")), "Taken back: ") {
			t.Errorf("%s %s: not taken back: %d", c.path, c.form, w.Code)
		}
		if all := st.said(); len(all) != 2 || all[1].Body != (act.Undo{Act: said[0].ID}) {
			t.Errorf("%s: taken back as %+v", c.path, all)
		}
	}

	// A visit begins with a flow in it, and goes on where its yard was visited
	// before on the outing.
	last := len(v.Visits) - 1
	x := v.Visits[last]
	fills, _ := report.FlowsOf(v, last)
	start := ofFill(&fills[3])
	for _, c := range []struct {
		pull, what string
		want       act.Visit
		yard       string
	}{
		{start.pull(), "begins", act.Visit{At: act.Moment{NS: start.start}}, "mill"},
		{start.pull(), "goes on", act.Visit{At: act.Moment{NS: x.From}, Goes: true}, "orchard"},
	} {
		again, v := *s, *v
		v.Visits = slices.Clone(v.Visits)
		v.Visits[last].Yard = c.yard
		again.View = &v
		st := newStand(t, &again)
		page := fmt.Sprint("/visit?at=", x.From)
		if !strings.Contains(st.page(page), map[string]string{"begins": "Split the visit", "goes on": "Join with that visit"}[c.what]) {
			t.Errorf("the visit's page does not offer that it %s", c.what)
		}
		w := st.post("/say/visit", url.Values{"pull": {c.pull}, "what": {c.what}, "page": {page}, "token": {"a"}}.Encode())
		if said := st.said(); w.Code != 303 || len(said) != 1 || said[0].Body != c.want {
			t.Errorf("%s: status %d, said %+v, want %+v: %s", c.what, w.Code, said, c.want, between(w.Body.String(), `id="said"`, "</div>"))
		}
	}

	// All of a visit is one tap, and is taken back by one.
	st := newStand(t, s)
	w := st.post("/say/move", "pull="+pull+"&whole=1&yard=larch&token=a&page="+url.QueryEscape("/visit?pull="+pull))
	counts, _ := report.CountsOf(v, f.Visit)
	if w.Code != 303 || len(st.said()) != len(counts) || len(counts) == 0 {
		t.Fatalf("status %d, %d acts, want %d", w.Code, len(st.said()), len(counts))
	}
	body := st.page(w.Header().Get("Location"))
	m := regexp.MustCompile(`name="act" value="([^"]+)">Take back`).FindStringSubmatch(body)
	if m == nil || len(strings.Fields(m[1])) != len(counts) {
		t.Fatalf("the page does not take all of it back: %v", m)
	}
	if w := st.post("/say/back", "token=b&act="+url.QueryEscape(m[1])); w.Code != 303 || len(st.said()) != 2*len(counts) {
		t.Errorf("status %d, %d acts", w.Code, len(st.said()))
	}
	// And so it is on the page of tonight.
	if w := st.post("/say/move", "pull="+pull+"&yard=larch&token=c"); w.Header().Get("Location")[:2] != "/?" || !strings.Contains(st.page("/"), "Moved to Larch Bank: ") {
		t.Error("tonight does not list what was moved")
	}
}

// What holds from a day on is kept with that day.
func TestColoniesAndTargets(t *testing.T) {
	s := aSeason()
	for _, c := range []struct {
		path, form string
		from       int64
		want       act.Body
		words      string
	}{
		{"/say/colonies", "yard=mill&count=17", newModel(s).begins, act.Colonies{Yard: "mill", Count: 17}, "17 colonies at Mill Bottom."},
		{"/say/colonies", "yard=mill&count=17&each=4+L&since=ever", 0, act.Colonies{Yard: "mill", Count: 17, FillL: 4}, "17 colonies at Mill Bottom, 1.06 gal each."},
		{"/say/target", "yard=mill&season=6+L", s.Now, act.Target{Yard: "mill", EachL: 6}, "Mill Bottom: 1.59 gal of syrup a colony in the season."},
		{"/say/target", "yard=&season=10+kg", s.Now, act.Target{SugarKg: 10}, "Every yard without a target of its own: 22.0 lb of sugar a colony in the season."},
		{"/say/target", "yard=mill&season=&none=1", s.Now, act.Target{Yard: "mill"}, "Mill Bottom: no target."},
	} {
		st := newStand(t, s)
		w := st.post(c.path, c.form+"&token=a&page=%2Fyards%2Fmill")
		if w.Code != 303 || !strings.HasPrefix(w.Header().Get("Location"), "/yards/mill?said=") {
			t.Errorf("%s %s: status %d to %q: %s", c.path, c.form, w.Code, w.Header().Get("Location"), w.Body)
			continue
		}
		if said := st.said(); len(said) != 1 || said[0].Body != c.want || said[0].From != c.from {
			t.Errorf("%s %s: said %+v from %d, want %+v from %d", c.path, c.form, said, said[0].From, c.want, c.from)
		}
		if page := st.page(w.Header().Get("Location")); !strings.Contains(page, c.words) {
			t.Errorf("%s %s: the page does not say %q", c.path, c.form, c.words)
		}
	}
}

// What cannot be so is refused on the page that it was said on: field, rule, value.
func TestCorrectionsRefused(t *testing.T) {
	s := aSeason()
	s.Live.Flow = 0
	v := s.View
	i := slices.IndexFunc(v.Fills, func(f ledger.Fill) bool { return f.Session == 2 })
	f := v.Fills[i]
	named := ofFill(&f)
	pull := url.QueryEscape(named.pull())
	visit := v.Visits[f.Visit]
	st := newStand(t, s)
	for _, c := range []struct{ path, form, page, why, still string }{
		{"/say/move", "yard=foot&pull=" + pull, "/fill?pull=" + pull, `yard: must be a yard of this rig, is "foot"`, "How it flowed"},
		{"/say/move", "pull=" + pull, "/fill?pull=" + pull, `yard: must be a yard of this rig, is ""`, "How it flowed"},
		{"/say/move", "yard=mill&pull=9+9", "/fill?pull=" + pull, `pull: must be a flow that the rig still knows, is "9 9"`, "How it flowed"},
		{"/say/cut", "where=9+gal&pull=" + pull, "/fill?pull=" + pull, `where: must be more than nothing and less than all of its `, "Cut it in two"},
		{"/say/cut", "where=9+ft&pull=" + pull, "/fill?pull=" + pull, `where: must be a volume with its unit, like 0.5 gal, or a time like 21:04:30, is "9 ft"`, "Cut it in two"},
		{"/say/cut", "where=03:00&pull=" + pull, "/fill?pull=" + pull, `when it flowed, is "03:00"`, "Cut it in two"},
		{"/say/join", "with=above&pull=" + pull, "/fill?pull=" + pull, `with: must be before or after, is "above"`, "Cut it in two"},
		{"/say/deem", "as=honey&pull=" + pull, "/fill?pull=" + pull, `as: must be "fill", "top-up"`, "Cut it in two"},
		{"/say/visit", "what=ends&pull=" + pull, fmt.Sprint("/visit?at=", visit.From), `what: must be begins or goes on, is "ends"`, "Move the visit"},
		{"/say/colonies", "yard=mill&count=some", "/yards/mill", `colonies: must be a whole number between 0 and 100000, is "some"`, "Keep the number"},
		{"/say/colonies", "yard=mill&count=4&each=1+ft", "/yards/mill", `each: must be a volume with its unit, like 1 gal or 4 L, is "1 ft"`, "Keep the number"},
		{"/say/target", "yard=mill&season=6", "/yards/mill", `season: must be a volume of syrup or a weight of sugar with its unit, like 6 gal or 40 lb, is "6"`, "Keep the target"},
		{"/say/target", "yard=mill&season=900+gal", "/yards", `season: must be above 0 and at most 500 L of syrup or 500 kg of sugar, is "900 gal"`, "What is meant for a season"},
		{"/say/target", "yard=foot&season=6+gal", "/yards/mill", `yard: must be a yard of this rig, is "foot"`, "Keep the target"},
	} {
		w := st.post(c.path, c.form+"&token=a&page="+url.QueryEscape(c.page))
		body := unescaped(w.Body.String())
		if w.Code != 422 || !strings.Contains(body, "Nothing was said: ") || !strings.Contains(body, c.why) || !strings.Contains(body, c.still) {
			t.Errorf("%s %s: status %d, want 422 with %q on a page with %q: %s", c.path, c.form, w.Code, c.why, c.still, between(body, `id="said"`, "</div>"))
		}
	}
	if said := st.said(); len(said) > 0 {
		t.Errorf("acts were said: %+v", said)
	}
	st.cookie = nil
	if w := st.post("/say/move", "yard=mill&pull="+pull); w.Code == 303 && strings.HasPrefix(w.Header().Get("Location"), "/fill") || len(st.said()) > 0 {
		t.Errorf("whoever is not signed in moves fills: status %d", w.Code)
	}
}

func unescaped(s string) string {
	return strings.NewReplacer("&#34;", `"`, "&#39;", "'", "&#43;", "+", "&amp;", "&", "\u00a0", " ").Replace(s)
}

func between(s, from, to string) string {
	_, s, _ = strings.Cut(s, from)
	s, _, _ = strings.Cut(s, to)
	return s
}

// A form leads back to our own pages only.
func TestFormsLeadBackHome(t *testing.T) {
	for _, bad := range []string{"", "//elsewhere.test/fill", "https://elsewhere.test/yards", "/fill/../books", "/books", `/yards/\elsewhere`, "fill", "/fillet", "javascript:alert(1)", "/rigs/wren/fill"} {
		if u := backTo(bad); u != nil {
			t.Errorf("%q leads to %s", bad, u)
		}
	}
	for _, good := range []string{"/yards", "/yards/mill", "/visit?at=17", "/fill?pull=2+1000"} {
		if u := backTo(good); u == nil || u.RequestURI() != good {
			t.Errorf("%q leads to %v", good, u)
		}
	}
}

// Where nothing is known yet the pages say so; what there never was is not found.
func TestYardsOfNothing(t *testing.T) {
	bare := &Snapshot{Now: at(21, 0, 0), Zone: zone}
	named := &Snapshot{Now: at(21, 0, 0), Zone: zone, View: &ledger.View{Yards: []ledger.YardInfo{{ID: "mill", Name: "Mill Bottom"}}}}
	for _, c := range []struct {
		snap *Snapshot
		path string
		code int
		want string
	}{
		{bare, "/yards", 200, "No yard is known yet"},
		{bare, "/visit", 200, "No visit yet: nothing has flowed."},
		{bare, "/visit?at=5", 404, "No visit is known of then"},
		{bare, "/fill", 404, "No flow is known by these counts"},
		{bare, "/yards/mill", 404, `No yard has the id &#34;mill&#34;`},
		{named, "/yards", 200, "Mill Bottom"},
		{named, "/yards/mill", 200, "Nothing was fed here in 2026."},
		{named, "/yards/mill", 200, "Where it lies is not known."},
		{named, "/yards/season.csv", 200, "mill,Mill Bottom,0,"},
		{named, "/visit.csv?at=5", 404, "No visit"},
		{named, "/fill.csv?pull=1+2", 404, "No flow"},
		{sample(), "/fill?pull=x", 404, "No flow"},
	} {
		if w := get(t, handler(c.snap), c.path); w.Code != c.code || !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%s: status %d, want %d with %q: %s", c.path, w.Code, c.code, c.want, w.Body)
		}
	}
}

// Of several rigs each has these pages under its own path, and forms lead back there.
func TestYardsInAHouse(t *testing.T) {
	h := NewHouse(HouseOptions{Rigs: []Options{{Feed: newFeed(aSeason()), Rig: "heron"}, {Feed: newFeed(aSeason()), Rig: "wren"}}})
	for _, path := range []string{"/rigs/wren/yards", "/rigs/wren/yards/mill", "/rigs/wren/visit"} {
		page := get(t, h, path).Body.String()
		for _, m := range regexp.MustCompile(`href="(/[^"#?]*)`).FindAllStringSubmatch(page, -1) {
			if !strings.HasPrefix(m[1], "/rigs/wren/") && m[1] != "/rigs" && !strings.HasSuffix(m[1], ".css") && m[1] != "/mark.svg" {
				t.Errorf("%s leads to %s", path, m[1])
			}
		}
	}
}

// A visit of hundreds of fills, and hundreds of yards, stay light.
func TestYardsAreLight(t *testing.T) {
	weigh := func(s *Snapshot, path string) int {
		h := handler(s)
		sum := 0
		for _, p := range []string{path, "/style.css", "/forecast.css", "/yards.css", "/mark.svg"} {
			w := get(t, h, p)
			if w.Code != 200 {
				t.Fatalf("%s: status %d", p, w.Code)
			}
			sum += w.Body.Len()
		}
		t.Logf("%s: %d bytes", path, sum)
		return sum
	}
	if n := weigh(many(300), "/visit"); n >= 100_000 {
		t.Errorf("a visit of 300 fills: %d bytes", n)
	}
	s := aSeason()
	v := *s.View
	for i := range 200 {
		v.Yards = append(v.Yards, ledger.YardInfo{ID: fmt.Sprint("yard", i), Name: fmt.Sprint("Yard ", i), Lat: 43 + float64(i)/1000, Lon: -91 + float64(i%17)/100,
			EnterM: 60, Standing: 20, Target: ledger.Target{Each: quantity.USGallon}})
	}
	s.View = &v
	if n := weigh(s, "/yards"); n >= 100_000 {
		t.Errorf("203 yards: %d bytes", n)
	}
	if !strings.Contains(get(t, handler(s), "/yards").Body.String(), "/yards?after=60") {
		t.Error("the first page of many yards does not lead to the next")
	}
	n := newNight()
	for range 40 {
		for range 24 {
			n.pour("mill", ledger.ByPosition, n.usual())
		}
		n.t += int64(24 * time.Hour)
	}
	n.account()
	s = sample()
	w := *s.View
	w.Fills, w.Loose, w.Visits, w.Outings = n.v.Fills, nil, n.v.Visits, n.v.Outings
	s.View, s.Now = &w, n.t
	if n := weigh(s, "/yards/mill"); n >= 100_000 {
		t.Errorf("a yard of 40 visits: %d bytes", n)
	}
}

// The course of a fill is drawn before what was expected, with the same as a
// table; what the counter did not say is not made up.
func TestCourseOfAFill(t *testing.T) {
	s := aSeason()
	i := slices.IndexFunc(s.View.Fills, func(f ledger.Fill) bool { return f.Session == 2 })
	f := &s.View.Fills[i]
	pulse := f.Volume.CubicMetres() / float64(f.Last-f.First)
	f.Pulled = outing.Pulled{Flow: f.Flow, RelU: 0.01, Steady: 20e9}
	trace := &Trace{Expected: f.Flow, Lo: f.Flow * 0.9, Hi: f.Flow * 1.1}
	for k := range 41 { // even, in forty pieces; before and after it nothing
		trace.At = append(trace.At, f.Start+int64(k)*(f.End-f.Start)/40)
		trace.Count = append(trace.Count, f.First+uint64(k)*(f.Last-f.First)/40)
	}
	trace.At, trace.Count = append(trace.At, f.End+30e9), append(trace.Count, f.Last+400) // the next fill
	var fail error
	h := New(Options{Feed: newFeed(s), Trace: func(_ context.Context, of TraceOf) (*Trace, error) {
		if of.Session != f.Session || of.First != f.First || of.Last != f.Last || of.Start != f.Start || of.End != f.End {
			t.Errorf("asked for %+v", of)
		}
		return trace, fail
	}})
	path := fmt.Sprintf("?pull=%d+%d", f.Session, f.First)
	page := get(t, h, "/fill"+path).Body.String()
	for _, want := range []string{`<svg class="chart`, "expected, 19 times in 20", "its steady part", "Measured in its steady part: ", ">steady<"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	var doc struct {
		Course []struct {
			Took   float64 `json:"took_s"`
			Pulses uint64
			Flow   float64 `json:"flow_l_per_min"`
			Steady bool
		}
		Lo float64 `json:"expected_least_l_per_min"`
	}
	if err := json.Unmarshal(get(t, h, "/fill.json"+path).Body.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	pulses, steady := uint64(0), 0
	for i, x := range doc.Course {
		pulses += x.Pulses
		if x.Steady {
			steady++
		}
		if want := float64(x.Pulses) * pulse / x.Took * 60000; math.Abs(x.Flow/want-1) > 0.01 {
			t.Errorf("step %d flows at %g L/min, %d pulses in %g s are %g", i, x.Flow, x.Pulses, x.Took, want)
		}
	}
	if pulses != f.Last-f.First || steady < len(doc.Course)/2 || math.Abs(doc.Lo-0.9*float64(f.Flow/quantity.LitrePerMinute)) > 1e-3 {
		t.Errorf("%d pulses of %d, %d steady of %d steps, from %g", pulses, f.Last-f.First, steady, len(doc.Course), doc.Lo)
	}
	fail = errors.New("its readings are not in the journal")
	if page := get(t, h, "/fill"+path).Body.String(); !strings.Contains(page, "How it flowed cannot be shown: its readings are not in the journal.") || strings.Contains(page, `<svg class="chart`) {
		t.Error("without readings the page does not say so")
	}
	trace, fail = &Trace{At: []int64{f.Start}, Count: []uint64{f.First}}, nil
	if page := get(t, h, "/fill"+path).Body.String(); !strings.Contains(page, "the counter said too little") {
		t.Error("of one message something is drawn")
	}
}
