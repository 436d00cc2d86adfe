package plan_test

import (
	"fmt"

	"yardtally/calibrate/mix"
	"yardtally/calibrate/plan"
	"yardtally/calibrate/quantity"
)

// What to weigh for 24 colonies that get a gallon each of 2:1.
func ExampleMake() {
	r, err := plan.ParseSyrup("2:1")
	if err != nil {
		fmt.Println(err)
		return
	}
	p, err := plan.Make(plan.Ask{Recipe: r, Temp: 20, By: mix.Usual, Yield: plan.UsualYield,
		Yards: []plan.Yard{{ID: "orchard", Name: "Orchard End", Colonies: 24, Each: quantity.USGallon}}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s of %.1f Brix, %s to weigh\n", quantity.US.Volume(p.Make), p.State.Syrup.Solids.Brix(), quantity.US.Mass(quantity.Mass(float64(p.Weigh())/1e9)))
	// Output:
	// 24.0 gal of 66.7 Brix, 266 lb to weigh
}
