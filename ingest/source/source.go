// Package source is the contract between what brings readings in and the desk
// that keeps them: an arrival, where it goes, and how a source tells of itself.
package source

import (
	"context"
	"time"

	"yardtally/meter"
)

// Stamp is when something arrived, by the daemon's clocks.
type Stamp struct {
	Mono int64 // ns of the boot's monotonic clock (CLOCK_BOOTTIME)
	Wall int64 // Unix ns by the wall clock; may be wrong
}

// Clock tells the time of arrival. Demo and tests run one faster than life.
type Clock interface {
	Now() Stamp
}

// Arrival is what one message brought: records with Source, Mono, Wall, Rel,
// Sent and Readings set; Seq, Boot are the desk's to give. The receiver owns
// the slices.
type Arrival struct {
	Rig     string
	Records []meter.Record

	// BootID names the clock of the records' Mono where that is not the
	// daemon's own, as with a recording; what is kept of it already adds
	// nothing then. "" is the daemon's clock.
	BootID string
}

// Sink takes arrivals. Put returns once the arrival is queued for the journal,
// or with the context's error; it blocks while the desk is busy, so that a
// source slows down rather than drops. It may be called from any goroutine,
// and keeps the order of each caller.
type Sink interface {
	Put(ctx context.Context, a Arrival) error
}

// Phase is what a source is doing.
type Phase string

// Phases of a source. None of them is silent: each shows in State.
const (
	Opening Phase = "opening"
	Open    Phase = "open"
	Waiting Phase = "waiting" // after a failure, until NextTry
	Stopped Phase = "stopped"
)

// State is what a source says of itself. It is a value.
type State struct {
	Name     string
	Phase    Phase
	Since    time.Time // since when it is in this phase
	Err      string    // the newest failure, "" if none since it opened
	NextTry  time.Time // in Waiting
	Failures uint64
	LastAt   time.Time         // newest message; zero for none
	Messages uint64            // lines or packs taken in
	Readings uint64            // readings taken from them
	Dropped  map[string]uint64 // by reason
}

// Source brings readings in.
type Source interface {
	Name() string
	// Run brings readings to the sink until the context ends, reopening what
	// fails. It returns only then, or on a failure that trying again cannot mend.
	Run(ctx context.Context, sink Sink) error
	State() State
}
