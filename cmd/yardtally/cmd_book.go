package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"slices"
	"strings"
	"time"

	"yardtally/meter/act"
	"yardtally/meter/entry"
)

// bookUsage says the ways of the books, after the flags.
func bookUsage() string {
	var s strings.Builder
	s.WriteString("\nWAY is one of:\n")
	for _, w := range entry.Ways() {
		fmt.Fprintf(&s, "  %-22s %s\n      yardtally book %s %s\n", strings.TrimSpace(w.Name+" "+w.Arg), w.What, w.Name, w.Like)
	}
	s.WriteString(`  list                   what was booked, and what is in store and totes (this is the default)
  fix ACT [GOODS...]     say an entry again, with what changed
      yardtally book fix 0bbbbb -brix "61 Brix"

GOODS are an amount with its unit and what it is of: "40 bags of 50 lb sugar",
"500 lb sugar", "30 gal hfcs-55 at 76.5 Brix". PARTS are joined by +, water among
them. Of a syrup "at" says its solids or the temperature its volume was measured
at; "within 1 %" says how far an amount may be off.
`)
	return s.String()
}

// bookWords are what stands for WHAT in errors.
func bookWords(way string) string {
	if w, ok := entry.WayOf(way); ok && w.Arg != "" {
		return w.Arg
	}
	return "WHAT"
}

// runBook keeps the season's books: what was bought, mixed, counted, lost.
func runBook(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("book")
	also(fs, bookUsage())
	s := spoken{where: where{house: true}}
	s.where.flags(fs)
	fs.StringVar(&s.who, "who", byCommand, "`NAME` of who says it")
	fs.StringVar(&s.unitsAsked, "units", "", "`UNITS` of what is told, US or SI (default: the settings')")
	f := bookFields(fs)
	if err := s.parse(e, fs, args, -1); err != nil {
		return err
	}
	has := given(fs)
	anew := f(has)
	way, rest := "list", fs.Args()
	if len(rest) > 0 {
		way, rest = rest[0], rest[1:]
	}
	id := ""
	switch _, known := entry.WayOf(way); {
	case way == "list" && (len(rest) > 0 || len(anew) > 0):
		return usageError{errors.New("list: must stand alone")}
	case way == "fix" && len(rest) == 0:
		return usageError{errors.New("ACT: must be the id of an entry, as \"yardtally book\" lists it")}
	case way == "fix":
		id, rest = rest[0], rest[1:]
	case way != "list" && !known:
		_, err := entry.Compose(way, nil, nil)
		return usageError{bookError(way, err)}
	}
	if len(rest) > 0 {
		anew[entry.What] = strings.Join(rest, " ")
	}
	if err := s.openBook(ctx, e); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.close()) }()
	switch {
	case s.house == nil:
	case s.rig != "" && way == "list":
		return usageError{fmt.Errorf("-rig: must be left out, as all rigs have one book, is %q", s.rig)}
	case s.rig != "":
		anew[entry.Rig] = s.rig
	}
	switch way {
	case "list":
		return s.listBook()
	case "fix":
		return s.fixBook(ctx, id, anew)
	}
	x, err := entry.Compose(way, anew, s.known())
	if err != nil {
		return usageError{bookError(way, err)}
	}
	s.noteBook(x)
	return s.keepBook(ctx, s.bookText("Booked", x), said{from: x.From, body: x.Body}, "")
}

// bookFields adds a flag for each field, and returns what gives those that were
// said.
func bookFields(fs *flag.FlagSet) func(has func(string) bool) entry.Fields {
	texts, switches := make(map[string]*string), make(map[string]*bool)
	for _, x := range entry.AllFields() {
		if x.Name == entry.Rig {
			continue // it is named like the rig of all else
		}
		if x.Switch {
			switches[x.Name] = fs.Bool(x.Name, false, x.What)
			continue
		}
		texts[x.Name] = fs.String(x.Name, "", "`"+x.Arg+"`: "+x.What)
	}
	return func(has func(string) bool) entry.Fields {
		f := make(entry.Fields)
		for name, text := range texts {
			if has(name) {
				f[name] = *text
			}
		}
		for name, on := range switches {
			if has(name) {
				f[name] = ""
				if *on {
					f[name] = "true"
				}
			}
		}
		return f
	}
}

// bookError gives a field's error the name that stands on the command line.
func bookError(way string, err error) error {
	var fe *act.FieldError
	if !errors.As(err, &fe) {
		return err
	}
	name := "-" + fe.Field
	switch fe.Field {
	case entry.What:
		name = bookWords(way)
	case "way":
		name = "WAY"
	}
	return &act.FieldError{Field: name, Rule: fe.Rule, Value: fe.Value}
}

// known is what entries are read beside.
func (s *spoken) known() *entry.Known {
	if s.house != nil {
		return &entry.Known{Now: s.now.UnixNano(), Zone: s.zone, View: s.before, Rigs: s.views, Standing: entry.HouseStanding(s.acts), Units: s.sys, Currency: s.currency()}
	}
	return &entry.Known{Now: s.now.UnixNano(), Zone: s.zone, View: s.before, Standing: entry.Standing(s.acts), Units: s.sys, Currency: s.currency()}
}

func (s *spoken) noteBook(x *entry.Entry) {
	for _, n := range x.Notes {
		fmt.Fprintln(s.e.out, n)
	}
}

func (s *spoken) bookText(verb string, x *entry.Entry) string {
	return fmt.Sprintf("%s for %s: %s.", verb, day(x.From, s.zone), s.sayAct(x.Body))
}

// fixBook says an entry again, with what changed.
func (s *spoken) fixBook(ctx context.Context, id string, anew entry.Fields) error {
	old, err := named(s.acts, id)
	if err != nil {
		return err
	}
	way, f, ok := entry.Of(old, s.zone)
	switch {
	case !ok:
		return fmt.Errorf("ACT: must be an entry of the books, is %s, which says %s", short(old.ID), s.sayAct(old.Body))
	case len(anew) == 0:
		return usageError{errors.New("fix: must say what changed, like -brix \"61 Brix\"")}
	case !thatCount(s.acts)[old.ID]:
		return fmt.Errorf("ACT: must be an entry that counts, and %s was taken back or said again since", short(old.ID))
	}
	if s.house != nil && old.Rig != act.House { // it stays in the book that the rig had of its own
		if of := anew[entry.Rig]; of != "" && of != old.Rig {
			return fmt.Errorf("-rig: must be left out or be %q, whose entry it is, is %q", old.Rig, of)
		}
		delete(anew, entry.Rig)
		if len(anew) == 0 {
			return usageError{errors.New("fix: must say what changed, like -brix \"61 Brix\"")}
		}
	}
	k := s.knownOf(old)
	k.Standing = slices.DeleteFunc(k.Standing, func(a act.Act) bool { return a.ID == old.ID })
	x, err := entry.Compose(way, entry.Change(f, anew), k)
	if err != nil {
		return usageError{bookError(way, err)}
	}
	s.noteBook(x)
	fmt.Fprintf(s.e.out, "It was for %s: %s.\n", day(old.From, s.zone), s.sayAct(old.Body))
	return s.keepBook(ctx, s.bookText("Now", x), said{from: x.From, body: x.Body, over: act.Over(old)}, old.Rig)
}

// currency is the sign of the house's prices.
func (s *spoken) currency() string { return s.where.currency() }

// isEntry reports whether an act is an entry that "book" makes, and not a statement.
func isEntry(a *act.Act) bool {
	_, _, ok := entry.Of(a, time.UTC)
	return ok
}
