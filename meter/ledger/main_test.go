package ledger

import (
	"os"
	"runtime/debug"
	"testing"
)

// The simulations allocate much and keep little: collecting garbage at five
// times what lives takes a quarter less of the processor than at twice.
func TestMain(m *testing.M) {
	debug.SetGCPercent(400)
	os.Exit(m.Run())
}
