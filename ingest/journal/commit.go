package journal

import (
	"database/sql"
	"fmt"
	"hash/crc32"
	"slices"
	"time"

	"yardtally/meter"
)

// part is one row or block about to be written.
type part struct {
	rig  string
	span span
	data []byte
}

// Commit keeps all records that were appended before the call, in one
// transaction: they are durable when it returns. With nothing held it touches
// nothing. When it fails, nothing was dropped: the records stay held and the
// next Commit tries again.
func (j *Journal) Commit() error {
	j.write.Lock()
	defer j.write.Unlock()
	return j.commit()
}

// commit is Commit. Under write.
func (j *Journal) commit() error {
	j.mu.Lock()
	if j.closed {
		j.mu.Unlock()
		return ErrClosed
	}
	if j.pending == 0 {
		j.mu.Unlock()
		return nil
	}
	type queued struct {
		g    *rig
		recs []meter.Record
	}
	var work []queued
	for _, g := range j.rigs {
		if n := len(g.queue); n > 0 {
			work = append(work, queued{g, g.queue[:n:n]}) // records in the queue never change
		}
	}
	row, blk := j.nextRow, j.nextBlk
	j.mu.Unlock()
	slices.SortFunc(work, func(a, b queued) int {
		if a.g.name < b.g.name {
			return -1
		}
		return 1
	})

	start := time.Now()
	var parts []part
	for _, w := range work {
		parts = j.encodeParts(parts, w.g.name, w.recs)
	}
	ready := j.seal.take()
	for i := range parts {
		if parts[i].span.sealed {
			parts[i].span.n, blk = blk, blk+1
		} else {
			parts[i].span.n, row = row, row+1
		}
	}
	if ready != nil {
		ready.part.span.n, blk = blk, blk+1
	}
	storing := make(chan struct{})
	defer close(storing)
	j.mu.Lock()
	j.storing = storing
	j.mu.Unlock()
	err := j.store(parts, ready)
	took := time.Since(start)
	if j.o.Committed != nil {
		j.o.Committed(took, err)
	}
	if err != nil {
		j.seal.giveBack(ready)
		err = j.failed(err)
		j.mu.Lock()
		j.stats.Failures++
		n := j.pending
		j.mu.Unlock()
		j.log.Error("journal: commit failed; records wait", "path", j.path, "waiting", n, "err", err)
		return fmt.Errorf("%s: keeping %d records: %w", j.path, n, err)
	}
	defer j.wrote()

	j.mu.Lock()
	defer j.mu.Unlock()
	j.nextRow, j.nextBlk = row, blk
	for _, w := range work {
		j.pending -= len(w.recs)
		rest := copy(w.g.queue, w.g.queue[len(w.recs):])
		clear(w.g.queue[rest:])
		w.g.queue = w.g.queue[:rest]
		w.g.seen = nil
	}
	for i := range parts {
		g := j.rig(parts[i].rig)
		s := parts[i].span
		g.spans = append(g.spans, s)
		j.stats.add(&s, 1)
		if old, ok := g.newest[s.boot]; !ok || s.monoLast > old {
			g.newest[s.boot] = s.monoLast
		}
	}
	if ready != nil {
		j.replaceSpans(ready)
	}
	j.stats.Commits++
	j.stats.LastCommit = took
	j.seal.start(j)
	return nil
}

// failedFor is for how long a commit that failed for one rig has failed for the
// others too. They ask at the same time, once a second.
const failedFor = 500 * time.Millisecond

// failure is the newest commit that failed.
type failure struct {
	rig string // that asked for it
	at  time.Time
	err error
}

// Keep is Commit for one of several who share a journal: where another's commit
// has kept all that this rig had waiting, it touches nothing; where another's
// has failed just now, it does not try again at once. What waits of other rigs
// is kept with it.
func (j *Journal) Keep(rig string) error {
	if j.PendingOf(rig) == 0 {
		return nil
	}
	j.write.Lock() // a commit under way may be the one that keeps it
	defer j.write.Unlock()
	if j.PendingOf(rig) == 0 {
		return nil
	}
	if f := &j.failure; f.err != nil && f.rig != rig && time.Since(f.at) < failedFor {
		return f.err
	}
	err := j.commit()
	j.failure = failure{rig, time.Now(), err}
	return err
}

// PendingOf returns how many records of a rig wait for a Commit.
func (j *Journal) PendingOf(rig string) int {
	j.mu.Lock()
	defer j.mu.Unlock()
	if g := j.rigs[rig]; g != nil {
		return len(g.queue)
	}
	return 0
}

// encodeParts cuts the records at every change of boot, writes whole blocks
// where there are enough, and rows of the rest.
func (j *Journal) encodeParts(parts []part, name string, recs []meter.Record) []part {
	for len(recs) > 0 {
		run := 1
		for run < len(recs) && recs[run].Boot == recs[0].Boot {
			run++
		}
		n, sealed := min(run, rowRecords), false
		if run >= j.o.SealAfter {
			n, sealed = j.o.SealAfter, true
		}
		parts = append(parts, part{name, spanOf(recs[:n], sealed), j.enc.encode(recs[:n])})
		parts[len(parts)-1].span.size = len(parts[len(parts)-1].data)
		recs = recs[n:]
	}
	return parts
}

func spanOf(recs []meter.Record, sealed bool) span {
	s := span{
		first: recs[0].Seq, last: recs[len(recs)-1].Seq, boot: recs[0].Boot,
		monoFirst: recs[0].Mono, monoLast: recs[0].Mono, records: len(recs), sealed: sealed,
	}
	for i := range recs {
		s.monoFirst = min(s.monoFirst, recs[i].Mono)
		s.monoLast = max(s.monoLast, recs[i].Mono)
		s.readings += len(recs[i].Readings)
	}
	return s
}

// store writes the parts, and a sealed block in the place of its rows.
func (j *Journal) store(parts []part, ready *sealed) error {
	tx, err := j.db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for i := range parts {
		if err := insert(tx, &parts[i]); err != nil {
			return err
		}
	}
	if ready != nil {
		if err := insert(tx, &ready.part); err != nil {
			return err
		}
		del, err := tx.Prepare(`DELETE FROM recent WHERE n = ?`)
		if err != nil {
			return err
		}
		defer del.Close()
		for _, n := range ready.rows {
			if _, err := del.Exec(n); err != nil {
				return err
			}
		}
	}
	return tx.Commit()
}

func insert(tx *sql.Tx, p *part) error {
	s := &p.span
	_, err := tx.Exec(`INSERT INTO `+s.table()+` (n, rig, first, last, boot, mono_first, mono_last, records, readings, crc, data)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		s.n, p.rig, int64(s.first), int64(s.last), s.boot, s.monoFirst, s.monoLast, s.records, s.readings,
		int64(spanCRC(p.rig, s, p.data)), p.data)
	return err
}

// spanCRC is the CRC-32C of a row's or block's columns but n and crc, so that
// it can be moved but not changed.
func spanCRC(name string, s *span, data []byte) uint32 {
	text := fmt.Sprintf("%s\n%d %d %d %d %d %d %d\n", name, s.first, s.last, s.boot, s.monoFirst, s.monoLast, s.records, s.readings)
	return crc32.Update(crc32.Checksum([]byte(text), castagnoli), castagnoli, data)
}

func bootCRC(n int64, id string) int64 {
	return int64(crc32.Checksum(fmt.Appendf(nil, "%d %s", n, id), castagnoli))
}
