package recording_test

import (
	"context"
	"fmt"
	"strings"

	"yardtally/ingest/recording"
)

// A recording of two lines, one of them broken: the other is read all the same.
func ExampleRead() {
	text := `[{"bn":"heron/","bt":1790000000.2,"n":"pulses","u":"count","v":184223},{"n":"uptime","u":"s","v":93812.4}]
[{"bn":"heron/","bt":1790000000.4,"n":"pulses"
`
	res, err := recording.Read(context.Background(), strings.NewReader(text), recording.Options{}, func(_ context.Context, items []recording.Item) error {
		for _, it := range items {
			fmt.Println(it.Rig, it.Line, len(it.Record.Readings))
		}
		return nil
	})
	fmt.Println(res.LinesBad, err)
	// Output:
	// heron 1 2
	// 1 <nil>
}
