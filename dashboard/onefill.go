package dashboard

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/worth"
)

// fillPage is the page of one fill, or of one flow outside fills.
type fillPage struct {
	flowPage
	Title, Since  string
	Took          string
	Lines         []string
	Visit         *neighbour
	Before, After *neighbour
	Why           string // of its yard
	Or            string
	Causes        []causeRow
	Chart         template.HTML
	Course        []courseRow
	CourseRate    string
	CourseWhy     string // why there is no course
	CourseSaid    string // what was expected
	Unit          string
	Pull          string
	Yards         []choice
	Kinds         []pullAnswer
	JoinBefore    string // the fill that it may be joined with
	JoinAfter     string
	Open          bool
	Cuttable      bool
	Middle        string // a time in its middle, as an example
	Half          string // and half its volume
	Said          []saidTap
	Table         string
}

// causeRow is a cause of a volume's interval.
type causeRow struct{ Name, Within string }

// courseRow is a stretch of a flow's course.
type courseRow struct {
	From, Pulses, Flow, Volume string
	Steady                     bool
}

// step is a stretch of a flow's course: from and to in s since its start.
type step struct {
	from, to float64
	pulses   uint64
	flow     quantity.Flow
	steady   bool
}

func (s *server) oneFill(w http.ResponseWriter, r *http.Request) {
	s.drawFill(w, r, r.URL, http.StatusOK, note{})
}

func (s *server) drawFill(w http.ResponseWriter, r *http.Request, u *url.URL, status int, told note) {
	m := newModel(s.Feed.Snapshot())
	f, ok := s.pullOf(u.Query().Get("pull"))
	if !ok {
		s.noPage(w, r, http.StatusNotFound, "No flow is known by these counts: "+strconv.Quote(clip(u.Query().Get("pull")))+".")
		return
	}
	frame, acts := s.flowFrame(r, u, m, told)
	p := fillPage{flowPage: frame, Pull: f.pull(), Open: f.open, Table: "?pull=" + url.QueryEscape(f.pull())}
	_, p.Unit = m.Units.VolumeParts(0)
	_, p.CourseRate = m.Units.FlowParts(0)
	p.say(m, &f)
	p.around(m, &f)
	if !f.open {
		p.forms(m, &f)
	}
	p.course(s, r, m, &f)
	p.Said = m.saidOf(acts, func(b act.Body) bool {
		switch b := b.(type) {
		case act.Assign:
			return b.Session == f.session && b.First < f.last && f.first < b.Last
		case act.Deem:
			return b.Session == f.session && b.First < f.last && f.first < b.Last
		case act.Cut:
			return b.Session == f.session && b.At >= f.first && b.At <= f.last
		}
		return false
	})
	s.answer(w, r, status, "fill.html", p)
}

// fillOf returns the fill that a flow is, nil where it is none.
func (m *model) fillOf(f *stretch) *ledger.Fill {
	for i := range m.view.Fills {
		if x := &m.view.Fills[i]; f.fill && x.Session == f.session && x.First == f.first {
			return x
		}
	}
	return nil
}

func (m *model) looseOf(f *stretch) *ledger.Loose {
	for i := range m.view.Loose {
		if x := &m.view.Loose[i]; !f.fill && x.Session == f.session && x.First == f.first {
			return x
		}
	}
	return nil
}

// say says what a flow was: how much, how surely, where and why.
func (p *fillPage) say(m *model, f *stretch) {
	p.Since = m.day(f.start) + ", " + m.clock(f.start) + " to " + m.clock(f.end)
	p.Took = m.hundredths(f.volume)
	p.Why = capital(m.sayReason(f.yard, f.reason)) + "."
	v := ledger.View{Curves: m.view.Curves}
	within := quantity.Volume(0)
	if x := m.fillOf(f); x != nil {
		p.Title = "Fill " + strconv.Itoa(m.noOf(x.Start))
		if x.TopUp {
			p.Title += ", a top-up"
		}
		within, v.Fills = x.Within, []ledger.Fill{*x}
		p.Lines = append(p.Lines, fmt.Sprintf("%.0f s, %s in the mean, %d pulses.", float64(x.End-x.Start)/1e9, m.Units.Flow(x.Flow), x.Last-x.First))
		if note := noteOf(x); note != "" {
			p.Lines = append(p.Lines, capital(note)+".")
		}
		p.Lines = append(p.Lines, m.sayFed(v.Fills)...)
	} else if x := m.looseOf(f); x != nil {
		p.Title = capital(x.Why)
		within = x.Within
		v.Loose = []ledger.Loose{*x}
		p.Lines = append(p.Lines, fmt.Sprintf("No fill. %s: %.0f s, %d pulses.", capital(report.SayLoose(x)), float64(x.End-x.Start)/1e9, x.Last-x.First))
	}
	if w := report.Within(m.Units, within); w != "" {
		p.Took = m.plain(f.volume) + " ±" + w + " " + p.Unit
	}
	if or := report.SayOr(f.as, f.or); or != "" {
		p.Or = "It may be " + or + "."
	}
	t := ledger.Tally(&v, math.MinInt64, math.MaxInt64)
	for _, c := range t.Budget {
		if w := quantity.VolumeOf(worth.Cover * c.U); w > 0 {
			p.Causes = append(p.Causes, causeRow{c.Name, m.small(w)})
		}
	}
}

// small is half a 95 % interval to 0.001 of the unit, rounded up.
func (m *model) small(v quantity.Volume) string {
	x := v.Litres()
	if m.Units == quantity.US {
		x = v.USGallons()
	}
	return strconv.FormatFloat(math.Ceil(x*1000)/1000, 'f', 3, 64)
}

// around says what came before and after, and the visit that it was on.
func (p *fillPage) around(m *model, f *stretch) {
	name := func(x *stretch) string { return m.clock(x.start) + ", " + m.hundredths(x.volume) }
	var before, after *stretch
	look := func(x stretch) {
		switch {
		case x.session == f.session && x.first == f.first || !x.fill && x.volume < leastToName:
		case x.start < f.start && (before == nil || x.start > before.start):
			before = &x
		case x.start > f.start && (after == nil || x.start < after.start):
			after = &x
		}
	}
	for i := range m.view.Fills {
		look(ofFill(&m.view.Fills[i]))
	}
	for i := range m.view.Loose {
		look(ofLoose(m.view, &m.view.Loose[i]))
	}
	if before != nil {
		p.Before = &neighbour{flowLink(before.session, before.first), name(before)}
	}
	if after != nil {
		p.After = &neighbour{flowLink(after.session, after.first), name(after)}
	}
	if f.visit >= 0 && f.visit < len(m.view.Visits) {
		x := &m.view.Visits[f.visit]
		p.Visit = &neighbour{m.visitLink(f.visit), upper(m.yard(x.Yard).Name) + ", " + m.times(x.From, x.To)}
	}
}

// deemOrder is the order in which the page offers what a flow can be counted as.
var deemOrder = []string{act.AsFill, act.AsTopUp, act.AsPriming, act.AsFlush, act.AsProving, act.AsSpill, act.AsSuspect}

// forms are what can be said of the flow.
func (p *fillPage) forms(m *model, f *stretch) {
	p.Yards = m.yardChoices(f.yard)
	for _, as := range deemOrder {
		if as != asked[f.as].as {
			p.Kinds = append(p.Kinds, pullAnswer{as, deemWords[as]})
		}
	}
	before, after := beside(m.view, f)
	if before != nil && f.as != outing.ATopUp {
		p.JoinBefore = m.clock(before.Start) + ", " + m.hundredths(before.Volume)
	}
	if after != nil && !after.Open && !after.TopUp {
		p.JoinAfter = m.clock(after.Start) + ", " + m.hundredths(after.Volume)
	}
	p.Cuttable = f.last-f.first >= 2
	p.Middle, p.Half = m.clock((f.start+f.end)/2), m.hundredths(f.volume/2)
}

// Steps of a course hold so many pulses and last so long, or longest without
// them: a count is good to a pulse, so that 16 scatter by some 6 %. What is
// within alike of the steady flow is drawn as of it, but for the opening.
const (
	stepPulses  = 16
	stepLasts   = 1.0 // s
	stepLongest = 2.5
	stepAlike   = 0.85
	opening     = 1.5
)

// steps makes a course of what the counter said.
func steps(t *Trace, f *stretch, pulled *outing.Pulled) (out []step) {
	if f.last <= f.first {
		return nil
	}
	pulse := f.volume.CubicMetres() / float64(f.last-f.first)
	last := -1
	for i := range t.At {
		if t.Count[i] <= f.first || last < 0 {
			last = i // the newest before it began
			continue
		}
		took, n := float64(t.At[i]-t.At[last])/1e9, t.Count[i]-t.Count[last]
		end := t.Count[i] >= f.last
		if !(n >= stepPulses && took >= stepLasts || took >= stepLongest || end) || took <= 0 {
			continue
		}
		x := step{from: float64(t.At[last]-f.start) / 1e9, to: float64(t.At[i]-f.start) / 1e9, pulses: n,
			flow: quantity.Flow(float64(n) * pulse / took)}
		if pulled != nil && pulled.Flow > 0 {
			x.steady = x.from >= opening && !end && x.flow >= stepAlike*pulled.Flow && x.flow*stepAlike <= pulled.Flow
		}
		out = append(out, x)
		if last = i; end {
			break
		}
	}
	return out
}

// flowNumber is a flow in the person's unit.
func (m *model) flowNumber(q quantity.Flow) float64 {
	if m.Units == quantity.US {
		return float64(q / quantity.USGallonPerMinute)
	}
	return float64(q / quantity.LitrePerMinute)
}

// traced asks for the course of a flow.
func (s *server) traced(r *http.Request, m *model, f *stretch) (*Trace, []step, error) {
	t, err := s.Trace(r.Context(), TraceOf{Session: f.session, First: f.first, Last: f.last, Start: f.start, End: f.end})
	if err != nil {
		return t, nil, err
	}
	var pulled *outing.Pulled
	if x := m.fillOf(f); x != nil {
		pulled = &x.Pulled
	}
	return t, steps(t, f, pulled), nil
}

// course draws how the flow went, before what was expected.
func (p *fillPage) course(s *server, r *http.Request, m *model, f *stretch) {
	if s.Trace == nil {
		p.CourseWhy = "How it flowed cannot be read here."
		return
	}
	t, course, err := s.traced(r, m, f)
	switch {
	case err != nil:
		p.CourseWhy = "How it flowed cannot be shown: " + sentence(err)
		return
	case len(course) == 0:
		p.CourseWhy = "How it flowed cannot be shown: the counter said too little while it did."
		return
	}
	c := draw.Chart{ID: "course", Title: "How it flowed", Wide: true, X: draw.Axis{Label: "s since it began"}, Y: draw.Axis{Label: "flow, " + p.CourseRate}}
	end := course[len(course)-1].to
	var x *ledger.Fill
	if x = m.fillOf(f); x == nil {
		x = &ledger.Fill{}
	}
	if t.Hi > 0 {
		c.Series = append(c.Series, draw.Series{Kind: draw.Band, Name: "expected, 19 times in 20", X: []float64{0, end},
			Lo: []float64{m.flowNumber(t.Lo), m.flowNumber(t.Lo)}, Hi: []float64{m.flowNumber(t.Hi), m.flowNumber(t.Hi)}})
		p.CourseSaid = fmt.Sprintf("Expected with this syrup at its temperature: %s, 19 times in 20 from %s to %s.",
			m.Units.Flow(t.Expected), m.Units.Flow(t.Lo), m.Units.Flow(t.Hi))
	} else {
		p.CourseSaid = "What should have flowed is not known: the pull has no steady part, or the syrup and the line are not known."
	}
	if q := x.Pulled.Flow; q > 0 {
		p.CourseSaid += " Measured in its steady part: " + m.Units.Flow(q) + " ±" + report.Percent(2*x.Pulled.RelU) + " by the count, for " +
			fmt.Sprintf("%.0f s.", float64(x.Pulled.Steady)/1e9)
	}
	all := draw.Series{Kind: draw.Line, Name: "measured", Hollow: true}
	steady := draw.Series{Kind: draw.Line, Name: "its steady part"}
	sum, any := uint64(0), false
	pulse := float64(f.volume) / float64(f.last-f.first)
	for _, w := range course {
		mid, q := (w.from+w.to)/2, m.flowNumber(w.flow)
		all.X, all.Y = append(all.X, mid), append(all.Y, q)
		steady.X = append(steady.X, mid)
		if any = any || w.steady; w.steady {
			steady.Y = append(steady.Y, q)
		} else {
			steady.Y = append(steady.Y, math.NaN())
		}
		sum += w.pulses
		rate, _ := m.Units.FlowParts(w.flow)
		p.Course = append(p.Course, courseRow{fmt.Sprintf("%.1f", max(w.from, 0)), strconv.FormatUint(w.pulses, 10), rate, m.plain(quantity.Volume(float64(sum) * pulse)), w.steady})
	}
	c.Series = append(c.Series, all)
	if any {
		c.Series = append(c.Series, steady)
	}
	c.Desc = fmt.Sprintf("Flow over %.0f seconds in %d steps. %s", end, len(course), p.CourseSaid)
	p.Chart = template.HTML(c.Draw())
	if len(p.Course) > mostCourse {
		p.Course = p.Course[:mostCourse]
	}
}

// mostCourse is how many steps the page lists; the table to take away has all.
const mostCourse = 300

// traceTable is the course of a flow to take away, in SI units.
func (s *server) traceTable(w http.ResponseWriter, r *http.Request) {
	m := newModel(s.Feed.Snapshot())
	f, ok := s.pullOf(r.URL.Query().Get("pull"))
	if !ok || s.Trace == nil {
		http.Error(w, "No flow is known by these counts.", http.StatusNotFound)
		return
	}
	t, course, err := s.traced(r, m, &f)
	if err != nil {
		http.Error(w, "How it flowed cannot be shown: "+sentence(err), http.StatusNotFound)
		return
	}
	type row struct {
		Start  string  `json:"start"` // RFC 3339 in UTC
		Took   float64 `json:"took_s"`
		Pulses uint64  `json:"pulses"`
		Flow   float64 `json:"flow_l_per_min"`
		Steady bool    `json:"steady"`
	}
	rows := make([]row, 0, len(course))
	lpm := func(q quantity.Flow) float64 { return math.Round(float64(q/quantity.LitrePerMinute)*1e4) / 1e4 }
	for _, x := range course {
		rows = append(rows, row{time.Unix(0, f.start+int64(x.from*1e9)).UTC().Format("2006-01-02T15:04:05.000Z"), math.Round((x.to-x.from)*1e3) / 1e3, x.pulses, lpm(x.flow), x.steady})
	}
	var b bytes.Buffer
	kind := "text/csv; charset=utf-8; header=present"
	if strings.HasSuffix(r.URL.Path, ".json") {
		kind = "application/json"
		doc := struct {
			Report   string  `json:"report"`
			Session  uint64  `json:"session"`
			First    uint64  `json:"first_count"`
			Last     uint64  `json:"last_count"`
			Expected float64 `json:"expected_l_per_min"` // 0: nothing is expected
			Lo       float64 `json:"expected_least_l_per_min"`
			Hi       float64 `json:"expected_most_l_per_min"`
			Course   []row   `json:"course"`
		}{"course", f.session, f.first, f.last, lpm(t.Expected), lpm(t.Lo), lpm(t.Hi), rows}
		e := json.NewEncoder(&b)
		e.SetIndent("", "  ")
		_ = e.Encode(doc) // to memory, finite numbers: it cannot fail
	} else {
		out := csv.NewWriter(&b)
		_ = out.Write([]string{"start", "took_s", "pulses", "flow_l_per_min", "steady"})
		for _, x := range rows {
			_ = out.Write([]string{x.Start, fmt.Sprint(x.Took), strconv.FormatUint(x.Pulses, 10), fmt.Sprint(x.Flow), strconv.FormatBool(x.Steady)})
		}
		out.Flush()
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b.Bytes()))
}
