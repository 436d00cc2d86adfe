package journal

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"yardtally/meter"
)

// The damages a card or a power cut can do, and what is left. The journal has
// 1,000 records in 10 commits of 100 (so 10 rows), sealed from 300 on, and two
// acts.
func TestDamage(t *testing.T) {
	type state struct {
		path string
		j    *Journal
	}
	exec := func(q string) func(*testing.T, state) {
		return func(t *testing.T, s state) {
			res, err := s.j.db.Exec(q)
			if err != nil {
				t.Fatal(err)
			}
			if n, _ := res.RowsAffected(); n != 1 {
				t.Fatalf("%s: %d rows", q, n)
			}
			if err := s.j.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
	// flip changes one byte of the blob where the query's row begins.
	flip := func(table string, nth, at int) func(*testing.T, state) {
		return exec(fmt.Sprintf(`UPDATE %[1]s SET data = CAST(substr(data, 1, %[3]d) || x'ff' || substr(data, %[3]d + 2) AS BLOB)
			WHERE n = (SELECT n FROM %[1]s ORDER BY n LIMIT 1 OFFSET %[2]d)`, table, nth, at))
	}
	closed := func(f func(t *testing.T, path string)) func(*testing.T, state) {
		return func(t *testing.T, s state) {
			if err := s.j.Close(); err != nil {
				t.Fatal(err)
			}
			f(t, s.path)
		}
	}
	// crash leaves file and log as they are while the journal is open.
	crash := func(f func(t *testing.T, path string)) func(*testing.T, state) {
		return func(t *testing.T, s state) {
			db, wal := read(t, s.path), read(t, s.path+"-wal")
			if err := s.j.Close(); err != nil {
				t.Fatal(err)
			}
			write(t, s.path, db)
			write(t, s.path+"-wal", wal)
			f(t, s.path)
		}
	}
	all := [][2]uint64{{1, 1000}}
	for _, c := range []struct {
		name   string
		do     func(*testing.T, state)
		kept   [][2]uint64 // nil: any, but nothing invented
		acts   int
		damage []string // each in one of what Damage says
	}{
		{"none", closed(func(*testing.T, string) {}), all, 2, nil},
		{"none, but for a crash", crash(func(*testing.T, string) {}), all, 2, nil},
		{"a byte in a block", flip("block", 1, 200), [][2]uint64{{1, 300}, {601, 1000}}, 2,
			[]string{"rig heron, records 301 to 600 (boot 1, "}},
		{"a byte in a row", flip("recent", 0, 20), [][2]uint64{{1, 900}}, 2,
			[]string{"records 901 to 1000"}},
		{"a block's sequence", exec(`UPDATE block SET first = 299 WHERE first = 301`), [][2]uint64{{1, 300}, {601, 1000}}, 2,
			[]string{"records 299 to 600"}},
		{"a block's time", exec(`UPDATE block SET mono_last = mono_last + 1 WHERE first = 301`), [][2]uint64{{1, 300}, {601, 1000}}, 2,
			[]string{"records 301 to 600"}},
		{"a block's rig", exec(`UPDATE block SET rig = 'teal' WHERE first = 301`), [][2]uint64{{1, 300}, {601, 1000}}, 2, nil},
		{"a block's count is text", exec(`UPDATE block SET records = 'x' WHERE first = 301`), [][2]uint64{{1, 300}, {601, 1000}}, 2,
			[]string{"block 2 cannot be read"}},
		{"an act", exec(`UPDATE act SET data = replace(data, '20', '21') WHERE id = 'a1'`), all, 1, []string{"act a1"}},
		{"a boot's id", exec(`UPDATE boot SET id = 'b' WHERE n = 1`), all, 2, []string{"boot 1"}},
		{"the log cut in its last frame", crash(func(t *testing.T, path string) {
			b := read(t, path+"-wal")
			write(t, path+"-wal", b[:len(b)-1000]) // the second act's commit
		}), all, 1, []string{"no whole commit"}},
		{"a byte in the middle of the log", crash(func(t *testing.T, path string) {
			b := read(t, path+"-wal")
			b[len(b)/2] ^= 1
			write(t, path+"-wal", b)
		}), nil, -1, []string{"no whole commit"}},
		{"the log's head", crash(func(t *testing.T, path string) {
			b := read(t, path+"-wal")
			b[3] ^= 0x10
			write(t, path+"-wal", b)
		}), nil, -1, []string{"no whole commit"}},
		{"the list of free pages", closed(func(t *testing.T, path string) {
			b := read(t, path)
			// One page in the list, far beyond the end of the file.
			copy(b[32:40], "\x00\xff\xff\xff\x00\x00\x00\x01")
			write(t, path, b)
			// It shows only when a page is wanted: that commit fails, and says so.
			j := open(t, path, Options{})
			boot := boot(t, j, "a")
			for i := range 5000 {
				r := nth(uint64(1001+i), boot)
				if err := j.Append("heron", &r); err != nil {
					t.Fatal(err)
				}
			}
			err := j.Commit()
			if !errors.Is(err, ErrDamaged) {
				t.Fatalf("error %v, want one that says the file is damaged", err)
			}
			if err := j.Close(); err == nil || !strings.Contains(err.Error(), "5000 records not kept") {
				t.Fatalf("closing: %v", err)
			}
		}), all, 2, []string{"is kept as heron.journal.damaged-"}},
		{"the file cut by a page", closed(func(t *testing.T, path string) {
			b := read(t, path)
			write(t, path, b[:len(b)-4096])
		}), nil, -1, []string{"is kept as heron.journal.damaged-"}},
		{"the file cut to half", closed(func(t *testing.T, path string) {
			b := read(t, path)
			write(t, path, b[:len(b)/2/4096*4096+100])
		}), nil, -1, []string{"is kept as heron.journal.damaged-"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := newPath(t)
			j := open(t, path, Options{SealAfter: 300})
			d := newDemo(1)
			var want []meter.Record
			b := boot(t, j, "a")
			for range 10 {
				for range 100 {
					r := d.next(b)
					if err := j.Append("heron", &r); err != nil {
						t.Fatal(err)
					}
					want = append(want, clone(&r))
				}
				if err := j.Commit(); err != nil {
					t.Fatal(err)
				}
				j.write.Lock()
				j.seal.stop()
				j.write.Unlock()
			}
			for i, n := range []int{20, 30} {
				if added, err := j.AddAct(yard(fmt.Sprint("a", i+1), n)); !added || err != nil {
					t.Fatal(added, err)
				}
			}
			if s := j.Stats(); s.Blocks != 3 {
				t.Fatalf("%d blocks, want 3", s.Blocks)
			}
			c.do(t, state{path, j})

			j = open(t, path, Options{SealAfter: 300})
			got := replay(t, j, "heron", 0)
			for i := range got {
				if seq := got[i].Seq; seq < 1 || seq > 1000 || !same(&got[i], &want[seq-1]) || i > 0 && seq <= got[i-1].Seq {
					t.Fatalf("invented: %+v", got[i])
				}
			}
			if c.kept != nil {
				var kept []meter.Record
				for _, k := range c.kept {
					kept = append(kept, want[k[0]-1:k[1]]...)
				}
				mustSame(t, got, kept)
			}
			acts, err := j.Acts("heron")
			if err != nil || c.acts >= 0 && len(acts) != c.acts {
				t.Errorf("%d acts, want %d: %v", len(acts), c.acts, err)
			}
			var said []string
			for _, d := range j.Damage() {
				said = append(said, d.String())
			}
			t.Logf("kept %d of 1000 records, %d of 2 acts; said: %s", len(got), len(acts), strings.Join(said, "; "))
			for _, w := range c.damage {
				if !slices.ContainsFunc(said, func(s string) bool { return strings.Contains(s, w) }) {
					t.Errorf("nothing said of %q", w)
				}
			}
			if _, err := os.Stat(path + "-wal.damaged"); (err == nil) != slices.ContainsFunc(said, func(s string) bool { return strings.Contains(s, "cut off") }) {
				t.Errorf("the log kept aside: %v; said: %v", err, said)
			}
			if c.damage == nil && c.kept != nil && len(c.kept) == 1 && len(said) > 0 {
				t.Error("damage said where there is none")
			}

			// Recording goes on, and what comes now is kept.
			b = boot(t, j, "after")
			var more []meter.Record
			for i := range 400 { // enough for a block
				r := d.next(b)
				if err := j.Append("heron", &r); err != nil {
					t.Fatal(err)
				}
				more = append(more, clone(&r))
				if i%10 == 9 {
					if err := j.Commit(); err != nil {
						t.Fatal(err)
					}
				}
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			j = open(t, path, Options{SealAfter: 300})
			again := replay(t, j, "heron", 0)
			mustSame(t, again, append(got, more...))
		})
	}
}

func TestNotAJournal(t *testing.T) {
	for _, c := range []struct{ name, content, want string }{
		{"text", strings.Repeat("[rig]\nname = \"heron\"\n", 50), "is not a journal"},
		{"short", "x", "is not a journal"},
	} {
		path := newPath(t)
		write(t, path, []byte(c.content))
		if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
		if !bytes.Equal(read(t, path), []byte(c.content)) {
			t.Errorf("%s: the file was changed", c.name)
		}
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func write(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o660); err != nil {
		t.Fatal(err)
	}
}
