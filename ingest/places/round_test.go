package places

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"yardtally/meter/act"
)

// randomYards are yards of every kind, on all the Earth.
func randomYards(seed uint64, n int) []act.Yard {
	r := rand.New(rand.NewPCG(seed, 7946))
	letters := []rune("Orchard End &<>\"'/é漢🐝 mill-larch")
	out := make([]act.Yard, n)
	for i := range out {
		y := act.Yard{ID: fmt.Sprintf("yard/%d", i), Lat: r.Float64()*170 - 85, Lon: r.Float64()*358 - 179, EnterM: 5 + r.Float64()*4000}
		name := make([]rune, 1+r.IntN(20))
		for j := range name {
			name[j] = letters[r.IntN(len(letters))]
		}
		y.Name = strings.TrimSpace("N" + string(name))
		y.LeaveM = y.EnterM * (1 + r.Float64())
		if r.IntN(2) == 0 {
			y.Colonies, y.FillL = r.IntN(100), math.Exp(-20*r.Float64())*100 // volumes that %g would write with an exponent
		}
		y.Closed, y.Numbered = r.IntN(3) == 0, r.IntN(3) == 0
		switch r.IntN(8) {
		case 0, 1, 2, 3: // round a middle, either way
			start, way := r.Float64()*2*math.Pi, float64(1-2*r.IntN(2))
			for k, corners := 0, 3+r.IntN(12); k < corners; k++ {
				turn, far := start+way*2*math.Pi*float64(k)/float64(corners), 0.0002+0.002*r.Float64()
				y.Ring = append(y.Ring, act.Corner{Lat: y.Lat + far*math.Sin(turn), Lon: y.Lon + far*math.Cos(turn)})
			}
			m := Middle(y.Ring)
			if r.IntN(3) > 0 { // else where somebody said that the middle is
				y.Lat, y.Lon = m.Lat, m.Lon
			}
			if !Within(y.Ring, act.Corner{Lat: y.Lat, Lon: y.Lon}) {
				y.Lat, y.Lon = m.Lat, m.Lon
			}
		case 4:
			y.Lon = 180 - 360*float64(r.IntN(2))
		case 5:
			y.Lat = 90 - 180*float64(r.IntN(2))
		}
		out[i] = y
	}
	return out
}

var writers = map[Format]func(io.Writer, []act.Yard) error{GeoJSON: WriteGeoJSON, GPX: WriteGPX}

// there writes yards and reads them again.
func there(format Format, yards []act.Yard) ([]Step, error) {
	var out strings.Builder
	if err := writers[format](&out, yards); err != nil {
		return nil, err
	}
	got, items, err := Read([]byte(out.String()))
	if err != nil || got != format {
		return nil, fmt.Errorf("%s: %w in %s", got, err, out.String())
	}
	return Merge(nil, items), nil
}

// Yards that go out and come in again are the same to the bit, but that an
// outline may go the other way and its computed middle moves by less than a
// centimetre; and to a journal that has them nothing is new.
func TestThereAndBack(t *testing.T) {
	for _, format := range []Format{GeoJSON, GPX} {
		for seed := range uint64(20) {
			yards := randomYards(seed, 60)
			steps, err := there(format, yards)
			if err != nil {
				t.Fatal(err)
			}
			if len(steps) != len(yards) {
				t.Fatalf("%d steps of %d yards", len(steps), len(yards))
			}
			items := make([]Item, len(steps))
			for i, s := range steps {
				items[i] = s.Item
				if s.Err != nil || s.Skipped != "" || s.Notes != nil {
					t.Fatalf("%s, seed %d: %+v", format, seed, s)
				}
				if d := Differences(yards[i], s.New); d != nil {
					t.Fatalf("%s, seed %d: %v\ngot  %+v\nwant %+v", format, seed, d, s.New, yards[i])
				}
				got, want := s.New, yards[i]
				if format == GPX && want.Lon == 180 {
					want.Lon = -180
				}
				if len(want.Ring) > 0 && format == GeoJSON {
					got.Lat, got.Lon = want.Lat, want.Lon
					if clockwise(want.Ring) {
						want.Ring = slices.Clone(want.Ring)
						slices.Reverse(want.Ring[1:])
					}
				}
				if !reflect.DeepEqual(got, want) {
					t.Fatalf("%s, seed %d:\ngot  %+v\nwant %+v", format, seed, got, want)
				}
			}
			for _, s := range Merge(yards, items) {
				if s.Old == nil || s.Err != nil || s.Changes != nil {
					t.Fatalf("%s, seed %d: %+v", format, seed, s)
				}
			}
		}
	}
}

// Only what can be read again is written.
func TestNotWritten(t *testing.T) {
	for _, y := range []act.Yard{
		{ID: "x", Name: "two\nlines", EnterM: 60, LeaveM: 60},
		{ID: "x\x00", Name: "x", EnterM: 60, LeaveM: 60},
		{ID: "x", Name: "x", EnterM: math.NaN(), LeaveM: 60},
		{Name: "x", EnterM: 60, LeaveM: 60},
	} {
		for format, write := range writers {
			if err := write(io.Discard, []act.Yard{y}); err == nil || !strings.HasPrefix(err.Error(), "yard ") {
				t.Errorf("%s: %+v: %v", format, y, err)
			}
		}
	}
}

// Whatever comes in, nothing breaks; and what is taken can go out in either
// format and come in again as it was.
func FuzzRead(f *testing.F) {
	for _, name := range []string{"yards.geojson", "yards.gpx"} {
		data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "places", name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte(section15))
	f.Add([]byte(polygon(`[[[0,0],[1,1],[1,0],[0,1],[0,0]],[]]`)))
	f.Add([]byte(polygon(`[[[180,90],[179.9,89.9],[180,89.9],[180,90]]]`)))
	f.Add([]byte(point(`"id":-1e3,"radius_m":5,"middle":[1,2]`)))
	f.Add([]byte(waypoint(`<name>é</name><extensions><y:yard xmlns:y="urn:yardtally:gpx:1" id="1" closed="1"><y:corner lat="43" lon="-91"/><y:corner lat="43.1" lon="-91"/><y:corner lat="43" lon="-91.1"/></y:yard></extensions>`)))
	f.Fuzz(func(t *testing.T, data []byte) {
		_, items, err := Read(data)
		if err != nil {
			return
		}
		var yards []act.Yard
		for _, s := range Merge(nil, items) {
			if s.Err == nil && s.Skipped == "" {
				yards = append(yards, s.New)
			}
		}
		for _, format := range []Format{GeoJSON, GPX} {
			steps, err := there(format, yards)
			if err != nil {
				t.Fatal(err)
			}
			if len(steps) != len(yards) {
				t.Fatalf("%d of %d yards came back", len(steps), len(yards))
			}
			for i, s := range steps {
				if d := Differences(yards[i], s.New); s.Err != nil || s.Skipped != "" || d != nil {
					t.Fatalf("%s: %v %q %v\ngot  %+v\nwant %+v", format, s.Err, s.Skipped, d, s.New, yards[i])
				}
			}
		}
	})
}

// A file of 5,000 yards, half of them with outlines.
func BenchmarkRead(b *testing.B) {
	yards := randomYards(1, 5000)
	for _, format := range []Format{GeoJSON, GPX} {
		var out strings.Builder
		if err := writers[format](&out, yards); err != nil {
			b.Fatal(err)
		}
		data := []byte(out.String())
		b.Run(string(format), func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			for b.Loop() {
				_, items, err := Read(data)
				if err != nil {
					b.Fatal(err)
				}
				Merge(yards, items)
			}
		})
	}
}
