package main

import (
	"math"
	"os"
	"runtime"
	"runtime/debug"
	"sync"
)

// thrifty is how the program spares memory. The zero one does not.
type thrifty struct {
	mu    sync.Mutex
	on    bool
	doing int // what goes on under a limit
}

var spare thrifty

// thrift makes the daemon collect its garbage when that is three tenths of what
// lives, not as much again as Go has it by itself: it shares a board of few
// hundred MB, has the processor to itself nearly all the time, and holds 16 MB
// with a season of ten million readings open. GOGC in the environment counts
// more, and GOMEMLIMIT more than what sparing does. What deriving a season takes
// of the processor differs by less than can be measured between 30 and 100.
func thrift() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(30)
	}
	spare.mu.Lock()
	defer spare.mu.Unlock()
	spare.on = os.Getenv("GOMEMLIMIT") == ""
}

// What deriving readings and learning from them may take, bytes: 32 MB of ten
// million readings, of which some 24 live (BenchmarkSeasonMemory); in any case half
// as much again as the heap has when it begins, or collecting would not end.
const (
	spareFrom     = 18e6
	spareReading  = 1.4
	spareOverHeap = 1.5
)

// sparing has garbage collected early until done is called, for what leaves much
// of it at once: deriving a journal of so many readings, learning from them.
func (t *thrifty) sparing(readings func() int64) (done func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.on {
		return func() {}
	}
	if t.doing++; t.doing == 1 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		debug.SetMemoryLimit(int64(max(spareFrom+spareReading*float64(readings()), spareOverHeap*float64(m.HeapAlloc))))
	}
	return func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if t.doing--; t.doing == 0 {
			debug.SetMemoryLimit(math.MaxInt64)
		}
	}
}
