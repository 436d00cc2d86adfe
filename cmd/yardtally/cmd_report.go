package main

import (
	"context"
	"errors"
	"io"

	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
)

// askFormat sets the format that was asked for.
func askFormat(o *report.Options, asJSON, asCSV bool) error {
	switch {
	case asJSON && asCSV:
		return usageError{errors.New("-csv: must not stand beside -json")}
	case asJSON:
		o.Format = report.JSON
	case asCSV:
		o.Format = report.CSV
	}
	return nil
}

func runFills(ctx context.Context, e *env, args []string) error {
	return runReport(ctx, e, "fills", args, report.Fills)
}

func runYards(ctx context.Context, e *env, args []string) error {
	return runReport(ctx, e, "yards", args, report.Yards)
}

func runTote(ctx context.Context, e *env, args []string) error {
	return runReport(ctx, e, "tote", args, report.Tote)
}

func runReport(ctx context.Context, e *env, name string, args []string, print func(io.Writer, *ledger.View, report.Options) error) error {
	fs := flags(name)
	var w where
	w.flags(fs)
	night := fs.String("night", "", "`DATE` that outings began on, like 2026-10-09; before 05:00, or before noon after an evening out, counts as the evening before (default: the newest)")
	all := fs.Bool("all", false, "everything, not one night")
	asJSON := fs.Bool("json", false, "as JSON: SI units, RFC 3339 times")
	asCSV := fs.Bool("csv", false, "as CSV: the same columns")
	visits := new(bool)
	if name == "yards" {
		fs.BoolVar(visits, "visits", false, "with -csv, a line a visit, not a yard")
	}
	units := fs.String("units", "", "`UNITS` of the table, US or SI (default: the settings')")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	var o report.Options
	if err := askFormat(&o, *asJSON, *asCSV); err != nil {
		return err
	}
	switch {
	case *all && *night != "":
		return usageError{errors.New("-night: must not stand beside -all")}
	case *visits && !*asCSV:
		return usageError{errors.New("-visits: must stand beside -csv; the table and -json have the visits anyway")}
	}
	if err := checkNight(*night); err != nil {
		return err
	}
	if err := checkUnits(*units); err != nil {
		return err
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
	if !*all {
		o.From, o.To = nightIn(v, zone, *night)
	}
	o.Visits = *visits
	if name == "tote" && *night == "" && o.To != 0 {
		o.To = max(o.To, v.At+1) // a refill the day after is news, too
	}
	return print(e.out, v, o)
}
