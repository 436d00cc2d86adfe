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
	"math"
	"slices"

	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/clock"
)

const (
	// Delay is how far behind the newest arrival the ledger settles, ns. A
	// message may be late by seconds.
	Delay = int64(8_000_000_000)
	// mostDelay is how far behind it settles where a source, by a clock that is
	// slow or by a line that is, keeps coming later than that, ns.
	mostDelay = int64(900_000_000_000)
	// patience is how long it waits for such a source after its last word, ns.
	patience = int64(600_000_000_000)
	// slowMany is how many late records show that it is not an accident.
	slowMany = 5
	// leastAhead is how far out of order records may be while replaying, ns,
	// before they are sorted in by a second reading; mostAhead is how far once
	// some have been. What waits to be sorted costs time.
	leastAhead = int64(20_000_000_000)
	mostAhead  = int64(600_000_000_000)
	// checkpointEvery is the spacing of checkpoints in ledger time, ns.
	checkpointEvery = int64(600_000_000_000)
	// mostCheckpoints bounds them; the older ones are thinned.
	mostCheckpoints = 96
)

// Replay reads a rig's records from the journal, those with Seq above after,
// in order of Seq. The record is the callee's only until fn returns.
type Replay func(after uint64, fn func(*meter.Record) error) error

// Ledger is one rig's ledger. It is owned by one goroutine.
type Ledger struct {
	rig      string
	stands   []act.Act // what people said and did not take back; in a house, also of the books of others
	books    *books    // what the books among it mean; nil: there are none
	standing []act.Act // that, with what the books mean in the place of their entries
	cfg      *config
	clk      clock.Clock

	st   State
	key  *item // the last record folded into st
	mine bool  // key came from tail: no checkpoint has it
	tail queue // not settled

	high    int64                 // instant of the newest arrival
	delay   int64                 // how far behind to settle
	slow    int                   // records that took longer than half of Delay
	slowAt  int64                 // arrival of the newest of them
	lastSeq uint64                // highest Seq read
	noted   uint64                // highest Seq whose evidence of the time is in clk
	starts  map[clock.Epoch]int64 // what clk.Starts was when it last changed
	late    []*item               // while refolding: records that came more than ahead late
	ahead   int64                 // how far out of order records may be while replaying, ns
	cps     []checkpoint

	made   []made // accounts of outings, and what they were made from
	told   book   // fills and loose flow as they were told last
	remade [2]int // from which fill and loose flow on they may differ from told

	dirty int64 // results at or after this instant are stale; MaxInt64: none
	out   []Event
	tell  func(Event) // appends to out
}

// New returns an empty ledger.
func New(rig string) *Ledger {
	l := &Ledger{rig: rig, cfg: compile(rig, nil), dirty: math.MaxInt64, ahead: leastAhead}
	l.tell = func(e Event) { l.out = append(l.out, e) }
	l.reset()
	return l
}

func (l *Ledger) reset() {
	l.st, l.tail, l.cps = State{}, queue{}, nil
	l.forget()
	l.key, l.mine = &item{at: math.MinInt64}, false
	l.high, l.slowAt, l.slow, l.delay = math.MinInt64, math.MinInt64, 0, Delay
}

// SetActs gives the ledger all acts of its rig and, in a house with several rigs,
// those of the house and of the other rigs of which act.OfHouse says so. The
// order does not matter.
func (l *Ledger) SetActs(all []act.Act) {
	said := slices.DeleteFunc(act.Standing(all), foldsNothing)
	changed := diff(l.stands, said)
	if len(changed) == 0 {
		return
	}
	b := l.books
	if slices.ContainsFunc(changed, func(a act.Act) bool { return touchesBooks(a.Body) }) {
		b = booksOf(l.rig, said)
	}
	standing := b.in(l.rig, said)
	if b != nil || l.books != nil || act.InHouse(said) {
		changed = diff(l.standing, standing)
	}
	old, before := l.cfg, l.standing
	l.stands, l.books, l.standing = said, b, standing
	l.cfg = compileWith(ownOf(l.rig, said), b, standing)
	l.cfg.boots = old.boots
	if len(changed) == 0 {
		return // an entry that tells nothing of what the tote held
	}
	l.forget()
	refix := false
	for i := range changed {
		switch b := changed[i].Body.(type) {
		case act.Fix:
			refix = true
		case act.Assign, act.Deem, act.Cut, act.Colony, act.Colonies, act.Arrive, act.Visit, act.Drained, act.Break, act.Route, act.Yard:
			// The account's alone.
		case act.Line, act.Target, act.Unknown:
			// Nothing is folded by them.
		case act.Proving:
			// Where it was said before, that no longer counts.
			for _, list := range [][]act.Act{before, standing} {
				for j := range list {
					if p, ok := list[j].Body.(act.Proving); ok && subject(&list[j], p) == subject(&changed[i], b) {
						l.touch(list[j].Since())
					}
				}
			}
		default:
			l.touch(changed[i].Since())
		}
	}
	if refix || len(old.fixes) != len(l.cfg.fixes) {
		l.begun()
		l.clk.SetFixes(l.cfg.fix)
		l.moved()
	}
}

// foldsNothing reports whether an act is none of the ledger's business.
func foldsNothing(a act.Act) bool {
	_, issued := a.Body.(act.Statement)
	return issued || act.OfAlarms(a.Body)
}

// NameBoot tells the id of a boot, by which the counter's sessions are named
// alike in every copy of the journal. It must come before the boot's records.
func (l *Ledger) NameBoot(n uint32, id string) {
	if l.cfg.boots == nil {
		l.cfg.boots = make(map[uint32]string)
	}
	l.cfg.boots[n] = id
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
	l.forget() // people may have named instants of that clock
	l.high = l.key.at
	tail := l.tail.items()
	for _, t := range tail {
		t.at = l.clk.Place(&t.rec)
		l.high = max(l.high, l.clk.Arrival(&t.rec))
	}
	l.tail.sort()
}

// begun takes up what a message that came late has begun earlier than when a
// clock last moved: where the clock moves next, that moves with it.
func (l *Ledger) begun() {
	if l.clk.Earlier() {
		l.starts = l.clk.Starts()
	}
}

// note takes in a record's evidence of the time, once.
func (l *Ledger) note(r *meter.Record) {
	if r.Seq <= l.noted && r.Seq != 0 {
		return
	}
	l.noted = r.Seq
	l.begun()
	if l.clk.Note(r) {
		l.clk.SetFixes(l.cfg.fix)
		l.moved()
	}
}

// Add takes in a record that the journal keeps, in order of Seq. It is copied.
func (l *Ledger) Add(r *meter.Record) {
	l.lastSeq = max(l.lastSeq, r.Seq)
	l.note(r)
	it := l.place(r)
	l.arrived(it)
	if l.st.Seen > 0 && order(it, l.key) <= 0 {
		// Too late for the tail. If it is the double of something it will
		// change nothing, but only the fold can tell.
		l.dirty = min(l.dirty, it.at)
		l.tail.give(it)
		return
	}
	l.tail.insert(it)
}

// arrived keeps the time of the newest arrival, and how long to wait for the
// slowest source: without that, a sender whose clock is half a minute slow
// would have everything derived again at each of its messages.
func (l *Ledger) arrived(it *item) {
	at := l.clk.Arrival(&it.rec)
	l.high = max(l.high, at)
	if took := at - it.at; took > Delay/2 && took < mostDelay {
		if l.slow++; l.slow > slowMany {
			l.delay = max(l.delay, took+Delay)
		}
		l.slowAt = max(l.slowAt, at)
	}
}

// wait is how far behind the newest arrival to settle.
func (l *Ledger) wait() int64 {
	if l.slowAt < l.high-patience {
		l.delay, l.slow = Delay, 0
	}
	return l.delay
}

// place copies a record to its place. The item goes into the tail, or back.
func (l *Ledger) place(r *meter.Record) *item {
	it := l.tail.take()
	it.set(l.clk.Place(r), r)
	return it
}

// Stale reports whether results must be derived again: call Refold.
func (l *Ledger) Stale() bool { return l.dirty != math.MaxInt64 }

// Settle makes final, until something says otherwise, what is Delay (longer
// while a source is slow) older than the newest arrival or than now, if now (Unix ns by the rig's clock; 0: not
// known) is later than that.
func (l *Ledger) Settle(now int64) {
	if l.Stale() {
		return
	}
	l.settle(max(l.high, now) - l.wait())
}

// Unsettled reports whether some records are still provisional.
func (l *Ledger) Unsettled() bool { return l.tail.len() > 0 }

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
		if f, ok := l.cfg.fix(boot); ok {
			return mono + f.UTC - f.Mono
		}
		return wall
	}
	r := meter.Record{Boot: boot, Mono: mono, Wall: wall}
	return l.clk.Arrival(&r)
}

// Where returns the instant at which a record that was taken in is placed.
func (l *Ledger) Where(r *meter.Record) int64 { return l.clk.Place(r) }
