package dashboard

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"math"
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
	"yardtally/meter/yard"
)

const (
	seasonPath = "/yards/season"
	// mostLines is how many yards the page lists; the others are a link further.
	mostLines = 60
	// mostDrawn is how much of strips a page draws, bytes: look.md has any page
	// under 100 kB. Later lines are without.
	mostDrawn = 40_000
)

// yardsPage is the page of all yards.
type yardsPage struct {
	flowPage
	Year    string
	Orders  []orderLink
	Years   []orderLink
	Rows    []seasonRow
	Unit    string
	Fills   string
	Volume  string
	Within  string
	Meant   bool   // a yard of the page has a target
	More    string // path of the lines that follow
	Undrawn bool   // some lines are without a strip for want of room
	Yards   []choice
	Default string // the target of yards without one of their own
	Plan    template.HTML
	Where   []placeRow
	Route   string
	Table   string // path of the table to take away, without its ending
}

// orderLink is a link to another order of the lines, or another year.
type orderLink struct {
	Path, Word string
	Here       bool
}

// seasonRow is a line of a yard.
type seasonRow struct {
	Path                  string // "" where it is no yard
	Name                  string
	Strip                 []template.HTML
	Aria, Newest, Link    string // of the newest visit: its marks in words, its date, its page
	Visits                int
	Fills, Volume, Within string
	Sugar, Each           string
	Target, Share         string
	Uneven                string
	Low                   bool // clearly less than was meant by now
	Closed                bool
}

// placeRow is where a yard lies, in words.
type placeRow struct{ Name, Lat, Lon, Size, Away string }

// Orders of the lines.
var orders = []struct{ by, word string }{
	{"", "By name"}, {"newest", "Newest visit first"}, {"share", "Farthest from target first"}, {"each", "Least a colony first"},
	{"uneven", "Most uneven first"}, {"volume", "Most syrup first"},
}

// seasonOf returns the season that a page is of: the year that was asked for,
// else that of the newest outing.
func (m *model) seasonOf(year string) (from, to int64) {
	at := m.Now
	if n := len(m.view.Outings); n > 0 {
		at = m.view.Outings[n-1].From
	}
	if y, err := strconv.Atoi(year); err == nil && y > 1970 && y < 2200 {
		at = time.Date(y, 7, 1, 0, 0, 0, 0, m.zone).UnixNano()
	}
	return report.SeasonOf(at, m.zone)
}

// years are those in which something flowed, the newest first.
func (m *model) years() (out []int) {
	for i := range m.view.Outings {
		if y := time.Unix(0, m.view.Outings[i].From).In(m.zone).Year(); !slices.Contains(out, y) {
			out = append(out, y)
		}
	}
	slices.SortFunc(out, func(a, b int) int { return b - a })
	return out
}

func (s *server) allYards(w http.ResponseWriter, r *http.Request) {
	s.drawYards(w, r, r.URL, http.StatusOK, note{})
}

func (s *server) drawYards(w http.ResponseWriter, r *http.Request, u *url.URL, status int, told note) {
	m := newModel(s.Feed.Snapshot())
	q := u.Query()
	from, to := m.seasonOf(q.Get("year"))
	frame, acts := s.flowFrame(r, u, m, told)
	p := yardsPage{flowPage: frame, Year: time.Unix(0, from).In(m.zone).Format("2006")}
	_, p.Unit = m.Units.VolumeParts(0)
	lines, all := report.Season(m.view, from, to)
	rest := 0 // what has no yard stays last
	if n := len(lines); n > 0 && lines[n-1].Yard == "" {
		rest = 1
	}
	sortSeason(m, lines[:len(lines)-rest], q.Get("by"))
	link := func(key, value string) string {
		l := url.Values{}
		for _, k := range []string{"by", "year"} {
			if v := q.Get(k); v != "" && k != key {
				l.Set(k, v)
			}
		}
		if value != "" {
			l.Set(key, value)
		}
		if len(l) == 0 {
			return yardsPath
		}
		return yardsPath + "?" + l.Encode()
	}
	for _, o := range orders {
		if o.by == "share" && !slices.ContainsFunc(lines, func(y report.SeasonYard) bool { return y.Info.Target.Said() }) {
			continue // there is nothing to be far from
		}
		p.Orders = append(p.Orders, orderLink{link("by", o.by), o.word, o.by == q.Get("by")})
	}
	if ys := m.years(); len(ys) > 1 {
		for _, y := range ys {
			p.Years = append(p.Years, orderLink{link("year", strconv.Itoa(y)), strconv.Itoa(y), strconv.Itoa(y) == p.Year})
		}
	}
	p.Table = seasonPath
	cells := make([]quantity.Volume, len(lines))
	for i := range lines {
		cells[i] = lines[i].Volume
	}
	shown, sum := report.Closing(m.Units, 100, cells)
	p.Volume, p.Within = report.Fixed(sum, 100), report.Within(m.Units, all.Within)
	unsure, perhaps := 0, 0
	for i := range lines {
		unsure, perhaps = unsure+lines[i].Unsure, perhaps+lines[i].Perhaps
	}
	p.Fills = report.Range(all.Fills, unsure, perhaps)
	first, _ := strconv.Atoi(q.Get("after"))
	first = min(max(first, 0), len(lines))
	last := min(first+mostLines, len(lines))
	if last < len(lines) {
		p.More = link("after", strconv.Itoa(last))
	}
	drawn := 0
	for i := first; i < last; i++ {
		row := m.seasonRow(&lines[i], shown[i])
		if y := &lines[i]; y.Newest >= 0 && drawn < mostDrawn {
			row.Strip, row.Aria = m.visitStrip(y.Newest, draw.Small)
			for _, g := range row.Strip {
				drawn += len(g)
			}
		} else if y.Newest >= 0 {
			p.Undrawn = true
		}
		p.Rows, p.Meant = append(p.Rows, row), p.Meant || row.Target != ""
	}
	for i := range m.view.Yards {
		if y := &m.view.Yards[i]; !y.Closed {
			p.Yards = append(p.Yards, choice{y.ID, m.yard(y.ID).Name, false})
			if y.Target.All {
				p.Default = m.sayAmount(y.Target.Each, y.Target.Sugar)
			}
		}
	}
	p.plan(m, acts)
	s.answer(w, r, status, "yards.html", p)
}

// sortSeason puts lines into an order; what has nothing to go by comes last.
func sortSeason(m *model, lines []report.SeasonYard, by string) {
	key := func(y *report.SeasonYard) (x float64, ok bool) {
		switch by {
		case "newest":
			if ok = y.Newest >= 0; ok {
				x = -float64(m.view.Visits[y.Newest].From)
			}
		case "share":
			x, _, ok = y.Share()
		case "each":
			v, _, said := y.Colony()
			x, ok = float64(v), said
		case "uneven":
			if ok = y.Newest >= 0 && m.view.Visits[y.Newest].Uneven > 0; ok {
				x = -m.view.Visits[y.Newest].Uneven
			}
		case "volume":
			x, ok = -float64(y.Volume), true
		}
		return x, ok
	}
	slices.SortStableFunc(lines, func(a, b report.SeasonYard) int {
		x, ok := key(&a)
		y, both := key(&b)
		switch {
		case ok != both && ok:
			return -1
		case ok != both:
			return 1
		}
		return cmp.Compare(x, y)
	})
}

// seasonRow is the line of a yard, whose volume is shown with so many hundredths.
func (m *model) seasonRow(y *report.SeasonYard, cell int64) seasonRow {
	row := seasonRow{Name: upper(m.yard(y.Yard).Name), Visits: y.Visits, Fills: report.Range(y.Fills, y.Unsure, y.Perhaps),
		Volume: report.Fixed(cell, 100), Within: report.Within(m.Units, y.Within), Closed: y.Info.Closed}
	if y.Yard == "" {
		row.Name = "No yard known"
	} else {
		row.Path = yardsPath + "/" + url.PathEscape(y.Yard)
	}
	if y.Solids > 0 {
		row.Sugar = m.saySugar(y)
	}
	if each, within, ok := y.Colony(); ok {
		row.Each = m.within(each, within)
	}
	if t := &y.Info.Target; t.Each > 0 {
		row.Target = m.hundredths(t.Each)
	} else if t.Sugar > 0 {
		row.Target = m.Units.Mass(t.Sugar) + " of sugar"
	}
	if share, within, ok := y.Share(); ok {
		row.Share = withIn(report.Percent(share), report.Percent(within), within > 0)
	}
	if y.Newest >= 0 {
		x := &m.view.Visits[y.Newest]
		row.Newest, row.Link = m.day(x.From), m.visitLink(y.Newest)
		if x.Uneven > 0 {
			row.Uneven = report.Percent(x.Uneven)
		}
	}
	return row
}

// saySugar is the sugar that a yard took: "381 ±2 lb".
func (m *model) saySugar(y *report.SeasonYard) string {
	if y.Unknown > 0 {
		return "more than " + m.Units.Mass(y.Solids)
	}
	n, unit := m.Units.MassParts(y.Solids)
	w, _ := m.Units.MassParts(y.SolidsWithin() + quantity.Mass(0.05))
	if !strings.Contains(n, ".") { // as far as the figure goes
		w = grouped(int64(math.Ceil(m.oneMass(y.SolidsWithin()))))
	}
	return withIn(n, w, y.SolidsWithin() > 0) + " " + unit
}

// day is the date of an instant.
func (m *model) day(at int64) string { return time.Unix(0, at).In(m.zone).Format("2 Jan 2006") }

// visitLink is the page of a visit.
func (m *model) visitLink(k int) string {
	return visitPath + "?at=" + strconv.FormatInt(m.view.Visits[k].From, 10)
}

// visitStrip draws the strip of a visit, and says what its marks are.
func (m *model) visitStrip(k int, size draw.Size) ([]template.HTML, string) {
	fills, loose := report.FlowsOf(m.view, k)
	svg, _, _ := m.strip(&m.view.Visits[k], fills, loose, size)
	return svg, capital(report.SayVisit(&m.view.Visits[k]))
}

// route is the order of yards that a person said last, nil for none.
func (m *model) route(acts []act.Act) (out []string) {
	standing := act.Standing(acts)
	for i := range standing {
		if r, ok := standing[i].Body.(act.Route); ok && standing[i].From <= m.Now {
			out = r.Yards
		}
	}
	return out
}

// plan draws the yards in use as they lie, and says it.
func (p *yardsPage) plan(m *model, acts []act.Act) {
	pic := draw.Plan{ID: "plan", Title: "Plan of the yards", Units: m.Units}
	place := map[string]int{}
	for i := range m.view.Yards {
		y := &m.view.Yards[i]
		if y.Closed || y.Lat == 0 && y.Lon == 0 {
			continue
		}
		place[y.ID] = len(pic.Yards)
		pic.Yards = append(pic.Yards, m.plot(y))
	}
	if len(pic.Yards) == 0 {
		return
	}
	for _, id := range m.route(acts) {
		if k, ok := place[id]; ok {
			pic.Route = append(pic.Route, k)
		}
	}
	base := 0
	if len(pic.Route) > 0 {
		base = pic.Route[0]
		var names []string
		for _, k := range pic.Route {
			names = append(names, pic.Yards[k].Name)
		}
		p.Route = "Tonight’s way: " + strings.Join(names, ", ") + "."
	}
	pic.Desc = plural(len(pic.Yards), "yard", "yards") + " as they lie, north up. The table beside the plan has the figures."
	p.Plan = template.HTML(pic.Draw()) // names in it are escaped
	for i := range pic.Yards {
		y := &pic.Yards[i]
		row := placeRow{Name: y.Name, Lat: fmt.Sprintf("%.5f", y.Lat), Lon: fmt.Sprintf("%.5f", y.Lon), Size: m.Units.Distance(y.Radius) + " around"}
		if len(y.Ring) > 0 {
			row.Size = plural(len(y.Ring), "corner", "corners")
		}
		if i != base {
			row.Away = m.away(&pic.Yards[base], y)
		}
		p.Where = append(p.Where, row)
	}
}

// plot is a yard as it is drawn.
func (m *model) plot(y *ledger.YardInfo) draw.Plot {
	p := draw.Plot{Name: m.yard(y.ID).Name, Lat: y.Lat, Lon: y.Lon, Radius: quantity.Length(y.EnterM)}
	if len(y.Ring) > 0 {
		p.Radius = 0
		for _, c := range y.Ring {
			p.Ring = append(p.Ring, yard.Corner{Lat: c.Lat, Lon: c.Lon})
		}
	}
	return p
}

func distance(a, b *draw.Plot) quantity.Length { return yard.Distance(a.Lat, a.Lon, b.Lat, b.Lon) }

// away says how far one yard is from another, and in which direction.
func (m *model) away(from, to *draw.Plot) string {
	return m.far(distance(from, to)) + " " + compass(from.Lat, from.Lon, to.Lat, to.Lon) + " of " + from.Name
}

// compass is the direction from one place to another: "NE".
func compass(lat1, lon1, lat2, lon2 float64) string {
	const rad = math.Pi / 180
	north, east := lat2-lat1, math.Remainder(lon2-lon1, 360)*math.Cos((lat1+lat2)/2*rad)
	k := int(math.Round(math.Atan2(east, north)/(math.Pi/4))+8) % 8
	return []string{"N", "NE", "E", "SE", "S", "SW", "W", "NW"}[k]
}

// far is a distance between yards: "2.1 mi", "640 m".
func (m *model) far(d quantity.Length) string {
	long, unit := float64(d)/1000, "km"
	if m.Units == quantity.US {
		long, unit = float64(d)/1609.344, "mi" // exact: NIST Special Publication 811 (2008), appendix B.8
	}
	if long < 0.5 {
		return m.Units.Distance(d)
	}
	return fmt.Sprintf("%.1f %s", long, unit)
}

// seasonTable is the table of a season to take away.
func (s *server) seasonTable(w http.ResponseWriter, r *http.Request) {
	m := newModel(s.Feed.Snapshot())
	o := report.Options{Units: m.Units, Zone: m.zone}
	o.From, o.To = m.seasonOf(r.URL.Query().Get("year"))
	s.takeAway(w, r, m.view, o, report.WriteSeason)
}

// takeAway answers with a report as CSV or JSON, as the path's ending says.
func (s *server) takeAway(w http.ResponseWriter, r *http.Request, v *ledger.View, o report.Options, write func(io.Writer, *ledger.View, report.Options) error) {
	o.Format = report.CSV
	kind := "text/csv; charset=utf-8; header=present"
	if strings.HasSuffix(r.URL.Path, ".json") {
		o.Format, kind = report.JSON, "application/json"
	}
	var b bytes.Buffer
	if err := write(&b, v, o); err != nil {
		s.Log.Error("export", "what", r.URL.Path, "err", err)
		http.Error(w, "The table could not be written.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b.Bytes()))
}
