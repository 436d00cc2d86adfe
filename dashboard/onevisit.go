package dashboard

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"sort"
	"strconv"
	"strings"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// visitPage is the page of one visit.
type visitPage struct {
	flowPage
	Name, Link, Since string // the yard's, and its page
	Took              string
	Lines             []string
	Strip             []template.HTML
	Legend            []string
	Aria              string
	Unit, Rate, Deg   string
	Fills             []flowRow
	Loose             []flowRow
	FillSum, LooseSum string
	Pull              string // names the visit in forms: its first flow
	Yards             []choice
	Starts            []choice // flows that a visit may begin with
	Goes              string   // the visit that this may go on with
	Said              []saidTap
	Before, After     *neighbour
	Table             string
}

// flowRow is a fill, or flow outside fills, in a table.
type flowRow struct {
	Link, No, Start, Volume, Within, Seconds, Flow, Syrup string
	Note, Why                                             string
}

// neighbour is what came before or after.
type neighbour struct{ Link, Text string }

func (s *server) oneVisit(w http.ResponseWriter, r *http.Request) {
	s.drawVisit(w, r, r.URL, http.StatusOK, note{})
}

// visitAt returns the visit that an instant or a flow names; -1 for none.
func (m *model) visitAt(q url.Values) int {
	if session, first, ok := strings.Cut(q.Get("pull"), " "); ok {
		n, err1 := strconv.ParseUint(session, 10, 64)
		c, err2 := strconv.ParseUint(first, 10, 64)
		if f, ok := flowAt(m.view, n, c); ok && err1 == nil && err2 == nil && f.visit < len(m.view.Visits) {
			return f.visit
		}
		return -1
	}
	if !q.Has("at") { // the visit in hand
		k, _, _ := m.inHand()
		return k
	}
	at, err := strconv.ParseInt(q.Get("at"), 10, 64)
	if err != nil {
		return -1
	}
	in := -1
	for k := range m.view.Visits {
		switch x := &m.view.Visits[k]; {
		case x.From == at:
			return k
		case x.From <= at && at <= x.To:
			in = k
		}
	}
	return in
}

// visitTable is the visit's flow to take away.
func (s *server) visitTable(w http.ResponseWriter, r *http.Request) {
	m := newModel(s.Feed.Snapshot())
	k := m.visitAt(r.URL.Query())
	if k < 0 {
		http.Error(w, "No visit is known of then.", http.StatusNotFound)
		return
	}
	v := report.Only(m.view, func(i int) bool { return i == k })
	s.takeAway(w, r, v, report.Options{Units: m.Units, Zone: m.zone}, func(w io.Writer, v *ledger.View, o report.Options) error { return report.Fills(w, v, o) })
}

// flowLink is the page of a flow.
func flowLink(session, first uint64) string {
	return fillPath + "?pull=" + strconv.FormatUint(session, 10) + "+" + strconv.FormatUint(first, 10)
}

// noOf is the number of a fill in its night, as reports have it.
func (m *model) noOf(start int64) int {
	from, _ := m.view.NightAt(start, m.zone)
	first := sort.Search(len(m.view.Fills), func(i int) bool { return m.view.Fills[i].Start >= from })
	return sort.Search(len(m.view.Fills), func(i int) bool { return m.view.Fills[i].Start >= start }) - first + 1
}

func (s *server) drawVisit(w http.ResponseWriter, r *http.Request, u *url.URL, status int, told note) {
	m := newModel(s.Feed.Snapshot())
	k := m.visitAt(u.Query())
	if k < 0 {
		status, why := http.StatusNotFound, "No visit is known of then: what was said since may have made another of it."
		if q := u.Query(); !q.Has("at") && !q.Has("pull") {
			status, why = http.StatusOK, "No visit yet: nothing has flowed."
		}
		s.noPage(w, r, status, why)
		return
	}
	x := &m.view.Visits[k]
	frame, acts := s.flowFrame(r, u, m, told)
	p := visitPage{flowPage: frame, Name: upper(m.yard(x.Yard).Name), Table: "?" + u.Query().Encode()}
	q := u.Query()
	q.Del("said")
	q.Del("again")
	p.Table = "?" + q.Encode()
	if x.Yard != "" {
		p.Link = yardsPath + "/" + url.PathEscape(x.Yard)
	}
	p.Unit, p.Rate, p.Deg = units(m.Units)
	p.Since = m.day(x.From) + ", " + m.times(x.From, x.To) + ": " + sayStay(x.To-x.From) + ", " + m.sayReason(x.Yard, x.Reason)
	fills, loose := report.FlowsOf(m.view, k)
	p.tables(m, x, fills, loose)
	p.sentences(m, x, fills, loose)
	p.Strip, p.Legend, p.Aria = m.strip(x, fills, loose, draw.Large)
	p.forms(m, k, fills, loose)
	counts, _ := report.CountsOf(m.view, k)
	p.Said = m.saidOf(acts, func(b act.Body) bool {
		switch b := b.(type) {
		case act.Assign:
			return touched(counts, b.Session, b.First, b.Last)
		case act.Deem:
			return touched(counts, b.Session, b.First, b.Last)
		case act.Cut:
			return touched(counts, b.Session, b.At-1, b.At)
		case act.Visit:
			return b.At.NS >= x.From-int64(time.Minute) && b.At.NS <= x.To+1
		case act.Colony:
			return (b.Yard == "" || b.Yard == x.Yard) && b.At.NS >= x.From-int64(saidBefore) && b.At.NS <= x.To+int64(saidAfter)
		}
		return false
	})
	if k > 0 {
		p.Before = &neighbour{m.visitLink(k - 1), upper(m.yard(m.view.Visits[k-1].Yard).Name) + ", " + m.minute(m.view.Visits[k-1].From)}
	}
	if k+1 < len(m.view.Visits) {
		p.After = &neighbour{m.visitLink(k + 1), upper(m.yard(m.view.Visits[k+1].Yard).Name) + ", " + m.minute(m.view.Visits[k+1].From)}
	}
	s.answer(w, r, status, "visit.html", p)
}

// What was tapped of colonies so long before the first flow of a visit, or after
// its last, is listed with it. Judgement: as long as a yard is walked.
const (
	saidBefore = 10 * time.Minute
	saidAfter  = 15 * time.Minute
)

func touched(counts []report.Counts, session, first, last uint64) bool {
	for _, c := range counts {
		if c.Session == session && c.First < last && first < c.Last {
			return true
		}
	}
	return false
}

// sayStay says how long something lasted.
func sayStay(ns int64) string {
	d := time.Duration(ns)
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d/time.Second))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(math.Round(d.Minutes())))
	}
	return fmt.Sprintf("%d h %d min", int(d/time.Hour), int(d/time.Minute)%60)
}

// sayReason says why flow is in its yard, or in none.
func (m *model) sayReason(yard string, r ledger.Reason) string {
	if yard == "" {
		return "in no yard: " + report.WhyNoYard(r)
	}
	switch r {
	case ledger.ByPosition:
		return "in this yard by position: the rig stood there"
	case ledger.ByMark:
		return "in this yard by the button: it was pressed on arrival, and the route says where"
	case ledger.ByTap:
		return "in this yard by a tap: somebody said on the spot that the rig had come"
	case ledger.ByHand:
		return "in this yard by hand: somebody said so afterwards, which counts above all else"
	}
	return reasonWords(r)
}

// tables lists the visit's flow; what is shown adds up.
func (p *visitPage) tables(m *model, x *ledger.Visit, fills []ledger.Fill, loose []ledger.Loose) {
	var vs []quantity.Volume
	for i := range fills {
		vs = append(vs, fills[i].Volume)
	}
	for i := range loose {
		vs = append(vs, loose[i].Volume)
	}
	cells, _ := report.Closing(m.Units, 100, vs)
	var in, out int64
	for i := range fills {
		f := &fills[i]
		in += cells[i]
		row := flowRow{Link: flowLink(f.Session, f.First), No: strconv.Itoa(m.noOf(f.Start)), Start: m.clock(f.Start), Volume: report.Fixed(cells[i], 100),
			Within: report.Within(m.Units, f.Within), Seconds: fmt.Sprintf("%.0f", float64(f.End-f.Start)/1e9), Note: noteOf(f), Why: report.PlacedBy(f.Reason)}
		row.Flow, _ = m.Units.FlowParts(f.Flow)
		if f.HasSyrup {
			row.Syrup, _ = m.Units.TemperatureParts(f.Syrup)
		}
		p.Fills = append(p.Fills, row)
	}
	for i := range loose {
		l := &loose[i]
		c := cells[len(fills)+i]
		out += c
		p.Loose = append(p.Loose, flowRow{Link: flowLink(l.Session, l.First), Start: m.clock(l.Start), Volume: report.Fixed(c, 100),
			Within: report.Within(m.Units, l.Within), Note: report.SayLoose(l)})
	}
	p.FillSum, p.LooseSum = report.Fixed(in, 100), report.Fixed(out, 100)
	total := ledger.Tally(&ledger.View{Fills: fills, Curves: m.view.Curves}, math.MinInt64, math.MaxInt64)
	_, unit := m.Units.VolumeParts(0)
	p.Took = p.FillSum
	if within := report.Within(m.Units, total.Within); within != "" {
		p.Took += " ±" + within
	}
	p.Took += " " + unit
}

// sentences says how many were fed, how evenly, with which syrup, and what is
// in doubt.
func (p *visitPage) sentences(m *model, x *ledger.Visit, fills []ledger.Fill, loose []ledger.Loose) {
	p.Lines = append(p.Lines, capital(report.SayVisit(x)))
	if even := m.sayEven(x, fills); even != "" {
		p.Lines = append(p.Lines, even)
	}
	if x.Numbered {
		p.Lines = append(p.Lines, "The order of fills makes sure which colony each was.")
	}
	if text := report.SayUnsure(fills, loose, func(i int) int { return m.noOf(fills[i].Start) }); text != "" {
		p.Lines = append(p.Lines, text)
	}
	if x.Unseen > 0 {
		p.Lines = append(p.Lines, m.hundredths(x.Unseen)+" flowed while the counter was not heard, and may hold fills.")
	}
	p.Lines = append(p.Lines, m.sayFed(fills)...)
}

// sayFed says with which syrup fills were, and how warm it was.
func (m *model) sayFed(fills []ledger.Fill) []string {
	var out []string
	lo, hi := math.Inf(1), math.Inf(-1)
	brix := math.NaN()
	several, unknown := false, 0
	var sugar quantity.Mass
	for i := range fills {
		f := &fills[i]
		if f.HasSyrup {
			lo, hi = min(lo, float64(f.Syrup)), max(hi, float64(f.Syrup))
		}
		if f.Brix > 0 {
			several = several || math.Abs(f.Brix-brix) > 0.05
			brix = f.Brix
			sugar += f.Solids
		} else {
			unknown++
		}
	}
	var s []string
	switch {
	case len(fills) == 0:
		return nil
	case unknown == len(fills):
		s = append(s, "What syrup it was nobody said")
	case several:
		s = append(s, "Syrup of more than one Brix, the last "+strconv.FormatFloat(brix, 'f', 1, 64))
	default:
		s = append(s, "Syrup of "+strconv.FormatFloat(brix, 'f', 1, 64)+" Brix")
	}
	if lo <= hi {
		a, b := m.Units.Temperature(quantity.Temperature(lo)), m.Units.Temperature(quantity.Temperature(hi))
		if a == b {
			s = append(s, "at "+a)
		} else {
			s = append(s, "from "+a+" to "+b)
		}
	}
	if sugar > 0 {
		more := "with "
		if unknown > 0 {
			more = "with more than "
		}
		in := " of sugar in the fills"
		if len(fills) == 1 {
			in = " of sugar in it"
		}
		s = append(s, more+m.Units.Mass(sugar)+in)
	}
	return append(out, strings.Join(s, ", ")+".")
}

// mostStarts bounds how many flows the form offers a visit to begin with.
const mostStarts = 300

// forms are what can be said of the visit.
func (p *visitPage) forms(m *model, k int, fills []ledger.Fill, loose []ledger.Loose) {
	x := &m.view.Visits[k]
	var all []stretch
	for i := range fills {
		all = append(all, ofFill(&fills[i]))
	}
	for i := range loose {
		all = append(all, ofLoose(m.view, &loose[i]))
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].start < all[j].start })
	if len(all) == 0 {
		return
	}
	p.Pull = all[0].pull()
	p.Yards = m.yardChoices(x.Yard)
	for i := range all[1:] {
		if f := &all[i+1]; f.start > x.From && len(p.Starts) < mostStarts && (f.fill || f.volume >= leastToName) {
			text := m.clock(f.start) + ", " + m.hundredths(f.volume)
			if !f.fill {
				text += ", " + f.as
			}
			p.Starts = append(p.Starts, choice{f.pull(), text, false})
		}
	}
	if e := earlier(m.view, k); e >= 0 {
		p.Goes = m.times(m.view.Visits[e].From, m.view.Visits[e].To)
	}
}

// yardChoices are the yards that flow may be moved to: those in use, but for the
// one that it is in, and none.
func (m *model) yardChoices(now string) (out []choice) {
	for i := range m.view.Yards {
		if y := &m.view.Yards[i]; !y.Closed && y.ID != now {
			out = append(out, choice{y.ID, m.yard(y.ID).Name, false})
		}
	}
	if now != "" {
		out = append(out, choice{"", "No yard", false})
	}
	return out
}
