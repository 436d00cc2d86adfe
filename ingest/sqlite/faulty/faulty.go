// Package faulty is a file layer for tests: it puts SQLite on the operating
// system's files, counts what is written, and refuses to write when told.
package faulty

import (
	"fmt"
	"sync/atomic"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/util/vfsutil"
	"github.com/ncruces/go-sqlite3/vfs"
)

// Layer is a registered file layer.
type Layer struct {
	vfs.VFS
	name   string
	full   atomic.Bool
	noSync atomic.Bool
	writes atomic.Int64
	bytes  atomic.Int64
	syncs  atomic.Int64
}

var count atomic.Int64

// New registers a layer of its own name. SQLite files opened with it must be
// exclusive: it has no shared memory.
func New() *Layer {
	l := &Layer{VFS: vfs.Find(""), name: fmt.Sprint("faulty", count.Add(1))}
	vfs.Register(l.name, l)
	return l
}

// Close takes the layer off the register.
func (l *Layer) Close() { vfs.Unregister(l.name) }

// Name is what to open files with.
func (l *Layer) Name() string { return l.name }

// SetFull makes every write fail as on a full disk, or stops doing so.
func (l *Layer) SetFull(full bool) { l.full.Store(full) }

// SetNoSync makes every sync fail as on a broken card, or stops doing so.
func (l *Layer) SetNoSync(no bool) { l.noSync.Store(no) }

// Writes returns how many writes, bytes and syncs there were.
func (l *Layer) Writes() (writes, bytes, syncs int64) {
	return l.writes.Load(), l.bytes.Load(), l.syncs.Load()
}

// Open implements vfs.VFS.
func (l *Layer) Open(name string, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	return nil, 0, sqlite3.CANTOPEN // SQLite calls OpenFilename instead
}

// OpenFilename implements vfs.VFSFilename.
func (l *Layer) OpenFilename(name *vfs.Filename, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	f, flags, err := vfsutil.WrapOpenFilename(l.VFS, name, flags)
	if err != nil {
		return nil, flags, err
	}
	return &file{f, l}, flags, nil
}

type file struct {
	vfs.File
	l *Layer
}

func (f *file) WriteAt(p []byte, off int64) (int, error) {
	if f.l.full.Load() {
		return 0, sqlite3.FULL
	}
	f.l.writes.Add(1)
	f.l.bytes.Add(int64(len(p)))
	return f.File.WriteAt(p, off)
}

func (f *file) Sync(flags vfs.SyncFlag) error {
	if f.l.noSync.Load() {
		return sqlite3.IOERR_FSYNC
	}
	f.l.syncs.Add(1)
	return f.File.Sync(flags)
}

func (f *file) Truncate(size int64) error {
	f.l.writes.Add(1)
	return f.File.Truncate(size)
}
