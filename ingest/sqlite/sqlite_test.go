package sqlite

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"
)

func TestOpenSetsWhatItSays(t *testing.T) {
	for _, c := range []struct {
		o    Options
		want map[string]string
	}{
		{Options{}, map[string]string{"journal_mode": "wal", "synchronous": "2", "page_size": "4096", "cache_size": "-1024",
			"wal_autocheckpoint": "1000", "locking_mode": "normal", "foreign_keys": "1"}},
		{Options{PageSize: 8192, CacheKiB: 300, Checkpoint: 50, Exclusive: true}, map[string]string{"journal_mode": "wal", "synchronous": "2",
			"page_size": "8192", "cache_size": "-300", "wal_autocheckpoint": "50", "locking_mode": "exclusive"}},
	} {
		path := filepath.Join(t.TempDir(), "a b?c#d%e.db")
		db, err := OpenWith(path, c.o)
		if err != nil {
			t.Fatal(err)
		}
		for name, want := range c.want {
			var got string
			if err := db.QueryRow("PRAGMA " + name).Scan(&got); err != nil || got != want {
				t.Errorf("%s: %s, want %s: %v", name, got, want, err)
			}
		}
		if _, err := db.Exec("CREATE TABLE t (a); INSERT INTO t VALUES (1)"); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{path, path + "-wal"} {
			fi, err := os.Stat(name)
			if err != nil || fi.Mode().Perm() != 0o660 {
				t.Errorf("%s: %v, %v", name, fi.Mode(), err)
			}
		}
		if _, err := os.Stat(path + "-shm"); (err == nil) == c.o.Exclusive {
			t.Errorf("exclusive %v, shared memory: %v", c.o.Exclusive, err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestIsCorrupt(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	if err := os.WriteFile(path, bytes.Repeat([]byte("no database "), 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(path); !IsCorrupt(err) {
		t.Errorf("error %v", err)
	}
	if _, err := Open(filepath.Join(t.TempDir(), "none", "a.db")); err == nil || IsCorrupt(err) {
		t.Errorf("error %v", err)
	}
}

// leftLog makes a file and its log as a process that was killed leaves them:
// six commits after the table's, of three or four pages of 512 bytes.
func leftLog(t *testing.T) (file, log []byte) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.db")
	db, err := OpenWith(path, Options{PageSize: 512, Exclusive: true})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec("CREATE TABLE t (a)"); err != nil {
		t.Fatal(err)
	}
	for i := range 6 {
		if _, err := db.Exec("INSERT INTO t VALUES (?), (zeroblob(700))", i); err != nil {
			t.Fatal(err)
		}
	}
	if file, err = os.ReadFile(path); err != nil {
		t.Fatal(err)
	}
	if log, err = os.ReadFile(path + "-wal"); err != nil {
		t.Fatal(err)
	}
	return file, log
}

// commits says how many commits SQLite finds in a file and log, and what is
// wrong with what it finds.
func commits(t *testing.T, dir string, file, log []byte) (n int) {
	t.Helper()
	p := filepath.Join(dir, "cut.db")
	os.Remove(p + "-wal")
	if err := errors.Join(os.WriteFile(p, file, 0o600), os.WriteFile(p+"-wal", log, 0o600)); err != nil {
		t.Fatal(err)
	}
	db, err := OpenWith(p, Options{Exclusive: true})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var tables int
	if err := db.QueryRow("SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		t.Fatal(err)
	}
	if tables == 0 {
		return 0
	}
	var ok string
	if err := db.QueryRow("PRAGMA integrity_check").Scan(&ok); err != nil || ok != "ok" {
		t.Fatal(ok, err)
	}
	if err := db.QueryRow("SELECT count(*)/2 FROM t").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n + 1
}

func readLog(t *testing.T, dir string, log []byte) *Log {
	t.Helper()
	p := filepath.Join(dir, "read.db")
	if err := os.WriteFile(p+"-wal", log, 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := ReadLog(p, 512)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// A log as SQLite leaves it, cut at every byte: the tail begins where the last
// whole commit ends, and SQLite itself agrees on what is left.
func TestLogCut(t *testing.T) {
	dir := t.TempDir()
	file, log := leftLog(t)
	if l := readLog(t, dir, log); l.Tail() || l.Commits != 7 || l.Kept != l.Plain {
		t.Fatalf("whole: %+v", l)
	}
	for cut := 33; cut < len(log); cut += 97 {
		l := readLog(t, dir, log[:cut])
		if n := commits(t, dir, file, log[:cut]); l.Commits != n || l.Behind != 0 || l.Kept != l.Plain && l.Kept != 0 {
			t.Errorf("cut at %d: %d commits, %d behind; SQLite has %d", cut, l.Commits, l.Behind, n)
		}
	}
}

// One byte of the log is changed, at every place: SQLite alone loses all
// behind it. Put right, the log has every commit whole, unless the byte is the
// highest of its word and its page is not written again: then that is said.
func TestLogPutRight(t *testing.T) {
	dir := t.TempDir()
	file, log := leftLog(t)
	tried, behind, right, said := 0, 0, 0, 0
	for at := 0; at < len(log); at += 31 {
		bad := bytes.Clone(log)
		bad[at] ^= byte(1 + at%255)
		l := readLog(t, dir, bad)
		if at >= 4 && at < 8 || at >= 12 && at < 16 {
			continue // in the head, and of no use
		}
		tried++
		behind += l.Behind
		if l.Doubtful || l.Commits+l.Behind < 7 {
			if frame := (at - 32) % 536; frame >= 24 && frame%4 != 3 {
				t.Errorf("byte %d: not put right", at)
			}
			said++
			continue
		}
		right++
		if n := commits(t, dir, file, l.Whole()); n != 7 {
			t.Errorf("byte %d: %d of 7 commits", at, n)
		}
	}
	t.Logf("%d bytes: %d times all 7 commits, %d times it is said; %d commits that SQLite alone would have dropped", tried, right, said, behind)
	if behind < tried || right == tried || right < tried*4/5 {
		t.Error("that is too few")
	}
}

// A sector of the log is lost, at every place. What is behind it stays, and
// where its page is not written again that is said.
func TestLogSectorLost(t *testing.T) {
	dir := t.TempDir()
	file, log := leftLog(t)
	doubtful := 0
	for at := 0; at < len(log)-1024; at += 512 {
		bad := bytes.Clone(log)
		clear(bad[at : at+512])
		l := readLog(t, dir, bad)
		if l.Commits+l.Behind < 5 {
			t.Errorf("sector at %d: %d commits before, %d behind", at, l.Commits, l.Behind)
		}
		if l.Doubtful {
			doubtful++
			continue
		}
		if n := commits(t, dir, file, l.Whole()); n != l.Commits+l.Behind {
			t.Errorf("sector at %d: SQLite has %d commits, want %d and %d", at, n, l.Commits, l.Behind)
		}
	}
	if doubtful == 0 {
		t.Error("no page was missed")
	}
}
