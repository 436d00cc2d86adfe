// Package clock places records on UTC from evidence alone.
//
// Nothing on a rig is sure of the time: the board may have no battery for its
// clock, a sender's clock may jump in the middle of the night. What runs true
// are counts of elapsed time: the boot's monotonic clock, a counter board's
// uptime. So a record is placed by such a count plus an offset, and the offset
// is derived from everything that was ever seen of that clock: a fix holds
// back to the start of its epoch. Within an epoch the count alone gives the
// order.
//
// A Clock is a function of the set of records and fixes noted, not of their
// order (as long as no clock was seen in more than maxStates states).
package clock

import (
	"math"
	"sort"

	"yardtally/meter"
)

const (
	second = int64(1_000_000_000)

	// Two values of (clock - elapsed) that are this near belong to one state of
	// that clock. Steps are whole seconds and more; stamps jitter by
	// milliseconds.
	near = second

	// Satellite seconds reach us with a delay that varies within the second.
	nearSat = 2 * second

	// A message without uptime may be this much later than the one before it.
	nearHeard = 60 * second

	// A sender of whom even the quickest message looks older than slow, or comes
	// from the future by more than ahead, has a wrong clock. It has not if its
	// messages came bunched: then they had waited somewhere, for stale at most.
	slow  = 600 * second
	stale = 12 * 3600 * second
	ahead = 20 * second

	// Two states of a sender whose uptime began this near each other are of one
	// session of its board.
	oneSession = 60 * second

	// No wall clock before this instant (2024-01-01) can be right.
	builtAfter = int64(1_704_067_200) * second

	// No stamp beyond this (2115) is a time.
	noTime = int64(4_600_000_000) * second
)

// boot is what is known of one stretch of the daemon's monotonic clock.
type boot struct {
	Lo, Hi int64   // range of Mono seen
	Sat    cluster // satellite seconds that came straight to us
	SatFar cluster // those in stamped messages, later by some seconds perhaps
	Wall   cluster
	Sent   cluster // stamps, where our own clock says nothing
	FileLo int64   // lowest stamp of an import, which says nothing of arrival
	Fix    *Fix
}

// Fix says which UTC an instant of a boot was.
type Fix struct {
	Mono, UTC int64
	By        string
	When      int64 // when it was said
}

// Yields reports whether, of two fixes of one boot, f gives way to g. What a
// person read off a watch counts above all others, and the later above the
// earlier: later by the boot's own count, as it is the clock that was wrong by
// which When was told.
func (f Fix) Yields(g Fix) bool {
	if a, b := f.By == ByPerson, g.By == ByPerson; a != b {
		return b
	}
	if f.Mono != g.Mono {
		return f.Mono < g.Mono
	}
	return f.When <= g.When
}

// Clock holds the evidence. The zero value is ready. It is not safe for
// concurrent use. Its fields are exported for checkpoints only.
type Clock struct {
	Boots   map[uint32]*boot
	Senders map[string]*sender

	offsets map[uint32]placed // derived with the senders' placing; nil when stale
	asked   offsetOf          // the offset asked for last, while offsets holds
	newest  uint32            // highest number of a boot
	earlier bool              // as Earlier says
}

// offsetOf is a boot and its place.
type offsetOf struct {
	n     uint32
	known bool
	placed
}

type placed struct {
	off    int64
	by     string
	unsure bool
	put    bool // the own clock was put right while we looked on
}

// How a boot was placed, best first.
const (
	ByPerson     = "hand"
	BySatellites = "satellites"
	ByPhone      = "phone" // or "network": as the fix says
	ByOwnClock   = "own clock"
	BySender     = "sender"
	ByNeighbours = "its neighbours"
)

// stamped reports whether the sender gave a time that can be one.
func stamped(r *meter.Record) bool { return r.Sent != 0 && r.Sent < noTime && r.Sent > -noTime }

// imported reports whether nothing is known of the record's arrival.
func imported(r *meter.Record) bool { return r.Wall == 0 && r.Mono == 0 }

// rel is how long before its arrival an unstamped record was said.
func rel(r *meter.Record) int64 {
	if r.Rel > 0 || r.Rel < -stale {
		return 0
	}
	return r.Rel
}

// Note takes in the evidence of a record and reports whether records noted
// before may now be placed elsewhere. A record is to be noted once.
func (c *Clock) Note(r *meter.Record) bool {
	if c.Boots == nil {
		c.Boots, c.Senders = make(map[uint32]*boot), make(map[string]*sender)
	}
	at := r.Mono + rel(r)
	changed := false
	b := c.Boots[r.Boot]
	if b == nil {
		b = &boot{Lo: at, Hi: r.Mono}
		c.Boots[r.Boot] = b
		c.newest = max(c.newest, r.Boot)
		changed = true
	} else if at < b.Lo || (r.Mono > b.Hi && r.Boot != c.newest) {
		changed = true // its neighbours may lean on its ends
	}
	b.Lo, b.Hi = min(b.Lo, at), max(b.Hi, r.Mono)
	up, hasUp := r.Value(meter.Uptime)
	sat, hasSat := r.Value(meter.UTC)
	if r.Wall != 0 {
		changed = b.Wall.note(r.Wall-r.Mono, r.Mono, near) || changed
	}
	switch {
	case !stamped(r):
		if hasSat {
			changed = b.Sat.note(seconds(sat)-at, at, nearSat) || changed
		}
	case imported(r):
		if b.FileLo == 0 || r.Sent < b.FileLo {
			b.FileLo, changed = r.Sent, true
		}
	default:
		if hasSat {
			changed = b.SatFar.note(seconds(sat)-r.Mono, r.Mono, nearSat) || changed
		}
		if r.Wall < builtAfter && r.Sent >= builtAfter {
			changed = b.Sent.note(r.Sent-r.Mono, r.Mono, near) || changed
		}
	}
	if stamped(r) {
		changed = c.noteSender(r, seconds(up), hasUp, seconds(sat), hasSat) || changed
	}
	if changed {
		c.offsets = nil
	}
	return changed
}

// SetFixes replaces what people and the network said of the boots' clocks.
func (c *Clock) SetFixes(of func(boot uint32) (Fix, bool)) {
	for n, b := range c.Boots {
		if f, ok := of(n); ok {
			b.Fix = &f
		} else {
			b.Fix = nil
		}
	}
	c.offsets = nil
}

// Place returns the instant of a record that was noted, in Unix nanoseconds.
func (c *Clock) Place(r *meter.Record) int64 {
	arrived := r.Mono + c.offset(r.Boot).off
	if !stamped(r) {
		return arrived + rel(r)
	}
	s := c.Senders[r.Source]
	if s == nil {
		return arrived
	}
	if up, ok := r.Value(meter.Uptime); ok {
		up := seconds(up)
		if i := s.Sent.of(r.Sent-up, near); i >= 0 {
			return up + s.placing[i].off
		}
	} else if i := s.nearest(r); i >= 0 {
		return r.Sent + s.placing[i].off - s.Sent[i].FirstOff
	}
	if imported(r) {
		return r.Sent
	}
	if c.Boots[r.Boot].noArrival() {
		if i := s.saidIn(r); i >= 0 {
			return r.Sent + s.placing[i].off - s.Sent[i].FirstOff
		}
	}
	if h := s.Heard[r.Boot]; h != nil {
		if i := h.of(r.Sent-r.Mono, nearHeard); i >= 0 {
			hi, lo := coarse((*h)[i].Hi), coarse((*h)[i].Lo)
			if off := arrived - r.Mono; onTime(off-hi, hi-lo) {
				return r.Sent
			}
			return arrived
		}
	}
	if onTime(arrived-r.Sent, 0) {
		return r.Sent
	}
	return arrived
}

// onTime reports whether a clock whose messages took this long at least, and
// differed in that by so much, can be right.
func onTime(least, spread int64) bool {
	return least >= -ahead && (least <= slow || (least <= stale && spread >= slow))
}

// Arrival returns the instant a record reached us; for an import, the instant
// it is placed at.
func (c *Clock) Arrival(r *meter.Record) int64 {
	if imported(r) && stamped(r) {
		return c.Place(r)
	}
	return r.Mono + c.offset(r.Boot).off
}

// offset returns UTC minus monotonic time of a boot.
func (c *Clock) offset(n uint32) placed {
	if c.offsets == nil {
		c.derive()
		c.asked.known = false
	}
	if !c.asked.known || c.asked.n != n {
		c.asked = offsetOf{n, true, c.offsets[n]}
	}
	return c.asked.placed
}

func (c *Clock) derive() {
	c.placeBoots()
	for _, s := range c.Senders {
		c.placeSender(s)
	}
}

func (c *Clock) placeBoots() {
	c.offsets = make(map[uint32]placed, len(c.Boots))
	order := make([]uint32, 0, len(c.Boots))
	for n := range c.Boots {
		order = append(order, n)
		c.newest = max(c.newest, n)
	}
	sort.Slice(order, func(i, j int) bool { return order[i] < order[j] })
	var lost []int
	for i, n := range order {
		b := c.Boots[n]
		p := placed{}
		w, sat, far, sent := b.Wall.leader(), b.Sat.leader(), b.SatFar.leader(), b.Sent.leader()
		switch {
		case b.Fix != nil && b.Fix.By == ByPerson:
			p = b.Fix.placed()
		case sat != nil && sat.N >= steady:
			p = placed{off: sat.quick(), by: BySatellites}
		case far != nil && far.N >= steady && !b.near(far.quick(), w):
			p = placed{off: far.quick(), by: BySatellites}
		case b.Fix != nil:
			p = b.Fix.placed()
		case w != nil && w.FirstOff+b.Hi >= builtAfter:
			p = placed{off: w.FirstOff, by: ByOwnClock, put: b.Wall.steps() > 0}
		case sent != nil:
			p = placed{off: sent.quick(), by: BySender}
		case b.FileLo != 0:
			p = placed{off: b.FileLo, by: BySender}
		default:
			if w != nil {
				p.off = w.FirstOff
			}
			p.by, p.unsure = ByNeighbours, true
			lost = append(lost, i)
		}
		c.offsets[n] = p
	}
	// A boot that knows nothing of the time starts a second after the one
	// before it ended, or ends a second before the one after it began.
	for _, i := range lost {
		b, p := c.Boots[order[i]], c.offsets[order[i]]
		if i > 0 {
			prev := order[i-1]
			p.off = c.Boots[prev].Hi + c.offsets[prev].off + second - b.Lo
		} else if n, ok := c.firstSure(order); ok {
			p.off = c.Boots[n].Lo + c.offsets[n].off - second - b.Hi
		}
		c.offsets[order[i]] = p
	}
	c.part(order)
}

func (f *Fix) placed() placed { return placed{off: f.UTC - f.Mono, by: f.By} }

// near reports whether the finest other clock of a boot, whose own is w, agrees
// with satellite seconds that came by way of a sender: it is the truer then, as
// nobody knows how long they were on the way.
func (b *boot) near(sat int64, w *state) bool {
	switch {
	case b.Fix != nil:
		return abs(sat-(b.Fix.UTC-b.Fix.Mono)) <= 60*second
	case w != nil:
		return abs(sat-w.FirstOff) <= 60*second
	}
	return false
}

// part sees to it that every boot begins after the one before it ended. Where
// two placings contradict each other, the one that is known worse yields; of
// two that are known as well, the later boot waits for the earlier one to end,
// unless that is more than a day ahead and so was far in the future.
func (c *Clock) part(order []uint32) {
	live := order[:0:0]
	for _, n := range order {
		if !c.Boots[n].noArrival() {
			live = append(live, n)
		}
	}
	begin := func(n uint32) int64 { return c.Boots[n].Lo + c.offsets[n].off }
	end := func(n uint32) int64 { return c.Boots[n].Hi + c.offsets[n].off }
	shift := func(n uint32, by int64) {
		p := c.offsets[n]
		p.off, p.unsure = p.off+by, true
		c.offsets[n] = p
	}
	for i := 1; i < len(live); i++ {
		over := end(live[i-1]) - begin(live[i])
		if over < 0 {
			continue
		}
		mine, other := rank(c.offsets[live[i]]), rank(c.offsets[live[i-1]])
		if mine < other || (mine == other && over <= 24*3600*second) {
			shift(live[i], over+second)
			continue
		}
		for k := i - 1; k >= 0 && rank(c.offsets[live[k]]) <= mine; k-- {
			over := end(live[k]) - begin(live[k+1])
			if over < 0 {
				break
			}
			shift(live[k], -over-second)
		}
	}
}

// noArrival reports whether nothing but imports came in this boot: what arrives
// is stamped with the wall clock, right or wrong. A night found on an old card
// may have any place among the boots.
func (b *boot) noArrival() bool { return len(b.Wall.States) == 0 }

// rank says how much a placing is worth beside another.
func rank(p placed) int {
	switch p.by {
	case ByNeighbours:
		return 0
	case BySender, ByOwnClock:
		if p.put {
			return 2 // as good as one that the network told
		}
		return 1
	case BySatellites:
		return 3
	case ByPerson:
		return 4
	}
	return 2
}

func (c *Clock) firstSure(order []uint32) (uint32, bool) {
	for _, n := range order {
		if !c.offsets[n].unsure {
			return n, true
		}
	}
	return 0, false
}

// Epoch names a stretch of a clock.
type Epoch struct {
	boot   uint32
	source string // "" for our own clock
	late   bool   // the earliest of messages that may have been late
	off    int64  // of its first member
	at     int64
}

// Earlier reports whether a stretch may begin earlier than Starts last said
// though no clock moved: a message came late, and was the first.
func (c *Clock) Earlier() bool { return c.earlier }

// Starts returns, for every stretch of every clock, the instant at which it is
// placed to begin. Where one of them moves, so do all records of that stretch.
func (c *Clock) Starts() map[Epoch]int64 {
	c.earlier = false
	n := len(c.Boots)
	for _, s := range c.Senders {
		n += len(s.Sent)
		for _, h := range s.Heard {
			n += 2 * len(*h)
		}
	}
	out := make(map[Epoch]int64, n)
	for n, b := range c.Boots {
		out[Epoch{boot: n}] = b.Lo + c.offset(n).off
	}
	for name, s := range c.Senders {
		for i := range s.Sent {
			st := &s.Sent[i]
			out[Epoch{source: name, off: st.FirstOff, at: st.FirstAt}] = st.FirstAt + s.placing[i].off
		}
		for n, h := range s.Heard {
			for i := range *h {
				st := &(*h)[i]
				r := meter.Record{Boot: n, Mono: st.FirstAt, Wall: 1, Sent: st.FirstAt + st.FirstOff, Source: name}
				e, at := Epoch{boot: n, source: name, off: st.FirstOff, at: st.FirstAt}, c.Place(&r)
				out[e] = at
				e.late = true
				out[e] = at - r.Sent + st.SentLo
			}
		}
	}
	return out
}

// Summary says how well the clock is known: how the newest boot is placed, how
// many boots there are, how many of them without a fix of any kind, and how
// many steps of clocks were seen.
func (c *Clock) Summary() (by string, epochs, unsure, steps int) {
	for n, b := range c.Boots {
		p := c.offset(n)
		if p.unsure {
			unsure++
		}
		if n == c.newest {
			by = p.by
		}
		steps += b.Wall.steps()
	}
	for _, s := range c.Senders {
		steps += s.steps
	}
	return by, len(c.Boots), unsure, steps
}

// seconds returns s in ns, held within what can be a time.
func seconds(s float64) int64 {
	return int64(math.Round(max(-float64(noTime), min(float64(noTime), s*1e9))))
}

func abs(x int64) int64 {
	if x < 0 {
		return -x
	}
	return x
}
