package main

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"
	"sync"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard"
	"yardtally/ingest/desk"
	"yardtally/ingest/journal"
	"yardtally/meter"
	"yardtally/meter/ledger"
	"yardtally/meter/watch"
)

const (
	traceLimit  = 3 * time.Second // to look for readings
	traceAround = int64(20e9)     // readings so long before and after a flow are of it
	tracePulses = 8               // and so many pulses
	mostTraced  = 20_000          // readings of the counter; a flow of more is cut short
	lateBy      = int64(12 * 3600e9)
)

// traces finds what the counter said while something flowed. It reads the
// journal beside the desk, and asks that only when things were.
type traces struct {
	desk     *desk.Desk
	journal  *journal.Journal
	rig      string
	watching *watching

	mu   sync.Mutex
	when map[uint64][2]int64 // of stretches whose arrival is not known, by their first sequence: when their readings are of

	judged struct { // the outing that was judged last
		view *ledger.View
		at   int
		log  watch.Log
	}
}

func newTraces(r *oneRig) *traces {
	return &traces{desk: r.desk, journal: r.d.journal, rig: r.set.Rig, watching: r.watching, when: map[uint64][2]int64{}}
}

// errEnough ends a replay.
var errEnough = errors.New("enough")

// Find is a dashboard.Tracer.
func (t *traces) Find(ctx context.Context, of dashboard.TraceOf) (*dashboard.Trace, error) {
	ctx, cancel := context.WithTimeout(ctx, traceLimit)
	defer cancel()
	s := t.desk.Snapshot()
	out := &dashboard.Trace{}
	out.Expected, out.Lo, out.Hi = t.expected(s.View, &of)
	near, err := t.stretches(ctx, &of)
	if err != nil {
		return nil, err
	}
	wrap := uint64(1) << s.Rig.WrapBits
	var found []counterSaid
	for i := range near {
		more, err := t.read(ctx, &near[i], &of, wrap)
		if err != nil {
			return nil, err
		}
		found = append(found, more...)
		if len(found) > mostTraced {
			break
		}
		if len(more) > 0 && whole(found, &of) {
			break
		}
	}
	slices.SortStableFunc(found, func(a, b counterSaid) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.count, b.count)) })
	for _, x := range found {
		n := len(out.At)
		switch {
		case n > 0 && x.count < out.Count[n-1], n > 0 && x.at == out.At[n-1]:
			continue // late, or said by two sources
		case n > 1 && x.count == out.Count[n-1] && x.count == out.Count[n-2]:
			out.At[n-1] = x.at // a rest is known by its ends
			continue
		}
		out.At, out.Count = append(out.At, x.at), append(out.Count, x.count)
	}
	if len(out.At) < 2 {
		return out, errors.New("its readings are not in the journal")
	}
	return out, nil
}

// counterSaid is a message of the counter, its count as the session's.
type counterSaid struct {
	at    int64
	count uint64
}

// whole reports whether the messages cover the flow from end to end.
func whole(found []counterSaid, of *dashboard.TraceOf) bool {
	var from, to bool
	for _, x := range found {
		from, to = from || x.count <= of.First, to || x.count >= of.Last
	}
	return from && to
}

// read returns what a stretch has of the flow.
func (t *traces) read(ctx context.Context, s *journal.Stretch, of *dashboard.TraceOf, wrap uint64) ([]counterSaid, error) {
	var recs []meter.Record
	var counts []uint64
	var ends [2]meter.Record // by the sender's clock, where nothing is known of the arrival
	var sent bool
	err := t.journal.Replay(t.rig, s.First-1, func(r *meter.Record) error {
		if r.Seq > s.Last || len(recs) > mostTraced {
			return errEnough
		}
		if r.Seq%256 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		if r.Mono == 0 && r.Sent != 0 {
			if !sent || r.Sent < ends[0].Sent {
				ends[0] = placing(r)
			}
			if !sent || r.Sent > ends[1].Sent {
				ends[1] = placing(r)
			}
			sent = true
		}
		v, ok := r.Value(meter.Pulses)
		if !ok {
			return nil
		}
		// What the counter said is less by whole turns of it.
		ahead := (uint64(v) + wrap - of.First%wrap) % wrap
		switch {
		case ahead <= of.Last-of.First+tracePulses:
			counts = append(counts, of.First+ahead)
		case wrap-ahead <= tracePulses && wrap-ahead <= of.First:
			counts = append(counts, of.First-(wrap-ahead))
		default:
			return nil
		}
		recs = append(recs, placing(r))
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	asked := recs
	if sent {
		asked = append(slices.Clip(recs), ends[:]...)
	}
	at, err := t.desk.Where(ctx, asked)
	if err != nil {
		return nil, err
	}
	if sent {
		t.mu.Lock()
		t.when[s.First] = [2]int64{min(at[len(recs)], at[len(recs)+1]), max(at[len(recs)], at[len(recs)+1])}
		t.mu.Unlock()
	}
	var out []counterSaid
	for i := range recs {
		if at[i] >= of.Start-traceAround && at[i] <= of.End+traceAround {
			out = append(out, counterSaid{at[i], counts[i]})
		}
	}
	return out, nil
}

// placing is a record that outlives the call, with what places it.
func placing(r *meter.Record) meter.Record {
	c := *r
	c.Readings = nil
	if up, ok := r.Value(meter.Uptime); ok {
		c.Readings = []meter.Reading{{Channel: meter.Uptime, Value: up}}
	}
	return c
}

// stretches returns where in the journal the flow may be, the likeliest first.
func (t *traces) stretches(ctx context.Context, of *dashboard.TraceOf) ([]journal.Stretch, error) {
	all := t.journal.Stretches(t.rig)
	ends := make([]meter.Record, 0, 2*len(all))
	for i := range all {
		s := &all[i]
		ends = append(ends, meter.Record{Boot: s.Boot, Mono: s.MonoFirst, Wall: 1}, meter.Record{Boot: s.Boot, Mono: s.MonoLast, Wall: 1})
	}
	at, err := t.desk.Where(ctx, ends)
	if err != nil {
		return nil, err
	}
	type ranked struct {
		journal.Stretch
		rank int
		off  int64
	}
	var out []ranked
	t.mu.Lock()
	defer t.mu.Unlock()
	for i, s := range all {
		from, to := at[2*i], at[2*i+1]
		if s.MonoLast == 0 {
			said, known := t.when[s.First]
			if !known {
				out = append(out, ranked{s, 1, int64(i)})
				continue
			}
			from, to = said[0], said[1]
		}
		switch off := max(from-of.End, of.Start-to, 0); {
		case off <= traceAround:
			out = append(out, ranked{s, 0, int64(i)})
		case from > of.End && off < lateBy: // it may have come late
			out = append(out, ranked{s, 2, off})
		}
	}
	slices.SortStableFunc(out, func(a, b ranked) int { return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(a.off, b.off)) })
	found := make([]journal.Stretch, len(out))
	for i := range out {
		found[i] = out[i].Stretch
	}
	return found, nil
}

// expected returns what the line should have let flow, as the watch judges its
// outing; zeros where it does not.
func (t *traces) expected(v *ledger.View, of *dashboard.TraceOf) (q, lo, hi quantity.Flow) {
	i := slices.IndexFunc(v.Outings, func(o ledger.Outing) bool { return o.From <= of.Start && of.Start <= o.To })
	if i < 0 {
		return 0, 0, 0
	}
	w := t.watching
	w.mu.Lock()
	if w.j != nil && (t.judged.view != v || t.judged.at != i) {
		s := seenOf(v, i)
		t.judged.view, t.judged.at, t.judged.log = v, i, w.j.watcher.Make(&s)
	}
	log := t.judged.log
	w.mu.Unlock()
	for k := range log.Fills {
		if f := &log.Fills[k]; f.Session == of.Session && f.First == of.First && f.Expected > 0 && !math.IsNaN(float64(f.Expected)) {
			return f.Expected, f.Lo, f.Hi
		}
	}
	return 0, 0, 0
}
