package ledger

import (
	"math"
	"sort"

	"yardtally/calibrate/quantity"
	ltote "yardtally/meter/tote"
	"yardtally/meter/worth"
)

const (
	// scatter is how far one colony's feed is from what was meant, relative
	// standard deviation. Common practice, no source: the hand on the trigger.
	scatter = 0.05
	// gaugeU is how well a level at rest tells the volume beside its strapping,
	// standard uncertainty. Common practice, no source: 3 mm of 1 m².
	gaugeU = 3 * quantity.Litre
	// again is how long a yard that was fed is not fed again, ns. Common
	// practice, no source: a second outing of one evening goes to other yards,
	// the next evening may go to all.
	again = 14 * 3_600_000_000_000
)

// left tells what is left and whether it is enough, for the yard in hand and
// for those still ahead tonight.
func (l *Ledger) left(st *State, v *View, b *book) Left {
	var out Left
	sp := l.cfg.at(st.At)
	h, why := l.holding(st, sp, v)
	if why != "" {
		out.Why = why
		return out
	}
	out.Known = true
	said := l.said(st)
	said.book = b
	fed := make(map[string]*Visit)     // of late
	earlier := make(map[string]*Visit) // and of that by an outing before this one
	for i := range b.visits {
		switch x := &b.visits[i]; {
		case x.Yard == "":
		case i >= b.begun:
			fed[x.Yard], out.Yard = x, x.Yard
		case x.To >= st.At-again:
			fed[x.Yard], earlier[x.Yard] = x, x
		}
	}
	if b.here.Yard != "" {
		out.Yard = b.here.Yard
	}
	var there ltote.Need
	if out.Yard != "" {
		there = l.need(said, out.Yard, st.At, fed[out.Yard])
	}
	out.There = ltote.Left(h, there)
	all, afterThere := there, h
	afterThere.Usable -= quantity.Volume(there.Colonies) * there.Each
	take := func(id string) {
		n := l.need(said, id, st.At, nil)
		if n.Colonies == 0 || n.Each == 0 {
			out.Unsaid = append(out.Unsaid, id)
			return
		}
		out.Yards = append(out.Yards, YardLeft{Yard: id, Colonies: n.Colonies, Each: n.Each, Outlook: ltote.Left(afterThere, n)})
		whole := quantity.Volume(all.Colonies)*all.Each + quantity.Volume(n.Colonies)*n.Each
		all.Colonies += n.Colonies
		all.Each = whole / quantity.Volume(all.Colonies)
		all.Scatter = scatter
	}
	if b.routed {
		// A route begins anew with each outing, yet what was fed since it was said
		// is not ahead once more.
		since := int64(math.MinInt64)
		for _, r := range l.cfg.said.Routes {
			if r.At <= st.At {
				since = r.At
			}
		}
		for _, id := range b.ahead {
			if x := earlier[id]; x == nil || x.From < since {
				take(id)
			}
		}
	} else {
		for i := range v.Yards {
			if y := &v.Yards[i]; !y.Closed && y.ID != out.Yard && fed[y.ID] == nil {
				take(y.ID)
			}
		}
	}
	out.Tonight = ltote.Left(h, all)
	return out
}

// need is what a yard still needs; visit is tonight's, nil for none.
func (l *Ledger) need(said *saying, id string, at int64, visit *Visit) ltote.Need {
	site := said.site(id, at)
	n := ltote.Need{Colonies: site.Colonies, Each: site.Meant, Scatter: scatter}
	if visit != nil {
		n.Colonies = max(0, visit.Missing)
		if n.Each == 0 {
			n.Each = visit.Meant
		}
	}
	return n
}

// holding is what the tote holds by its newest level at rest, and what was
// metered since.
func (l *Ledger) holding(st *State, sp *span, v *View) (h ltote.Holding, why string) {
	if sp.tote == nil {
		return h, "no tote is described yet"
	}
	if sp.curve == nil {
		return h, "no proving yet"
	}
	p, ok := st.Keeper.Pending()
	if !ok {
		i := len(st.Points) - 1
		for i >= 0 && !st.Points[i].Rest {
			i--
		}
		if i < 0 {
			return h, "the level has not been at rest yet"
		}
		p = st.Points[i]
	}
	if p.Tote != sp.tote.Name {
		return h, "the level of this tote has not been at rest yet"
	}
	h.Usable = max(0, p.Volume-litres(sp.tote.UnusableL))
	h.U = quantity.VolumeOf(hypot(p.U.CubicMetres(), gaugeU.CubicMetres(), sp.strapU*p.Volume.CubicMetres()))
	h.Metered = v.Total - p.Metered
	h.MeteredU = quantity.Volume(usualMeterU * float64(h.Metered))
	if sp.syrup.Known {
		passing := st.passing(sp)
		now := sp.syrup.Syrup.Near(passing.Temp)
		h.Density, h.DensityRelU = now.Density, now.DensityU
		h.Solids, h.SolidsU = sp.syrup.Syrup.Solids, passing.SolidsU
	}
	if i := sort.Search(len(v.Fills), func(i int) bool { return v.Fills[i].Start >= p.At }); i < len(v.Fills) {
		var within quantity.Volume
		for _, f := range v.Fills[i:] {
			within += f.Within
		}
		h.MeteredU = quantity.Volume(float64(within) / worth.Cover)
	}
	return h, ""
}
