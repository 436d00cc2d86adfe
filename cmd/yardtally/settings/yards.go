package settings

import (
	"errors"
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/places"
	"yardtally/meter/act"
)

// yardTable mirrors one of [[yards]].
type yardTable struct {
	ID       string      `toml:"id"`
	Name     string      `toml:"name"`
	Position []float64   `toml:"position"`
	Outline  [][]float64 `toml:"outline"`
	Enter    measure     `toml:"enter"`
	Leave    measure     `toml:"leave"`
	Colonies int         `toml:"colonies"`
	Numbered bool        `toml:"numbered"`
	Fill     measure     `toml:"fill"`
	Season   measure     `toml:"season"`
	Closed   bool        `toml:"closed"`
	From     string      `toml:"from"`
}

// yard turns one of the yards into the body of an act.
func (r *reader) yard(at string, y *yardTable) {
	mark := len(r.wrong)
	body := act.Yard{ID: y.ID, Name: orElse(y.Name, y.ID), Colonies: y.Colonies, Closed: y.Closed, Numbered: y.Numbered}
	r.need(at+".id", y.ID != "", `"orchard"`)
	body.Ring = r.outline(at+".outline", y.Outline)
	outline := y.Outline != nil
	switch {
	case len(y.Position) == 2:
		body.Lat, body.Lon = y.Position[0], y.Position[1]
		if len(body.Ring) > 0 && !places.Within(body.Ring, act.Corner{Lat: body.Lat, Lon: body.Lon}) {
			r.fail(at+".position", "must be within the outline, or be left out")
		}
	case y.Position != nil:
		r.fail(at+".position", "must be two numbers, degrees north and degrees east")
	case len(body.Ring) > 0:
		m := places.Middle(body.Ring)
		body.Lat, body.Lon = m.Lat, m.Lon
	case !outline:
		r.need(at+".position", false, "[43.22, -91.88], degrees north and degrees east, or an outline")
	}
	body.EnterM = float64(take(r, at+".enter", y.Enter, quantity.ParseLength, quantity.Length(places.DefaultEnter(outline))))
	body.LeaveM = float64(take(r, at+".leave", y.Leave, quantity.ParseLength, quantity.Length(places.DefaultLeave(outline, body.EnterM))))
	body.FillL = take(r, at+".fill", y.Fill, quantity.ParseVolume, 0).Litres()
	r.say(mark, at, "yard "+y.ID, y.From, body)
	r.target(at, y.ID, y.Season, y.From)
}

// target says what each colony of a yard is meant to get in a season; of "",
// of every yard that has none of its own.
func (r *reader) target(at, yard string, season measure, from string) {
	if season == "" {
		return
	}
	mark := len(r.wrong)
	t, err := act.ParseTarget(yard, string(season))
	var fe *act.FieldError
	if errors.As(err, &fe) {
		r.fail(at+".season", fe.Rule)
	}
	r.say(mark, at, act.Subject(t), from, t)
}

// outline reads a yard's corners; nil if there are none or one is none.
func (r *reader) outline(at string, corners [][]float64) (ring []act.Corner) {
	for i, c := range corners {
		if len(c) != 2 {
			r.fail(fmt.Sprintf("%s[%d]", at, i), "must be two numbers, degrees north and degrees east")
			return nil
		}
		ring = append(ring, act.Corner{Lat: c[0], Lon: c[1]})
	}
	if n := len(ring); n > 1 && ring[0] == ring[n-1] {
		ring = ring[:n-1] // closed by hand, as maps do
	}
	if n := len(ring); corners != nil && (n < 3 || n > places.MostCorners) {
		r.fail(at, fmt.Sprintf("must have between 3 and %d corners", places.MostCorners))
		return nil
	}
	if places.CrossesDateLine(ring) {
		r.fail(at, "must not cross the 180th meridian; a yard there is told by its position")
		return nil
	}
	return ring
}
