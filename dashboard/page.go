package dashboard

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"net/http"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"

	"yardtally/dashboard/door"
	"yardtally/dashboard/report"
)

//go:embed static
var static embed.FS

type asset struct {
	body []byte
	kind string
	mark string // of its content; in the URL, so that a new build is fetched anew
}

// loadAssets returns the pages' own files, the same for all rigs.
var loadAssets = sync.OnceValue(readAssets)

func readAssets() map[string]asset {
	out := map[string]asset{}
	for name, kind := range map[string]string{
		"style.css":    "text/css; charset=utf-8",
		"forecast.css": "text/css; charset=utf-8",
		"books.css":    "text/css; charset=utf-8",
		"yards.css":    "text/css; charset=utf-8",
		"live.js":      "text/javascript; charset=utf-8",
		"mark.svg":     "image/svg+xml",
	} {
		body, err := static.ReadFile("static/" + name)
		if err != nil {
			panic(err) // it is embedded: a build without it is broken
		}
		sum := sha256.Sum256(body)
		out[name] = asset{body, kind, hex.EncodeToString(sum[:6])}
	}
	return out
}

func (s *server) asset(w http.ResponseWriter, r *http.Request) {
	a := s.assets[strings.TrimPrefix(r.URL.Path, "/")]
	w.Header().Set("Content-Type", a.kind)
	if r.URL.RawQuery == a.mark {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	} else {
		w.Header().Set("Cache-Control", "no-cache")
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(a.body))
}

var pages = template.Must(template.New("").Funcs(template.FuncMap{
	"clock":   clockTime,
	"tie":     tie,
	"percent": percent,
	"sums":    (*report.Figures).Sum,
	"tables":  sheetModel.tables,
	"heads":   func(r report.SheetRow) bool { return r.Is == report.HeadRow },
	"sumsUp":  func(r report.SheetRow) bool { return r.Is == report.SumRow },
	"bad":     func(field, name string) bool { return field == name },
	"back": func(token, id, text, spot string) any {
		return struct{ Token, ID, Text, Spot string }{token, id, text, spot}
	},
	"became": func(h *handModel, id string) any {
		told := h.Told
		if told.Spot != id {
			told = note{}
		}
		return struct {
			ID, Token string
			Told      note
		}{id, h.Token, told}
	},
	"nextforms": func(token string) (out []nextForm) {
		for _, f := range nextForms {
			f.Token = token
			out = append(out, f)
		}
		return out
	},
	"arrive": func(token string, yards []yardTap, leave bool) any {
		return struct {
			Token string
			Yards []yardTap
			Leave bool
		}{token, yards, leave}
	},
}).ParseFS(static, "static/*.html"))

var numberSpace = regexp.MustCompile(`(\d|±) `)

// tie keeps each number on a line with the word after it, and a ± with its number.
func tie(s string) string { return numberSpace.ReplaceAllString(s, "$1\u00a0") }

// percent keeps a percent sign beside its number, where a whole unit would make
// a column of figures too wide for a phone.
func percent(s string) string { return strings.ReplaceAll(s, " %", "\u00a0%") }

// shell is what the page has besides its parts.
type shell struct {
	Rig, Version, Demo, Clock, Look, Note string
	In, Out                               bool   // as the page's door has it; neither where there is none
	Home                                  string // path of the page itself, with its query
	Nav                                   []navLink
	Asset                                 map[string]string
	Part                                  map[string]template.HTML
	Hand                                  *handModel // nil: nothing can be said
	Ask                                   bool       // sign in to say anything
	Others                                bool       // the rig is one of several
	House                                 bool       // the page is of all of them
}

// shell is a page's frame for one who asks.
func (s *server) shell(r *http.Request) shell {
	sh := shell{Rig: s.Rig, Version: s.Version, Look: lookOf(r), Note: report.LegalNote, Home: r.URL.RequestURI(), Others: s.base != "", Asset: map[string]string{}}
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		sh.Home = r.URL.Path
	}
	sh.House = s.House
	for _, h := range homes {
		if s.House && !h.House {
			continue
		}
		if !h.Said || s.Said != nil {
			sh.Nav = append(sh.Nav, navLink{h.Path, h.Word, h.Path == r.URL.Path})
		}
	}
	sh.In, sh.Out = door.Of(r.Context()) == door.In, door.Of(r.Context()) == door.Out
	for name, a := range s.assets {
		sh.Asset[name] = "/" + name + "?" + a.mark
	}
	return sh
}

func (s *server) page(w http.ResponseWriter, r *http.Request) { s.draw(w, r, http.StatusOK, note{}) }

// draw answers with the page. What is told first says what became of a tap.
func (s *server) draw(w http.ResponseWriter, r *http.Request, status int, told note) {
	f := s.frames.fresh(r)
	sh := s.shell(r)
	sh.Home = "/" // also where a form was refused
	sh.Demo, sh.Clock, sh.Part = f.demo, f.clock, map[string]template.HTML{}
	for _, p := range f.parts {
		sh.Part[p.ID] = template.HTML(p.HTML) // made by html/template in render
	}
	sh.Ask = sh.Out && s.Said != nil
	if sh.Hand = s.hand(r, told); sh.Hand != nil {
		sh.Hand.Part = sh.Part
	}
	s.answer(w, r, status, "tonight.html", sh)
}

// Names of the choice between night and day.
const lookCookie = "look"

func lookOf(r *http.Request) string {
	if c, err := r.Cookie(lookCookie); err == nil && (c.Value == "night" || c.Value == "day") {
		return c.Value
	}
	return ""
}

// home is a page that all others link to.
type home struct {
	Path, Word string
	Said       bool // only where something can be said
	House      bool // also where the pages are of all rigs
}

// homes are the pages that all others link to, in the order of their links.
var homes = []home{
	{"/", "Tonight", false, true},
	{yardsPath, "All yards", false, false},
	{forecastPath, "Will it pump?", false, false},
	{mixPath, "What to mix?", false, true},
	{meterPath, "Meter", false, false},
	{totePath, "Tote", false, false},
	{watchPath, "Alarms", false, false},
	{booksPath, "Books", true, true},
	{rigPath, "Rig", false, false},
}

// navLink is a link to one of them; Here: it is the page itself.
type navLink struct {
	Path, Word string
	Here       bool
}

// ours reports whether a path, with or without a query, is of one of the pages
// or below it.
func ours(from string) bool {
	u, err := url.Parse(from)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || strings.Contains(from, `\`) {
		return false
	}
	if u.Path == visitPath || u.Path == fillPath {
		return true
	}
	return u.Path == path.Clean(u.Path) && slices.ContainsFunc(homes, func(h home) bool {
		return u.Path == h.Path || h.Path != "/" && strings.HasPrefix(u.Path, h.Path+"/")
	})
}

// look remembers the choice of night or day in a cookie; "device" forgets it.
func (s *server) look(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 1024)
	c := http.Cookie{Name: lookCookie, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode}
	switch v := r.PostFormValue("look"); v {
	case "night", "day":
		c.Value, c.MaxAge = v, 365*24*3600
	case "device":
		c.MaxAge = -1
	default:
		http.Error(w, `look: must be "night", "day" or "device"`, http.StatusBadRequest)
		return
	}
	http.SetCookie(w, &c)
	to := "/"
	if from := r.PostFormValue("from"); ours(from) {
		to = from
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// export serves what the page shows as CSV or JSON.
func (s *server) export(w http.ResponseWriter, r *http.Request) {
	snap := s.Feed.Snapshot()
	zone := zoneOf(snap)
	from, to, _, _ := stretchOf(snap, zone)
	o := report.Options{Format: report.CSV, Units: snap.Units, Zone: zone, From: from, To: to}
	kind := "text/csv; charset=utf-8; header=present"
	name, ending, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), ".")
	if ending == "json" {
		o.Format, kind = report.JSON, "application/json"
	}
	write := report.Fills
	if name == "yards" {
		write = report.Yards
	}
	var b bytes.Buffer
	if err := write(&b, snap.View, o); err != nil {
		s.Log.Error("export", "what", r.URL.Path, "err", err)
		http.Error(w, "The table could not be written.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b.Bytes()))
}

// paint draws a whole page and sets its headers; false: it could not, and has
// answered so.
func (s *server) paint(w http.ResponseWriter, name string, data any) ([]byte, bool) {
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, name, data); err != nil {
		s.Log.Error("page", "err", err)
		http.Error(w, "The page could not be drawn; the rig goes on recording.", http.StatusInternalServerError)
		return nil, false
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Vary", "Cookie")
	return []byte(s.under(b.String())), true
}
