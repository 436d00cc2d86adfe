package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/creack/pty"
	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/logbook"
	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard/door"
	"yardtally/dashboard/report"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

// fastClock runs faster than life from a chosen instant on.
type fastClock struct {
	began time.Time // real
	start time.Time // simulated
	speed float64

	stopped atomic.Int64 // ns since start; 0 while it runs
}

// stop holds the clock where it is, so that a page left open after the night
// shows its end and not sensors that have long been silent.
func (c *fastClock) stop() { c.stopped.CompareAndSwap(0, c.Now().Mono) }

// Now implements source.Clock.
func (c *fastClock) Now() source.Stamp {
	d := time.Duration(c.stopped.Load())
	if d == 0 {
		d = time.Duration(float64(time.Since(c.began)) * c.speed)
	}
	return source.Stamp{Mono: int64(d), Wall: c.start.Add(d).UnixNano()}
}

func runDemo(ctx context.Context, e *env, args []string) error {
	fs := flags("demo")
	speed := fs.Float64("speed", 20, "simulated seconds a second, 1 to 600")
	page := fs.String("page", settings.DefaultPage, "page's `ADDRESS`; port 0 takes any free one")
	seed := fs.Uint64("seed", 1, "night's `SEED`: another number is another night's chances")
	data := fs.String("data", "", "journal's `FOLDER` (default: a temporary one)")
	units := fs.String("units", "US", "`UNITS` of the page, US or SI")
	exit := fs.Bool("exit", false, "end with the night, instead of keeping the page open")
	season := fs.Bool("season", false, "play a whole season and its books in some seconds, through the commands, instead of a night")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if !(*speed >= 1 && *speed <= 600) {
		return usageError{fmt.Errorf("-speed: must be between 1 and 600, is %g", *speed)}
	}
	system, err := quantity.ParseSystem(*units)
	if err != nil {
		return usageError{fmt.Errorf("-units: must be US or SI, is %q", *units)}
	}
	if *data == "" {
		if *data, err = os.MkdirTemp("", "yardtally-demo-*"); err != nil {
			return err
		}
		defer os.RemoveAll(*data)
	}
	if *season {
		return runDemoSeason(ctx, e, *data, *seed, *page, *exit)
	}
	night := demoNight(*seed)
	d := &demo{e: e, night: night, speed: *speed, page: *page, data: *data, units: system, exit: *exit}
	return d.run(ctx)
}

// demoNight is a night on which something happens: the hose is primed onto the
// ground, a colony is passed over with the button, one is found dead and not
// told of, and the tote is topped up on the way.
func demoNight(seed uint64) rigsim.Scenario {
	n := rigsim.DemoNight()
	n.Seed = seed
	n.Fitted = append(n.Fitted, meter.Mark, meter.Skip)
	n.Hand.Prime, n.Hand.Skip = 900*quantity.Millilitre, 0.04
	n.Yards[1].Dead = []int{6}
	n.Refills = []rigsim.Refill{{After: 65 * time.Minute, Volume: 120 * quantity.Litre, Rate: 40 * quantity.LitrePerMinute}}
	return n
}

// demo is a simulated night through the whole of it: a rig that speaks on a
// real serial line and to a real broker, the daemon, its journal, its page.
type demo struct {
	e     *env
	night rigsim.Scenario
	speed float64
	page  string
	data  string
	units quantity.System
	exit  bool
	books bool // it keeps them: its folder had none
	log   *slog.Logger
}

func (m *demo) run(ctx context.Context) error {
	rig, err := rigsim.New(m.night)
	if err != nil {
		return err
	}
	line, tty, err := pty.Open()
	if err != nil {
		return fmt.Errorf("a pseudo-terminal is needed for the serial line: %w", err)
	}
	defer line.Close()
	defer tty.Close()
	if m.log == nil {
		book := logbook.New(m.e.err, true)
		book.Set(slog.LevelWarn, false)
		m.log = book.Logger()
	}
	set, err := m.settings(tty.Name())
	if err != nil {
		return err
	}
	secret, err := m.secret()
	if err != nil {
		return err
	}
	clock := &fastClock{began: time.Now(), start: m.night.Start, speed: m.speed}
	d := &daemon{set: set, clock: &source.Steady{Clock: clock}, bootID: "demo " + newID(), log: m.log, speed: m.speed,
		// A second of life is many of the night's: sync more often, show more.
		commit: max(100*time.Millisecond, time.Duration(float64(time.Second)/m.speed)),
		demo:   fmt.Sprintf("A simulated night, %g times faster than life.", m.speed)}
	if err := openDaemon(ctx, d); err != nil {
		return err
	}
	fmt.Fprintf(m.e.out, "A simulated night on rig %s, %g times faster than life.\nOpen the page: %s\n", set.Rig, m.speed, pageURL(d.page.Addr(), false))
	if secret != "" {
		fmt.Fprintf(m.e.out, "To tell the rig something on it, sign in with %s\n", secret)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()

	if err := m.bookAll(ctx, d); err != nil {
		cancel()
		return errors.Join(err, <-ended)
	}
	keeper := make(chan error, 1)
	telling, stopTelling := context.WithCancel(ctx)
	go func() { keeper <- m.tell(telling, d) }()
	playErr := m.play(ctx, rig, d, line, clock)
	stopTelling()
	if err := <-keeper; playErr == nil {
		playErr = err
	}
	clock.stop()
	if playErr == nil {
		playErr = m.reckon(ctx, rig, d)
		if playErr == nil && !m.exit {
			fmt.Fprintln(m.e.out, "The page stays open. Ctrl-C ends the demo.")
			<-ctx.Done()
		}
	}
	cancel()
	err = <-ended
	if errors.Is(playErr, context.Canceled) {
		playErr = nil
	}
	return errors.Join(playErr, err)
}

// secret gives the demo a passphrase of its own, unless its folder has one.
func (m *demo) secret() (string, error) {
	file := filepath.Join(m.data, passphraseFile)
	if _, err := os.Stat(file); err == nil || !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	if err := os.MkdirAll(m.data, 0o750); err != nil {
		return "", err
	}
	text := "demo " + newID()[:8]
	return text, door.Set(file, text)
}

// play waits until both wires are open, then lets the rig speak.
func (m *demo) play(ctx context.Context, rig *rigsim.Rig, d *daemon, line io.Writer, clock *fastClock) error {
	for _, s := range d.sources {
		for s.State().Phase != source.Open {
			if err := sleep(ctx, 5*time.Millisecond); err != nil {
				return err
			}
		}
	}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + d.broker.Addr()).SetClientID("demo-rig").
		SetMaxReconnectInterval(time.Second).SetOrderMatters(false))
	if t := client.Connect(); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		return fmt.Errorf("the demo's own broker: %w", t.Error())
	}
	defer client.Disconnect(250)
	topic := d.set.Broker.Prefix + "/" + d.set.Rig + "/readings"
	var last mqtt.Token
	began := clock.Now().Mono
	p := rigsim.Player{
		Speed: m.speed, Split: rigsim.DemoSplit(), Stamped: true,
		// The rig's own clock and the daemon's are the same here.
		Elapsed: func() time.Duration { return time.Duration(float64(clock.Now().Mono-began) / m.speed) },
		Sleep:   sleep,
		Serial: func(b []byte) error {
			_, err := line.Write(b)
			return err
		},
		MQTT: func(b []byte) error {
			last = client.Publish(topic, 1, false, append([]byte(nil), b...))
			return nil
		},
	}
	if err := p.Play(ctx, rig); err != nil {
		return err
	}
	if last != nil && (!last.WaitTimeout(10*time.Second) || last.Error() != nil) {
		return fmt.Errorf("the last message was not taken: %w", last.Error())
	}
	return nil
}

// tell is the keeper, who says on leaving a yard that all is told, where that
// adds up: of the dead colony of Mill Bottom nobody speaks.
func (m *demo) tell(ctx context.Context, d *daemon) error {
	ticks := d.desk.Watch(ctx)
	told := make(map[int64]bool)
	for {
		if _, ok := <-ticks; !ok {
			return nil
		}
		if err := m.tellOf(ctx, d, told, false); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
	}
}

// tellOf says once of each visit that is over, or with ended of each, that all is told.
func (m *demo) tellOf(ctx context.Context, d *daemon, told map[int64]bool, ended bool) error {
	v := d.desk.Snapshot().View
	if v == nil {
		return nil
	}
	for i := range v.Visits {
		x := &v.Visits[i]
		if x.Told || told[x.From] || x.Yard == "" || x.Colonies == 0 || x.Missing != 0 || !x.Over && !ended {
			continue
		}
		told[x.From] = true
		if _, err := d.taps.Say(ctx, "wren", act.Colony{At: act.Moment{NS: v.At}, What: act.AllTold, Yard: x.Yard}); err != nil {
			return fmt.Errorf("what the keeper says is not kept: %w", err)
		}
	}
	return nil
}

// reckon prints what Yardtally found beside what the simulated rig truly gave.
func (m *demo) reckon(ctx context.Context, rig *rigsim.Rig, d *daemon) error {
	truth := rig.Truth()
	// The last lines are on their way.
	if err := sleep(ctx, 1500*time.Millisecond); err != nil {
		return err
	}
	if err := d.desk.Settle(ctx); err != nil {
		return err
	}
	if err := m.tellOf(ctx, d, map[int64]bool{}, true); err != nil {
		return err
	}
	if err := m.bookLoads(ctx, d, &truth); err != nil {
		return err
	}
	v := d.desk.Snapshot().View
	n := ledger.Tally(v, m.night.Start.Add(-time.Hour).UnixNano(), math.MaxInt64)
	given := make(map[string]rigsim.YardTotal)
	for _, y := range truth.Yards {
		given[y.Yard] = y
	}
	_, unit := m.units.VolumeParts(0)
	fmt.Fprintf(m.e.out, "\nThe night is over.\n%-16s %6s %6s %16s %8s %14s\n", "yard", "fills", "truly", "Yardtally says", "±", "truly given")
	exact := func(v quantity.Volume) string {
		c, _ := report.Closing(m.units, 100, []quantity.Volume{v})
		return report.Fixed(c[0], 100)
	}
	line := func(name string, fills, truly int, says, within, gave quantity.Volume) {
		fmt.Fprintf(m.e.out, "%-16s %6d %6d %16s %8s %14s\n", name, fills, truly, exact(says)+" "+unit, report.Within(m.units, within), exact(gave)+" "+unit)
	}
	dribbled := make(map[string]quantity.Volume)
	var elsewhere quantity.Volume
	for i := range v.Loose {
		if l := &v.Loose[i]; l.Why == outing.Dribble {
			dribbled[l.Yard] += l.Volume
		} else {
			elsewhere += l.Volume
		}
	}
	names := make(map[string]string)
	for _, y := range n.Yards {
		name := y.Name
		if name == "" {
			name = report.NoYard
		}
		names[y.Yard] = name
		pulls := y.Fills + y.TopUps
		line(name, pulls, given[y.Yard].Fills, y.Volume+dribbled[y.Yard], y.Within, given[y.Yard].Filled+given[y.Yard].Dribble)
	}
	fmt.Fprintf(m.e.out, "%-16s %6s %6s %16s %8s %14s\n", "not fed", "", "", exact(elsewhere)+" "+unit, "", exact(truth.Ground+truth.Proved)+" "+unit)
	fmt.Fprintf(m.e.out, "%-16s %6s %6s %16s %8s %14s\n", "together", "", "", exact(n.Total)+" "+unit, report.Within(m.units, n.TotalWithin), exact(truth.Total)+" "+unit)
	for i := range v.Visits {
		if x := &v.Visits[i]; x.Yard != "" {
			said := report.SayVisit(x)
			if fills, loose := report.FlowsOf(v, i); x.Unsure+x.Perhaps > 0 {
				said += " " + report.SayUnsure(fills, loose, nil)
			}
			if x.Numbered {
				said += " All told: each fill has its colony's number."
			}
			fmt.Fprintf(m.e.out, "%s: %s\n", names[x.Yard], said)
		}
	}
	return m.state(ctx, d)
}

// provedWith is the sugar of the syrups that the simulated meter was proved
// with, mass percent.
var provedWith = []float64{50, 58, 64, 66, 67}

// prove proves the simulated meter as a careful keeper does, another evening:
// some 15 L of each of several syrups are drawn into a bucket and weighed.
func (m *demo) prove() ([]act.Proving, error) {
	var out []act.Proving
	for i, brix := range provedWith {
		s := rigsim.SmallNight(m.night.Seed + uint64(i) + 1)
		s.Start = m.night.Start.Add(time.Duration(i)*time.Hour - 30*time.Hour)
		s.Meter, s.Brix, s.Plumbing, s.Warm = m.night.Meter, brix, m.night.Plumbing, quantity.Temperature(24-4*i)
		s.Air = []rigsim.AirPoint{{Temp: s.Warm}}
		s.Yards = s.Yards[:1]
		s.Yards[0].Colonies, s.Yards[0].Fill = 1, 15*quantity.Litre
		s.Hand.Scatter, s.Hand.Short, s.Hand.Throttled, s.Hand.Topped, s.Hand.Skip = 0, 0, 0, 0, 0
		rig, err := rigsim.New(s)
		if err != nil {
			return nil, err
		}
		for range rig.All() {
		}
		f := rig.Truth().Fills[0]
		out = append(out, act.Proving{Pulses: float64(f.Settled - f.First), NetKg: float64(rigsim.Weigh(f.Volume+f.Dribble, brix, s.Warm)),
			Brix: brix, TempC: float64(s.Warm), Seconds: math.Round(f.End.Sub(f.Start).Seconds()), DoneNS: f.End.UnixNano(), Note: "simulated bucket"})
	}
	return out, nil
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// settings describe the simulated rig as its keeper would.
func (m *demo) settings(port string) (*settings.Settings, error) {
	n := &m.night
	zone, err := time.LoadLocation(n.Zone)
	if err != nil {
		return nil, err
	}
	set := &settings.Settings{Rig: n.Rig, Units: m.units, Zone: zone, Data: m.data, Page: m.page, Door: settings.Door{Open: true}, Books: settings.Books{Currency: settings.DefaultCurrency},
		Serial: []settings.Serial{{Name: "counter board", Port: port, Baud: 115200}},
		Broker: &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}}
	say := func(key string, b act.Body) { set.Acts = append(set.Acts, settings.Said{Key: key, Body: b}) }
	rig := act.DefaultRig
	rig.Zone, rig.WrapBits = n.Zone, n.Meter.WrapBits
	rig.HoseL = n.Plumbing.HoseVolume().Litres()
	say("rig", rig)
	t := act.Tote{Name: "tote one", CapacityL: n.Tote.Capacity().Litres(), SensorM: float64(n.Tote.Sensor), HeadM: float64(n.Tote.Head), UnusableL: n.Tote.Unusable.Litres()}
	for _, s := range n.Tote.Straps(9) {
		t.Straps = append(t.Straps, act.Strap{LevelM: float64(s.Level), VolumeL: s.Volume.Litres()})
	}
	say("tote", t)
	say("batch", act.Batch{Syrup: "sucrose", Brix: n.Brix})
	var route []string
	for _, y := range n.Yards {
		if !y.Past {
			route = append(route, y.ID)
		}
		say("yard "+y.ID, act.Yard{ID: y.ID, Name: y.Name, Lat: y.Place.Lat, Lon: y.Place.Lon, EnterM: 90, LeaveM: 140,
			Colonies: y.Colonies, FillL: y.Fill.Litres(), Numbered: true})
	}
	say("route", act.Route{Yards: route})
	say("meter", act.Meter{Type: "oval gear"})
	proved, err := m.prove()
	if err != nil {
		return nil, err
	}
	for _, p := range proved {
		say(act.Subject(p), p)
	}
	for i := range set.Acts {
		if err := set.Acts[i].Body.Check(); err != nil {
			return nil, err
		}
	}
	return set, nil
}
