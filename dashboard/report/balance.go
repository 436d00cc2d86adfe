package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/books"
)

// Balance writes a balance. The error is the writer's.
func Balance(w io.Writer, b *books.Balance, o Options) error {
	switch o.Format {
	case JSON:
		return writeJSON(w, balanceJSON(b, o))
	case CSV:
		return writeCSV(w, streamRows(b))
	case PDF:
		return BalanceSheet(b, o).writePDF(w, o.Units, time.Unix(0, o.balanced(b)).UTC().Truncate(time.Second))
	}
	return BalanceSheet(b, o).writeText(w)
}

// balanced is when a balance is of: its end or, before that is over, now; of a
// time that is over, the newest that is in it.
func (o Options) balanced(b *books.Balance) int64 {
	if o.Now != 0 && o.Now < b.To {
		return o.Now
	}
	newest := int64(math.MinInt64)
	for i := range b.Streams {
		if at := b.Streams[i].At; at < b.To {
			newest = max(newest, at)
		}
	}
	if newest < b.From {
		return b.To
	}
	return newest
}

// streamHeads stand over the streams of a kind, in the order in which they come.
var streamHeads = []struct{ kind, head string }{
	{books.StockCount, "Counted in store"},
	{books.Purchased, "Bought"},
	{books.Sugared, "From the store into mixes"},
	{books.Watered, "Water into mixes and totes"},
	{books.Moved, "From tote to tote"},
	{books.Content, "Held by the tote"},
	{books.Dispensed, "Through the meter"},
	{books.Given, "Fed past the meter"},
	{books.Mislaid, "Lost"},
	{books.Rinsed, "Rinse water through the meter"},
}

// BalanceSheet is a balance for people.
func BalanceSheet(b *books.Balance, o Options) *Sheet {
	s := &Sheet{Title: "Balance of the season", Legal: legal,
		Under: []string{fmt.Sprintf("Sugar from store to colonies, %s (%s).", o.dates(b.From, o.balanced(b)), o.zone())}}
	if never(o.balanced(b)) {
		s.Under = []string{"Sugar from store to colonies: nothing is booked or metered yet."}
	}
	s.Lead = verdict(b, o)
	solids := o.streams(b, "Sugar", func(x *books.Stream) *books.Figure { return &x.Solids })
	water := o.streams(b, "Water", func(x *books.Stream) *books.Figure { return &x.Water })
	s.Notes = []string{"± holds the truth 19 times in 20. What is far off moved further than chance does, all figures taken together."}
	if t := o.pools(b); len(t.Rows) > 0 {
		s.Tables = append(s.Tables, t)
	}
	for _, t := range []SheetTable{solids, water} {
		if len(t.Rows) > 0 {
			s.Tables = append(s.Tables, t)
		}
	}
	return s
}

// verdict says whether the season adds up, and what would explain it if not.
func verdict(b *books.Balance, o Options) (out []string) {
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	_, lb := massUnit(o.Units)
	interval := o.within(b.MissingWithin/books.Wide) + " " + lb
	switch within := math.Abs(b.Missing) <= b.MissingWithin; {
	case !b.MissingKnown:
		say("What is unaccounted for cannot be told: no store and no tote was looked at in the end.")
	case within:
		say("Unaccounted for: %s ±%s of sugar, so it adds up as far as can be told.", o.tenths(b.Missing), interval)
	case b.Missing > 0:
		say("Unaccounted for: %s ±%s of sugar are missing.", o.tenths(b.Missing), interval)
	default:
		say("Unaccounted for: there are %s ±%s of sugar more than the books know of.", o.tenths(-b.Missing), interval)
	}
	if len(b.Open) > 0 {
		say("Not looked at in the end, so what is missing there would not show: %s.", strings.Join(b.Open, ", "))
	}
	test := fmt.Sprintf("(chi-square %s with %d degrees of freedom)", plain(b.Global.Chi2, 1), b.Global.DOF)
	switch {
	case b.Global.DOF == 0:
		say("Nothing was measured twice, so there is nothing to test.")
	case b.Global.Rejects:
		say("Taken together the figures are further off than they should be: only %s seasons without a mistake are so far off %s.", seldom(b.Global.P), test)
	default:
		say("Taken together the figures agree: %s seasons without a mistake are as far off or further %s.", seldom(b.Global.P), test)
	}
	for i := range b.Culprits {
		c := &b.Culprits[i]
		lead := "What would explain it: "
		if i > 0 {
			lead = "And besides: "
		}
		say("%s%s", lead, lower(c.Say()))
	}
	switch {
	case len(b.Culprits) > 0 && !b.Cleared:
		say("That does not explain all of it.")
	case b.Global.Rejects && len(b.Culprits) == 0:
		say("No single mistake explains it.")
	}
	for _, r := range b.Review {
		if r.Act == "" {
			say("%s", sentence(upper(r.Why)))
		} else {
			say("Entry %s: %s", r.Act, sentence(r.Why))
		}
	}
	return out
}

// seldom puts a chance in words.
func seldom(p float64) string {
	switch {
	case p >= 0.095:
		return fmt.Sprintf("%.0f of 100", 100*p)
	case p >= 0.00095:
		return fmt.Sprintf("%.0f of 1,000", 1000*p)
	}
	return "fewer than 1 of 1,000"
}

// tenths is a mass, kg, in the person's unit, to a tenth.
func (o Options) tenths(kg float64) string {
	_, lb := massUnit(o.Units)
	return o.tenthCell(kg) + " " + lb
}

func (o Options) tenthsOf(kg float64) int64 {
	if o.Units == quantity.US {
		kg /= float64(quantity.Pound)
	}
	return int64(math.Round(kg * tenth))
}

func (o Options) tenthCell(kg float64) string { return Fixed(o.tenthsOf(kg), tenth) }

// streams is a table of streams, as measured and as reconciled.
func (o Options) streams(b *books.Balance, what string, of func(*books.Stream) *books.Figure) SheetTable {
	_, lb := massUnit(o.Units)
	t := SheetTable{Head: what + ", " + lb, Columns: append([]Column{{"", false}, {"", false}}, right("measured", "±", "moved", "reconciled", "±")...)}
	t.Columns = append(t.Columns, Column{"", false})
	for _, h := range streamHeads {
		some := false
		for i := range b.Streams {
			x := &b.Streams[i]
			f := of(x)
			if x.Kind != h.kind || f.Measured == 0 && f.Value == 0 && !(x.Unmeasured && !f.Known) {
				continue
			}
			if !some {
				t.Rows = append(t.Rows, SheetRow{HeadRow, []string{h.head}})
				some = true
			}
			name := streamName(b, x)
			if x.Rig != "" { // of a house: whose meter it was
				name += ", by " + x.Rig
			}
			cells := []string{name, o.date(x.At), "", "", "", "–", "", ""}
			if !x.Unmeasured {
				was, is := o.tenthsOf(f.Measured), o.tenthsOf(f.Value)
				moved := Fixed(is-was, tenth)
				if is > was {
					moved = "+" + moved
				}
				cells[2], cells[3], cells[4] = Fixed(was, tenth), o.within(f.U), moved
			}
			if f.Known {
				cells[5], cells[6] = o.tenthCell(f.Value), o.within(f.After)
			}
			if math.Abs(f.Z) > b.Limit && b.Limit > 0 {
				cells[7] = "far off"
			}
			t.Rows = append(t.Rows, SheetRow{PlainRow, cells})
		}
	}
	if len(t.Rows) > 0 {
		t.drop()
	}
	return t
}

// streamName names a stream under its heading: goods by their kind, what a tote
// held by the tote.
func streamName(b *books.Balance, x *books.Stream) string {
	at := x.To
	if at < 0 {
		at = x.From
	}
	if at < 0 {
		return x.Name
	}
	p := &b.Pools[at]
	switch {
	case x.Unmeasured && p.Store != "":
		return goodsWords(p.Store) + ", not counted"
	case x.Kind == books.StockCount, x.Kind == books.Purchased:
		return goodsWords(p.Store)
	case x.Kind == books.Content && x.Unmeasured:
		return toteWords(p.Tote) + ", not looked at"
	case x.Kind == books.Content:
		return toteWords(p.Tote)
	}
	return x.Name
}

// within is half a 95 % interval of a standard uncertainty, kg, rounded up.
func (o Options) within(u float64) string {
	if !(u > 0) {
		return ""
	}
	unit, _ := massUnit(o.Units)
	return upTo(unit, tenth, int64(math.Ceil(books.Wide*u*1e9)))
}

// pools is what is missing from each store and tote.
func (o Options) pools(b *books.Balance) SheetTable {
	_, lb := massUnit(o.Units)
	t := SheetTable{Head: "Where sugar is missing", Columns: append([]Column{{"", false}, {"from", false}, {"to", false}}, right("missing\n"+lb, "±")...)}
	for i := range b.Pools {
		p := &b.Pools[i]
		if !p.Closed {
			continue
		}
		row := []string{p.Name, o.date(p.From), o.date(p.To), "–", ""}
		if p.Known {
			row[3], row[4] = o.tenthCell(p.Missing), o.within(p.MissingU)
		}
		t.Rows = append(t.Rows, SheetRow{PlainRow, row})
	}
	if len(t.Rows) > 0 && b.MissingKnown {
		t.Rows = append(t.Rows, SheetRow{SumRow, []string{"unaccounted for", "", "", o.tenthCell(b.Missing), o.within(b.MissingWithin / books.Wide)}})
	}
	return t
}

// StreamRow is what moved, or was found, once. Uncertainties are standard ones.
type StreamRow struct {
	Stream     string  `json:"stream"`
	Kind       string  `json:"kind"`
	At         instant `json:"at"`
	Act        string  `json:"act"`  // of the entry behind it; "": none
	Yard       string  `json:"yard"` // of what was metered
	Why        string  `json:"why"`  // of loose flow, what it was
	Unmeasured bool    `json:"unmeasured"`
	VolumeL    number  `json:"volume_l"` // of what was metered
	Solids     number  `json:"solids_kg"`
	SolidsU    number  `json:"solids_u_kg"`
	SolidsIs   number  `json:"solids_reconciled_kg"`
	SolidsIsU  number  `json:"solids_reconciled_u_kg"`
	SolidsZ    number  `json:"solids_z"` // how far it moved, in standard deviations of that
	Water      number  `json:"water_kg"`
	WaterU     number  `json:"water_u_kg"`
	WaterIs    number  `json:"water_reconciled_kg"`
	WaterIsU   number  `json:"water_reconciled_u_kg"`
	WaterZ     number  `json:"water_z"`
	From       number  `json:"from_pool"` // place in pools; null: from outside
	To         number  `json:"to_pool"`
	Rig        string  `json:"rig"` // of what was metered, in a house: by whose meter
}

type poolRow struct {
	Pool     string  `json:"pool"`
	Store    string  `json:"store"` // kind of goods; "": a tote
	Tote     string  `json:"tote"`
	From     instant `json:"from"`
	To       instant `json:"to"`
	Closed   bool    `json:"closed"`     // it was looked at in the end
	Missing  number  `json:"missing_kg"` // solids; below 0: more than there should be
	MissingU number  `json:"missing_u_kg"`
}

type culpritRow struct {
	Kind  string       `json:"kind"`
	Act   string       `json:"act"`
	Size  number       `json:"size"` // bags, kg, Brix, percent or L, by kind: how much more the truth is than what was said
	U     number       `json:"u"`    // standard uncertainty of size
	Z     number       `json:"z"`
	Words string       `json:"words"`
	Or    []culpritRow `json:"or"` // those that explain it as well
}

type balanceDoc struct {
	Report        string       `json:"report"` // "balance"
	From          instant      `json:"from"`
	To            instant      `json:"to"`
	LegalForTrade bool         `json:"legal_for_trade"`
	Record        string       `json:"record_of_purchase"`
	MissingKg     number       `json:"unaccounted_kg"` // solids; null where it cannot be told
	MissingWithin number       `json:"unaccounted_within_kg"`
	Open          []string     `json:"open"` // stores and totes that nobody looked at in the end
	Chi2          number       `json:"chi2"`
	DOF           int          `json:"degrees_of_freedom"`
	P             number       `json:"p"`
	Agrees        bool         `json:"agrees"`
	ZLimit        number       `json:"z_limit"` // beyond it a z is more than chance
	Culprits      []culpritRow `json:"culprits"`
	Explained     bool         `json:"explained"` // with the culprits taken for true the rest agrees
	Streams       []StreamRow  `json:"streams"`
	Pools         []poolRow    `json:"pools"`
	Review        []reviewRow  `json:"review"`
}

type reviewRow struct {
	Act string `json:"act"`
	Why string `json:"why"`
}

func balanceJSON(b *books.Balance, o Options) balanceDoc {
	d := balanceDoc{Report: "balance", From: instant(b.From), To: instant(b.To), Record: "supplier's ticket", Open: append([]string{}, b.Open...),
		Chi2: rounded(b.Global.Chi2, 6), DOF: b.Global.DOF, P: rounded(b.Global.P, 9), Agrees: !b.Global.Rejects, ZLimit: rounded(b.Limit, 6),
		Culprits: culpritRows(b.Culprits), Explained: b.Cleared, Streams: streamRows(b), Pools: []poolRow{}, Review: []reviewRow{}}
	if b.MissingKnown {
		d.MissingKg, d.MissingWithin = rounded(b.Missing, 6), rounded(b.MissingWithin, 6)
	}
	for i := range b.Pools {
		p := &b.Pools[i]
		r := poolRow{Pool: p.Name, Store: p.Store, Tote: p.Tote, From: instant(p.From), To: instant(p.To), Closed: p.Closed}
		if p.Known {
			r.Missing, r.MissingU = rounded(p.Missing, 6), rounded(p.MissingU, 6)
		}
		d.Pools = append(d.Pools, r)
	}
	for _, r := range b.Review {
		d.Review = append(d.Review, reviewRow{r.Act, r.Why})
	}
	return d
}

func culpritRows(cs []books.Culprit) []culpritRow {
	out := make([]culpritRow, 0, len(cs))
	for i := range cs {
		c := &cs[i]
		out = append(out, culpritRow{c.Kind, c.Act, rounded(c.Size, 6), rounded(c.U, 6), rounded(c.Z, 4), c.Words, culpritRows(c.With)})
	}
	return out
}

func streamRows(b *books.Balance) []StreamRow {
	out := make([]StreamRow, 0, len(b.Streams))
	for i := range b.Streams {
		x := &b.Streams[i]
		r := StreamRow{Stream: x.Name, Kind: x.Kind, At: instant(x.At), Act: x.Act, Yard: x.Yard, Why: x.Why, Unmeasured: x.Unmeasured, Rig: x.Rig}
		if x.Kind == books.Dispensed {
			r.VolumeL = rounded(x.Volume*1000, 6)
		}
		r.Solids, r.SolidsU, r.SolidsIs, r.SolidsIsU, r.SolidsZ = figureRow(&x.Solids, x.Unmeasured)
		r.Water, r.WaterU, r.WaterIs, r.WaterIsU, r.WaterZ = figureRow(&x.Water, x.Unmeasured)
		if x.From >= 0 {
			r.From = number(fmt.Sprint(x.From))
		}
		if x.To >= 0 {
			r.To = number(fmt.Sprint(x.To))
		}
		out = append(out, r)
	}
	return out
}

func figureRow(f *books.Figure, unmeasured bool) (measured, u, value, after, z number) {
	if !unmeasured {
		measured, u, z = rounded(f.Measured, 6), rounded(f.U, 6), rounded(f.Z, 4)
	}
	if f.Known {
		value, after = rounded(f.Value, 6), rounded(f.After, 6)
	}
	return measured, u, value, after, z
}
