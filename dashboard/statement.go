package dashboard

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/books"
	"yardtally/meter/entry"
	"yardtally/meter/sugar"
)

const (
	issuePath    = "/books/issue"
	longestTitle = 100 // letters

	seasonLimit = 20 * time.Second // a season that is not reckoned by then is given up
	seasonLife  = 10 * time.Second // it stands for the season so long, whatever is metered meanwhile
	mostSeasons = 4
)

// season is the books of a period held against what was metered.
type season struct {
	from, to  int64
	said      int    // how much had been said
	newest    string // the id of the last of that
	at        time.Time
	statement *books.Statement
	balance   *books.Balance
	why       string // there is no balance
}

// seasons are those reckoned of late. One is reckoned at a time: a board has
// other things to do.
type seasons struct {
	turn chan struct{}
	mu   sync.Mutex
	kept []*season
}

func newSeasons() seasons { return seasons{turn: make(chan struct{}, 1)} }

func (k *seasons) find(from, to int64, acts []act.Act) *season {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, x := range k.kept {
		if x.from == from && x.to == to && x.said == len(acts) && x.newest == newestOf(acts) && time.Since(x.at) < seasonLife {
			return x
		}
	}
	return nil
}

func newestOf(acts []act.Act) string {
	if len(acts) == 0 {
		return ""
	}
	return acts[len(acts)-1].ID
}

// of returns the season of a period, reckoned anew where it has to be.
func (k *seasons) of(ctx context.Context, m *model, acts []act.Act, period func(*sugar.Book) (int64, int64, error)) (*season, error) {
	standing := m.standing(acts)
	book := sugar.Read(standing)
	from, to, err := period(book)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, seasonLimit)
	defer cancel()
	select {
	case k.turn <- struct{}{}:
		defer func() { <-k.turn }()
	case <-ctx.Done():
		return nil, errBusy
	}
	if x := k.find(from, to, acts); x != nil {
		return x, nil
	}
	x := &season{from: from, to: to, said: len(acts), newest: newestOf(acts)}
	s, _ := books.FromViews(m.views(), standing, book, from, to)
	s.Loc, s.Units = m.zone, m.Units
	if x.balance, err = s.Balance(); err != nil {
		x.balance, x.why = nil, err.Error() // all else stands
	}
	x.statement = s.StatementOf(m.views(), x.balance)
	if err := x.statement.Check(); err != nil {
		return nil, err
	}
	x.at = time.Now()
	k.mu.Lock()
	k.kept = append([]*season{x}, k.kept[:min(len(k.kept), mostSeasons-1)]...)
	k.mu.Unlock()
	return x, nil
}

var errBusy = errors.New("the books are being reckoned for somebody else; try again in a moment")

// sheetModel is a page of a statement or a balance.
type sheetModel struct {
	shell
	Name                string // "statement" or "balance"
	Path                string
	Token               string
	Told                bookNote
	Loud                string // why there is no sheet, or less than there should be
	From, To            string // dates, as asked for
	WrongFrom, WrongTo  string
	IssueFrom, IssueTo  string // dates of the sheet
	Issuing             bool   // it can be issued
	Heading, WrongTitle string
	Sheet               *report.Sheet
	Formats             []formatLink
	Issued              []issuedModel
	One                 bool // the page of one that was issued, or of what changed since
}

type formatLink struct{ Path, Text string }

type issuedModel struct {
	Number          int
	Text, Back      string
	Figures, Change string // where they stand
}

// askedSheet is what a request asks for.
type askedSheet struct {
	name            string // "statement" or "balance"
	format          report.Format
	from, to        string // dates; "": where the books of the year begin and end
	number, changes int    // of a statement issued; 0: none
	colonies        bool
}

var sheetFormats = map[string]struct {
	format report.Format
	kind   string
}{
	".csv":  {report.CSV, "text/csv; charset=utf-8; header=present"},
	".json": {report.JSON, "application/json"},
	".pdf":  {report.PDF, "application/pdf"},
}

// askSheet reads what a request asks for.
func askSheet(path string, q url.Values) (a askedSheet, kind string, err error) {
	name, ending, some := strings.Cut(strings.TrimPrefix(path, "/books/"), ".")
	a.name = name
	if some {
		f := sheetFormats["."+ending]
		a.format, kind = f.format, f.kind
	}
	a.from, a.to, a.colonies = strings.TrimSpace(q.Get("from")), strings.TrimSpace(q.Get("to")), q.Get("colonies") != ""
	for _, x := range []struct {
		field string
		n     *int
	}{{"number", &a.number}, {"changes", &a.changes}} {
		text := q.Get(x.field)
		if text == "" {
			continue
		}
		if *x.n, err = strconv.Atoi(text); err != nil || *x.n < 1 {
			*x.n = 0
			return a, kind, &act.FieldError{Field: x.field, Rule: "must be that of a statement issued", Value: strconv.Quote(clip(text))}
		}
	}
	return a, kind, nil
}

// period returns the nights that were asked for.
func (a *askedSheet) period(m *model) func(*sugar.Book) (int64, int64, error) {
	return func(book *sugar.Book) (from, to int64, err error) {
		from, to = books.Period(m.view, book, m.zone)
		for _, x := range []struct {
			field, text string
			set         func(a, b int64)
		}{{"from", a.from, func(a, _ int64) { from = a }}, {"to", a.to, func(_, b int64) { to = b }}} {
			if x.text == "" {
				continue
			}
			day, err := time.Parse(time.DateOnly, x.text)
			if err != nil || day.Year() < 1971 || day.Year() > 2199 {
				return 0, 0, &act.FieldError{Field: x.field, Rule: "must be a date like 2026-10-09", Value: strconv.Quote(clip(x.text))}
			}
			x.set(books.Nights(m.view, day, day, m.zone))
		}
		if to <= from {
			return 0, 0, &act.FieldError{Field: "from", Rule: "must be before the period ends, on " + m.evening(to), Value: strconv.Quote(clip(a.from))}
		}
		return from, to, nil
	}
}

// evening is the date of the last night before an instant.
func (m *model) evening(to int64) string { return m.night1(to - int64(12*time.Hour)) }

// night1 is the date of the night that an instant is in.
func (m *model) night1(at int64) string { return m.view.Evening(at, m.zone).Format(time.DateOnly) }

// paper is what was asked for, ready to be written or shown.
type paper struct {
	season *season       // nil of one issued
	issued *books.Issued // nil of none
	write  func(io.Writer, report.Options) error
	sheet  func(report.Options) *report.Sheet
}

// paperOf makes what was asked for.
func (s *server) paperOf(ctx context.Context, m *model, acts []act.Act, a *askedSheet) (*paper, error) {
	p := &paper{}
	period := a.period(m)
	if n := max(a.number, a.changes); n > 0 {
		all := books.IssuedOf(entry.Standing(acts))
		i := slices.IndexFunc(all, func(x books.Issued) bool { return x.Number == n })
		field := "number"
		if a.changes > 0 {
			field = "changes"
		}
		if i < 0 {
			return nil, &act.FieldError{Field: field, Rule: "must be that of a statement issued", Value: n}
		}
		p.issued = &all[i]
		st := p.issued.Statement
		switch {
		case st == nil:
			return nil, &act.FieldError{Field: field, Rule: "must be that of a statement that can be read (" + p.issued.Why + ")", Value: n}
		case a.number > 0:
			p.write = func(w io.Writer, o report.Options) error { return report.Statement(w, st, o) }
			p.sheet = func(o report.Options) *report.Sheet { return report.StatementSheet(st, o, false) }
			return p, nil
		}
		period = func(*sugar.Book) (int64, int64, error) { return st.From, st.To, nil }
	}
	var err error
	if p.season, err = s.seasons.of(ctx, m, acts, period); err != nil {
		return nil, err
	}
	st, bal := p.season.statement, p.season.balance
	switch {
	case a.changes > 0:
		r := books.Compare(*p.issued, st, acts)
		p.write = func(w io.Writer, o report.Options) error { return report.Restated(w, &r, st, o) }
		p.sheet = func(o report.Options) *report.Sheet { return report.RestatedSheet(&r, st, o) }
	case a.name == "balance" && bal == nil:
		return p, &act.FieldError{Field: "figures", Rule: "must be such that they can add up", Value: p.season.why}
	case a.name == "balance":
		p.write = func(w io.Writer, o report.Options) error { return report.Balance(w, bal, o) }
		p.sheet = func(o report.Options) *report.Sheet { return report.BalanceSheet(bal, o) }
	default:
		p.write = func(w io.Writer, o report.Options) error { return report.Statement(w, st, o) }
		p.sheet = func(o report.Options) *report.Sheet { return report.StatementSheet(st, o, false) }
	}
	return p, nil
}

// options are those of a sheet.
func (a *askedSheet) options(s *server, m *model, issued *books.Issued) report.Options {
	o := report.Options{Format: a.format, Page: true, Units: m.Units, Zone: m.zone, Now: m.Now, Currency: m.Currency, Colonies: a.colonies,
		SayAct: func(x *act.Act) string {
			if what, text := m.sayEntry(x.Body); text != "" {
				return strings.ToLower(what) + ": " + text
			}
			if s.SayAct != nil {
				return s.SayAct(x)
			}
			return x.Body.Kind()
		}}
	if a.format == report.CSV || a.format == report.JSON {
		o.Units = quantity.SI
	}
	if a.number > 0 {
		o.Issued = issued
	}
	return o
}

// sheet shows a statement or a balance, or gives it to take away.
func (s *server) sheet(w http.ResponseWriter, r *http.Request) {
	a, kind, err := askSheet(r.URL.Path, r.URL.Query())
	if kind == "" {
		s.drawSheet(w, r, a, bookNote{}, "", err)
		return
	}
	m := newModel(s.Feed.Snapshot())
	var b bytes.Buffer
	if err == nil {
		var acts []act.Act
		if acts, err = s.actsOf(r); err == nil {
			var p *paper
			if p, err = s.paperOf(r.Context(), m, acts, &a); err == nil {
				err = p.write(&b, a.options(s, m, p.issued))
			}
		}
	}
	if err != nil {
		http.Error(w, capital(sentence(err)), s.statusOf(w, err))
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Disposition", `inline; filename="`+strings.TrimPrefix(r.URL.Path, "/books/")+`"`)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b.Bytes()))
}

// drawSheet answers with the page of a sheet. title and wrong are of one that
// was to be issued, or wrong is why nothing that was asked for can be.
func (s *server) drawSheet(w http.ResponseWriter, r *http.Request, a askedSheet, told bookNote, title string, wrong error) {
	snap := s.Feed.Snapshot()
	m := newModel(snap)
	x := sheetModel{shell: s.shell(r), Name: a.name, Told: told, From: a.from, To: a.to, Heading: title, One: a.number > 0 || a.changes > 0}
	x.Path = "/books/" + a.name
	x.Home, x.Demo = x.Path, m.Demo
	status := http.StatusOK
	fail := func(err error) {
		status = s.statusOf(w, err)
		var f *act.FieldError
		switch errors.As(err, &f); {
		case f != nil && f.Field == "from":
			x.WrongFrom = sentence(&act.FieldError{Field: "First night", Rule: f.Rule, Value: f.Value})
		case f != nil && f.Field == "to":
			x.WrongTo = sentence(&act.FieldError{Field: "Last night", Rule: f.Rule, Value: f.Value})
		case f != nil && f.Field == "title":
			x.WrongTitle = sentence(&act.FieldError{Field: "Heading", Rule: f.Rule, Value: f.Value})
		default:
			x.Loud = capital(sentence(err))
		}
	}
	acts, err := s.actsOf(r)
	if err != nil {
		fail(err)
	} else {
		x.issued(m, acts)
	}
	if wrong != nil {
		fail(wrong)
	}
	if err == nil && (wrong == nil || x.WrongTitle != "") {
		p, err := s.paperOf(r.Context(), m, acts, &a)
		if err != nil {
			fail(err)
		} else {
			x.Sheet = p.sheet(a.options(s, m, p.issued))
			x.formats(&a, p)
		}
		if p != nil && p.season != nil && p.season.why != "" && a.name != "balance" {
			x.Loud = "There is no balance, so what is unaccounted for has no interval: " + sentence(errors.New(p.season.why))
		}
		if p != nil && p.season != nil && x.Sheet != nil && a.name == "statement" && !x.One && x.mayWrite(s) {
			x.Issuing, x.IssueFrom, x.IssueTo = true, m.night1(p.season.from), m.evening(p.season.to)
		}
	}
	if x.mayWrite(s) {
		x.Token = token()
		if x.Told.Text == "" {
			x.Told = sayIssued(acts, r.URL.Query())
		}
	} else {
		for i := range x.Issued {
			x.Issued[i].Back = ""
		}
	}
	s.answer(w, r, status, "sheet.html", x)
}

// sayIssued says that a statement was just issued.
func sayIssued(acts []act.Act, q url.Values) (n bookNote) {
	i := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == q.Get("said") })
	if i < 0 || act.TakenBack(acts)[acts[i].ID] {
		return n
	}
	if b, ok := acts[i].Body.(act.Statement); ok {
		n.Text, n.Back = fmt.Sprintf("Issued as statement No %d. Its figures stay.", b.Number), acts[i].ID
		if q.Has("again") {
			n.Notes = []string{"That was sent twice, and counts once."}
		}
	}
	return n
}

// formats are the ways to take a sheet away.
func (x *sheetModel) formats(a *askedSheet, p *paper) {
	q := url.Values{}
	for name, text := range map[string]string{"from": a.from, "to": a.to} {
		if text != "" {
			q.Set(name, text)
		}
	}
	for name, n := range map[string]int{"number": a.number, "changes": a.changes} {
		if n > 0 {
			q.Set(name, strconv.Itoa(n))
		}
	}
	add := func(ending, text string) {
		path := x.Path + ending
		if len(q) > 0 {
			path += "?" + q.Encode()
		}
		x.Formats = append(x.Formats, formatLink{path, text})
	}
	add(".pdf", "PDF to print")
	add(".csv", "CSV")
	add(".json", "JSON")
	st := (*books.Statement)(nil)
	switch {
	case a.changes > 0 || a.name != "statement":
	case p.season != nil:
		st = p.season.statement
	default:
		st = p.issued.Statement
	}
	if st != nil && len(st.Served) > 0 {
		q.Set("colonies", "1")
		add(".csv", "Colonies as CSV")
	}
}

// issued lists the statements that were issued, the newest first.
func (x *sheetModel) issued(m *model, acts []act.Act) {
	for _, i := range books.IssuedOf(entry.Standing(acts)) {
		n := strconv.Itoa(i.Number)
		row := issuedModel{Number: i.Number, Back: i.Act, Figures: statementPath + "?number=" + n, Change: statementPath + "?changes=" + n}
		row.Text = "issued " + m.bookTime(i.When) + " by " + i.Who
		if i.Title != "" {
			row.Text = i.Title + ", " + row.Text
		}
		if st := i.Statement; st != nil {
			row.Text += ", nights of " + m.night1(st.From) + " to " + m.evening(st.To)
		} else {
			row.Text += ", cannot be read: " + i.Why
			row.Figures, row.Change = "", ""
		}
		if i.Twice {
			row.Text += "; another has the same number: two copies of the journal issued each its own"
		}
		x.Issued = append(x.Issued, row)
	}
	slices.Reverse(x.Issued)
}

// issue issues the statement of a period.
func (s *server) issue(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r, mostForm) {
		return
	}
	f := r.PostForm
	a := askedSheet{name: "statement", from: f.Get("from"), to: f.Get("to")}
	title := strings.TrimSpace(f.Get("title"))
	number := 0
	id, again, err := s.keepOnce(r.Context(), tapOf(r), func(ctx context.Context, _ act.Moment, _ *tap) ([]act.Act, error) {
		if n := utf8.RuneCountInString(title); n > longestTitle || !utf8.ValidString(title) {
			return nil, &act.FieldError{Field: "title", Rule: fmt.Sprintf("must be %d letters at most", longestTitle), Value: n}
		}
		acts, err := s.Said.Acts(ctx)
		if err != nil {
			return nil, err
		}
		m := newModel(s.Feed.Snapshot())
		x, err := s.seasons.of(ctx, m, acts, a.period(m))
		if err != nil {
			return nil, err
		}
		body, err := books.Issue(x.statement, books.NextNumber(acts), title, acts)
		if err != nil {
			return nil, err
		}
		b, err := s.Books.Book(ctx, nameOf(r), "", 0, body, nil)
		if b.ID == "" {
			return nil, err
		}
		number = body.Number
		return []act.Act{b}, err
	})
	if err != nil {
		s.drawSheet(w, r, a, bookNote{}, title, err)
		return
	}
	q := url.Values{"said": {id}}
	if again {
		q.Set("again", "1")
		if acts, err := s.actsOf(r); err == nil {
			for i := range acts {
				if b, ok := acts[i].Body.(act.Statement); ok && acts[i].ID == id {
					number = b.Number
				}
			}
		}
	}
	if number > 0 {
		q.Set("number", strconv.Itoa(number))
	}
	http.Redirect(w, r, statementPath+"?"+q.Encode()+"#said", http.StatusSeeOther)
}

// pageTable is a table of a sheet as the page draws it.
type pageTable struct {
	ID      string
	Head    string
	Many    bool // on a phone a row is a block, as its columns are too many
	Fold    bool // it is long: one tap away
	Columns []pageColumn
	Rows    []report.SheetRow
}

type pageColumn struct {
	Name, Of string // Of: what ± is of
	Right    bool
}

// tables are the sheet's tables.
func (x sheetModel) tables() (out []pageTable) {
	for i, t := range x.Sheet.Tables {
		p := pageTable{ID: fmt.Sprint("t", i), Head: t.Head, Rows: t.Rows, Fold: x.Name == "balance" && t.Head != ""}
		p.Many = len(t.Columns) > 7 && !p.Fold
		last := ""
		for _, c := range t.Columns {
			name := strings.ReplaceAll(strings.ReplaceAll(c.Name, "-\n", ""), "\n", " ")
			k := pageColumn{Name: name, Right: c.Right}
			if name == "±" {
				k.Of = last
			}
			last = name
			p.Columns = append(p.Columns, k)
		}
		out = append(out, p)
	}
	return out
}
