package yard

import (
	"math"
	"testing"

	"yardtally/calibrate/quantity"
)

// at returns the corner so many metres east and north of a corner, on the sphere.
func (c Corner) at(east, north float64) Corner {
	return Corner{c.Lat + north/perDegree, turn(c.Lon + east/perDegree/math.Cos(c.Lat*math.Pi/180))}
}

func ring(origin Corner, at ...xy) (out []Corner) {
	for _, a := range at {
		out = append(out, origin.at(a.x, a.y))
	}
	return out
}

func turned(r []Corner) (out []Corner) {
	for i := range r {
		out = append(out, r[len(r)-1-i])
	}
	return out
}

// The origins try the equator, a northern yard, the far side of ±180 and 70°.
var origins = []Corner{{0, 0}, {43.2, -91.9}, {-17, 179.9998}, {-17, -179.9999}, {70, 25}}

// An L, 60 m by 40 m without its upper right 40 m by 20 m. Exact geometry, on
// paper: area 1600 m²; centre (800·10 + 800·40)/1600 = 25 east,
// (800·20 + 800·10)/1600 = 15 north.
var ell = []xy{{0, 0}, {60, 0}, {60, 20}, {20, 20}, {20, 40}, {0, 40}}

func TestOutlineDistance(t *testing.T) {
	for _, tc := range []struct {
		name        string
		ring        []xy
		east, north float64
		want        float64
	}{
		{"inside the foot", ell, 50, 10, 0},
		{"inside the leg", ell, 10, 35, 0},
		{"level with a corner, inside", ell, 10, 20, 0},
		{"in the notch, nearer the leg", ell, 25, 35, 5},
		{"in the notch, nearer the foot", ell, 50, 23, 3},
		{"level with corners, outside", ell, -7, 20, 7},
		{"past the right end of the foot", ell, 72, 20, 12},
		{"3, 4, 5 from a corner", ell, 63, -4, 5},
		{"above", ell, 10, 140, 100},
		{"a line", []xy{{0, 0}, {100, 0}}, 50, 6, 6},
		{"past the end of a line", []xy{{0, 0}, {100, 0}}, 103, 4, 5},
		{"three in a line", []xy{{0, 0}, {50, 0}, {100, 0}}, 50, 6, 6},
		{"a point", []xy{{0, 0}}, 30, 40, 50},
		{"one point three times", []xy{{0, 0}, {0, 0}, {0, 0}}, 30, 40, 50},
		{"bow tie, in a wing", []xy{{0, 0}, {20, 20}, {20, 0}, {0, 20}}, 3, 10, 0},
		{"bow tie, between the wings", []xy{{0, 0}, {20, 20}, {20, 0}, {0, 20}}, 10, 14, 4 / math.Sqrt2},
	} {
		for _, o := range origins {
			open := ring(o, tc.ring...)
			closed := append(ring(o, tc.ring...), open[0])
			broken := append([]Corner{{math.NaN(), 0}, {0, 400}}, open...)
			p := o.at(tc.east, tc.north)
			for i, r := range [][]Corner{open, turned(open), closed, turned(closed), broken} {
				y := Place{Lat: 1, Lon: 1, Ring: r}
				// A plane's error over 100 m is 1 mm at most here; the corners were
				// set out with the origin's cosine: 100 m · 100 m · tan 70° / R = 4 mm.
				if got := float64(y.Distance(p.Lat, p.Lon)); math.Abs(got-tc.want) > 0.01 {
					t.Errorf("%s, form %d, at %v: %.4f m, want %.4f", tc.name, i, o, got, tc.want)
				}
			}
		}
	}
}

// Against the great circle, for a degenerate ring of one corner; the bound is
// the one that Distance states.
func TestOutlineAgainstSphere(t *testing.T) {
	for _, lat := range []float64{0, 43.2, 70} {
		for _, far := range []float64{50, 300, 1000} {
			for turn := 0.0; turn < 2*math.Pi; turn += 0.1 {
				c := Corner{lat, 180}
				p := c.at(far*math.Sin(turn), far*math.Cos(turn))
				y := Place{Ring: []Corner{c}}
				got, want := float64(y.Distance(p.Lat, p.Lon)), float64(Distance(p.Lat, p.Lon, c.Lat, c.Lon))
				if bound := 1e-5 + far*far*math.Tan(lat*math.Pi/180)/(2*EarthRadius)*1.01; math.Abs(got-want) > bound {
					t.Errorf("%g m at %g°, %.1f: off by %.4f m, bound %.4f", far, lat, turn, got-want, bound)
				}
			}
		}
	}
}

// Distances to outlines near yards' sizes on the ellipsoid: radii of curvature of
// WGS 84, M = a(1-e²)/(1-e²sin²)^1.5 and N = a/sqrt(1-e²sin²), computed with
// a = 6378137, 1/f = 298.257223563 (NIMA TR8350.2; memory).
func TestDistanceOnEllipsoid(t *testing.T) {
	const a, f = 6378137, 1 / 298.257223563
	const e2 = f * (2 - f)
	for lat := -80.0; lat <= 80; lat += 20 {
		s := math.Sin(lat * math.Pi / 180)
		m := a * (1 - e2) / math.Pow(1-e2*s*s, 1.5)
		n := a / math.Sqrt(1-e2*s*s)
		d := 100 * 180 / math.Pi // degrees for 100 m, over a radius
		for _, p := range []Corner{{lat + d/m, 10}, {lat, 10 + d/(n*math.Cos(lat*math.Pi/180))}} {
			for _, y := range []Place{{Lat: lat, Lon: 10}, {Ring: []Corner{{lat, 10}}}} {
				if got := float64(y.Distance(p.Lat, p.Lon)); math.Abs(got-100) > 0.6 {
					t.Errorf("100 m from %g°, %v: %.3f m", lat, p, got)
				}
			}
		}
	}
}

func TestAreaAndMiddle(t *testing.T) {
	for _, o := range origins {
		r := ring(o, ell...)
		for i, r := range [][]Corner{r, turned(r), append(ring(o, ell...), r[0]), append([]Corner{{91, 0}}, r...)} {
			if got := Area(r); math.Abs(got-1600) > 0.1 {
				t.Errorf("form %d at %v: %.2f m²", i, o, got)
			}
			lat, lon, ok := Middle(r)
			if c := o.at(25, 15); !ok || Distance(lat, lon, c.Lat, c.Lon) > 0.01 || math.Abs(lon) > 180 {
				t.Errorf("form %d at %v: middle %v, %v, want %v", i, o, lat, lon, c)
			}
		}
		for _, tc := range []struct {
			ring []xy
			want xy
		}{
			{[]xy{{0, 0}, {100, 0}}, xy{50, 0}},
			{[]xy{{30, 40}}, xy{30, 40}},
			{[]xy{{0, 0}, {50, 0}, {100, 0}}, xy{50, 0}},
		} {
			r := ring(o, tc.ring...)
			lat, lon, ok := Middle(r)
			if c := o.at(tc.want.x, tc.want.y); !ok || Area(r) > 1e-6 || Distance(lat, lon, c.Lat, c.Lon) > 0.01 {
				t.Errorf("%v at %v: %.3f m², middle %v, %v", tc.ring, o, Area(r), lat, lon)
			}
		}
	}
	if _, _, ok := Middle([]Corner{{math.NaN(), 0}}); ok {
		t.Error("no corner on Earth, but a middle")
	}
	// Planimeter2 of GeographicLib's tests (read): the diamond 0 -1, -1 0, 0 1,
	// 1 0 encloses 24619419146 m² on WGS 84; the sphere is within 0.6 % of that
	// along each of two ways.
	diamond := []Corner{{0, -1}, {-1, 0}, {0, 1}, {1, 0}}
	if got, want := Area(diamond), 24619419146.0; math.Abs(got/want-1) > 0.006 {
		t.Errorf("diamond %.0f m², want %.0f", got, want)
	}
	// A cell between two parallels and two meridians, exact on the sphere:
	// R² · Δλ · (sin φ2 - sin φ1); here about 100 m wide.
	for lat := -60.0; lat <= 60; lat += 30 {
		const d = 0.001
		cell := []Corner{{lat, 7}, {lat, 7 + d}, {lat + d, 7 + d}, {lat + d, 7}}
		want := EarthRadius * EarthRadius * d * math.Pi / 180 * (math.Sin((lat+d)*math.Pi/180) - math.Sin(lat*math.Pi/180))
		if got := Area(cell); math.Abs(got/want-1) > 3e-5 {
			t.Errorf("cell at %g°: %.3f m², want %.3f", lat, got, want)
		}
	}
}

func TestDistanceNowhere(t *testing.T) {
	for _, y := range []Place{{Lat: 1, Lon: 1}, {Lat: 1, Lon: 1, Ring: []Corner{{math.NaN(), 2}}}} {
		if got := y.Distance(1, 1); got != 0 {
			t.Errorf("at the middle of %v: %v", y, got)
		}
		if got := y.Distance(math.NaN(), 1); got != quantity.Length(math.Inf(1)) {
			t.Errorf("from nowhere to %v: %v", y, got)
		}
	}
}

func FuzzOutline(f *testing.F) {
	f.Add(0.0, 179.9, 0.0, -179.9, 0.1, 180.0, 0.05, 180.0)
	f.Add(90.0, 0.0, 90.0, 90.0, 89.0, -90.0, 90.0, 5.0)
	f.Fuzz(func(t *testing.T, a, b, c, d, e, g, lat, lon float64) {
		y := Place{Ring: []Corner{{a, b}, {c, d}, {e, g}}}
		got := y.Distance(lat, lon)
		back := Place{Ring: turned(y.Ring)}
		if !(got >= 0) || math.Abs(float64(got-back.Distance(lat, lon))) > 1e-6*float64(got) && !math.IsInf(float64(got), 1) {
			// A place on an edge may count as in or out.
			if back.Distance(lat, lon) > 1e-3 || got > 1e-3 {
				t.Errorf("%v from %v, %v: %v, the other way round %v", y.Ring, lat, lon, got, back.Distance(lat, lon))
			}
		}
		if mLat, mLon, ok := Middle(y.Ring); ok && !valid(mLat, mLon) {
			t.Errorf("middle %v, %v of %v", mLat, mLon, y.Ring)
		}
		if !(Area(y.Ring) >= 0) {
			t.Errorf("area %v of %v", Area(y.Ring), y.Ring)
		}
	})
}
