// Package plan reckons what to mix for the yards ahead: sugar, water and corn
// syrup to weigh, how many times the tote must be filled for it, what each load
// weighs against the plates, and what it costs.
//
// Volumes are whole nanolitres and masses whole micrograms, so loads add up to
// the plan exactly. A volume is meant at one temperature, that of the asking.
//
// Errors are *Error, *mix.Error, *tote.Error, or a *syrup.RangeError where a
// density is asked for outside syrup's range.
package plan

import (
	"fmt"
	"math"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
)

// Error says what cannot be so: field, rule, value.
type Error struct {
	Field string // such as "colonies"
	Rule  string
	Value any
}

func (e *Error) Error() string { return fmt.Sprintf("%s: %s, is %v", e.Field, e.Rule, e.Value) }

// Yield is how much capped stores a kilogram of dry solids makes in the comb,
// kg/kg: as reckoned with, and the least and most it may be.
type Yield struct{ Usual, Least, Most float64 }

// UsualYield is a kilogram for a kilogram: common practice, no source; how far
// it may be off is from memory. Without any loss stores of 18 % water would be
// 1/0.82, which is 1.22; bees spend some on making them and eat some.
var UsualYield = Yield{1, 0.85, 1.2}

// mostYield is of stores with as much water as any that keep, without loss.
const mostYield = 1.3

// Of is a yield that a person said, who then answers for it.
func Of(yield float64) Yield { return Yield{yield, yield, yield} }

func (y Yield) check() error {
	if !(y.Least > 0.2 && y.Least <= y.Usual && y.Usual <= y.Most && y.Most <= mostYield) {
		return &Error{"yield", "must be above 0.2 and at most 1.3 kg of stores a kg of dry sugar", y.Usual}
	}
	return nil
}

// Limits of what can be asked.
const (
	mostColonies = 100_000
	mostEach     = 200 * quantity.Litre
	mostStores   = 100 * quantity.Kilogram
	mostLoads    = 1000
)

// Yard is what a yard is to get: exactly one of Each and Stores is more than 0.
type Yard struct {
	ID, Name string
	Colonies int             // 1 to 100000
	Each     quantity.Volume // of syrup for each of them, up to 200 L
	Stores   quantity.Mass   // or of capped stores, up to 100 kg
}

// Tote is what it is mixed into and dispensed from.
type Tote struct {
	Name     string
	Holds    quantity.Volume // nominal
	Unusable quantity.Volume // stays below the outlet
	Plate    tote.Plate
	Trailer  tote.Trailer
}

// Left is what the tote holds already, with what stays below its outlet.
type Left struct {
	Batch   mix.Batch
	Volume  quantity.Volume
	VolumeU quantity.Volume // standard uncertainty
}

// Ask is what a plan is made from.
type Ask struct {
	Yards  []Yard
	Recipe mix.Recipe
	Temp   quantity.Temperature // of the syrup as it is dispensed; its volumes are meant at it
	TempU  quantity.Temperature // standard uncertainty, K
	By     mix.Means
	Yield  Yield
	Bag    quantity.Mass // of sugar, by its label; 0: none
	Tote   *Tote         // nil: not known
	Left   *Left         // nil: the tote is empty, or is not asked for
	Sugar  Price         // of dry sugar
	Bought Price         // of corn syrup and other syrup put in
}

// Amount is how much of one thing to weigh.
type Amount struct {
	mix.Part                 // which; its Mass is that of the recipe
	Weigh    mix.Micrograms  // how much
	Volume   quantity.Volume // the same at Ask.Temp; 0 for dry sugar
	Bags     int             // whole bags of it, where there are bags
	Rest     mix.Micrograms  // and what is to be weighed besides
}

// Load is one filling of the tote.
type Load struct {
	Before, After quantity.Volume // in the tote; the difference is what comes in
	Parts         []Amount        // in the recipe's order
	Brix          quantity.Solids // of what is in the tote afterwards
	Weights       tote.Weights    // then
}

// Rises is by how much the load raises what is in the tote.
func (l *Load) Rises() quantity.Volume { return l.After - l.Before }

// Weigh is the mass of all that is put in.
func (l *Load) Weigh() mix.Micrograms { return weigh(l.Parts) }

func weigh(parts []Amount) (sum mix.Micrograms) {
	for _, p := range parts {
		sum += p.Weigh
	}
	return sum
}

// Share is what a yard takes.
type Share struct {
	Yard
	Volume quantity.Volume // all its colonies; Yard.Each is set, whatever was asked
	Solids quantity.Mass   // dry, in it
}

// Plan is what to mix.
type Plan struct {
	Yards    []Share
	Colonies int
	Need     quantity.Volume // of all yards: what is to be dispensed
	Below    quantity.Volume // of what is mixed, what stays below the outlet of an empty tote
	Make     quantity.Volume // to mix: Need and Below, less what is there; 0: it is enough as it is
	State    mix.State       // of all of it together, with what is left in the tote
	Solids   quantity.Mass   // dry, in Need
	Yield    Yield

	Parts []Amount // all to weigh
	Loads []Load   // empty where the tote is not known, or nothing may be loaded
	Full  *Load    // a tote filled to the brim with it, whether that may be or not; nil: no tote is known
	// Most is to what the tote may be filled: what it holds or, Kept, what the
	// ratings that are known allow, with the interval of its mass.
	Most quantity.Volume
	Kept bool
	// Corrected: the first load is so made that with what is left it comes to
	// the recipe's Brix. Else what was left and what comes in blend as they are.
	Corrected bool
	// Drawn: what is left must be fed first, as the tote is full with it.
	Drawn bool

	Costs []Cost // of those parts that have a price, in order
}

// Weigh is the mass of all to weigh.
func (p *Plan) Weigh() mix.Micrograms { return weigh(p.Parts) }

// Make plans what was asked.
func Make(a Ask) (*Plan, error) {
	if err := a.Yield.check(); err != nil {
		return nil, err
	}
	if !(a.Bag >= 0 && a.Bag <= 2000) || a.Bag > 0 && a.Bag < 0.1 {
		return nil, &Error{"bag", "must be between 0.1 and 2000 kg", a.Bag}
	}
	fresh, err := a.Recipe.Mix(a.Temp, a.By)
	if err != nil {
		return nil, err
	}
	st, err := fresh.At(a.Temp, a.TempU)
	if err != nil {
		return nil, err
	}
	p := &Plan{State: st, Yield: a.Yield}
	if err := p.share(a.Yards, solidsIn(&st)); err != nil {
		return nil, err
	}
	held := quantity.Volume(0)
	if a.Left != nil {
		if a.Tote == nil {
			return nil, &Error{"left", "must stand beside a tote that is known", a.Left.Volume}
		}
		held = a.Left.Volume
	}
	if a.Tote != nil {
		if err := a.Tote.check(held); err != nil {
			return nil, err
		}
		p.Below = max(0, a.Tote.Unusable-held)
		p.Make = p.Need + a.Tote.Unusable - held
		if err := p.limit(&a); err != nil {
			return nil, err
		}
	} else {
		p.Make = p.Need
	}
	if p.Make <= 0 {
		p.Make = 0
		return p, p.together(&a)
	}
	if a.Tote != nil && p.Most > a.Tote.Unusable {
		err = p.load(&a, held)
	} else {
		p.Parts, err = a.parts(p.Make)
	}
	if err != nil {
		return nil, err
	}
	a.bag(p.Parts)
	if err := p.together(&a); err != nil {
		return nil, err
	}
	return p, p.cost(&a)
}

// solidsIn is the dry solids in a cubic metre, kg.
func solidsIn(st *mix.State) float64 { return float64(st.Density) * float64(st.Syrup.Solids) }

// together finds what all of it is, and with it the yards' solids.
func (p *Plan) together(a *Ask) error {
	all, err := batch(p.Parts, a.By)
	if err == nil && a.Left != nil {
		all, err = mix.Blend(all, a.Left.Batch)
	}
	if err != nil {
		return err
	}
	if p.State, err = all.At(a.Temp, a.TempU); err != nil {
		return err
	}
	solids := solidsIn(&p.State)
	for i := range p.Yards {
		p.Yards[i].Solids = quantity.Mass(p.Yards[i].Volume.CubicMetres() * solids)
	}
	p.Solids = quantity.Mass(p.Need.CubicMetres() * solids)
	return nil
}

func (t *Tote) check(held quantity.Volume) error {
	switch {
	case !(t.Holds >= quantity.Litre && t.Holds <= 1_000_000*quantity.Litre):
		return &Error{"tote", "must hold between 1 and 1000000 L", t.Holds}
	case t.Unusable < 0 || t.Unusable >= t.Holds:
		return &Error{"unusable", "must be less than what the tote holds", t.Unusable}
	case held < 0 || held.Litres() > 1.1*t.Holds.Litres():
		return &Error{"left", "must not be more than what the tote holds", held}
	}
	return nil
}

// share reckons what the yards take. solids is the dry solids in a cubic metre, kg.
func (p *Plan) share(yards []Yard, solids float64) error {
	if len(yards) == 0 {
		return &Error{"yards", "must be one or more", 0}
	}
	for _, y := range yards {
		switch {
		case y.Colonies < 1 || y.Colonies > mostColonies:
			return &Error{"colonies", "must be between 1 and 100000", y.Colonies}
		case (y.Each > 0) == (y.Stores > 0):
			return &Error{"each", "must be a volume of syrup, or a weight of stores, for each colony", y.Each}
		case y.Each > mostEach:
			return &Error{"each", "must be at most 200 L for a colony", y.Each}
		case !(y.Stores >= 0 && y.Stores <= mostStores):
			return &Error{"stores", "must be at most 100 kg for a colony", y.Stores}
		case y.Stores > 0 && solids <= 0:
			return &Error{"stores", "must be of a syrup with sugar in it", y.Stores}
		}
		if y.Stores > 0 {
			y.Each = quantity.VolumeOf(float64(y.Stores) / p.Yield.Usual / solids)
		}
		s := Share{Yard: y, Volume: quantity.Volume(y.Colonies) * y.Each}
		p.Yards = append(p.Yards, s)
		p.Need += s.Volume
		p.Colonies += y.Colonies
		if p.Need > 1_000_000*quantity.Litre {
			return &Error{"each", "must not come to more than 1000000 L of all yards", p.Need}
		}
	}
	return nil
}

// limit finds to what the tote may be filled, and what it would weigh full.
func (p *Plan) limit(a *Ask) error {
	t := a.Tote
	weighed := func(m float64) float64 { return a.By.Scale * m }
	full, err := a.weight(t.Holds, float64(p.State.Density), weighed)
	if err != nil {
		return err
	}
	p.Full = &Load{After: t.Holds, Brix: p.State.Syrup.Solids, Weights: full}
	p.Kept = len(full.Over) > 0
	p.Most, err = a.most(float64(p.State.Density), weighed)
	return err
}

// weight is what a volume of a density weighs in the tote; u gives the standard
// uncertainty of a mass, kg.
func (a *Ask) weight(v quantity.Volume, density float64, u func(float64) float64) (tote.Weights, error) {
	m := v.CubicMetres() * density
	return tote.Load(quantity.Mass(m), quantity.Mass(u(m)), a.Tote.Plate, a.Tote.Trailer)
}

// most is to what the tote may be filled by its ratings, with the interval of
// the mass: 0 where even the empty tote is too much, or nearly.
func (a *Ask) most(density float64, u func(float64) float64) (quantity.Volume, error) {
	lo, hi := quantity.Volume(0), a.Tote.Holds
	if w, err := a.weight(hi, density, u); err != nil || len(w.Over) == 0 {
		return hi, err
	}
	for hi-lo > quantity.Millilitre {
		mid := lo + (hi-lo)/2
		w, err := a.weight(mid, density, u)
		if err != nil {
			return 0, err
		}
		if len(w.Over) == 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo, nil
}

// load parts what is to be mixed into loads, as few as filling up each time allows.
func (p *Plan) load(a *Ask, held quantity.Volume) error {
	top, left, most := held, a.Left, p.Most
	if left != nil {
		var err error
		if most, err = a.most(float64(p.State.Density), left.with(a.By.Scale)); err != nil {
			return err
		}
		most = min(most, p.Most)
	}
	if top >= most {
		top, left, most, p.Drawn = a.Tote.Unusable, nil, p.Most, true
	}
	for rest := p.Make; rest > 0; top, left, most = a.Tote.Unusable, nil, p.Most {
		if len(p.Loads) == mostLoads {
			return &Error{"tote", "must not have to be filled more than 1000 times", a.Tote.Holds}
		}
		l := Load{Before: top, After: top + min(most-top, rest)}
		rest -= l.Rises()
		if err := p.fill(a, &l, left); err != nil {
			return err
		}
		p.Loads = append(p.Loads, l)
		for i, x := range l.Parts {
			if i == len(p.Parts) {
				p.Parts = append(p.Parts, Amount{Part: x.Part})
			}
			p.Parts[i].Weigh += x.Weigh
			p.Parts[i].Volume += x.Volume
		}
	}
	return nil
}

// with gives the standard uncertainty of a mass, kg, of which what is left is
// part and the rest was weighed.
func (l *Left) with(scale float64) func(float64) float64 {
	m, u := float64(l.Batch.Total().Mass()), 0.0
	if l.Volume > 0 {
		u = m * l.VolumeU.CubicMetres() / l.Volume.CubicMetres()
	}
	return func(all float64) float64 { return math.Hypot(scale*max(0, all-m), u) }
}

// fill finds what a load is made of, and what it then weighs.
func (p *Plan) fill(a *Ask, l *Load, left *Left) (err error) {
	var liquid, u float64 // kg
	if left != nil {
		l.Parts, err = a.correct(l, left.Batch)
		p.Corrected = l.Parts != nil
	}
	if l.Parts == nil && err == nil {
		l.Parts, err = a.parts(l.Rises())
	}
	if err != nil {
		return err
	}
	a.bag(l.Parts)
	put, err := batch(l.Parts, a.By)
	if err != nil {
		return err
	}
	liquid = float64(l.Weigh().Mass())
	l.Brix = put.Syrup().Solids
	if left != nil {
		sum, err := mix.Blend(put, left.Batch)
		if err != nil {
			return err
		}
		l.Brix = sum.Syrup().Solids
		liquid += float64(left.Batch.Total().Mass())
		u = left.with(a.By.Scale)(liquid)
	} else {
		liquid += l.Before.CubicMetres() * float64(p.State.Density)
		u = a.By.Scale * liquid
	}
	l.Weights, err = tote.Load(quantity.Mass(liquid), quantity.Mass(u), a.Tote.Plate, a.Tote.Trailer)
	return err
}

// parts returns what makes a volume of the recipe.
func (a *Ask) parts(v quantity.Volume) ([]Amount, error) {
	r, err := a.Recipe.ForVolume(v, a.Temp, a.By)
	if err != nil {
		return nil, err
	}
	return a.amounts(r.Parts)
}

// amounts are parts by mass in whole micrograms, and as volumes.
func (a *Ask) amounts(parts []mix.Part) (out []Amount, err error) {
	for _, p := range parts {
		x := Amount{Part: p}
		if x.Weigh, err = mix.MicrogramsOf("part", p.Mass); err != nil {
			return nil, err
		}
		if p.What != mix.DrySugar {
			s, err := p.Syrup.At(a.Temp)
			if err != nil {
				return nil, err
			}
			x.Volume = quantity.VolumeOf(float64(p.Mass) / float64(s.Density))
		}
		out = append(out, x)
	}
	return out, nil
}

// correct returns what brings what is left to the recipe's Brix and the load's
// volume; nil where no water could do so.
func (a *Ask) correct(l *Load, left mix.Batch) ([]Amount, error) {
	r, err := a.Recipe.ForVolume(l.After, a.Temp, a.By)
	if err != nil {
		return nil, err
	}
	whole, err := a.amounts(r.Parts)
	if err != nil {
		return nil, err
	}
	goal, err := batch(whole, a.By)
	if err != nil {
		return nil, err
	}
	at := -1
	var dry []Amount
	for i, x := range whole {
		if x.What == mix.PureWater {
			at = i
		} else {
			dry = append(dry, x)
		}
	}
	stuff, err := batch(dry, a.By)
	if err != nil {
		return nil, err
	}
	solids, total := float64(goal.Syrup().Solids), float64(goal.Total())
	d, e := float64(stuff.DrySolids()), float64(stuff.Water())
	if d == 0 {
		return nil, nil
	}
	var share, water float64
	for range 8 { // the blend's density hangs a little on its makeup
		share = (float64(total*solids) - float64(left.DrySolids())) / d
		water = float64(total*(1-solids)) - float64(left.Water()) - float64(share*e)
		if share < 0 || water < -1e-6*total || water > 0 && at < 0 {
			return nil, nil
		}
		blend := left
		for _, part := range dry {
			part.Weigh = mix.Micrograms(math.Round(share * float64(part.Weigh)))
			b, err := batch([]Amount{part}, a.By)
			if err != nil {
				return nil, err
			}
			if blend, err = mix.Blend(blend, b); err != nil {
				return nil, err
			}
		}
		w, err := mix.Water(mix.Micrograms(max(0, water)).Mass(), a.By)
		if err != nil {
			return nil, err
		}
		if blend, err = mix.Blend(blend, w); err != nil {
			return nil, err
		}
		st, err := blend.At(a.Temp, 0)
		if err != nil {
			return nil, err
		}
		total *= l.After.CubicMetres() / st.Volume.CubicMetres()
	}
	parts := r.Parts
	for i := range parts {
		f := share
		if i == at {
			f = max(0, water) / float64(whole[at].Weigh)
		} else if parts[i].What == mix.PureWater {
			f = 0 // said twice: the last has it all
		}
		parts[i].Mass *= quantity.Mass(f)
	}
	return a.amounts(parts)
}

// bag says how many whole bags the sugar is.
func (a *Ask) bag(parts []Amount) {
	size, err := mix.MicrogramsOf("bag", a.Bag)
	if err != nil || size == 0 {
		return
	}
	for i := range parts {
		if x := &parts[i]; x.What == mix.DrySugar {
			// A bag that is full but for a speck is a bag: weights are rounded.
			n := (x.Weigh + size/10_000) / size
			x.Bags, x.Rest = int(n), max(0, x.Weigh-n*size)
		}
	}
}

// batch is what parts make.
func batch(parts []Amount, by mix.Means) (mix.Batch, error) {
	var all []mix.Batch
	for _, x := range parts {
		var b mix.Batch
		var err error
		switch x.What {
		case mix.DrySugar:
			b, err = mix.Sugar(x.Weigh.Mass(), by)
		case mix.PureWater:
			b, err = mix.Water(x.Weigh.Mass(), by)
		default:
			b, err = mix.Syrup(x.Syrup, x.Weigh.Mass(), by)
		}
		if err != nil {
			return mix.Batch{}, err
		}
		all = append(all, b)
	}
	return mix.Blend(all...)
}
