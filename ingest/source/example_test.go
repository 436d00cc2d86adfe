package source_test

import (
	"fmt"

	"yardtally/ingest/source"
)

func ExampleTopic() {
	fmt.Println(source.Topic("yardtally", "heron"))
	_, err := source.Topic("yards/#", "heron")
	fmt.Println(err)
	// Output:
	// yardtally/heron/readings <nil>
	// prefix: must hold no + and no #, is "yards/#"
}
