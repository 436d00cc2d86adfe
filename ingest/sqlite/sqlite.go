package sqlite

import (
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"github.com/ncruces/go-sqlite3"
	_ "github.com/ncruces/go-sqlite3/driver" // registers "sqlite3"
)

// Options say how a file is opened; the zero value is what Open uses.
type Options struct {
	VFS        string // name of a registered file layer; "": the operating system's
	PageSize   int    // bytes, of a new file; 0: 4096
	CacheKiB   int    // page cache, KiB; 0: 1024
	Checkpoint int    // pages in the log before they are moved to the file; 0: 1000
	// Exclusive keeps the file to this connection. The log's index is then
	// held in memory: no shared-memory file, and a VFS needs none.
	Exclusive bool
	// Damaged opens a file whose size or schema is not what it says, to read
	// what can be read.
	Damaged bool
}

// Open opens or creates the file with the usual options. The returned pool has
// one connection, so that writes keep their order.
func Open(path string) (*sql.DB, error) { return OpenWith(path, Options{}) }

// OpenWith opens or creates the file. A new one can be read and written by
// owner and group only (mode 0660), and so can the log beside it.
func OpenWith(path string, o Options) (*sql.DB, error) {
	if o.PageSize == 0 {
		o.PageSize = 4096
	}
	if o.CacheKiB == 0 {
		o.CacheKiB = 1024
	}
	if o.Checkpoint == 0 {
		o.Checkpoint = 1000
	}
	locking := "normal"
	if o.Exclusive {
		locking = "exclusive"
	}
	q := url.Values{}
	if o.VFS != "" {
		q.Set("vfs", o.VFS)
	} else {
		if err := create(path); err != nil {
			return nil, err
		}
		q.Set("modeof", path)
	}
	// The order matters: waiting and locking first, page size before the log.
	pragmas := []string{"busy_timeout(5000)", "locking_mode(" + locking + ")"}
	if o.Damaged {
		pragmas = append(pragmas, "writable_schema(on)")
	} else {
		pragmas = append(pragmas, fmt.Sprintf("page_size(%d)", o.PageSize), "journal_mode(wal)")
	}
	for _, p := range append(pragmas,
		"synchronous(full)", "foreign_keys(on)",
		fmt.Sprintf("cache_size(-%d)", o.CacheKiB),
		fmt.Sprintf("wal_autocheckpoint(%d)", o.Checkpoint),
		fmt.Sprintf("journal_size_limit(%d)", 2*o.Checkpoint*o.PageSize),
		"temp_store(memory)",
	) {
		q.Add("_pragma", p)
	}
	// In SQLite's URIs a space is %20, a plus is a plus.
	query := strings.ReplaceAll(q.Encode(), "+", "%20")
	db, err := sql.Open("sqlite3", "file:"+(&url.URL{Path: path}).EscapedPath()+"?"+query)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	db.SetMaxOpenConns(1)
	if err := db.Ping(); err != nil {
		db.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return db, nil
}

// OpenImage opens a file that nobody writes, to read it: nothing in its folder
// is touched, and a log beside it is not looked at.
func OpenImage(path string) (*sql.DB, error) {
	db, err := sql.Open("sqlite3", "file:"+(&url.URL{Path: path}).EscapedPath()+"?immutable=1&mode=ro&_pragma=temp_store(memory)")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	db.SetMaxOpenConns(1)
	if err := db.Ping(); err != nil {
		db.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return db, nil
}

// create makes the empty file, with its mode and its name in the folder synced.
func create(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o660)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err != nil {
		return err
	}
	err = f.Chmod(0o660) // whatever the umask
	err = errors.Join(err, f.Close())
	d, derr := os.Open(filepath.Dir(path))
	if derr != nil {
		return errors.Join(err, derr)
	}
	return errors.Join(err, d.Sync(), d.Close())
}

// IsCorrupt reports whether the error says that the file itself is damaged, or
// is no SQLite file at all. (A size that is too big for SQLite was never written.)
func IsCorrupt(err error) bool {
	return errors.Is(err, sqlite3.CORRUPT) || errors.Is(err, sqlite3.NOTADB) || errors.Is(err, sqlite3.TOOBIG)
}

// IsFull reports whether the error says that there is no room left.
func IsFull(err error) bool { return errors.Is(err, sqlite3.FULL) }
