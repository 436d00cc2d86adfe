package desk

import (
	"context"
	"testing"
	"testing/synctest"

	"yardtally/meter/act"
)

// What the keeper was told is shown as it happens, and is kept nowhere.
func TestSignalled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t)
		ticks := b.d.Watch(t.Context())
		if err := b.d.Signalled(context.Background(), "full", 7); err != nil {
			t.Fatal(err)
		}
		<-ticks
		if l := b.d.Snapshot().Live; l.Signal != "full" || l.SignalAt != 7 {
			t.Errorf("shown: %+v", l)
		}
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		if err := b.d.Signalled(context.Background(), "silent", 8); err == nil {
			t.Error("a desk that is closed shows a signal")
		}
		b.start()
		if l := b.d.Snapshot().Live; l.Signal != "" {
			t.Errorf("kept: %+v", l)
		}
	})
}

// The snapshot has the rig's own settings as they hold now.
func TestSnapshotRig(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t)
		if rig := b.d.Snapshot().Rig; rig != act.DefaultRig {
			t.Errorf("without acts: %+v", rig)
		}
		say := func(id string, when, from int64, litres float64) {
			rig := act.DefaultRig
			rig.FillL = litres
			if _, err := b.d.AddActs(context.Background(), act.Act{ID: id, Rig: "heron", When: when, From: from, Body: rig}); err != nil {
				t.Fatal(err)
			}
		}
		const hour = 3600_000_000_000
		now := b.clock.Now().Wall
		for _, c := range []struct {
			id     string
			from   int64
			litres float64
			want   float64
		}{{"ever", 0, 3, 3}, {"later", now + hour, 5, 3}, {"since an hour", now - hour, 4, 4}} {
			say(c.id, 1, c.from, c.litres)
			if got := b.d.Snapshot().Rig.FillL; got != c.want {
				t.Errorf("%s: %g L, want %g", c.id, got, c.want)
			}
		}
	})
}
