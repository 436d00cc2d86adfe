package main

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/rigsim"
	"yardtally/meter/ledger"
)

// settleEvery is after how many messages the desk is made to commit and settle:
// as often as it would at the night's own pace.
const settleEvery = 50

// The same night comes over a real serial line, over MQTT to the daemon's own
// broker and to another, from a file, and over a rough MQTT line that doubles
// and delays; live, replayed from its journal, and imported in any order. All
// of them tell the same, and it is the truth.
func TestWires(t *testing.T) {
	for _, seed := range seeds() {
		t.Run(seedName(seed), func(t *testing.T) {
			n := playNight(t, rigsim.SmallNight(seed))
			views := map[string]*ledger.View{}
			for _, wire := range []struct {
				name string
				run  func(*testing.T, *night, string) *ledger.View
			}{
				{"serial", bySerial},
				{"own broker", byOwnBroker},
				{"other broker", byOtherBroker},
				{"file", byFile},
				{"rough", byRoughLine},
			} {
				t.Run(wire.name, func(t *testing.T) {
					data := t.TempDir()
					v := wire.run(t, n, data)
					n.checkTruth(t, "live", v)
					sameView(t, "live and replayed", v, replayed(t, data))
					views[wire.name] = v
					if wire.name == "rough" {
						shuffled(t, data, v)
					}
				})
			}
			if len(views) != 5 {
				t.FailNow()
			}
			for _, name := range []string{"other broker", "file", "rough"} {
				sameView(t, "own broker and "+name, views["own broker"], views[name])
			}
			nearly(t, views["serial"], views["own broker"])
		})
	}
}

// bySerial brings the night over a pseudo-terminal, and looks at it as people
// do: by commands that ask the running daemon.
func bySerial(t *testing.T, n *night, data string) *ledger.View {
	l := newLine(t)
	set := n.settings(t, data)
	set.Serial = []settings.Serial{{Name: "counter board", Port: l.path, Baud: 115200}}
	w := work(t, set, newStepClock(n.Start))
	src := w.sources[0]
	lines := uint64(0)
	for i, m := range n.said {
		text, err := rigsim.SerialLines(nil, m)
		if err != nil {
			t.Fatal(err)
		}
		w.clock.set(m.At)
		if _, err := l.near.Write(text); err != nil {
			t.Fatal(err)
		}
		lines += uint64(bytes.Count(text, []byte("\n")))
		await(t, "the lines to be read", func() bool { return src.State().Messages == lines })
		if i%settleEvery == 0 {
			w.view()
		}
	}
	v := w.view()
	if d := src.State().Dropped; len(d) > 0 {
		t.Errorf("dropped %v", d)
	}
	var fills struct {
		Fills []struct {
			Yard    string  `json:"yard"`
			VolumeL float64 `json:"volume_l"`
		} `json:"fills"`
	}
	out := call(t, "fills", "-data", data, "--json")
	if err := json.Unmarshal([]byte(out), &fills); err != nil || len(fills.Fills) != len(v.Fills) {
		t.Errorf("the command lists %d fills of %d (%v): %s", len(fills.Fills), len(v.Fills), err, out)
	}
	w.end()
	return v
}

func byOwnBroker(t *testing.T, n *night, data string) *ledger.View {
	return ownBroker(t, n, data, func(say func(time.Time, rigsim.Said)) {
		for _, m := range n.said {
			say(m.At.Add(20*time.Millisecond), m)
		}
	})
}

// byRoughLine delays every message by up to 2 s, one in twenty by 5 s more, and
// brings one in twenty twice. None is lost.
func byRoughLine(t *testing.T, n *night, data string) *ledger.View {
	rng := rand.New(rand.NewPCG(n.Seed, 99))
	type arrival struct {
		at time.Time
		m  rigsim.Said
	}
	var all []arrival
	rough := rigsim.Rough{Seed: n.Seed, Double: 0.05, Late: 0.05, LateBy: 5 * time.Second}
	for at, m := range rough.Carry(slices.Values(n.said)) {
		all = append(all, arrival{at.Add(time.Duration(2e9 * rng.Float64())), m})
	}
	slices.SortStableFunc(all, func(a, b arrival) int { return a.at.Compare(b.at) })
	return ownBroker(t, n, data, func(say func(time.Time, rigsim.Said)) {
		for _, a := range all {
			say(a.at, a.m)
		}
	})
}

func ownBroker(t *testing.T, n *night, data string, play func(say func(time.Time, rigsim.Said))) *ledger.View {
	set := n.settings(t, data)
	set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
	w := work(t, set, newStepClock(n.Start))
	c := publisher(t, w.broker.Addr())
	i := 0
	play(func(at time.Time, m rigsim.Said) {
		pack, err := rigsim.Pack(nil, n.Rig, m, true)
		if err != nil {
			t.Fatal(err)
		}
		w.clock.set(at)
		sendPack(t, c, n.Rig, pack)
		if i++; i%settleEvery == 0 {
			w.view()
		}
	})
	v := w.view()
	if d := w.broker.State().Dropped; len(d) > 0 {
		t.Errorf("dropped %v", d)
	}
	w.end()
	return v
}

// byOtherBroker has the rig publish to a broker that is not ours, to which the
// daemon subscribes.
func byOtherBroker(t *testing.T, n *night, data string) *ledger.View {
	addr := otherBroker(t)
	set := n.settings(t, data)
	set.MQTT = []settings.MQTT{{Name: "mqtt", URL: "tcp://" + addr, Client: "yardtally-heron", Prefix: settings.DefaultPrefix}}
	w := work(t, set, newStepClock(n.Start))
	c := publisher(t, addr)
	for i, m := range n.said {
		pack, err := rigsim.Pack(nil, n.Rig, m, true)
		if err != nil {
			t.Fatal(err)
		}
		w.clock.set(m.At.Add(35 * time.Millisecond))
		sendPack(t, c, n.Rig, pack)
		await(t, "the pack to come", func() bool { return w.sources[0].State().Messages == uint64(i+1) })
		if i%settleEvery == 0 {
			w.view()
		}
	}
	v := w.view()
	if d := w.sources[0].State().Dropped; len(d) > 0 {
		t.Errorf("dropped %v", d)
	}
	w.end()
	return v
}

func otherBroker(t *testing.T) string {
	t.Helper()
	s := broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := s.AddHook(new(auth.AllowHook), nil); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.AddListener(listeners.NewNet("rigs", l)); err != nil {
		t.Fatal(err)
	}
	if err := s.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return l.Addr().String()
}

// byFile imports the night's recording without a daemon, twice.
func byFile(t *testing.T, n *night, data string) *ledger.View {
	path := n.recording(t)
	b, err := openLocal(data, n.Rig, true)
	if err != nil {
		t.Fatal(err)
	}
	if err := sayAll(context.Background(), b, n.settings(t, data), 1); err != nil {
		t.Fatal(err)
	}
	for i, want := range []int{len(n.said), 0} {
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		done, err := b.Import(context.Background(), f, func(imported) {})
		f.Close()
		if err != nil || done.Records != want || done.LinesBad != 0 || len(done.Dropped) != 0 {
			t.Errorf("import %d: %+v, %v", i+1, done, err)
		}
	}
	v, err := b.View(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	return v
}

// shuffled exports a journal and imports it elsewhere, pieces of it in any
// order. (Single lines in any order take the journal minutes: it looks each of
// them up among all that were there at the time.)
func shuffled(t *testing.T, data string, want *ledger.View) {
	t.Helper()
	out := filepath.Join(t.TempDir(), "export")
	call(t, "export", "-data", data, "-o", out)
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.Split(bytes.TrimSuffix(text, []byte("\n")), []byte("\n"))
	rng := rand.New(rand.NewPCG(1, 2))
	var pieces [][][]byte
	for p := range slices.Chunk(lines, 400) {
		pieces = append(pieces, p)
	}
	rng.Shuffle(len(pieces), func(i, j int) { pieces[i], pieces[j] = pieces[j], pieces[i] })
	lines = slices.Concat(pieces...)
	mixed := filepath.Join(t.TempDir(), "mixed")
	if err := os.WriteFile(mixed, append(bytes.Join(lines, []byte("\n")), '\n'), 0o600); err != nil {
		t.Fatal(err)
	}
	elsewhere := t.TempDir()
	call(t, "import", "-data", elsewhere, "-q", "-rig", want.Rig, mixed)
	sameView(t, "live, and exported and imported in pieces", want, replayed(t, elsewhere))
}

// nearly compares what a line without time stamps told with what a stamped one
// did: instants within 50 ms, all else the same.
func nearly(t *testing.T, serial, mqtt *ledger.View) {
	t.Helper()
	if serial.Total != mqtt.Total || len(serial.Fills) != len(mqtt.Fills) || len(serial.Loose) != len(mqtt.Loose) || len(serial.Gaps) != len(mqtt.Gaps) {
		t.Errorf("serial: total %v, %d fills, %d loose; mqtt: %v, %d, %d", serial.Total, len(serial.Fills), len(serial.Loose),
			mqtt.Total, len(mqtt.Fills), len(mqtt.Loose))
		return
	}
	near := func(a, b int64) bool { return max(a-b, b-a) <= 50e6 }
	for i := range serial.Fills {
		a, b := serial.Fills[i], mqtt.Fills[i]
		if a.First != b.First || a.Last != b.Last || a.Volume != b.Volume || a.Yard != b.Yard || a.Reason != b.Reason || a.Open != b.Open ||
			!near(a.Start, b.Start) || !near(a.End, b.End) {
			t.Errorf("fill %d, serial: %+v\nmqtt: %+v", i, a, b)
		}
	}
	for i := range serial.Loose {
		a, b := serial.Loose[i], mqtt.Loose[i]
		if a.First != b.First || a.Last != b.Last || a.Volume != b.Volume || a.Yard != b.Yard || !near(a.Start, b.Start) || !near(a.End, b.End) {
			t.Errorf("loose %d, serial: %+v\nmqtt: %+v", i, a, b)
		}
	}
}
