package wire

import (
	"bytes"
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"unicode/utf8"

	"yardtally/meter"
)

// A pack beyond these is not of a rig, and is dropped whole.
const (
	MaxPack    = 64 << 10 // bytes
	MaxRecords = 1000
)

// senmlVersion is the version of RFC 8428, and the one meant where none is given.
const senmlVersion = 10

// absolute is the least Unix time, ns, that is not relative to now
// (RFC 8428 section 4.5.3).
const absolute = 1 << 28 * 1_000_000_000

// ParsePack reads one SenML pack (RFC 8428, JSON) of a rig: one message for
// each instant that records of the pack name, in order of time, those without
// an absolute time last. With rig "" it takes the rig of the first good name.
// It keeps no part of data.
//
// Base fields hold from their record on, also where that record is dropped.
// A record is taken in where its name is rig/channel, its unit the channel's
// (for the pump, 1/min too) and it has one value, a number; sums and update
// times are not used. It is dropped, and the rest kept, otherwise; the reasons
// say why. Where a base field itself is wrong, all records that rest on it are
// dropped. Where the RFC leaves a choice:
//
//   - Labels are exact: "V" is not "v".
//   - An unknown label ending in _ must be an error (section 4.4). The error
//     costs its record; and where the label begins with b, as base fields do
//     (section 4.6), all that follow, for it might change them.
//   - A time to come (above 0 and below 2^28 s, section 4.5.3) is for setting
//     things off. What was measured was measured by the time it arrived, so
//     the reading is taken as of its arrival.
//   - A record without unit is allowed, its meaning left to the context; here
//     it is dropped, since no guess is worth a wrong volume.
//   - Packs of versions below 10 are read (the RFC's own examples say 5);
//     above 10, or of two versions, a pack is dropped (section 4.4).
//   - "E" in numbers is read, though only "e" may be written (section 5).
func ParsePack(data []byte, rig string) ([]Message, []Drop) {
	p := pack{rig: []byte(rig)}
	p.parse(data)
	return p.messages, p.drops
}

// field numbers the labels known here.
type field uint8

const (
	fBN field = iota
	fBT
	fBU
	fBV
	fBS
	fBVER
	fN
	fU
	fV
	fVS
	fVB
	fVD
	fS
	fT
	fUT
	unknownBase // any b..._
	fields
)

// labels and the first letter of their JSON type: string, number, boolean.
var labels = [fields]struct {
	name string
	kind byte
}{
	fBN: {"bn", 's'}, fBT: {"bt", 'n'}, fBU: {"bu", 's'}, fBV: {"bv", 'n'}, fBS: {"bs", 'n'}, fBVER: {"bver", 'n'},
	fN: {"n", 's'}, fU: {"u", 's'}, fV: {"v", 'n'}, fVS: {"vs", 's'}, fVB: {"vb", 'b'}, fVD: {"vd", 's'},
	fS: {"s", 'n'}, fT: {"t", 'n'}, fUT: {"ut", 'n'}, unknownBase: {"b..._", 0},
}

var typeNames = map[byte]string{'s': "a string", 'n': "a number", 'b': "true or false"}

func fieldOf(label []byte) (field, bool) {
	for f := fBN; f < unknownBase; f++ {
		if labels[f].name == string(label) {
			return f, true
		}
	}
	return 0, false
}

type fieldSet uint32

func (s fieldSet) has(f field) bool { return s&(1<<f) != 0 }

// pack is the state of reading one.
type pack struct {
	rig      []byte
	messages []Message
	drops    []Drop

	have   []seen // beside messages
	last   int    // the message that took the newest reading
	room   int    // readings to expect
	record int    // number of the record, from 1

	baseName, baseUnit []byte
	baseTime           int64 // ns
	baseValue          float64
	hasBaseValue       bool
	version            float64
	spoilt             fieldSet // base fields that were given wrongly

	// export, where it is not nil, takes the x- labels of the first record.
	export *export
	// told, where it is not nil, takes records as results; see ParseResults.
	told *[]Result
}

func (p *pack) drop(r Reason, format string, args ...any) {
	d := drop(r, format, args...)
	if p.record > 0 {
		d.Detail = "record " + strconv.Itoa(p.record) + ": " + d.Detail
	}
	p.drops = append(p.drops, d)
}

// whole drops the pack as a whole.
func (p *pack) whole(r Reason, format string, args ...any) {
	p.messages, p.drops, p.record = nil, nil, 0
	if p.told != nil {
		*p.told = nil
	}
	p.drop(r, format, args...)
}

func (p *pack) parse(data []byte) {
	switch {
	case len(data) > MaxPack:
		p.whole(TooBig, "pack: must be at most %d bytes, is %d", MaxPack, len(data))
		return
	case !utf8.Valid(data) || !json.Valid(data):
		p.whole(NotJSON, "pack: must be JSON in UTF-8, is %s", show(data))
		return
	}
	sc := scan{b: data}
	if sc.space() != '[' {
		p.whole(NotJSON, "pack: must be an array, is %s", show(data))
		return
	}
	p.room = min(bytes.Count(data, []byte{'{'}), int(meter.LastChannel))
	p.version = senmlVersion
	sc.i++
	for sc.element() {
		p.record++
		if p.record > MaxRecords {
			p.whole(TooBig, "pack: must be at most %d records, is more", MaxRecords)
			return
		}
		if !p.one(&sc) {
			return
		}
	}
	if p.record == 0 {
		p.whole(NotJSON, "pack: must hold a record, holds none")
		return
	}
	before := func(a, b Message) int {
		switch {
		case a.Sent != 0 && b.Sent == 0 || a.Sent < b.Sent && a.Sent != 0:
			return -1
		case a.Sent == b.Sent && a.Rel < b.Rel:
			return -1
		case a.Sent == b.Sent && a.Rel == b.Rel:
			return 0
		}
		return 1
	}
	if !slices.IsSortedFunc(p.messages, before) {
		slices.SortFunc(p.messages, before) // no two are equal
	}
}

// rec is one record as it stands.
type rec struct {
	has              fieldSet
	name, unit       []byte
	text             []byte // vs as it stands
	baseName, bUnit  []byte
	value, baseValue float64
	time, baseTime   int64
	version          float64

	reason Reason // of the first fault; "" for none
	label  []byte
	rule   string
	raw    []byte
	bad    fieldSet // fields that are there and wrong
}

func (r *rec) fail(reason Reason, label []byte, rule string, raw []byte) {
	if r.reason == "" {
		r.reason, r.label, r.rule, r.raw = reason, label, rule, raw
	}
}

// one reads one record; false where the pack is done for.
func (p *pack) one(sc *scan) bool {
	if sc.b[sc.i] != '{' {
		raw, deep := sc.skip()
		if deep+1 > MaxDepth {
			p.whole(TooDeep, "pack: must nest at most %d deep, nests %d", MaxDepth, deep+1)
			return false
		}
		p.drop(BadRecord, "must be an object, is %s", show(raw))
		return true
	}
	sc.i++
	var r rec
	for {
		label, more := sc.label()
		if !more {
			break
		}
		raw, deep := sc.skip()
		if deep+2 > MaxDepth {
			p.whole(TooDeep, "pack: must nest at most %d deep, nests %d", MaxDepth, deep+2)
			return false
		}
		f, known := fieldOf(label)
		switch {
		case known:
			r.take(f, label, raw)
		case len(label) > 0 && label[len(label)-1] == '_':
			r.fail(Mandatory, label, "must be understood, is not known here: value", raw)
			if label[0] == 'b' {
				r.bad |= 1 << unknownBase
			}
		case p.export != nil && p.record == 1:
			p.export.take(label, raw)
		}
	}
	if !p.versionHolds(&r) {
		return false
	}
	p.rebase(&r)
	if r.reason != "" {
		p.drop(r.reason, "%s: %s, is %s", show(r.label), r.rule, show(r.raw))
		return true
	}
	rest := p.spoilt
	if r.has.has(fU) {
		rest &^= 1 << fBU
	}
	if rest != 0 {
		for f := range fields {
			if rest.has(f) {
				p.drop(SpoiltBase, "%s: was wrong in an earlier record, and holds for this one", labels[f].name)
				return true
			}
		}
	}
	if p.told != nil {
		p.result(&r)
	} else {
		p.reading(&r)
	}
	return true
}

// take takes a known field.
func (r *rec) take(f field, label, raw []byte) {
	if r.has.has(f) {
		r.bad |= 1 << f
		r.fail(BadRecord, label, "must stand once in a record", raw)
		return
	}
	r.has |= 1 << f
	ok := false
	switch labels[f].kind {
	case 's':
		ok = raw[0] == '"'
	case 'n':
		ok = isNumber(raw)
	case 'b':
		ok = raw[0] == 't' || raw[0] == 'f'
	}
	if !ok {
		r.bad |= 1 << f
		r.fail(BadRecord, label, "must be "+typeNames[labels[f].kind], raw)
		return
	}
	var err error
	switch f {
	case fBN:
		r.baseName = unquote(raw)
	case fBU:
		r.bUnit = unquote(raw)
	case fN:
		r.name = unquote(raw)
	case fU:
		r.unit = unquote(raw)
	case fVS:
		r.text = raw
	case fV:
		r.value, err = strconv.ParseFloat(string(raw), 64)
	case fBV:
		r.baseValue, err = strconv.ParseFloat(string(raw), 64)
	case fBVER:
		r.version, err = strconv.ParseFloat(string(raw), 64)
	case fT:
		r.time, ok = nanoseconds(raw)
	case fBT:
		r.baseTime, ok = nanoseconds(raw)
	}
	if err != nil {
		r.bad |= 1 << f
		r.fail(Impossible, label, "must be a number that a float64 can hold", raw)
	}
	if !ok {
		r.bad |= 1 << f
		r.fail(BadTime, label, "must be within 292 years of 1970", raw)
	}
}

// versionHolds keeps the rule that a pack has one version, and one that is
// understood (RFC 8428 section 4.4).
func (p *pack) versionHolds(r *rec) bool {
	if !r.has.has(fBVER) {
		return true
	}
	ver := r.version
	if r.bad.has(fBVER) || ver < 1 || ver > senmlVersion || ver != float64(int(ver)) {
		p.whole(BadVersion, "bver: must be a version from 1 to %d, is %v", senmlVersion, ver)
		return false
	}
	if p.record == 1 {
		p.version = ver
	}
	if ver != p.version {
		p.whole(BadVersion, "bver: must be the same in a pack, is %v and %v", p.version, ver)
		return false
	}
	return true
}

// rebase takes over a record's base fields.
func (p *pack) rebase(r *rec) {
	const bases = 1<<fBN | 1<<fBT | 1<<fBU | 1<<fBV
	p.spoilt &^= r.has & bases
	p.spoilt |= r.bad & (bases | 1<<unknownBase)
	if r.has.has(fBN) {
		p.baseName = r.baseName
	}
	if r.has.has(fBU) {
		p.baseUnit = r.bUnit
	}
	if r.has.has(fBT) {
		p.baseTime = r.baseTime
	}
	if r.has.has(fBV) {
		p.baseValue, p.hasBaseValue = r.baseValue, true
	}
}

// maxName is how long a record's name may be, base name and all.
const maxName = 128

// name puts a record's name together in tmp, and returns it and what of it comes
// after the rig's; false, and dropped, where it is not of the pack's rig. A
// result's name may be of several parts.
func (p *pack) name(r *rec, tmp []byte, parts bool) (name, rest []byte, ok bool) {
	name = append(append(tmp, p.baseName...), r.name...)
	slash := bytes.LastIndexByte(name, '/')
	if parts {
		slash = bytes.IndexByte(name, '/')
	}
	ok = slash > 0 && len(name) <= maxName && alnum(name[0])
	for _, c := range name {
		ok = ok && nameByte(c)
	}
	if !ok {
		p.drop(BadName, "name: must be rig/channel of letters, digits and - : . _, is %s", show(name))
		return nil, nil, false
	}
	rig := name[:slash]
	if len(p.rig) == 0 && CheckRig(string(rig)) == nil {
		p.rig = bytes.Clone(rig)
	}
	if !bytes.Equal(rig, p.rig) {
		p.drop(OtherRig, "name: must begin with %s/, is %s", p.rig, show(name))
		return nil, nil, false
	}
	return name, name[slash+1:], true
}

// reading turns a well-formed record into a reading.
func (p *pack) reading(r *rec) {
	var tmp [maxName]byte
	name, ch, ok := p.name(r, tmp[:0], false)
	if !ok {
		return
	}
	c, ok := meter.ParseChannel(string(ch))
	if !ok {
		p.drop(UnknownChannel, "name: must end in a channel, is %s", show(name))
		return
	}
	unit := p.baseUnit
	if r.has.has(fU) {
		unit = r.unit
	}
	perMin := c == meter.Pump && string(unit) == "1/min"
	if string(unit) != c.Unit() && !perMin {
		p.drop(WrongUnit, "%s: unit must be %s, is %s", c, c.Unit(), show(unit))
		return
	}
	const values = 1<<fV | 1<<fVS | 1<<fVB | 1<<fVD
	if r.has&values != 1<<fV {
		what := "none or a sum"
		if r.has&values != 0 {
			what = "of another kind or several"
		}
		p.drop(NotANumber, "%s: must have one value, v, has %s", c, what)
		return
	}
	x := meter.Reading{Channel: c, Value: r.value}
	if p.hasBaseValue {
		x.Value += p.baseValue
	}
	if perMin {
		x.Value /= perMinute
	}
	if err := x.Check(); err != nil {
		p.drop(Impossible, "%v", err)
		return
	}
	at := p.baseTime + r.time
	if (at > p.baseTime) != (r.time > 0) || at == math.MinInt64 {
		p.drop(BadTime, "%s: bt and t together must be within 292 years of 1970", c)
		return
	}
	p.keep(x, at)
}

// keep adds a reading to the message of its instant.
func (p *pack) keep(x meter.Reading, at int64) {
	m := Message{Rel: min(at, 0)}
	if at >= absolute || p.export != nil && at > 0 { // in a recording: a clock that began in 1970
		m = Message{Sent: at}
	}
	i := p.last
	if i >= len(p.messages) || p.messages[i].Sent != m.Sent || p.messages[i].Rel != m.Rel {
		i = slices.IndexFunc(p.messages, func(o Message) bool { return o.Sent == m.Sent && o.Rel == m.Rel })
	}
	if i < 0 {
		i = len(p.messages)
		if i == 0 {
			m.Readings = make([]meter.Reading, 0, p.room)
		}
		p.messages = append(p.messages, m)
		p.have = append(p.have, 0)
	}
	p.last = i
	if !p.have[i].add(x.Channel) {
		p.drop(Twice, "%s: must stand once an instant, again with value %v", x.Channel, x.Value)
		return
	}
	p.messages[i].Readings = append(p.messages[i].Readings, x)
}
