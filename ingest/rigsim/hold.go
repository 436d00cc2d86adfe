package rigsim

import (
	"math"

	"yardtally/calibrate/quantity"
)

// A plug is syrup in the hose that passed the meter together.
type plug struct {
	volume quantity.Volume
	solids float64 // kg/nL, dissolved
}

// hold is what the hose holds, as plugs in the order in which they will leave.
type hold struct {
	plugs []plug
	full  quantity.Volume // what it holds at most
	now   quantity.Volume
}

// fill fills an empty hose.
func (h *hold) fill(solids float64) { h.pass(h.full, solids) }

// pass lets syrup in at the meter and returns what leaves at the nozzle, with
// the solids in it, kg. Nothing leaves before the hose is full.
func (h *hold) pass(n quantity.Volume, solids float64) (out quantity.Volume, kg float64) {
	if n == 0 {
		return 0, 0
	}
	const alike = 1e-3 // of solids: what differs by more does not join the plug before
	if k := len(h.plugs) - 1; k >= 0 && h.plugs[k].volume < h.full/50 && math.Abs(h.plugs[k].solids-solids) <= alike*solids {
		p := &h.plugs[k]
		p.solids += (solids - p.solids) * float64(n) / float64(n+p.volume)
		p.volume += n
	} else {
		h.plugs = append(h.plugs, plug{n, solids})
	}
	h.now += n
	for h.now > h.full {
		p := &h.plugs[0]
		part := min(p.volume, h.now-h.full)
		out, kg = out+part, kg+float64(part)*p.solids
		h.now -= part
		if p.volume -= part; p.volume == 0 {
			h.plugs = h.plugs[1:]
		}
	}
	return out, kg
}

// drain empties the hose and returns what ran out.
func (h *hold) drain() quantity.Volume {
	out := h.now
	h.plugs, h.now = nil, 0
	return out
}

// solids returns what is dissolved in a nanolitre of syrup, kg.
func solids(brix, t float64) float64 {
	return density(brix, t) * brix / 100 / float64(quantity.CubicMetre)
}
