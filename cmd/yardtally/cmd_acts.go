package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
)

// runActs lists what people have said, in the order it was said.
func runActs(ctx context.Context, e *env, args []string) error {
	fs := flags("acts")
	var w where
	w.flags(fs)
	all := fs.Bool("all", false, "also what was taken back or said again since")
	asJSON := fs.Bool("json", false, "as JSON: one act a line, as an export has them")
	units := fs.String("units", "", "`UNITS`, US or SI (default: the settings')")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if err := checkUnits(*units); err != nil {
		return err
	}
	if err := w.find(); err != nil {
		return err
	}
	sys := w.units(*units)
	b, err := openBackend(ctx, w.data, w.rig, false)
	if err != nil {
		return err
	}
	acts, err := b.Acts(ctx)
	v, err2 := b.View(ctx)
	if err = errors.Join(err, err2, b.Close()); err != nil {
		return err
	}
	zone := zoneOf(v)
	counts := thatCount(acts)
	for i := range acts {
		a := &acts[i]
		if !counts[a.ID] && !*all {
			continue
		}
		if *asJSON {
			line, err := json.Marshal(*a)
			if err != nil {
				return err
			}
			fmt.Fprintf(e.out, "%s\n", line)
			continue
		}
		mark := ""
		if !counts[a.ID] {
			mark = ", no longer counts"
		}
		fmt.Fprintf(e.out, "%s  said %s by %s, holds %s%s\n    %s\n", short(a.ID), day(a.When, zone), a.Who, since(a.From, zone), mark, sayAct(a.Body, sys))
	}
	return nil
}

// runUndo takes an act back. Nothing is removed: the undo is an act as well,
// and can be taken back itself.
func runUndo(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("undo")
	var w where
	w.flags(fs)
	who := fs.String("who", byCommand, "`NAME` of who says it")
	units := fs.String("units", "", "`UNITS`, US or SI (default: the settings')")
	if err := parse(e, fs, args, 1); err != nil {
		return err
	}
	if fs.NArg() != 1 {
		return usageError{errors.New("ACT: must be the id of an act, as \"yardtally acts\" lists it")}
	}
	if err := checkUnits(*units); err != nil {
		return err
	}
	if err := w.find(); err != nil {
		return err
	}
	sys := w.units(*units)
	b, err := openBackend(ctx, w.data, w.rig, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	acts, err := b.Acts(ctx)
	if err != nil {
		return err
	}
	back, err := named(acts, fs.Arg(0))
	if err != nil {
		return err
	}
	if act.TakenBack(acts)[back.ID] {
		return fmt.Errorf("ACT: must not be taken back already, is %q", fs.Arg(0))
	}
	before, err := b.View(ctx)
	if err != nil {
		return err
	}
	now := time.Now().UnixNano()
	for i := range acts {
		now = max(now, acts[i].When+1)
	}
	if _, err := b.AddActs(ctx, act.Act{ID: newID(), Rig: b.Rig(), Who: *who, When: now, Body: act.Undo{Act: back.ID}}); err != nil {
		return err
	}
	after, err := b.View(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "Taken back: %s\n", sayAct(back.Body, sys))
	if before.Total != after.Total {
		fmt.Fprintf(e.out, "Metered in all: %s before, %s now.\n", report.Hundredths(sys, before.Total), report.Hundredths(sys, after.Total))
	}
	if back.Who == bySettings {
		fmt.Fprintln(e.out, "The settings file says it: take it out there as well, or the next start says it again.")
	}
	return nil
}

// shortest is how much of an id names an act on a command line.
const shortest = 6

func short(id string) string { return id[:min(len(id), 2*shortest)] }

// named returns the act whose id begins so.
func named(acts []act.Act, text string) (*act.Act, error) {
	var found *act.Act
	for i := range acts {
		a := &acts[i]
		if a.ID == text {
			return a, nil
		}
		if len(text) >= shortest && strings.HasPrefix(a.ID, text) {
			if found != nil {
				return nil, fmt.Errorf("ACT: must name one act only, and %q begins several", text)
			}
			found = a
		}
	}
	if found == nil {
		return nil, fmt.Errorf("ACT: must be the id of an act, or its first %d letters at least, is %q", shortest, text)
	}
	return found, nil
}

// thatCount returns the acts that count: neither taken back nor said again.
func thatCount(acts []act.Act) map[string]bool {
	gone := act.TakenBack(acts)
	out := make(map[string]bool)
	newest := make(map[string]*act.Act)
	for i := range acts {
		a := &acts[i]
		if gone[a.ID] {
			continue
		}
		out[a.ID] = true
		key := act.Subject(a.Body)
		if key == "" {
			continue
		}
		if p, ok := a.Body.(act.Proving); !ok || p.DoneNS == 0 {
			key = fmt.Sprint(key, " from ", a.From)
		}
		if old := newest[key]; old == nil || a.When >= old.When {
			if old != nil {
				out[old.ID] = false
			}
			newest[key] = a
		} else {
			out[a.ID] = false
		}
	}
	return out
}

func day(ns int64, zone *time.Location) string {
	return time.Unix(0, ns).In(zone).Format("2006-01-02 15:04")
}

func since(from int64, zone *time.Location) string {
	if from == 0 {
		return "since ever"
	}
	return "from " + day(from, zone)
}

// sayAct says an act in a line.
func sayAct(b act.Body, u quantity.System) string {
	volume := func(l float64) string { return u.Volume(quantity.VolumeOf(l / 1000)) }
	switch b := b.(type) {
	case act.Rig:
		return fmt.Sprintf("rig: a fill ends after %g s of quiet, less than %s is a dribble, zone %s", b.QuietS, volume(b.LeastL), b.Zone)
	case act.Tote:
		how := "strapped"
		if b.LearntU > 0 {
			how = "strapping learnt from the meter"
		}
		return fmt.Sprintf("tote: %s of %s, %s", b.Name, volume(b.CapacityL), how)
	case act.Yard:
		what := fmt.Sprintf("yard: %s (%s) at %.5f, %.5f", b.ID, b.Name, b.Lat, b.Lon)
		if b.Colonies > 0 {
			what += fmt.Sprintf(", %d colonies", b.Colonies)
		}
		if b.Closed {
			what += ", closed"
		}
		return what
	case act.Meter:
		return "meter: " + b.Type
	case act.Proving:
		return "proving: " + sayProving(b, u)
	case act.Batch:
		what := fmt.Sprintf("batch: %s at %g Brix", sayMakeup(b), b.Brix)
		if b.Reading != 0 {
			what = fmt.Sprintf("batch: %s that a refractometer read as %g Brix", sayMakeup(b), b.Reading)
		}
		return what
	case act.Assign:
		to := "no yard"
		if b.Yard != "" {
			to = "yard " + b.Yard
		}
		return fmt.Sprintf("assign: pulses %d to %d of session %d to %s", b.First, b.Last, b.Session, to)
	case act.Undo:
		return "undo: of act " + short(b.Act)
	case act.Fix:
		return "fix: the clock of boot " + short(b.Boot) + " by " + b.By
	}
	return b.Kind() + ": of a later version"
}

func sayProving(b act.Proving, u quantity.System) string {
	if b.PulsesPerL > 0 {
		return strings.TrimSuffix(fmt.Sprintf("K-factor %.6g pulses/L, %s", b.PulsesPerL, b.Note), ", ")
	}
	what := fmt.Sprintf("%.0f pulses, %s", b.Pulses, u.Mass(quantity.Mass(b.NetKg)))
	if b.Mass {
		what += ", by mass"
	} else {
		what += fmt.Sprintf(" of %g Brix", b.Brix)
	}
	what += " at " + u.Temperature(quantity.Temperature(b.TempC))
	if b.Fresh {
		what += ", the meter fresh"
	}
	if b.Note != "" {
		what += ", " + b.Note
	}
	return what
}
