package tote_test

import (
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/meter/tote"
)

// Is what is left enough for 18 colonies that get a gallon each?
func ExampleLeft() {
	const gal = quantity.USGallon
	o := tote.Left(tote.Holding{Usable: 60 * gal, U: 3 * gal / 2, Metered: 40 * gal}, tote.Need{Colonies: 18, Each: gal, Scatter: 0.05})
	fmt.Printf("%s left for %d colonies, surely for %d: chance %.2f\n", quantity.US.Volume(o.Volume), o.Colonies, o.ColoniesSure, o.Chance)
	// Output:
	// 20.0 gal left for 20 colonies, surely for 17: chance 0.91
}
