package desk

import (
	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// flowmeter finds the flow of the newest second from counts as they arrive,
// for show only: what is kept is found by the ledger.
type flowmeter struct {
	now   Live
	ring  [8]beat
	n     int
	shown int64 // when a change was last shown, Unix ns by the rig's clock
}

type beat struct {
	count  float64
	uptime float64 // s
}

// showEvery is the least time between two live changes that are shown, ns.
const showEvery = 190_000_000

// take reports whether there is something new to show.
func (f *flowmeter) take(r *meter.Record, pulse quantity.Volume, at int64) bool {
	changed := false
	if v, ok := r.Value(meter.Syrup); ok {
		f.now.Syrup, f.now.SyrupAt = quantity.Temperature(v), at
		changed = true
	}
	n, ok := r.Value(meter.Pulses)
	up, okUp := r.Value(meter.Uptime)
	if ok && okUp {
		last := &f.ring[(f.n+len(f.ring)-1)%len(f.ring)]
		switch {
		case f.n > 0 && (up < last.uptime-10 || n < last.count && up > last.uptime):
			f.n = 0 // the board started again, or its count wrapped
		case f.n > 0 && up <= last.uptime:
			return changed // late or doubled
		}
		f.ring[f.n%len(f.ring)] = beat{n, up}
		f.n++
		for back := 1; back < min(f.n, len(f.ring)); back++ {
			b := &f.ring[(f.n-1-back)%len(f.ring)]
			if d := up - b.uptime; d >= 0.95 || back == min(f.n, len(f.ring))-1 {
				f.now.Flow = quantity.Flow((n - b.count) * pulse.CubicMetres() / d)
				f.now.FlowAt = at
				changed = true
				break
			}
		}
	}
	if !changed || (at-f.shown < showEvery && at >= f.shown) {
		return false
	}
	f.shown = at
	return true
}
