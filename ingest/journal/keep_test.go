package journal

import (
	"testing"
	"time"

	"yardtally/meter"
)

// Where several keep in one journal, one's commit is everybody's, and one's that
// has failed is not tried by all the others in the same moment.
func TestKeep(t *testing.T) {
	j := open(t, newPath(t), Options{})
	b := boot(t, j, "a boot")
	mono := int64(0)
	put := func(rigs ...string) {
		t.Helper()
		for _, rig := range rigs {
			mono++
			if err := j.Append(rig, &meter.Record{Boot: b, Mono: mono, Source: "s", Readings: []meter.Reading{{Channel: meter.Pulses, Value: 1}}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	keep := func(rig string) {
		t.Helper()
		if err := j.Keep(rig); err != nil {
			t.Fatal(err)
		}
	}
	put("heron", "plover", "dunlin")
	keep("heron")
	keep("plover")
	keep("dunlin")
	if n := j.Stats().Commits; n != 1 || j.Pending() != 0 {
		t.Errorf("%d commits, %d records wait", n, j.Pending())
	}
	put("plover")
	keep("heron") // has none waiting
	if n := j.PendingOf("plover"); n != 1 || j.PendingOf("heron") != 0 || j.PendingOf("stranger") != 0 || j.Stats().Commits != 1 {
		t.Errorf("%d records of plover wait after %d commits", n, j.Stats().Commits)
	}
	keep("plover")
	if n := len(replay(t, j, "plover", 0)); n != 2 {
		t.Errorf("%d records of plover", n)
	}

	put("heron", "plover", "dunlin")
	if _, err := j.db.Exec(`CREATE TEMP TRIGGER no BEFORE INSERT ON recent BEGIN SELECT RAISE(ABORT, 'no'); END`); err != nil {
		t.Fatal(err)
	}
	for _, rig := range []string{"heron", "plover", "dunlin"} {
		if err := j.Keep(rig); err == nil {
			t.Errorf("%s: kept", rig)
		}
		j.failure.at = time.Now().Add(time.Hour) // however slow this machine is
	}
	if n := j.Stats().Failures; n != 1 || j.Pending() != 3 {
		t.Errorf("%d tries, %d records wait", n, j.Pending())
	}
	if _, err := j.db.Exec(`DROP TRIGGER no`); err != nil {
		t.Fatal(err)
	}
	keep("heron") // its own try may follow at once
	if j.Pending() != 0 {
		t.Errorf("%d records wait", j.Pending())
	}
}
