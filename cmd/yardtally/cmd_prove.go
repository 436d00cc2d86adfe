package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/term"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/bucket"
	"yardtally/meter/ledger"
)

// proveFlags are what is said of a proving on the command line.
type proveFlags struct {
	pulses, k, net, brix, temp, time, syrup, shares string
	done, from, note, who, units                    string
	scaleStep, brixWithin, tempWithin               string
	byMass, fresh, dry                              bool
}

func (p *proveFlags) flags(fs *flag.FlagSet) {
	fs.StringVar(&p.pulses, "pulses", "", "how many `PULSES` the meter counted")
	fs.StringVar(&p.net, "net", "", "what was weighed, without the bucket, a `WEIGHT` like \"20 kg\"")
	fs.StringVar(&p.brix, "brix", "", "the syrup's true dry `SOLIDS`, like \"66.7 Brix\"")
	fs.BoolVar(&p.byMass, "by-mass", false, "no Brix was at hand: pulses a kilogram")
	fs.StringVar(&p.temp, "temp", "", "the syrup's `TEMPERATURE` at the meter, like \"68 F\"")
	fs.StringVar(&p.time, "time", "", "how long the trigger was open, a `TIME` like \"150 s\"; says the flow it was proved at")
	fs.StringVar(&p.syrup, "syrup", "", "`KIND`: sucrose (the default), invert, hfcs-42, hfcs-55")
	fs.StringVar(&p.shares, "shares", "", "a blend's `PARTS` by weight of dry solids, like \"2 sucrose + 1 hfcs-55\"")
	fs.StringVar(&p.k, "k", "", "a K-factor as such, from a label or laboratory, like \"36 `PULSES/L`\", instead of a bucket test")
	fs.StringVar(&p.done, "done", "", "`WHEN` it was done, like \"2026-10-09 17:30\" (default: now)")
	fs.StringVar(&p.from, "from", "", "since `WHEN` it holds: a time, or \"ever\" to restate everything (default: when it was done)")
	fs.BoolVar(&p.fresh, "fresh", false, "the meter was changed, cleaned or opened: what was proved before no longer counts")
	fs.StringVar(&p.scaleStep, "scale-step", "", "the scale's smallest `STEP`, like \"10 g\", which is the default")
	fs.StringVar(&p.brixWithin, "brix-within", "", "error of the Brix at `MOST` (default \"0.2 Brix\")")
	fs.StringVar(&p.tempWithin, "temp-within", "", "error of the temperature at most, a `DIFFERENCE` like \"2 F\" (default \"1 C\")")
	fs.StringVar(&p.note, "note", "", "a `NOTE` to keep with it")
	fs.StringVar(&p.who, "who", "", "`NAME` of who proved it")
	fs.StringVar(&p.units, "units", "", "`UNITS` of what is said, US or SI (default: the settings')")
	fs.BoolVar(&p.dry, "dry-run", false, "keep nothing, only say what it would change")
}

// aboutTest reports whether a flag that is about the test itself was given.
func aboutTest(fs *flag.FlagSet) bool {
	any := false
	fs.Visit(func(f *flag.Flag) {
		switch f.Name {
		case "settings", "data", "rig", "units", "who", "dry-run", "note", "fresh", "scale-step", "brix-within", "temp-within":
		default:
			any = true
		}
	})
	return any
}

// runProve keeps a proving of the meter: from flags, or asked for step by step
// on a terminal.
func runProve(ctx context.Context, e *env, args []string) error {
	fs := flags("prove")
	also(fs, "\nWithout -pulses or -k, on a terminal, it asks for everything step by step.\n")
	var w where
	w.flags(fs)
	var p proveFlags
	p.flags(fs)
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if err := checkUnits(p.units); err != nil {
		return err
	}
	guided := !aboutTest(fs)
	if in, ok := e.in.(*os.File); guided && !(ok && term.IsTerminal(int(in.Fd()))) {
		return usageError{errors.New("-pulses: must be given, with -net, -brix and -temp, or -k; without, it asks, but only on a terminal")}
	}
	var body act.Proving
	if !guided {
		var err error
		if body, err = p.body(); err != nil {
			return usageError{err}
		}
	}
	if err := w.find(); err != nil {
		return err
	}
	b, err := openBackend(ctx, w.data, w.rig, w.set != nil && !p.dry)
	if err != nil {
		return err
	}
	t := &test{backend: b, said: p, zone: time.UTC, units: w.units(p.units), out: e.out}
	if err = t.prepare(ctx, w.set); err == nil {
		if guided {
			g := &guide{test: t, out: e.err, lines: linesOf(e.in)}
			_, g.live = b.(*remote)
			err = g.run(ctx)
		} else {
			err = t.keep(ctx, body)
		}
	}
	return errors.Join(err, b.Close())
}

// body turns the flags into what is to be said, but for its times.
func (p *proveFlags) body() (b act.Proving, err error) {
	var fails []error
	take := func(flag, text string, into func() error) {
		if text == "" {
			return
		}
		if err := into(); err != nil {
			fails = append(fails, err)
		}
	}
	if p.k != "" {
		for _, f := range []struct{ name, text string }{{"-pulses", p.pulses}, {"-net", p.net}, {"-brix", p.brix}, {"-time", p.time}, {"-temp", p.temp}, {"-syrup", p.syrup}, {"-shares", p.shares}} {
			if f.text != "" {
				return b, fmt.Errorf("-k: must not stand beside the %s of a bucket test", f.name)
			}
		}
		if p.byMass {
			return b, errors.New("-k: must not stand beside the -by-mass of a bucket test")
		}
	} else {
		for _, f := range []struct {
			name, text, like string
			unless           bool
		}{{"-pulses", p.pulses, "543", false}, {"-net", p.net, `"20 kg"`, false}, {"-temp", p.temp, `"68 F"`, false},
			{"-brix", p.brix, `"66.7 Brix", or -by-mass where none was at hand`, p.byMass}} {
			if f.text == "" && !f.unless {
				return b, fmt.Errorf("%s: must be given, like %s", f.name, f.like)
			}
		}
		if p.byMass && p.brix != "" {
			return b, errors.New("-by-mass: must not stand beside -brix")
		}
	}
	b.Note, b.Fresh, b.Mass, b.Syrup = p.note, p.fresh, p.byMass, p.syrup
	take("-k", p.k, func() (err error) { b.PulsesPerL, err = flagValue("-k", p.k, settings.ParseKFactor); return err })
	take("-pulses", p.pulses, func() (err error) { b.Pulses, err = flagValue("-pulses", p.pulses, parsePulses); return err })
	take("-net", p.net, func() error {
		m, err := flagValue("-net", p.net, quantity.ParseMass)
		b.NetKg = float64(m)
		return err
	})
	take("-brix", p.brix, func() error {
		s, err := flagValue("-brix", p.brix, quantity.ParseBrix)
		b.Brix = settings.Brix(s)
		return err
	})
	take("-temp", p.temp, func() error {
		t, err := flagValue("-temp", p.temp, quantity.ParseTemperature)
		b.TempC = float64(t)
		return err
	})
	take("-time", p.time, func() (err error) { b.Seconds, err = flagValue("-time", p.time, settings.ParseSeconds); return err })
	take("-shares", p.shares, func() (err error) {
		b.Syrup = "blend"
		if p.syrup != "" && p.syrup != "blend" {
			return fmt.Errorf("-shares: must not stand beside -syrup %q", p.syrup)
		}
		b.Shares, err = flagValue("-shares", p.shares, settings.ParseShares)
		return err
	})
	p.means(&b, take)
	if len(fails) > 0 {
		return b, fails[0]
	}
	return b, checkProving(b)
}

// means takes in how well the test was done.
func (p *proveFlags) means(b *act.Proving, take func(flag, text string, into func() error)) {
	take("-scale-step", p.scaleStep, func() error {
		m, err := flagValue("-scale-step", p.scaleStep, quantity.ParseMass)
		b.ScaleStepKg = float64(m)
		return err
	})
	take("-brix-within", p.brixWithin, func() error {
		s, err := flagValue("-brix-within", p.brixWithin, quantity.ParseBrix)
		b.BrixWithin = settings.Brix(s)
		return err
	})
	take("-temp-within", p.tempWithin, func() (err error) {
		b.TempWithin, err = flagValue("-temp-within", p.tempWithin, settings.ParseKelvins)
		return err
	})
}

// checkProving reports what cannot be so, by the flag's name.
func checkProving(b act.Proving) error {
	err := b.Check()
	var fe *act.FieldError
	if errors.As(err, &fe) {
		name, unit := fe.Field, ""
		if s, ok := map[string][2]string{"pulses_per_l": {"k", "pulses/L"}, "net_kg": {"net", "kg"}, "brix": {"brix", "Brix"}, "temp_c": {"temp", "°C"}, "seconds": {"time", "s"},
			"scale_step_kg": {"scale-step", "kg"}, "brix_within": {"brix-within", "Brix"}, "temp_within_c": {"temp-within", "K"}, "mass": {"by-mass", ""}}[fe.Field]; ok {
			name, unit = s[0], " "+s[1]
		}
		if !strings.HasPrefix(fe.Rule, "must be between") {
			unit = ""
		}
		return fmt.Errorf("-%s: %s%s, is %v", name, fe.Rule, strings.TrimRight(unit, " "), fe.Value)
	}
	if err != nil {
		return err
	}
	_, err = bucket.Point("", b)
	return err
}

// parsePulses reads a count.
func parsePulses(text string) (float64, error) {
	x, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || !(x >= 1 && x <= 1e9) {
		return 0, &quantity.ParseError{Quantity: "pulses", Input: text, Rule: "must be a count between 1 and 1000000000"}
	}
	return x, nil
}

// test is a proving that is being taken in.
type test struct {
	backend backend
	said    proveFlags
	zone    *time.Location
	units   quantity.System
	out     io.Writer
	before  *ledger.View
	acts    []act.Act
}

// prepare says to the journal what the settings say, as every command does that
// adds to it (a daemon has done so), and looks at what is there.
func (t *test) prepare(ctx context.Context, set *settings.Settings) (err error) {
	if _, running := t.backend.(*remote); set != nil && set.Rig == t.backend.Rig() && !running && !t.said.dry {
		if err := sayAll(ctx, t.backend, set, time.Now().UnixNano()); err != nil {
			return err
		}
	}
	return t.look(ctx)
}

func (t *test) look(ctx context.Context) (err error) {
	if t.before, err = t.backend.View(ctx); err != nil {
		return err
	}
	if z, err := time.LoadLocation(t.before.Zone); err == nil {
		t.zone = z
	}
	t.acts, err = t.backend.AllActs(ctx)
	return err
}

func (t *test) options() report.Options { return report.Options{Units: t.units, Zone: t.zone} }

// act makes a proving an act: done when it was said to be, or now.
func (t *test) act(b act.Proving, now time.Time) (act.Act, error) {
	done, err := timeIn("-done", t.said.done, t.zone, now)
	if err != nil {
		return act.Act{}, err
	}
	if done.After(now.Add(time.Minute)) {
		return act.Act{}, fmt.Errorf("-done: must not be in the future, is %q", t.said.done)
	}
	b.DoneNS = done.UnixNano()
	from := b.DoneNS
	if t.said.from == "ever" || t.said.from == "since ever" {
		from = 0
	} else if t.said.from != "" {
		since, err := timeIn("-from", t.said.from, t.zone, now)
		if err != nil {
			return act.Act{}, fmt.Errorf("-from: must be a time like \"2026-10-09 17:30\", or ever, is %q", t.said.from)
		}
		from = since.UnixNano()
	}
	a := act.Act{ID: newID(), Rig: t.backend.Rig(), Who: t.said.who, When: now.UnixNano(), From: from, Body: b}
	if a.Who == "" {
		a.Who = "prove"
	}
	standing := act.Standing(t.acts)
	for i := range standing {
		a.When = max(a.When, standing[i].When+1)
	}
	a.Replaces = bucket.Over(standing, a.From, b)
	return a, a.Check()
}

// keep takes in one proving and says what it found and what changes.
func (t *test) keep(ctx context.Context, b act.Proving) error {
	a, err := t.act(b, time.Now())
	if err != nil {
		return usageError{err}
	}
	p, err := bucket.Point(a.ID, a.Body.(act.Proving))
	if err != nil {
		return err
	}
	if err := report.ProvingFound(t.out, p, t.options()); err != nil {
		return err
	}
	fmt.Fprintln(t.out)
	if batch, ok := bucket.Batch(t.backend.Rig(), t.acts); ok && b.PulsesPerL == 0 && !b.Mass && t.said.syrup == "" && t.said.shares == "" && batch.Syrup != "sucrose" {
		fmt.Fprintf(t.out, "It was taken as sucrose, while the batch in the tote is said to be %s: -syrup or -shares says which.\n\n", bucket.SayMakeup(batch))
	}
	if t.said.dry {
		if err := t.wouldChange(p, a); err != nil {
			return err
		}
		fmt.Fprintf(t.out, "\nNothing was kept.\n%s\n", report.LegalNote)
		return nil
	}
	return t.add(ctx, p, a)
}

// wouldChange says what provings would change of the curve.
func (t *test) wouldChange(p proving.Point, acts ...act.Act) error {
	var after ledger.View
	after.Restore(append(slices.Clone(t.acts), acts...))
	e := report.ProvingEffect{Point: p, At: effective(acts), Before: t.before.Curves, After: after.Curves}
	return report.ProvingChange(t.out, e, t.options())
}

// effective is an instant at which provings both count and were done.
func effective(acts []act.Act) int64 {
	at := int64(0)
	for i := range acts {
		at = max(at, acts[i].From, acts[i].Body.(act.Proving).DoneNS)
	}
	return at
}

// add keeps provings, of which p is the last, and says what changed.
func (t *test) add(ctx context.Context, p proving.Point, acts ...act.Act) error {
	if _, err := t.backend.AddActs(ctx, acts...); err != nil {
		return err
	}
	after, err := t.backend.View(ctx)
	if err != nil {
		return fmt.Errorf("the proving is kept, but what it changes cannot be said: %w", err)
	}
	e := report.ProvingEffect{Point: p, At: effective(acts), Before: t.before.Curves, After: after.Curves, BeforeView: t.before, AfterView: after}
	if err := report.ProvingChange(t.out, e, t.options()); err != nil {
		return err
	}
	for i := range acts {
		for _, r := range after.Review {
			if r.Act == acts[i].ID {
				return fmt.Errorf("the proving is kept, but cannot be used: %s", r.Why)
			}
		}
	}
	if from := acts[0].From; from != 0 {
		fmt.Fprintf(t.out, "\nIt holds from %s on. With -from ever it would hold for what was metered before, too.\n", time.Unix(0, from).In(t.zone).Format("2006-01-02 15:04"))
	}
	if len(acts) == 1 {
		fmt.Fprintf(t.out, "\nKept as act %s.\n%s\n", acts[0].ID, report.LegalNote)
	} else {
		fmt.Fprintf(t.out, "\nKept, %d provings.\n%s\n", len(acts), report.LegalNote)
	}
	return nil
}

// timeIn reads a time in the rig's zone; "" is now.
func timeIn(flag, text string, zone *time.Location, now time.Time) (time.Time, error) {
	if text == "" {
		return now, nil
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02 15:04:05", time.DateOnly, time.RFC3339} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil && 1970 < t.Year() && t.Year() < 2200 {
			return t, nil
		}
	}
	return now, fmt.Errorf("%s: must be a time like \"2026-10-09 17:30\", is %q", flag, text)
}

// dayIn reads a date, the start of that day; "" is none.
func dayIn(text string, zone *time.Location) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, text, zone)
	if err != nil || t.Year() <= 1970 || t.Year() >= 2200 {
		return time.Time{}, fmt.Errorf("-on: must be a date like 2026-10-09, is %q", text)
	}
	return t, nil
}
