package places

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"yardtally/meter/act"
)

// object is any object of GeoJSON, its parts not yet looked into.
type object struct {
	Type        string            `json:"type"`
	ID          json.RawMessage   `json:"id"`
	Features    []json.RawMessage `json:"features"`
	Geometry    json.RawMessage   `json:"geometry"`
	Properties  json.RawMessage   `json:"properties"`
	Coordinates json.RawMessage   `json:"coordinates"`
	CRS         json.RawMessage   `json:"crs"`
}

func readGeoJSON(data []byte) ([]Item, error) {
	if !utf8.Valid(data) {
		return nil, errors.New("encoding: must be UTF-8, is not")
	}
	var o object
	if err := json.Unmarshal(data, &o); err != nil {
		var se *json.SyntaxError
		if errors.As(err, &se) {
			at := min(int(se.Offset), len(data))
			return nil, fmt.Errorf("not JSON: line %d: %w", 1+bytes.Count(data[:at], []byte("\n")), err)
		}
		return nil, fmt.Errorf("not GeoJSON: %w", err)
	}
	if err := checkCRS(o.CRS); err != nil {
		return nil, err
	}
	switch o.Type {
	case "FeatureCollection":
		if len(o.Features) > MostPlaces {
			return nil, fmt.Errorf("features: must be at most %d, is %d", MostPlaces, len(o.Features))
		}
		items := make([]Item, len(o.Features))
		for i, raw := range o.Features {
			items[i] = readFeature(fmt.Sprintf("feature %d", i+1), raw)
		}
		return items, nil
	case "Feature":
		return []Item{readFeature("feature", data)}, nil
	case "Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection":
		it := Item{Where: "geometry"}
		it.geometry(data)
		it.settle(nil)
		return []Item{it}, nil
	}
	return nil, &act.FieldError{Field: "type", Rule: "must be a FeatureCollection, a Feature or a geometry of GeoJSON", Value: shown(o.Type)}
}

// checkCRS refuses coordinates of another system than WGS 84. RFC 7946 has no
// "crs" any more; older files do.
func checkCRS(raw json.RawMessage) error {
	var crs *struct {
		Properties struct {
			Name string `json:"name"`
		} `json:"properties"`
	}
	if len(raw) == 0 {
		return nil
	}
	if err := json.Unmarshal(raw, &crs); err != nil {
		return &act.FieldError{Field: "crs", Rule: "must be left out, as RFC 7946 has it", Value: shown(string(raw))}
	}
	if crs == nil {
		return nil
	}
	name := crs.Properties.Name
	if strings.HasSuffix(name, "CRS84") || strings.HasSuffix(name, ":4326") {
		return nil
	}
	return &act.FieldError{Field: "crs", Rule: "must be WGS 84, longitude first, as RFC 7946 has it", Value: shown(name)}
}

func readFeature(where string, raw json.RawMessage) (it Item) {
	it.Where = where
	var o object
	if err := json.Unmarshal(raw, &o); err != nil {
		it.Err = fmt.Errorf("not a Feature: %w", err)
		return it
	}
	if o.Type != "Feature" {
		it.Err = &act.FieldError{Field: "type", Rule: `must be "Feature"`, Value: shown(o.Type)}
		return it
	}
	middle, err := it.properties(o.Properties)
	it.Where = named(where, it.Place.Name)
	if err == nil && !missing(o.ID) {
		it.Place.ID, err = idOf("id", o.ID)
	}
	if err != nil {
		it.Err = err
		return it
	}
	it.geometry(o.Geometry)
	it.settle(middle)
	return it
}

func missing(raw json.RawMessage) bool { return len(raw) == 0 || string(raw) == "null" }

// idOf reads an id: RFC 7946 has text or a number.
func idOf(field string, raw json.RawMessage) (string, error) {
	var text string
	if json.Unmarshal(raw, &text) == nil {
		return text, nil
	}
	var n json.Number
	if json.Unmarshal(raw, &n) == nil {
		return n.String(), nil
	}
	return "", &act.FieldError{Field: field, Rule: "must be text or a number", Value: shown(string(raw))}
}

// properties takes in what a Feature's properties say; unknown ones are other
// people's. It returns where they see the middle of an outline.
func (it *Item) properties(raw json.RawMessage) (middle *act.Corner, err error) {
	var all map[string]json.RawMessage
	if missing(raw) {
		return nil, nil
	}
	if err := json.Unmarshal(raw, &all); err != nil {
		return nil, &act.FieldError{Field: "properties", Rule: "must be an object or null", Value: shown(string(raw))}
	}
	p := &it.Place
	var radius *float64
	var colonies *float64
	var fill *float64
	var pos *position
	take := func(name, kind string, into any) {
		v, ok := all[name]
		if err != nil || !ok || missing(v) {
			return
		}
		if json.Unmarshal(v, into) != nil {
			err = &act.FieldError{Field: "properties." + name, Rule: "must be " + kind, Value: shown(string(v))}
		}
	}
	take("name", "text", &p.Name)
	take("radius_m", "a number, metres", &radius)
	take("enter_m", "a number, metres", &p.EnterM)
	take("leave_m", "a number, metres", &p.LeaveM)
	take("colonies", "a whole number", &colonies)
	take("fill_l", "a number, litres", &fill)
	take("closed", "true or false", &p.Closed)
	take("numbered", "true or false", &p.Numbered)
	take("middle", "a position, [longitude, latitude]", &pos)
	if v, ok := all["id"]; ok && !missing(v) && err == nil {
		p.ID, err = idOf("properties.id", v)
	}
	if err != nil {
		return nil, err
	}
	if p.EnterM == nil {
		p.EnterM = radius
	}
	if colonies != nil {
		if p.Colonies, err = whole("properties.colonies", *colonies); err != nil {
			return nil, err
		}
	}
	if fill != nil {
		p.FillL = *fill
	}
	if pos != nil {
		middle = &act.Corner{Lat: pos.lat, Lon: pos.lon}
	}
	return middle, nil
}

func whole(field string, x float64) (int, error) {
	if x != math.Trunc(x) || math.Abs(x) > 1e9 {
		return 0, &act.FieldError{Field: field, Rule: "must be a whole number", Value: x}
	}
	return int(x), nil
}

// position is one position of GeoJSON: longitude, latitude, and what else
// there may be, such as a height, which says nothing of a yard.
type position struct{ lon, lat float64 }

func (p *position) UnmarshalJSON(data []byte) error {
	var all []*float64
	if err := json.Unmarshal(data, &all); err != nil || len(all) < 2 || slices.Contains(all, nil) {
		return &act.FieldError{Field: "coordinates", Rule: "must be positions, [longitude, latitude]", Value: shown(string(data))}
	}
	p.lon, p.lat = *all[0], *all[1]
	return nil
}

// corner returns where a position is, or why it is nowhere: GeoJSON has the
// longitude first, which is easily forgotten.
func (p position) corner() (act.Corner, error) {
	if p.lat < -90 || p.lat > 90 {
		rule := "must be between -90 and 90"
		if math.Abs(p.lon) <= 90 && math.Abs(p.lat) <= 180 {
			rule += " (GeoJSON has the longitude first)"
		}
		return act.Corner{}, &act.FieldError{Field: "latitude", Rule: rule, Value: p.lat}
	}
	if p.lon < -180 || p.lon > 180 {
		return act.Corner{}, &act.FieldError{Field: "longitude", Rule: "must be between -180 and 180", Value: p.lon}
	}
	return act.Corner{Lat: p.lat, Lon: p.lon}, nil
}

// geometry takes in a geometry, or says why it is not a yard's.
func (it *Item) geometry(raw json.RawMessage) {
	if missing(raw) {
		it.Skipped = "it has no geometry"
		return
	}
	var g object
	if err := json.Unmarshal(raw, &g); err != nil {
		it.Err = &act.FieldError{Field: "geometry", Rule: "must be a geometry of GeoJSON", Value: shown(string(raw))}
		return
	}
	coordinates := func(into any) bool {
		if missing(g.Coordinates) {
			it.Err = &act.FieldError{Field: "coordinates", Rule: "must be given", Value: "nothing"}
			return false
		}
		err := json.Unmarshal(g.Coordinates, into)
		var fe *act.FieldError
		if errors.As(err, &fe) {
			it.Err = fe
		} else if err != nil {
			it.Err = &act.FieldError{Field: "coordinates", Rule: "must be those of a " + g.Type, Value: shown(string(g.Coordinates))}
		}
		return err == nil
	}
	switch g.Type {
	case "Point":
		var p position
		if !coordinates(&p) {
			return
		}
		c, err := p.corner()
		if err != nil {
			it.Err = err
			return
		}
		it.Place.Lat, it.Place.Lon = c.Lat, c.Lon
	case "Polygon":
		var rings [][]position
		if coordinates(&rings) {
			it.polygon(rings)
		}
	case "MultiPolygon":
		var parts [][][]position
		if !coordinates(&parts) {
			return
		}
		if len(parts) != 1 {
			it.Err = &act.FieldError{Field: "coordinates", Rule: "must be of one polygon, as a yard has one outline (a Feature for each would be a yard for each)", Value: len(parts)}
			return
		}
		it.polygon(parts[0])
	case "MultiPoint", "LineString", "MultiLineString", "GeometryCollection":
		it.Skipped = fmt.Sprintf("a %s is neither a centre nor an outline", g.Type)
	default:
		it.Err = &act.FieldError{Field: "geometry.type", Rule: "must be a geometry of GeoJSON", Value: shown(g.Type)}
	}
}

// polygon takes in an outline; a hole in it is no place for a rig to be, and
// is left aside.
func (it *Item) polygon(rings [][]position) {
	if len(rings) == 0 {
		it.Err = &act.FieldError{Field: "coordinates", Rule: "must have an outer ring", Value: "[]"}
		return
	}
	if n := len(rings) - 1; n > 0 {
		it.Notes = append(it.Notes, fmt.Sprintf("left aside: %s", count(n, "hole", "holes")))
	}
	ring := make([]act.Corner, len(rings[0]))
	for i, p := range rings[0] {
		c, err := p.corner()
		if err != nil {
			it.Err = err
			return
		}
		ring[i] = c
	}
	ring, whole := open(ring)
	if !whole {
		it.Notes = append(it.Notes, "its outline is not closed, as RFC 7946 wants it, and was taken as if it were")
	}
	if len(ring) < 3 {
		it.Err = &act.FieldError{Field: "outline", Rule: "must have at least 3 corners", Value: len(ring)}
		return
	}
	it.Place.Ring = ring
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// shown makes a value from outside fit for a message.
func shown(s string) string {
	if len(s) > 60 {
		s = strings.ToValidUTF8(s[:60], "") + "…"
	}
	return fmt.Sprintf("%q", s)
}

type outGeometry struct {
	Type        string `json:"type"`
	Coordinates any    `json:"coordinates"`
}

type outFeature struct {
	Type       string      `json:"type"`
	ID         string      `json:"id"`
	Geometry   outGeometry `json:"geometry"`
	Properties struct {
		Name     string      `json:"name"`
		EnterM   float64     `json:"enter_m"`
		LeaveM   float64     `json:"leave_m"`
		Colonies int         `json:"colonies,omitempty"`
		FillL    float64     `json:"fill_l,omitempty"`
		Closed   bool        `json:"closed"`
		Numbered bool        `json:"numbered"`
		Middle   *[2]float64 `json:"middle,omitempty"` // of an outline, where it is not the computed one
	} `json:"properties"`
}

// WriteGeoJSON writes yards as a FeatureCollection, one Feature a line, such
// that Read gives them again. Outlines go counter-clockwise, as RFC 7946 wants.
func WriteGeoJSON(w io.Writer, yards []act.Yard) error {
	var out bytes.Buffer
	out.WriteString(`{"type":"FeatureCollection","features":[`)
	for i := range yards {
		y := &yards[i]
		if err := writable(y); err != nil {
			return err
		}
		f := outFeature{Type: "Feature", ID: y.ID, Geometry: outGeometry{"Point", [2]float64{y.Lon, y.Lat}}}
		p := &f.Properties
		p.Name, p.EnterM, p.LeaveM, p.Colonies, p.FillL, p.Closed, p.Numbered = y.Name, y.EnterM, y.LeaveM, y.Colonies, y.FillL, y.Closed, y.Numbered
		if len(y.Ring) > 0 {
			ring := exterior(y.Ring)
			f.Geometry = outGeometry{"Polygon", [][][2]float64{closed(ring)}}
			if !near(Middle(ring), act.Corner{Lat: y.Lat, Lon: y.Lon}) {
				p.Middle = &[2]float64{y.Lon, y.Lat}
			}
		}
		line, err := json.Marshal(f)
		if err != nil {
			return fmt.Errorf("yard %q: %w", y.ID, err)
		}
		if i > 0 {
			out.WriteByte(',')
		}
		out.WriteByte('\n')
		out.Write(line)
	}
	out.WriteString("\n]}\n")
	_, err := w.Write(out.Bytes())
	return err
}

// exterior returns an outline counter-clockwise.
func exterior(ring []act.Corner) []act.Corner {
	out := slices.Clone(ring)
	if clockwise(ring) {
		slices.Reverse(out[1:])
	}
	return out
}

// closed returns an outline as GeoJSON has it: its first corner is its last
// again, longitude first.
func closed(ring []act.Corner) [][2]float64 {
	out := make([][2]float64, 0, len(ring)+1)
	for _, c := range ring {
		out = append(out, [2]float64{c.Lon, c.Lat})
	}
	return append(out, out[0])
}
