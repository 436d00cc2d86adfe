package tote

import (
	"math"

	"yardtally/calibrate/quantity"
)

// Point is what the tote held at an instant, by its level sensor.
type Point struct {
	At      int64           // Unix ns
	Volume  quantity.Volume // held
	U       quantity.Volume // standard uncertainty of this reading alone; what all readings of the tote share is Terms.ShareU
	Rest    bool            // it counts: the rig stood, the surface was at rest
	Why     Why             // else why not
	Metered quantity.Volume // through the meter since the first reading, by then
	Tote    string          // the tote's name; another name is another tote
	Silent  int64           // how long nothing was heard of the rig right before this point, ns; 0: it was heard all the time
}

// What is worth keeping: common practice, no source.
const (
	keepEvery   = int64(600_000_000_000)    // ns: as often at least, in rest
	keepPause   = int64(60_000_000_000)     // ns: what was silent or unsettled for so long may have changed
	keepMetered = 10 * quantity.Litre       // through the meter
	keepCourse  = 20 * quantity.Litre       // least change that an unsettled point is kept for
	keepBeyond  = 4.0                       // standard uncertainties of a change
	offFor      = int64(600_000_000_000)    // ns: silent for longer is powered off
	leastU      = 250 * quantity.Millilitre // no reading is taken for better: 0.25 mm of a tote's 1 m²
)

// Keeper picks from a stream of points those worth keeping: the last settled
// one before and the first ones after whatever changes, the course of what
// changes fast, and else one for every 10 min or 10 L metered. It is a value, a
// copy is independent of it.
type Keeper struct {
	Any   bool  // a settled point was kept
	Kept  Point // the newest settled point kept
	Held  Point // the newest settled point, where Hold says it is not kept yet
	Hold  bool
	Seen  Point // the newest point kept of either sort
	Have  bool  // there is one
	Event int64 // when something last changed
	Last  int64 // newest settled point
}

// Offer takes in the next point, in order of At, and returns those to keep
// because of it: up to two, the older first; the first n of out.
func (k *Keeper) Offer(p Point) (out [2]Point, n int) {
	put := func(q Point) {
		out[n] = q
		n++
		k.Seen, k.Have = q, true
		if q.Rest {
			k.Kept, k.Any, k.Hold = q, true, false
		}
	}
	p.Rest = p.Rest && p.Why == Counts
	if !p.Rest {
		if k.Have && p.Tote == k.Seen.Tote && p.Silent < keepPause && !k.course(&p) {
			return out, n
		}
		if k.Hold {
			put(k.Held)
		}
		k.Event = p.At
		put(p)
		return out, n
	}
	pause := max(p.Silent, p.At-k.Last)
	k.Last = p.At
	event := !k.Any || p.Tote != k.Kept.Tote || pause >= keepPause ||
		k.Hold && shifts(&k.Held, &p) || shifts(&k.Kept, &p)
	if event {
		if k.Hold {
			put(k.Held)
		}
		k.Event = p.At
		put(p)
		return out, n
	}
	// After an event the spacing grows with the time since.
	spacing := min(keepEvery, p.At-k.Event)
	if p.At-k.Kept.At >= spacing || apart(p.Metered, k.Kept.Metered, keepMetered) {
		put(p)
		return out, n
	}
	k.Held, k.Hold = p, true
	return out, n
}

// Pending returns the newest settled point if it is not kept: for a view of
// now, it goes behind those kept where it is newer.
func (k *Keeper) Pending() (Point, bool) {
	return k.Held, k.Hold && k.Held.At > k.Seen.At
}

// course tells whether an unsettled point is news: the sensor fell silent or
// came back, or the level went on.
func (k *Keeper) course(p *Point) bool {
	if unread(p) != unread(&k.Seen) {
		return unread(p)
	}
	if p.Why != Restless && p.Why != Changing {
		return false
	}
	ref := &k.Seen
	if k.Hold && k.Held.At > ref.At {
		ref = &k.Held
	}
	return !unread(ref) && shifts(ref, p) && math.Abs(balance(p)-balance(ref)) >= float64(keepCourse)
}

func unread(p *Point) bool { return p.Why == NoReading || p.Why == Silent }

// shifts tells whether the balance moved beyond the readings' uncertainty. The
// meter's and the strapping's are taken for 2 % of what was metered.
func shifts(a, b *Point) bool {
	d, m := balance(b)-balance(a), 0.02*(float64(b.Metered)-float64(a.Metered))
	return d*d > keepBeyond*keepBeyond*(variance(a)+variance(b)+float64(m*m))
}

// balance is what the tote would hold had nothing been metered, nL.
func balance(p *Point) float64 { return float64(p.Volume) + float64(p.Metered) }

func variance(p *Point) float64 {
	u := max(math.Abs(float64(p.U)), float64(leastU))
	return u * u
}

func apart(a, b, by quantity.Volume) bool { return math.Abs(float64(a)-float64(b)) >= float64(by) }
