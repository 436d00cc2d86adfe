package main

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/ingest/mqttsub/mosquittotest"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/sound"
	"yardtally/meter"
)

// The kinds of faults.
const (
	soakUnplug   = "serial line unplugged"
	soakBroker   = "broker restarted"
	soakStoreOut = "store away"
	soakStep     = "wall clock stepped"
	soakFull     = "disk full"
	soakKill     = "daemon killed"
	soakTerm     = "daemon restarted"
	soakReboot   = "board booted into 1970"
	soakReader   = "page readers that hang"
	soakReload   = "settings read again"
	soakRestart  = "counter board restarted"
	soakExchange = "counter board exchanged"
)

var (
	soakKinds = []string{soakUnplug, soakBroker, soakStoreOut, soakStep, soakFull, soakKill, soakTerm, soakReboot, soakReader, soakReload, soakRestart, soakExchange}
	// Of the nights on which the daemon dies, and of those of one life.
	soakDeaths = []string{soakKill, soakTerm, soakReboot, soakBroker}
	soakLife   = []string{soakUnplug, soakBroker, soakReload, soakStep, soakFull, soakStoreOut, soakReader}
)

// silence is a stretch in which a wire brought nothing.
type soakSilence struct {
	from, to time.Time
	serial   bool // the counter's wire, else the position's
}

// soak plays a month.
type soak struct {
	t    *testing.T
	form soakForm
	seed uint64
	rng  *rand.Rand
	p    *seasonPlay
	dir  string
	data string
	set  string // the settings' path
	page string // address
	log  *os.File
	text string // of the settings, what stays

	nights int // begun
	slate  *slate
	at     time.Time // simulated
	first  time.Time
	boots  int
	began  time.Time // of this boot
	v      *victim
	store  *soakStore

	port   string // a link to the pseudo-terminal
	near   *os.File
	far    *os.File
	sent   [2]int64 // as slate.Took, since settled
	base   [2]int64
	broker *soakWire
	bauds  int
	disk   bool // the folder is a small disk of its own

	readers []net.Conn

	pulse    quantity.Volume
	board    rigsim.Meter // as it is now
	boardAt  time.Time
	gone     uint64 // pulses of boards before
	begin    uint64 // count of the first
	tote     quantity.Volume
	warm     float64
	last     rigsim.Said     // with a position
	said     []*bytes.Buffer // in pieces, without a pause in them
	silences []soakSilence
	fills    []rigsim.Fill
	deck     []string

	count          map[string]int
	readings, lost int
	long           samples
	most           int64
	announced      int
	unaccounted    [3]float64
	gaps           int
	yards          []string

	mu     sync.Mutex
	alarms map[string]int // packs heard, and how often
}

// soakWire is a broker that is not the daemon's, and a rig's client at it.
type soakWire struct {
	addr        string
	stop, serve func()
	up          bool
	rig         mqtt.Client
	last        mqtt.Token
}

const soakPulses = 132.25 // a litre: one factor for every flow, so that sums are exact

func newSoak(t *testing.T, f soakForm, seed uint64) *soak {
	t.Helper()
	s := &soak{t: t, form: f, seed: seed, rng: rand.New(rand.NewPCG(seed, 77)), dir: t.TempDir(), count: map[string]int{}, alarms: map[string]int{}}
	s.set, s.data, s.port, s.page = filepath.Join(s.dir, "heron.toml"), filepath.Join(s.dir, "data"), filepath.Join(s.dir, "board"), freeAddress(t)
	s.pulse = quantity.VolumeOf(1.0 / soakPulses / 1000)
	s.p = newSeason(seed, f.nights, s.dir, s.run)
	s.p.played = s.night
	n := &s.p.base
	n.Tail = time.Minute
	for i := range n.Yards {
		n.Yards[i].Colonies = max(2, int(math.Round(f.share*float64(n.Yards[i].Colonies))))
	}
	n.Fitted = slices.DeleteFunc(slices.Clone(n.Fitted), func(c meter.Channel) bool { return c == meter.Line })
	// The count wraps on one of the first nights, the milliseconds of the uptime in the month.
	s.board = n.Meter
	s.board.Count, s.board.Uptime, s.board.Boots = 1<<32-1500, 44*24*time.Hour, 40
	s.begin = s.board.Count
	s.first = n.Start.AddDate(0, 0, -4)
	s.at, s.began, s.boardAt, s.warm = s.first, s.first, s.first, seasonCoolC
	s.last = rigsim.Said{Readings: []meter.Reading{{Channel: meter.Lat, Value: n.Yards[0].Lat}, {Channel: meter.Lon, Value: n.Yards[0].Lon}}}

	s.mountDisk()
	if err := door.Set(filepath.Join(s.data, passphraseFile), tapsPassphrase); err != nil {
		t.Fatal(err)
	}
	page := make([]byte, os.Getpagesize())
	err := os.WriteFile(soakSlate(s.set), page, 0o600)
	if err == nil {
		s.slate, err = openSlate(soakSlate(s.set))
	}
	if err != nil {
		t.Fatal(err)
	}
	s.move(s.at)
	s.slate.Off.Store(s.at.UnixNano() - s.slate.Mono.Load())
	if s.log, err = os.Create(filepath.Join(s.dir, "log")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			text, _ := os.ReadFile(s.log.Name())
			t.Logf("%s", text[max(0, len(text)-6000):])
		}
		s.log.Close()
	})
	if f.influx {
		s.store = realInflux(t)
	} else {
		s.store = standIn(t)
	}
	s.openBroker()
	s.writeSettings()
	s.plug()
	s.wake()
	t.Cleanup(func() {
		s.closeReaders()
		s.v.signal(t, syscall.SIGKILL)
		s.unplug()
	})
	return s
}

// mountDisk has the data on a small disk of its own, where the test may do so.
func (s *soak) mountDisk() {
	if err := os.MkdirAll(s.data, 0o700); err != nil {
		s.t.Fatal(err)
	}
	if os.Getuid() != 0 {
		s.t.Log("not root: no disk is filled")
		return
	}
	if err := syscall.Mount("tmpfs", s.data, "tmpfs", 0, "size=48m"); err != nil {
		s.t.Logf("no disk is filled: a small one cannot be mounted: %v", err)
		return
	}
	s.disk = true
	s.t.Cleanup(func() {
		if err := syscall.Unmount(s.data, syscall.MNT_DETACH); err != nil {
			s.t.Error(err)
		}
	})
}

func (s *soak) openBroker() {
	w := &soakWire{up: true}
	if s.form.mosquitto {
		// It keeps what it holds when it is stopped; to keep each change costs more than all else here.
		b := mosquittotest.Start(s.t, "persistence true", "persistence_location "+s.t.TempDir()+"/", "max_queued_messages 0")
		w.addr, w.stop, w.serve = b.Addr, b.Stop, b.Serve
	} else {
		w.addr = freeAddress(s.t)
		w.serve, w.stop = otherBrokerAt(s.t, w.addr)
		w.serve()
		s.t.Cleanup(w.stop)
	}
	s.broker = w
	s.connect()
	ear := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + w.addr).SetClientID("ear").SetCleanSession(true).
		SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond).SetMaxReconnectInterval(100 * time.Millisecond).
		SetOnConnectHandler(func(c mqtt.Client) {
			c.Subscribe(sound.AlarmTopic(settings.DefaultPrefix, s.p.base.Rig), 1, func(_ mqtt.Client, m mqtt.Message) {
				s.mu.Lock()
				defer s.mu.Unlock()
				s.alarms[string(m.Payload())]++
			})
		}))
	if k := ear.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		s.t.Fatal(k.Error())
	}
	s.t.Cleanup(func() { ear.Disconnect(100) })
}

// connect has the rig's sensors talk to the broker; they give up with it.
func (s *soak) connect() {
	w := s.broker
	w.rig, w.last = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://"+w.addr).SetClientID("rig").SetAutoReconnect(false)), nil
	if k := w.rig.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
		s.t.Fatal(k.Error())
	}
}

// writeSettings writes the keeper's file; its serial line's speed differs each time.
func (s *soak) writeSettings() {
	if s.text == "" {
		text, err := s.p.settingsText(s.page)
		if err != nil {
			s.t.Fatal(err)
		}
		s.text, _, _ = strings.Cut(text, "\n[[provings]]") // they are last
	}
	s.bauds++
	text := s.text + fmt.Sprintf("\n[[provings]]\nk_factor = \"%g pulses/L\"\n[[serial]]\nname = \"counter board\"\nport = %q\nbaud = %d\n[[mqtt]]\nname = \"mqtt\"\nurl = \"%s://%s\"\nclient = \"yardtally-heron\"\n[influxdb]\nurl = %q\nbucket = %q\n",
		soakPulses, s.port, []int{115200, 57600}[s.bauds%2], []string{"tcp", "mqtt"}[s.bauds%2], s.broker.addr, s.store.url, s.store.bucket)
	if err := os.WriteFile(s.set, []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
}

// await waits for what will come about, and leaves the processor to others.
func (s *soak) await(what string, ready func() bool) {
	s.t.Helper()
	for limit := time.Now().Add(2 * time.Minute); !ready(); time.Sleep(300 * time.Microsecond) {
		select {
		case <-s.v.ended:
			s.t.Fatalf("waiting for %s: the daemon has ended: %v", what, s.v.err)
		default:
		}
		if time.Now().After(limit) {
			s.t.Fatalf("waited two minutes for %s", what)
		}
	}
}

// now is the simulated instant.
func (s *soak) now() time.Time { return s.at }

// move has the boot's clock run on to an instant.
func (s *soak) move(to time.Time) {
	s.at = to
	s.slate.Mono.Store(int64(to.Sub(s.began)) + 40e9)
}

// step sets the wall clock off by so much.
func (s *soak) step(off time.Duration) {
	s.slate.Off.Store(s.at.UnixNano() - s.slate.Mono.Load() + int64(off))
}

// boot is another boot of the board: its clock begins anew.
func (s *soak) boot() {
	s.boots++
	s.began = s.at
	s.move(s.at)
}

// wake starts the daemon and waits until it listens.
func (s *soak) wake() {
	s.slate.Open.Store(0)
	s.slate.Took[0].Store(0)
	s.slate.Took[1].Store(0)
	s.v = spawnSoak(s.t, s.set, fmt.Sprint("boot ", s.boots), s.log)
	s.listens()
}

// listens waits until the daemon has all sources open and has taken what waited
// for it.
func (s *soak) listens() {
	s.await("all sources to open", func() bool { return s.slate.Open.Load() == 3 })
	s.catchUp()
}

// catchUp waits until nothing comes any more: it is not known how much a broker
// sends again.
func (s *soak) catchUp() {
	took := func() [2]int64 { return [2]int64{s.slate.Took[0].Load(), s.slate.Took[1].Load()} }
	was, since := took(), time.Now()
	s.await("what waited at the broker", func() bool {
		if n := took(); n != was {
			was, since = n, time.Now()
		}
		return time.Since(since) > 200*time.Millisecond
	})
	s.base, s.sent = was, [2]int64{}
}

// level waits until the daemon has taken what was said to it. Where it took more,
// some of that was old, and of the new some is still to come.
func (s *soak) level() {
	if !s.alive() {
		return
	}
	more := false
	for i, whole := range []bool{s.near != nil, s.broker.up} {
		took := func() int64 { return s.slate.Took[i].Load() - s.base[i] }
		if whole && s.slate.Open.Load()&(1<<i) != 0 {
			s.await([]string{"the serial line to be read", "the packs to be taken"}[i], func() bool { return took() >= s.sent[i] })
			more = more || took() > s.sent[i]
		}
	}
	if more {
		s.catchUp()
	}
}

func (s *soak) alive() bool {
	select {
	case <-s.v.ended:
		return false
	default:
		return true
	}
}

var (
	soakSerial = rigsim.DemoSplit().Serial
	soakMQTT   = rigsim.DemoSplit().MQTT
)

func soakOnly(m rigsim.Said, channels []meter.Channel) rigsim.Said {
	out := rigsim.Said{At: m.At}
	for _, x := range m.Readings {
		if slices.Contains(channels, x.Channel) {
			out.Readings = append(out.Readings, x)
		}
	}
	return out
}

// say has the rig say a message at its time, over whatever wire is whole.
func (s *soak) say(m rigsim.Said) {
	t := s.t
	if len(s.said) == 0 || m.At.Sub(s.at) > 5*time.Minute {
		s.said = append(s.said, new(bytes.Buffer))
	}
	s.move(m.At)
	s.readings += len(m.Readings)
	pack, err := rigsim.Pack(nil, s.p.base.Rig, m, true)
	if err != nil {
		t.Fatal(err)
	}
	s.said[len(s.said)-1].Write(append(pack, '\n'))
	if part := soakOnly(m, soakSerial); len(part.Readings) > 0 {
		lines, err := rigsim.SerialLines(nil, part)
		if err != nil {
			t.Fatal(err)
		}
		if s.near == nil || !s.alive() {
			s.lost += len(part.Readings)
		} else if _, err := s.near.Write(lines); err != nil {
			t.Fatal(err)
		} else {
			s.sent[0] += int64(bytes.Count(lines, []byte("\n")))
		}
	}
	if part := soakOnly(m, soakMQTT); len(part.Readings) > 0 {
		pack, err := rigsim.Pack(nil, s.p.base.Rig, part, true)
		if err != nil {
			t.Fatal(err)
		}
		if !s.broker.up {
			s.lost += len(part.Readings)
		} else {
			s.broker.last = s.broker.rig.Publish(settings.DefaultPrefix+"/"+s.p.base.Rig+"/readings", 1, false, pack)
			s.sent[1]++
		}
	}
}

// run runs a command beside the daemon; before what was done at an instant, time
// goes on to it.
func (s *soak) run(args ...string) (string, error) {
	if i := slices.Index(args, "-at"); i >= 0 {
		zone, err := time.LoadLocation(s.p.base.Zone)
		if err != nil {
			return "", err
		}
		at, err := time.ParseInLocation("2006-01-02 15:04", args[i+1], zone)
		if err != nil {
			return "", err
		}
		s.idle(at)
	}
	s.tote = s.p.tote
	var out, bad bytes.Buffer
	if code := Main(append(slices.Clone(args), "-settings", s.set), &env{strings.NewReader(""), &out, &bad}); code != 0 {
		return "", fmt.Errorf("%s: exit code %d: %s", shellWords(args), code, &bad)
	}
	return out.String(), nil
}

// idle has the parked rig say a few readings every six hours until an instant,
// and looks at the daemon's memory once a day.
func (s *soak) idle(to time.Time) {
	for next := s.at.Truncate(6 * time.Hour).Add(6 * time.Hour); next.Before(to); next = next.Add(6 * time.Hour) {
		for k := range 5 {
			at := next.Add(time.Duration(k) * time.Second)
			air := 14 + 7*math.Sin(2*math.Pi*float64(at.Unix()%86400)/86400)
			m := rigsim.Said{At: at, Readings: []meter.Reading{{Channel: meter.Pulses, Value: float64(s.board.Count & (1<<32 - 1))},
				{Channel: meter.Uptime, Value: (s.board.Uptime + at.Sub(s.boardAt)).Seconds()}}}
			if k == 0 {
				m.Readings = append(m.Readings, meter.Reading{Channel: meter.Boot, Value: float64(s.board.Boots)},
					meter.Reading{Channel: meter.Syrup, Value: math.Round(10*air) / 10}, meter.Reading{Channel: meter.Air, Value: math.Round(10*air) / 10})
			}
			if s.tote > 0 {
				m.Readings = append(m.Readings, meter.Reading{Channel: meter.Headspace, Value: math.Round(1e4*float64(s.p.base.Tote.Sensor-s.p.base.Tote.Level(s.tote))) / 1e4})
			}
			m.Readings = append(m.Readings, s.last.Readings...)
			m.Readings = append(m.Readings, meter.Reading{Channel: meter.HDOP, Value: 1.1}, meter.Reading{Channel: meter.UTC, Value: float64(at.Unix())})
			s.say(m)
			s.level()
		}
		if next.UTC().Hour() == 12 {
			s.sample()
		}
	}
	if to.After(s.at) {
		s.move(to)
	}
}

// sample notes what the daemon takes while the rig stands. Of the nights on which
// it is killed nothing is to be learnt.
func (s *soak) sample() {
	if !s.living() {
		return
	}
	s.closeReaders()
	n := s.slate.Ask.Add(1)
	s.await("the daemon to look at itself", func() bool { return s.slate.Answer.Load() == n })
	rss, _, fds := resident(s.t, s.v.cmd.Process.Pid)
	m := &s.long
	m.memory, m.heap = append(m.memory, float64(rss)), append(m.heap, float64(s.slate.Heap.Load()))
	m.descriptors, m.goroutines = append(m.descriptors, float64(fds)), append(m.goroutines, float64(s.slate.Goroutines.Load()))
}

// living reports whether the nights on which the daemon dies are over.
func (s *soak) living() bool { return s.nights > s.form.killed }

// rest lets days go by after the season.
func (s *soak) rest() { s.idle(s.at.AddDate(0, 0, 2)) }

// pulses is how many the boards have counted since the first reading.
func (s *soak) pulses() uint64 { return s.gone + s.board.Count - s.begin }

// change has another board count from here on, from nothing.
func (s *soak) change(boots uint64) {
	s.gone += s.board.Count - s.begin
	s.begin, s.board.Count, s.board.Boots, s.board.Uptime, s.boardAt = 0, 0, boots, time.Minute, s.at
}
