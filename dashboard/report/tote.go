package report

import (
	"fmt"
	"io"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
)

// ToteRow is the tote as the ledger knows it, beside what the meter counted
// out of it in the stretch. The tote's part is as of At, whatever the stretch.
type ToteRow struct {
	Tote       string  `json:"tote"`  // its name
	Known      bool    `json:"known"` // whether the level is known
	Reason     string  `json:"reason"`
	At         instant `json:"at"`         // newest level reading used
	By         string  `json:"by"`         // "headspace" or "head"
	LevelM     number  `json:"level_m"`    // surface above the floor
	VolumeL    number  `json:"volume_l"`   // by strapping
	UsableL    number  `json:"usable_l"`   // volume_l less what stays below the outlet
	CapacityL  number  `json:"capacity_l"` // nominal
	SyrupC     number  `json:"syrup_c"`    // newest at the meter
	Brix       number  `json:"brix"`       // declared, mass percent
	PulsesPerL number  `json:"pulses_per_l"`
	FillsL     number  `json:"fills_l"`
	OutsideL   number  `json:"outside_l"`
	MeteredL   number  `json:"metered_l"` // fills_l + outside_l
}

type toteDoc struct {
	Report        string  `json:"report"` // "tote"
	Rig           string  `json:"rig"`
	From          instant `json:"from"`
	To            instant `json:"to"`
	Settled       instant `json:"settled"`
	LegalForTrade bool    `json:"legal_for_trade"`
	ToteRow
}

// Tote writes what is left in the tote, and what the meter counted in the
// stretch. The error is the writer's.
func Tote(w io.Writer, v *ledger.View, o Options) error {
	if v == nil {
		v = &ledger.View{}
	}
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
	if o.Format == CSV {
		return writeCSV(w, []ToteRow{row})
	}
	return writeJSON(w, toteDoc{Report: "tote", Rig: v.Rig, From: instant(o.From), To: instant(o.To),
		Settled: instant(v.Settled), ToteRow: row})
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
		if t.Capacity > 0 {
			rest = "of " + u.Volume(t.Capacity)
		}
		both("holds", x, xu, rest)
		x, xu = u.VolumeParts(t.Usable)
		both("left to draw", x, xu, "")
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
	return foot(w, v, o)
}
