package dashboard

import (
	"context"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/bucket"
	"yardtally/meter/ledger"
)

const (
	meterPath = "/meter"
	provePath = "/meter/prove"
)

// meterModel is the page of the flow meter.
type meterModel struct {
	shell
	Metering *report.Metering
	Told     bookNote
	Token    string // "": nothing can be said here
	Curve    template.HTML
	Notes    []string // of the curve's picture
	Drift    template.HTML
	Provings []provingModel
	Unread   bool
}

// provingModel is one proving with its budget.
type provingModel struct {
	Act, Name, Short string
	Found            report.Found
	By, Note         string // who said it, and what was noted
	InForce, Off     bool
	Back             bool // it can be taken back here
}

func (s *server) meter(w http.ResponseWriter, r *http.Request) {
	s.drawMeter(w, r, http.StatusOK, bookNote{})
}

// options are those of a report that the page shows.
func (m *model) options() report.Options {
	return report.Options{Units: m.Units, Zone: m.zone, Now: m.Now, Page: true}
}

func (s *server) drawMeter(w http.ResponseWriter, r *http.Request, status int, told bookNote) {
	m := newModel(s.Feed.Snapshot())
	p := meterModel{shell: s.shell(r), Metering: report.MeterPage(m.view, m.options()), Told: told}
	p.Home, p.Demo = meterPath, m.Demo
	var acts []act.Act
	if s.Said != nil {
		var err error
		if acts, err = s.actsOf(r); err != nil {
			p.Unread = true
		}
	}
	if p.mayWrite(s) {
		p.Token = token()
	}
	if p.Metering.Known {
		tidy(p.Metering.Points, p.Metering.Chart)
		svg, notes := m.curveChart(p.Metering)
		p.Curve, p.Notes = template.HTML(svg), notes //nolint:gosec // drawn by draw, which escapes
		p.Drift = template.HTML(m.driftChart(p.Metering))
	}
	p.Provings = m.provings(p.Metering, acts, p.Token != "")
	if p.Told.Text == "" {
		p.Told = m.sayProved(s, acts, r.URL.Query())
	}
	if p.Token == "" {
		p.Told.Back = ""
	}
	s.answer(w, r, status, "meter.html", p)
}

// tidy names the columns of remarks, and leaves them out where there are none.
func tidy(tables ...*report.Figures) {
	for _, t := range tables {
		if t == nil {
			continue
		}
		for c := len(t.Columns) - 1; c >= 0; c-- {
			if t.Columns[c].Name != "" {
				continue
			}
			if slices.ContainsFunc(t.Rows, func(r []string) bool { return len(r) > c && r[c] != "" }) {
				t.Columns[c].Name = "remark"
				continue
			}
			t.Columns = slices.Delete(t.Columns, c, c+1)
			for i, r := range t.Rows {
				if len(r) > c {
					t.Rows[i] = slices.Delete(slices.Clone(r), c, c+1)
				}
			}
		}
	}
}

// provings are all that count, the newest first, each with what it found.
func (m *model) provings(r *report.Metering, acts []act.Act, write bool) (out []provingModel) {
	for i := len(r.Proved) - 1; i >= 0; i-- {
		p := &r.Proved[i]
		x := provingModel{Act: p.Act, Name: p.Name, InForce: p.InForce, Off: p.Off}
		k := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == p.Act })
		if k < 0 {
			continue
		}
		b, ok := acts[k].Body.(act.Proving)
		if !ok {
			continue
		}
		if b.DoneNS == 0 {
			b.DoneNS = p.Done
		}
		point, err := bucket.Point(p.Act, b)
		if err != nil {
			continue
		}
		x.Found = report.SayProving(point, m.Units)
		tidy(x.Found.Budget)
		x.Short, x.By, x.Note = x.Found.K, acts[k].Who, b.Note
		if most := point.Budget.Largest(); most.Name != "" {
			x.Short += ", mostly by " + lowered(most.Name)
		}
		x.Back = write && acts[k].Who != act.BySettings
		out = append(out, x)
	}
	return out
}

// lowered is a name inside a sentence.
func lowered(s string) string {
	if s == "Brix" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// sayProved says what was just kept, thrown away or taken back.
func (m *model) sayProved(s *server, acts []act.Act, q url.Values) (n bookNote) {
	i := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == q.Get("said") })
	if i < 0 {
		return n
	}
	say := func(b act.Proving, at int64) string {
		if b.DoneNS != 0 {
			at = b.DoneNS
		}
		when := "proving of " + time.Unix(0, at).In(m.zone).Format("2006-01-02 15:04")
		if p, err := bucket.Point("", b); err == nil {
			when += ", K-factor " + report.KFactor(m.Units, p.K, p.Mass) + " ± " + report.Percent(p.Budget.Expanded(0.95))
		}
		return when
	}
	gone := act.TakenBack(acts)
	switch b := acts[i].Body.(type) {
	case act.Proving:
		if gone[acts[i].ID] {
			n.Text = "Taken back: " + say(b, acts[i].From) + "."
			return n
		}
		n.Text, n.Back = "Kept: "+say(b, acts[i].From)+".", acts[i].ID
		if acts[i].From == 0 {
			n.Notes = append(n.Notes, "It holds since ever: what was metered before is worked out again by it.")
		} else {
			n.Notes = append(n.Notes, "It holds from "+time.Unix(0, acts[i].From).In(m.zone).Format("2006-01-02 15:04")+" on.")
		}
		for _, r := range m.view.Review {
			if r.Act == acts[i].ID {
				n.Notes = append(n.Notes, "It cannot be used: "+r.Why+".")
			}
		}
	case act.Deem:
		if gone[acts[i].ID] {
			n.Text = "Taken back: what was drawn is a colony’s again, as far as it can be one."
			return n
		}
		n.Text, n.Back = "Thrown away: no proving was kept. What was drawn went into the bucket, and is no colony’s.", acts[i].ID
	case act.Undo:
		k := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == b.Act })
		if k < 0 {
			return n
		}
		switch old := acts[k].Body.(type) {
		case act.Proving:
			n.Text = "Taken back: " + say(old, acts[k].From) + ". It counts no more; the curve is made of the others."
		case act.Deem:
			n.Text = "Taken back: what was drawn is a colony’s again, as far as it can be one."
		}
	}
	if q.Has("again") && n.Text != "" {
		n.Notes = append([]string{"That was sent twice, and counts once."}, n.Notes...)
	}
	return n
}

// unprove takes a proving back, or that a pull went into the bucket.
func (s *server) unprove(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r, mostForm) {
		return
	}
	id := r.PostForm.Get("act")
	said, again, err := s.sayOnce(r.Context(), tapOf(r), nameOf(r), func(ctx context.Context, _ act.Moment) ([]act.Body, error) {
		acts, err := s.Said.Acts(ctx)
		if err != nil {
			return nil, err
		}
		wrong := func(rule string) error {
			return &act.FieldError{Field: "act", Rule: rule, Value: strconv.Quote(clip(id))}
		}
		i := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == id })
		if i < 0 {
			return nil, wrong("must be a proving")
		}
		switch b := acts[i].Body.(type) {
		case act.Proving:
			if acts[i].Who == act.BySettings {
				return nil, wrong("must not be one that the settings file says: strike it out there")
			}
		case act.Deem:
			if b.As != act.AsProving {
				return nil, wrong("must be a proving")
			}
		default:
			return nil, wrong("must be a proving")
		}
		if act.TakenBack(acts)[id] {
			return nil, wrong("must not be taken back already")
		}
		return []act.Body{act.Undo{Act: id}}, nil
	})
	if err != nil {
		s.drawMeter(w, r, s.statusOf(w, err), bookNote{Bad: true, Text: "Nothing was taken back: " + sentence(err)})
		return
	}
	s.toMeter(w, r, said, again)
}

// toMeter sends the browser to what was said of the meter.
func (s *server) toMeter(w http.ResponseWriter, r *http.Request, id string, again bool) {
	toSaid(w, r, meterPath, id, again)
}

// table serves a report of the page's model as CSV or JSON.
func (s *server) table(w http.ResponseWriter, r *http.Request, write func(io.Writer, *model, report.Options) error) {
	m := newModel(s.Feed.Snapshot())
	s.takeAway(w, r, m.view, m.options(), func(b io.Writer, _ *ledger.View, o report.Options) error { return write(b, m, o) })
}

func (s *server) meterTable(w http.ResponseWriter, r *http.Request) {
	s.table(w, r, func(b io.Writer, m *model, o report.Options) error { return report.Meter(b, m.view, o) })
}
