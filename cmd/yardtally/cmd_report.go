package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"yardtally/calibrate/quantity"
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
	fs := flags(e, name)
	var w where
	w.flags(fs)
	night := fs.String("night", "", "`DATE` of the evening, like 2026-10-09 (default: the newest night)")
	all := fs.Bool("all", false, "everything, not one night")
	asJSON := fs.Bool("json", false, "as JSON: SI units, RFC 3339 times")
	asCSV := fs.Bool("csv", false, "as CSV: the same columns")
	units := fs.String("units", "", "`SYSTEM` of the table, US or SI (default: the settings')")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	o := report.Options{Units: quantity.US}
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
	if err := w.find(); err != nil {
		return err
	}
	if w.set != nil {
		o.Units = w.set.Units
	}
	if *units != "" {
		var err error
		if o.Units, err = quantity.ParseSystem(*units); err != nil {
			return usageError{fmt.Errorf("-units: must be US or SI, is %q", *units)}
		}
	}
	b, err := openBackend(w.data, w.rig, false)
	if err != nil {
		return err
	}
	v, err := b.View(ctx)
	if err = errors.Join(err, b.Close()); err != nil {
		return err
	}
	if o.Zone, err = time.LoadLocation(v.Zone); err != nil {
		o.Zone = time.UTC
	}
	switch {
	case *all:
	case *night != "":
		day, err := time.ParseInLocation("2006-01-02", *night, o.Zone)
		if err != nil {
			return usageError{fmt.Errorf("-night: must be a date like 2026-10-09, is %q", *night)}
		}
		o.From, o.To = ledger.NightOf(day.Add(18*time.Hour).UnixNano(), o.Zone)
	case v.At != 0:
		o.From, o.To = ledger.NightOf(v.At, o.Zone)
	}
	return print(e.out, v, o)
}
