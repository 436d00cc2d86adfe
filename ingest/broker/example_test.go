package broker_test

import (
	"fmt"

	"yardtally/ingest/broker"
	"yardtally/ingest/source"
)

// Beyond this machine the broker wants named users.
func ExampleNew() {
	_, err := broker.New(broker.Options{Name: "broker", Addr: "192.0.2.1:1883", Prefix: "yardtally", Rigs: []string{"heron"}, Clock: source.SystemClock{}})
	fmt.Println(err)
	// Output:
	// users: must be at least one with a password where the address is not loopback, is none (address 192.0.2.1:1883)
}
