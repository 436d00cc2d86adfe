package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/dashboard"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// forecastFlags are what "yardtally forecast" is asked.
type forecastFlags struct {
	syrupFlags
	tempWithin, thin, speed string
	asCSV                   bool
}

// runForecast says whether the rig will pump a syrup.
func runForecast(ctx context.Context, e *env, args []string) error {
	set := flags("forecast")
	also(set, "\nKIND is sucrose, invert, hfcs-42 or hfcs-55. Without KIND, -brix and -shares it is\nthe batch in the tote. The rig is as [line] of the settings describes it.\n")
	var w where
	var p forecastFlags
	w.flags(set)
	set.StringVar(&p.shares, "shares", "", "a blend's `PARTS` by weight of dry solids, like \"2 sucrose + 1 hfcs-55\"")
	set.StringVar(&p.brix, "brix", "", "true dry `SOLIDS`, like \"64 Brix\" (HFCS: as sold)")
	set.StringVar(&p.within, "within", "", "error of the Brix at `MOST`, like \"0.2 Brix\", which is the default")
	set.StringVar(&p.temp, "temp", "", "`TEMPERATURE` of syrup and rig, like \"55 F\" or \"13 C\" (default: the newest reading)")
	set.StringVar(&p.tempWithin, "temp-within", "1 C", "error of the temperature at most, a `DIFFERENCE` like \"2 F\"")
	set.StringVar(&p.thin, "thin", "", "thinned to this `BRIX`, like \"60 Brix\" (default: some steps)")
	set.StringVar(&p.speed, "speed", "", "the pump's `SPEED`, like \"2600 rpm\" (default: the line's pump_idle)")
	set.BoolVar(&p.asJSON, "json", false, "as JSON: SI units, RFC 3339 times")
	set.BoolVar(&p.asCSV, "csv", false, "as CSV: one line a temperature")
	set.StringVar(&p.units, "units", "", "`UNITS` of the table, US or SI (default: the settings')")
	if err := parse(e, set, args, 1); err != nil {
		return err
	}
	p.kind = set.Arg(0)
	var o report.Options
	if err := askFormat(&o, p.asJSON, p.asCSV); err != nil {
		return err
	}
	if err := checkUnits(p.units); err != nil {
		return err
	}
	s, err := p.sheet()
	if err != nil {
		return usageError{err}
	}
	if err := w.find(); err != nil {
		return err
	}
	if o.Units = w.units(p.units); o.Format != report.Table {
		o.Units = quantity.SI
	}
	v, learnt, err := w.plannedOn(ctx)
	if err != nil {
		return err
	}
	o.Zone = zoneOf(v)
	if err := p.fromView(&s, v); err != nil {
		return usageError{err}
	}
	s.Learnt = learnt
	if err := report.Forecast(e.out, s, o); err != nil {
		var le *line.Error
		if errors.As(err, &le) && strings.HasPrefix(le.Field, "thinned") {
			return usageError{fmt.Errorf("-thin: %s, is %v Brix", le.Rule, le.Value)}
		}
		return usageError{p.name(err)}
	}
	return nil
}

// plannedOn returns what the rig's ledger derives, and what its nights taught of
// its line, nil where that is nothing yet. Where no journal was begun it returns
// what the settings say.
func (w *where) plannedOn(ctx context.Context) (*ledger.View, *line.Learnt, error) {
	if _, err := os.Stat(filepath.Join(w.data, journalFile)); !errors.Is(err, fs.ErrNotExist) || w.set == nil {
		return w.learntOf(ctx)
	}
	var views []*ledger.View
	for _, set := range w.set.Each() {
		var acts []act.Act
		for i := range set.Acts {
			s := &set.Acts[i]
			acts = append(acts, act.Act{ID: strconv.Itoa(i), Rig: set.Rig, Who: bySettings, When: 1, From: s.From, Body: s.Body})
		}
		l := ledger.New(set.Rig)
		l.SetActs(acts)
		views = append(views, l.View())
	}
	return ledger.Together(views), nil, nil
}

// learntOf learns the rig from the nights in its journal, as the watch does. It
// may take its time.
func (w *where) learntOf(ctx context.Context) (*ledger.View, *line.Learnt, error) {
	if w.house {
		k, err := w.bookKeeper(ctx, false)
		if err != nil {
			return nil, nil, err
		}
		if k.house != nil {
			views, err := k.Views(ctx)
			if err = errors.Join(err, k.Close()); err != nil {
				return nil, nil, err
			}
			return ledger.Together(views), nil, nil
		}
		if err := k.Close(); err != nil {
			return nil, nil, err
		}
	}
	b, err := openBackend(ctx, w.data, w.rig, false)
	if err != nil {
		return nil, nil, err
	}
	v, err := b.View(ctx)
	var acts []act.Act
	if err == nil {
		acts, err = b.Acts(ctx)
	}
	if err = errors.Join(err, b.Close()); err != nil {
		return nil, nil, err
	}
	if j := learn(v, labelOf(acts)); j.season.Has {
		return v, &j.season.Learnt, nil
	}
	return v, nil, nil
}

// sheet turns the flags into what is asked; what they leave out, fromView adds.
func (p *forecastFlags) sheet() (s report.ForecastSheet, err error) {
	if p.named() {
		if s.Syrup, s.SolidsU, err = p.solution(); err != nil {
			return s, err
		}
	} else if p.within != "" {
		return s, errors.New("-within: must stand beside -brix; the batch in the tote has its own")
	}
	if p.temp != "" {
		if s.Temp, err = flagValue("-temp", p.temp, quantity.ParseTemperature); err != nil {
			return s, err
		}
	}
	off, err := parseTempWithin(p.tempWithin)
	if err != nil {
		return s, err
	}
	s.TempU = off / math.Sqrt(3)
	if p.thin != "" {
		to, err := flagValue("-thin", p.thin, quantity.ParseBrix)
		if err != nil {
			return s, err
		}
		s.Thin = []quantity.Solids{to}
	}
	if p.speed != "" {
		if s.Set.Speed, err = flagValue("-speed", p.speed, quantity.ParseFrequency); err != nil {
			return s, err
		}
		if rpm := s.Set.Speed / quantity.PerMinute; !(rpm >= 60 && rpm <= 30000) {
			return s, fmt.Errorf("-speed: must be between 60 and 30000 1/min, is %q", p.speed)
		}
	}
	return s, nil
}

// named reports whether the flags name a syrup.
func (p *forecastFlags) named() bool { return p.kind != "" || p.brix != "" || p.shares != "" }

// fromView adds what the rig knows: its line, batch, temperatures and yards.
func (p *forecastFlags) fromView(s *report.ForecastSheet, v *ledger.View) (err error) {
	known := dashboard.SheetOf(v)
	known.Syrup, known.SolidsU, known.Temp, known.TempU, known.Thin, known.Set.Speed = s.Syrup, s.SolidsU, s.Temp, s.TempU, s.Thin, s.Set.Speed
	*s = known
	if !p.named() {
		if v.Batch == nil {
			return errors.New(`-brix: must be given, like "64 Brix", or KIND, as nobody said what is in the tote`)
		}
		var u float64
		if s.Syrup, u, err = v.Batch.Solution(); err != nil {
			return fmt.Errorf("batch: %w", err)
		}
		s.SolidsU, s.InTote = quantity.Solids(u), true
	}
	if p.temp == "" {
		if !v.Syrup.Has {
			return errors.New(`-temp: must be given, like "55 F", as no temperature of syrup was read`)
		}
		s.Temp, s.TempAt = quantity.Temperature(v.Syrup.Value), v.Syrup.At
		if s.Temp < syrup.MinTemperature || s.Temp > syrup.MaxTemperature {
			return fmt.Errorf("-temp: must be given, like \"55 F\", as the newest reading, %v, is no syrup's", s.Temp)
		}
	}
	return nil
}

// sayLine says a line in a few words, as acts are listed.
func sayLine(b act.Line, u quantity.System) string {
	l := act.LineOf(b)
	return report.SayLine(u, &l, l.Pump.Idle)
}
