// Package sqlite opens SQLite files the way a rig needs them: write-ahead log,
// every commit synced before it is acknowledged. It is the only place that
// names the SQLite driver.
package sqlite

import (
	"database/sql"
	"fmt"
	"net/url"

	_ "github.com/ncruces/go-sqlite3/driver" // registers "sqlite3"
)

// Open opens or creates the file. The returned pool has one connection, so
// that writes keep their order.
func Open(path string) (*sql.DB, error) {
	q := url.Values{}
	for _, p := range []string{
		"journal_mode(wal)", "synchronous(full)", "busy_timeout(5000)", "foreign_keys(on)",
	} {
		q.Add("_pragma", p)
	}
	db, err := sql.Open("sqlite3", "file:"+(&url.URL{Path: path}).EscapedPath()+"?"+q.Encode())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	db.SetMaxOpenConns(1)
	if err := db.Ping(); err != nil {
		db.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return db, nil
}
