package proving_test

import (
	"fmt"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// A bucket test, with invented figures: what a pulse is worth, how sure that is,
// and which cause dominates.
func ExampleTest_Point() {
	p, err := proving.Test{Name: "first", Pulses: 543, Net: 20, Syrup: syrup.Syrup{Solids: quantity.FromBrix(66.7)}, Temp: 20, Seconds: 150}.Point()
	if err != nil {
		fmt.Println(err)
		return
	}
	most := p.Budget[0]
	for _, c := range p.Budget {
		if c.RelU > most.RelU {
			most = c
		}
	}
	fmt.Printf("%.2f mL a pulse, ± %.2f %%, most of it from: %s\n", float64(p.PulseVolume)/float64(quantity.Millilitre), 196*p.RelU, most.Name)
	// Output:
	// 27.78 mL a pulse, ± 0.29 %, most of it from: scatter
}
