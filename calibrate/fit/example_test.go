package fit_test

import (
	"fmt"

	"yardtally/calibrate/fit"
)

// A straight line through 1, 3 and 5 at 0, 1 and 2: y = 1 + 2 x.
func ExampleLinear() {
	f, err := fit.Linear([][]float64{{1, 0}, {1, 1}, {1, 2}}, []float64{1, 3, 5}, []float64{0.1, 0.1, 0.1})
	fmt.Printf("%.3f, %d degree of freedom, %v\n", f.Coef, f.DOF, err)
	// Output:
	// [1.000 2.000], 1 degree of freedom, <nil>
}
