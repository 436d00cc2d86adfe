package syrup_test

import (
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// How thick two syrups of sucrose are, in mPa·s, by the formulas whose sources
// the package names: 2:1 by weight is 66.7 Brix.
func ExampleSyrup_At() {
	for _, brix := range []float64{64, 66.7} {
		for _, f := range []float64{68, 50, 40} {
			p, err := syrup.Syrup{Solids: quantity.FromBrix(brix)}.At(quantity.FromFahrenheit(f))
			fmt.Printf("%g Brix at %g °F: %.0f mPa·s, %.0f kg/m³, %v\n", brix, f, float64(p.Viscosity/quantity.MillipascalSecond), float64(p.Density), err)
		}
	}
	// Output:
	// 64 Brix at 68 °F: 120 mPa·s, 1310 kg/m³, <nil>
	// 64 Brix at 50 °F: 247 mPa·s, 1315 kg/m³, <nil>
	// 64 Brix at 40 °F: 393 mPa·s, 1318 kg/m³, <nil>
	// 66.7 Brix at 68 °F: 213 mPa·s, 1327 kg/m³, <nil>
	// 66.7 Brix at 50 °F: 473 mPa·s, 1332 kg/m³, <nil>
	// 66.7 Brix at 40 °F: 789 mPa·s, 1335 kg/m³, <nil>
}
