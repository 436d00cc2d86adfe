package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"slices"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// spoken is something that a person says or corrects on the command line. It
// becomes acts, and what they change is told.
type spoken struct {
	where
	who, unitsAsked, night string

	e        *env
	sys      quantity.System
	backend  backend        // nil in a house's book
	house    housekeeper    // of that; nil of one rig
	views    []*ledger.View // its rigs' own
	before   *ledger.View   // in a house what they are together
	acts     []act.Act
	zone     *time.Location
	now      time.Time
	from, to int64 // the night that times are of
}

func (s *spoken) flags(fs *flag.FlagSet) {
	s.where.flags(fs)
	fs.StringVar(&s.who, "who", byCommand, "`NAME` of who says it")
	fs.StringVar(&s.night, "night", "", "evening's `DATE` that times and fills are of, like 2026-10-09 (default: the newest night)")
	fs.StringVar(&s.unitsAsked, "units", "", "`UNITS` of what is told, US or SI (default: the settings')")
}

// parse reads a command's line as parse does, and refuses flags that cannot be
// so, before anything is opened.
func (s *spoken) parse(e *env, fs *flag.FlagSet, args []string, most int) error {
	if err := parse(e, fs, args, most); err != nil {
		return err
	}
	if err := checkNight(s.night); err != nil {
		return err
	}
	if strings.TrimSpace(s.who) == "" {
		return usageError{fmt.Errorf("-who: must not be empty, is %q", s.who)}
	}
	return checkUnits(s.unitsAsked)
}

// open opens the journal or finds the daemon, says what the settings say, as
// every command does that adds to a journal, and looks at what is there.
func (s *spoken) open(ctx context.Context, e *env) (err error) {
	if err := s.find(); err != nil {
		return err
	}
	s.e, s.sys, s.now = e, s.units(s.unitsAsked), time.Now()
	if s.backend, err = openBackend(ctx, s.data, s.rig, s.set != nil); err != nil {
		return err
	}
	if err := s.look(ctx); err != nil {
		return errors.Join(err, s.backend.Close())
	}
	return nil
}

func (s *spoken) look(ctx context.Context) (err error) {
	if _, running := s.backend.(*remote); s.set != nil && s.set.Rig == s.backend.Rig() && !running {
		if err := sayAll(ctx, s.backend, s.set, s.now.UnixNano()); err != nil {
			return err
		}
	}
	if s.before, err = s.backend.View(ctx); err != nil {
		return err
	}
	if s.acts, err = s.backend.Acts(ctx); err != nil {
		return err
	}
	s.zone = zoneOf(s.before)
	// Times are of the newest readings' night, in which nothing may have flowed yet.
	switch {
	case s.night != "":
		s.from, s.to = nightIn(s.before, s.zone, s.night)
	case s.before.At != 0:
		s.from, s.to = s.before.NightAt(s.before.At, s.zone)
	default:
		s.from, s.to = ledger.NightOf(s.now.UnixNano(), s.zone)
	}
	return nil
}

// said is what is to be said: a body, from when it holds, 0 for ever, and what
// it corrects.
type said struct {
	from int64
	body act.Body
	over []string
}

// keep adds acts, then tells their ids, what they changed and how to take them
// back. text is what was said, in words.
func (s *spoken) keep(ctx context.Context, text string, all ...said) error {
	when := s.now.UnixNano()
	for i := range s.acts {
		when = max(when, s.acts[i].When+1)
	}
	standing := act.Standing(s.acts)
	acts := make([]act.Act, len(all))
	ids := make([]string, len(all))
	for i, x := range all {
		a := &acts[i]
		*a = act.Act{ID: newID(), Rig: s.backend.Rig(), Who: s.who, When: when, From: x.from, Body: x.body, Replaces: slices.Clone(x.over)}
		a.Replaces = replaces(a, standing)
		if err := a.Check(); err != nil {
			return err
		}
		ids[i] = short(a.ID)
	}
	if _, err := s.backend.AddActs(ctx, acts...); err != nil {
		return err
	}
	fmt.Fprintf(s.e.out, "%s\nKept as act %s, said by %s.\n", text, strings.Join(ids, " "), s.who)
	after, err := s.backend.View(ctx)
	if err != nil {
		return fmt.Errorf("it is kept, but what it changes cannot be told: %w", err)
	}
	if !restate(s.e.out, s.before, after, s.sys, s.zone) {
		fmt.Fprintln(s.e.out, "No yard's total changes.")
	}
	fmt.Fprintf(s.e.out, "\nTo take it back: yardtally undo %s\n", strings.Join(ids, " "))
	for i := range acts {
		for _, r := range after.Review {
			if r.Act == acts[i].ID {
				return fmt.Errorf("act %s is kept, but cannot be used as it was meant: %s", ids[i], r.Why)
			}
		}
	}
	return nil
}

// replaces returns what an act replaces: what it names itself, and what else stands
// on its matter.
func replaces(a *act.Act, standing []act.Act) []string {
	out := slices.Clone(a.Replaces)
	for k := range standing {
		if sameMatter(a, &standing[k]) && !slices.Contains(out, standing[k].ID) {
			out = append(out, standing[k].ID)
		}
	}
	return out
}

// sameMatter reports whether a new act is about what an old one was about, so
// that it replaces it, at least in part.
func sameMatter(a, old *act.Act) bool {
	switch b := a.Body.(type) {
	case act.Assign:
		o, ok := old.Body.(act.Assign)
		return ok && o.Session == b.Session && o.First < b.Last && b.First < o.Last
	case act.Deem:
		o, ok := old.Body.(act.Deem)
		return ok && o.Session == b.Session && o.First < b.Last && b.First < o.Last
	}
	subject := act.Subject(a.Body)
	return subject != "" && a.From == old.From && subject == act.Subject(old.Body)
}

// checkNight refuses what is not a date; "" is the newest night.
func checkNight(text string) error {
	if _, err := time.Parse(time.DateOnly, text); err != nil && text != "" {
		return usageError{fmt.Errorf("-night: must be a date like 2026-10-09, is %q", text)}
	}
	return nil
}

// nightIn returns the night of that date, as ledger.View.NightOn has it; for ""
// the newest with an outing or, without any, that of the newest readings, and
// 0, 0 where there are none. Reports and fills' numbers are of it.
func nightIn(v *ledger.View, zone *time.Location, date string) (from, to int64) {
	switch n := len(v.Outings); {
	case date != "":
		day, _ := time.Parse(time.DateOnly, date)
		return v.NightOn(day, zone)
	case n > 0:
		return v.NightAt(v.Outings[n-1].From, zone)
	case v.At != 0:
		return v.NightAt(v.At, zone)
	}
	return 0, 0
}

// moment reads -at, an instant: a time of the night, a full date and time, or
// now. Nothing is now as well, but only while the night of the readings goes on:
// who sits at the table the day after would say it of the wrong night.
func (s *spoken) moment(text string) (time.Time, error) {
	latest := s.now
	if newest := time.Unix(0, s.before.At); newest.After(latest) {
		latest = newest // a board without the time of day may lag behind its satellites
	}
	var t time.Time
	switch text {
	case "now":
		return s.now, nil
	case "":
		if from, _ := s.before.NightAt(s.now.UnixNano(), s.zone); s.before.At != 0 && from != s.from {
			return t, fmt.Errorf("-at: must be given, like \"21:40\" or now, as the night of %s is over", evening(s.from, s.zone))
		}
		return s.now, nil
	}
	t, err := s.instant("-at", text)
	if err == nil && t.After(latest.Add(time.Minute)) {
		err = fmt.Errorf("-at: must not be in the future, is %q, which is %s", text, second(t.UnixNano(), s.zone))
	}
	return t, err
}

// instant reads a time of the night or a full date and time in the yards' zone.
func (s *spoken) instant(arg, text string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil && sane(t) {
		return t, nil
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02 15:04:05"} {
		if t, err := time.Parse(layout, text); err == nil && sane(t) {
			return onClock(arg, text, s.zone, t.Year(), t.Month(), t.Day(), t)
		}
	}
	low := strings.ToLower(strings.ReplaceAll(text, " ", ""))
	for _, layout := range []string{"15:04", "15:04:05", "3:04pm", "3:04:05pm"} {
		t, err := time.Parse(layout, low)
		if err != nil || layout[0] == '1' && low[1] == ':' { // 9:40 alone could be either half of the day
			continue
		}
		return s.inNight(arg, text, t)
	}
	return time.Time{}, fmt.Errorf("%s: must be a time of the night like \"21:40\" or \"9:40pm\", or \"2026-10-09 21:40\", is %q", arg, text)
}

// inNight returns when the clocks showed a time in the night; of one that they
// did not show in it, before noon the day after.
func (s *spoken) inNight(arg, text string, clock time.Time) (time.Time, error) {
	day := time.Unix(0, s.from).In(s.zone)
	var shown, outing []int // dates; those of an outing
	for d := day.Day(); ; d++ {
		t := time.Date(day.Year(), day.Month(), d, clock.Hour(), clock.Minute(), clock.Second(), 0, s.zone).UnixNano()
		if t >= s.to {
			break
		}
		if t >= s.from {
			shown = append(shown, d)
			if s.fed(t) {
				outing = append(outing, d)
			}
		}
	}
	if len(outing) == 1 {
		shown = outing
	}
	switch {
	case len(shown) > 1:
		return time.Time{}, fmt.Errorf("%s: must have its date, like \"2026-10-09 21:40\", as the night of %s had that time %d times, is %q",
			arg, evening(s.from, s.zone), len(shown), text)
	case len(shown) == 1:
		return onClock(arg, text, s.zone, day.Year(), day.Month(), shown[0], clock)
	case clock.Hour() < 12:
		return onClock(arg, text, s.zone, day.Year(), day.Month(), day.Day()+1, clock)
	}
	return onClock(arg, text, s.zone, day.Year(), day.Month(), day.Day(), clock)
}

// fed reports whether an outing went on at an instant.
func (s *spoken) fed(at int64) bool {
	return s.before != nil && slices.ContainsFunc(s.before.Outings, func(o ledger.Outing) bool { return o.From <= at && at <= o.To })
}

func sane(t time.Time) bool { return 1970 < t.Year() && t.Year() < 2200 }

// onClock returns when the clocks of a zone showed a time. In the night that
// summer time begins or ends some times never come and others come twice.
func onClock(arg, text string, zone *time.Location, year int, month time.Month, date int, clock time.Time) (time.Time, error) {
	t := time.Date(year, month, date, clock.Hour(), clock.Minute(), clock.Second(), 0, zone)
	if t.Hour() != clock.Hour() || t.Minute() != clock.Minute() {
		return t, fmt.Errorf("%s: must be a time that the clock showed that night, is %q", arg, text)
	}
	for _, d := range []time.Duration{-time.Hour, -time.Hour / 2, time.Hour / 2, time.Hour} {
		if o := t.Add(d); o.Hour() == t.Hour() && o.Minute() == t.Minute() {
			return t, fmt.Errorf("%s: must say which of the two it is, %s or %s, is %q",
				arg, t.Format(time.RFC3339), o.Format(time.RFC3339), text)
		}
	}
	return t, nil
}

// yard returns the yard of an id or a name, in letters of any case.
func (s *spoken) yard(arg, text string) (ledger.YardInfo, error) {
	var found []ledger.YardInfo
	known := make([]string, 0, len(s.before.Yards))
	for _, y := range s.before.Yards {
		if y.ID == text {
			return y, nil
		}
		if strings.EqualFold(y.ID, text) || strings.EqualFold(y.Name, text) {
			found = append(found, y)
		}
		known = append(known, fmt.Sprintf("%s (%s)", y.ID, y.Name))
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return ledger.YardInfo{}, fmt.Errorf("%s: must be an id, as %d yards have the name, is %q", arg, len(found), text)
	case len(known) == 0:
		return ledger.YardInfo{}, fmt.Errorf("%s: must be a yard that the settings describe, and there is none yet, is %q", arg, text)
	}
	return ledger.YardInfo{}, fmt.Errorf("%s: must be one of %s, is %q", arg, strings.Join(known, ", "), text)
}

// given tells which flags stand on the command line.
func given(fs *flag.FlagSet) func(name string) bool {
	names := make(map[string]bool)
	fs.Visit(func(f *flag.Flag) { names[f.Name] = true })
	return func(name string) bool { return names[name] }
}

// second prints an instant to the second.
func second(ns int64, zone *time.Location) string {
	return time.Unix(0, ns).In(zone).Format("2006-01-02 15:04:05")
}

// evening prints the date that a night is called by.
func evening(from int64, zone *time.Location) string {
	return time.Unix(0, from).In(zone).Format(time.DateOnly)
}
