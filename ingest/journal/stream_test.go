package journal

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"yardtally/meter"
)

func open(t testing.TB, path string, o Options) *Journal {
	t.Helper()
	j, err := Open(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return j
}

func newPath(t testing.TB) string { return filepath.Join(t.TempDir(), "heron.journal") }

func boot(t testing.TB, j *Journal, id string) uint32 {
	t.Helper()
	n, err := j.Boot(id)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func clone(r *meter.Record) meter.Record {
	c := *r
	c.Readings = slices.Clone(r.Readings)
	return c
}

func replay(t testing.TB, j *Journal, rig string, after uint64) []meter.Record {
	t.Helper()
	var out []meter.Record
	if err := j.Replay(rig, after, func(r *meter.Record) error {
		out = append(out, clone(r))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

func same(a, b *meter.Record) bool {
	return a.Seq == b.Seq && string(identity(nil, a)) == string(identity(nil, b))
}

func mustSame(t testing.TB, got, want []meter.Record) {
	t.Helper()
	for i := range min(len(got), len(want)) {
		if !same(&got[i], &want[i]) {
			t.Fatalf("record %d:\n got %+v\nwant %+v", i, got[i], want[i])
		}
	}
	if len(got) != len(want) {
		t.Fatalf("%d records, want %d", len(got), len(want))
	}
}

// demo makes records like the demo's: pulses and uptime at 5 Hz in a message,
// headspace at 1 Hz with 1 mm of noise to 0.1 mm, position and time at 1 Hz (as
// NMEA gives them: minutes to four decimals), syrup and air at 0.2 Hz. A third of
// the time a fill runs, at 50 pulses a message. Times are in whole ms,
// with some ms of jitter on arrival. The data are invented.
type demo struct {
	rng    *rand.Rand
	tick   int64
	pulses float64
	level  float64
	queue  []meter.Record
	fine   bool // arrivals to the ns, not to the ms
}

func newDemo(seed uint64) *demo {
	return &demo{rng: rand.New(rand.NewPCG(seed, 1)), level: 0.35}
}

const ms = int64(1e6)

func round(v float64, digits int) float64 {
	p := math.Pow10(digits)
	return math.Round(v*p) / p
}

func (d *demo) next(boot uint32) meter.Record {
	if len(d.queue) == 0 {
		d.fill(boot)
	}
	r := d.queue[0]
	d.queue = d.queue[1:]
	return r
}

func (d *demo) fill(boot uint32) {
	at := d.tick * 200
	d.tick++
	say := func(late int64, rs ...meter.Reading) {
		mono := (at + 5_000_000 + late) * ms
		wall := 1790000000e9 + mono
		if d.fine {
			mono += d.rng.Int64N(ms)
			wall = 1790000000e9 + mono + d.rng.Int64N(200)
		}
		d.queue = append(d.queue, meter.Record{Boot: boot, Mono: mono, Wall: wall, Source: "serial", Readings: rs})
	}
	if s := d.tick / 5 % 60; s < 20 {
		d.pulses += math.Round(50 + 2*d.rng.NormFloat64())
		d.level += 1.5e-5
	}
	say(d.rng.Int64N(4), meter.Reading{Channel: meter.Pulses, Value: d.pulses},
		meter.Reading{Channel: meter.Uptime, Value: float64(93812400+at+d.rng.Int64N(2)) / 1000})
	switch d.tick % 5 {
	case 1:
		say(40+d.rng.Int64N(4), meter.Reading{Channel: meter.Headspace, Value: round(d.level+0.001*d.rng.NormFloat64(), 4)})
	case 2:
		say(60+d.rng.Int64N(4),
			meter.Reading{Channel: meter.Lat, Value: (47*6e5 + 123456 + math.Round(3*d.rng.NormFloat64())) / 6e5},
			meter.Reading{Channel: meter.Lon, Value: (8*6e5 + 345678 + math.Round(3*d.rng.NormFloat64())) / 6e5},
			meter.Reading{Channel: meter.HDOP, Value: 0.9},
			meter.Reading{Channel: meter.UTC, Value: float64(1790000000 + at/1000)})
	}
	if d.tick%25 == 3 {
		say(80+d.rng.Int64N(4),
			meter.Reading{Channel: meter.Syrup, Value: round(11.6+0.05*d.rng.NormFloat64(), 1)},
			meter.Reading{Channel: meter.Air, Value: round(6.2+0.05*d.rng.NormFloat64(), 1)})
	}
}

// wild makes records of every odd kind that Append takes.
func wild(rng *rand.Rand, boot uint32) meter.Record {
	odd := []float64{0, math.Copysign(0, -1), 1 << 53, 1<<53 - 1, -(1 << 53), math.MaxFloat64, -math.MaxFloat64,
		math.SmallestNonzeroFloat64, math.Inf(1), math.Inf(-1), 0.1, 1.0 / 3, math.Pi, 1e15, 1e-15, 47.2057600000000033}
	edges := []int64{0, 1, -1, math.MaxInt64, math.MinInt64, 1790000000e9}
	n64 := func() int64 {
		if rng.IntN(3) == 0 {
			return edges[rng.IntN(len(edges))]
		}
		return int64(rng.Uint64()) >> rng.IntN(64)
	}
	r := meter.Record{Boot: boot, Mono: n64(), Wall: n64()}
	if rng.IntN(2) == 0 {
		r.Rel = n64()
	}
	if rng.IntN(2) == 0 {
		r.Sent = n64()
	}
	r.Source = []string{"", "serial", "mqtt", "\x00", fmt.Sprint("s", rng.IntN(300))}[rng.IntN(5)]
	channels := rng.Perm(20)[:1+rng.IntN(6)]
	for _, c := range channels {
		v := odd[rng.IntN(len(odd))]
		if rng.IntN(2) == 0 {
			v = round(1000*rng.Float64(), rng.IntN(5))
		}
		r.Readings = append(r.Readings, meter.Reading{Channel: meter.Channel(c), Value: v})
	}
	return r
}
