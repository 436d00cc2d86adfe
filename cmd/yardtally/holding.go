package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// holding is a yard as it stands at an instant.
type holding struct {
	act.Yard
	later bool  // not yet: so it stands from Next on
	next  int64 // when something else is said of it; 0 for never
}

// yardsAt returns the yards as standing acts have them at an instant, in order
// of their ids. Yards of which something is said only
// for later are there too, as it is first said. Of a yard's own number of
// colonies and one counted since, the later counts.
func yardsAt(standing []act.Act, at int64) []holding {
	var out []holding
	index := make(map[string]int)
	counted := make(map[string]act.Colonies)
	for i := range standing {
		a := &standing[i]
		switch b := a.Body.(type) {
		case act.Colonies:
			if a.From <= at {
				counted[b.Yard] = b
				if k, ok := index[b.Yard]; ok {
					out[k].count(b)
				}
			}
		case act.Yard:
			k, seen := index[b.ID]
			switch {
			case a.From > at && !seen:
				index[b.ID] = len(out)
				out = append(out, holding{Yard: b, later: true, next: a.From})
			case a.From > at:
				if out[k].next == 0 {
					out[k].next = a.From
				}
			default:
				if !seen {
					k = len(out)
					index[b.ID] = k
					out = append(out, holding{})
				}
				out[k] = holding{Yard: b}
				c := counted[b.ID]
				if b.Colonies != 0 {
					c.Count = 0
				}
				if b.FillL != 0 {
					c.FillL = 0
				}
				counted[b.ID] = c
				out[k].count(c)
			}
		}
	}
	slices.SortFunc(out, func(a, b holding) int { return strings.Compare(a.ID, b.ID) })
	return out
}

// count takes in a count of the colonies; what it does not say stays.
func (h *holding) count(c act.Colonies) {
	if c.Count != 0 {
		h.Colonies = c.Count
	}
	if c.FillL != 0 {
		h.FillL = c.FillL
	}
}

// zoneSaid returns the zone that the newest act on the rig names, else UTC.
func zoneSaid(standing []act.Act) *time.Location {
	zone := time.UTC
	for i := range standing {
		if r, ok := standing[i].Body.(act.Rig); ok {
			if z, err := time.LoadLocation(r.Zone); err == nil {
				zone = z
			}
		}
	}
	return zone
}

// sayYard says what a yard is.
func sayYard(y act.Yard, u quantity.System) string {
	what := fmt.Sprintf("%s (%s): %s, enter %s, leave %s", y.ID, y.Name, sayField(y, "position", u), sayField(y, "enter_m", u), sayField(y, "leave_m", u))
	if len(y.Ring) > 0 {
		what += ", outline of " + sayField(y, "ring", u)
	}
	if y.Colonies > 0 {
		what += ", colonies " + sayField(y, "colonies", u)
	}
	if y.FillL > 0 {
		what += ", fill " + sayField(y, "fill_l", u)
	}
	if y.Numbered {
		what += ", numbered"
	}
	if y.Closed {
		what += ", closed"
	}
	return what
}

// sayChanges says what of a yard became what, by the names that settings have.
func sayChanges(old, now act.Yard, fields []string, u quantity.System) (out []string) {
	for _, f := range fields {
		name := map[string]string{"ring": "outline", "enter_m": "enter", "leave_m": "leave", "fill_l": "fill"}[f]
		if name == "" {
			name = f
		}
		was, is := sayField(old, f, u), sayField(now, f, u)
		if was == is && f == "ring" {
			is = "others"
		}
		out = append(out, fmt.Sprintf("%s %s -> %s", name, was, is))
	}
	return out
}

func sayField(y act.Yard, field string, u quantity.System) string {
	switch field {
	case "name":
		return fmt.Sprintf("%q", y.Name)
	case "position":
		return fmt.Sprintf("%.6f, %.6f", y.Lat, y.Lon)
	case "ring":
		if len(y.Ring) == 0 {
			return "none"
		}
		return howMany(len(y.Ring), "corner")
	case "enter_m":
		return u.Distance(quantity.Length(y.EnterM))
	case "leave_m":
		return u.Distance(quantity.Length(y.LeaveM))
	case "colonies":
		if y.Colonies == 0 {
			return "not said"
		}
		return fmt.Sprint(y.Colonies)
	case "fill_l":
		if y.FillL == 0 {
			return "not said"
		}
		return u.Volume(quantity.VolumeOf(y.FillL / 1000))
	case "closed":
		return fmt.Sprint(y.Closed)
	}
	return fmt.Sprint(y.Numbered)
}

// sinceWhen says from when on something holds.
func sinceWhen(from int64, zone *time.Location) string {
	if from == 0 {
		return "since ever"
	}
	return "from " + day(from, zone)
}

// howMany says how many there are of something.
func howMany(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}
