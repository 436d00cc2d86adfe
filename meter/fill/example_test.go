package fill_test

import (
	"fmt"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/fill"
	"yardtally/meter/worth"
)

// 150 pulses at 40 a litre within 10 s, and then none for longer than the rules
// allow: the pull is over, with all of its pulses.
func ExampleState() {
	c, err := proving.NewCurve(proving.Meter{}, nil, 40, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	m := worth.Under(c, 1, worth.Passing{Syrup: syrup.Syrup{Solids: quantity.FromBrix(64)}, Known: true, Temp: 20})
	rules := fill.Rules{Quiet: 2_500_000_000, Least: quantity.Litre / 4}
	const s = int64(1_000_000_000)
	var st fill.State
	var out []fill.Piece
	for i := range int64(20) {
		from, to := uint64(15*min(i, 10)), uint64(15*min(i+1, 10))
		out = st.Next(fill.Move{Session: 1, From: from, To: to, FromAt: i * s, ToAt: (i + 1) * s, Took: s, Meter: &m}, rules, out)
	}
	for _, p := range out {
		fmt.Println(p.Kind == fill.Pull, p.Last-p.First, "pulses,", p.Volume().Litres(), "L")
	}
	// Output:
	// true 150 pulses, 3.75 L
}
