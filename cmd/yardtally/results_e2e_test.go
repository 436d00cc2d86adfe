package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/mqttsub/mosquittotest"
	"yardtally/ingest/publish"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/wire"
	"yardtally/meter/act"
)

// shed is somebody who wants a rig's results: what it holds are the messages at
// their topics, as our own reader of SenML has them.
type shed struct {
	t  testing.TB
	mu sync.Mutex
	at map[string][]wire.Result
}

func listenResults(t testing.TB, addr, rig string) *shed {
	t.Helper()
	s := &shed{t: t, at: map[string][]wire.Result{}}
	head := settings.DefaultPrefix + "/" + rig + "/results/"
	o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("shed " + newID()).SetConnectRetry(true).
		SetConnectRetryInterval(50 * time.Millisecond).SetMaxReconnectInterval(50 * time.Millisecond).
		SetOnConnectHandler(func(c mqtt.Client) {
			c.Subscribe(head+"#", 1, func(_ mqtt.Client, m mqtt.Message) {
				topic := strings.TrimPrefix(m.Topic(), head)
				s.mu.Lock()
				defer s.mu.Unlock()
				if len(m.Payload()) == 0 {
					delete(s.at, topic)
					return
				}
				rs, drops := wire.ParseResults(m.Payload(), rig)
				for _, d := range drops {
					t.Errorf("%s: %s: %v", topic, m.Payload(), d)
				}
				s.at[topic] = rs
			})
		})
	c := mqtt.NewClient(o)
	c.Connect()
	t.Cleanup(func() { c.Disconnect(100) })
	return s
}

// forget has the shed know nothing, as one that comes anew.
func (s *shed) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	clear(s.at)
}

// differs says in what the shed's results differ from a daemon's; "" in nothing.
func (s *shed) differs(w *atWork) string {
	all := publish.ResultsOf(w.desk.Snapshot().View, w.set.Zone)
	s.mu.Lock()
	defer s.mu.Unlock()
	var topics []string
	for i := range all {
		m := &all[i]
		topics = append(topics, m.Topic)
		for k := range m.Records {
			r := m.Records[k]
			r.Name = m.Topic + "/" + r.Name
			got := s.at[m.Topic]
			if k < len(got) {
				r.At = got[k].At // republished now and then with a newer one
			}
			if len(got) != len(m.Records) || got[k] != r {
				return fmt.Sprintf("%s is %+v, should be %+v", m.Topic, got, m.Records)
			}
		}
	}
	if w.forward != nil {
		topics = append(topics, "store")
	}
	slices.Sort(topics)
	if has := slices.Sorted(maps.Keys(s.at)); !slices.Equal(has, topics) {
		return fmt.Sprintf("topics are %q, should be %q", has, topics)
	}
	return ""
}

func (s *shed) becomes(w *atWork, when string) {
	s.t.Helper()
	var why string
	limit := time.Now().Add(time.Minute)
	for why = s.differs(w); why != ""; why = s.differs(w) {
		if time.Now().After(limit) {
			s.t.Fatalf("%s: %s", when, why)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func (s *shed) number(name string) float64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	topic, _, _ := strings.Cut(name, "/")
	if topic == "yards" {
		topic = name[:strings.LastIndexByte(name, '/')]
	}
	for _, r := range s.at[topic] {
		if r.Name == name {
			return r.Value
		}
	}
	return -1
}

// plays a night to the daemon over a broker.
func (w *atWork) plays(n *night, addr string) {
	w.t.Helper()
	c := publisher(w.t, addr)
	for _, m := range n.said {
		pack, err := rigsim.Pack(nil, n.Rig, m, true)
		if err != nil {
			w.t.Fatal(err)
		}
		w.clock.set(m.At.Add(20 * time.Millisecond))
		sendPack(w.t, c, n.Rig, pack)
	}
	w.clock.set(n.said[len(n.said)-1].At.Add(time.Minute))
	await(w.t, "the night to be told", func() bool { return len(w.view().Fills) == len(n.truth.Fills) })
}

func (w *atWork) says(who string, b act.Body) {
	w.t.Helper()
	a := act.Act{ID: newID(), Rig: w.set.Rig, Who: who, When: w.clock.Now().Wall, Body: b}
	if _, err := w.desk.AddActs(context.Background(), a); err != nil {
		w.t.Fatal(err)
	}
}

// Results at the daemon's own broker are what the ledger says, after a fill was
// moved and a proving changed, too, and a yard that lost its last fill is gone.
func TestResultsAtOurBroker(t *testing.T) {
	n := playNight(t, rigsim.SmallNight(1))
	set := n.settings(t, t.TempDir())
	set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
	set.Influx = &settings.Influx{URL: "http://127.0.0.1:9", Token: "x", Org: "o", Bucket: "b"}
	w := work(t, set, newStepClock(n.Start))
	s := listenResults(t, w.broker.Addr(), n.Rig)
	w.plays(n, w.broker.Addr())
	s.becomes(w, "after the night")
	v := w.view()
	f := v.Fills[len(v.Fills)-1]
	if got := s.number("fill/volume"); got != f.Volume.CubicMetres() || got <= 0 {
		t.Errorf("the newest fill is %g m3, and was %v", got, f.Volume)
	}
	sum := 0.0
	for _, y := range n.Yards {
		sum += max(0, s.number("yards/"+y.ID+"/volume")+s.number("yards/"+y.ID+"/loose"))
	}
	sum += max(0, s.number("no-yard/volume")) + max(0, s.number("no-yard/loose"))
	if total := s.number("night/total"); total != v.Total.CubicMetres() || sum-total > 1e-12 || total-sum > 1e-12 {
		t.Errorf("the night is %g m3, its yards %g, the meter counted %v", total, sum, v.Total)
	}

	// What the store lacks, for whoever minds it.
	await(t, "the store's lag", func() bool { return s.number("store/waiting") >= float64(len(v.Fills)) && s.number("store/lag") > 0 })

	// Every fill of a yard is moved to one where nobody was: it goes, that comes.
	yard := f.Yard
	for _, f := range v.Fills {
		if f.Yard == yard {
			w.says("wren", act.Assign{Session: f.Session, First: f.First, Last: f.Last, Yard: "ferry"})
		}
	}
	for _, l := range v.Loose {
		if l.Yard == yard {
			w.says("wren", act.Assign{Session: l.Session, First: l.First, Last: l.Last, Yard: "ferry"})
		}
	}
	s.becomes(w, "after moving a yard's fills")
	if s.number("yards/"+yard+"/volume") != -1 || s.number("yards/ferry/volume") <= 0 {
		t.Errorf("%s has %g m3, ferry %g", yard, s.number("yards/"+yard+"/volume"), s.number("yards/ferry/volume"))
	}
	// A proving that doubles what a pulse is worth.
	w.says("wren", act.Proving{PulsesPerL: 132.25 / 2})
	w.view()
	s.becomes(w, "after a proving")
	if got := s.number("fill/volume") / f.Volume.CubicMetres(); got < 1.9 || got > 2.1 {
		t.Errorf("the newest fill is %g times what it was, after the K-factor was halved", got)
	}
	// Another shed that comes later finds the same.
	s.forget()
	late := listenResults(t, w.broker.Addr(), n.Rig)
	late.becomes(w, "for one who comes later")
}

// At a broker elsewhere: it starts again and has lost all, and has it again at
// once; what it keeps from a time before this daemon, under yards that nobody
// knows any more, is removed; another rig's is left alone.
func TestResultsAtMosquitto(t *testing.T) {
	b := mosquittotest.Start(t)
	n := playNight(t, rigsim.SmallNight(1))
	set := n.settings(t, t.TempDir())
	set.MQTT = []settings.MQTT{{Name: "house", URL: "tcp://" + b.Addr, Client: "yardtally-" + n.Rig, Prefix: settings.DefaultPrefix}}
	ghost := publisher(t, b.Addr)
	for _, topic := range []string{n.Rig + "/results/yards/ghost", n.Rig + "/results/store", "egret/results/yards/ghost"} {
		rig, _, _ := strings.Cut(topic, "/")
		if k := ghost.Publish(settings.DefaultPrefix+"/"+topic, 1, true, `[{"n":"`+rig+`/x","u":"s","v":1}]`); !k.WaitTimeout(time.Minute) || k.Error() != nil {
			t.Fatal(k.Error())
		}
	}
	ghost.Disconnect(100)
	w := work(t, set, newStepClock(n.Start))
	s := listenResults(t, b.Addr, n.Rig)
	w.plays(n, b.Addr)
	s.becomes(w, "after the night")
	other := listenResults(t, b.Addr, "egret")
	await(t, "another rig's result", func() bool { other.mu.Lock(); defer other.mu.Unlock(); return len(other.at) > 0 })

	b.Stop()
	s.forget()
	b.Serve()
	s.becomes(w, "after the broker's restart")

	// The daemon is off while the keeper moves the fills of a yard away, with a
	// command; the broker still has it until the daemon is back.
	yard := w.view().Fills[0].Yard
	data := set.Data
	fills := w.view().Fills
	w.end()
	back, err := openLocal(data, n.Rig, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range fills {
		if f.Yard != yard {
			continue
		}
		a := act.Act{ID: newID(), Rig: n.Rig, Who: "wren", When: w.clock.Now().Wall, Body: act.Assign{Session: f.Session, First: f.First, Last: f.Last, Yard: "ferry"}}
		if _, err := back.AddActs(context.Background(), a); err != nil {
			t.Fatal(err)
		}
	}
	if err := back.Close(); err != nil {
		t.Fatal(err)
	}
	s.forget()
	late := listenResults(t, b.Addr, n.Rig)
	await(t, "what the broker kept", func() bool { return late.number("yards/"+yard+"/fills") > 0 })
	again := newStepClock(n.Start)
	again.set(n.said[len(n.said)-1].At.Add(2 * time.Minute))
	late.becomes(work(t, set, again), "after the daemon's restart")
}
