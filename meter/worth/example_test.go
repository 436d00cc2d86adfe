package worth_test

import (
	"fmt"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/worth"
)

// A fill of 150 pulses under a maker's K-factor of 40 a litre, and what is
// uncertain of it: most is the label.
func ExampleUnder() {
	c, err := proving.NewCurve(proving.Meter{}, nil, 40, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	m := worth.Under(c, 1, worth.Passing{Syrup: syrup.Syrup{Solids: quantity.FromBrix(64)}, Known: true, SolidsU: 0.001, Temp: 20, TempU: 0.5})
	var f worth.Flow
	m.Add(&f, 150, 5)
	fmt.Printf("%.3f L\n", 1000*f.Volume)
	// Output:
	// 3.750 L
}
