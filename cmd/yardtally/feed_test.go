package main

import (
	"testing"
	"time"
)

// How long a source has been silent does not depend on what the board's own
// clock says the time is, and runs as fast as the rig's.
func TestByRig(t *testing.T) {
	const rigNow = int64(1_791_588_000_000_000_000) // an October evening; the board itself may believe in 1970
	for _, speed := range []float64{1, 20} {
		got := rigNow - byRig(time.Now().Add(-10*time.Second), rigNow, speed).UnixNano()
		if least := int64(10e9 * speed); got < least || got > least+int64(60e9*speed) {
			t.Errorf("ten seconds ago at speed %g is %d ns ago", speed, got)
		}
	}
	if !byRig(time.Time{}, rigNow, 1).IsZero() {
		t.Error("never has become an instant")
	}
}
