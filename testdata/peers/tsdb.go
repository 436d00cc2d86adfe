package main

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"strconv"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
)

const nameLabel = "__name__" // of what is measured, as tsdb has it

// series is a store of the library tsdb, a series for each channel of each
// source of each rig. Its instants are milliseconds; a commit goes to its log
// and is not synced: it syncs at the end of a segment, at the end of a block and
// when it is closed.
type series struct {
	db   *tsdb.DB
	a    *answer
	refs map[uint32]storage.SeriesRef
}

func openTSDB(dir string, a *answer) (*series, error) {
	if dir == "" {
		return nil, errors.New("-dir: must be given")
	}
	o := tsdb.DefaultOptions()
	o.RetentionDuration = (20 * 365 * 24 * time.Hour).Milliseconds()
	o.MaxBlockDuration = (31 * 24 * time.Hour).Milliseconds() // as the server of Prometheus has it
	db, err := tsdb.Open(dir, slog.New(slog.DiscardHandler), nil, o, nil)
	if err != nil {
		return nil, err
	}
	return &series{db: db, a: a, refs: make(map[uint32]storage.SeriesRef)}, nil
}

func (s *series) put(rows []row) error {
	app := s.db.Appender(context.Background())
	for i := range rows {
		r := &rows[i]
		key := uint32(r.rig)<<16 | uint32(r.source)<<8 | uint32(r.channel)
		ref := s.refs[key]
		var l labels.Labels
		if ref == 0 {
			l = labels.FromStrings(nameLabel, "reading", "rig", strconv.Itoa(int(r.rig)),
				"source", strconv.Itoa(int(r.source)), "channel", strconv.Itoa(int(r.channel)))
		}
		ref, err := app.Append(ref, l, r.at/1e6, r.value)
		switch {
		case errors.Is(err, storage.ErrDuplicateSampleForTimestamp), errors.Is(err, storage.ErrOutOfOrderSample),
			errors.Is(err, storage.ErrOutOfBounds), errors.Is(err, storage.ErrTooOldSample):
			s.a.Refused++
		case err != nil:
			return errors.Join(err, app.Rollback())
		default:
			s.refs[key] = ref
		}
	}
	return app.Commit()
}

func (s *series) flush() error { return s.db.Compact(context.Background()) }

// read reads one series after the other: the library has no order across them.
func (s *series) read() (n int, sum float64, err error) {
	q, err := s.db.Querier(math.MinInt64, math.MaxInt64)
	if err != nil {
		return 0, 0, err
	}
	defer q.Close()
	set := q.Select(context.Background(), false, nil, labels.MustNewMatcher(labels.MatchEqual, nameLabel, "reading"))
	var it chunkenc.Iterator
	for set.Next() {
		it = set.At().Iterator(it)
		for it.Next() == chunkenc.ValFloat {
			_, v := it.At()
			n++
			sum += v
		}
		if err := it.Err(); err != nil {
			return n, sum, err
		}
	}
	return n, sum, set.Err()
}

func (s *series) close() error { return s.db.Close() }
