package report

import (
	"fmt"
	"io"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
	"yardtally/meter/ledger"
	ltote "yardtally/meter/tote"
)

// ToteRow is the tote as the ledger knows it, beside what the meter counted
// out of it in the stretch. The tote's part is as of At, whatever the stretch.
type ToteRow struct {
	Tote       string  `json:"tote"`  // its name
	Known      bool    `json:"known"` // whether the level is known
	Reason     string  `json:"reason"`
	At         instant `json:"at"`       // newest level reading used
	By         string  `json:"by"`       // "headspace" or "head"
	LevelM     number  `json:"level_m"`  // surface above the floor
	VolumeL    number  `json:"volume_l"` // by strapping
	WithinL    number  `json:"within_l"` // half the 95 % interval of volume_l
	AtRest     bool    `json:"at_rest"`  // the rig stood and the surface was at rest
	MassKg     number  `json:"mass_kg"`  // of the syrup; null where it is not known
	MassWithin number  `json:"mass_within_kg"`
	UsableL    number  `json:"usable_l"`   // volume_l less what stays below the outlet
	CapacityL  number  `json:"capacity_l"` // nominal
	SyrupC     number  `json:"syrup_c"`    // newest at the meter
	Brix       number  `json:"brix"`       // declared, mass percent
	PulsesPerL number  `json:"pulses_per_l"`
	FillsL     number  `json:"fills_l"`
	OutsideL   number  `json:"outside_l"`
	MeteredL   number  `json:"metered_l"` // fills_l + outside_l
	LeftL      number  `json:"left_l"`    // to draw now: by the newest level at rest and the meter since; null where not known
	LeftWithin number  `json:"left_within_l"`
	LeftSolids number  `json:"left_solids_kg"` // sugar in it; null where not known
	LeftReason string  `json:"left_reason"`    // why left_l is not known
	EnoughFor  string  `json:"enough"`         // for the yard in hand and all known to be ahead: "enough", "not enough", "close"; "" where nothing is known to be needed
	OverL      number  `json:"over_l"`         // left when all those are fed; below 0: lacking
	OverWithin number  `json:"over_within_l"`
}

// ChangeRow is something that went into or out of the tote past the meter.
type ChangeRow struct {
	Kind     string  `json:"kind"` // "refill", "swap of totes", "changed while not heard", "transfer", "leak", "other loss"
	Sure     bool    `json:"sure"`
	Start    instant `json:"start"`    // last level at rest before it
	End      instant `json:"end"`      // first after it
	VolumeL  number  `json:"volume_l"` // in above 0, out below
	WithinL  number  `json:"within_l"` // half the 95 % interval of volume_l
	BeforeL  number  `json:"before_l"`
	AfterL   number  `json:"after_l"`
	MeteredL number  `json:"metered_l"`      // meanwhile
	RateLMin number  `json:"flow_l_per_min"` // null where not known
	Note     string  `json:"note"`           // what cannot be told apart
}

// DoubtRow is a stretch in which the meter counted more than the tote gave.
type DoubtRow struct {
	Reason   string  `json:"reason"` // "no fall in the tote", "the tote fell by less", "tote empty", "refilled meanwhile"
	Sure     bool    `json:"sure"`   // which flow it was is known; it is in no fill
	Start    instant `json:"start"`  // last level at rest before it
	End      instant `json:"end"`    // first after it
	MeteredL number  `json:"metered_l"`
	FallL    number  `json:"fall_l"`   // of the tote meanwhile
	ExcessL  number  `json:"excess_l"` // metered, but not given by the tote
	WithinL  number  `json:"within_l"` // half the 95 % interval of excess_l
}

// NextRow is a yard that is still ahead.
type NextRow struct {
	Yard     string `json:"yard"`
	YardName string `json:"yard_name"`
	Colonies int    `json:"colonies"`
	EachL    number `json:"each_l"`
	Enough   string `json:"enough"` // if it comes next: "enough", "not enough", "close"
	OverL    number `json:"over_l"` // left then; below 0: lacking
	Within   number `json:"over_within_l"`
}

type toteDoc struct {
	Report        string  `json:"report"` // "tote"
	Rig           string  `json:"rig"`
	From          instant `json:"from"`
	To            instant `json:"to"`
	Settled       instant `json:"settled"`
	LegalForTrade bool    `json:"legal_for_trade"`
	ToteRow
	Changes []ChangeRow `json:"changes"` // of the stretch, as doubts
	Doubts  []DoubtRow  `json:"doubts"`
	Ahead   []NextRow   `json:"ahead"`
	Unsaid  []string    `json:"ahead_unsaid"` // yards ahead of which it was not said what they need
}

// changesIn returns what went past the meter in the stretch, and doubtsIn where
// meter and tote disagree.
func changesIn(v *ledger.View, o Options) (out []ltote.Change) {
	from, to := o.span()
	for _, c := range v.Changes {
		if c.Kind != ltote.Meter && c.To >= from && c.From < to {
			out = append(out, c)
		}
	}
	return out
}

func doubtsIn(v *ledger.View, o Options) (out []ltote.Doubt) {
	from, to := o.span()
	for _, d := range v.Doubts {
		if d.To >= from && d.From < to {
			out = append(out, d)
		}
	}
	return out
}

// past fills in what is told beside the row.
func (d *toteDoc) past(v *ledger.View, o Options) {
	d.Changes, d.Doubts, d.Ahead, d.Unsaid = []ChangeRow{}, []DoubtRow{}, []NextRow{}, []string{}
	for _, c := range changesIn(v, o) {
		row := ChangeRow{Kind: c.Kind.String(), Sure: c.Sure, Start: instant(c.From), End: instant(c.To), VolumeL: litres(c.Volume),
			WithinL: withinL(c.Within), BeforeL: litres(c.Before), AfterL: litres(c.After), MeteredL: litres(c.Metered), Note: c.Note}
		if c.Rate > 0 && c.Kind != ltote.Swap && c.Kind != ltote.Unheard {
			row.RateLMin = rounded(float64(c.Rate/quantity.LitrePerMinute), 3)
		}
		d.Changes = append(d.Changes, row)
	}
	for _, x := range doubtsIn(v, o) {
		d.Doubts = append(d.Doubts, DoubtRow{x.Why, x.Sure, instant(x.From), instant(x.To), litres(x.Metered), litres(x.Fall), litres(x.Excess), withinL(x.Within)})
	}
	if v.Left.Known {
		for _, y := range v.Left.Yards {
			d.Ahead = append(d.Ahead, NextRow{y.Yard, NameOf(v, y.Yard), y.Colonies, litres(y.Each), y.Outlook.Enough.String(),
				litres(y.Outlook.Margin), withinL(y.Outlook.MarginWithin)})
		}
		d.Unsaid = append(d.Unsaid, v.Left.Unsaid...)
	}
}

// leave fills in what is left.
func (r *ToteRow) leave(l *ledger.Left) {
	if r.LeftReason = l.Why; !l.Known {
		return
	}
	t := &l.Tonight
	r.LeftL, r.LeftWithin = litres(l.There.Volume), withinL(l.There.Within)
	if l.There.Solids > 0 {
		r.LeftSolids = rounded(float64(l.There.Solids), 3)
	}
	if t.Margin < l.There.Volume {
		r.EnoughFor, r.OverL, r.OverWithin = t.Enough.String(), litres(t.Margin), withinL(t.MarginWithin)
	}
}

// Tote writes what is left in the tote, and what the meter counted in the
// stretch. The error is the writer's.
func Tote(w io.Writer, v *ledger.View, o Options) error {
	if v == nil {
		v = &ledger.View{}
	}
	o = o.over(v)
	from, to := o.span()
	n := ledger.Tally(v, from, to)
	if o.Format == Table {
		return toteTable(w, v, o, &n)
	}
	t := &v.Tote
	row := ToteRow{Tote: t.Name, Known: t.Known, Reason: t.Why,
		FillsL: litres(n.Volume), OutsideL: litres(n.Loose), MeteredL: litres(n.Total)}
	if t.Capacity > 0 {
		row.CapacityL = litres(t.Capacity)
	}
	if t.Known {
		row.At, row.By = instant(t.At), t.By
		row.LevelM, row.VolumeL, row.UsableL = rounded(float64(t.Level), 5), litres(t.Volume), litres(t.Usable)
		row.WithinL, row.AtRest = withinL(t.Within), t.Settled
		if t.Mass > 0 {
			row.MassKg, row.MassWithin = rounded(float64(t.Mass), 3), rounded(float64(t.MassWithin), 3)
		}
	}
	if v.Syrup.Has {
		row.SyrupC = rounded(v.Syrup.Value, 2)
	}
	if v.Brix.Has {
		row.Brix = rounded(v.Brix.Value, 3)
	}
	if v.PulseVolume > 0 {
		row.PulsesPerL = rounded(1/v.PulseVolume.Litres(), 6)
	}
	row.leave(&v.Left)
	if o.Format == CSV {
		return writeCSV(w, []ToteRow{row})
	}
	doc := toteDoc{Report: "tote", Rig: v.Rig, From: instant(o.From), To: instant(o.To),
		Settled: instant(v.Settled), ToteRow: row}
	doc.past(v, o)
	return writeJSON(w, doc)
}

func toteTable(w io.Writer, v *ledger.View, o Options, n *ledger.Night) error {
	t, u := &v.Tote, o.Units
	g := grid{head: []string{"", ">", ""}}
	both := func(what string, number, unit, rest string) { g.add(what, number, strings.TrimSpace(unit+" "+rest)) }
	if t.Name != "" {
		g.add("tote", "", t.Name)
	}
	if t.Known {
		l, lu := u.LengthParts(t.Level)
		both("level", l, lu, "above the floor, by "+t.By+", "+o.clock(t.At))
		x, xu := u.VolumeParts(t.Volume)
		rest := ""
		if t.Within > 0 {
			rest = "±" + u.Volume(t.Within)
			if t.Most != "" {
				rest += ", mostly by " + t.Most
			}
		}
		if t.Capacity > 0 {
			rest = strings.TrimSpace("of " + u.Volume(t.Capacity) + " " + rest)
		}
		both("holds", x, xu, rest)
		if t.Mass > 0 {
			x, xu = u.MassParts(t.Mass)
			both("weighs", x, xu, "±"+u.Mass(t.MassWithin)+", without the tote")
		}
		if !v.Left.Known { // it says so below, and better than a level in motion
			x, xu = u.VolumeParts(t.Usable)
			both("left to draw", x, xu, "")
		}
	} else {
		why := t.Why
		if why == "" {
			why = "no level was heard"
		}
		g.add("level", "", "not known: "+why)
	}
	if v.Syrup.Has {
		x, xu := u.TemperatureParts(quantity.Temperature(v.Syrup.Value))
		both("syrup", x, xu, "at the meter, "+o.clock(v.Syrup.At))
	}
	if v.Brix.Has {
		both("declared", string(rounded(v.Brix.Value, 1)), "Brix", "")
	}
	cells, sum := Closing(u, 100, []quantity.Volume{n.Volume, n.Loose})
	vol, _, _ := units(u)
	both("in fills", Fixed(cells[0], 100), vol, "")
	both("outside fills", Fixed(cells[1], 100), vol, "")
	both("metered", Fixed(sum, 100), vol, "in all")
	var b strings.Builder
	if err := g.write(&b); err != nil {
		return err
	}
	_, table, _ := strings.Cut(b.String(), "\n") // the head is empty
	if _, err := fmt.Fprintf(w, "%s\n\n%s\n", o.title("Tote", v), table); err != nil {
		return err
	}
	var past strings.Builder
	for _, line := range SayLeft(&v.Left, u, func(id string) string { return NameOf(v, id) }) {
		wrap(&past, "", line)
	}
	for _, c := range changesIn(v, o) {
		wrap(&past, "", "Past the meter, "+SayChange(&c, u, o.minute))
	}
	for _, d := range doubtsIn(v, o) {
		wrap(&past, "", "Meter and tote disagree, "+SayDoubt(&d, u, o.minute))
	}
	past.WriteByte('\n')
	if _, err := io.WriteString(w, past.String()); err != nil {
		return err
	}
	if t.Known {
		notes := append([]string(nil), t.Notes...)
		if t.Unsettled != "" {
			notes = append([]string{t.Unsettled + ": the level is less sure than at rest"}, notes...)
		}
		for _, n := range notes {
			if _, err := fmt.Fprintln(w, upper(n)+"."); err != nil {
				return err
			}
		}
		for _, line := range append([]string{t.Source}, t.Load.Words(u)...) {
			if line == "" {
				continue
			}
			if _, err := fmt.Fprintln(w, line); err != nil {
				return err
			}
		}
	}
	return foot(w, v, o)
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// Strapping writes a strapping table that was learnt, and what did not fit.
// The error is the writer's.
func Strapping(w io.Writer, v *ledger.View, l *tote.Learnt, u quantity.System) error {
	straps := l.Table.Straps()
	if _, err := fmt.Fprintf(w, "Strapping of %s, learnt from %s in %s\n\n", v.Rig, plural(l.Used, "level"), plural(l.Runs, "run")); err != nil {
		return err
	}
	_, lu := u.LengthParts(0)
	vol, _, _ := units(u)
	g := grid{head: []string{">" + lu, ">" + vol, ">±"}}
	for i, s := range straps {
		// A line each 100 mm is enough to read.
		if i > 0 && i < len(straps)-1 && int(straps[i-1].Level*10) == int(s.Level*10) {
			continue
		}
		x, _ := u.LengthParts(s.Level)
		c, _ := Closing(u, 10, []quantity.Volume{s.Volume})
		p := l.Table.At(s.Level)
		g.add(x, Fixed(c[0], 10), Within(u, quantity.VolumeOf(tote.Wide*p.U)))
	}
	if err := g.write(w); err != nil {
		return err
	}
	lines := append([]string{"", l.Table.Source().Words()}, learntNotes(l, u)...)
	for _, line := range append(lines, LegalNote) {
		if _, err := fmt.Fprintln(w, line); err != nil {
			return err
		}
	}
	return nil
}

// learntNotes says what did not fit of a strapping that was learnt.
func learntNotes(l *tote.Learnt, u quantity.System) (out []string) {
	for _, o := range l.Odd {
		out = append(out, o.Words(u))
	}
	for _, gap := range l.Gaps {
		out = append(out, "No level at rest between "+u.Length(gap.From)+" and "+u.Length(gap.To)+".")
	}
	if l.Spread > 1.5 {
		out = append(out, fmt.Sprintf("The levels scatter %.1f times wider than they should; the table is widened by that.", l.Spread))
	}
	return out
}
