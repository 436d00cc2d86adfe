package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
)

// syrupWays are what "yardtally syrup" does besides saying what a syrup is.
var syrupWays = []struct {
	name, args, what string
	run              func(e *env, fs *flag.FlagSet, args []string) error
}{
	{"mix", "RECIPE | -to RECIPE (-volume V | -sugar M)", "say what a recipe makes, or what to weigh for it", runSyrupMix},
	{"thin", "-volume V -brix B -to B", "say how much water thins a batch", runSyrupThin},
	{"thicken", "-volume V -brix B -to B", "say how much sugar thickens a batch", runSyrupThicken},
	{"blend", "RECIPE RECIPE...", "say what comes of batches put together", runSyrupBlend},
}

// runSyrup says what a syrup is, or does one of syrupWays.
func runSyrup(_ context.Context, e *env, args []string) error {
	if len(args) > 0 {
		for _, way := range syrupWays {
			if way.name != args[0] {
				continue
			}
			fs := flags("syrup")
			fs.Usage = func() {
				fmt.Fprintf(fs.Output(), "usage: yardtally syrup %s %s\n\nTo %s.\n\n", way.name, way.args, way.what)
				fs.PrintDefaults()
			}
			return way.run(e, fs, args[1:])
		}
	}
	fs := flags("syrup")
	also(fs, "\nKIND is sucrose (the default), invert, hfcs-42 or hfcs-55. Also:\n\n")
	for _, way := range syrupWays {
		also(fs, fmt.Sprintf("  yardtally syrup %s %s\n    \t%s\n", way.name, way.args, way.what))
	}
	p := newSyrupFlags(fs)
	fs.StringVar(&p.reading, "reading", "", "what a refractometer's sucrose `SCALE` shows, like \"62 Brix\", instead of -brix")
	fs.StringVar(&p.readTemp, "reading-temp", "", "`TEMPERATURE` of its prism")
	fs.BoolVar(&p.compensated, "compensated", false, "it corrects for temperature itself (ATC)")
	fs.StringVar(&p.tempWithin, "temp-within", "1 C", "error of the temperature at most, a `DIFFERENCE` like \"2 F\"")
	if err := parse(e, fs, args, 1); err != nil {
		return err
	}
	p.kind = fs.Arg(0)
	s, o, err := p.sheet()
	if err != nil {
		return usageError{err}
	}
	if err := report.Syrup(e.out, s, o); err != nil {
		return usageError{p.name(err)}
	}
	return nil
}

// syrupFlags are the flags that the ways of "yardtally syrup" share.
type syrupFlags struct {
	kind, shares, brix, within, temp, units string
	asJSON                                  bool

	reading, readTemp, tempWithin string
	compensated                   bool
}

func newSyrupFlags(fs *flag.FlagSet) *syrupFlags {
	p := new(syrupFlags)
	p.common(fs)
	fs.StringVar(&p.shares, "shares", "", "a blend's `PARTS` by weight of dry solids, like \"2 sucrose + 1 hfcs-55\"")
	fs.StringVar(&p.brix, "brix", "", "true dry `SOLIDS`, like \"64 Brix\" (HFCS: as sold)")
	fs.StringVar(&p.within, "within", "", "error of Brix or reading at `MOST`, like \"0.2 Brix\", which is the default")
	return p
}

func (p *syrupFlags) common(fs *flag.FlagSet) {
	fs.StringVar(&p.temp, "temp", "20 C", "`TEMPERATURE`, like \"55 F\" or \"13 C\"")
	fs.StringVar(&p.units, "units", "", "`UNITS` of what is said, US or SI (default: the settings', or US)")
	fs.BoolVar(&p.asJSON, "json", false, "as JSON: SI units")
}

func (p *syrupFlags) options() (o report.Options, err error) {
	o.Units, err = personsUnits(p.units)
	if p.asJSON {
		o.Format, o.Units = report.JSON, quantity.SI
	}
	return o, err
}

// personsUnits returns the units that were asked for, or else those of the
// settings that lie here.
func personsUnits(asked string) (quantity.System, error) {
	if asked != "" {
		u, _ := quantity.ParseSystem(asked)
		return u, checkUnits(asked)
	}
	if _, err := os.Stat(defaultSettings); err == nil {
		if s, err := settings.Read(defaultSettings); err == nil {
			return s.Units, nil
		}
	}
	return quantity.US, nil
}

// solution returns the syrup that kind, shares and brix name, and the standard
// uncertainty of its solids.
func (p *syrupFlags) solution() (s syrup.Syrup, u quantity.Solids, err error) {
	if s.Makeup, err = p.makeup(); err != nil {
		return s, 0, err
	}
	within, err := p.brixWithin()
	if err != nil {
		return s, 0, err
	}
	if p.brix == "" {
		for k := syrup.Sucrose; k <= syrup.HFCS55; k++ {
			if sold := mix.AsSold(k); s.Makeup == syrup.Only(k) && sold > 0 {
				s.Solids = sold
				if p.within == "" {
					within = mix.Usual.SoldWithin
				}
				return s, within / quantity.Solids(math.Sqrt(3)), nil
			}
		}
		return s, 0, errors.New(`-brix: must be given, like "64 Brix"`)
	}
	if s.Solids, err = flagValue("-brix", p.brix, quantity.ParseBrix); err != nil {
		return s, 0, err
	}
	return s, within / quantity.Solids(math.Sqrt(3)), nil
}

func (p *syrupFlags) makeup() (syrup.Makeup, error) {
	kind := p.kind
	var parts map[string]float64
	if p.shares != "" {
		if kind != "" && kind != "blend" {
			return syrup.Makeup{}, fmt.Errorf("-shares: must not stand beside a kind, which is %q", kind)
		}
		var err error
		if parts, err = flagValue("-shares", p.shares, settings.ParseShares); err != nil {
			return syrup.Makeup{}, err
		}
		kind = "blend"
	}
	m, err := act.Makeup(kind, parts)
	var fe *act.FieldError
	switch {
	case err == nil:
		return m, nil
	case kind == "blend" && p.shares == "":
		return m, errors.New(`-shares: must say the parts of a blend, like "2 sucrose + 1 hfcs-55"`)
	case errors.As(err, &fe) && fe.Field == "syrup":
		return m, fmt.Errorf("KIND: %s, is %q", fe.Rule, kind)
	case errors.As(err, &fe):
		return m, fmt.Errorf("-shares: %s, is %v", fe.Rule, fe.Value)
	}
	return m, err
}

func (p *syrupFlags) brixWithin() (quantity.Solids, error) {
	if p.within == "" {
		return quantity.FromBrix(act.DefaultBrixWithin), nil
	}
	w, err := flagValue("-within", p.within, quantity.ParseBrix)
	if err == nil && w > 0.2 {
		err = fmt.Errorf("-within: must be between 0 and 20 Brix, is %q", p.within)
	}
	return w, err
}

// sheet turns the flags into what is asked.
func (p *syrupFlags) sheet() (s report.SyrupSheet, o report.Options, err error) {
	if o, err = p.options(); err != nil {
		return s, o, err
	}
	if s.Temp, err = flagValue("-temp", p.temp, quantity.ParseTemperature); err != nil {
		return s, o, err
	}
	off, err := parseTempWithin(p.tempWithin)
	if err != nil {
		return s, o, err
	}
	s.TempU = off / math.Sqrt(3)
	if p.reading == "" {
		switch {
		case p.readTemp != "":
			return s, o, errors.New("-reading-temp: must stand only with -reading")
		case p.compensated:
			return s, o, errors.New("-compensated: must stand only with -reading")
		}
		s.Syrup, s.SolidsU, err = p.solution()
		return s, o, err
	}
	return s, o, p.refractometer(&s)
}

// parseTempWithin reads -temp-within, in K.
func parseTempWithin(text string) (float64, error) {
	off, err := flagValue("-temp-within", text, settings.ParseKelvins)
	if err == nil && !(off >= 0 && off <= 20) {
		err = fmt.Errorf("-temp-within: must be between 0 and 20 K, is %q", text)
	}
	return off, err
}

// refractometer finds the solids from what a refractometer shows.
func (p *syrupFlags) refractometer(s *report.SyrupSheet) (err error) {
	if p.brix != "" {
		return errors.New("-reading: must not stand beside -brix")
	}
	if s.Syrup.Makeup, err = p.makeup(); err != nil {
		return err
	}
	shows, err := flagValue("-reading", p.reading, quantity.ParseBrix)
	if err != nil {
		return err
	}
	within, err := p.brixWithin()
	if err != nil {
		return err
	}
	s.Read, s.Reading, s.Compensated, s.ReadTemp = true, settings.Brix(shows), p.compensated, quantity.Temperature(math.NaN())
	switch {
	case p.readTemp != "":
		if s.ReadTemp, err = flagValue("-reading-temp", p.readTemp, quantity.ParseTemperature); err != nil {
			return err
		}
	case !p.compensated:
		return errors.New(`-reading-temp: must be given, like "68 F", or -compensated if the refractometer corrects for temperature itself`)
	}
	r := syrup.Refractometer{Compensated: p.compensated, ReadingU: within.Brix() / math.Sqrt(3), TempU: s.TempU}
	if s.Finding, err = r.True(s.Reading, s.ReadTemp, s.Syrup.Makeup); err != nil {
		var re *syrup.RangeError
		if errors.As(err, &re) && re.Field == "temperature" {
			return fmt.Errorf("-reading-temp: %w", err)
		}
		return fmt.Errorf("-reading: %w", err)
	}
	s.Syrup.Solids, s.SolidsU = s.Finding.Solids, s.Finding.U()
	return nil
}

// name puts the flag's name before an error of the syrup's formulas.
func (p *syrupFlags) name(err error) error {
	var re *syrup.RangeError
	if errors.As(err, &re) {
		switch {
		case re.Field == "temperature":
			return fmt.Errorf("-temp: %w", err)
		case p.reading != "":
			return fmt.Errorf("-reading: %w", err)
		}
		return fmt.Errorf("-brix: %w", err)
	}
	return err
}

// flagValue reads a flag's value; the error names the flag, rule and value.
func flagValue[Q any](flag, text string, parse func(string) (Q, error)) (Q, error) {
	v, err := parse(text)
	if err == nil {
		return v, nil
	}
	var pe *quantity.ParseError
	if errors.As(err, &pe) {
		return v, fmt.Errorf("%s: %s, is %q", flag, pe.Rule, pe.Input)
	}
	return v, fmt.Errorf("%s: %w", flag, err)
}

func runSyrupMix(e *env, fs *flag.FlagSet, args []string) error {
	var p syrupFlags
	p.common(fs)
	to := fs.String("to", "", "the `RECIPE` to weigh for: \"2:1\" (by weight), \"1:1 by volume\", \"65 Brix\"")
	volume := fs.String("volume", "", "how much it is to make, a `VOLUME` like \"275 gal\"")
	sugar := fs.String("sugar", "", "sugar at hand, a `WEIGHT` like \"50 lb\"")
	if err := parse(e, fs, args, 1); err != nil {
		return err
	}
	text := fs.Arg(0)
	switch {
	case text == "" && *to == "":
		return usageError{errors.New(`RECIPE: must be given, like "16 lb sugar + 1 gal water" or "2:1"`)}
	case text != "" && *to != "":
		return usageError{errors.New("-to: must not stand beside a recipe")}
	case *volume != "" && *sugar != "":
		return usageError{errors.New("-sugar: must not stand beside -volume")}
	case *to != "":
		text = *to
	}
	return p.mixed(e.out, func(o report.Options, t quantity.Temperature) (m report.MixSheet, err error) {
		r, err := mix.ParseRecipe(text)
		if err != nil {
			return m, err
		}
		if m.Least, m.Most, err = r.Limits(t, mix.Usual); err != nil {
			return m, err
		}
		m.Title = "Syrup of " + text
		if r.Sugar > 0 && !r.ByVolume {
			m.Title += ", sugar to water by weight"
		}
		scaled := r
		switch {
		case *volume != "":
			v, err := flagValue("-volume", *volume, quantity.ParseVolume)
			if err != nil {
				return m, err
			}
			if scaled, err = r.ForVolume(v, t, mix.Usual); err != nil {
				return m, err
			}
			m.Title += ", " + o.Units.Volume(v)
		case *sugar != "":
			kg, err := flagValue("-sugar", *sugar, quantity.ParseMass)
			if err != nil {
				return m, err
			}
			if scaled, err = r.ForSugar(kg, t, mix.Usual); err != nil {
				return m, err
			}
		case len(r.Parts) == 0:
			ten := 10 * quantity.Kilogram
			if o.Units == quantity.US {
				ten = 10 * quantity.Pound
			}
			if scaled, err = r.ForSugar(ten, t, mix.Usual); err != nil {
				return m, err
			}
			m.Title += ", for " + o.Units.Mass(ten) + " of sugar"
		}
		for _, part := range scaled.Parts {
			m.Weigh = append(m.Weigh, report.Amount{Text: sayPart(part, o.Units, t), Mass: part.Mass, Volume: part.Volume})
		}
		b, err := scaled.Mix(t, mix.Usual)
		if err != nil {
			return m, err
		}
		m.Mass = b.Total().Mass()
		if m.State, err = b.At(t, usualTempU); err != nil {
			return m, err
		}
		if v := m.State.VolumePerKg(); v > 0 {
			m.Notes = append(m.Notes, sayYield(v, o.Units))
		}
		return m, nil
	})
}

// usualTempU is the standard uncertainty of a thermometer that is right to 1 K.
const usualTempU = quantity.Temperature(syrup.UsualTempU)

// mixed answers with what find finds. Its errors are mistakes in the command line.
func (p *syrupFlags) mixed(w io.Writer, find func(report.Options, quantity.Temperature) (report.MixSheet, error)) error {
	o, err := p.options()
	if err != nil {
		return usageError{err}
	}
	t, err := flagValue("-temp", p.temp, quantity.ParseTemperature)
	if err != nil {
		return usageError{err}
	}
	m, err := find(o, t)
	if err != nil {
		var re *syrup.RangeError
		if errors.As(err, &re) && re.Field == "temperature" {
			err = fmt.Errorf("-temp: %w", err)
		}
		return usageError{err}
	}
	return report.Mix(w, m, o)
}

// sayPart says what to put in: weights as weights, water also as a volume.
func sayPart(p mix.Part, u quantity.System, t quantity.Temperature) string {
	name := "sugar"
	switch p.What {
	case mix.PureWater:
		name = "water"
	case mix.Dissolved:
		name = fmt.Sprintf("%v at %s Brix", p.Syrup.Makeup, strconv.FormatFloat(settings.Brix(p.Syrup.Solids), 'f', -1, 64))
	}
	if p.Volume > 0 {
		return u.Volume(p.Volume) + " " + name
	}
	s := u.Mass(p.Mass) + " " + name
	if p.What == mix.PureWater && p.Mass > 0 {
		if d, err := syrup.Density(0, t); err == nil {
			s += " (" + u.Volume(quantity.VolumeOf(float64(p.Mass)/float64(d))) + ")"
		}
	}
	return s
}

// sayYield says how much syrup a weight of dry sugar makes.
func sayYield(perKg quantity.Volume, u quantity.System) string {
	if u == quantity.US {
		return fmt.Sprintf("A pound of dry sugar makes %.3f gal of it.", perKg.USGallons()*float64(quantity.Pound))
	}
	return fmt.Sprintf("A kilogram of dry sugar makes %.3f L of it.", perKg.Litres())
}

func runSyrupThin(e *env, fs *flag.FlagSet, args []string) error {
	return runSyrupChange(e, fs, args, "thin", mix.Thin)
}

func runSyrupThicken(e *env, fs *flag.FlagSet, args []string) error {
	return runSyrupChange(e, fs, args, "thicken", mix.Thicken)
}

func runSyrupChange(e *env, fs *flag.FlagSet, args []string, verb string,
	bring func(mix.Batch, quantity.Solids, quantity.Temperature, mix.Means) (mix.Change, error)) error {
	p := newSyrupFlags(fs)
	volume := fs.String("volume", "", "how much there is, a `VOLUME` like \"100 gal\"; or -weight")
	weight := fs.String("weight", "", "how much there is, a `WEIGHT` like \"1100 lb\"")
	to := fs.String("to", "", "the `BRIX` it is to have, like \"60 Brix\"")
	if err := parse(e, fs, args, 1); err != nil {
		return err
	}
	p.kind = fs.Arg(0)
	return p.mixed(e.out, func(o report.Options, t quantity.Temperature) (m report.MixSheet, err error) {
		s, u, err := p.solution()
		if err != nil {
			return m, err
		}
		if *to == "" {
			return m, errors.New(`-to: must be given, like "60 Brix"`)
		}
		target, err := flagValue("-to", *to, quantity.ParseBrix)
		if err != nil {
			return m, err
		}
		b, amount, err := batchOf(s, u, *volume, *weight, t, o.Units)
		if err != nil {
			return m, p.name(err)
		}
		c, err := bring(b, target, t, mix.Usual)
		if err != nil {
			return m, fmt.Errorf("-to: %w", err)
		}
		what := "sugar"
		if verb == "thin" {
			what = "water"
		}
		add := c.Add.Total().Mass()
		line := fmt.Sprintf("Add %s of %s", o.Units.Mass(add), what)
		if c.AddVolume > 0 {
			line += " (" + o.Units.Volume(c.AddVolume) + ")"
		}
		m.Title = fmt.Sprintf("To %s %s of %v from %s to %s Brix", verb, amount, s.Makeup, brixText(s.Solids), brixText(target))
		m.Weigh = []report.Amount{{Text: fmt.Sprintf("%s. The Brix of the batch leaves that open by ± %s.", line, o.Units.Mass(2*c.AddU)), Mass: add, Volume: c.AddVolume}}
		m.Notes = append(m.Notes, sayShrinks(o.Units, c.Shrinks))
		if c.AddVolume == 0 {
			m.Notes = []string{"The sugar raises the volume by " + report.Hundredths(o.Units, -c.Shrinks) + "."}
		}
		m.State, m.Mass = c.After, c.Result.Total().Mass()
		return m, nil
	})
}

// sayShrinks says by how much volumes put together come to less than their sum.
func sayShrinks(u quantity.System, v quantity.Volume) string {
	if v < 0 {
		return "Volumes do not add: together they come to " + report.Hundredths(u, -v) + " more."
	}
	return "Volumes do not add: together they come to " + report.Hundredths(u, v) + " less."
}

// batchOf is a batch that is there, by its volume or its weight.
func batchOf(s syrup.Syrup, u quantity.Solids, volume, weight string, t quantity.Temperature, units quantity.System) (mix.Batch, string, error) {
	switch {
	case (volume == "") == (weight == ""):
		return mix.Batch{}, "", errors.New(`-volume: must be given, like "100 gal", or else -weight`)
	case volume != "":
		v, err := flagValue("-volume", volume, quantity.ParseVolume)
		if err != nil {
			return mix.Batch{}, "", err
		}
		by := mix.Reading{Solids: u, Volume: quantity.VolumeOf(v.CubicMetres() * mix.Usual.Measure), Temp: usualTempU}
		b, err := mix.ByVolume(s, v, t, by)
		return b, units.Volume(v), err
	}
	kg, err := flagValue("-weight", weight, quantity.ParseMass)
	if err != nil {
		return mix.Batch{}, "", err
	}
	means := mix.Usual
	means.SoldWithin = u * quantity.Solids(math.Sqrt(3))
	b, err := mix.Syrup(s, kg, means)
	return b, units.Mass(kg), err
}

func brixText(s quantity.Solids) string { return strconv.FormatFloat(settings.Brix(s), 'f', -1, 64) }

func runSyrupBlend(e *env, fs *flag.FlagSet, args []string) error {
	var p syrupFlags
	p.common(fs)
	if err := parse(e, fs, args, 16); err != nil {
		return err
	}
	if fs.NArg() < 2 {
		return usageError{errors.New(`RECIPE: must be two or more, like "100 gal syrup at 66.7 Brix" "30 gal hfcs-55"`)}
	}
	return p.mixed(e.out, func(o report.Options, t quantity.Temperature) (m report.MixSheet, err error) {
		var batches []mix.Batch
		for _, text := range fs.Args() {
			r, err := mix.ParseRecipe(text)
			if err != nil {
				return m, err
			}
			if len(r.Parts) == 0 {
				return m, fmt.Errorf("RECIPE: must say how much there is, is %q", text)
			}
			b, err := r.Mix(t, mix.Usual)
			if err != nil {
				return m, fmt.Errorf("%q: %w", text, err)
			}
			batches = append(batches, b)
			a := report.Amount{Text: text, Mass: b.Total().Mass()}
			if s, err := b.At(t, 0); err == nil {
				a.Volume = s.Volume
			}
			m.Weigh = append(m.Weigh, a)
		}
		out, err := mix.BlendAt(t, usualTempU, batches...)
		if err != nil {
			return m, err
		}
		m.Title, m.State, m.Mass = "Put together", out.State, out.Batch.Total().Mass()
		m.Notes = []string{sayShrinks(o.Units, out.Shrinks)}
		return m, nil
	})
}
