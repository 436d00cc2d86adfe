package journal

import (
	"database/sql"
	"fmt"
	"strings"
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
	// 2: a checkpoint says up to which sequence it may know the rig
	`CREATE TABLE generation (
		n   INTEGER PRIMARY KEY,
		id  TEXT NOT NULL,
		crc INTEGER NOT NULL);
	DELETE FROM checkpoint;
	ALTER TABLE checkpoint ADD COLUMN last INTEGER NOT NULL DEFAULT 0;`,
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
	known := schemaOf(db)
	switch {
	case known == len(steps) && version > known+100, version < known, known > 0 && app != applicationID:
		// No program of ours has left it so.
		return badData{fmt.Errorf("%s: its first page says schema %d, mark %#x, its tables are of schema %d", path, version, app, known)}
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

// schemaOf returns the schema that the file's tables are of, whatever it says
// it has; 0 for none of ours.
func schemaOf(db *sql.DB) int {
	for v := len(marks); v > 0; v-- {
		if _, err := db.Exec(`SELECT 1 FROM ` + marks[v-1] + ` LIMIT 0`); err == nil {
			return v
		}
	}
	return 0
}

// marks are, for every schema, a table or column that came with it.
var marks = []string{
	"(SELECT data FROM block)",
	"(SELECT crc FROM generation)",
}

// checkFile has SQLite look at its own trees and lists before anything is
// written: a page that is in two of them would be written over.
func checkFile(db *sql.DB, schema int) error {
	if err := checkTables(db, schema); err != nil {
		return err
	}
	var said string
	if err := db.QueryRow(`PRAGMA integrity_check(1)`).Scan(&said); err != nil {
		return err
	}
	if said != "ok" {
		return badData{fmt.Errorf("SQLite finds: %s", strings.TrimPrefix(said, "*** in database main ***\n"))}
	}
	return nil
}

// roots are where every journal has its tables: nothing moves them. They are
// not looked up, so that a wrong number in the first page leads nowhere.
var roots = map[string]int{"boot": 2, "recent": 4, "block": 5, "act": 6}

// tables are the texts that a file of that schema has of its tables: those of
// the steps, and what was added since, where SQLite puts it.
func tables(schema int) map[string]string {
	out := map[string]string{}
	for _, s := range steps[:schema] {
		for _, text := range strings.Split(s, ";") {
			if rest, ok := strings.CutPrefix(strings.TrimSpace(text), "CREATE TABLE "); ok {
				name, _, _ := strings.Cut(rest, " ")
				out[name] = "CREATE TABLE " + rest
			}
		}
	}
	if schema > 1 {
		out["checkpoint"] = strings.Replace(out["checkpoint"], "data BLOB NOT NULL", "data BLOB NOT NULL, last INTEGER NOT NULL DEFAULT 0", 1)
	}
	return out
}

// checkTables holds what the file says of its tables against what every journal
// of that schema says. A trigger is nobody's of ours: it would do as it likes with
// what is kept.
func checkTables(db *sql.DB, schema int) error {
	rows, err := db.Query(`SELECT type, name, rootpage, sql FROM sqlite_schema WHERE type IN ('table', 'trigger')`)
	if err != nil {
		return err
	}
	defer rows.Close()
	want := tables(schema)
	all := len(want)
	for rows.Next() {
		var kind, name, text string
		var root int
		if err := rows.Scan(&kind, &name, &root, &text); err != nil {
			return badData{err}
		}
		is, ours := want[name]
		switch at := roots[name]; {
		case kind == "trigger":
			return badData{fmt.Errorf("it has a trigger, %q, and no journal has one", name)}
		case !ours:
		case text != is:
			return badData{fmt.Errorf("table %s is said to be other than it is", name)}
		case at != 0 && at != root:
			return badData{fmt.Errorf("table %s is said to begin at page %d, not %d", name, root, at)}
		}
		delete(want, name)
	}
	if err := rows.Err(); err != nil {
		return err
	}
	if len(want) > 0 {
		return badData{fmt.Errorf("%d of its %d tables are missing", len(want), all)}
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

// Schema is the newest schema, that of every journal that is open.
func Schema() int { return len(steps) }
