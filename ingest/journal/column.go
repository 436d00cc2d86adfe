package journal

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"
	"slices"
)

// A column is a row of whole numbers. It is kept as
//
//	x[i] = x[0] + g·y[i]           g: what all differences have in common
//
// and y as what is left after a guess from the one or two before it. Where it
// helps, another column is subtracted first. All arithmetic wraps at 2^64, so
// every int64 comes back as it was.

// orders of the guess, kept on disk
const (
	orderNone   = 0 // bias
	orderSame   = 1 // as the one before, plus bias
	orderLine   = 2 // on the line through the two before; bias is the first step
	minusRef    = 4 // flag: the reference column was subtracted
	orderBits   = 3
	columnFlags = minusRef | orderBits
)

func zigzag(v int64) uint64   { return uint64(v)<<1 ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// scratch is what encoding needs again and again.
type scratch struct {
	bits   bitWriter
	y, z   []int64
	sample []int64
	us     []uint64
}

// column writes xs: its head to head, its numbers to s.bits. With ref, of
// the same length, it may subtract ref first.
func (s *scratch) column(head []byte, xs, ref []int64) []byte {
	flags, cost := s.shape(xs)
	base, g, bias := xs[0], s.y[0], s.sample[0]
	if ref != nil {
		s.z = s.z[:0]
		for i, x := range xs {
			s.z = append(s.z, x-ref[i])
		}
		diff := s.z
		f2, c2 := s.shape(diff)
		if c2 < cost {
			flags, base, g, bias, xs = f2|minusRef, diff[0], s.y[0], s.sample[0], diff
		}
	}
	head = append(head, flags)
	head = binary.AppendVarint(head, base)
	head = binary.AppendUvarint(head, uint64(g))
	head = binary.AppendVarint(head, bias)
	s.us = s.us[:0]
	var last, step int64
	if flags&orderBits == orderLine {
		step = bias
	}
	for _, x := range xs[1:] {
		y := (x - base) / g
		s.us = append(s.us, zigzag(residual(flags&orderBits, y, last, step, bias)))
		step = y - last
		last = y
	}
	var r rice
	if len(s.us) > 0 {
		first := uint64(0)
		for _, u := range s.us[:min(len(s.us), 16)] {
			first = max(first, u)
		}
		r.mean = min(first, meanMost) << 8 >> 1
		head = binary.AppendUvarint(head, r.mean>>7)
		r.mean = r.mean >> 7 << 7
		r.writeAll(&s.bits, s.us)
	}
	return head
}

func residual(order byte, y, last, step, bias int64) int64 {
	switch order {
	case orderSame:
		return y - last - bias
	case orderLine:
		return y - last - step
	}
	return y - bias
}

// shape finds how xs is best written. It leaves g in s.y[0] and the bias in
// s.sample[0], and returns the order and about how many bits that takes.
func (s *scratch) shape(xs []int64) (order byte, cost int) {
	var g uint64
	for _, x := range xs[1:] {
		d := x - xs[0]
		if d < 0 {
			d = -d
		}
		if g = gcd(g, uint64(d)); g == 1 {
			break
		}
	}
	if g == 0 || g > 1<<62 {
		g = 1
	}
	var biases [3]int64
	every := len(xs)/256 + 1
	for order := range byte(2) {
		s.sample = s.sample[:0]
		for i := 1; i < len(xs); i += every {
			from := xs[0]
			if order == orderSame {
				from = xs[i-1]
			}
			s.sample = append(s.sample, (xs[i]-from)/int64(g))
		}
		if len(s.sample) > 0 {
			slices.Sort(s.sample)
			biases[order] = s.sample[len(s.sample)/2]
		}
	}
	if len(xs) > 1 {
		biases[orderLine] = (xs[1] - xs[0]) / int64(g)
	}
	var costs [3]int
	var last int64
	step := biases[orderLine]
	for _, x := range xs[1:] {
		y := (x - xs[0]) / int64(g)
		for order := range byte(3) {
			costs[order] += bits.Len64(zigzag(residual(order, y, last, step, biases[order])))
		}
		step = y - last
		last = y
	}
	best := byte(orderSame)
	for order := range byte(3) {
		if costs[order] < costs[best] {
			best = order
		}
	}
	s.y = append(s.y[:0], int64(g))
	s.sample = append(s.sample[:0], biases[best])
	return best, costs[best]
}

func gcd(a, b uint64) uint64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// readColumn reads len(xs) numbers. It returns what is left of head.
func readColumn(head []byte, r *bitReader, xs []int64, us []uint64, ref []int64) ([]byte, error) {
	h := headReader{b: head}
	flags := h.byte()
	base, g, bias := h.varint(), int64(h.uvarint()), h.varint()
	n := len(xs)
	var state rice
	if n > 1 {
		mean := h.uvarint()
		if mean > meanMost<<1 {
			return nil, errors.New("a column's mean is out of range")
		}
		state.mean = mean << 7
	}
	if h.err != nil {
		return nil, h.err
	}
	if flags&^columnFlags != 0 || flags&orderBits > orderLine || flags&minusRef != 0 && ref == nil {
		return nil, errors.New("a column is coded in an unknown way")
	}
	us = us[:n-1]
	if err := state.readAll(r, us); err != nil {
		return nil, err
	}
	xs[0] = base
	var y int64
	switch flags & orderBits {
	case orderNone:
		for i, u := range us {
			xs[i+1] = base + g*(unzigzag(u)+bias)
		}
	case orderSame:
		for i, u := range us {
			y += unzigzag(u) + bias
			xs[i+1] = base + g*y
		}
	case orderLine:
		step := bias
		for i, u := range us {
			step += unzigzag(u)
			y += step
			xs[i+1] = base + g*y
		}
	}
	if flags&minusRef != 0 {
		for i := range xs {
			xs[i] += ref[i]
		}
	}
	return h.b, nil
}

// Values are kept as whole numbers over a divisor where that gives back every
// bit of every one of them, else as their bit patterns.

const (
	sixths   = 32  // divisor 6·10^(scale-32): minutes of arc as degrees
	patterns = 255 // no divisor: bit patterns
	mostTens = 15
)

func divisor(scale byte) (float64, bool) {
	switch {
	case scale <= mostTens:
		return pow10[scale], true
	case scale >= sixths && scale <= sixths+mostTens:
		return 6 * pow10[scale-sixths], true
	}
	return 0, false
}

var pow10 = [mostTens + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// wholes fills xs with the values' whole numbers and returns their scale.
func wholes(xs []int64, vs []float64) byte {
	for tens := byte(0); tens <= mostTens; tens++ {
		for _, scale := range [...]byte{tens, sixths + tens} {
			if wholesAt(xs, vs, scale) {
				return scale
			}
		}
	}
	for i, v := range vs {
		// In this order, neighbouring floats are neighbouring numbers.
		b := int64(math.Float64bits(v))
		xs[i] = b ^ int64(uint64(b>>63)>>1)
	}
	return patterns
}

func wholesAt(xs []int64, vs []float64, scale byte) bool {
	d, _ := divisor(scale)
	for i, v := range vs {
		m := math.Round(v * d)
		if !(m >= -1<<53 && m <= 1<<53) || math.Float64bits(m/d) != math.Float64bits(v) || m == 0 && math.Signbit(m) {
			return false
		}
		xs[i] = int64(m)
	}
	return true
}

// values turns whole numbers back.
func values(vs []float64, xs []int64, scale byte) error {
	if scale == patterns {
		for i, b := range xs {
			vs[i] = math.Float64frombits(uint64(b ^ int64(uint64(b>>63)>>1)))
		}
		return nil
	}
	d, ok := divisor(scale)
	if !ok {
		return errors.New("a column's scale is unknown")
	}
	for i, x := range xs {
		vs[i] = float64(x) / d
	}
	return nil
}

// headReader reads the numbers at the head of a block.
type headReader struct {
	b   []byte
	err error
}

func (h *headReader) uvarint() uint64 {
	v, n := binary.Uvarint(h.b)
	if n <= 0 {
		h.b, h.err = nil, errShort
		return 0
	}
	h.b = h.b[n:]
	return v
}

func (h *headReader) varint() int64 { return unzigzag(h.uvarint()) }

func (h *headReader) byte() byte {
	if len(h.b) == 0 {
		h.err = errShort
		return 0
	}
	v := h.b[0]
	h.b = h.b[1:]
	return v
}

func (h *headReader) bytes(n uint64) []byte {
	if n > uint64(len(h.b)) {
		h.b, h.err = nil, errShort
		return nil
	}
	v := h.b[:n]
	h.b = h.b[n:]
	return v
}
