package journal

import (
	"fmt"
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

// checkTail looks, before SQLite takes the log back in, for what it will cut.
func (j *Journal) checkTail() error {
	tail, err := sqlite.LogTail(j.path)
	if err != nil {
		return fmt.Errorf("%s: reading the log: %w", j.path, err)
	}
	if tail == nil {
		return nil
	}
	j.note(Damage{What: fmt.Sprintf("the log ends in %d pages that are no whole commit (from byte %d, after %d commits); cut off, and kept in %s",
		tail.Frames, tail.Offset, tail.Commits, filepath.Base(j.path)+keptLog)})
	if err := copyFile(j.path+keptLog, j.path+"-wal"); err != nil {
		j.log.Warn("journal: the log's tail could not be kept", "path", j.path, "err", err)
	}
	return nil
}

// keptLog is where the last log with a tail goes: most are commits that a
// crash cut short, but one may be whole commits behind a bad byte.
const keptLog = "-wal.damaged"

func copyFile(to, from string) error {
	b, err := os.ReadFile(from) // a few MB: the log is kept short
	if err != nil {
		return err
	}
	return os.WriteFile(to, b, 0o660)
}
