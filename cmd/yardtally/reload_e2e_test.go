package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/cmd/yardtally/logbook"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/journal"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
)

// reloading is a daemon that was started from a file, which the test writes.
type reloading struct {
	*atWork
	t    testing.TB
	path string
	log  *syncBuffer
}

type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

func startFrom(t testing.TB, text string, ways ...func(*daemon)) *reloading {
	t.Helper()
	x := &reloading{t: t, path: filepath.Join(t.TempDir(), "rig.toml"), log: new(syncBuffer)}
	x.write(text)
	set, err := settings.Read(x.path)
	if err != nil {
		t.Fatal(err)
	}
	ways = append(ways, func(d *daemon) {
		d.book = logbook.New(x.log, true)
		d.log = d.book.Logger()
		d.setLog(set)
		d.reread = func() (*settings.Settings, error) { return settings.Read(x.path) }
	})
	x.atWork = workBy(t, set, &source.Steady{Clock: source.SystemClock{}}, ways...)
	return x
}

func (x *reloading) write(text string) {
	x.t.Helper()
	if err := os.WriteFile(x.path, []byte(text), 0o600); err != nil {
		x.t.Fatal(err)
	}
}

// again writes the file and has the daemon read it, as the command does.
func (x *reloading) again(text string) *reloaded {
	x.t.Helper()
	x.write(text)
	var out reloaded
	if err := json.Unmarshal([]byte(call(x.t, "reload", "-settings", x.path, "--json")), &out); err != nil {
		x.t.Fatal(err)
	}
	return &out
}

// TestReloadLosesNothing reloads fifty times, with sources that come and go and
// yards that change, while 2,000 readings a second come in by a broker and a
// serial line. All are kept, what did not change was not touched, and the
// journal derives to what the daemon has.
func TestReloadLosesNothing(t *testing.T) {
	const reloads = 50
	wire, spare := newLine(t), newLine(t)
	text := func(i int, addr string) string {
		var b strings.Builder
		fmt.Fprintf(&b, "rig = \"heron\"\ndata = \"data\"\npage = \"127.0.0.1:0\"\n")
		fmt.Fprintf(&b, "[[serial]]\nname = \"counter board\"\nport = %q\n", wire.path)
		fmt.Fprintf(&b, "[broker]\naddress = \"127.0.0.1:0\"\n[[broker.users]]\nname = \"heron\"\npassword = \"a\"\n")
		fmt.Fprintf(&b, "[[provings]]\nk_factor = \"%d pulses/L\"\n", 100+i%3)
		fmt.Fprintf(&b, "[[yards]]\nid = \"orchard\"\nname = \"Orchard End\"\nposition = [43.22, -91.88]\nenter = \"%d m\"\n", 60+i)
		if i%2 == 1 {
			fmt.Fprintf(&b, "[[broker.users]]\nname = \"shed\"\npassword = \"b\"\nread_only = true\n")
			fmt.Fprintf(&b, "[[serial]]\nname = \"spare\"\nport = %q\n", spare.path)
			fmt.Fprintf(&b, "[signal]\nearly = \"0.0%d gal\"\n[log]\nlevel = \"debug\"\n[metrics]\naddress = \"127.0.0.1:0\"\n", 1+i%9)
		}
		if i%3 == 1 {
			fmt.Fprintf(&b, "[[mqtt]]\nname = \"other\"\nurl = \"tcp://%s\"\nprefix = \"other\"\nuser = \"heron\"\npassword = \"a\"\n", addr)
			fmt.Fprintf(&b, "[[yards]]\nid = \"mill\"\nname = \"Mill Bottom\"\nposition = [43.23, -91.9%d]\n", i%10)
		}
		if i%5 == 2 {
			fmt.Fprintf(&b, "[[recording]]\nname = \"card\"\npath = \"card.senml\"\n")
		}
		return b.String()
	}
	x := startFrom(t, text(0, ""))
	for _, s := range x.sources {
		await(t, "source "+s.Name()+" to open", func() bool { return s.State().Phase == source.Open })
	}
	kept := slices.Clone(x.sources)
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + x.broker.Addr()).SetClientID("rig").
		SetUsername("heron").SetPassword("a").SetAutoReconnect(false))
	if k := client.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	defer client.Disconnect(100)

	// Two streams: pulses over MQTT, levels and temperatures by wire.
	over := make(chan struct{})
	var sent [2]int // readings by MQTT, by wire
	var speaking sync.WaitGroup
	began := time.Now()
	stream := func(every time.Duration, say func(n int, at time.Time) int, count *int) {
		speaking.Go(func() {
			tick := time.NewTicker(every)
			defer tick.Stop()
			for n := 1; ; n++ {
				select {
				case <-over:
					return
				case <-tick.C:
				}
				*count += say(n, time.Now())
			}
		})
	}
	// 475 packs of four and 100 lines of three readings a second.
	stream(time.Second/475, func(n int, at time.Time) int {
		up := at.Sub(began).Seconds()
		pulses := float64(int(up)/4*300) + min(300, max(0, up-float64(int(up)/4*4))*100) // three seconds of flow in four
		pack, err := rigsim.Pack(nil, "heron", rigsim.Said{At: at, Readings: []meter.Reading{{Channel: meter.Pulses, Value: float64(int(pulses))},
			{Channel: meter.Uptime, Value: float64(int(1000*up)) / 1000}, {Channel: meter.Lat, Value: 43.22}, {Channel: meter.Lon, Value: -91.88}}}, false)
		if err != nil {
			t.Error(err)
		}
		if k := client.Publish("yardtally/heron/readings", 1, false, pack); !k.WaitTimeout(time.Minute) || k.Error() != nil {
			t.Errorf("pack %d: %v", n, k.Error())
			return 0
		}
		return 4
	}, &sent[0])
	stream(time.Second/100, func(n int, at time.Time) int {
		lines, err := rigsim.SerialLines(nil, rigsim.Said{At: at, Readings: []meter.Reading{{Channel: meter.Headspace, Value: 0.4},
			{Channel: meter.Syrup, Value: 11.5}, {Channel: meter.Air, Value: 6.25}}})
		if err != nil {
			t.Error(err)
		}
		if _, err := wire.near.Write(lines); err != nil {
			t.Error(err)
		}
		return 3
	}, &sent[1])

	said := 0
	for i := 1; i <= reloads; i++ {
		before := x.gauge.brought("heron", "broker").records.Load()
		out := x.again(text(i, x.broker.Addr()))
		said += len(out.Done)
		if len(out.Restart) > 0 {
			t.Errorf("reload %d wants a restart: %v", i, out.Restart)
		}
		if i%10 == 0 { // one that cannot be
			x.write(text(i, "") + "speed = 3\n")
			var o, e bytes.Buffer
			if code := Main([]string{"reload", "-settings", x.path}, &env{nil, &o, &e}); code != 1 {
				t.Errorf("settings that cannot be: code %d: %s", code, e.Bytes())
			}
		}
		await(t, "readings to go on", func() bool { return x.gauge.brought("heron", "broker").records.Load() > before+40 })
	}
	close(over)
	speaking.Wait()
	for i, s := range kept {
		if !slices.Contains(x.sources, s) || s.State().Failures > 0 {
			t.Errorf("source %d, %s, was touched: %+v", i, s.Name(), s.State())
		}
	}
	if said < 3*reloads {
		t.Errorf("%d changes in %d reloads", said, reloads)
	}
	await(t, "all to be taken in", func() bool {
		n := 0
		for i, s := range kept {
			_ = i
			n += int(s.State().Readings)
		}
		return n == sent[0]+sent[1]
	})
	live := x.view()
	rate := float64(sent[0]+sent[1]) / time.Since(began).Seconds()
	data := filepath.Join(filepath.Dir(x.path), "data")
	x.end()

	j, err := journal.Open(filepath.Join(data, journalFile), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]int{}
	err = j.Replay("heron", 0, func(r *meter.Record) error { got[r.Source] += len(r.Readings); return nil })
	if err != nil || j.Close() != nil {
		t.Fatal(err)
	}
	if got["broker"] != sent[0] || got["counter board"] != sent[1] || len(got) != 2 {
		t.Errorf("kept %v, sent %d by MQTT and %d by wire", got, sent[0], sent[1])
	}
	sameView(t, "live, and replayed", live, replayed(t, data))
	if live.Total == 0 || len(live.Fills)+len(live.Loose) == 0 {
		t.Errorf("nothing flowed: %v", live.Total)
	}
	t.Logf("%d readings, %.0f a second, through %d reloads with %d changes", sent[0]+sent[1], rate, reloads, said)
}

const plainRig = "rig = \"heron\"\ndata = \"data\"\npage = \"127.0.0.1:0\"\n[[provings]]\nk_factor = \"100 pulses/L\"\n"

// TestReloadSays: what changed is named, what needs a restart too, and settings
// that cannot be are refused as a whole.
func TestReloadSays(t *testing.T) {
	x := startFrom(t, plainRig+"[broker]\naddress = \"127.0.0.1:0\"\n")
	same := func(what string, got []string, want ...string) {
		t.Helper()
		if !slices.Equal(got, want) && len(got)+len(want) > 0 {
			t.Errorf("%s:\n got %q\nwant %q", what, got, want)
		}
	}
	out := x.again(plainRig + "[broker]\naddress = \"127.0.0.1:0\"\n")
	same("nothing changed", out.Done)
	text := call(t, "reload", "-settings", x.path)
	if text != "Nothing in the settings has changed.\n" {
		t.Errorf("%q", text)
	}

	line := newLine(t)
	more := plainRig + "[broker]\naddress = \"127.0.0.1:0\"\n[[serial]]\nport = \"" + line.path + "\"\n[log]\nlevel = \"warn\"\n[metrics]\naddress = \"127.0.0.1:0\"\ntoken = \"hush\"\n" +
		"[signal]\nmqtt = true\n[[yards]]\nid = \"larch\"\nposition = [43.19, -91.88]\n[books]\ncurrency = \"EUR\"\n"
	out = x.again(more)
	same("all that can", out.Done, "1 entry of rig heron is said", "source serial added", "signal changed", "log changed", "metrics changed", "books changed")
	if x.desk.Snapshot().View.Yards[0].ID != "larch" || (&feed{x.rigs[0]}).Snapshot().Currency != "EUR" {
		t.Error("the yard or the currency does not hold")
	}
	await(t, "the new port to open", func() bool { s := x.shared(); return s[0].Name() == "serial" && s[0].State().Phase == source.Open })
	resp, err := http.Get("http://" + x.metrics.l.Addr().String() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	io.Copy(io.Discard, resp.Body)
	resp.Body.Close()
	if resp.StatusCode != http.StatusUnauthorized {
		t.Errorf("without the token: %s", resp.Status)
	}
	port := x.shared()[0]

	// Refused as a whole: the yard that comes with it is not said.
	for bad, want := range map[string]string{
		more + "[[yards]]\nid = \"mill\"\nposition = [43.2, -91.9]\nenter = \"60\"\n":                                                         "yards[1].enter: must name its unit",
		strings.Replace(more, "\"heron\"", "\"wren\"", 1) + "[[yards]]\nid = \"mill\"\nposition = [43.2, -91.9]\n":                            "rigs: must be heron until a restart, are wren",
		more + "[[yards]]\nid = \"mill\"\nposition = [43.2, -91.9]\n[[mqtt]]\nurl = \"tcp://127.0.0.1:1\"\nclient = \"\"\nprefix = \"a b\"\n": "mqtt[0].prefix",
	} {
		x.write(bad)
		if _, err := x.reload(context.Background()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
		if n := len(x.desk.Snapshot().View.Yards); n != 1 || len(x.shared()) != 2 || x.shared()[0] != port {
			t.Errorf("%d yards, %d sources after a refusal", n, len(x.shared()))
		}
	}
	if !strings.Contains(x.log.String(), "the settings are not read again: all goes on with the old") {
		t.Errorf("the log does not say that it was refused:\n%s", x.log)
	}

	out = x.again(strings.NewReplacer("page = \"127.0.0.1:0\"", "page = \"127.0.0.1:1\"\n[door]\nreading = \"open\"", "hush", "hush 2").Replace(more))
	same("a restart", out.Restart, `page: is "127.0.0.1:0", will be "127.0.0.1:1"`, "door")
	same("beside it", out.Done, "metrics changed")

	// Gone, and the same port under another name: the old lets go first.
	out = x.again(plainRig + "[[serial]]\nname = \"board\"\nport = \"" + line.path + "\"\n")
	same("renamed", out.Done, "source serial board added", "source serial removed", "source broker removed", "signal changed", "log changed", "metrics are served no more", "books changed")
	await(t, "it to open again", func() bool { return x.shared()[0].State().Phase == source.Open })
	if x.broker != nil {
		t.Error("the broker is still there")
	}
}

// TestReloadUsers: a user who goes is put out, one who stays is not.
func TestReloadUsers(t *testing.T) {
	users := func(names ...string) string {
		text := plainRig + "[broker]\naddress = \"127.0.0.1:0\"\n"
		for _, n := range names {
			name, password, _ := strings.Cut(n, ":")
			text += fmt.Sprintf("[[broker.users]]\nname = %q\npassword = %q\n", name, password)
		}
		return text
	}
	x := startFrom(t, users("heron:a", "second:b"))
	await(t, "the broker", func() bool { return x.sources[0].State().Phase == source.Open })
	lost := map[string]*atomic.Bool{}
	in := func(name, password string) error {
		gone := new(atomic.Bool)
		lost[name] = gone
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + x.broker.Addr()).SetClientID(name).SetUsername(name).SetPassword(password).
			SetAutoReconnect(false).SetConnectionLostHandler(func(mqtt.Client, error) { gone.Store(true) }))
		k := c.Connect()
		k.WaitTimeout(time.Minute)
		if k.Error() == nil {
			t.Cleanup(func() { c.Disconnect(10) })
		}
		return k.Error()
	}
	if err := in("heron", "a"); err != nil {
		t.Fatal(err)
	}
	if err := in("second", "b"); err != nil {
		t.Fatal(err)
	}
	await(t, "both to be counted", func() bool { return x.broker.Clients() == 2 })
	out := x.again(users("heron:a", "second:c", "third:d"))
	if !slices.Equal(out.Done, []string{"broker's users changed"}) {
		t.Errorf("%q", out.Done)
	}
	await(t, "the one whose password changed to be put out", func() bool { return lost["second"].Load() })
	if lost["heron"].Load() {
		t.Error("who stays was put out")
	}
	if err := in("second", "b"); err == nil {
		t.Error("the old password lets in")
	}
	if err := in("third", "d"); err != nil {
		t.Errorf("the new user: %v", err)
	}
	if lost["heron"].Load() || x.broker.Clients() != 2 {
		t.Errorf("%d clients", x.broker.Clients())
	}
}

// TestReloadAtHouse: of several rigs each has its own sources and yards.
func TestReloadAtHouse(t *testing.T) {
	dir := t.TempDir()
	a, b := newLine(t), newLine(t)
	rig := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name+".toml"), []byte("[[provings]]\nk_factor = \"100 pulses/L\"\n"+text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	rig("heron", "[[serial]]\nport = \""+a.path+"\"\n")
	rig("wren", "")
	head := "data = \"" + dir + "/data\"\npage = \"127.0.0.1:0\"\n"
	house := head + "[[rigs]]\nname = \"heron\"\nsettings = \"" + dir + "/heron.toml\"\n[[rigs]]\nname = \"wren\"\nsettings = \"" + dir + "/wren.toml\"\n"
	x := startFrom(t, house)
	first := x.rigs[0].its()[0]
	rig("wren", "[[serial]]\nport = \""+b.path+"\"\n[[yards]]\nid = \"ferry\"\nposition = [43.2, -91.9]\n")
	out := x.again(house)
	if !slices.Equal(out.Done, []string{"1 entry of rig wren is said", "source serial of rig wren added"}) {
		t.Errorf("%q", out.Done)
	}
	if x.rigs[0].its()[0] != first || len(x.rigs[1].its()) != 1 {
		t.Error("the other rig's source was touched")
	}
	await(t, "wren's port", func() bool { return x.rigs[1].its()[0].State().Phase == source.Open })
	lines, err := rigsim.SerialLines(nil, rigsim.Said{At: time.Now(), Readings: []meter.Reading{{Channel: meter.Syrup, Value: 11}}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.near.Write(lines); err != nil {
		t.Fatal(err)
	}
	await(t, "a reading of wren by its new port", func() bool { return x.rigs[1].desk.Snapshot().Records == 1 })
	if !slices.ContainsFunc(must(x.rigs[1].desk.Acts(context.Background())), func(a act.Act) bool { _, ok := a.Body.(act.Yard); return ok }) {
		t.Error("wren's yard is not said")
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}
