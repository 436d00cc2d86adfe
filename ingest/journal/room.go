package journal

import (
	"path/filepath"

	"golang.org/x/sys/unix"
)

// Room returns how many bytes are left where the journal lies, for who is not
// root, and how many there are in all; 0, 0 where that cannot be asked.
func (j *Journal) Room() (left, all int64) {
	var fs unix.Statfs_t
	if unix.Statfs(filepath.Dir(j.path), &fs) != nil {
		return 0, 0
	}
	return int64(fs.Bavail) * int64(fs.Bsize), int64(fs.Blocks) * int64(fs.Bsize)
}
