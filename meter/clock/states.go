package clock

import (
	"math"
	"sort"
)

// state is one stretch of values of (clock - elapsed) that hang together: the
// clock ran on without a step.
type state struct {
	Lo, Hi   int64
	N        uint64
	FirstAt  int64 // lowest elapsed time of a member
	FirstOff int64 // and that member's value: what the state stands for
	LastAt   int64 // highest elapsed time of a member

	// Of a value that lessens with every ns its message is on the way, the
	// highest, less a share of its elapsed time: see quick.
	Best, BestAt int64

	// For the stamps of senders: their range, and how they arrived.
	SentLo, SentHi int64
	Heard          []arrivals // in order of Boot
}

// arrivals is how the messages of a state reached us in one boot: arrival -
// elapsed, the least of all and that of the first member.
type arrivals struct {
	Boot    uint32
	Known   bool  // false for imports, which do not say when anything arrived
	Lo, Hi  int64 // least delay and most
	FirstAt int64
	First   int64

	Best, BestAt int64 // as in state, of -(arrival - elapsed)
}

// drift is more than two clocks run apart, as a divisor: 200 ppm. Crystals keep
// 100 ppm; common practice, no source.
const drift = 5000

// better reports whether of two members the first came quicker: by its value
// less what two clocks may have run apart by then. So a quick message counts
// all the more the earlier it was, and weeks of drift move nothing.
func better(best, at, than, thanAt int64) bool {
	return best > than || (best == than && at < thanAt)
}

// quick is the value of a state's quickest member, where the first was slower
// than that by more than a second. It is rounded down to some 0.3 s, lest
// everything be placed anew for every ms.
func quick(first, best, at int64) int64 {
	if v := best + at/drift; v-first > second {
		return v &^ (1<<28 - 1)
	}
	return first
}

func (s *state) quick() int64    { return quick(s.FirstOff, s.Best, s.BestAt) }
func (a *arrivals) quick() int64 { return -quick(-a.First, a.Best, a.BestAt) }

// in returns how a state was heard in a boot, nil if it was not.
func (s *state) in(boot uint32) *arrivals {
	for i := range s.Heard {
		if s.Heard[i].Boot == boot {
			return &s.Heard[i]
		}
	}
	return nil
}

// hear takes in arrivals and reports whether anything of them moved.
func (s *state) hear(b *arrivals) bool {
	if a := s.in(b.Boot); a != nil {
		return a.absorb(b)
	}
	i := 0
	for i < len(s.Heard) && s.Heard[i].Boot < b.Boot {
		i++
	}
	s.Heard = append(s.Heard[:i:i], append([]arrivals{*b}, s.Heard[i:]...)...)
	return true
}

// absorb merges b, of the same boot, into a and reports whether anything moved.
func (a *arrivals) absorb(b *arrivals) bool {
	was := *a
	a.Known = a.Known || b.Known
	a.Lo, a.Hi = min(a.Lo, b.Lo), max(a.Hi, b.Hi)
	if b.FirstAt < a.FirstAt || (b.FirstAt == a.FirstAt && b.First < a.First) {
		a.FirstAt, a.First = b.FirstAt, b.First
	}
	if better(b.Best, b.BestAt, a.Best, a.BestAt) {
		a.Best, a.BestAt = b.Best, b.BestAt
	}
	return coarse(a.Lo) != coarse(was.Lo) || coarse(a.Hi) != coarse(was.Hi) || a.First != was.First || a.Known != was.Known || a.quick() != was.quick()
}

// coarse rounds down to some 9 s. How quickly messages came is known, and
// judged, no better than that: it changes with every message of a backlog.
func coarse(x int64) int64 { return x &^ (1<<33 - 1) }

// maxStates bounds what a clock that means nothing can cost: values beyond
// that many states are not remembered, and their records go by other evidence.
const maxStates = 512

// steady is how many members make a state that one outlier cannot be.
const steady = 3

// settled is how long a clock must have kept to a new state, in elapsed time,
// before it is believed over the one before.
const settled = 10 * second

// states are single-linkage clusters, in order of Lo. Which values end up
// together does not depend on the order they come in.
type states []state

// note adds a member. It returns the state's index, -1 where there is no room,
// and whether more moved than the state's end.
func (ss *states) note(v, at, tol int64, m state) (int, bool) {
	m.Lo, m.Hi, m.N, m.FirstAt, m.FirstOff, m.LastAt = v, v, 1, at, v, at
	m.Best, m.BestAt = v-at/drift, at
	list := *ss
	i := 0
	if n := len(list); n > 0 && list[n-1].Lo <= v {
		i = n - 1 // as a rule it is the newest session's
		if list[i].Hi < v-tol {
			i = n
		}
	} else {
		i = sort.Search(n, func(i int) bool { return list[i].Hi >= v-tol })
	}
	if i == len(list) || list[i].Lo > v+tol {
		if len(list) >= maxStates {
			return -1, false
		}
		list = append(list, state{})
		copy(list[i+1:], list[i:])
		list[i] = m
		*ss = list
		return i, true
	}
	changed := list[i].absorb(&m)
	for i+1 < len(list) && list[i+1].Lo <= list[i].Hi+tol {
		list[i].absorb(&list[i+1])
		list = append(list[:i+1], list[i+2:]...)
		changed = true
	}
	*ss = list
	return i, changed
}

// absorb merges m into s and reports whether anything moved but s's end.
func (s *state) absorb(m *state) bool {
	changed := s.N < steady // until then each member counts
	changed = changed || coarse(m.Hi) > coarse(s.Hi) || coarse(m.Lo) < coarse(s.Lo)
	stood := s.quick()
	s.Lo, s.Hi = min(s.Lo, m.Lo), max(s.Hi, m.Hi)
	if better(m.Best, m.BestAt, s.Best, s.BestAt) {
		s.Best, s.BestAt = m.Best, m.BestAt
	}
	if m.FirstAt < s.FirstAt || (m.FirstAt == s.FirstAt && m.FirstOff < s.FirstOff) {
		changed = true
		s.FirstAt, s.FirstOff = m.FirstAt, m.FirstOff
	}
	s.N += m.N
	s.LastAt = max(s.LastAt, m.LastAt)
	s.SentLo, s.SentHi = min(s.SentLo, m.SentLo), max(s.SentHi, m.SentHi)
	for i := range m.Heard {
		changed = s.hear(&m.Heard[i]) || changed
	}
	return changed || s.quick() != stood
}

// of returns the index of the state that v belongs to, or -1.
func (ss states) of(v, tol int64) int {
	i := sort.Search(len(ss), func(i int) bool { return ss[i].Hi >= v })
	switch {
	case i < len(ss) && ss[i].Lo <= v:
		return i
	case i > 0 && v-ss[i-1].Hi <= tol:
		return i - 1
	case i < len(ss) && ss[i].Lo-v <= tol:
		return i
	}
	return -1
}

// leader returns which of the states in group says what the clock is: the one
// it was in last, if it kept to it; of several that it was in within moments,
// the oldest, so that a clock that flickers does not take us with it. firm
// says that more members of the leader cannot change the choice. It returns -1
// for an empty group.
func (ss states) leader(group []int) (lead int, firm bool) {
	least, newest := uint64(0), int64(math.MinInt64)
	for _, i := range group {
		if ss[i].N >= steady {
			least = steady // only steady ones count then
		}
	}
	for _, i := range group {
		if ss[i].N >= least {
			newest = max(newest, ss[i].LastAt)
		}
	}
	lead = -1
	for _, i := range group {
		s := &ss[i]
		if s.N < least || s.LastAt < newest-settled {
			continue
		}
		if lead < 0 || s.FirstAt < ss[lead].FirstAt || (s.FirstAt == ss[lead].FirstAt && s.FirstOff < ss[lead].FirstOff) {
			lead = i
		}
	}
	firm = lead >= 0 && least == steady
	for _, i := range group {
		if i != lead && ss[i].N >= least && ss[i].LastAt >= newest-settled {
			firm = false
		}
	}
	return lead, firm
}

// cluster is the states of one clock over one boot.
type cluster struct {
	States states
	lead   int  // index of the leader, meaningful if firm
	firm   bool // more members of the leader change nothing
}

// note adds a member and reports whether the choice of leader, or what it
// stands for, may have changed.
func (c *cluster) note(v, at, tol int64) bool {
	i, changed := c.States.note(v, at, tol, state{})
	if i < 0 || (!changed && c.firm && i == c.lead) {
		return false
	}
	c.lead, c.firm = c.States.leader(c.all())
	return true
}

func (c *cluster) all() []int {
	group := make([]int, len(c.States))
	for i := range group {
		group[i] = i
	}
	return group
}

// leader returns the state to go by, nil if there is none.
func (c *cluster) leader() *state {
	if len(c.States) == 0 {
		return nil
	}
	i, _ := c.States.leader(c.all())
	return &c.States[i]
}

// steps returns how many steps the clock made.
func (c *cluster) steps() int {
	n := 0
	for i := range c.States {
		if c.States[i].N >= steady {
			n++
		}
	}
	return max(0, n-1)
}
