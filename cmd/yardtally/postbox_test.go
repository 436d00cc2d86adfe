package main

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"time"

	"yardtally/ingest/source"
)

// keeper is a broker that counts what it is to keep.
type keeper struct {
	retained int
	away     bool
}

func (k *keeper) Publish(context.Context, string, []byte) error { return nil }

func (k *keeper) Retain(context.Context, string, []byte) error {
	if k.away {
		return errors.New("away")
	}
	k.retained++
	return nil
}

// The list of alarms is said again to a broker that was away, as it may have lost
// it; not again while it is connected, nor to one that is not.
func TestListAgainAfterReconnect(t *testing.T) {
	st := source.State{Phase: source.Open, Since: time.Unix(1_790_000_000, 0)}
	k := &keeper{}
	b := &postbox{name: "house", prefix: "yard", to: k, state: func() source.State { return st }}
	w := &watching{rig: "heron", log: slog.New(slog.DiscardHandler), boxes: []*postbox{b}}
	for i, step := range []struct {
		what string
		do   func()
		want int
	}{
		{"at first", func() {}, 1},
		{"nothing has changed", func() {}, 1},
		{"the broker is away", func() { st.Phase = source.Waiting }, 1},
		{"it is back", func() { st.Phase, st.Since = source.Open, st.Since.Add(time.Minute) }, 2},
		{"nothing has changed since", func() {}, 2},
		{"it was away so briefly that nobody looked, and takes nothing yet", func() { st.Since, k.away = st.Since.Add(time.Second), true }, 2},
		{"it takes it", func() { k.away = false }, 3},
		{"nothing has changed again", func() {}, 3},
	} {
		step.do()
		b.tried = time.Time{} // time to try again
		if w.list(t.Context(), &findings{At: int64(i)}); k.retained != step.want {
			t.Errorf("%s: said %d times, want %d", step.what, k.retained, step.want)
		}
	}
}
