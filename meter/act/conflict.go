package act

import (
	"cmp"
	"fmt"
	"iter"
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
	case Target:
		return "target " + b.Yard
	case Route:
		return "route"
	case Fix:
		return "fix " + b.Boot
	case Count:
		return "count " + b.Goods.Kind
	case Swap:
		if b.Rig != "" {
			return "swap on " + b.Rig
		}
		return "swap"
	case Contents:
		return "content " + b.Tote
	case Statement:
		return fmt.Sprint("statement ", b.Number)
	}
	return ""
}

// Over returns what an act that corrects a must name in Replaces: a, and what a
// itself corrected, so that none of them comes back when one is undone.
func Over(a *Act) []string { return append([]string{a.ID}, a.Replaces...) }

// Corrected returns the ids of standing entries of the books that no longer
// count: of those connected by Replaces, and of those on the same subject from
// the same instant, only the one said last does.
func Corrected(standing []Act) map[string]bool {
	out := make(map[string]bool)
	last := make(map[string]*Act)
	for root, a := range matters(standing) {
		key := root
		old := last[key]
		switch {
		case old == nil:
			last[key] = a
		case later(a, old):
			out[old.ID], last[key] = true, a
		default:
			out[a.ID] = true
		}
	}
	return out
}

// matters yields the entries of the books among standing acts, each with a name
// that those share which are connected.
func matters(standing []Act) iter.Seq2[string, *Act] {
	up := make(map[string]string)
	var root func(id string) string
	root = func(id string) string {
		p, ok := up[id]
		if !ok || p == id {
			return id
		}
		r := root(p)
		up[id] = r
		return r
	}
	join := func(a, b string) {
		if a, b = root(a), root(b); a != b {
			up[max(a, b)] = min(a, b) // so that order does not matter
		}
	}
	return func(yield func(string, *Act) bool) {
		for i := range standing {
			a := &standing[i]
			if !OfBooks(a.Body) {
				continue
			}
			for _, o := range a.Replaces {
				join("act "+a.ID, "act "+o)
			}
			if s := Subject(a.Body); s != "" {
				join("act "+a.ID, fmt.Sprint("from ", a.From, " ", a.Rig, " ", s))
			}
		}
		for i := range standing {
			if a := &standing[i]; OfBooks(a.Body) && !yield(root("act "+a.ID), a) {
				return
			}
		}
	}
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
	matter := make(map[string]string)
	for name, a := range matters(standing) {
		matter[a.ID] = name
	}
	clash := func(a, b *Act) bool {
		if matter[a.ID] != "" || matter[b.ID] != "" {
			return matter[a.ID] == matter[b.ID]
		}
		return clash(a, b)
	}
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
			key = "assign " + a.Rig
		} else if m := matter[a.ID]; m != "" {
			key = m
		} else if key == "" {
			continue
		} else {
			key = fmt.Sprint(a.From, " ", a.Rig, " ", key)
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
	if a.Rig != b.Rig {
		return false
	}
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
