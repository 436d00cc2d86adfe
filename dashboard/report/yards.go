package report

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
)

// YardRow is what one yard took in the stretch.
type YardRow struct {
	Yard      string  `json:"yard"` // the yard's id; "" is what no yard is known for
	YardName  string  `json:"yard_name"`
	Colonies  number  `json:"colonies"` // null where not said
	Fills     int     `json:"fills"`    // those that are no top-ups
	FillsL    number  `json:"fills_l"`
	WithinL   number  `json:"fills_within_l"` // half the 95 % interval of fills_l
	OutsideL  number  `json:"outside_l"`      // flow outside fills while there
	TotalL    number  `json:"total_l"`        // fills_l + outside_l
	LeastL    number  `json:"least_l"`        // smallest fill, its top-ups with it; null where there is none
	MeanL     number  `json:"mean_l"`         // fills_l over fills, to the microlitre
	MostL     number  `json:"most_l"`
	IntendedL number  `json:"intended_l"` // for each colony; null where not said
	First     instant `json:"first"`      // start of the first flow
	Last      instant `json:"last"`       // end of the last
	Open      bool    `json:"open"`       // a fill was running when the report was made
	TopUps    int     `json:"top_ups"`    // their volume is in fills_l
	Visits    int     `json:"visits"`
	Short     int     `json:"short"`     // fills, top-ups with them, of clearly less than was meant, or than the rest
	SolidsKg  number  `json:"solids_kg"` // sugar in the fills; null where it is not known of each
}

// VisitRow is one visit to a yard.
type VisitRow struct {
	Visit     int     `json:"visit"` // from 1, in order of time in the stretch
	Yard      string  `json:"yard"`  // the yard's id; "" where none is known
	YardName  string  `json:"yard_name"`
	Reason    string  `json:"reason"` // of its first flow; as in "fills"
	From      instant `json:"from"`   // first flow or press
	To        instant `json:"to"`     // last
	Over      bool    `json:"over"`   // the rig has left
	Fills     int     `json:"fills"`  // those that are no top-ups; colonies served only where told, with skipped, dead, fed_twice and sharing
	TopUps    int     `json:"top_ups"`
	Colonies  number  `json:"colonies"` // standing there when it began; null where not said
	Skipped   int     `json:"skipped"`  // said to get none
	Dead      int     `json:"dead"`     // said on this visit to be no more
	Twice     int     `json:"fed_twice"`
	Sharing   int     `json:"sharing"`   // colonies beyond the first that shared a fill
	Missing   number  `json:"missing"`   // colonies that nothing accounts for; below 0: more fills than colonies; null where colonies is
	Numbered  bool    `json:"numbered"`  // the fills' colonies are sure
	FillsL    number  `json:"fills_l"`   // of fills and top-ups
	WithinL   number  `json:"within_l"`  // half the 95 % interval of fills_l
	OutsideL  number  `json:"outside_l"` // flow outside fills
	TotalL    number  `json:"total_l"`   // fills_l + outside_l
	MeantL    number  `json:"meant_l"`   // for each colony, as said or as is usual there; null where not known
	LeastL    number  `json:"least_l"`   // the smallest fill, its top-ups with it
	MeanL     number  `json:"mean_l"`    // fills_l over fills, to the microlitre
	MostL     number  `json:"most_l"`
	Uneven    number  `json:"uneven"`     // standard deviation of fills, each with its top-ups, over the mean; null for fewer than two
	Short     int     `json:"short"`      // as in yards
	Half      int     `json:"below_half"` // and those of less than half
	SolidsKg  number  `json:"solids_kg"`  // sugar in the fills; null where it is not known of each
	PositionL number  `json:"position_l"` // how much of fills_l is in its yard by position,
	MarkL     number  `json:"mark_l"`     // the button,
	TapL      number  `json:"tap_l"`      // a tap,
	HandL     number  `json:"hand_l"`     // or by hand
	Unsure    int     `json:"unsure"`     // of fills, those that may be none: "fills" says which
	Perhaps   int     `json:"perhaps"`    // fills there may be besides, in top_ups and outside_l
	DoubtL    number  `json:"doubt_l"`    // volume of what may, or may not, be in fills_l
	Told      bool    `json:"told"`       // a person said that every colony was fed in order, but for what was said
}

type yardsDoc struct {
	Report        string     `json:"report"` // "yards"
	Rig           string     `json:"rig"`
	From          instant    `json:"from"`
	To            instant    `json:"to"`
	At            instant    `json:"at"`
	Settled       instant    `json:"settled"`
	LegalForTrade bool       `json:"legal_for_trade"`
	Yards         []YardRow  `json:"yards"`
	Gaps          []gapRow   `json:"gaps"`
	Sum           fillSum    `json:"sum"`
	Visits        []VisitRow `json:"visits"`
}

// Yards writes what each yard took in the stretch: for people by visit, for
// programs by yard in order of first flow, what has no yard last, and by visit
// besides (as CSV where Options.Visits asks for it). The error is the writer's.
func Yards(w io.Writer, v *ledger.View, o Options) error {
	if v == nil {
		v = &ledger.View{}
	}
	o = o.over(v)
	a := put(v, o)
	switch {
	case o.Format == Table:
		return yardsTable(w, a)
	case o.Format == CSV && o.Visits:
		return writeCSV(w, a.visitRows())
	case o.Format == CSV:
		return writeCSV(w, a.yardRows())
	}
	return writeJSON(w, yardsDoc{Report: "yards", Rig: v.Rig, From: instant(o.From), To: instant(o.To),
		At: instant(v.At), Settled: instant(v.Settled), Yards: a.yardRows(), Gaps: gapRows(gapsIn(v, o)),
		Sum: sumOf(&a.night), Visits: a.visitRows()})
}

func (a *account) yardRows() []YardRow {
	n := &a.night
	rows := make([]YardRow, 0, len(n.Yards))
	for i := range n.Yards {
		y := &n.Yards[i]
		row := YardRow{Yard: y.Yard, YardName: tallyName(y), Fills: y.Fills, Colonies: whole(y.Colonies),
			FillsL: litres(y.Volume), WithinL: withinL(y.Within), OutsideL: litres(y.Loose), TotalL: litres(y.Volume + y.Loose),
			First: instant(y.First), Last: instant(y.Last), Open: y.Open, TopUps: y.TopUps, Short: y.Short}
		if y.Fills > 0 {
			row.LeastL, row.MostL = litres(y.Least), litres(y.Most)
			row.MeanL = rounded(y.Volume.Litres()/float64(y.Fills), 6)
		}
		if y.Each > 0 {
			row.IntendedL = litres(y.Each)
		}
		unknown := 0
		for k := range a.groups {
			if g := &a.groups[k]; g.yard == y.Yard {
				if g.visit != nil {
					row.Visits++
				}
				_, u := a.sugar(g)
				unknown += u
			}
		}
		row.SolidsKg = kilograms(y.Solids, unknown)
		rows = append(rows, row)
	}
	return rows
}

// kilograms is the sugar in fills of which so many are not known.
func kilograms(m quantity.Mass, unknown int) number {
	if m <= 0 || unknown > 0 {
		return ""
	}
	return rounded(float64(m), 6)
}

func (a *account) visitRows() []VisitRow {
	rows := []VisitRow{}
	for i := range a.groups {
		g := &a.groups[i]
		x, y := g.visit, &g.total
		if x == nil {
			continue
		}
		m, unknown := a.sugar(g)
		by, _ := a.placed(g)
		row := VisitRow{Visit: g.no, Yard: x.Yard, YardName: a.title(g), Reason: string(x.Reason), From: instant(x.From), To: instant(x.To),
			Over: x.Over, Fills: x.Fills, TopUps: x.TopUps, Colonies: whole(x.Colonies), Skipped: x.Skipped, Dead: x.Dead,
			Twice: x.Twice, Sharing: x.Sharing, Numbered: x.Numbered,
			FillsL: litres(y.Volume), WithinL: withinL(y.Within), OutsideL: litres(y.Loose), TotalL: litres(y.Volume + y.Loose),
			Short: x.Short, Half: x.Half, SolidsKg: kilograms(m, unknown),
			PositionL: litres(by[0]), MarkL: litres(by[1]), TapL: litres(by[2]), HandL: litres(by[3]),
			Unsure: x.Unsure, Perhaps: x.Perhaps, DoubtL: litres(x.Doubt), Told: x.Told}
		if x.Colonies > 0 {
			row.Missing = number(strconv.Itoa(x.Missing))
		}
		if x.Meant > 0 {
			row.MeantL = litres(x.Meant)
		}
		if x.Fills > 0 {
			row.LeastL, row.MostL = litres(x.Least), litres(x.Most)
			row.MeanL = rounded(x.Volume.Litres()/float64(x.Fills), 6)
		}
		if x.Uneven > 0 {
			row.Uneven = rounded(x.Uneven, 6)
		}
		rows = append(rows, row)
	}
	return rows
}

// tallyName returns the yard's name, or words where there is none.
func tallyName(y *ledger.YardTotal) string {
	if y.Yard == "" {
		return NoYard
	}
	if y.Name == "" {
		return y.Yard
	}
	return y.Name
}

// tableGroups returns the groups that get a line in the table of yards, and
// those without yard and fills, which share one.
func (a *account) tableGroups() (lines, rest []*group) {
	for i := range a.groups {
		g := &a.groups[i]
		if g.yard == "" && len(g.fills) == 0 {
			rest = append(rest, g)
		} else {
			lines = append(lines, g)
		}
	}
	slices.SortStableFunc(lines, func(x, y *group) int { return cmp.Compare(x.from, y.from) })
	return lines, rest
}

func yardsTable(w io.Writer, a *account) error {
	o, n := a.o, &a.night
	vol, _, _ := units(o.Units)
	_, lb := o.Units.MassParts(0)
	lines, rest := a.tableGroups()
	var lost quantity.Volume
	for _, g := range rest {
		lost += g.total.Loose
	}
	cells := make([]quantity.Volume, 0, 2*len(lines)+1)
	for _, g := range lines {
		cells = append(cells, g.total.Volume, g.total.Loose)
	}
	shown, sum := Closing(o.Units, 100, append(cells, lost))
	if _, err := fmt.Fprintf(w, "%s\n\n", o.title("Yards", a.v)); err != nil {
		return err
	}
	g := grid{head: []string{"yard", "from", "to", ">fills", "?>top-ups", "?>colonies", ">in fills " + vol, ">±", ">outside " + vol, ">sum " + vol,
		"?>meant", ">least", ">mean", ">most", "?>even to", "?>sugar " + lb}}
	one := func(v quantity.Volume) string {
		c, _ := Closing(o.Units, 100, []quantity.Volume{v})
		return Fixed(c[0], 100)
	}
	var inFills, outside int64
	for i, x := range lines {
		y := &x.total
		in, out := shown[2*i], shown[2*i+1]
		inFills, outside = inFills+in, outside+out
		topUps, stand, meant, least, mean, most, even, sugar, end := "", "", "", "", "", "", "", "", o.clock(x.to)
		if y.TopUps > 0 {
			topUps = strconv.Itoa(y.TopUps)
		}
		if c := x.colonies(); c > 0 {
			stand = strconv.Itoa(c)
		}
		if m := a.meant(x); m > 0 {
			meant = one(m)
		}
		if y.Fills > 0 {
			least, mean, most = one(y.Least), one(y.Volume/quantity.Volume(y.Fills)), one(y.Most)
		}
		if x.visit != nil && x.visit.Uneven > 0 {
			even = "±" + percentOf(x.visit.Uneven)
		}
		if m, unknown := a.sugar(x); m > 0 && unknown == 0 {
			sugar, _ = o.Units.MassParts(m)
		}
		if y.Open {
			end = "a fill is open"
		}
		unsure, perhaps := UnsureOf(a.flows(x))
		g.add(a.title(x), o.clock(x.from), end, Range(y.Fills, unsure, perhaps), topUps, stand, Fixed(in, 100), Within(o.Units, y.Within),
			Fixed(out, 100), Fixed(in+out, 100), meant, least, mean, most, even, sugar)
	}
	if len(rest) > 0 {
		c := shown[len(shown)-1]
		outside += c
		from, to := rest[0].from, rest[0].to
		for _, x := range rest {
			from, to = min(from, x.from), max(to, x.to)
		}
		g.add(NoYard, o.clock(from), o.clock(to), "0", "", "", Fixed(0, 100), "", Fixed(c, 100), Fixed(c, 100), "", "", "", "", "", "")
	}
	g.rule()
	tops := ""
	if n.TopUps > 0 {
		tops = strconv.Itoa(n.TopUps)
	}
	unsure, perhaps := a.unsure()
	g.add("sum", "", "", Range(n.Fills, unsure, perhaps), tops, "", Fixed(inFills, 100), Within(o.Units, n.Within), Fixed(outside, 100), Fixed(sum, 100), "", "", "", "", "", "")
	if err := g.write(w); err != nil {
		return err
	}
	var b strings.Builder
	b.WriteByte('\n')
	for _, x := range lines {
		a.sayGroup(&b, x)
	}
	a.sayOutside(&b, outside)
	if len(lines)+len(a.loose) > 0 {
		b.WriteByte('\n')
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return err
	}
	if err := withinNote(w, n.Within); err != nil {
		return err
	}
	return foot(w, a.v, o)
}

// colonies is how many stood there when the visit began; 0: not said.
func (g *group) colonies() int {
	if g.visit == nil {
		return g.total.Colonies
	}
	return g.visit.Colonies
}

// meant is how much was meant for each colony; 0: not said. A visit's may be
// what is usual there instead: that is one of its pulls, to the nanolitre.
func (a *account) meant(g *group) quantity.Volume {
	if g.total.Each > 0 || g.visit == nil {
		return g.total.Each
	}
	for _, i := range g.fills {
		if a.v.Fills[i].Volume == g.visit.Meant {
			return 0
		}
	}
	return g.visit.Meant
}

// sayGroup writes what is to be said of a line of the table of yards.
func (a *account) sayGroup(b *strings.Builder, g *group) {
	var s []string
	switch {
	case g.yard == "":
		s = append(s, a.sayNoYard(g))
		if more := a.sayUnsure(g); more != "" {
			s = append(s, more)
		}
	case g.visit != nil:
		s = append(s, a.title(g)+": "+a.sayVisit(g))
	}
	for _, more := range []string{a.sayShort(g), a.sayPlaced(g), a.saySugar(g)} {
		if more != "" {
			if len(s) == 0 {
				more = a.title(g) + ": " + lower(more)
			}
			s = append(s, more)
		}
	}
	if len(s) > 0 {
		wrap(b, "", strings.Join(s, " "))
	}
}

// saySugar says of how many fills the sugar is not known, where it is of others.
func (a *account) saySugar(g *group) string {
	m, unknown := a.sugar(g)
	if m <= 0 || unknown == 0 {
		return ""
	}
	return fmt.Sprintf("The sugar in %s of the %d is not known.", count(unknown, "fill", "fills"), len(g.fills))
}

// sayNoYard says what of the fills has no yard, why, and how to give it one.
func (a *account) sayNoYard(g *group) string {
	var s []string
	for i := 0; i < len(g.fills); {
		first := &a.v.Fills[g.fills[i]]
		night := a.evening(first.Start)
		var nos []int
		var sum quantity.Volume
		for ; i < len(g.fills); i++ {
			f := &a.v.Fills[g.fills[i]]
			if f.Reason != first.Reason || a.evening(f.Start) != night {
				break
			}
			nos, sum = append(nos, a.no[g.fills[i]]), sum+f.Volume
		}
		s = append(s, fmt.Sprintf("%s of %s, %s: %s (%s). If you know the yard: yardtally move %s to YARD -night %s",
			upper(numbered("fill", "fills", nos)), night, Hundredths(a.o.Units, sum), NoYard, WhyNoYard(first.Reason), Numbers(nos), night))
	}
	return strings.Join(s, ". ") + "."
}

// sayOutside says what the flow outside fills was; sum is what it comes to as the
// table shows it, in hundredths.
func (a *account) sayOutside(b *strings.Builder, sum int64) {
	var whys []string
	at := map[string]int{}
	var vs []quantity.Volume
	for _, i := range a.loose {
		l := &a.v.Loose[i]
		k, ok := at[l.Why]
		if !ok {
			k = len(whys)
			at[l.Why] = k
			whys, vs = append(whys, l.Why), append(vs, 0)
		}
		vs[k] += l.Volume
	}
	if len(whys) == 0 {
		return
	}
	vol, _, _ := units(a.o.Units)
	cells := ClosingTo(a.o.Units, 100, vs, sum)
	parts := make([]string, len(whys))
	for k, why := range whys {
		parts[k] = why + " " + Fixed(cells[k], 100)
	}
	wrap(b, "", fmt.Sprintf("Outside fills, in %s: %s. \"yardtally fills\" says why.", vol, strings.Join(parts, ", ")))
}

func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
