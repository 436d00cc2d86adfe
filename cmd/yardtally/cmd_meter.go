package main

import (
	"context"
	"time"

	"yardtally/dashboard/report"
)

// runMeter reports on the flow meter, over everything there is.
func runMeter(ctx context.Context, e *env, args []string) error {
	fs := flags("meter")
	var w where
	w.flags(fs)
	asJSON := fs.Bool("json", false, "as JSON: SI units, RFC 3339 times")
	asCSV := fs.Bool("csv", false, "as CSV: one line a proving")
	units := fs.String("units", "", "`UNITS` of the table, US or SI (default: the settings')")
	on := fs.String("on", "", "judge what is due, and which curve holds, on this `DATE`, like 2026-10-09 (default: today)")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	o := report.Options{Now: time.Now().UnixNano()}
	if err := askFormat(&o, *asJSON, *asCSV); err != nil {
		return err
	}
	if err := checkUnits(*units); err != nil {
		return err
	}
	if _, err := dayIn(*on, time.UTC); err != nil {
		return usageError{err}
	}
	if err := w.find(); err != nil {
		return err
	}
	o.Units = w.units(*units)
	v, zone, err := w.read(ctx)
	if err != nil {
		return err
	}
	o.Zone = zone
	if day, _ := dayIn(*on, o.Zone); !day.IsZero() {
		o.Now = day.AddDate(0, 0, 1).UnixNano() - 1
	}
	return report.Meter(e.out, v, o)
}
