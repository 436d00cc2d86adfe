package sound_test

import (
	"fmt"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/sound"
	"yardtally/meter/signal"
)

// A signal as brokers get it.
func ExamplePack() {
	b, err := sound.Pack("heron", sound.Signal{Signal: signal.Signal{Kind: signal.Full, Fill: 4 * quantity.Litre}, At: 1790000000e9})
	fmt.Println(sound.Topic("yardtally", "heron"), string(b), err)
	// Output:
	// yardtally/heron/signal [{"bn":"heron/","bt":1790000000.000,"n":"signal","vs":"full"},{"n":"fill","u":"m3","v":0.004}] <nil>
}
