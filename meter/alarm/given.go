package alarm

import (
	"math"
	"slices"

	"yardtally/meter/act"
	"yardtally/meter/watch"
)

// given is an alarm that was given out, under its key.
type given struct {
	key      string
	kinds    []watch.Kind
	channel  string
	yard     string
	priority Priority
	raised   []int64 // when it was said to be raised, and
	returned []int64 // to have returned
}

// open reports whether it was said to be raised, and not to have returned since.
func (g *given) open() bool { return len(g.raised) > len(g.returned) }

// like reports whether a verdict may be of the same matter.
func (g *given) like(v *watch.Verdict) bool {
	return g.channel == v.Channel && slices.ContainsFunc(g.kinds, v.Has)
}

// announced takes in that a change was given out. What was said twice counts
// once.
func (s *said) announced(b act.Announced) {
	i := slices.IndexFunc(s.given, func(g *given) bool { return g.key == b.Key })
	if i < 0 {
		g := &given{key: b.Key, channel: b.Channel, yard: b.Yard}
		for _, name := range b.Kinds {
			if k, ok := watch.ParseKind(name); ok {
				g.kinds = append(g.kinds, k)
			}
		}
		g.priority = PriorityOf(&watch.Verdict{Kinds: g.kinds})
		i, s.given = len(s.given), append(s.given, g)
	}
	switch g := s.given[i]; {
	case b.What == act.Raised && !g.open():
		g.raised = append(g.raised, b.At.NS)
	case b.What == act.Returned && g.open():
		g.returned = append(g.returned, b.At.NS)
	}
}

// recognise gives alarms the keys under which they were given out.
func recognise(all []*life, s *said) {
	claimed := make(map[*life]bool)
	var orphans []*given
	for _, g := range s.given {
		i := slices.IndexFunc(all, func(l *life) bool { return slices.ContainsFunc(l.parts, func(m mark) bool { return m.by == g.key }) })
		switch {
		case i < 0 && g.open():
			orphans = append(orphans, g)
		case i >= 0 && !claimed[all[i]]:
			claimed[all[i]], all[i].Key = true, g.key
		}
	}
	for _, g := range orphans {
		at := g.raised[len(g.raised)-1]
		best, away := -1, int64(math.MaxInt64)
		for i, l := range all {
			if claimed[l] || !g.like(&l.Verdict) || l.Priority < g.priority || l.Back != 0 && l.Back < at {
				continue
			}
			if d := max(l.Raised-at, at-l.Raised); d < away {
				best, away = i, d
			}
		}
		if best >= 0 {
			l := all[best]
			claimed[l], l.Key = true, g.key
			l.parts = append(l.parts, mark{at, g.key})
			l.Raised = min(l.Raised, at)
		}
	}
}

// Change is something to give out: an alarm that is raised or has returned, as
// act.Announced has it.
type Change struct {
	Key     string
	What    string
	Alarm   *Alarm // nil: no verdict is of it any more
	Kinds   []string
	Channel string
	Yard    string
}

// Due returns what is to be given out of alarms, which are Life's of the same
// acts and instant: those that wait for an answer, are no notes, and were not
// given out yet, and those that were and are over. An alarm that comes back soon
// after one like it had returned waits for twice as long as that one had to.
func Due(alarms []Alarm, acts []act.Act, now int64) (out []Change) {
	s := read(acts, now)
	find := func(key string) *given {
		if i := slices.IndexFunc(s.given, func(g *given) bool { return g.key == key }); i >= 0 {
			return s.given[i]
		}
		return nil
	}
	there := make(map[string]bool, len(alarms))
	for i := range alarms {
		a := &alarms[i]
		there[a.Key] = true
		g := find(a.Key)
		switch {
		case g != nil && g.open():
			if a.Back != 0 {
				out = append(out, Change{Key: a.Key, What: act.Returned, Alarm: a, Kinds: names(a.Kinds), Channel: a.Channel, Yard: a.Yard})
			}
		case a.Priority != Note && a.State == Unacknowledged && now >= s.again(&a.Verdict):
			out = append(out, Change{Key: a.Key, What: act.Raised, Alarm: a, Kinds: names(a.Kinds), Channel: a.Channel, Yard: a.Yard})
		}
	}
	for _, g := range s.given {
		if g.open() && !there[g.key] {
			out = append(out, Change{Key: g.key, What: act.Returned, Kinds: names(g.kinds), Channel: g.channel, Yard: g.yard})
		}
	}
	return out
}

// again is from when on something like a verdict may be given out again: the
// delay after the newest return, twice as long for each that came back soon
// after the one before.
func (s *said) again(v *watch.Verdict) int64 {
	type turn struct{ raised, returned int64 }
	var turns []turn
	for _, g := range s.given {
		if !g.like(v) {
			continue
		}
		for i, at := range g.raised {
			t := turn{raised: at, returned: at}
			if i < len(g.returned) {
				t.returned = g.returned[i]
			}
			turns = append(turns, t)
		}
	}
	if len(turns) == 0 {
		return math.MinInt64
	}
	slices.SortFunc(turns, func(a, b turn) int { return int(max(-1, min(1, a.raised-b.raised))) })
	delay := offDelay
	for i := 1; i < len(turns); i++ {
		if turns[i].raised-turns[i-1].returned < backSoon {
			delay = min(2*delay, offMost)
		} else {
			delay = offDelay
		}
	}
	last := turns[len(turns)-1]
	return last.returned + delay
}

func names(kinds []watch.Kind) []string {
	var out []string
	for _, k := range kinds {
		out = append(out, k.String())
	}
	return out
}
