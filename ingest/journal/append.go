package journal

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"yardtally/meter"
)

// Append gives the record the rig's next sequence and holds it for the next
// Commit. It copies the record and its readings. When too many records wait
// it returns an error that wraps ErrFull and keeps nothing.
func (j *Journal) Append(name string, r *meter.Record) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	g, err := j.ready(name, r)
	if err != nil {
		return err
	}
	if g.last >= mostSeq {
		return fmt.Errorf("journal: rig %s: sequence %d is the last there is", name, g.last)
	}
	r.Seq = g.last + 1
	j.hold(g, r)
	return nil
}

// AppendKept holds a record that was exported from a journal, this one or
// another. A record that is kept or held already adds nothing. A new one keeps
// its sequence if that lies after the rig's last; else, as nothing is ever late
// to the journal, it gets the next, and r.Seq says which.
//
// Two records are the same if all but the sequence is: boot (as a boot of this
// journal, so translate it with Boot first), instants, stamps, source and every
// reading to the bit. That is looked up among the few blocks whose time covers
// the record; a record newer than all of its boot needs no look-up.
func (j *Journal) AppendKept(name string, r *meter.Record) (added bool, err error) {
	j.imports.Lock()
	defer j.imports.Unlock()
	if r.Seq > mostSeq {
		return false, fmt.Errorf("journal: rig %s: sequence must be at most %d, is %d", name, uint64(mostSeq), r.Seq)
	}
	j.mu.Lock()
	_, err = j.ready(name, r)
	j.mu.Unlock()
	if err != nil {
		return false, err
	}
	id := string(identity(nil, r))
	for {
		candidates, held := j.candidates(name, r, id)
		if held {
			return false, nil
		}
		stale := false
		for i := range candidates {
			set, err := j.identities(name, &candidates[i])
			if err == errMoved {
				stale = true
				break
			}
			if err != nil {
				return false, err
			}
			if _, ok := set[id]; ok {
				return false, nil
			}
		}
		if !stale {
			break
		}
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	g, err := j.ready(name, r)
	if err != nil {
		return false, err
	}
	if r.Seq <= g.last {
		if g.last >= mostSeq {
			return false, fmt.Errorf("journal: rig %s: sequence %d is the last there is", name, g.last)
		}
		r.Seq = g.last + 1
	}
	j.hold(g, r)
	return true, nil
}

// ready checks that the record can be held. Under mu.
func (j *Journal) ready(name string, r *meter.Record) (*rig, error) {
	switch {
	case j.closed:
		return nil, ErrClosed
	case name == "" || len(name) > mostText:
		return nil, fmt.Errorf("journal: rig: must be 1 to %d bytes, is %q", mostText, name)
	case len(r.Source) > mostText:
		return nil, fmt.Errorf("journal: rig %s: source: must be at most %d bytes, is %d", name, mostText, len(r.Source))
	case len(r.Readings) < 1 || len(r.Readings) > mostReadings:
		return nil, fmt.Errorf("journal: rig %s: readings: must be 1 to %d, are %d", name, mostReadings, len(r.Readings))
	}
	if _, ok := j.bootID[r.Boot]; !ok {
		return nil, fmt.Errorf("journal: rig %s: boot %d is not known here: Boot gives the number", name, r.Boot)
	}
	if j.pending >= j.o.MaxPending {
		return nil, fmt.Errorf("%w: %d records wait, none was dropped", ErrFull, j.pending)
	}
	return j.rig(name), nil
}

// hold copies the record to the queue. Under mu.
func (j *Journal) hold(g *rig, r *meter.Record) {
	if len(g.queue) == 0 {
		g.arena = g.arena[:0]
	}
	if cap(g.arena)-len(g.arena) < len(r.Readings) {
		// The records of the full arena go on pointing into it.
		g.arena = make([]meter.Reading, 0, max(256, min(2*cap(g.arena), 1<<14)))
	}
	at := len(g.arena)
	g.arena = append(g.arena, r.Readings...)
	c := *r
	c.Readings = g.arena[at:len(g.arena):len(g.arena)]
	g.queue = append(g.queue, c)
	g.last = r.Seq
	j.pending++
}

// candidates returns the spans that may hold a record equal to r, and whether
// the queue does.
func (j *Journal) candidates(name string, r *meter.Record, id string) (out []span, held bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	g := j.rig(name)
	if g.seen == nil {
		g.seen, g.seenTo = make(map[string]struct{}), 0
	}
	for ; g.seenTo < len(g.queue); g.seenTo++ {
		g.seen[string(identity(nil, &g.queue[g.seenTo]))] = struct{}{}
	}
	if _, ok := g.seen[id]; ok {
		return nil, true
	}
	if newest, ok := g.newest[r.Boot]; !ok || r.Mono > newest {
		return nil, false
	}
	for _, s := range g.spans {
		if s.boot == r.Boot && s.monoFirst <= r.Mono && r.Mono <= s.monoLast && !s.bad {
			out = append(out, s)
		}
	}
	return out, false
}

// identity appends all of the record but its sequence.
func identity(dst []byte, r *meter.Record) []byte {
	dst = slices.Grow(dst, 37+len(r.Source)+9*len(r.Readings))
	dst = binary.LittleEndian.AppendUint32(dst, r.Boot)
	for _, v := range [...]int64{r.Mono, r.Wall, r.Rel, r.Sent} {
		dst = binary.LittleEndian.AppendUint64(dst, uint64(v))
	}
	dst = append(dst, byte(len(r.Source)))
	dst = append(dst, r.Source...)
	for _, x := range r.Readings {
		dst = append(dst, byte(x.Channel))
		dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(x.Value))
	}
	return dst
}

// identityCache keeps the identities of the spans looked up last: an import
// asks for neighbours.
type identityCache struct {
	entries [4]struct {
		rig  string
		span span
		set  map[string]struct{}
	}
	oldest int
}

func (j *Journal) identities(name string, s *span) (map[string]struct{}, error) {
	j.mu.Lock()
	for i := range j.cache.entries {
		e := &j.cache.entries[i]
		if e.set != nil && e.rig == name && e.span.n == s.n && e.span.sealed == s.sealed && e.span.first == s.first {
			set := e.set
			j.mu.Unlock()
			return set, nil
		}
	}
	j.mu.Unlock()
	set := make(map[string]struct{}, s.records)
	var d decoder
	if err := j.load(&d, name, s); err != nil {
		if isDamage(err) {
			return set, nil // what cannot be read is not kept
		}
		return nil, err
	}
	var r meter.Record
	for d.next(&r) {
		set[string(identity(nil, &r))] = struct{}{}
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	e := &j.cache.entries[j.cache.oldest]
	j.cache.oldest = (j.cache.oldest + 1) % len(j.cache.entries)
	e.rig, e.span, e.set = name, *s, set
	return set, nil
}
