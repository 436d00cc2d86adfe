package outing_test

import (
	"fmt"

	"yardtally/meter/outing"
)

// A fill that was two is cut between two of its pulses, never within one.
func ExampleCutAt() {
	at, ok := outing.CutAt(1000, 1400, 0.25)
	fmt.Println(at, ok)
	_, ok = outing.CutAt(1000, 1001, 0.5)
	fmt.Println(ok)
	// Output:
	// 1100 true
	// false
}
