package report

import (
	"fmt"
	"io"
	"strconv"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
)

// YardRow is what one yard took in the stretch.
type YardRow struct {
	Yard      string  `json:"yard"` // the yard's id; "" is what no yard is known for
	YardName  string  `json:"yard_name"`
	Colonies  number  `json:"colonies"` // null where not said
	Fills     int     `json:"fills"`
	FillsL    number  `json:"fills_l"`
	WithinL   number  `json:"fills_within_l"` // half the 95 % interval of fills_l
	OutsideL  number  `json:"outside_l"`      // flow outside fills while there
	TotalL    number  `json:"total_l"`        // fills_l + outside_l
	LeastL    number  `json:"least_l"`        // smallest fill; null where there is none
	MeanL     number  `json:"mean_l"`         // fills_l over fills, to the microlitre
	MostL     number  `json:"most_l"`
	IntendedL number  `json:"intended_l"` // for each colony; null where not said
	First     instant `json:"first"`      // start of the first flow
	Last      instant `json:"last"`       // end of the last
	Open      bool    `json:"open"`       // a fill was running when the report was made
}

type yardsDoc struct {
	Report        string    `json:"report"` // "yards"
	Rig           string    `json:"rig"`
	From          instant   `json:"from"`
	To            instant   `json:"to"`
	At            instant   `json:"at"`
	Settled       instant   `json:"settled"`
	LegalForTrade bool      `json:"legal_for_trade"`
	Yards         []YardRow `json:"yards"`
	Gaps          []gapRow  `json:"gaps"`
	Sum           fillSum   `json:"sum"`
}

// Yards writes what each yard took in the stretch, in order of first flow,
// what has no yard last, with sums. The error is the writer's.
func Yards(w io.Writer, v *ledger.View, o Options) error {
	if v == nil {
		v = &ledger.View{}
	}
	from, to := o.span()
	n := ledger.Tally(v, from, to)
	if o.Format == Table {
		return yardsTable(w, v, o, &n)
	}
	rows := make([]YardRow, 0, len(n.Yards))
	for i := range n.Yards {
		y := &n.Yards[i]
		row := YardRow{Yard: y.Yard, YardName: tallyName(y), Fills: y.Fills,
			FillsL: litres(y.Volume), WithinL: withinL(y.Within), OutsideL: litres(y.Loose), TotalL: litres(y.Volume + y.Loose),
			First: instant(y.First), Last: instant(y.Last), Open: y.Open}
		if y.Fills > 0 {
			row.LeastL, row.MostL = litres(y.Least), litres(y.Most)
			row.MeanL = rounded(y.Volume.Litres()/float64(y.Fills), 6)
		}
		if y.Colonies > 0 {
			row.Colonies = number(strconv.Itoa(y.Colonies))
		}
		if y.Each > 0 {
			row.IntendedL = litres(y.Each)
		}
		rows = append(rows, row)
	}
	if o.Format == CSV {
		return writeCSV(w, rows)
	}
	return writeJSON(w, yardsDoc{Report: "yards", Rig: v.Rig, From: instant(o.From), To: instant(o.To),
		At: instant(v.At), Settled: instant(v.Settled), Yards: rows, Gaps: gapRows(gapsIn(v, o)),
		Sum: fillSum{n.Fills, litres(n.Volume), withinL(n.Within), litres(n.Loose), litres(n.Total), withinL(n.TotalWithin)}})
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

func yardsTable(w io.Writer, v *ledger.View, o Options, n *ledger.Night) error {
	vol, _, _ := units(o.Units)
	cells := make([]quantity.Volume, 0, 2*len(n.Yards))
	for i := range n.Yards {
		cells = append(cells, n.Yards[i].Volume, n.Yards[i].Loose)
	}
	shown, sum := Closing(o.Units, 100, cells)
	if _, err := fmt.Fprintf(w, "%s\n\n", o.title("Yards", v)); err != nil {
		return err
	}
	g := grid{head: []string{"yard", ">fills", ">colonies", ">in fills " + vol, ">±", ">outside " + vol, ">sum " + vol,
		">least", ">mean", ">most", "from", "to"}}
	one := func(v quantity.Volume) string {
		c, _ := Closing(o.Units, 100, []quantity.Volume{v})
		return Fixed(c[0], 100)
	}
	var inFills, outside int64
	for i := range n.Yards {
		y := &n.Yards[i]
		a, b := shown[2*i], shown[2*i+1]
		inFills, outside = inFills+a, outside+b
		colonies, least, mean, most, end := "", "", "", "", o.clock(y.Last)
		if y.Colonies > 0 {
			colonies = strconv.Itoa(y.Colonies)
		}
		if y.Fills > 0 {
			least, mean, most = one(y.Least), one(y.Volume/quantity.Volume(y.Fills)), one(y.Most)
		}
		if y.Open {
			end = "a fill is open"
		}
		g.add(tallyName(y), strconv.Itoa(y.Fills), colonies, Fixed(a, 100), Within(o.Units, y.Within), Fixed(b, 100), Fixed(a+b, 100),
			least, mean, most, o.clock(y.First), end)
	}
	g.rule()
	g.add("sum", strconv.Itoa(n.Fills), "", Fixed(inFills, 100), Within(o.Units, n.Within), Fixed(outside, 100), Fixed(sum, 100), "", "", "", "", "")
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
