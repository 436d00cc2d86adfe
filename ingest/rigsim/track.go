package rigsim

import "math"

// point is a place on a flat plane about the first yard, metres east and north.
type point struct{ e, n float64 }

// metresPerDegree is a degree of latitude on a sphere of 6371008.8 m, the mean
// radius of the earth (IUGG). The track only has to be a believable one.
const metresPerDegree = 6371008.8 * math.Pi / 180

func (p Place) on(origin Place) point {
	return point{
		e: (p.Lon - origin.Lon) * metresPerDegree * math.Cos(origin.Lat*math.Pi/180),
		n: (p.Lat - origin.Lat) * metresPerDegree,
	}
}

func (p point) place(origin Place) Place {
	return Place{
		Lat: origin.Lat + p.n/metresPerDegree,
		Lon: origin.Lon + p.e/(metresPerDegree*math.Cos(origin.Lat*math.Pi/180)),
	}
}

func (p point) to(q point) float64 { return math.Hypot(q.e-p.e, q.n-p.n) }

// pull is how fast the rig gathers and loses speed, m/s².
const pull = 0.8

// path is a drive: from standing to standing along straight stretches.
type path struct {
	points []point
	length float64
	top    float64 // highest speed reached, m/s
	ramp   float64 // s to reach it
	time   float64 // s for all of it
}

func newPath(points []point, cruise float64) *path {
	p := &path{points: points}
	for i := 1; i < len(points); i++ {
		p.length += points[i-1].to(points[i])
	}
	p.top = math.Min(cruise, math.Sqrt(pull*p.length))
	p.ramp = p.top / pull
	if p.top > 0 {
		p.time = p.length/p.top + p.ramp
	}
	return p
}

// at returns where the rig is and how fast it goes, t s after it set off.
func (p *path) at(t float64) (point, float64) {
	gone, speed := p.length, 0.0
	switch rest := p.time - t; {
	case rest <= 0:
	case t < p.ramp:
		gone, speed = pull/2*t*t, pull*t
	case rest < p.ramp:
		gone, speed = p.length-pull/2*rest*rest, pull*rest
	default:
		gone, speed = p.top*(t-p.ramp/2), p.top
	}
	for i := 1; i < len(p.points); i++ {
		a, b := p.points[i-1], p.points[i]
		d := a.to(b)
		if gone <= d && d > 0 {
			f := gone / d
			return point{a.e + f*(b.e-a.e), a.n + f*(b.n-a.n)}, speed
		}
		gone -= d
	}
	return p.points[len(p.points)-1], speed
}
