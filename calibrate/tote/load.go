package tote

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
)

// Plate is what the tote's own plate says. 0: not read yet.
type Plate struct {
	Empty quantity.Mass // tare; 0: 60 kg are reckoned with (a 275 gal caged tote: 54 to 66 kg, suppliers' size guides, read)
	Gross quantity.Mass // greatest gross mass it may have
}

// Trailer is what the trailer's plate says. 0: not known.
type Trailer struct {
	Empty     quantity.Mass // trailer alone
	Other     quantity.Mass // pump, hose, tools and whatever else rides along
	Gross     quantity.Mass // greatest gross mass
	Axles     quantity.Mass // what all its axles together may carry
	Tongue    quantity.Mass // what coupling and hitch may carry, the lesser of the two
	OnTongue  float64       // part of the whole that rests on the tongue; 0: 10 to 15 % (usual practice, from memory)
	Described bool          // there is a trailer at all
}

const (
	usualEmpty      = 60 * quantity.Kilogram
	usualEmptyU     = 6 * quantity.Kilogram
	usualTongueLow  = 0.10
	usualTongueHigh = 0.15
)

// Rating is a limit of mass.
type Rating uint8

// The ratings.
const (
	TotePlate Rating = iota
	TrailerGross
	TrailerAxles
	TrailerTongue
)

// String returns "tote's plate", "trailer's gross rating", "axle rating" or
// "tongue rating".
func (r Rating) String() string {
	return [...]string{"tote's plate", "trailer's gross rating", "axle rating", "tongue rating"}[min(r, TrailerTongue)]
}

// Over says how a mass stands to a rating that it exceeds or may exceed.
type Over struct {
	Rating      Rating
	Mass, Limit quantity.Mass
	MayBe       bool // not by the estimate itself, but within its 95 % interval
}

// Weights is what a load weighs, and what it is too heavy for.
type Weights struct {
	Liquid  quantity.Mass
	Tote    quantity.Mass // liquid and tote
	U       quantity.Mass // standard uncertainty of Liquid and of Tote
	Trailer quantity.Mass // all that rolls; 0 where no trailer is described
	Axles   quantity.Mass // the most that rests on its axles
	Tongue  quantity.Mass // the most that rests on its tongue
	Over    []Over
	Missing []Rating // ratings that nobody has entered yet
	// Room is how much liquid still fits by all ratings that are known, below 0
	// where it is too much; it has no meaning where HasRoom is false.
	Room    quantity.Mass
	HasRoom bool
}

// Load returns what a tote of liquid weighs on its trailer. u is the standard
// uncertainty of the liquid's mass. A mass below 0 or that is no number is an
// *Error; so are such ratings.
func Load(liquid, u quantity.Mass, p Plate, t Trailer) (Weights, error) {
	for _, f := range []struct {
		field string
		v     quantity.Mass
	}{{"liquid", liquid}, {"liquid_u", u}, {"plate.empty", p.Empty}, {"plate.gross", p.Gross}, {"trailer.empty", t.Empty},
		{"trailer.other", t.Other}, {"trailer.gross", t.Gross}, {"trailer.axles", t.Axles}, {"trailer.tongue", t.Tongue}} {
		if !(f.v >= 0 && f.v <= 1e6) {
			return Weights{}, &Error{f.field, "must be between 0 and 1000000 kg", f.v}
		}
	}
	if !(t.OnTongue >= 0 && t.OnTongue <= 0.5) {
		return Weights{}, &Error{"trailer.on_tongue", "must be between 0 and 0.5", t.OnTongue}
	}
	w := Weights{Liquid: liquid, U: u}
	empty := p.Empty
	if empty == 0 {
		empty = usualEmpty
		w.U = quantity.Mass(math.Hypot(float64(u), float64(usualEmptyU)))
	}
	w.Tote = liquid + empty
	// Each rating bears share times the liquid, and what is there without it.
	judge := func(r Rating, share float64, without, limit quantity.Mass) quantity.Mass {
		m := without + quantity.Mass(float64(liquid)*share)
		if limit == 0 {
			w.Missing = append(w.Missing, r)
			return m
		}
		if room := (limit - m) / quantity.Mass(share); !w.HasRoom || room < w.Room {
			w.Room, w.HasRoom = room, true
		}
		if m > limit {
			w.Over = append(w.Over, Over{r, m, limit, false})
		} else if m+quantity.Mass(Wide*share)*w.U > limit {
			w.Over = append(w.Over, Over{r, m, limit, true})
		}
		return m
	}
	judge(TotePlate, 1, empty, p.Gross)
	if t.Described {
		without := empty + t.Empty + t.Other
		low, high := t.OnTongue, t.OnTongue
		if t.OnTongue == 0 {
			low, high = usualTongueLow, usualTongueHigh
		}
		w.Trailer = judge(TrailerGross, 1, without, t.Gross)
		w.Axles = judge(TrailerAxles, 1-low, without*quantity.Mass(1-low), t.Axles)
		w.Tongue = judge(TrailerTongue, high, without*quantity.Mass(high), t.Tongue)
	}
	return w, nil
}

// Defer is what stands under every statement about a load.
const Defer = "This is reckoned from a level, not weighed. The plates of tote, trailer, coupling and vehicle hold, and a weighbridge; " +
	"whether the load may go on the road is for the law where you drive and for those licensed to judge it."

// Words returns the warnings as sentences, the worst first, none if there is
// nothing to say; where there is any, Defer is the last.
func (w Weights) Words(s quantity.System) []string {
	var out []string
	for _, o := range w.Over {
		if !o.MayBe {
			out = append(out, fmt.Sprintf("%s: %s, and it allows %s: %s too much.",
				title(o.Rating), s.Mass(o.Mass), s.Mass(o.Limit), s.Mass(o.Mass-o.Limit)))
		}
	}
	for _, o := range w.Over {
		if o.MayBe {
			out = append(out, fmt.Sprintf("%s: about %s, and it allows %s: too close to say that it is not too much.",
				title(o.Rating), s.Mass(o.Mass), s.Mass(o.Limit)))
		}
	}
	for _, r := range w.Missing {
		out = append(out, fmt.Sprintf("%s: not entered yet. Read it before you fill or drive.", title(r)))
	}
	if out != nil {
		out = append(out, Defer)
	}
	return out
}

func title(r Rating) string {
	return [...]string{"The tote's plate", "The trailer's gross rating", "The axle rating", "The tongue rating"}[min(r, TrailerTongue)]
}
