package sensor_test

import (
	"fmt"

	"yardtally/meter"
	"yardtally/meter/sensor"
)

// A level that does not move by a tenth of a millimetre while 100 L flow is stuck.
func ExampleState() {
	const s = int64(1_000_000_000)
	rules := sensor.RulesOf(sensor.Tote{})
	var st sensor.State
	for i := range int64(1200) {
		at := i * s
		st.Record(at)
		st.Reading(at, meter.Headspace, 0.412, sensor.Seen{Flowing: i%60 < 40}, rules)
		if i%60 == 40 {
			st.Flowed(at-40*s, 5, true)
		}
	}
	for _, h := range st.List(0) {
		fmt.Println(h.Channel, h.What)
	}
	// Output:
	// headspace stuck
}
