package ledger

import (
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// View returns everything derived so far, the provisional tail with it.
func (l *Ledger) View() *View {
	st := l.st.Clone()
	tail := l.tail.items()
	for i := range tail {
		st.step(l.cfg, &tail[i], nil)
	}
	sp := l.cfg.spans[len(l.cfg.spans)-1]
	if st.Seen > 0 {
		sp = *l.cfg.at(st.At)
	}
	v := &View{Rig: l.rig, At: st.At, Records: st.Seen, Wild: st.Count.Wild, Zone: sp.rig.Zone, Total: st.total(l.cfg),
		Gaps: st.Gaps, Yards: l.cfg.yards, PulseVolume: st.pulse(&sp), Curves: l.cfg.curves,
		Tote: st.toteNow(&sp, st.At), Syrup: st.Syrup, Air: st.Air}
	if l.st.Seen > 0 {
		v.Settled = l.key.at
	}
	if p, ok := st.pending(l.cfg); ok {
		y, k := st.stood()
		n := len(st.Fills)
		st.closed(l.cfg, &p, y, k, nil)
		for i := n; i < len(st.Fills); i++ {
			st.Fills[i].Open = true
		}
	}
	v.Fills, v.Loose, v.Steps = st.Fills, st.Loose, st.Steps
	v.Here = here(&st)
	v.Flow, v.FlowAt = st.flowNow()
	if sp.batch != nil {
		v.Brix = Last{Value: sp.syrup.Syrup.Solids.Brix(), At: sp.since, Has: true}
	}
	v.Review = slices.Concat(l.cfg.review, st.Review)
	hit := make(map[string]bool, len(st.Hit))
	for _, id := range st.Hit {
		hit[id] = true
	}
	for i := range l.cfg.assigns {
		if id := l.cfg.assigns[i].ID; !hit[id] {
			v.Review = append(v.Review, Review{id, "names counts that no flow has"})
		}
	}
	v.Placed.By, v.Placed.Epochs, v.Placed.Unsure, v.Placed.Steps = l.clk.Summary()
	return v
}

func here(st *State) Here {
	h := Here{Since: st.Yard.Since, FixAt: st.Yard.FixAt}
	y, known := st.Yard.At(st.At)
	switch {
	case !known:
		h.Reason = NoPosition
	case y == "":
		h.Reason = NoYard
	default:
		h.Yard, h.Reason = y, ByPosition
	}
	return h
}

// ToteRoom returns the volume that the tote can still give, where it is known.
func (v *View) ToteRoom() (quantity.Volume, bool) { return v.Tote.Usable, v.Tote.Known }

// Restore gives a view that came as JSON its curves, from all acts of the rig.
func (v *View) Restore(acts []act.Act) {
	v.Curves = compile(act.Standing(acts)).curves
}
