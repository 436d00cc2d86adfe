package journal

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"

	"yardtally/meter/act"
)

// ErrConflict says that another act is kept under the same id.
var ErrConflict = errors.New("another act has this id")

// AddAct keeps an act; it is durable on return. The same act again adds
// nothing. Another act under the id of one that is kept is refused with an
// error that wraps ErrConflict.
func (j *Journal) AddAct(a act.Act) (added bool, err error) {
	if err := a.Check(); err != nil {
		return false, fmt.Errorf("act %q: %w", a.ID, err)
	}
	data, err := json.Marshal(a)
	if err != nil {
		return false, fmt.Errorf("act %q: %w", a.ID, err)
	}
	j.write.Lock()
	defer j.write.Unlock()
	if j.isClosed() {
		return false, ErrClosed
	}
	var rig, old string
	var crc int64
	err = j.db.QueryRow(`SELECT rig, crc, data FROM act WHERE id = ?`, a.ID).Scan(&rig, &crc, &old)
	switch {
	case errors.Is(err, sql.ErrNoRows):
	case err != nil:
		return false, fmt.Errorf("%s: act %q: %w", j.path, a.ID, j.suspect(err))
	default:
		was, err := readAct(a.ID, rig, crc, old)
		if err != nil {
			// What is kept cannot be read: an import brings it back.
			break
		}
		again, err := json.Marshal(was)
		if err != nil {
			return false, fmt.Errorf("%s: act %q: %w", j.path, a.ID, err)
		}
		if !bytes.Equal(again, data) {
			return false, fmt.Errorf("act %q: %w, with other content: kept is %s, new is %s", a.ID, ErrConflict, again, data)
		}
		return false, nil
	}
	if _, err := j.db.Exec(`INSERT INTO act (id, rig, crc, data) VALUES (?, ?, ?, ?)
		ON CONFLICT (id) DO UPDATE SET rig = excluded.rig, crc = excluded.crc, data = excluded.data`,
		a.ID, a.Rig, int64(actCRC(a.ID, a.Rig, string(data))), string(data)); err != nil {
		return false, fmt.Errorf("%s: keeping act %q: %w", j.path, a.ID, j.failed(err))
	}
	j.wrote()
	return true, nil
}

// Acts returns the rig's acts in order of arrival. One that is bad is left
// out, and Damage names it.
func (j *Journal) Acts(rig string) ([]act.Act, error) {
	if j.isClosed() {
		return nil, ErrClosed
	}
	rows, err := j.db.Query(`SELECT id, rig, crc, data FROM act WHERE rig = ? ORDER BY n`, rig)
	if err != nil {
		return nil, fmt.Errorf("%s: reading acts: %w", j.path, err)
	}
	defer rows.Close()
	var out []act.Act
	var bad []Damage
	for rows.Next() {
		var id, rig, data string
		var crc int64
		if err := rows.Scan(&id, &rig, &crc, &data); err != nil {
			return nil, fmt.Errorf("%s: reading acts: %w", j.path, err)
		}
		a, err := readAct(id, rig, crc, data)
		if err != nil {
			bad = append(bad, Damage{Rig: rig, Act: id, What: err.Error()})
			continue
		}
		out = append(out, a)
	}
	j.mu.Lock()
	for _, d := range bad {
		j.note(d)
	}
	j.mu.Unlock()
	if err := rows.Err(); err != nil {
		return out, fmt.Errorf("%s: reading acts: %w", j.path, err)
	}
	return out, nil
}

func (j *Journal) isClosed() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.closed
}

func readAct(id, rig string, crc int64, data string) (act.Act, error) {
	if crc != int64(actCRC(id, rig, data)) {
		return act.Act{}, errors.New("its CRC-32C does not match")
	}
	var a act.Act
	if err := json.Unmarshal([]byte(data), &a); err != nil {
		return act.Act{}, err
	}
	return a, nil
}

func actCRC(id, rig, data string) uint32 {
	return crc32.Checksum(fmt.Appendf(nil, "%s\n%s\n%s", id, rig, data), castagnoli)
}

// PutCheckpoint keeps a cache under the rig and the name, in the place of the
// one before. It may know the rig's records up to LastSeq: should one of these
// be gone from the end when the journal is opened again, so that its sequence
// would be given to another, the cache is dropped.
func (j *Journal) PutCheckpoint(rig, name string, data []byte) error {
	j.write.Lock()
	defer j.write.Unlock()
	if j.isClosed() {
		return ErrClosed
	}
	if data == nil {
		data = []byte{}
	}
	last, err := j.LastSeq(rig)
	if err != nil {
		return err
	}
	if _, err := j.db.Exec(`INSERT OR REPLACE INTO checkpoint (rig, name, last, crc, data) VALUES (?, ?, ?, ?, ?)`,
		rig, name, int64(last), checkpointCRC(rig, name, int64(last), data), data); err != nil {
		return fmt.Errorf("%s: keeping checkpoint %s of rig %s: %w", j.path, name, rig, j.failed(err))
	}
	if len(j.hidden) > 0 {
		j.hidden = slices.DeleteFunc(j.hidden, func(l late) bool { return l == late{rig, int64(last)} })
	}
	j.wrote()
	return nil
}

// Checkpoint returns the cache under the rig and the name. One that is bad
// reads as absent.
func (j *Journal) Checkpoint(rig, name string) ([]byte, bool, error) {
	if j.isClosed() {
		return nil, false, ErrClosed
	}
	var crc, last int64
	var data []byte
	err := j.db.QueryRow(`SELECT last, crc, data FROM checkpoint WHERE rig = ? AND name = ?`, rig, name).Scan(&last, &crc, &data)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, false, nil
	case err != nil:
		return nil, false, fmt.Errorf("%s: reading checkpoint %s of rig %s: %w", j.path, name, rig, err)
	case j.tooLate(rig, last):
		return nil, false, nil
	case crc != checkpointCRC(rig, name, last, data):
		j.log.Info("journal: a checkpoint is bad and left out", "rig", rig, "name", name)
		return nil, false, nil
	}
	return data, true, nil
}

func (j *Journal) tooLate(rig string, last int64) bool {
	j.write.Lock()
	defer j.write.Unlock()
	return slices.Contains(j.hidden, late{rig, last})
}

// DropCheckpoints deletes all caches.
func (j *Journal) DropCheckpoints() error {
	j.write.Lock()
	defer j.write.Unlock()
	if j.isClosed() {
		return ErrClosed
	}
	if _, err := j.db.Exec(`DELETE FROM checkpoint`); err != nil {
		return fmt.Errorf("%s: dropping checkpoints: %w", j.path, j.failed(err))
	}
	j.wrote()
	return nil
}
