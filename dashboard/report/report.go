// Package report prints what the ledger derived: fills, yards and tote, as a
// table for people, as JSON and as CSV for programs; statement and balance of the
// season also as PDF for paper.
//
// # For programs
//
// Fields keep their names and meanings; new ones may be added. Instants are
// RFC 3339 in UTC, or null where there is none. The name of a field carries
// its SI unit: volume_l is litres, flow_l_per_min litres a minute, syrup_c
// degrees Celsius, level_m metres, duration_s seconds. Numbers are numbers,
// not strings, and null where they are not known. Volumes are exact to the
// nanolitre, so the sums close exactly. A CSV has the columns of the JSON rows,
// under a header line, with nothing in a cell where the JSON has null; it has
// no sum line, so that adding up a column counts nothing twice.
//
// # For people
//
// Tables are in the person's units. Volumes are rounded in such a way that the
// lines printed add up to the sum printed; a line is within one unit of its
// last digit. Fills stand under their visit and have the numbers by which
// corrections know them: their order of start in their night, as
// ledger.View.NightOn has it. What the account of an outing knows is said in
// sentences below the table; SayVisit, SayUnsure, SayLoose, SayChange, SayDoubt and
// SayLeft make them for pages as well.
package report

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/books"
	"yardtally/meter/ledger"
)

// Format is a form of a report.
type Format uint8

// The forms of a report.
const (
	Table Format = iota // for people
	JSON                // one object
	CSV                 // a header line, then a line a row
	PDF                 // on paper: statement and balance only
)

// Options say what a report covers and how it is printed.
type Options struct {
	Format Format
	Units  quantity.System // of the table; JSON and CSV are SI
	Zone   *time.Location  // of the table's times; nil is UTC
	From   int64           // Unix ns; flow that started at or after it; 0: from the first
	To     int64           // Unix ns; and before it; 0: to the last
	Now    int64           // Unix ns; what is due is judged by it; 0: the newest record
	Visits bool            // Yards as CSV: a line a visit, not a yard

	// Of statement and balance.
	Page     bool                  // it is asked for on a page: words name pages, not commands
	Currency string                // the house's, such as "$"
	Colonies bool                  // Statement as CSV: a line a numbered colony, not a line of it
	Issued   *books.Issued         // it was issued, as this; nil: it was not
	SayAct   func(*act.Act) string // of Restated: what was said, in words; nil: its kind and id

	evening time.Time // of the night that From to To is; zero: it is none
}

// LegalNote stands under every report and page.
const LegalNote = "Readings are not legal for trade."

// span returns the bounds with zero made into "no bound".
func (o Options) span() (from, to int64) {
	from, to = o.From, o.To
	if from == 0 {
		from = math.MinInt64
	}
	if to == 0 {
		to = math.MaxInt64
	}
	return from, to
}

func (o Options) zone() *time.Location {
	if o.Zone == nil {
		return time.UTC
	}
	return o.Zone
}

// over returns the options for a view: with the night that the stretch is.
func (o Options) over(v *ledger.View) Options {
	if o.From == 0 || o.To == 0 {
		return o
	}
	if from, to := v.NightAt(o.From, o.zone()); from == o.From && to == o.To {
		o.evening = v.Evening(o.From, o.zone())
	}
	return o
}

// oneNight reports whether the time of day tells every instant of the stretch apart.
func (o Options) oneNight() bool {
	return !o.evening.IsZero() || o.From != 0 && o.To != 0 && o.To-o.From <= 25*int64(time.Hour)
}

// clock returns an instant as the table shows it: with its date where the
// report covers more than one night, or it is outside the stretch.
func (o Options) clock(at int64) string {
	form := "2006-01-02 15:04:05"
	if o.oneNight() && at >= o.From && at < o.To {
		form = "15:04:05"
	}
	return time.Unix(0, at).In(o.zone()).Format(form)
}

// minute is clock to the minute.
func (o Options) minute(at int64) string { return o.clock(at)[:len(o.clock(at))-len(":05")] }

// between is a stretch of time, to the minute.
func (o Options) between(from, to int64) string {
	a, b := o.minute(from), o.minute(to)
	if a == b {
		return a
	}
	return a + " to " + b
}

// title returns the table's first line.
func (o Options) title(what string, v *ledger.View) string {
	s := what
	if v.Rig != "" {
		s += " of " + v.Rig
	}
	day := func(at int64) string { return time.Unix(0, at).In(o.zone()).Format("2 Jan 2006 15:04") }
	switch {
	case !o.evening.IsZero():
		s += ", night of " + o.evening.Format("2 Jan 2006")
	case o.From != 0 && o.To != 0:
		s += ", " + day(o.From) + " to " + day(o.To)
	case o.From != 0:
		s += ", from " + day(o.From)
	case o.To != 0:
		s += ", up to " + day(o.To)
	}
	return s + " (" + o.zone().String() + ")"
}

// number is a decimal number as JSON and CSV print it; "" is not known.
type number string

// MarshalJSON implements json.Marshaler.
func (n number) MarshalJSON() ([]byte, error) {
	if n == "" {
		return []byte("null"), nil
	}
	return []byte(n), nil
}

// litres returns v in L, exactly.
func litres(v quantity.Volume) number {
	u, sign := uint64(v), ""
	if v < 0 {
		u, sign = -u, "-"
	}
	s := fmt.Sprintf("%s%d.%09d", sign, u/1e9, u%1e9)
	return number(strings.TrimRight(strings.TrimRight(s, "0"), "."))
}

// rounded returns x with at most so many decimals, and "" where it is no number.
func rounded(x float64, decimals int) number {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return number(s)
}

// instant is Unix ns; 0 is none.
type instant int64

func (t instant) text() string {
	if t == 0 {
		return ""
	}
	return time.Unix(0, int64(t)).UTC().Format(time.RFC3339Nano)
}

// MarshalJSON implements json.Marshaler.
func (t instant) MarshalJSON() ([]byte, error) {
	if t == 0 {
		return []byte("null"), nil
	}
	return json.Marshal(t.text())
}

// writeJSON writes one object, indented, with names such as "A & B" as they are.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// writeCSV writes rows of one struct type under the names of its JSON fields.
func writeCSV[R any](w io.Writer, rows []R) error {
	c := csv.NewWriter(w)
	t := reflect.TypeFor[R]()
	line := make([]string, t.NumField())
	for i := range line {
		line[i], _, _ = strings.Cut(t.Field(i).Tag.Get("json"), ",")
	}
	if err := c.Write(line); err != nil {
		return err
	}
	for _, r := range rows {
		v := reflect.ValueOf(r)
		for i := range line {
			switch x := v.Field(i).Interface().(type) {
			case instant:
				line[i] = x.text()
			default:
				line[i] = fmt.Sprint(x)
			}
		}
		if err := c.Write(line); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// Closing rounds volumes to 1/per of the system's unit (L or US gal) in such a
// way that the cells add up to sum, and sum is the true sum rounded to the
// nearest. Each cell is within one step of its volume: the largest remainders
// are rounded up.
func Closing(s quantity.System, per int64, vs []quantity.Volume) (cells []int64, sum int64) {
	var total quantity.Volume
	for _, v := range vs {
		total += v
	}
	sum = nearest(unitOf(s), per, int64(total))
	return ClosingTo(s, per, vs, sum), sum
}

// ClosingTo is Closing with a sum that was rounded elsewhere, up or down.
func ClosingTo(s quantity.System, per int64, vs []quantity.Volume, sum int64) (cells []int64) {
	ints := make([]int64, len(vs))
	for i, v := range vs {
		ints[i] = int64(v)
	}
	return closingTo(unitOf(s), per, ints, sum)
}

// closingTo rounds amounts to 1/per of a unit so that the cells add up to sum,
// each within one step of its amount.
func closingTo(unit, per int64, vs []int64, sum int64) (cells []int64) {
	cells = make([]int64, len(vs))
	rest := make([]int64, len(vs))
	order := make([]int, len(vs))
	for i, v := range vs {
		cells[i], rest[i] = floorDiv(v, unit, per)
		sum -= cells[i]
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return rest[order[a]] > rest[order[b]] })
	for _, i := range order[:min(max(sum, 0), int64(len(order)))] {
		cells[i]++
	}
	return cells
}

// nearest is an amount in 1/per of a unit, rounded to the nearest, halves up.
func nearest(unit, per, v int64) int64 {
	n, rest := floorDiv(v, unit, per)
	if rest >= unit-rest {
		n++
	}
	return n
}

func unitOf(s quantity.System) int64 {
	if s == quantity.US {
		return int64(quantity.USGallon)
	}
	return int64(quantity.Litre)
}

// floorDiv returns the floor of v·per/unit and the remainder of it, in
// 1/unit of a step. v/unit is split off first, so that v·per cannot overflow.
func floorDiv(v, unit, per int64) (q, r int64) {
	whole, part := v/unit, v%unit
	if part < 0 {
		whole, part = whole-1, part+unit
	}
	return whole*per + part*per/unit, part * per % unit
}

// Fixed prints n hundredths (per = 100) or tenths (per = 10), with commas
// between thousands.
func Fixed(n, per int64) string {
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	whole := strconv.FormatInt(n/per, 10)
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	return fmt.Sprintf("%s%s.%0*d", sign, whole, len(strconv.FormatInt(per, 10))-1, n%per)
}

// grid is a table of text. Columns whose heading starts with ">" stand to the
// right; those whose heading is "?" and more are left out where no row has
// anything there.
type grid struct {
	head  []string
	rows  [][]string
	words bool // a line under the columns is short where they are of words
}

func (g *grid) add(cells ...string) { g.rows = append(g.rows, cells) }

// rule is a row drawn as a line under the columns.
func (g *grid) rule() { g.rows = append(g.rows, nil) }

// across is a row of one text from the left edge on, over all columns.
func (g *grid) across(text string) { g.rows = append(g.rows, []string{text}) }

// drop leaves out the columns that nothing stands in.
func (g *grid) drop() {
	for c := len(g.head) - 1; c >= 0; c-- {
		head, can := strings.CutPrefix(g.head[c], "?")
		if !can {
			continue
		}
		g.head[c] = head
		if slices.ContainsFunc(g.rows, func(r []string) bool { return len(r) > 1 && r[c] != "" }) {
			continue
		}
		g.head = slices.Delete(g.head, c, c+1)
		for i, r := range g.rows {
			if len(r) > 1 {
				g.rows[i] = slices.Delete(r, c, c+1)
			}
		}
	}
}

// table is the grid for a page, whose rows all have a cell a column.
func (g *grid) table() *Figures {
	g.drop()
	t := &Figures{Rows: g.rows}
	for _, h := range g.head {
		name, right := strings.CutPrefix(h, ">")
		t.Columns = append(t.Columns, Column{name, right})
	}
	return t
}

// longRule is how long a line under a column of words is at most.
const longRule = 20

func (g *grid) write(w io.Writer) error {
	g.drop()
	width := make([]int, len(g.head))
	right := make([]bool, len(g.head))
	head := make([]string, len(g.head))
	for i, h := range g.head {
		head[i], right[i] = strings.CutPrefix(h, ">")
		width[i] = utf8.RuneCountInString(head[i])
	}
	for _, r := range g.rows {
		if len(r) == 1 {
			continue
		}
		for i, c := range r {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	var b strings.Builder
	line := func(cells []string) {
		var l strings.Builder
		for i := range g.head {
			c := strings.Repeat("-", width[i])
			switch {
			case cells != nil:
				c = cells[i]
			case g.words && !right[i]:
				c = c[:min(len(c), longRule)]
			}
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if right[i] {
				l.WriteString(pad + c + "  ")
			} else {
				l.WriteString(c + pad + "  ")
			}
		}
		b.WriteString(strings.TrimRight(l.String(), " ") + "\n")
	}
	line(head)
	for _, r := range g.rows {
		if len(r) == 1 {
			b.WriteString(r[0] + "\n")
			continue
		}
		line(r)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// names returns the yards' names by ID; what has no yard is "no yard known".
func names(v *ledger.View) map[string]string {
	m := map[string]string{"": NoYard}
	for i := range v.Yards {
		if n := v.Yards[i].Name; n != "" && v.Yards[i].ID != "" {
			m[v.Yards[i].ID] = n
		}
	}
	return m
}

// NoYard is the name of what no yard can be named for.
const NoYard = "no yard known"

func nameOf(m map[string]string, yard string) string {
	if n, ok := m[yard]; ok {
		return n
	}
	return yard
}

// units returns the names of the units of a column: volume, flow, temperature.
func units(s quantity.System) (vol, flow, temp string) {
	_, vol = s.VolumeParts(0)
	_, flow = s.FlowParts(0)
	_, temp = s.TemperatureParts(0)
	return vol, flow, temp
}

// gapRow is a stretch for which the counter told nothing.
type gapRow struct {
	Start   instant `json:"start"`
	End     instant `json:"end"`
	KnownL  number  `json:"known_l"`  // flowed meanwhile by the running count; also in a row of flow
	HiddenL number  `json:"hidden_l"` // the most that can have flowed besides, uncounted
	Reason  string  `json:"reason"`
}

// gapsIn returns the gaps that touch the report's stretch.
func gapsIn(v *ledger.View, o Options) []ledger.Gap {
	from, to := o.span()
	var out []ledger.Gap
	for _, g := range v.Gaps {
		if g.End >= from && g.Start < to {
			out = append(out, g)
		}
	}
	return out
}

func gapRows(gs []ledger.Gap) []gapRow {
	out := make([]gapRow, 0, len(gs))
	for _, g := range gs {
		out = append(out, gapRow{instant(g.Start), instant(g.End), litres(g.Known), litres(g.Hidden), g.Why})
	}
	return out
}

// SayGap puts a gap in words.
func SayGap(g *ledger.Gap, s quantity.System, clock func(int64) string) string {
	return fmt.Sprintf("Gap from %s to %s (%s): the count shows %s, and at most %s more can have flowed unseen.",
		clock(g.Start), clock(g.End), g.Why, s.Volume(g.Known), s.Volume(g.Hidden))
}

// foot writes what stands under every table: gaps and the note.
func foot(w io.Writer, v *ledger.View, o Options) error {
	var b strings.Builder
	for _, g := range gapsIn(v, o) {
		b.WriteString(SayGap(&g, o.Units, o.clock) + "\n")
	}
	if v.PulseVolume == 0 && v.Records > 0 {
		b.WriteString("No proving yet: what a pulse is worth is not known, so no volume is.\n")
	}
	b.WriteString(LegalNote + "\n")
	_, err := io.WriteString(w, b.String())
	return err
}
