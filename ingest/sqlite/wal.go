package sqlite

import (
	"encoding/binary"
	"errors"
	"io/fs"
	"os"
)

// Log is a write-ahead log as a process that did not close it left it behind.
//
// SQLite takes a log back in as far as its chain of checksums holds: one bad
// byte costs every commit behind it. But each frame's checksum begins with the
// one that is written in the frame before, so that frames behind a bad one can
// be told good or bad all the same; and one wrong byte of a frame can be put
// right, but for the highest of a 32-bit word: the checksum has 64 bits and is
// linear in the words.
//
// The layout is that of "The Write-Ahead Log", sections 4.1 to 4.4 of
// "Database File Format", sqlite.org/fileformat2.html.
type Log struct {
	PageSize int
	Frames   int   // of the log's present round, a torn one counted
	Plain    int   // frames that SQLite takes back in by itself
	Kept     int   // frames through the last commit that is whole or was certainly acknowledged
	Commits  int   // commits within Plain
	Behind   int   // commits within Kept and behind Plain
	Fixed    int   // frames within Kept that were put right
	Bad      int   // frames within Kept that could not be
	Offset   int64 // byte where Plain ends

	// Doubtful says that a page of a bad frame is not written again by a
	// later one of Kept: the pages are no whole state of the file.
	Doubtful bool

	// Junk says that nothing in it can be told for a log's.
	Junk bool

	order  binary.ByteOrder
	head   []byte
	frames []frame
}

type frame struct {
	page, commit uint32
	data         []byte
	good         bool
}

// Tail reports whether there is anything behind the commits that SQLite takes
// in by itself: a commit that was cut short, or damage.
func (l *Log) Tail() bool { return l != nil && l.Frames > l.Plain }

const (
	headBytes  = 32
	frameBytes = 24
	magicLog   = 0x377f0682
)

// ReadLog reads the log of the SQLite file at path; nil when there is none.
// size is the page size to go by where the log's head is lost.
func ReadLog(path string, size int) (*Log, error) {
	b, err := os.ReadFile(path + "-wal") // a few MB: the log is kept short
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(b) == 0 {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	l := &Log{PageSize: size, order: binary.LittleEndian, Offset: headBytes}
	if len(b) < headBytes {
		l.Frames = 1
		return l, nil
	}
	l.read(b)
	return l, nil
}

func (l *Log) read(b []byte) {
	l.head = b[:headBytes]
	sum, whole, fixed := l.readHead()
	step := frameBytes + l.PageSize
	at := func(i int) []byte { return b[headBytes+i*step:][:step] }
	n := (len(b) - headBytes) / step
	salt := pair(l.head[16:])
	if !fixed {
		// The round is that of the first two frames that follow each other.
		for i := 1; i < n; i++ {
			if l.sum(pair(at(i - 1)[16:]), at(i)) == pair(at(i)[16:]) {
				salt = pair(at(i)[8:])
				break
			}
		}
	}
	end := 0
	for i := range n {
		if pair(at(i)[8:]) == salt {
			end = i + 1
		}
	}
	if l.Frames = end; end == 0 && !fixed && n > 0 {
		l.Frames, l.Junk = n, true
		return
	}
	if rest := b[headBytes+n*step:]; end == n && len(rest) >= 16 && pair(rest[8:]) == salt {
		l.Frames++
	}
	plain := whole // SQLite's own view, frame for frame
	chain := sum
	fixedAt := make([]bool, end)
	for i := range end {
		f := at(i)
		stored := pair(f[16:])
		calc := l.sum(sum, f)
		good := calc == stored
		if plain {
			chain = l.sum(chain, f)
			plain = chain == stored && pair(f[8:]) == salt && binary.BigEndian.Uint32(f) != 0
		}
		if !good {
			next := i+1 < end
			switch {
			case next && l.sum(calc, at(i+1)) == pair(at(i + 1)[16:]),
				!next && calc[0] != stored[0] && calc[1] == stored[1]:
				// What is wrong is the checksum itself.
				good, fixedAt[i], stored = true, true, calc
			case !next && calc[0] == stored[0]:
				// It, or the last word of the page: who knows.
			default:
				good = l.correct(f, calc, stored)
				fixedAt[i] = good
			}
		}
		l.frames = append(l.frames, frame{binary.BigEndian.Uint32(f), binary.BigEndian.Uint32(f[4:]), f[frameBytes:], good})
		if plain && l.frames[i].commit != 0 {
			l.Plain, l.Commits, l.Offset = i+1, l.Commits+1, int64(headBytes+(i+1)*step)
		}
		sum = stored
	}
	l.judge(fixedAt)
}

// readHead returns the checksum that the first frame begins with, whether the
// head is as it was written, and whether at least it is now.
func (l *Log) readHead() (sum [2]uint32, whole, fixed bool) {
	h := l.head
	stored := pair(h[24:])
	for _, magic := range []uint32{magicLog | 1, magicLog} { // little-endian is what all our boards write
		l.order = binary.ByteOrder(binary.LittleEndian)
		if magic&1 != 0 {
			l.order = binary.BigEndian
		}
		calc := checksum(l.order, [2]uint32{}, h[:24])
		if calc == stored && l.headFits(magic) {
			l.PageSize = int(binary.BigEndian.Uint32(h[8:]))
			return stored, true, true
		}
		mended := append([]byte(nil), h...)
		if solve(l.order, [][]byte{mended[:24]}, calc, stored) {
			was := l.head
			if l.head = mended; l.headFits(magic) {
				return stored, false, true
			}
			l.head = was
		}
	}
	return stored, false, false
}

func (l *Log) headFits(magic uint32) bool {
	return binary.BigEndian.Uint32(l.head) == magic && int(binary.BigEndian.Uint32(l.head[8:])) == l.PageSize
}

// judge finds what was acknowledged. A commit is synced before a frame of the
// next is written: what is followed by another frame was, whatever became of
// it since. The last one counts only if all of it is good.
func (l *Log) judge(fixed []bool) {
	from, behind := 0, 0
	for i := range l.frames {
		f := &l.frames[i]
		if f.commit == 0 || !f.good && (f.page == 0 || f.page > f.commit || f.commit > 1<<24) {
			continue
		}
		whole, followed := true, false
		for k := from; k <= i; k++ {
			whole = whole && l.frames[k].good
		}
		for k := i + 1; k < len(l.frames); k++ {
			followed = followed || l.frames[k].good
		}
		if i >= l.Plain {
			behind++
		}
		if whole || followed {
			l.Kept, l.Behind = i+1, behind
		}
		from = i + 1
	}
	rewritten := map[uint32]bool{}
	for i := l.Kept - 1; i >= 0; i-- {
		f := &l.frames[i]
		switch {
		case !f.good:
			l.Bad++
			l.Doubtful = l.Doubtful || !rewritten[f.page]
		default:
			rewritten[f.page] = true
			if fixed[i] {
				l.Fixed++
			}
		}
	}
}

// Whole returns a log of the frames of Kept that SQLite will take in.
func (l *Log) Whole() []byte {
	h := make([]byte, 24, headBytes)
	copy(h, l.head)
	magic := uint32(magicLog)
	if l.order == binary.BigEndian {
		magic |= 1
	}
	binary.BigEndian.PutUint32(h, magic)
	binary.BigEndian.PutUint32(h[4:], 3007000) // the format's version
	binary.BigEndian.PutUint32(h[8:], uint32(l.PageSize))
	sum := checksum(l.order, [2]uint32{}, h)
	out := put(h, sum)
	for i := range l.frames[:l.Kept] {
		f := &l.frames[i]
		from := len(out)
		out = put(out, [2]uint32{max(f.page, 1), f.commit})
		out = append(out, h[16:24]...)
		sum = checksum(l.order, checksum(l.order, sum, out[from:from+8]), f.data)
		out = append(put(out, sum), f.data...)
	}
	return out
}

// Pages calls fn with the pages of Kept, in order of writing.
func (l *Log) Pages(fn func(page uint32, data []byte) error) error {
	for i := range l.frames[:l.Kept] {
		if f := &l.frames[i]; f.page != 0 {
			if err := fn(f.page, f.data); err != nil {
				return err
			}
		}
	}
	return nil
}

func (l *Log) sum(from [2]uint32, f []byte) [2]uint32 {
	return checksum(l.order, checksum(l.order, from, f[:8]), f[frameBytes:])
}

// correct puts right a frame that is wrong within one word.
func (l *Log) correct(f []byte, calc, stored [2]uint32) bool {
	return solve(l.order, [][]byte{f[:8], f[frameBytes:]}, calc, stored)
}

// solve finds the one 32-bit word that makes the checksum come out as stored
// instead of calc, and changes it. The checksum is u[n] = u[n-1] + u[n-2] + w[n],
// so an error e in a word k words before the end adds e·Fibonacci(k) to the last
// but one u and e·Fibonacci(k+1) to the last. One of two neighbouring Fibonacci
// numbers is odd and has an inverse; the other is the proof. Where several
// words would do, as for an error of the highest bits only, none is changed.
// Wrong in more than one word, a page of 4096 bytes passes for one that is not
// with a chance of 1026 in 2^32.
func solve(order binary.ByteOrder, parts [][]byte, calc, stored [2]uint32) bool {
	d := [2]uint32{calc[0] - stored[0], calc[1] - stored[1]}
	a, b := uint32(0), uint32(1)
	var word []byte
	var by uint32
	for p := len(parts) - 1; p >= 0; p-- {
		for at := len(parts[p]) - 4; at >= 0; at -= 4 {
			e := d[0] * inverse(a|1)
			if b&1 == 1 {
				e = d[1] * inverse(b)
			}
			if a*e == d[0] && b*e == d[1] {
				if word != nil {
					return false
				}
				word, by = parts[p][at:], e
			}
			a, b = b, a+b
		}
	}
	if word == nil {
		return false
	}
	order.PutUint32(word, order.Uint32(word)-by)
	return true
}

// inverse of an odd number modulo 2^32, by Newton's iteration.
func inverse(x uint32) uint32 {
	y := x
	for range 5 {
		y *= 2 - x*y
	}
	return y
}

func pair(b []byte) [2]uint32 {
	return [2]uint32{binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:])}
}

func put(b []byte, p [2]uint32) []byte {
	return binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(b, p[0]), p[1])
}

func checksum(order binary.ByteOrder, s [2]uint32, b []byte) [2]uint32 {
	if order == binary.LittleEndian { // without a call a word
		for ; len(b) >= 8; b = b[8:] {
			s[0] += binary.LittleEndian.Uint32(b) + s[1]
			s[1] += binary.LittleEndian.Uint32(b[4:]) + s[0]
		}
		return s
	}
	for ; len(b) >= 8; b = b[8:] {
		s[0] += order.Uint32(b) + s[1]
		s[1] += order.Uint32(b[4:]) + s[0]
	}
	return s
}
