package quantity_test

import (
	"fmt"

	"yardtally/calibrate/quantity"
)

// A person's amount names its unit; one without is refused. 1 gal is 231 cubic
// inches, 3.785411784 L (exact: NIST SP 811, 2008, appendix B).
func Example() {
	v, err := quantity.ParseVolume("275 gal")
	fmt.Println(v.Litres(), quantity.SI.Volume(v), err)
	_, err = quantity.ParseVolume("275")
	fmt.Println(err)
	// Output:
	// 1040.9882406 1,041 L <nil>
	// volume: must name its unit, one of gal, qt, pt, L, mL, m3, is "275"
}
