package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"yardtally/calibrate/tote"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// byCommand signs acts that were given on the command line.
const byCommand = "command line"

// runStrap learns the tote's strapping table from levels at rest and what the
// meter counted between them, shows it, and keeps it if asked to.
func runStrap(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("strap")
	var w where
	w.flags(fs)
	since := fs.String("since", "", "first `DATE` of the nights to learn from, like 2026-10-09 (default: all)")
	keep := fs.Bool("keep", false, "keep the table: from now on levels are read by it")
	units := fs.String("units", "", "`UNITS` of the table, US or SI (default: the settings')")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if err := checkUnits(*units); err != nil {
		return err
	}
	if _, err := time.Parse(time.DateOnly, *since); err != nil && *since != "" {
		return usageError{fmt.Errorf("-since: must be a date like 2026-10-09, is %q", *since)}
	}
	b, err := w.reach(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	v, err := b.View(ctx)
	if err != nil {
		return err
	}
	from := int64(0)
	if *since != "" {
		zone := zoneOf(v)
		day, _ := time.ParseInLocation(time.DateOnly, *since, zone)
		from, _ = ledger.NightOf(day.Add(18*time.Hour).UnixNano(), zone)
	}
	learnt, meterU, err := v.LearnTote(from)
	if err != nil {
		return fmt.Errorf("the levels at rest do not tell: %w", err)
	}
	if err := report.Strapping(e.out, v, &learnt, w.units(*units)); err != nil {
		return err
	}
	if !*keep {
		fmt.Fprintln(e.out, "Nothing was kept: -keep keeps it.")
		return nil
	}
	acts, err := b.AllActs(ctx)
	if err != nil {
		return err
	}
	return keepStraps(ctx, e, b, acts, learnt.Table, meterU)
}

// keepStraps adds the tote's newest act again, with the straps that were learnt.
func keepStraps(ctx context.Context, e *env, b backend, acts []act.Act, t tote.Table, meterU float64) error {
	now := time.Now().UnixNano()
	var newest *act.Act
	standing := ledger.WithBooks(b.Rig(), act.Standing(acts))
	for i := range standing {
		now = max(now, standing[i].When+1)
		if _, ok := standing[i].Body.(act.Tote); ok {
			newest = &standing[i]
		}
	}
	if newest == nil {
		return errors.New("no tote is described yet: its name, capacity and sensor stand in the settings")
	}
	body := newest.Body.(act.Tote)
	body.Straps, body.LearntU = nil, meterU
	for _, s := range t.Straps() {
		body.Straps = append(body.Straps, act.Strap{LevelM: float64(s.Level), VolumeL: s.Volume.Litres(), UL: s.U.Litres()})
	}
	a := act.Act{ID: newID(), Rig: b.Rig(), Who: byCommand, When: now, From: now, Body: body}
	if err := a.Check(); err != nil {
		return err
	}
	if _, err := b.AddActs(ctx, a); err != nil {
		return err
	}
	fmt.Fprintln(e.out, "Kept: from now on levels are read by this table.")
	return nil
}
