package dashboard

import (
	"context"

	"yardtally/calibrate/quantity"
)

// TraceOf is the flow whose course is asked for, as the view has it.
type TraceOf struct {
	Session, First, Last uint64
	Start, End           int64 // Unix ns
}

// Trace is how a flow went: what the counter said, message by message.
type Trace struct {
	At    []int64  // Unix ns, rising
	Count []uint64 // pulses of the session by then, rising; from a little before the flow to a little after it

	Expected, Lo, Hi quantity.Flow // of the steady part at that temperature with that syrup; a pull is between Lo and Hi in 95 of 100. 0: nothing is expected
}

// Tracer finds the course of a flow among the readings that are kept, be they
// old. It may be called from any goroutine and takes a second or two at most:
// what it cannot find by then is an error.
type Tracer func(ctx context.Context, of TraceOf) (*Trace, error)
