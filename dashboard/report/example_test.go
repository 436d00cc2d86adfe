package report_test

import (
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard/report"
)

// Printed lines add up to the printed sum: three thirds of a gallon, in hundredths.
func ExampleClosing() {
	third := quantity.USGallon / 3
	cells, sum := report.Closing(quantity.US, 100, []quantity.Volume{third, third, third})
	fmt.Println(cells, sum)
	fmt.Println(report.Range(23, 1, 0), "fills")
	// Output:
	// [34 33 33] 100
	// 22–23 fills
}
