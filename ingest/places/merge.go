package places

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"yardtally/meter/act"
)

// Step is what taking in an item comes to.
type Step struct {
	Item
	Old     *act.Yard // the yard that it is, as it was; nil for a new one
	New     act.Yard
	Changes []string // fields of act.Yard by which New differs from Old
}

// Merge says what taking in a file's items would do to the yards that are
// known. An item is a known yard if it has its id or, failing that, its name,
// whatever the case, which stays as it was then. A new yard's id is the item's own, or made of its name.
// Steps stand in the order of the items; those refused have Err set.
func Merge(known []act.Yard, items []Item) []Step {
	m := merger{known: known, taken: make([]string, len(known)), byID: make(map[string]int), byName: make(map[string][]int),
		ids: make(map[string]string), names: make(map[string]string)}
	steps := make([]Step, len(items))
	for i := range known {
		m.ids[known[i].ID] = ""
		m.byID[known[i].ID] = i
		m.byName[folded(known[i].Name)] = append(m.byName[folded(known[i].Name)], i)
	}
	// By id first, so that no other takes such a yard for its name.
	for i := range items {
		steps[i].Item = items[i]
		if s := &steps[i]; s.open() && s.Place.ID != "" {
			m.matchID(s)
		}
	}
	for i := range steps {
		if s := &steps[i]; s.open() && s.Old == nil {
			m.matchName(s)
		}
	}
	for i := range steps {
		if s := &steps[i]; s.open() {
			m.finish(s)
		}
	}
	return steps
}

func (s *Step) open() bool { return s.Err == nil && s.Skipped == "" }

type merger struct {
	known  []act.Yard
	taken  []string // where the item stands that is the known yard; "" for none yet
	byID   map[string]int
	byName map[string][]int
	ids    map[string]string // of the known yards and the file's own, and where those stand
	names  map[string]string // new yards' names, and where they stand
}

func (m *merger) matchID(s *Step) {
	if first := m.ids[s.Place.ID]; first != "" {
		s.Err = &act.FieldError{Field: "id", Rule: "must differ from that of " + first, Value: shown(s.Place.ID)}
		return
	}
	m.ids[s.Place.ID] = s.Where
	if i, ok := m.byID[s.Place.ID]; ok {
		m.taken[i], s.Old = s.Where, &m.known[i]
	}
}

func (m *merger) matchName(s *Step) {
	name := s.Place.Name
	if name == "" {
		if s.Place.ID == "" {
			s.Err = &act.FieldError{Field: "name", Rule: "must be given, or an id", Value: `""`}
		}
		return
	}
	var found []int
	other := m.names[folded(name)]
	for _, i := range m.byName[folded(name)] {
		if m.taken[i] == "" {
			found = append(found, i)
		} else {
			other = m.taken[i]
		}
	}
	switch {
	case len(found) > 1:
		s.Err = &act.FieldError{Field: "name", Rule: fmt.Sprintf("must be one yard's only, or an id be given, as %d yards have it", len(found)), Value: shown(name)}
	case len(found) == 1:
		i := found[0]
		m.taken[i], s.Old = s.Where, &m.known[i]
		s.Place.Name = s.Old.Name // receivers write all in capitals
	case other != "" && s.Place.ID == "":
		s.Err = &act.FieldError{Field: "name", Rule: "must differ from that of " + other + ", or ids be given", Value: shown(name)}
	default:
		m.names[folded(name)] = s.Where
	}
}

func (m *merger) finish(s *Step) {
	old := act.Yard{}
	if s.Old != nil {
		old = *s.Old
	} else if old.ID = s.Place.ID; old.ID == "" {
		old.ID = m.unique(slug(s.Place.Name))
		m.ids[old.ID] = s.Where
	}
	if s.New, s.Err = s.Place.Over(old); s.Err == nil && s.Old != nil {
		s.Changes = Differences(*s.Old, s.New)
	}
}

// unique makes an id differ from all that there are.
func (m *merger) unique(id string) string {
	for n, try := 2, id; ; n++ {
		if _, ok := m.ids[try]; !ok {
			return try
		}
		try = id + "-" + strconv.Itoa(n)
	}
}

// folded makes names that a person reads as one the same.
func folded(name string) string {
	return strings.ToLower(strings.Join(strings.Fields(name), " "))
}

// slug makes an id of a name: its letters and digits, the rest one hyphen.
func slug(name string) string {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	if len(words) == 0 {
		return "yard"
	}
	id := strings.Join(words, "-")
	return strings.ToValidUTF8(id[:min(len(id), mostSlug)], "")
}

// mostSlug bounds ids that are made of names, bytes. Judgement, no source.
const mostSlug = 60

// Differences returns the fields, as in JSON, by which two yards differ:
// "position" for lat and lon. Positions that are a centimetre apart are the
// same, and so are outlines that begin at another corner or go the other way.
func Differences(a, b act.Yard) []string {
	var out []string
	differs := func(field string, yes bool) {
		if yes {
			out = append(out, field)
		}
	}
	differs("id", a.ID != b.ID)
	differs("name", strings.TrimSpace(a.Name) != strings.TrimSpace(b.Name))
	differs("position", !near(act.Corner{Lat: a.Lat, Lon: a.Lon}, act.Corner{Lat: b.Lat, Lon: b.Lon}))
	differs("ring", !sameRing(a.Ring, b.Ring))
	differs("enter_m", a.EnterM != b.EnterM)
	differs("leave_m", a.LeaveM != b.LeaveM)
	differs("colonies", a.Colonies != b.Colonies)
	differs("fill_l", a.FillL != b.FillL)
	differs("closed", a.Closed != b.Closed)
	differs("numbered", a.Numbered != b.Numbered)
	return out
}
