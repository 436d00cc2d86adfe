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
// order.
package clock

import (
	"math"
	"sort"
	"strconv"

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

	// A sender whose newest message looks older than this, or comes from the
	// future by more than ahead, has a wrong clock, where ours is fixed.
	stale = 12 * 3600 * second
	ahead = 10 * second

	// No wall clock before this instant (2024-01-01) can be right.
	builtAfter = int64(1_704_067_200) * second
)

// state is one stretch of values of (clock - elapsed) that hang together.
type state struct {
	Lo, Hi   int64
	N        uint64
	FirstAt  int64 // lowest elapsed time of a member
	FirstOff int64 // and that member's value: what the state stands for
	LastAt   int64 // highest elapsed time of a member

	// For senders: the range of raw stamps, and, in the first boot that heard
	// this state, (arrival - elapsed): the least, and the first member's.
	SentLo, SentHi int64
	Boot           uint32
	ArrivalLo      int64
	ArrivalFirst   int64
}

// states keeps single-linkage clusters, sorted by Lo. Which values end up
// together does not depend on the order they come in.
type states []state

// note adds a member and reports whether a choice made from the states could
// now come out differently.
func (ss *states) note(v, at, tol int64, m state) bool {
	m.Lo, m.Hi, m.N, m.FirstAt, m.FirstOff, m.LastAt = v, v, 1, at, v, at
	list := *ss
	i := sort.Search(len(list), func(i int) bool { return list[i].Hi >= v-tol })
	if i == len(list) || list[i].Lo > v+tol {
		list = append(list, state{})
		copy(list[i+1:], list[i:])
		list[i] = m
		*ss = list
		return true
	}
	changed := list[i].absorb(m)
	for i+1 < len(list) && list[i+1].Lo <= list[i].Hi+tol {
		list[i].absorb(list[i+1])
		list = append(list[:i+1], list[i+2:]...)
		changed = true
	}
	*ss = list
	return changed
}

// absorb merges m into s and reports whether what s stands for moved.
func (s *state) absorb(m state) bool {
	changed := false
	s.Lo, s.Hi = min(s.Lo, m.Lo), max(s.Hi, m.Hi)
	if m.FirstAt < s.FirstAt || (m.FirstAt == s.FirstAt && m.FirstOff < s.FirstOff) {
		changed = m.FirstOff != s.FirstOff
		s.FirstAt, s.FirstOff = m.FirstAt, m.FirstOff
		if m.Boot == s.Boot {
			s.ArrivalFirst = m.ArrivalFirst
		}
	}
	// The third member makes a satellite state count.
	changed = changed || (s.N < steady && s.N+m.N >= steady)
	s.N += m.N
	s.LastAt = max(s.LastAt, m.LastAt)
	s.SentLo, s.SentHi = min(s.SentLo, m.SentLo), max(s.SentHi, m.SentHi)
	switch {
	case m.Boot < s.Boot:
		s.Boot, s.ArrivalLo, s.ArrivalFirst = m.Boot, m.ArrivalLo, m.ArrivalFirst
		changed = true
	case m.Boot == s.Boot && m.ArrivalLo < s.ArrivalLo:
		// Less delay than ever seen: only a large difference can change a choice.
		changed = changed || s.ArrivalLo-m.ArrivalLo > second
		s.ArrivalLo = m.ArrivalLo
	}
	return changed
}

// steady is how many members make a state that one outlier cannot be.
const steady = 3

// newest returns the state that was seen last, preferring steady ones.
func (ss states) newest() *state {
	var best *state
	for i := range ss {
		s := &ss[i]
		if best == nil || (s.N >= steady) != (best.N >= steady) {
			if best == nil || s.N >= steady {
				best = s
			}
			continue
		}
		if s.LastAt > best.LastAt {
			best = s
		}
	}
	return best
}

// boot is what is known of one stretch of the daemon's monotonic clock.
type boot struct {
	Lo, Hi int64  // range of Mono seen
	Sat    states // satellite seconds that came straight to us
	SatFar states // those in stamped messages, later by some seconds perhaps
	Wall   states
	Sent   states
	Fix    *Fix
}

// Fix says which UTC an instant of a boot was.
type Fix struct {
	Mono, UTC int64
	By        string
	When      int64 // when it was said: the latest wins
}

// sender is what is known of the clocks of one source that stamps.
type sender struct {
	Sent states // (stamp - uptime)
	Sat  states // (satellite time - uptime)
}

// Clock holds the evidence. The zero value is ready. It is not safe for
// concurrent use. Its fields are exported for checkpoints only.
type Clock struct {
	Boots   map[uint32]*boot
	Senders map[string]*sender

	offsets map[uint32]placed // derived, nil when stale
}

type placed struct {
	off    int64
	by     string
	unsure bool
}

// How a boot was placed, best first.
const (
	ByPerson     = "hand" // or "phone", "network": as the fix says
	BySatellites = "satellites"
	ByOwnClock   = "own clock"
	BySender     = "sender"
	ByNeighbours = "its neighbours"
)

// Note takes in the evidence of a record and reports whether records noted
// before may now be placed elsewhere. Noting a record twice does no harm to
// placing.
func (c *Clock) Note(r *meter.Record) bool {
	if c.Boots == nil {
		c.Boots, c.Senders = make(map[uint32]*boot), make(map[string]*sender)
	}
	changed := false
	b := c.Boots[r.Boot]
	if b == nil {
		b = &boot{Lo: r.Mono, Hi: r.Mono}
		c.Boots[r.Boot] = b
		changed = true
	}
	b.Lo, b.Hi = min(b.Lo, r.Mono), max(b.Hi, r.Mono)
	up, hasUp := r.Value(meter.Uptime)
	upNS := seconds(up)
	sat, hasSat := r.Value(meter.UTC)
	if r.Wall != 0 {
		changed = b.Wall.note(r.Wall-r.Mono, r.Mono, near, state{}) || changed
	}
	if hasSat && r.Sent == 0 {
		changed = b.Sat.note(seconds(sat)-(r.Mono+r.Rel), r.Mono+r.Rel, nearSat, state{}) || changed
	}
	if hasSat && r.Sent != 0 {
		changed = b.SatFar.note(seconds(sat)-r.Mono, r.Mono, nearSat, state{}) || changed
	}
	if r.Sent != 0 {
		if r.Wall == 0 {
			changed = b.Sent.note(r.Sent-r.Mono, r.Mono, near, state{}) || changed
		}
		if hasUp {
			s := c.Senders[r.Source]
			if s == nil {
				s = &sender{}
				c.Senders[r.Source] = s
			}
			m := state{SentLo: r.Sent, SentHi: r.Sent, Boot: r.Boot, ArrivalLo: r.Mono - upNS, ArrivalFirst: r.Mono - upNS}
			changed = s.Sent.note(r.Sent-upNS, upNS, near, m) || changed
			if hasSat {
				changed = s.Sat.note(seconds(sat)-upNS, upNS, nearSat, m) || changed
			}
		}
	}
	if changed {
		c.offsets = nil
	}
	return changed
}

// SetFixes replaces what people and the network said of the boots' clocks.
func (c *Clock) SetFixes(fixes map[uint32]Fix) {
	if c.Boots == nil {
		c.Boots, c.Senders = make(map[uint32]*boot), make(map[string]*sender)
	}
	for n, b := range c.Boots {
		if f, ok := fixes[n]; ok {
			b.Fix = &f
		} else {
			b.Fix = nil
		}
	}
	c.offsets = nil
}

// Place returns the instant of a record that was noted, in Unix nanoseconds.
func (c *Clock) Place(r *meter.Record) int64 {
	if r.Sent == 0 {
		return r.Mono + r.Rel + c.offset(r.Boot).off
	}
	s := c.Senders[r.Source]
	if s == nil {
		return c.believe(r)
	}
	if up, ok := r.Value(meter.Uptime); ok {
		upNS := seconds(up)
		if st := s.Sent.of(r.Sent-upNS, near); st != nil {
			return upNS + c.senderOffset(s, st)
		}
		return c.believe(r)
	}
	for i := range s.Sent {
		st := &s.Sent[i]
		if r.Sent >= st.SentLo-60*second && r.Sent <= st.SentHi+60*second {
			return r.Sent + c.senderOffset(s, st) - st.FirstOff
		}
	}
	return c.believe(r)
}

// Arrival returns the instant a record reached us.
func (c *Clock) Arrival(r *meter.Record) int64 { return r.Mono + c.offset(r.Boot).off }

// believe places a stamped record of which no uptime is known: by its stamp,
// unless our own clock is fixed and contradicts it beyond reason.
func (c *Clock) believe(r *meter.Record) int64 {
	p := c.offset(r.Boot)
	if fixed(p.by) {
		arrived := r.Mono + p.off
		if r.Sent > arrived+ahead || r.Sent < builtAfter {
			return arrived
		}
	}
	return r.Sent
}

func fixed(by string) bool { return by != ByOwnClock && by != BySender && by != ByNeighbours }

// of returns the state that v belongs to.
func (ss states) of(v, tol int64) *state {
	i := sort.Search(len(ss), func(i int) bool { return ss[i].Hi >= v })
	if i < len(ss) && ss[i].Lo <= v {
		return &ss[i]
	}
	if i > 0 && v-ss[i-1].Hi <= tol {
		return &ss[i-1]
	}
	if i < len(ss) && ss[i].Lo-v <= tol {
		return &ss[i]
	}
	return nil
}

// senderOffset returns UTC minus uptime for one state of a sender's clock.
func (c *Clock) senderOffset(s *sender, st *state) int64 {
	// The states of one session of the counter board: its clock stepped, its
	// uptime ran on, and so did our own clock beside it.
	last := st
	for i := range s.Sent {
		o := &s.Sent[i]
		if o.Boot == st.Boot && abs(o.ArrivalLo-st.ArrivalLo) < 60*second && o.LastAt > last.LastAt {
			last = o
		}
	}
	// Satellites in the same message settle it.
	for i := range s.Sat {
		o := &s.Sat[i]
		if o.N >= steady && o.Boot == st.Boot && abs(o.ArrivalLo-st.ArrivalLo) < 60*second {
			return o.FirstOff
		}
	}
	p := c.offset(st.Boot)
	if fixed(p.by) {
		late := last.ArrivalLo + p.off - last.FirstOff
		if late > stale || late < -ahead {
			return last.ArrivalFirst + p.off
		}
	}
	return last.FirstOff
}

// offset returns UTC minus monotonic time of a boot.
func (c *Clock) offset(n uint32) placed {
	if c.offsets == nil {
		c.place()
	}
	return c.offsets[n]
}

func (c *Clock) place() {
	c.offsets = make(map[uint32]placed, len(c.Boots))
	order := make([]uint32, 0, len(c.Boots))
	for n := range c.Boots {
		order = append(order, n)
	}
	sort.Slice(order, func(i, j int) bool { return order[i] < order[j] })
	var lost []int
	for i, n := range order {
		b := c.Boots[n]
		p := placed{}
		w, sat, far, sent := b.Wall.newest(), b.Sat.newest(), b.SatFar.newest(), b.Sent.newest()
		switch {
		case b.Fix != nil:
			p = placed{off: b.Fix.UTC - b.Fix.Mono, by: b.Fix.By}
		case sat != nil && sat.N >= steady:
			p = placed{off: sat.FirstOff, by: BySatellites}
		case far != nil && far.N >= steady && w != nil && abs(far.FirstOff-w.FirstOff) > 60*second:
			p = placed{off: far.FirstOff, by: BySatellites}
		case w != nil && w.FirstOff+b.Hi >= builtAfter:
			p = placed{off: w.FirstOff, by: ByOwnClock}
		case sent != nil:
			p = placed{off: sent.FirstOff, by: BySender}
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
		} else {
			for _, n := range order[1:] {
				if !c.offsets[n].unsure {
					p.off = c.Boots[n].Lo + c.offsets[n].off - second - b.Hi
					break
				}
			}
		}
		c.offsets[order[i]] = p
	}
}

// Starts returns, for every stretch of every clock, the instant at which it is
// placed to begin. Where one of them moves, so do all records of that stretch.
func (c *Clock) Starts() map[string]int64 {
	out := make(map[string]int64)
	for n, b := range c.Boots {
		out["boot "+strconv.FormatUint(uint64(n), 10)] = b.Lo + c.offset(n).off
	}
	for name, s := range c.Senders {
		for i := range s.Sent {
			st := &s.Sent[i]
			key := "sender " + strconv.FormatInt(st.FirstOff, 10) + " " + strconv.FormatInt(st.FirstAt, 10) + " " + name
			out[key] = st.FirstAt + c.senderOffset(s, st)
		}
	}
	return out
}

// Summary says how well the clock is known: how the newest boot is placed, how
// many boots there are, how many of them without a fix of any kind, and how
// many steps of clocks were seen.
func (c *Clock) Summary() (by string, epochs, unsure, steps int) {
	var newest uint32
	for n, b := range c.Boots {
		p := c.offset(n)
		if p.unsure {
			unsure++
		}
		if n >= newest {
			newest, by = n, p.by
		}
		steps += max(0, len(b.Wall)-1)
	}
	for _, s := range c.Senders {
		for i := range s.Sent {
			for j := range s.Sent {
				if i != j && s.Sent[i].Boot == s.Sent[j].Boot && s.Sent[j].LastAt > s.Sent[i].LastAt &&
					abs(s.Sent[i].ArrivalLo-s.Sent[j].ArrivalLo) < 60*second {
					steps++
					break
				}
			}
		}
	}
	return by, len(c.Boots), unsure, steps
}

func seconds(s float64) int64 { return int64(math.Round(s * 1e9)) }

func abs(x int64) int64 {
	if x < 0 {
		return -x
	}
	return x
}
