package chart_test

import (
	"fmt"

	"yardtally/meter/chart"
)

// A chart of cumulative sums with the textbook's slack of 0.5 and limit of 4
// (NIST/SEMATECH e-Handbook 6.3.2.3: 168 steps to a false signal, 8.38 to find a
// shift of one standard deviation) sees a row that has become too low.
func ExampleCusum() {
	c, err := chart.NewCusum(0.5, 4, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, z := range []float64{0.2, -0.4, 0.1, -1.6, -1.4, -2.1, -1.2, -1.9} {
		if side, _ := c.Step(z); side != 0 {
			steps, size := c.Change(side)
			fmt.Printf("value %d: below, for %d values, by some %.1f\n", i+1, steps, size)
			break
		}
	}
	fmt.Printf("%.0f and %.2f steps\n", chart.CusumARL(0.5, 4, 0, 0), chart.CusumARL(0.5, 4, 0, 1))
	// Output:
	// value 7: below, for 4 values, by some -1.6
	// 168 and 8.38 steps
}
