package dashboard

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/entry"
)

// entryModel is the form of one entry.
type entryModel struct {
	shell
	Token, Way, Title, More string
	Fix, Was                string // the entry that is corrected, and what it says
	Top                     string // why nothing was kept
	Bad                     string // the field that is at fault, for a link to it
	BadLabel                string
	Fields, Seldom          []fieldModel
	Open                    bool // fields seldom needed show
	Totes                   []string
	Offer                   string
	Zone                    string
}

// fieldModel is one field of a form.
type fieldModel struct {
	Name, Label, Hint, Value string
	Type                     string // of an input; "select" or "tick"
	Totes                    bool   // totes are offered
	Choices                  []choice
	Wrong                    string
}

// seldom are fields that most entries do without.
var seldom = []string{"bag", "within", "lot", "name", "reading", "reading-temp", "compensated", "brix-within", "temp", "volume", "volume-within", "left-within", "note"}

// labels are the fields' names on the page, with what is said beside.
var labels = map[string]struct{ label, us, si string }{
	"on":            {"Day", "", ""},
	"at":            {"Time", "no day, no time: now", "no day, no time: now"},
	"bag":           {"A bag, by its label", "50 lb; empty: as last bought", "25 kg; empty: as last bought"},
	"within":        {"Right to, at most", "1 % or 2 lb; empty: as usual", "1 % or 1 kg; empty: as usual"},
	"price":         {"Price", "", ""},
	"lot":           {"Supplier’s lot", "", ""},
	"name":          {"Name of the mix", "", ""},
	"rig":           {"Rig", "for the tote on it", "for the tote on it"},
	"tote":          {"Tote", "empty: the one on the rig", "empty: the one on the rig"},
	"from":          {"From tote", "mixing tank", "mixing tank"},
	"to":            {"To tote", "empty: the one on the rig", "empty: the one on the rig"},
	"brix":          {"Brix", "62 Brix", "62 Brix"},
	"reading":       {"Or a refractometer’s reading", "62 Brix", "62 Brix"},
	"reading-temp":  {"Temperature of the reading", "68 F", "20 C"},
	"compensated":   {"The refractometer corrects for temperature", "", ""},
	"brix-within":   {"Brix right to, at most", "empty: 0.2 Brix", "empty: 0.2 Brix"},
	"temp":          {"Temperature of the volume", "68 F", "20 C"},
	"volume":        {"The tote held, once mixed", "120 gal", "450 L"},
	"volume-within": {"That right to, at most", "2 gal", "10 L"},
	"unstirred":     {"Not stirred yet", "", ""},
	"left":          {"The tote held before", "25 gal", "100 L"},
	"left-within":   {"That before right to, at most", "2 gal", "10 L"},
	"empty":         {"The tote was empty before", "", ""},
	"why":           {"Why", "", ""},
	"yard":          {"Yard", "", ""},
	"colonies":      {"Colonies", "how many were fed", "how many were fed"},
	"note":          {"Note", "", ""},
}

// whats are the field What, by way.
var whats = map[string]struct{ label, us, si string }{
	"purchase": {"What was bought", "40 bags of 50 lb sugar; 30 gal hfcs-55", "40 bags of 25 kg sugar; 200 L hfcs-55"},
	"count":    {"What is in the store", "38 bags sugar; 0 lb hfcs-55 where none is left", "38 bags sugar; 0 kg hfcs-55 where none is left"},
	"mix":      {"What went in", "12 bags sugar + 40 gal water", "12 bags sugar + 150 L water"},
	"transfer": {"How much", "100 gal, or all", "400 L, or all"},
	"load":     {"How much", "200 gal, or all", "800 L, or all"},
	"swap":     {"The tote on the rig now", "tote two", "tote two"},
	"water":    {"How much water", "5 gal or 40 lb", "20 L or 20 kg"},
	"rinse":    {"How much water", "4 gal", "15 L"},
	"loss":     {"What was lost", "1 bag sugar; or of a tote 20 gal", "1 bag sugar; or of a tote 80 L"},
	"fed":      {"What was fed", "10 lb sugar; or of a tote 3 gal", "5 kg sugar; or of a tote 12 L"},
	"content":  {"How much it holds", "25 gal", "100 L"},
}

// label is a field's name on the page, and what is said beside it.
func (m *model) label(way, field string) (label, hint string) {
	x, ok := labels[field]
	if field == entry.What {
		x, ok = whats[way], true
	}
	if !ok {
		return field, ""
	}
	hint = x.us
	if m.Units == quantity.SI {
		hint = x.si
	}
	switch {
	case m.Rigs != nil && strings.Contains(hint, "the one on the rig"):
		hint = "or a rig’s name; empty: the one on the rig below"
	case field == "price":
		hint = m.Currency + "38.50 a bag; or of all of it " + m.Currency + "1540"
	case field == "brix" && way == "mix":
		hint += "; empty: as weighed"
	case field == "brix" && (way == "purchase" || way == "count"):
		label, hint = "Brix of a syrup", "76.5 Brix; empty: as sold"
		return label, hint
	}
	return x.label, hint
}

// knownOf is what entries are read beside.
func (s *server) knownOf(m *model, acts []act.Act) *entry.Known {
	return &entry.Known{Now: s.Said.Now().NS, Zone: m.zone, View: m.view, Rigs: m.Rigs, Standing: m.standing(acts), Units: m.Units, Currency: m.Currency}
}

// dayTime is an instant as the form's two fields have it.
func dayTime(at string, zone *time.Location) (day, clock string) {
	t, err := time.Parse(time.RFC3339Nano, at)
	if err != nil {
		return "", ""
	}
	t = t.In(zone)
	clock = t.Format("15:04:05")
	return t.Format(time.DateOnly), strings.TrimSuffix(clock, ":00")
}

// write shows the form of an entry, or of the correction of one.
func (s *server) write(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	way, fix := q.Get("way"), q.Get("fix")
	if way == "" && fix == "" { // asked for again after a page that said why nothing was kept
		http.Redirect(w, r, booksPath, http.StatusSeeOther)
		return
	}
	m := newModel(s.Feed.Snapshot())
	e := entryModel{shell: s.shell(r), Way: way, Fix: fix}
	if !e.mayWrite(s) {
		http.Redirect(w, r, "/enter", http.StatusSeeOther)
		return
	}
	acts, err := s.actsOf(r)
	if err != nil {
		s.drawBooks(w, r, http.StatusServiceUnavailable, bookNote{Bad: true, Text: "The books cannot be read just now; try again."})
		return
	}
	f := entry.Fields{}
	if fix != "" {
		old, err := toFix(acts, fix)
		if err != nil {
			s.drawBooks(w, r, http.StatusUnprocessableEntity, bookNote{Bad: true, Text: sentence(err)})
			return
		}
		m, acts, _ = m.bookOf(acts, fix)
		e.Way, f, _ = entry.Of(old, m.zone)
		f["on"], f["at"] = dayTime(f["at"], m.zone)
	}
	if _, ok := entry.WayOf(e.Way); !ok {
		http.NotFound(w, r)
		return
	}
	s.drawEntry(w, r, http.StatusOK, m, acts, e, f, nil)
}

// bookOf returns the book that an entry to be corrected is in: in a house one that
// a rig had of its own stays in that rig's, named by rig; else that of the page.
func (m *model) bookOf(acts []act.Act, fix string) (of *model, in []act.Act, rig string) {
	i := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == fix })
	if m.Rigs == nil || fix == "" || i < 0 || acts[i].Rig == act.House {
		return m, acts, ""
	}
	rig = acts[i].Rig
	for k := range acts {
		if acts[k].Rig == rig {
			in = append(in, acts[k])
		}
	}
	return m.own(rig), in, rig
}

// toFix returns the entry of an id, if it can be corrected, in the words of the
// book that it is in.
func toFix(acts []act.Act, id string) (*act.Act, error) {
	standing := act.Standing(acts)
	gone := act.Corrected(standing)
	standing = slices.DeleteFunc(standing, func(a act.Act) bool { return gone[a.ID] })
	if i := slices.IndexFunc(standing, func(a act.Act) bool { return a.ID == id }); i >= 0 {
		if _, _, ok := entry.Of(&standing[i], time.UTC); ok {
			return &standing[i], nil
		}
	}
	rule := "must be an entry of the books"
	if slices.ContainsFunc(acts, func(a act.Act) bool { return a.ID == id && act.OfBooks(a.Body) }) {
		rule = "must be an entry that counts, and not one that was corrected or taken back since"
	}
	return nil, &act.FieldError{Field: "entry", Rule: rule, Value: strconv.Quote(clip(id))}
}

// drawEntry answers with the form of an entry, filled in with f.
func (s *server) drawEntry(w http.ResponseWriter, r *http.Request, status int, m *model, acts []act.Act, e entryModel, f entry.Fields, wrong error) {
	way, _ := entry.WayOf(e.Way)
	k := s.knownOf(m, acts)
	e.Token, e.Home, e.Zone, e.Demo = token(), booksPath, m.zone.String(), m.Demo
	e.Title, e.Totes = wayTitle(e.Way), entry.Totes(k.Standing)
	for _, w := range wayWords {
		if w.way == e.Way {
			e.More = w.more
		}
	}
	if e.Fix != "" {
		if old, err := toFix(acts, e.Fix); err == nil {
			_, text := m.sayEntry(old.Body)
			e.Was = text + ", for " + m.bookTime(old.From)
		}
	}
	if slices.Contains(way.Fields, "left") && e.Fix == "" && (m.Rigs == nil || f[entry.Rig] != "") {
		tote := ""
		if m.Rigs != nil {
			tote = act.OnRig(f[entry.Rig])
		}
		e.Offer = entry.Offer(k, tote)
	}
	var field *act.FieldError
	if wrong != nil {
		e.Top = sentence(wrong)
	}
	names := way.Fields
	if way.Arg != "" {
		names = append([]string{entry.What}, names...)
	}
	for _, name := range names {
		if name == entry.Rig && m.Rigs == nil {
			continue
		}
		x := m.field(e.Way, name, f[name])
		if errors.As(wrong, &field) && field.Field == name {
			x.Wrong = sentence(&act.FieldError{Field: x.Label, Rule: field.Rule, Value: field.Value})
			e.Top, e.Bad, e.BadLabel = "", name, x.Label
		}
		rare := slices.Contains(seldom, name) || name == "brix" && slices.Contains([]string{"purchase", "count"}, e.Way)
		if !rare {
			e.Fields = append(e.Fields, x)
			continue
		}
		e.Seldom = append(e.Seldom, x)
		e.Open = e.Open || x.Wrong != "" || x.Value != ""
	}
	s.answer(w, r, status, "entry.html", e)
}

// field is one field of a form, as it was filled in.
func (m *model) field(way, name, value string) fieldModel {
	x := fieldModel{Name: name, Value: value, Type: "text"}
	x.Label, x.Hint = m.label(way, name)
	choose := func(value, text string) {
		x.Choices = append(x.Choices, choice{value, text, value == x.Value})
	}
	switch name {
	case "on":
		x.Type = "date"
	case "at":
		x.Type = "time"
	case "tote", "from", "to":
		x.Totes = true
	case entry.What:
		x.Totes = way == "swap"
	case "why":
		x.Type = "select"
		for _, w := range []string{act.Spilled, act.Dumped, act.Spoiled, act.Leaked} {
			choose(w, w)
		}
	case entry.Rig:
		x.Type = "select"
		for _, v := range m.Rigs {
			choose(v.Rig, v.Rig)
		}
	case "yard":
		x.Type = "select"
		for i := range m.view.Yards {
			choose(m.view.Yards[i].ID, m.yard(m.view.Yards[i].ID).Name)
		}
	}
	for _, y := range entry.AllFields() {
		if y.Name == name && y.Switch {
			x.Type = "tick"
		}
	}
	// A value that is none of the choices is kept, to be told why not.
	if x.Type == "select" && x.Value != "" && !slices.ContainsFunc(x.Choices, func(c choice) bool { return c.Chosen }) {
		choose(x.Value, x.Value)
	}
	return x
}

// enter keeps an entry, or shows its form with why not.
func (s *server) enter(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r, mostBook) {
		return
	}
	posted := r.PostForm
	e := entryModel{shell: s.shell(r), Way: posted.Get("way"), Fix: posted.Get("fix")}
	way, ok := entry.WayOf(e.Way)
	if !ok {
		http.NotFound(w, r)
		return
	}
	f := fieldsOf(way, posted)
	id, again, err := s.keepOnce(r.Context(), tapOf(r), func(ctx context.Context, now act.Moment, t *tap) ([]act.Act, error) {
		acts, err := s.Said.Acts(ctx)
		if err != nil {
			return nil, err
		}
		m, in, rig := newModel(s.Feed.Snapshot()).bookOf(acts, e.Fix)
		x, over, err := s.compose(m, in, e.Way, e.Fix, f)
		if err != nil {
			return nil, err
		}
		t.notes = x.Notes
		a, err := s.Books.Book(ctx, nameOf(r), rig, x.From, x.Body, over)
		if a.ID == "" {
			return nil, err
		}
		return []act.Act{a}, err
	})
	if err == nil {
		s.toBooks(w, r, id, again)
		return
	}
	acts, unread := s.actsOf(r)
	var field *act.FieldError
	if unread != nil || errors.As(err, &field) && field.Field == "entry" {
		s.drawBooks(w, r, s.statusOf(w, err), bookNote{Bad: true, Text: "Nothing was kept: " + sentence(err)})
		return
	}
	m, in, _ := newModel(s.Feed.Snapshot()).bookOf(acts, e.Fix)
	s.drawEntry(w, r, s.statusOf(w, err), m, in, e, f, err)
}

// fieldsOf are the fields that a form gives.
func fieldsOf(way entry.Way, posted url.Values) entry.Fields {
	f := make(entry.Fields)
	for _, name := range append([]string{entry.What}, way.Fields...) {
		if v := posted.Get(name); v != "" {
			f[name] = v
		}
	}
	return f
}

// compose reads an entry; over are those whose place it takes.
func (s *server) compose(m *model, acts []act.Act, way, fix string, f entry.Fields) (x *entry.Entry, over []string, err error) {
	k := s.knownOf(m, acts)
	said := make(entry.Fields, len(f))
	for name, v := range f {
		said[name] = v
	}
	if fix != "" {
		old, err := toFix(acts, fix)
		if err != nil {
			return nil, nil, err
		}
		was, old0, _ := entry.Of(old, m.zone)
		if was != way {
			return nil, nil, &act.FieldError{Field: "entry", Rule: fmt.Sprintf("must be corrected as what it is, %s", was), Value: strconv.Quote(way)}
		}
		// An instant that was left as it was stays so, to the nanosecond.
		if on, at := dayTime(old0["at"], m.zone); said["on"] == on && said["at"] == at {
			said["at"] = old0["at"]
			delete(said, "on")
		}
		k.Standing = slices.DeleteFunc(k.Standing, func(a act.Act) bool { return a.ID == fix })
		over = act.Over(old)
	}
	x, err = entry.Compose(way, said, k)
	return x, over, err
}
