package ledger

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"yardtally/meter/outing"
)

// Together is what views of a house's rigs come to where it does not matter
// which rig it was: its nights, yards and prices, and what is planned. Nothing
// that is of one rig is in it. Of one view it is that view.
func Together(views []*View) *View {
	if len(views) == 1 {
		return views[0]
	}
	v := &View{Settled: math.MaxInt64}
	var rigs []string
	for _, x := range views {
		rigs = append(rigs, x.Rig)
		v.At, v.Records, v.Total = max(v.At, x.At), v.Records+x.Records, v.Total+x.Total
		if x.At != 0 {
			v.Settled = min(v.Settled, x.Settled)
		}
		if v.Zone == "" || v.Zone == "UTC" {
			v.Zone = x.Zone
		}
		v.Outings = append(v.Outings, x.Outings...)
		for _, y := range x.Yards { // one that is in use somewhere is
			i := slices.IndexFunc(v.Yards, func(o YardInfo) bool { return o.ID == y.ID })
			switch {
			case i < 0:
				v.Yards = append(v.Yards, y)
			case v.Yards[i].Closed && !y.Closed:
				v.Yards[i] = y
			}
		}
		for _, p := range x.Plan {
			if !slices.ContainsFunc(v.Plan, func(o Planned) bool { return o.Yard == p.Yard }) {
				v.Plan = append(v.Plan, p)
			}
		}
		if x.Prices != nil {
			v.Prices = x.Prices // of one book: all have the same
		}
		v.Review = append(v.Review, x.Review...)
	}
	if v.Settled == math.MaxInt64 {
		v.Settled = 0
	}
	v.Rig = strings.Join(rigs, ", ")
	slices.SortFunc(v.Yards, func(a, b YardInfo) int { return cmp.Compare(a.ID, b.ID) })
	slices.SortStableFunc(v.Outings, func(a, b Outing) int { return cmp.Compare(a.From, b.From) })
	// A night of several rigs is one, as long as one of them is out.
	all := v.Outings
	v.Outings = nil
	for _, o := range all {
		if n := len(v.Outings); n > 0 && o.From-v.Outings[n-1].To <= outing.Pause {
			last := &v.Outings[n-1]
			last.To, last.Visits = max(last.To, o.To), last.Visits+o.Visits
			continue
		}
		v.Outings = append(v.Outings, o)
	}
	return v
}
