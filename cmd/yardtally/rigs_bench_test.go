package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/mqttsub/mosquittotest"
	"yardtally/ingest/publish/influxtest"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
)

// envFleet has this program play a fleet instead of tests: address, rigs, seconds.
const envFleet = "YARDTALLY_FLEET"

func init() {
	if how := os.Getenv(envFleet); how != "" {
		var f fleet
		_, err := fmt.Sscan(how, &f.Addr, &f.Rigs, &f.Seconds)
		if err == nil {
			err = f.play()
		}
		if err == nil {
			err = json.NewEncoder(os.Stdout).Encode(&f)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
}

// fleet is many rigs that speak MQTT in real time, each over its own connection,
// and what became of what they said.
type fleet struct {
	Addr    string
	Rigs    int
	Seconds int

	Messages, Readings int
	Bytes              int64      // over the rigs' connections, both ways, without TCP's and IP's own
	Results            int        // messages of the daemon's, as somebody hears them who listens to all rigs
	ResultBytes        int64      // over his connection
	Acked              [3]float64 // ms from publishing to the broker's word: median, 99th percentile, most
	Late               float64    // ms that a message left after its time, 99th percentile
	CPU                float64    // s
}

func rigName(i int) string { return fmt.Sprintf("rig-%03d", i) }

// of12 are the channels that make 12 readings a second of a rig: pulses and
// uptime five times, level and shaft speed once, the temperature each five seconds.
var of12 = []meter.Channel{meter.Pulses, meter.Uptime, meter.Headspace, meter.Pump, meter.Syrup}

// tallied counts what goes over a connection.
type tallied struct {
	net.Conn
	n *atomic.Int64
}

func (c tallied) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	c.n.Add(int64(n))
	return n, err
}

func (c tallied) Write(p []byte) (int, error) {
	n, err := c.Conn.Write(p)
	c.n.Add(int64(n))
	return n, err
}

// client signs in from a loopback address of its own.
func (f *fleet) client(name string, from net.IP, n *atomic.Int64) (mqtt.Client, error) {
	d := &net.Dialer{LocalAddr: &net.TCPAddr{IP: from}}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + f.Addr).SetClientID(name).SetAutoReconnect(false).
		SetCustomOpenConnectionFn(func(u *url.URL, _ mqtt.ClientOptions) (net.Conn, error) {
			c, err := d.Dial("tcp", u.Host)
			return tallied{c, n}, err
		}))
	if k := c.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		return nil, fmt.Errorf("%s: %v", name, k.Error())
	}
	return c, nil
}

// partOf is a stretch of a night, from shortly before its first pull on.
func partOf(seed uint64, seconds int) ([]rigsim.Said, error) {
	rig, err := rigsim.New(seeded(seed))
	if err != nil {
		return nil, err
	}
	var all []rigsim.Said
	for m := range rig.All() {
		x := rigsim.Said{At: m.At}
		for _, r := range m.Readings {
			if slices.Contains(of12, r.Channel) {
				x.Readings = append(x.Readings, r)
			}
		}
		if len(x.Readings) > 0 {
			all = append(all, x)
		}
	}
	from := rig.Truth().Fills[0].Start.Add(-5 * time.Second)
	all = slices.DeleteFunc(all, func(m rigsim.Said) bool { return m.At.Before(from) })
	to := from.Add(time.Duration(seconds) * time.Second)
	if i := slices.IndexFunc(all, func(m rigsim.Said) bool { return m.At.After(to) }); i >= 0 {
		all = all[:i]
	} else {
		return nil, errors.New("the night is shorter than the play")
	}
	return all, nil
}

func (f *fleet) play() error {
	var nights [8][]rigsim.Said
	for i := range nights {
		var err error
		if nights[i], err = partOf(uint64(i+1), f.Seconds); err != nil {
			return err
		}
	}
	var mu sync.Mutex
	var acked, late []time.Duration
	var failed error
	var all sync.WaitGroup
	var sent, heard, results atomic.Int64
	lamp, err := f.client("lamp", net.IPv4(127, 0, 1, 200), &heard)
	if err != nil {
		return err
	}
	for _, topics := range []string{"results/#", "alarms", "alarm", "signal"} {
		k := lamp.Subscribe(settings.DefaultPrefix+"/+/"+topics, 1, func(mqtt.Client, mqtt.Message) { results.Add(1) })
		if !k.WaitTimeout(time.Minute) || k.Error() != nil {
			return fmt.Errorf("listening: %v", k.Error())
		}
	}
	start := time.Now().Add(2 * time.Second)
	for i := range f.Rigs {
		c, err := f.client(rigName(i), net.IPv4(127, 0, 1, byte(1+i/16)), &sent)
		if err != nil {
			return err
		}
		said := nights[i%len(nights)]
		phase := time.Duration(i) * 200 * time.Millisecond / time.Duration(f.Rigs)
		all.Go(func() {
			defer c.Disconnect(250)
			var mine, behind []time.Duration
			readings := 0
			var took sync.WaitGroup
			var lock sync.Mutex
			for _, m := range said {
				pack, err := rigsim.Pack(nil, rigName(i), m, false)
				if err != nil {
					panic(err)
				}
				due := start.Add(m.At.Sub(said[0].At) + phase)
				time.Sleep(time.Until(due))
				at := time.Now()
				behind = append(behind, at.Sub(due))
				k := c.Publish(settings.DefaultPrefix+"/"+rigName(i)+"/readings", 1, false, pack)
				readings += len(m.Readings)
				took.Go(func() {
					ok := k.WaitTimeout(time.Minute)
					lock.Lock()
					defer lock.Unlock()
					if !ok || k.Error() != nil {
						mu.Lock()
						failed = fmt.Errorf("%s: not acknowledged: %v", rigName(i), k.Error())
						mu.Unlock()
					}
					mine = append(mine, time.Since(at))
				})
			}
			took.Wait()
			mu.Lock()
			defer mu.Unlock()
			f.Messages += len(said)
			f.Readings += readings
			acked, late = append(acked, mine...), append(late, behind...)
		})
	}
	time.Sleep(time.Until(start))
	heard.Store(0)
	results.Store(0)
	all.Wait()
	f.Bytes, f.Results, f.ResultBytes = sent.Load(), int(results.Load()), heard.Load()
	lamp.Disconnect(250)
	slices.Sort(acked)
	slices.Sort(late)
	f.Acked = [3]float64{ms(at(acked, 0.5)), ms(at(acked, 0.99)), ms(at(acked, 1))}
	f.Late = ms(at(late, 0.99))
	f.CPU = cpu()
	return failed
}

func ms(d time.Duration) float64 { return float64(d) / 1e6 }

// at is a quantile of sorted values.
func at(sorted []time.Duration, q float64) time.Duration {
	return sorted[min(len(sorted)-1, int(q*float64(len(sorted))))]
}

// cpu is what this process has used, s.
func cpu() float64 {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// BenchmarkRigs is many rigs in real time: 200 of them, 12 readings a second each
// and somewhat more, over the daemon's own broker, and over a mosquitto with results
// going to an InfluxDB beside. Rigs, broker and InfluxDB run on the same
// machine, each in a process of its own; somebody looks at the page of all rigs.
// It is for 30 s, or 5 min with YARDTALLY_FULL, or 14 s in CI, which measures nothing.
//
// lag is how old the newest is that a rig's page shows kept: a commit a second
// is meant, so 1 s is well; s-lag-end-p99 is of the last quarter, and shows whether
// anything fell behind, as waiting-most does of the points for the InfluxDB. cores
// is the daemon's CPU time a second. Figures a rig and second (/rig·s) are
// multiplied to those of 10,000 rigs, which are printed.
func BenchmarkRigs(b *testing.B) {
	const rigs = 200
	b.Run("own broker", func(b *testing.B) { benchRigs(b, rigs, false) })
	b.Run("mosquitto and InfluxDB", func(b *testing.B) { benchRigs(b, rigs, true) })
}

func benchRigs(b *testing.B, rigs int, beside bool) {
	seconds := 30
	switch {
	case full():
		seconds = 300
	case os.Getenv("YARDTALLY_CI") != "": // there it is asked whether it runs
		seconds = 14
	}
	for b.Loop() {
		data := filepath.Join(b.TempDir(), "data")
		night := &night{Scenario: rigsim.DemoNight()}
		set := night.settings(b, data)
		set.Door.Open = true
		var addr string
		var store *influxtest.Server
		if beside {
			addr = mosquittotest.Start(b, "max_queued_messages 100000").Addr
			set.MQTT = []settings.MQTT{{Name: "mqtt", URL: "tcp://" + addr, Client: "yardtally-house", Prefix: settings.DefaultPrefix}}
			for _, what := range []string{"CACHE_SNAPSHOT_WRITE_COLD_DURATION", "COMPACT_FULL_WRITE_COLD_DURATION"} {
				b.Setenv("INFLUXDB_DATA_"+what, "10m") // not while it is measured
			}
			store = influxtest.Start(b)
			set.Influx = &settings.Influx{URL: store.URL, Token: store.Token(), Bucket: store.Bucket()}
		} else {
			set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
		}
		all := *set
		for i := range rigs {
			one := *set
			one.Rig = rigName(i)
			all.Rigs = append(all.Rigs, &one)
		}
		all.Rig, all.Acts = "", nil
		d := &daemon{set: &all, clock: &source.Steady{Clock: source.SystemClock{}}, bootID: source.BootID(), speed: 1,
			log: slog.New(slog.NewTextHandler(b.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))}
		ctx, stop := context.WithCancel(context.Background())
		opening := time.Now()
		if err := openDaemon(ctx, d); err != nil {
			b.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- d.run(ctx) }()
		for _, s := range d.sources {
			await(b, "source "+s.Name()+" to open", func() bool { return s.State().Phase == source.Open })
		}
		b.ReportMetric(time.Since(opening).Seconds(), "s-first-start")
		runtime.GC()
		b.ReportMetric(status(b, os.Getpid(), "VmRSS"), "MB-idle")
		if !beside {
			addr = d.broker.Addr()
		}
		go func() { // somebody looks on
			res, err := http.Get(pageURL(d.page.Addr(), false) + "live")
			if err == nil {
				_, _ = io.Copy(io.Discard, res.Body)
				res.Body.Close()
			}
		}()
		f := playFleet(b, addr, rigs, seconds)
		await(b, "the rigs to speak", func() bool { return d.journal.Stats().Readings > 0 })
		var lags, atEnd []time.Duration
		waiting := int64(0)
		most, from, used := 0.0, time.Now(), cpu()
		tick := time.NewTicker(250 * time.Millisecond)
		for time.Since(from) < time.Duration(seconds-4)*time.Second {
			<-tick.C
			for _, r := range d.rigs {
				s := r.desk.Snapshot()
				if time.Since(from) > 3*time.Second {
					lags = append(lags, time.Duration(d.clock.Now().Mono+s.Offset-s.View.At))
				}
				if time.Since(from) > time.Duration(seconds-4)*time.Second*3/4 {
					atEnd = append(atEnd, lags[len(lags)-1])
				}
			}
			if d.forward != nil {
				waiting = max(waiting, d.forward.State().Backlog)
			}
			most = max(most, status(b, os.Getpid(), "VmRSS"))
		}
		tick.Stop()
		b.ReportMetric((cpu()-used)/time.Since(from).Seconds(), "cores")
		said := f()
		for _, r := range d.rigs {
			settled(b, r)
		}
		st := d.journal.Stats()
		if int(st.Readings) != said.Readings || st.Pending != 0 {
			b.Errorf("%d readings kept of %d said, %d wait", st.Readings, said.Readings, st.Pending)
		}
		fills := 0
		for _, r := range d.rigs {
			fills += len(r.desk.Snapshot().View.Fills)
		}
		if fills < rigs {
			b.Errorf("%d fills of %d rigs", fills, rigs)
		}
		if rate := float64(said.Readings) / float64(rigs*seconds); rate < 12 {
			b.Errorf("%.2f readings a second of a rig, want 12", rate)
		}
		for _, s := range d.sources {
			if lost := s.State().Dropped; len(lost) > 0 {
				b.Errorf("%s dropped %v", s.Name(), lost)
			}
		}
		per := rigFigures{rigs: rigs, seconds: seconds, said: said}
		if d.forward != nil {
			await(b, "all results to be sent", func() bool { s := d.forward.State(); return s.Backlog == 0 && s.Sent > 0 })
			per.points = float64(d.forward.State().Sent)
			b.ReportMetric(per.points/float64(seconds), "points/s")
			b.ReportMetric(float64(waiting), "waiting-most")
			per.pointBytes = bytesWritten(b, store)
		}
		slices.Sort(lags)
		slices.Sort(atEnd)
		b.ReportMetric(at(atEnd, 0.99).Seconds(), "s-lag-end-p99")
		b.ReportMetric(at(lags, 0.5).Seconds(), "s-lag")
		b.ReportMetric(at(lags, 0.99).Seconds(), "s-lag-p99")
		b.ReportMetric(at(lags, 1).Seconds(), "s-lag-most")
		b.ReportMetric(most, "MB")
		b.ReportMetric(float64(st.Commits)/float64(seconds), "commits/s")
		b.ReportMetric(float64(said.Readings)/float64(seconds), "readings/s")
		b.ReportMetric(said.Acked[1], "ms-ack-p99")
		b.ReportMetric(said.Late, "ms-late-p99")
		b.ReportMetric(said.CPU/float64(seconds), "cores-of-the-rigs")
		stopping := time.Now()
		stop()
		if err := <-ended; err != nil {
			b.Error(err)
		}
		b.ReportMetric(time.Since(stopping).Seconds(), "s-stop")
		per.journal = sealedSize(b, filepath.Join(data, journalFile))
		if store != nil {
			per.stored = storedSize(b, store)
		}
		per.report(b)
	}
}

// playFleet has rigs speak in a process of its own, and returns what waits for
// its end.
func playFleet(b *testing.B, addr string, rigs, seconds int) func() fleet {
	b.Helper()
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%s %d %d", envFleet, addr, rigs, seconds))
	cmd.Stderr = os.Stderr
	var out strings.Builder
	cmd.Stdout = &out
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	return func() (f fleet) {
		if err := cmd.Wait(); err != nil {
			b.Fatal(err)
		}
		if err := json.Unmarshal([]byte(out.String()), &f); err != nil {
			b.Fatal(err)
		}
		return f
	}
}

func seeded(seed uint64) rigsim.Scenario {
	s := rigsim.DemoNight()
	s.Seed = seed
	return s
}
