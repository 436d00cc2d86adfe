package main

import (
	"path/filepath"
	"slices"
	"testing"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/publish"
	"yardtally/ingest/publish/influxtest"
	"yardtally/ingest/rigsim"
	"yardtally/meter"
	"yardtally/meter/ledger"
)

// BenchmarkLiveCatchingUp is the time from a serial line's bytes to the snapshot
// that shows their flow, twenty messages a second, alone and then while a daemon
// sends a real InfluxDB the points of some two hundred nights that it missed.
func BenchmarkLiveCatchingUp(b *testing.B) {
	const missed = 600_000
	n := playNight(b, rigsim.SmallNight(1))
	s := influxtest.Start(b)
	s.NewDatabase("bench")
	run := func(backlog int) (ms []float64, rate float64) {
		l := newLine(b)
		set := n.settings(b, b.TempDir())
		set.Serial = []settings.Serial{{Name: "counter board", Port: l.path, Baud: 115200}}
		set.Influx = &settings.Influx{URL: s.URL, Bucket: s.Bucket()}
		o, err := publish.OpenOutbox(filepath.Join(set.Data, outboxFile))
		if err != nil {
			b.Fatal(err)
		}
		var ev []ledger.Event
		for i := range backlog { // another rig's, so that this one's ledger leaves them alone
			at := n.Start.UnixNano() - int64(backlog-i)*ledger.SampleEvery
			ev = append(ev, ledger.Event{Kind: ledger.Sampled, At: at, Sample: &ledger.Sample{At: at}})
			if len(ev) == 5000 || i == backlog-1 {
				if err := o.Put("egret", ev); err != nil {
					b.Fatal(err)
				}
				ev = ev[:0]
			}
		}
		if err := o.Close(); err != nil {
			b.Fatal(err)
		}
		w := work(b, set, newStepClock(n.Start))
		start := time.Now()
		at, left := n.Start, int64(backlog)
		for i := 1; i < 200 || left > 100; i++ {
			at = at.Add(200 * time.Millisecond)
			w.clock.set(at)
			text, err := rigsim.SerialLines(nil, rigsim.Said{At: at, Readings: []meter.Reading{
				{Channel: meter.Pulses, Value: float64(1000 + 5*i)}, {Channel: meter.Uptime, Value: 5000 + float64(i)/5}}})
			if err != nil {
				b.Fatal(err)
			}
			before, said := w.desk.Snapshot(), time.Now()
			if _, err := l.near.Write(text); err != nil {
				b.Fatal(err)
			}
			if i > 1 {
				await(b, "the flow to be shown", func() bool { return w.desk.Snapshot().Live.FlowAt > before.Live.FlowAt })
				ms = append(ms, time.Since(said).Seconds()*1000)
			}
			time.Sleep(50*time.Millisecond - time.Since(said))
			left, _ = w.outbox.Backlog()
		}
		rate = float64(backlog) / time.Since(start).Seconds()
		w.end()
		slices.Sort(ms)
		return ms, rate
	}
	for b.Loop() {
		alone, _ := run(0)
		beside, rate := run(missed)
		at := func(ms []float64, p int) float64 { return ms[(len(ms)-1)*p/100] }
		b.ReportMetric(rate, "points/s")
		b.ReportMetric(at(alone, 50), "ms-alone-p50")
		b.ReportMetric(at(alone, 99), "ms-alone-p99")
		b.ReportMetric(at(beside, 50), "ms-beside-p50")
		b.ReportMetric(at(beside, 99), "ms-beside-p99")
	}
}
