// Package mix does the arithmetic of making syrup: recipes, thinning,
// thickening, blending and drawing from a batch.
//
// Masses add and volumes do not. So a batch is kept as masses, whole numbers
// of micrograms: whatever is mixed and split, in whatever order, not one of
// them is lost. Volumes and densities are worked out from the masses when asked for.
//
// What may be wrong is kept by cause (see Cause). Granulated sugar's own
// moisture is neglected: some 0.05 % of it, 0.02 Brix at 2:1 (common practice, no source).
//
// Errors are *Error, or a *syrup.RangeError where a density is asked for
// outside syrup's range.
package mix

import (
	"fmt"
	"math"
	"math/bits"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Error says what cannot be so: field, rule, value.
type Error struct {
	Field string // such as "water"
	Rule  string
	Value any
}

func (e *Error) Error() string { return fmt.Sprintf("%s: %s, is %v", e.Field, e.Rule, e.Value) }

// Micrograms is a mass in whole micrograms, so that sums are exact. A pound is
// 453,592,370 of them, exactly.
type Micrograms int64

const microgramsPerKg = 1_000_000_000

// Most is the most a batch may be: a thousand tonnes.
const Most Micrograms = 1_000_000 * microgramsPerKg

// MicrogramsOf returns m rounded to the microgram. It must be 0 to Most; field
// names it in the error.
func MicrogramsOf(field string, m quantity.Mass) (Micrograms, error) {
	n := math.Round(float64(m) * microgramsPerKg)
	if !(n >= 0 && n <= float64(Most)) {
		return 0, &Error{field, "must be between 0 and 1000000 kg", m}
	}
	return Micrograms(n), nil
}

// Mass returns m in kg.
func (m Micrograms) Mass() quantity.Mass { return quantity.Mass(float64(m) / microgramsPerKg) }

// String returns m in kg with as many digits as it needs: "453.59237 kg".
func (m Micrograms) String() string { return m.Mass().String() }

const kinds = int(syrup.HFCS55) + 1

// Cause is a cause of uncertainty. All errors of one cause are taken for one
// and the same error, in every batch (the same scale, the same refractometer),
// so they add as they are; different causes are independent and add in
// squares. That never makes too little of the error of a sum.
type Cause uint8

// The causes.
const (
	SugarWeight    Cause = iota // the scale, or the bag's label
	SugarBulk                   // the bulk density of sugar measured by volume
	WaterWeight                 // the scale
	WaterMeasure                // the marks of the bucket or drum
	SyrupWeight                 // of corn syrup or other syrup put in: the scale
	SyrupMeasure                // of the same: the marks of the bucket or drum
	SoldSolids                  // how thick corn syrup is when sold
	BrixReading                 // of a batch that was measured
	VolumeReading               // of the same
	Thermometer                 // of the same
	DensityFormula              // of package syrup
	DrawnVolume                 // of what was drawn from a batch
	causes         = int(DrawnVolume) + 1
)

var causeNames = [causes]string{"weight of sugar", "bulk density of sugar", "weight of water", "measure of water",
	"weight of syrup", "measure of syrup", "solids as sold", "Brix reading", "volume reading", "temperature", "density formula", "volume drawn"}

// String returns the cause's name, such as "weight of sugar".
func (c Cause) String() string {
	if int(c) >= causes {
		return fmt.Sprintf("cause(%d)", uint8(c))
	}
	return causeNames[c]
}

// slip is by how much a batch's masses are off, in kg, for one standard
// uncertainty of a cause. Signs matter: they tell what makes up for what.
type slip struct{ solids, water float64 }

// Batch is an amount of syrup, sugar or water, as the masses it is made of. Its
// zero value is nothing at all. Batches are values.
type Batch struct {
	solids [kinds]Micrograms // by syrup.Kind
	water  Micrograms
	slips  [causes]slip
}

// Of returns the mass of dry solids of kind k.
func (b Batch) Of(k syrup.Kind) Micrograms {
	if int(k) >= kinds {
		return 0
	}
	return b.solids[k]
}

// Water returns the mass of water.
func (b Batch) Water() Micrograms { return b.water }

// DrySolids returns the mass of all dry solids.
func (b Batch) DrySolids() Micrograms {
	var sum Micrograms
	for _, m := range b.solids {
		sum += m
	}
	return sum
}

// Total returns the mass of all of it.
func (b Batch) Total() Micrograms { return b.DrySolids() + b.water }

// SameMasses reports whether a and b hold the very same masses. (== compares
// their uncertainties too, which are floating-point numbers.)
func (b Batch) SameMasses(a Batch) bool { return b.solids == a.solids && b.water == a.water }

// Syrup returns what the batch is, as package syrup knows it. Of nothing it is
// the zero Syrup, which is water.
func (b Batch) Syrup() syrup.Syrup {
	total := b.Total()
	if total == 0 {
		return syrup.Syrup{}
	}
	var makeup syrup.Makeup
	var sum Micrograms
	for k, m := range b.solids {
		makeup = syrup.Blend(makeup, sum.Mass(), syrup.Only(syrup.Kind(k)), m.Mass())
		sum += m
	}
	return syrup.Syrup{Makeup: makeup, Solids: quantity.Solids(float64(sum) / float64(total))}
}

// Blend puts batches together. Masses of every kind add exactly, so order does
// not matter.
func Blend(batches ...Batch) (Batch, error) {
	var sum Batch
	for _, b := range batches {
		for k, m := range b.solids {
			sum.solids[k] += m
		}
		sum.water += b.water
		for c, s := range b.slips {
			sum.slips[c].solids += s.solids
			sum.slips[c].water += s.water
		}
		if t := sum.Total(); t > Most {
			return Batch{}, &Error{"blend", "must not be more than 1000000 kg", t}
		}
	}
	return sum, nil
}

// Draw takes a volume, measured at t with the standard uncertainty u, out of
// the batch. What is drawn and what is left are together exactly the batch.
func (b Batch) Draw(v, u quantity.Volume, t quantity.Temperature) (drawn, left Batch, err error) {
	now, err := b.at(t, 0)
	if err != nil {
		return Batch{}, Batch{}, err
	}
	switch {
	case v < 0 || v > now.Volume:
		return Batch{}, Batch{}, &Error{"volume drawn", fmt.Sprintf("must be between 0 and what there is (%v)", now.Volume), v}
	case u < 0:
		return Batch{}, Batch{}, &Error{"uncertainty of the volume drawn", "must not be negative", u}
	case v == 0:
		return Batch{}, b, nil
	}
	drawn = b.part(uint64(v), uint64(now.Volume))
	// What is drawn is off where the batch is thicker or thinner than
	// thought, not where there is more or less of it.
	f := v.CubicMetres() / now.Volume.CubicMetres()
	s, w := float64(b.DrySolids().Mass()), float64(b.water.Mass())
	for c := range causes {
		e := b.slips[c]
		lnV := now.lnVolume[c]
		drawn.slips[c] = slip{f * (e.solids - float64(s*lnV)), f * (e.water - float64(w*lnV))}
	}
	drawn.slips[DrawnVolume].solids += s * u.CubicMetres() / now.Volume.CubicMetres()
	drawn.slips[DrawnVolume].water += w * u.CubicMetres() / now.Volume.CubicMetres()
	return drawn, b.less(drawn), nil
}

// DrawMass takes a mass out of the batch, as a scale under the tote shows it;
// it is taken as exact.
func (b Batch) DrawMass(m quantity.Mass) (drawn, left Batch, err error) {
	n, err := MicrogramsOf("mass drawn", m)
	if err != nil {
		return Batch{}, Batch{}, err
	}
	total := b.Total()
	if n > total {
		return Batch{}, Batch{}, &Error{"mass drawn", fmt.Sprintf("must not be more than there is (%v)", total), m}
	}
	if n == 0 {
		return Batch{}, b, nil
	}
	drawn = b.part(uint64(n), uint64(total))
	f := float64(n) / float64(total)
	s, w := float64(b.DrySolids().Mass()), float64(b.water.Mass())
	for c, e := range b.slips {
		lnM := (e.solids + e.water) / float64(total.Mass())
		drawn.slips[c] = slip{f * (e.solids - float64(s*lnM)), f * (e.water - float64(w*lnM))}
	}
	return drawn, b.less(drawn), nil
}

// part returns the masses of n/of of the batch, each rounded to the microgram,
// without slips. n must not exceed of.
func (b Batch) part(n, of uint64) Batch {
	share := func(m Micrograms) Micrograms {
		hi, lo := bits.Mul64(uint64(m), n)
		lo, carry := bits.Add64(lo, of/2, 0)
		q, _ := bits.Div64(hi+carry, lo, of) // hi < of, for n <= of and m < 2^63
		return Micrograms(q)
	}
	p := Batch{water: share(b.water)}
	for k, m := range b.solids {
		p.solids[k] = share(m)
	}
	return p
}

// less returns the batch without a part of it.
func (b Batch) less(p Batch) Batch {
	b.water -= p.water
	for k, m := range p.solids {
		b.solids[k] -= m
	}
	for c, s := range p.slips {
		b.slips[c].solids -= s.solids
		b.slips[c].water -= s.water
	}
	return b
}
