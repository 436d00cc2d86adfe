package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	iofs "io/fs"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
	"yardtally/meter/act"
	"yardtally/meter/books"
	"yardtally/meter/entry"
	"yardtally/meter/ledger"
	"yardtally/meter/sugar"
)

// booksFlags are the flags of what is made of the season's books.
type booksFlags struct {
	where
	from, to, units, format, out string
}

func (b *booksFlags) flags(fs *flag.FlagSet) {
	b.where.flags(fs)
	b.where.house = true
	fs.StringVar(&b.from, "from", "", "first night's `DATE`, like 2026-08-01 (default: where the year's books begin)")
	fs.StringVar(&b.to, "to", "", "last night's `DATE` (default: the end of the year)")
	fs.StringVar(&b.units, "units", "", "`UNITS`, US or SI (default: the settings')")
	fs.StringVar(&b.format, "format", "text", "`FORMAT`: text, csv, json or pdf")
	fs.StringVar(&b.out, "o", "", "`FILE` to write to, which must not be there yet (default: the screen)")
}

// bookFormats are the formats of what is made of the books.
var bookFormats = map[string]report.Format{"text": report.Table, "csv": report.CSV, "json": report.JSON, "pdf": report.PDF}

// keeper opens the books. Those of a house are of no rig alone.
func (b *booksFlags) keeper(ctx context.Context) (*bookKeeper, error) {
	k, err := b.where.bookKeeper(ctx, false)
	if err == nil && k.house != nil && b.rig != "" {
		return nil, errors.Join(usageError{fmt.Errorf("-rig: must be left out, as all rigs have one book, is %q", b.rig)}, k.Close())
	}
	return k, err
}

// check refuses what cannot be so, and settles the format.
func (b *booksFlags) check() (report.Format, error) {
	if err := checkUnits(b.units); err != nil {
		return 0, err
	}
	for _, x := range []struct{ flag, text string }{{"-from", b.from}, {"-to", b.to}} {
		if _, err := time.Parse(time.DateOnly, x.text); err != nil && x.text != "" {
			return 0, fmt.Errorf("%s: must be a date like 2026-10-09, is %q", x.flag, x.text)
		}
	}
	if b.from != "" && b.to != "" && b.to < b.from {
		return 0, fmt.Errorf("-to: must not be before -from, is %q", b.to)
	}
	f, ok := bookFormats[b.format]
	if !ok {
		return 0, fmt.Errorf("-format: must be text, csv, json or pdf, is %q", b.format)
	}
	if f == report.PDF && b.out == "" {
		return 0, errors.New("-o: must name the file of a pdf, or - for the standard output")
	}
	return f, nil
}

// bookSeason is the books and what was metered in the period that was asked for,
// of one rig or of a house.
type bookSeason struct {
	views  []*ledger.View
	acts   []act.Act // all
	zone   *time.Location
	season *books.Season
	review []books.Review
}

// look reads the season; from and to are the period, 0, 0 where the flags say.
func (b *booksFlags) look(ctx context.Context, from *bookKeeper, fromNS, toNS int64) (*bookSeason, error) {
	views, err := from.Views(ctx)
	if err != nil {
		return nil, err
	}
	acts, err := from.Acts(ctx)
	if err != nil {
		return nil, err
	}
	v := ledger.Together(views)
	return bookedSeason(views, acts, from.house != nil, b.where.units(b.units), func(book *sugar.Book, zone *time.Location) (int64, int64, error) {
		if toNS != 0 {
			return fromNS, toNS, nil
		}
		from, to := books.Period(v, book, zone)
		if b.from != "" {
			day, _ := time.Parse(time.DateOnly, b.from)
			from, _ = books.Nights(v, day, day, zone)
		}
		if b.to != "" {
			day, _ := time.Parse(time.DateOnly, b.to)
			_, to = books.Nights(v, day, day, zone)
		}
		if to <= from {
			return 0, 0, usageError{fmt.Errorf("-from: must be before the period ends, on %s, is %q", evening(to-int64(12*time.Hour), zone), b.from)}
		}
		return from, to, nil
	})
}

// bookedSeason is the season of views and of all acts, in the period that is chosen.
func bookedSeason(views []*ledger.View, acts []act.Act, house bool, u quantity.System, period func(*sugar.Book, *time.Location) (int64, int64, error)) (*bookSeason, error) {
	s := &bookSeason{views: views, acts: acts, zone: zoneOf(ledger.Together(views))}
	standing := entry.Standing(acts)
	if house {
		standing = entry.HouseStanding(acts)
	}
	book := sugar.Read(standing)
	from, to, err := period(book, s.zone)
	if err != nil {
		return nil, err
	}
	s.season, s.review = books.FromViews(views, standing, book, from, to)
	s.season.Loc, s.season.Units = s.zone, u
	return s, nil
}

// statement makes the statement of the season; why is for what its balance
// could not be made, "" where it was.
func (s *bookSeason) statement() (st *books.Statement, why string, err error) {
	bal, err := s.season.Balance()
	if err != nil {
		bal, why = nil, err.Error() // all else stands
	}
	st = s.season.StatementOf(s.views, bal)
	return st, why, st.Check()
}

// write writes to the file that -o names, or to the screen.
func (b *booksFlags) write(e *env, what func(w io.Writer) error) error {
	if b.out == "" || b.out == "-" {
		return what(e.out)
	}
	var text bytes.Buffer
	if err := what(&text); err != nil {
		return err
	}
	f, err := os.OpenFile(b.out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if errors.Is(err, iofs.ErrExist) {
		return fmt.Errorf("-o: must not be there yet, is %q", b.out)
	} else if err != nil {
		return err
	}
	_, err = f.Write(text.Bytes())
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(b.out))
	}
	fmt.Fprintf(e.err, "Written to %s.\n", b.out)
	return nil
}

func (b *booksFlags) options(f report.Format, s *bookSeason) report.Options {
	u := b.where.units(b.units)
	if f == report.JSON || f == report.CSV {
		u = quantity.SI
	}
	return report.Options{Format: f, Units: u, Zone: s.zone, Currency: b.where.currency(),
		SayAct: func(a *act.Act) string { return sayAct(a.Body, u, s.zone, b.where.currency()) }}
}

// runBalance holds the season's books against what was metered.
func runBalance(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("balance")
	var b booksFlags
	b.flags(fs)
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	format, err := b.check()
	if err != nil {
		return usageError{err}
	}
	if err := b.find(); err != nil {
		return err
	}
	from, err := b.keeper(ctx)
	if err != nil {
		return err
	}
	s, err := b.look(ctx, from, 0, 0)
	if err = errors.Join(err, from.Close()); err != nil {
		return err
	}
	bal, err := s.season.Balance()
	if err != nil {
		return err
	}
	return b.write(e, func(w io.Writer) error { return report.Balance(w, bal, b.options(format, s)) })
}

// statementFlags are those of "yardtally statement" beside.
type statementFlags struct {
	booksFlags
	issue, list, colonies bool
	number, changes       int
	title, who            string
}

// runStatement says where the sugar of a season went, and issues statements.
func runStatement(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("statement")
	var f statementFlags
	f.flags(fs)
	fs.BoolVar(&f.issue, "issue", false, "issue it: its figures are kept under the next number")
	fs.StringVar(&f.title, "title", "", "with -issue: `TEXT` above it")
	fs.StringVar(&f.who, "who", byCommand, "with -issue: `NAME` of who issues it")
	fs.BoolVar(&f.list, "list", false, "list the statements issued")
	fs.IntVar(&f.number, "number", 0, "show statement `N` with its figures as issued")
	fs.IntVar(&f.changes, "changes", 0, "say what of statement `N` would be other today, and why")
	fs.BoolVar(&f.colonies, "colonies", false, "with -format csv: a line a numbered colony")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	format, err := f.booksFlags.check()
	if err == nil {
		err = f.beside(given(fs))
	}
	if err != nil {
		return usageError{err}
	}
	if err := f.find(); err != nil {
		return err
	}
	b, err := f.keeper(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if f.list {
		return f.listIssued(ctx, e, b)
	}
	var was *books.Issued
	fromNS, toNS := int64(0), int64(0)
	if n := max(f.number, f.changes); n > 0 {
		if was, err = f.issued(ctx, b, n); err != nil {
			return err
		}
		fromNS, toNS = was.Statement.From, was.Statement.To
	}
	s, err := f.look(ctx, b, fromNS, toNS)
	if err != nil {
		return err
	}
	o := f.booksFlags.options(format, s)
	o.Colonies = f.colonies
	if f.number > 0 {
		o.Issued = was
		return f.write(e, func(w io.Writer) error { return report.Statement(w, was.Statement, o) })
	}
	st, why, err := s.statement()
	if err != nil {
		return err
	}
	if why != "" {
		fmt.Fprintf(e.err, "There is no balance, so what is unaccounted for has no interval: %s\n", why)
	}
	switch {
	case f.changes > 0:
		r := books.Compare(*was, st, s.acts)
		return f.write(e, func(w io.Writer) error { return report.Restated(w, &r, st, o) })
	case f.issue:
		if o.Issued, err = f.keep(ctx, b, st, s); err != nil {
			return err
		}
	}
	if err := f.write(e, func(w io.Writer) error { return report.Statement(w, st, o) }); err != nil {
		return err
	}
	if f.issue {
		fmt.Fprintf(e.err, "Issued as statement %d, kept as act %s. Its figures stay: yardtally statement -number %d\n", o.Issued.Number, short(o.Issued.Act), o.Issued.Number)
	}
	return nil
}

// beside refuses flags that cannot stand together.
func (f *statementFlags) beside(has func(string) bool) error {
	var ways []string
	for _, w := range []string{"issue", "list", "number", "changes"} {
		if has(w) {
			ways = append(ways, "-"+w)
		}
	}
	switch {
	case len(ways) > 1:
		return fmt.Errorf("%s: must not stand beside %s", ways[1], ways[0])
	case has("number") && f.number < 1:
		return fmt.Errorf("-number: must be that of a statement issued, is %d", f.number)
	case has("changes") && f.changes < 1:
		return fmt.Errorf("-changes: must be the number of a statement issued, is %d", f.changes)
	case (has("number") || has("changes") || has("list")) && (f.from != "" || f.to != ""):
		return fmt.Errorf("-from, -to: must not stand beside %s", ways[0])
	case (f.title != "" || has("who")) && !f.issue:
		return errors.New("-title, -who: must stand only with -issue")
	case utf8.RuneCountInString(f.title) > 100:
		return fmt.Errorf("-title: must be 100 letters at most, has %d", utf8.RuneCountInString(f.title))
	case strings.TrimSpace(f.who) == "":
		return fmt.Errorf("-who: must not be empty, is %q", f.who)
	case f.colonies && f.format != "csv":
		return fmt.Errorf("-colonies: must stand only with -format csv, stands with %q", f.format)
	}
	return nil
}

// issued returns the statement of that number.
func (f *statementFlags) issued(ctx context.Context, b *bookKeeper, n int) (*books.Issued, error) {
	acts, err := b.Acts(ctx)
	if err != nil {
		return nil, err
	}
	all := books.IssuedOf(entry.Standing(acts))
	i := slices.IndexFunc(all, func(x books.Issued) bool { return x.Number == n })
	flag := "-number"
	if f.changes > 0 {
		flag = "-changes"
	}
	switch {
	case i < 0 && len(all) == 0:
		return nil, fmt.Errorf("%s: must be the number of a statement issued, and none was yet, is %d", flag, n)
	case i < 0:
		return nil, fmt.Errorf("%s: must be the number of a statement issued, as \"yardtally statement -list\" lists them, is %d", flag, n)
	case all[i].Statement == nil:
		return nil, fmt.Errorf("statement %d cannot be read: %s", n, all[i].Why)
	}
	return &all[i], nil
}

// listIssued lists the statements issued.
func (f *statementFlags) listIssued(ctx context.Context, e *env, b *bookKeeper) error {
	acts, err := b.Acts(ctx)
	if err != nil {
		return err
	}
	views, err := b.Views(ctx)
	if err != nil {
		return err
	}
	zone := zoneOf(ledger.Together(views))
	all := books.IssuedOf(entry.Standing(acts))
	if len(all) == 0 {
		fmt.Fprintln(e.out, "No statement was issued yet: \"yardtally statement -issue\" issues one.")
		return nil
	}
	for _, x := range all {
		line := fmt.Sprintf("%d  issued %s by %s as act %s", x.Number, day(x.When, zone), x.Who, short(x.Act))
		if st := x.Statement; st != nil {
			line += fmt.Sprintf(", nights of %s to %s", evening(st.From, zone), evening(st.To-int64(12*time.Hour), zone))
		} else {
			line += ", cannot be read: " + x.Why
		}
		if x.Title != "" {
			line += ", " + x.Title
		}
		if x.Twice {
			line += " (another has the same number: two copies of the journal issued each its own)"
		}
		fmt.Fprintln(e.out, line)
	}
	return nil
}

// keep issues a statement.
func (f *statementFlags) keep(ctx context.Context, b *bookKeeper, st *books.Statement, s *bookSeason) (*books.Issued, error) {
	body, err := books.Issue(st, books.NextNumber(s.acts), f.title, s.acts)
	if err != nil {
		return nil, err
	}
	when := time.Now().UnixNano()
	for i := range s.acts {
		when = max(when, s.acts[i].When+1)
	}
	a := act.Act{ID: newID(), Rig: b.Rig(), Who: f.who, When: when, Body: body}
	if err := a.Check(); err != nil {
		return nil, err
	}
	if _, err := b.AddActs(ctx, a); err != nil {
		return nil, err
	}
	return &books.Issued{Act: a.ID, Rig: a.Rig, Who: a.Who, When: a.When, Number: body.Number, Title: body.Title, Statement: st}, nil
}
