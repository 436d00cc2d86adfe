package dashboard

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/entry"
	"yardtally/meter/ledger"
	"yardtally/meter/sugar"
)

// Books keeps the entries of the season's books. Its methods may be called from
// any goroutine.
type Books interface {
	// Book keeps an entry that holds from an instant, Unix ns, as said now by
	// who, durably. rig is whose own book it is in; "" is the only rig, or the
	// house. over are the ids of those whose place it takes. An act that has an id
	// is kept, even with an error.
	Book(ctx context.Context, who, rig string, from int64, body act.Body, over []string) (act.Act, error)
}

const (
	booksPath     = "/books"
	writePath     = "/books/write"
	statementPath = "/books/statement"
	balancePath   = "/books/balance"

	mostRows = 80 // entries on a page
	mostBook = 16 << 10
	// mostBook bounds a form of the books, bytes.
)

// wayWords are the sorts of entries as a person looks for them, in the order in
// which they are offered.
var wayWords = []struct{ way, words, more string }{
	{"purchase", "Bought", "sugar or syrup came into the store"},
	{"mix", "Mixed", "syrup was made in a tote"},
	{"load", "Filled the rig", "syrup from another tote"},
	{"count", "Counted the store", "so much is there"},
	{"content", "Looked into a tote", "it holds so much"},
	{"stirred", "Stirred", "it is mixed now"},
	{"water", "Added water", "to what is in a tote"},
	{"rinse", "Rinsed", "water through meter and hose"},
	{"fed", "Fed by hand", "past the meter"},
	{"loss", "Lost", "spilled, dumped, spoiled, leaked"},
	{"transfer", "Tote to tote", "syrup was moved"},
	{"swap", "Another tote", "stands on the rig now"},
}

func wayTitle(way string) string {
	for _, w := range wayWords {
		if w.way == way {
			return w.words
		}
	}
	return capital(way)
}

// booksModel is the page of the books.
type booksModel struct {
	shell
	Token   string
	Told    bookNote
	Ways    []wayTap
	Stock   *report.Figures
	Totes   *report.Figures
	Settle  []string
	Rows    []bookRow
	Earlier string // where the rows before stand; "": there are none
	Later   bool   // these are not the newest
	Unread  bool
}

// bookNote is what the page says first of an entry just made.
type bookNote struct {
	Bad   bool
	Text  string
	Notes []string
	Back  string // id, to take it back; "": it cannot be
}

type wayTap struct{ Way, Words, More string }

// bookRow is an entry.
type bookRow struct {
	ID, What, Text string
	When, Who      string
	Off            string   // why it does not count; "": it does
	Was            []string // what it corrects
	Settle         string
	at, said       int64
}

func (s *server) books(w http.ResponseWriter, r *http.Request) {
	s.drawBooks(w, r, http.StatusOK, bookNote{})
}

// drawBooks answers with the page of the books.
func (s *server) drawBooks(w http.ResponseWriter, r *http.Request, status int, told bookNote) {
	m := newModel(s.Feed.Snapshot())
	b := booksModel{shell: s.shell(r), Told: told}
	b.Home = booksPath
	b.Demo = m.Demo
	acts, err := s.actsOf(r)
	if err != nil {
		b.Unread = true
	}
	standing := m.standing(acts)
	book := sugar.Read(standing)
	b.Stock, b.Totes = m.stock(book, standing), m.totes(book, s.knownOf(m, acts))
	if acts = slices.Clone(acts); m.Rigs != nil {
		acts = act.Housed(acts) // as the house's book names things
	}
	rows := m.bookRows(acts, book)
	b.Settle = m.settle(acts)
	b.cut(rows, r.URL.Query().Get("before"))
	if b.mayWrite(s) {
		b.Token = token()
		for _, w := range wayWords {
			b.Ways = append(b.Ways, wayTap{w.way, w.words, w.more})
		}
	}
	if b.Told.Text == "" {
		b.Told = m.sayBooked(s, acts, rows, r.URL.Query())
	}
	if !b.mayWrite(s) {
		b.Told.Back = ""
	}
	s.answer(w, r, status, "books.html", b)
}

// mayWrite reports whether entries can be made on the page.
func (sh *shell) mayWrite(s *server) bool { return sh.In && s.Books != nil }

// actsOf returns all that was ever said, if that can be had soon.
func (s *server) actsOf(r *http.Request) ([]act.Act, error) {
	ctx, cancel := context.WithTimeout(r.Context(), askLimit)
	defer cancel()
	return s.Said.Acts(ctx)
}

// answer sends a whole page.
func (s *server) answer(w http.ResponseWriter, r *http.Request, status int, name string, data any) {
	b, ok := s.paint(w, name, data)
	if !ok {
		return
	}
	if status != http.StatusOK {
		w.WriteHeader(status)
		if r.Method != http.MethodHead {
			_, _ = w.Write(b) // a reader that went away is no fault
		}
		return
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b))
}

// cut leaves the rows of one page: the newest before an instant.
func (b *booksModel) cut(rows []bookRow, before string) {
	if ns, err := strconv.ParseInt(before, 10, 64); err == nil {
		b.Later = true
		i := slices.IndexFunc(rows, func(x bookRow) bool { return x.at < ns })
		if i < 0 {
			i = len(rows)
		}
		rows = rows[i:]
	}
	n := min(mostRows, len(rows))
	for n < len(rows) && rows[n].at == rows[n-1].at { // of one instant together
		n++
	}
	if n < len(rows) {
		b.Earlier = booksPath + "?before=" + strconv.FormatInt(rows[n-1].at, 10) + "#entries"
	}
	b.Rows = rows[:n]
}

// bookTime is when something happened, for a list of entries.
func (m *model) bookTime(ns int64) string {
	return time.Unix(0, ns).In(m.zone).Format("2 Jan 2006 15:04")
}

// sayEntry says an entry: its sort, and what of it.
func (m *model) sayEntry(b act.Body) (what, text string) {
	if f, ok := b.(act.Fed); ok {
		f.Yard = m.yard(f.Yard).Name
		b = f
	}
	what, text, _ = strings.Cut(entry.Words(b, m.Units, m.Currency), ": ")
	return capital(what), text
}

// bookRows lists the entries, the newest first; what one corrects stands with it.
func (m *model) bookRows(acts []act.Act, book *sugar.Book) []bookRow {
	standing := act.Standing(acts)
	stands := make(map[string]bool, len(standing))
	for i := range standing {
		stands[standing[i].ID] = true
	}
	corrected := act.Corrected(standing)
	gone := act.TakenBack(acts)
	back := make(map[string]*act.Act) // what took an act back
	byID := make(map[string]*act.Act, len(acts))
	for i := range acts {
		byID[acts[i].ID] = &acts[i]
		if u, ok := acts[i].Body.(act.Undo); ok && gone[u.Act] && !gone[acts[i].ID] {
			back[u.Act] = &acts[i]
		}
	}
	why := make(map[string]string)
	for _, x := range book.Review {
		why[x.Act] = x.Why
	}
	for _, x := range m.view.Review {
		why[x.Act] = x.Why
	}
	signed := func(a *act.Act) string { return m.bookTime(a.When) + " by " + a.Who }
	rows := make(map[string]*bookRow)
	var out []*bookRow
	for i := range acts {
		a := &acts[i]
		if _, _, ok := entry.Of(a, m.zone); !ok || !stands[a.ID] || corrected[a.ID] {
			continue
		}
		x := &bookRow{ID: a.ID, When: m.bookTime(a.From), Who: a.Who, Settle: why[a.ID], at: a.From, said: a.When}
		x.What, x.Text = m.sayEntry(a.Body)
		rows[a.ID] = x
		out = append(out, x)
		for _, id := range a.Replaces {
			old := byID[id]
			if old == nil {
				continue
			}
			what, text := m.sayEntry(old.Body)
			if back[id] == nil {
				rows[id] = x
				x.Was = append(x.Was, fmt.Sprintf("Said again %s. Before: %s for %s, %s.", signed(a), text, m.bookTime(old.From), old.Who))
			} else {
				x.Was = append(x.Was, fmt.Sprintf("Taken back: %s, %s.", what, text))
			}
		}
	}
	for i := range acts {
		a := &acts[i]
		if _, _, ok := entry.Of(a, m.zone); !ok || rows[a.ID] != nil {
			continue
		}
		what, text := m.sayEntry(a.Body)
		if u := back[a.ID]; u != nil {
			// A correction that was taken back stands with what counts again.
			for k := len(a.Replaces) - 1; k >= 0; k-- {
				if x := rows[a.Replaces[k]]; x != nil {
					x.Was = append(x.Was, fmt.Sprintf("Said again %s, and taken back %s: %s.", signed(a), signed(u), text))
					rows[a.ID] = x
					break
				}
			}
			if rows[a.ID] == nil {
				out = append(out, &bookRow{ID: a.ID, What: what, Text: text, When: m.bookTime(a.From), Who: a.Who, Off: "Taken back " + signed(u) + ".", at: a.From, said: a.When})
			}
			continue
		}
		out = append(out, &bookRow{ID: a.ID, What: what, Text: text, When: m.bookTime(a.From), Who: a.Who, Off: "Does not count: a later entry says otherwise.", at: a.From, said: a.When})
	}
	slices.SortStableFunc(out, func(a, b *bookRow) int { return cmp.Or(cmp.Compare(b.at, a.at), cmp.Compare(b.said, a.said)) })
	list := make([]bookRow, len(out))
	for i, x := range out {
		list[i] = *x
	}
	return list
}

// settle lists entries of which two say different things.
func (m *model) settle(acts []act.Act) (out []string) {
	for _, c := range act.Conflicts(act.Standing(acts)) {
		if !act.OfBooks(c.Counts.Body) {
			continue
		}
		what, text := m.sayEntry(c.Counts.Body)
		_, other := m.sayEntry(c.Other.Body)
		out = append(out, fmt.Sprintf("%s for %s was said twice: %s by %s counts, and %s by %s does not. Correct the first to settle it.",
			what, m.bookTime(c.Counts.From), text, c.Counts.Who, other, c.Other.Who))
	}
	return out
}

// sayBooked says what was just entered or taken back.
func (m *model) sayBooked(s *server, acts []act.Act, rows []bookRow, q url.Values) (n bookNote) {
	find := func(id string) *act.Act {
		i := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == id })
		if i < 0 {
			return nil
		}
		return &acts[i]
	}
	a := find(q.Get("said"))
	if a == nil {
		return n
	}
	say := func(a *act.Act) string {
		what, text := m.sayEntry(a.Body)
		if _, ok := a.Body.(act.Statement); ok {
			return "Statement " + text
		}
		return what + ", " + text + ", for " + m.bookTime(a.From)
	}
	if u, ok := a.Body.(act.Undo); ok {
		old := find(u.Act)
		if old == nil || !act.OfBooks(old.Body) {
			return n
		}
		n.Text = "Taken back: " + say(old) + "."
		for i := len(old.Replaces) - 1; i >= 0; i-- {
			if k := slices.IndexFunc(rows, func(x bookRow) bool { return x.ID == old.Replaces[i] && x.Off == "" }); k >= 0 {
				n.Notes = append(n.Notes, "This counts again: "+rows[k].What+", "+rows[k].Text+", for "+rows[k].When+".")
				break
			}
		}
		return n
	}
	if !act.OfBooks(a.Body) {
		return n
	}
	gone := act.TakenBack(acts)[a.ID]
	switch {
	case gone:
		n.Text = "Taken back: " + say(a) + "."
		return n
	case len(a.Replaces) > 0:
		n.Text = "Corrected. Now: " + say(a) + "."
	default:
		n.Text = "Kept: " + say(a) + "."
	}
	n.Back, n.Notes = a.ID, slices.Clone(s.taps.notes(a.ID))
	if q.Has("again") {
		n.Notes = append([]string{"That was sent twice, and counts once."}, n.Notes...)
	}
	for i := range rows {
		if rows[i].ID == a.ID && rows[i].Settle != "" {
			n.Notes = append(n.Notes, "It cannot be used as it was meant: "+rows[i].Settle+".")
		}
	}
	return n
}

// standing are the acts that hold, as the book that the page is of names things.
func (m *model) standing(acts []act.Act) []act.Act {
	if m.Rigs != nil {
		return entry.HouseStanding(acts)
	}
	return entry.Standing(acts)
}

// views are those that the book is of.
func (m *model) views() []*ledger.View {
	if m.Rigs != nil {
		return m.Rigs
	}
	return []*ledger.View{m.view}
}

// viewOf is the view of one rig of the house, or of the only one.
func (m *model) viewOf(rig string) *ledger.View {
	for _, v := range m.Rigs {
		if v.Rig == rig {
			return v
		}
	}
	return m.view
}

// own is the page as it is of one rig's own book, where that is of a house's.
func (m *model) own(rig string) *model {
	snap := *m.Snapshot
	snap.View, snap.Rigs = m.viewOf(rig), nil
	return newModel(&snap)
}

// perMass is the mass that prices are of, and its unit.
func (m *model) perMass() (quantity.Mass, string) {
	if m.Units == quantity.US {
		return quantity.Pound, "lb"
	}
	return quantity.Kilogram, "kg"
}

// stock is what is in store, kind by kind; nil: nothing was booked of it.
func (m *model) stock(book *sugar.Book, standing []act.Act) *report.Figures {
	per, unit := m.perMass()
	f := &report.Figures{Columns: columns("kind", ">"+unit, ">bags", ">"+strings.TrimSpace(m.Currency+" a "+unit))}
	for _, k := range entry.InStore(book, standing) {
		row := []string{k.Kind, fmt.Sprintf("%.1f", float64(k.Mass/per)), "", ""}
		if k.Of != "" { // where the house's store has it, nothing is left there
			if k.Mass == 0 {
				continue
			}
			row[0] = act.Own(k.Kind, k.Of)
		}
		if k.Bag > 0 {
			row[2] = fmt.Sprintf("%.3g", k.Bags())
		}
		if k.HasPrice {
			row[3] = fmt.Sprintf("%.3f", k.Price*float64(per))
		}
		f.Rows = append(f.Rows, row)
	}
	if len(f.Rows) == 0 {
		return nil
	}
	return f
}

// totes is what each tote holds: that on the rig as it was seen, others by the
// books; nil: nothing was booked of any.
func (m *model) totes(book *sugar.Book, k *entry.Known) *report.Figures {
	vol, _, _ := units(m.Units)
	f := &report.Figures{Columns: columns("tote", ">"+vol, ">±", ">Brix", "of")}
	number := func(v quantity.Volume) string {
		n, _ := m.Units.VolumeParts(v)
		return n
	}
	for _, x := range entry.InTotes(book) {
		row := []string{x.Held.Tote, number(x.Volume), "", "", ""}
		_, unnamed := act.StandsOn(row[0])
		if unnamed = unnamed && m.Rigs != nil; row[0] == "" || unnamed {
			row[0] = "the tote"
		}
		if x.OnRig {
			on := ", on the rig"
			if m.Rigs != nil {
				on = ", on " + x.Rig
			}
			row[0] += on
			row[1] = "–"
			if r, err := entry.OnRig(k, x.Rig); err == nil {
				row[1], row[2] = number(quantity.VolumeOf(r.L/1000)), number(quantity.VolumeOf(r.Within/1000))
			} else if t := &m.viewOf(x.Rig).Tote; t.Known {
				row[1] = number(t.Volume)
			}
		}
		if x.Held.Batch.Total() > 0 {
			row[3], row[4] = fmt.Sprintf("%.1f", x.Held.Syrup.Solids.Brix()), fmt.Sprint(x.Held.Syrup.Makeup)
			if x.Held.Unstirred {
				row[4] += ", not stirred"
			}
		}
		f.Rows = append(f.Rows, row)
	}
	if len(f.Rows) == 0 {
		return nil
	}
	return f
}

// columns are those of a table; ">" before a name: of numbers.
func columns(names ...string) (out []report.Column) {
	for _, n := range names {
		name, right := strings.CutPrefix(n, ">")
		out = append(out, report.Column{Name: name, Right: right})
	}
	return out
}

// takeBack takes an entry, or a statement that was issued, back.
func (s *server) takeBack(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r, mostForm) {
		return
	}
	id := r.PostForm.Get("act")
	said, again, err := s.sayOnce(r.Context(), tapOf(r), nameOf(r), func(ctx context.Context, _ act.Moment) ([]act.Body, error) {
		acts, err := s.Said.Acts(ctx)
		if err != nil {
			return nil, err
		}
		i := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == id })
		switch {
		case i < 0 || !act.OfBooks(acts[i].Body):
			return nil, &act.FieldError{Field: "act", Rule: "must be an entry of the books", Value: strconv.Quote(clip(id))}
		case act.TakenBack(acts)[id]:
			return nil, &act.FieldError{Field: "act", Rule: "must not be taken back already", Value: strconv.Quote(clip(id))}
		}
		return []act.Body{act.Undo{Act: id}}, nil
	})
	if err != nil {
		s.drawBooks(w, r, s.statusOf(w, err), bookNote{Bad: true, Text: "Nothing was taken back: " + sentence(err)})
		return
	}
	s.toBooks(w, r, said, again)
}

// toBooks sends the browser to what was said: loading that again says nothing
// again.
func (s *server) toBooks(w http.ResponseWriter, r *http.Request, id string, again bool) {
	toSaid(w, r, booksPath, id, again)
}

// toSaid sends the browser to what was said on a page.
func toSaid(w http.ResponseWriter, r *http.Request, page, id string, again bool) {
	q := url.Values{"said": {id}}
	if again {
		q.Set("again", "1")
	}
	http.Redirect(w, r, page+"?"+q.Encode()+"#said", http.StatusSeeOther)
}

// clip shortens what somebody sent to what can be shown.
func clip(s string) string {
	const most = 200
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
