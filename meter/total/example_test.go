package total_test

import (
	"fmt"

	"yardtally/meter/total"
)

// A count of 16 bits that starts over, with a message lost on the way: no pulse is.
func ExampleState() {
	var s total.State
	var out []total.Outcome
	for _, c := range []total.Count{{At: 0, N: 65500, Up: 100e9, HasUp: true}, {At: 2e8, N: 65520, Up: 1002e8, HasUp: true}, {At: 6e8, N: 24, Up: 1006e8, HasUp: true}} {
		c.Mono = c.At
		out = s.Next(c, total.Rules{Wrap: 1 << 16}, out)
	}
	fmt.Println(out[len(out)-1].To-out[0].To, "pulses in", float64(out[len(out)-1].ToAt-out[0].ToAt)/1e9, "s")
	// Output:
	// 60 pulses in 0.6 s
}
