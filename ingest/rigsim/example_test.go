package rigsim_test

import (
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/rigsim"
)

// The simulated rig weighs a bucket as a scale would, in air and in steps of 10 g.
func ExampleWeigh() {
	fmt.Println(quantity.SI.Mass(rigsim.Weigh(15*quantity.Litre, 64, 20)))
	// Output:
	// 19.6 kg
}
