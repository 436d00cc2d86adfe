package sqlite

import (
	"bytes"
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

// A log as SQLite leaves it, cut at every byte: the tail begins where the last
// whole commit ends, and SQLite itself agrees on what is left.
func TestLogTail(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.db")
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
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	log, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	if tail, err := LogTail(path); tail != nil || err != nil {
		t.Fatalf("whole: %+v, %v", tail, err)
	}
	for cut := 33; cut < len(log); cut += 97 {
		p := filepath.Join(dir, "cut.db")
		os.Remove(p + "-wal")
		if err := os.WriteFile(p, file, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p+"-wal", log[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		tail, err := LogTail(p)
		if err != nil {
			t.Fatal(err)
		}
		db, err := OpenWith(p, Options{Exclusive: true})
		if err != nil {
			t.Fatal(err)
		}
		var n, tables int
		if err := db.QueryRow("SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
			t.Fatal(err)
		}
		if tables > 0 {
			if err := db.QueryRow("SELECT count(*)/2 FROM t").Scan(&n); err != nil {
				t.Fatal(err)
			}
			n++
		}
		db.Close()
		if tail != nil && tail.Commits != n {
			t.Errorf("cut at %d: %d commits before the tail, SQLite has %d", cut, tail.Commits, n)
		}
		if tail == nil && n == 0 {
			t.Errorf("cut at %d: no tail, and SQLite has nothing", cut)
		}
	}
}
