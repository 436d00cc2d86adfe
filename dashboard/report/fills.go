package report

import (
	"fmt"
	"io"
	"sort"
	"strconv"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
)

// FlowRow is one stretch of flow: a fill, or flow outside any fill.
type FlowRow struct {
	Kind        string  `json:"kind"`       // "fill", or what it was: "dribble", "unseen", "suspect", "priming", "flush", "ground", "proving", "hose", "air", "spill"
	Start       instant `json:"start"`      // first flow
	End         instant `json:"end"`        // last flow
	DurationS   number  `json:"duration_s"` // End − Start
	VolumeL     number  `json:"volume_l"`
	WithinL     number  `json:"within_l"`       // half the 95 % interval of volume_l; null where not known
	FlowLPerMin number  `json:"flow_l_per_min"` // volume over duration; null outside fills
	SyrupC      number  `json:"syrup_c"`        // null where not known
	Yard        string  `json:"yard"`           // the yard's id; "" where none is known
	YardName    string  `json:"yard_name"`
	Reason      string  `json:"reason"` // why that yard: "position", "mark" (the button), "tap", "hand"; why none: "outside", "two yards", "no position"
	Open        bool    `json:"open"`   // still flowing when the report was made
	Session     uint64  `json:"session"`
	FirstCount  uint64  `json:"first_count"` // pulses after this count ...
	LastCount   uint64  `json:"last_count"`  // ... up to and with this one
	TopUp       bool    `json:"top_up"`      // goes to the colony that the fill before it fed
	Short       bool    `json:"short"`       // the colony got clearly less than was meant, or than the rest
	Visit       number  `json:"visit"`       // as in the visits of "yards" for the same stretch; null: of none
	Colony      number  `json:"colony"`      // its number in the yard; null where that is not sure
	ColonyTo    number  `json:"colony_to"`   // the last of several that shared it; null: one
	Brix        number  `json:"brix"`        // mass percent, of what left the nozzle; null where not known
	SolidsKg    number  `json:"solids_kg"`   // the sugar in it; null where not known
	ByAct       string  `json:"by_act"`      // act that moved or named it last; "" for none
	Note        string  `json:"note"`        // what speaks for kind, where it is outside fills
	Or          string  `json:"or"`          // what else it may be: as in kind, or "top-up"; "": nothing else
}

type fillSum struct {
	Fills    int    `json:"fills"` // those that are no top-ups
	FillsL   number `json:"fills_l"`
	WithinL  number `json:"fills_within_l"` // half the 95 % interval of fills_l
	OutsideL number `json:"outside_l"`
	TotalL   number `json:"total_l"`
	AllL     number `json:"total_within_l"` // half the 95 % interval of total_l
	TopUps   int    `json:"top_ups"`        // their volume is in fills_l
}

type fillsDoc struct {
	Report        string    `json:"report"` // "fills"
	Rig           string    `json:"rig"`
	From          instant   `json:"from"`
	To            instant   `json:"to"`
	At            instant   `json:"at"`              // newest record in it
	Settled       instant   `json:"settled"`         // nothing before it changes by itself
	LegalForTrade bool      `json:"legal_for_trade"` // always false
	Fills         []FlowRow `json:"fills"`
	Outside       []FlowRow `json:"outside"` // flow outside fills
	Gaps          []gapRow  `json:"gaps"`
	Sum           fillSum   `json:"sum"`
}

// sumOf is what a stretch comes to.
func sumOf(n *ledger.Night) fillSum {
	return fillSum{n.Fills, litres(n.Volume), withinL(n.Within), litres(n.Loose), litres(n.Total), withinL(n.TotalWithin), n.TopUps}
}

// whole is a number that is known above zero.
func whole(n int) number {
	if n <= 0 {
		return ""
	}
	return number(strconv.Itoa(n))
}

// Fills writes the fills that started in the stretch, in order, and the flow
// outside fills, with sums. The error is the writer's.
func Fills(w io.Writer, v *ledger.View, o Options) error {
	if v == nil {
		v = &ledger.View{}
	}
	o = o.over(v)
	a := put(v, o)
	if o.Format == Table {
		return fillsTable(w, a)
	}
	doc := fillsDoc{Report: "fills", Rig: v.Rig, From: instant(o.From), To: instant(o.To),
		At: instant(v.At), Settled: instant(v.Settled),
		Fills: []FlowRow{}, Outside: []FlowRow{}, Gaps: gapRows(gapsIn(v, o)), Sum: sumOf(&a.night)}
	for _, i := range a.fills {
		f := &v.Fills[i]
		row := FlowRow{Kind: "fill", Start: instant(f.Start), End: instant(f.End), DurationS: seconds(f.Start, f.End),
			VolumeL: litres(f.Volume), WithinL: withinL(f.Within), FlowLPerMin: rounded(float64(f.Flow/quantity.LitrePerMinute), 4),
			Yard: f.Yard, YardName: nameOf(a.name, f.Yard), Reason: string(f.Reason), Open: f.Open,
			Session: f.Session, FirstCount: f.First, LastCount: f.Last, TopUp: f.TopUp, Short: f.Short,
			Visit: whole(a.groups[a.fillIn[i]].no), Colony: whole(f.Colony), ColonyTo: whole(f.To), ByAct: f.By, Or: f.Or}
		if f.HasSyrup {
			row.SyrupC = rounded(float64(f.Syrup), 2)
		}
		if f.Brix > 0 {
			row.Brix, row.SolidsKg = rounded(f.Brix, 3), rounded(float64(f.Solids), 6)
		}
		doc.Fills = append(doc.Fills, row)
	}
	for _, i := range a.loose {
		l := &v.Loose[i]
		doc.Outside = append(doc.Outside, FlowRow{Kind: l.Why, Start: instant(l.Start), End: instant(l.End),
			DurationS: seconds(l.Start, l.End), VolumeL: litres(l.Volume), WithinL: withinL(l.Within),
			Yard: l.Yard, YardName: nameOf(a.name, l.Yard), Reason: string(l.Reason),
			Session: l.Session, FirstCount: l.First, LastCount: l.Last,
			Visit: whole(a.groups[a.lostIn[i]].no), ByAct: l.By, Note: l.Note, Or: l.Or})
	}
	if o.Format == JSON {
		return writeJSON(w, doc)
	}
	rows := append(append([]FlowRow(nil), doc.Fills...), doc.Outside...)
	sort.SliceStable(rows, func(a, b int) bool { return rows[a].Start < rows[b].Start })
	return writeCSV(w, rows)
}

func seconds(start, end int64) number { return rounded(float64(end-start)/1e9, 3) }

// fillLine is a line of the table of fills.
type fillLine struct {
	at    int64
	group int
	cells []string
}

// fillLines returns the lines of a table of fills in order of time, and what
// fills and the rest come to as the lines are rounded.
func (a *account) fillLines() (lines []fillLine, inFills, outside, sum int64) {
	o, v := a.o, a.v
	volumes := make([]quantity.Volume, 0, len(a.fills)+len(a.loose))
	for _, i := range a.fills {
		volumes = append(volumes, v.Fills[i].Volume)
	}
	for _, i := range a.loose {
		volumes = append(volumes, v.Loose[i].Volume)
	}
	cells, sum := Closing(o.Units, 100, volumes)
	for k, i := range a.fills {
		f := &v.Fills[i]
		inFills += cells[k]
		rate, _ := o.Units.FlowParts(f.Flow)
		t, colony := "", ""
		if f.HasSyrup {
			t, _ = o.Units.TemperatureParts(f.Syrup)
		}
		if f.Colony > 0 {
			colony = strconv.Itoa(f.Colony)
			if f.To > f.Colony {
				colony += "-" + strconv.Itoa(f.To)
			}
		}
		lines = append(lines, fillLine{f.Start, a.fillIn[i], []string{strconv.Itoa(a.no[i]), o.clock(f.Start), fmt.Sprintf("%.0f", float64(f.End-f.Start)/1e9),
			Fixed(cells[k], 100), Within(o.Units, f.Within), rate, t, colony, PlacedBy(f.Reason), NoteFill(f)}})
	}
	for k, i := range a.loose {
		l := &v.Loose[i]
		c := cells[len(a.fills)+k]
		outside += c
		lines = append(lines, fillLine{l.Start, a.lostIn[i], []string{"", o.clock(l.Start), fmt.Sprintf("%.0f", float64(l.End-l.Start)/1e9),
			Fixed(c, 100), Within(o.Units, l.Within), "", "", "", PlacedBy(l.Reason), SayLoose(l)}})
	}
	sort.SliceStable(lines, func(a, b int) bool { return lines[a].at < lines[b].at })
	return lines, inFills, outside, sum
}

func fillsTable(w io.Writer, a *account) error {
	o, n := a.o, &a.night
	vol, flow, temp := units(o.Units)
	lines, inFills, outside, sum := a.fillLines()
	if _, err := fmt.Fprintf(w, "%s\n\n", o.title("Fills", a.v)); err != nil {
		return err
	}
	g := grid{head: []string{">no.", "start", ">s", ">" + vol, ">±", ">" + flow, ">" + temp, "?colony", "placed by", ""}, words: true}
	shown := make([]bool, len(a.groups))
	group, night := -1, ""
	for _, l := range lines {
		if date := a.evening(l.at); !o.oneNight() && date != night {
			if night != "" {
				g.across("")
			}
			night, group = date, -1
			g.across("Night of " + date)
		}
		if l.group != group {
			group = l.group
			x := &a.groups[group]
			switch {
			case shown[group]:
				g.across(a.title(x) + ", again")
			case x.visit == nil || x.yard == "" && len(x.fills) == 0:
				g.across(a.title(x))
			default:
				said := SayVisit(x.visit)
				fills, loose := a.flows(x)
				if more := SayUnsure(fills, loose, nil); more != "" {
					said += " " + more // which, the lines say
				}
				g.across(fmt.Sprintf("%s, %s: %s", a.title(x), o.between(x.from, x.to), said))
			}
			shown[group] = true
		}
		g.add(l.cells...)
	}
	g.rule()
	total := count(n.Fills, "fill", "fills")
	if unsure, perhaps := a.unsure(); unsure+perhaps > 0 {
		total = Range(n.Fills, unsure, perhaps) + " fills"
	}
	if n.TopUps > 0 {
		total += ", " + plural(n.TopUps, "top-up")
	}
	g.add("", total, "", Fixed(inFills, 100), Within(o.Units, n.Within), "", "", "", "", "")
	g.add("", "outside fills", "", Fixed(outside, 100), Within(o.Units, n.LooseWithin), "", "", "", "", "")
	g.add("", "sum", "", Fixed(sum, 100), Within(o.Units, n.TotalWithin), "", "", "", "", "")
	if err := g.write(w); err != nil {
		return err
	}
	if _, err := fmt.Fprintln(w); err != nil {
		return err
	}
	if err := withinNote(w, n.Within); err != nil {
		return err
	}
	return foot(w, a.v, o)
}

// Within shows half a 95 % interval, rounded up so that it promises no more
// than is known; "" for none.
func Within(s quantity.System, v quantity.Volume) string {
	if v <= 0 {
		return ""
	}
	n, rest := floorDiv(int64(v), unitOf(s), 100)
	if rest > 0 {
		n++
	}
	return Fixed(n, 100)
}

// withinL is half a 95 % interval, null where it is not known.
func withinL(v quantity.Volume) number {
	if v <= 0 {
		return ""
	}
	return litres(v)
}

// withinNote says what ± means under a table that has it.
func withinNote(w io.Writer, all quantity.Volume) error {
	if all <= 0 {
		return nil
	}
	_, err := fmt.Fprintln(w, "± holds the truth 19 times in 20. What is common to all fills, as the proving is, does not average out in a sum.")
	return err
}

func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + one + "s"
}
