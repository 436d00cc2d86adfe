package act

import (
	"fmt"

	"yardtally/calibrate/quantity"
)

// Target says what a keeper means to give each colony of a yard in a season,
// all its visits together: syrup by volume, or sugar by weight. It holds from
// the act's From on until another is said; one of neither takes it away.
type Target struct {
	Yard    string  `json:"yard"`               // the yard's id; "": every yard that has none of its own
	EachL   float64 `json:"each_l,omitempty"`   // of syrup, L
	SugarKg float64 `json:"sugar_kg,omitempty"` // of sugar, as dry solids, kg
}

// mostTarget bounds a season of one colony, L or kg. Common practice, no source:
// a colony stores tens of kilograms.
const mostTarget = 500

func (Target) Kind() string { return "target" }

// Check implements Body.
func (t Target) Check() error {
	if t.EachL != 0 && t.SugarKg != 0 {
		return &FieldError{"sugar_kg", "must not stand beside each_l: a volume of syrup, or a weight of sugar", t.SugarKg}
	}
	return firstOf(within("each_l", t.EachL, 0, mostTarget), within("sugar_kg", t.SugarKg, 0, mostTarget))
}

// ParseTarget reads what each colony of a yard is meant to get in a season: "6
// gal" of syrup, or "40 lb" of sugar. The error is a *FieldError of a field
// "season".
func ParseTarget(yard, text string) (Target, error) {
	t := Target{Yard: yard}
	if v, err := quantity.ParseVolume(text); err == nil {
		t.EachL = v.Litres()
	} else if m, err := quantity.ParseMass(text); err == nil {
		t.SugarKg = float64(m)
	} else {
		return Target{}, &FieldError{"season", "must be a volume of syrup or a weight of sugar with its unit, like 6 gal or 40 lb", fmt.Sprintf("%q", text)}
	}
	if x := t.EachL + t.SugarKg; !(x > 0 && x <= mostTarget) {
		return Target{}, &FieldError{"season", fmt.Sprintf("must be above 0 and at most %d L of syrup or %d kg of sugar", mostTarget, mostTarget), fmt.Sprintf("%q", text)}
	}
	return t, nil
}
