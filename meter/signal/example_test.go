package signal_test

import (
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/meter/signal"
)

// The keeper hears that the set fill is reached, at the message that shows it.
func ExampleState() {
	r := signal.Rules{Quiet: 2_500_000_000, TopUp: 10_000_000_000, Least: quantity.Litre / 4, Pulse: 20 * quantity.Millilitre, Set: 4 * quantity.Litre}
	var st signal.State
	for i := range uint64(100) {
		at := int64(i) * 200_000_000
		n := 4 * max(i, 20) // 20 pulses a second from 4 s on
		for _, s := range st.Next(signal.Count{At: at, N: n, Up: at, HasUp: true}, r, nil) {
			fmt.Println(s.Kind, "at", float64(at)/1e9, "s:", s.Fill.Litres(), "L")
		}
	}
	// Output:
	// full at 14 s: 4 L
}
