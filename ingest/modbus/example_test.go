package modbus_test

import (
	"fmt"

	"yardtally/ingest/modbus"
)

// Options that cannot be so are refused before anything is asked.
func ExampleNew() {
	_, err := modbus.New(modbus.Options{})
	fmt.Println(err)
	// Output:
	// name: must not be empty, is ""
}
