package wire

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"unicode/utf8"

	"yardtally/meter"
	"yardtally/meter/act"
)

// MaxLine is the most bytes of a line of a recording, its end included. A pack
// in it keeps to MaxPack.
const MaxLine = 1 << 20

// Kind is what a line of a recording holds.
type Kind uint8

// Kinds of lines.
const (
	Nothing  Kind = iota // nothing that can be used; the drops say why
	Skip                 // empty, or a comment
	Observed             // a plain pack: Records, with Sent
	Kept                 // a record as a journal kept it: one of Records, and BootID
	Said                 // an act: Act
)

// Entry is one line of a recording.
type Entry struct {
	Kind   Kind
	Rig    string // of Observed, Kept and Said
	BootID string // Kept: names the boot whose clock Mono is of, in the journal it comes from

	// Observed: one for each instant, with Sent and Readings. Kept: one, all as
	// it was kept but for Boot, which is the number of BootID in the journal
	// that takes it in.
	Records []meter.Record
	Act     act.Act
}

// ParseLine reads one line of a recording, with or without its line end. With
// rig "" it takes the rig that the line names; else what is of another rig is
// dropped. It keeps no part of line.
//
// In a plain pack a time relative to now (which also no time is) drops its
// readings: when a recording was made is not known. A time to come cannot be
// meant by what was recorded: above 0 and below 2^28 s it is taken for that of
// a clock that was never set and began in 1970. The line of a kept record
// is dropped as a whole where what rebuilds it is not all there, or where it
// holds more than one instant; a reading in it that is dropped leaves the rest.
func ParseLine(line []byte, rig string) (Entry, []Drop) {
	fail := func(r Reason, format string, args ...any) (Entry, []Drop) {
		return Entry{}, []Drop{drop(r, format, args...)}
	}
	if len(line) > MaxLine {
		return fail(TooBig, "line: must be at most %d bytes, is %d", MaxLine, len(line))
	}
	s := bytes.Trim(line, " \t\r\n")
	switch {
	case len(s) == 0 || s[0] == '#':
		return Entry{Kind: Skip}, nil
	case s[0] == '[':
		return parsePackLine(s, rig)
	case s[0] == '{':
		return parseAct(s, rig)
	}
	return fail(UnknownLine, "line: must begin with [, { or #, is %s", show(s))
}

func parsePackLine(s []byte, rig string) (Entry, []Drop) {
	var x export
	p := pack{rig: []byte(rig), export: &x}
	p.parse(s)
	if x.have != 0 {
		return x.entry(&p)
	}
	e := Entry{Kind: Observed, Rig: string(p.rig)}
	for i := range p.messages {
		m := &p.messages[i]
		if m.Sent == 0 {
			p.record = 0
			p.drop(RelativeTime, "time: must be absolute (2^28 s or more) in a recording, is %s s; %d readings",
				appendSeconds(nil, m.Rel), len(m.Readings))
			continue
		}
		if e.Records == nil {
			e.Records = make([]meter.Record, 0, len(p.messages))
		}
		e.Records = append(e.Records, meter.Record{Sent: m.Sent, Readings: m.Readings})
	}
	if len(e.Records) == 0 {
		return Entry{}, p.drops
	}
	return e, p.drops
}

// export is what the first record of a kept record's line carries besides.
// Numbers are written as JSON strings, so that a tool that holds numbers as
// float64 passes them on as they are (RFC 8259 section 6); both are read.
type export struct {
	rec    meter.Record
	bootID string
	have   uint8
	bad    *Drop
}

// The labels of a kept record.
var exportLabels = [...]string{"x-seq", "x-boot", "x-mono", "x-wall", "x-rel", "x-sent", "x-src"}

// needed are the first four; a missing one of the others is zero or empty.
const needed = 0b1111

func (x *export) take(label, raw []byte) {
	i := 0
	for i < len(exportLabels) && exportLabels[i] != string(label) {
		i++
	}
	if i == len(exportLabels) {
		return
	}
	rule := ""
	if x.have&(1<<i) != 0 {
		rule = "must stand once"
	}
	x.have |= 1 << i
	text := raw
	if raw[0] == '"' {
		text = unquote(raw)
	}
	var err error
	switch i {
	case 0:
		x.rec.Seq, err = strconv.ParseUint(string(text), 10, 64)
	case 1, 6:
		if raw[0] != '"' || len(text) > maxID || i == 1 && len(text) == 0 {
			rule = fmt.Sprintf("must be a string of at most %d bytes", maxID)
		} else if i == 1 {
			x.bootID = string(text)
		} else {
			x.rec.Source = string(text)
		}
	default:
		at := [...]*int64{&x.rec.Mono, &x.rec.Wall, &x.rec.Rel, &x.rec.Sent}[i-2]
		*at, err = strconv.ParseInt(string(text), 10, 64)
		if err == nil && at == &x.rec.Rel && *at > 0 {
			rule = "must be 0 or before"
		}
	}
	if err != nil {
		rule = "must be a whole number of 64 bits"
	}
	if rule != "" && x.bad == nil {
		d := drop(BadExport, "%s: %s, is %s", label, rule, show(raw))
		x.bad = &d
	}
}

func (x *export) entry(p *pack) (Entry, []Drop) {
	for i, name := range exportLabels {
		if x.bad == nil && needed&(1<<i) != 0 && x.have&(1<<i) == 0 {
			d := drop(BadExport, "%s: must be there beside other x- labels, is not", name)
			x.bad = &d
		}
	}
	if n := len(p.messages); x.bad == nil && n > 1 {
		d := drop(BadExport, "time: must be one instant in a kept record, are %d", n)
		x.bad = &d
	}
	if x.bad != nil {
		return Entry{}, append(p.drops, *x.bad)
	}
	if len(p.messages) == 0 {
		return Entry{}, p.drops
	}
	x.rec.Readings = p.messages[0].Readings
	return Entry{Kind: Kept, Rig: string(p.rig), BootID: x.bootID, Records: []meter.Record{x.rec}}, p.drops
}

// maxID is the most bytes of a boot's id and of a source's name.
const maxID = 200

// AppendRecord appends a kept record as one line, with its end: a SenML pack
// with an absolute time that says all that ParseLine needs to give the same
// record back, but for Boot, for which bootID stands.
//
// The pack's own time, for readers that know only SenML, is Sent, else Wall
// plus Rel; where that is before 2^28 s (a clock that was never set) it is
// 2^28 s, since less would mean "relative to now".
//
// It fails, appending nothing, on a rig that is none (see CheckRig), on
// readings that could not be read back (see meter.Reading.Check), on a Rel
// above 0, and on a bootID or source that is not UTF-8 of at most 200 bytes
// (bootID: at least one).
func AppendRecord(dst []byte, rig string, r *meter.Record, bootID string) ([]byte, error) {
	if err := CheckRig(rig); err != nil {
		return dst, err
	}
	if err := checkReadings(r.Readings); err != nil {
		return dst, err
	}
	switch {
	case r.Rel > 0:
		return dst, fmt.Errorf("rel: must be 0 or before, is %d ns", r.Rel)
	case bootID == "" || len(bootID) > maxID || !utf8.ValidString(bootID):
		return dst, fmt.Errorf("boot id: must be 1 to %d bytes of UTF-8, is %s", maxID, show([]byte(bootID)))
	case len(r.Source) > maxID || !utf8.ValidString(r.Source):
		return dst, fmt.Errorf("source: must be at most %d bytes of UTF-8, is %s", maxID, show([]byte(r.Source)))
	}
	time := r.Sent
	if time == 0 {
		time = r.Wall + r.Rel
		if r.Rel < 0 && time > r.Wall { // below all int64
			time = 0
		}
	}
	out := append(dst, `[{"x-seq":"`...)
	out = strconv.AppendUint(out, r.Seq, 10)
	out = appendQuoted(append(out, `","x-boot":`...), bootID)
	out = appendWhole(out, `,"x-mono":"`, r.Mono)
	out = appendWhole(out, `,"x-wall":"`, r.Wall)
	if r.Rel != 0 {
		out = appendWhole(out, `,"x-rel":"`, r.Rel)
	}
	if r.Sent != 0 {
		out = appendWhole(out, `,"x-sent":"`, r.Sent)
	}
	if r.Source != "" {
		out = appendQuoted(append(out, `,"x-src":`...), r.Source)
	}
	out = append(out, ',')
	at := int64(0)
	brace := len(out)
	out = appendMessage(out, rig, &at, Message{Sent: max(time, absolute), Readings: r.Readings})
	out = append(out[:brace], out[brace+1:]...) // the first record is open already
	out[len(out)-1] = ']'                       // the last comma
	return append(out, '\n'), nil
}

func appendWhole(dst []byte, label string, n int64) []byte {
	return append(strconv.AppendInt(append(dst, label...), n, 10), '"')
}

// appendQuoted appends valid UTF-8 as a JSON string.
func appendQuoted(dst []byte, s string) []byte {
	dst = append(dst, '"')
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
		case c < 0x20:
			dst = fmt.Appendf(dst, `\u%04x`, c)
		default:
			dst = append(dst, c)
		}
	}
	return append(dst, '"')
}

// parseAct reads {"act":{...}}.
func parseAct(s []byte, rig string) (Entry, []Drop) {
	fail := func(r Reason, format string, args ...any) (Entry, []Drop) {
		return Entry{}, []Drop{drop(r, format, args...)}
	}
	if !utf8.Valid(s) || !json.Valid(s) {
		return fail(UnknownLine, "line: must be JSON in UTF-8, is %s", show(s))
	}
	sc := scan{b: s, i: 1}
	var body []byte
	for {
		label, more := sc.label()
		if !more {
			break
		}
		raw, _ := sc.skip()
		if string(label) != "act" {
			continue
		}
		if body != nil {
			return fail(BadAct, "act: must stand once in a line")
		}
		body = raw
	}
	if body == nil {
		return fail(UnknownLine, "line: must have the label act, is %s", show(s))
	}
	var a act.Act
	err := json.Unmarshal(body, &a)
	if err == nil {
		err = a.Check()
	}
	if u, ok := a.Body.(act.Unknown); ok && len(u.Raw) == 0 {
		err = fmt.Errorf("act %s: body: must be there, is not", a.ID)
	}
	if err != nil {
		return fail(BadAct, "act: %v", err)
	}
	if rig != "" && a.Rig != rig && a.Rig != act.House {
		return fail(OtherRig, "act %s: rig must be %s, is %s", a.ID, rig, show([]byte(a.Rig)))
	}
	return Entry{Kind: Said, Rig: a.Rig, Act: a}, nil
}

// AppendAct appends an act as one line, with its end. It fails, appending
// nothing, on an act that cannot be so (see act.Act.Check) and on one that
// makes a line over MaxLine.
func AppendAct(dst []byte, a *act.Act) ([]byte, error) {
	if err := a.Check(); err != nil {
		return dst, fmt.Errorf("act %s: %w", a.ID, err)
	}
	b, err := json.Marshal(a)
	if err != nil {
		return dst, fmt.Errorf("act %s: %w", a.ID, err)
	}
	out := append(append(append(dst, `{"act":`...), b...), '}', '\n')
	if n := len(out) - len(dst); n > MaxLine {
		return dst, fmt.Errorf("act %s: line must be at most %d bytes, is %d", a.ID, MaxLine, n)
	}
	return out, nil
}
