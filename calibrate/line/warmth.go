package line

import (
	"math"
	"time"

	"yardtally/calibrate/quantity"
)

// Warmth is how warm the rig's own parts are: pump and meter together, and the hose from meter to
// nozzle with what is in it. A drive in the cold cools them, syrup from the tote warms them again.
type Warmth struct {
	Body quantity.Temperature
	Hose [Cells]quantity.Temperature
}

// The constants of warmth are judgement, from these sizes: a metre of 3/4-inch hose of thick syrup
// holds 1.06 kJ/K of syrup (0.285 L, 1330 kg/m³, 2.8 kJ/kg K) and 0.8 of rubber; its outside, 0.09 m²,
// gives 10 W/m²K to still air and three times that on the road, a reel shelters most of its turns.
const (
	hoseCools = 40 * time.Minute // to 1/e of its difference from the air
	bodyCools = 60 * time.Minute // some 15 kg of metal and syrup, in the open
	// wall: the hose's inner half warms with the syrup, so that warmth moves on by this much less than syrup.
	wall = 1.4
	// taken is which part of the difference between tote and body the syrup takes on in passing.
	taken = 0.25
	// held is what the body holds, in litres of syrup: 15 kg of metal at 0.5 kJ/K by 3.7 kJ/K L.
	held = 2.0
)

// AllAt returns a rig that is all of one temperature.
func AllAt(t quantity.Temperature) Warmth {
	w := Warmth{Body: t}
	for i := range w.Hose {
		w.Hose[i] = t
	}
	return w
}

// Cool returns the warmth after a while without flow in air of this temperature. A span below 0
// changes nothing.
func (w Warmth) Cool(span time.Duration, air quantity.Temperature) Warmth {
	span = max(0, span)
	left := func(within time.Duration) quantity.Temperature {
		return quantity.Temperature(math.Exp(-span.Seconds() / within.Seconds()))
	}
	w.Body = air + (w.Body-air)*left(bodyCools)
	hose := left(hoseCools)
	for i, t := range w.Hose {
		w.Hose[i] = air + (t-air)*hose
	}
	return w
}

// past returns how warm syrup from the tote is once it is past pump and meter.
func (w Warmth) past(tote quantity.Temperature) quantity.Temperature {
	return tote + (w.Body-tote)*taken
}

// Pass returns the warmth after a volume from a tote of this temperature went into a hose that
// holds so much. Nothing passes where either volume is not above 0.
func (w Warmth) Pass(v quantity.Volume, tote quantity.Temperature, hose quantity.Volume) Warmth {
	if !(v > 0 && hose > 0) {
		return w
	}
	cells := min(Cells*v.Litres()/hose.Litres()/wall, 20*Cells) // more has long passed all of it
	litres := cells * hose.Litres() * wall / Cells
	// Steps of half a cell, and less than the body's own warming.
	steps := max(1, math.Ceil(max(2*cells, 4*litres*taken/held)))
	move, warm := quantity.Temperature(cells/steps), quantity.Temperature(math.Exp(-litres/steps*taken/held))
	for range int(min(steps, 4096)) {
		in := w.past(tote)
		for i := Cells - 1; i > 0; i-- {
			w.Hose[i] += move * (w.Hose[i-1] - w.Hose[i])
		}
		w.Hose[0] += move * (in - w.Hose[0])
		w.Body = tote + (w.Body-tote)*warm
	}
	return w
}
