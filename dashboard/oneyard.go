package dashboard

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
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

// yardPage is the page of one yard.
type yardPage struct {
	flowPage
	ID, Name, Year string
	Lead           string   // how much, in the season
	Lines          []string // of colonies, target, evenness
	Visits         []yardVisit
	Undrawn        bool
	Chart          template.HTML
	Unit           string
	Place          []string
	Closed         bool
	Standing, Each string // filled in the form
	Target         string
	Years          []orderLink
	Said           []saidTap
	Table          string // path of the table to take away, without its ending
}

// yardVisit is a visit on that page.
type yardVisit struct {
	Link, Date, Times      string
	Fills, Volume, Within  string
	Least, Mean, Most      string
	Uneven, Little, Placed string
	Strip                  []template.HTML
	Aria                   string
}

func (s *server) oneYard(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	for _, ending := range []string{".csv", ".json"} {
		if name, ok := strings.CutSuffix(id, ending); ok {
			m := newModel(s.Feed.Snapshot())
			if _, _, known := m.held(name); known {
				s.yardTable(w, r, m, name)
				return
			}
		}
	}
	s.drawYard(w, r, r.URL, http.StatusOK, note{})
}

// held returns a yard that an act describes, or that something was put on.
func (m *model) held(id string) (y ledger.YardInfo, name string, known bool) {
	for i := range m.view.Yards {
		if m.view.Yards[i].ID == id {
			return m.view.Yards[i], m.yard(id).Name, true
		}
	}
	known = id != "" && slices.ContainsFunc(m.view.Visits, func(x ledger.Visit) bool { return x.Yard == id })
	return ledger.YardInfo{ID: id}, id, known
}

// yardTable is the yard's visits of the season to take away.
func (s *server) yardTable(w http.ResponseWriter, r *http.Request, m *model, id string) {
	o := report.Options{Units: m.Units, Zone: m.zone, Visits: true}
	o.From, o.To = m.seasonOf(r.URL.Query().Get("year"))
	v := report.Only(m.view, func(k int) bool { return m.view.Visits[k].Yard == id })
	s.takeAway(w, r, v, o, func(w io.Writer, v *ledger.View, o report.Options) error { return report.Yards(w, v, o) })
}

func (s *server) drawYard(w http.ResponseWriter, r *http.Request, u *url.URL, status int, told note) {
	m := newModel(s.Feed.Snapshot())
	id, _ := strings.CutPrefix(u.Path, yardsPath+"/")
	y, name, known := m.held(id)
	if !known {
		s.noPage(w, r, http.StatusNotFound, "No yard has the id "+strconv.Quote(clip(id))+" on this rig.")
		return
	}
	from, to := m.seasonOf(u.Query().Get("year"))
	frame, acts := s.flowFrame(r, u, m, told)
	p := yardPage{flowPage: frame, ID: id, Name: name, Year: time.Unix(0, from).In(m.zone).Format("2006"), Closed: y.Closed,
		Table: yardsPath + "/" + url.PathEscape(id)}
	_, p.Unit = m.Units.VolumeParts(0)
	lines, _ := report.Season(m.view, from, to)
	for i := range lines {
		if lines[i].Yard == id {
			p.season(m, &lines[i])
		}
	}
	if p.Lead == "" {
		p.Lead = "Nothing was fed here in " + p.Year + "."
	}
	if y.Standing > 0 {
		p.Standing = strconv.Itoa(y.Standing)
	}
	if y.Each > 0 {
		p.Each = m.hundredths(y.Each)
	}
	if ys := m.years(); len(ys) > 1 {
		for _, n := range ys {
			text := strconv.Itoa(n)
			p.Years = append(p.Years, orderLink{p.Table + "?year=" + text, text, text == p.Year})
		}
	}
	p.visits(m, id, from, to)
	p.place(m, &y)
	p.Said = m.saidOf(acts, func(b act.Body) bool {
		switch b := b.(type) {
		case act.Colonies:
			return b.Yard == id
		case act.Target:
			return b.Yard == id || b.Yard == ""
		}
		return false
	})
	s.answer(w, r, status, "yard.html", p)
}

// noPage says that what was asked for is not there.
func (s *server) noPage(w http.ResponseWriter, r *http.Request, status int, why string) {
	p := struct {
		shell
		Why string
	}{s.shell(r), why}
	s.answer(w, r, status, "nopage.html", p)
}

// season says what the yard took in the season, and how that stands to what is
// meant.
func (p *yardPage) season(m *model, y *report.SeasonYard) {
	t := &y.Info.Target
	if t.Said() {
		p.Target = m.sayAmount(t.Each, t.Sugar)
	}
	if y.Volume == 0 && y.Visits == 0 {
		if t.Said() {
			p.Lines = append(p.Lines, "Meant: "+p.Target+".")
		}
		return
	}
	p.Lead = p.Year + ": " + m.within(y.Volume, y.Within) + " in " + report.SayRange(y.Fills, y.Unsure, y.Perhaps) + " on " + plural(y.Visits, "visit", "visits") + "."
	if y.Solids > 0 {
		p.Lines = append(p.Lines, "Sugar in it: "+m.saySugar(y)+".")
	}
	each, within, ok := y.Colony()
	if !ok {
		p.Lines = append(p.Lines, "How many colonies stand here was not said, so nothing can be said of one.")
		return
	}
	text := fmt.Sprintf("%s here now, so %s", plural(y.Info.Standing, "colony stands", "colonies stand"), m.within(each, within))
	p.Lines = append(p.Lines, text+" a colony in the mean.")
	switch share, in, told := y.Share(); {
	case !t.Said():
		p.Lines = append(p.Lines, "What is meant for the season was not said.")
	case !told:
		p.Lines = append(p.Lines, "Meant: "+p.Target+"; the sugar in the fills is not known, so how far that is cannot be told.")
	default:
		p.Lines = append(p.Lines, "Meant: "+p.Target+"; "+withIn(report.Percent(share), report.Percent(in), in > 0)+" of it so far.")
	}
}

// visits lists the yard's visits, the newest first, and draws how even they were.
func (p *yardPage) visits(m *model, id string, from, to int64) {
	var all []int
	for k := range m.view.Visits {
		if x := &m.view.Visits[k]; x.Yard == id && x.From >= from && x.From < to {
			all = append(all, k)
		}
	}
	c := draw.Chart{ID: "even", Title: "What colonies got on each visit", Wide: true,
		X: draw.Axis{Label: "date", Zone: m.zone}, Y: draw.Axis{Label: "a colony, " + p.Unit}}
	of := draw.Series{Kind: draw.Whiskers, Name: "least to most"}
	mean := draw.Series{Kind: draw.Points, Name: "mean"}
	volume := func(v quantity.Volume) float64 {
		if m.Units == quantity.US {
			return v.USGallons()
		}
		return v.Litres()
	}
	var meant quantity.Volume
	drawn := 0
	for i := len(all) - 1; i >= 0; i-- {
		k := all[i]
		x := &m.view.Visits[k]
		fills, _ := report.FlowsOf(m.view, k)
		total := ledger.Tally(&ledger.View{Fills: fills, Curves: m.view.Curves}, from, to)
		row := yardVisit{Link: m.visitLink(k), Date: m.day(x.From), Times: m.times(x.From, x.To), Volume: m.plain(x.Volume),
			Within: report.Within(m.Units, total.Within), Fills: report.Range(x.Fills, x.Unsure, x.Perhaps), Little: m.little(fills), Placed: reasonWords(x.Reason)}
		row.Fills += " fills"
		if x.Colonies > 0 {
			row.Fills += " to " + plural(x.Colonies, "colony", "colonies")
		}
		if x.Fills > 0 {
			row.Least, row.Mean, row.Most = m.plain(x.Least), m.plain(x.Volume/quantity.Volume(x.Fills)), m.plain(x.Most)
		}
		if x.Uneven > 0 {
			row.Uneven = report.Percent(x.Uneven)
		}
		if drawn < mostDrawn {
			row.Strip, row.Aria = m.visitStrip(k, draw.Small)
			for _, g := range row.Strip {
				drawn += len(g)
			}
		} else {
			p.Undrawn = true
		}
		p.Visits = append(p.Visits, row)
		meant = max(meant, x.Meant)
	}
	for _, k := range all {
		if x := &m.view.Visits[k]; x.Fills > 0 {
			at := float64(x.From) / 1e9
			of.X, of.Lo, of.Hi = append(of.X, at), append(of.Lo, volume(x.Least)), append(of.Hi, volume(x.Most))
			of.Y = append(of.Y, volume(x.Volume/quantity.Volume(x.Fills)))
			mean.X, mean.Y = append(mean.X, at), append(mean.Y, volume(x.Volume/quantity.Volume(x.Fills)))
		}
	}
	if len(mean.X) < 2 {
		return // one visit's strip says it all
	}
	c.Series = append(c.Series, of, mean)
	if meant > 0 && m.view.Visits[all[len(all)-1]].Meant == meant {
		c.Series = append(c.Series, draw.Series{Kind: draw.Rule, Y: []float64{volume(meant)}, Name: "meant on a visit"})
	}
	c.Desc = fmt.Sprintf("For each of %d visits the mean of what colonies got, and from the least to the most. The table of visits has the figures.", len(mean.X))
	p.Chart = template.HTML(c.Draw())
}

// plain is a volume to 0.01 of its unit, without the unit.
func (m *model) plain(v quantity.Volume) string {
	c, _ := report.Closing(m.Units, 100, []quantity.Volume{v})
	return report.Fixed(c[0], 100)
}

// times says from when to when something was, of one day.
func (m *model) times(from, to int64) string {
	a, b := time.Unix(0, from).In(m.zone).Format("15:04"), time.Unix(0, to).In(m.zone).Format("15:04")
	if a == b {
		return a
	}
	return a + " to " + b
}

// little says which colonies of a visit took little, as far as is known which
// they were: "colony 3, 0.34; the 9th fill, 0.71".
func (m *model) little(fills []ledger.Fill) string {
	var out []string
	n := 0
	for i := range fills {
		f := &fills[i]
		if !f.TopUp {
			n++
		}
		if !f.Short || f.Open {
			continue
		}
		who := "fill " + strconv.Itoa(n) + " of the visit"
		if f.Colony > 0 {
			who = "colony " + strconv.Itoa(f.Colony)
		}
		if len(out) == 4 {
			out = append(out, "more")
			break
		}
		out = append(out, who+", "+m.plain(f.Volume))
	}
	return strings.Join(out, "; ")
}

// place says where a yard lies.
func (p *yardPage) place(m *model, y *ledger.YardInfo) {
	if y.Lat == 0 && y.Lon == 0 {
		p.Place = []string{"Where it lies is not known."}
		return
	}
	say := func(x float64, plus, minus string) string {
		if x < 0 {
			return fmt.Sprintf("%.5f° %s", -x, minus)
		}
		return fmt.Sprintf("%.5f° %s", x, plus)
	}
	p.Place = append(p.Place, say(y.Lat, "north", "south")+", "+say(y.Lon, "east", "west")+" (WGS 84).")
	if len(y.Ring) > 0 {
		p.Place = append(p.Place, "Its outline has "+plural(len(y.Ring), "corner", "corners")+"; the rig has come within "+m.Units.Distance(quantity.Length(y.EnterM))+
			" of it, and has left beyond "+m.Units.Distance(quantity.Length(y.LeaveM))+".")
	} else {
		p.Place = append(p.Place, "The rig has come within "+m.Units.Distance(quantity.Length(y.EnterM))+" of that, and has left beyond "+m.Units.Distance(quantity.Length(y.LeaveM))+".")
	}
	from := m.plot(y)
	best := ""
	least := quantity.Length(0)
	for i := range m.view.Yards {
		o := &m.view.Yards[i]
		if o.ID == y.ID || o.Closed || o.Lat == 0 && o.Lon == 0 {
			continue
		}
		to := m.plot(o)
		if d := distance(&from, &to); best == "" || d < least {
			best, least = "The nearest yard is "+to.Name+", "+m.far(d)+" "+compass(from.Lat, from.Lon, to.Lat, to.Lon)+".", d
		}
	}
	if best != "" {
		p.Place = append(p.Place, best)
	}
}
