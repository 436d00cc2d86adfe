package tote

import (
	"math"

	"yardtally/calibrate/quantity"
)

// wide makes a 95 % interval of a standard uncertainty (JCGM 100 G.1.3, memory).
const wide = 1.96

// Holding is what is known of the tote's content.
type Holding struct {
	Usable, U         quantity.Volume // above the outlet at the last reading that counts, and its standard uncertainty
	Metered, MeteredU quantity.Volume // through the meter since that reading
	Density           quantity.Density
	DensityRelU       float64 // relative standard uncertainty
	Solids            quantity.Solids
	SolidsU           float64 // standard uncertainty of Solids, a fraction
}

// Need is what is still to be fed.
type Need struct {
	Colonies int             // still to be fed
	Each     quantity.Volume // to each
	Scatter  float64         // relative standard deviation of one colony's feed about Each
}

// Enough answers whether the tote will do.
type Enough uint8

// The answers.
const (
	Close Enough = iota // cannot be told: the margin's 95 % interval holds zero
	Yes                 // the interval is above zero
	No                  // it is below
)

// String says it for people.
func (e Enough) String() string {
	return [...]string{"close", "enough", "not enough"}[min(e, No)]
}

// Outlook is what is left and how far it goes. Each Within is half a 95 % interval.
type Outlook struct {
	Volume, Within       quantity.Volume // usable now; not below 0
	Solids, SolidsWithin quantity.Mass   // dissolved, of it
	Colonies             int             // can still be fed, by the best estimate
	ColoniesSure         int             // can still be fed even at the interval's lower end
	Margin, MarginWithin quantity.Volume // left when all are fed; negative: lacking
	Enough               Enough
	Chance               float64 // that it is enough, 0 to 1: normal probability
}

// mostColonies bounds a count of what is nearly nothing each.
const mostColonies = 1_000_000

// Left tells what is left, and whether it is enough. A Need of nothing is met
// by any content, and no colonies are counted where Each is not above 0.
func Left(h Holding, n Need) Outlook {
	now := float64(h.Usable) - float64(h.Metered)
	uu := square(float64(h.U)) + square(float64(h.MeteredU))
	each, count := max(0, float64(n.Each)), float64(max(0, n.Colonies))
	o := Outlook{Volume: nanolitres(max(0, now)), Within: nanolitres(wide * math.Sqrt(uu))}
	cubic, u := max(0, now)/float64(quantity.CubicMetre), math.Sqrt(uu)/float64(quantity.CubicMetre)
	rho, w := float64(h.Density), float64(h.Solids)
	o.Solids = quantity.Mass(cubic * rho * w)
	o.SolidsWithin = quantity.Mass(wide * rho * math.Sqrt(square(u*w)+square(cubic*h.SolidsU)+square(cubic*w*h.DensityRelU)))
	if each > 0 {
		o.Colonies = int(min(mostColonies, max(0, now)/each))
		o.ColoniesSure = int(min(mostColonies, max(0, now-wide*math.Sqrt(uu))/each))
	}
	margin := now - each*count
	mu := math.Sqrt(uu + square(each*n.Scatter)*count)
	o.Margin, o.MarginWithin = nanolitres(margin), nanolitres(wide*mu)
	switch {
	case each*count == 0:
		o.Enough, o.Chance = Yes, 1
		return o
	case margin > wide*mu:
		o.Enough = Yes
	case margin < -wide*mu:
		o.Enough = No
	}
	switch {
	case mu > 0:
		o.Chance = normal(margin / mu)
	case margin >= 0:
		o.Enough, o.Chance = Yes, 1
	}
	return o
}

// normal returns the standard normal distribution's probability below z.
func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

func square(x float64) float64 { return float64(x * x) } // rounded: no fused sums

// nanolitres returns n as a volume, held at the type's limits.
func nanolitres(n float64) quantity.Volume {
	return quantity.VolumeOf(n / float64(quantity.CubicMetre))
}
