package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/ledger"
)

// The test program is also the daemon that is killed: with these variables it
// runs one on a clock that several processes share.
const (
	envSettings = "YARDTALLY_E2E_SETTINGS"
	envClock    = "YARDTALLY_E2E_CLOCK" // origin, start, speed
)

func init() {
	if path := os.Getenv(envSettings); path != "" {
		os.Exit(fastDaemon(path))
	}
}

// sharedClock runs faster than life, alike in every process of one boot of the
// machine.
type sharedClock struct {
	origin int64 // of the boot's monotonic clock, ns
	start  int64 // Unix ns, simulated
	speed  float64
}

// Now implements source.Clock.
func (c sharedClock) Now() source.Stamp {
	d := int64(float64(source.SystemClock{}.Now().Mono-c.origin) * c.speed)
	return source.Stamp{Mono: 77e9 + d, Wall: c.start + d}
}

func (c sharedClock) String() string { return fmt.Sprintf("%d %d %g", c.origin, c.start, c.speed) }

func fastDaemon(path string) int {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	var c sharedClock
	_, err := fmt.Sscan(os.Getenv(envClock), &c.origin, &c.start, &c.speed)
	if err == nil {
		var set *settings.Settings
		if set, err = settings.Read(path); err == nil {
			d := &daemon{set: set, clock: &source.Steady{Clock: c}, bootID: "one boot", speed: 1, // one commit a second of life
				log: slog.New(slog.NewTextHandler(os.Stderr, nil))}
			if err = openDaemon(ctx, d); err == nil {
				go sayFirst(ctx, d)
				err = d.run(ctx)
			}
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// sayFirst prints a line once a reading is kept and shown.
func sayFirst(ctx context.Context, d *daemon) {
	for range d.desk.Watch(ctx) {
		if d.desk.Snapshot().Records > 0 {
			fmt.Println("kept")
			return
		}
	}
}

// victim is a daemon in a process of its own.
type victim struct {
	cmd   *exec.Cmd
	out   io.Reader
	ended chan struct{} // closed when err is set
	err   error
}

func spawn(t testing.TB, path string, c sharedClock, log io.Writer) *victim {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	v := &victim{cmd: exec.Command(self), ended: make(chan struct{})}
	v.cmd.Env = append(os.Environ(), envSettings+"="+path, envClock+"="+c.String())
	v.cmd.Stderr = log
	out, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { out.Close() })
	v.cmd.Stdout, v.out = in, out
	defer in.Close()
	if err := v.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		v.err = v.cmd.Wait()
		close(v.ended)
	}()
	return v
}

func (v *victim) signal(t testing.TB, sig os.Signal) error {
	t.Helper()
	if err := v.cmd.Process.Signal(sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatal(err)
	}
	<-v.ended
	return v.err
}

// settingsFile describes the night's rig as its keeper would in a file.
func (n *night) settingsFile(t testing.TB, dir, port, broker string) string {
	t.Helper()
	if n.pulse == 0 {
		n.settings(t, dir)
	}
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("rig = %q\nzone = %q\npage = \"127.0.0.1:0\"\ndata = \"data\"", n.Rig, n.Zone)
	p("[counter]\nwrap_bits = %d", n.Meter.WrapBits)
	for _, y := range n.Yards {
		p("[[yards]]\nid = %q\nname = %q\nposition = [%v, %v]\nenter = \"90 m\"\nleave = \"140 m\"", y.ID, y.Name, y.Place.Lat, y.Place.Lon)
	}
	p("[[provings]]\nk_factor = \"%s pulses/L\"", strconv.FormatFloat(1/n.pulse.Litres(), 'g', -1, 64))
	p("[[serial]]\nname = \"counter board\"\nport = %q", port)
	p("[broker]\naddress = %q", broker)
	path := filepath.Join(dir, "rig.toml")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Killed without warning again and again, at any moment, while a night comes in
// over a serial line and MQTT, the daemon loses no volume that the counter
// board still holds and nothing it has ever shown, and invents nothing. What
// was going on around the kills may lack its detail.
func TestKill(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a quarter of a minute")
	}
	s, rounds, speed := rigsim.SmallNight(rand.Uint64N(1000)), 4, 60.0
	switch {
	case long():
		s, rounds, speed = rigsim.DemoNight(), 20, 60
	case full():
		rounds = 8
	}
	t.Logf("seed %d", s.Seed)
	rig, err := rigsim.New(s)
	if err != nil {
		t.Fatal(err)
	}
	n := &night{Scenario: s}
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	l := newLine(t)
	addr := freeAddress(t)
	path := n.settingsFile(t, dir, l.path, addr)
	log, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	defer func() {
		if t.Failed() {
			text, _ := os.ReadFile(log.Name())
			t.Logf("%s", text[max(0, len(text)-8000):])
		}
	}()
	clock := sharedClock{source.SystemClock{}.Now().Mono, s.Start.UnixNano(), speed}
	v := spawn(t, path, clock, log)
	defer func() { v.signal(t, syscall.SIGKILL) }()
	await(t, "the daemon", func() bool { _, err := look(data); return err == nil })

	// The rig talks from now to its end, whether anyone listens or not.
	ctx, quit := context.WithCancel(context.Background())
	var feeding sync.WaitGroup
	var deaf atomic.Bool // nobody has the line open: what it brings is gone
	feeding.Go(func() { talk(ctx, t, rig, l, addr, clock, &deaf) })
	defer feeding.Wait()
	defer quit()
	fed := make(chan struct{})
	go func() { feeding.Wait(); close(fed) }()

	shown := func() *ledger.View {
		var got *ledger.View
		await(t, "records to be kept", func() bool {
			v, err := look(data)
			got = v
			return err == nil && v.Records > 0
		})
		return got
	}
	shown()
	kills := 0
	for kills < rounds {
		atStart := rand.IntN(3) == 0
		if !atStart {
			shown()
		}
		wait := time.Duration(rand.Int64N(int64(2 * time.Second)))
		if atStart {
			wait /= 10 // while it opens its files
		}
		select {
		case <-time.After(wait):
		case <-fed:
			t.Logf("the night was over after %d kills", kills)
			rounds = kills
			continue
		}
		before, err := look(data)
		deaf.Store(true)
		v.signal(t, syscall.SIGKILL)
		kills++
		time.Sleep(time.Duration(rand.Int64N(int64(200 * time.Millisecond))))
		v = spawn(t, path, clock, log)
		deaf.Store(false)
		if err != nil {
			continue // it was not up yet
		}
		after := shown()
		if after.Records < before.Records || after.Total < before.Total {
			t.Errorf("kill %d: %d records and %v were shown before, %d and %v after", kills, before.Records, before.Total, after.Records, after.Total)
		}
		for _, f := range before.Fills {
			if !f.Open && f.End < before.Settled-10e9 && !holds(after, f) {
				t.Errorf("kill %d: fill %+v is gone", kills, f)
			}
		}
	}
	<-fed
	n.truth = rig.Truth()
	// The last of it is on its way.
	want := quantity.Volume(n.truth.Count-n.Meter.Count) * n.pulse
	await(t, "the last reading", func() bool { v, err := look(data); return err == nil && v.Total >= want })
	last, err := look(data)
	if err != nil {
		t.Fatal(err)
	}
	if err := v.signal(t, syscall.SIGTERM); err != nil {
		t.Errorf("it did not end well: %v", err)
	}
	if last.Total != want {
		t.Errorf("total %v, truly %v", last.Total, want)
	}
	after := replayed(t, data)
	if after.Total != want {
		t.Errorf("replayed: total %v, truly %v", after.Total, want)
	}
	n.checkSum(t, "after the kills", after)
	n.checkKept(t, data, after, kills)
}

// holds reports whether a view has that fill.
func holds(v *ledger.View, f ledger.Fill) bool {
	for _, g := range v.Fills {
		if g.First == f.First && g.Last == f.Last && g.Volume == f.Volume {
			return true
		}
	}
	return false
}

// checkKept holds the fills against the truth wherever the journal has the
// detail, and what is not a fill against the stretches for which it has none.
func (n *night) checkKept(t *testing.T, data string, v *ledger.View, kills int) {
	t.Helper()
	b, err := openLocal(data, "", false)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	type count struct {
		up float64
		n  uint64
	}
	var counts []count // that were kept, in order of uptime
	for after := uint64(0); ; {
		last, err := b.desk.Records(context.Background(), after, 4096, func(r *meter.Record, _ string) error {
			up, ok := r.Value(meter.Uptime)
			if p, okP := r.Value(meter.Pulses); ok && okP && (len(counts) == 0 || up > counts[len(counts)-1].up) {
				counts = append(counts, count{up, uint64(p)})
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if last == after {
			break
		}
		after = last
	}
	up := func(at time.Time) float64 { return (n.Meter.Uptime + at.Sub(n.Start)).Seconds() }
	seen := func(from, to float64) bool { // whether no message is missing in between, nor around
		last := n.Meter.Uptime.Seconds()
		for _, c := range counts {
			if c.up > from && c.up-last > 1 {
				return false
			}
			if last = c.up; last >= to {
				return true
			}
		}
		return false
	}
	whole, unseen := 0, quantity.Volume(0)
	for i := range n.truth.Fills {
		w := &n.truth.Fills[i]
		if !seen(up(w.Start)-3, up(w.End)+11) {
			continue
		}
		whole++
		found := false
		for _, f := range v.Fills {
			// The first count may be a late drop of the fill before. The yard is
			// no matter here: on a busy machine, at this speed, the line's bytes
			// are read minutes of the night after the position they belong to.
			found = found || (f.First == w.First || f.First == w.First+1) && f.Last >= w.Last && f.Last <= w.Settled
		}
		if !found {
			t.Errorf("fill %d, counts %d to %d in %q, was seen whole and is not there", i, w.First, w.Last, w.Yard)
		}
	}
	for _, l := range v.Loose {
		switch l.Why {
		case "dribble":
		case "unseen":
			unseen += l.Volume
		default:
			t.Errorf("loose flow %+v", l)
		}
	}
	if len(v.Gaps) > kills {
		t.Errorf("%d gaps of %d kills: %+v", len(v.Gaps), kills, v.Gaps)
	}
	for _, g := range v.Gaps {
		if g.Hidden != 0 || g.Why != "no readings" {
			t.Errorf("gap %+v", g)
		}
	}
	t.Logf("%d kills: %d of %d fills with all their detail, %v without; %d gaps", kills, whole, len(n.truth.Fills), unseen, len(v.Gaps))
}

// look asks a running daemon for its view.
func look(data string) (*ledger.View, error) {
	r, err := dialDaemon(context.Background(), data)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return r.View(context.Background())
}

func freeAddress(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// talk lets the rig speak. What the line does not take at once is lost.
func talk(ctx context.Context, t *testing.T, rig *rigsim.Rig, l *cable, addr string, clock sharedClock, deaf *atomic.Bool) {
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("rig").SetCleanSession(false).
		SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).SetMaxReconnectInterval(200 * time.Millisecond).SetOrderMatters(false))
	if k := client.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		t.Errorf("the rig cannot connect: %v", k.Error())
		return
	}
	defer client.Disconnect(100)
	began := clock.Now().Mono
	p := rigsim.Player{
		Speed: clock.speed, Split: rigsim.DemoSplit(), Stamped: true, Sleep: sleep,
		Elapsed: func() time.Duration { return time.Duration(float64(clock.Now().Mono-began) / clock.speed) },
		Serial: func(b []byte) error {
			if deaf.Load() {
				return nil
			}
			if err := l.near.SetWriteDeadline(time.Now().Add(5 * time.Millisecond)); err != nil {
				return err
			}
			if _, err := l.near.Write(b); err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
				return err
			}
			return nil
		},
		MQTT: func(b []byte) error {
			client.Publish(settings.DefaultPrefix+"/"+rig.Scenario().Rig+"/readings", 1, false, append([]byte(nil), b...))
			return nil
		},
	}
	if err := p.Play(ctx, rig); err != nil && ctx.Err() == nil {
		t.Errorf("the rig fell silent: %v", err)
	}
}
