package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/ingest/publish"
	"yardtally/meter/ledger"
)

const fleetUsage = `
It asks the InfluxDB of [influxdb] for what all rigs that forward to it gave, from
noon to noon in the settings' zone; neither a journal nor a daemon is needed. The
store adds up what holds, so a figure is as new as the last point that a rig could
send: see when each was heard last. An InfluxDB 1.8 must have flux-enabled set.
`

// fleetLine is a rig's yard, for programs.
type fleetLine struct {
	Rig      string    `json:"rig"`
	Yard     string    `json:"yard"`
	Pulls    int       `json:"pulls"`
	VolumeL  float64   `json:"volume_l"`
	SolidsKg float64   `json:"solids_kg"`
	First    time.Time `json:"first,omitzero"`
	Last     time.Time `json:"last,omitzero"`
	Heard    time.Time `json:"heard,omitzero"` // the rig's newest sample
}

func runFleet(ctx context.Context, e *env, args []string) error {
	fs := flags("fleet")
	also(fs, fleetUsage)
	w := where{house: true}
	fs.StringVar(&w.settings, "settings", "", "settings `FILE` (default "+defaultSettings+", if it is there)")
	night := fs.String("night", "", "`DATE` of the evening, like 2026-10-09 (default: that of the newest noon)")
	asJSON := fs.Bool("json", false, "as JSON: a record a rig and yard, SI units")
	asCSV := fs.Bool("csv", false, "as CSV: the same")
	units := fs.String("units", "", "`UNITS` of the table, US or SI (default: the settings')")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if err := askFormat(new(report.Options), *asJSON, *asCSV); err != nil {
		return err
	}
	if err := errors.Join(checkNight(*night), checkUnits(*units)); err != nil {
		return err
	}
	if err := w.findSettings(); err != nil {
		return err
	}
	in := w.set.Influx
	if in == nil {
		return errNoStore
	}
	at := time.Now()
	if *night != "" {
		day, err := time.ParseInLocation(time.DateOnly, *night, w.set.Zone)
		if err != nil {
			return err
		}
		at = day.Add(18 * time.Hour)
	}
	from, to := ledger.NightOf(at.UnixNano(), w.set.Zone)
	rigs, err := publish.Fleet(ctx, publish.Options{URL: in.URL, Token: in.Token, Org: in.Org, Bucket: in.Bucket}, time.Unix(0, from), time.Unix(0, to))
	if err != nil {
		return err
	}
	switch {
	case *asJSON:
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		return enc.Encode(fleetLines(rigs))
	case *asCSV:
		return fleetCSV(e, fleetLines(rigs))
	}
	fleetTable(e, rigs, w.units(*units), w.set.Zone, time.Unix(0, from))
	return nil
}

func fleetLines(rigs []publish.FleetRig) []fleetLine {
	out := []fleetLine{}
	for _, r := range rigs {
		if len(r.Yards) == 0 {
			out = append(out, fleetLine{Rig: r.Rig, Heard: r.Sampled})
		}
		for _, y := range r.Yards {
			out = append(out, fleetLine{r.Rig, y.Yard, y.Pulls, y.Volume.Litres(), float64(y.Solids), y.First, y.Last, r.Sampled})
		}
	}
	return out
}

func fleetCSV(e *env, lines []fleetLine) error {
	c := csv.NewWriter(e.out)
	when := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.UTC().Format(time.RFC3339)
	}
	num := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	_ = c.Write([]string{"rig", "yard", "pulls", "volume_l", "solids_kg", "first", "last", "heard"}) // Error has it
	for _, l := range lines {
		_ = c.Write([]string{l.Rig, l.Yard, strconv.Itoa(l.Pulls), num(l.VolumeL), num(l.SolidsKg), when(l.First), when(l.Last), when(l.Heard)})
	}
	c.Flush()
	return c.Error()
}

// fleetTable prints a line a rig and one for all of them.
func fleetTable(e *env, rigs []publish.FleetRig, u quantity.System, zone *time.Location, from time.Time) {
	fmt.Fprintf(e.out, "The night of %s, as the InfluxDB has it\n\n", from.In(zone).Format("2 January 2006"))
	if len(rigs) == 0 {
		fmt.Fprintln(e.out, "No rig was heard.")
		return
	}
	line := func(rig string, yards, pulls int, v quantity.Volume, kg quantity.Mass, heard string) {
		sugar := "-"
		if kg > 0 {
			sugar, _ = u.MassParts(kg)
		}
		volume, _ := u.VolumeParts(v)
		fmt.Fprintf(e.out, "%-20s %6d %6d %10s %10s  %s\n", rig, yards, pulls, volume, sugar, heard)
	}
	_, vu := u.VolumeParts(0)
	_, mu := u.MassParts(0)
	fmt.Fprintf(e.out, "%-20s %6s %6s %10s %10s  %s\n", "rig", "yards", "pulls", vu, "sugar, "+mu, "heard last")
	var all struct {
		yards, pulls int
		v            quantity.Volume
		kg           quantity.Mass
	}
	for _, r := range rigs {
		var v quantity.Volume
		var kg quantity.Mass
		pulls, yards := 0, 0
		for _, y := range r.Yards {
			v, kg, pulls = v+y.Volume, kg+y.Solids, pulls+y.Pulls
			if y.Yard != "" {
				yards++
			}
		}
		heard := "not"
		if !r.Sampled.IsZero() {
			heard = r.Sampled.In(zone).Format("15:04")
		}
		line(r.Rig, yards, pulls, v, kg, heard)
		all.yards, all.pulls, all.v, all.kg = all.yards+yards, all.pulls+pulls, all.v+v, all.kg+kg
	}
	line(fmt.Sprintf("%d rigs", len(rigs)), all.yards, all.pulls, all.v, all.kg, "")
}
