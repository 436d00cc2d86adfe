package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"

	"yardtally/meter"
)

// blockVersion is the version of the encoding, kept in every row and block.
const blockVersion = 1

// mostRecords bounds what one row or block can claim to hold.
const mostRecords = 1 << 16

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// kind is what records have in common: source, channels in their order, and
// whether a stamp or an age came with them.
type kind struct {
	source   string
	channels []meter.Channel
	flags    byte
	n        int

	mono, wall, rel, sent []int64
	values                [][]float64 // a slice a channel
	next                  int         // when decoding: the next record's place
	readings              []meter.Reading
}

const (
	hasRel  = 1
	hasSent = 2
)

// guess foretells the kind of the next record from the eight before it.
type guess struct {
	past uint64
	next [1 << 12]uint16
}

func (g *guess) slot() *uint16 {
	return &g.next[g.past*0x9e3779b97f4a7c15>>52]
}

func (g *guess) was(k int) {
	*g.slot() = uint16(k)
	g.past = g.past<<8 | uint64(k&0xff)
}

// encoder turns records into rows and blocks. It is reused; one goroutine's.
type encoder struct {
	scratch
	kinds  []*kind
	byKey  map[string]int
	key    []byte
	head   []byte
	of     []int // the kind of each record
	xs     []int64
	guess  guess
	seqs   []int64
	misses []uint64
}

// encode returns the records as one row or block, in a new slice. They are of
// one boot, in order of Seq, at least one and at most mostRecords.
func (e *encoder) encode(recs []meter.Record) []byte {
	e.sort(recs)
	e.bits.reset()
	h := append(e.head[:0], blockVersion)
	h = binary.AppendUvarint(h, uint64(len(recs)))
	h = binary.AppendUvarint(h, uint64(recs[0].Boot))
	h = binary.AppendUvarint(h, uint64(len(e.kinds)))
	for _, k := range e.kinds {
		h = binary.AppendUvarint(h, uint64(len(k.source)))
		h = append(h, k.source...)
		h = append(h, k.flags)
		h = binary.AppendUvarint(h, uint64(len(k.channels)))
		for _, c := range k.channels {
			h = append(h, byte(c))
		}
		h = binary.AppendUvarint(h, uint64(k.n))
	}
	h = e.column(h, e.seqs, nil)

	e.guess = guess{}
	e.misses = e.misses[:0]
	for _, k := range e.of {
		if int(*e.guess.slot()) == k {
			e.misses = append(e.misses, 0)
		} else {
			e.misses = append(e.misses, 1+uint64(k))
		}
		e.guess.was(k)
	}
	var r rice
	r.writeAll(&e.bits, e.misses)

	for _, k := range e.kinds {
		h = e.column(h, k.mono, nil)
		h = e.column(h, k.wall, k.mono)
		if k.flags&hasRel != 0 {
			h = e.column(h, k.rel, k.mono)
		}
		if k.flags&hasSent != 0 {
			h = e.column(h, k.sent, k.mono)
		}
		for _, vs := range k.values {
			e.xs = resize(e.xs, len(vs))
			scale := wholes(e.xs, vs)
			h = append(h, scale)
			h = e.column(h, e.xs, nil)
		}
	}
	e.head = h
	body := e.bits.finish()
	out := make([]byte, 0, 3+len(h)+len(body))
	out = binary.AppendUvarint(out, uint64(len(h)))
	out = append(out, h...)
	return append(out, body...)
}

// sort deals the records out to their kinds.
func (e *encoder) sort(recs []meter.Record) {
	e.kinds, e.of, e.seqs = e.kinds[:0], e.of[:0], e.seqs[:0]
	if e.byKey == nil {
		e.byKey = make(map[string]int)
	}
	clear(e.byKey)
	for i := range recs {
		r := &recs[i]
		var flags byte
		if r.Rel != 0 {
			flags |= hasRel
		}
		if r.Sent != 0 {
			flags |= hasSent
		}
		e.key = append(e.key[:0], flags, byte(len(r.Readings)))
		for _, x := range r.Readings {
			e.key = append(e.key, byte(x.Channel))
		}
		e.key = append(e.key, r.Source...)
		at, ok := e.byKey[string(e.key)]
		if !ok {
			at = len(e.kinds)
			e.byKey[string(e.key)] = at
			if at < cap(e.kinds) && e.kinds[:at+1][at] != nil {
				e.kinds = e.kinds[:at+1]
			} else {
				e.kinds = append(e.kinds, new(kind))
			}
			e.kinds[at].start(r, flags)
		}
		k := e.kinds[at]
		k.n++
		k.mono = append(k.mono, r.Mono)
		k.wall = append(k.wall, r.Wall)
		k.rel = append(k.rel, r.Rel)
		k.sent = append(k.sent, r.Sent)
		for c, x := range r.Readings {
			k.values[c] = append(k.values[c], x.Value)
		}
		e.of = append(e.of, at)
		e.seqs = append(e.seqs, int64(r.Seq))
	}
}

func (k *kind) start(r *meter.Record, flags byte) {
	k.source, k.flags, k.n = r.Source, flags, 0
	k.channels = k.channels[:0]
	for _, x := range r.Readings {
		k.channels = append(k.channels, x.Channel)
	}
	k.mono, k.wall, k.rel, k.sent = k.mono[:0], k.wall[:0], k.rel[:0], k.sent[:0]
	k.values = resize(k.values, len(k.channels))
	for c := range k.values {
		k.values[c] = k.values[c][:0]
	}
}

func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return append(s[:cap(s)], make([]T, n-cap(s))...)
	}
	return s[:n]
}

// decoder gives back the records of one row or block after another. It is
// reused, and so are the records it gives.
type decoder struct {
	kinds []*kind
	n     int
	boot  uint32
	seqs  []int64
	miss  []uint64
	us    []uint64
	xs    []int64
	at    int
	guess guess
	bits  bitReader
	names map[string]string
	body  []byte
}

// load reads a row or block of n records with so many readings. Whatever the
// bytes, it returns an error rather than panic or use memory beyond these.
func (d *decoder) load(data []byte, n, readings int) error {
	size, w := binary.Uvarint(data)
	if w <= 0 || size > uint64(len(data)-w) {
		return errShort
	}
	h := headReader{b: data[w : w+int(size)]}
	d.body = append(d.body[:0], data[w+int(size):]...)
	d.body = append(d.body, 0, 0, 0, 0, 0, 0, 0, 0)
	d.bits.reset(d.body)
	if v := h.byte(); h.err == nil && v != blockVersion {
		return fmt.Errorf("encoding version %d is not known", v)
	}
	count, boot, kinds := h.uvarint(), h.uvarint(), h.uvarint()
	switch {
	case h.err != nil:
		return h.err
	case count != uint64(n) || n < 1 || n > mostRecords:
		return fmt.Errorf("holds %d records, not %d", count, n)
	case boot > math.MaxUint32:
		return fmt.Errorf("boot %d is out of range", boot)
	case kinds < 1 || kinds > count || kinds > uint64(len(h.b)/4): // a kind takes 4 bytes at least
		return fmt.Errorf("%d kinds of %d records", kinds, n)
	}
	d.n, d.boot, d.at = n, uint32(boot), 0
	for len(d.kinds) < int(kinds) {
		d.kinds = append(d.kinds, new(kind))
	}
	total, values := 0, 0
	for _, k := range d.kinds[:kinds] {
		if err := d.loadKind(&h, k, n-total); err != nil {
			return err
		}
		total += k.n
		values += k.n * len(k.readings)
	}
	if total != n || values != readings {
		return fmt.Errorf("the kinds hold %d records with %d readings, not %d with %d", total, values, n, readings)
	}
	d.us = resize(d.us, n)
	d.seqs = resize(d.seqs, n)
	var err error
	if h.b, err = readColumn(h.b, &d.bits, d.seqs, d.us, nil); err != nil {
		return err
	}
	d.miss = resize(d.miss, n)
	var r rice
	if err := r.readAll(&d.bits, d.miss); err != nil {
		return err
	}
	if err := d.dealKinds(int(kinds)); err != nil {
		return err
	}
	for _, k := range d.kinds[:kinds] {
		if err := d.loadColumns(&h, k); err != nil {
			return err
		}
	}
	return nil
}

func (d *decoder) loadKind(h *headReader, k *kind, most int) error {
	source := h.bytes(h.uvarint())
	name, ok := d.names[string(source)]
	if !ok {
		if d.names == nil || len(d.names) > 1000 {
			d.names = make(map[string]string)
		}
		name = string(source)
		d.names[name] = name
	}
	k.source, k.flags, k.next = name, h.byte(), 0
	channels := h.bytes(h.uvarint())
	n := h.uvarint()
	switch {
	case h.err != nil:
		return h.err
	case k.flags&^(hasRel|hasSent) != 0:
		return errors.New("a kind has unknown flags")
	case n < 1 || n > uint64(most) || len(channels) > mostReadings:
		return errors.New("a kind's size is out of range")
	}
	k.n = int(n)
	k.readings = k.readings[:0]
	for _, c := range channels {
		k.readings = append(k.readings, meter.Reading{Channel: meter.Channel(c)})
	}
	return nil
}

// dealKinds turns the misses of the guess into kinds, in d.miss.
func (d *decoder) dealKinds(kinds int) error {
	d.guess = guess{}
	for i, m := range d.miss {
		k := int(*d.guess.slot())
		if m != 0 {
			k = int(min(m-1, mostRecords))
		}
		if k >= kinds {
			return errors.New("a record is of a kind that is not there")
		}
		d.miss[i] = uint64(k)
		d.guess.was(k)
		if d.kinds[k].next++; d.kinds[k].next > d.kinds[k].n {
			return errors.New("a kind has more records than it says")
		}
	}
	for _, k := range d.kinds[:kinds] {
		k.next = 0
	}
	return nil
}

func (d *decoder) loadColumns(h *headReader, k *kind) error {
	k.mono, k.wall = resize(k.mono, k.n), resize(k.wall, k.n)
	k.rel, k.sent = resize(k.rel, k.n), resize(k.sent, k.n)
	var err error
	read := func(xs, ref []int64) {
		if err == nil {
			h.b, err = readColumn(h.b, &d.bits, xs, d.us, ref)
		}
	}
	read(k.mono, nil)
	read(k.wall, k.mono)
	clear(k.rel)
	if k.flags&hasRel != 0 {
		read(k.rel, k.mono)
	}
	clear(k.sent)
	if k.flags&hasSent != 0 {
		read(k.sent, k.mono)
	}
	k.values = resize(k.values, len(k.readings))
	for c := range k.values {
		k.values[c] = resize(k.values[c], k.n)
		d.xs = resize(d.xs, k.n)
		scale := h.byte()
		read(d.xs, nil)
		if err = errors.Join(err, h.err); err != nil {
			return err
		}
		if err = values(k.values[c], d.xs, scale); err != nil {
			return err
		}
	}
	return err
}

// next puts the next record into r and reports whether there was one. Its
// readings are good until the decoder is used again.
func (d *decoder) next(r *meter.Record) bool {
	if d.at == d.n {
		return false
	}
	k := d.kinds[d.miss[d.at]]
	i := k.next
	k.next++
	r.Seq, r.Boot, r.Source = uint64(d.seqs[d.at]), d.boot, k.source
	r.Mono, r.Wall, r.Rel, r.Sent = k.mono[i], k.wall[i], k.rel[i], k.sent[i]
	for c := range k.readings {
		k.readings[c].Value = k.values[c][i]
	}
	r.Readings = k.readings
	d.at++
	return true
}
