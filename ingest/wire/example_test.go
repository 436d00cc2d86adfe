package wire_test

import (
	"fmt"

	"yardtally/ingest/wire"
)

// A counter board's line, and the same with one bit wrong.
func ExampleParseNMEA() {
	for _, line := range []string{"$YXXDR,G,184223,,PULSES,G,93812400,,UPTIME*58\r\n", "$YXXDR,G,184222,,PULSES,G,93812400,,UPTIME*58\r\n"} {
		m, drops := wire.ParseNMEA([]byte(line))
		for _, r := range m.Readings {
			fmt.Println(r.Channel, r.Value, r.Channel.Unit())
		}
		for _, d := range drops {
			fmt.Println(d.Reason)
		}
	}
	// Output:
	// pulses 184223 count
	// uptime 93812.4 s
	// wrong checksum
}
