package act

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
)

// Subject returns what an act is about: two standing acts with the same subject
// and From say the same thing, replace one another, or are in conflict. It is
// "" for kinds whose acts stand beside each other.
func Subject(b Body) string {
	switch b := b.(type) {
	case Rig, Tote, Batch, Meter, Line:
		return b.Kind()
	case Proving:
		if b.DoneNS != 0 {
			return fmt.Sprint("proving ", b.DoneNS) // tests stand beside each other
		}
		return "proving"
	case Yard:
		return "yard " + b.ID
	case Colonies:
		return "colonies " + b.Yard
	case Route:
		return "route"
	case Fix:
		return "fix " + b.Boot
	}
	return ""
}

// Conflict is two standing acts that say different things of one subject,
// where neither was said in knowledge of the other. The later one counts until
// a person settles it with an act that replaces both.
type Conflict struct {
	Counts, Other Act
}

// Conflicts returns the conflicts among standing acts, in their order.
func Conflicts(standing []Act) []Conflict {
	over := make(map[string][]string, len(standing))
	for i := range standing {
		over[standing[i].ID] = standing[i].Replaces
	}
	var out []Conflict
	add := func(a, b *Act) {
		if reflect.DeepEqual(a.Body, b.Body) || knew(over, a.ID, b.ID) || knew(over, b.ID, a.ID) {
			return
		}
		// Settled by a third that knew of both?
		for i := range standing {
			c := &standing[i]
			if c.ID != a.ID && c.ID != b.ID && clash(c, a) && clash(c, b) && knew(over, c.ID, a.ID) && knew(over, c.ID, b.ID) {
				return
			}
		}
		if later(b, a) {
			a, b = b, a
		}
		out = append(out, Conflict{Counts: *a, Other: *b})
	}
	groups := make(map[string][]*Act)
	var names []string
	for i := range standing {
		a := &standing[i]
		key := Subject(a.Body)
		if _, ok := a.Body.(Assign); ok {
			key = "assign"
		} else if key == "" {
			continue
		} else {
			key = fmt.Sprint(a.From, " ", key)
		}
		if groups[key] == nil {
			names = append(names, key)
		}
		groups[key] = append(groups[key], a)
	}
	for _, name := range names {
		g := groups[name]
		for i := range g {
			for j := i + 1; j < len(g); j++ {
				if clash(g[i], g[j]) {
					add(g[i], g[j])
				}
			}
		}
	}
	slices.SortStableFunc(out, func(x, y Conflict) int {
		return cmp.Or(cmp.Compare(x.Counts.When, y.Counts.When), cmp.Compare(x.Counts.ID, y.Counts.ID), cmp.Compare(x.Other.ID, y.Other.ID))
	})
	return out
}

// clash reports whether two acts are about the same thing.
func clash(a, b *Act) bool {
	x, ok := a.Body.(Assign)
	y, both := b.Body.(Assign)
	if ok || both {
		return ok && both && x.Session == y.Session && x.First < y.Last && y.First < x.Last
	}
	return a.From == b.From && Subject(a.Body) == Subject(b.Body)
}

// knew reports whether act a was said in knowledge of b, directly or through
// acts that it replaces.
func knew(over map[string][]string, a, b string) bool {
	seen := map[string]bool{}
	queue := []string{a}
	for len(queue) > 0 {
		id := queue[0]
		queue = queue[1:]
		for _, o := range over[id] {
			if o == b {
				return true
			}
			if !seen[o] {
				seen[o] = true
				queue = append(queue, o)
			}
		}
	}
	return false
}
