package dashboard

import (
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// lines are a part of the table of yards in short.
func lines(p yardsPart) (out []string) {
	for _, r := range p.Rows {
		line := r.Name + "|" + r.Which + "|" + r.Fills
		if r.Ahead {
			line += "|ahead"
		} else if len(r.Strip) > 0 {
			line += "|drawn"
		}
		out = append(out, line)
	}
	return out
}

// Whoever comes home and goes out again has the whole night on the page: each
// outing with its visits, strips and totals, and a sum.
func TestTwoOutingsOfANight(t *testing.T) {
	const outside = "the rig stood outside every yard"
	s := twice()
	m := newModel(s)
	if m.over || m.first != 3 || m.night.Fills != 61 {
		t.Errorf("over %v, first visit in hand %d, %d fills", m.over, m.first, m.night.Fills)
	}
	y := m.yards()
	if len(y.Parts) != 2 || !y.Whole || y.Fills != "61" {
		t.Fatalf("%+v", y)
	}
	for i, want := range []struct {
		name, times, fills, whys string
		lines                    []string
	}{
		{"First outing", "14:03 to 14:32", "24", "priming",
			[]string{"Larch Bank||19 of 20|drawn", "Orchard End||4 of 24|drawn", "No yard known|" + outside + "|1|drawn"}},
		{"Second outing", "since 20:41", "37", "priming, dribble, unseen",
			[]string{"Orchard End||23 of 24|drawn", "Mill Bottom||13 of 18|drawn", "No yard known|" + outside + "|1|drawn"}},
	} {
		p := y.Parts[i]
		if p.Name != want.name || p.Times != want.times || p.Fills != want.fills || p.Whys != want.whys || !slices.Equal(lines(p), want.lines) {
			t.Errorf("got %s %s, %s fills, %s, %q; want %+v", p.Name, p.Times, p.Fills, p.Whys, lines(p), want)
		}
	}
	if a, b, sum := hundredths(t, y.Parts[0].Sum), hundredths(t, y.Parts[1].Sum), hundredths(t, y.Sum); a+b != sum || a == 0 || b == 0 {
		t.Errorf("outings of %d and %d hundredths make %d", a, b, sum)
	}
	if want := []string{"Second outing, since 20:41.", "First: 14:03 to 14:32, 24 fills, " + y.Parts[0].Sum + " gal."}; !slices.Equal(m.when(), want) {
		t.Errorf("got %q, want %q", m.when(), want)
	}
	// The visit in hand has its own fills only, by their numbers in the night.
	h, f := m.here()
	if h.Name != "Mill Bottom" || len(f.Rows) != 13 || f.Rows[0].No != "50" {
		t.Errorf("in hand is %s with %d fills from number %s", h.Name, len(f.Rows), f.Rows[0].No)
	}
	// What lies outside every yard in one outing is none of the other's.
	s.View.Here, s.View.Visits = ledger.Here{Reason: ledger.NoYard, FixAt: s.Now}, slices.Clone(s.View.Visits)
	s.View.Visits[len(s.View.Visits)-1].Pulls = 0
	if h, _ := newModel(s).here(); h.Name != "No yard known" || h.Words != y.Parts[1].Rows[2].Volume+" gal" {
		t.Errorf("in hand is %s with %s", h.Name, h.Words)
	}
	// The page and its tables to take away have both.
	page := text(t, twice())
	if n := strings.Count(page, "This outing"); n != 2 || !strings.Contains(page, "Whole night</th><td>61</td><td>"+y.Sum) {
		t.Errorf("%d outings have a sum", n)
	}
	csv := get(t, handler(twice()), "/tonight.csv").Body.String()
	if n := strings.Count(csv, "\nfill,"); n != len(s.View.Fills) {
		t.Errorf("the night's CSV has %d fills, want %d", n, len(s.View.Fills))
	}
}

// A night of one outing is shown without a word of outings.
func TestOneOutingIsTheNight(t *testing.T) {
	page := text(t, sample())
	for _, no := range []string{"First outing", "This outing", "Whole night", "optgroup"} {
		if strings.Contains(page, no) {
			t.Errorf("the page says %q", no)
		}
	}
	// Nor is an outing of the night before part of it.
	s := twice()
	for i := range s.View.Outings[0].Visits {
		s.View.Visits[i].From -= 24 * 3600e9
		s.View.Visits[i].To -= 24 * 3600e9
	}
	for i := range s.View.Fills {
		if f := &s.View.Fills[i]; f.Session == 1 {
			f.Start, f.End = f.Start-24*3600e9, f.End-24*3600e9
		}
	}
	s.View.Loose[0].Start -= 24 * 3600e9
	s.View.Outings[0].From -= 24 * 3600e9
	s.View.Outings[0].To -= 24 * 3600e9
	m := newModel(s)
	if y := m.yards(); len(y.Parts) != 1 || y.Fills != "37" || len(m.when()) > 0 || m.first != 3 {
		t.Errorf("%d parts, %s fills, %q, first visit %d", len(y.Parts), y.Fills, m.when(), m.first)
	}
}

// When both are over, the last is called so and has an end, and nothing is ahead.
func TestTwoOutingsOver(t *testing.T) {
	s := twice()
	s.Now += outing.Pause + 3600e9
	s.View.Left = ledger.Left{}
	m := newModel(s)
	y := m.yards()
	if y.Parts[1].Times != "20:41 to 21:26" {
		t.Errorf("the second was %s", y.Parts[1].Times)
	}
	if w := m.when(); len(w) != 2 || w[0] != "Last outing: Fri 9 Oct 20:41 to 21:26. Nothing has flowed since." {
		t.Errorf("%q", w)
	}
	// While the second goes on and nothing is known of what is left, yards that the
	// first fed are not ahead once more.
	s = twice()
	s.View.Left = ledger.Left{}
	s.View.Yards = append(slices.Clone(s.View.Yards), ledger.YardInfo{ID: "ferry", Name: "Ferry Lane", Colonies: 9})
	if got := lines(newModel(s).yards().Parts[1]); got[len(got)-1] != "Ferry Lane||0 of 9|ahead" || strings.Contains(strings.Join(got, " "), "Larch Bank") {
		t.Errorf("%q", got)
	}
}

// A pull of the earlier outing can be named by a tap as one of the newer can,
// though the counter has been off in between and counts from nothing again.
func TestPullsOfAnEarlierOuting(t *testing.T) {
	s := twice()
	s.View.Fills[2].Or = outing.Flush // of the first outing
	v := s.View
	st := newStand(t, s)
	page := st.page("/")
	m := newModel(s)
	if ask := m.ask(); !strings.HasPrefix(ask.Pull, "1 ") || !strings.Contains(page, ask.Pull) {
		t.Errorf("asked is %+v", ask)
	}
	list := page[strings.Index(page, `<select id="which"`):]
	list = list[:strings.Index(list, "</select>")]
	groups := regexp.MustCompile(`<optgroup label="([^"]*)">(.*?)</optgroup>`).FindAllStringSubmatch(list, -1)
	if len(groups) != 2 || groups[0][1] != "Second outing, since 20:41" || groups[1][1] != "First outing, 14:03 to 14:32" {
		t.Fatalf("%q", groups)
	}
	for i, session := range []string{"2 ", "1 "} {
		of := regexp.MustCompile(`value="([^"]*)"`).FindAllStringSubmatch(groups[i][2], -1)
		if len(of) != lastFlows {
			t.Errorf("%s: %d pulls to choose from, want %d", groups[i][1], len(of), lastFlows)
		}
		for _, o := range of {
			if !strings.HasPrefix(o[1], session) {
				t.Errorf("%s has %q", groups[i][1], o[1])
			}
		}
	}
	// The same counts stand for a pull of either session.
	var first ledger.Fill
	for _, f := range v.Fills {
		if p := ofFill(&f); f.Session == 1 && strings.Contains(groups[1][2], `value="`+p.pull()+`"`) {
			first = f
			break
		}
	}
	p := ofFill(&first)
	w := st.post("/say/deem", url.Values{"pull": {p.pull()}, "as": {act.AsFlush}, "token": {"a"}}.Encode())
	if said := st.said(); w.Code != 303 || len(said) != 1 || said[0].Body != (act.Deem{Session: 1, First: first.First, Last: first.Last, As: act.AsFlush}) {
		t.Fatalf("status %d, said %+v", w.Code, said)
	}
	want := "A flush: " + m.hundredths(first.Volume) + " at " + m.clock(first.Start) + ", " + m.yard(first.Yard).Name + "."
	if page := st.page("/?said=act-0"); !strings.Contains(page, want) {
		t.Errorf("the page does not say %q", want)
	}
	// Where all that the newer has is a drip, the last pull is the earlier's.
	one := *v
	one.Fills = slices.DeleteFunc(slices.Clone(v.Fills), func(f ledger.Fill) bool { return f.Session == 2 })
	one.Loose = []ledger.Loose{v.Loose[0], {Session: 2, First: 5, Last: 6, Start: v.Outings[1].From, End: v.Outings[1].From + 1e9, Volume: 2 * quantity.Millilitre, Why: outing.Dribble, Visit: 3}}
	s.View = &one
	if got := newModel(s).pull(); !strings.HasPrefix(got.Pull, "1 ") {
		t.Errorf("the last pull is %+v", got)
	}
}
