package rigsim

import (
	"fmt"
	"hash/fnv"
	"runtime"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// TestGolden: nights that use nothing odd are, message by message and fill by
// fill, those that were played before there was anything odd to use; odd ones
// are those that were played before anything could fail. The sums were taken
// from the code as of then, computed.
func TestGolden(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the sums hold where floats are not fused: amd64")
	}
	full := SmallNight(6)
	full.Hand.Skip, full.Fitted = 0.3, nil
	for c := meter.Pulses; c <= meter.LastChannel; c++ {
		full.Fitted = append(full.Fitted, c)
	}
	dry := SmallNight(1)
	dry.Load = dry.Tote.Unusable + 10*quantity.Litre
	for _, x := range []struct {
		name        string
		s           Scenario
		said, truth uint64
	}{
		{"demo", DemoNight(), 0x734c639e0ec1c21d, 0xb79a5330213396be},
		{"small", SmallNight(1), 0xe6712b81bdfed04c, 0xb125b941a1f1810f},
		{"all fitted", full, 0xf87e8c9a21c079fc, 0xafb444ab1c61573c},
		{"dry", dry, 0x98c4ecba0c0359f2, 0x836fa71757dddf46},
		{"odd", OddNight(5), 0xca7a16b73f71e7f4, 0xbba79b61ac51b4a},
		{"odd too", OddNight(11), 0x89a6f517e82f6094, 0xd0320200f0473545},
	} {
		r := build(t, x.s)
		said := fingerprint(r)
		h := fnv.New64a()
		tr := r.Truth()
		for _, f := range tr.Fills {
			fmt.Fprint(h, f.Yard, f.Colony, f.Start.UnixNano(), f.End.UnixNano(), int64(f.Aim), int64(f.Volume), int64(f.Dribble),
				f.Session, f.EndSession, f.First, f.Last, f.Settled, f.TopUp, f.Cut)
		}
		fmt.Fprint(h, int64(tr.Total), int64(tr.Filled), int64(tr.Dribble), int64(tr.Tote), tr.Count, tr.Skipped)
		if truth := h.Sum64(); said != x.said || truth != x.truth {
			t.Errorf("%s: want %#x said and %#x true, got %#x and %#x", x.name, x.said, x.truth, said, truth)
		}
	}
}
