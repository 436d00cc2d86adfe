package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	iofs "io/fs"
	"os"
	"time"

	"yardtally/ingest/desk"
	"yardtally/ingest/recording"
	"yardtally/ingest/wire"
	"yardtally/meter/act"
)

// imported is what came of a recording, so far or in all.
type imported struct {
	Bytes    int64              `json:"bytes"`
	Lines    int                `json:"lines"`
	Readings int64              `json:"readings"` // read
	Records  int                `json:"records"`  // new to the journal
	ActsRead int                `json:"acts_read"`
	Acts     int                `json:"acts"` // new to the journal
	LinesBad int                `json:"lines_bad"`
	Dropped  map[string]uint64  `json:"dropped,omitempty"`
	Details  []recording.Broken `json:"details,omitempty"`
	// Conflicts are acts of which another is kept under the same id.
	Conflicts []string `json:"conflicts,omitempty"`
}

// importInto reads a recording into a desk. What was good is kept, also where
// the reading ends in an error.
func importInto(ctx context.Context, d *desk.Desk, rig string, r io.Reader, progress func(imported)) (imported, error) {
	var done imported
	put := func(ctx context.Context, items []recording.Item) error {
		kept := make([]desk.Kept, len(items))
		for i := range items {
			kept[i] = desk.Kept{BootID: items[i].BootID, Record: items[i].Record, Act: items[i].Act}
		}
		came, err := d.Import(ctx, kept)
		done.Records += came.Records
		done.Acts += came.Acts
		done.Conflicts = append(done.Conflicts, came.Conflicts...)
		return err
	}
	res, err := recording.Read(ctx, r, recording.Options{Rig: rig, Progress: func(p recording.Progress) {
		done.Bytes, done.Lines, done.Readings, done.ActsRead = p.Bytes, p.Lines, p.Readings, p.Acts
		progress(done)
	}}, put)
	done.Bytes, done.Lines, done.Readings, done.ActsRead = res.Bytes, res.Lines, res.Readings, res.Acts
	done.LinesBad, done.Dropped, done.Details = res.LinesBad, res.Dropped, res.Details
	if ctx.Err() != nil {
		return done, err
	}
	return done, errors.Join(err, d.Settle(ctx))
}

func runImport(ctx context.Context, e *env, args []string) error {
	fs := flags("import")
	var w where
	w.flags(fs)
	quiet := fs.Bool("q", false, "no progress")
	if err := parse(e, fs, args, -1); err != nil {
		return err
	}
	if fs.NArg() == 0 {
		return usageError{errors.New("RECORDING: must name at least one file")}
	}
	for _, path := range fs.Args() {
		if _, err := os.Stat(path); err != nil {
			return err
		}
	}
	if err := w.find(); err != nil {
		return err
	}
	if w.set != nil && w.rig != w.set.Rig {
		return usageError{fmt.Errorf("-rig: must be the settings' rig %q, is %q", w.set.Rig, w.rig)}
	}
	if w.rig == "" {
		if r, err := dialDaemon(ctx, w.data); err == nil {
			w.rig = r.Rig()
			r.Close()
		} else if w.rig, err = rigOf(fs.Arg(0)); err != nil {
			return err
		}
	}
	b, err := openBackend(ctx, w.data, w.rig, true)
	if err != nil {
		return err
	}
	if w.set != nil {
		err = sayAll(ctx, b, w.set, time.Now().UnixNano())
	}
	for _, path := range fs.Args() {
		if err != nil {
			break
		}
		err = importFile(ctx, e, b, path, *quiet)
	}
	if ctx.Err() == nil {
		err = errors.Join(err, sayReview(ctx, e, b))
	}
	return errors.Join(err, b.Close())
}

// progressEvery is how often a long import says how far it is.
var progressEvery = time.Second

func importFile(ctx context.Context, e *env, b backend, path string, quiet bool) error {
	f, size, err := recording.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	// A pipe on which nothing comes must not hold up a stop.
	defer context.AfterFunc(ctx, func() { f.Close() })()
	last := time.Now()
	done, err := b.Import(ctx, f, func(p imported) {
		if quiet || time.Since(last) < progressEvery {
			return
		}
		last = time.Now()
		part := ""
		if size > 0 {
			part = fmt.Sprintf("%3d %%, ", min(100, p.Bytes*100/size))
		}
		fmt.Fprintf(e.err, "%s: %s%d lines, %d readings\n", path, part, p.Lines, p.Readings)
	})
	fmt.Fprintf(e.out, "%s: %d lines, %d readings; new: %d records, %d acts.\n", path, done.Lines, done.Readings, done.Records, done.Acts)
	switch {
	case err != nil && ctx.Err() != nil:
		return fmt.Errorf("%s: stopped in the middle; what is counted above is kept, and importing again goes on from there", path)
	case err != nil:
		done.sayDropped(e.err, path)
		return fmt.Errorf("%s: %w (what is counted above is kept)", path, err)
	case done.Readings == 0 && done.ActsRead == 0:
		return fmt.Errorf("%s: %s", path, done.whyNothing(b.Rig()))
	}
	done.sayDropped(e.err, path)
	for _, c := range done.Conflicts {
		fmt.Fprintf(e.err, "%s: conflict: %s\n", path, c)
	}
	if n := len(done.Conflicts); n > 0 {
		return fmt.Errorf("%s: %d acts differ from those kept here under the same id, which stay as they are", path, n)
	}
	return nil
}

// sayReview lists what a person has to settle.
func sayReview(ctx context.Context, e *env, b backend) error {
	v, err := b.View(ctx)
	if err != nil {
		return err
	}
	for _, r := range v.Review {
		fmt.Fprintf(e.out, "To settle: act %s %s.\n", r.Act, r.Why)
	}
	return nil
}

// dropped is how much could not be taken in.
func (p *imported) dropped() (total uint64) {
	for _, n := range p.Dropped {
		total += n
	}
	return total
}

func (p *imported) sayDropped(w io.Writer, path string) {
	for _, d := range p.Details {
		fmt.Fprintf(w, "%s: %s\n", path, d)
	}
	if more := p.dropped() - uint64(len(p.Details)); more > 0 {
		fmt.Fprintf(w, "%s: and %d more that could not be taken in\n", path, more)
	}
}

// whyNothing says why a recording brought nothing.
func (p *imported) whyNothing(rig string) string {
	switch n := p.dropped(); {
	case n == 0:
		return "holds no readings"
	case n == p.Dropped[string(wire.OtherRig)]:
		return fmt.Sprintf("nothing in it is of rig %q; %s", rig, p.Details[0])
	default:
		return fmt.Sprintf("nothing in it could be taken in for rig %q, %d times; first %s", rig, n, p.Details[0])
	}
}

// rigOf returns the rig that the first usable line of a recording names.
func rigOf(path string) (string, error) {
	f, _, err := recording.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	found := errors.New("found")
	rig := ""
	_, err = recording.Read(context.Background(), io.LimitReader(bufio.NewReader(f), 4<<20), recording.Options{},
		func(_ context.Context, items []recording.Item) error {
			for i := range items {
				if items[i].Rig != act.House {
					rig = items[i].Rig
					return found
				}
			}
			return nil
		})
	if errors.Is(err, found) {
		return rig, nil
	}
	return "", errors.Join(fmt.Errorf("%s: no line of it names a rig", path), err)
}

func runExport(ctx context.Context, e *env, args []string) (err error) {
	fs := flags("export")
	var w where
	w.flags(fs)
	to := fs.String("o", "", "`FILE` to write to, which must not be there yet (default: the screen)")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	b, err := w.reach(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if *to == "" {
		return b.Export(ctx, e.out)
	}
	f, err := os.OpenFile(*to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if errors.Is(err, iofs.ErrExist) {
		return fmt.Errorf("-o: must not be there yet, is %q", *to)
	} else if err != nil {
		return err
	}
	if err := errors.Join(b.Export(ctx, f), f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(*to))
	}
	return nil
}
