package journal

import (
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"yardtally/ingest/sqlite"
	"yardtally/meter"
)

// errMoved says that a row is no longer where it was: it has been sealed.
var errMoved = errors.New("journal: the row was sealed meanwhile")

// badData is an error that lies in what is stored, not in the reading of it.
type badData struct{ error }

func isDamage(err error) bool {
	var b badData
	return errors.As(err, &b)
}

// Replay calls fn with the rig's committed records whose Seq is more than
// after, in order of Seq, up to the last that was committed when it was
// called. The record and its readings are used again for the next call: fn
// copies what it keeps. fn may call the journal. An error of fn ends the replay
// and is returned. A block that is bad is a gap: Damage names it, and Replay
// goes on behind it.
func (j *Journal) Replay(name string, after uint64, fn func(*meter.Record) error) error {
	end, err := j.LastSeq(name)
	if err != nil {
		return err
	}
	var a ahead
	defer a.wait()
	var r meter.Record
	for moved := 0; after < end; {
		s, ok := j.spanAfter(name, after)
		if !ok || s.first > end {
			return nil
		}
		if s.bad {
			after = s.last
			continue
		}
		d, err := a.load(j, name, &s)
		switch {
		case err == errMoved && moved < 10:
			moved++
			continue
		case isDamage(err):
			after = s.last
			continue
		case err != nil:
			return fmt.Errorf("%s: reading %s of rig %s from %d: %w", j.path, s.table(), name, s.first, err)
		}
		moved = 0
		if next, ok := j.spanAfter(name, s.last); ok && next.first <= end && !next.bad {
			a.start(j, name, &next)
		}
		for d.next(&r) {
			if r.Seq <= after {
				continue
			}
			if err := fn(&r); err != nil {
				return err
			}
		}
		after = s.last
	}
	return nil
}

// ahead reads the next span in a goroutine while the one before it is used: a
// board with more than one core decodes on one and derives on another.
type ahead struct {
	d    [2]decoder
	at   int // the one in use
	span span
	done chan error // of the span that is read ahead; nil: none
}

// start begins to read a span ahead.
func (a *ahead) start(j *Journal, name string, s *span) {
	done, d := make(chan error, 1), &a.d[1-a.at]
	a.span, a.done = *s, done
	go func(s span) { done <- j.load(d, name, &s) }(*s)
}

// wait ends what was begun and returns its error.
func (a *ahead) wait() error {
	if a.done == nil {
		return nil
	}
	err := <-a.done
	a.done = nil
	return err
}

// load returns a span's records. What was read ahead of another span, or of
// this one before it was sealed, is dropped.
func (a *ahead) load(j *Journal, name string, s *span) (*decoder, error) {
	begun := a.done != nil
	err := a.wait()
	if begun && a.span == *s && err == nil {
		a.at = 1 - a.at
		return &a.d[a.at], nil
	}
	return &a.d[a.at], j.load(&a.d[a.at], name, s)
}

// spanAfter returns the first span that has a sequence beyond after.
func (j *Journal) spanAfter(name string, after uint64) (span, bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	g := j.rigs[name]
	if g == nil {
		return span{}, false
	}
	i, _ := slices.BinarySearchFunc(g.spans, after, func(s span, after uint64) int {
		if s.last <= after {
			return -1
		}
		return 1
	})
	if i == len(g.spans) {
		return span{}, false
	}
	return g.spans[i], true
}

// load reads a span's data into d and checks it. Bad data are noted.
func (j *Journal) load(d *decoder, name string, s *span) error {
	data, err := j.read(name, s)
	switch {
	case err == nil:
		err = d.load(data, s.records, s.readings)
	case errors.Is(err, sql.ErrNoRows):
		return j.gone(name, s)
	case !isDamage(err):
		return err
	}
	if err == nil {
		return nil
	}
	j.markBad(name, s, err.Error())
	return badData{err}
}

// read returns a span's data; the error is badData where they, or the columns
// beside them, are not what was written.
func (j *Journal) read(name string, s *span) ([]byte, error) {
	var crc int64
	var stored string
	var first, last int64
	var data []byte
	err := j.db.QueryRow(`SELECT rig, first, last, crc, data FROM `+s.table()+` WHERE n = ?`, s.n).
		Scan(&stored, &first, &last, &crc, &data)
	switch {
	case sqlite.IsCorrupt(err): // a page that only this row uses
		return nil, badData{err}
	case err != nil:
		return nil, err
	case crc != int64(spanCRC(name, s, data)) || stored != name || uint64(first) != s.first || uint64(last) != s.last:
		return nil, badData{errors.New("its CRC-32C does not match")}
	}
	return data, nil
}

// gone tells a row that was sealed from one that vanished. A commit that has
// put a block in its place may have yet to say so.
func (j *Journal) gone(name string, s *span) error {
	j.mu.Lock()
	storing := j.storing
	j.mu.Unlock()
	if storing != nil {
		<-storing
	}
	if now, ok := j.spanAfter(name, s.first-1); ok && now.first == s.first && now.n == s.n && now.sealed == s.sealed {
		j.markBad(name, s, "it is missing")
		return badData{errors.New("it is missing")}
	}
	return errMoved
}

func (j *Journal) markBad(name string, s *span, what string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if g := j.rigs[name]; g != nil {
		for i := range g.spans {
			if p := &g.spans[i]; p.n == s.n && p.sealed == s.sealed {
				p.bad = true
			}
		}
	}
	j.note(damageOf(name, s, fmt.Sprintf("%s %d: %s", s.table(), s.n, what)))
}
