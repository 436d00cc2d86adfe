package wire

import (
	"math"
	"strconv"
)

// Decimal text is shifted as text, never by a float multiplication, so that
// 1.86 bar is 186000 Pa to the last bit, and a Unix time in seconds keeps its
// nanoseconds (a float64 has steps of 240 ns there).

// plainNumber reads a decimal number without exponent, as NMEA 0183 writes
// them, and returns it times ten to the power of shift, rounded once.
func plainNumber(b []byte, shift int) (float64, bool) {
	digits, point := 0, false
	for i, c := range b {
		switch {
		case '0' <= c && c <= '9':
			digits++
		case c == '.' && !point:
			point = true
		case (c == '-' || c == '+') && i == 0:
		default:
			return 0, false
		}
	}
	if digits == 0 {
		return 0, false
	}
	var tmp [96]byte
	t := b
	if shift != 0 {
		t = append(append(tmp[:0], b...), 'e')
		t = strconv.AppendInt(t, int64(shift), 10)
	}
	v, err := strconv.ParseFloat(string(t), 64)
	return v, err == nil
}

// appendPlain appends v times ten to the power of shift, exactly: the shortest
// decimal text of v, its point moved, without exponent.
func appendPlain(dst []byte, v float64, shift int) []byte {
	if shift == 0 {
		return strconv.AppendFloat(dst, v, 'f', -1, 64)
	}
	var tmp [32]byte
	e := strconv.AppendFloat(tmp[:0], v, 'e', -1, 64) // -d.ddde±dd
	if e[0] == '-' {
		dst = append(dst, '-')
		e = e[1:]
	}
	var digits [24]byte
	n, exp := 0, 0
	for i, c := range e {
		if c == 'e' {
			exp, _ = strconv.Atoi(string(e[i+1:]))
			break
		}
		if c != '.' {
			digits[n] = c
			n++
		}
	}
	point := 1 + exp + shift // digits before the point
	if point <= 0 {
		dst = append(dst, '0', '.')
		for ; point < 0; point++ {
			dst = append(dst, '0')
		}
		return append(dst, digits[:n]...)
	}
	for i := 0; i < n || i < point; i++ {
		switch {
		case i >= n:
			dst = append(dst, '0')
			continue
		case i == point:
			dst = append(dst, '.')
		}
		dst = append(dst, digits[i])
	}
	return dst
}

// nanoseconds reads a JSON number of seconds as whole nanoseconds, rounded to
// the nearest (half away from zero). It fails where an int64 cannot hold them.
func nanoseconds(b []byte) (int64, bool) {
	neg := false
	if len(b) > 0 && b[0] == '-' {
		neg, b = true, b[1:]
	}
	// Where the exponent stands, and how many digits stand before the point.
	end, whole, exp := len(b), -1, 0
	for i, c := range b {
		if c == '.' {
			whole = i
		}
		if c == 'e' || c == 'E' {
			end = i
			exp = smallExponent(b[i+1:])
			break
		}
	}
	if whole < 0 {
		whole = end
	}
	keep := whole + exp + 9 // digits that make whole nanoseconds
	var ns int64
	i := 0
	for n := 0; n < keep; n++ {
		d := int64(0)
		if i < end && b[i] == '.' {
			i++
		}
		if i < end {
			d = int64(b[i] - '0')
			i++
		} else if ns == 0 {
			break // zeros for ever
		}
		if ns > (math.MaxInt64-d)/10 {
			return 0, false
		}
		ns = ns*10 + d
	}
	if i < end && b[i] == '.' {
		i++
	}
	if keep >= 0 && i < end && b[i] >= '5' {
		if ns == math.MaxInt64 {
			return 0, false
		}
		ns++
	}
	if neg {
		ns = -ns
	}
	return ns, true
}

// smallExponent reads an exponent, held within ±100,000: further out nothing
// that fits into a pack is anything but zero or far too large.
func smallExponent(b []byte) int {
	neg := false
	e := 0
	for _, c := range b {
		switch {
		case c == '-':
			neg = true
		case c != '+' && e < 100_000:
			e = e*10 + int(c-'0')
		}
	}
	e = min(e, 100_000)
	if neg {
		return -e
	}
	return e
}

// appendSeconds appends nanoseconds as seconds, exactly.
func appendSeconds(dst []byte, ns int64) []byte {
	u := uint64(ns)
	if ns < 0 {
		dst = append(dst, '-')
		u = -u
	}
	dst = strconv.AppendUint(dst, u/1e9, 10)
	return appendFraction(dst, u%1e9, 9, 0)
}

// appendFraction appends a point and f, a fraction in units of ten to the
// power of -digits, without trailing zeros but with at least least digits.
func appendFraction(dst []byte, f uint64, digits, least int) []byte {
	for digits > least && f%10 == 0 {
		f /= 10
		digits--
	}
	if digits == 0 {
		return dst
	}
	dst = append(dst, '.')
	at := len(dst)
	for range digits {
		dst = append(dst, '0')
	}
	for i := at + digits - 1; i >= at; i-- {
		dst[i] += byte(f % 10)
		f /= 10
	}
	return dst
}
