package report

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/meter/books"
)

// RestatedRow is a line of a statement that is not what it was when issued.
type RestatedRow struct {
	Part     string `json:"part"`
	Key      string `json:"key"`
	Name     string `json:"name"`
	WasL     number `json:"volume_was_l"` // null where the line was not there
	IsL      number `json:"volume_is_l"`  // null where it is not there any more
	WasKg    number `json:"solids_was_kg"`
	IsKg     number `json:"solids_is_kg"`
	WasCost  number `json:"cost_was"` // null where any of it had no price
	IsCost   number `json:"cost_is"`
	WasVisit number `json:"visits_was"`
	IsVisit  number `json:"visits_is"`
	WasStand number `json:"colonies_was"`
	IsStand  number `json:"colonies_is"`
	Acts     string `json:"acts"` // ids of acts said since that speak of this line, with spaces between
}

// SinceRow is what was said since.
type SinceRow struct {
	Act    string  `json:"act"`
	Kind   string  `json:"kind"`
	Who    string  `json:"who"`
	Said   instant `json:"said"`
	From   instant `json:"from"`   // from when it holds
	Undoes string  `json:"undoes"` // id of the act that it takes back; "": none
}

type restatedDoc struct {
	Report        string        `json:"report"` // "restated"
	Rig           string        `json:"rig"`
	From          instant       `json:"from"`
	To            instant       `json:"to"`
	LegalForTrade bool          `json:"legal_for_trade"`
	Record        string        `json:"record_of_purchase"`
	Currency      string        `json:"currency"`
	Issued        issuedRow     `json:"issued"`
	Readable      bool          `json:"readable"` // false: this version cannot read the figures issued
	Lines         []RestatedRow `json:"lines"`    // those that changed
	Since         []SinceRow    `json:"since"`
}

// Restated writes what is other in a statement than in the one issued. The error
// is the writer's.
func Restated(w io.Writer, r *books.Restated, now *books.Statement, o Options) error {
	switch o.Format {
	case JSON:
		d := restatedDoc{Report: "restated", Rig: now.Rig, From: instant(now.From), To: instant(now.To), Record: "supplier's ticket", Currency: o.Currency,
			Issued: issuedRow{r.Issued.Number, r.Issued.Title, instant(r.Issued.When), r.Issued.Who, r.Issued.Act}, Readable: r.Issued.Statement != nil,
			Lines: restatedRows(r), Since: []SinceRow{}}
		for i := range r.Since {
			s := &r.Since[i]
			row := SinceRow{Act: s.Act.ID, Kind: s.Act.Body.Kind(), Who: s.Act.Who, Said: instant(s.Act.When), From: instant(s.Act.From)}
			if s.Undid != nil {
				row.Undoes = s.Undid.ID
			}
			d.Since = append(d.Since, row)
		}
		return writeJSON(w, d)
	case CSV:
		return writeCSV(w, restatedRows(r))
	case PDF:
		return RestatedSheet(r, now, o).writePDF(w, o.Units, time.Unix(0, now.At).UTC().Truncate(time.Second))
	}
	return RestatedSheet(r, now, o).writeText(w)
}

func restatedRows(r *books.Restated) []RestatedRow {
	out := make([]RestatedRow, 0, len(r.Changes))
	for i := range r.Changes {
		c := &r.Changes[i]
		row := RestatedRow{Part: string(c.Part), Key: c.Key, Name: c.Name, Acts: strings.Join(c.Acts, " ")}
		if !c.New {
			l := &c.Was
			row.WasL, row.WasKg, row.WasCost = litres(l.Volume), exactKg(l.Sugars.All()), costOf(l.Cost, l.Unpriced)
			row.WasVisit, row.WasStand = whole(l.Visits), rounded(l.Colonies, 6)
		}
		if !c.Gone {
			l := &c.Is
			row.IsL, row.IsKg, row.IsCost = litres(l.Volume), exactKg(l.Sugars.All()), costOf(l.Cost, l.Unpriced)
			row.IsVisit, row.IsStand = whole(l.Visits), rounded(l.Colonies, 6)
		}
		out = append(out, row)
	}
	return out
}

// RestatedSheet is what is other in a statement than in the one issued, for
// people: each figure as both statements print it.
func RestatedSheet(r *books.Restated, now *books.Statement, o Options) *Sheet {
	x := &r.Issued
	s := &Sheet{Title: fmt.Sprintf("What changed since statement No %d", x.Number), Legal: legal,
		Under: []string{fmt.Sprintf("Issued on %s by %s, of %s (%s).", o.date(x.When), x.Who, o.dates(now.From, now.Until), o.zone())}}
	if x.Statement == nil {
		s.Notes = append(s.Notes, "The figures issued cannot be read: "+x.Why+".")
		return s
	}
	if x.Twice {
		s.Notes = append(s.Notes, fmt.Sprintf("Another statement has the number %d too: it was issued in another copy of the journal.", x.Number))
	}
	if x.Statement.From != now.From || x.Statement.To != now.To {
		s.Notes = append(s.Notes, fmt.Sprintf("The one issued is of %s: another time.", o.dates(x.Statement.From, x.Statement.To)))
	}
	t := SheetTable{Columns: append([]Column{{"", false}, {"", false}}, right("issued", "now", "change")...)}
	was, is := cellsOf(x.Statement, o), cellsOf(now, o)
	small := 0
	for i := range r.Changes {
		c := &r.Changes[i]
		rows := figuresOf(c, was, is, o)
		if len(rows) == 0 {
			small++
			continue
		}
		names := is
		l := c.Is
		if c.Gone {
			names, l = was, c.Was
		}
		name := names.name(&l)
		for k, row := range rows {
			if k > 0 {
				name = ""
			}
			t.Rows = append(t.Rows, SheetRow{PlainRow, append([]string{name}, row...)})
		}
	}
	if len(t.Rows) > 0 {
		s.Tables = append(s.Tables, t)
	}
	switch {
	case len(r.Changes) == 0:
		s.Notes = append(s.Notes, "Every line is what it was when it was issued.")
	case small > 0:
		s.Notes = append(s.Notes, fmt.Sprintf("%s changed by less than is printed.", upper(count(small, "line", "lines"))))
	}
	if len(t.Rows) > 0 {
		s.Notes = append(s.Notes, "Figures that are not here are the same, but for a last digit that makes the sums close.")
	}
	for i := range r.Since {
		s.Notes = append(s.Notes, o.saySince(r, &r.Since[i], is))
	}
	if len(r.Since) == 0 && len(r.Changes) > 0 {
		s.Notes = append(s.Notes, "Nothing was said since that could do it: readings came in later, or another version reckons otherwise.")
	}
	return s
}

// saySince says what was said since, and which lines it speaks of.
func (o Options) saySince(r *books.Restated, x *books.Since, c *statementCells) string {
	words := x.Act.Body.Kind()
	switch {
	case o.SayAct != nil:
		words = o.SayAct(&x.Act)
	case x.Undid != nil:
		words = "taken back: " + x.Undid.Body.Kind() + " (" + x.Undid.ID + ")"
	}
	s := fmt.Sprintf("Said since, on %s by %s: %s (%s).", o.date(x.Act.When), x.Act.Who, strings.TrimSuffix(words, "."), x.Act.ID)
	var about []string
	for i := range r.Changes {
		for _, id := range r.Changes[i].Acts {
			if id == x.Act.ID {
				l := r.Changes[i].Is
				if r.Changes[i].Gone {
					l = r.Changes[i].Was
				}
				about = append(about, c.name(&l))
			}
		}
	}
	if len(about) > 0 {
		s += " It speaks of: " + strings.Join(about, "; ") + "."
	}
	return s
}

// figuresOf are the figures of a line that print otherwise: what, as issued, now,
// change.
func figuresOf(c *books.Change, was, is *statementCells, o Options) (rows [][]string) {
	i, k := was.place(c), is.place(c)
	_, vol := o.Units.VolumeParts(0)
	_, lb := massUnit(o.Units)
	// Rounding that makes sums close may move a digit of what did not change.
	add := func(what string, exact, old, new, per int64) {
		if old == new || exact == 0 {
			return
		}
		d := Fixed(new-old, per)
		if new > old {
			d = "+" + d
		}
		a, b := Fixed(old, per), Fixed(new, per)
		if i < 0 {
			a = "–"
		}
		if k < 0 {
			b = "–"
		}
		rows = append(rows, []string{what, a, b, d})
	}
	cell := func(cells []int64, at int) int64 {
		if at < 0 {
			return 0
		}
		return cells[at]
	}
	add(vol, int64(c.Is.Volume-c.Was.Volume), cell(was.volume.line, i), cell(is.volume.line, k), tenth)
	for kind := range (books.Sugars{}) {
		name := kindWords[kind] + " " + lb
		if len(was.kinds) < 2 && len(is.kinds) < 2 && kind == 0 {
			name = "sugar " + lb
		}
		add(name, int64(c.Is.Sugars[kind]-c.Was.Sugars[kind]), was.kindCell(kind, i), is.kindCell(kind, k), tenth)
	}
	cost := strings.TrimSpace("cost " + o.Currency)
	add(cost, int64(c.Is.Cost-c.Was.Cost), cell(was.cost.line, i), cell(is.cost.line, k), 100)
	whole := func(what string, old, new int) {
		if old != new {
			rows = append(rows, []string{what, strconv.Itoa(old), strconv.Itoa(new), fmt.Sprintf("%+d", new-old)})
		}
	}
	whole("visits", c.Was.Visits, c.Is.Visits)
	whole("fills", c.Was.Fills, c.Is.Fills)
	if c.Was.Colonies != c.Is.Colonies {
		rows = append(rows, []string{"colonies", plain(c.Was.Colonies, 1), plain(c.Is.Colonies, 1), signed(c.Is.Colonies-c.Was.Colonies, 1)})
	}
	if c.Was.Meant != c.Is.Meant {
		add("meant for a colony, "+vol, int64(c.Is.Meant-c.Was.Meant), nearest(unitOf(o.Units), 100, int64(c.Was.Meant)), nearest(unitOf(o.Units), 100, int64(c.Is.Meant)), 100)
	}
	unknown := func(v quantity.Volume) int64 { return nearest(unitOf(o.Units), tenth, int64(v)) }
	add("of unknown Brix, "+vol, int64(c.Is.Unknown-c.Was.Unknown), unknown(c.Was.Unknown), unknown(c.Is.Unknown), tenth)
	unit, _ := massUnit(o.Units)
	priceless := func(m mix.Micrograms) int64 { return nearest(unit, tenth, int64(m)) }
	add("without a price, "+lb, int64(c.Is.Unpriced-c.Was.Unpriced), priceless(c.Was.Unpriced), priceless(c.Is.Unpriced), tenth)
	return rows
}

// place is where a changed line stands in a statement; -1: nowhere.
func (c *statementCells) place(x *books.Change) int {
	for i := range c.lines {
		if c.lines[i].Part == x.Part && c.lines[i].Key == x.Key {
			return i
		}
	}
	return -1
}

// kindCell is the printed solids of a kind on a line.
func (c *statementCells) kindCell(kind, line int) int64 {
	for i, k := range c.kinds {
		if k == kind && line >= 0 {
			return c.kg[i].line[line]
		}
	}
	return 0
}
