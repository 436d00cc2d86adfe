package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"yardtally/ingest/sqlite"
	"yardtally/meter"
	"yardtally/meter/act"
)

// Report is what a journal's file holds. Times are Unix ns, as the records'
// Wall; 0 where there are none.
type Report struct {
	Path       string
	Schema     int
	Generation string
	Bytes      int64
	Rigs       []string
	Records    int64 // that can be read
	Readings   int64
	Acts       int64
	Blocks     int
	First      int64 // earliest
	Last       int64 // latest
	Damage     []Damage
}

// backupPages is how many pages are copied at a time: between, commits go on.
const backupPages = 512

// Backup copies the journal, as it is at the end of the call, to a new file
// at path, while records come in and are committed. The copy gets its name when
// it is on the disk and was read through: SQLite's own check, every CRC-32C,
// and as many records, readings, blocks and acts as the journal has. Damage
// that the journal itself has is in the copy too, and in the Report. A file
// that is there already is an error that wraps fs.ErrExist.
func (j *Journal) Backup(ctx context.Context, path string) (Report, error) {
	if _, err := os.Lstat(path); err == nil {
		return Report{}, fmt.Errorf("%s: backup: %w", path, fs.ErrExist)
	}
	half, err := newFile(path + ".partial")
	if err != nil {
		return Report{}, fmt.Errorf("%s: backup: %w", path, err)
	}
	defer os.Remove(half)
	var want Report
	if err := j.copyPages(ctx, half, &want); err != nil {
		return Report{}, fmt.Errorf("%s: backup: %w", path, err)
	}
	got, err := verify(ctx, half)
	if err != nil {
		return got, fmt.Errorf("%s: backup: the copy is no good: %w", path, err)
	}
	if got.Blocks != want.Blocks || got.Acts+damagedActs(&got) != want.Acts || len(got.Damage) == 0 && (got.Records != want.Records || got.Readings != want.Readings) {
		return got, fmt.Errorf("%s: backup: the copy holds %d records, %d readings, %d blocks and %d acts, not %d, %d, %d and %d",
			path, got.Records, got.Readings, got.Blocks, got.Acts, want.Records, want.Readings, want.Blocks, want.Acts)
	}
	got.Path = path
	return got, publish(half, path)
}

func damagedActs(r *Report) (n int64) {
	for _, d := range r.Damage {
		if d.Act != "" {
			n++
		}
	}
	return n
}

// newFile makes an empty file in the place of one of an earlier try.
func newFile(path string) (string, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o660)
	if err != nil {
		return "", err
	}
	return path, errors.Join(f.Chmod(0o660), f.Close())
}

// publish gives a whole file its name, unless there is one of that name.
func publish(half, path string) error {
	f, err := os.Open(half)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Link(half, path); errors.Is(err, fs.ErrExist) {
		return err
	} else if err != nil { // a stick's file system has no links
		if err := os.Rename(half, path); err != nil {
			return err
		}
	}
	return syncFolder(path)
}

// copyPages copies the file some pages at a time. Whatever is committed
// between is in the copy too.
func (j *Journal) copyPages(ctx context.Context, to string, want *Report) error {
	b := sqlite.Backup{DB: j.db, To: to}
	defer func() {
		j.write.Lock()
		defer j.write.Unlock()
		b.Close()
	}()
	step := func() (done bool, err error) {
		j.write.Lock()
		defer j.write.Unlock()
		if j.isClosed() {
			return false, ErrClosed
		}
		if done, err = b.Step(ctx, backupPages); err != nil || !done {
			return done, err
		}
		j.mu.Lock()
		want.Records, want.Readings, want.Blocks = j.stats.Records, j.stats.Readings, j.stats.Blocks
		j.mu.Unlock()
		return true, j.db.QueryRow(`SELECT count(*) FROM act`).Scan(&want.Acts)
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if done, err := step(); err != nil || done {
			return err
		}
	}
}

// Verify reads the journal at path through without changing anything in its
// folder, and says what it holds. What is wrong in it is in the Report; the error
// says that it is no journal, or that SQLite's own check finds its file
// damaged. A journal in use is an *OwnedError. One that was not closed is
// looked at as it will be when it is opened.
func Verify(ctx context.Context, path string) (Report, error) {
	if err := notOwned(path); err != nil {
		return Report{}, err
	}
	if fi, err := os.Stat(path + "-wal"); err != nil || fi.Size() == 0 {
		return verify(ctx, path)
	}
	dir, err := os.MkdirTemp("", "journal")
	if err != nil {
		return Report{}, err
	}
	defer os.RemoveAll(dir)
	at := filepath.Join(dir, filepath.Base(path))
	if err := errors.Join(copyLarge(at, path), copyLarge(at+"-wal", path+"-wal")); err != nil {
		return Report{}, fmt.Errorf("%s: %w", path, err)
	}
	db, err := sqlite.OpenWith(at, sqlite.Options{Exclusive: true})
	if err == nil {
		err = db.Close() // it takes the log in
	}
	if err != nil {
		return Report{Path: path}, copied{err, at, path}
	}
	r, err := verify(ctx, at)
	r.Path = path
	if err != nil {
		err = copied{err, at, path}
	}
	return r, err
}

// copied is an error of a copy, told as one of the file that it was made of.
type copied struct {
	error
	at, of string
}

func (c copied) Error() string { return strings.ReplaceAll(c.error.Error(), c.at, c.of) }

func (c copied) Unwrap() error { return c.error }

func notOwned(path string) error {
	f, err := os.Open(path + ".lock")
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("%s: looking at the lock: %w", path, err)
	}
	defer f.Close()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); errors.Is(err, syscall.EWOULDBLOCK) {
		return &OwnedError{Path: path, Holder: holder(f)}
	}
	return nil
}

// verify reads a file that nobody writes and that has no log.
func verify(ctx context.Context, path string) (Report, error) {
	r := Report{Path: path}
	fi, err := os.Stat(path)
	if err != nil {
		return r, err
	}
	r.Bytes = fi.Size()
	db, err := sqlite.OpenImage(path)
	if err != nil {
		return r, err
	}
	defer db.Close()
	j := &Journal{path: path, db: db, log: discard}
	j.reset()
	if err := j.look(ctx, &r); err != nil {
		return r, fmt.Errorf("%s: %w", path, err)
	}
	r.Damage = j.Damage()
	return r, nil
}

func (j *Journal) look(ctx context.Context, r *Report) error {
	var app int
	if err := j.db.QueryRow(`SELECT (SELECT user_version FROM pragma_user_version), (SELECT application_id FROM pragma_application_id)`).Scan(&r.Schema, &app); err != nil {
		return fmt.Errorf("is not a journal, or its first page is lost: %w", err)
	}
	switch {
	case app != applicationID || r.Schema < 1:
		return fmt.Errorf("is an SQLite file, but not a journal (application id %#x, must be %#x)", app, applicationID)
	case r.Schema > len(steps):
		return fmt.Errorf("has schema %d, this program knows up to %d: it was written by a newer one; use that", r.Schema, len(steps))
	}
	// As Open will find it: SQLite takes more than a journal ever has.
	if err := j.checkHead(); err != nil {
		return err
	}
	if err := checkFile(j.db, r.Schema); err != nil {
		return err
	}
	if err := j.scan(); err != nil {
		return err
	}
	if r.Schema > 1 {
		err := j.db.QueryRow(`SELECT id FROM generation ORDER BY n DESC LIMIT 1`).Scan(&r.Generation)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
	}
	var err error
	if r.Rigs, err = j.Rigs(); err != nil {
		return err
	}
	for _, rig := range r.Rigs {
		err := j.Replay(rig, 0, func(rec *meter.Record) error {
			r.Records++
			r.Readings += int64(len(rec.Readings))
			if r.First == 0 || rec.Wall < r.First {
				r.First = rec.Wall
			}
			r.Last = max(r.Last, rec.Wall)
			return ctx.Err()
		})
		if err != nil {
			return err
		}
		acts, err := j.Acts(rig)
		if err != nil {
			return err
		}
		r.Acts += int64(len(acts))
	}
	acts, err := j.Acts(act.House)
	if err != nil {
		return err
	}
	r.Acts += int64(len(acts))
	r.Blocks = j.stats.Blocks
	return nil
}

// Restore puts a copy of the journal at from in the place of to. It is read
// through before, and again as copied. A journal that is at to already is an
// error that wraps fs.ErrExist, unless replace says that it may be set aside; then
// it is kept, with its log, as to.replaced-INSTANT. Whatever happens, there is
// the old journal or the new. The restored journal begins a new generation.
func Restore(ctx context.Context, from, to string, replace bool) (Report, error) {
	r, err := Verify(ctx, from)
	if err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	owner, _, err := lock(to)
	if err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	defer func() {
		owner.Truncate(0)
		owner.Close()
	}()
	j := &Journal{path: to, log: discard}
	if err := j.finishSalvage(); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	for _, name := range []string{to, to + "-wal"} {
		if fi, err := os.Stat(name); err == nil && fi.Size() > 0 && !replace {
			return r, fmt.Errorf("restore: %s: %w", name, fs.ErrExist)
		}
	}
	half, whole := to+".restoring", to+".salvaged"
	defer os.Remove(half)
	defer os.Remove(half + "-wal")
	if err := errors.Join(copyLarge(half, from), copyLog(half, from)); err != nil {
		return r, fmt.Errorf("restore: %s: %w", to, err)
	}
	if err := renew(half, "a backup was restored"); err != nil {
		return r, fmt.Errorf("restore: %s: %w", to, err)
	}
	got, err := verify(ctx, half)
	if err != nil {
		return r, fmt.Errorf("restore: the copy is no good: %w", err)
	}
	if got.Records != r.Records || got.Readings != r.Readings || got.Acts != r.Acts || got.Blocks != r.Blocks {
		return got, fmt.Errorf("restore: %s: the copy holds %d records, %d readings, %d blocks and %d acts, not %d, %d, %d and %d",
			to, got.Records, got.Readings, got.Blocks, got.Acts, r.Records, r.Readings, r.Blocks, r.Acts)
	}
	got.Path = to
	// From here on an interrupted run is completed when the journal is opened.
	if err := rename(half, whole); err != nil {
		return got, err
	}
	aside := to + ".replaced-" + time.Now().UTC().Format("20060102T150405.000Z")
	for _, ending := range []string{"", "-wal"} {
		if err := rename(to+ending, aside+ending); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return got, err
		}
	}
	return got, j.finishSalvage()
}

// renew opens the file as its owner will, so that it is of the present schema,
// and begins a generation.
func renew(path, why string) error {
	j := &Journal{path: path, o: Options{SealAfter: 4096}, log: discard, renew: why}
	j.reset()
	if err := j.attach(); err != nil {
		return err
	}
	return errors.Join(j.moveLog(), j.db.Close(), syncFile(path))
}

func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

func copyLog(to, from string) error {
	os.Remove(to + "-wal")
	if _, err := os.Stat(from + "-wal"); err != nil {
		return nil
	}
	return copyLarge(to+"-wal", from+"-wal")
}

// copyLarge copies a file of any size, durably.
func copyLarge(to, from string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o660)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}
