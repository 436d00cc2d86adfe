package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
)

// script is a counter board that says what a test wants, five times a second.
type script struct {
	at     time.Time
	up     float64 // s
	litres float64
}

const scriptPerL = 132.25 // as night.settings has it

func newScript(at time.Time) *script { return &script{at: at, up: 5000} }

// step goes on for a fifth of a second at a flow, L/min.
func (s *script) step(lpm float64) rigsim.Said {
	s.at = s.at.Add(200 * time.Millisecond)
	s.up += 0.2
	s.litres += lpm / 60 / 5
	return rigsim.Said{At: s.at, Readings: []meter.Reading{
		{Channel: meter.Pulses, Value: float64(int(1000 + s.litres*scriptPerL))},
		{Channel: meter.Uptime, Value: s.up}}}
}

// place says that the rig stands somewhere.
func (s *script) place(p rigsim.Place) rigsim.Said {
	s.at = s.at.Add(time.Millisecond)
	return rigsim.Said{At: s.at, Readings: []meter.Reading{
		{Channel: meter.Lat, Value: p.Lat}, {Channel: meter.Lon, Value: p.Lon}, {Channel: meter.UTC, Value: float64(s.at.UnixMilli()) / 1000}}}
}

// heard is what a listener at the broker has heard of signals.
type heard struct {
	mu    sync.Mutex
	packs []string
}

func (h *heard) all() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]string(nil), h.packs...)
}

// listenSignal subscribes to a rig's signals.
func listenSignal(t testing.TB, addr, rig string) *heard {
	t.Helper()
	h := &heard{}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("lamp"))
	if k := c.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	k := c.Subscribe(settings.DefaultPrefix+"/"+rig+"/signal", 1, func(_ mqtt.Client, m mqtt.Message) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.packs = append(h.packs, string(m.Payload()))
	})
	if !k.WaitTimeout(time.Minute) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	return h
}

// A rig speaks over MQTT; signals come out at the broker, in a command's file
// and on the page's snapshot: full at the yard's own fill and at the counter's
// elsewhere, once a fill; failing; silent.
func TestSignalEndToEnd(t *testing.T) {
	n := playNight(t, rigsim.SmallNight(1))
	set := n.settings(t, t.TempDir())
	file := filepath.Join(t.TempDir(), "heard")
	set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
	set.Signal = &settings.Signal{MQTT: true, Failing: 0.5,
		Command: []string{"sh", "-c", `echo {signal} $YARDTALLY_SIGNAL $YARDTALLY_FILL_L >> "$0"`, file}}
	stopAt(set, 2)
	clock := newStepClock(n.Start)
	w := work(t, set, clock)
	h := listenSignal(t, w.broker.Addr(), n.Rig)
	rig := publisher(t, w.broker.Addr())
	s := newScript(n.Start)
	send := func(m rigsim.Said) {
		t.Helper()
		clock.set(m.At)
		pack, err := rigsim.Pack(nil, n.Rig, m, true)
		if err != nil {
			t.Fatal(err)
		}
		sendPack(t, rig, n.Rig, pack)
	}
	var stands *rigsim.Place // where the rig stands; nil: not known
	run := func(seconds, lpm float64) {
		t.Helper()
		for i := range int(seconds * 5) {
			send(s.step(lpm))
			if stands != nil && i%5 == 0 {
				send(s.place(*stands))
			}
		}
	}
	told := 0
	var shown int64 // when the signal before it was given, as the page has it
	// expect waits until one more signal has come out everywhere.
	expect := func(kind string, litres float64) {
		t.Helper()
		told++
		var lines []string
		await(t, fmt.Sprintf("signal %d, %s", told, kind), func() bool {
			text, _ := os.ReadFile(file)
			lines = strings.Split(string(text), "\n")
			live := w.desk.Snapshot().Live
			return len(lines) > told && len(h.all()) == told && live.Signal == kind && live.SignalAt > shown
		})
		shown = w.desk.Snapshot().Live.SignalAt
		var got string
		var fill float64
		if _, err := fmt.Sscanf(lines[told-1], "%s "+kind+" %f", &got, &fill); err != nil || got != kind || fill < litres || fill > litres+0.1 {
			t.Errorf("signal %d: the command heard %q, want %s at %g L", told, lines[told-1], kind, litres)
		}
		var pack []struct {
			Bn, N, U, Vs string
			Bt, V        float64
		}
		text := h.all()[told-1]
		if err := json.Unmarshal([]byte(text), &pack); err != nil || len(pack) != 2 || pack[0].Bn != n.Rig+"/" || pack[0].N != "signal" || pack[0].Vs != kind ||
			pack[1].N != "fill" || pack[1].U != "m3" || pack[1].V*1000 < litres || pack[1].V*1000 > litres+0.1 {
			t.Errorf("signal %d: published %s (%v)", told, text, err)
		}
		if d := pack[0].Bt - float64(clock.Now().Wall)/1e9; d > 0.01 || d < -30 {
			t.Errorf("signal %d: published %g s after now", told, d)
		}
		if at := w.desk.Snapshot().Live.SignalAt; at > clock.Now().Wall || at < clock.Now().Wall-30e9 {
			t.Errorf("signal %d: shown at %d, now is %d", told, at, clock.Now().Wall)
		}
	}

	run(5, 0)
	w.view()     // rules are of the newest view
	run(7.5, 20) // 2.5 L, no yard known
	run(15, 0)
	expect("full", 2)

	stands = &n.Yards[0].Place
	run(120, 0)
	if here := w.view().Here.Yard; here != n.Yards[0].ID {
		t.Fatalf("the rig stands in %q", here)
	}
	run(9, 20) // 3 L: a colony that was left early
	run(15, 0)
	run(6, 20) // 2 L, and its top-up
	run(6, 0)
	run(6, 20)
	run(15, 0)
	expect("full", quantity.USGallon.Litres())
	run(12, 20) // 4 L
	run(15, 0)
	expect("full", quantity.USGallon.Litres())

	run(3, 20)
	run(4, 7) // a kink, after a litre
	expect("failing", 1.25)
	run(15, 0)

	run(3, 20)
	clock.set(s.at.Add(3 * time.Second))
	expect("silent", 1)
	if lines := h.all(); len(lines) != told {
		t.Errorf("%d signals, want %d: %s", len(lines), told, lines)
	}
	await(t, "each signal to have been given three ways", func() bool { given, _ := w.ear.giver.Counts(); return given == uint64(3*told) })
	if _, dropped := w.ear.giver.Counts(); dropped != 0 {
		t.Errorf("%d dropped", dropped)
	}
	if notices := (&feed{w.oneRig}).Snapshot().Notices; len(notices) > 0 {
		t.Errorf("notices: %+v", notices)
	}
}

// A command that is not there is a notice on the page at once, and one line in
// the log however many fills there are; one that hangs holds up neither the
// desk nor the end.
func TestSignalCommandFails(t *testing.T) {
	for _, c := range []struct {
		name, notice string
		argv         []string
	}{
		{"not there", `No signal can be heard from the signal's command: exec: "yardtally-no-such-program": executable file not found in $PATH.`, []string{"yardtally-no-such-program", "{signal}"}},
		{"hangs", "", []string{"sleep", "1000"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := playNight(t, rigsim.SmallNight(1))
			set := n.settings(t, t.TempDir())
			l := newLine(t)
			set.Serial = []settings.Serial{{Name: "counter board", Port: l.path, Baud: 115200}}
			set.Signal = &settings.Signal{Command: c.argv}
			stopAt(set, 1)
			clock := newStepClock(n.Start)
			w := work(t, set, clock)
			notices := func() (out []string) {
				for _, n := range (&feed{w.oneRig}).Snapshot().Notices {
					out = append(out, n.Text)
				}
				return out
			}
			w.view()
			if got := strings.Join(notices(), "\n"); got != c.notice {
				t.Errorf("before any signal: notices %q, want %q", got, c.notice)
			}
			s := newScript(n.Start)
			kept := w.desk.Snapshot().Records
			for _, part := range []struct{ seconds, lpm float64 }{{5, 0}, {4, 20}, {15, 0}, {4, 20}, {15, 0}} {
				for range int(part.seconds * 5) {
					m := s.step(part.lpm)
					clock.set(m.At)
					text, err := rigsim.SerialLines(nil, m)
					if err != nil {
						t.Fatal(err)
					}
					if _, err := l.near.Write(text); err != nil {
						t.Fatal(err)
					}
					kept++
					await(t, "the reading to be kept", func() bool {
						return w.desk.Settle(context.Background()) == nil && w.desk.Snapshot().Records == kept
					})
				}
			}
			await(t, "the page to show the signal", func() bool { return w.desk.Snapshot().Live.Signal == "full" })
			if got := strings.Join(notices(), "\n"); got != c.notice {
				t.Errorf("after signals: notices %q, want %q", got, c.notice)
			}
		})
	}
}

// Readings of a recording are not of now: none of them is a signal.
func TestSignalNotFromRecordings(t *testing.T) {
	n := playNight(t, rigsim.SmallNight(1))
	set := n.settings(t, t.TempDir())
	clock := newStepClock(n.Start)
	w := work(t, set, clock)
	await(t, "the settings to be known", func() bool { return w.view().PulseVolume > 0 })
	s := newScript(n.Start)
	for i := range 200 {
		m := s.step(20 * float64(min(1, i/50)))
		clock.set(m.At)
		r := meter.Record{Mono: clock.Now().Mono, Wall: clock.Now().Wall, Source: "card", Readings: m.Readings}
		if err := w.ear.Put(context.Background(), source.Arrival{Rig: n.Rig, BootID: "another boot", Records: []meter.Record{r}}); err != nil {
			t.Fatal(err)
		}
	}
	if got := w.view().Total; got < 9*quantity.Litre {
		t.Fatalf("only %v has come", got)
	}
	if given, _ := w.ear.giver.Counts(); given != 0 {
		t.Errorf("%d signals given", given)
	}
}
