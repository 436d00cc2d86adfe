package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"yardtally/ingest/sqlite"
)

// Damage is something in the file that could not be read, and what it covers.
// Fields that are not known are zero.
type Damage struct {
	Rig         string
	First, Last uint64 // sequences lost: at most these
	Boot        uint32
	MonoFirst   int64 // ns of the boot's monotonic clock, the earliest lost
	MonoLast    int64 // and the latest
	Act         string
	What        string
}

func (d Damage) String() string {
	switch {
	case d.Act != "":
		return fmt.Sprintf("act %s: %s", d.Act, d.What)
	case d.First != 0 && d.Boot == 0:
		return fmt.Sprintf("rig %s, records %d to %d: %s", d.Rig, d.First, d.Last, d.What)
	case d.First != 0:
		return fmt.Sprintf("rig %s, records %d to %d (boot %d, %d to %d ns): %s", d.Rig, d.First, d.Last, d.Boot, d.MonoFirst, d.MonoLast, d.What)
	}
	return d.What
}

type damageKey struct {
	rig, act, what string
	first          uint64
}

func damageOf(name string, s *span, what string) Damage {
	return Damage{Rig: name, First: s.first, Last: s.last, Boot: s.boot, MonoFirst: s.monoFirst, MonoLast: s.monoLast, What: what}
}

// mostDamage bounds the list; the log has them all.
const mostDamage = 1000

// note adds to the list, once each. Under mu, or before the journal is shared.
func (j *Journal) note(d Damage) {
	key := damageKey{d.Rig, d.Act, d.What, d.First}
	if j.found[key] || len(j.damage) >= mostDamage {
		return
	}
	j.found[key] = true
	j.damage = append(j.damage, d)
	j.log.Warn("journal: damage", "path", j.path, "damage", d.String())
}

// Damage returns what has been found bad since the journal was opened. Data
// are checked when they are read: a whole Replay finds what there is.
func (j *Journal) Damage() []Damage {
	j.mu.Lock()
	defer j.mu.Unlock()
	return append([]Damage(nil), j.damage...)
}

// pageSize is that of every journal.
const pageSize = 4096

// checkLog looks at the log before SQLite takes it back in. What SQLite would
// drop though it was acknowledged is put right first, if it can be; if it
// cannot, the error is badData: row by row, most can be brought over.
func (j *Journal) checkLog() error {
	l, err := sqlite.ReadLog(j.path, pageSize)
	if err != nil {
		return fmt.Errorf("%s: reading the log: %w", j.path, err)
	}
	if l == nil {
		_, err := os.Stat(j.path + "-wal")
		if fi, ferr := os.Stat(j.path); j.crashed && errors.Is(err, fs.ErrNotExist) && ferr == nil && fi.Size() > 0 {
			j.renew = "the log is gone"
			j.note(Damage{What: "the journal was not closed, and its log is gone: what was kept last, before it came into the file, is lost"})
		}
		return nil
	}
	if fi, err := os.Stat(j.path); errors.Is(err, fs.ErrNotExist) || err == nil && fi.Size() == 0 {
		return badData{errors.New("the file is empty or gone, its log is there")}
	}
	if !l.Tail() {
		return nil
	}
	keep, name := copyFile(j.path+keptLog, j.path+"-wal"), filepath.Base(j.path)+keptLog
	if keep != nil {
		j.log.Warn("journal: the log as it was could not be kept", "path", j.path, "err", keep)
	}
	switch {
	case l.Junk:
		j.renew = "the log cannot be read"
		j.note(Damage{What: fmt.Sprintf("the log cannot be read: what was kept last, up to %d pages that had not come into the file yet, is lost; it is kept in %s", l.Frames, name)})
		return nil
	case l.Kept <= l.Plain:
		j.renew = "the log ended in an unfinished commit"
		j.log.Warn("journal: the log ended in a commit that was not finished; it is cut off", "path", j.path,
			"pages", l.Frames-l.Plain, "from byte", l.Offset, "commits before", l.Commits, "kept in", name)
		return nil
	case l.Doubtful:
		return badData{fmt.Errorf("%d pages of its log are damaged", l.Bad)}
	}
	j.log.Warn("journal: the log was damaged, and all of it could be put right", "path", j.path,
		"pages put right", l.Fixed, "pages not needed", l.Bad, "commits behind them", l.Behind, "as it was", name)
	if err := replaceFile(j.path+"-wal", l.Whole()); err != nil {
		return fmt.Errorf("%s: putting the log right: %w", j.path, err)
	}
	return nil
}

// keptLog is where the last log goes that ended in something else than a whole
// commit.
const keptLog = "-wal.damaged"

func copyFile(to, from string) error {
	b, err := os.ReadFile(from) // a few MB: the log is kept short
	if err != nil {
		return err
	}
	return os.WriteFile(to, b, 0o660)
}

// replaceFile puts new content in the place of a file, durably: whatever
// happens, there is the old or the new.
func replaceFile(path string, b []byte) error {
	half := path + ".new"
	f, err := os.OpenFile(half, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o660)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	err = errors.Join(err, f.Chmod(0o660), f.Sync(), f.Close())
	if err != nil {
		return err
	}
	return rename(half, path)
}

// rename is durable on return.
func rename(from, to string) error {
	if err := os.Rename(from, to); err != nil {
		return err
	}
	return syncFolder(to)
}

func syncFolder(of string) error {
	d, err := os.Open(filepath.Dir(of))
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
