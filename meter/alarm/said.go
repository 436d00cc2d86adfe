package alarm

import (
	"cmp"
	"maps"
	"slices"

	"yardtally/meter/act"
)

// Shelving is a stretch of time for which a kind is on the shelf.
type Shelving struct {
	Kind     string
	From, To int64
	By       string

	endedBy string // who took it off before its time; "": nobody
}

// said is what people said of alarms.
type said struct {
	acked   map[string]mark       // by key, the first
	shelved map[string][]Shelving // by kind, in order, without overlap
	given   []*given              // what was given out, in order of the first time
}

// mark is an instant, and whose it is.
type mark struct {
	at int64
	by string
}

// read takes in acts said by now, in order of When.
func read(acts []act.Act, now int64) *said {
	s := &said{acked: make(map[string]mark), shelved: make(map[string][]Shelving)}
	known := make([]act.Act, 0, len(acts))
	for i := range acts {
		if acts[i].When <= now {
			known = append(known, acts[i])
		}
	}
	known = slices.DeleteFunc(act.Standing(known), func(a act.Act) bool { return !act.OfAlarms(a.Body) })
	slices.SortFunc(known, func(a, b act.Act) int { return cmp.Or(cmp.Compare(a.When, b.When), cmp.Compare(a.ID, b.ID)) })
	for i := range known {
		a := &known[i]
		switch b := a.Body.(type) {
		case act.Ack:
			if _, ok := s.acked[b.Key]; !ok {
				s.acked[b.Key] = mark{a.When, a.Who}
			}
		case act.Shelve:
			s.shelve(a, b)
		case act.Announced:
			s.announced(b)
		}
	}
	return s
}

// shelve begins a stretch on the shelf, or moves the end of the one that goes on.
func (s *said) shelve(a *act.Act, b act.Shelve) {
	list := s.shelved[b.What]
	to := a.When
	if !b.Off() {
		to = max(to, min(b.Until.NS, a.When+shelfMost))
	}
	if n := len(list); n > 0 && list[n-1].To > a.When {
		x := &list[n-1]
		x.To, x.endedBy = to, ""
		if to == a.When {
			x.endedBy = a.Who
		}
	} else if to > a.When {
		s.shelved[b.What] = append(list, Shelving{Kind: b.What, From: a.When, To: to, By: a.Who})
	}
}

// on returns what keeps a kind on the shelf at an instant.
func (s *said) on(kind string, at int64) (Shelving, bool) {
	for _, x := range s.shelved[kind] {
		if x.From <= at && at < x.To {
			return x, true
		}
	}
	return Shelving{}, false
}

// Shelf returns what is on the shelf now, in order of its names.
func Shelf(acts []act.Act, now int64) (out []Shelving) {
	s := read(acts, now)
	for _, kind := range slices.Sorted(maps.Keys(s.shelved)) {
		if x, ok := s.on(kind, now); ok {
			out = append(out, x)
		}
	}
	return out
}
