package act_test

import (
	"fmt"

	"yardtally/meter/act"
)

// What a person says is never overwritten: it is taken back by another act.
func ExampleStanding() {
	all := []act.Act{
		{ID: "a", Rig: "heron", Who: "wren", When: 1, Body: act.Batch{Syrup: "sucrose", Brix: 64}},
		{ID: "b", Rig: "heron", Who: "wren", When: 2, Body: act.Batch{Syrup: "sucrose", Brix: 46}},
		{ID: "c", Rig: "heron", Who: "wren", When: 3, Body: act.Undo{Act: "b"}},
	}
	for _, a := range act.Standing(all) {
		fmt.Println(a.ID, a.Body.(act.Batch).Brix)
	}
	fmt.Println(act.Batch{Syrup: "sucrose", Brix: 99}.Check())
	// Output:
	// a 64
	// brix: must be between 0 and 77, is 99
}
