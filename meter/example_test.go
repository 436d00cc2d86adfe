package meter_test

import (
	"fmt"

	"yardtally/meter"
)

// A reading is a number on a channel, and says itself what it cannot be.
func ExampleReading_Check() {
	fmt.Println(meter.Reading{Channel: meter.Syrup, Value: 11.6}.Check())
	fmt.Println(meter.Reading{Channel: meter.Syrup, Value: -300}.Check())
	// Output:
	// <nil>
	// syrup: must be between -60 and 150 Cel, is -300
}
