package sqlite_test

import (
	"fmt"
	"os"
	"path/filepath"

	"yardtally/ingest/sqlite"
)

// A file is opened so that what was committed is on the card.
func ExampleOpen() {
	dir, err := os.MkdirTemp("", "sqlite")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	db, err := sqlite.Open(filepath.Join(dir, "some.db"))
	if err != nil {
		fmt.Println(err)
		return
	}
	defer db.Close()
	var mode string
	var synchronous int
	fmt.Println(db.QueryRow("PRAGMA journal_mode").Scan(&mode), db.QueryRow("PRAGMA synchronous").Scan(&synchronous))
	fmt.Println(mode, synchronous) // 2 is FULL
	// Output:
	// <nil> <nil>
	// wal 2
}
