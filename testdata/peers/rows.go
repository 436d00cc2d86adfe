package main

import (
	"database/sql"
	"errors"
	"net/url"
	"os"
	"path/filepath"

	_ "github.com/ncruces/go-sqlite3/driver"
)

// plain is a table of SQLite with a row for each reading: the same library and
// the same settings as the journal's (ingest/sqlite).
type plain struct{ db *sql.DB }

func openRows(dir string) (*plain, error) {
	if dir == "" {
		return nil, errors.New("-dir: must be given")
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	q := url.Values{"_pragma": {"locking_mode(exclusive)", "page_size(4096)", "journal_mode(wal)", "synchronous(full)", "cache_size(-1024)", "wal_autocheckpoint(1000)"}}
	db, err := sql.Open("sqlite3", "file:"+filepath.Join(dir, "rows.db")+"?"+q.Encode())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`CREATE TABLE IF NOT EXISTS reading (at INTEGER, rig INTEGER, source INTEGER, channel INTEGER, value)`); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return &plain{db}, nil
}

func (p *plain) put(rows []row) error {
	tx, err := p.db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	insert, err := tx.Prepare(`INSERT INTO reading VALUES (?, ?, ?, ?, ?)`)
	if err != nil {
		return err
	}
	for i := range rows {
		r := &rows[i]
		// A whole number is put as one: that takes fewer bytes.
		var v any = r.value
		if w := int64(r.value); float64(w) == r.value {
			v = w
		}
		if _, err := insert.Exec(r.at, r.rig, r.source, r.channel, v); err != nil {
			return err
		}
	}
	return tx.Commit()
}

func (p *plain) flush() error { return nil }

func (p *plain) read() (n int, sum float64, err error) {
	rows, err := p.db.Query(`SELECT at, rig, source, channel, value FROM reading`)
	if err != nil {
		return 0, 0, err
	}
	defer rows.Close()
	var r row
	for rows.Next() {
		if err := rows.Scan(&r.at, &r.rig, &r.source, &r.channel, &r.value); err != nil {
			return n, sum, err
		}
		n++
		sum += r.value
	}
	return n, sum, rows.Err()
}

func (p *plain) close() error { return p.db.Close() }
