package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/bucket"
	"yardtally/meter/entry"
	"yardtally/meter/ledger"
)

// runActs lists what people have said, in the order it was said.
func runActs(ctx context.Context, e *env, args []string) error {
	fs := flags("acts")
	w := where{house: true}
	w.flags(fs)
	all := fs.Bool("all", false, "also what was taken back or said again since, and what the rig itself said")
	asJSON := fs.Bool("json", false, "as JSON: one act a line, as an export has them")
	units := fs.String("units", "", "`UNITS`, US or SI (default: the settings')")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if err := checkUnits(*units); err != nil {
		return err
	}
	b, err := w.said(ctx)
	if err != nil {
		return err
	}
	sys := w.units(*units)
	acts, err := b.Acts(ctx)
	views, err2 := b.Views(ctx)
	if err = errors.Join(err, err2, b.Close()); err != nil {
		return err
	}
	zone := zoneOf(ledger.Together(views))
	counts := thatCount(acts)
	of := func(*act.Act) string { return "" }
	words := acts
	if b.house != nil {
		words = act.Housed(acts)
		slices.SortStableFunc(acts, func(a, b act.Act) int { return cmp.Compare(a.When, b.When) })
		slices.SortStableFunc(words, func(a, b act.Act) int { return cmp.Compare(a.When, b.When) })
		of = func(a *act.Act) string {
			if a.Rig == act.House {
				return " of the house"
			}
			return " of " + a.Rig
		}
	}
	for i := range acts {
		a := &acts[i]
		if _, byRig := a.Body.(act.Announced); (!counts[a.ID] || byRig) && !*all {
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
		fmt.Fprintf(e.out, "%s  said %s by %s%s%s%s\n    %s\n", short(a.ID), day(a.When, zone), a.Who, of(a), holdsFrom(a, zone), mark, sayAct(words[i].Body, sys, zone, w.currency()))
	}
	return nil
}

// runUndo takes acts back. Nothing is removed: an undo is an act as well, and
// can be taken back itself.
func runUndo(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("undo")
	w := where{house: true}
	w.flags(fs)
	who := fs.String("who", byCommand, "`NAME` of who says it")
	units := fs.String("units", "", "`UNITS`, US or SI (default: the settings')")
	if err := parse(e, fs, args, -1); err != nil {
		return err
	}
	if fs.NArg() == 0 {
		return usageError{errors.New("ACT: must be the id of an act, as \"yardtally acts\" lists it")}
	}
	if err := checkUnits(*units); err != nil {
		return err
	}
	k, err := w.said(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, k.Close()) }()
	if k.house != nil {
		s := spoken{where: w, who: *who, e: e, sys: w.units(*units), now: time.Now(), house: k.house}
		if err := s.lookHouse(ctx); err != nil {
			return err
		}
		return s.undoInHouse(ctx, fs.Args())
	}
	return takeBack(ctx, e, k.one, fs.Args(), *who, w.units(*units), w.currency())
}

// said opens what acts are kept in: of the rig that is named, of the only one,
// or of the house.
func (w *where) said(ctx context.Context) (*bookKeeper, error) {
	if err := w.find(); err != nil {
		return nil, err
	}
	if w.rig != "" {
		b, err := openBackend(ctx, w.data, w.rig, false)
		return &bookKeeper{one: b}, err
	}
	return w.bookKeeper(ctx, false)
}

// takeBack takes back all acts of those ids, or none, and tells what changed.
func takeBack(ctx context.Context, e *env, b backend, ids []string, who string, sys quantity.System, currency string) error {
	acts, err := b.Acts(ctx)
	if err != nil {
		return err
	}
	now := time.Now().UnixNano()
	for i := range acts {
		now = max(now, acts[i].When+1)
	}
	gone := act.TakenBack(acts)
	var back, undos []act.Act
	for _, id := range ids {
		a, err := named(acts, id)
		if err != nil {
			return err
		}
		if gone[a.ID] {
			return fmt.Errorf("ACT: must not be taken back already, is %q", id)
		}
		gone[a.ID] = true
		back = append(back, *a)
		undos = append(undos, act.Act{ID: newID(), Rig: b.Rig(), Who: who, When: now, Body: act.Undo{Act: a.ID}})
	}
	before, err := b.View(ctx)
	if err != nil {
		return err
	}
	if _, err := b.AddActs(ctx, undos...); err != nil {
		return err
	}
	after, err := b.View(ctx)
	if err != nil {
		return fmt.Errorf("it is taken back, but what that changes cannot be told: %w", err)
	}
	zone := zoneOf(after)
	for i := range back {
		fmt.Fprintf(e.out, "Taken back: %s\n", sayAct(back[i].Body, sys, zone, currency))
	}
	if before.Total != after.Total {
		fmt.Fprintf(e.out, "Metered in all: %s before, %s now.\n", report.Hundredths(sys, before.Total), report.Hundredths(sys, after.Total))
	}
	restate(e.out, before, after, sys, zone)
	sayBySettings(e.out, back)
	return nil
}

// sayBySettings says that what was taken back stands in the settings file.
func sayBySettings(w io.Writer, back []act.Act) {
	if slices.ContainsFunc(back, func(a act.Act) bool { return a.Who == bySettings }) {
		fmt.Fprintln(w, "The settings file says it: take it out there as well, or the next start says it again.")
	}
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
		key = a.Rig + " " + key
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
	for id := range act.Corrected(act.Standing(acts)) {
		out[id] = false
	}
	return out
}

func day(ns int64, zone *time.Location) string {
	return time.Unix(0, ns).In(zone).Format("2006-01-02 15:04")
}

// holdsFrom says from when an act holds, unless it is about a moment or counts.
func holdsFrom(a *act.Act, zone *time.Location) string {
	switch a.Body.(type) {
	case act.Arrive, act.Colony, act.Assign, act.Deem, act.Cut, act.Visit, act.Drained, act.Break, act.Announced, act.Ack, act.Shelve, act.Undo:
		return ""
	}
	if act.OfBooks(a.Body) {
		if a.From == 0 {
			return ""
		}
		return ", of " + day(a.From, zone)
	}
	if a.From == 0 {
		return ", holds since ever"
	}
	return ", holds from " + day(a.From, zone)
}

// sayAct says an act in a line; currency is the sign of prices.
func sayAct(b act.Body, u quantity.System, zone *time.Location, currency string) string {
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
	case act.Line:
		return "line: " + sayLine(b, u)
	case act.Proving:
		return "proving: " + sayProving(b, u)
	case act.Batch:
		what := fmt.Sprintf("batch: %s at %g Brix", bucket.SayMakeup(b), b.Brix)
		if b.Reading != 0 {
			what = fmt.Sprintf("batch: %s that a refractometer read as %g Brix", bucket.SayMakeup(b), b.Reading)
		}
		return what
	case act.Assign:
		to := "no yard"
		if b.Yard != "" {
			to = "yard " + b.Yard
		}
		return fmt.Sprintf("assign: pulses %d to %d of session %d to %s", b.First, b.Last, b.Session, to)
	case act.Deem:
		return fmt.Sprintf("deem: pulses %d to %d of session %d as %s", b.First, b.Last, b.Session, b.As)
	case act.Cut:
		return fmt.Sprintf("cut: after pulse %d of session %d", b.At, b.Session)
	case act.Visit:
		if b.Goes {
			return "visit: what begins at " + moment(b.At, zone) + " goes on with the one before"
		}
		return "visit: begins at " + moment(b.At, zone)
	case act.Arrive:
		if b.Yard == "" {
			return "arrive: left at " + moment(b.At, zone)
		}
		return "arrive: in yard " + b.Yard + " at " + moment(b.At, zone)
	case act.Drained:
		return "drained: the hose, at " + moment(b.At, zone)
	case act.Break:
		if b.Over {
			return "break: over at " + moment(b.At, zone)
		}
		return "break: from " + moment(b.At, zone)
	case act.Colony:
		return sayColony(b) + ", at " + moment(b.At, zone)
	case act.Colonies:
		what := fmt.Sprintf("colonies: %d in yard %s", b.Count, b.Yard)
		if b.FillL > 0 {
			what += ", to get " + report.Hundredths(u, quantity.VolumeOf(b.FillL/1000)) + " each"
		}
		return what
	case act.Target:
		return sayTarget(b, u)
	case act.Route:
		if len(b.Yards) == 0 {
			return "route: none"
		}
		return "route: " + strings.Join(b.Yards, ", ")
	case act.Announced:
		return "announced: " + b.Key + ", " + b.What + " at " + moment(b.At, zone)
	case act.Ack:
		return "ack: " + b.Key
	case act.Shelve:
		if b.Off() {
			return "shelve: " + b.What + ", off the shelf"
		}
		return "shelve: " + b.What + ", until " + moment(b.Until, zone)
	case act.Undo:
		return "undo: of act " + short(b.Act)
	case act.Fix:
		return "fix: the clock of boot " + short(b.Boot) + " by " + b.By
	}
	if act.OfBooks(b) {
		return entry.Words(b, u, currency)
	}
	return b.Kind() + ": of a later version"
}

func sayTarget(b act.Target, u quantity.System) string {
	where := "yard " + b.Yard
	if b.Yard == "" {
		where = "every yard that has none of its own"
	}
	switch {
	case b.EachL > 0:
		return "target: " + report.Hundredths(u, quantity.VolumeOf(b.EachL/1000)) + " of syrup a colony and season in " + where
	case b.SugarKg > 0:
		return "target: " + u.Mass(quantity.Mass(b.SugarKg)) + " of sugar a colony and season in " + where
	}
	return "target: none in " + where
}

func sayColony(b act.Colony) string {
	what := "one " + b.What
	switch {
	case b.What == act.AllTold:
		what = b.What
	case b.What == act.Shared:
		what = fmt.Sprintf("%d share the fill before", b.N)
	case b.Number > 0:
		what = fmt.Sprintf("number %d %s", b.Number, b.What)
	case b.N > 1:
		what = fmt.Sprintf("%d %s", b.N, b.What)
	}
	if b.What == act.TwoFeeders {
		what = strings.Replace(what, b.What, "with "+b.What, 1)
	}
	if b.Yard != "" {
		what += " in yard " + b.Yard
	}
	return "colony: " + what
}

// moment prints an instant as it was said.
func moment(m act.Moment, zone *time.Location) string {
	if m.NS == 0 {
		return "a moment of boot " + short(m.Boot)
	}
	return second(m.NS, zone)
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
