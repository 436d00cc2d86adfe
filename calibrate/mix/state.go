package mix

import (
	"math"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Share is what one cause does to a batch, as standard uncertainties with
// their signs.
type Share struct {
	Cause    Cause
	Solids   quantity.Solids // of the mass fraction
	VolumeRU float64         // of the volume, relative
}

// State is what a batch is at one temperature.
type State struct {
	Temp    quantity.Temperature
	Syrup   syrup.Syrup
	Density quantity.Density
	Volume  quantity.Volume
	Mark    syrup.Mark // whether data support the density

	// standard uncertainties
	SolidsU  quantity.Solids
	DensityU quantity.Density
	VolumeU  quantity.Volume

	Crystals Crystals

	lnVolume, solids [causes]float64 // shifts for one standard uncertainty of each cause
}

// At returns what the batch is at temperature t, which is known to tempU, a
// standard uncertainty in K (0 or more).
func (b Batch) At(t, tempU quantity.Temperature) (State, error) {
	st, err := b.at(t, tempU)
	if err != nil || b.Total() == 0 {
		return st, err
	}
	if st.Crystals, err = crystals(b, st.Syrup, t); err != nil {
		return State{}, err
	}
	return st, nil
}

// Volume returns the batch's volume at temperature t and its standard
// uncertainty, as At does; errors are the same.
func (b Batch) Volume(t, tempU quantity.Temperature) (v, u quantity.Volume, err error) {
	st, err := b.at(t, tempU)
	return st.Volume, st.VolumeU, err
}

// at is At but for the crystals.
func (b Batch) at(t, tempU quantity.Temperature) (State, error) {
	if !(tempU >= 0 && tempU <= 50) {
		return State{}, &Error{"uncertainty of the temperature", "must be between 0 and 50 K", float64(tempU)}
	}
	s := b.Syrup()
	if s.Solids > syrup.MaxSolids && s.Solids < syrup.MaxSolids+1e-6 {
		s.Solids = syrup.MaxSolids // HFCS-55 as sold, its masses rounded
	}
	if s.Solids > syrup.MaxSolids {
		return State{}, &Error{"sugar", "must be at most 77 % of the whole: more than that stays undissolved", s.Solids}
	}
	p, err := s.At(t)
	if err != nil {
		return State{}, err
	}
	st := State{Temp: t, Syrup: s, Density: p.Density, Mark: p.Mark}
	mass := float64(b.Total().Mass())
	if mass == 0 {
		return st, nil
	}
	st.Volume = quantity.VolumeOf(mass / float64(p.Density))
	x := float64(s.Solids)
	var solids2, volume2, density2 float64
	for c, e := range b.slips {
		dx := (float64(e.solids*(1-x)) - float64(e.water*x)) / mass
		lnDensity := float64(p.DensityPerSolids * dx)
		switch Cause(c) {
		case Thermometer:
			lnDensity += float64(p.DensityPerKelvin * float64(tempU))
		case DensityFormula:
			lnDensity += p.DensityU
		}
		lnV := (e.solids+e.water)/mass - lnDensity
		st.solids[c], st.lnVolume[c] = dx, lnV
		solids2 += float64(dx * dx)
		volume2 += float64(lnV * lnV)
		density2 += float64(lnDensity * lnDensity)
	}
	st.SolidsU = quantity.Solids(math.Sqrt(solids2))
	st.DensityU = p.Density * quantity.Density(math.Sqrt(density2))
	st.VolumeU = quantity.VolumeOf(st.Volume.CubicMetres() * math.Sqrt(volume2))
	return st, nil
}

// Shares returns what makes the uncertainty, cause by cause, those that do anything.
func (s State) Shares() []Share {
	var out []Share
	for c := range causes {
		if s.solids[c] != 0 || s.lnVolume[c] != 0 {
			out = append(out, Share{Cause(c), quantity.Solids(s.solids[c]), s.lnVolume[c]})
		}
	}
	return out
}

// SolidsU returns the standard uncertainty of the solids, a mass fraction, of any
// batch, also of one that is too thick to be syrup.
func (b Batch) SolidsU() quantity.Solids {
	mass := float64(b.Total().Mass())
	if mass == 0 {
		return 0
	}
	x, sum := float64(b.DrySolids())/float64(b.Total()), 0.0
	for _, e := range b.slips {
		dx := (float64(e.solids*(1-x)) - float64(e.water*x)) / mass
		sum += float64(dx * dx)
	}
	return quantity.Solids(math.Sqrt(sum))
}

// VolumePerKg returns how much syrup a kilogram of dry solids makes; 0 where there are none.
func (s State) VolumePerKg() quantity.Volume {
	if s.Syrup.Solids == 0 {
		return 0
	}
	return quantity.VolumeOf(1 / (float64(s.Density) * float64(s.Syrup.Solids)))
}

// Crystals says whether water holds the sugar of a batch.
type Crystals struct {
	// Can: at this temperature it can drop crystals, or is so near that it is
	// better to say so. Of blends, of which no figure is known, the sucrose
	// alone in all of the water is judged.
	Can bool
	// Below is where it is just saturated, -5 to 60 °C; colder, it can drop
	// crystals. HasBelow: it is known, and in that range.
	Below    quantity.Temperature
	HasBelow bool
	Known    bool   // a figure is known for this makeup
	Note     string // what package syrup knows besides; may be ""
}

func crystals(b Batch, s syrup.Syrup, t quantity.Temperature) (Crystals, error) {
	l, err := s.Saturation(t)
	if err != nil {
		return Crystals{}, err
	}
	c := Crystals{Can: l.CanCrystallize, Known: l.Known, Note: l.Note}
	if sucrose := b.solids[syrup.Sucrose]; !l.Known && sucrose > 0 {
		holds, err := syrup.Saturation(t)
		if err != nil {
			return Crystals{}, err
		}
		c.Can = c.Can || float64(sucrose)/float64(sucrose+b.water) >= float64(holds-syrup.SaturationMisfit)
	}
	if !l.Known {
		return c, nil
	}
	// In the range of both, so no errors.
	holds := func(t quantity.Temperature) quantity.Solids { l, _ := s.Saturation(t); return l.Solids }
	lo, hi := syrup.MinTemperature, syrup.MaxSaturation
	if s.Solids <= holds(lo) || s.Solids > holds(hi) {
		return c, nil
	}
	for range 50 {
		if mid := (lo + hi) / 2; holds(mid) < s.Solids {
			lo = mid
		} else {
			hi = mid
		}
	}
	c.Below, c.HasBelow = hi, true
	return c, nil
}

// Cautions are what everyone should know who makes syrup.
var Cautions = []string{
	"Hot water scalds, and hot syrup sticks: warm, not boiling, and lids on.",
	"Never boil syrup: heat makes HMF, which harms bees. Keep it out of the sun.",
	"Add no acid, no vinegar, no lemon, no cream of tartar: acid makes HMF too.",
}

// Note returns the caution about crystals in a sentence, or "" if there is none.
func (s State) Note(sys quantity.System) string {
	switch c := s.Crystals; {
	case c.Can && c.HasBelow:
		return "Can drop crystals: water holds this much sugar only above " + sys.Temperature(c.Below) + "."
	case c.Can:
		return "Can drop crystals at this temperature."
	case c.HasBelow:
		return "Can drop crystals when colder than " + sys.Temperature(c.Below) + "."
	case !c.Known && s.Syrup.Solids > 0.6:
		return "Crystals: " + c.Note + "."
	}
	return ""
}
