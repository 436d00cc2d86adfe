package watch_test

import (
	"fmt"

	"yardtally/calibrate/line"
	"yardtally/meter/watch"
)

// Of an outing on which nothing was seen nothing is the matter, and it says that it is still learning.
func ExampleMake() {
	rig := line.Usual()
	log := watch.Make(&watch.Seen{}, &rig, nil)
	fmt.Println(len(log.Verdicts), log.Learning)
	k, ok := watch.ParseKind("kink")
	fmt.Println(k, ok)
	// Output:
	// 0 true
	// kink true
}
