package dashboard

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"log/slog"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/dashboard/report"
	"yardtally/meter/alarm"
	"yardtally/meter/ledger"
)

// HouseOptions are what NewHouse needs.
type HouseOptions struct {
	Rigs    []Options       // in the order in which rigs that are alike stand; Rig names each
	Books   *Options        // of the house's book and its pages: their Feed gives Snapshot.Rigs; nil: there are none
	Notices func() []Notice // faults of what all rigs share; nil: none are known
	Version string
	Log     *slog.Logger // nil: slog.Default()
}

// house is the page of all rigs, and each rig's own behind it.
type house struct {
	HouseOptions
	rigs    []*server
	books   *server // nil: there are none
	by      map[string]*server
	streams *streams
	frames  frames
	assets  map[string]asset
}

// NewHouse returns the handler of several rigs: a page of all of them at "/",
// kept live at "/live", as a table at "/rigs.csv" and "/rigs.json", and what New
// serves for each rig under "/rigs/<rig>/". The books are the house's, at
// "/books", and "/mix" is for all rigs together. Streams are bounded together.
func NewHouse(o HouseOptions) http.Handler {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	h := &house{HouseOptions: o, by: map[string]*server{}, streams: newStreams(), assets: loadAssets()}
	h.frames.draw = h.render
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", h.page)
	mux.Handle("GET /rigs", http.RedirectHandler("/", http.StatusSeeOther))
	mux.HandleFunc("GET /live", func(w http.ResponseWriter, r *http.Request) {
		h.streams.serve(w, r, nil, h.frames.get, h.Version, func(s string) string { return s })
	})
	mux.HandleFunc("GET /rigs.csv", h.csv)
	mux.HandleFunc("GET /rigs.json", h.json)
	for name := range h.assets {
		mux.HandleFunc("GET /"+name, (&server{assets: h.assets}).asset)
	}
	mux.HandleFunc("POST /look", h.look)
	if o.Books != nil {
		h.books = newServer(*o.Books)
		h.books.bookRoutes(mux)
		h.books.mixRoutes(mux)
	}
	for i := range o.Rigs {
		s := newServer(o.Rigs[i])
		s.base, s.streams = "/rigs/"+s.Rig, h.streams
		h.rigs = append(h.rigs, s)
		h.by[s.Rig] = s
		if h.books != nil { // as it was while rigs had books of their own
			base := s.base
			own := func(w http.ResponseWriter, r *http.Request) {
				u := *r.URL
				u.Path = strings.TrimPrefix(u.Path, base)
				http.Redirect(w, r, u.RequestURI(), http.StatusSeeOther)
			}
			mux.HandleFunc("GET "+s.base+booksPath, own)
			mux.HandleFunc("GET "+s.base+booksPath+"/{rest...}", own)
		}
		mux.Handle(s.base+"/", http.StripPrefix(s.base, s.based(s.handler())))
	}
	return guard(http.NewCrossOriginProtection().Handler(mux))
}

// Of a rig's own paths, those that all rigs have together stay: what the door
// lets pass for everybody, and the door itself.
var together = []string{"/rigs", "/books", "/look", "/enter", "/leave", "/mark.svg", "/style.css"}

// under puts the rig's paths, which templates write from "/", under its own. A
// quote that stands in text or in a value comes out of html/template escaped,
// so what is found is the template's.
func (s *server) under(html string) string {
	if s.base == "" {
		return html
	}
	var b strings.Builder
	for {
		i, n := -1, 0
		for _, key := range []string{`href="/`, `action="/`, `src="/`, `name="from" value="/`} {
			if k := strings.Index(html, key); k >= 0 && (i < 0 || k < i) {
				i, n = k, len(key)-1
			}
		}
		if i < 0 {
			b.WriteString(html)
			return b.String()
		}
		b.WriteString(html[:i+n])
		html = html[i+n:]
		if !slices.ContainsFunc(together, func(p string) bool {
			rest, ok := strings.CutPrefix(html, p)
			return ok && rest != "" && strings.ContainsRune(`"?`, rune(rest[0]))
		}) {
			b.WriteString(s.base)
		}
	}
}

// based has redirections of the rig's handler stay under its path.
func (s *server) based(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { h.ServeHTTP(&under{w, s.base}, r) })
}

type under struct {
	http.ResponseWriter
	base string
}

// Unwrap is for http.ResponseController.
func (u *under) Unwrap() http.ResponseWriter { return u.ResponseWriter }

// WriteHeader implements http.ResponseWriter.
func (u *under) WriteHeader(status int) {
	if to := u.Header().Get("Location"); strings.HasPrefix(to, "/") {
		u.Header().Set("Location", u.base+to)
	}
	u.ResponseWriter.WriteHeader(status)
}

// look is the choice of night or day; it leads back to where it was made.
func (h *house) look(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 1024)
	from := r.PostFormValue("from")
	if rest, ok := strings.CutPrefix(from, "/rigs/"); ok {
		rig, path, _ := strings.Cut(rest, "/")
		if s := h.by[rig]; s != nil {
			r.PostForm.Set("from", "/"+path)
			r.Form.Set("from", "/"+path)
			s.look(&under{w, s.base}, r)
			return
		}
	}
	(&server{}).look(w, r)
}

// rigLine is a rig on the page of all.
type rigLine struct {
	Rig    string   `json:"rig"`
	State  string   `json:"state"` // "needs somebody", "out", "standing" or "not heard"
	Where  string   `json:"where,omitempty"`
	Matter []string `json:"matter,omitempty"` // what needs a person, in sentences
	Level  string   `json:"level,omitempty"`  // of the worst: "now" or "soon"
	Fills  string   `json:"fills,omitempty"`  // tonight
	Volume string   `json:"volume,omitempty"` // all that flowed tonight
	Left   string   `json:"left,omitempty"`   // in the tote that can be drawn, while it is known
	Said   string   `json:"said,omitempty"`   // flow now, or when it was heard last

	rank  int
	cells int64
}

// houseModel is the table of all rigs.
type houseModel struct {
	Rows             []rigLine
	Vol, Unit        string
	Sum, Fills       string
	Need, Out, Still int
	Notices          []Notice
}

// Ranks of rigs, in the order in which they stand.
const (
	needsNow = iota
	needsSoon
	isOut
	stands
)

// outFor is for how long after it was heard last a rig is out. Judgement.
const outFor = 15 * time.Minute

func (h *house) model() houseModel {
	var t houseModel
	var sum int64
	unsure := false
	fills := 0
	for _, s := range h.rigs {
		m := newModel(s.Feed.Snapshot())
		l := s.line(m)
		if l.Volume != "" {
			sum += l.cells
			n, err := strconv.Atoi(l.Fills)
			unsure = unsure || err != nil
			fills += n
		}
		switch l.rank {
		case needsNow, needsSoon:
			t.Need++
		case isOut:
			t.Out++
		default:
			t.Still++
		}
		t.Rows = append(t.Rows, l)
		t.Vol, _, _ = units(m.Units)
		_, t.Unit = m.Units.VolumeParts(0)
	}
	slices.SortStableFunc(t.Rows, func(a, b rigLine) int { return cmp.Compare(a.rank, b.rank) })
	t.Sum = report.Fixed(sum, 100)
	if t.Fills = strconv.Itoa(fills); unsure {
		t.Fills = ""
	}
	if h.Notices != nil {
		t.Notices = h.Notices()
	}
	return t
}

// line is what the page of all says of the rig.
func (s *server) line(m *model) rigLine {
	l := rigLine{Rig: s.Rig, State: "standing", rank: stands}
	for _, n := range m.Notices {
		l.Matter, l.rank = append(l.Matter, n.Text), needsSoon
	}
	for _, a := range m.alarms() {
		if !loudly(a) || a.Priority == alarm.Note {
			continue
		}
		l.Matter = append(l.Matter, levels[a.Priority].words+": "+matterOf(&a.Verdict))
		if a.State == alarm.Unacknowledged && a.Priority == alarm.Now {
			l.rank = needsNow
		} else {
			l.rank = min(l.rank, needsSoon)
		}
	}
	for i := range m.Sources { // that it is silent is no fault where it stands at home
		if x := &m.Sources[i]; x.Phase != "open" && x.Err != "" {
			l.Matter, l.rank = append(l.Matter, "Not heard: "+x.Name+": "+m.saySource(x)), min(l.rank, needsSoon)
		}
	}
	heard := max(m.view.At, m.Live.FlowAt, m.Live.SyrupAt)
	out := heard > 0 && float64(m.Now-heard) < float64(outFor)*m.speed
	switch {
	case l.rank == needsNow:
		l.State, l.Level = "needs somebody", "now"
	case l.rank == needsSoon:
		l.State, l.Level = "needs somebody", "soon"
	case out:
		l.State, l.rank = "out", isOut
	case heard == 0:
		l.State = "not heard"
	}
	if out && m.view.Here.Yard != "" {
		l.Where = m.yard(m.view.Here.Yard).Name
	}
	flow, flowAt := m.view.Flow, m.view.FlowAt
	if m.Live.FlowAt > flowAt {
		flow, flowAt = m.Live.Flow, m.Live.FlowAt
	}
	switch f := m.fresh("flow", flowAt, flowAge, "", ""); {
	case f.Has && !f.Old && flow > 0:
		n, unit := m.Units.FlowParts(flow)
		l.Said = n + "\u00a0" + unit
	case heard > 0 && !out:
		l.Said = "heard last " + m.minute(heard)
	}
	if m.tonight() {
		l.cells = m.sum
		l.Fills, l.Volume = m.fillsOf(-1), report.Fixed(m.sum, 100)
	}
	at, _, usable, _ := m.tote()
	if v := m.fresh("tote", at, toteAge, "", ""); v.Has && !v.Old {
		l.Left = m.Units.Volume(usable)
	}
	return l
}

// tonight reports whether the stretch that the page is of is tonight's.
func (m *model) tonight() bool {
	if len(m.view.Outings) == 0 {
		return false
	}
	from, _ := m.view.NightAt(m.view.Outings[len(m.view.Outings)-1].From, m.zone)
	now, _ := ledger.NightOf(m.Now, m.zone)
	return !m.over || from >= now
}

// render draws the page's parts.
func (h *house) render() *frame {
	t := h.model()
	f := &frame{left: map[string]float64{}, age: map[string]float64{}}
	if len(h.rigs) > 0 {
		snap := h.rigs[0].Feed.Snapshot()
		f.clock = clockTime(time.Unix(0, snap.Now).In(zoneOf(snap)))
		f.demo = snap.Demo
	}
	for id, v := range map[string]any{"notices": t.Notices, "rigs": &t} {
		var b strings.Builder
		if err := pages.ExecuteTemplate(&b, id, v); err != nil {
			h.Log.Error("page", "part", id, "err", err)
			b.Reset()
			b.WriteString("<p>This part could not be drawn.</p>")
		}
		f.parts = append(f.parts, part{id, b.String()})
	}
	return f
}

func (h *house) page(w http.ResponseWriter, r *http.Request) {
	f := h.frames.get(time.Now().Add(-flushEvery))
	s := &server{Options: Options{Version: h.Version, Log: h.Log, House: true}, assets: h.assets}
	if h.books != nil {
		s.Said = h.books.Said
	}
	sh := s.shell(r)
	if h.books == nil {
		sh.Nav = nil
	}
	sh.Demo, sh.Clock, sh.Part = f.demo, f.clock, map[string]template.HTML{}
	for _, p := range f.parts {
		sh.Part[p.ID] = template.HTML(p.HTML) // made by html/template in render
	}
	if b, ok := s.paint(w, "house.html", sh); ok {
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b))
	}
}

func (h *house) json(w http.ResponseWriter, r *http.Request) {
	t := h.model()
	data, err := json.Marshal(map[string]any{"unit": t.Unit, "rigs": t.Rows})
	if err != nil {
		h.Log.Error("export", "what", r.URL.Path, "err", err)
		http.Error(w, "The table could not be written.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(data))
}

func (h *house) csv(w http.ResponseWriter, r *http.Request) {
	t := h.model()
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	_ = out.Write([]string{"rig", "state", "where", "fills", "volume (" + t.Unit + ")", "left", "said", "matter"})
	for i := range t.Rows {
		x := &t.Rows[i]
		_ = out.Write([]string{x.Rig, x.State, x.Where, x.Fills, x.Volume, x.Left, x.Said, strings.Join(x.Matter, "; ")})
	}
	out.Flush() // to memory: it cannot fail
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b.Bytes()))
}
