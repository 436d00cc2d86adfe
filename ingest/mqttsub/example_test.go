package mqttsub_test

import (
	"fmt"

	"yardtally/ingest/mqttsub"
	"yardtally/ingest/source"
)

// An address that no broker can have is refused, and named.
func ExampleNew() {
	_, err := mqttsub.New(mqttsub.Options{Name: "house", URL: "http://brokers.example", ClientID: "yardtally-heron", Prefix: "yardtally", Rig: "heron", Clock: source.SystemClock{}})
	fmt.Println(err)
	// Output:
	// url: must begin with tcp://, ssl://, ws:// or wss:// and a host, is "http://brokers.example"
}
