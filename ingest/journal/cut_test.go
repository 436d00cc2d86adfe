package journal

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"yardtally/ingest/sqlite"
	"yardtally/ingest/sqlite/faulty"
	"yardtally/meter"
	"yardtally/meter/act"
)

func full() bool { return os.Getenv("YARDTALLY_FULL") != "" }

// night is a scripted workload on a disk of its own, and all that the journal
// acknowledged in it, with the place on the disk's tape where it did.
type night struct {
	t    *testing.T
	path string
	disk *faulty.Disk
	j    *Journal
	end  int // of the script, on the tape

	// What was given to the journal, in order, and at which place of the tape
	// each was acknowledged: the marks may be fewer.
	records map[string][]meter.Record
	kept    map[string][]mark // how many records of the rig
	acts    []act.Act
	actMark []int
	boots   []string
	bootsAt []int
	caches  []string
	cacheAt []int
}

type mark struct{ op, n int }

var errCut = errors.New("the power was cut")

func newNight(t *testing.T, files map[string][]byte) *night {
	n := &night{t: t, records: map[string][]meter.Record{}, kept: map[string][]mark{}}
	// The name has no random part: the tape is the same at every run.
	n.path = filepath.Join(t.TempDir(), "heron.journal")
	on := map[string][]byte{n.path: {}} // sqlite.Open makes it, and syncs the folder
	for name, b := range files {
		on[n.path+name] = b
	}
	n.disk = faulty.NewDisk(on)
	t.Cleanup(n.disk.Close)
	return n
}

// must panics, to be caught by run: a script has no error paths.
func must(err error) {
	if err != nil {
		panic(fmt.Errorf("%w: %w", errCut, err))
	}
}

func (n *night) open() {
	j, err := Open(n.path, Options{VFS: n.disk.Name(), SealAfter: 60})
	must(err)
	n.j = j
}

func (n *night) close() {
	j := n.j
	n.j = nil
	must(j.Close())
	n.committed()
}

func (n *night) boot(id string) uint32 {
	n.boots = append(n.boots, id)
	b, err := n.j.Boot(id)
	must(err)
	n.bootsAt = append(n.bootsAt, n.disk.Ops())
	return b
}

// committed notes that all records are acknowledged.
func (n *night) committed() {
	for rig, recs := range n.records {
		n.kept[rig] = append(n.kept[rig], mark{n.disk.Ops(), len(recs)})
	}
}

func (n *night) commit() {
	must(n.j.Commit())
	n.committed()
	n.j.write.Lock()
	n.j.seal.stop() // so that blocks come at the same places in every run
	n.j.write.Unlock()
}

func (n *night) append(rig string, r meter.Record) {
	must(n.j.Append(rig, &r))
	n.records[rig] = append(n.records[rig], clone(&r))
}

func (n *night) act(i int) {
	a := yard(fmt.Sprint("a", i), i)
	n.acts = append(n.acts, a)
	_, err := n.j.AddAct(a)
	must(err)
	n.actMark = append(n.actMark, n.disk.Ops())
}

func (n *night) cache(i int) {
	text := strings.Repeat(fmt.Sprint("state", i, " "), 100*(1+i%9))
	n.caches = append(n.caches, text)
	must(n.j.PutCheckpoint("heron", "ledger", []byte(text)))
	n.cacheAt = append(n.cacheAt, n.disk.Ops())
}

// script records, seals, tells acts, saves states, moves the log, imports,
// closes and opens again.
func (n *night) script(rounds int) {
	rng := rand.New(rand.NewPCG(5, 5))
	d, other := newDemo(21), newDemo(22)
	for part := range 3 {
		n.open()
		b := n.boot(fmt.Sprint("boot", part))
		for i := range rounds {
			for range 1 + rng.IntN(12) {
				n.append("heron", d.next(b))
			}
			if i%3 == 0 {
				n.append("teal", other.next(b))
			}
			n.commit()
			switch i % 7 {
			case 1:
				n.act(100*part + i)
			case 3:
				n.cache(100*part + i)
			case 5:
				n.boot(fmt.Sprint("boot", part, "of", i))
			}
			if i%9 == 8 {
				n.j.write.Lock()
				err := n.j.moveLog()
				n.j.write.Unlock()
				must(err)
			}
		}
		// What another journal had: enough for blocks at once.
		for i := range 150 {
			r := other.next(b)
			r.Seq = uint64(100_000*(part+1) + i)
			added, err := n.j.AppendKept("teal", &r)
			must(err)
			if added {
				n.records["teal"] = append(n.records["teal"], clone(&r))
			}
		}
		n.commit()
		if part < 2 {
			n.close()
		}
	}
	n.append("heron", d.next(1))
	n.commit()
	// The last part ends as the night does: nobody closes it.
}

// run runs the script and reports whether it came to its end.
func (n *night) run(rounds int) (whole bool) {
	defer func() {
		if n.j != nil {
			n.j.Close()
		}
		if r := recover(); r != nil {
			if err, ok := r.(error); !ok || !errors.Is(err, errCut) {
				panic(r)
			}
		}
	}()
	n.script(rounds)
	n.end = n.disk.Ops()
	return true
}

// found is what a journal gives back after a cut.
type found struct {
	records map[string]int // how many of the rig's records
	acts    int
	boots   int
	cache   int // index, -1 for none
}

// reopen writes the image into a folder and opens it as the daemon does. What
// it finds must be the beginning of what was recorded, and nothing else.
func (n *night) reopen(image map[string][]byte) (found, error) {
	f := found{records: map[string]int{}, cache: -1}
	dir := n.t.TempDir()
	defer os.RemoveAll(dir)
	for name, b := range image {
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), b, 0o660); err != nil {
			return f, err
		}
	}
	j, err := Open(filepath.Join(dir, filepath.Base(n.path)), Options{SealAfter: 60})
	if err != nil {
		return f, err
	}
	defer j.Close()
	rigs, err := j.Rigs()
	if err != nil {
		return f, err
	}
	for _, rig := range rigs {
		i := 0
		want := n.records[rig]
		err := j.Replay(rig, 0, func(r *meter.Record) error {
			if i >= len(want) || !same(r, &want[i]) {
				return fmt.Errorf("rig %s: invented: record %d, %+v", rig, i+1, r)
			}
			i++
			return nil
		})
		if err != nil {
			return f, err
		}
		f.records[rig] = i
	}
	acts, err := j.Acts("heron")
	if err != nil {
		return f, err
	}
	for i, a := range acts {
		if i >= len(n.acts) || a.ID != n.acts[i].ID || !reflect.DeepEqual(a.Body, n.acts[i].Body) {
			return f, fmt.Errorf("invented: act %+v", a)
		}
	}
	f.acts = len(acts)
	for f.boots < len(n.boots) {
		if id, ok := j.BootID(uint32(f.boots + 1)); !ok {
			break
		} else if id != n.boots[f.boots] {
			return f, fmt.Errorf("boot %d: %q, want %q", f.boots+1, id, n.boots[f.boots])
		}
		f.boots++
	}
	data, ok, err := j.Checkpoint("heron", "ledger")
	if err != nil {
		return f, err
	}
	if ok {
		if f.cache = slices.Index(n.caches, string(data)); f.cache < 0 {
			return f, errors.New("invented: a checkpoint")
		}
	}
	if d := j.Damage(); len(d) > 0 {
		return f, fmt.Errorf("damage: %v", d)
	}
	// Recording goes on, and no sequence that was acknowledged is given again.
	if f.boots > 0 {
		last, err := j.LastSeq("heron")
		if err != nil {
			return f, err
		}
		r := nth(1, 1)
		if err := errors.Join(j.Append("heron", &r), j.Commit()); err != nil || r.Seq != last+1 {
			return f, fmt.Errorf("going on: sequence %d after %d: %w", r.Seq, last, err)
		}
	}
	return f, nil
}

// lost names what was acknowledged before the place and is not found.
func (n *night) lost(f found, op int) error {
	for rig, marks := range n.kept {
		for _, m := range slices.Backward(marks) {
			if m.op <= op {
				if f.records[rig] < m.n {
					return fmt.Errorf("rig %s: %d records, %d were acknowledged", rig, f.records[rig], m.n)
				}
				break
			}
		}
	}
	for what, c := range map[string]struct {
		have  int
		marks []int
	}{"acts": {f.acts, n.actMark}, "boots": {f.boots, n.bootsAt}, "checkpoints": {f.cache + 1, n.cacheAt}} {
		want, _ := slices.BinarySearch(c.marks, op+1)
		if c.have < want {
			return fmt.Errorf("%d %s, %d were acknowledged", c.have, what, want)
		}
	}
	return nil
}

// cuts plays the tape to every place and opens what each loss leaves there.
func (n *night) cuts(tape *faulty.Tape, from int, losses []faulty.Loss, repeat int) (cuts, images, opened int, err error) {
	seen := map[[32]byte]found{}
	for op := from; op <= n.disk.Ops(); op++ {
		tape.Forward(op)
		cuts++
		for _, loss := range losses {
			times := repeat
			if loss == faulty.None || loss == faulty.All {
				times = 1
			}
			for k := range times {
				image := tape.Image(loss, rand.New(rand.NewPCG(uint64(op), uint64(k)<<8|uint64(loss))))
				images++
				sum := hash(image)
				f, ok := seen[sum]
				if !ok {
					opened++
					if f, err = n.reopen(image); err != nil {
						return cuts, images, opened, fmt.Errorf("cut at %d, of what was not synced %v is there (%d): %w", op, loss, k, err)
					}
					seen[sum] = f
				}
				if err := n.lost(f, op); err != nil {
					return cuts, images, opened, fmt.Errorf("cut at %d, of what was not synced %v is there (%d): lost: %w", op, loss, k, err)
				}
			}
		}
	}
	return cuts, images, opened, nil
}

func hash(image map[string][]byte) (sum [32]byte) {
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(image)) {
		fmt.Fprintf(h, "%s %d\n", filepath.Base(name), len(image[name]))
		h.Write(image[name])
	}
	return [32]byte(h.Sum(nil))
}

// The power is cut at every write, sync, truncation, creation and deletion of a
// night's work, also in the middle of the schema's changes; what the card then
// holds is opened. YARDTALLY_FULL=1 tries more of what may be left at each.
func TestPowerCut(t *testing.T) {
	rounds, losses, repeat := 7, []faulty.Loss{faulty.Some, faulty.Torn}, 1
	if full() {
		rounds, losses, repeat = 30, []faulty.Loss{faulty.None, faulty.All, faulty.Some, faulty.Torn, faulty.Shorn}, 2
	}
	for _, c := range []struct {
		name  string
		files func(t *testing.T) map[string][]byte
	}{
		{"a new journal", func(*testing.T) map[string][]byte { return nil }},
		{"one of schema 1", func(t *testing.T) map[string][]byte { return map[string][]byte{"": schemaOne(t)} }},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := newNight(t, c.files(t))
			first := n.disk.Ops()
			if c.name == "one of schema 1" {
				n.before(n.path)
			}
			if !n.run(rounds) {
				t.Fatal("the script did not come to its end")
			}
			cuts, images, opened, err := n.cuts(n.disk.Tape(), first, losses, repeat)
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%d cuts, %d images (%d of them different), %d records and %d acts acknowledged: 0 lost, 0 invented",
				cuts, images, opened, len(n.records["heron"])+len(n.records["teal"]), len(n.acts))
		})
	}
}

// schemaOne is a file of schema 1, with what its fixture holds.
func schemaOne(t *testing.T) []byte {
	path := newPath(t)
	fromFixture(t, path, 1)
	return read(t, path)
}

func fromFixture(t *testing.T, path string, schema int) {
	t.Helper()
	db, err := sqlite.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(string(read(t, fixtureName(schema)))); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// before notes what the fixture holds as acknowledged from the start.
func (n *night) before(path string) {
	j := open(n.t, newPath(n.t), Options{SealAfter: 100})
	n.records["heron"], n.records["teal"] = fixture(n.t, j)
	n.committed()
	n.acts, n.actMark = []act.Act{yard("act-one", 20)}, []int{0}
	n.boots, n.bootsAt = []string{"boot-one", "boot-two"}, []int{0, 0}
}

// The proof can fail: a disk that lies, whose syncs do nothing, loses what was
// acknowledged.
func TestPowerCutShowsALyingDisk(t *testing.T) {
	n := newNight(t, nil)
	first := n.disk.Ops()
	if !n.run(5) {
		t.Fatal("the script did not come to its end")
	}
	tape := n.disk.Tape()
	tape.Lying = first
	if _, _, _, err := n.cuts(tape, first, []faulty.Loss{faulty.None}, 1); err == nil || !strings.Contains(err.Error(), "acknowledged") {
		t.Errorf("error %v, want one that names what was lost", err)
	}
}

// After the cut nothing is acknowledged any more: the script runs anew for
// every place, on a disk that fails from there on.
func TestNothingIsAcknowledgedAfterACut(t *testing.T) {
	whole := newNight(t, nil)
	first := whole.disk.Ops()
	if !whole.run(3) {
		t.Fatal("the script did not come to its end")
	}
	step := 7
	if full() {
		step = 1
	}
	cuts := 0
	for op := first; op < whole.end; op += step {
		n := newNight(t, nil)
		n.disk.CutAfter(op)
		if n.run(3) {
			t.Fatalf("cut at %d: the script came to its end", op)
		}
		cuts++
		if _, _, _, err := n.cuts(n.disk.Tape(), op, []faulty.Loss{faulty.None, faulty.Torn}, 1); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d cuts with the script going on: 0 lost, 0 invented, nothing acknowledged after", cuts)
}
