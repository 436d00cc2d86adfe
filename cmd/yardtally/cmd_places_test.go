package main

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"yardtally/ingest/places"
	"yardtally/meter/act"
)

// Beside a running daemon yards go through its socket, also more of them, and
// with larger outlines, than it takes at once; and they come out as they went in.
func TestPlacesBesideDaemon(t *testing.T) {
	var yards []act.Yard
	for i := range 2*keepAtOnce + 50 {
		y := act.Yard{ID: fmt.Sprintf("y%03d", i), Name: fmt.Sprint("Yard ", i), Lat: 43 + float64(i)/1000, Lon: -91.88, EnterM: 60, LeaveM: 96, Colonies: i}
		if i%40 == 0 {
			for k := range places.MostCorners {
				turn := 2 * math.Pi * float64(k) / places.MostCorners
				y.Ring = append(y.Ring, act.Corner{Lat: y.Lat + 0.0004*math.Sin(turn), Lon: y.Lon + 0.0004*math.Cos(turn)})
			}
			m := places.Middle(y.Ring)
			y.Lat, y.Lon = m.Lat, m.Lon
		}
		yards = append(yards, y)
	}
	s := newScene(t)
	var file strings.Builder
	if err := places.WriteGeoJSON(&file, yards); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(s.path("many.geojson"), []byte(file.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	d := s.daemon()
	if out := s.good("places", "-from", "ever", s.path("many.geojson")); !strings.HasSuffix(out, "Kept: 250 yards, since ever.\n") {
		t.Errorf("%.300s", out[max(0, len(out)-300):])
	}
	beside := s.good("places", "-o", "-", "-as", "geojson")
	_, items, err := places.Read([]byte(beside))
	if err != nil {
		t.Fatal(err)
	}
	same := 0
	for _, step := range places.Merge(yards, items) {
		if step.Old != nil && step.Err == nil && step.Changes == nil {
			same++
		}
	}
	// The scene's settings have two more.
	if same != len(yards) || len(items) != len(yards)+2 {
		t.Errorf("%d of %d yards came out as they went in, among %d", same, len(yards), len(items))
	}
	s.stop(d)
	if after := s.good("places", "-o", "-", "-as", "geojson"); after != beside {
		t.Errorf("they differ once the daemon has stopped:\n%s", firstDifference(beside, after))
	}
}
