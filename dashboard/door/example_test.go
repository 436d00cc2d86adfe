package door_test

import (
	"fmt"

	"yardtally/dashboard/door"
)

// A passphrase is some words; its fault is said without showing it.
func ExampleCheckPassphrase() {
	fmt.Println(door.CheckPassphrase("four cold wet gloves"))
	fmt.Println(door.CheckPassphrase("gloves"))
	// Output:
	// <nil>
	// passphrase: must be at least 12 characters, is 6; four or five words do well
}
