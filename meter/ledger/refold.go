package ledger

import (
	"errors"
	"math"
	"slices"

	"yardtally/meter"
)

// checkpoint is a state from which folding can go on.
type checkpoint struct {
	key    *item  // the last record folded
	lowSeq uint64 // every record that belongs after key has at least this Seq
	st     State
}

func (l *Ledger) settle(through int64) {
	folded := l.foldThrough(through)
	if l.tellAccount() || folded {
		l.out = append(l.out, Event{Kind: Told, At: l.key.at})
	}
}

// foldThrough folds the tail up to an instant and reports whether it had
// anything to fold.
func (l *Ledger) foldThrough(through int64) bool {
	any := false
	for l.tail.len() > 0 && l.tail.items()[0].at <= through {
		l.fold(l.tail.pop())
		any = true
	}
	return any
}

// fold steps the settled state, leaving a checkpoint now and then.
func (l *Ledger) fold(it *item) {
	if n := len(l.cps); l.st.clean() && (n == 0 || it.at-l.cps[n-1].key.at >= checkpointEvery) {
		cp := checkpoint{key: l.key.clone(), lowSeq: min(it.rec.Seq, l.lowSeq()), st: l.st.Clone()}
		cp.st.Last = cp.key.rec
		l.cps = append(l.cps, cp)
		if len(l.cps) > mostCheckpoints {
			l.thin()
		}
	}
	l.st.step(l.cfg, it, l.tell)
	if l.mine {
		l.tail.give(l.key)
	}
	l.key, l.mine = it, true
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
	for _, it := range l.tail.items() {
		low = min(low, it.rec.Seq)
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
	cps, made := l.cps, l.made
	l.made = nil
	l.reset()
	l.cps, l.lastSeq, l.dirty = cps, 0, math.MaxInt64
	if n := len(cps); n > 0 {
		cp := &cps[n-1]
		l.st, l.key, l.high, l.lastSeq = cp.st.Clone(), cp.key, cp.key.at, cp.lowSeq-1
	}
	base, ahead := l.key, l.ahead
	l.recall(made)
	l.rewind()
	// Records known to be very late take part from the start.
	known := make(map[uint64]bool, len(l.late))
	for i := range l.late {
		l.late[i].at = l.clk.Place(&l.late[i].rec)
		known[l.late[i].rec.Seq] = true
	}
	slices.SortFunc(l.late, order)
	for i := range l.late {
		if order(l.late[i], base) > 0 {
			l.tail.insert(l.late[i].clone()) // late may be needed again
		}
	}
	var more []*item
	least := int64(math.MaxInt64)
	err := replay(l.lastSeq, func(r *meter.Record) error {
		l.lastSeq = max(l.lastSeq, r.Seq)
		l.note(r)
		if l.Stale() || known[r.Seq] {
			// What was folded must be folded again; only evidence counts now.
			return nil
		}
		it := l.place(r)
		if order(it, base) <= 0 {
			l.tail.give(it)
			return nil // is in the checkpoint
		}
		l.arrived(it)
		if it.at <= l.high-ahead && ahead < mostAhead {
			// Others later than this one may lie before it: all count.
			l.ahead, least = mostAhead, min(least, it.at)
			l.tail.give(it)
			return nil
		}
		if it.at <= l.high-ahead {
			more = append(more, it)
			return nil
		}
		if more != nil || least != math.MaxInt64 {
			l.tail.give(it)
			return nil // a second reading will sort those in
		}
		l.tail.insert(it)
		l.foldThrough(l.high - ahead)
		return nil
	})
	if err != nil {
		l.dirty = min(l.dirty, from)
		return err
	}
	l.dirty = min(l.dirty, least)
	for i := range more {
		l.dirty = min(l.dirty, more[i].at)
	}
	l.late = append(l.late, more...)
	if !l.Stale() {
		l.late = nil // found again when needed: they may be many
		l.foldThrough(l.high - l.wait())
		l.tellAccount()
		l.out = append(l.out, Event{Kind: Told, At: l.key.at})
	}
	return nil
}

// rewind says from where on everything will be told again. The state is that
// of a checkpoint: all that was told lies before its last record, all that will
// be told begins with it.
func (l *Ledger) rewind() {
	e := Event{Kind: Rewound, At: math.MinInt64}
	if l.st.Seen > 0 {
		e.At = l.key.at
	}
	l.out = append(l.out, e)
	l.told.cut(e.At)
}

// recall takes up accounts of outings that were over before the state.
func (l *Ledger) recall(made []made) {
	for i := range made {
		if m := &made[i]; !m.from.over || m.from.flows > len(l.st.Flows) || m.from.now >= l.key.at {
			made = made[:i]
			break
		}
	}
	l.made = made
	l.remade = [2]int{}
	if n := len(made); n > 0 {
		l.remade = [2]int{len(made[n-1].after.fills), len(made[n-1].after.loose)}
	}
}
