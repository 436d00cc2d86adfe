package tote

import "math"

const (
	// stir is how far a position may stray while the rig stands, m: a receiver
	// at rest wanders by some metres (common practice, no source).
	stir = 8.0
	// stirDOP is the same for a dilution of 1, m.
	stirDOP = 4.0
	// maxDOP is the dilution beyond which a position says nothing of standing.
	maxDOP = 5.0
	// fast is the speed that is not a receiver's noise, m/s.
	fast = 0.5
	// lasting is how long what showed motion still counts as motion, ns.
	lasting = int64(5_000_000_000)
	// fresh is how old evidence may be, ns.
	fresh = int64(10_000_000_000)
	// away is a silence after which the rig may have been anywhere, ns.
	away = int64(300_000_000_000)
	// settle is how many positions the mean place follows.
	settle = 30
	// perDegree is a degree of latitude, m: π/180 of the mean radius of the
	// WGS 84 ellipsoid, 6371008.8 m (NIMA TR8350.2; memory).
	perDegree = 111195.08
)

// Stand is what is known of the rig's standing at an instant.
type Stand struct {
	Known  bool  // there is fresh evidence
	Moving bool  // the newest shows motion
	Since  int64 // standing since, or the newest motion
}

// Standing gathers evidence of the rig's standing. It is a value, a copy is independent of it.
type Standing struct {
	Since    int64 // newest instant that showed motion, or the first evidence of all
	At       int64 // newest evidence; 0: none
	Lat, Lon float64
	N        int // positions that Lat, Lon are the mean of; 0: none
}

// Speed takes in a speed over ground, m/s.
func (s *Standing) Speed(at int64, v float64) {
	if math.IsNaN(v) || !s.next(at) {
		return
	}
	if math.Abs(v) > fast {
		s.Since = at
	}
}

// Place takes in a position in degrees, with its dilution (0: not known).
func (s *Standing) Place(at int64, lat, lon, hdop float64) {
	if !(math.Abs(lat) <= 90 && math.Abs(lon) <= 180) || hdop > maxDOP || !s.next(at) {
		return
	}
	if s.N == 0 {
		s.Lat, s.Lon, s.N = lat, lon, 1
		return
	}
	dLat, dLon := lat-s.Lat, lon-s.Lon
	y := dLat * perDegree
	x := dLon
	if x > 180 { // the short way round
		x -= 360
	} else if x < -180 {
		x += 360
	}
	x *= perDegree * math.Cos(lat*math.Pi/180)
	reach := max(stir, stirDOP*hdop)
	if float64(x*x)+float64(y*y) > reach*reach {
		s.Lat, s.Lon, s.N, s.Since = lat, lon, 1, at
		return
	}
	s.N = min(s.N+1, settle)
	s.Lat += dLat / float64(s.N)
	if math.Abs(dLon) < 1 {
		s.Lon += dLon / float64(s.N)
	}
}

// next notes that there is evidence of an instant; false if it is late.
func (s *Standing) next(at int64) bool {
	if s.At != 0 && at < s.At && s.At-at < away {
		return false
	}
	if s.At == 0 || at-s.At > away || at < s.At {
		*s = Standing{Since: at}
	}
	s.At = at
	return true
}

// Stand returns what is known at an instant.
func (s *Standing) Stand(at int64) Stand {
	if s.At == 0 || at-s.At > fresh {
		return Stand{}
	}
	return Stand{Known: true, Moving: s.At-s.Since < lasting, Since: s.Since}
}
