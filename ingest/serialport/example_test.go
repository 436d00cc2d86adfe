package serialport_test

import (
	"fmt"

	"yardtally/ingest/serialport"
	"yardtally/ingest/source"
)

// A speed that no line has is refused, with those that there are.
func ExampleNew() {
	_, err := serialport.New(serialport.Options{Name: "serial", Path: "/dev/ttyUSB0", Baud: 9601, Rig: "heron", Clock: source.SystemClock{}})
	fmt.Println(err)
	// Output:
	// baud: must be one of [1200 2400 4800 9600 19200 38400 57600 115200 230400], is 9601
}
