package journal

import (
	"crypto/rand"
	"errors"
	"fmt"
	"hash/crc32"
	"time"

	"yardtally/ingest/sqlite"
)

// Generation returns an id that changes whenever records may have been lost
// from the end of the journal, so that their sequences are given to others, or
// an older copy was restored. A cursor of sequences that is kept outside the
// journal is good only under the generation it was taken in.
func (j *Journal) Generation() string { return j.generation }

// begin reads the generation, or begins a new one where that is due, and drops
// the checkpoints that know of records which are gone.
func (j *Journal) begin() error {
	rows, err := j.db.Query(`SELECT n, id, crc FROM generation ORDER BY n`)
	if err != nil {
		return fmt.Errorf("%s: reading the generation: %w", j.path, err)
	}
	defer rows.Close()
	var n, crc int64
	var id string
	for rows.Next() {
		if err := rows.Scan(&n, &id, &crc); err != nil || crc != generationCRC(n, id) {
			id = ""
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return fmt.Errorf("%s: reading the generation: %w", j.path, err)
	}
	if id == "" || j.renew != "" {
		n, id = n+1, rand.Text()
		_, err := j.db.Exec(`INSERT INTO generation (n, id, crc) VALUES (?, ?, ?)`, n, id, generationCRC(n, id))
		if err != nil && !sqlite.IsFull(err) { // a full disk must not keep the rig from starting
			return fmt.Errorf("%s: beginning a generation: %w", j.path, err)
		}
		if j.renew != "" { // a new file's first one is no news
			j.log.Info("journal: a new generation of sequences begins", "path", j.path, "generation", n, "why", j.renew)
		}
	}
	j.generation, j.renew = id, ""
	return j.dropLater()
}

func generationCRC(n int64, id string) int64 {
	return int64(crc32.Checksum(fmt.Appendf(nil, "%d %s", n, id), castagnoli))
}

// late names checkpoints that must not be used.
type late struct {
	rig  string
	last int64
}

func (j *Journal) dropLater() error {
	rows, err := j.db.Query(`SELECT DISTINCT rig, last FROM checkpoint`)
	if err != nil {
		return fmt.Errorf("%s: reading checkpoints: %w", j.path, err)
	}
	defer rows.Close()
	j.hidden = nil
	for rows.Next() {
		var l late
		if err := rows.Scan(&l.rig, &l.last); err != nil {
			continue // one that is bad reads as absent
		}
		if g := j.rigs[l.rig]; g == nil && l.last > 0 || g != nil && uint64(l.last) > g.committed() {
			j.hidden = append(j.hidden, l)
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return fmt.Errorf("%s: reading checkpoints: %w", j.path, err)
	}
	for _, l := range j.hidden {
		_, err := j.db.Exec(`DELETE FROM checkpoint WHERE rig = ? AND last = ?`, l.rig, l.last)
		if err != nil && !sqlite.IsFull(err) {
			return fmt.Errorf("%s: dropping checkpoints: %w", j.path, err)
		}
		j.log.Info("journal: a checkpoint knows more than the journal and is dropped", "path", j.path, "rig", l.rig, "last", l.last)
	}
	return nil
}

func checkpointCRC(rig, name string, last int64, data []byte) int64 {
	head := fmt.Appendf(nil, "%s\n%s\n%d\n", rig, name, last)
	return int64(crc32.Update(crc32.Checksum(head, castagnoli), castagnoli, data))
}

// moving empties the log into the file: after some commits, and when none has
// come for some seconds. A night's readings do not lie in a log that one bad
// byte can cut, and a rig that is switched off after work has none.
type moving struct {
	commits int
	spoilt  bool // a commit failed: what it left in the log must not stay
	quiet   *time.Timer
}

const (
	moveAfter = 32 // commits
	moveQuiet = 5 * time.Second
)

// wrote is called after every transaction. Under write.
func (j *Journal) wrote() {
	m := &j.inLog
	m.commits++
	if m.commits >= moveAfter || m.spoilt {
		if err := j.moveLog(); err != nil {
			j.log.Warn("journal: the log could not be moved into the file", "path", j.path, "err", j.suspect(err))
		}
	}
	if m.quiet == nil {
		m.quiet = time.AfterFunc(moveQuiet, func() {
			j.write.Lock()
			defer j.write.Unlock()
			if j.isClosed() || m.commits == 0 {
				return
			}
			if err := j.moveLog(); err != nil {
				j.log.Warn("journal: the log could not be moved into the file", "path", j.path, "err", j.suspect(err))
			}
		})
		return
	}
	m.quiet.Reset(moveQuiet)
}

// failed is called with the error of a transaction that failed, and adds what
// it means for the file. Under write.
func (j *Journal) failed(err error) error {
	j.inLog.spoilt = true
	return j.suspect(err)
}

func (m *moving) stop() {
	if m.quiet != nil {
		m.quiet.Stop()
	}
}

func (j *Journal) moveLog() error {
	var busy, log, moved int
	if err := j.db.QueryRow(`PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &log, &moved); err != nil {
		return err
	}
	if busy != 0 {
		return errors.New("the log is in use")
	}
	j.inLog.commits, j.inLog.spoilt = 0, false
	return nil
}
