package bucket_test

import (
	"fmt"

	"yardtally/meter/bucket"
	"yardtally/meter/ledger"
)

// What the meter counted while a bucket was filled. Invented.
func ExampleMarkOf() {
	before := &ledger.View{At: 5e9}
	mark := bucket.MarkOf(before).String() // stands in the page's address meanwhile
	after := &ledger.View{At: 50e9, Fills: []ledger.Fill{{Session: 1, First: 0, Last: 543, Start: 10e9, End: 40e9}}}
	m, err := bucket.ParseMark(mark)
	if err != nil {
		fmt.Println(err)
		return
	}
	c, err := m.Whole(after)
	fmt.Println(c.Pulses, "pulses in", c.Seconds, "s", err)
	// Output:
	// 543 pulses in 30 s <nil>
}
