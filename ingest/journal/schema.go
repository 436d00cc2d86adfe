package journal

import (
	"database/sql"
	"fmt"
)

// applicationID marks the file as ours ("YTly" in ASCII), PRAGMA application_id.
const applicationID = 0x59546c79

// steps bring the file from one schema to the next; PRAGMA user_version counts
// those done. A step that was released is never changed: add another.
var steps = []string{
	// 1
	`CREATE TABLE boot (
		n   INTEGER PRIMARY KEY,
		id  TEXT NOT NULL UNIQUE,
		crc INTEGER NOT NULL);
	CREATE TABLE recent (
		n          INTEGER PRIMARY KEY,
		rig        TEXT NOT NULL,
		first      INTEGER NOT NULL,
		last       INTEGER NOT NULL,
		boot       INTEGER NOT NULL,
		mono_first INTEGER NOT NULL,
		mono_last  INTEGER NOT NULL,
		records    INTEGER NOT NULL,
		readings   INTEGER NOT NULL,
		crc        INTEGER NOT NULL,
		data       BLOB NOT NULL);
	CREATE TABLE block (
		n          INTEGER PRIMARY KEY,
		rig        TEXT NOT NULL,
		first      INTEGER NOT NULL,
		last       INTEGER NOT NULL,
		boot       INTEGER NOT NULL,
		mono_first INTEGER NOT NULL,
		mono_last  INTEGER NOT NULL,
		records    INTEGER NOT NULL,
		readings   INTEGER NOT NULL,
		crc        INTEGER NOT NULL,
		data       BLOB NOT NULL);
	CREATE TABLE act (
		n    INTEGER PRIMARY KEY,
		id   TEXT NOT NULL UNIQUE,
		rig  TEXT NOT NULL,
		crc  INTEGER NOT NULL,
		data TEXT NOT NULL);
	CREATE TABLE checkpoint (
		rig  TEXT NOT NULL,
		name TEXT NOT NULL,
		crc  INTEGER NOT NULL,
		data BLOB NOT NULL,
		PRIMARY KEY (rig, name));`,
}

// migrate brings the file to the present schema, each step in a transaction of
// its own, and refuses a file that is newer or not a journal.
func migrate(db *sql.DB, path string) error {
	var version, app, tables int
	if err := db.QueryRow(`SELECT
		(SELECT user_version FROM pragma_user_version),
		(SELECT application_id FROM pragma_application_id),
		(SELECT count(*) FROM sqlite_schema)`).Scan(&version, &app, &tables); err != nil {
		return fmt.Errorf("%s: reading the schema: %w", path, err)
	}
	switch {
	case app != applicationID && (app != 0 || version != 0 || tables != 0):
		return fmt.Errorf("%s: is an SQLite file, but not a journal (application id %#x, must be %#x)", path, app, applicationID)
	case version > len(steps):
		return fmt.Errorf("%s: has schema %d, this program knows up to %d: it was written by a newer one; use that", path, version, len(steps))
	}
	for ; version < len(steps); version++ {
		if err := step(db, version); err != nil {
			return fmt.Errorf("%s: from schema %d to %d: %w", path, version, version+1, err)
		}
	}
	return nil
}

func step(db *sql.DB, from int) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if _, err := tx.Exec(steps[from]); err != nil {
		return err
	}
	if _, err := tx.Exec(fmt.Sprintf("PRAGMA application_id=%d; PRAGMA user_version=%d", applicationID, from+1)); err != nil {
		return err
	}
	return tx.Commit()
}
