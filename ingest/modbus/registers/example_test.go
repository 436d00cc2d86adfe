package registers_test

import (
	"fmt"

	"yardtally/ingest/modbus/registers"
	"yardtally/meter"
)

// Two registers that lie side by side are asked for in one request.
func ExampleGroups() {
	rs := []registers.Register{
		{Channel: meter.Pulses, UnitID: 1, Address: 100, Type: registers.U32, Scale: 1, Unit: "count"},
		{Channel: meter.Uptime, UnitID: 1, Address: 102, Type: registers.U32, Scale: 0.001, Unit: "s"},
	}
	fmt.Println(registers.CheckMap(rs), len(registers.Groups(rs)))
	// Output:
	// <nil> 1
}
