package main

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"sync"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/desk"
	"yardtally/ingest/sound"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/signal"
)

// ear listens to readings on their way to the desk, and has signals given. It
// does not wait for them to be kept: a signal that comes after a sync comes
// after the feeder has run over. So it is the sources' sink.
type ear struct {
	rig   string
	set   settings.Signal
	desk  *desk.Desk
	clock source.Clock
	giver *sound.Giver
	log   *slog.Logger

	turned chan *sound.Giver // that take the place of the one that runs

	mu    sync.Mutex // guards set and giver too
	state signal.State
	out   []signal.Signal
}

// tickEvery is how often it is asked whether the counter has gone silent.
const tickEvery = 100 * time.Millisecond

// openEar makes the ear.
func (r *oneRig) openEar() (err error) {
	r.ear = &ear{rig: r.set.Rig, desk: r.desk, clock: r.clock, log: r.log, turned: make(chan *sound.Giver, 1)}
	r.ear.set, r.ear.giver, err = r.outlets(r.set.Signal)
	return err
}

// outlets are all that the settings name. The page has the newest signal in any
// case.
func (r *oneRig) outlets(s *settings.Signal) (settings.Signal, *sound.Giver, error) {
	set := settings.Signal{Failing: settings.UsualFailing}
	all := []sound.Outlet{onPage{r.desk}}
	if s != nil {
		set = *s
		if s.MQTT {
			for _, p := range r.d.publishers(r.set.Rig) {
				all = append(all, p)
			}
		}
		if len(s.Command) > 0 {
			c, err := sound.NewCommand(s.Command, r.log)
			if err != nil {
				return set, nil, fmt.Errorf("signal: %w", err)
			}
			all = append(all, c)
		}
		if s.Pin != nil {
			all = append(all, r.d.lampOf(s.Pin))
		}
	}
	return set, sound.New(r.log, all...), nil
}

// retune has the ear go by the settings that hold now, and by the brokers that
// there are. What it knows of the pull that goes on stays.
func (r *oneRig) retune() error {
	set, giver, err := r.outlets(r.settings().Signal)
	if err != nil {
		return err
	}
	e := r.ear
	e.mu.Lock()
	defer e.mu.Unlock()
	e.set, e.giver = set, giver
	select {
	case <-e.turned: // one that has not begun
	default:
	}
	e.turned <- giver
	return nil
}

// gives is what gives the ear's signals out.
func (e *ear) gives() *sound.Giver {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.giver
}

// publishers are the MQTT brokers that readings come from: signals go there.
func (d *daemon) publishers(rig string) (out []*sound.Publisher) {
	prefix, called := map[string]string{}, map[string]string{}
	for _, m := range d.settings().MQTT {
		prefix[m.Name], called[m.Name] = m.Prefix, "the MQTT broker "+m.Name
	}
	if d.broker != nil {
		name := d.broker.Name()
		prefix[name], called[name] = d.settings().Broker.Prefix, "the daemon's own broker"
	}
	for _, s := range d.shared() {
		if p, ok := s.Source.(interface {
			Publish(context.Context, string, []byte) error
		}); ok {
			out = append(out, &sound.Publisher{To: called[s.Name()], Rig: rig,
				Topic: sound.Topic(prefix[s.Name()], rig), Send: p.Publish})
		}
	}
	return out
}

// onPage is the outlet that shows the newest signal.
type onPage struct{ desk *desk.Desk }

func (onPage) Name() string { return "the page" }

func (p onPage) Give(ctx context.Context, s sound.Signal) error {
	if s.Kind == signal.Alarm {
		return nil // the page has alarms themselves
	}
	return p.desk.Signalled(ctx, s.Kind.String(), s.At)
}

// Put implements source.Sink.
func (e *ear) Put(ctx context.Context, a source.Arrival) error {
	if a.Rig == e.rig && a.BootID == "" { // a recording's readings are not of now
		e.hear(a.Records)
	}
	return e.desk.Put(ctx, a)
}

func (e *ear) hear(records []meter.Record) {
	e.mu.Lock()
	defer e.mu.Unlock()
	var r signal.Rules
	for i := range records {
		c, ok := pulsesOf(&records[i])
		if !ok {
			continue
		}
		if r.Wrap == 0 {
			r = rulesNow(e.desk.Snapshot(), &e.set)
		}
		e.out = e.state.Next(c, r, e.out[:0])
		e.give(c.At)
	}
}

// pulsesOf returns the counter's message in a record, if there is one.
func pulsesOf(r *meter.Record) (signal.Count, bool) {
	n, ok := r.Value(meter.Pulses)
	c := signal.Count{At: r.Mono, N: uint64(n)}
	if up, has := r.Value(meter.Uptime); has {
		c.Up, c.HasUp = int64(math.Round(up*1e9)), true
	}
	if boot, has := r.Value(meter.Boot); has {
		c.Boot, c.HasNum = uint64(boot), true
	}
	return c, ok
}

// give hands on what there is to hear. It holds nobody up.
func (e *ear) give(mono int64) {
	for _, s := range e.out {
		e.log.Info("signal", "kind", s.Kind.String(), "fill", s.Fill.String(), "set", s.Set.String())
		e.giver.Give(sound.Signal{Signal: s, At: mono + e.desk.Snapshot().Offset})
	}
}

// run gives signals, and notices when the counter goes silent, until the
// context ends.
func (e *ear) run(ctx context.Context) {
	var giving sync.WaitGroup
	defer giving.Wait()
	stop := func() {}
	defer func() { stop() }()
	before := make(chan struct{})
	close(before)
	begin := func(g *sound.Giver) {
		stop()
		var its context.Context
		its, stop = context.WithCancel(ctx)
		last, ended := before, make(chan struct{})
		giving.Go(func() {
			defer close(ended)
			<-last // it may hold a pin that this one wants
			g.Run(its)
		})
		before = ended
	}
	begin(e.gives())
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case g := <-e.turned:
			begin(g)
		case <-tick.C:
			e.tick()
		}
	}
}

func (e *ear) tick() {
	e.mu.Lock()
	defer e.mu.Unlock()
	now := e.clock.Now().Mono
	e.out = e.state.Tick(now, rulesNow(e.desk.Snapshot(), &e.set), e.out[:0])
	e.give(now)
}

// rulesNow are the rules for signals where the rig is now.
func rulesNow(s *desk.Snapshot, set *settings.Signal) signal.Rules {
	rig := &s.Rig
	topUp := rig.TopUpS
	if topUp == 0 {
		topUp = act.DefaultTopUp
	}
	r := signal.Rules{
		Wrap: 1 << rig.WrapBits, Quiet: int64(rig.QuietS * 1e9), TopUp: int64(max(topUp, rig.QuietS) * 1e9),
		Least: quantity.VolumeOf(rig.LeastL / 1000), Pulse: s.View.PulseVolume,
		Set: quantity.VolumeOf(rig.FillL / 1000), Early: set.Early, Failing: set.Failing,
	}
	_, r.Break = s.View.OnBreak()
	if r.Pulse > 0 {
		r.MaxRate = rig.MostLPM / 60 * float64(quantity.Litre) / float64(r.Pulse)
	}
	if here := s.View.Here.Yard; here != "" {
		for i := range s.View.Yards {
			if y := &s.View.Yards[i]; y.ID == here && y.Fill > 0 {
				r.Set = y.Fill
			}
		}
	}
	return r
}
