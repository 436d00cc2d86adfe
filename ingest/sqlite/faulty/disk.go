package faulty

import (
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"slices"
	"sync"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/vfs"
)

// Disk is a file layer in memory that keeps a list of all that was written,
// synced, made and deleted, so that a test can see what a cut of the power at
// any place of it may leave behind. SQLite files opened with it must be
// exclusive: it has no shared memory, and its locks hold nobody off.
type Disk struct {
	name string

	mu    sync.Mutex
	names map[string]*inode
	ops   []op
	cut   int
}

type inode struct {
	id   int
	data []byte
}

type opKind byte

const (
	opWrite opKind = iota
	opTruncate
	opSync
	opCreate
	opDelete
	opSyncDir
)

type op struct {
	kind opKind
	name string // of create and delete
	id   int    // of the others' file
	off  int64  // or the size of a truncate
	data []byte
}

// NewDisk registers a disk of its own name. files are there and durable from
// the start.
func NewDisk(files map[string][]byte) *Disk {
	d := &Disk{name: fmt.Sprint("disk", count.Add(1)), names: make(map[string]*inode), cut: -1}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		d.create(name)
		d.names[name].data = slices.Clone(files[name])
		d.ops = append(d.ops, op{kind: opWrite, id: d.names[name].id, data: slices.Clone(files[name])},
			op{kind: opSync, id: d.names[name].id}, op{kind: opSyncDir})
	}
	vfs.Register(d.name, d)
	return d
}

// Close takes the disk off the register.
func (d *Disk) Close() { vfs.Unregister(d.name) }

// Name is what to open files with.
func (d *Disk) Name() string { return d.name }

// Ops returns how many writes, truncates, syncs, creations, deletions and
// syncs of the folder there were.
func (d *Disk) Ops() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.ops)
}

// CutAfter cuts the power after so many of them: the next one fails, and all
// that comes then.
func (d *Disk) CutAfter(ops int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.cut = ops
}

// do notes what is about to be done. Under mu.
func (d *Disk) do(o op, failing error) error {
	if d.cut >= 0 && len(d.ops) >= d.cut {
		return failing
	}
	d.ops = append(d.ops, o)
	return nil
}

func (d *Disk) create(name string) {
	d.names[name] = &inode{id: len(d.ops)}
	d.ops = append(d.ops, op{kind: opCreate, name: name, id: len(d.ops)})
}

// Open implements vfs.VFS.
func (d *Disk) Open(name string, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if name == "" {
		return nil, 0, sqlite3.CANTOPEN // a temporary file: they are kept in memory
	}
	f := &diskFile{d: d}
	if f.n = d.names[name]; f.n == nil {
		if flags&vfs.OPEN_CREATE == 0 || d.cut >= 0 && len(d.ops) >= d.cut {
			return nil, 0, sqlite3.CANTOPEN
		}
		d.create(name)
		f.n = d.names[name]
	}
	// As the operating system's layer: the first sync of a log is one of the
	// folder too.
	f.syncDir = flags&vfs.OPEN_CREATE != 0 && flags&(vfs.OPEN_MAIN_JOURNAL|vfs.OPEN_SUPER_JOURNAL|vfs.OPEN_WAL) != 0
	return f, flags, nil
}

// Delete implements vfs.VFS.
func (d *Disk) Delete(name string, syncDir bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.names[name] == nil {
		return sqlite3.IOERR_DELETE_NOENT
	}
	if err := d.do(op{kind: opDelete, name: name}, sqlite3.IOERR_DELETE); err != nil {
		return err
	}
	delete(d.names, name)
	if syncDir {
		return d.do(op{kind: opSyncDir}, sqlite3.IOERR_DIR_FSYNC)
	}
	return nil
}

// Access implements vfs.VFS.
func (d *Disk) Access(name string, flags vfs.AccessFlag) (bool, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.names[name] != nil, nil
}

// FullPathname implements vfs.VFS.
func (d *Disk) FullPathname(name string) (string, error) { return name, nil }

type diskFile struct {
	d       *Disk
	n       *inode
	syncDir bool
}

func (f *diskFile) ReadAt(p []byte, off int64) (int, error) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if f.d.cut >= 0 && len(f.d.ops) >= f.d.cut {
		return 0, sqlite3.IOERR_READ
	}
	n := 0
	if off < int64(len(f.n.data)) {
		n = copy(p, f.n.data[off:])
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (f *diskFile) WriteAt(p []byte, off int64) (int, error) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if err := f.d.do(op{kind: opWrite, id: f.n.id, off: off, data: slices.Clone(p)}, sqlite3.IOERR_WRITE); err != nil {
		return 0, err
	}
	f.n.data = writeAt(f.n.data, p, off)
	return len(p), nil
}

func (f *diskFile) Truncate(size int64) error {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if err := f.d.do(op{kind: opTruncate, id: f.n.id, off: size}, sqlite3.IOERR_TRUNCATE); err != nil {
		return err
	}
	f.n.data = truncate(f.n.data, size)
	return nil
}

// SizeHint implements vfs.FileSizeHint: the operating system's layer makes the
// file larger.
func (f *diskFile) SizeHint(size int64) error {
	if have, _ := f.Size(); have >= size {
		return nil
	}
	return f.Truncate(size)
}

func (f *diskFile) Sync(vfs.SyncFlag) error {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if err := f.d.do(op{kind: opSync, id: f.n.id}, sqlite3.IOERR_FSYNC); err != nil {
		return err
	}
	if f.syncDir {
		f.syncDir = false
		return f.d.do(op{kind: opSyncDir}, sqlite3.IOERR_DIR_FSYNC)
	}
	return nil
}

func (f *diskFile) Size() (int64, error) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	return int64(len(f.n.data)), nil
}

func (*diskFile) Close() error                     { return nil }
func (*diskFile) Lock(vfs.LockLevel) error         { return nil }
func (*diskFile) Unlock(vfs.LockLevel) error       { return nil }
func (*diskFile) CheckReservedLock() (bool, error) { return false, nil }
func (*diskFile) SectorSize() int                  { return 4096 }
func (*diskFile) DeviceCharacteristics() vfs.DeviceCharacteristic {
	return vfs.IOCAP_SUBPAGE_READ | vfs.IOCAP_POWERSAFE_OVERWRITE // as the operating system's
}

func writeAt(b, p []byte, off int64) []byte {
	if end := off + int64(len(p)); end > int64(len(b)) {
		b = truncate(b, end)
	}
	copy(b[off:], p)
	return b
}

func truncate(b []byte, size int64) []byte {
	if size <= int64(len(b)) {
		return b[:size]
	}
	return append(b, make([]byte, size-int64(len(b)))...)
}

// Loss says what of the writes that were not synced a cut leaves.
type Loss int

// The losses. Of what was made and deleted in the folder since its last sync,
// None and All leave nothing and all, the others any part.
const (
	None    Loss = iota // no write since the file's last sync
	All                 // all of them
	Some                // any of them, in any order
	Torn                // those up to some write, and of that one any of its sectors
	Shorn               // as Torn, and one sector of it holds anything at all
	Losses  = iota
	sector0 = 512
)

func (l Loss) String() string { return [...]string{"none", "all", "some", "torn", "shorn"}[l] }

// Tape plays a disk's list back, to see the disk at every place of it.
type Tape struct {
	Lying int // from this place on, if not 0, a sync does nothing

	ops     []op
	at      int
	kept    map[int][]byte
	pending map[int][]op
	names   map[string]int
	folder  []op
}

// Tape returns the list from its beginning.
func (d *Disk) Tape() *Tape {
	d.mu.Lock()
	defer d.mu.Unlock()
	return &Tape{ops: slices.Clone(d.ops), kept: make(map[int][]byte), pending: make(map[int][]op), names: make(map[string]int)}
}

// Forward plays up to the first so many ops.
func (t *Tape) Forward(to int) {
	for ; t.at < to && t.at < len(t.ops); t.at++ {
		o := t.ops[t.at]
		if t.Lying > 0 && t.at >= t.Lying && (o.kind == opSync || o.kind == opSyncDir) {
			continue
		}
		switch o.kind {
		case opWrite, opTruncate:
			t.pending[o.id] = append(t.pending[o.id], o)
		case opSync:
			// The image handed out before is not written to.
			t.kept[o.id] = apply(slices.Clone(t.kept[o.id]), t.pending[o.id])
			delete(t.pending, o.id)
		case opCreate, opDelete:
			t.folder = append(t.folder, o)
		case opSyncDir:
			enter(t.names, t.folder)
			t.folder = nil
		}
	}
}

// Unsynced reports whether there is anything that a cut here may lose.
func (t *Tape) Unsynced() bool { return len(t.pending) > 0 || len(t.folder) > 0 }

// Image returns the files that a cut here leaves.
func (t *Tape) Image(loss Loss, rng *rand.Rand) map[string][]byte {
	names, folder := maps.Clone(t.names), t.folder
	switch loss {
	case None:
		folder = nil
	case Some, Torn, Shorn:
		folder = part(folder, rng)
	}
	enter(names, folder)
	out := make(map[string][]byte, len(names))
	for _, name := range slices.Sorted(maps.Keys(names)) {
		id := names[name]
		todo := t.pending[id]
		switch loss {
		case None:
			todo = nil
		case Some:
			todo = part(todo, rng)
			rng.Shuffle(len(todo), func(i, k int) { todo[i], todo[k] = todo[k], todo[i] })
		case Torn, Shorn:
			if len(todo) > 0 {
				n := rng.IntN(len(todo))
				todo = append(slices.Clone(todo[:n]), tear(todo[n], loss == Shorn, rng)...)
			}
		}
		out[name] = apply(slices.Clone(t.kept[id]), todo)
	}
	return out
}

func part(all []op, rng *rand.Rand) (out []op) {
	for _, o := range all {
		if rng.IntN(2) == 0 {
			out = append(out, o)
		}
	}
	return out
}

// tear cuts a write at the disk's sectors, of 512 or 4096 bytes.
func tear(o op, shorn bool, rng *rand.Rand) (out []op) {
	if o.kind != opWrite {
		return nil
	}
	size := int64(sector0)
	if rng.IntN(2) == 0 {
		size = 4096
	}
	end := o.off + int64(len(o.data))
	for at := o.off; at < end; {
		next := min((at/size+1)*size, end)
		if rng.IntN(2) == 0 {
			out = append(out, op{kind: opWrite, off: at, data: o.data[at-o.off : next-o.off]})
		}
		at = next
	}
	if shorn && len(out) > 0 {
		k := rng.IntN(len(out))
		junk := make([]byte, len(out[k].data))
		for i := range junk {
			junk[i] = byte(rng.Uint32())
		}
		out[k].data = junk
	}
	return out
}

func apply(b []byte, ops []op) []byte {
	for _, o := range ops {
		if o.kind == opTruncate {
			b = truncate(b, o.off)
		} else {
			b = writeAt(b, o.data, o.off)
		}
	}
	return b
}

func enter(names map[string]int, ops []op) {
	for _, o := range ops {
		if o.kind == opCreate {
			names[o.name] = o.id
		} else {
			delete(names, o.name)
		}
	}
}
