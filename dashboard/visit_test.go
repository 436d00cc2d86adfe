package dashboard

import (
	"slices"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// finished is a night of two yards with a second visit to the first, all over:
// all of Mill Bottom's colonies are known by their order, one was passed over.
func finished() *Snapshot {
	n := newNight()
	for i := range 23 {
		n.pour("orchard", ledger.ByPosition, n.usual())
		if i == 10 {
			n.topUp(0.2)
		}
	}
	n.t += 4e11
	for i := range 17 {
		n.pour("mill", ledger.ByMark, n.usual())
		f := &n.v.Fills[len(n.v.Fills)-1]
		if f.Colony = i + 1; i > 6 {
			f.Colony++
		}
	}
	n.t += 2e12
	n.dribble("orchard", outing.Priming, 0.3)
	n.pour("orchard", ledger.ByTap, n.usual())
	n.account()
	v := n.v
	for i := range v.Visits {
		v.Visits[i].Over = true
	}
	v.Visits[1].Told, v.Visits[1].Numbered, v.Visits[1].Skipped, v.Visits[1].Missing = true, true, 1, 0
	v.At, v.Here = n.t, ledger.Here{Reason: ledger.NoYard, FixAt: n.t}
	return &Snapshot{View: v, Units: quantity.US, Zone: zone, Now: n.t + 60e9}
}

func TestVisitInHand(t *testing.T) {
	s := finished()
	v := s.View
	for _, c := range []struct {
		here  string
		visit int
		yard  string
	}{{"", 2, "orchard"}, {"orchard", 2, "orchard"}, {"mill", 1, "mill"}, {"larch", -1, "larch"}} {
		v.Here.Yard = c.here
		if k, yard, known := newModel(s).inHand(); k != c.visit || yard != c.yard || !known {
			t.Errorf("here %q: visit %d at %q, %v; want %d at %q", c.here, k, yard, known, c.visit, c.yard)
		}
	}
	// A yard where nothing has flowed yet shows its colonies as places to come.
	v.Here.Yard = "larch"
	if h, f := newModel(s).here(); h.Words != "Nothing yet" || len(h.Strip) != 4 || !slices.Contains(h.Legend, "Small dots: 20 to come.") || len(f.Rows) > 0 {
		t.Errorf("a yard not begun: %+v", h)
	}
	// Flow that no yard is known for says why.
	v.Here, v.Visits = ledger.Here{Reason: ledger.NoPosition}, slices.Clone(v.Visits)
	v.Visits[2].Yard, v.Visits[2].Reason = "", ledger.NoPosition
	v.Fills = slices.Clone(v.Fills)
	last := &v.Fills[len(v.Fills)-1]
	last.Yard, last.Reason = "", ledger.NoPosition
	if h, f := newModel(s).here(); h.Name != "No yard known" || !slices.Equal(h.More, []string{"No position was heard."}) || len(f.Rows) != 1 {
		t.Errorf("no yard: %+v", h)
	}
}

func TestVisitInWords(t *testing.T) {
	s := finished()
	s.View.Here.Yard = "mill"
	h, f := newModel(s).here()
	if h.More[0] != "18 colonies: 17 fed, 1 skipped." {
		t.Errorf("%q", h.More)
	}
	if !slices.Contains(h.Legend, "Crossed: 1 without a fill.") || strings.Contains(h.Aria, "to come") {
		t.Errorf("legend %q, %q", h.Legend, h.Aria)
	}
	// The fills' numbers go on from the yards before, as the report of fills has them.
	if f.Rows[0].No != "25" || f.Rows[0].Note != "colony 1" || f.Rows[7].Note != "colony 9" {
		t.Errorf("rows %+v", f.Rows[:8])
	}
	x := &s.View.Visits[1]
	x.Numbered, x.Skipped, x.Missing = false, 0, 1
	for i := range s.View.Fills {
		s.View.Fills[i].Colony = 0
	}
	h, _ = newModel(s).here()
	if h.More[0] != "17 fills, 18 colonies; one unaccounted for, not known which." {
		t.Errorf("%q", h.More)
	}
	if strings.Contains(h.Aria, "to come") || strings.Contains(h.Aria, "crossed") {
		t.Errorf("a finished visit shows places that are not known: %s", h.Aria)
	}
	s.View.Here.Yard = "orchard"
	h, f = newModel(s).here()
	if len(f.Loose) != 1 || !strings.HasSuffix(f.Loose[0], "0.30 gal priming: until syrup came, onto the ground.") {
		t.Errorf("loose %q", f.Loose)
	}
	if h.More[0] != "1 fill, 24 colonies; 23 unaccounted for, not known which." {
		t.Errorf("%q", h.More)
	}
}

func TestEvenness(t *testing.T) {
	const gal = quantity.USGallon
	m := &model{Snapshot: &Snapshot{Units: quantity.US}}
	fills := []ledger.Fill{{Volume: gal}, {Volume: gal / 2}, {Volume: gal / 4, TopUp: true}, {Volume: gal * 5 / 4}, {Volume: gal / 9, Open: true}}
	// Computed: 1, 3/4 and 5/4 have the mean 1 and the standard deviation 1/4.
	want := "Fills: mean 1.00 gal, meant 1.20 gal; from 0.75 gal to 1.25 gal, uneven by 25 %. 2 fills short, 1 of them less than half."
	if got := m.sayEven(&ledger.Visit{Meant: gal * 6 / 5, Short: 2, Half: 1}, fills); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	// Colonies are spoken of where all is told, and it adds up without a doubt.
	x := ledger.Visit{Told: true, Colonies: 3, Short: 1, Half: 1}
	if got, want := m.sayEven(&x, fills), "Colonies: mean 1.00 gal; from 0.75 gal to 1.25 gal, uneven by 25 %. 1 colony short: less than half."; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	for _, x := range []ledger.Visit{{Told: true, Colonies: 3, Unsure: 1}, {Told: true, Colonies: 4, Missing: 1}, {Told: true, Colonies: 3, Twice: 1, Sharing: 1}, {Colonies: 3}} {
		if got := m.sayEven(&x, fills); !strings.HasPrefix(got, "Fills: ") {
			t.Errorf("%+v: %s", x, got)
		}
	}
	if got := m.sayEven(&ledger.Visit{}, fills[4:]); got != "" {
		t.Errorf("of a fill that grows nothing is known: %s", got)
	}
	open := []ledger.Fill{{Volume: gal}, {Volume: gal / 2}, {Volume: gal / 9, TopUp: true, Open: true}}
	if got := m.sayEven(&ledger.Visit{}, open); got != "Fills: mean 1.00 gal." {
		t.Errorf("a colony whose top-up grows is counted: %s", got)
	}
}

func TestNumbersKeepTheirWords(t *testing.T) {
	if got := tie("14 of 18, 0.5 gal ±0.1 gal: enough"); got != "14\u00a0of 18, 0.5\u00a0gal ±0.1\u00a0gal: enough" {
		t.Errorf("%q", got)
	}
}

func TestLooseInWords(t *testing.T) {
	const gal = quantity.USGallon
	m := newModel(&Snapshot{Units: quantity.US, Zone: zone, Now: at(21, 0, 0)})
	loose := []ledger.Loose{{Start: at(20, 0, 0), Volume: gal / 1000, Why: outing.Dribble}, {Start: at(20, 1, 0), Volume: gal / 10, Why: outing.Spill, By: "act-1"}}
	want := []string{"20:01:00, 0.10 gal spill: lost (by hand).", "1 dribble, under 0.01 gal: too little for a fill."}
	if got := m.looseLines(loose); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := m.looseSums(append(loose, loose[1])); got != "under 0.01 gal dribble, 0.20 gal spill" {
		t.Errorf("got %q", got)
	}
	for range 30 {
		loose = append(loose, loose[1])
	}
	if got := m.looseLines(loose); len(got) != mostLoose+2 || got[mostLoose] != "19 more, 1.90 gal." {
		t.Errorf("%d lines: %q", len(got), got)
	}
}

// The strip has a stroke a fill, its top-ups on it, and a mark only where the
// order makes it sure.
func TestStripOfAVisit(t *testing.T) {
	const l = quantity.Litre
	m := &model{Snapshot: &Snapshot{Units: quantity.SI}}
	fills := []ledger.Fill{{Start: 10, Volume: 3 * l, Colony: 2}, {Start: 20, Volume: l, Colony: 3}, {Start: 22, Volume: l, TopUp: true, Colony: 3},
		{Start: 30, Volume: l, Colony: 5, To: 6, Short: true}}
	loose := []ledger.Loose{{Start: 5, Volume: l / 2, Why: outing.Priming}, {Start: 25, Volume: l / 4, Why: outing.Suspect}}
	x := ledger.Visit{Yard: "mill", Colonies: 7, Numbered: true, Over: true, Skipped: 3}
	svg, legend, aria := m.strip(&x, fills, loose, draw.Large)
	all := ""
	for _, g := range svg {
		all += string(g)
	}
	// Places: passed, 2, 3 with its top-up, passed, 5 to 6, and 7 passed.
	if len(svg) != 2 || strings.Count(all, `class="passed"`) != 2 || strings.Count(all, "l") == 0 {
		t.Errorf("%d groups: %s", len(svg), all)
	}
	want := []string{"Hollow: 1 short.", "On top: 1 top-up.", "Crossed: 3 without a fill.", "Below the line: 0.50 L priming, 0.25 L suspect; broken where not sure."}
	if !slices.Equal(legend, want) {
		t.Errorf("legend %q, want %q", legend, want)
	}
	if !strings.HasPrefix(aria, "3 strokes, one a fill; hollow: 1 short; ") {
		t.Errorf("aria %q", aria)
	}
	// Under way, what is to come has its places, and no cross stands anywhere.
	x.Numbered, x.Over, x.Missing = false, false, 2
	for i := range fills {
		fills[i].Colony, fills[i].To = 0, 0
	}
	svg, legend, _ = m.strip(&x, fills, nil, draw.Large)
	if len(svg) != 1 || strings.Count(string(svg[0]), "v-3") != 2 || strings.Contains(string(svg[0]), "passed") || len(legend) != 3 {
		t.Errorf("%s %q", svg, legend)
	}
}

// A pull that may be something else is drawn broken, and the legend says what
// it may be and how many fills that makes.
func TestStripOfDoubts(t *testing.T) {
	const l = quantity.Litre
	m := &model{Snapshot: &Snapshot{Units: quantity.SI}}
	x := ledger.Visit{Yard: "mill", Colonies: 4, Missing: 1, Unsure: 1, Over: true}
	fills := []ledger.Fill{{Start: 10, Volume: 3 * l, Or: outing.Priming}, {Start: 20, Volume: 3 * l}, {Start: 22, Volume: l, TopUp: true, Or: outing.AFill}, {Start: 30, Volume: 2 * l, Short: true, Or: outing.Flush}}
	loose := []ledger.Loose{{Start: 5, Volume: l / 2, Why: outing.Priming, Or: outing.AFill}}
	svg, legend, aria := m.strip(&x, fills, loose, draw.Large)
	if len(svg) != 1 || strings.Count(string(svg[0]), `class="unsure"`) != 3 { // strokes, outlines, flats
		t.Errorf("%s", svg)
	}
	want := []string{"Hollow: 1 short.", "On top: 1 top-up.",
		"Broken: 1 of the pulls may be priming, 1 of the top-ups may be a colony's fill, 1 of the pulls may be a flush, the priming may be a colony's fill, so 1 to 5 fills.",
		"Below the line: 0.50 L priming."}
	if !slices.Equal(legend, want) || !strings.Contains(aria, "broken: 1 of the pulls may be priming") {
		t.Errorf("legend %q, want %q; aria %q", legend, want, aria)
	}
	svg, legend, _ = m.strip(&x, fills[1:2], nil, draw.Large)
	if strings.Contains(string(svg[0]), "unsure") || len(legend) > 0 {
		t.Errorf("nothing is in doubt: %s %q", svg, legend)
	}
	// In the table of yards and of fills, too.
	s := unsure()
	y := newModel(s).yards()
	if rows := y.Parts[0].Rows; rows[0].Fills != "23–24 of 24" || rows[1].Fills != "12–14 of 18" || y.Fills != "36–39" {
		t.Errorf("rows %+v, sum %s", rows[:2], y.Fills)
	}
	_, f := newModel(s).here()
	if f.Rows[0].Note != "may be priming" {
		t.Errorf("%+v", f.Rows[0])
	}
}

func TestRowsByVisit(t *testing.T) {
	y := newModel(finished()).yards()
	only := y.Parts[0]
	var got []string
	for _, r := range only.Rows {
		got = append(got, r.Name+"|"+r.Which+"|"+r.Fills)
	}
	if only.Whys != outing.Priming {
		t.Errorf("outside fills are said to be %q", only.Whys)
	}
	want := []string{"Orchard End|visit 1, 20:41|23 of 24", "Mill Bottom||17 of 18", "Orchard End|visit 2, 21:58|1 of 24", "Larch Bank||0 of 20"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if y.Fills != "41" {
		t.Errorf("%s fills, want 41: top-ups do not count", y.Fills)
	}
	// What has no yard stands last, apart by why.
	s := sample()
	s.View.Fills[3].Yard, s.View.Fills[3].Reason = "", ledger.TwoYards
	rows := newModel(s).yards().Parts[0].Rows
	if a, b := rows[2].Which, rows[3].Which; a != "the rig stood where it may be either of two yards" || b != "the rig stood outside every yard" {
		t.Errorf("%q, %q", a, b)
	}
}

// The page is of the newest outing: one past noon is not cut, and one that is
// over is called the last.
func TestStretchIsTheOuting(t *testing.T) {
	s := finished()
	if m := newModel(s); m.over || len(m.when()) > 0 || m.night.Fills != 41 {
		t.Errorf("over %v, %q, %d fills", m.over, m.when(), m.night.Fills)
	}
	v := s.View
	began := time.Date(2026, 10, 10, 11, 50, 0, 0, zone).UnixNano()
	later := began - v.Outings[0].From
	for i := range v.Fills {
		v.Fills[i].Start += later
		v.Fills[i].End += later
	}
	for i := range v.Visits {
		v.Visits[i].From += later
		v.Visits[i].To += later
	}
	v.Outings = []ledger.Outing{{From: began - int64(30*time.Hour), To: began - int64(28*time.Hour)}, {From: began, To: v.Outings[0].To + later, Visits: 3}}
	s.Now += later
	if m := newModel(s); m.night.Fills != 41 || len(m.groups) != 3 {
		t.Errorf("an outing past noon has %d fills in %d visits, want 41 in 3", m.night.Fills, len(m.groups))
	}
	csv := get(t, handler(s), "/tonight.csv").Body.String()
	if n := strings.Count(csv, "\nfill,"); n != len(v.Fills) {
		t.Errorf("its CSV has %d fills, want %d", n, len(v.Fills))
	}
	s.Now = v.Outings[1].To + int64(6*time.Hour)
	m := newModel(s)
	if want := "Last outing: Sat 10 Oct 11:50 to 13:07. Nothing has flowed since."; !slices.Equal(m.when(), []string{want}) {
		t.Errorf("got %q, want %q", m.when(), want)
	}
	for _, r := range m.yards().Parts[0].Rows {
		if r.Ahead {
			t.Errorf("%s is said to be ahead of an outing that is over", r.Name)
		}
	}
	if !strings.Contains(get(t, handler(s), "/").Body.String(), `<p class="when">Last outing`) {
		t.Error("the page does not say that it is of the last outing")
	}
}
