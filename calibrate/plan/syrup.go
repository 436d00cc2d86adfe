package plan

import (
	"fmt"
	"strings"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// ParseSyrup reads what is to be mixed: a recipe as mix.ParseRecipe has it, of
// which only the proportions matter, or a corn syrup by its kind:
//
//	2:1                  sugar to water, by weight
//	65 Brix              sugar and water to that
//	hfcs-55              as it is sold
//	hfcs-55 to 65 Brix   thinned with water from what it is sold at
//	20 kg hfcs-55 + 10 kg sugar + 8 kg water
//
// Errors are *Error or *mix.Error.
func ParseSyrup(text string) (mix.Recipe, error) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return mix.Recipe{}, &Error{"syrup", `must be a ratio ("2:1"), a target ("65 Brix"), a corn syrup ("hfcs-55", "hfcs-55 to 65 Brix") or parts ("16 lb sugar + 1 gal water")`, `""`}
	}
	kind, err := syrup.ParseKind(strings.ToLower(words[0]))
	if err != nil {
		r, err := mix.ParseRecipe(text)
		if err == nil {
			err = wet(r, text)
		}
		return r, err
	}
	sold := mix.AsSold(kind)
	if sold == 0 {
		return mix.Recipe{}, &Error{"syrup", "must be given as parts with their Brix, as there is none at which it is usually sold", fmt.Sprintf("%q", text)}
	}
	s := syrup.Syrup{Makeup: syrup.Only(kind), Solids: sold}
	if len(words) == 1 {
		return mix.Recipe{Parts: []mix.Part{{What: mix.Dissolved, Syrup: s, Mass: 1}}}, nil
	}
	to, err := quantity.ParseBrix(strings.Join(words[2:], " "))
	if !strings.EqualFold(words[1], "to") || err != nil {
		return mix.Recipe{}, &Error{"syrup", `must go on with the Brix it is thinned to, like "` + kind.String() + ` to 65 Brix"`, fmt.Sprintf("%q", text)}
	}
	if !(to > 0 && to < sold) {
		return mix.Recipe{}, &Error{"syrup", fmt.Sprintf("must be thinned to above 0 and below the %v it is sold at", sold), fmt.Sprintf("%q", text)}
	}
	return mix.Recipe{Parts: []mix.Part{
		{What: mix.Dissolved, Syrup: s, Mass: quantity.Mass(to)},
		{What: mix.PureWater, Mass: quantity.Mass(sold - to)},
	}}, nil
}

// wet refuses what is no syrup.
func wet(r mix.Recipe, text string) error {
	sugar := len(r.Parts) == 0
	for _, p := range r.Parts {
		sugar = sugar || p.What != mix.PureWater
	}
	if !sugar {
		return &Error{"syrup", "must have sugar or syrup in it", fmt.Sprintf("%q", text)}
	}
	return nil
}
