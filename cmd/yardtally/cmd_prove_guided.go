package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/bucket"
)

// guide asks a person through a bucket test, on a terminal.
type guide struct {
	*test
	live  bool // a daemon is counting
	out   io.Writer
	lines <-chan string

	about act.Proving // what all runs have in common
	empty quantity.Mass
	temp  string // as answered last
	runs  []act.Act
	found []proving.Point
}

// linesOf hands on what is typed, line by line. It ends with the reader.
func linesOf(r io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			lines <- s.Text()
		}
	}()
	return lines
}

var errBrokenOff = errors.New("broken off: nothing was kept")

// ask asks until the answer can be taken.
func (g *guide) ask(ctx context.Context, question string, take func(answer string) error) error {
	for {
		fmt.Fprintf(g.out, "%s ", question)
		select {
		case <-ctx.Done():
			fmt.Fprintln(g.out)
			return errBrokenOff
		case line, ok := <-g.lines:
			if !ok {
				fmt.Fprintln(g.out)
				return errBrokenOff
			}
			err := take(strings.TrimSpace(line))
			if err == nil {
				return nil
			}
			fmt.Fprintf(g.out, "  %v. Once more:\n", err)
		}
	}
}

// yes asks for yes or no.
func (g *guide) yes(ctx context.Context, question string) (yes bool, err error) {
	err = g.ask(ctx, question+" (y/n)", func(s string) error {
		switch strings.ToLower(s) {
		case "y", "yes":
			yes = true
		case "n", "no":
			yes = false
		default:
			return fmt.Errorf("must be y or n, is %q", s)
		}
		return nil
	})
	return yes, err
}

// rule turns an error into what the answer must be.
func rule(err error) error {
	var pe *quantity.ParseError
	if errors.As(err, &pe) {
		return fmt.Errorf("%s, is %q", pe.Rule, pe.Input)
	}
	var fe *act.FieldError
	if errors.As(err, &fe) {
		return fmt.Errorf("%s, is %v", fe.Rule, fe.Value)
	}
	return err
}

// asTyped is rule beside an answer as it was typed.
func asTyped(err error, answer string) error {
	var fe *act.FieldError
	if errors.As(err, &fe) {
		return fmt.Errorf("%s, is %q", fe.Rule, answer)
	}
	return err
}

func (g *guide) run(ctx context.Context) error {
	fmt.Fprintf(g.out, "A bucket test of the meter of %s. Everything can be left with Ctrl-C; nothing is kept before you say so.\n\nTake care\n", g.backend.Rig())
	for _, c := range bucket.Cautions {
		fmt.Fprintln(g.out, " ", c)
	}
	fmt.Fprintln(g.out)
	if !g.live {
		fmt.Fprint(g.out, "No daemon is running here, so the count has to be typed in.\n\n")
	}
	if err := g.askSyrup(ctx); err != nil {
		return err
	}
	for more := true; more; {
		if err := g.oneRun(ctx); err != nil {
			return err
		}
		g.sayRuns()
		question := "Another run, under the same conditions? Three to five show how well the meter repeats."
		if n := len(g.runs); n >= 3 {
			question = fmt.Sprintf("Another run? You have %d, which is enough.", n)
		}
		var err error
		if more, err = g.yes(ctx, question); err != nil {
			return err
		}
	}
	return g.finish(ctx)
}

// askSyrup asks what the runs have in common.
func (g *guide) askSyrup(ctx context.Context) error {
	g.about = act.Proving{Note: g.said.note, Fresh: g.said.fresh}
	var fails []error
	g.said.means(&g.about, func(_, text string, into func() error) {
		if text != "" {
			if err := into(); err != nil {
				fails = append(fails, err)
			}
		}
	})
	if len(fails) > 0 {
		return usageError{fails[0]}
	}
	batch, has := bucket.Batch(g.backend.Rig(), g.acts)
	usual := "sucrose"
	if has {
		usual = bucket.SayMakeup(batch)
	}
	err := g.ask(ctx, fmt.Sprintf("Which syrup? sucrose, invert, hfcs-42, hfcs-55, or parts like \"2 sucrose + 1 hfcs-55\". Enter for %s:", usual), func(s string) error {
		switch {
		case s == "" && has:
			g.about.Syrup, g.about.Shares = batch.Syrup, batch.Shares
		case s == "":
			g.about.Syrup = "sucrose"
		case strings.ContainsAny(s, "+ "):
			parts, err := settings.ParseShares(s)
			if err != nil {
				return rule(err)
			}
			g.about.Syrup, g.about.Shares = "blend", parts
		default:
			g.about.Syrup, g.about.Shares = s, nil
		}
		_, err := act.Makeup(g.about.Syrup, g.about.Shares)
		return rule(err)
	})
	if err != nil {
		return err
	}
	usual, brix := "", bucket.BatchBrix(batch)
	if has && brix > 0 {
		usual = fmt.Sprintf(" Enter for %g Brix, as the batch is said to be;", brix)
	}
	if g.about.Syrup != "sucrose" {
		fmt.Fprintln(g.out, "A refractometer reads such syrup low: \"yardtally syrup -reading\" says its true Brix.")
	}
	return g.ask(ctx, "Its Brix, like \"66.7 Brix\", measured now if you can."+usual+" \"none\" proves by mass:", func(s string) error {
		switch {
		case strings.EqualFold(s, "none"):
			g.about.Mass = true
			return nil
		case s == "" && brix > 0:
			g.about.Brix = brix
			return nil
		}
		x, err := quantity.ParseBrix(s)
		switch {
		case err != nil:
			return rule(err)
		case bucket.Brix(x) != nil:
			return asTyped(bucket.Brix(x), s)
		}
		g.about.Brix = bucket.BrixOf(x)
		return nil
	})
}

// oneRun is one bucket.
func (g *guide) oneRun(ctx context.Context) error {
	b := g.about
	b.Fresh = b.Fresh && len(g.runs) == 0
	fmt.Fprintf(g.out, "\nRun %d\n", len(g.runs)+1)
	if err := g.askEmpty(ctx); err != nil {
		return err
	}
	if err := g.askPulses(ctx, &b); err != nil {
		return err
	}
	done := time.Now()
	full := func(s string) error {
		m, err := quantity.ParseMass(s)
		if err != nil {
			return rule(err)
		}
		net, err := bucket.Net(g.empty, m, g.units)
		if err != nil {
			return asTyped(err, s)
		}
		b.NetKg = float64(net)
		return nil
	}
	if err := g.ask(ctx, "Full bucket weighs, like \"22.1 kg\":", full); err != nil {
		return err
	}
	if err := g.askTemp(ctx, &b); err != nil {
		return err
	}
	if err := b.Check(); err != nil {
		return rule(err)
	}
	a, err := g.act(b, done)
	if err != nil {
		return err
	}
	// Runs lie apart, also where a clock or "-done" says one and the same.
	if n := len(g.runs); n > 0 {
		last := g.runs[n-1].Body.(act.Proving).DoneNS
		body := a.Body.(act.Proving)
		same := a.From == body.DoneNS
		body.DoneNS = max(body.DoneNS, last+int64(time.Second))
		if a.Body = body; same {
			a.From = body.DoneNS
		}
		a.When = max(a.When, g.runs[n-1].When+1)
	}
	p, err := bucket.Point(a.ID, a.Body.(act.Proving))
	if err != nil {
		return err
	}
	g.runs, g.found = append(g.runs, a), append(g.found, p)
	return nil
}

func (g *guide) askEmpty(ctx context.Context) error {
	question := "Empty bucket weighs, like \"1.2 kg\":"
	if len(g.runs) > 0 {
		question = fmt.Sprintf("Empty bucket weighs; drained, not washed. Enter for %s as before:", g.units.Mass(g.empty))
	}
	return g.ask(ctx, question, func(s string) error {
		if s == "" && len(g.runs) > 0 {
			return nil
		}
		m, err := quantity.ParseMass(s)
		switch {
		case err != nil:
			return rule(err)
		case bucket.Empty(m, g.units) != nil:
			return asTyped(bucket.Empty(m, g.units), s)
		}
		g.empty = m
		return nil
	})
}

// askPulses has the bucket filled and the pulses counted: by the daemon, or
// else by the person.
func (g *guide) askPulses(ctx context.Context, b *act.Proving) error {
	if !g.live {
		if err := g.ask(ctx, "Fill the bucket. Pulses the meter counted, like 543:", func(s string) (err error) {
			b.Pulses, err = parsePulses(s)
			return rule(err)
		}); err != nil {
			return err
		}
		return g.ask(ctx, "How long the trigger was open, like \"150 s\"; Enter if it was not timed:", func(s string) (err error) {
			if s == "" {
				return nil
			}
			if b.Seconds, err = settings.ParseSeconds(s); err == nil && !(b.Seconds >= 0.1 && b.Seconds <= 86400) {
				err = fmt.Errorf("must be between 0.1 and 86400 s, is %q", s)
			}
			return rule(err)
		})
	}
	if err := g.ask(ctx, "Nozzle over the bucket. Press Enter before you pull.", func(string) error { return nil }); err != nil {
		return err
	}
	before, err := g.backend.View(ctx)
	if err != nil {
		return err
	}
	m := bucket.MarkOf(before)
	return g.ask(ctx, "Pull and fill the bucket in one go. Press Enter a few seconds after you let go, or type the pulses yourself:", func(s string) error {
		if s != "" {
			b.Pulses, err = parsePulses(s)
			b.Seconds, b.Session, b.First, b.Last = 0, 0, 0, 0
			return rule(err)
		}
		v, err := g.backend.View(ctx)
		if err != nil {
			return err
		}
		c, err := m.Whole(v)
		if err != nil {
			return sayCount(err)
		}
		c.Put(b)
		if v.Syrup.Has && v.At-v.Syrup.At < int64(10*time.Minute) {
			g.temp = strconv.FormatFloat(v.Syrup.Value, 'f', 1, 64) + " C"
		}
		fmt.Fprintf(g.out, "The meter counted %.0f pulses in %.0f s.\n", b.Pulses, b.Seconds)
		return nil
	})
}

// sayCount puts what can be done about it behind why a count cannot be taken.
func sayCount(err error) error {
	switch {
	case errors.Is(err, bucket.ErrOpen):
		return fmt.Errorf("%w; let go, wait a few seconds and press Enter", err)
	case errors.Is(err, bucket.ErrNothing):
		return fmt.Errorf("%w; press Enter to look again, or type the pulses", err)
	case err != nil:
		return fmt.Errorf("%w; type the pulses if you have them, or leave with Ctrl-C and start again", err)
	}
	return nil
}

func (g *guide) askTemp(ctx context.Context, b *act.Proving) error {
	question := "Syrup's temperature at the meter, like \"68 F\""
	if g.temp != "" {
		question += "; Enter for " + g.temp
	}
	return g.ask(ctx, question+":", func(s string) error {
		if s == "" {
			s = g.temp
		}
		t, err := quantity.ParseTemperature(s)
		switch {
		case err != nil:
			return rule(err)
		case bucket.Temp(t, g.units) != nil:
			return asTyped(bucket.Temp(t, g.units), s)
		}
		b.TempC, g.temp = float64(t), s
		return nil
	})
}

// sayRuns lists the runs so far and how well they repeat.
func (g *guide) sayRuns() {
	ks := make([]float64, 0, len(g.found))
	for i, p := range g.found {
		ks = append(ks, p.K)
		fmt.Fprintf(g.out, "  run %d: K-factor %s ± %s\n", i+1, report.KFactor(g.units, p.K, p.Mass), report.Percent(p.Budget.Expanded(0.95)))
	}
	if len(ks) >= 2 {
		fmt.Fprintf(g.out, "  repeatability: %s between the lowest and the highest\n", report.Percent(proving.Repeatability(ks)))
	}
}

// askSince asks since when the runs hold, unless that was said.
func (g *guide) askSince(ctx context.Context) error {
	if g.said.from != "" || g.before.Total == 0 {
		return nil
	}
	return g.ask(ctx, "Do they hold from now on, or for what was metered before, too? Enter for now on; \"ever\" restates everything:", func(s string) error {
		switch strings.ToLower(s) {
		case "":
		case "ever":
			for i := range g.runs {
				g.runs[i].From = 0
			}
		default:
			return fmt.Errorf("must be Enter or ever, is %q", s)
		}
		return nil
	})
}

// finish shows what was found and what it would change, and keeps it if the
// person says so.
func (g *guide) finish(ctx context.Context) error {
	last := g.found[len(g.found)-1]
	fmt.Fprintf(g.out, "\nThe last run:\n\n")
	if err := report.ProvingFound(g.out, last, g.options()); err != nil {
		return err
	}
	fmt.Fprintln(g.out)
	// Others may have said something meanwhile.
	if err := g.look(ctx); err != nil {
		return err
	}
	if err := g.askSince(ctx); err != nil {
		return err
	}
	to := *g.test
	to.out = g.out
	if err := to.wouldChange(last, g.runs...); err != nil {
		return err
	}
	fmt.Fprintln(g.out)
	if g.said.dry {
		fmt.Fprintf(g.test.out, "Nothing was kept.\n%s\n", report.LegalNote)
		return nil
	}
	question := "Keep this proving?"
	if n := len(g.runs); n > 1 {
		question = fmt.Sprintf("Keep these %d provings?", n)
	}
	keep, err := g.yes(ctx, question)
	if err != nil {
		return err
	}
	if !keep {
		fmt.Fprintf(g.test.out, "Nothing was kept.\n%s\n", report.LegalNote)
		return nil
	}
	fmt.Fprintln(g.out)
	return g.add(ctx, last, g.runs...)
}
