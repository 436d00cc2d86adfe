package wire

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"yardtally/meter"
)

// AppendXDR appends readings as XDR sentences with CR LF, as many as they
// need, in their order; `pulses` and `uptime` stand side by side in one
// sentence. A talker is two capitals or digits, such as YX.
//
// ParseNMEA gives the same readings back, to the last bit, but for a pump
// speed that is no whole division by 60: that may differ in its last bit.
//
// It fails, appending nothing, on a talker that is none, on readings that
// could not be read back (see meter.Reading.Check), on a channel that XDR does
// not carry here (lat, lon, hdop, utc) and on a number too long for a sentence.
func AppendXDR(dst []byte, talk string, rs []meter.Reading) ([]byte, error) {
	if !talker(talk) {
		return dst, talkerError(talk)
	}
	if err := checkReadings(rs); err != nil {
		return dst, err
	}
	pair := -1 // the second of pulses and uptime, written with the first
	var first, second = -1, -1
	for i, r := range rs {
		if r.Channel == meter.Pulses || r.Channel == meter.Uptime {
			first, second = second, i
		}
	}
	if first >= 0 {
		pair = second
	}

	out := dst
	start := -1 // of the sentence being written; -1: none
	for i, r := range rs {
		if i == pair {
			continue
		}
		var tmp [2 * MaxSentence]byte
		q, err := appendQuadruplet(tmp[:0], r)
		if err == nil && i == first && pair >= 0 {
			q, err = appendQuadruplet(q, rs[pair])
		}
		if err != nil {
			return dst, err
		}
		const head, tail = len("$YXXDR"), len("*hh\r\n")
		if head+len(q)+tail > MaxSentence {
			return dst, fmt.Errorf("%s: must fit into %d characters, is %s", r.Channel, MaxSentence, q[1:])
		}
		if start >= 0 && len(out)-start+len(q)+tail > MaxSentence {
			out = closeSentence(out, start)
			start = -1
		}
		if start < 0 {
			start = len(out)
			out = append(append(append(out, '$'), talk...), "XDR"...)
		}
		out = append(out, q...)
	}
	return closeSentence(out, start), nil
}

func talkerError(talk string) error {
	return fmt.Errorf("talker: must be two capitals or digits, the first no P, is %s", show([]byte(talk)))
}

// appendQuadruplet appends a comma and type,value,unit,NAME.
func appendQuadruplet(dst []byte, r meter.Reading) ([]byte, error) {
	for i := range transducers {
		t := &transducers[i]
		if t.channel != r.Channel {
			continue
		}
		dst = append(dst, ',', t.kind, ',')
		if r.Channel == meter.Pump {
			dst = appendPlain(dst, revolutions(r.Value), 0)
		} else {
			dst = appendPlain(dst, r.Value, -t.shift)
		}
		dst = append(append(dst, ','), t.unit...)
		return append(append(dst, ','), t.name...), nil
	}
	return dst, fmt.Errorf("channel: must be one that XDR carries, is %s", r.Channel)
}

// revolutions returns the shortest decimal number that divided by 60 is v, or
// the nearest where none is.
func revolutions(v float64) float64 {
	x := v * perMinute
	var tmp [32]byte
	for digits := 1; digits < 17; digits++ {
		r, _ := strconv.ParseFloat(string(strconv.AppendFloat(tmp[:0], x, 'g', digits, 64)), 64)
		if r/perMinute == v {
			return r
		}
	}
	for _, r := range []float64{x, math.Nextafter(x, 0), math.Nextafter(x, math.Inf(1))} {
		if r/perMinute == v {
			return r
		}
	}
	return x
}

// closeSentence appends checksum and CR LF to the sentence that begins at start.
func closeSentence(dst []byte, start int) []byte {
	const digits = "0123456789ABCDEF"
	sum := byte(0)
	for _, c := range dst[start+1:] {
		sum ^= c
	}
	return append(dst, '*', digits[sum>>4], digits[sum&15], '\r', '\n')
}

// fix is what RMC and GGA can say.
type fix struct {
	lat, lon, hdop, utc          float64
	hasPosition, hasHDOP, hasUTC bool
}

// fixOf takes a position and a time from readings of only these channels.
func fixOf(talk string, rs []meter.Reading) (f fix, err error) {
	if !talker(talk) {
		return f, talkerError(talk)
	}
	if err := checkReadings(rs); err != nil {
		return f, err
	}
	hasLat, hasLon := false, false
	for _, r := range rs {
		switch r.Channel {
		case meter.Lat:
			f.lat, hasLat = r.Value, true
		case meter.Lon:
			f.lon, hasLon = r.Value, true
		case meter.HDOP:
			f.hdop, f.hasHDOP = r.Value, true
		case meter.UTC:
			f.utc, f.hasUTC = r.Value, true
		default:
			return f, fmt.Errorf("channel: must be lat, lon, hdop or utc, is %s", r.Channel)
		}
	}
	if hasLat != hasLon {
		return f, fmt.Errorf("position: must have lat and lon, has one of them")
	}
	f.hasPosition = hasLat
	return f, nil
}

// AppendRMC appends one RMC sentence with CR LF, of status A, from readings of
// lat and lon, utc, or all three; what is not there stays empty, and so do
// speed and track. ParseNMEA gives utc back to the last bit, and lat and lon
// where they came from a sentence; others are rounded to a billionth of a
// minute (2 µm).
//
// It fails, appending nothing, on a talker that is none, on other channels, on
// half a position, and on a time that two digits of the year cannot tell
// (before 1980 or after 2079).
func AppendRMC(dst []byte, talk string, rs []meter.Reading) ([]byte, error) {
	f, err := fixOf(talk, rs)
	if err != nil {
		return dst, err
	}
	if f.hasHDOP {
		return dst, fmt.Errorf("channel: must be one that RMC carries, is %s", meter.HDOP)
	}
	start := len(dst)
	out := append(append(append(dst, '$'), talk...), "RMC,"...)
	var t time.Time
	if f.hasUTC {
		if out, t, err = appendClock(out, f.utc); err != nil {
			return dst, err
		}
	}
	out = appendPosition(append(out, ",A,"...), f)
	out = append(out, ",,,"...)
	if f.hasUTC {
		y, m, d := t.Date()
		out = two(two(two(out, d), int(m)), y%100)
	}
	out = append(out, ",,,A"...)
	return closeSentence(out, start), nil
}

// AppendGGA appends one GGA sentence with CR LF, of quality 1, from readings of
// lat and lon, and hdop if there is one; what is not known stays empty. For
// exactness and failures see AppendRMC.
func AppendGGA(dst []byte, talk string, rs []meter.Reading) ([]byte, error) {
	f, err := fixOf(talk, rs)
	if err != nil {
		return dst, err
	}
	if !f.hasPosition {
		return dst, fmt.Errorf("position: must have lat and lon, has none")
	}
	if f.hasUTC {
		return dst, fmt.Errorf("channel: must be one that GGA carries (it has no date), is %s", meter.UTC)
	}
	start := len(dst)
	out := append(append(append(dst, '$'), talk...), "GGA,,"...)
	out = append(appendPosition(out, f), ",1,,"...)
	if f.hasHDOP {
		out = appendPlain(out, f.hdop, 0)
	}
	out = append(out, ",,M,,M,,"...)
	out = closeSentence(out, start)
	if n := len(out) - start; n > MaxSentence {
		return dst, fmt.Errorf("hdop: must fit into %d characters, sentence has %d", MaxSentence, n)
	}
	return out, nil
}

// appendClock appends hhmmss and the fraction of v, Unix seconds, and returns
// the whole second.
func appendClock(dst []byte, v float64) ([]byte, time.Time, error) {
	var tmp [400]byte
	b := strconv.AppendFloat(tmp[:0], v, 'f', -1, 64)
	whole := len(b)
	for i, c := range b {
		if c == '.' {
			whole = i
			break
		}
	}
	sec, _ := strconv.ParseInt(string(b[:whole]), 10, 64)
	t := time.Unix(sec, 0).UTC()
	if y := t.Year(); y < 1980 || y > 2079 {
		return dst, t, fmt.Errorf("utc: must be in the years 1980 to 2079, is %g s", v)
	}
	h, m, s := t.Clock()
	dst = two(two(two(dst, h), m), s)
	return append(dst, b[whole:]...), t, nil
}

// appendPosition appends latitude and longitude as four fields.
func appendPosition(dst []byte, f fix) []byte {
	if !f.hasPosition {
		return append(dst, ",,,"...)
	}
	dst = appendDegrees(dst, f.lat, 2, "NS")
	return appendDegrees(append(dst, ','), f.lon, 3, "EW")
}

func appendDegrees(dst []byte, v float64, w int, sides string) []byte {
	side := sides[0]
	if math.Signbit(v) {
		side = sides[1]
		v = -v
	}
	n := int64(math.Round(v * perDegree))
	d := int(n / perDegree)
	if w == 3 {
		dst = append(dst, byte('0'+d/100))
	}
	dst = two(dst, d%100)
	n %= perDegree
	dst = two(dst, int(n/perMinuteOfArc))
	dst = appendFraction(dst, uint64(n%perMinuteOfArc), 9, 5)
	return append(dst, ',', side)
}

// two appends a number of two digits.
func two(dst []byte, n int) []byte { return append(dst, byte('0'+n/10%10), byte('0'+n%10)) }
