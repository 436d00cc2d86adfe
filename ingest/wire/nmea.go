package wire

import (
	"bytes"
	"math"
	"strconv"
	"time"

	"yardtally/meter"
)

// MaxSentence is the most characters of an NMEA 0183 sentence, $ and CR LF
// among them.
const MaxSentence = 82

// transducer says how a channel is written in an XDR quadruplet.
type transducer struct {
	name    string
	channel meter.Channel
	kind    byte   // transducer type
	unit    string // "" for a generic one
	shift   int    // wire value times ten to this power is the channel's; see also perMinute
}

// A transducer type or unit that is not in this table is not the channel's:
// guessing would make a wrong reading of a right one.
var transducers = []transducer{
	{"PULSES", meter.Pulses, 'G', "", 0},
	{"UPTIME", meter.Uptime, 'G', "", -3}, // ms
	{"BOOT", meter.Boot, 'G', "", 0},
	{"MARK", meter.Mark, 'G', "", 0},
	{"SKIP", meter.Skip, 'G', "", 0},
	{"HEADSPACE", meter.Headspace, 'D', "M", 0}, // m
	{"SYRUP", meter.Syrup, 'C', "C", 0},         // °C
	{"AIR", meter.Air, 'C', "C", 0},             // °C
	{"HEAD", meter.Head, 'P', "P", 0},           // Pa
	{"HEAD", meter.Head, 'P', "B", 5},           // bar
	{"LINE", meter.Line, 'P', "P", 0},           // Pa
	{"LINE", meter.Line, 'P', "B", 5},           // bar
	{"PUMP", meter.Pump, 'T', "R", 0},           // revolutions a minute
}

// perMinute is what T,R values are divided by to give 1/s.
const perMinute = 60

// ParseNMEA reads one line of NMEA 0183, with or without its CR LF: XDR of
// any talker, with the channels' names in capitals; position and time from
// RMC, position and dilution from GGA. The message has no times (Sent and Rel
// are 0) and no readings where none was good. It keeps no part of line.
//
// A receiver's position counts where it calls it valid and neither simulated
// nor typed in by hand: RMC status A with mode (if given) not N, S or M; GGA
// quality 1 to 6. The year of RMC has two digits: 80 to 99 are 1980 to 1999
// (GPS time begins in 1980), 00 to 79 are 2000 to 2079. UPTIME wraps at 2^32
// ms on this wire; that is left to the ledger.
func ParseNMEA(line []byte) (Message, []Drop) {
	body, bad := sentence(line)
	if bad != nil {
		return Message{}, []Drop{*bad}
	}
	address, fields, _ := bytes.Cut(body, comma)
	if len(address) != 5 || !talker(string(address[:2])) {
		return Message{}, []Drop{drop(NotOurs, "address %s", show(address))}
	}
	switch string(address[2:]) {
	case "XDR":
		return parseXDR(fields)
	case "RMC":
		return parseRMC(fields)
	case "GGA":
		return parseGGA(fields)
	}
	return Message{}, []Drop{drop(NotOurs, "address %s", show(address))}
}

var comma = []byte{','}

// talker reports whether s can be a talker: two capitals or digits. P begins
// the address of a maker's own sentence.
func talker(s string) bool {
	capital := func(c byte) bool { return 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' }
	return len(s) == 2 && capital(s[0]) && capital(s[1]) && s[0] != 'P'
}

// sentence returns what stands between $ and * of a good line.
func sentence(line []byte) ([]byte, *Drop) {
	fail := func(r Reason, format string, args ...any) ([]byte, *Drop) {
		d := drop(r, format, args...)
		return nil, &d
	}
	s := bytes.TrimSuffix(bytes.TrimSuffix(line, []byte{'\n'}), []byte{'\r'})
	n := len(s)
	if n > MaxSentence-2 {
		return fail(TooLong, "line: must be at most %d characters with CR LF, is %d: %s", MaxSentence, n+2, show(s))
	}
	if n == 0 || s[0] != '$' {
		return fail(NoStart, "line: must begin with $, is %s", show(s))
	}
	sum := byte(0)
	for i, c := range s {
		if c < 0x20 || c > 0x7e {
			return fail(Unprintable, "line: must be printable ASCII, byte %d is %02X: %s", i+1, c, show(s))
		}
		if i > 0 && i < n-3 {
			sum ^= c
		}
	}
	if n < 4 || s[n-3] != '*' {
		return fail(NoChecksum, "line: must end in * and two digits, is %s", show(s))
	}
	hi, ok1 := hexDigit(s[n-2])
	lo, ok2 := hexDigit(s[n-1])
	if !ok1 || !ok2 {
		return fail(NoChecksum, "checksum: must be two digits 0-9 A-F in capitals, is %s", show(s[n-2:]))
	}
	if hi<<4|lo != sum {
		return fail(BadChecksum, "checksum: must be %02X, is %s: %s", sum, s[n-2:], show(s))
	}
	return s[1 : n-3], nil
}

// hexDigit reads a hexadecimal digit. Small letters are refused: a flipped bit
// makes them of capitals.
func hexDigit(c byte) (byte, bool) {
	switch {
	case '0' <= c && c <= '9':
		return c - '0', true
	case 'A' <= c && c <= 'F':
		return c - 'A' + 10, true
	}
	return 0, false
}

func parseXDR(rest []byte) (Message, []Drop) {
	var m Message
	var drops []Drop
	var have seen
	m.Readings = make([]meter.Reading, 0, bytes.Count(rest, comma)/4+1)
	for at, more := 1, true; more; at++ {
		var q [4][]byte
		n := 0
		for n < 4 && more {
			q[n], rest, more = bytes.Cut(rest, comma)
			n++
		}
		if n < 4 {
			drops = append(drops, drop(BadField, "quadruplet %d: must have type, value, unit and name, has %d fields", at, n))
			break
		}
		r, bad := quadruplet(q)
		if bad == nil && !have.add(r.Channel) {
			bad = &Drop{Twice, string(q[3]) + ": must stand once in a sentence"}
		}
		if bad != nil {
			bad.Detail = "quadruplet " + strconv.Itoa(at) + ": " + bad.Detail
			drops = append(drops, *bad)
			continue
		}
		m.Readings = append(m.Readings, r)
	}
	return m, drops
}

func quadruplet(q [4][]byte) (meter.Reading, *Drop) {
	fail := func(r Reason, format string, args ...any) (meter.Reading, *Drop) {
		d := drop(r, format, args...)
		return meter.Reading{}, &d
	}
	kind, value, unit, name := q[0], q[1], q[2], q[3]
	known := false
	for i := range transducers {
		t := &transducers[i]
		if t.name != string(name) {
			continue
		}
		known = true
		if len(kind) != 1 || kind[0] != t.kind || string(unit) != t.unit {
			continue
		}
		v, ok := plainNumber(value, t.shift)
		if !ok {
			return fail(NotANumber, "%s: must be a decimal number, is %s", t.name, show(value))
		}
		if t.channel == meter.Pump {
			v /= perMinute
		}
		r := meter.Reading{Channel: t.channel, Value: v}
		if err := r.Check(); err != nil {
			return fail(Impossible, "%v (%s on the wire)", err, show(value))
		}
		return r, nil
	}
	if known {
		return fail(WrongUnit, "%s: type and unit must be the channel's, are %s and %s", name, show(kind), show(unit))
	}
	return fail(UnknownChannel, "name: must be a channel in capitals, is %s", show(name))
}

// fieldsOf cuts the fields of a sentence of fixed form; those not there are nil.
func fieldsOf(rest []byte) (f [14][]byte) {
	for i, more := 0, true; more && i < len(f); i++ {
		f[i], rest, more = bytes.Cut(rest, comma)
	}
	return f
}

// RMC: time, status, latitude, N/S, longitude, E/W, speed, track, date,
// variation, E/W, mode.
func parseRMC(rest []byte) (Message, []Drop) {
	f := fieldsOf(rest)
	mode := f[11]
	if string(f[1]) != "A" || len(mode) == 1 && bytes.IndexByte([]byte("NSM"), mode[0]) >= 0 {
		return Message{}, []Drop{drop(NoFix, "RMC: status must be A and mode not N, S or M, are %s and %s", show(f[1]), show(mode))}
	}
	rs := make([]meter.Reading, 0, 3)
	rs, drops := position(rs, f[2], f[3], f[4], f[5])
	if len(f[0]) > 0 || len(f[8]) > 0 {
		if v, ok := instant(f[0], f[8]); ok {
			rs = append(rs, meter.Reading{Channel: meter.UTC, Value: v})
		} else {
			drops = append(drops, drop(BadField, "time and date: must be hhmmss.ss and ddmmyy, are %s and %s", show(f[0]), show(f[8])))
		}
	}
	if len(rs) == 0 && drops == nil {
		drops = []Drop{drop(NoFix, "RMC: status is A, but position and time are empty")}
	}
	return Message{Readings: rs}, drops
}

// GGA: time, latitude, N/S, longitude, E/W, quality, satellites, dilution,
// altitude and others that are not ours.
func parseGGA(rest []byte) (Message, []Drop) {
	f := fieldsOf(rest)
	if q := f[5]; len(q) != 1 || q[0] < '1' || q[0] > '6' {
		return Message{}, []Drop{drop(NoFix, "GGA: quality must be 1 to 6, is %s", show(q))}
	}
	rs := make([]meter.Reading, 0, 3)
	rs, drops := position(rs, f[1], f[2], f[3], f[4])
	if len(rs) == 0 {
		if drops == nil {
			drops = []Drop{drop(NoFix, "GGA: quality is %s, but the position is empty", f[5])}
		}
		return Message{}, drops // a dilution of no position says nothing
	}
	if h := f[7]; len(h) > 0 {
		v, ok := plainNumber(h, 0)
		r := meter.Reading{Channel: meter.HDOP, Value: v}
		if !ok {
			drops = append(drops, drop(NotANumber, "dilution: must be a decimal number, is %s", show(h)))
		} else if err := r.Check(); err != nil {
			drops = append(drops, drop(Impossible, "%v", err))
		} else {
			rs = append(rs, r)
		}
	}
	return Message{Readings: rs}, drops
}

// position appends latitude and longitude, both or none.
func position(rs []meter.Reading, lat, ns, lon, ew []byte) ([]meter.Reading, []Drop) {
	if len(lat)+len(ns)+len(lon)+len(ew) == 0 {
		return rs, nil
	}
	la, ok := degrees(lat, ns, 2, 90, "NS")
	if !ok {
		return rs, []Drop{drop(BadField, "latitude: must be ddmm.mmmm,N or S up to 90 degrees, is %s,%s", show(lat), show(ns))}
	}
	lo, ok := degrees(lon, ew, 3, 180, "EW")
	if !ok {
		return rs, []Drop{drop(BadField, "longitude: must be dddmm.mmmm,E or W up to 180 degrees, is %s,%s", show(lon), show(ew))}
	}
	return append(rs, meter.Reading{Channel: meter.Lat, Value: la}, meter.Reading{Channel: meter.Lon, Value: lo}), nil
}

// Positions go through whole billionths of a minute (2 µm). There are at most
// 1.08e13 of them in 180 degrees, so both the count and a degree's 6e10 are
// exact as float64: one rounding on the way in, undone on the way out.
const (
	perMinuteOfArc = 1e9
	perDegree      = 60 * perMinuteOfArc
)

// degrees reads w digits of degrees, two of minutes and a fraction of minutes
// (digits beyond the ninth are left off), and a hemisphere, plus first.
func degrees(b, side []byte, w, most int, sides string) (float64, bool) {
	if len(b) < w+2 || len(side) != 1 || side[0] != sides[0] && side[0] != sides[1] {
		return 0, false
	}
	d, ok1 := wholeNumber(b[:w])
	m, ok2 := wholeNumber(b[w : w+2])
	frac, ok3 := fraction(b[w+2:])
	if !ok1 || !ok2 || !ok3 || m > 59 {
		return 0, false
	}
	n := int64(d)*perDegree + int64(m)*perMinuteOfArc + frac
	if n > int64(most)*perDegree {
		return 0, false
	}
	v := float64(n) / perDegree
	if side[0] == sides[1] {
		v = -v
	}
	return v, true
}

// wholeNumber reads digits; there must be few.
func wholeNumber(b []byte) (int, bool) {
	n := 0
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, len(b) > 0
}

// fraction reads nothing, or a point and digits, as billionths.
func fraction(b []byte) (int64, bool) {
	if len(b) == 0 {
		return 0, true
	}
	if b[0] != '.' {
		return 0, false
	}
	n, digits := int64(0), 0
	for _, c := range b[1:] {
		if c < '0' || c > '9' {
			return 0, false
		}
		if digits < 9 {
			n = n*10 + int64(c-'0')
			digits++
		}
	}
	for ; digits < 9; digits++ {
		n *= 10
	}
	return n, true
}

// instant reads hhmmss.ss and ddmmyy as Unix seconds.
func instant(clock, date []byte) (float64, bool) {
	if len(clock) < 6 || len(date) != 6 {
		return 0, false
	}
	var n [6]int
	for i := range n {
		from := clock
		if i >= 3 {
			from = date[:6:6]
		}
		var ok bool
		if n[i], ok = wholeNumber(from[i%3*2 : i%3*2+2]); !ok {
			return 0, false
		}
	}
	frac, ok := fraction(clock[6:])
	h, mi, s, day, month, year := n[0], n[1], n[2], n[3], n[4], n[5]
	leap := h == 23 && mi == 59 && s == 60
	if !ok || h > 23 || mi > 59 || s > 59 && !leap || month < 1 || month > 12 {
		return 0, false
	}
	year += 2000
	if year >= 2080 {
		year -= 100
	}
	t := time.Date(year, time.Month(month), day, h, mi, 0, 0, time.UTC)
	if t.Day() != day || day == 0 {
		return 0, false
	}
	// As decimal text, so that the number printed is the number read.
	var tmp [32]byte
	b := strconv.AppendInt(tmp[:0], t.Unix()+int64(s), 10)
	b = appendFraction(b, uint64(frac), 9, 0)
	v, err := strconv.ParseFloat(string(b), 64)
	if next := float64(t.Unix() + int64(s) + 1); v >= next {
		v = math.Nextafter(next, 0) // never rounded into the next second, and so the next century
	}
	return v, err == nil
}
