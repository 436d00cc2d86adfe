package mix

import (
	"fmt"
	"strconv"
	"strings"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// What is what a part of a recipe is.
type What uint8

// The whats.
const (
	DrySugar  What = iota // granulated, sucrose
	PureWater             // water
	Dissolved             // corn syrup, invert, or any syrup there is
)

// Part is one part of a recipe: of what how much, by mass or by volume, the
// other of which is 0.
type Part struct {
	What    What
	Syrup   syrup.Syrup // of Dissolved: of which kind, at which solids
	Mass    quantity.Mass
	Volume  quantity.Volume
	HasTemp bool // of a volume: measured at Temp, else at the temperature of the batch
	Temp    quantity.Temperature
}

// Recipe is a list of parts, or a ratio of sugar to water, or a target; two of
// the three are empty.
type Recipe struct {
	Parts []Part

	Sugar, Water float64 // of a ratio, both above 0
	ByVolume     bool    // the ratio is of volumes, not of weights

	Target quantity.Solids // mass fraction, sucrose in water
}

// batch returns what the part is.
func (p Part) batch(t quantity.Temperature, by Means) (Batch, error) {
	if p.HasTemp {
		t = p.Temp
	}
	byVolume := p.Volume != 0
	if byVolume == (p.Mass != 0) {
		return Batch{}, &Error{"part of a recipe", "must have either a mass or a volume", p}
	}
	if p.Mass < 0 || p.Volume < 0 {
		return Batch{}, &Error{"part of a recipe", "must be more than 0", p}
	}
	switch p.What {
	case DrySugar:
		if byVolume {
			return SugarByVolume(p.Volume, by)
		}
		return Sugar(p.Mass, by)
	case PureWater:
		if byVolume {
			return WaterByVolume(p.Volume, t, by)
		}
		return Water(p.Mass, by)
	case Dissolved:
		if byVolume {
			return SyrupByVolume(p.Syrup, p.Volume, t, by)
		}
		return Syrup(p.Syrup, p.Mass, by)
	}
	return Batch{}, &Error{"part of a recipe", "must be sugar, water or syrup", p.What}
}

// batches returns the parts; those of a ratio or target for so much sugar.
func (r Recipe) batches(kg quantity.Mass, t quantity.Temperature, by Means) ([]Batch, error) {
	parts := r.Parts
	switch {
	case len(parts) > 0:
	case r.Target != 0:
		if !(r.Target > 0 && r.Target < 1) {
			return nil, &Error{"target", "must be above 0 and below 100 %", r.Target}
		}
		parts = []Part{{What: DrySugar, Mass: kg}, {What: PureWater, Mass: kg * quantity.Mass(1/float64(r.Target)-1)}}
	case !(r.Sugar > 0 && r.Water > 0 && r.Sugar/r.Water < 1e4 && r.Water/r.Sugar < 1e4):
		return nil, &Error{"recipe", "must have parts, a ratio of two numbers above 0, or a target", r.String()}
	case r.ByVolume:
		if err := by.check(); err != nil {
			return nil, err
		}
		v := float64(kg) / float64(by.Bulk)
		parts = []Part{{What: DrySugar, Volume: quantity.VolumeOf(v)}, {What: PureWater, Volume: quantity.VolumeOf(v * r.Water / r.Sugar)}}
	default:
		parts = []Part{{What: DrySugar, Mass: kg}, {What: PureWater, Mass: kg * quantity.Mass(r.Water/r.Sugar)}}
	}
	out := make([]Batch, len(parts))
	for i, p := range parts {
		var err error
		if out[i], err = p.batch(t, by); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Mix returns the batch that the recipe makes, its parts measured at
// temperature t where they name none. A ratio or a target is made of one kilogram
// of sugar.
func (r Recipe) Mix(t quantity.Temperature, by Means) (Batch, error) {
	if err := by.check(); err != nil {
		return Batch{}, err
	}
	parts, err := r.batches(1, t, by)
	if err != nil {
		return Batch{}, err
	}
	return Blend(parts...)
}

// Limits returns the mass fractions that the recipe gives with sugar of the
// least and of the greatest bulk density. They differ only for sugar by volume.
func (r Recipe) Limits(t quantity.Temperature, by Means) (least, most quantity.Solids, err error) {
	var at [2]quantity.Solids
	for i, bulk := range []quantity.Density{by.Bulk - by.BulkWithin, by.Bulk + by.BulkWithin} {
		by := by
		by.Bulk, by.BulkWithin = bulk, 0
		b, err := r.Mix(t, by)
		if err != nil {
			return 0, 0, err
		}
		at[i] = b.Syrup().Solids
	}
	return at[0], at[1], nil
}

// ForVolume returns the weights that make a volume v of the recipe at
// temperature t: a recipe of parts by mass.
func (r Recipe) ForVolume(v quantity.Volume, t quantity.Temperature, by Means) (Recipe, error) {
	if v <= 0 {
		return Recipe{}, &Error{"volume wanted", "must be more than 0", v}
	}
	return r.scaled(t, by, func(all Batch) (float64, error) {
		s, err := all.At(t, 0)
		return v.CubicMetres() * float64(s.Density) / float64(all.Total().Mass()), err
	})
}

// ForSugar returns the weights of the recipe for a mass of dry solids at hand: a
// recipe of parts by mass.
func (r Recipe) ForSugar(m quantity.Mass, t quantity.Temperature, by Means) (Recipe, error) {
	if !(m > 0) {
		return Recipe{}, &Error{"sugar at hand", "must be more than 0", m}
	}
	return r.scaled(t, by, func(all Batch) (float64, error) {
		return float64(m) / float64(all.DrySolids().Mass()), nil
	})
}

func (r Recipe) scaled(t quantity.Temperature, by Means, factor func(all Batch) (float64, error)) (Recipe, error) {
	if err := by.check(); err != nil {
		return Recipe{}, err
	}
	parts, err := r.batches(1000, t, by) // so much, so that rounding is nothing
	if err != nil {
		return Recipe{}, err
	}
	all, err := Blend(parts...)
	if err != nil {
		return Recipe{}, err
	}
	f, err := factor(all)
	if err != nil {
		return Recipe{}, err
	}
	if m := quantity.Mass(f) * all.Total().Mass(); !(m <= Most.Mass()) {
		return Recipe{}, &Error{"batch", "must be of something and not more than 1000000 kg", m}
	}
	var out Recipe
	for i, b := range parts {
		p := Part{What: DrySugar, Mass: quantity.Mass(f) * b.Total().Mass()}
		switch {
		case len(r.Parts) > 0:
			p.What, p.Syrup = r.Parts[i].What, r.Parts[i].Syrup
		case i == 1:
			p.What = PureWater
		}
		out.Parts = append(out.Parts, p)
	}
	return out, nil
}

// String returns the recipe so that ParseRecipe reads the same again.
func (r Recipe) String() string {
	switch {
	case len(r.Parts) > 0:
		parts := make([]string, len(r.Parts))
		for i, p := range r.Parts {
			parts[i] = p.String()
		}
		return strings.Join(parts, " + ")
	case r.Target != 0:
		return r.Target.String()
	}
	how := "weight"
	if r.ByVolume {
		how = "volume"
	}
	plain := func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
	return fmt.Sprintf("%s:%s by %s", plain(r.Sugar), plain(r.Water), how)
}

// String returns the part as ParseRecipe reads it: "10 kg sugar".
func (p Part) String() string {
	text := p.Mass.String()
	if p.Volume != 0 {
		text = p.Volume.String()
	}
	switch p.What {
	case DrySugar:
		text += " sugar"
	case PureWater:
		text += " water"
	default:
		name := p.Syrup.Makeup.String()
		if p.Syrup.Makeup == syrup.Only(syrup.Sucrose) {
			name = "syrup"
		}
		text += " " + name + " at " + p.Syrup.Solids.String()
	}
	if p.HasTemp {
		text += " at " + p.Temp.String()
	}
	return text
}
