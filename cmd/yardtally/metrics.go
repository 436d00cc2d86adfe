package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"fmt"
	"net"
	"net/http"
	"os"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"yardtally/cmd/yardtally/gauges"
	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/alarm"
)

// gauge is what is counted as it happens; all else is asked when it is wanted.
// Its zero value is good.
type gauge struct {
	mu   sync.RWMutex
	of   map[[2]string]*brought // by rig and source: as many as the settings name
	took *gauges.Spread
}

// brought is what a source has brought of a rig.
type brought struct {
	newest   atomic.Int64 // ns since started; 0: nothing yet
	records  atomic.Uint64
	readings [meter.LastChannel + 1]atomic.Uint64 // by channel
}

// commitBounds are in seconds: a card takes some 10 ms, and now and then seconds.
var commitBounds = []float64{0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10}

func (g *gauge) commits() *gauges.Spread {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.took == nil {
		g.took = gauges.NewSpread(commitBounds...)
	}
	return g.took
}

// committed hears of the journal's commits.
func (g *gauge) committed(took time.Duration, err error) {
	if err != nil {
		return // the journal counts them
	}
	g.commits().Observe(took.Seconds())
}

func (g *gauge) brought(rig, source string) *brought {
	key := [2]string{rig, source}
	g.mu.RLock()
	b := g.of[key]
	g.mu.RUnlock()
	if b != nil {
		return b
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.of == nil {
		g.of = map[[2]string]*brought{}
	}
	if g.of[key] == nil {
		g.of[key] = new(brought)
	}
	return g.of[key]
}

// countingSink is a sink that counts what it hands on.
type countingSink struct {
	to source.Sink
	g  *gauge
}

// Put implements source.Sink.
func (c *countingSink) Put(ctx context.Context, a source.Arrival) error {
	// The receiver owns the slices: they are counted before.
	var n [meter.LastChannel + 1]uint64
	name, records := "", uint64(len(a.Records))
	for i := range a.Records {
		name = a.Records[i].Source
		for _, r := range a.Records[i].Readings {
			if r.Channel <= meter.LastChannel {
				n[r.Channel]++
			}
		}
	}
	if err := c.to.Put(ctx, a); err != nil || records == 0 {
		return err
	}
	b := c.g.brought(a.Rig, name)
	b.newest.Store(max(1, int64(time.Since(started))))
	b.records.Add(records)
	for i := range n {
		if n[i] > 0 {
			b.readings[i].Add(n[i])
		}
	}
	return nil
}

// families are the daemon's metrics now. DEVELOPERS.md has the list of them.
func (d *daemon) families() []gauges.Family {
	var all []gauges.Family
	family := func(name string, kind gauges.Kind, help string) *gauges.Family {
		all = append(all, gauges.Family{Name: "yardtally_" + name, Kind: kind, Help: help})
		return &all[len(all)-1]
	}
	one := func(name string, kind gauges.Kind, value float64, help string) { family(name, kind, help).Add(value) }

	info, _ := debug.ReadBuildInfo()
	goes := runtime.Version()
	if info != nil {
		goes = info.GoVersion
	}
	family("build_info", gauges.Gauge, "Which version runs; always 1.").Add(1, "version", version(), "go", goes)
	one("uptime_seconds", gauges.Gauge, time.Since(started).Seconds(), "Time since the daemon started.")
	d.sourceFamilies(&all)
	d.rigFamilies(&all)
	d.boardFamilies(&all)

	st := d.journal.Stats()
	one("journal_bytes", gauges.Gauge, float64(st.Bytes), "Size of the journal and its log.")
	one("journal_records", gauges.Gauge, float64(st.Records), "Records kept in the journal.")
	one("journal_readings", gauges.Gauge, float64(st.Readings), "Readings kept in the journal.")
	one("journal_waiting_records", gauges.Gauge, float64(st.Pending), "Records that are not kept yet.")
	one("journal_commit_failures_total", gauges.Counter, float64(st.Failures), "Commits that failed since the start.")
	one("journal_damaged_parts", gauges.Gauge, float64(len(d.journal.Damage())), "Parts of the journal that cannot be read.")
	d.gauge.commits().AddTo(family("journal_commit_seconds", gauges.Histogram, "What commits to the journal took."))
	if left, disk := d.journal.Room(); disk > 0 {
		one("disk_free_bytes", gauges.Gauge, float64(left), "Room left where the journal lies, for who is not root.")
		one("disk_bytes", gauges.Gauge, float64(disk), "Size of the disk where the journal lies.")
	}
	if d.forward != nil {
		f := d.forward.State()
		one("store_waiting_points", gauges.Gauge, float64(f.Backlog), "Points that wait for the InfluxDB.")
		one("store_sent_points_total", gauges.Counter, float64(f.Sent), "Points that the InfluxDB took since the start.")
		one("store_rejected_points_total", gauges.Counter, float64(f.Rejected), "Points that it will not take, since the start.")
		one("store_failures_total", gauges.Counter, float64(f.Failures), "Tries to send that failed since the start.")
		oldest := 0.0
		if !f.Oldest.IsZero() {
			oldest = max(0, time.Since(f.Oldest).Seconds())
		}
		one("store_oldest_waiting_seconds", gauges.Gauge, oldest, "Age of the oldest point that waits; 0 where none does.")
	}
	if d.book != nil {
		one("log_held_back_lines_total", gauges.Counter, float64(d.book.Held()), "Lines of the log that were counted and not said.")
	}
	return all
}

// mostReasons bounds the reasons of dropping that a source is shown with.
const mostReasons = 40

func (d *daemon) sourceFamilies(all *[]gauges.Family) {
	open := gauges.Family{Name: "yardtally_source_open", Kind: gauges.Gauge, Help: "Whether a source is open."}
	fails := gauges.Family{Name: "yardtally_source_failures_total", Kind: gauges.Counter, Help: "How often a source failed since the start."}
	messages := gauges.Family{Name: "yardtally_messages_total", Kind: gauges.Counter, Help: "Lines or packs taken in since the start."}
	dropped := gauges.Family{Name: "yardtally_dropped_total", Kind: gauges.Counter, Help: "What was not taken in since the start, by reason."}
	subscribers := gauges.Family{Name: "yardtally_broker_clients", Kind: gauges.Gauge, Help: "Clients signed in at the embedded broker."}
	show := func(s *wired, labels ...string) {
		st := s.State()
		labels = append([]string{"source", s.Name()}, labels...)
		is := 0.0
		if st.Phase == source.Open {
			is = 1
		}
		open.Add(is, labels...)
		fails.Add(float64(st.Failures), labels...)
		messages.Add(float64(st.Messages), labels...)
		reasons := make([]string, 0, len(st.Dropped))
		for r := range st.Dropped {
			reasons = append(reasons, r)
		}
		slices.Sort(reasons)
		other := uint64(0)
		for i, r := range reasons {
			if i < mostReasons {
				dropped.Add(float64(st.Dropped[r]), append(slices.Clone(labels), "reason", r)...)
			} else {
				other += st.Dropped[r]
			}
		}
		if other > 0 {
			dropped.Add(float64(other), append(slices.Clone(labels), "reason", "others")...)
		}
		if b, ok := s.Source.(interface{ Clients() int }); ok {
			subscribers.Add(float64(b.Clients()))
		}
	}
	for _, s := range d.shared() {
		show(s)
	}
	for _, r := range d.rigs {
		for _, s := range r.its() {
			show(s, "rig", r.set.Rig)
		}
	}
	readings := gauges.Family{Name: "yardtally_readings_total", Kind: gauges.Counter, Help: "Readings taken in since the start."}
	records := gauges.Family{Name: "yardtally_records_total", Kind: gauges.Counter, Help: "Records taken in since the start."}
	newest := gauges.Family{Name: "yardtally_newest_reading_age_seconds", Kind: gauges.Gauge, Help: "Time since a source brought something of a rig."}
	d.gauge.mu.RLock()
	keys := make([][2]string, 0, len(d.gauge.of))
	for k := range d.gauge.of {
		keys = append(keys, k)
	}
	d.gauge.mu.RUnlock()
	slices.SortFunc(keys, func(a, b [2]string) int { return strings.Compare(a[0]+"\x00"+a[1], b[0]+"\x00"+b[1]) })
	for _, k := range keys {
		b := d.gauge.brought(k[0], k[1])
		records.Add(float64(b.records.Load()), "rig", k[0], "source", k[1])
		if at := b.newest.Load(); at > 0 {
			newest.Add((time.Since(started) - time.Duration(at)).Seconds(), "rig", k[0], "source", k[1])
		}
		for c := range b.readings {
			if n := b.readings[c].Load(); n > 0 {
				readings.Add(float64(n), "rig", k[0], "source", k[1], "channel", meter.Channel(c).String())
			}
		}
	}
	*all = append(*all, open, fails, messages, dropped, subscribers, readings, records, newest)
}

// clockBy are all the ways a clock is placed, ledger.Placing.By.
var clockBy = []string{"satellites", "phone", "network", "hand", "sender", "own clock"}

func (d *daemon) rigFamilies(all *[]gauges.Family) {
	alarms := gauges.Family{Name: "yardtally_alarms", Kind: gauges.Gauge, Help: "Alarms of a rig, by state."}
	offset := gauges.Family{Name: "yardtally_clock_offset_seconds", Kind: gauges.Gauge, Help: "The rig's time less this board's, as the ledger places it now."}
	evidence := gauges.Family{Name: "yardtally_clock_evidence", Kind: gauges.Gauge, Help: "By what the rig's time is known: 1 beside that."}
	steps := gauges.Family{Name: "yardtally_clock_steps", Kind: gauges.Gauge, Help: "Steps of clocks that were seen and undone."}
	litres := gauges.Family{Name: "yardtally_metered_litres", Kind: gauges.Gauge, Help: "All that the meter has counted; a correction may lower it."}
	tote := gauges.Family{Name: "yardtally_tote_litres", Kind: gauges.Gauge, Help: "What is in the tote, where that is known."}
	faults := gauges.Family{Name: "yardtally_faults", Kind: gauges.Gauge, Help: "What is wrong with keeping or telling, now."}
	broken := gauges.Family{Name: "yardtally_account_stopped", Kind: gauges.Gauge, Help: "Whether a rig's account has broken down; its readings are kept."}
	signals := gauges.Family{Name: "yardtally_signals_total", Kind: gauges.Counter, Help: "Signals that outlets were given, or dropped, since the start or the newest reload."}
	for _, r := range d.rigs {
		rig := r.set.Rig
		s := r.desk.Snapshot()
		if w := r.watching.Shown(); w != nil {
			var n [alarm.Gone]float64
			for i := range w.Alarms {
				if st := w.Alarms[i].State; st > 0 && st < alarm.Gone {
					n[st]++
				}
			}
			for st := alarm.Unacknowledged; st < alarm.Gone; st++ {
				alarms.Add(n[st], "rig", rig, "state", st.String())
			}
		}
		now := d.clock.Now()
		offset.Add(float64(now.Mono+s.Offset-now.Wall)/1e9, "rig", rig)
		for _, by := range clockBy {
			is := 0.0
			if s.View.Placed.By == by {
				is = 1
			}
			evidence.Add(is, "rig", rig, "by", by)
		}
		steps.Add(float64(s.View.Placed.Steps), "rig", rig)
		litres.Add(s.View.Total.Litres(), "rig", rig)
		if s.View.Tote.Known {
			tote.Add(s.View.Tote.Volume.Litres(), "rig", rig)
		}
		faults.Add(float64(len(s.Faults)), "rig", rig)
		is := 0.0
		if r.fault() != "" {
			is = 1
		}
		broken.Add(is, "rig", rig)
		given, dropped := r.ear.gives().Counts()
		signals.Add(float64(given), "rig", rig, "what", "given")
		signals.Add(float64(dropped), "rig", rig, "what", "dropped")
	}
	*all = append(*all, alarms, offset, evidence, steps, litres, tote, faults, broken, signals)
}

// boardFamilies are of the process and its board, from /proc as proc(5) has it.
func (d *daemon) boardFamilies(all *[]gauges.Family) {
	one := func(name string, kind gauges.Kind, value float64, help string) {
		*all = append(*all, gauges.Family{Name: "yardtally_" + name, Kind: kind, Help: help, Samples: []gauges.Sample{{Value: value}}})
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	one("heap_bytes", gauges.Gauge, float64(m.HeapAlloc), "Memory of living and not yet swept things.")
	one("goroutines", gauges.Gauge, float64(runtime.NumGoroutine()), "Goroutines.")
	one("processor_seconds_total", gauges.Counter, usedOfProcessor().Seconds(), "What the daemon used of the processor.")
	if entries, err := os.ReadDir("/proc/self/fd"); err == nil {
		one("open_descriptors", gauges.Gauge, float64(len(entries)-1), "Files, sockets and ports that are open.") // less the folder's own
	}
	if n, ok := procField("/proc/self/status", "VmRSS:"); ok {
		one("resident_bytes", gauges.Gauge, n*1024, "Memory of the process in RAM.")
	}
	if n, ok := procField("/proc/self/io", "write_bytes:"); ok {
		one("written_bytes_total", gauges.Counter, n, "What the daemon had written to disks since the start.")
	}
}

// procField is a number from a file of lines "name value …".
func procField(path, name string) (float64, bool) {
	data, err := os.ReadFile(path)
	if err != nil {
		return 0, false
	}
	for l := range strings.Lines(string(data)) {
		if f := strings.Fields(l); len(f) >= 2 && f[0] == name {
			n, err := strconv.ParseFloat(f[1], 64)
			return n, err == nil
		}
	}
	return 0, false
}

// metricsServer serves the metrics at an address of their own: a server that
// asks for them cannot sign in at the page's door, so here a token does.
type metricsServer struct {
	set  settings.Metrics
	http *http.Server
	l    net.Listener
}

// listenMetrics takes the address.
func listenMetrics(set settings.Metrics) (*metricsServer, error) {
	l, err := net.Listen("tcp", set.Address)
	if err != nil {
		return nil, fmt.Errorf("metrics.address: must be a free address of this machine, is %q: %w", set.Address, err)
	}
	return &metricsServer{set: set, l: door.Listen(l, nil)}, nil
}

func (m *metricsServer) serve(ctx context.Context, d *daemon) {
	m.http = d.serve(door.NewServer(ctx, d.metricsHandler(m.set.Token), d.log), m.l)
}

// metricsHandler answers GET /metrics, to whoever gives the token.
func (d *daemon) metricsHandler(token string) http.Handler {
	mux := http.NewServeMux()
	var turn sync.Mutex // one at a time: they are cheap, and a flood of askers is not
	mux.HandleFunc("GET /metrics", func(w http.ResponseWriter, r *http.Request) {
		if token != "" {
			given, _ := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
			a, b := sha256.Sum256([]byte(given)), sha256.Sum256([]byte(token))
			if subtle.ConstantTimeCompare(a[:], b[:]) != 1 {
				w.Header().Set("WWW-Authenticate", `Bearer realm="yardtally metrics"`)
				http.Error(w, "the token of [metrics] must be given: Authorization: Bearer TOKEN", http.StatusUnauthorized)
				return
			}
		}
		var out bytes.Buffer
		turn.Lock()
		err := gauges.Write(&out, d.families())
		turn.Unlock()
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", gauges.ContentType)
		w.Header().Set("Cache-Control", "no-store")
		_, _ = w.Write(out.Bytes())
	})
	return mux
}
