// Package yard tells from positions in which yard the rig stands.
package yard

import (
	"math"

	"yardtally/calibrate/quantity"
)

// EarthRadius is the mean radius of the WGS 84 ellipsoid, m: (2a+b)/3 with
// a = 6378137.0 and b = 6356752.3142 (NIMA TR8350.2; memory). On the sphere of
// that radius a distance is within 0.6 % of the ellipsoid's: the most is for a
// short way north at the equator, 6335439 m (computed from a and b).
const EarthRadius = 6371008.8

// Distance returns the great-circle distance between two positions in degrees,
// in metres, by the haversine formula.
func Distance(lat1, lon1, lat2, lon2 float64) quantity.Length {
	const rad = math.Pi / 180
	sa := math.Sin((lat2 - lat1) * rad / 2)
	so := math.Sin((lon2 - lon1) * rad / 2)
	h := float64(sa*sa) + float64(math.Cos(lat1*rad)*math.Cos(lat2*rad)*so*so)
	return quantity.Length(2 * EarthRadius * math.Asin(math.Sqrt(min(1, h))))
}

// Place is a yard as the finder needs it.
type Place struct {
	ID           string
	Lat, Lon     float64         // degrees, WGS 84
	Enter, Leave quantity.Length // arrived within, left beyond
	Ring         []Corner        // the outline; without one distances count from Lat, Lon
}

// Position is one position, placed on UTC.
type Position struct {
	At       int64 // Unix ns
	Lat, Lon float64
	HDOP     float64 // 0: not known
}

const (
	// MaxHDOP is the dilution beyond which a position is not used
	// (common practice, no source).
	MaxHDOP = 5
	// Steady is how many positions in a row it takes to arrive or to leave, so
	// that a single outlier does neither.
	Steady = 3
	// FixAge is how old the last position may be while the rig, hose out, is
	// taken to stand where it stood, ns.
	FixAge = int64(300_000_000_000)
)

// State is where the rig is. It is a value.
type State struct {
	Yard  string // "" for none
	Since int64
	FixAt int64 // newest position used; 0 for none
	Used  int   // positions used in a row, up to Steady: fewer say nothing yet
	// A change in the making: towards another yard, for Runs positions, since NextAt.
	Toward string
	Runs   int
	NextAt int64
}

// Next takes in a position, in order of At.
func (s *State) Next(p Position, places []Place) {
	if p.HDOP > MaxHDOP {
		return
	}
	if s.FixAt == 0 || p.At-s.FixAt > FixAge {
		*s = State{} // where the rig was says nothing of where it is
	}
	s.FixAt = p.At
	s.Used = min(s.Used+1, Steady)
	here := s.where(p, places)
	if here == s.Yard {
		s.Runs, s.Toward = 0, ""
		return
	}
	if s.Runs == 0 || here != s.Toward {
		s.Toward, s.Runs, s.NextAt = here, 0, p.At
	}
	s.Runs++
	if s.Runs >= Steady {
		s.Yard, s.Since = here, s.NextAt
		s.Runs, s.Toward = 0, ""
	}
}

// where returns the yard this one position speaks for: the one the rig is in
// as long as it is not beyond its Leave, unless it is within another's Enter
// and no longer within its own.
func (s *State) where(p Position, places []Place) string {
	best, bestD := "", quantity.Length(math.Inf(1))
	stay := false
	for i := range places {
		y := &places[i]
		d := Distance(p.Lat, p.Lon, y.Lat, y.Lon)
		if d <= y.Enter && d < bestD {
			best, bestD = y.ID, d
		}
		if y.ID == s.Yard {
			if d <= y.Enter {
				return y.ID
			}
			stay = d <= y.Leave
		}
	}
	if best == "" && stay {
		return s.Yard
	}
	return best
}

// At returns the yard at an instant not before the newest position, and
// whether the position is known well enough to say so.
func (s *State) At(t int64) (yard string, known bool) {
	if s.Used < Steady || t-s.FixAt > FixAge {
		return "", false
	}
	return s.Yard, true
}
