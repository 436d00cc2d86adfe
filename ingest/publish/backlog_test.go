package publish

import (
	"context"
	"net/http"
	"os"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"yardtally/ingest/publish/influxtest"
	"yardtally/meter/ledger"
)

// night is how many points come in a night of eight hours: a sample every ten
// seconds and some hundred fills.
const night = 3_000

// backlog puts so many points into an outbox, as a ledger tells them.
func backlog(t testing.TB, o *Outbox, n int) {
	t.Helper()
	for k := 0; k < n; k += night {
		ev := make([]ledger.Event, 0, night+1)
		for i := k; i < min(k+night, n); i++ {
			ev = append(ev, sample(stretch(i), float64(i)))
		}
		mustPut(t, o, append(ev, told(ev[len(ev)-1].At))...)
	}
}

// heapWhileSending returns the most that was alive on the heap while a backlog
// of n points went out, beyond what was before.
func heapWhileSending(t *testing.T, n int) int64 {
	t.Helper()
	o := openOutbox(t)
	alive := func() int64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	before := alive()
	backlog(t, o, n)
	most, got := alive(), 0
	s := newStore()
	s.answer = func(_ *store, r *http.Request, lines []string) (*http.Response, error) {
		got += len(lines)
		most = max(most, alive())
		return reply(r, 204, "", nil), nil // it keeps none of them here
	}
	f, err := NewForwarder(Options{URL: "http://store.example", Bucket: "b", Outbox: o, Transport: s, Batch: 2000})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()
	await(t, f, "idle", idle)
	stop()
	if err := <-ended; err != nil || got != n {
		t.Fatalf("%d of %d points went out, %v", got, n, err)
	}
	return most - before
}

// A backlog of many nights takes no more memory than one of a few: it is on the
// card. Were it held, 300,000 points more would be 30 MB and more, at the 100
// bytes and more that a row has; the bound is a twentieth of that.
func TestBacklogInBoundedMemory(t *testing.T) {
	few, many := 3*night, 103*night
	if os.Getenv("YARDTALLY_FULL") != "" {
		many = 1_000_000
	}
	a := heapWhileSending(t, few)
	b := heapWhileSending(t, many)
	t.Logf("heap beyond the start: %d kB with %d points waiting, %d kB with %d", a/1000, few, b/1000, many)
	if more := b - a; more > int64(many-few)*100/20 {
		t.Errorf("%d points more waiting took %d kB more", many-few, more/1000)
	}
}

// BenchmarkCatchUp is a forwarder that sends a backlog of 600,000 points, two
// hundred nights, to a real InfluxDB, while a live result is put every 20 ms:
// how fast it catches up, and how long a live result takes to be kept, alone and
// beside it.
func BenchmarkCatchUp(b *testing.B) {
	s := influxtest.Start(b)
	s.NewDatabase("bench")
	const n = 600_000
	o := openOutbox(b)
	backlog(b, o, n)
	percentile := func(took []time.Duration, p int) float64 {
		slices.Sort(took)
		return took[(len(took)-1)*p/100].Seconds() * 1000
	}
	next := n
	live := func(until func() bool) (took []time.Duration) {
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for !until() {
			<-tick.C
			start := time.Now()
			mustPut(b, o, sample(stretch(next), float64(next)))
			took = append(took, time.Since(start))
			next++
		}
		return took
	}
	for b.Loop() {
		b.StopTimer()
		left := 250
		alone := live(func() bool { left--; return left < 0 })
		o.order.Lock() // everything again
		if _, err := o.db.Exec("UPDATE state SET acked = 0"); err != nil {
			b.Fatal(err)
		}
		o.acked = 0
		o.mu.Lock()
		o.backlog = int64(next)
		o.mu.Unlock()
		o.order.Unlock()
		f, err := NewForwarder(Options{URL: s.URL, Bucket: s.Bucket(), Outbox: o})
		if err != nil {
			b.Fatal(err)
		}
		ctx, stop := context.WithCancel(context.Background())
		var run sync.WaitGroup
		b.StartTimer()
		start := time.Now()
		run.Go(func() { _ = f.Run(ctx) })
		beside := live(func() bool { waiting, _ := o.Backlog(); return waiting <= 1 })
		took := time.Since(start)
		b.StopTimer()
		stop()
		run.Wait()
		b.ReportMetric(float64(next)/took.Seconds(), "points/s")
		b.ReportMetric(percentile(alone, 50), "ms-alone-p50")
		b.ReportMetric(percentile(alone, 99), "ms-alone-p99")
		b.ReportMetric(percentile(beside, 50), "ms-beside-p50")
		b.ReportMetric(percentile(beside, 99), "ms-beside-p99")
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		b.ReportMetric(float64(m.HeapAlloc)/1e6, "MB-heap")
		b.StartTimer()
	}
}
