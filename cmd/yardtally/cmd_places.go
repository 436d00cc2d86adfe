package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	iofs "io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"yardtally/ingest/places"
	"yardtally/meter/act"
)

// placesFlags are what is said on the command line of yards that come or go.
type placesFlags struct {
	where
	from, who, out, as, units string
	dry                       bool
}

func (p *placesFlags) flags(fs *flag.FlagSet) {
	p.where.flags(fs)
	fs.StringVar(&p.from, "from", "", "since `WHEN` the yards hold: a time like \"2026-10-09 17:30\", or \"ever\" (default: now); with -o, when they stood so")
	fs.BoolVar(&p.dry, "dry-run", false, "keep nothing, only say what it would change")
	fs.StringVar(&p.who, "who", byCommand, "`NAME` of who says it")
	fs.StringVar(&p.out, "o", "", "`FILE` to write the yards to instead, which must not be there yet, .geojson or .gpx; - is the screen")
	fs.StringVar(&p.as, "as", "", "`FORMAT` to write, geojson or gpx (default: by the FILE's name)")
	fs.StringVar(&p.units, "units", "", "`UNITS` of what is said, US or SI (default: the settings')")
}

// runPlaces takes yards in from a map or a receiver, or gives them out.
func runPlaces(ctx context.Context, e *env, args []string) error {
	fs := flags("places")
	also(fs, `
FILE is GeoJSON (RFC 7946) or GPX; - is the standard input. A Point or a
waypoint is a yard's centre, a Polygon or a track that ends where it began is
its outline. A yard is known by its id or, failing that, by its name; what the
file does not say of it stays as it was. GeoJSON may say id, name, enter_m,
leave_m, colonies, fill_l, numbered and closed.
`)
	var p placesFlags
	p.flags(fs)
	if err := parse(e, fs, args, 1); err != nil {
		return err
	}
	if err := p.check(fs); err != nil {
		return usageError{err}
	}
	if p.out != "" {
		return p.giveOut(ctx, e)
	}
	return p.takeIn(ctx, e, fs.Arg(0))
}

// check refuses what cannot stand together, and settles the format.
func (p *placesFlags) check(fs *flag.FlagSet) error {
	if err := checkUnits(p.units); err != nil {
		return err
	}
	if strings.TrimSpace(p.who) == "" {
		return fmt.Errorf("-who: must not be empty, is %q", p.who)
	}
	if p.out == "" {
		switch {
		case p.as != "":
			return errors.New("-as: must stand beside -o")
		case fs.NArg() == 0:
			return errors.New("FILE: must name a file of yards to take in, or -o one to write them to")
		}
		return nil
	}
	switch {
	case fs.NArg() > 0:
		return fmt.Errorf("-o: must not stand beside a FILE to take in, is %q", p.out)
	case p.dry:
		return errors.New("-dry-run: must not stand beside -o, which keeps nothing")
	}
	switch ext := strings.ToLower(filepath.Ext(p.out)); {
	case p.as == string(places.GeoJSON) || p.as == string(places.GPX):
	case p.as != "":
		return fmt.Errorf("-as: must be geojson or gpx, is %q", p.as)
	case ext == ".geojson" || ext == ".json":
		p.as = string(places.GeoJSON)
	case ext == ".gpx":
		p.as = string(places.GPX)
	default:
		return fmt.Errorf("-o: must end in .geojson or .gpx, or -as say which, is %q", p.out)
	}
	return nil
}

// giveOut writes the yards as they stand at -from.
func (p *placesFlags) giveOut(ctx context.Context, e *env) (err error) {
	if err := p.find(); err != nil {
		return err
	}
	b, err := openBackend(ctx, p.data, p.rig, false)
	if err != nil {
		return err
	}
	acts, err := b.Acts(ctx)
	if err = errors.Join(err, b.Close()); err != nil {
		return err
	}
	standing := act.Standing(acts)
	at, err := p.instant(zoneSaid(standing), time.Now())
	if err != nil {
		return usageError{err}
	}
	var yards []act.Yard
	for _, h := range yardsAt(standing, at) {
		if !h.later {
			yards = append(yards, h.Yard)
		}
	}
	write := places.WriteGeoJSON
	if p.as == string(places.GPX) {
		write = places.WriteGPX
	}
	if p.out == "-" {
		return write(e.out, yards)
	}
	f, err := os.OpenFile(p.out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if errors.Is(err, iofs.ErrExist) {
		return fmt.Errorf("-o: must not be there yet, is %q", p.out)
	} else if err != nil {
		return err
	}
	if err := errors.Join(write(f, yards), f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(p.out))
	}
	fmt.Fprintf(e.out, "Written to %s: %s.\n", p.out, howMany(len(yards), "yard"))
	return nil
}

// takeIn says what a file's yards change, and keeps it.
func (p *placesFlags) takeIn(ctx context.Context, e *env, path string) (err error) {
	items, err := readPlaces(e, path)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	if err := p.find(); err != nil {
		return err
	}
	now := time.Now()
	var acts []act.Act
	b, err := openBackend(ctx, p.data, p.rig, p.set != nil && !p.dry)
	switch {
	case err == nil:
		defer func() { err = errors.Join(err, b.Close()) }()
		acts, err = p.known(ctx, b, now)
	case p.dry && p.set != nil && errors.Is(err, iofs.ErrNotExist):
		m := &memory{} // nothing is kept yet: the settings are all there is
		err = sayAll(ctx, m, p.set, now.UnixNano())
		acts = m.acts
	}
	if err != nil {
		return err
	}
	standing := act.Standing(acts)
	zone := zoneSaid(standing)
	from, err := p.instant(zone, now)
	if err != nil {
		return usageError{err}
	}
	known := yardsAt(standing, from)
	fresh, refused := p.tell(e, path, known, items, from, zone)
	if !p.dry && len(fresh) > 0 {
		if err := p.keep(ctx, b, standing, fresh, from, now); err != nil {
			return err
		}
	}
	switch {
	case p.dry:
		fmt.Fprintln(e.out, "Nothing was kept.")
	case len(fresh) == 0:
		fmt.Fprintln(e.out, "Nothing was to be kept.")
	default:
		fmt.Fprintf(e.out, "Kept: %s, %s.\n", howMany(len(fresh), "yard"), sinceWhen(from, zone))
		if p.from == "" {
			fmt.Fprintln(e.out, "What was fed before stays as it is: with -from ever it would be theirs too.")
		}
	}
	if refused > 0 {
		return fmt.Errorf("%s: %s refused; what is said above of the others holds", path, howMany(refused, "place"))
	}
	return nil
}

// known returns all acts, once the journal has heard what the settings say:
// what is kept hears it too, unless this is a dry run.
func (p *placesFlags) known(ctx context.Context, b backend, now time.Time) ([]act.Act, error) {
	acts, err := b.Acts(ctx)
	if _, running := b.(*remote); err != nil || running || p.set == nil || p.set.Rig != b.Rig() {
		return acts, err
	}
	if p.dry {
		m := &memory{acts}
		err = sayAll(ctx, m, p.set, now.UnixNano())
		return m.acts, err
	}
	if err := sayAll(ctx, b, p.set, now.UnixNano()); err != nil {
		return nil, err
	}
	return b.Acts(ctx)
}

// memory keeps acts for as long as a dry run takes.
type memory struct{ acts []act.Act }

func (m *memory) Acts(context.Context) ([]act.Act, error) { return m.acts, nil }

func (m *memory) AddActs(_ context.Context, acts ...act.Act) (int, error) {
	m.acts = append(m.acts, acts...)
	return len(acts), nil
}

// readPlaces reads a file. Where only one place in it could be a yard and that
// has no name, the file's name is its name.
func readPlaces(e *env, path string) ([]places.Item, error) {
	in := e.in
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			var pe *iofs.PathError
			if errors.As(err, &pe) {
				err = pe.Err
			}
			return nil, err
		}
		defer f.Close()
		in = f
	}
	data, err := io.ReadAll(io.LimitReader(in, places.MostBytes+1))
	if err != nil {
		return nil, err
	}
	_, items, err := places.Read(data)
	var lone *places.Item
	for i := range items {
		if items[i].Skipped != "" {
			continue
		}
		if lone != nil {
			return items, err
		}
		lone = &items[i]
	}
	if lone != nil && lone.Err == nil && lone.Place.Name == "" && lone.Place.ID == "" && path != "-" {
		name := filepath.Base(path)
		lone.Place.Name = strings.TrimSuffix(name, filepath.Ext(name))
	}
	return items, err
}

// instant returns since when the yards hold, Unix ns; 0 is since ever.
func (p *placesFlags) instant(zone *time.Location, now time.Time) (int64, error) {
	if p.from == "ever" || p.from == "since ever" {
		return 0, nil
	}
	t, err := timeIn("-from", p.from, zone, now)
	if err != nil {
		return 0, fmt.Errorf("-from: must be a time like \"2026-10-09 17:30\", or ever, is %q", p.from)
	}
	return t.UnixNano(), nil
}

// tell says of each place what it comes to, and returns the yards that are to
// be kept and how many places were refused.
func (p *placesFlags) tell(e *env, path string, known []holding, items []places.Item, from int64, zone *time.Location) (fresh []act.Yard, refused int) {
	u := p.where.units(p.units)
	yards := make([]act.Yard, len(known))
	held := make(map[string]holding)
	for i, h := range known {
		yards[i], held[h.ID] = h.Yard, h
	}
	same := 0
	for _, s := range places.Merge(yards, items) {
		at := fmt.Sprintf("%s: %s", path, s.Where)
		if s.Skipped == "" && s.Err == nil {
			for _, note := range s.Notes {
				fmt.Fprintf(e.err, "%s: %s\n", at, note)
			}
		}
		h := held[s.New.ID]
		switch {
		case s.Skipped != "":
			fmt.Fprintf(e.err, "%s: skipped: %s\n", at, s.Skipped)
			continue
		case s.Err != nil:
			fmt.Fprintf(e.err, "%s: refused: %v\n", at, s.Err)
			refused++
			continue
		case s.Old == nil:
			fmt.Fprintf(e.out, "new      %s\n", sayYard(s.New, u))
		case len(s.Changes) == 0 && !h.later:
			fmt.Fprintf(e.out, "same     %s (%s)\n", s.New.ID, s.New.Name)
			same++
			continue
		default:
			what := sayChanges(*s.Old, s.New, s.Changes, u)
			if h.later {
				what = append(what, fmt.Sprintf("held %s", sinceWhen(h.next, zone)))
			}
			fmt.Fprintf(e.out, "changed  %s (%s): %s\n", s.New.ID, s.Old.Name, strings.Join(what, ", "))
		}
		if h.next != 0 {
			fmt.Fprintf(e.out, "         only until %s: something else was said of it for then\n", day(h.next, zone))
		}
		fresh = append(fresh, s.New)
	}
	return fresh, refused
}

// keepAtOnce is how many acts go to a daemon at once: with outlines of the
// most corners they stay below what it takes.
const keepAtOnce = 100

func (p *placesFlags) keep(ctx context.Context, b backend, standing []act.Act, yards []act.Yard, from int64, now time.Time) error {
	when := now.UnixNano()
	over := make(map[string][]string)
	for i := range standing {
		a := &standing[i]
		when = max(when, a.When+1)
		if a.From == from {
			over[act.Subject(a.Body)] = append(over[act.Subject(a.Body)], a.ID)
		}
	}
	for len(yards) > 0 {
		var acts []act.Act
		for _, y := range yards[:min(len(yards), keepAtOnce)] {
			acts = append(acts, act.Act{ID: newID(), Rig: b.Rig(), Who: p.who, When: when, From: from, Body: y, Replaces: over[act.Subject(y)]})
		}
		if _, err := b.AddActs(ctx, acts...); err != nil {
			return err
		}
		yards = yards[len(acts):]
	}
	return nil
}
