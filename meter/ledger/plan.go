package ledger

import (
	"math"
	"slices"
)

// plan lists what is meant to be fed, as last said: the yards of the newest
// route, in its order, or all in use. Closed yards and
// those that no act describes are left out.
func (l *Ledger) plan(st *State, v *View, b *book) []Planned {
	var ids []string
	open := make(map[string]bool, len(v.Yards))
	for i := range v.Yards {
		if y := &v.Yards[i]; !y.Closed {
			ids = append(ids, y.ID)
			open[y.ID] = true
		}
	}
	if len(v.Route) > 0 {
		ids = v.Route
	}
	said := l.said(st)
	said.book = b
	var out []Planned
	for _, id := range ids {
		if !open[id] {
			continue
		}
		site := said.site(id, math.MaxInt64)
		out = append(out, Planned{Yard: id, Colonies: site.Colonies, Each: site.Meant})
	}
	return out
}

// yards returns the yards with the colonies that stand in each as last said.
func (l *Ledger) yards(st *State, b *book) []YardInfo {
	out := slices.Clone(l.cfg.yards)
	said := l.said(st)
	said.book = b
	for i := range out {
		site := said.site(out[i].ID, math.MaxInt64)
		out[i].Standing, out[i].Each = site.Colonies, site.Meant
	}
	return out
}
