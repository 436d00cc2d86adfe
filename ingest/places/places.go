// Package places reads and writes yards as maps and satellite receivers know
// them: GeoJSON (RFC 7946) and GPX 1.1 (1.0 is read too). It is pure: bytes in,
// yards out.
//
// GeoJSON is read with encoding/json rather than a library: what there is to
// read is small, and github.com/paulmach/orb/geojson takes the position [43]
// for [43, 0] without a word and brings a codec for a database into the
// program. Tests have it read what is written here.
package places

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	"yardtally/meter/act"
)

// Bounds on what is read. Judgement, no source.
const (
	MostBytes   = 8 << 20
	MostPlaces  = 10000
	MostCorners = 1000 // of an outline: act.Yard.Check's own bound
)

// Format is one of the two.
type Format string

// The formats.
const (
	GeoJSON Format = "geojson"
	GPX     Format = "gpx"
)

// Place is what a file says of a yard. What it does not say is nil, "" or,
// of Colonies and FillL, 0.
type Place struct {
	ID, Name       string
	Lat, Lon       float64      // degrees, WGS 84; with an outline, its middle
	Ring           []act.Corner // outline, not closed; nil for none
	EnterM, LeaveM *float64
	Colonies       int
	FillL          float64
	Closed         *bool
	Numbered       *bool
}

// Item is one thing that stands in a file: a place, or why it is none.
type Item struct {
	Where   string   // as a person finds it: `feature 3 "Mill Bottom"`
	Place   Place    // where neither Skipped nor Err is set
	Notes   []string // what of it was left aside
	Skipped string   // why it is not about a yard; "" if it is
	Err     error    // why it was refused, names field, rule and value
}

// Read reads a file; its content tells the format. An error is about the file
// as a whole; what is wrong with one place stands in its Item.
func Read(data []byte) (Format, []Item, error) {
	if len(data) > MostBytes {
		return "", nil, fmt.Errorf("file: must be at most %d bytes, is %d", MostBytes, len(data))
	}
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		return "", nil, fmt.Errorf("encoding: must be UTF-8, is UTF-16")
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	text := bytes.TrimLeft(data, " \t\r\n")
	switch {
	case len(text) == 0:
		return "", nil, fmt.Errorf("file: must hold GeoJSON or GPX, is empty")
	case text[0] == '{':
		items, err := readGeoJSON(data)
		return GeoJSON, items, err
	case text[0] == '<':
		items, err := readGPX(data)
		return GPX, items, err
	}
	return "", nil, fmt.Errorf("file: must hold GeoJSON, which begins with {, or GPX, which begins with <, begins with %q", firstOf(text))
}

func firstOf(text []byte) string {
	r, _ := utf8.DecodeRune(text)
	return string(r)
}

// DefaultEnter returns within how many metres the rig is in a yard where that
// is not said: of the centre, or of an outline. Common practice, no source: a
// receiver is off by a few metres, and a yard without an outline is as large
// as a truck can be away and its hose still reach.
func DefaultEnter(outline bool) float64 {
	if outline {
		return 15
	}
	return 60
}

// DefaultLeave returns beyond how many metres the rig has left where that is
// not said.
func DefaultLeave(outline bool, enterM float64) float64 {
	if outline {
		return max(40, enterM*1.6)
	}
	return enterM * 1.6
}

// Over returns the yard that old, which may be empty but for its ID, becomes
// by what the file says. What the file does not say stays. Where a centre
// becomes an outline, or the other way round, the distances start anew. The
// error is act.Yard.Check's.
func (p *Place) Over(old act.Yard) (act.Yard, error) {
	y := old
	outline := len(p.Ring) > 0
	fresh := old.EnterM == 0 || len(old.Ring) > 0 != outline
	if p.Name != "" {
		y.Name = p.Name
	} else if y.Name == "" {
		y.Name = y.ID
	}
	y.Lat, y.Lon, y.Ring = p.Lat, p.Lon, p.Ring
	if fresh {
		y.EnterM = DefaultEnter(outline)
	}
	if p.EnterM != nil {
		y.EnterM = *p.EnterM
	}
	if p.LeaveM != nil {
		y.LeaveM = *p.LeaveM
	} else if fresh || y.LeaveM < y.EnterM {
		y.LeaveM = DefaultLeave(outline, y.EnterM)
	}
	if p.Colonies != 0 {
		y.Colonies = p.Colonies
	}
	if p.FillL != 0 {
		y.FillL = p.FillL
	}
	if p.Closed != nil {
		y.Closed = *p.Closed
	}
	if p.Numbered != nil {
		y.Numbered = *p.Numbered
	}
	return y, ours(y.Check())
}

// ours calls an outline what a person calls it.
func ours(err error) error {
	var fe *act.FieldError
	if errors.As(err, &fe) && strings.HasPrefix(fe.Field, "ring") {
		return &act.FieldError{Field: "outline" + strings.TrimPrefix(fe.Field, "ring"), Rule: fe.Rule, Value: fe.Value}
	}
	return err
}

// settle judges a place once all that its file says of it is known. With an
// outline, middle is where the file sees its middle, nil for nowhere.
func (it *Item) settle(middle *act.Corner) {
	if it.Err != nil || it.Skipped != "" {
		return
	}
	p := &it.Place
	if len(p.Ring) > MostCorners {
		it.Err = &act.FieldError{Field: "outline", Rule: fmt.Sprintf("must have at most %d corners", MostCorners), Value: len(p.Ring)}
		return
	}
	for _, t := range []struct {
		field string
		text  *string
	}{{"id", &p.ID}, {"name", &p.Name}} {
		*t.text = strings.TrimSpace(*t.text)
		if err := checkText(t.field, *t.text); err != nil {
			it.Err = err
			return
		}
	}
	if len(p.Ring) > 0 {
		m := Middle(p.Ring)
		if middle != nil && Within(p.Ring, *middle) {
			m = *middle
		} else if middle != nil && !near(m, *middle) {
			it.Notes = append(it.Notes, "its position is not within its outline, whose middle is taken")
		}
		p.Lat, p.Lon = m.Lat, m.Lon
		if CrossesDateLine(p.Ring) {
			it.Err = &act.FieldError{Field: "outline", Rule: "must not cross the 180th meridian; a yard there is told by its centre", Value: "across it"}
			return
		}
	}
	_, it.Err = p.Over(act.Yard{ID: "x"})
}

// mostText bounds names and ids, bytes. Judgement, no source.
const mostText = 200

// checkText refuses what cannot go out again as XML, and what no line can show.
func checkText(field, text string) error {
	if len(text) > mostText {
		return &act.FieldError{Field: field, Rule: fmt.Sprintf("must be at most %d bytes long", mostText), Value: len(text)}
	}
	for _, r := range text {
		if unicode.IsControl(r) || r == 0xFFFE || r == 0xFFFF {
			return &act.FieldError{Field: field, Rule: "must hold no control characters", Value: fmt.Sprintf("%q", text)}
		}
	}
	return nil
}

// writable reports why a yard could not be read again once written.
func writable(y *act.Yard) error {
	if err := errors.Join(y.Check(), checkText("id", y.ID), checkText("name", y.Name)); err != nil {
		return fmt.Errorf("yard %q: %w", y.ID, err)
	}
	return nil
}

// named says where an item stands, with its name if it has one.
func named(where, name string) string {
	name = strings.TrimSpace(name)
	if name == "" {
		return where
	}
	if len(name) > 60 {
		name = strings.ToValidUTF8(name[:60], "") + "…"
	}
	return fmt.Sprintf("%s %q", where, name)
}

// near reports whether two positions are the same to a centimetre, in degrees.
// 180 degrees east and 180 degrees west are one meridian.
func near(a, b act.Corner) bool {
	return math.Abs(a.Lat-b.Lat) <= 1e-7 && math.Abs(math.Remainder(a.Lon-b.Lon, 360)) <= 1e-7
}
