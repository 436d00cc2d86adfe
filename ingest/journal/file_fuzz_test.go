package journal

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"yardtally/ingest/sqlite"
	"yardtally/meter"
)

// handed is a small journal as somebody hands it to us: closed, or as a crash
// left it, with its log.
type handed struct {
	records      []meter.Record // of heron
	closed       []byte
	crashed, log []byte
}

// handedActs are its acts, with how many colonies each says.
var handedActs = map[string]int{"a1": 20, "a2": 30}

var sealing40 = Options{SealAfter: 40}

func newHanded(f *testing.F) *handed {
	path := newPath(f)
	j := open(f, path, sealing40)
	w := &handed{}
	d, rng := newDemo(3), rand.New(rand.NewPCG(3, 3))
	b := boot(f, j, "a")
	for i := range 12 {
		for k := range 10 {
			r := d.next(b)
			if k%2 == 0 { // so that a block takes more than a page
				r = wild(rng, b)
			}
			if err := j.Append("heron", &r); err != nil {
				f.Fatal(err)
			}
			w.records = append(w.records, clone(&r))
		}
		if err := j.Commit(); err != nil {
			f.Fatal(err)
		}
		j.write.Lock()
		j.seal.stop()
		j.write.Unlock()
		if i == 8 {
			j.write.Lock()
			err := j.moveLog()
			j.write.Unlock()
			if err != nil {
				f.Fatal(err)
			}
			if _, err := j.AddAct(yard("a1", handedActs["a1"])); err != nil {
				f.Fatal(err)
			}
		}
	}
	if _, err := j.AddAct(yard("a2", handedActs["a2"])); err != nil {
		f.Fatal(err)
	}
	j.write.Lock()
	j.seal.stop()
	var err error
	if w.crashed, err = os.ReadFile(path); err == nil {
		w.log, err = os.ReadFile(path + "-wal")
	}
	j.write.Unlock()
	if err != nil {
		f.Fatal(err)
	}
	if s := j.Stats(); s.Blocks == 0 || s.Records == int64(s.Blocks)*int64(sealing40.SealAfter) {
		f.Fatalf("must have blocks and rows, has %+v", s)
	}
	if err := j.Close(); err != nil {
		f.Fatal(err)
	}
	if w.closed, err = os.ReadFile(path); err != nil {
		f.Fatal(err)
	}
	return w
}

// harm damages a file as hurts say, five bytes each: what, where (two, in parts
// of 65,536 of the file) and with what (two).
func harm(b, hurts []byte) []byte {
	b = bytes.Clone(b)
	for ; len(hurts) >= 5 && len(b) > 0; hurts = hurts[5:] {
		at := (int(hurts[1])<<8 | int(hurts[2])) * len(b) >> 16
		if hurts[0]&0x80 != 0 { // in the first page, to the byte
			at = min((int(hurts[1])<<8|int(hurts[2]))%pageSize, len(b)-1)
		}
		n := min(1<<(hurts[3]%14), len(b)-at)
		switch hurts[0] & 0x7f % 6 {
		case 0:
			b[at] ^= hurts[4] | 1
		case 1:
			clear(b[at : at+n])
		case 2:
			for i := range n {
				b[at+i] = hurts[4]
			}
		case 3: // what is written elsewhere
			from := int(hurts[4]) * (len(b) - n) / 255
			copy(b[at:at+n], b[from:from+n])
		case 4:
			b = b[:at]
		case 5: // two bytes, as a page's number or a length has them
			copy(b[at:], hurts[3:5])
		}
	}
	return b
}

// mostOfOne is how much may be allocated in all while one damaged file of some
// 100 kB is looked at, by whatever it says of itself; measured: under a fifth.
const mostOfOne = 32 << 20

// Whatever a backup or a journal's file has become on its way to us, reading it
// through changes nothing, and a journal opened there has nothing that it was
// not given; what it lacks is said.
func FuzzGivenFile(f *testing.F) {
	w := newHanded(f)
	f.Logf("%d bytes closed; %d and a log of %d", len(w.closed), len(w.crashed), len(w.log))
	for _, seed := range []string{"", "\x00\x80\x00\x00\x40", "\x04\x80\x00\x00\x00", "\x84\x00\x64\x00\x00", "\x80\x00\x10\x00\x02", "\x80\x00\x1c\x00\x40",
		"\x85\x00\x20\x00\x09", "\x81\x00\x00\x07\x00", "\x03\x20\x00\x0c\x80", "\x02\x60\x00\x0b\x0d", "\x05\x90\x03\xff\xff", "\x83\x00\x00\x0c\xff\x03\xc0\x00\x0c\x10"} {
		for kind := range byte(6) {
			f.Add(kind, []byte(seed))
		}
	}
	f.Fuzz(func(t *testing.T, kind byte, hurts []byte) {
		path := filepath.Join(t.TempDir(), "given.db")
		file, log, cut := w.closed, []byte(nil), false
		switch kind % 3 {
		case 0:
			file = harm(w.closed, hurts)
			cut = len(file) == 0 // it is taken for a new one
		case 1:
			file, log = harm(w.crashed, hurts), w.log
		case 2: // a log that ends early is one of a commit that did not
			file, log, cut = w.crashed, harm(w.log, hurts), true
		}
		write(t, path, file)
		if log != nil {
			write(t, path+"-wal", log)
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		look, records, said := w.opened, 0, []string(nil)
		if kind/3%2 == 0 {
			look = w.restored
		}
		if records, said = look(t, path); records >= 0 && records < len(w.records) && len(said) == 0 && !cut {
			t.Errorf("%d records of %d, and nothing is said", records, len(w.records))
		}
		runtime.ReadMemStats(&after)
		if n := after.TotalAlloc - before.TotalAlloc; n > mostOfOne {
			t.Errorf("%d bytes allocated", n)
		}
	})
}

// restored restores a file as a backup, which changes nothing of it, and is
// opened of what came of it; -1 records: it is refused, and nothing is there.
func (w *handed) restored(t *testing.T, path string) (records int, said []string) {
	t.Helper()
	to, was := filepath.Join(t.TempDir(), "journal.db"), folder(t, path)
	r, err := Restore(t.Context(), path, to, false)
	if now := folder(t, path); now != was {
		t.Errorf("it was changed:\n%s\nbefore:\n%s", now, was)
	}
	if err != nil {
		if !strings.Contains(err.Error(), path) {
			t.Errorf("the error does not name the file: %v", err)
		}
		if _, err := os.Stat(to); err == nil {
			t.Error("it is refused, and a journal is there")
		}
		return -1, nil
	}
	if records, said = w.opened(t, to); int64(records) != r.Records || len(said) != len(r.Damage) {
		t.Errorf("restored %d records, damage %v; the report says %d, %v", records, said, r.Records, r.Damage)
	}
	return records, said
}

// opened opens a journal as the daemon does and returns how many records it
// has, all of which it was given, and what is said to be wrong; -1 records: it
// is refused, and left as it was.
func (w *handed) opened(t *testing.T, path string) (records int, said []string) {
	t.Helper()
	was, _ := os.ReadFile(path)
	_, nolog := os.Stat(path + "-wal")
	j, err := Open(path, sealing40)
	if err != nil {
		if !strings.Contains(err.Error(), path) {
			t.Errorf("the error does not name the file: %v", err)
		}
		if nolog != nil && !bytes.Equal(read(t, path), was) { // SQLite takes a log in
			t.Errorf("refused (%v), and changed", err)
		}
		return -1, nil
	}
	defer j.Close()
	rigs, err := j.Rigs()
	if err != nil {
		t.Errorf("rigs: %v", err)
	}
	for _, rig := range rigs {
		for _, r := range replay(t, j, rig, 0) {
			if rig != "heron" || r.Seq < 1 || r.Seq > uint64(len(w.records)) || !same(&r, &w.records[r.Seq-1]) {
				t.Fatalf("invented: %s has %+v", rig, r)
			}
			records++
		}
		acts, err := j.Acts(rig)
		if err != nil && !sqlite.IsCorrupt(err) {
			t.Errorf("acts: %v", err)
		}
		for _, a := range acts {
			if n, ok := handedActs[a.ID]; !ok || !reflect.DeepEqual(a.Body, yard(a.ID, n).Body) {
				t.Fatalf("invented: %+v", a)
			}
		}
	}
	for _, d := range j.Damage() {
		said = append(said, d.String())
	}
	return records, said
}
