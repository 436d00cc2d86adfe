package line_test

import (
	"fmt"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// Will it pump? A usual rig with syrup of 64 Brix, warm and cold.
func ExampleAt() {
	rig := line.Usual()
	for _, f := range []float64{60, 40} {
		o, err := line.At(&rig, syrup.Syrup{Solids: quantity.FromBrix(64)}, quantity.FromFahrenheit(f), line.Setting{Level: 0.5})
		fmt.Printf("%g °F: a gallon in %.0f s, %v\n", f, o.PerGallon.Seconds(), err)
	}
	// Output:
	// 60 °F: a gallon in 40 s, <nil>
	// 40 °F: a gallon in 94 s, <nil>
}
