package dashboard

import (
	"html"
	"math"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	ltote "yardtally/meter/tote"
)

// standing is batched with the tote on the rig, its plates, and what is left in it.
func standing() *Snapshot {
	s := batched()
	s.View.Stand = &act.Tote{Name: "tote 1", CapacityL: 1041, UnusableL: 11.4, EmptyKg: 60, GrossKg: 1300, Trailer: &act.Trailer{EmptyKg: 400, OtherKg: 100, GrossKg: 3200, AxlesKg: 3200, TongueKg: 450}}
	s.View.Left = ledger.Left{Known: true, There: ltote.Outlook{Volume: 40 * quantity.Litre, Within: 4 * quantity.Litre}}
	return s
}

func TestWhatToMix(t *testing.T) {
	s := standing()
	h := handler(s)
	for _, c := range []struct {
		query string
		want  []string
		not   string
	}{
		{"", []string{"What to mix?", "Mill Bottom: 18 colonies, 1.00 gal each", "Orchard End: colonies not said", "Count what is in the tote"}, "That makes"},
		{"?syrup=2:1&yards=mill&yards=larch&bag=50&price=$31/bag", []string{"Weigh ", "of sugar (6 bags of 50 lb and ", "Syrup of sucrose, 66.7 Brix (2:1) at 47 °F, for 38 colonies", "Too heavy when full", "The tote's plate: 3,191 lb, and it allows 2,866 lb: 325 lb too much.",
			"Crystals Can drop crystals", "Mill Bottom 18 1.00 18.00", "all 38 38.00", "3.0 gal that stay below the tote's outlet", "the tote must be filled once", "with the trigger open", "$", "as read at", "Take care", "not legal for trade"}, "No answer"},
		{"?syrup=2:1&each=2", []string{"for 38 colonies", "Mill Bottom 18 2.00 36.00", "Not in it, as colonies or fill are not said: Orchard End."}, "No answer"},
		{"?syrup=hfcs-55&colonies=24,+12&stores=10&yards=mill&temp=60", []string{"Syrup of hfcs-55, 77.0 Brix (hfcs-55) at 60 °F, for 36 colonies", "yard 2 12 "}, "Mill Bottom 18"},
		{"?syrup=2:1&yards=mill&left=1", []string{"With what is in the tote that makes", "Counted as there: 13.6 gal ± 1.06 of 64.2 Brix", "The first load is so weighed that together they come to 66.7 Brix."}, "No answer"},
		{"?syrup=1:1&colonies=5&each=1&left=1", []string{"Nothing to mix: what is in the tote is enough."}, "No answer"},
	} {
		w := get(t, h, "/mix"+c.query)
		got := words1(w.Body.String())
		if w.Code != 200 {
			t.Errorf("%q: status %d: %s", c.query, w.Code, got)
		}
		for _, want := range c.want {
			if !strings.Contains(strings.ToLower(got), strings.ToLower(want)) {
				t.Errorf("%q: no %q in %s", c.query, want, got)
			}
		}
		if strings.Contains(got, c.not) {
			t.Errorf("%q: it says %q", c.query, c.not)
		}
		if n := w.Body.Len(); n > 100_000 {
			t.Errorf("%q: %d bytes", c.query, n)
		}
	}
	// Whatever the text of the command has, word for word.
	w := Wish{Syrup: "2:1", Bag: "50 lb", Price: "31/bag", Left: true, TempWithin: tempWithin}
	sheet, err := w.Sheet(s.View, nil)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := report.Plan(&b, sheet, report.Options{Units: s.Units, Zone: zone}); err != nil {
		t.Fatal(err)
	}
	got := words1(get(t, h, "/mix?syrup=2:1&bag=50&price=31/bag&left=1").Body.String())
	for _, line := range strings.Split(b.String(), "\n") {
		line = strings.TrimPrefix(strings.Join(strings.Fields(line), " "), "! ")
		if strings.Trim(line, "- ") == "" || line == "What to mix" {
			continue
		}
		for _, word := range []string{"Too heavy when full", "Crystals", "Weight not judged"} {
			line = strings.TrimPrefix(line, word+". ")
		}
		if !strings.Contains(got, line) {
			t.Errorf("the page lacks %q", line)
		}
	}
	s.Units = quantity.SI
	if got := words1(get(t, handler(s), "/mix?syrup=2:1&stores=5&yards=mill").Body.String()); !strings.Contains(got, "66.7 Brix (2:1) at 8 °C") || !strings.Contains(got, " kg of sugar and ") || strings.Contains(got, " gal ") {
		t.Error("not in SI units")
	}
}

func TestWhatToMixIsRefused(t *testing.T) {
	bare := sample()
	bare.View.Plan, bare.View.Yards, bare.View.Batch = nil, nil, nil
	unread := standing()
	unread.View.Left, unread.View.Tote.Known, unread.View.Tote.Why = ledger.Left{}, false, "no level was heard"
	for _, c := range []struct {
		s           *Snapshot
		query, want string
		field       string
	}{
		{standing(), "?syrup=treacle", `syrup: part 1 must be an amount and what it is`, "syrup"},
		{standing(), "?syrup=", `syrup: must be a ratio ("2:1")`, "syrup"},
		{standing(), "?syrup=10:1", "syrup: sugar must be at most 77 % of the whole", "syrup"},
		{standing(), "?syrup=" + strings.Repeat("2", 201), "syrup: must have 200 letters at most, is 201.", "syrup"},
		{standing(), "?syrup=2:1&yards=nowhere", `yards: must be yards that are known, by name or id, is "nowhere".`, "yards"},
		{standing(), "?syrup=2:1&yards=mill&yards=Mill+Bottom", `yards: must be said once each, is "Mill Bottom".`, "yards"},
		{standing(), "?syrup=2:1&colonies=0", `colonies: must be a whole number, 1 to 100000, or several with commas between them, is "0".`, "colonies"},
		{standing(), "?syrup=2:1&colonies=24", `each: must be given, like 1 gal, or stores, like 10 lb, is "".`, "each"},
		{standing(), "?syrup=2:1&colonies=24&each=NaN", `each: must be a volume with its unit, like 1 gal or 4 L, is "NaN".`, "each"},
		{standing(), "?syrup=2:1&colonies=24&each=0", `each: must be more than 0, is "0".`, "each"},
		{standing(), "?syrup=2:1&colonies=24&each=100", "each: must be at most 200 L for a colony", "each"},
		{standing(), "?syrup=2:1&colonies=24&each=1&stores=5", "stores: must not stand beside each", "stores"},
		{standing(), "?syrup=2:1&colonies=24&stores=-5", `stores: must be more than 0, is "-5".`, "stores"},
		{standing(), "?syrup=2:1&yield=7", "yield: must be above 0.2 and at most 1.3 kg of stores a kg of dry sugar, is 7.", "yield"},
		{standing(), "?syrup=2:1&yield=much", `yield: must be a number`, "yield"},
		{standing(), "?syrup=2:1&temp=warm", `temp: must be a temperature with its unit, like 55 F or 13 C, is "warm".`, "temp"},
		{standing(), "?syrup=2:1&temp=400", "temp: must be between ", "temp"},
		{standing(), "?syrup=2:1&bag=big", `bag: must be a weight with its unit, like 50 lb or 25 kg, is "big".`, "bag"},
		{standing(), "?syrup=2:1&price=31", `price: must be an amount for one bag, kg, lb, L or gal`, "price"},
		{standing(), "?syrup=2:1&price=31/bag", "price: must stand beside the weight of a bag", "price"},
		{standing(), "?syrup=hfcs-55&syrup-price=3", "syrup-price: must be an amount for one", "syrup-price"},
		{unread, "?syrup=2:1&left=1", "left: must be of a level that is known, is no level was heard.", "left"},
		{bare, "?syrup=2:1", `colonies: must be given, like 24, as no yard is known, is "".`, "colonies"},
		{bare, "?syrup=2:1&colonies=9&each=1&tote=huge", `tote: must be a volume with its unit, like 275 gal, is "huge".`, "tote"},
		{bare, "?syrup=2:1&colonies=9&each=1&tote-gross=2540", `tote: must be given beside its plate, like 275 gal, is "".`, "tote"},
		{bare, "?syrup=2:1&colonies=9&each=1&left=1", "left: must be of a tote that is known", "left"},
	} {
		w := get(t, handler(c.s), "/mix"+c.query)
		page := html.UnescapeString(w.Body.String())
		if w.Code != 422 || !strings.Contains(page, c.want) || !strings.Contains(page, `id="wrong" role="alert"`) {
			t.Errorf("%q: status %d, want 422 with %q: %s", c.query, w.Code, c.want, section(t, page, "</form>", "</main>"))
		}
		if !regexp.MustCompile(`<(input|fieldset)[^>]* (id="` + c.field + `"|class="` + c.field + `")[^>]*aria-invalid="true" aria-describedby="wrong"`).MatchString(page) {
			t.Errorf("%q: field %s is not named to a screen reader", c.query, c.field)
		}
		if strings.Contains(page, `class="answer"`) {
			t.Errorf("%q: there is an answer all the same", c.query)
		}
	}
	// Nothing known and nothing asked: a form, and no complaint.
	w := get(t, handler(&Snapshot{Now: 1}), "/mix")
	if w.Code != 200 || strings.Contains(w.Body.String(), "No answer") || !strings.Contains(w.Body.String(), `id="tote"`) || strings.Contains(w.Body.String(), `id="left"`) {
		t.Errorf("nothing known: status %d", w.Code)
	}
	if w := get(t, handler(&Snapshot{Now: 1}), "/mix?syrup=2:1&colonies=24&each=1&tote=275&tote-gross=2540"); w.Code != 200 || !strings.Contains(words1(w.Body.String()), "as no temperature was said or read") {
		t.Errorf("nothing known: status %d: %s", w.Code, words1(w.Body.String()))
	}
}

func TestTheMixPage(t *testing.T) {
	s := standing()
	for i := range s.View.Yards {
		s.View.Yards[i].Name = "<img src=x>"
	}
	h := handler(s)
	const evil = `"><script>alert(1)</script>`
	w := get(t, h, "/mix?syrup=2:1&bag=50&price=31/bag&left=1")
	page := w.Body.String()
	all := url.Values{}
	for _, f := range []string{"syrup", "yards", "colonies", "each", "stores", "temp", "bag", "price", "syrup-price", "yield", "tote", "tote-gross", "left"} {
		all.Set(f, evil)
	}
	sign := get(t, h, "/mix?"+url.Values{"syrup": {"2:1"}, "bag": {"50"}, "price": {"<b>/bag"}, "colonies": {"1"}, "each": {"1"}}.Encode()).Body.String()
	for _, p := range []string{page, sign, get(t, h, "/mix?"+all.Encode()).Body.String()} {
		for _, bad := range []string{"<script", "<img", "<b>/bag", "style=", "http:", "https:"} {
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
		if !strings.Contains(m, `type="hidden"`) && !strings.Contains(m, `type="checkbox"`) && (id == nil || !strings.Contains(page, `<label for="`+id[1]+`"`)) {
			t.Errorf("no label: %s", m)
		}
	}
	if n, m := strings.Count(page, `type="checkbox"`), len(regexp.MustCompile(`<label[^>]*><input type="checkbox"[^>]*> <span>`).FindAllString(page, -1)); n != 4 || m != n {
		t.Errorf("%d boxes, %d of them in a label", n, m)
	}
	for _, m := range regexp.MustCompile(`(?:src|href)="(/[^"]*)"`).FindAllStringSubmatch(page, -1) {
		if w := get(t, h, html.UnescapeString(m[1])); w.Code != 200 {
			t.Errorf("%s: status %d", m[1], w.Code)
		}
	}
	tables := regexp.MustCompile(`(?s)<table.*?</table>`).FindAllString(page, -1)
	if len(tables) != 2 {
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
	r := httptest.NewRequest("POST", "/look", strings.NewReader(url.Values{"look": {"day"}, "from": {"/mix"}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	got := httptest.NewRecorder()
	h.ServeHTTP(got, r)
	if got.Code != 303 || got.Header().Get("Location") != "/mix" {
		t.Errorf("look: status %d to %q", got.Code, got.Header().Get("Location"))
	}
	for _, from := range []string{"/", "/forecast"} {
		if page := get(t, h, from).Body.String(); !strings.Contains(page, `href="/mix"`) {
			t.Errorf("no way there from %s", from)
		}
	}
	head := httptest.NewRecorder()
	h.ServeHTTP(head, httptest.NewRequest("HEAD", "/mix?syrup=2:1", nil))
	if head.Code != 200 || head.Body.Len() != 0 {
		t.Errorf("HEAD: status %d, %d bytes", head.Code, head.Body.Len())
	}
}

// What is left goes into the plan as the ledger has it.
func TestWishCountsWhatIsLeft(t *testing.T) {
	s := standing()
	w := Wish{Syrup: "2:1", Left: true}
	sheet, err := w.Sheet(s.View, nil)
	if err != nil {
		t.Fatal(err)
	}
	if l := sheet.Left; l.Volume != 51_400_000_000 || math.Abs(l.VolumeU.Litres()-4/1.96) > 0.01 || math.Abs(l.Batch.Syrup().Solids.Brix()-64.2) > 1e-6 {
		t.Errorf("%+v", l)
	}
	s.View.Left = ledger.Left{}
	s.View.Tote.Known, s.View.Tote.Volume, s.View.Tote.Within = true, 90*quantity.Litre, 6*quantity.Litre
	if sheet, err = w.Sheet(s.View, nil); err != nil || sheet.Left.Volume != 90*quantity.Litre {
		t.Errorf("%+v, %v", sheet.Left, err)
	}
	// Another tote has another plate; the trailer stays.
	w = Wish{Syrup: "2:1", Tote: "330 gal", ToteGross: "4000 lb"}
	if sheet, err = w.Sheet(s.View, nil); err != nil || sheet.Tote.Plate.Empty != 0 || math.Abs(float64(sheet.Tote.Plate.Gross)-1814.37) > 0.01 || !sheet.Tote.Trailer.Described || sheet.Tote.Unusable != 0 {
		t.Errorf("%+v, %v", sheet.Tote, err)
	}
	w.Left = true
	if _, err = w.Sheet(s.View, nil); err == nil || !strings.Contains(err.Error(), "left: must not stand beside tote") {
		t.Error(err)
	}
}

// Where no price is said, the books' average counts, by the dry solids in it.
func TestWishPricesByTheBooks(t *testing.T) {
	s := standing()
	s.View.Prices = map[string]float64{"sugar": 1.2, "hfcs-55": 2}
	for _, c := range []struct {
		w                          Wish
		sugar, sugarSign, sugarPer string
		bought, boughtPer          string
	}{
		{Wish{Syrup: "2:1", Units: quantity.SI, Currency: "$"}, "1.2", "$", "kg", "0", ""},
		{Wish{Syrup: "2:1", Units: quantity.US, Currency: "$"}, "0.5443", "$", "lb", "0", ""},
		{Wish{Syrup: "2:1", Price: "1.5/kg", Units: quantity.SI, Currency: "EUR"}, "1.5", "EUR", "kg", "0", ""},
		{Wish{Syrup: "2:1", Price: "€1.5/kg", Units: quantity.SI, Currency: "$"}, "1.5", "€", "kg", "0", ""},
		{Wish{Syrup: "hfcs-55 to 65 Brix", Units: quantity.SI}, "1.2", "", "kg", "1.54", "kg"}, // 77 % of 2
		{Wish{Syrup: "hfcs-42", Units: quantity.SI}, "1.2", "", "kg", "0", ""},
		{Wish{Syrup: "1 kg hfcs-55 + 1 kg hfcs-42", Units: quantity.SI}, "1.2", "", "kg", "0", ""},
	} {
		sheet, err := c.w.Sheet(s.View, nil)
		if err != nil {
			t.Fatal(err)
		}
		n := func(x float64) string { return strconv.FormatFloat(math.Round(x*1e4)/1e4, 'f', -1, 64) }
		if p := sheet.Sugar; n(p.Amount) != c.sugar || p.Sign != c.sugarSign || p.Per.String() != c.sugarPer {
			t.Errorf("%+v: sugar %+v", c.w, p)
		}
		if p := sheet.Bought; n(p.Amount) != c.bought || p.Per.String() != c.boughtPer {
			t.Errorf("%+v: bought %+v", c.w, p)
		}
	}
	s.Currency = "$"
	if got := words1(get(t, handler(s), "/mix?syrup=2:1").Body.String()); !strings.Contains(got, "of sugar at $0.5443 a lb, the store's average price.") {
		t.Errorf("no price of the books: %s", got)
	}
}

func BenchmarkMixPage(b *testing.B) {
	h := handler(standing())
	for b.Loop() {
		h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/mix?syrup=2:1&bag=50&price=31/bag&left=1", nil))
	}
}
