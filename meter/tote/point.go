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
	Lag     quantity.Volume // metered since the mean instant of the readings behind Volume: Keeper works it out
	Series  int             // another one where volumes cannot be held against those before: another strapping, sensor or density
	Silent  int64           // how long nothing was heard of the rig right before this point, ns; 0: it was heard all the time
}

// Head is what both level sensors said at rest at an instant, each as a level
// above the tote's floor.
type Head struct {
	At             int64           // Unix ns
	Pressure, Face quantity.Length // by the pressure sensor near the floor, and by the face above
}

// What is worth keeping: common practice, no source.
const (
	keepEvery   = int64(600_000_000_000)    // ns: as often at least, in rest
	keepPause   = int64(60_000_000_000)     // ns: what was silent or unsettled for so long may have changed
	keepMetered = 10 * quantity.Litre       // through the meter
	keepAfter   = quantity.Litre            // through the meter, and none since
	keepCourse  = 20 * quantity.Litre       // least change that an unsettled point is kept for
	keepBeyond  = 4.0                       // standard uncertainties of a change
	offFor      = int64(600_000_000_000)    // ns: silent for longer is powered off
	leastU      = 250 * quantity.Millilitre // no reading is taken for better: 0.25 mm of a tote's 1 m²
	astrayU     = 100 * quantity.Litre      // no surface of a tote that stands swings by 100 mm
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
	Seen  Point         // the newest point kept of either sort
	Have  bool          // there is one
	Event int64         // when something last changed
	Last  int64         // newest settled point
	Ats   [offers]int64 // the newest points offered, oldest first, for Lag
	Ms    [offers]quantity.Volume
	N     int
}

// A settled level is the mean of readings of some readFor, ns, and points come
// every 10 s or so.
const (
	offers  = 5
	readFor = int64(23_000_000_000)
)

// lag returns what was metered since the mean instant of a point's readings, by
// the points offered before it, as if flow were even between them.
func (k *Keeper) lag(p *Point) quantity.Volume {
	area, at, m := 0.0, p.At, float64(p.Metered)
	from := p.At - readFor
	for i := k.N - 1; i >= 0 && at > from; i-- {
		wasAt, was := k.Ats[i], float64(k.Ms[i])
		if wasAt >= at {
			return 0
		}
		if wasAt < from {
			was += (m - was) * float64(from-wasAt) / float64(at-wasAt)
			wasAt = from
		}
		area += (float64(p.Metered) - (m+was)/2) * float64(at-wasAt)
		at, m = wasAt, was
	}
	area += (float64(p.Metered) - m) * float64(at-from)
	return nanolitres(area / float64(readFor))
}

func (k *Keeper) note(p *Point) {
	if k.N == offers {
		copy(k.Ats[:], k.Ats[1:])
		copy(k.Ms[:], k.Ms[1:])
		k.N--
	}
	k.Ats[k.N], k.Ms[k.N] = p.At, p.Metered
	k.N++
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
	p.Lag = k.lag(&p)
	k.note(&p)
	if !p.Rest {
		if k.Have && p.Tote == k.Seen.Tote && p.Series == k.Seen.Series && p.Silent < keepPause && !k.course(&p) {
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
	event := !k.Any || p.Tote != k.Kept.Tote || p.Series != k.Kept.Series || pause >= keepPause ||
		k.Hold && shifts(&k.Held, &p) || shifts(&k.Kept, &p)
	if event {
		if k.Hold {
			put(k.Held)
		}
		k.Event = p.At
		put(p)
		return out, n
	}
	// The last one before a flow and the first one after it tell best what the
	// tote gave: with flow in its readings a level is worth less.
	if k.Hold && k.Held.Lag == 0 && p.Lag != 0 && k.Held.At-k.Kept.At >= keepPause {
		put(k.Held)
	}
	// After an event the spacing grows with the time since.
	spacing := min(keepEvery, (p.At-k.Event)/2)
	if p.At-k.Kept.At >= spacing || apart(p.Metered, k.Kept.Metered, keepMetered) ||
		p.Lag == 0 && apart(p.Metered, k.Kept.Metered, keepAfter) {
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
	if unread(p) != unread(&k.Seen) || astray(p) && !astray(&k.Seen) {
		return unread(p) || p.Why == Changing
	}
	if p.Why != Restless && p.Why != Changing {
		return false
	}
	ref := &k.Seen
	if k.Hold && k.Held.At > ref.At {
		ref = &k.Held
	}
	d := math.Abs(balance(p) - balance(ref))
	if unread(ref) || d < float64(keepCourse) {
		return false
	}
	// The uncertainty of one that changes is the change.
	return p.Why == Changing && d*d > variance(p) || shifts(ref, p)
}

// unread tells whether a point is of no surface, astray whether the sensor says
// so, since it looks at a floor or a hand.
func unread(p *Point) bool { return p.Why == NoReading || p.Why == Silent || astray(p) }

func astray(p *Point) bool { return p.Why == Restless && math.Abs(float64(p.U)) > float64(astrayU) }

// shifts tells whether the balance moved beyond the readings' uncertainty. The
// meter's and the strapping's are taken for 2 % of what was metered.
func shifts(a, b *Point) bool {
	d, m := balance(b)-balance(a), 0.02*(float64(b.Metered)-float64(a.Metered))
	return d*d > keepBeyond*keepBeyond*(variance(a)+variance(b)+float64(m*m))
}

// balance is what the tote would hold had nothing been metered, nL.
func balance(p *Point) float64 { return float64(p.Volume) + passed(p) }

// passed is what had passed the meter at the mean instant of the readings, nL.
func passed(p *Point) float64 { return float64(p.Metered) - float64(p.Lag) }

// variance is that of a point's balance. Pulls are not even flow: the lag is
// taken for good to a quarter.
func variance(p *Point) float64 {
	return square(max(math.Abs(float64(p.U)), float64(leastU))) + square(float64(p.Lag)/4)
}

func apart(a, b, by quantity.Volume) bool { return math.Abs(float64(a)-float64(b)) >= float64(by) }
