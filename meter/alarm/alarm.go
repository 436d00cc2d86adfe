// Package alarm gives verdicts of the watch the life of alarms: raised,
// acknowledged, returned, shelved for a while. It is a function of the verdicts,
// of what people said, of what was given out, and of now.
//
// # The same alarm
//
// Verdicts are told anew with all that is known, and so may begin at another
// pull than before, or be told more exactly: "empty" where it was "air or empty".
// An alarm that was given out is still that alarm, with its key and its
// acknowledgement, where a verdict shares a kind with it and it has none of its
// own any more; unless it has become more urgent, which is news.
//
// # The standard
//
// States and words are those of ANSI/ISA-18.2 (as IEC 62682), from memory: an
// alarm is raised into "unacknowledged", and leaves it for "acknowledged" when a
// person says so, or for "returned to normal, unacknowledged" when what raised
// it is over; acknowledged and returned, it is normal again, here Gone. From any
// of these it may be put on a shelf, by a person, for a time that ends by
// itself. The standard also has off-delay and deadband against chattering, and
// priority by what happens, and how soon, if nobody acts. Its suppression by
// design and out-of-service states have no use here, nor has latching.
//
// Ours, not the standard's: kinds are shelved, not single alarms; what was
// acknowledged stays so under a shelf; a note needs no answer and begins as
// acknowledged; and the off-delay grows for what keeps coming back.
//
// # No chattering
//
// A verdict has its own hysteresis, and is told only when the evidence
// suffices: that is the on-delay. An alarm stands until its verdict has been
// over for the off-delay, 2 minutes; what is told of the same matter before that
// belongs to it. An alarm that comes back within two hours of the one before has
// twice that one's delay, up to 32 minutes: however a verdict flickers, those of
// one matter that return within n hours are at most 5+2n. Due holds what is
// given out to the same, whatever verdicts are taken back and told again.
package alarm

import (
	"cmp"
	"slices"
	"strings"

	"yardtally/meter/act"
	"yardtally/meter/watch"
)

// The delays, ns. Judgement: a pull and the walk to the next colony take a
// minute or so, and two good pulls show that it is over.
const (
	offDelay  = 2 * minute
	offMost   = 32 * minute
	backSoon  = 2 * hour
	shelfMost = 12 * hour // nothing is shelved for longer than a night

	minute = int64(60_000_000_000)
	hour   = 60 * minute
)

// ShelfMost is for how long a kind can be shelved at most, ns from when that was said.
const ShelfMost = shelfMost

// State is where an alarm is in its life.
type State uint8

// The states. Normal, before it is raised, is none.
const (
	Unacknowledged State = iota + 1 // it stands, and nobody has said that he knows
	Acknowledged                    // it stands
	Returned                        // what raised it is over, and nobody has said that he knows
	Shelved                         // not to be heard for a while, whether it stands or not
	Gone                            // normal again
)

// String returns the state's name.
func (s State) String() string {
	return [...]string{"none", "unacknowledged", "acknowledged", "returned", "shelved", "gone"}[min(s, Gone)]
}

// Priority is by what the keeper must do.
type Priority uint8

// The priorities, the most urgent first.
const (
	Now  Priority = iota + 1 // stop, and look: syrup or pump is being lost
	Soon                     // look at the next stop
	Note                     // know it; there is nothing to do
)

// String returns the priority's name.
func (p Priority) String() string {
	return [...]string{"none", "now", "soon", "note"}[min(p, Note)]
}

// urgent has the priority of kinds that are not notes.
var urgent = map[watch.Kind]Priority{
	watch.Leak: Now, watch.Empty: Now, watch.Air: Now, watch.Transfer: Now, watch.Deadhead: Now, watch.Hot: Now,
	watch.Clog: Soon, watch.Kink: Soon, watch.Vent: Soon, watch.ThrottleDown: Soon, watch.ThrottleUp: Soon, watch.Suction: Soon,
	watch.Thinner: Soon, watch.Thicker: Soon, watch.Phantom: Soon, watch.Drift: Soon, watch.Sensor: Soon,
}

// PriorityOf is that of the most urgent of the verdict's kinds.
func PriorityOf(v *watch.Verdict) Priority {
	p := Note
	for _, k := range v.Kinds {
		if u := urgent[k]; u != 0 {
			p = min(p, u)
		}
	}
	return p
}

// Step is one change of an alarm's state.
type Step struct {
	At int64
	To State
	By string // who said it; "": nobody
}

// Alarm is an alarm as it is at an instant. Its verdict is the newest of those
// that belong to it, from when the first was.
type Alarm struct {
	watch.Verdict
	Key          string // of the first verdict
	Priority     Priority
	State        State
	Raised       int64
	Acked        int64 // 0: not acknowledged
	AckedBy      string
	Back         int64 // when it returned; 0: it stands, or its off-delay runs
	ShelvedUntil int64 // while Shelved

	Steps []Step // how it came to State, in order
}

// Stands reports whether what raised the alarm goes on, or has only just ended.
func (a *Alarm) Stands() bool { return a.Back == 0 }

// Matter says what the alarm is of: its kinds' names, the likelier first, as in
// "kink or throttle down".
func Matter(v *watch.Verdict) string {
	return join(v.Kinds)
}

func join(kinds []watch.Kind) string {
	return strings.Join(names(kinds), " or ")
}

// KeyOf is the verdict's key, whichever of its kinds is the likelier.
func KeyOf(v *watch.Verdict) string {
	w := *v
	w.Kinds = slices.Sorted(slices.Values(v.Kinds))
	return w.Key()
}

// life is an alarm in the making.
type life struct {
	Alarm
	parts  []mark // of all verdicts that belong to it: key, and when it was told
	over   int64  // when the last of them was, 0: it lasts
	delay  int64
	matter string
}

// Life returns the alarms that verdicts and acts make by now, the gone among
// them: first what stands or has returned, the most urgent first, then what is
// shelved, then what is gone. Verdicts told after now are not known yet, nor are
// acts said after it. The order in which verdicts and acts come does not matter.
func Life(verdicts []watch.Verdict, acts []act.Act, now int64) []Alarm {
	said := read(acts, now)
	var out []Alarm
	all := raise(verdicts, now)
	recognise(all, said)
	for _, l := range all {
		l.live(said, now)
		out = append(out, l.Alarm)
	}
	rank := func(a *Alarm) int {
		switch a.State {
		case Shelved:
			return 1
		case Gone:
			return 2
		}
		return 0
	}
	slices.SortStableFunc(out, func(a, b Alarm) int {
		return cmp.Or(cmp.Compare(rank(&a), rank(&b)), cmp.Compare(a.Priority, b.Priority), cmp.Compare(a.Raised, b.Raised), cmp.Compare(a.Key, b.Key))
	})
	return out
}

// raise makes alarms of what was told by now: verdicts of one matter that
// follow each other closely are one.
func raise(verdicts []watch.Verdict, now int64) []*life {
	type told struct {
		watch.Verdict
		key, matter string
	}
	var known []told
	for i := range verdicts {
		if v := &verdicts[i]; v.Told <= now {
			t := told{*v, KeyOf(v), subject(v)}
			if t.Until > now {
				t.Until = 0
			}
			known = append(known, t)
		}
	}
	slices.SortStableFunc(known, func(a, b told) int {
		return cmp.Or(cmp.Compare(a.matter, b.matter), cmp.Compare(a.Told, b.Told), cmp.Compare(a.From, b.From), cmp.Compare(a.key, b.key))
	})
	var out []*life
	for i := range known {
		t := &known[i]
		end := t.Until
		if end != 0 {
			end = max(end, t.Told)
		}
		delay := offDelay
		if n := len(out); n > 0 && out[n-1].matter == t.matter {
			l := out[n-1]
			if l.over == 0 || t.Told <= l.over+l.delay {
				l.join(&t.Verdict, t.key, end)
				continue
			}
			if t.Told-(l.over+l.delay) < backSoon {
				delay = min(2*l.delay, offMost)
			}
		}
		out = append(out, &life{parts: []mark{{t.Told, t.key}}, over: end, delay: delay, matter: t.matter,
			Alarm: Alarm{Verdict: t.Verdict, Key: t.key, Priority: PriorityOf(&t.Verdict), Raised: t.Told}})
	}
	for _, l := range out {
		if l.over != 0 && l.over+l.delay <= now {
			l.Back = l.over + l.delay
		}
	}
	return out
}

// join takes a later verdict in.
func (l *life) join(v *watch.Verdict, key string, end int64) {
	first := l.Verdict
	l.Verdict = *v
	l.From, l.Told, l.Session, l.First, l.Last = min(first.From, v.From), first.Told, first.Session, first.First, first.Last
	l.Yard, l.Sudden, l.Pulls = first.Yard, first.Sudden, first.Pulls+v.Pulls
	l.parts = append(l.parts, mark{v.Told, key})
	if l.over == 0 || end == 0 {
		l.over, l.Until = 0, 0
	} else {
		l.over, l.Until = max(l.over, end), max(first.Until, v.Until)
	}
}

// happening is one thing in an alarm's life.
type happening struct {
	at   int64
	what int // in this order where several are at one instant
	by   string
	off  bool
	kind string
}

const (
	shelf = iota
	raised
	ack
	back
)

// live goes through the alarm's life up to now.
func (l *life) live(s *said, now int64) {
	steps := []happening{{at: l.Raised, what: raised}}
	if l.Back != 0 {
		steps = append(steps, happening{at: l.Back, what: back})
	}
	for _, p := range l.parts {
		if a, ok := s.acked[p.by]; ok {
			// The key names this and no other: an acknowledgement said before it
			// was told is of a time before it was restated.
			steps = append(steps, happening{at: max(a.at, p.at), what: ack, by: a.by})
		}
	}
	for _, k := range l.Kinds {
		for _, x := range s.shelved[k.String()] {
			steps = append(steps, happening{at: x.From, what: shelf, by: x.By, kind: x.Kind})
			if x.To <= now {
				steps = append(steps, happening{at: x.To, what: shelf, by: x.endedBy, kind: x.Kind, off: true})
			}
		}
	}
	slices.SortStableFunc(steps, func(a, b happening) int {
		off := func(h *happening) int {
			if h.off {
				return 0
			}
			return 1
		}
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.what, b.what), cmp.Compare(off(&a), off(&b)), cmp.Compare(a.by, b.by))
	})
	up, known, returned := false, l.Priority == Note, false
	on := make(map[string]bool)
	for _, h := range steps {
		switch h.what {
		case raised:
			up = true
		case ack:
			if known {
				continue
			}
			known, l.Acked, l.AckedBy = true, h.at, h.by
		case back:
			returned = true
		case shelf:
			on[h.kind] = !h.off
		}
		if !up {
			continue
		}
		to := Unacknowledged
		switch {
		case returned && known:
			to = Gone
		case l.hidden(on):
			to = Shelved
		case returned:
			to = Returned
		case known:
			to = Acknowledged
		}
		if to != l.State {
			l.State = to
			l.Steps = append(l.Steps, Step{h.at, to, h.by})
		}
		if to == Gone {
			break
		}
	}
	if l.State == Shelved {
		for _, k := range l.Kinds { // the first to end
			if x, ok := s.on(k.String(), now); ok && (l.ShelvedUntil == 0 || x.To < l.ShelvedUntil) {
				l.ShelvedUntil = x.To
			}
		}
	}
}

// hidden reports whether all of the alarm's kinds are on the shelf: what may be
// something else still is one.
func (l *life) hidden(on map[string]bool) bool {
	for _, k := range l.Kinds {
		if !on[k.String()] {
			return false
		}
	}
	return len(l.Kinds) > 0
}

// subject names what verdicts must share to be of one alarm.
func subject(v *watch.Verdict) string {
	return join(slices.Sorted(slices.Values(v.Kinds))) + " " + v.Channel
}
