package tote

import (
	"math"
	"sort"

	"yardtally/calibrate/quantity"
)

// Flow is a metered flow as the ledger cut it.
type Flow struct {
	Start, End int64
	Volume     quantity.Volume
	U          quantity.Volume // standard uncertainty
	Rate       quantity.Flow
	Stray      bool // pulses faster than the line can flow: neither syrup nor air
}

// The reasons for a doubt.
const (
	NoFall   = "no fall in the tote"
	LessFall = "the tote fell by less"
	Empty    = "tote empty"
	Filled   = "refilled meanwhile"
)

// Doubt is flows that the tote does not bear out.
type Doubt struct {
	Why      string          // NoFall, LessFall, Empty or Filled
	From, To int64           // the settled points around it
	Flows    []int           // accused, indices of the flows given, rising; if not Sure, all between From and To, or none where Filled
	Sure     bool            // it is these flows; else some of them, by Excess together
	Metered  quantity.Volume // between From and To
	Fall     quantity.Volume // of the tote meanwhile
	Excess   quantity.Volume // metered, but not given by the tote
	Within   quantity.Volume // half the 95 % interval of Excess
	Since    int64           // Empty: from here on the level stood at the outlet, by what the tote gave; else 0
	Part     float64         // Empty: which part of the first of Flows was air, 0 to 1; else 1
}

// Doubts returns the flows that the tote does not bear out, in order of time.
// Flows are in order of Start and do not overlap; points out of order are put
// in order.
func Doubts(points []Point, flows []Flow, t Terms) []Doubt {
	r := read(points, t)
	var out []Doubt
	for _, s := range r.spans() {
		if s.Kind == Meter {
			out = append(out, r.doubt(&s, flows))
		}
	}
	return out
}

func (r *reading) doubt(s *span, flows []Flow) Doubt {
	a, b := &r.marks[s.a], &r.marks[s.b]
	d := Doubt{Why: LessFall, From: s.From, To: s.To, Metered: s.Metered, Fall: nanolitres(a.v - b.v), Excess: s.Volume, Within: s.Within, Part: 1}
	first := sort.Search(len(flows), func(i int) bool { return flows[i].End > s.From })
	end := max(first, sort.Search(len(flows), func(i int) bool { return flows[i].Start >= s.To }))
	for i := first; i < end; i++ {
		d.Flows = append(d.Flows, i)
	}
	fell := a.v - b.v
	switch {
	case r.filled(s.a, s.b):
		d.Why, d.Flows = Filled, nil
	case r.empty(b):
		d.Why = Empty
		d.air(flows)
	case fell <= wide*math.Sqrt(r.heldUU(a, b)):
		d.Why, d.Sure = NoFall, true
	default:
		d.accuse(flows)
	}
	d.Sure = d.Sure && len(d.Flows) > 0 && !r.off(s) // off, something may have gone in
	return d
}

// filled tells whether the level rose from one point to the next in between.
func (r *reading) filled(a, b int) bool {
	for k := a + 1; k <= b; k++ {
		rose := r.marks[k].v - r.marks[k-1].v
		if rose > 0 && rose*rose > 9*r.heldUU(&r.marks[k-1], &r.marks[k]) {
			return true
		}
	}
	return false
}

// empty tells whether the level may stand at the outlet.
func (r *reading) empty(m *mark) bool {
	t := &r.terms
	if t.Outlet <= 0 {
		return false
	}
	return m.v-float64(t.Outlet) <= wide*math.Sqrt(m.uu+square(float64(t.OutletU)))
}

// air accuses the last flows, back to where the tote gave its last. What was
// stray for sure is none of it; where that is all of the excess, it is accused.
func (d *Doubt) air(flows []Flow) {
	left := float64(d.Excess)
	var stray, others []int
	for _, k := range d.Flows {
		if flows[k].Stray {
			stray = append(stray, k)
			left -= float64(flows[k].Volume)
		} else {
			others = append(others, k)
		}
	}
	if len(stray) > 0 {
		if left <= float64(d.Within) {
			d.Why, d.Flows, d.Sure = LessFall, stray, true
			return
		}
		d.Flows = others
	}
	for k := len(d.Flows) - 1; k >= 0; k-- {
		f := &flows[d.Flows[k]]
		v := float64(f.Volume)
		if v >= left || k == 0 {
			d.Part = 1
			if v > 0 {
				d.Part = max(0, min(1, left/v))
			}
			// Much more than all that was metered cannot be air alone.
			d.Flows, d.Sure = d.Flows[k:], left <= v+2*float64(d.Within)
			d.Since = f.End - int64(d.Part*float64(f.End-f.Start))
			return
		}
		left -= v
	}
	d.Since = d.From
}

// accuse looks for the one flow, or run of flows, that is the excess.
func (d *Doubt) accuse(flows []Flow) {
	found, lo, hi := 0, 0, 0
	for i := range d.Flows {
		sum := 0.0
		for j := i; j < len(d.Flows) && found < 2; j++ {
			sum += float64(flows[d.Flows[j]].Volume)
			if sum > float64(d.Excess)+float64(d.Within) {
				break
			}
			if sum >= float64(d.Excess)-float64(d.Within) {
				found++
				lo, hi = i, j
			}
		}
	}
	if found == 1 {
		d.Flows, d.Sure = d.Flows[lo:hi+1], true
	}
}
