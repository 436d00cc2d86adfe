package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"yardtally/meter"
)

// folder is what is in a folder: names, sizes, times of change, contents.
func folder(t *testing.T, of string) string {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(of))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, e := range entries {
		fi, err := e.Info()
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(&b, e.Name(), fi.Size(), fi.ModTime(), fi.Mode(), hash(map[string][]byte{"": read(t, filepath.Join(filepath.Dir(of), e.Name()))}))
	}
	return b.String()
}

// While records come in, the journal is backed up again and again: each copy
// is a beginning of what was recorded, with all that was committed before it
// began.
func TestBackupWhileRecording(t *testing.T) {
	j := open(t, newPath(t), sealing600)
	b := boot(t, j, "a")
	fillDemo(t, j, newDemo(1), 20_000, 500)
	if _, err := j.AddAct(yard("a1", 20)); err != nil {
		t.Fatal(err)
	}
	d := newDemo(2)
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			for range 7 {
				r := d.next(b)
				if err := j.Append("heron", &r); err != nil {
					t.Error(err)
				}
			}
			if err := j.Commit(); err != nil {
				t.Error(err)
			}
			if i%20 == 0 {
				if _, err := j.AddAct(yard(fmt.Sprint("b", i), i%900)); err != nil {
					t.Error(err)
				}
			}
		}
	})
	dir := t.TempDir()
	for i := range 5 {
		before, err := j.LastSeq("heron")
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, fmt.Sprint("copy", i))
		r, err := j.Backup(context.Background(), path)
		if err != nil {
			t.Fatal(err)
		}
		after, err := j.LastSeq("heron")
		if err != nil {
			t.Fatal(err)
		}
		if n := uint64(r.Records); n < before || n > after || len(r.Damage) > 0 || r.Acts == 0 || r.Generation != j.Generation() {
			t.Errorf("copy %d: %+v; %d records before, %d after", i, r, before, after)
		}
		was := folder(t, path)
		again, err := Verify(context.Background(), path)
		if err != nil || again.Records != r.Records || again.Readings != r.Readings || again.Acts != r.Acts || again.First != r.First || again.Last != r.Last {
			t.Errorf("copy %d: verified %+v, backed up %+v: %v", i, again, r, err)
		}
		if now := folder(t, path); now != was {
			t.Errorf("verifying changed the folder:\n%s\nbefore:\n%s", now, was)
		}
		c := open(t, path, Options{})
		mustSame(t, replay(t, c, "heron", 0), replay(t, j, "heron", 0)[:r.Records])
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
	}
	close(stop)
	wg.Wait()
}

func TestBackupRefuses(t *testing.T) {
	j := open(t, newPath(t), Options{})
	fillDemo(t, j, newDemo(1), 100, 50)
	path := newPath(t)
	write(t, path, []byte("mine"))
	if _, err := j.Backup(context.Background(), path); !errors.Is(err, fs.ErrExist) || string(read(t, path)) != "mine" {
		t.Errorf("over a file: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	path = newPath(t)
	if _, err := j.Backup(ctx, path); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if _, err := j.Backup(context.Background(), filepath.Join(path, "none", "x")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("into no folder: %v", err)
	}
	if left := folder(t, path); left != "" {
		t.Errorf("left behind: %s", left)
	}
	if _, err := Verify(context.Background(), j.path); !errors.As(err, new(*OwnedError)) {
		t.Errorf("verifying a journal in use: %v", err)
	}
	if _, err := Restore(context.Background(), path, j.path, true); err == nil {
		t.Error("restored from nothing")
	}
}

// A bad block is copied as it is, and named: the rest is worth a backup.
func TestBackupOfADamagedJournal(t *testing.T) {
	w := newWhole(t)
	path := newPath(t)
	write(t, path, w.closed)
	j := open(t, path, sealing600)
	if _, err := j.db.Exec(`UPDATE block SET crc = crc + 1 WHERE first = 601; UPDATE act SET crc = crc + 1 WHERE id = 'a1'`); err != nil {
		t.Fatal(err)
	}
	r, err := j.Backup(context.Background(), newPath(t))
	if err != nil || r.Records != 5400 || r.Acts != 1 || len(r.Damage) != 2 {
		t.Errorf("%+v, %v", r, err)
	}
}

func TestVerify(t *testing.T) {
	w := newWhole(t)
	for _, c := range []struct {
		name      string
		file, log []byte
		records   int64
		want      string
	}{
		{"closed", w.closed, nil, 6000, ""},
		{"left by a crash", w.file, w.log, 6000, ""},
		{"cut", w.closed[:len(w.closed)-5000], nil, 0, "malformed"},
		{"junk", []byte(strings.Repeat("junk ", 1000)), nil, 0, "is not a journal"},
		{"with another text encoding, which SQLite reads as UTF-8 all the same", otherText(w.closed), nil, 0, "its first page is damaged"},
		{"left by a crash, and cut", w.file[:len(w.file)-5000], w.log, 0, "heron.journal"},
		{"empty", nil, nil, 0, "is an SQLite file, but not a journal"},
	} {
		path := newPath(t)
		write(t, path, c.file)
		if c.log != nil {
			write(t, path+"-wal", c.log)
		}
		was := folder(t, path)
		r, err := Verify(context.Background(), path)
		if c.want == "" && (err != nil || r.Records != c.records || r.Acts != 2 || len(r.Damage) > 0 || r.Schema != len(steps) || r.Path != path) {
			t.Errorf("%s: %+v, %v", c.name, r, err)
		}
		if c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), path)) {
			t.Errorf("%s: error %v, want %q and the file", c.name, err, c.want)
		}
		if now := folder(t, path); now != was {
			t.Errorf("%s: verifying changed the folder", c.name)
		}
	}
	if _, err := Verify(context.Background(), newPath(t)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("nothing there: %v", err)
	}
}

// otherText changes the text encoding in the first page, in bits that SQLite
// does not look at.
func otherText(b []byte) []byte {
	b = bytes.Clone(b)
	b[56] = 0x30
	return b
}

func TestRestore(t *testing.T) {
	w := newWhole(t)
	from := newPath(t)
	write(t, from, w.closed)
	to := newPath(t)
	r, err := Restore(context.Background(), from, to, false)
	if err != nil || r.Records != 6000 || r.Acts != 2 {
		t.Fatalf("%+v, %v", r, err)
	}
	j := open(t, to, sealing600)
	mustSame(t, replay(t, j, "heron", 0), w.records)
	if g := j.Generation(); g == "" || g == mustVerify(t, from).Generation {
		t.Errorf("generation %q after restoring: a cursor of the journal before would go on", g)
	}
	if _, err := Restore(context.Background(), from, to, true); !errors.As(err, new(*OwnedError)) {
		t.Errorf("over a journal in use: %v", err)
	}
	next := nth(9, boot(t, j, "more"))
	if err := errors.Join(j.Append("heron", &next), j.Close()); err != nil {
		t.Fatal(err)
	}
	was := string(read(t, to))
	if _, err := Restore(context.Background(), from, to, false); !errors.Is(err, fs.ErrExist) || string(read(t, to)) != was {
		t.Errorf("over a journal: %v", err)
	}
	if r := mustVerify(t, to); r.Records != 6001 {
		t.Fatalf("%+v", r)
	}
	if _, err := Restore(context.Background(), from, to, true); err != nil {
		t.Fatal(err)
	}
	if r := mustVerify(t, to); r.Records != 6000 {
		t.Errorf("%+v", r)
	}
	aside, err := filepath.Glob(to + ".replaced-*")
	if err != nil || len(aside) != 1 || mustVerify(t, aside[0]).Records != 6001 {
		t.Errorf("set aside: %v, %v", aside, err)
	}
	// A bad copy is not restored.
	bad := newPath(t)
	write(t, bad, w.closed[:len(w.closed)-5000])
	if _, err := Restore(context.Background(), bad, to, true); err == nil || mustVerify(t, to).Records != 6000 {
		t.Errorf("a bad copy: %v", err)
	}
}

// A restore, or a salvage, is cut short at each of its renames: the journal
// opened then is the old one or the new one, never a mixture.
func TestReplacingIsCutShort(t *testing.T) {
	w := newWhole(t)
	old := newPath(t)
	j := open(t, old, Options{})
	fillDemo(t, j, newDemo(9), 50, 10)
	oldFile, oldLog := read(t, old), read(t, old+"-wal")
	for step, want := range []int{50, 6000, 6000, 6000} {
		path := newPath(t)
		files := map[string][]byte{"": oldFile, "-wal": oldLog, ".salvaged": w.closed}
		for i, name := range []string{"", "-wal"} {
			if step > i {
				files[".replaced"+name] = files[name]
				delete(files, name)
			}
		}
		if step > 2 {
			files[""] = files[".salvaged"]
			delete(files, ".salvaged")
		}
		for name, b := range files {
			write(t, path+name, b)
		}
		j := open(t, path, Options{})
		if got := replay(t, j, "heron", 0); len(got) != want || len(j.Damage()) > 0 {
			t.Errorf("after %d renames: %d records, want %d; %v", step, len(got), want, j.Damage())
		}
		if _, err := os.Stat(path + ".salvaged"); err == nil {
			t.Errorf("after %d renames: the half is still there", step)
		}
	}
}

func mustVerify(t *testing.T, path string) Report {
	t.Helper()
	r, err := Verify(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A season of ten million readings, with one record a second.
func BenchmarkBackup(b *testing.B) {
	j := open(b, newPath(b), Options{})
	boot := boot(b, j, "a")
	d := newDemo(1)
	readings := 0
	for readings < 10_000_000 {
		for range 8192 {
			r := d.next(boot)
			readings += len(r.Readings)
			if err := j.Append("heron", &r); err != nil {
				b.Fatal(err)
			}
		}
		if err := j.Commit(); err != nil {
			b.Fatal(err)
		}
	}
	dir := b.TempDir()
	var r Report
	n := 0
	for b.Loop() {
		var err error
		if r, err = j.Backup(context.Background(), filepath.Join(dir, fmt.Sprint(n))); err != nil {
			b.Fatal(err)
		}
		n++
	}
	b.ReportMetric(float64(r.Readings), "readings")
	b.ReportMetric(float64(r.Bytes)/1e6, "MB")
	if err := j.Replay("heron", 0, func(*meter.Record) error { return nil }); err != nil {
		b.Fatal(err)
	}
}
