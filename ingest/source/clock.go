package source

import (
	"crypto/rand"
	"encoding/hex"
)

// SystemClock is the daemon's own clock: CLOCK_BOOTTIME, which runs on while
// the board sleeps and never steps, beside the wall clock. On systems without
// it, Mono counts from the start of the process.
type SystemClock struct{}

// randomID returns 16 random bytes in hex.
func randomID() string {
	var b [16]byte
	rand.Read(b[:]) // never fails: crypto/rand, since Go 1.24
	return hex.EncodeToString(b[:])
}
