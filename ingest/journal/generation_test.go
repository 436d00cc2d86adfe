package journal

import (
	"testing"
	"testing/synctest"
	"time"

	"yardtally/ingest/sqlite/faulty"
)

// Commits are lost from the end: the generation is another, and a checkpoint
// that knows of the lost records is not served again, also when their sequences
// have been given to others. One that knows less is.
func TestLostTail(t *testing.T) {
	path := newPath(t)
	j := open(t, path, Options{})
	fillDemo(t, j, newDemo(1), 100, 50)
	if err := j.PutCheckpoint("heron", "early", []byte("knows 100")); err != nil {
		t.Fatal(err)
	}
	first := j.Generation()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, path, Options{})
	if g := j.Generation(); g != first || g == "" {
		t.Fatalf("generation %q after a clean close, was %q", g, first)
	}
	if err := j.PutCheckpoint("heron", "ledger", []byte("knows 100")); err != nil {
		t.Fatal(err)
	}
	fillDemo(t, j, newDemo(2), 20, 10)
	file, log := read(t, path), read(t, path+"-wal")
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	write(t, path, file)
	write(t, path+"-wal", log[:len(log)-1000])
	j = open(t, path, Options{})
	if n, err := j.LastSeq("heron"); err != nil || n != 110 {
		t.Fatalf("%d records, %v", n, err)
	}
	second := j.Generation()
	if second == first {
		t.Error("the generation is the same after a lost tail")
	}
	for _, name := range []string{"early", "ledger"} {
		if _, ok, err := j.Checkpoint("heron", name); !ok || err != nil {
			t.Errorf("checkpoint %s, of what is there, is gone: %v", name, err)
		}
	}
	if err := j.PutCheckpoint("heron", "ledger", []byte("knows 110")); err != nil {
		t.Fatal(err)
	}
	// The last row's numbers are changed, so that it is left out.
	if _, err := j.db.Exec(`UPDATE recent SET first = 9 WHERE last = 110`); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, path, Options{})
	if n, err := j.LastSeq("heron"); err != nil || n != 100 || len(j.Damage()) == 0 {
		t.Fatalf("%d records, %v, %v", n, err, j.Damage())
	}
	if j.Generation() == second {
		t.Error("the generation is the same after a lost row at the end")
	}
	fillDemo(t, j, newDemo(3), 30, 10)
	for range 2 {
		if _, ok, err := j.Checkpoint("heron", "ledger"); ok || err != nil {
			t.Errorf("a checkpoint that knows of lost records is served: %v", err)
		}
		if _, ok, err := j.Checkpoint("heron", "early"); !ok || err != nil {
			t.Errorf("a checkpoint of what is there is gone: %v", err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		j = open(t, path, Options{})
	}
}

// Deleting all checkpoints changes nothing: records, acts, boots, sequences,
// generation.
func TestDroppedCheckpointsChangeNothing(t *testing.T) {
	w := newWhole(t)
	path := newPath(t)
	write(t, path, w.closed)
	j := open(t, path, sealing600)
	generation := j.Generation()
	if err := j.DropCheckpoints(); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		mustSame(t, replay(t, j, "heron", 0), w.records)
		if acts, err := j.Acts("heron"); err != nil || len(acts) != 2 || j.Generation() != generation || len(j.Damage()) > 0 {
			t.Errorf("%d acts, %v, generation %q, damage %v", len(acts), err, j.Generation(), j.Damage())
		}
		if id, ok := j.BootID(3); !ok || id != "c" {
			t.Errorf("boot 3: %q", id)
		}
		if _, ok, err := j.Checkpoint("heron", "ledger"); ok || err != nil {
			t.Errorf("a checkpoint: %v", err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		j = open(t, path, sealing600)
	}
	r := nth(1, 1)
	if err := j.Append("heron", &r); err != nil || r.Seq != 6001 {
		t.Errorf("next record: %d, %v", r.Seq, err)
	}
}

// When no commit has come for some seconds the log is empty; and it never
// holds many commits.
func TestLogIsEmptied(t *testing.T) {
	path := newPath(t)
	synctest.Test(t, func(t *testing.T) {
		j := open(t, path, Options{})
		fillDemo(t, j, newDemo(1), 10, 1)
		if len(read(t, path+"-wal")) == 0 {
			t.Error("the log is empty while commits come")
		}
		time.Sleep(moveQuiet + time.Second)
		synctest.Wait()
		if n := len(read(t, path+"-wal")); n > 0 {
			t.Errorf("the log has %d bytes when all is quiet", n)
		}
		most := 0
		for i := range 300 {
			fillDemo(t, j, newDemo(uint64(i)), 7, 7)
			most = max(most, len(read(t, path+"-wal")))
		}
		if limit := moveAfter * 5 * (pageSize + 24); most > limit {
			t.Errorf("the log grew to %d bytes, want at most %d", most, limit)
		}
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	})
}

// What a night of logging writes, at 7 records and one commit a second: the
// card's budget is 15 kB a second.
func TestWriteBudget(t *testing.T) {
	layer := faulty.New()
	t.Cleanup(layer.Close)
	j := open(t, newPath(t), Options{VFS: layer.Name()})
	fillDemo(t, j, newDemo(1), 7000, 7)
	_, before, syncs := layer.Writes()
	const seconds = 3000
	fillDemo(t, j, newDemo(2), 7*seconds, 7)
	_, after, syncsAfter := layer.Writes()
	perSecond := float64(after-before) / seconds
	t.Logf("%.1f kB and %.2f syncs a second, at 7 records and a commit a second", perSecond/1000, float64(syncsAfter-syncs)/seconds)
	if perSecond > 15_000 {
		t.Errorf("%.0f bytes a second, want at most 15,000", perSecond)
	}
}
