package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// night is a simulated night, with all that was said in it and all that is true.
type night struct {
	rigsim.Scenario
	said  []rigsim.Said
	truth rigsim.Truth
	pulse quantity.Volume // what a pulse is worth by the settings' proving
}

func playNight(t testing.TB, s rigsim.Scenario) *night {
	t.Helper()
	rig, err := rigsim.New(s)
	if err != nil {
		t.Fatal(err)
	}
	n := &night{Scenario: s, said: make([]rigsim.Said, 0, 1<<15)}
	for m := range rig.All() {
		n.said = append(n.said, m)
	}
	n.truth = rig.Truth()
	return n
}

// settings are those of the demo for this rig, without any source.
func (n *night) settings(t testing.TB, data string) *settings.Settings {
	t.Helper()
	set, err := (&demo{night: n.Scenario, data: data, page: "127.0.0.1:0", units: quantity.US}).settings("")
	if err != nil {
		t.Fatal(err)
	}
	set.Serial, set.Broker = nil, nil
	// One K-factor for every flow, so that sums are exact.
	set.Acts = slices.DeleteFunc(set.Acts, func(a settings.Said) bool { _, ok := a.Body.(act.Proving); return ok })
	const perLitre = 132.25
	set.Acts = append(set.Acts, settings.Said{Key: "proving", Body: act.Proving{PulsesPerL: perLitre}})
	n.pulse = quantity.VolumeOf(1.0 / perLitre / 1000)
	return set
}

// stopAt has the counter's stop signal come at so many litres a fill.
func stopAt(set *settings.Settings, litres float64) {
	for i := range set.Acts {
		if rig, ok := set.Acts[i].Body.(act.Rig); ok {
			rig.FillL = litres
			set.Acts[i].Body = rig
		}
	}
}

// stepClock stands still between messages: each arrives at its simulated instant.
type stepClock struct {
	start int64 // Unix ns
	at    atomic.Int64
}

func newStepClock(start time.Time) *stepClock {
	c := &stepClock{start: start.UnixNano()}
	c.at.Store(c.start)
	return c
}

func (c *stepClock) set(at time.Time) { c.at.Store(at.UnixNano()) }

// Now implements source.Clock.
func (c *stepClock) Now() source.Stamp {
	at := c.at.Load()
	return source.Stamp{Mono: 77e9 + at - c.start, Wall: at}
}

// atWork is a daemon that runs in this process.
type atWork struct {
	*daemon
	t     testing.TB
	clock *stepClock
	stop  context.CancelFunc
	ended chan error
}

// work opens the daemon and waits until its sources are open.
func work(t testing.TB, set *settings.Settings, clock *stepClock) *atWork {
	t.Helper()
	w := workBy(t, set, clock)
	w.clock = clock
	for _, s := range w.sources {
		await(t, "source "+s.Name()+" to open", func() bool { return s.State().Phase == source.Open })
	}
	return w
}

// workBy opens the daemon by any clock, changed in some ways.
func workBy(t testing.TB, set *settings.Settings, clock source.Clock, ways ...func(*daemon)) *atWork {
	t.Helper()
	w := &atWork{t: t, ended: make(chan error, 1), daemon: &daemon{set: set, clock: clock,
		bootID: "test boot", speed: 1, log: slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))}}
	for _, way := range ways {
		way(w.daemon)
	}
	var ctx context.Context
	ctx, w.stop = context.WithCancel(context.Background())
	if err := openDaemon(ctx, w.daemon); err != nil {
		t.Fatal(err)
	}
	go func() { w.ended <- w.daemon.run(ctx) }()
	t.Cleanup(w.end)
	return w
}

func (w *atWork) end() {
	if w.stop == nil {
		return
	}
	w.stop()
	w.stop = nil
	if err := <-w.ended; err != nil {
		w.t.Errorf("the daemon ended with: %v", err)
	}
}

// view settles and returns what the desk has.
func (w *atWork) view() *ledger.View {
	w.t.Helper()
	if err := w.desk.Settle(context.Background()); err != nil {
		w.t.Fatal(err)
	}
	return w.desk.Snapshot().View
}

// last ends the daemon and returns what the desk had then: of sources that ask
// and ask again, more comes after any view.
func (w *atWork) last() *ledger.View {
	w.t.Helper()
	w.end()
	return w.desk.Snapshot().View
}

// await waits for what will come about; it fails only where it never does.
func await(t testing.TB, what string, ready func() bool) {
	t.Helper()
	limit := time.Now().Add(2 * time.Minute)
	for n := 0; !ready(); n++ {
		if time.Now().After(limit) {
			t.Fatalf("waited two minutes for %s", what)
		}
		if n < 200 {
			runtime.Gosched()
		} else {
			time.Sleep(100 * time.Microsecond)
		}
	}
}

// cable is a serial line: a pseudo-terminal whose far end the daemon opens.
type cable struct {
	near *os.File
	path string
}

func newLine(t testing.TB) *cable {
	t.Helper()
	near, far, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close(); far.Close() })
	return &cable{near, far.Name()}
}

// publisher is a rig's own MQTT client.
func publisher(t testing.TB, addr string) mqtt.Client { return publisherNamed(t, addr, "rig") }

func publisherNamed(t testing.TB, addr, id string) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetMaxReconnectInterval(time.Second))
	if k := c.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func sendPack(t testing.TB, c mqtt.Client, rig string, pack []byte) {
	t.Helper()
	k := c.Publish(settings.DefaultPrefix+"/"+rig+"/readings", 1, false, pack)
	if !k.WaitTimeout(time.Minute) || k.Error() != nil {
		t.Fatalf("publishing: %v", k.Error())
	}
}

// replayed derives everything anew from a journal that no daemon has open.
func replayed(t testing.TB, data string) *ledger.View {
	t.Helper()
	b, err := openLocal(data, "", false)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.journal.DropCheckpoints(); err != nil {
		t.Fatal(err)
	}
	if d := b.journal.Damage(); len(d) > 0 {
		t.Errorf("the journal is damaged: %v", d)
	}
	// The state that was saved at the daemon's end was of use for this opening.
	before, err := b.View(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	// Its closing saves no state, since there is nothing new to save.
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if b, err = openLocal(data, "", false); err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	v, err := b.View(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	sameView(t, "from the saved state, and from the start", before, v)
	return v
}

// bare is what of a view must be the same however its records came: all but
// the names of sessions, which are orders of arrival, and of acts that settings
// said, and what is about now.
func bare(v *ledger.View) ledger.View {
	c := *v
	c.Fills, c.Loose = append([]ledger.Fill(nil), v.Fills...), append([]ledger.Loose(nil), v.Loose...)
	for i := range c.Fills {
		c.Fills[i].Session, c.Fills[i].Pulled.Batch = 0, ""
	}
	for i := range c.Loose {
		c.Loose[i].Session = 0
	}
	c.Batches = slices.Clone(v.Batches)
	for i := range c.Batches {
		c.Batches[i].ID = ""
	}
	c.Settled, c.Records, c.Placed = 0, 0, ledger.Placing{}
	return c
}

func sameView(t testing.TB, what string, a, b *ledger.View) {
	t.Helper()
	va, vb := reflect.ValueOf(bare(a)), reflect.ValueOf(bare(b))
	for i := range va.NumField() {
		x, y := va.Field(i).Interface(), vb.Field(i).Interface()
		if reflect.DeepEqual(x, y) {
			continue
		}
		name := va.Type().Field(i).Name
		if f, ok := x.([]ledger.Fill); ok && len(f) == len(y.([]ledger.Fill)) {
			for k := range f {
				if g := y.([]ledger.Fill)[k]; f[k] != g {
					t.Errorf("%s: fill %d differs:\n %+v\n %+v", what, k, f[k], g)
				}
			}
			continue
		}
		t.Errorf("%s: %s differ:\n %+v\n %+v", what, name, x, y)
	}
}

// checkTruth holds a view against what the simulated rig truly did: every fill
// there, in its yard, at its time and exact to the pulse, and nothing besides.
func (n *night) checkTruth(t testing.TB, what string, v *ledger.View) {
	t.Helper()
	if got, want := v.Total, quantity.Volume(n.truth.Count-n.Meter.Count)*n.pulse; got != want {
		t.Errorf("%s: total %v, want %v", what, got, want)
	}
	n.checkSum(t, what, v)
	if len(v.Fills) != len(n.truth.Fills) {
		t.Errorf("%s: %d fills, want %d", what, len(v.Fills), len(n.truth.Fills))
		return
	}
	for i, f := range v.Fills {
		w := &n.truth.Fills[i]
		// After the trigger shut, a few pulses may dribble; they are the fill's
		// until the count stood still for a while.
		if f.First < w.First || f.First > w.First+1 && i > 0 && f.First > n.truth.Fills[i-1].Settled || f.Last < w.Last || f.Last > w.Settled {
			t.Errorf("%s: fill %d is of counts %d to %d, truly %d to %d or %d", what, i, f.First, f.Last, w.First, w.Last, w.Settled)
		}
		if f.Volume != quantity.Volume(f.Last-f.First)*n.pulse {
			t.Errorf("%s: fill %d is %v of %d pulses", what, i, f.Volume, f.Last-f.First)
		}
		if f.Yard != w.Yard || f.Reason != ledger.ByPosition {
			t.Errorf("%s: fill %d in yard %q by %s, truly %q", what, i, f.Yard, f.Reason, w.Yard)
		}
		if d := time.Unix(0, f.Start).Sub(w.Start); d < -250*time.Millisecond || d > 2*time.Second {
			t.Errorf("%s: fill %d starts %v after it truly did", what, i, d)
		}
		if d := time.Unix(0, f.End).Sub(w.End); d < -250*time.Millisecond || d > 8*time.Second {
			t.Errorf("%s: fill %d ends %v after the trigger was shut", what, i, d)
		}
		if f.Open {
			t.Errorf("%s: fill %d is still open", what, i)
		}
	}
	if len(v.Gaps) > 0 || len(v.Review) > 0 {
		t.Errorf("%s: gaps %+v, review %+v", what, v.Gaps, v.Review)
	}
	for _, l := range v.Loose {
		if l.Why != "dribble" || l.Last-l.First > 3 {
			t.Errorf("%s: loose flow %+v", what, l)
		}
	}
}

// checkSum checks that pieces of flow follow each other without gap or overlap
// within a session, and add up to the total, and so do the yards.
func (n *night) checkSum(t testing.TB, what string, v *ledger.View) {
	t.Helper()
	var sum quantity.Volume
	for _, f := range v.Fills {
		sum += f.Volume
	}
	for _, l := range v.Loose {
		sum += l.Volume
	}
	if sum != v.Total {
		t.Errorf("%s: fills and loose flow are %v, the total is %v", what, sum, v.Total)
	}
	from, to := ledger.NightOf(n.Start.UnixNano(), n.zone(t))
	if tally := ledger.Tally(v, from, to); tally.Total != v.Total {
		t.Errorf("%s: the yards add up to %v, the total is %v", what, tally.Total, v.Total)
	}
}

func (n *night) zone(t testing.TB) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(n.Zone)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// recording writes the night as a recording and returns its path.
func (n *night) recording(t testing.TB) string {
	t.Helper()
	var text bytes.Buffer
	for _, m := range n.said {
		pack, err := rigsim.Pack(nil, n.Rig, m, true)
		if err != nil {
			t.Fatal(err)
		}
		text.Write(pack)
		text.WriteByte('\n')
	}
	path := filepath.Join(t.TempDir(), "night.senml")
	if err := os.WriteFile(path, text.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// call runs a command as a person would, and returns what it printed.
func call(t testing.TB, args ...string) string {
	t.Helper()
	var out, err bytes.Buffer
	if code := Main(args, &env{bytes.NewReader(nil), &out, &err}); code != 0 {
		t.Fatalf("%v: code %d: %s", args, code, err.Bytes())
	}
	return out.String()
}

// full reports whether the long runs were asked for.
func full() bool { return os.Getenv("YARDTALLY_FULL") != "" }

// long says whether they are as many as the figures in DEVELOPERS.md were made
// with, which takes twice as long.
func long() bool { return os.Getenv("YARDTALLY_FULL") == "long" }

// seeds are those of the nights that are tried.
func seeds() []uint64 {
	if full() {
		return []uint64{1, 2, 3, 4, 5, 6, 7, 8}
	}
	return []uint64{1, 7}
}

func seedName(s uint64) string { return fmt.Sprint("seed", s) }
