package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/mqttsub/mosquittotest"
	"yardtally/ingest/publish/influxtest"
	"yardtally/ingest/rigsim"
	"yardtally/meter/ledger"
)

// worker is one of several that share a subscription. It keeps packs as they
// come, by topic, as an archive of recordings does.
type worker struct {
	mqtt.Client
	mu  sync.Mutex
	got map[string][]string
}

const sharedFilter = "$share/archive/" + settings.DefaultPrefix + "/+/readings"

func newWorker(t *testing.T, addr, id string) *worker {
	t.Helper()
	w := &worker{got: map[string][]string{}}
	w.Client = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetOrderMatters(true).
		SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
			w.mu.Lock()
			defer w.mu.Unlock()
			w.got[m.Topic()] = append(w.got[m.Topic()], string(m.Payload()))
		}))
	if k := w.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	t.Cleanup(func() { w.Disconnect(100) })
	if k := w.Subscribe(sharedFilter, 1, nil); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	return w
}

// of returns the packs of a rig.
func (w *worker) of(rig string) []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.got[settings.DefaultPrefix+"/"+rig+"/readings"])
}

func (w *worker) count() (n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, packs := range w.got {
		n += len(packs)
	}
	return n
}

// Two workers share the readings of many rigs at a broker: each pack comes to
// one of them, both have work, and who is left has all of it. Their recordings,
// taken in one after the other, make the night that one recording makes.
func TestSharedSubscription(t *testing.T) {
	b := mosquittotest.Start(t, "max_queued_messages 0", "max_inflight_messages 0")
	one, two := newWorker(t, b.Addr, "one"), newWorker(t, b.Addr, "two")
	n := playNight(t, rigsim.SmallNight(1))
	rig := publisher(t, b.Addr)
	var last mqtt.Token
	sent := map[string]int{}
	say := func(name string, pack []byte) {
		sent[string(pack)]++
		last = rig.Publish(settings.DefaultPrefix+"/"+name+"/readings", 1, false, pack)
	}
	for i, m := range n.said {
		pack, err := rigsim.Pack(nil, n.Rig, m, true)
		if err != nil {
			t.Fatal(err)
		}
		say(n.Rig, pack)
		other := fmt.Sprintf("rig-%d", i%50)
		say(other, fmt.Appendf(nil, `[{"bn":"%s/","bt":%d,"n":"pulses","u":"count","v":%d},{"n":"uptime","u":"s","v":%d}]`, other, m.At.Unix(), i, i))
		if i%100 == 0 && (!last.WaitTimeout(time.Minute) || last.Error() != nil) {
			t.Fatal(last.Error())
		}
	}
	all := 2 * len(n.said)
	await(t, "all packs", func() bool { return one.count()+two.count() >= all })
	if a, b := one.count(), two.count(); a+b != all || a < all/5 || b < all/5 {
		t.Errorf("the workers got %d and %d of %d", a, b, all)
	}
	for _, w := range []*worker{one, two} {
		for _, packs := range w.got {
			for _, p := range packs {
				sent[p]--
			}
		}
	}
	for p, left := range sent {
		if left != 0 {
			t.Fatalf("%s came %d times too few", p, left)
		}
	}

	// One goes home: the other has everything from then on. What one had taken
	// and not yet acknowledged may come to the other as well. The broker has let it
	// go once it lets another in under its name: before, it may give packs to it
	// that nobody reads.
	one.Disconnect(100)
	after := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + b.Addr).SetClientID("one"))
	if k := after.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		t.Fatal(k.Error())
	}
	defer after.Disconnect(100)
	fresh := map[string]bool{}
	for i := range 200 {
		pack := fmt.Appendf(nil, `[{"bn":"rig-1/","bt":1790000000,"n":"pulses","u":"count","v":%d}]`, i)
		fresh[string(pack)] = true
		say("rig-1", pack)
	}
	await(t, "all packs at one worker", func() bool {
		for _, p := range two.of("rig-1") {
			delete(fresh, p)
		}
		return len(fresh) == 0
	})

	// The archive's two recordings against the one.
	data := t.TempDir()
	back, err := openLocal(data, n.Rig, true)
	if err != nil {
		t.Fatal(err)
	}
	if err := sayAll(context.Background(), back, n.settings(t, data), 1); err != nil {
		t.Fatal(err)
	}
	for _, w := range []*worker{one, two} {
		text := strings.Join(w.of(n.Rig), "\n") + "\n"
		if _, err := back.Import(context.Background(), bytes.NewReader([]byte(text)), func(imported) {}); err != nil {
			t.Fatal(err)
		}
	}
	got, err := back.View(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if err := back.Close(); err != nil {
		t.Fatal(err)
	}
	n.checkTruth(t, "by two recordings", got)
}

// A house reads a fleet's results back from the store: what each rig's own
// ledger says.
func TestFleet(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and starts an InfluxDB")
	}
	s := influxtest.Start(t)
	want := map[string]*ledger.View{}
	var zone *time.Location
	var night string
	for i := range 3 {
		n := playNight(t, rigsim.SmallNight(uint64(i+1)))
		n.Rig = fmt.Sprintf("rig-%d", i)
		set := n.settings(t, t.TempDir())
		set.Rig = n.Rig
		set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
		set.Influx = &settings.Influx{URL: s.URL, Token: s.Token(), Bucket: s.Bucket()}
		w := work(t, set, newStepClock(n.Start))
		w.plays(n, w.broker.Addr())
		w.flushedBut()
		want[n.Rig], zone = w.view(), n.zone(t)
		from, _ := ledger.NightOf(n.Start.UnixNano(), zone)
		night = time.Unix(0, from).In(zone).Format(time.DateOnly)
		w.end()
	}
	file := filepath.Join(t.TempDir(), "house.toml")
	text := fmt.Sprintf("rig = \"house\"\nzone = %q\nunits = \"SI\"\n[influxdb]\nurl = %q\nbucket = %q\n", zone, s.URL, s.Bucket())
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var lines []fleetLine
	if err := json.Unmarshal([]byte(call(t, "fleet", "-settings", file, "-night", night, "-json")), &lines); err != nil {
		t.Fatal(err)
	}
	got := map[string]fleetLine{}
	for _, l := range lines {
		got[l.Rig+" "+l.Yard] = l
	}
	yards := 0
	for rig, v := range want {
		tally := ledger.Tally(v, 0, math.MaxInt64)
		for _, y := range tally.Yards {
			if y.Fills+y.TopUps == 0 {
				continue
			}
			yards++
			l := got[rig+" "+y.Yard]
			if l.Pulls != y.Fills+y.TopUps || math.Abs(l.VolumeL-y.Volume.Litres()) > 1e-6 || math.Abs(l.SolidsKg-float64(y.Solids)) > 1e-6 || l.Heard.IsZero() || l.Last.Before(l.First) {
				t.Errorf("%s %s: %+v, its ledger says %+v", rig, y.Yard, l, y)
			}
		}
	}
	if len(lines) != yards || yards < 3 {
		t.Errorf("%d lines, want %d", len(lines), yards)
	}
	if text := call(t, "fleet", "-settings", file, "-night", night); !strings.Contains(text, "3 rigs") || !strings.Contains(text, "rig-2") {
		t.Errorf("the table is\n%s", text)
	}
	if text := call(t, "fleet", "-settings", file, "-night", night, "-csv"); strings.Count(text, "\n") != yards+1 || !strings.HasPrefix(text, "rig,yard,pulls,volume_l,solids_kg,first,last,heard\n") {
		t.Errorf("as CSV\n%s", text)
	}
	if text := call(t, "fleet", "-settings", file, "-night", "2001-01-01"); !strings.Contains(text, "No rig was heard") {
		t.Errorf("long before: %s", text)
	}
}

// rightsGiven are the rights at a broker that README gives to a rig's daemon, an
// archive and a display.
const rightsGiven = `user heron
topic readwrite yardtally/heron/#
user archive
topic read yardtally/+/readings
user display
topic read yardtally/+/results/#
`

// With no more rights than README gives, all of them can do their work, and a
// rig cannot speak for another.
func TestRightsAtMosquitto(t *testing.T) {
	acl := filepath.Join(t.TempDir(), "rights")
	if err := os.WriteFile(acl, []byte(rightsGiven), 0o644); err != nil {
		t.Fatal(err)
	}
	b := mosquittotest.Start(t, "acl_file "+acl)
	as := func(user string) mqtt.Client {
		t.Helper()
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + b.Addr).SetClientID(user + " " + newID()).SetUsername(user))
		if k := c.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
			t.Fatal(k.Error())
		}
		t.Cleanup(func() { c.Disconnect(100) })
		return c
	}
	var mu sync.Mutex
	heard := map[string]int{}
	for user, filter := range map[string]string{"display": settings.DefaultPrefix + "/+/results/#", "archive": sharedFilter} {
		k := as(user).Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) {
			mu.Lock()
			defer mu.Unlock()
			heard[user+" "+m.Topic()]++
		})
		if !k.WaitTimeout(time.Minute) || k.Error() != nil {
			t.Fatal(k.Error())
		}
	}
	n := playNight(t, rigsim.SmallNight(1))
	n.Rig = "heron"
	set := n.settings(t, t.TempDir())
	set.MQTT = []settings.MQTT{{Name: "house", URL: "tcp://" + b.Addr, Client: "yardtally-heron", User: "heron", Prefix: settings.DefaultPrefix}}
	w := work(t, set, newStepClock(n.Start))
	rig := as("heron")
	rig.Publish(settings.DefaultPrefix+"/egret/results/left", 1, true, "x").Wait()
	rig.Publish(settings.DefaultPrefix+"/egret/readings", 1, false, "x").Wait()
	for _, m := range n.said {
		pack, err := rigsim.Pack(nil, n.Rig, m, true)
		if err != nil {
			t.Fatal(err)
		}
		w.clock.set(m.At.Add(20 * time.Millisecond))
		sendPack(t, rig, n.Rig, pack)
	}
	w.clock.set(n.said[len(n.said)-1].At.Add(time.Minute))
	await(t, "the night to be told", func() bool { return len(w.view().Fills) == len(n.truth.Fills) })
	await(t, "everybody to hear", func() bool {
		mu.Lock()
		defer mu.Unlock()
		return heard["archive yardtally/heron/readings"] == len(n.said) && heard["display yardtally/heron/results/night"] > 0
	})
	mu.Lock()
	defer mu.Unlock()
	for what := range heard {
		if strings.Contains(what, "egret") || strings.HasPrefix(what, "archive") != strings.HasSuffix(what, "/readings") {
			t.Errorf("heard: %s", what)
		}
	}
}
