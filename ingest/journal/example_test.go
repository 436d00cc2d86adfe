package journal_test

import (
	"fmt"
	"os"
	"path/filepath"

	"yardtally/ingest/journal"
	"yardtally/meter"
)

// What was committed is there again after the file was closed, as it was.
func Example() {
	dir, err := os.MkdirTemp("", "journal")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "journal.db")
	j, err := journal.Open(path, journal.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	boot, err := j.Boot("a boot")
	if err == nil {
		err = j.Append("heron", &meter.Record{Boot: boot, Mono: 1, Source: "serial", Readings: []meter.Reading{{Channel: meter.Pulses, Value: 184223}}})
	}
	fmt.Println(err, j.Commit(), j.Close())
	if j, err = journal.Open(path, journal.Options{}); err != nil {
		fmt.Println(err)
		return
	}
	defer j.Close()
	err = j.Replay("heron", 0, func(r *meter.Record) error {
		fmt.Println(r.Seq, r.Source, r.Readings[0].Value)
		return nil
	})
	fmt.Println(err)
	// Output:
	// <nil> <nil> <nil>
	// 1 serial 184223
	// <nil>
}
