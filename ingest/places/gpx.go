package places

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"yardtally/meter/act"
	"yardtally/meter/yard"
)

// Namespaces of GPX, and of what Yardtally adds: GPX has no radius and no
// colonies, but a place for the words of others.
const (
	gpx10 = "http://www.topografix.com/GPX/1/0"
	gpx11 = "http://www.topografix.com/GPX/1/1"
	ns    = "urn:yardtally:gpx:1"
)

// What a track or route must be to be the outline of a yard. Judgement, no
// source: whoever walks round a yard ends near where the walk began; a way to
// somewhere does not, a spot has no area, and a night's whole trip is too large.
const (
	closedWithinM = 30
	leastAreaM2   = 50
	mostAcrossM   = 2000
)

// yardElement is Yardtally's own element, among a waypoint's extensions.
type yardElement struct {
	ID       *string     `xml:"id,attr"`
	EnterM   *string     `xml:"enter_m,attr"`
	LeaveM   *string     `xml:"leave_m,attr"`
	Colonies *string     `xml:"colonies,attr"`
	FillL    *string     `xml:"fill_l,attr"`
	Closed   *string     `xml:"closed,attr"`
	Numbered *string     `xml:"numbered,attr"`
	Corners  []gpxCorner `xml:"urn:yardtally:gpx:1 corner"`
}

type gpxCorner struct {
	Lat *string `xml:"lat,attr"`
	Lon *string `xml:"lon,attr"`
}

// gpxThing is a waypoint, a track or a route.
type gpxThing struct {
	gpxCorner
	Name       string `xml:"name"`
	Extensions struct {
		Yard *yardElement `xml:"urn:yardtally:gpx:1 yard"`
	} `xml:"extensions"`
	Yard     *yardElement `xml:"urn:yardtally:gpx:1 yard"` // GPX 1.0 has no <extensions>
	Route    []gpxCorner  `xml:"rtept"`
	Segments []struct {
		Points []gpxCorner `xml:"trkpt"`
	} `xml:"trkseg"`
}

// kinds are the elements of GPX that can tell of a yard.
var kinds = map[string]string{"wpt": "waypoint", "trk": "track", "rte": "route"}

func readGPX(data []byte) ([]Item, error) {
	d := xml.NewDecoder(bytes.NewReader(data))
	var charset *act.FieldError
	d.CharsetReader = func(name string, _ io.Reader) (io.Reader, error) {
		charset = &act.FieldError{Field: "encoding", Rule: "must be UTF-8", Value: shown(name)}
		return nil, charset
	}
	bad := func(err error) error {
		if charset != nil {
			return charset
		}
		return fmt.Errorf("not XML: %w", err)
	}
	var items []Item
	inside, ended, seen := false, false, make(map[string]int)
	for {
		t, err := d.Token()
		if errors.Is(err, io.EOF) && inside {
			return items, nil
		} else if err != nil {
			return nil, bad(err)
		}
		start, ok := t.(xml.StartElement)
		if !ok {
			_, end := t.(xml.EndElement) // only <gpx>'s own: others are taken whole
			ended = ended || end
			continue
		}
		if ended {
			return nil, bad(errors.New("something stands after </gpx>"))
		}
		if !inside {
			if err := checkRoot(start); err != nil {
				return nil, err
			}
			inside = true
			continue
		}
		kind := kinds[start.Name.Local]
		if kind == "" || start.Name.Space == ns {
			if err := d.Skip(); err != nil {
				return nil, bad(err)
			}
			continue
		}
		if len(items) == MostPlaces {
			return nil, fmt.Errorf("waypoints, tracks and routes: must be at most %d, are more", MostPlaces)
		}
		line, _ := d.InputPos()
		var g gpxThing
		if err := d.DecodeElement(&g, &start); err != nil {
			return nil, bad(err)
		}
		seen[kind]++
		it := Item{Where: named(fmt.Sprintf("line %d: %s %d", line, kind, seen[kind]), g.Name)}
		it.Place.Name = g.Name
		it.thing(kind, &g)
		items = append(items, it)
	}
}

func checkRoot(start xml.StartElement) error {
	if start.Name.Local != "gpx" {
		return &act.FieldError{Field: "file", Rule: "must be GPX, whose first element is <gpx>", Value: "<" + start.Name.Local + ">"}
	}
	if s := start.Name.Space; s != gpx10 && s != gpx11 && s != "" {
		return &act.FieldError{Field: "namespace", Rule: "must be that of GPX 1.0 or 1.1", Value: shown(s)}
	}
	for _, a := range start.Attr {
		if v := a.Value; a.Name.Local == "version" && a.Name.Space == "" && v != "1.0" && v != "1.1" {
			return &act.FieldError{Field: "version", Rule: "must be 1.0 or 1.1", Value: shown(v)}
		}
	}
	return nil
}

// thing takes in a waypoint, a track or a route.
func (it *Item) thing(kind string, g *gpxThing) {
	p := &it.Place
	y := g.Yard
	if g.Extensions.Yard != nil {
		y = g.Extensions.Yard
	}
	var middle *act.Corner
	if kind == "waypoint" {
		c, err := g.corner()
		if err != nil {
			it.Err = err
			return
		}
		middle, p.Lat, p.Lon = &c, c.Lat, c.Lon
	} else if !it.outline(kind, g) {
		return
	}
	if y != nil {
		if it.Err = it.yard(y, kind); it.Err != nil {
			return
		}
	}
	it.settle(middle)
}

// outline takes in a track or route that goes round a yard, or says why it
// does not.
func (it *Item) outline(kind string, g *gpxThing) bool {
	points := g.Route
	if kind == "track" {
		parts := 0
		for _, s := range g.Segments {
			if len(s.Points) > 0 {
				points = s.Points
				parts++
			}
		}
		if parts > 1 {
			it.Skipped = fmt.Sprintf("a track of %d segments is no outline", parts)
			return false
		}
	}
	ring, err := corners(points)
	if err != nil {
		it.Err = err
		return false
	}
	closing := 0.0
	if len(ring) > 0 {
		last := ring[len(ring)-1]
		closing = float64(yard.Distance(ring[0].Lat, ring[0].Lon, last.Lat, last.Lon))
	}
	ring, _ = open(ring)
	switch {
	case strings.TrimSpace(g.Name) == "":
		it.Skipped = fmt.Sprintf("a %s without a name is no outline", kind)
	case len(ring) < 3:
		it.Skipped = fmt.Sprintf("a %s with fewer than 3 points apart is no outline", kind)
	case closing > closedWithinM:
		it.Skipped = fmt.Sprintf("it is not closed: its ends are %.0f m apart, and an outline's must be at most %d m", closing, closedWithinM)
	case across(ring) > mostAcrossM:
		it.Skipped = fmt.Sprintf("it is %.0f m across, and an outline must be at most %d m", across(ring), mostAcrossM)
	case yard.Area(yards(ring)) <= leastAreaM2:
		it.Skipped = fmt.Sprintf("it goes round %.0f m², and an outline must go round more than %d m²", yard.Area(yards(ring)), leastAreaM2)
	default:
		it.Place.Ring = ring
		return true
	}
	return false
}

// yard takes in Yardtally's own element.
func (it *Item) yard(y *yardElement, kind string) (err error) {
	p := &it.Place
	number := func(field string, text *string) *float64 {
		if text == nil || err != nil {
			return nil
		}
		x, e := decimal(field, *text)
		err = e
		return &x
	}
	truth := func(field string, text *string) *bool {
		if text == nil || err != nil {
			return nil
		}
		// xsd:boolean
		switch strings.TrimSpace(*text) {
		case "true", "1":
			return new(true)
		case "false", "0":
			return new(false)
		}
		err = &act.FieldError{Field: field, Rule: "must be true or false", Value: shown(*text)}
		return nil
	}
	if y.ID != nil {
		p.ID = *y.ID
	}
	p.EnterM, p.LeaveM = number("enter_m", y.EnterM), number("leave_m", y.LeaveM)
	p.Closed, p.Numbered = truth("closed", y.Closed), truth("numbered", y.Numbered)
	if l := number("fill_l", y.FillL); l != nil {
		p.FillL = *l
	}
	if n := number("colonies", y.Colonies); n != nil && err == nil {
		p.Colonies, err = whole("colonies", *n)
	}
	if err == nil && kind == "waypoint" {
		p.Ring, err = corners(y.Corners)
	}
	return err
}

func corners(points []gpxCorner) ([]act.Corner, error) {
	var ring []act.Corner
	for i := range points {
		c, err := points[i].corner()
		if err != nil {
			return nil, fmt.Errorf("point %d: %w", i+1, err)
		}
		ring = append(ring, c)
	}
	return ring, nil
}

func (g *gpxCorner) corner() (c act.Corner, err error) {
	for _, a := range []struct {
		field string
		text  *string
		into  *float64
		most  float64
	}{{"lat", g.Lat, &c.Lat, 90}, {"lon", g.Lon, &c.Lon, 180}} {
		if a.text == nil {
			return c, &act.FieldError{Field: a.field, Rule: "must be given", Value: "nothing"}
		}
		if *a.into, err = decimal(a.field, *a.text); err != nil {
			return c, err
		}
		if math.Abs(*a.into) > a.most {
			return c, &act.FieldError{Field: a.field, Rule: fmt.Sprintf("must be between -%g and %g", a.most, a.most), Value: *a.into}
		}
	}
	return c, nil
}

// decimal reads a number as XML Schema has it; an exponent is let pass.
func decimal(field, text string) (float64, error) {
	t := strings.TrimSpace(text)
	x, err := strconv.ParseFloat(t, 64)
	if err != nil || strings.Trim(t, "+-.0123456789eE") != "" {
		return 0, &act.FieldError{Field: field, Rule: "must be a number", Value: shown(text)}
	}
	return x, nil
}

// WriteGPX writes yards as waypoints of GPX 1.1, such that Read gives them
// again: name and position as GPX has them, the rest among the extensions.
func WriteGPX(w io.Writer, yards []act.Yard) error {
	var out bytes.Buffer
	out.WriteString(xml.Header)
	fmt.Fprintf(&out, "<gpx version=\"1.1\" creator=\"Yardtally\" xmlns=%q xmlns:yt=%q>\n", gpx11, ns)
	for i := range yards {
		y := &yards[i]
		if err := writable(y); err != nil {
			return err
		}
		lon := y.Lon
		if lon == 180 {
			lon = -180 // the same meridian; GPX has longitudes below 180
		}
		fmt.Fprintf(&out, "  <wpt %s>\n    <name>%s</name>\n    <extensions>\n", latLon(y.Lat, lon), escaped(y.Name))
		fmt.Fprintf(&out, "      <yt:yard id=\"%s\" enter_m=\"%s\" leave_m=\"%s\"", escaped(y.ID), plain(y.EnterM), plain(y.LeaveM))
		if y.Colonies > 0 {
			fmt.Fprintf(&out, " colonies=\"%d\"", y.Colonies)
		}
		if y.FillL > 0 {
			fmt.Fprintf(&out, " fill_l=\"%s\"", plain(y.FillL))
		}
		fmt.Fprintf(&out, " closed=\"%t\" numbered=\"%t\"", y.Closed, y.Numbered)
		if len(y.Ring) == 0 {
			out.WriteString("/>\n")
		} else {
			out.WriteString(">\n")
			for _, c := range y.Ring {
				fmt.Fprintf(&out, "        <yt:corner %s/>\n", latLon(c.Lat, c.Lon))
			}
			out.WriteString("      </yt:yard>\n")
		}
		out.WriteString("    </extensions>\n  </wpt>\n")
	}
	out.WriteString("</gpx>\n")
	_, err := w.Write(out.Bytes())
	return err
}

func latLon(lat, lon float64) string {
	return fmt.Sprintf("lat=\"%s\" lon=\"%s\"", plain(lat), plain(lon))
}

// plain writes a number as xsd:decimal has it, without an exponent.
func plain(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func escaped(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a Builder takes everything
	return b.String()
}
