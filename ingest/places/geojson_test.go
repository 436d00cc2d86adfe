package places

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/geojson"
	"github.com/paulmach/orb/planar"

	"yardtally/meter/act"
	"yardtally/meter/yard"
)

// the one item of a file that holds one.
func only(t *testing.T, text string) Item {
	t.Helper()
	_, items, err := Read([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if len(items) != 1 {
		t.Fatalf("%d items, want 1: %+v", len(items), items)
	}
	return items[0]
}

// The examples of RFC 7946, appendix A, (memory), and what they are of a yard.
func TestExamplesOfTheStandard(t *testing.T) {
	square := []act.Corner{{Lat: 0, Lon: 100}, {Lat: 0, Lon: 101}, {Lat: 1, Lon: 101}, {Lat: 1, Lon: 100}}
	for _, c := range []struct {
		name, text string
		want       Place
		notes      []string
		skipped    string
		err        string
	}{
		{name: "A.1 Points", text: `{"type": "Point", "coordinates": [100.0, 0.0]}`, want: Place{Lat: 0, Lon: 100}},
		{name: "A.2 LineStrings", text: `{"type": "LineString", "coordinates": [[100.0, 0.0], [101.0, 1.0]]}`, skipped: "a LineString is neither a centre nor an outline"},
		{name: "A.3 Polygons, no holes", text: `{"type": "Polygon", "coordinates": [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]]}`,
			want: Place{Lat: 0.5, Lon: 100.5, Ring: square}},
		{name: "A.3 Polygons, with holes", text: `{"type": "Polygon", "coordinates": [
			[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]],
			[[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]]]}`,
			want: Place{Lat: 0.5, Lon: 100.5, Ring: square}, notes: []string{"left aside: 1 hole"}},
		{name: "A.4 MultiPoints", text: `{"type": "MultiPoint", "coordinates": [[100.0, 0.0], [101.0, 1.0]]}`, skipped: "a MultiPoint is neither a centre nor an outline"},
		{name: "A.5 MultiLineStrings", text: `{"type": "MultiLineString", "coordinates": [[[100.0, 0.0], [101.0, 1.0]], [[102.0, 2.0], [103.0, 3.0]]]}`,
			skipped: "a MultiLineString is neither a centre nor an outline"},
		{name: "A.6 MultiPolygons", text: `{"type": "MultiPolygon", "coordinates": [
			[[[102.0, 2.0], [103.0, 2.0], [103.0, 3.0], [102.0, 3.0], [102.0, 2.0]]],
			[[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]],
			 [[100.2, 0.2], [100.2, 0.8], [100.8, 0.8], [100.8, 0.2], [100.2, 0.2]]]]}`,
			err: "coordinates: must be of one polygon, as a yard has one outline (a Feature for each would be a yard for each), is 2"},
		{name: "A.7 GeometryCollections", text: `{"type": "GeometryCollection", "geometries": [
			{"type": "Point", "coordinates": [100.0, 0.0]},
			{"type": "LineString", "coordinates": [[101.0, 0.0], [102.0, 1.0]]}]}`, skipped: "a GeometryCollection is neither a centre nor an outline"},
	} {
		t.Run(c.name, func(t *testing.T) {
			it := only(t, c.text)
			same(t, it, c.want, c.notes, c.skipped, c.err)
		})
	}
}

func same(t *testing.T, it Item, want Place, notes []string, skipped, err string) {
	t.Helper()
	got := ""
	if it.Err != nil {
		got = it.Err.Error()
	}
	if it.Skipped != skipped || got != err || err == "" && !reflect.DeepEqual(it.Notes, notes) {
		t.Errorf("skipped %q, want %q\nerror %q, want %q\nnotes %q, want %q", it.Skipped, skipped, got, err, it.Notes, notes)
	}
	if skipped != "" || err != "" {
		return
	}
	p := it.Place
	if !near(act.Corner{Lat: p.Lat, Lon: p.Lon}, act.Corner{Lat: want.Lat, Lon: want.Lon}) {
		t.Errorf("at %v, %v, want %v, %v", p.Lat, p.Lon, want.Lat, want.Lon)
	}
	p.Lat, p.Lon = want.Lat, want.Lon
	if !reflect.DeepEqual(p, want) {
		t.Errorf("got  %+v\nwant %+v", p, want)
	}
}

// RFC 7946, section 1.5 (memory).
const section15 = `{
   "type": "FeatureCollection",
   "features": [{
       "type": "Feature",
       "geometry": {"type": "Point", "coordinates": [102.0, 0.5]},
       "properties": {"prop0": "value0"}
   }, {
       "type": "Feature",
       "geometry": {"type": "LineString", "coordinates": [[102.0, 0.0], [103.0, 1.0], [104.0, 0.0], [105.0, 1.0]]},
       "properties": {"prop0": "value0", "prop1": 0.0}
   }, {
       "type": "Feature",
       "geometry": {"type": "Polygon", "coordinates": [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]]},
       "properties": {"prop0": "value0", "prop1": {"this": "that"}}
   }]
}`

func TestFeatureCollectionOfTheStandard(t *testing.T) {
	format, items, err := Read([]byte(section15))
	if err != nil || format != GeoJSON || len(items) != 3 {
		t.Fatal(format, items, err)
	}
	same(t, items[0], Place{Lat: 0.5, Lon: 102}, nil, "", "")
	same(t, items[1], Place{}, nil, "a LineString is neither a centre nor an outline", "")
	if len(items[2].Place.Ring) != 4 || items[2].Err != nil || items[2].Where != "feature 3" {
		t.Errorf("%+v", items[2])
	}
	// None of them has a name: they can be no yards of anybody's.
	for i, s := range Merge(nil, items) {
		if i != 1 && (s.Err == nil || s.Err.Error() != `name: must be given, or an id, is ""`) {
			t.Errorf("step %d: %v", i, s.Err)
		}
	}
}

func feature(geometry, more string) string {
	return `{"type":"Feature","geometry":` + geometry + `,` + more + `}`
}

func point(properties string) string {
	return feature(`{"type":"Point","coordinates":[-91.88,43.22]}`, `"properties":{`+properties+`}`)
}

func polygon(coordinates string) string {
	return feature(`{"type":"Polygon","coordinates":`+coordinates+`}`, `"properties":{"name":"Orchard End"}`)
}

func TestFeatures(t *testing.T) {
	box := []act.Corner{{Lat: 43.22, Lon: -91.88}, {Lat: 43.22, Lon: -91.878}, {Lat: 43.221, Lon: -91.878}, {Lat: 43.221, Lon: -91.88}}
	boxed := func(p Place) Place {
		p.Lat, p.Lon, p.Ring = 43.2205, -91.879, box
		return p
	}
	at := func(p Place) Place {
		p.Lat, p.Lon = 43.22, -91.88
		return p
	}
	for _, c := range []struct {
		name, text string
		want       Place
		notes      []string
		skipped    string
		err        string
	}{
		{name: "everything that can be said", text: feature(`{"type":"Point","coordinates":[-91.88,43.22,300]}`,
			`"id":"orchard","bbox":[0,0,0,0],"properties":{"name":" Orchard End ","enter_m":70,"leave_m":120,"colonies":14.0,"fill_l":3.5,"closed":true,"numbered":false,"marker-size":"large"}`),
			want: at(Place{ID: "orchard", Name: "Orchard End", EnterM: new(70.0), LeaveM: new(120.0), Colonies: 14, FillL: 3.5, Closed: new(true), Numbered: new(false)})},
		{name: "a radius", text: point(`"name":"Orchard End","radius_m":80`), want: at(Place{Name: "Orchard End", EnterM: new(80.0)})},
		{name: "a number for an id", text: feature(`{"type":"Point","coordinates":[-91.88,43.22]}`, `"id":17`), want: at(Place{ID: "17"})},
		{name: "an id among the properties", text: point(`"id":"orchard"`), want: at(Place{ID: "orchard"})},
		{name: "nothing said", text: point(`"name":null,"colonies":null`), want: at(Place{})},
		{name: "a polygon", text: polygon(`[[[-91.88,43.22],[-91.878,43.22],[-91.878,43.221],[-91.88,43.221],[-91.88,43.22]]]`), want: boxed(Place{Name: "Orchard End"})},
		{name: "not closed", text: polygon(`[[[-91.88,43.22],[-91.878,43.22],[-91.878,43.221],[-91.88,43.221]]]`), want: boxed(Place{Name: "Orchard End"}),
			notes: []string{"its outline is not closed, as RFC 7946 wants it, and was taken as if it were"}},
		{name: "heights", text: polygon(`[[[-91.88,43.22,1],[-91.878,43.22,2],[-91.878,43.221,3],[-91.88,43.221,4],[-91.88,43.22,1]]]`), want: boxed(Place{Name: "Orchard End"})},
		{name: "a MultiPolygon of one", text: feature(`{"type":"MultiPolygon","coordinates":[[[[-91.88,43.22],[-91.878,43.22],[-91.878,43.221],[-91.88,43.221],[-91.88,43.22]]]]}`, `"id":"o"`), want: boxed(Place{ID: "o"})},
		{name: "no geometry", text: feature(`null`, `"id":"orchard"`), skipped: "it has no geometry"},

		{name: "latitude first", text: polygon(`[[[43.22,-91.88],[43.22,-91.878],[43.221,-91.878],[43.22,-91.88]]]`), err: "latitude: must be between -90 and 90 (GeoJSON has the longitude first), is -91.88"},
		{name: "a far east", text: feature(`{"type":"Point","coordinates":[181,43]}`, `"id":"x"`), err: "longitude: must be between -180 and 180, is 181"},
		{name: "half a position", text: feature(`{"type":"Point","coordinates":[43]}`, `"id":"x"`), err: `coordinates: must be positions, [longitude, latitude], is "[43]"`},
		{name: "nothing for a number", text: feature(`{"type":"Point","coordinates":[null,43]}`, `"id":"x"`), err: `coordinates: must be positions, [longitude, latitude], is "[null,43]"`},
		{name: "text for a number", text: feature(`{"type":"Point","coordinates":["-91",43]}`, `"id":"x"`), err: `coordinates: must be positions, [longitude, latitude], is "[\"-91\",43]"`},
		{name: "no coordinates", text: feature(`{"type":"Point"}`, `"id":"x"`), err: "coordinates: must be given, is nothing"},
		{name: "a point's for a polygon", text: polygon(`[1,2]`), err: `coordinates: must be those of a Polygon, is "[1,2]"`},
		{name: "no ring", text: polygon(`[]`), err: "coordinates: must have an outer ring, is []"},
		{name: "two corners", text: polygon(`[[[-91.88,43.22],[-91.878,43.22],[-91.88,43.22]]]`), err: "outline: must have at least 3 corners, is 2"},
		{name: "no area", text: polygon(`[[[-91.88,43.22],[-91.878,43.22],[-91.876,43.22],[-91.88,43.22]]]`), err: "outline: must enclose an area, is none"},
		{name: "a county", text: polygon(`[[[-91.88,43.22],[-89,43.22],[-89,45],[-91.88,43.22]]]`), err: "outline[1]: must be within a degree of the first corner, is {43.22 -89}"},
		{name: "across the 180th meridian", text: polygon(`[[[179.999,50],[-179.999,50],[-179.999,50.001],[179.999,50]]]`), err: "outline: must not cross the 180th meridian; a yard there is told by its centre, is across it"},
		{name: "too many corners", text: polygon("[[[0,0]" + strings.Repeat(",[0.01,0.01],[0.01,0]", 501) + ",[0,0]]]"), err: "outline: must have at most 1000 corners, is 1003"},
		{name: "an unknown geometry", text: feature(`{"type":"Circle"}`, `"id":"x"`), err: `geometry.type: must be a geometry of GeoJSON, is "Circle"`},
		{name: "a small radius", text: point(`"name":"x","enter_m":0`), err: "enter_m: must be between 5 and 5000, is 0"},
		{name: "leaving before arriving", text: point(`"name":"x","enter_m":50,"leave_m":40`), err: "leave_m: must be between 50 and 10000, is 40"},
		{name: "half a colony", text: point(`"name":"x","colonies":1.5`), err: "properties.colonies: must be a whole number, is 1.5"},
		{name: "fewer than none", text: point(`"name":"x","colonies":-1`), err: "colonies: must be between 0 and 100000, is -1"},
		{name: "a fill in words", text: point(`"name":"x","fill_l":"1 gal"`), err: `properties.fill_l: must be a number, litres, is "\"1 gal\""`},
		{name: "yes", text: point(`"name":"x","closed":"yes"`), err: `properties.closed: must be true or false, is "\"yes\""`},
		{name: "a name of two lines", text: point(`"name":"Orchard\nEnd"`), err: `name: must hold no control characters, is "Orchard\nEnd"`},
		{name: "a long name", text: point(`"name":"` + strings.Repeat("x", 201) + `"`), err: "name: must be at most 200 bytes long, is 201"},
		{name: "a list for an id", text: point(`"id":[1]`), err: `properties.id: must be text or a number, is "[1]"`},
		{name: "a list of properties", text: feature(`null`, `"properties":[1]`), err: `properties: must be an object or null, is "[1]"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			same(t, only(t, c.text), c.want, c.notes, c.skipped, c.err)
		})
	}
}

// RFC 7946, 3.1.1 lets both 180 and -180 stand for that meridian.
func TestOnTheDateLine(t *testing.T) {
	for _, lon := range []string{"180", "-180"} {
		if it := only(t, feature(`{"type":"Point","coordinates":[`+lon+`,50]}`, `"id":"x"`)); it.Err != nil || math.Abs(it.Place.Lon) != 180 {
			t.Errorf("%+v", it)
		}
	}
	if a, b := (act.Yard{ID: "x", Lat: 50, Lon: 180}), (act.Yard{ID: "x", Lat: 50, Lon: -180}); Differences(a, b) != nil {
		t.Error(Differences(a, b))
	}
}

func TestWholeFiles(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "file: must hold GeoJSON or GPX, is empty"},
		{"a mark and nothing", "\ufeff \n", "file: must hold GeoJSON or GPX, is empty"},
		{"a list", "[1]", `file: must hold GeoJSON, which begins with {, or GPX, which begins with <, begins with "["`},
		{"a picture", "\x89PNG", "begins with \"\ufffd\""},
		{"UTF-16", "\xff\xfe{\x00}\x00", "encoding: must be UTF-8, is UTF-16"},
		{"Latin-1", "{\"type\":\"Point\",\"name\":\"\xe9\"}", "encoding: must be UTF-8, is not"},
		{"half a file", "{\"type\":\n\"Feature", "not JSON: line 2: unexpected end of JSON input"},
		{"text for features", `{"type":"FeatureCollection","features":"none"}`, "not GeoJSON: "},
		{"another type", `{"type":"Topology"}`, `type: must be a FeatureCollection, a Feature or a geometry of GeoJSON, is "Topology"`},
		{"another system", `{"type":"FeatureCollection","features":[],"crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::3857"}}}`,
			`crs: must be WGS 84, longitude first, as RFC 7946 has it, is "urn:ogc:def:crs:EPSG::3857"`},
		{"too many", `{"type":"FeatureCollection","features":[0` + strings.Repeat(",0", MostPlaces) + `]}`, "features: must be at most 10000, is 10001"},
		{"too long", strings.Repeat(" ", MostBytes+1), "file: must be at most 8388608 bytes, is 8388609"},
	} {
		if _, _, err := Read([]byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.name, err, c.want)
		}
	}
	for _, good := range []string{
		"\ufeff\n" + point(`"name":"x"`),
		`{"type":"FeatureCollection","features":[],"crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:OGC:1.3:CRS84"}}}`,
		`{"type":"FeatureCollection","features":[],"crs":null}`,
	} {
		if _, _, err := Read([]byte(good)); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	// One bad feature is no reason to refuse the others.
	_, items, err := Read([]byte(`{"type":"FeatureCollection","features":[7,` + polygon(`[]`) + `,` + point(`"name":"Mill Bottom"`) + `]}`))
	if err != nil || len(items) != 3 || items[0].Err == nil || items[1].Err == nil || items[2].Err != nil {
		t.Errorf("%+v, %v", items, err)
	}
	if items[1].Where != `feature 2 "Orchard End"` {
		t.Errorf("%q", items[1].Where)
	}
}

// The two files of samples say the same three yards.
func TestSamples(t *testing.T) {
	want := []act.Yard{
		{ID: "orchard", Name: "Orchard End", Lat: 43.22, Lon: -91.87995, EnterM: 15, LeaveM: 40, Colonies: 14, FillL: 3.785411784, Numbered: true,
			Ring: []act.Corner{{Lat: 43.2196, Lon: -91.8805}, {Lat: 43.2196, Lon: -91.8794}, {Lat: 43.2204, Lon: -91.8794}, {Lat: 43.2204, Lon: -91.8805}}},
		{ID: "mill-bottom", Name: "Mill Bottom", Lat: 43.235, Lon: -91.925, EnterM: 60, LeaveM: 96, Colonies: 11},
		{ID: "larch-bank", Name: "Larch Bank", Lat: 43.195, Lon: -91.88, EnterM: 90, LeaveM: 144},
	}
	for _, name := range []string{"yards.geojson", "yards.gpx"} {
		data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "places", name))
		if err != nil {
			t.Fatal(err)
		}
		_, items, err := Read(data)
		if err != nil {
			t.Fatal(err)
		}
		found := 0
		for _, s := range Merge(nil, items) {
			if s.Skipped != "" {
				continue
			}
			found++
			for _, w := range want {
				if w.ID == s.New.ID && (s.Err != nil || Differences(w, s.New) != nil) {
					t.Errorf("%s: %s: %v %v\ngot  %+v\nwant %+v", name, s.Where, s.Err, Differences(w, s.New), s.New, w)
				}
			}
		}
		if found != len(want) {
			t.Errorf("%s: %d yards, want %d", name, found, len(want))
		}
	}
}

// What is written, an independent reader (github.com/paulmach/orb) takes for
// the same, and finds the exterior ring counter-clockwise (RFC 7946, 3.1.6),
// its area and its middle where we do.
func TestOthersRead(t *testing.T) {
	all := randomYards(1, 400)
	var out strings.Builder
	if err := WriteGeoJSON(&out, all); err != nil {
		t.Fatal(err)
	}
	fc, err := geojson.UnmarshalFeatureCollection([]byte(out.String()))
	if err != nil {
		t.Fatal(err)
	}
	outlines := 0
	for i, f := range fc.Features {
		y := all[i]
		if f.ID != y.ID || f.Properties["name"] != y.Name {
			t.Fatalf("%v %v, want %s %s", f.ID, f.Properties, y.ID, y.Name)
		}
		if len(y.Ring) == 0 {
			if f.Geometry != orb.Geometry(orb.Point{y.Lon, y.Lat}) {
				t.Fatalf("%v, want %v %v", f.Geometry, y.Lon, y.Lat)
			}
			continue
		}
		outlines++
		p, ok := f.Geometry.(orb.Polygon)
		if !ok || len(p) != 1 || !p[0].Closed() || len(p[0]) != len(y.Ring)+1 {
			t.Fatalf("%v of %v", f.Geometry, y.Ring)
		}
		if p[0].Orientation() != orb.CCW {
			t.Errorf("%s goes clockwise: %v", y.ID, p)
		}
		// In degrees, scaled to the plane: a part in 10^6 of a square kilometre.
		c, a := planar.CentroidArea(p)
		scale := math.Pow(yard.EarthRadius*math.Pi/180, 2) * math.Cos(y.Ring[0].Lat*math.Pi/180)
		if got := yard.Area(yards(y.Ring)); math.Abs(got-a*scale) > 1e-6*got+1 {
			t.Errorf("%s: %v m², want %v", y.ID, got, a*scale)
		}
		if m := Middle(y.Ring); math.Hypot(m.Lon-c[0], m.Lat-c[1]) > 1e-6 {
			t.Errorf("%s: middle %v, want %v", y.ID, m, c)
		}
	}
	if outlines < 100 {
		t.Errorf("only %d outlines", outlines)
	}
}

func ExampleWriteGeoJSON() {
	var out strings.Builder
	err := WriteGeoJSON(&out, []act.Yard{
		{ID: "mill", Name: "Mill Bottom", Lat: 43.235, Lon: -91.925, EnterM: 60, LeaveM: 96, Colonies: 11},
		{ID: "orchard", Name: "Orchard End", Lat: 43.221, Lon: -91.879, EnterM: 15, LeaveM: 40, Numbered: true,
			Ring: []act.Corner{{Lat: 43.22, Lon: -91.88}, {Lat: 43.222, Lon: -91.88}, {Lat: 43.222, Lon: -91.878}, {Lat: 43.22, Lon: -91.878}}},
	})
	fmt.Print(out.String(), err)
	// Output:
	// {"type":"FeatureCollection","features":[
	// {"type":"Feature","id":"mill","geometry":{"type":"Point","coordinates":[-91.925,43.235]},"properties":{"name":"Mill Bottom","enter_m":60,"leave_m":96,"colonies":11,"closed":false,"numbered":false}},
	// {"type":"Feature","id":"orchard","geometry":{"type":"Polygon","coordinates":[[[-91.88,43.22],[-91.878,43.22],[-91.878,43.222],[-91.88,43.222],[-91.88,43.22]]]},"properties":{"name":"Orchard End","enter_m":15,"leave_m":40,"closed":false,"numbered":true}}
	// ]}
	// <nil>
}
