package dashboard

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/door"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/alarm"
	"yardtally/meter/watch"
)

const (
	watchPath  = "/watch"
	watchPulls = watchPath + "/pulls"
	mostPast   = 60 // alarms in the season's table; the files have them all
)

// alarmsModel is the page of alarms.
type alarmsModel struct {
	shell
	Token    string
	Told     note
	Unread   bool         // what was said could not be read
	Over     []alarmModel // of the newest outing, seen and over
	Past     *report.Figures
	More     string
	Judged   *judgedModel
	Quiet    []string // what the watch cannot see, and knows besides
	NoWatch  bool     // nobody looks
	Unheard  bool     // no reading has come yet
	Learning bool
}

// judgedModel is the newest outing's pulls against what was expected.
type judgedModel struct {
	Ratio, Sum template.HTML
	Words      string
	Table      report.Figures
	More       string
}

func (s *server) alarmPage(w http.ResponseWriter, r *http.Request) {
	s.drawAlarms(w, r, http.StatusOK, note{})
}

// drawAlarms answers with the page. What is told first says what became of a tap.
func (s *server) drawAlarms(w http.ResponseWriter, r *http.Request, status int, told note) {
	f := s.frames.fresh(r)
	m := newModel(s.Feed.Snapshot())
	a := alarmsModel{shell: s.shell(r), Told: told, NoWatch: m.Watch == nil, Unheard: !m.heard()}
	a.Home = watchPath // also where a form was refused
	a.Demo, a.Clock, a.Part = f.demo, f.clock, map[string]template.HTML{}
	for _, p := range f.parts {
		a.Part[p.ID] = template.HTML(p.HTML) // made by html/template in render
	}
	acts, err := s.spoken(r.Context())
	a.Unread = err != nil
	if s.Said != nil && door.Of(r.Context()) == door.In {
		a.Token = token()
		if a.Told.Text == "" {
			a.Told = m.sayTold(acts, strings.Fields(r.URL.Query().Get("said")), act.TakenBack(acts), r.URL.Query().Has("again"))
		}
	}
	if m.Watch != nil {
		for i := range m.Watch.Alarms {
			if x := &m.Watch.Alarms[i]; x.State == alarm.Gone {
				a.Over = append(a.Over, m.alarm(x, false))
			}
		}
		a.Judged, a.Quiet, a.Learning = m.judged(), m.unseen(), m.Watch.Log.Learning
	}
	a.Past, a.More = m.past(acts)
	s.answer(w, r, status, "watch.html", a)
}

// spoken is all that was said; nothing where nothing can be.
func (s *server) spoken(ctx context.Context) ([]act.Act, error) {
	if s.Said == nil {
		return nil, nil
	}
	ctx, cancel := context.WithTimeout(ctx, askLimit)
	defer cancel()
	return s.Said.Acts(ctx)
}

// bygone is an alarm of the season, as far as it was given out or is known now.
type bygone struct {
	key, matter, channel, yard string
	kinds                      []watch.Kind
	raised, over               int64 // over 0: it lasts, or nobody can say
	acked                      int64
	by                         string
	a                          *alarm.Alarm // of the newest outing; nil: of one before
}

func (b *bygone) priority() alarm.Priority {
	return alarm.PriorityOf(&watch.Verdict{Kinds: b.kinds})
}

// season lists alarms of all that was given out and of the newest outing, the newest
// first.
func (m *model) season(acts []act.Act) []bygone {
	var out []bygone
	at := map[string]int{}
	get := func(key string) *bygone {
		i, ok := at[key]
		if !ok {
			i = len(out)
			at[key] = i
			out = append(out, bygone{key: key})
		}
		return &out[i]
	}
	if m.Watch != nil {
		for i := range m.Watch.Alarms {
			a := &m.Watch.Alarms[i]
			b := get(a.Key)
			*b = bygone{key: a.Key, matter: matterOf(&a.Verdict), channel: a.Channel, yard: a.Yard, kinds: a.Kinds,
				raised: a.Raised, over: a.Back, acked: a.Acked, by: a.AckedBy, a: a}
		}
	}
	standing := act.Standing(acts)
	slices.SortStableFunc(standing, func(a, b act.Act) int { return cmp.Compare(a.When, b.When) })
	for i := range standing {
		x, ok := standing[i].Body.(act.Announced)
		if !ok {
			continue
		}
		b := get(x.Key)
		if b.a != nil {
			continue
		}
		switch {
		case x.What == act.Returned:
			b.over = x.At.NS
		case b.raised == 0:
			b.raised = x.At.NS
			fallthrough
		default:
			b.over = 0
		}
		if b.kinds == nil {
			for _, name := range x.Kinds {
				if k, ok := watch.ParseKind(name); ok {
					b.kinds = append(b.kinds, k)
				}
			}
			b.channel, b.yard = x.Channel, x.Yard
			b.matter = matterOf(&watch.Verdict{Kinds: b.kinds, Channel: x.Channel})
		}
	}
	for i := range standing {
		if x, ok := standing[i].Body.(act.Ack); ok {
			if k, ok := at[x.Key]; ok && out[k].acked == 0 {
				out[k].acked, out[k].by = standing[i].When, standing[i].Who
			}
		}
	}
	out = slices.DeleteFunc(out, func(b bygone) bool { return b.raised == 0 }) // what was given out before is not here
	slices.SortStableFunc(out, func(a, b bygone) int { return cmp.Or(cmp.Compare(b.raised, a.raised), cmp.Compare(a.key, b.key)) })
	return out
}

// past is the season's alarms as a table.
func (m *model) past(acts []act.Act) (*report.Figures, string) {
	all := m.season(acts)
	if len(all) == 0 {
		return nil, ""
	}
	t := &report.Figures{Columns: []report.Column{{Name: "raised"}, {Name: "what"}, {Name: "where"}, {Name: "over"}, {Name: "seen"}}}
	for i := range all[:min(len(all), mostPast)] {
		b := &all[i]
		over, seen, yard := "not yet", "not answered", ""
		switch {
		case b.over != 0:
			over = m.minute(b.over)
		case b.a == nil: // of an outing that is no longer looked at
			over = "not known"
		}
		switch {
		case b.acked != 0 && b.by != "":
			seen = m.minute(b.acked) + ", " + b.by
		case b.acked != 0:
			seen = m.minute(b.acked)
		case b.priority() == alarm.Note:
			seen = "needs none"
		}
		if b.yard != "" {
			yard = m.yard(b.yard).Name
		}
		t.Rows = append(t.Rows, []string{m.minute(b.raised), capital(b.matter), yard, over, seen})
	}
	if n := len(all) - len(t.Rows); n > 0 {
		return t, plural(n, "earlier alarm is", "earlier alarms are") + " in the files."
	}
	return t, ""
}

// judgedPull is a pull of the newest outing against what was expected.
type judgedPull struct {
	at       int64
	yard     string
	measured quantity.Flow
	j        watch.Judged
}

// judgedPulls are those that were judged, in order of time.
func (m *model) judgedPulls() (out []judgedPull) {
	if m.Watch == nil {
		return nil
	}
	fills := m.view.Fills
	k := 0
	for _, j := range m.Watch.Log.Fills {
		if j.Expected <= 0 {
			continue
		}
		for n := 0; n < len(fills); n++ { // in the same order: it is hardly ever looked for twice
			if f := &fills[(k+n)%len(fills)]; f.Session == j.Session && f.First == j.First {
				out = append(out, judgedPull{f.Start, f.Yard, j.Expected * quantity.Flow(math.Exp(j.Off)), j})
				k += n
				break
			}
		}
	}
	return out
}

// judged draws the pulls against what was expected, and the statistic that is
// watched, with its limits.
func (m *model) judged() *judgedModel {
	pulls := m.judgedPulls()
	if len(pulls) == 0 {
		return nil
	}
	_, rate, _ := units(m.Units)
	out := &judgedModel{Table: report.Figures{Columns: []report.Column{{Name: "start"}, {Name: rate, Right: true}, {Name: "expected", Right: true},
		{Name: "least", Right: true}, {Name: "most", Right: true}, {Name: "slow", Right: true}, {Name: "fast", Right: true}}}}
	band := draw.Series{Kind: draw.Band, Name: "19 of 20"}
	line := draw.Series{Kind: draw.Line, Name: "expected, cold and all"}
	dots, far := draw.Series{Kind: draw.Points, Name: "measured"}, draw.Series{Kind: draw.Points, Name: "outside", Wrong: true}
	fast := draw.Series{Kind: draw.Steps, Name: "too fast"}
	slow := draw.Series{Kind: draw.Steps, Name: "too slow"}
	limits := draw.Series{Kind: draw.Rule, Y: []float64{watch.SumLimit, -watch.SumLimit}, Name: "limit"}
	outside := 0
	fixed := func(q quantity.Flow) string { return fmt.Sprintf("%.2f", m.asUnit(q)) }
	for i := range pulls {
		p := &pulls[i]
		x := float64(p.at) / 1e9
		band.X, band.Lo, band.Hi = append(band.X, x), append(band.Lo, m.asUnit(p.j.Lo)), append(band.Hi, m.asUnit(p.j.Hi))
		line.X, line.Y = append(line.X, x), append(line.Y, m.asUnit(p.j.Expected))
		s := &dots
		if p.measured < p.j.Lo || p.measured > p.j.Hi {
			s = &far
			outside++
		}
		s.X, s.Y = append(s.X, x), append(s.Y, m.asUnit(p.measured))
		fast.X, fast.Y = append(fast.X, x), append(fast.Y, p.j.Fast)
		slow.X, slow.Y = append(slow.X, x), append(slow.Y, -p.j.Slow)
	}
	for i := len(pulls) - 1; i >= max(0, len(pulls)-mostListed); i-- {
		p := &pulls[i]
		out.Table.Rows = append(out.Table.Rows, []string{m.clock(p.at), fixed(p.measured), fixed(p.j.Expected), fixed(p.j.Lo), fixed(p.j.Hi),
			fmt.Sprintf("%.1f", p.j.Slow), fmt.Sprintf("%.1f", p.j.Fast)})
	}
	if n := len(pulls) - len(out.Table.Rows); n > 0 {
		out.More = plural(n, "earlier pull is", "earlier pulls are") + " in the files."
	}
	beyond := "none is"
	if outside > 0 {
		beyond = plural(outside, "is", "are")
	}
	out.Words = plural(len(pulls), "pull", "pulls") + " held against what was to be expected at its temperature and level; " + beyond + " outside the band, where 19 of 20 should lie."
	when := draw.Axis{Label: "time", Zone: m.zone}
	series := []draw.Series{band, line, dots}
	if len(far.X) > 0 {
		series = append(series, far)
	}
	ratio := draw.Chart{ID: "judged", Title: "Flow of each pull against what was expected", Desc: out.Words, Wide: true, X: when, Y: draw.Axis{Label: "flow, " + rate}, Series: series}
	highest := watch.SumLimit * 1.2
	for i := range fast.Y {
		highest = max(highest, fast.Y[i]*1.05, -slow.Y[i]*1.05)
	}
	sum := draw.Chart{ID: "sums", Title: "What small differences add up to", Wide: true, X: when,
		Desc: fmt.Sprintf("Sums of what pulls differ by, beyond what is usual; %.1f is the limit on either side. The highest of either is %.1f.", watch.SumLimit, highestOf(fast.Y, slow.Y)),
		Y:    draw.Axis{Label: "sum, standard deviations", Min: -highest, Max: highest}, Series: []draw.Series{fast, slow, limits}}
	out.Ratio, out.Sum = template.HTML(ratio.Draw()), template.HTML(sum.Draw()) // escaped by draw
	return out
}

func highestOf(lists ...[]float64) (out float64) {
	for _, list := range lists {
		for _, x := range list {
			out = max(out, math.Abs(x))
		}
	}
	return out
}
