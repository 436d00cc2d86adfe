package ledger

import (
	"math"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
)

// View returns everything derived so far, the provisional tail with it.
func (l *Ledger) View() *View {
	st := l.st.Clone()
	tail := l.tail.items()
	for i := range tail {
		st.step(l.cfg, tail[i], nil)
	}
	sp := l.cfg.spans[len(l.cfg.spans)-1]
	if st.Seen > 0 {
		sp = *l.cfg.at(st.At)
	}
	v := &View{Rig: l.rig, At: st.At, Records: st.Seen, Wild: st.Count.Wild, Zone: sp.rig.Zone, Total: st.total(l.cfg),
		Gaps: st.Gaps, PulseVolume: st.pulse(&sp), Curves: l.cfg.curves, Syrup: st.Syrup, Air: st.Air, Steps: st.Steps}
	v.Tote, _ = st.toteNow(&sp, st.At)
	if l.st.Seen > 0 {
		v.Settled = l.key.at
	}
	p, open := st.pending(l.cfg)
	if open {
		st.closed(l.cfg, &p)
	}
	b := l.whole(&st, open, false)
	v.Fills, v.Loose, v.Visits, v.Outings, v.Changes, v.Doubts = b.fills, b.loose, b.visits, b.outings, b.changes, b.doubts
	v.Here = Here{Yard: b.here.Yard, Reason: b.here.Reason, Since: b.here.Since, FixAt: st.Track.Fix()}
	v.Flow, v.FlowAt = st.flowNow()
	v.Breaks = l.breaks(v)
	since := st.newest(&b)
	v.Health, v.Idles, v.Falls, v.Heads = st.Sensors.List(since), st.idles(since), st.falls(), st.heads(since)
	v.Points, v.Terms, v.Batches, v.Deadhead = b.levels, b.terms, l.cfg.booked, int64(sp.rig.DeadheadS*1e9)
	if sp.batch != nil {
		v.Brix = Last{Value: sp.syrup.Syrup.Solids.Brix(), At: sp.since, Has: true}
	}
	v.Yards = l.yards(&st, &b)
	v.Left = l.left(&st, v, &b)
	if n := len(l.cfg.said.Routes); n > 0 {
		v.Route = l.cfg.said.Routes[n-1].Yards
	}
	newest := &l.cfg.spans[len(l.cfg.spans)-1]
	v.Line, v.Batch, v.Stand, v.Plan = newest.line, newest.batch, newest.tote, l.plan(&st, v, &b)
	v.Prices = l.books.priced()
	flowed := int64(math.MinInt64)
	if n := len(st.Flows); n > 0 {
		flowed = st.Flows[n-1].End
	}
	v.Review = slices.Concat(l.cfg.review, b.review, l.cfg.unheeded(b.hits, st.At, flowed))
	v.Placed.By, v.Placed.Epochs, v.Placed.Unsure, v.Placed.Steps = l.clk.Summary()
	return v
}

// ToteRoom returns the volume that the tote can still give, where it is known.
func (v *View) ToteRoom() (quantity.Volume, bool) { return v.Tote.Usable, v.Tote.Known }

// Restore gives a view that came as JSON its curves and what its syrups are made
// of, from all acts that SetActs was given.
func (v *View) Restore(acts []act.Act) {
	c := compile(v.Rig, act.Standing(acts))
	v.Curves, v.Batches = c.curves, c.booked
	liquid := make(map[string]syrup.Syrup)
	for i := range c.spans {
		liquid[c.spans[i].stock.Act] = c.spans[i].stock.Syrup
	}
	v.Fills = slices.Clone(v.Fills)
	for i := range v.Fills {
		p := &v.Fills[i].Pulled
		p.Liquid = liquid[p.Batch]
	}
}
