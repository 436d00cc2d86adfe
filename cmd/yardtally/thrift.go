package main

import (
	"os"
	"runtime/debug"
)

// thrift makes the daemon collect its garbage when that is three tenths of what
// lives, not as much again as Go has it by itself: it shares a board of few
// hundred MB, has the processor to itself nearly all the time, and holds 20 MB
// with a season of ten million readings open. GOGC in the environment counts
// more. Folding a season again takes a quarter longer for it.
func thrift() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(30)
	}
}
