package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/alarm"
)

// lamp listens at a broker to a rig's alarms: the list that is kept, and changes.
type lamp struct {
	mu      sync.Mutex
	list    string // newest
	kept    bool   // the first list came from the broker's keeping
	lists   int
	changes []string // "deadhead raised"
}

func (l *lamp) state() (list string, lists int, kept bool, changes string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.list, l.lists, l.kept, strings.Join(l.changes, ", ")
}

// senml is what of a record tests look at.
type senml struct {
	Bn, N, U, Vs string
	Bt, V        float64
}

func unpack(text []byte) (out []senml) {
	_ = json.Unmarshal(text, &out)
	return out
}

func vs(pack []senml, name string) string {
	for _, e := range pack {
		if e.N == name {
			return e.Vs
		}
	}
	return ""
}

// listenAlarms connects, again and again while the broker is away.
func listenAlarms(t testing.TB, addr, rig, id string) *lamp {
	t.Helper()
	l := &lamp{}
	topic := settings.DefaultPrefix + "/" + rig + "/alarm"
	o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond).
		SetMaxReconnectInterval(50 * time.Millisecond).SetOnConnectHandler(func(c mqtt.Client) {
		c.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) {
			p := unpack(m.Payload())
			l.mu.Lock()
			defer l.mu.Unlock()
			l.changes = append(l.changes, vs(p, "what")+" "+vs(p, "state"))
		})
		c.Subscribe(topic+"s", 1, func(_ mqtt.Client, m mqtt.Message) {
			p := unpack(m.Payload())
			l.mu.Lock()
			defer l.mu.Unlock()
			l.list = fmt.Sprintf("%g %s %s", p[0].V, vs(p, "what"), vs(p, "state"))
			l.kept = l.kept || l.lists == 0 && m.Retained()
			l.lists++
		})
	})
	c := mqtt.NewClient(o)
	c.Connect()
	t.Cleanup(func() { c.Disconnect(100) })
	return l
}

// idling is a rig whose pump turns and whose counter stands, once every five
// seconds.
func idling(at time.Time, up float64, pump float64) rigsim.Said {
	return rigsim.Said{At: at, Readings: []meter.Reading{{Channel: meter.Pulses, Value: 1000}, {Channel: meter.Uptime, Value: up},
		{Channel: meter.Pump, Value: pump}, {Channel: meter.UTC, Value: float64(at.Unix())}}}
}

// idles returns what lets the rig stand for some minutes, its pump turning so
// fast, 1/s, and tells the daemon's broker of it.
func (w *atWork) idles(n *night) func(minutes, pump float64) {
	rig := publisher(w.t, w.broker.Addr())
	at, up := n.Start, 5000.0
	return func(minutes, pump float64) {
		w.t.Helper()
		for range int(minutes * 12) {
			at, up = at.Add(5*time.Second), up+5
			w.clock.set(at)
			pack, err := rigsim.Pack(nil, n.Rig, idling(at, up, pump), true)
			if err != nil {
				w.t.Fatal(err)
			}
			sendPack(w.t, rig, n.Rig, pack)
		}
		w.view()
	}
}

// A pump that turns against a shut trigger is an alarm: given out once, over
// MQTT, by the signal's command, in the journal and for the store; acknowledged
// and shelved by commands; told to be over; and nothing of it comes from what is
// imported.
func TestWatchEndToEnd(t *testing.T) {
	n := playNight(t, rigsim.SmallNight(1))
	data := t.TempDir()
	set := n.settings(t, data)
	file := filepath.Join(t.TempDir(), "heard")
	set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
	set.Signal = &settings.Signal{MQTT: true, Failing: 0.5, Command: []string{"sh", "-c", `echo {signal} >> "$0"`, file}}
	set.Influx = &settings.Influx{URL: "http://127.0.0.1:9", Token: "x", Org: "o", Bucket: "b"}
	clock := newStepClock(n.Start)
	w := work(t, set, clock)
	l := listenAlarms(t, w.broker.Addr(), n.Rig, "lamp")
	run := w.idles(n)
	want := func(what, list, changes string) {
		t.Helper()
		var a, b string
		await(t, what, func() bool { a, _, _, b = l.state(); return a == list && b == changes })
	}
	run(2, 0)
	want("an empty list", "0  ", "")
	run(9, 40)
	if at := w.watching.Shown(); len(at.Alarms) != 0 {
		t.Fatalf("after 9 minutes: %+v", at.Alarms)
	}
	run(3, 40)
	want("the alarm", "1 deadhead unacknowledged", "deadhead raised")
	await(t, "the sound", func() bool { text, _ := os.ReadFile(file); return string(text) == "alarm\n" })

	// Answered by commands that ask the daemon.
	list := call(t, "watch", "-data", data)
	if !strings.HasPrefix(list, "Now:\n") || !strings.Contains(list, "the pump turning against a shut trigger") || !strings.HasSuffix(list, "Readings are not legal for trade.\n") {
		t.Errorf("listed:\n%s", list)
	}
	call(t, "watch", "ack", "-who", "wren", "-data", data)
	want("the acknowledgement", "1 deadhead acknowledged", "deadhead raised")
	call(t, "watch", "shelve", "deadhead", "-for", "2h", "-data", data)
	want("the shelf", "1 deadhead shelved", "deadhead raised")
	call(t, "watch", "unshelve", "deadhead", "-data", data)
	want("the shelf's end", "1 deadhead acknowledged", "deadhead raised")
	run(2, 40)
	run(5, 0)
	want("its end", "0  ", "deadhead raised, deadhead returned")

	// A second one, shelved before: it is listed and not given out, until the
	// shelf's time is over.
	call(t, "watch", "shelve", "deadhead", "-for", "30m", "-data", data)
	run(12, 40)
	want("one on the shelf", "1 deadhead shelved", "deadhead raised, deadhead returned")
	run(20, 40)
	want("the end of the shelf's time", "1 deadhead unacknowledged", "deadhead raised, deadhead returned, deadhead raised")

	// What was kept of it is what was given out.
	acts, err := w.desk.Acts(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, a := range acts {
		if b, ok := a.Body.(act.Announced); ok {
			if a.Who != byItself || b.At.Boot != w.bootID {
				t.Errorf("announced by %q at %+v", a.Who, b.At)
			}
			said = append(said, b.What)
		}
	}
	if got := strings.Join(said, " "); got != "raised returned raised" {
		t.Errorf("the journal has %q", got)
	}
	if _, waits := w.forward.State().Phase, w.forward.State().Backlog; waits < 3 {
		t.Errorf("%d points wait for the store, want those of three changes at least", waits)
	}

	// The whole, told again by an import into another rig's journal whose daemon
	// runs: it gives out nothing.
	var export strings.Builder
	if err := (&local{desk: w.desk, rig: n.Rig, journal: w.journal}).Export(context.Background(), &export); err != nil {
		t.Fatal(err)
	}
	live, err := w.watching.Look(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	w.end()
	// Derived again from the start, it is the same.
	again := replayed(t, data)
	if then := learn(again, labelOf(acts)).judge(again, acts, live.At); len(live.Alarms) != 2 || !reflect.DeepEqual(live, then) {
		t.Errorf("live, and replayed:\n%+v\n%+v", live, then)
	}
	for _, old := range []bool{false, true} { // with what was announced, and without
		text := export.String()
		if old {
			var lines []string
			for _, s := range strings.SplitAfter(text, "\n") {
				if !strings.Contains(s, `"announced"`) {
					lines = append(lines, s)
				}
			}
			text = strings.Join(lines, "")
		}
		path := filepath.Join(t.TempDir(), "all.senml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		set2 := n.settings(t, t.TempDir())
		set2.Broker = set.Broker
		later := newStepClock(n.Start) // the same boot
		at := time.Unix(0, clock.Now().Wall)
		later.set(at)
		if old {
			later.set(at.Add(24 * time.Hour))
		}
		w2 := work(t, set2, later)
		l2 := listenAlarms(t, w2.broker.Addr(), n.Rig, "lamp")
		call(t, "import", "-data", set2.Data, path)
		w2.view()
		await(t, "the list", func() bool { list, _, _, _ := l2.state(); return list == "1 deadhead unacknowledged" })
		for range 2 {
			was := w2.watching.Shown()
			w2.view()
			await(t, "another look", func() bool { return w2.watching.Shown() != was })
		}
		if _, _, _, changes := l2.state(); changes != "" {
			t.Errorf("after an import (without what was announced: %v): given out %q", old, changes)
		}
		w2.end()
	}
}

// An alarm waits while a fill is still to have its stop signal.
func TestAlarmWaitsForStopSignal(t *testing.T) {
	n := playNight(t, rigsim.SmallNight(1))
	set := n.settings(t, t.TempDir())
	file := filepath.Join(t.TempDir(), "heard")
	set.Signal = &settings.Signal{Failing: 0.5, Command: []string{"sh", "-c", `echo {signal} >> "$0"`, file}}
	stopAt(set, 2)
	clock := newStepClock(n.Start)
	w := work(t, set, clock)
	s := newScript(n.Start)
	run := func(seconds, lpm float64) {
		t.Helper()
		for range int(seconds * 5) {
			m := s.step(lpm)
			clock.set(m.At)
			r := meter.Record{Mono: clock.Now().Mono, Wall: clock.Now().Wall, Source: "board", Readings: m.Readings}
			if err := w.ear.Put(context.Background(), source.Arrival{Rig: n.Rig, Records: []meter.Record{r}}); err != nil {
				t.Fatal(err)
			}
		}
		w.view()
	}
	run(5, 0)
	run(3, 20) // 1 L
	await(t, "the desk to show what is set", func() bool { return rulesNow(w.desk.Snapshot(), &w.ear.set).Pulse > 0 })
	x := &watching{ear: w.ear, taps: w.watching.taps, log: w.log, desk: w.desk, sound: map[string]bool{"k": true}}
	x.shown.Store(&findings{Alarms: []alarm.Alarm{{Key: "k", State: alarm.Unacknowledged, Priority: alarm.Now}}})
	for range 10 {
		x.hear()
	}
	if len(x.sound) != 1 {
		t.Error("it did not wait for the stop signal")
	}
	run(4, 20)
	x.hear()
	if len(x.sound) != 0 {
		t.Error("it waits though the stop signal was given")
	}
	await(t, "both to be heard", func() bool { text, _ := os.ReadFile(file); return string(text) == "full\nalarm\n" })
	await(t, "them to be counted, on the page and by the command", func() bool { given, _ := w.ear.giver.Counts(); return given == 4 })

	// Answered before its time has come, it is not heard.
	x.sound["k"] = true
	x.shown.Store(&findings{Alarms: []alarm.Alarm{{Key: "k", State: alarm.Acknowledged, Priority: alarm.Now}}})
	x.hear()
	if given, _ := w.ear.giver.Counts(); len(x.sound) != 0 || given != 4 {
		t.Errorf("%d wait, %d were given", len(x.sound), given)
	}
}

// Killed in mid-alarm and begun again, the daemon has given it out once in all,
// and the list that the broker keeps is true again.
func TestWatchKill(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	const speed = 120
	s := rigsim.SmallNight(1)
	n := &night{Scenario: s}
	dir := t.TempDir()
	addr := freeAddress(t)
	l := newLine(t)
	path := n.settingsFile(t, dir, l.path, addr)
	log, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	// Fast until there is an alarm; then as fast as life, so that the time that
	// a start takes is no long silence.
	began := source.SystemClock{}.Now().Mono
	var clock atomic.Pointer[sharedClock]
	clock.Store(&sharedClock{began, s.Start.UnixNano(), speed})
	v := spawn(t, path, *clock.Load(), log)
	defer func() { v.signal(t, syscall.SIGKILL) }()

	ctx, quit := context.WithCancel(context.Background())
	var feeding sync.WaitGroup
	defer feeding.Wait()
	defer quit()
	feeding.Go(func() {
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("rig").SetConnectRetry(true).
			SetConnectRetryInterval(20 * time.Millisecond).SetMaxReconnectInterval(20 * time.Millisecond))
		c.Connect()
		defer c.Disconnect(100)
		for ctx.Err() == nil {
			now := time.Unix(0, clock.Load().Now().Wall)
			if pack, err := rigsim.Pack(nil, s.Rig, idling(now, 5000+now.Sub(s.Start).Seconds(), 40), true); err == nil {
				c.Publish(settings.DefaultPrefix+"/"+s.Rig+"/readings", 1, false, pack)
			}
			time.Sleep(time.Second * 4 / speed)
		}
	})
	first := listenAlarms(t, addr, s.Rig, "lamp")
	await(t, "the alarm", func() bool {
		list, _, _, changes := first.state()
		return list == "1 deadhead unacknowledged" && changes == "deadhead raised"
	})
	for k := range 2 {
		v.signal(t, syscall.SIGKILL)
		if now := (source.SystemClock{}).Now().Mono; k == 0 {
			passed := int64(float64(now-began) * speed)
			clock.Store(&sharedClock{now - passed, s.Start.UnixNano(), 1})
		}
		v = spawn(t, path, *clock.Load(), log)
		late := listenAlarms(t, addr, s.Rig, fmt.Sprint("late lamp ", time.Now().UnixNano()))
		await(t, "the list after the kill", func() bool { list, _, _, _ := late.state(); return list == "1 deadhead unacknowledged" })
		// Some looks later it is as it was.
		time.Sleep(3 * lookEvery)
		if list, _, _, changes := late.state(); list != "1 deadhead unacknowledged" || changes != "" {
			t.Errorf("after the kill: list %q, given out %q", list, changes)
		}
	}
	if _, _, _, changes := first.state(); changes != "deadhead raised" {
		t.Errorf("in all: %q", changes)
	}
	quit()
	feeding.Wait()
	if err := v.signal(t, syscall.SIGTERM); err != nil {
		t.Error(err)
	}
	b, err := openLocal(filepath.Join(dir, "data"), "", false)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	acts, err := b.Acts(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	said := 0
	for _, a := range acts {
		if x, ok := a.Body.(act.Announced); ok && x.What == act.Raised {
			said++
		}
	}
	if said != 1 {
		t.Errorf("the journal has it given out %d times", said)
	}
	if t.Failed() {
		text, _ := os.ReadFile(log.Name())
		t.Logf("%s", text[max(0, len(text)-4000):])
	}
}
