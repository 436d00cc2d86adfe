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
	Kind        string  `json:"kind"`       // "fill", or why it is outside one: "dribble", "unseen"
	Start       instant `json:"start"`      // first flow
	End         instant `json:"end"`        // last flow
	DurationS   number  `json:"duration_s"` // End − Start
	VolumeL     number  `json:"volume_l"`
	WithinL     number  `json:"within_l"`       // half the 95 % interval of volume_l; null where not known
	FlowLPerMin number  `json:"flow_l_per_min"` // volume over duration; null outside fills
	SyrupC      number  `json:"syrup_c"`        // null where not known
	Yard        string  `json:"yard"`           // the yard's id; "" where none is known
	YardName    string  `json:"yard_name"`
	Reason      string  `json:"reason"` // why that yard: "position", "hand", "outside", "no position"
	Open        bool    `json:"open"`   // still flowing when the report was made
	Session     uint64  `json:"session"`
	FirstCount  uint64  `json:"first_count"` // pulses after this count ...
	LastCount   uint64  `json:"last_count"`  // ... up to and with this one
}

type fillSum struct {
	Fills    int    `json:"fills"`
	FillsL   number `json:"fills_l"`
	WithinL  number `json:"fills_within_l"` // half the 95 % interval of fills_l
	OutsideL number `json:"outside_l"`
	TotalL   number `json:"total_l"`
	AllL     number `json:"total_within_l"` // half the 95 % interval of total_l
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

// Fills writes the fills that started in the stretch, in order, and the flow
// outside fills, with sums. The error is the writer's.
func Fills(w io.Writer, v *ledger.View, o Options) error {
	if v == nil {
		v = &ledger.View{}
	}
	from, to := o.span()
	name := names(v)
	doc := fillsDoc{Report: "fills", Rig: v.Rig, From: instant(o.From), To: instant(o.To),
		At: instant(v.At), Settled: instant(v.Settled),
		Fills: []FlowRow{}, Outside: []FlowRow{}, Gaps: gapRows(gapsIn(v, o))}
	var fills []ledger.Fill
	var loose []ledger.Loose
	var inFills, outside quantity.Volume
	for _, f := range v.Fills {
		if f.Start < from || f.Start >= to {
			continue
		}
		fills = append(fills, f)
		inFills += f.Volume
		row := FlowRow{Kind: "fill", Start: instant(f.Start), End: instant(f.End), DurationS: seconds(f.Start, f.End),
			VolumeL: litres(f.Volume), WithinL: withinL(f.Within), FlowLPerMin: rounded(float64(f.Flow/quantity.LitrePerMinute), 4),
			Yard: f.Yard, YardName: nameOf(name, f.Yard), Reason: string(f.Reason), Open: f.Open,
			Session: f.Session, FirstCount: f.First, LastCount: f.Last}
		if f.HasSyrup {
			row.SyrupC = rounded(float64(f.Syrup), 2)
		}
		doc.Fills = append(doc.Fills, row)
	}
	for _, l := range v.Loose {
		if l.Start < from || l.Start >= to {
			continue
		}
		loose = append(loose, l)
		outside += l.Volume
		doc.Outside = append(doc.Outside, FlowRow{Kind: l.Why, Start: instant(l.Start), End: instant(l.End),
			DurationS: seconds(l.Start, l.End), VolumeL: litres(l.Volume), WithinL: withinL(l.Within),
			Yard: l.Yard, YardName: nameOf(name, l.Yard), Reason: string(l.Reason),
			Session: l.Session, FirstCount: l.First, LastCount: l.Last})
	}
	n := ledger.Tally(v, from, to)
	doc.Sum = fillSum{len(fills), litres(inFills), withinL(n.Within), litres(outside), litres(inFills + outside), withinL(n.TotalWithin)}
	switch o.Format {
	case JSON:
		return writeJSON(w, doc)
	case CSV:
		rows := append(append([]FlowRow(nil), doc.Fills...), doc.Outside...)
		sort.SliceStable(rows, func(a, b int) bool { return rows[a].Start < rows[b].Start })
		return writeCSV(w, rows)
	}
	return fillsTable(w, v, o, fills, loose, &n)
}

func seconds(start, end int64) number { return rounded(float64(end-start)/1e9, 3) }

func fillsTable(w io.Writer, v *ledger.View, o Options, fills []ledger.Fill, loose []ledger.Loose, n *ledger.Night) error {
	name := names(v)
	vol, flow, temp := units(o.Units)
	volumes := make([]quantity.Volume, 0, len(fills)+len(loose))
	for i := range fills {
		volumes = append(volumes, fills[i].Volume)
	}
	for i := range loose {
		volumes = append(volumes, loose[i].Volume)
	}
	cells, sum := Closing(o.Units, 100, volumes)
	type line struct {
		at    int64
		cells []string
	}
	var lines []line
	nth := map[string]int{}
	var inFills, outside int64
	for i := range fills {
		f := &fills[i]
		nth[f.Yard]++
		inFills += cells[i]
		rate, _ := o.Units.FlowParts(f.Flow)
		t, what := "", "fill"
		if f.HasSyrup {
			t, _ = o.Units.TemperatureParts(f.Syrup)
		}
		if f.Open {
			what = "fill, still open"
		}
		lines = append(lines, line{f.Start, []string{o.clock(f.Start), fmt.Sprintf("%.0f", float64(f.End-f.Start)/1e9),
			Fixed(cells[i], 100), Within(o.Units, f.Within), rate, t, nameOf(name, f.Yard), strconv.Itoa(nth[f.Yard]), string(f.Reason), what}})
	}
	for i := range loose {
		l := &loose[i]
		c := cells[len(fills)+i]
		outside += c
		lines = append(lines, line{l.Start, []string{o.clock(l.Start), fmt.Sprintf("%.0f", float64(l.End-l.Start)/1e9),
			Fixed(c, 100), Within(o.Units, l.Within), "", "", nameOf(name, l.Yard), "", string(l.Reason), l.Why}})
	}
	sort.SliceStable(lines, func(a, b int) bool { return lines[a].at < lines[b].at })
	if _, err := fmt.Fprintf(w, "%s\n\n", o.title("Fills", v)); err != nil {
		return err
	}
	g := grid{head: []string{"start", ">s", ">" + vol, ">±", ">" + flow, ">" + temp, "yard", ">no.", "placed by", ""}}
	for _, l := range lines {
		g.add(l.cells...)
	}
	g.rule()
	g.add(plural(len(fills), "fill"), "", Fixed(inFills, 100), Within(o.Units, n.Within), "", "", "", "", "", "")
	g.add("outside fills", "", Fixed(outside, 100), Within(o.Units, n.LooseWithin), "", "", "", "", "", "")
	g.add("sum", "", Fixed(sum, 100), Within(o.Units, n.TotalWithin), "", "", "", "", "", "")
	if err := g.write(w); err != nil {
		return err
	}
	if _, err := fmt.Fprintln(w); err != nil {
		return err
	}
	if err := withinNote(w, n.Within); err != nil {
		return err
	}
	return foot(w, v, o)
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
