package recording

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"yardtally/ingest/source"
	"yardtally/meter"
)

type arrivals chan source.Arrival

func (c arrivals) Put(ctx context.Context, a source.Arrival) error {
	select {
	case c <- a:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// A logger's card: not there, there, growing, taken out, back with more.
func TestFollow(t *testing.T) {
	const patience = 30 * time.Second
	path := filepath.Join(t.TempDir(), "heron.senml")
	s, err := New(SourceOptions{Name: "card", Path: path, Rig: "heron"})
	if err != nil {
		t.Fatal(err)
	}
	sink := make(arrivals, 100)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, sink) }()
	await := func(what string, ok func(source.State) bool) {
		t.Helper()
		for end := time.Now().Add(patience); !ok(s.State()); time.Sleep(5 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("never %s: %+v", what, s.State())
			}
		}
	}
	boot := ""
	want := func(pulses ...float64) {
		t.Helper()
		for len(pulses) > 0 {
			select {
			case a := <-sink:
				if boot == "" {
					boot = a.BootID
				}
				if a.Rig != "heron" || a.BootID != boot || boot == "" {
					t.Errorf("arrival of rig %q, clock %q, want %q", a.Rig, a.BootID, boot)
				}
				for i := range a.Records {
					r := &a.Records[i]
					if p, _ := r.Value(meter.Pulses); len(pulses) == 0 || p != pulses[0] || r.Source != "card" {
						t.Fatalf("got %v of %q, want %v", p, r.Source, pulses)
					}
					pulses = pulses[1:]
				}
			case <-time.After(patience):
				t.Fatalf("%v do not come", pulses)
			}
		}
	}
	put := func(text string, flag int) {
		t.Helper()
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|flag, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteString(text); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}

	await("waiting for the card", func(st source.State) bool { return st.Phase == source.Waiting && st.Err != "" })
	put(pack(0)+"\n"+pack(1)+"\nno pack\n"+pack(2)[:20], os.O_APPEND)
	want(100, 101)
	await("open", func(st source.State) bool { return st.Phase == source.Open && st.Readings == 4 && len(st.Dropped) == 1 })
	put(pack(2)[20:]+"\n"+pack(3)+"\n", os.O_APPEND) // half a line waits for its other half
	want(102, 103)

	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	await("waiting again", func(st source.State) bool { return st.Phase == source.Waiting })
	put(pack(0)+"\n"+pack(4)+"\n", os.O_APPEND)
	want(100, 104) // from its start, under the same clock: the journal knows the first already
	put(pack(5)+"\n", os.O_TRUNC)
	boot = "" // another night
	want(105)

	put(`{"act":{"id":"a","rig":"heron","who":"wren","when":"2026-10-09T20:00:00Z","kind":"undo","body":{"act":"b"}}}`+"\n", os.O_APPEND)
	await("told of the act", func(st source.State) bool { return st.Dropped[DropAct] == 1 })
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	for _, o := range []SourceOptions{{Path: path, Rig: "heron"}, {Name: "card", Rig: "heron"}, {Name: "card", Path: path}} {
		if _, err := New(o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}
