package clock_test

import (
	"fmt"
	"time"

	"yardtally/meter"
	"yardtally/meter/clock"
)

// A board without a battery thinks it is 1970; satellites that are heard a minute
// later hold for what came before, too.
func ExampleClock() {
	first := meter.Record{Boot: 1, Mono: 10e9, Wall: 10e9, Source: "serial", Readings: []meter.Reading{{Channel: meter.Pulses, Value: 1}}}
	var c clock.Clock
	c.Note(&first)
	for i := range int64(30) {
		c.Note(&meter.Record{Boot: 1, Mono: 70e9 + i*1e9, Wall: 70e9 + i*1e9, Source: "serial", Readings: []meter.Reading{{Channel: meter.UTC, Value: float64(1790000060 + i)}}})
	}
	fmt.Println(time.Unix(0, c.Place(&first)).UTC().Format(time.RFC3339))
	// Output:
	// 2026-09-21T14:13:20Z
}
