package main

import (
	"fmt"
	"strings"

	"yardtally/dashboard/report"
)

// ofVisit returns all flow of one visit of the night, fills and the rest, named
// by its yard or, where that was visited more than once, by a time in it.
func (p *pick) ofVisit(s *spoken) (all []stretch, what string, err error) {
	v := s.before
	from, to := nightIn(v, s.zone, s.night)
	var night []int
	for k := range v.Visits {
		if x := &v.Visits[k]; x.From >= from && x.From < to {
			night = append(night, k)
		}
	}
	name := func(k int) string {
		x := &v.Visits[k]
		text := report.NoYard
		for i := range v.Yards {
			if y := &v.Yards[i]; y.ID == x.Yard && x.Yard != "" {
				text = y.Name
			}
		}
		return fmt.Sprintf("%s, %s to %s", text, second(x.From, s.zone)[11:], second(x.To, s.zone)[11:])
	}
	list := func(of []int) string {
		var out []string
		for _, k := range of {
			out = append(out, name(k))
		}
		return strings.Join(out, "; ")
	}
	if len(night) == 0 {
		return nil, "", fmt.Errorf("-visit: the night of %s has none", evening(from, s.zone))
	}
	var fit []int
	if strings.Contains(p.visit, ":") {
		at, err := s.instant("-visit", p.visit)
		if err != nil {
			return nil, "", err
		}
		for _, k := range night {
			if x := &v.Visits[k]; at.UnixNano() >= x.From-x.From%1e9 && at.UnixNano() <= x.To+1e9 {
				fit = append(fit, k)
			}
		}
	} else {
		id := ""
		if p.visit != "none" {
			y, err := s.yard("-visit", p.visit)
			if err != nil {
				return nil, "", err
			}
			id = y.ID
		}
		for _, k := range night {
			if v.Visits[k].Yard == id {
				fit = append(fit, k)
			}
		}
	}
	switch {
	case len(fit) == 0:
		return nil, "", fmt.Errorf("-visit: must be the yard of a visit, or a time in it, is %q; the night of %s has %s", p.visit, evening(from, s.zone), list(night))
	case len(fit) > 1:
		return nil, "", fmt.Errorf("-visit: must be a time in one of the visits, like %s, as %q fits %d: %s", second(v.Visits[fit[0]].From, s.zone)[11:], p.visit, len(fit), list(fit))
	}
	counts, sum := report.CountsOf(v, fit[0])
	for _, c := range counts {
		all = append(all, stretch{c.Session, c.First, c.Last})
	}
	if len(all) == 0 {
		return nil, "", fmt.Errorf("-visit: must be a visit on which something flowed, is %s", name(fit[0]))
	}
	return all, fmt.Sprintf("The visit of %s, %s", name(fit[0]), report.Hundredths(s.sys, sum)), nil
}
