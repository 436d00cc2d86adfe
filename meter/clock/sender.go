package clock

import (
	"math"
	"sort"

	"yardtally/meter"
)

// sender is what is known of the clocks of one source that stamps.
type sender struct {
	Sent  states             // (stamp - uptime)
	Sat   states             // (satellite time - uptime)
	Heard map[uint32]*states // by boot: (stamp - arrival) of messages without uptime

	placing []placing        // derived, one for each of Sent
	byBoot  map[uint32][]int // the steady ones, by boot
	steps   int
}

// placing is how the records of one state of a sender are placed.
type placing struct {
	off  int64 // UTC - uptime
	firm bool  // more members of the state change nothing
}

func (c *Clock) noteSender(r *meter.Record, up int64, hasUp bool, sat int64, hasSat bool) bool {
	s := c.Senders[r.Source]
	if s == nil {
		s = &sender{Heard: make(map[uint32]*states)}
		c.Senders[r.Source] = s
	}
	if !hasUp {
		if imported(r) {
			return false
		}
		h := s.Heard[r.Boot]
		if h == nil {
			h = &states{}
			s.Heard[r.Boot] = h
		}
		i, changed := h.note(r.Sent-r.Mono, r.Mono, nearHeard, state{SentLo: r.Sent, SentHi: r.Sent})
		c.earlier = c.earlier || i >= 0 && (*h)[i].SentLo == r.Sent
		return changed
	}
	h := arrivals{Boot: r.Boot, Known: !imported(r), Lo: r.Mono - up, Hi: r.Mono - up, FirstAt: up, First: r.Mono - up,
		Best: up - r.Mono - up/drift, BestAt: up}
	m := state{SentLo: r.Sent, SentHi: r.Sent, Heard: []arrivals{h}}
	i, changed := s.Sent.note(r.Sent-up, up, near, m)
	if i >= 0 && !changed && (c.offsets == nil || !s.placing[i].firm) {
		changed = true
	}
	if hasSat {
		m.Heard = []arrivals{h} // of its own
		_, sats := s.Sat.note(sat-up, up, nearSat, m)
		changed = changed || sats
	}
	return changed
}

// nearest returns the state of its sender's clock that a stamped record without
// uptime fits best, or -1.
func (s *sender) nearest(r *meter.Record) int {
	best, bestD := -1, int64(math.MaxInt64)
	for _, i := range s.byBoot[r.Boot] {
		st := &s.Sent[i]
		h := st.in(r.Boot)
		// How much later than the state's quickest message it would be.
		d := (r.Mono - coarse(h.Lo)) - (r.Sent - st.FirstOff)
		if !h.Known {
			d = max(0, st.SentLo-r.Sent, r.Sent-st.SentHi)
		}
		if d >= -nearHeard && d <= slow && abs(d) < bestD {
			best, bestD = i, abs(d)
		}
	}
	return best
}

// saidIn returns the state of its sender's clock whose stamps that of a record
// without uptime lies among, or is near, or -1. It is for recordings: there the
// order of lines is all that is known of arrival, and the first lines after a
// pause, or a late one, may seem to have come when their clock was in another
// state.
func (s *sender) saidIn(r *meter.Record) int {
	best, bestD := -1, slow+1
	for _, i := range s.byBoot[r.Boot] {
		st := &s.Sent[i]
		if d := max(0, st.SentLo-r.Sent, r.Sent-st.SentHi); d < bestD {
			best, bestD = i, d
		}
	}
	return best
}

// placeSender derives UTC minus uptime for every state of a sender's clock. In
// one session of its board the clock may have stepped, while its uptime ran on,
// and our own clock beside it: there, one state speaks for all.
func (c *Clock) placeSender(s *sender) {
	s.placing = make([]placing, len(s.Sent))
	s.byBoot = make(map[uint32][]int)
	s.steps = 0
	for _, group := range s.sessions() {
		lead, firm := s.Sent.leader(group)
		off := c.sessionOffset(s, &s.Sent[lead])
		whole := 0
		for _, i := range group {
			s.placing[i] = placing{off, firm && i == lead}
			if s.Sent[i].N >= steady {
				whole++
			}
		}
		s.steps += max(0, whole-1)
	}
	for i := range s.Sent {
		if st := &s.Sent[i]; st.N >= steady {
			for k := range st.Heard {
				s.byBoot[st.Heard[k].Boot] = append(s.byBoot[st.Heard[k].Boot], i)
			}
		}
	}
}

func (c *Clock) sessionOffset(s *sender, lead *state) int64 {
	// Satellites in the same message settle it.
	for i := range s.Sat {
		if o := &s.Sat[i]; o.N >= steady && o.with(lead) {
			return o.FirstOff
		}
	}
	h := c.bestHeard(lead)
	lo := coarse(h.Lo)
	least := lo + c.offsets[h.Boot].off - lead.FirstOff
	if c.Boots[h.Boot].noArrival() && least < 0 && least >= -slow {
		// A recording's count of time was made from the stamps, and where they
		// jump among lines that came late it may run ahead of them.
		least = 0
	}
	if off := c.offsets[h.Boot].off; h.Known && !onTime(least, coarse(h.Hi)-lo) {
		return h.quick() + off
	}
	return lead.FirstOff
}

// with reports whether two states are of one session of a sender's board.
func (s *state) with(o *state) bool {
	for i := range s.Heard {
		a := &s.Heard[i]
		b := o.in(a.Boot)
		if b == nil {
			continue
		}
		if a.Known && abs(coarse(a.Lo)-coarse(b.Lo)) < oneSession ||
			!a.Known && s.FirstAt <= o.LastAt && s.LastAt >= o.FirstAt {
			return true
		}
	}
	return false
}

// bestHeard returns how a state was heard in the boot that knows the time best,
// the first of those that know it as well.
func (c *Clock) bestHeard(s *state) *arrivals {
	best, known := 0, -1
	for i := range s.Heard {
		p := c.offsets[s.Heard[i].Boot]
		k := rank(p)
		if p.unsure {
			k = 0
		}
		if k > known {
			best, known = i, k
		}
	}
	return &s.Heard[best]
}

// sessions groups the states of a sender's clock by session of its board: by
// when the board started on our own clock, or, for an import, by an uptime
// that goes on where another state left off.
func (s *sender) sessions() [][]int {
	boots := make(map[uint32][]int)
	var imports []int
	group := make([]int, len(s.Sent)) // of each state, the lowest state known to be of its session
	for i := range s.Sent {
		group[i] = i
		if h := s.Sent[i].Heard; !h[0].Known {
			imports = append(imports, i)
		} else {
			for k := range h {
				boots[h[k].Boot] = append(boots[h[k].Boot], i)
			}
		}
	}
	root := func(i int) int {
		for group[i] != i {
			i = group[i]
		}
		return i
	}
	for boot, list := range boots {
		began := func(i int) int64 { return coarse(s.Sent[i].in(boot).Lo) }
		sort.Slice(list, func(i, j int) bool { return began(list[i]) < began(list[j]) })
		for k := 1; k < len(list); k++ {
			if began(list[k])-began(list[k-1]) < oneSession {
				a, b := root(list[k-1]), root(list[k])
				group[max(a, b)] = min(a, b)
			}
		}
	}
	var out [][]int
	at := make(map[int]int)
	for i := range s.Sent {
		if !s.Sent[i].Heard[0].Known {
			continue
		}
		g, ok := at[root(i)]
		if !ok {
			g = len(out)
			at[root(i)] = g
			out = append(out, nil)
		}
		out[g] = append(out[g], i)
	}
	sort.SliceStable(imports, func(i, j int) bool {
		a, b := &s.Sent[imports[i]], &s.Sent[imports[j]]
		if a.Heard[0].Boot != b.Heard[0].Boot {
			return a.Heard[0].Boot < b.Heard[0].Boot
		}
		return a.FirstAt < b.FirstAt
	})
	for _, i := range imports {
		if g := s.goesOn(out, &s.Sent[i]); g >= 0 {
			out[g] = append(out[g], i)
		} else {
			out = append(out, []int{i})
		}
	}
	return out
}

// goesOn returns the group of an import in whose uptime st goes on, or -1.
func (s *sender) goesOn(groups [][]int, st *state) int {
	best, gap := -1, settled
	for g := range groups {
		last := &s.Sent[groups[g][len(groups[g])-1]]
		if last.Heard[0].Known || last.Heard[0].Boot != st.Heard[0].Boot || last.LastAt-last.FirstAt < settled {
			continue
		}
		if d := st.FirstAt - last.LastAt; d > 0 && d <= gap {
			best, gap = g, d
		}
	}
	return best
}
