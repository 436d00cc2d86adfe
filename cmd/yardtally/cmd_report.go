package main

import (
	"context"
	"errors"
	"io"

	"yardtally/dashboard/report"
	"yardtally/meter/ledger"
)

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
	night := fs.String("night", "", "evening's `DATE`, like 2026-10-09 (default: the newest night)")
	all := fs.Bool("all", false, "everything, not one night")
	asJSON := fs.Bool("json", false, "as JSON: SI units, RFC 3339 times")
	asCSV := fs.Bool("csv", false, "as CSV: the same columns")
	units := fs.String("units", "", "`UNITS` of the table, US or SI (default: the settings')")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	var o report.Options
	switch {
	case *asJSON && *asCSV:
		return usageError{errors.New("-csv: must not stand beside -json")}
	case *all && *night != "":
		return usageError{errors.New("-night: must not stand beside -all")}
	case *asJSON:
		o.Format = report.JSON
	case *asCSV:
		o.Format = report.CSV
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
	return print(e.out, v, o)
}
