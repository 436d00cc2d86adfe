package journal

import (
	"testing"

	"yardtally/meter"
)

// fillDemo appends n records of the demo, committed in steps of every.
func fillDemo(b testing.TB, j *Journal, d *demo, n, every int) (readings int) {
	b.Helper()
	boot := boot(b, j, "a")
	for i := range n {
		r := d.next(boot)
		readings += len(r.Readings)
		if err := j.Append("heron", &r); err != nil {
			b.Fatal(err)
		}
		if (i+1)%every == 0 {
			if err := j.Commit(); err != nil {
				b.Fatal(err)
			}
		}
	}
	if err := j.Commit(); err != nil {
		b.Fatal(err)
	}
	return readings
}

// A commit as it comes once a second: 12 records.
func BenchmarkCommit12(b *testing.B) {
	j := open(b, newPath(b), Options{})
	d := newDemo(1)
	boot := boot(b, j, "a")
	for b.Loop() {
		for range 12 {
			r := d.next(boot)
			if err := j.Append("heron", &r); err != nil {
				b.Fatal(err)
			}
		}
		if err := j.Commit(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkImport(b *testing.B) {
	readings := 0
	const n = 100_000
	for b.Loop() {
		j := open(b, newPath(b), Options{})
		readings += fillDemo(b, j, newDemo(1), n, 8192)
		j.Close()
	}
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(float64(n*b.N)/b.Elapsed().Seconds(), "records/s")
}

func BenchmarkReplay(b *testing.B) {
	j := open(b, newPath(b), Options{})
	readings := fillDemo(b, j, newDemo(1), 200_000, 8192)
	b.ReportAllocs()
	for b.Loop() {
		n := 0
		if err := j.Replay("heron", 0, func(r *meter.Record) error { n += len(r.Readings); return nil }); err != nil {
			b.Fatal(err)
		}
		if n != readings {
			b.Fatal(n, readings)
		}
	}
	b.ReportMetric(float64(readings*b.N)/b.Elapsed().Seconds(), "readings/s")
}

// Opening a season of ten million readings.
func BenchmarkOpen(b *testing.B) {
	path := newPath(b)
	j := open(b, path, Options{})
	fillDemo(b, j, newDemo(1), 4_600_000, 8192)
	b.ReportMetric(float64(j.Stats().Readings), "readings")
	j.Close()
	for b.Loop() {
		j := open(b, path, Options{})
		if err := j.Close(); err != nil {
			b.Fatal(err)
		}
	}
}

// Bytes a reading takes: the whole file after a clean close, and in blocks.
// Arrivals noted to the nanosecond cost more than the readings.
func BenchmarkSize(b *testing.B) {
	for _, c := range []struct {
		name string
		fine bool
	}{{"arrival=ms", false}, {"arrival=ns", true}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				path := newPath(b)
				j := open(b, path, Options{})
				d := newDemo(1)
				d.fine = c.fine
				readings := fillDemo(b, j, d, 200_000, 8192)
				s := j.Stats()
				if err := j.Close(); err != nil {
					b.Fatal(err)
				}
				j = open(b, path, Options{})
				b.ReportMetric(float64(j.Stats().Bytes)/float64(readings), "B/reading")
				b.ReportMetric(float64(s.BlockBytes)/float64(s.SealedReadings), "blockB/reading")
				j.Close()
			}
		})
	}
}
