package journal

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"io/fs"
	"os"

	"yardtally/ingest/sqlite"
)

// assemble makes one file of the damaged one and the pages of its log, to be
// read only: neither of them is touched. It reports whether the first page says
// that it is a journal; if not, there are no trees to climb, only pages.
func (j *Journal) assemble(to string) (ours bool, err error) {
	out, err := os.OpenFile(to, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o660)
	if err != nil {
		return false, err
	}
	defer out.Close()
	in, err := os.Open(j.path)
	if err == nil {
		_, err = io.Copy(out, in)
		in.Close()
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, err
	}
	fi, err := out.Stat()
	if err != nil {
		return false, err
	}
	log, err := sqlite.ReadLog(j.path, pageSize)
	if err != nil {
		return false, err
	}
	if log != nil && log.PageSize == pageSize {
		most := uint32(fi.Size()/pageSize) + uint32(log.Kept) + 1
		err := log.Pages(func(page uint32, data []byte) error {
			if page > most { // a number that no such log can have
				return nil
			}
			_, err := out.WriteAt(data, int64(page-1)*pageSize)
			return err
		})
		if err != nil {
			return false, err
		}
	}
	head := make([]byte, 100)
	if _, err := out.ReadAt(head, 0); err != nil && err != io.EOF {
		return false, err
	}
	if looksLikeJournal(head) {
		return true, settleHead(out, head)
	}
	return false, nil
}

// looksLikeJournal reports whether the first page has SQLite's magic text and
// our mark ("Database File Format", section 1.3).
func looksLikeJournal(head []byte) bool {
	return bytes.HasPrefix(head, []byte("SQLite format 3\x00")) &&
		binary.BigEndian.Uint32(head[68:]) == applicationID &&
		binary.BigEndian.Uint16(head[16:]) == pageSize
}

// fixedHead is what never changes in the first page of a journal: fractions
// and reserved bytes, schema format, no autovacuum, UTF-8.
var fixedHead = map[int]uint32{20: 0x00402020, 44: 4, 52: 0, 56: 1, 64: 0}

// checkHead looks at the first page before SQLite believes it.
func (j *Journal) checkHead() error {
	f, err := os.Open(j.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	head := make([]byte, 100)
	if _, err := io.ReadFull(f, head); err != nil {
		return nil // SQLite has something to say of it
	}
	if !looksLikeJournal(head) {
		return nil
	}
	for at, want := range fixedHead {
		if binary.BigEndian.Uint32(head[at:]) != want {
			return badData{errors.New("its first page is damaged")}
		}
	}
	return nil
}

// settleHead makes the head say what is: no log, as many pages as there are,
// none of them free.
func settleHead(f *os.File, head []byte) error {
	fi, err := f.Stat()
	if err != nil {
		return err
	}
	pages := (fi.Size() + pageSize - 1) / pageSize
	if err := f.Truncate(pages * pageSize); err != nil {
		return err
	}
	head[18], head[19] = 1, 1
	for at, want := range fixedHead {
		binary.BigEndian.PutUint32(head[at:], want)
	}
	binary.BigEndian.PutUint32(head[28:], uint32(pages))
	clear(head[32:40])
	copy(head[92:96], head[24:28])
	_, err = f.WriteAt(head, 0)
	return err
}
