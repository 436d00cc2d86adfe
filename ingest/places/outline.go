package places

import (
	"math"

	"yardtally/meter/act"
)

// metresPerDegree is of a meridian on the sphere of the Earth's mean radius,
// 6371008.8 m (NIMA TR8350.2; memory); computed.
const metresPerDegree = math.Pi / 180 * 6371008.8

// flat is a corner in metres east and north of an outline's first one, on the
// plane that touches the Earth there: good to a part in a thousand over the
// few hundred metres of a yard.
type flat struct{ e, n float64 }

func flatten(ring []act.Corner) []flat {
	out := make([]flat, len(ring))
	across := metresPerDegree * math.Cos(ring[0].Lat*math.Pi/180)
	for i, c := range ring {
		out[i] = flat{math.Remainder(c.Lon-ring[0].Lon, 360) * across, (c.Lat - ring[0].Lat) * metresPerDegree}
	}
	return out
}

// area returns what an outline encloses, m2; above 0 where it goes
// counter-clockwise as seen from above.
func area(ring []act.Corner) float64 {
	if len(ring) < 3 {
		return 0
	}
	twice := 0.0
	p := flatten(ring)
	for i, a := range p {
		b := p[(i+1)%len(p)]
		twice += float64(a.e*b.n) - float64(b.e*a.n)
	}
	return twice / 2
}

// Middle returns the centre of gravity of the area in an outline, which must
// have a corner. Where that lies outside of its bounds, as it can of an outline
// that crosses itself, or there is no area, it is the middle of the bounds.
func Middle(ring []act.Corner) act.Corner {
	p := flatten(ring)
	var e, n, twice float64
	for i, a := range p {
		b := p[(i+1)%len(p)]
		cross := float64(a.e*b.n) - float64(b.e*a.n)
		twice += cross
		e += (a.e + b.e) * cross
		n += (a.n + b.n) * cross
	}
	m := act.Corner{Lat: ring[0].Lat + n/(3*twice)/metresPerDegree}
	m.Lon = math.Remainder(ring[0].Lon+e/(3*twice)/(metresPerDegree*math.Cos(ring[0].Lat*math.Pi/180)), 360)
	if Within(ring, m) {
		return m
	}
	south, north, west, east := bounds(ring, ring[0])
	return act.Corner{Lat: ring[0].Lat + (south+north)/2, Lon: math.Remainder(ring[0].Lon+(west+east)/2, 360)}
}

// bounds returns how far an outline goes from a position, degrees: north and
// east are above 0.
func bounds(ring []act.Corner, from act.Corner) (south, north, west, east float64) {
	south, north, west, east = math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, c := range ring {
		lat, lon := c.Lat-from.Lat, math.Remainder(c.Lon-from.Lon, 360)
		south, north, west, east = min(south, lat), max(north, lat), min(west, lon), max(east, lon)
	}
	return south, north, west, east
}

// Within reports whether a position lies within the bounds of an outline: the
// smallest rectangle of meridians and parallels around it.
func Within(ring []act.Corner, c act.Corner) bool {
	south, north, west, east := bounds(ring, c)
	return south <= 0 && 0 <= north && west <= 0 && 0 <= east
}

// CrossesDateLine reports whether a side of an outline crosses the 180th
// meridian: of two ways round the Earth, it goes the shorter.
func CrossesDateLine(ring []act.Corner) bool {
	for i, c := range ring {
		if math.Abs(c.Lon-ring[(i+1)%len(ring)].Lon) > 180 {
			return true
		}
	}
	return false
}

// across returns the diagonal of an outline's bounds, m.
func across(ring []act.Corner) float64 {
	var lo, hi flat
	for _, c := range flatten(ring) {
		lo = flat{min(lo.e, c.e), min(lo.n, c.n)}
		hi = flat{max(hi.e, c.e), max(hi.n, c.n)}
	}
	return math.Hypot(hi.e-lo.e, hi.n-lo.n)
}

// apart returns how far two positions are from each other, m, where that is
// not far.
func apart(a, b act.Corner) float64 { return across([]act.Corner{a, b}) }

// sameRing reports whether two outlines are one, wherever they begin and
// whichever way they go round.
func sameRing(a, b []act.Corner) bool {
	if len(a) != len(b) {
		return false
	}
	if len(a) == 0 {
		return true
	}
	n := len(a)
	for _, way := range []int{1, n - 1} {
		for start := range b {
			i := 0
			for i < n && near(a[i], b[(start+i*way)%n]) {
				i++
			}
			if i == n {
				return true
			}
		}
	}
	return false
}

// open returns a closed outline without its last corner, where that is its
// first again, and whether it was so.
func open(ring []act.Corner) ([]act.Corner, bool) {
	if n := len(ring); n > 1 && ring[0] == ring[n-1] {
		return ring[:n-1], true
	}
	return ring, false
}
