package mix_test

import (
	"fmt"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/quantity"
)

// Masses add and volumes do not: 16 lb of sugar in a gallon of water.
func ExampleParseRecipe() {
	r, err := mix.ParseRecipe("16 lb sugar + 1 gal water")
	if err != nil {
		fmt.Println(err)
		return
	}
	b, err := r.Mix(20, mix.Usual)
	if err != nil {
		fmt.Println(err)
		return
	}
	s, err := b.At(20, 0.5)
	fmt.Printf("%.1f Brix, %s, %v\n", s.Syrup.Solids.Brix(), quantity.US.Volume(s.Volume), err)
	// Output:
	// 65.8 Brix, 2.2 gal, <nil>
}
