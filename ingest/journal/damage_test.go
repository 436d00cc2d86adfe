package journal

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"log/slog"
	"math/rand/v2"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"yardtally/ingest/sqlite"
	"yardtally/meter"
)

// whole is a journal to be damaged: 6,000 records in 60 commits, sealed from
// 600 on, two acts, three boots, a checkpoint, and what a rig called teal has.
type whole struct {
	records []meter.Record
	closed  []byte // the file after a clean close
	file    []byte // the file and its log as a crash leaves them;
	log     []byte // the log has the last ten commits and the acts
}

const (
	allRecords = 6000
	allActs    = 2
)

// The checkpoints that the journal has had.
var earlier, state = make([]byte, 30_000), bytes.Repeat([]byte("state"), 400)

var sealing600 = Options{SealAfter: 600}

func newWhole(t *testing.T) *whole {
	path := newPath(t)
	j := open(t, path, sealing600)
	d := newDemo(1)
	rng := rand.New(rand.NewPCG(8, 8))
	w := &whole{}
	b := boot(t, j, "a")
	for i := range 60 {
		for k := range 100 {
			r := d.next(b)
			if k%10 == 0 { // so that a block takes more than a page
				r = wild(rng, b)
			}
			if err := j.Append("heron", &r); err != nil {
				t.Fatal(err)
			}
			w.records = append(w.records, clone(&r))
		}
		if err := j.Commit(); err != nil {
			t.Fatal(err)
		}
		j.write.Lock()
		j.seal.stop()
		if i == 49 {
			if err := j.moveLog(); err != nil {
				t.Fatal(err)
			}
		}
		j.write.Unlock()
		if i == 15 {
			boot(t, j, "b")
			if err := j.PutCheckpoint("heron", "ledger", earlier); err != nil { // its pages will be free
				t.Fatal(err)
			}
		}
	}
	boot(t, j, "c")
	for i, n := range []int{20, 30} {
		if added, err := j.AddAct(yard(fmt.Sprint("a", i+1), n)); !added || err != nil {
			t.Fatal(added, err)
		}
	}
	if err := j.PutCheckpoint("heron", "ledger", state); err != nil {
		t.Fatal(err)
	}
	w.file, w.log = read(t, path), read(t, path+"-wal")
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	w.closed = read(t, path)
	return w
}

// outcome is what became of a damaged journal.
type outcome struct {
	refused       string
	records, acts int
	said          []string // by Damage; else what the log warns of
	aside         bool
}

// words collects what is logged at warning and above.
type words struct{ said *[]string }

func (w words) Enabled(_ context.Context, l slog.Level) bool { return l >= slog.LevelWarn }
func (w words) Handle(_ context.Context, r slog.Record) error {
	*w.said = append(*w.said, strings.TrimPrefix(r.Message, "journal: "))
	return nil
}
func (w words) WithAttrs([]slog.Attr) slog.Handler { return w }
func (w words) WithGroup(string) slog.Handler      { return w }

// try opens what is at path, checks that nothing is invented, and records on.
func (w *whole) try(t *testing.T, path string) (o outcome) {
	t.Helper()
	var logged []string
	j, err := Open(path, Options{SealAfter: 600, Log: slog.New(words{&logged})})
	if err != nil {
		o.refused = strings.ReplaceAll(err.Error(), path, "X")
		return o
	}
	defer func() { j.Close() }()
	got := replay(t, j, "heron", 0)
	for i := range got {
		if seq := got[i].Seq; seq < 1 || seq > allRecords || !same(&got[i], &w.records[seq-1]) || i > 0 && seq <= got[i-1].Seq {
			t.Fatalf("invented: %+v", got[i])
		}
	}
	o.records = len(got)
	acts, err := j.Acts("heron")
	if err != nil && !sqlite.IsCorrupt(err) {
		t.Fatal(err)
	}
	for _, a := range acts {
		if n := map[string]int{"a1": 20, "a2": 30}[a.ID]; n == 0 || !reflect.DeepEqual(a.Body, yard(a.ID, n).Body) {
			t.Fatalf("invented: act %+v", a)
		}
	}
	o.acts = len(acts)
	if data, ok, _ := j.Checkpoint("heron", "ledger"); ok && !bytes.Equal(data, state) && !bytes.Equal(data, earlier) {
		t.Fatalf("invented: a checkpoint of %d bytes", len(data))
	}
	for _, d := range j.Damage() {
		o.said = append(o.said, d.String())
	}
	if o.said == nil {
		o.said = logged
	}
	o.aside = strings.Contains(strings.Join(o.said, ""), "is kept as")

	// Recording goes on, and what comes now is kept; where damage shows only
	// in writing, once the journal was opened anew.
	for try := 0; ; try++ {
		err := w.goOn(t, j, path)
		if err == nil {
			return o
		}
		if try > 0 || !errors.Is(err, ErrDamaged) {
			t.Fatalf("going on, try %d: %v", try+1, err)
		}
		o.said = append(o.said, "a commit fails: "+ErrDamaged.Error())
		j.Close()
		if j, err = Open(path, sealing600); err != nil {
			t.Fatalf("opening again: %v", err)
		}
		for _, d := range j.Damage() {
			o.said = append(o.said, d.String())
		}
		if again := len(replay(t, j, "heron", 0)); again < o.records {
			t.Fatalf("%d records before, %d after mending", o.records, again)
		}
	}
}

func (w *whole) goOn(t *testing.T, j *Journal, path string) error {
	before := replay(t, j, "heron", 0)
	b, err := j.Boot("after")
	if err != nil {
		return err
	}
	var more []meter.Record
	for i := range 700 { // enough for a block
		r := nth(uint64(10_000+i), b)
		if err := j.Append("heron", &r); err != nil {
			t.Fatal(err)
		}
		more = append(more, clone(&r))
		if i%50 == 49 {
			if err := j.Commit(); err != nil {
				return err
			}
		}
	}
	if _, err := j.AddAct(yard("after", 7)); err != nil {
		return err
	}
	if err := j.PutCheckpoint("heron", "ledger", []byte("after")); err != nil {
		return err
	}
	if err := j.Close(); err != nil {
		return err
	}
	again := open(t, path, sealing600)
	defer again.Close()
	// Opened anew, a damaged file may give back more of what it had.
	want := append(before, more...)
	got := slices.DeleteFunc(replay(t, again, "heron", 0), func(r meter.Record) bool {
		if _, there := slices.BinarySearchFunc(want, r.Seq, func(w meter.Record, seq uint64) int { return cmp.Compare(w.Seq, seq) }); there {
			return false
		}
		if r.Seq > allRecords || !same(&r, &w.records[r.Seq-1]) {
			t.Fatalf("invented: %+v", r)
		}
		return true
	})
	// Where a damaged list of free pages names one that is in use, writing on
	// can cost what that page held: it must be said.
	said := again.Damage()
	want = slices.DeleteFunc(want, func(r meter.Record) bool {
		if _, there := slices.BinarySearchFunc(got, r.Seq, func(g meter.Record, seq uint64) int { return cmp.Compare(g.Seq, seq) }); there {
			return false
		}
		return slices.ContainsFunc(said, func(d Damage) bool { return d.Rig == "heron" && d.First <= r.Seq && r.Seq <= d.Last })
	})
	mustSame(t, got, want)
	if acts, err := again.Acts("heron"); err != nil || len(acts) == 0 || acts[len(acts)-1].ID != "after" {
		t.Fatalf("acts after: %v, %v", acts, err)
	}
	return nil
}

// inFormat compares a table with the one in FORMAT.md, or writes it there.
func inFormat(t *testing.T, name, table string) {
	t.Helper()
	text := string(read(t, "FORMAT.md"))
	head, end := "<!-- table "+name+" -->\n", "<!-- end -->"
	from := strings.Index(text, head)
	if from < 0 {
		t.Fatalf("FORMAT.md has no table %s", name)
	}
	from += len(head)
	to := from + strings.Index(text[from:], end)
	if text[from:to] == table {
		return
	}
	if *update {
		write(t, "FORMAT.md", []byte(text[:from]+table+text[to:]))
		return
	}
	t.Errorf("FORMAT.md differs (go test -run Damage -update writes it). Now it is:\n%s", table)
}

var instants = regexp.MustCompile(`\(boot 1, -?[0-9]+ to -?[0-9]+ ns\)`)
var instant = regexp.MustCompile(`[0-9]{8}T[0-9]{6}Z(-[0-9])?`)

// Everything else that can befall the files. The table is in FORMAT.md;
// -update writes it.
func TestDamage(t *testing.T) {
	w := newWhole(t)
	sql := func(q string) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			write(t, path, w.closed)
			db, err := sqlite.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			if res, err := db.Exec(q); err != nil {
				t.Fatal(err)
			} else if n, _ := res.RowsAffected(); n == 0 {
				t.Fatalf("%s: no row", q)
			}
		}
	}
	flip := func(table, where string, at int) func(*testing.T, string) {
		return sql(fmt.Sprintf(`UPDATE %s SET data = CAST(substr(data, 1, %[2]d) || x'ff' || substr(data, %[2]d + 2) AS BLOB) WHERE %[3]s`, table, at, where))
	}
	closed := func(f func([]byte) []byte) func(*testing.T, string) {
		return func(t *testing.T, path string) { write(t, path, f(bytes.Clone(w.closed))) }
	}
	crash := func(f func(file, log []byte) ([]byte, []byte)) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			file, log := f(bytes.Clone(w.file), bytes.Clone(w.log))
			if file != nil {
				write(t, path, file)
			}
			if log != nil {
				write(t, path+"-wal", log)
			}
		}
	}
	log := func(f func(log []byte) []byte) func(*testing.T, string) {
		return crash(func(file, log []byte) ([]byte, []byte) { return file, f(log) })
	}
	trigger := func(t *testing.T, path string) {
		write(t, path, w.closed)
		db, err := sqlite.Open(path)
		if err == nil {
			_, err = db.Exec(`CREATE TRIGGER t AFTER INSERT ON recent BEGIN DELETE FROM act; END`)
			err = errors.Join(err, db.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	junk := func(n int) []byte {
		rng, b := rand.New(rand.NewPCG(1, 1)), make([]byte, n)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		return b
	}
	frame := pageSize + 24
	var out strings.Builder
	out.WriteString("| damage | records | acts | what is said |\n|---|---|---|---|\n")
	for _, c := range []struct {
		name          string
		do            func(*testing.T, string)
		records, acts int // at least
		say           string
	}{
		{"none", closed(func(b []byte) []byte { return b }), 6000, 2, ""},
		{"a crash", log(func(b []byte) []byte { return b }), 6000, 2, ""},
		{"a byte of a block's data", flip("block", "first = 601", 200), 5400, 2, "records 601 to 1200"},
		{"a byte of a row's data", flip("recent", "last = 6000", 20), 5900, 2, "records 5901 to 6000"},
		{"a block's first sequence", sql(`UPDATE block SET first = 599 WHERE first = 601`), 5400, 2, "records 599 to 1200"},
		{"a block's last sequence, into the next", sql(`UPDATE block SET last = 1300 WHERE first = 601`), 5400, 2, "records 601 to 1300"},
		{"a block's time", sql(`UPDATE block SET mono_first = mono_first + 1 WHERE first = 601`), 5400, 2, "records 601 to 1200"},
		{"a block's rig", sql(`UPDATE block SET rig = 'teal' WHERE first = 601`), 5400, 2, "rig teal, records 601 to 1200"},
		{"a block's count is text", sql(`UPDATE block SET records = 'x' WHERE first = 601`), 5400, 2, "cannot be read"},
		{"the last row's sequence, far off", sql(`UPDATE recent SET last = 9007199254740992 WHERE last = 6000`), 5900, 2, "far off"},
		{"two blocks' data swapped", sql(`UPDATE block SET data = (SELECT b.data FROM block b WHERE b.first = 1802 - block.first) WHERE first IN (601, 1201)`), 4800, 2, "records 601 to 1200"},
		{"a block twice", sql(`INSERT INTO block SELECT n + 50, rig, first, last, boot, mono_first, mono_last, records, readings, crc, data FROM block WHERE first = 601`), 6000, 2, ""},
		{"a block of another rig under this one's name", sql(`INSERT INTO block SELECT n + 50, rig, 6001, 6600, boot, mono_first, mono_last, records, readings, crc, data FROM block WHERE first = 601`), 6000, 2, "records 6001 to 6600"},
		{"an act", sql(`UPDATE act SET data = replace(data, '20', '21') WHERE id = 'a1'`), 3000, 1, "act a1"},
		{"a boot's id", sql(`UPDATE boot SET id = 'x' WHERE n = 1`), 6000, 2, "boot 1"},
		{"a checkpoint", sql(`UPDATE checkpoint SET data = x'00'`), 6000, 2, ""},
		{"the generation", sql(`UPDATE generation SET id = 'x'`), 6000, 2, ""},
		{"the log: a byte in its middle", log(func(b []byte) []byte { b[32+12*frame+24+2001] ^= 1; return b }), 6000, 2, "put right"},
		{"the log: the highest byte of a word", log(func(b []byte) []byte { b[32+12*frame+24+2003] ^= 1; return b }), 5400, 2, ""},
		{"the log: a page's number", log(func(b []byte) []byte { b[32+12*frame+2] ^= 3; return b }), 6000, 2, "put right"},
		{"the log: a checksum", log(func(b []byte) []byte { b[32+12*frame+17] ^= 1; return b }), 6000, 2, "put right"},
		{"the log: a byte of its head", log(func(b []byte) []byte { b[3] ^= 0x10; return b }), 6000, 2, "put right"},
		{"the log: its first sector", log(func(b []byte) []byte { clear(b[:512]); return b }), 5400, 2, ""},
		{"the log: a sector in its middle", log(func(b []byte) []byte { clear(b[len(b)/2/512*512:][:512]); return b }), 5400, 2, ""},
		{"the log: a page in its middle", log(func(b []byte) []byte { clear(b[len(b)/2/4096*4096:][:4096]); return b }), 5400, 2, ""},
		{"the log: cut in its last page", log(func(b []byte) []byte { return b[:len(b)-1000] }), 6000, 2, "not finished"},
		{"the log: cut to half", log(func(b []byte) []byte { return b[:len(b)/2] }), 5000, 0, ""},
		{"the log: junk", log(func(b []byte) []byte { return junk(len(b)) }), 5000, 0, "cannot be read"},
		{"the log: gone after a crash", log(func([]byte) []byte { return nil }), 5000, 0, "log is gone"},
		{"the lock file gone", closed(func(b []byte) []byte { return b }), 6000, 2, ""},
		{"the file: gone, its log there", crash(func(_, log []byte) ([]byte, []byte) { return nil, log }), 1000, 2, "empty or gone"},
		{"the file: empty, its log there", crash(func(_, log []byte) ([]byte, []byte) { return []byte{}, log }), 1000, 2, "empty or gone"},
		{"the file: empty", closed(func([]byte) []byte { return []byte{} }), 0, 0, ""},
		{"the file: cut by a page", closed(func(b []byte) []byte { return b[:len(b)-4096] }), 3000, 2, "is kept as"},
		{"the file: cut to half", closed(func(b []byte) []byte { return b[:len(b)/2/4096*4096+100] }), 600, 0, "is kept as"},
		{"the file: cut to 100 bytes", closed(func(b []byte) []byte { return b[:100] }), 0, 0, "is kept as"},
		{"the file: without its first page", closed(func(b []byte) []byte { return b[4096:] }), 0, 0, ""},
		{"the first page: junk", closed(func(b []byte) []byte { copy(b, junk(4096)); return b }), 6000, 2, "is kept as"},
		{"the first page: the mark", closed(func(b []byte) []byte { b[70] ^= 1; return b }), 6000, 2, "is kept as"},
		{"the first page: the schema's number", closed(func(b []byte) []byte { b[63] = 1; return b }), 6000, 2, "is kept as"},
		{"the first page: the text's encoding", closed(func(b []byte) []byte { b[59] = 2; return b }), 6000, 2, "is kept as"},
		{"the first page: a root's number", closed(rootNumber), 6000, 2, "is kept as"},
		{"the first page: a column of the generation", closed(generationColumn), 6000, 2, "is kept as"},
		{"a trigger, which no journal has", trigger, 6000, 2, "is kept as"},
		{"the list of free pages: its head", closed(func(b []byte) []byte { copy(b[32:40], "\x00\xff\xff\xff\x00\x00\x00\x01"); return b }), 6000, 2, "Freelist"},
		{"another file: text", closed(func([]byte) []byte { return []byte(strings.Repeat("[rig]\nname = \"heron\"\n", 50)) }), 0, 0, "refused: "},
		{"another file: junk", closed(func(b []byte) []byte { return junk(len(b)) }), 0, 0, "refused: "},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := newPath(t)
			c.do(t, path)
			if c.name == "the log: gone after a crash" {
				write(t, path+".lock", []byte("process 1 since 2026-10-09T19:02:11Z\n"))
			}
			before, _ := os.ReadFile(path)
			o := w.try(t, path)
			said := strings.ReplaceAll(strings.Join(o.said, "; "), path, "X")
			said = instants.ReplaceAllString(instant.ReplaceAllString(said, "INSTANT"), "(boot 1, INSTANTS)")
			if o.refused != "" {
				said = "refused: " + o.refused
				if !bytes.Equal(read(t, path), before) {
					t.Error("refused, and changed")
				}
			}
			if o.records < c.records || o.acts < c.acts {
				t.Errorf("%d records and %d acts, want at least %d and %d; said: %s", o.records, o.acts, c.records, c.acts, said)
			}
			if !strings.Contains(said, c.say) || c.name == "none" && said != "" {
				t.Errorf("said %q, want %q", said, c.say)
			}
			fmt.Fprintf(&out, "| %s | %d | %d | %s |\n", c.name, o.records, o.acts, said)
		})
	}
	inFormat(t, "damages", out.String())
}

// A commit finds the file damaged while the journal is open: it says so, and
// the next opening brings all over.
func TestDamageFoundInWriting(t *testing.T) {
	w := newWhole(t)
	path := newPath(t)
	write(t, path, w.closed)
	j := open(t, path, sealing600)
	other := newPath(t)
	write(t, other, bytes.Repeat([]byte("no database "), 1000))
	_, corrupt := sqlite.Open(other)
	if err := j.failed(corrupt); !errors.Is(err, ErrDamaged) || !errors.Is(err, corrupt) {
		t.Fatalf("error %v", err)
	}
	if err := j.failed(fs.ErrClosed); errors.Is(err, ErrDamaged) {
		t.Fatalf("error %v", err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	for i := range 2 {
		j = open(t, path, sealing600)
		mustSame(t, replay(t, j, "heron", 0), w.records)
		if said := fmt.Sprint(j.Damage()); strings.Contains(said, "is kept as") != (i == 0) {
			t.Errorf("opening %d: said %s", i+1, said)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// rootNumber changes the root of the blocks in the schema.
func rootNumber(b []byte) []byte {
	at := bytes.Index(b[:4096], []byte("tableblockblock"))
	b[at+len("tableblockblock")] ^= 1
	return b
}

// generationColumn changes a name in what the schema says of the generation.
func generationColumn(b []byte) []byte {
	text := "CREATE TABLE generation (\n\t\tn"
	b[bytes.Index(b[:4096], []byte(text))+len(text)-1] = 'o'
	return b
}

// Any bytes anywhere, of file and log, many at once: nothing panics, nothing is
// invented, and recording goes on or the refusal is an error.
func TestRandomDamage(t *testing.T) {
	w := newWhole(t)
	seeds := 40
	if full() {
		seeds = 400
	}
	records, refused, aside := 0, 0, 0
	// The last two once found faults: a length beyond all bounds, and a page
	// both free and in use.
	for _, seed := range append(slices.Collect(upTo(seeds)), 1278, 1328) {
		rng := rand.New(rand.NewPCG(uint64(seed), 17))
		path := newPath(t)
		file, log := bytes.Clone(w.file), bytes.Clone(w.log)
		if rng.IntN(2) == 0 {
			file, log = bytes.Clone(w.closed), nil
		}
		for range 1 + rng.IntN(4) {
			b := file
			if log != nil && rng.IntN(2) == 0 {
				b = log
			}
			at := rng.IntN(len(b))
			switch n := min(1<<rng.IntN(14), len(b)-at); rng.IntN(4) {
			case 0:
				b[at] ^= byte(1 + rng.IntN(255))
			case 1:
				clear(b[at : at+n])
			case 2:
				for i := range n {
					b[at+i] = byte(rng.Uint32())
				}
			case 3: // what is written elsewhere
				from := rng.IntN(len(b) - n + 1)
				copy(b[at:at+n], b[from:])
			}
		}
		write(t, path, file)
		if log != nil {
			write(t, path+"-wal", log)
		}
		func() {
			defer func() {
				if t.Failed() {
					t.Logf("seed %d", seed)
				}
			}()
			o := w.try(t, path)
			records += o.records
			if o.refused != "" {
				t.Logf("seed %d: refused: %s", seed, o.refused)
				refused++
			}
			if o.aside {
				aside++
			}
		}()
		os.Remove(path)
	}
	t.Logf("%d damaged journals: %d brought over, %d refused, %.1f %% of the records kept, 0 invented",
		seeds, aside, refused, 100*float64(records)/float64(seeds*allRecords))
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

// upTo yields 0 to n-1.
func upTo(n int) iter.Seq[int] {
	return func(yield func(int) bool) {
		for i := range n {
			if !yield(i) {
				return
			}
		}
	}
}

// A file with pages that were made up: each has as many rows as it can, all of
// them go on in one page, and that in itself. What is true of the file is
// brought over, and the rest is not read for ever.
func TestPagesThatLeadEverywhere(t *testing.T) {
	w := newWhole(t)
	b := bytes.Clone(w.closed)
	rootNumber(b)                           // so that SQLite refuses it
	const more = 1500                       // which were 3.4 thousand million reads
	const local = (pageSize-12)*32/255 - 23 // of a row that overflows, "Database File Format", section 1.6
	const size = local + more*(pageSize-4)
	end := uint32(len(b)/pageSize + more + 1)
	page := make([]byte, pageSize)
	page[0] = 13
	const cell = 3000
	binary.BigEndian.PutUint16(page[3:], (cell-8)/2)
	for i := 8; i < cell; i += 2 {
		binary.BigEndian.PutUint16(page[i:], cell)
	}
	copy(page[cell:], []byte{size>>21&0x7f | 0x80, size>>14&0x7f | 0x80, size>>7&0x7f | 0x80, size & 0x7f, 1})
	binary.BigEndian.PutUint32(page[cell+5+local:], end)
	b = append(b, bytes.Repeat(page, more)...)
	b = append(b, binary.BigEndian.AppendUint32(nil, end)...)
	b = append(b, make([]byte, pageSize-4)...)
	path := newPath(t)
	write(t, path, b)
	if o := w.try(t, path); o.records != allRecords || !o.aside {
		t.Errorf("%+v", o)
	}
}
