// Package ledger derives what happened on one rig from what was observed: the
// records its sources brought and the acts of people. It is a function of the
// set of both: the order in which they arrive, live or from the journal, makes
// no difference to the result.
//
// Records are placed on UTC by the clock room and folded in that order. Live,
// the ledger settles some seconds behind the newest arrival; what came since is
// folded on top for every View, as a provisional tail. What arrives too late
// for that, a clock that turns out to have been wrong, or an act about the past
// makes the ledger Stale: it goes back to a checkpoint and derives everything
// after it again from the journal.
package ledger

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/clock"
)

const (
	// Delay is how far behind the newest arrival the ledger settles, ns. A
	// message may be late by seconds.
	Delay = int64(8_000_000_000)
	// window is how far out of order records may be while replaying, ns,
	// before they are sorted in by a second reading.
	window = int64(600_000_000_000)
	// checkpointEvery is the spacing of checkpoints in ledger time, ns.
	checkpointEvery = int64(600_000_000_000)
	// mostCheckpoints bounds them; the older ones are thinned.
	mostCheckpoints = 96
)

// Replay reads a rig's records from the journal, those with Seq above after,
// in order of Seq. The record is the callee's only until fn returns.
type Replay func(after uint64, fn func(*meter.Record) error) error

// checkpoint is a state from which folding can go on.
type checkpoint struct {
	key    item   // the last record folded
	lowSeq uint64 // every record that belongs after key has at least this Seq
	st     State
}

// Ledger is one rig's ledger. It is owned by one goroutine.
type Ledger struct {
	rig      string
	standing []act.Act
	cfg      *config
	clk      clock.Clock

	st   State
	key  item   // the last record folded into st
	tail []item // in order, not settled

	high    int64            // instant of the newest arrival
	lastSeq uint64           // highest Seq read
	noted   uint64           // highest Seq whose evidence of the time is in clk
	starts  map[string]int64 // what clk.Starts was when it last changed
	late    []item           // while refolding: records that came more than window late
	cps     []checkpoint

	dirty int64 // results at or after this instant are stale; MaxInt64: none
	out   []Event
	tell  func(Event) // appends to out

	room []meter.Reading // where records' readings are copied to, block by block
}

// New returns an empty ledger.
func New(rig string) *Ledger {
	l := &Ledger{rig: rig, cfg: compile(nil), dirty: math.MaxInt64}
	l.tell = func(e Event) { l.out = append(l.out, e) }
	l.reset()
	return l
}

func (l *Ledger) reset() {
	l.st, l.tail, l.cps = State{}, nil, nil
	l.key = item{at: math.MinInt64}
	l.high = math.MinInt64
}

// SetActs gives the ledger all acts of its rig. The order does not matter.
func (l *Ledger) SetActs(all []act.Act) {
	standing := act.Standing(all)
	changed := diff(l.standing, standing)
	if len(changed) == 0 {
		return
	}
	old := l.cfg
	l.standing, l.cfg = standing, compile(standing)
	refix := false
	for i := range changed {
		switch b := changed[i].Body.(type) {
		case act.Assign:
			l.touch(l.startOf(b))
		case act.Fix:
			refix = true
		case act.Unknown:
		default:
			from := changed[i].From
			if from == 0 {
				from = math.MinInt64
			}
			l.touch(from)
		}
	}
	if refix || len(old.fixes) != len(l.cfg.fixes) {
		l.clk.SetFixes(l.cfg.fixes)
		l.moved()
	}
}

// startOf returns the start of the first settled flow that an assignment
// touches, or MaxInt64.
func (l *Ledger) startOf(a act.Assign) int64 {
	start := int64(math.MaxInt64)
	hit := func(session, first, last uint64, at int64) {
		if session == a.Session && a.First < last && a.Last > first {
			start = min(start, at)
		}
	}
	for i := range l.st.Fills {
		f := &l.st.Fills[i]
		hit(f.Session, f.First, f.Last, f.Start)
	}
	for i := range l.st.Loose {
		f := &l.st.Loose[i]
		hit(f.Session, f.First, f.Last, f.Start)
	}
	return start
}

// touch marks results at or after an instant as stale, if any are settled.
func (l *Ledger) touch(at int64) {
	if l.st.Seen > 0 && at <= l.key.at {
		l.dirty = min(l.dirty, at)
	}
}

// moved marks what a change of placing affects: everything from the earliest
// start, before or after, of a clock that moved.
func (l *Ledger) moved() {
	before, after := l.starts, l.clk.Starts()
	l.starts = after
	for k, a := range after {
		if b, ok := before[k]; !ok {
			l.touch(a)
		} else if a != b {
			l.touch(min(a, b))
		}
	}
	for k, b := range before {
		if _, ok := after[k]; !ok {
			l.touch(b)
		}
	}
	l.high = l.key.at
	for i := range l.tail {
		t := &l.tail[i]
		t.at = l.clk.Place(&t.rec)
		l.high = max(l.high, l.clk.Arrival(&t.rec))
	}
	slices.SortFunc(l.tail, func(a, b item) int { return order(&a, &b) })
}

// note takes in a record's evidence of the time, once.
func (l *Ledger) note(r *meter.Record) {
	if r.Seq <= l.noted && r.Seq != 0 {
		return
	}
	l.noted = r.Seq
	if l.clk.Note(r) {
		l.clk.SetFixes(l.cfg.fixes)
		l.moved()
	}
}

// Add takes in a record that the journal keeps, in order of Seq. It is copied.
func (l *Ledger) Add(r *meter.Record) {
	l.lastSeq = max(l.lastSeq, r.Seq)
	l.note(r)
	it := l.place(r)
	if l.st.Seen > 0 && order(&it, &l.key) <= 0 {
		// Too late for the tail. If it is the double of something it will
		// change nothing, but only the fold can tell.
		l.dirty = min(l.dirty, it.at)
		return
	}
	l.insert(it)
	l.high = max(l.high, l.clk.Arrival(&it.rec))
}

func (l *Ledger) place(r *meter.Record) item {
	it := item{at: l.clk.Place(r), rec: *r}
	if cap(l.room)-len(l.room) < len(r.Readings) {
		l.room = make([]meter.Reading, 0, max(512, len(r.Readings)))
	}
	n := len(l.room)
	l.room = append(l.room, r.Readings...)
	it.rec.Readings = l.room[n:len(l.room):len(l.room)]
	return it
}

func (l *Ledger) insert(it item) {
	i := len(l.tail)
	for i > 0 && order(&it, &l.tail[i-1]) < 0 {
		i--
		if len(l.tail)-i > 64 {
			i, _ = slices.BinarySearchFunc(l.tail, it, func(a, b item) int { return order(&a, &b) })
			break
		}
	}
	l.tail = slices.Insert(l.tail, i, it)
}

// Stale reports whether results must be derived again: call Refold.
func (l *Ledger) Stale() bool { return l.dirty != math.MaxInt64 }

// Settle makes final, until something says otherwise, what is Delay older than
// the newest arrival or than now, if now (Unix ns by the rig's clock; 0: not
// known) is later than that.
func (l *Ledger) Settle(now int64) {
	if l.Stale() {
		return
	}
	l.settle(max(l.high, now) - Delay)
}

func (l *Ledger) settle(through int64) {
	if l.foldThrough(through) {
		l.out = append(l.out, Event{Kind: Told, At: l.key.at})
	}
}

// foldThrough folds the tail up to an instant and reports whether it had
// anything to fold.
func (l *Ledger) foldThrough(through int64) bool {
	any := false
	for len(l.tail) > 0 && l.tail[0].at <= through {
		it := l.tail[0]
		l.tail = l.tail[1:]
		l.fold(&it)
		any = true
	}
	return any
}

// fold steps the settled state, leaving a checkpoint now and then.
func (l *Ledger) fold(it *item) {
	if n := len(l.cps); l.st.clean() && (n == 0 || it.at-l.cps[n-1].key.at >= checkpointEvery) {
		cp := checkpoint{key: l.key, lowSeq: min(it.rec.Seq, l.lowSeq()), st: l.st.Clone()}
		cp.key.rec.Readings = slices.Clone(cp.key.rec.Readings)
		cp.st.Last = cp.key.rec
		l.cps = append(l.cps, cp)
		if len(l.cps) > mostCheckpoints {
			l.thin()
		}
	}
	l.st.step(l.cfg, it, l.tell)
	l.key = *it
}

// thin drops every other checkpoint of the older half.
func (l *Ledger) thin() {
	keep := l.cps[:0]
	for i := range l.cps {
		if i%2 == 0 || i >= len(l.cps)/2 {
			keep = append(keep, l.cps[i])
		}
	}
	clear(l.cps[len(keep):])
	l.cps = keep
}

// lowSeq returns the lowest Seq that a record not yet folded can have.
func (l *Ledger) lowSeq() uint64 {
	low := l.lastSeq + 1
	for i := range l.tail {
		low = min(low, l.tail[i].rec.Seq)
	}
	return low
}

// Refold derives everything stale again from the journal.
func (l *Ledger) Refold(replay Replay) error {
	for tries := 0; l.Stale(); tries++ {
		if tries > 8 {
			return errors.New("ledger: the records' order does not settle")
		}
		if err := l.refold(replay); err != nil {
			return err
		}
	}
	return nil
}

// Rebuild forgets all results and derives them from the journal.
func (l *Ledger) Rebuild(replay Replay) error {
	l.dirty = math.MinInt64
	l.cps, l.late = nil, nil
	return l.Refold(replay)
}

func (l *Ledger) refold(replay Replay) error {
	from := l.dirty
	for len(l.cps) > 0 && l.cps[len(l.cps)-1].key.at >= from {
		l.cps = l.cps[:len(l.cps)-1]
	}
	cps := l.cps
	l.reset()
	l.cps, l.lastSeq, l.dirty = cps, 0, math.MaxInt64
	if n := len(cps); n > 0 {
		cp := &cps[n-1]
		l.st, l.key, l.high, l.lastSeq = cp.st.Clone(), cp.key, cp.key.at, cp.lowSeq-1
	}
	base := l.key
	l.out = append(l.out, l.rewound())
	// Records known to be very late take part from the start.
	known := make(map[uint64]bool, len(l.late))
	for i := range l.late {
		l.late[i].at = l.clk.Place(&l.late[i].rec)
		known[l.late[i].rec.Seq] = true
	}
	slices.SortFunc(l.late, func(a, b item) int { return order(&a, &b) })
	for i := range l.late {
		if order(&l.late[i], &base) > 0 {
			l.tail = append(l.tail, l.late[i])
		}
	}
	var more []item
	err := replay(l.lastSeq, func(r *meter.Record) error {
		l.lastSeq = max(l.lastSeq, r.Seq)
		l.note(r)
		if l.Stale() || known[r.Seq] {
			// What was folded must be folded again; only evidence counts now.
			return nil
		}
		it := l.place(r)
		if order(&it, &base) <= 0 {
			return nil // is in the checkpoint
		}
		l.high = max(l.high, l.clk.Arrival(&it.rec))
		if it.at <= l.high-window {
			more = append(more, it)
			return nil
		}
		if more != nil {
			return nil // a second reading will sort those in
		}
		l.insert(it)
		l.foldThrough(l.high - window)
		return nil
	})
	if err != nil {
		l.dirty = min(l.dirty, from)
		return err
	}
	for i := range more {
		l.dirty = min(l.dirty, more[i].at)
	}
	l.late = append(l.late, more...)
	if !l.Stale() {
		l.late = nil // found again when needed: they may be many
		l.settle(l.high - Delay)
	}
	return nil
}

// rewound says from where on everything will be told again. The state is that
// of a checkpoint: all that was told lies before its last record, all that will
// be told begins with it.
func (l *Ledger) rewound() Event {
	if l.st.Seen == 0 {
		return Event{Kind: Rewound, At: math.MinInt64}
	}
	return Event{Kind: Rewound, At: l.key.at}
}

// Unsettled reports whether some records are still provisional.
func (l *Ledger) Unsettled() bool { return len(l.tail) > 0 }

// Take hands out the events since the last call.
func (l *Ledger) Take() []Event {
	e := l.out
	l.out = nil
	return e
}

// LastSeq returns the highest order of arrival taken in.
func (l *Ledger) LastSeq() uint64 { return l.lastSeq }

// Here returns the instant of an arrival by the rig's clock, for callers that
// know the time only by that clock.
func (l *Ledger) Here(boot uint32, mono, wall int64) int64 {
	if _, known := l.clk.Boots[boot]; !known {
		return wall
	}
	r := meter.Record{Boot: boot, Mono: mono, Wall: wall}
	return l.clk.Arrival(&r)
}

// View returns everything derived so far, the provisional tail with it.
func (l *Ledger) View() *View {
	st := l.st.Clone()
	for i := range l.tail {
		st.step(l.cfg, &l.tail[i], nil)
	}
	sp := l.cfg.spans[len(l.cfg.spans)-1]
	if st.Seen > 0 {
		sp = *l.cfg.at(st.At)
	}
	v := &View{Rig: l.rig, At: st.At, Records: st.Seen, Zone: sp.rig.Zone, Total: st.total(&sp),
		Gaps: st.Gaps, Yards: l.cfg.yards, PulseVolume: sp.pulse,
		Tote: st.toteNow(&sp, st.At), Syrup: st.Syrup, Air: st.Air}
	if l.st.Seen > 0 {
		v.Settled = l.key.at
	}
	if p, ok := st.Fill.Pending(sp.fills); ok {
		y, k := st.stood()
		n := len(st.Fills)
		st.closed(l.cfg, &p, y, k, nil)
		for i := n; i < len(st.Fills); i++ {
			st.Fills[i].Open = true
		}
	}
	v.Fills, v.Loose = st.Fills, st.Loose
	v.Here = here(&st)
	v.Flow, v.FlowAt = st.flowNow()
	if sp.batch != nil {
		v.Brix = Last{Value: sp.batch.Brix, At: sp.from, Has: true}
	}
	v.Review = slices.Concat(l.cfg.review, st.Review)
	hit := make(map[string]bool, len(st.Hit))
	for _, id := range st.Hit {
		hit[id] = true
	}
	for i := range l.cfg.assigns {
		if id := l.cfg.assigns[i].ID; !hit[id] {
			v.Review = append(v.Review, Review{id, "names counts that no flow has"})
		}
	}
	v.Placed.By, v.Placed.Epochs, v.Placed.Unsure, v.Placed.Steps = l.clk.Summary()
	return v
}

func here(st *State) Here {
	h := Here{Since: st.Yard.Since, FixAt: st.Yard.FixAt}
	y, known := st.Yard.At(st.At)
	switch {
	case !known:
		h.Reason = NoPosition
	case y == "":
		h.Reason = NoYard
	default:
		h.Yard, h.Reason = y, ByPosition
	}
	return h
}

// ToteRoom returns the volume that the tote can still give, where it is known.
func (v *View) ToteRoom() (quantity.Volume, bool) { return v.Tote.Usable, v.Tote.Known }

// saved is a checkpoint as it is kept in the journal, to start fast.
type saved struct {
	Version int
	Acts    []act.Act
	Clock   clock.Clock
	State   State
	KeyAt   int64
	Key     meter.Record
	LowSeq  uint64
	LastSeq uint64
}

// savedVersion changes whenever a change of the code could change a result.
const savedVersion = 2

// Save returns the newest checkpoint for Load, or nil if there is none. It is a
// cache: losing it loses nothing but time.
func (l *Ledger) Save() ([]byte, error) {
	if l.Stale() || len(l.cps) == 0 {
		return nil, nil
	}
	cp := &l.cps[len(l.cps)-1]
	return json.Marshal(saved{savedVersion, l.standing, l.clk, cp.st, cp.key.at, cp.key.rec, cp.lowSeq, l.lastSeq})
}

// Load starts from a saved state, if it was saved by this version under the
// acts that the ledger has now, and takes in the records after it. After an
// error the ledger is to be rebuilt.
func (l *Ledger) Load(data []byte, replay Replay) error {
	var s saved
	if err := json.Unmarshal(data, &s); err != nil {
		return fmt.Errorf("checkpoint: %w", err)
	}
	if s.Version != savedVersion {
		return fmt.Errorf("checkpoint: version must be %d, is %d", savedVersion, s.Version)
	}
	if len(diff(s.Acts, l.standing)) > 0 {
		return errors.New("checkpoint: acts have changed since")
	}
	l.reset()
	l.clk, l.noted = s.Clock, s.LastSeq
	l.clk.SetFixes(l.cfg.fixes)
	l.starts = l.clk.Starts()
	l.st, l.key, l.high, l.lastSeq = s.State, item{at: s.KeyAt, rec: s.Key}, s.KeyAt, s.LowSeq-1
	l.cps = []checkpoint{{key: l.key, lowSeq: s.LowSeq, st: l.st.Clone()}}
	l.dirty = math.MaxInt64
	l.out = append(l.out, l.rewound())
	return replay(s.LowSeq-1, func(r *meter.Record) error {
		if r.Seq <= s.LastSeq {
			if it := l.place(r); order(&it, &l.key) <= 0 {
				return nil // was folded before the state was saved
			}
		}
		l.Add(r)
		return nil
	})
}
