package journal

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

var errShort = errors.New("the data ends early")

// bitWriter appends bits, the lowest of a number first.
type bitWriter struct {
	out []byte
	acc uint64
	n   uint
}

func (w *bitWriter) reset() { w.out, w.acc, w.n = w.out[:0], 0, 0 }

// put appends the low n bits of v, n at most 64; v has no others.
func (w *bitWriter) put(v uint64, n uint) {
	w.acc |= v << w.n
	if w.n+n < 64 {
		w.n += n
		return
	}
	w.out = binary.LittleEndian.AppendUint64(w.out, w.acc)
	used := 64 - w.n
	w.acc = v >> used // no bits left when used is 64: Go shifts to zero
	w.n = n - used
}

func (w *bitWriter) finish() []byte {
	for w.n > 0 {
		w.out = append(w.out, byte(w.acc))
		w.acc >>= 8
		w.n -= min(w.n, 8)
	}
	return w.out
}

// bitReader reads them back. Beyond the end it reads zeros and remembers so.
type bitReader struct {
	in   []byte // padded with 8 zero bytes
	size int    // without the padding
	pos  int
	acc  uint64
	n    uint
}

func (r *bitReader) reset(padded []byte) {
	*r = bitReader{in: padded, size: len(padded) - 8}
}

// fill makes at least 56 bits ready.
func (r *bitReader) fill() {
	if r.pos > r.size {
		r.pos += int(63-r.n) >> 3
		r.n |= 56
		return
	}
	r.acc |= binary.LittleEndian.Uint64(r.in[r.pos:]) << r.n
	r.pos += int(63-r.n) >> 3
	r.n |= 56
}

// get reads n bits, n at most 56.
func (r *bitReader) get(n uint) uint64 {
	if r.n < n {
		r.fill()
	}
	v := r.acc & (1<<n - 1)
	r.acc >>= n
	r.n -= n
	return v
}

func (r *bitReader) err() error {
	if r.pos*8-int(r.n) > r.size*8 {
		return errShort
	}
	return nil
}

// rice codes unsigned numbers of unknown and changing size: Golomb-Rice codes
// whose parameter follows the mean of what came before, and lengths of runs
// where nearly all are zero. Writer and reader keep the same state.
type rice struct {
	mean uint64 // 256 times the mean
	run  uint64 // the same, of lengths of runs
}

const (
	unaryMost = 16   // as many ones say: a length and the number as it is
	runBelow  = 64   // mean below a quarter: code runs of zeros
	meanMost  = 1e15 // keeps the arithmetic within 64 bits
)

func follow(mean *uint64, u uint64) {
	u = min(u, *mean>>4+64, meanMost) // one outlier must not spoil what follows
	*mean += u<<4 - *mean>>4
}

func parameter(mean uint64) uint {
	if mean < 512 {
		return 0
	}
	return uint(bits.Len64(mean>>8)) - 1
}

func writeRice(w *bitWriter, mean *uint64, u uint64) {
	k := parameter(*mean)
	if q := u >> k; q < unaryMost {
		w.put(1<<q-1, uint(q)+1)
		w.put(u&(1<<k-1), k)
	} else {
		w.put(1<<unaryMost-1, unaryMost)
		n := uint(bits.Len64(u))
		w.put(uint64(n), 7)
		w.put(u, n)
	}
	follow(mean, u)
}

func readRice(r *bitReader, mean *uint64) uint64 {
	k := parameter(*mean)
	if r.n < unaryMost {
		r.fill()
	}
	var u uint64
	if q := uint(bits.TrailingZeros64(^r.acc)); q < unaryMost {
		r.acc >>= q + 1
		r.n -= q + 1
		u = uint64(q)<<k | r.get(k)
	} else {
		r.acc >>= unaryMost
		r.n -= unaryMost
		n := uint(r.get(7))
		u = r.get(min(n, 32))
		if n > 32 {
			u |= r.get(min(n-32, 32)) << 32
		}
	}
	follow(mean, u)
	return u
}

func (s *rice) skip(zeros int) {
	for ; zeros > 0 && s.mean >= 16; zeros-- {
		s.mean -= s.mean >> 4
	}
}

func (s *rice) writeAll(w *bitWriter, us []uint64) {
	for i := 0; i < len(us); i++ {
		if s.mean < runBelow {
			zeros := 0
			for i+zeros < len(us) && us[i+zeros] == 0 {
				zeros++
			}
			writeRice(w, &s.run, uint64(zeros))
			s.skip(zeros)
			if i += zeros; i == len(us) {
				return
			}
			writeRice(w, &s.mean, us[i]-1)
			continue
		}
		writeRice(w, &s.mean, us[i])
	}
}

func (s *rice) readAll(r *bitReader, us []uint64) error {
	for i := 0; i < len(us); i++ {
		if s.mean < runBelow {
			zeros := readRice(r, &s.run)
			if zeros > uint64(len(us)-i) {
				return errors.New("a run goes beyond its column")
			}
			clear(us[i : i+int(zeros)])
			s.skip(int(zeros))
			if i += int(zeros); i == len(us) {
				break
			}
			us[i] = readRice(r, &s.mean) + 1
			continue
		}
		us[i] = readRice(r, &s.mean)
	}
	return r.err()
}
