package publish

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
)

// kind is a measurement. Numbers are kept on disk: never renumber.
type kind uint8

const (
	fillKind   kind = 1
	looseKind  kind = 2
	gapKind    kind = 3
	sampleKind kind = 4
	alarmKind  kind = 5
)

// field is one field of a measurement. Fields are kept on disk by their
// position: only append.
type field struct {
	name string
	typ  byte // 'f' float, 'i' integer, 's' string
	sum  bool // people add it up: zero in a void point
}

type measurement struct {
	name   string
	fields []field
}

var measurements = [...]measurement{
	fillKind: {"fill", []field{
		{"volume_l", 'f', true}, {"duration_s", 'f', true}, {"flow_l_per_min", 'f', false},
		{"session", 'i', false}, {"first", 'i', false}, {"last", 'i', false},
		{"yard", 's', false}, {"reason", 's', false}, {"syrup_c", 'f', false},
		{"within_l", 'f', false},
		{"top_up", 'i', false}, {"short", 'i', false}, {"colony", 'i', false},
		{"solids_kg", 'f', true}, {"brix", 'f', false}, {"or", 's', false},
	}},
	looseKind: {"loose", []field{
		{"volume_l", 'f', true}, {"duration_s", 'f', true},
		{"session", 'i', false}, {"first", 'i', false}, {"last", 'i', false},
		{"why", 's', false}, {"yard", 's', false}, {"reason", 's', false},
		{"within_l", 'f', false}, {"note", 's', false}, {"or", 's', false},
	}},
	gapKind: {"gap", []field{
		{"duration_s", 'f', true}, {"known_l", 'f', true}, {"hidden_l", 'f', true}, {"why", 's', false},
	}},
	sampleKind: {"sample", []field{
		{"total_l", 'f', false}, {"flow_l_per_min", 'f', false},
		{"tote_l", 'f', false}, {"syrup_c", 'f', false}, {"air_c", 'f', false},
	}},
	alarmKind: {"alarm", []field{
		{"key", 's', false}, {"change", 's', false}, {"what", 's', false}, {"priority", 's', false},
		{"yard", 's', false},
	}},
}

// point is one result on its way to the outbox.
type point struct {
	kind kind
	at   int64  // instant of the event that told it
	t    int64  // instant of the result
	id   string // tells results of the same kind and instant apart
	mask uint64 // which fields it has, by position
	data []byte // the fields, as the outbox keeps them
}

// packer writes a point's fields in the order of its measurement: eight bytes
// for a float, a varint for an integer, length and bytes for a string.
type packer struct {
	p *point
	n int
}

func (k *packer) float(v float64, has bool) {
	if has && !math.IsNaN(v) && !math.IsInf(v, 0) {
		k.p.mask |= 1 << k.n
		k.p.data = binary.LittleEndian.AppendUint64(k.p.data, math.Float64bits(v))
	}
	k.n++
}

func (k *packer) count(v uint64) {
	k.p.mask |= 1 << k.n
	k.p.data = binary.AppendVarint(k.p.data, int64(min(v, math.MaxInt64)))
	k.n++
}

func (k *packer) yes(v bool) {
	n := uint64(0)
	if v {
		n = 1
	}
	k.count(n)
}

func (k *packer) text(s string) {
	k.p.mask |= 1 << k.n
	s = strings.ToValidUTF8(s, "\uFFFD")
	k.p.data = binary.AppendUvarint(k.p.data, uint64(len(s)))
	k.p.data = append(k.p.data, s...)
	k.n++
}

func seconds(from, to int64) float64 { return time.Duration(to - from).Seconds() }

func litresPerMinute(f quantity.Flow) float64 { return float64(f / quantity.LitrePerMinute) }

func countID(session, first uint64) string {
	return strconv.FormatUint(session, 36) + "/" + strconv.FormatUint(first, 36)
}

// pointOf makes the point of an event that tells a result.
func pointOf(e *ledger.Event) (*point, error) {
	p := &point{at: e.At, data: make([]byte, 0, 72)}
	k := packer{p: p}
	switch {
	case e.Kind == ledger.FillDone && e.Fill != nil:
		f := e.Fill
		p.kind, p.t, p.id = fillKind, f.Start, countID(f.Session, f.First)
		k.float(f.Volume.Litres(), true)
		k.float(seconds(f.Start, f.End), true)
		k.float(litresPerMinute(f.Flow), true)
		k.count(f.Session)
		k.count(f.First)
		k.count(f.Last)
		k.text(f.Yard)
		k.text(string(f.Reason))
		k.float(float64(f.Syrup), f.HasSyrup)
		k.float(f.Within.Litres(), f.Within > 0)
		k.yes(f.TopUp)
		k.yes(f.Short)
		k.count(uint64(max(0, f.Colony)))
		k.float(float64(f.Solids), f.Solids > 0)
		k.float(f.Brix, f.Solids > 0)
		k.text(f.Or)
	case e.Kind == ledger.LooseDone && e.Loose != nil:
		l := e.Loose
		p.kind, p.t, p.id = looseKind, l.Start, countID(l.Session, l.First)
		k.float(l.Volume.Litres(), true)
		k.float(seconds(l.Start, l.End), true)
		k.count(l.Session)
		k.count(l.First)
		k.count(l.Last)
		k.text(l.Why)
		k.text(l.Yard)
		k.text(string(l.Reason))
		k.float(l.Within.Litres(), l.Within > 0)
		k.text(l.Note)
		k.text(l.Or)
	case e.Kind == ledger.GapSeen && e.Gap != nil:
		g := e.Gap
		p.kind, p.t, p.id = gapKind, g.Start, g.Why
		k.float(seconds(g.Start, g.End), true)
		k.float(g.Known.Litres(), true)
		k.float(g.Hidden.Litres(), true)
		k.text(g.Why)
	case e.Kind == ledger.Sampled && e.Sample != nil:
		s := e.Sample
		p.kind, p.t = sampleKind, s.At
		k.float(s.Total.Litres(), true)
		k.float(litresPerMinute(s.Flow), true)
		k.float(s.Tote.Litres(), s.HasTote)
		k.float(float64(s.Syrup), s.HasSyrup)
		k.float(float64(s.Air), s.HasAir)
	case e.Kind >= ledger.FillDone && e.Kind <= ledger.Sampled:
		return nil, fmt.Errorf("event of kind %d at %d brings no result", e.Kind, e.At)
	default:
		return nil, fmt.Errorf("event kind %d is not known", e.Kind)
	}
	return p, nil
}

// row is one point as it waits in the outbox.
type row struct {
	version int64
	rig     string
	kind    kind
	t       int64
	mask    uint64
	data    []byte
	void    bool
}

var errRow = errors.New("the outbox holds a row that cannot be read")

// influx returns the point that stands for r.
func (r *row) influx() (*write.Point, error) {
	if r.kind == 0 || int(r.kind) >= len(measurements) {
		return nil, errRow
	}
	m := &measurements[r.kind]
	p := write.NewPointWithMeasurement(m.name).AddTag("rig", r.rig).SetTime(time.Unix(0, r.t))
	b := r.data
	for i, f := range m.fields {
		if r.mask&(1<<i) == 0 {
			continue
		}
		switch f.typ {
		case 'f':
			if len(b) < 8 {
				return nil, errRow
			}
			v := math.Float64frombits(binary.LittleEndian.Uint64(b))
			if r.void && f.sum {
				v = 0
			}
			p.AddField(f.name, v)
			b = b[8:]
		case 'i':
			v, n := binary.Varint(b)
			if n <= 0 {
				return nil, errRow
			}
			p.AddField(f.name, v)
			b = b[n:]
		case 's':
			l, n := binary.Uvarint(b)
			if n <= 0 || l > uint64(len(b)-n) {
				return nil, errRow
			}
			p.AddField(f.name, string(b[n:n+int(l)]))
			b = b[n+int(l):]
		}
	}
	return p.AddField("void", r.void), nil
}

// String names r for a person: measurement, rig and instant.
func (r *row) String() string {
	name := "?"
	if r.kind > 0 && int(r.kind) < len(measurements) {
		name = measurements[r.kind].name
	}
	return fmt.Sprintf("%s of %s at %s", name, r.rig, time.Unix(0, r.t).UTC().Format(time.RFC3339Nano))
}

// checkRig says whether the name can be a tag's value in line protocol.
func checkRig(rig string) error {
	switch {
	case rig == "":
		return errors.New("rig: must have a name")
	case strings.HasSuffix(rig, `\`):
		return fmt.Errorf("rig: must not end in a backslash, is %q", rig)
	}
	for _, r := range rig {
		if r < ' ' || r == 0x7f || r == '\uFFFD' {
			return fmt.Errorf("rig: must be text without control characters, is %q", rig)
		}
	}
	return nil
}
