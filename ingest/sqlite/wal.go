package sqlite

import (
	"encoding/binary"
	"errors"
	"io"
	"io/fs"
	"os"
)

// Tail is what a write-ahead log holds beyond its last whole commit: frames of
// the log's present round that SQLite will not take back in.
type Tail struct {
	Commits int   // whole commits before it
	Frames  int   // pages in the tail, a torn one counted
	Offset  int64 // byte where it begins
}

// LogTail reads the log of the SQLite file at path, as left by a process that
// did not close it, and returns its tail; nil when there is none. A tail is
// either a commit that was never acknowledged, cut short by a crash, or damage.
//
// The layout is that of "The Write-Ahead Log", sections 4.1 to 4.4 of
// "Database File Format", sqlite.org/fileformat2.html.
func LogTail(path string) (*Tail, error) {
	f, err := os.Open(path + "-wal")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var head [32]byte
	if n, err := io.ReadFull(f, head[:]); err != nil {
		if n == 0 {
			return nil, nil
		}
		return &Tail{Frames: 1}, nil
	}
	var order binary.ByteOrder = binary.LittleEndian
	magic := binary.BigEndian.Uint32(head[0:])
	if magic == 0x377f0683 {
		order = binary.BigEndian
	}
	sum := checksum(order, [2]uint32{}, head[:24])
	size := binary.BigEndian.Uint32(head[8:])
	if magic&^1 != 0x377f0682 || sum != pair(head[24:]) || size < 512 || size > 65536 {
		fi, err := f.Stat()
		if err != nil {
			return nil, err
		}
		return &Tail{Frames: int((fi.Size() - 32 + 4095) / 4096)}, nil
	}
	salt := pair(head[16:])
	frame := make([]byte, 24+size)
	tail := Tail{Offset: 32}
	bad := false
	for at := int64(32); ; {
		n, err := io.ReadFull(f, frame)
		if n == 0 || err != nil && err != io.ErrUnexpectedEOF && err != io.EOF {
			break
		}
		if n >= 16 && pair(frame[8:]) != salt {
			break // left over from an earlier round
		}
		tail.Frames++
		at += int64(n)
		if n < len(frame) { // the file ends within it
			break
		}
		if !bad {
			sum = checksum(order, sum, frame[:8])
			sum = checksum(order, sum, frame[24:])
			bad = sum != pair(frame[16:])
		}
		if !bad && binary.BigEndian.Uint32(frame[4:]) != 0 { // a commit
			tail = Tail{Commits: tail.Commits + 1, Offset: at}
		}
	}
	if tail.Frames == 0 {
		return nil, nil
	}
	return &tail, nil
}

func pair(b []byte) [2]uint32 {
	return [2]uint32{binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:])}
}

func checksum(order binary.ByteOrder, s [2]uint32, b []byte) [2]uint32 {
	for ; len(b) >= 8; b = b[8:] {
		s[0] += order.Uint32(b) + s[1]
		s[1] += order.Uint32(b[4:]) + s[0]
	}
	return s
}
