package logbook_test

import (
	"os"

	"yardtally/cmd/yardtally/logbook"
)

// The same line is said once in ten minutes.
func ExampleNew() {
	log := logbook.New(os.Stdout, false).Logger()
	for range 3 {
		log.Warn("the disk is nearly full", "left", "12 MB")
	}
	// Output:
	// <4>the disk is nearly full left="12 MB"
}
