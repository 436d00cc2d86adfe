package mix

import (
	"math"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Change is what it takes to bring a batch to a target, and what comes of it,
// all at one temperature.
type Change struct {
	Add           Batch           // what to put in
	AddU          quantity.Mass   // standard uncertainty of how much, from how well the batch is known
	AddVolume     quantity.Volume // of what is put in; 0 for dry sugar, which has none until it is dissolved
	Result        Batch
	Before, After State

	// Shrinks is by how much Before.Volume and AddVolume together are more than
	// After.Volume: volumes do not add. For dry sugar it is negative: by how
	// much the sugar raises the volume.
	Shrinks quantity.Volume
}

// Thin returns how much water, measured at t, brings b down to the target. A
// target thicker than b is refused.
func Thin(b Batch, target quantity.Solids, t quantity.Temperature, by Means) (Change, error) {
	if err := by.check(); err != nil {
		return Change{}, err
	}
	if x := b.Syrup().Solids; !(target > 0 && target <= x) {
		return Change{}, &Error{"target", "must be above 0 and not thicker than the batch (" + percent(x) + "); water only thins", target}
	}
	w := Batch{water: microgramsPerKg}
	w.slips[WaterMeasure].water = by.Measure
	return Bring(b, w, target, t)
}

// Thicken returns how much dry sugar brings b up to the target. A target
// thinner than b is refused.
func Thicken(b Batch, target quantity.Solids, t quantity.Temperature, by Means) (Change, error) {
	if err := by.check(); err != nil {
		return Change{}, err
	}
	if x := b.Syrup().Solids; !(target >= x && target <= syrup.MaxSolids) {
		return Change{}, &Error{"target", "must not be thinner than the batch (" + percent(x) + ") nor above 77 %; sugar only thickens", target}
	}
	return Bring(b, sugar(microgramsPerKg, by.Scale), target, t)
}

func percent(s quantity.Solids) string {
	return quantity.Solids(math.Round(float64(s)*1e4) / 1e4).String()
}

// Bring returns how much of with (any amount of it, only what it is made of
// matters) brings b to the target.
func Bring(b, with Batch, target quantity.Solids, t quantity.Temperature) (Change, error) {
	before, err := b.At(t, 0)
	if err != nil {
		return Change{}, err
	}
	if with.Total() == 0 {
		return Change{}, &Error{"what is put in", "must not be nothing", with.Total()}
	}
	from, to, x := float64(before.Syrup.Solids), float64(with.Syrup().Solids), float64(target)
	total := float64(b.Total())
	missing := float64(x*total) - float64(b.DrySolids()) // of solids, at the total of b
	if !(from <= x && x < to || to < x && x <= from) {
		return Change{}, &Error{"target", "must lie between the batch (" + percent(quantity.Solids(from)) + ") and what is put in (" + percent(quantity.Solids(to)) + ")", target}
	}
	n := math.Round(missing / (to - x))
	if !(n <= float64(Most)) {
		return Change{}, &Error{"what is put in", "must not be more than 1000000 kg", quantity.Mass(n / microgramsPerKg)}
	}
	c := Change{Before: before, Add: with.times(Micrograms(max(n, 0)))}
	u2 := 0.0
	for _, e := range b.slips {
		du := (float64(x*(e.solids+e.water)) - e.solids) / (to - x)
		u2 += float64(du * du)
	}
	c.AddU = quantity.Mass(math.Sqrt(u2))
	if c.Result, err = Blend(b, c.Add); err != nil {
		return Change{}, err
	}
	if c.After, err = c.Result.At(t, 0); err != nil {
		return Change{}, err
	}
	if quantity.Solids(to) <= syrup.MaxSolids {
		add, err := c.Add.At(t, 0)
		if err != nil {
			return Change{}, err
		}
		c.AddVolume = add.Volume
	}
	c.Shrinks = c.Before.Volume + c.AddVolume - c.After.Volume
	return c, nil
}

// times returns so many micrograms of what b is, with b's relative errors. b
// must not be empty.
func (b Batch) times(n Micrograms) Batch {
	total := b.Total()
	p := b.part(uint64(n), uint64(total))
	f := float64(n) / float64(total)
	for c, e := range b.slips {
		p.slips[c] = slip{f * e.solids, f * e.water}
	}
	return p
}

// Blended is what comes of batches put together, at one temperature.
type Blended struct {
	Batch Batch
	State State
	// Shrinks is by how much the volumes of the batches at that temperature add
	// up to more than State.Volume; negative if to less.
	Shrinks quantity.Volume
}

// BlendAt is Blend with a look at volumes, at temperature t known to tempU (K).
// The batches must be liquid.
func BlendAt(t, tempU quantity.Temperature, batches ...Batch) (Blended, error) {
	sum, err := Blend(batches...)
	if err != nil {
		return Blended{}, err
	}
	out := Blended{Batch: sum}
	for _, b := range batches {
		s, err := b.At(t, tempU)
		if err != nil {
			return Blended{}, err
		}
		out.Shrinks += s.Volume
	}
	if out.State, err = sum.At(t, tempU); err != nil {
		return Blended{}, err
	}
	out.Shrinks -= out.State.Volume
	return out, nil
}
