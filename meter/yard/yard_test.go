package yard

import (
	"math"
	"testing"
)

// Rows geodesic.distance and haversine.distance of
// ../shared/reference/golden_metering.csv, with their marks.
func TestDistance(t *testing.T) {
	for _, tc := range []struct {
		name                   string
		lat1, lon1, lat2, lon2 float64
		want, within           float64
	}{
		// "haversine", R=6371008.8, computed.
		{"Flinders Peak to Buninyong, sphere", -37.95103341666667, 144.42486788888889, -37.65282113888889, 143.92649552777778, 54925.508, 0.01},
		{"40.6,-73.8 to 49.02,2.55, sphere", 40.6, -73.8, 49.01666667, 2.55, 5837565.115, 0.01},
		// "public Vincenty test files", read; ellipsoid GRS80: the sphere is within 0.3 %.
		{"Flinders Peak to Buninyong, ellipsoid", -37.95103341666667, 144.42486788888889, -37.65282113888889, 143.92649552777778, 54972.271, 0.003 * 54972},
		// "GeographicLib test GeodSolve0", read; ellipsoid WGS84.
		{"40.6,-73.8 to 49.02,2.55, ellipsoid", 40.6, -73.8, 49.01666667, 2.55, 5853226, 0.003 * 5853226},
		{"nowhere", 43, -91, 43, -91, 0, 0},
		{"antipodes", 0, 0, 0, 180, math.Pi * EarthRadius, 0.01},
	} {
		if got := float64(Distance(tc.lat1, tc.lon1, tc.lat2, tc.lon2)); math.Abs(got-tc.want) > tc.within {
			t.Errorf("%s: %.3f m, want %.3f", tc.name, got, tc.want)
		}
	}
}

const sec = int64(1_000_000_000)

// north returns a position so many metres north of the origin of the tests.
func north(m float64) float64 { return 43.2 + m/(math.Pi*EarthRadius/180) }

// Two yards 120 m apart.
var places = []Place{
	{ID: "orchard", Lat: north(0), Lon: -91.9, Enter: 50, Leave: 80},
	{ID: "mill", Lat: north(120), Lon: -91.9, Enter: 50, Leave: 80},
}

func TestNext(t *testing.T) {
	type at struct {
		metres, hdop float64
		n            int // positions there, one a second
	}
	for _, tc := range []struct {
		name  string
		track []at
		want  string
		known bool
	}{
		{"nothing heard", nil, "", false},
		{"two positions say nothing yet", []at{{0, 1, 2}}, "", false},
		{"arrived", []at{{0, 1, 3}}, "orchard", true},
		{"edge", []at{{49, 1, 3}}, "orchard", true},
		{"between the radii from outside", []at{{-70, 1, 10}}, "", true},
		{"between the radii from inside", []at{{0, 1, 5}, {-70, 1, 100}}, "orchard", true},
		{"left", []at{{0, 1, 5}, {-90, 1, 3}}, "", true},
		{"single outlier", []at{{0, 1, 5}, {5000, 1, 1}, {0, 1, 1}}, "orchard", true},
		{"two outliers", []at{{0, 1, 5}, {5000, 1, 2}}, "orchard", true},
		{"outliers one at a time", []at{{0, 1, 5}, {900, 1, 2}, {0, 1, 1}, {900, 1, 2}}, "orchard", true},
		{"outliers all over", []at{{0, 1, 5}, {-900, 1, 1}, {120, 1, 1}, {-900, 1, 1}, {120, 1, 1}}, "orchard", true},
		{"diluted positions do not count", []at{{0, 1, 5}, {5000, 5.1, 50}}, "orchard", true},
		{"dilution unknown counts", []at{{0, 0, 3}}, "orchard", true},
		{"the yard next door", []at{{0, 1, 9}, {120, 1, 9}}, "mill", true},
		{"between two yards stays", []at{{0, 1, 9}, {60, 1, 60}}, "orchard", true},
		{"between two yards, come from the other", []at{{120, 1, 9}, {60, 1, 60}}, "mill", true},
		{"driven past both", []at{{-200, 1, 3}, {-30, 1, 2}, {20, 1, 2}, {110, 1, 2}, {300, 1, 4}}, "", true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var s State
			now := 1000 * sec
			for _, a := range tc.track {
				for range a.n {
					now += sec
					s.Next(Position{At: now, Lat: north(a.metres), Lon: -91.9, HDOP: a.hdop}, places)
				}
			}
			if got, known := s.At(now); got != tc.want || known != tc.known {
				t.Errorf("in %q, known %v; want %q, %v", got, known, tc.want, tc.known)
			}
		})
	}
}

func TestFixAge(t *testing.T) {
	var s State
	for i := range int64(5) {
		s.Next(Position{At: (i + 1) * sec, Lat: north(0), Lon: -91.9}, places)
	}
	last := 5 * sec
	if y, known := s.At(last + FixAge); y != "orchard" || !known || s.Since != sec {
		t.Errorf("hose out, no sky: %q, %v, since %d", y, known, s.Since)
	}
	if _, known := s.At(last + FixAge + 1); known {
		t.Error("an old position is still believed")
	}
	// After a long silence nothing is left of where it was.
	s.Next(Position{At: last + FixAge + sec, Lat: north(5000), Lon: -91.9}, places)
	if y, known := s.At(last + FixAge + sec); y != "" || known {
		t.Errorf("first position after a silence: %q, %v", y, known)
	}
}
