package ledger_test

import (
	"fmt"

	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// A pull of 200 pulses in 20 s, of a meter that gives 50 a litre: invented, and
// told out of order, which makes no difference.
func Example() {
	const s = int64(1_000_000_000)
	l := ledger.New("heron")
	l.SetActs([]act.Act{{ID: "k", Rig: "heron", When: 1, Body: act.Proving{PulsesPerL: 50}}})
	var all []meter.Record
	for i := range int64(60) {
		n := min(max(i-10, 0), 20) * 10
		all = append(all, meter.Record{Boot: 1, Mono: i * s, Wall: 1790000000*s + i*s, Source: "serial",
			Readings: []meter.Reading{{Channel: meter.Pulses, Value: float64(n)}, {Channel: meter.Uptime, Value: float64(i)}}})
	}
	all[15], all[16] = all[16], all[15]
	for i := range all {
		all[i].Seq = uint64(i + 1)
		l.Add(&all[i])
	}
	for _, f := range l.View().Fills {
		fmt.Printf("%d pulses, %.2f L, in %.0f s\n", f.Last-f.First, f.Volume.Litres(), float64(f.End-f.Start)/1e9)
	}
	// Output:
	// 200 pulses, 4.00 L, in 20 s
}
