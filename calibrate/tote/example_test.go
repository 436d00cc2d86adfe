package tote_test

import (
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
)

// A table read off a dipstick, and a level between two of its lines.
func ExampleTable_Volume() {
	t, err := tote.New([]tote.Strap{
		{Level: 0, Volume: 0},
		{Level: 20 * quantity.Inch, Volume: 138 * quantity.USGallon},
		{Level: 40 * quantity.Inch, Volume: 275 * quantity.USGallon},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	v, _ := t.Volume(30 * quantity.Inch)
	fmt.Println(quantity.US.Volume(v))
	// Output:
	// 206.5 gal
}
