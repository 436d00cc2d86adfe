package alarm_test

import (
	"fmt"

	"yardtally/meter/alarm"
	"yardtally/meter/watch"
)

// A kink that was told at 60 s, with nobody's word on it yet. Invented.
func ExampleLife() {
	const s = 1_000_000_000
	kink := watch.Verdict{Kinds: []watch.Kind{watch.Kink}, From: 20 * s, Told: 60 * s, Chance: 0.9}
	for _, a := range alarm.Life([]watch.Verdict{kink}, nil, 90*s) {
		fmt.Println(a.Kinds[0], a.Priority, a.State, a.Stands())
	}
	// Output:
	// kink soon unacknowledged true
}
