package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"yardtally/ingest/journal"
)

// runBackup copies the journal while the daemon runs, or without it. The copy
// has its name only when it was read through.
func runBackup(ctx context.Context, e *env, args []string) error {
	fs := flags("backup")
	var w where
	w.flags(fs)
	if err := parse(e, fs, args, 1); err != nil {
		return err
	}
	if fs.NArg() != 1 {
		return usageError{errors.New("FILE: must name the file to write")}
	}
	// The daemon that writes it may stand in another folder.
	path, err := filepath.Abs(fs.Arg(0))
	if err != nil {
		return err
	}
	w.house = true
	if err := w.find(); err != nil {
		return err
	}
	if w.set != nil {
		w.rig = cmp.Or(w.rig, w.set.Names()[0]) // any of them: it is the whole journal
	}
	b, err := w.reach(ctx)
	if err != nil {
		return err
	}
	r, err := b.Backup(ctx, path)
	if err = errors.Join(err, b.Close()); err != nil {
		return err
	}
	sayReport(e, "Backed up and checked", r)
	return nil
}

// runRestore puts a backup in the journal's place. The daemon must not run.
func runRestore(ctx context.Context, e *env, args []string) error {
	f := flags("restore")
	w := where{house: true}
	w.flags(f)
	replace := f.Bool("replace", false, "set a journal that is there aside, keeping it under another name")
	if err := parse(e, f, args, 1); err != nil {
		return err
	}
	if f.NArg() != 1 {
		return usageError{errors.New("FILE: must name the backup")}
	}
	if err := w.find(); err != nil {
		return err
	}
	if err := os.MkdirAll(w.data, 0o770); err != nil {
		return fmt.Errorf("data: %w", err)
	}
	r, err := journal.Restore(ctx, f.Arg(0), filepath.Join(w.data, journalFile), *replace)
	if errors.Is(err, fs.ErrExist) && !*replace {
		return fmt.Errorf("%w; -replace sets it aside", err)
	}
	if err != nil {
		return err
	}
	sayReport(e, "Restored and checked", r)
	return nil
}

func sayReport(e *env, what string, r journal.Report) {
	fmt.Fprintf(e.out, "%s: %s\n  %d records, %d readings, %d acts, %d bytes\n", what, r.Path, r.Records, r.Readings, r.Acts, r.Bytes)
	if r.First != 0 {
		day := func(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339) }
		fmt.Fprintf(e.out, "  heard from %s to %s, by the board's own clock\n", day(r.First), day(r.Last))
	}
	for _, d := range r.Damage {
		fmt.Fprintf(e.out, "  damaged: %s\n", d)
	}
}
