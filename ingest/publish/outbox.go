package publish

import (
	"database/sql"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"yardtally/ingest/sqlite"
	"yardtally/meter/ledger"
)

// The file. points holds what the server has or shall have, one row a place
// (rig, measurement, instant). version rises with every change of what the
// server shall see; rows above state.acked are still to be sent, in that
// order. doubtful marks what was rewound and not told again yet; rigs.doubt is
// the least instant that may be so marked, null for none. mask is the set of
// fields the point has; at one place it only ever grows. A row of rejected counts only while a point of
// that version is there: a restated point has a new version and is tried anew.
const schema = `
CREATE TABLE state (one INTEGER PRIMARY KEY CHECK (one = 1), acked INTEGER NOT NULL);
INSERT INTO state VALUES (1, 0);
CREATE TABLE rigs (rig INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, through INTEGER, doubt INTEGER);
CREATE TABLE points (
	version INTEGER PRIMARY KEY,
	rig INTEGER NOT NULL, kind INTEGER NOT NULL, t INTEGER NOT NULL,
	at INTEGER NOT NULL, id TEXT NOT NULL,
	mask INTEGER NOT NULL, data BLOB NOT NULL,
	void INTEGER NOT NULL, doubtful INTEGER NOT NULL);
CREATE UNIQUE INDEX points_place ON points (rig, kind, t);
CREATE INDEX points_at ON points (rig, at);
CREATE TABLE rejected (version INTEGER PRIMARY KEY, words TEXT NOT NULL);
PRAGMA user_version = 1;
`

const schemaVersion = 1

// maxPlaces is how far, in ns, a point may stand from its result.
const maxPlaces = 1000

// Outbox keeps what is to be published until the server has it, and what the
// server has, so that a restatement sends only what it changes. It is safe for
// use by several goroutines.
type Outbox struct {
	db *sql.DB

	find, add, change, confirm, void *sql.Stmt

	order sync.Mutex // held for the length of a transaction
	next  int64      // version to give; with order held
	acked int64      // with order held

	mu      sync.Mutex // guards what follows, never for long
	backlog int64
	oldest  int64 // instant of the row that is to be sent next
	changed chan struct{}
}

// OpenOutbox opens or creates the outbox file. One process owns it; the caller
// sees to that.
func OpenOutbox(path string) (*Outbox, error) { return openWith(path, sqlite.Options{}) }

func openWith(path string, how sqlite.Options) (*Outbox, error) {
	db, err := sqlite.OpenWith(path, how)
	if err != nil {
		return nil, err
	}
	o := &Outbox{db: db, changed: make(chan struct{})}
	if err := o.open(); err != nil {
		db.Close()
		return nil, fmt.Errorf("outbox %s: %w", path, err)
	}
	return o, nil
}

func (o *Outbox) open() error {
	var v int
	if err := o.db.QueryRow("PRAGMA user_version").Scan(&v); err != nil {
		return err
	}
	switch {
	case v == 0:
		if err := o.inTx(func(tx *sql.Tx) error { _, err := tx.Exec(schema); return err }); err != nil {
			return err
		}
	case v > schemaVersion:
		return fmt.Errorf("was written by a newer program (schema %d, this one knows %d)", v, schemaVersion)
	}
	for _, s := range []struct {
		to  **sql.Stmt
		sql string
	}{
		// One instant at a time: a bound range is compiled anew at every use,
		// five times as slow in BenchmarkPut.
		{&o.find, `SELECT version, id, at, mask, data, void, doubtful FROM points
			WHERE rig = ? AND kind = ? AND t = ?`},
		{&o.add, `INSERT INTO points VALUES (?, ?, ?, ?, ?, ?, ?, ?, 0, 0)`},
		{&o.change, `UPDATE points SET version = ?, at = ?, id = ?, mask = ?, data = ?,
			void = 0, doubtful = 0 WHERE version = ?`},
		{&o.confirm, `UPDATE points SET at = ?, id = ?, doubtful = 0 WHERE version = ?`},
		{&o.void, `UPDATE points SET version = ?, void = 1, doubtful = 0 WHERE version = ?`},
	} {
		st, err := o.db.Prepare(s.sql)
		if err != nil {
			return err
		}
		*s.to = st
	}
	var top int64
	err := o.db.QueryRow(`SELECT acked, coalesce((SELECT max(version) FROM points), 0),
		(SELECT count(*) FROM points WHERE version > acked) FROM state`).Scan(&o.acked, &top, &o.backlog)
	if err != nil {
		return err
	}
	o.next = max(o.acked, top) + 1
	o.oldest, err = head(o.db, o.acked)
	return err
}

// Close closes the file. What was put stays.
func (o *Outbox) Close() error {
	o.order.Lock()
	defer o.order.Unlock()
	return o.db.Close()
}

// Changed returns a channel that is closed when there is more to send than
// there was at the call.
func (o *Outbox) Changed() <-chan struct{} {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.changed
}

// Backlog returns how many points are still to be sent and the instant, in Unix
// ns, of the one that is next.
func (o *Outbox) Backlog() (rows, oldest int64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.backlog, o.oldest
}

// Through returns the instant, in Unix ns, through which the rig's results are
// in the outbox and free of doubt; false where nothing was told yet. After a
// start the ledger must tell everything after it again (telling more does no
// harm), or what was lost between its own checkpoint and the last Put would
// never be sent.
func (o *Outbox) Through(rig string) (int64, bool, error) {
	var t sql.NullInt64
	err := o.db.QueryRow("SELECT through FROM rigs WHERE name = ?", rig).Scan(&t)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, false, nil
	}
	return t.Int64, t.Valid, err
}

// Put takes events of one rig in ledger order, all or none; on return they are
// on disk. Events told before change nothing. After an error nothing was taken
// and the same events may be put again.
func (o *Outbox) Put(rig string, events []ledger.Event) error {
	return o.put(rig, len(events), func(p *put, tx *sql.Tx) error {
		for i := range events {
			if err := p.event(&events[i]); err != nil {
				return fmt.Errorf("event %d of %d: %w", i+1, len(events), err)
			}
		}
		_, err := tx.Exec("UPDATE rigs SET through = ?, doubt = ? WHERE rig = ?", p.through, p.doubt, p.rig)
		return err
	})
}

// put has n things of a rig taken in, all or none.
func (o *Outbox) put(rig string, n int, take func(*put, *sql.Tx) error) error {
	if err := checkRig(rig); err != nil {
		return fmt.Errorf("outbox: %w", err)
	}
	if n == 0 {
		return nil
	}
	o.order.Lock()
	defer o.order.Unlock()
	p := put{o: o, next: o.next}
	var oldest int64
	err := o.inTx(func(tx *sql.Tx) error {
		if err := p.begin(tx, rig); err != nil {
			return err
		}
		if err := take(&p, tx); err != nil {
			return err
		}
		var err error
		oldest, err = head(tx, o.acked)
		return err
	})
	if err != nil {
		return fmt.Errorf("outbox: rig %s: %w", rig, err)
	}
	p.done(oldest)
	return nil
}

// put is one transaction of things taken in.
type put struct {
	o              *Outbox
	tx             *sql.Tx
	find           *sql.Stmt
	rig            int64
	through, doubt sql.NullInt64
	next           int64 // version to give
	more           int64 // rows that were sent, or new, and now wait
}

func (p *put) begin(tx *sql.Tx, rig string) error {
	p.tx, p.find = tx, tx.Stmt(p.o.find)
	if _, err := tx.Exec("INSERT INTO rigs (name) VALUES (?) ON CONFLICT DO NOTHING", rig); err != nil {
		return err
	}
	return tx.QueryRow("SELECT rig, through, doubt FROM rigs WHERE name = ?", rig).Scan(&p.rig, &p.through, &p.doubt)
}

// done tells the outbox and whoever waits what was committed.
func (p *put) done(oldest int64) {
	o := p.o
	news := p.next != o.next
	o.next = p.next
	o.mu.Lock()
	defer o.mu.Unlock()
	o.oldest = oldest
	o.backlog += p.more
	if news {
		close(o.changed)
		o.changed = make(chan struct{})
	}
}

func (p *put) event(e *ledger.Event) error {
	switch e.Kind {
	case ledger.Rewound:
		return p.rewound(e.At, toldKinds)
	case ledger.Restated:
		return p.rewound(e.At, restatedKinds)
	case ledger.Told:
		return p.told(e.At)
	}
	pt, err := pointOf(e)
	if err != nil {
		return err
	}
	return p.point(pt)
}

// toldKinds are the kinds of points that the ledger tells: a Rewound makes them
// doubtful. That an alarm was given out does not become untrue.
var toldKinds = fmt.Sprintf(" AND kind <> %d", alarmKind)

// restatedKinds are the kinds of points that a Restated makes doubtful.
var restatedKinds = fmt.Sprintf(" AND kind IN (%d, %d)", fillKind, looseKind)

func (p *put) rewound(at int64, kinds string) error {
	_, err := p.tx.Exec("UPDATE points SET doubtful = 1 WHERE rig = ? AND at >= ? AND void = 0 AND doubtful = 0"+kinds, p.rig, at)
	if err != nil {
		return err
	}
	if !p.doubt.Valid || at < p.doubt.Int64 {
		p.doubt = sql.NullInt64{Int64: at, Valid: true}
	}
	if p.through.Valid && p.through.Int64 >= at {
		p.through.Int64 = max(at, math.MinInt64+1) - 1
	}
	return nil
}

func (p *put) told(at int64) error {
	if p.doubt.Valid {
		old, err := versions(p.tx, "SELECT version FROM points WHERE rig = ? AND at >= ? AND doubtful = 1 ORDER BY t", p.rig, p.doubt.Int64)
		if err != nil {
			return err
		}
		void := p.tx.Stmt(p.o.void)
		for _, v := range old {
			if _, err := void.Exec(p.version(v), v); err != nil {
				return err
			}
		}
		p.doubt = sql.NullInt64{}
	}
	if !p.through.Valid || at > p.through.Int64 {
		p.through = sql.NullInt64{Int64: at, Valid: true}
	}
	return nil
}

// version gives the next version to a row that had the version old, 0 for none.
func (p *put) version(old int64) int64 {
	if old == 0 || old <= p.o.acked {
		p.more++
	}
	p.next++
	return p.next - 1
}

// place is a row that a point may find at or after its own instant.
type place struct {
	version, t, at int64
	id             string
	mask           int64
	data           []byte
	void, doubtful bool
}

func (p *put) point(pt *point) error {
	places, err := p.places(pt)
	if err != nil {
		return err
	}
	fits := func(l *place) bool { return uint64(l.mask)&^pt.mask == 0 }
	// Told twice without a rewind between: the same result stays where it is,
	// unless a field it had is gone.
	for i := range places {
		l := &places[i]
		if l.id != pt.id || l.void || l.doubtful {
			continue
		}
		if fits(l) {
			return p.settle(l, pt)
		}
		if _, err := p.tx.Stmt(p.o.void).Exec(p.version(l.version), l.version); err != nil {
			return err
		}
		l.void = true
	}
	// Else the first place that is free.
	t := pt.t
	for i := range places {
		l := &places[i]
		if (l.void || l.doubtful) && fits(l) {
			return p.settle(l, pt)
		}
		t++
	}
	_, err = p.tx.Stmt(p.o.add).Exec(p.version(0), p.rig, pt.kind, t, pt.at, pt.id, int64(pt.mask), pt.data)
	return err
}

// places returns the unbroken run of taken places that begins at pt's instant.
func (p *put) places(pt *point) ([]place, error) {
	var out []place
	for t := pt.t; ; t++ {
		l := place{t: t}
		err := p.find.QueryRow(p.rig, pt.kind, t).Scan(&l.version, &l.id, &l.at, &l.mask, &l.data, &l.void, &l.doubtful)
		if errors.Is(err, sql.ErrNoRows) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		if len(out) == maxPlaces {
			return nil, fmt.Errorf("more than %d results of one kind at the instant %d", maxPlaces, pt.t)
		}
		out = append(out, l)
	}
}

// settle puts pt at place l, with a new version only if the server shall see
// a difference.
func (p *put) settle(l *place, pt *point) error {
	if !l.void && uint64(l.mask) == pt.mask && string(l.data) == string(pt.data) {
		if !l.doubtful && l.at == pt.at && l.id == pt.id {
			return nil
		}
		_, err := p.tx.Stmt(p.o.confirm).Exec(pt.at, pt.id, l.version)
		return err
	}
	_, err := p.tx.Stmt(p.o.change).Exec(p.version(l.version), pt.at, pt.id, int64(pt.mask), pt.data, l.version)
	return err
}

// piece is how many rows are read at a time: what is put meanwhile waits no
// longer than for these. See BenchmarkCatchUp.
const piece = 500

// waiting returns up to n rows that are to be sent, in order. A row that is
// restated while it reads is in it as it was, or is left for later.
func (o *Outbox) waiting(n int) (out []row, err error) {
	o.order.Lock()
	after := o.acked
	o.order.Unlock()
	for len(out) < n {
		had := len(out)
		if out, err = o.read(out, after, min(piece, n-had)); err != nil {
			return nil, err
		}
		if len(out) == had {
			break
		}
		after = out[len(out)-1].version
	}
	return out, nil
}

// read appends up to n rows that come after a version.
func (o *Outbox) read(out []row, after int64, n int) ([]row, error) {
	o.order.Lock()
	defer o.order.Unlock()
	rows, err := o.db.Query(`SELECT version, name, kind, t, mask, data, void FROM points JOIN rigs USING (rig)
		WHERE version > ? ORDER BY version LIMIT ?`, after, n)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var r row
		var mask int64
		if err := rows.Scan(&r.version, &r.rig, &r.kind, &r.t, &mask, &r.data, &r.void); err != nil {
			return nil, err
		}
		r.mask = uint64(mask)
		out = append(out, r)
	}
	return out, rows.Err()
}

// rejection is a row that the server will not take, and its words.
type rejection struct {
	version int64
	words   string
}

// ack moves the cursor: everything through version was taken by the server,
// except what is in bad.
func (o *Outbox) ack(version int64, bad []rejection) error {
	o.order.Lock()
	defer o.order.Unlock()
	var gone, oldest int64
	err := o.inTx(func(tx *sql.Tx) error {
		// A row that was restated meanwhile has moved on and still waits.
		err := tx.QueryRow("SELECT count(*) FROM points WHERE version > ? AND version <= ?", o.acked, version).Scan(&gone)
		if err != nil {
			return err
		}
		for _, b := range bad {
			if _, err := tx.Exec("INSERT INTO rejected VALUES (?, ?)", b.version, b.words); err != nil {
				return err
			}
		}
		if len(bad) > 0 {
			if _, err := tx.Exec("DELETE FROM rejected WHERE version NOT IN (SELECT version FROM points)"); err != nil {
				return err
			}
		}
		if _, err := tx.Exec("UPDATE state SET acked = ?", version); err != nil {
			return err
		}
		oldest, err = head(tx, version)
		return err
	})
	if err != nil {
		return fmt.Errorf("outbox: %w", err)
	}
	o.acked = version
	o.mu.Lock()
	defer o.mu.Unlock()
	o.oldest = oldest
	o.backlog -= gone
	return nil
}

// Rejection is a point that the server refused to take.
type Rejection struct {
	Rig         string
	Measurement string
	At          time.Time // instant of the point
	Words       string    // what the server said
}

// Rejected returns the newest n rejected points, newest last, and how many
// there are in all.
func (o *Outbox) Rejected(n int) ([]Rejection, int, error) {
	o.order.Lock()
	defer o.order.Unlock()
	var all int
	if err := o.db.QueryRow("SELECT count(*) FROM rejected JOIN points USING (version)").Scan(&all); err != nil {
		return nil, 0, err
	}
	rows, err := o.db.Query(`SELECT * FROM (SELECT version, name, kind, t, words
		FROM rejected JOIN points USING (version) JOIN rigs USING (rig) ORDER BY version DESC LIMIT ?) ORDER BY version`, n)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	var out []Rejection
	for rows.Next() {
		var r Rejection
		var version, t int64
		var k kind
		if err := rows.Scan(&version, &r.Rig, &k, &t, &r.Words); err != nil {
			return nil, 0, err
		}
		if k > 0 && int(k) < len(measurements) {
			r.Measurement = measurements[k].name
		}
		r.At = time.Unix(0, t).UTC()
		out = append(out, r)
	}
	return out, all, rows.Err()
}

// RetryRejected queues every rejected point again, for when the server was
// mended, and returns how many there are.
func (o *Outbox) RetryRejected() (int, error) {
	o.order.Lock()
	defer o.order.Unlock()
	p := put{o: o, next: o.next}
	var oldest int64
	n := 0
	err := o.inTx(func(tx *sql.Tx) error {
		old, err := versions(tx, "SELECT version FROM rejected JOIN points USING (version) ORDER BY version")
		if err != nil {
			return err
		}
		for _, v := range old {
			if _, err := tx.Exec("UPDATE points SET version = ? WHERE version = ?", p.version(v), v); err != nil {
				return err
			}
		}
		n = len(old)
		if _, err := tx.Exec("DELETE FROM rejected"); err != nil {
			return err
		}
		oldest, err = head(tx, o.acked)
		return err
	})
	if err != nil || n == 0 {
		return 0, err
	}
	p.done(oldest)
	return n, nil
}

func (o *Outbox) inTx(do func(*sql.Tx) error) error {
	tx, err := o.db.Begin()
	if err != nil {
		return err
	}
	if err := do(tx); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

type querier interface {
	Query(query string, args ...any) (*sql.Rows, error)
	QueryRow(query string, args ...any) *sql.Row
}

// head returns the instant of the first row after version, 0 for none.
func head(q querier, version int64) (int64, error) {
	var t int64
	err := q.QueryRow("SELECT t FROM points WHERE version > ? ORDER BY version LIMIT 1", version).Scan(&t)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return t, err
}

func versions(q querier, query string, args ...any) ([]int64, error) {
	rows, err := q.Query(query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []int64
	for rows.Next() {
		var v int64
		if err := rows.Scan(&v); err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}
