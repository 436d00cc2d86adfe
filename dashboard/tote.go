package dashboard

import (
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/calibrate/quantity"
	strapping "yardtally/calibrate/tote"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
	"yardtally/meter/tote"
)

const totePath = "/tote"

// toteModel is the page of the tote.
type toteModel struct {
	shell
	Name     string
	Holds    value
	Lines    []line // what is in it, and whether it will do
	Why      string // why the level is not known
	More     []string
	Level    template.HTML
	Shown    string // which stretch the picture is of
	Levels   *report.Figures
	Thinned  string
	Past     []line // what went past the meter, the newest first
	Ways     []wayTap
	Straps   template.HTML
	Strap    *report.Figures
	Says     []string
	NotLearn string
}

// learntOnce keeps what was learnt of the tote's shape from a view: a page that
// is loaded again does not learn again, and two do not at once.
type learntOnce struct {
	mu   sync.Mutex
	view *ledger.View
	l    strapping.Learnt
	err  error
}

func (k *learntOnce) of(v *ledger.View) (*strapping.Learnt, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	// New records bring a new view each second, and no new shape: steps do.
	if k.view == nil || k.view != v && (len(k.view.Steps) != len(v.Steps) || k.view.Total > v.Total) {
		k.l, _, k.err = v.LearnTote(0)
		k.view = v
	}
	if k.err != nil {
		return nil, k.err
	}
	l := k.l
	return &l, nil
}

// strapsOf puts the given table beside what was learnt; why says why nothing was.
func (s *server) strapsOf(v *ledger.View) (*report.Straps, error) {
	var given *strapping.Table
	if v.Stand != nil {
		if t, err := v.Stand.Table(); err == nil {
			given = &t
		}
	}
	l, err := s.learnt.of(v)
	return report.NewStraps(given, l), err
}

func (s *server) tote(w http.ResponseWriter, r *http.Request) {
	m := newModel(s.Feed.Snapshot())
	p := toteModel{shell: s.shell(r)}
	p.Home, p.Demo = totePath, m.Demo
	t := &m.view.Tote
	p.Name = t.Name
	at, volume, _, _ := m.tote()
	number, unit := m.Units.VolumeParts(volume)
	p.Holds = m.fresh("tote", at, toteAge, number, unit)
	if !t.Known {
		if p.Why = t.Why; p.Why == "" {
			p.Why = "no level was heard"
		}
	}
	p.Lines = m.leftLines()
	p.More = m.inTote()
	p.Level, p.Shown = m.levelChart()
	p.Levels, p.Thinned = m.levelTable()
	if points := m.points(); len(points) > 0 { // what came before the first flow, too, as far as the picture goes
		m.begins = min(m.begins, points[0].At)
	}
	loud, quiet := m.records()
	p.Past = append(loud, quiet...)
	if p.mayWrite(s) {
		for _, way := range []string{"load", "swap", "water", "content", "loss"} {
			for _, x := range wayWords {
				if x.way == way {
					p.Ways = append(p.Ways, wayTap{x.way, x.words, x.more})
				}
			}
		}
	}
	straps, err := s.strapsOf(m.view)
	if err != nil {
		p.NotLearn = m.sayNotLearnt(err)
	}
	if len(straps.Levels()) > 0 {
		p.Strap, p.Says = straps.Table(m.Units), straps.Says(m.Units)
		p.Straps = template.HTML(m.strapChart(straps)) // drawn by draw, which escapes
	}
	s.answer(w, r, http.StatusOK, "tote.html", p)
}

// sayNotLearnt says why nothing was learnt of the tote's shape.
func (m *model) sayNotLearnt(err error) string {
	text := "Not learnt from the meter yet: "
	var e *strapping.Error
	if errors.As(err, &e) && e.Field == "steps" {
		if seen, ok := e.Value.(quantity.Length); ok {
			return text + "for that the level must have gone through " + m.Units.Length(strapping.LeastRange) + ", and so far it went through " + m.Units.Length(seen) + "."
		}
		return text + "for that more must be drawn from it, in at least two steps."
	}
	return text + sentence(err)
}

// inTote says what is known of what the tote holds.
func (m *model) inTote() (out []string) {
	t, u := &m.view.Tote, m.Units
	if t.Known {
		where := "Level " + u.Length(t.Level) + " above the floor, by " + t.By + ", " + m.minute(t.At) + "; it holds "
		n, unit := u.VolumeParts(t.Volume)
		within, _ := u.VolumeParts(t.Within)
		where += withIn(n, within, t.Within > 0) + " " + unit
		if t.Capacity > 0 {
			where += " of " + u.Volume(t.Capacity)
		}
		if t.Most != "" {
			where += ", unsure mostly by " + t.Most
		}
		out = append(out, where+".")
		if t.Unsettled != "" {
			out = append(out, capital(t.Unsettled)+": the level is less sure than at rest.")
		}
		for _, n := range t.Notes {
			out = append(out, capital(n)+".")
		}
		if t.Mass > 0 {
			n, unit := u.MassParts(t.Mass)
			within, _ := u.MassParts(t.MassWithin)
			out = append(out, "The syrup weighs "+withIn(n, within, t.MassWithin > 0)+" "+unit+", without the tote.")
		}
		out = append(out, t.Load.Words(u)...)
	}
	if b := m.view.Batch; b != nil {
		if s, _, err := b.Solution(); err == nil {
			out = append(out, fmt.Sprintf("In it, as was said: %v, %.1f Brix.", s.Makeup, s.Solids.Brix()))
		}
	}
	return out
}

// ahead is how long before the first flow levels are of the night.
const ahead = int64(time.Hour)

// points are the levels of the night: the newest of the days before it is none.
func (m *model) points() []tote.Point {
	from, _, _, _ := stretchOf(m.Snapshot, m.zone)
	all := m.view.Points
	i := slices.IndexFunc(all, func(p tote.Point) bool { return p.At >= from-ahead })
	if i < 0 {
		return all
	}
	return all[i:]
}

// levelGap is how long nothing may be known of the level before the line parts, ns.
const levelGap = int64(30 * time.Minute)

// levelChart draws the level over the newest outing, with what happened to it.
func (m *model) levelChart() (svg template.HTML, shown string) {
	v := m.view
	vol, _, _ := units(m.Units)
	one := m.oneVolume()
	person := func(litres float64) float64 { return litres / one }
	band := draw.Series{Kind: draw.Band, Name: "right 19 times in 20"}
	level := draw.Series{Name: "in the tote"}
	var first, last *tote.Point
	points := m.points()
	for i := range points {
		p := &points[i]
		if !p.Rest {
			continue
		}
		if first == nil {
			first = p
		}
		at := float64(p.At) / 1e9
		if last != nil && (p.At-last.At > levelGap || p.Tote != last.Tote || p.Series != last.Series) {
			nan := math.NaN()
			band.X, band.Lo, band.Hi = append(band.X, nan), append(band.Lo, nan), append(band.Hi, nan)
			level.X, level.Y = append(level.X, nan), append(level.Y, nan)
		}
		x, w := person(p.Volume.Litres()), person(report.PointWithin(v, p).Litres())
		band.X, band.Lo, band.Hi = append(band.X, at), append(band.Lo, x-w), append(band.Hi, x+w)
		level.X, level.Y = append(level.X, at), append(level.Y, x)
		last = p
	}
	c := draw.Chart{ID: "level", Title: "What the tote held", Wide: true, X: draw.Axis{Zone: m.zone}, Y: draw.Axis{Label: "in the tote, " + vol}, Series: []draw.Series{band, level}}
	if last == nil {
		c.Desc = "No level at rest yet."
		return template.HTML(c.Draw()), ""
	}
	from, to := points[0].At, points[len(points)-1].At
	c.X.Label = "night of " + time.Unix(0, from).In(m.zone).Format("2 Jan 2006")
	var marks []string
	for i := range v.Changes {
		x := &v.Changes[i]
		if x.Kind == tote.Meter || x.To < from || x.From > to {
			continue
		}
		at, mark := x.To, m.markOf(x)
		if x.Begin > 0 && x.End > x.Begin && x.Kind != tote.Unheard {
			at = x.Begin
		}
		c.Series = append(c.Series, draw.Series{Kind: draw.Rule, X: []float64{float64(at) / 1e9}, Name: mark, Wrong: x.Kind == tote.Leak || x.Kind == tote.Loss})
		marks = append(marks, mark)
	}
	if out := v.Terms.Outlet.Litres(); out > 0 {
		c.Series = append(c.Series, draw.Series{Kind: draw.Rule, Y: []float64{person(out)}, Name: "outlet"})
	}
	c.Desc = fmt.Sprintf("It held %s at %s and %s at %s. ", m.Units.Volume(first.Volume), m.minute(first.At), m.Units.Volume(last.Volume), m.minute(last.At))
	switch n := len(marks); {
	case n == 0:
		c.Desc += "Only pulls changed the level."
	case n > mostNamed:
		c.Desc += "What else changed the level is marked, " + plural(n, "time", "times") + "; it is listed below."
	default:
		c.Desc += "What else changed the level is marked: " + strings.Join(marks, "; ") + "."
	}
	return template.HTML(c.Draw()), c.Desc
}

// mostNamed is how many marks of the picture are named under it.
const mostNamed = 3

// oneVolume is the person's unit of volume, L.
func (m *model) oneVolume() float64 {
	if m.Units == quantity.US {
		return quantity.USGallon.Litres()
	}
	return 1
}

// markOf says in a few words what happened.
func (m *model) markOf(x *tote.Change) string {
	word := map[tote.Kind]string{tote.Refill: "refill", tote.Swap: "swap", tote.Unheard: "changed unheard", tote.Transfer: "transfer", tote.Leak: "leak", tote.Loss: "loss"}[x.Kind]
	if !x.Sure {
		word += "?"
	}
	if x.Kind != tote.Swap {
		word += " " + m.Units.Volume(max(x.Volume, -x.Volume))
	}
	return word
}

// mostLevels is how many rows the page's table of levels has at most.
const mostLevels = 60

// levelTable lists the levels of the picture.
func (m *model) levelTable() (*report.Figures, string) {
	v, points := m.view, m.points()
	if len(points) == 0 {
		return nil, ""
	}
	vol, _, _ := units(m.Units)
	t := &report.Figures{Columns: columns("time", ">in the tote, "+vol, ">± "+vol, "state")}
	step := (len(points) + mostLevels - 1) / mostLevels
	for i := 0; i < len(points); i += step {
		p := &points[i]
		c, _ := report.Closing(m.Units, 10, []quantity.Volume{p.Volume})
		state := "at rest"
		if !p.Rest {
			if state = p.Why.String(); state == "" {
				state = "not at rest"
			}
		}
		t.Rows = append(t.Rows, []string{m.clock(p.At), report.Fixed(c[0], 10), report.Within(m.Units, report.PointWithin(v, p)), state})
	}
	if step > 1 {
		return t, fmt.Sprintf("One of %d levels each; all are in the files.", step)
	}
	return t, ""
}

// strapChart draws what was learnt against what is given; where nothing was
// learnt, or nothing is given, the one table.
func (m *model) strapChart(s *report.Straps) string {
	_, lu := m.Units.LengthParts(0)
	vol, _, _ := units(m.Units)
	one, per := m.oneVolume(), m.oneLength()
	both := s.Has && s.Learnt != nil
	c := draw.Chart{ID: "strapping", Title: "The tote’s strapping", X: draw.Axis{Label: "level above the floor, " + lu}, Y: draw.Axis{Label: "volume, " + vol}}
	band, mine := draw.Series{Kind: draw.Band, Name: "right 19 times in 20"}, draw.Series{Name: "given"}
	if both {
		c.Y.Label, c.Title = "learnt less given, "+vol, "Learnt against given strapping"
		band.Name, mine.Name = "given, right 19 times in 20", "learnt"
	} else if !s.Has {
		mine.Name = "learnt"
	}
	whisk := draw.Series{Kind: draw.Whiskers}
	worst := 0.0
	for _, x := range s.Levels() {
		at := float64(x.At) * per
		if both {
			if x.HasGiven {
				w := x.GivenWithin.Litres() / one
				band.X, band.Lo, band.Hi = append(band.X, at), append(band.Lo, -w), append(band.Hi, w)
			}
			if x.HasGiven && x.HasLearnt {
				d, w := (x.Learnt-x.Given).Litres()/one, x.LearntWithin.Litres()/one
				mine.X, mine.Y = append(mine.X, at), append(mine.Y, d)
				whisk.X, whisk.Lo, whisk.Hi = append(whisk.X, at), append(whisk.Lo, d-w), append(whisk.Hi, d+w)
				worst = max(worst, math.Abs(d))
			}
			continue
		}
		y, w := x.Given.Litres()/one, x.GivenWithin.Litres()/one
		if !s.Has {
			y, w = x.Learnt.Litres()/one, x.LearntWithin.Litres()/one
		}
		mine.X, mine.Y = append(mine.X, at), append(mine.Y, y)
		band.X, band.Lo, band.Hi = append(band.X, at), append(band.Lo, y-w), append(band.Hi, y+w)
	}
	c.Desc = "What the tote holds up to a level."
	if both {
		c.Desc = fmt.Sprintf("What was learnt differs from what is given by %.1f %s at most, from the lowest level that was seen.", worst, vol)
	}
	c.Series = []draw.Series{band, whisk, mine}
	return c.Draw()
}

// oneLength is how many of the person's units of length, as Length prints them, a metre has.
func (m *model) oneLength() float64 {
	if m.Units == quantity.US {
		return float64(1 / quantity.Inch)
	}
	return 100
}

// toteTable serves what the page shows as CSV or JSON.
func (s *server) toteTable(w http.ResponseWriter, r *http.Request) {
	s.table(w, r, func(b io.Writer, m *model, o report.Options) error {
		switch name, _, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, totePath), "."); name {
		case "/levels":
			return report.Levels(b, m.view, o)
		case "/strapping":
			straps, _ := s.strapsOf(m.view) // what was not learnt is null
			return straps.Write(b, m.view.Rig, o)
		}
		o.From, o.To, _, _ = stretchOf(m.Snapshot, m.zone)
		return report.Tote(b, m.view, o)
	})
}
