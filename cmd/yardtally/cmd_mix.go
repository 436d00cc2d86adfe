package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/dashboard"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// runMix plans what to mix for the yards ahead.
func runMix(ctx context.Context, e *env, args []string) error {
	set := flags("mix")
	usual := set.Usage
	set.Usage = func() {
		usual()
		fmt.Fprint(set.Output(), `
SYRUP is what to mix: "2:1", "1:1 by volume", "65 Brix", hfcs-55 as it is sold,
"hfcs-55 to 65 Brix" thinned with water, or parts in their proportion, like
"20 kg hfcs-55 + 10 kg sugar + 8 kg water". Without -yards and -colonies it is
for the yards planned for the night: in a house with several rigs for those of
all of them, or with -rig for one, with its tote and line. Settings and journal may be missing where
-colonies is said; then loads and weight need -tote.
`)
	}
	var w where
	var p dashboard.Wish
	var yards, units, within string
	var asJSON, asCSV bool
	w.flags(set)
	set.StringVar(&yards, "yards", "", "for these `YARDS`, names or ids with commas between them")
	set.StringVar(&p.Colonies, "colonies", "", "instead of yards, for so many colonies, `N`, or of several yards \"24, 18\"")
	set.StringVar(&p.Each, "each", "", "`VOLUME` of syrup for each colony, like \"1 gal\" (default: the yard's own fill)")
	set.StringVar(&p.Stores, "stores", "", "or `WEIGHT` of capped stores for each colony, like \"10 lb\"")
	set.StringVar(&p.Yield, "yield", "", "`KG` of capped stores that a kg of dry sugar makes (default 1)")
	set.StringVar(&p.Temp, "temp", "", "`TEMPERATURE` of the syrup when it is dispensed, like \"55 F\" (default: the newest reading, or 20 C)")
	set.StringVar(&within, "temp-within", "1 C", "error of the temperature at most, a `DIFFERENCE` like \"2 F\"")
	set.StringVar(&p.Bag, "bag", "", "`WEIGHT` of a bag of sugar, like \"50 lb\"")
	set.StringVar(&p.Price, "price", "", "`PRICE` of sugar, like \"31/bag\", \"$0.62/lb\" or \"1.10/kg\" (default: the store's average, where the books have one)")
	set.StringVar(&p.SyrupPrice, "syrup-price", "", "`PRICE` of corn syrup, like \"4.20/gal\"")
	set.StringVar(&p.Tote, "tote", "", "what a tote `HOLDS`, like \"275 gal\", instead of the rig's own")
	set.StringVar(&p.ToteGross, "tote-gross", "", "greatest gross `WEIGHT` by the tote's plate")
	set.StringVar(&p.ToteEmpty, "tote-empty", "", "`WEIGHT` of the empty tote by its plate")
	set.BoolVar(&p.Left, "left", false, "count what is in the tote as there already")
	set.BoolVar(&asJSON, "json", false, "as JSON: SI units, RFC 3339 times")
	set.BoolVar(&asCSV, "csv", false, "as CSV: one line a load")
	set.StringVar(&units, "units", "", "`UNITS` of what is said, US or SI (default: the settings', or US)")
	if err := parse(e, set, args, 1); err != nil {
		return err
	}
	o := report.Options{}
	switch {
	case asJSON && asCSV:
		return usageError{errors.New("-csv: must not stand beside -json")}
	case asJSON:
		o.Format = report.JSON
	case asCSV:
		o.Format = report.CSV
	}
	if err := checkUnits(units); err != nil {
		return err
	}
	var err error
	if p.TempWithin, err = parseTempWithin(within); err != nil {
		return usageError{err}
	}
	p.Syrup = set.Arg(0)
	for _, y := range strings.Split(yards, ",") {
		if y = strings.TrimSpace(y); y != "" {
			p.Yards = append(p.Yards, y)
		}
	}
	w.house = w.rig == "" // for all rigs together, of a house
	var v *ledger.View
	var learnt *line.Learnt
	if w.settings != "" || w.data != "" || p.Colonies == "" || settingsHere() {
		if err := w.find(); err != nil {
			return err
		}
		if v, learnt, err = w.plannedOn(ctx); err != nil {
			return err
		}
		o.Zone = zoneOf(v)
	}
	if o.Units = w.units(units); o.Format != report.Table {
		o.Units = quantity.SI
	}
	p.Units, p.Currency = o.Units, w.currency()
	s, err := p.Sheet(v, learnt)
	if err != nil {
		return usageError{flagged(err)}
	}
	return report.Plan(e.out, s, o)
}

func settingsHere() bool {
	_, err := os.Stat(defaultSettings)
	return err == nil
}

// flagged names the flag that a wish's error is of.
func flagged(err error) error {
	var f *act.FieldError
	if !errors.As(err, &f) {
		return err
	}
	name := "-" + f.Field
	if f.Field == "syrup" {
		name = "SYRUP"
	}
	return fmt.Errorf("%s: %s, is %v", name, f.Rule, f.Value)
}
