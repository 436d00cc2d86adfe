package reconcile_test

import (
	"fmt"

	"yardtally/calibrate/reconcile"
)

// 100 kg went in; 60 and 37 were found, each good to 1 kg, and the first surely.
// What is missing is put on the two that may be wrong, half each.
func ExampleSolve() {
	r, err := reconcile.Solve(reconcile.Problem{
		Streams:  []reconcile.Stream{{Name: "in", Value: 100}, {Name: "fed", Value: 60}, {Name: "left", Value: 37}},
		Causes:   []reconcile.Cause{{Name: "meter", Touch: []reconcile.Term{{Stream: 1, By: 1}}}, {Name: "level", Touch: []reconcile.Term{{Stream: 2, By: 1}}}},
		Balances: []reconcile.Balance{{Name: "tote", Terms: []reconcile.Term{{Stream: 0, By: 1}, {Stream: 1, By: -1}, {Stream: 2, By: -1}}}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("fed %.1f, left %.1f; as much or more by chance: %.3f\n", r.Streams[1].Value, r.Streams[2].Value, r.P)
	// Output:
	// fed 61.5, left 38.5; as much or more by chance: 0.034
}
