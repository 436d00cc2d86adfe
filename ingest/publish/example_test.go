package publish_test

import (
	"fmt"

	"yardtally/ingest/publish"
)

// A yard's results have a topic of their own, whatever its id.
func ExampleYardTopic() {
	fmt.Println(publish.ResultsTopic("yardtally", "heron") + "/" + publish.YardTopic("larch"))
	fmt.Println(publish.YardTopic("at the mill"))
	// Output:
	// yardtally/heron/results//yards/larch
	// yards/at.20the.20mill
}
