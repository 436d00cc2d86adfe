package main

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter/ledger"
)

// A recording that the daemon follows gives what an import of it gives, also
// where the daemon starts in the middle of it and reads it again.
func TestFollowedRecordingIsAnImport(t *testing.T) {
	s := rigsim.SmallNight(5)
	rig, err := rigsim.New(s)
	if err != nil {
		t.Fatal(err)
	}
	var text []byte
	lines := 0
	half := 0
	for m := range rig.All() {
		if text, err = rigsim.Pack(text, s.Rig, m, true); err != nil {
			t.Fatal(err)
		}
		text = append(text, '\n')
		if lines++; lines == 5000 {
			half = len(text)
		}
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "night.senml")
	set, err := (&demo{night: s, data: filepath.Join(dir, "followed"), page: "127.0.0.1:0", units: quantity.SI}).settings("")
	if err != nil {
		t.Fatal(err)
	}
	set.Serial, set.Broker = nil, nil
	set.Recording = []settings.Recording{{Name: "file", Path: path}}

	follow := func(upTo, records int) *ledger.View {
		t.Helper()
		if err := os.WriteFile(path, text[:upTo], 0o600); err != nil {
			t.Fatal(err)
		}
		d := &daemon{set: set, clock: &source.Steady{Clock: source.SystemClock{}}, bootID: "follow", speed: 1, log: slog.New(slog.DiscardHandler)}
		if err := openDaemon(t.Context(), d); err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- d.run(ctx) }()
		for end := time.Now().Add(time.Minute); d.journal.Stats().Records < int64(records); time.Sleep(10 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("%d of %d records come", d.journal.Stats().Records, records)
			}
		}
		// What is kept already would be added by now, if it were.
		if err := d.desk.Settle(ctx); err != nil {
			t.Error(err)
		}
		if n := d.journal.Stats().Records; n != int64(records) {
			t.Errorf("%d records are kept, want %d", n, records)
		}
		v := d.desk.Snapshot().View
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		return v
	}
	follow(half, 5000)
	got := follow(len(text), lines)

	b, err := openLocal(filepath.Join(dir, "imported"), s.Rig, true)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if err := sayAll(t.Context(), b, set, time.Now().UnixNano()); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := b.Import(t.Context(), f, func(imported) {}); err != nil {
		t.Fatal(err)
	}
	want, err := b.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(want.Fills) == 0 || !reflect.DeepEqual(bare(got).Fills, bare(want).Fills) || !reflect.DeepEqual(got.Loose, want.Loose) || got.Total != want.Total || !reflect.DeepEqual(got.Tote, want.Tote) {
		t.Errorf("followed: %d fills, %v, %+v\nimported: %d fills, %v, %+v", len(got.Fills), got.Total, got.Tote, len(want.Fills), want.Total, want.Tote)
	}
}
