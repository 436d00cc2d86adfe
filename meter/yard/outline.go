package yard

import (
	"math"

	"yardtally/calibrate/quantity"
)

// perDegree is a degree of latitude on the sphere of EarthRadius, m.
const perDegree = EarthRadius * math.Pi / 180

// Corner is a corner of a yard's outline, degrees, WGS 84.
type Corner struct{ Lat, Lon float64 }

// Distance returns how far a position is from the yard, in metres: from its
// middle or, if the yard has an outline, from that, 0 inside.
//
// An outline is worked out in the plane that touches the sphere at the
// position. The sphere's own size is within 0.6 % of the ellipsoid's radii of
// curvature (6335439 m along the meridian at the equator, 6399594 m at the pole;
// computed from a and b above); the plane adds d²·tan(latitude)/2R: 0.2 m at 1 km
// and 70° of latitude. The ring need not be closed, may run either way round, and
// where it crosses itself, a place is inside if a ray from it crosses the ring
// an odd number of times. Corners that are no place on Earth are left out; two
// that are left are a line, one is a point, none leaves the yard's middle.
func (p *Place) Distance(lat, lon float64) quantity.Length {
	if !valid(lat, lon) {
		return quantity.Length(math.Inf(1))
	}
	var first, last, least = xy{}, xy{}, math.Inf(1)
	n, inside := 0, false
	scale := cosine(lat)
	for _, c := range p.Ring {
		if !valid(c.Lat, c.Lon) {
			continue
		}
		at := plane(lat, lon, scale, c.Lat, c.Lon)
		if n == 0 {
			first = at
		} else {
			least = min(least, at.fromEdge(last))
			inside = inside != at.crosses(last)
		}
		last = at
		n++
	}
	if n == 0 {
		return Distance(lat, lon, p.Lat, p.Lon)
	}
	least = min(least, first.fromEdge(last)) // closes the ring
	inside = inside != first.crosses(last)
	if inside {
		return 0
	}
	return quantity.Length(math.Sqrt(least))
}

// clear tells, at less cost than Distance, of a place of that latitude that it
// is more than so far from the yard; false says nothing.
func (p *Place) clear(lat float64, far quantity.Length) bool {
	limit := float64(far) / perDegree
	if len(p.Ring) == 0 {
		return math.Abs(lat-p.Lat) > limit
	}
	north, south := true, true // all of it is
	for _, c := range p.Ring {
		if !valid(c.Lat, c.Lon) {
			return false
		}
		north = north && c.Lat-lat > limit
		south = south && lat-c.Lat > limit
	}
	return north || south
}

// Area returns the area that an outline encloses, m², whichever way round it
// runs; 0 for fewer than three corners. Where the ring crosses itself the parts
// that run the other way round are taken off. Plane as in Distance.
func Area(ring []Corner) float64 {
	area, _ := moments(ring)
	return math.Abs(area)
}

// Middle returns the centre of the area that an outline encloses or, if it
// encloses none, the mean of its corners. False if no corner is a place on Earth.
func Middle(ring []Corner) (lat, lon float64, ok bool) {
	var origin Corner
	var sum xy
	n := 0
	for _, c := range ring {
		if !valid(c.Lat, c.Lon) {
			continue
		}
		if n == 0 {
			origin = c
		}
		at := plane(origin.Lat, origin.Lon, cosine(origin.Lat), c.Lat, c.Lon)
		sum.x += at.x
		sum.y += at.y
		n++
	}
	if n == 0 {
		return 0, 0, false
	}
	mean := xy{sum.x / float64(n), sum.y / float64(n)}
	if area, centre := moments(ring); math.Abs(area) > 1e-3 {
		mean = centre
	}
	lat, lon = unplane(origin.Lat, origin.Lon, cosine(origin.Lat), mean)
	return lat, lon, true
}

// moments returns the signed area of a ring and its centre, in the plane at its
// first corner.
func moments(ring []Corner) (area float64, centre xy) {
	var origin Corner
	var first, last xy
	n := 0
	add := func(a, b xy) {
		cross := float64(a.x*b.y) - float64(b.x*a.y)
		area += cross / 2
		centre.x += (a.x + b.x) * cross / 6
		centre.y += (a.y + b.y) * cross / 6
	}
	for _, c := range ring {
		if !valid(c.Lat, c.Lon) {
			continue
		}
		if n == 0 {
			origin = c
		}
		at := plane(origin.Lat, origin.Lon, cosine(origin.Lat), c.Lat, c.Lon)
		if n == 0 {
			first = at
		} else {
			add(last, at)
		}
		last = at
		n++
	}
	if n < 3 {
		return 0, xy{}
	}
	add(last, first)
	return area, xy{centre.x / area, centre.y / area}
}

// xy is a place in a plane, metres east and north of its origin.
type xy struct{ x, y float64 }

// plane returns where a place is in the plane at an origin, the short way round
// the Earth. scale is the cosine of the origin's latitude.
func plane(lat0, lon0, scale, lat, lon float64) xy {
	return xy{turn(lon-lon0) * scale * perDegree, (lat - lat0) * perDegree}
}

// unplane is the reverse of plane; the longitude is from -180 up to 180.
func unplane(lat0, lon0, scale float64, at xy) (lat, lon float64) {
	lat = max(-90, min(90, lat0+at.y/perDegree))
	return lat, turn(lon0 + turn(at.x/(scale*perDegree)))
}

// turn brings an angle of at most one turn and a half into -180 … 180 degrees.
func turn(d float64) float64 {
	if d > 180 {
		return d - 360
	}
	if d < -180 {
		return d + 360
	}
	return d
}

// cosine of a latitude, never so small that dividing by it goes wrong.
func cosine(lat float64) float64 { return max(1e-9, math.Cos(lat*math.Pi/180)) }

// valid tells whether this is a place on Earth.
func valid(lat, lon float64) bool { return math.Abs(lat) <= 90 && math.Abs(lon) <= 180 }

// crosses tells whether the edge from a to b crosses the ray that goes east from
// the origin. An edge holds its lower end and not its upper, so that a corner
// on the ray counts once.
func (a xy) crosses(b xy) bool {
	if (a.y > 0) == (b.y > 0) {
		return false
	}
	return a.x-float64(a.y*(b.x-a.x)/(b.y-a.y)) > 0
}

// fromEdge returns the square of the origin's distance from the edge a, b.
func (a xy) fromEdge(b xy) float64 {
	dx, dy := b.x-a.x, b.y-a.y
	if l := float64(dx*dx) + float64(dy*dy); l > 0 {
		t := max(0, min(1, -(float64(a.x*dx)+float64(a.y*dy))/l))
		a.x += t * dx
		a.y += t * dy
	}
	return float64(a.x*a.x) + float64(a.y*a.y)
}
