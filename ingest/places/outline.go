package places

import (
	"math"

	"yardtally/meter/act"
	"yardtally/meter/yard"
)

// Middle returns the centre of the area that an outline encloses, or the middle
// of its bounds where it has none in them, as an outline that crosses itself
// may. The outline must have a corner.
func Middle(ring []act.Corner) act.Corner {
	if lat, lon, ok := yard.Middle(yards(ring)); ok && Within(ring, act.Corner{Lat: lat, Lon: lon}) {
		return act.Corner{Lat: lat, Lon: lon}
	}
	south, north, west, east := bounds(ring, ring[0])
	return act.Corner{Lat: ring[0].Lat + (south+north)/2, Lon: math.Remainder(ring[0].Lon+(west+east)/2, 360)}
}

// yards returns an outline as the finder of yards has it.
func yards(ring []act.Corner) []yard.Corner {
	out := make([]yard.Corner, len(ring))
	for i, c := range ring {
		out[i] = yard.Corner(c)
	}
	return out
}

// clockwise reports whether an outline goes clockwise as seen from above.
func clockwise(ring []act.Corner) bool {
	twice, from := 0.0, ring[0]
	for i, a := range ring {
		b := ring[(i+1)%len(ring)]
		twice += float64(math.Remainder(a.Lon-from.Lon, 360)*(b.Lat-from.Lat)) - float64(math.Remainder(b.Lon-from.Lon, 360)*(a.Lat-from.Lat))
	}
	return twice < 0
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
	south, north, west, east := bounds(ring, ring[0])
	return float64(yard.Distance(ring[0].Lat+south, ring[0].Lon+west, ring[0].Lat+north, ring[0].Lon+east))
}

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
