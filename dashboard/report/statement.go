package report

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/books"
)

// RecordNote stands under every statement and balance, after LegalNote.
const RecordNote = "The supplier's ticket stays the record of purchase."

var legal = []string{LegalNote + " " + RecordNote}

// tenth is how far statements are rounded.
const tenth = 10

// Statement writes a statement. The error is the writer's.
func Statement(w io.Writer, st *books.Statement, o Options) error {
	switch o.Format {
	case JSON:
		return writeJSON(w, statementJSON(st, o))
	case CSV:
		if o.Colonies {
			return writeCSV(w, servedRows(st))
		}
		return writeCSV(w, statementRows(st))
	case PDF:
		return StatementSheet(st, o, true).writePDF(w, o.Units, o.dated(st), StatementSheet(st, o, false))
	}
	return StatementSheet(st, o, false).writeText(w)
}

// dated is the date in the file of a statement: when it was issued, else what
// it rests on.
func (o Options) dated(st *books.Statement) time.Time {
	if o.Issued != nil {
		return time.Unix(0, o.Issued.When).UTC().Truncate(time.Second)
	}
	return time.Unix(0, st.At).UTC().Truncate(time.Second)
}

// date is a day for people.
func (o Options) date(at int64) string { return time.Unix(0, at).In(o.zone()).Format("2 Jan 2006") }

// dates says from which day to which, the last being the one before a night ends.
func (o Options) dates(from, to int64) string {
	a, b := o.date(from), o.date(to-int64(6*time.Hour))
	switch {
	case a == b:
		return a
	case a[len(a)-4:] == b[len(b)-4:]:
		a = a[:len(a)-5]
	}
	return a + " to " + b
}

// never reports whether nothing is of any night: then the newest of all is of the
// beginning of Unix time.
func never(until int64) bool { return until < int64(366*24*time.Hour) }

// money is an amount in hundredths of the currency, with its sign.
func (o Options) money(cells int64) string {
	s := Fixed(cells, 100)
	switch {
	case o.Currency == "":
		return s
	case len([]rune(o.Currency)) == 1:
		if t, ok := strings.CutPrefix(s, "-"); ok {
			return "-" + o.Currency + t
		}
		return o.Currency + s
	}
	return s + " " + o.Currency
}

// massUnit is what masses are rounded in, micrograms, and its name. The pound
// is exact to the tenth of a microgram that is left out here: 2e-10 of it.
func massUnit(u quantity.System) (int64, string) {
	if u == quantity.US {
		return 453_592_370, "lb"
	}
	return 1_000_000_000, "kg"
}

// kindWords names the solids of a kind for people.
var kindWords = [...]string{syrup.Sucrose: "sucrose", syrup.Invert: "invert", syrup.HFCS42: "HFCS-42", syrup.HFCS55: "HFCS-55"}

// goodsWords names goods for people.
func goodsWords(kind string) string {
	if kind, rig, ok := strings.Cut(kind, " of "); ok { // of a store that was a rig's own
		return act.Own(goodsWords(kind), rig)
	}
	switch kind {
	case "hfcs-42":
		return "HFCS-42"
	case "hfcs-55":
		return "HFCS-55"
	case "invert":
		return "invert syrup"
	}
	return kind
}

func toteWords(name string) string {
	switch {
	case name == "":
		return "the tote"
	case strings.HasPrefix(name, act.OnRig("")):
		return "the tote on " + name[1:]
	case strings.HasPrefix(strings.ToLower(name), "tote"):
		return name
	}
	return "tote " + name
}

// byWords say how stock is known.
var byWords = map[string]string{books.ByCount: "counted", books.CountedThen: "counted", books.ByBooks: "books", books.BySaid: "seen", books.ByLevel: "level"}

// lineWords names a line for people.
func lineWords(l *books.Line) string {
	by := ""
	if w := byWords[l.By]; w != "" {
		by = " (" + w + ")"
	}
	switch l.Part {
	case books.CameIn:
		switch {
		case strings.HasPrefix(l.Key, "bought "):
			return "bought, " + goodsWords(l.Name)
		case strings.HasPrefix(l.Key, "tote "):
			return "opening, " + toteWords(l.Name) + by
		}
		if l.By == books.ByCount {
			by = ""
		}
		return "opening stock, " + goodsWords(l.Name) + by
	case books.NoYard:
		return NoYard
	case books.ByHand:
		return goodsWords(l.Name) + " by hand, " + l.Yard
	case books.Lost:
		return l.Name
	case books.InTotes:
		return "in " + toteWords(l.Name) + by
	case books.InStore:
		return "in store, " + goodsWords(l.Name) + by
	case books.Unaccounted:
		if l.Key == "" {
			return "unaccounted for"
		}
	}
	return l.Name
}

// partHeads stand over the parts of the account.
var partHeads = map[books.Part]string{
	books.CameIn:    "Came in",
	books.ToYards:   "Fed through the meter",
	books.Elsewhere: "Elsewhere through the meter",
	books.ByHand:    "Past the meter",
	books.InTotes:   "Left",

	books.Unaccounted: "Does it add up",
}

// partGroups are the parts that stand together and are summed together, in their
// order; the first is what the others add up to.
var partGroups = [][]books.Part{
	{books.CameIn},
	{books.ToYards, books.NoYard},
	{books.Elsewhere},
	{books.ByHand, books.Lost},
	{books.InTotes, books.InStore},
	{books.Unaccounted},
}

const (
	groupIn = iota
	groupFed
	groupElsewhere
	groupPast
	groupLeft
	groupUnaccounted
)

// amounts are cells of one quantity: of the lines, and of the groups.
type amounts struct {
	line  []int64
	group [groupUnaccounted + 1]int64
}

// closed rounds one quantity so that lines make up their groups and the groups
// what came in.
func closed(lines []books.Line, in []int, booked bool, unit, per int64, of func(*books.Line) int64) amounts {
	a := amounts{line: make([]int64, len(lines))}
	var exact [groupUnaccounted + 1]int64
	for i := range lines {
		exact[in[i]] += of(&lines[i])
	}
	out := exact[groupFed:]
	whole := exact[groupIn]
	if !booked {
		whole = exact[groupFed] + exact[groupElsewhere]
	}
	a.group[groupIn] = nearest(unit, per, whole)
	copy(a.group[groupFed:], closingTo(unit, per, out, a.group[groupIn]))
	for g := range a.group {
		var vs []int64
		var at []int
		for i := range lines {
			if in[i] == g {
				vs, at = append(vs, of(&lines[i])), append(at, i)
			}
		}
		for k, c := range closingTo(unit, per, vs, a.group[g]) {
			a.line[at[k]] = c
		}
	}
	return a
}

// statementCells is a statement in printed digits.
type statementCells struct {
	st     *books.Statement
	o      Options
	lines  []books.Line
	in     []int // group of each line
	kinds  []int // kinds of which there is any, by syrup.Kind
	volume amounts
	kg     []amounts // by kinds
	cost   amounts
	priced bool // anything has a price
}

func cellsOf(st *books.Statement, o Options) *statementCells {
	c := &statementCells{st: st, o: o, lines: st.Lines, in: make([]int, len(st.Lines))}
	for i := range c.lines {
		for g, parts := range partGroups {
			for _, p := range parts {
				if c.lines[i].Part == p {
					c.in[i] = g
				}
			}
		}
	}
	for k := range (books.Sugars{}) {
		for i := range c.lines {
			if c.lines[i].Sugars[k] != 0 {
				c.kinds = append(c.kinds, k)
				break
			}
		}
	}
	unit, _ := massUnit(o.Units)
	for _, k := range c.kinds {
		c.kg = append(c.kg, closed(c.lines, c.in, st.Booked, unit, tenth, func(l *books.Line) int64 { return int64(l.Sugars[k]) }))
	}
	// Of volumes only what went through the meter is a sum.
	c.volume = closed(c.lines, c.in, false, unitOf(o.Units), tenth, func(l *books.Line) int64 {
		switch l.Part {
		case books.ToYards, books.NoYard, books.Elsewhere:
			return int64(l.Volume)
		}
		return 0
	})
	for i := range c.lines {
		if g := c.in[i]; g != groupFed && g != groupElsewhere {
			c.volume.line[i] = nearest(unitOf(o.Units), tenth, int64(c.lines[i].Volume))
		}
		c.priced = c.priced || c.lines[i].Cost != 0
	}
	c.cost = closed(c.lines, c.in, st.Booked, 1_000_000, 100, func(l *books.Line) int64 { return int64(l.Cost) })
	return c
}

// solids are the printed kilograms of a line, of each kind and together.
func (c *statementCells) solids(of func(*amounts) int64) (cells []string) {
	var sum int64
	for i := range c.kg {
		n := of(&c.kg[i])
		sum += n
		if n == 0 && len(c.kg) > 1 {
			cells = append(cells, "")
			continue
		}
		cells = append(cells, Fixed(n, tenth))
	}
	if len(c.kg) > 1 {
		cells = append(cells, Fixed(sum, tenth))
	}
	return cells
}

// upTo is half an interval, rounded up so that it never promises too much; ""
// where it is not known.
func upTo(unit, per, v int64) string {
	if v <= 0 {
		return ""
	}
	n, rest := floorDiv(v, unit, per)
	if rest > 0 {
		n++
	}
	return Fixed(n, per)
}

// costCell is a cost, marked where some of it has no price, and "–" where none
// has.
func (c *statementCells) costCell(cost int64, unpriced mix.Micrograms, all mix.Micrograms) string {
	switch {
	case !c.priced, cost == 0 && unpriced == 0:
		return ""
	case unpriced == 0:
		return Fixed(cost, 100)
	case cost == 0 || all != 0 && unpriced == all:
		return "–"
	}
	return "*" + Fixed(cost, 100)
}

// perColony is a colony's share of an amount of a line.
func perColony(l *books.Line, v int64) int64 {
	if l.Colonies == 0 {
		return 0
	}
	return int64(math.Round(float64(v) / l.Colonies))
}

// StatementSheet is a statement for people. wide puts what a colony got on the
// yards' lines, as on paper; else it is a table of its own.
func StatementSheet(st *books.Statement, o Options, wide bool) *Sheet {
	c := cellsOf(st, o)
	s := &Sheet{Title: "Statement of the season", Legal: legal}
	if o.Issued != nil {
		s.Title = fmt.Sprintf("Statement No %d", o.Issued.Number)
		if o.Issued.Title != "" {
			s.Title += ": " + o.Issued.Title
		}
	}
	rig := st.Rig
	if rig == "" {
		rig = "the rig"
	}
	if never(st.Until) {
		s.Under = append(s.Under, fmt.Sprintf("Sugar fed by %s: nothing is booked or metered yet.", rig))
	} else {
		s.Under = append(s.Under, fmt.Sprintf("Sugar fed by %s, %s, %s (%s).", rig, o.dates(st.From, st.Until), count(st.Nights, "night", "nights"), o.zone()))
	}
	if o.Issued != nil {
		s.Under = append(s.Under, fmt.Sprintf("Issued on %s by %s. These are the figures as issued.", o.date(o.Issued.When), o.Issued.Who))
	}
	main := c.table(wide)
	s.Tables = append(s.Tables, main)
	if !wide {
		if t := c.colonyTable(); len(t.Rows) > 0 {
			s.Tables = append(s.Tables, t)
		}
	}
	s.Notes = c.notes()
	return s
}

// right is columns of numbers.
func right(names ...string) (out []Column) {
	for _, n := range names {
		out = append(out, Column{n, true})
	}
	return out
}

// table is the account.
func (c *statementCells) table(wide bool) SheetTable {
	o, st := c.o, c.st
	_, vol := o.Units.VolumeParts(0)
	unit, lb := massUnit(o.Units)
	t := SheetTable{Columns: []Column{{"", false}}}
	if wide {
		t.Columns = append(t.Columns, right("visits", "colo-\nnies")...)
	}
	t.Columns = append(t.Columns, right(vol, "±")...)
	for _, k := range c.kinds {
		name := kindWords[k]
		switch {
		case len(c.kinds) > 1:
		case k == int(syrup.Sucrose):
			name = "sugar\n" + lb
		default:
			name += "\n" + lb
		}
		t.Columns = append(t.Columns, right(name)...)
	}
	if len(c.kinds) > 1 {
		t.Columns = append(t.Columns, right("sugar\n"+lb)...)
	}
	t.Columns = append(t.Columns, right("±", strings.TrimSpace("cost\n"+o.Currency))...)
	if wide {
		t.Columns = append(t.Columns, right("a colony\n"+vol, "meant\n"+vol, "of\nmeant", "a colony\n"+lb, strings.TrimSpace("a colony\n"+o.Currency))...)
	}
	row := func(is RowIs, name, visits, colonies, v, within string, kg []string, kgWithin, cost string, colony ...string) {
		cells := []string{name}
		if wide {
			cells = append(cells, visits, colonies)
		}
		cells = append(cells, v, within)
		if len(c.kinds) > 0 {
			cells = append(cells, kg...)
		}
		cells = append(cells, kgWithin, cost)
		if wide {
			cells = append(cells, append(colony, make([]string, 5-len(colony))...)...)
		}
		t.Rows = append(t.Rows, SheetRow{is, cells})
	}
	blank := make([]string, len(c.solids(func(*amounts) int64 { return 0 })))
	var unpriced [groupUnaccounted + 1]mix.Micrograms
	for i := range c.lines {
		unpriced[c.in[i]] += c.lines[i].Unpriced
	}
	group := func(g int) func(*amounts) int64 { return func(a *amounts) int64 { return a.group[g] } }
	volume := func(n int64, l *books.Line) string {
		if l != nil && l.Volume == 0 && c.in[indexOf(c.lines, l)] != groupFed {
			return ""
		}
		return Fixed(n, tenth)
	}
	for g, parts := range partGroups {
		head := partHeads[parts[0]]
		some := false
		for i := range c.lines {
			l := &c.lines[i]
			if c.in[i] != g {
				continue
			}
			if !some {
				t.Rows = append(t.Rows, SheetRow{HeadRow, []string{head}})
				some = true
			}
			kg := c.solids(func(a *amounts) int64 { return a.line[i] })
			if l.Unknown != 0 && l.Sugars == (books.Sugars{}) {
				kg = append(blank[:0:0], blank...)
				for k := range kg {
					kg[k] = "–"
				}
			}
			visits, colonies := "", ""
			if l.Visits > 0 {
				visits = strconv.Itoa(l.Visits)
			}
			if l.Colonies > 0 {
				colonies = standing(l)
			}
			row(PlainRow, c.name(l), visits, colonies, volume(c.volume.line[i], l), upTo(unitOf(o.Units), tenth, int64(l.Within)),
				kg, upTo(unit, tenth, int64(l.SugarsWithin)), c.costCell(c.cost.line[i], l.Unpriced, l.Sugars.All()), c.each(l)...)
		}
		if !some {
			continue
		}
		switch g {
		case groupIn:
			row(SumRow, "came in", "", "", "", "", c.solids(group(g)), "", c.costCell(c.cost.group[g], unpriced[g], 0))
		case groupFed:
			row(SumRow, "fed through the meter", c.visits(), "", Fixed(c.volume.group[g], tenth), upTo(unitOf(o.Units), tenth, int64(st.Fed.Within)),
				c.solids(group(g)), upTo(unit, tenth, int64(st.Fed.SugarsWithin)), c.costCell(c.cost.group[g], unpriced[g], 0))
		case groupElsewhere:
			both := func(a *amounts) int64 { return a.group[groupFed] + a.group[groupElsewhere] }
			row(SumRow, "all through the meter", "", "", Fixed(both(&c.volume), tenth), upTo(unitOf(o.Units), tenth, int64(st.Metered.Within)),
				c.solids(both), upTo(unit, tenth, int64(st.Metered.SugarsWithin)), c.costCell(both(&c.cost), unpriced[groupFed]+unpriced[g], 0))
		}
	}
	if st.Booked {
		row(SumRow, "sum, what came in", "", "", "", "", c.solids(func(a *amounts) int64 {
			sum := int64(0)
			for _, n := range a.group[groupFed:] {
				sum += n
			}
			return sum
		}), "", c.costCell(sumOfGroups(c.cost.group[groupFed:]), unpriced[groupIn], 0))
	}
	t.drop()
	return t
}

func sumOfGroups(g []int64) (sum int64) {
	for _, n := range g {
		sum += n
	}
	return sum
}

func indexOf(lines []books.Line, l *books.Line) int {
	for i := range lines {
		if &lines[i] == l {
			return i
		}
	}
	return -1
}

// name is a line's name, yards by theirs.
func (c *statementCells) name(l *books.Line) string {
	x := *l
	if x.Part == books.ByHand {
		x.Yard = c.yard(x.Yard)
	}
	return lineWords(&x)
}

// yard is a yard's name.
func (c *statementCells) yard(id string) string {
	if n := c.st.YardNames[id]; n != "" {
		return n
	}
	return id
}

func (c *statementCells) visits() string {
	n := 0
	for i := range c.lines {
		n += c.lines[i].Visits
	}
	return strconv.Itoa(n)
}

// standing is how many colonies stood in a yard.
func standing(l *books.Line) string {
	if l.FewestMost[0] != l.FewestMost[1] {
		return fmt.Sprintf("%d–%d", l.FewestMost[0], l.FewestMost[1])
	}
	return plain(l.Colonies, 0)
}

// each is what a colony got in the mean: volume, what was meant, how much of it
// that is, solids and cost.
func (c *statementCells) each(l *books.Line) []string {
	if l.Part != books.ToYards || l.Colonies == 0 {
		return nil
	}
	unit, _ := massUnit(c.o.Units)
	out := []string{Fixed(nearest(unitOf(c.o.Units), 100, perColony(l, int64(l.Volume))), 100), "", "", "",
		c.costCell(nearest(1_000_000, 100, perColony(l, int64(l.Cost))), l.Unpriced, l.Sugars.All())}
	if l.Meant > 0 {
		out[1] = Fixed(nearest(unitOf(c.o.Units), 100, int64(l.Meant)), 100)
		out[2] = plain(100*float64(perColony(l, int64(l.Volume)))/float64(l.Meant), 0) + " %"
	}
	if l.Unknown == 0 {
		out[3] = Fixed(nearest(unit, 100, perColony(l, int64(l.Sugars.All()))), 100)
	}
	return out
}

// colonyTable is what a colony got, yard by yard.
func (c *statementCells) colonyTable() SheetTable {
	_, vol := c.o.Units.VolumeParts(0)
	_, lb := massUnit(c.o.Units)
	t := SheetTable{Head: "A colony got, in the mean", Columns: append([]Column{{"", false}},
		right("visits", "colonies", vol, "meant", "of meant", "sugar "+lb, strings.TrimSpace("cost "+c.o.Currency))...)}
	for i := range c.lines {
		l := &c.lines[i]
		each := c.each(l)
		if l.Part != books.ToYards {
			continue
		}
		row := []string{l.Name, strconv.Itoa(l.Visits), "", "", "", "", "", ""}
		if each != nil {
			copy(row[2:], append([]string{standing(l)}, each...))
		}
		t.Rows = append(t.Rows, SheetRow{PlainRow, row})
	}
	t.drop()
	return t
}

// notes are what is to be said of a statement.
func (c *statementCells) notes() (out []string) {
	st, o := c.st, c.o
	unit, lb := massUnit(o.Units)
	mass := func(m mix.Micrograms) string { return Fixed(nearest(unit, tenth, int64(m)), tenth) + " " + lb }
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	for i := range c.lines {
		l := &c.lines[i]
		switch {
		case l.Part == books.Unaccounted && l.Key != "":
		case l.Part == books.Unaccounted:
			all := l.Sugars.All()
			within := upTo(unit, tenth, int64(l.SugarsWithin)) + " " + lb
			what := "less was found than came in"
			if all < 0 {
				all, what = -all, "more was found than came in"
			}
			switch {
			case !st.Weighed:
				say("Unaccounted for: %s, %s. How sure that is, only a balance can say.", mass(all), what)
			case all <= l.SugarsWithin:
				say("Unaccounted for: %s ±%s, so it adds up as far as can be told.", mass(l.Sugars.All()), within)
			default:
				say("Unaccounted for: %s ±%s, %s.", mass(all), within, what)
			}
			if st.Doubted {
				say("Figures are further off than they should be: %s says what would explain it.", o.named("balance", "“Does it add up?”"))
			}
		case l.Unknown != 0:
			say("%s: the sugar in %s is not known, no batch was said.", upper(c.name(l)), o.Units.Volume(l.Unknown))
		}
		if l.Doubt > 0 {
			say("%s: %s may be something else than it is taken for; %s says which.", c.name(l), o.Units.Volume(l.Doubt), o.named("fills", "each night’s list of fills"))
		}
		if l.Part == books.ToYards && l.Visits > 0 && l.Colonies == 0 {
			say("%s: how many colonies stand there was not said.", l.Name)
		} else if l.FewestMost[0] != l.FewestMost[1] {
			say("%s: %d to %d colonies over the visits; a colony's share is reckoned with %s.", l.Name, l.FewestMost[0], l.FewestMost[1], plain(l.Colonies, 1))
		}
	}
	var prices []string
	for _, p := range st.Prices {
		per, name := p.PerKg, goodsWords(p.Kind)
		if o.Units == quantity.US {
			per *= float64(quantity.Pound)
		}
		if p.PerKg > 0 {
			prices = append(prices, fmt.Sprintf("%s %s a %s", name, o.moneyOf(per), lb))
		}
		if p.Unpriced > 0 && p.PerKg > 0 {
			say("No price was said of %s of the %s that came in; it is reckoned like the rest.", mass(p.Unpriced), name)
		} else if p.Unpriced > 0 {
			say("No price was said of %s: what it cost is in no sum; * marks costs without it.", name)
		}
	}
	if len(prices) > 0 {
		say("Cost by the average price of dry sugar in store: %s.", strings.Join(prices, ", "))
	}
	if st.Fed.Within > 0 {
		say("± holds the truth 19 times in 20. What is common to all fills, as the proving and a batch's Brix are, does not average out in a sum.")
	}
	if st.Hidden > 0 {
		say("While the counter was not heard, at most %s more can have flowed unseen.", o.Units.Volume(st.Hidden))
	}
	if !st.Booked {
		say("Nothing was booked of what came in, so there is no balance.")
	}
	if st.Open {
		say("A fill was running.")
	}
	if st.Unsettled {
		say("The newest flow is not settled yet.")
	}
	return out
}

// named is what says more: a command or, on a page, what it is called there.
func (o Options) named(command, page string) string {
	if o.Page {
		return page
	}
	return strconv.Quote("yardtally " + command)
}

// moneyOf is a price with three figures or more.
func (o Options) moneyOf(x float64) string {
	if x < 10 {
		s := plain(x, 3)
		switch {
		case o.Currency == "":
			return s
		case len([]rune(o.Currency)) == 1:
			return o.Currency + s
		}
		return s + " " + o.Currency
	}
	return o.money(int64(math.Round(x * 100)))
}
