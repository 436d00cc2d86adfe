package journal

import (
	"math"
	"math/rand/v2"
	"testing"

	"yardtally/meter"
)

func encodeDecode(t *testing.T, e *encoder, d *decoder, recs []meter.Record) {
	t.Helper()
	data := e.encode(recs)
	if err := d.load(data, len(recs), spanOf(recs, false).readings); err != nil {
		t.Fatal(err)
	}
	var got []meter.Record
	var r meter.Record
	for d.next(&r) {
		got = append(got, clone(&r))
	}
	mustSame(t, got, recs)
}

func TestBlockGivesBackEveryBit(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	var e encoder
	var d decoder
	for round := range 300 {
		n := 1 + rng.IntN(400)
		var recs []meter.Record
		seq := uint64(rng.IntN(10))
		dm := newDemo(uint64(round))
		for range n {
			seq += 1 + uint64(rng.IntN(2)*rng.IntN(2)*rng.IntN(1000))
			r := dm.next(3)
			if round%3 == 0 || round%3 == 1 && rng.IntN(10) == 0 {
				r = wild(rng, 3)
			}
			r.Seq = seq
			recs = append(recs, r)
		}
		encodeDecode(t, &e, &d, recs)
	}
}

func TestValueScales(t *testing.T) {
	for _, c := range []struct {
		name   string
		values []float64
		scale  byte
	}{
		{"counts", []float64{0, 1, 1 << 53, -(1 << 53)}, 0},
		{"tenths of a millimetre", []float64{0.4123, 0.4, 1}, 4},
		{"minutes of arc to four decimals", []float64{28323456 / 6e5, 28323457 / 6e5}, sixths + 5},
		{"negative zero", []float64{1, math.Copysign(0, -1)}, patterns},
		{"beyond whole numbers", []float64{math.MaxFloat64}, patterns},
		{"no finite number", []float64{math.Inf(1), math.NaN()}, patterns},
	} {
		xs := make([]int64, len(c.values))
		if got := wholes(xs, c.values); got != c.scale {
			t.Errorf("%s: scale %d, want %d", c.name, got, c.scale)
		}
		back := make([]float64, len(xs))
		if err := values(back, xs, wholes(xs, c.values)); err != nil {
			t.Fatal(err)
		}
		for i := range back {
			if math.Float64bits(back[i]) != math.Float64bits(c.values[i]) {
				t.Errorf("%s: %v came back as %v", c.name, c.values[i], back[i])
			}
		}
	}
}

// A block is guarded by its CRC, but its reader must not fall over either way.
func FuzzLoadBlock(f *testing.F) {
	rng := rand.New(rand.NewPCG(1, 1))
	dm := newDemo(1)
	var e encoder
	var recs []meter.Record
	for i := range 40 {
		r := dm.next(1)
		if i%7 == 0 {
			r = wild(rng, 1)
		}
		r.Seq = uint64(i + 1)
		recs = append(recs, r)
	}
	f.Add(e.encode(recs), uint16(40), uint16(spanOf(recs, false).readings))
	f.Add(e.encode(recs[:1]), uint16(1), uint16(len(recs[0].Readings)))
	f.Fuzz(func(t *testing.T, data []byte, records, readings uint16) {
		var d decoder
		n := int(records)
		if d.load(data, n, int(readings)) != nil {
			return
		}
		var r meter.Record
		count := 0
		for d.next(&r) {
			count++
		}
		if count != n {
			t.Fatalf("%d records, want %d", count, n)
		}
	})
}

func TestBrokenBlocksAreErrors(t *testing.T) {
	dm := newDemo(2)
	var e encoder
	var d decoder
	var recs []meter.Record
	for i := range 200 {
		r := dm.next(1)
		r.Seq = uint64(i + 1)
		recs = append(recs, r)
	}
	data, readings := e.encode(recs), spanOf(recs, false).readings
	for cut := range data {
		if err := d.load(data[:cut], 200, readings); err == nil {
			t.Fatalf("cut at %d of %d: no error", cut, len(data))
		}
	}
	if err := d.load(data, 199, readings); err == nil {
		t.Error("wrong count: no error")
	}
	if err := d.load(data, 200, readings+1); err == nil {
		t.Error("wrong count of readings: no error")
	}
	rng := rand.New(rand.NewPCG(2, 2))
	for range 5000 { // must only not panic: the CRC is what finds these
		bad := append([]byte(nil), data...)
		for range 1 + rng.IntN(3) {
			bad[rng.IntN(len(bad))] ^= 1 << rng.IntN(8)
		}
		var r meter.Record
		if d.load(bad, 200, readings) == nil {
			for d.next(&r) {
			}
		}
	}
}
