package mix

import (
	"math"

	"yardtally/calibrate/quantity"
)

// Read returns the batch as a reading of its solids has it, of standard
// uncertainty u: the solids as they are, to the microgram, with as much water as
// makes them that part of the whole. What was not known of the water is no
// longer of matter; what was not known of the solids goes on in both.
func (b Batch) Read(x, u quantity.Solids) (Batch, error) {
	s := b.DrySolids()
	switch {
	case !(u >= 0 && u <= 1):
		return Batch{}, &Error{"uncertainty of a reading", "must be between 0 and 1", float64(u)}
	case s == 0:
		return Batch{}, &Error{"solids", "must be in it for a reading to say how much water is", s}
	case !(x > 0 && x <= 1):
		return Batch{}, &Error{"reading", "must be above 0 and at most 100 %", x}
	}
	water := math.Round(float64(s) * (1 - float64(x)) / float64(x))
	if !(water <= float64(Most-s)) {
		return Batch{}, &Error{"reading", "must not tell of more than 1000000 kg", x}
	}
	b.water = Micrograms(water)
	perSolids := (1 - float64(x)) / float64(x)
	for c := range b.slips {
		b.slips[c].water = b.slips[c].solids * perSolids
	}
	b.slips[BrixReading].water -= float64(s.Mass()) * float64(u) / float64(x*x)
	return b, nil
}
