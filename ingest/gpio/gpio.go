// Package gpio counts pulses on the board's own pins, and reads buttons there:
// lines of a Linux GPIO chip. It drives one pin out as well, see Output.
//
// Edges are read from the kernel's GPIO character device, second version of its
// interface (Linux 5.10; linux/gpio.h), which stamps and numbers each as it comes
// and keeps up to 1024 of them. A pulse's width is then measured by the kernel's
// time whatever else the board does, and edges that were lost are known by their
// number. The library periph.io/x/host reads from the same device and throws
// stamp and number away, tells no failure from silence, and waits for edges one
// by one; so it is not used here, only its fake pins in the tests.
//
// Each time the lines are opened is a session of a counter board of its own: its
// count and its uptime begin at zero. No number of sessions is kept or sent:
// uptime and arrival are of the same clock here, so that a new session is never
// mistaken; and the journal has what was counted, so that nothing else has to be
// written to the card. What passed while nobody counted is a gap, and the ledger
// names it with its bounds.
package gpio

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
	"yardtally/meter"
)

// Lost is the reason under which edges are counted for which the kernel had no
// room any more.
const Lost = "lost edges"

// How often it is said what was counted: so while pulses come, and so when not.
const (
	sayEvery = 200 * time.Millisecond
	idle     = time.Second
)

// press is the least width of a press of a button. Common practice, no source:
// contacts bounce for a few ms, a finger is slower.
const press = 20 * time.Millisecond

// slack is how much later than it came an edge may be ready to be read.
// Judgement, no source.
const slack = 2 * time.Millisecond

// goodbye is how long the last count may take to be kept at the end.
const goodbye = 2 * time.Second

// MostDebounce is the most that the least width of a pulse can be.
const MostDebounce = 100 * time.Millisecond

// None is no line.
const None = -1

// Pulls are the names of what holds a line that nothing drives.
var Pulls = []string{"up", "down", "none"}

// Pins say which lines, and how they are wired.
type Pins struct {
	Chip      string // e.g. "gpiochip0", in /dev
	Pulses    int    // line of the flow meter
	Mark      int    // lines of the buttons; None: there is none
	Skip      int
	ActiveLow bool   // a pulse, or a press, pulls the line to ground
	Pull      string // one of Pulls
	EveryEdge bool   // of Pulses only those that make it active, for no debouncing
}

// lines are those that are asked for, the flow meter's first.
func (p *Pins) lines() []int {
	out := []int{p.Pulses}
	for _, l := range []int{p.Mark, p.Skip} {
		if l != None {
			out = append(out, l)
		}
	}
	return out
}

// Lines are lines that were asked for.
type Lines interface {
	// Wait returns the edges that have come, in order, and waits so long for the
	// first; none is silence.
	Wait(d time.Duration) ([]Edge, error)
	Active(line int) (bool, error) // the level now
	Now() int64                    // of the clock of edges, ns
	Close() error
}

// Options say which pins, and whose they are.
type Options struct {
	Name string // the source's name, e.g. "pins"
	Pins
	Debounce time.Duration // least width of a pulse; 0: none
	Rig      string
	Clock    source.Clock
	Log      *slog.Logger                // nil: nowhere
	Open     func(p Pins) (Lines, error) // nil: the kernel's
}

// Source is pins as a source.Source.
type Source struct {
	o Options
	*source.Supervisor
}

// New checks the options and returns the source; it opens nothing yet. The
// error names the option, the rule and the value.
func New(o Options) (*Source, error) {
	switch {
	case o.Name == "":
		return nil, fmt.Errorf(`name: must not be empty, is ""`)
	case CheckChip(o.Chip) != nil:
		return nil, CheckChip(o.Chip)
	case o.Pulses < 0:
		return nil, fmt.Errorf("pulses: must be a line's number, is %d", o.Pulses)
	case o.Mark < None || o.Mark == o.Pulses:
		return nil, fmt.Errorf("mark: must be a line of its own, is %d", o.Mark)
	case o.Skip < None || o.Skip == o.Pulses || o.Skip != None && o.Skip == o.Mark:
		return nil, fmt.Errorf("skip: must be a line of its own, is %d", o.Skip)
	case o.Pull != "up" && o.Pull != "down" && o.Pull != "none":
		return nil, fmt.Errorf("pull: must be one of %q, is %q", Pulls, o.Pull)
	case o.Debounce < 0 || o.Debounce > MostDebounce:
		return nil, fmt.Errorf("debounce: must be between 0 and %v, is %v", MostDebounce, o.Debounce)
	case o.Clock == nil:
		return nil, fmt.Errorf("clock: must be given, is nil")
	}
	if err := wire.CheckRig(o.Rig); err != nil {
		return nil, err
	}
	o.EveryEdge = o.Debounce == 0
	if o.Open == nil {
		o.Open = Open
	}
	return &Source{o: o, Supervisor: source.NewSupervisor(o.Name, o.Log, nil)}, nil
}

// CheckChip reports what is wrong with a chip's name.
func CheckChip(chip string) error {
	if chip == "" || len(chip) > 64 || strings.ContainsFunc(chip, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_')
	}) {
		return fmt.Errorf(`chip: must be a GPIO chip's name in /dev, like "gpiochip0", is %q`, chip)
	}
	return nil
}

// Run implements source.Source.
func (s *Source) Run(ctx context.Context, sink source.Sink) error {
	return s.Supervisor.Run(ctx, func(ctx context.Context, up func()) error {
		return s.session(ctx, sink, up)
	})
}

// session is one session of the counter.
type session struct {
	counters map[int]*counter
	began    int64 // ns of the source's clock
	said     [3]uint64
	saidAt   time.Time
	lost     uint64
}

func (s *Source) session(ctx context.Context, sink source.Sink, up func()) error {
	lines, err := s.o.Open(s.o.Pins)
	if err != nil {
		return err
	}
	defer lines.Close()
	n := session{counters: map[int]*counter{}, began: s.o.Clock.Now().Mono}
	for _, l := range s.o.lines() {
		active, err := lines.Active(l)
		if err != nil {
			return err
		}
		least := press
		if l == s.o.Pulses {
			least = s.o.Debounce
		}
		c := newCounter(int64(least), active)
		n.counters[l] = &c
	}
	up()
	if err := s.say(ctx, sink, &n); err != nil { // a new session, and its zero
		return err
	}
	for ctx.Err() == nil {
		if _, err = s.listen(lines, &n, sayEvery); err != nil {
			break
		}
		since := time.Since(n.saidAt)
		if since >= idle || since >= sayEvery && n.counts(s) != n.said {
			if err = s.say(ctx, sink, &n); err != nil {
				break
			}
		}
	}
	// What came until now is in no journal yet, and some of it may wait to be read.
	for end := lines.Now(); lines.Now()-end < int64(goodbye); {
		newest, failed := s.listen(lines, &n, slack)
		if failed != nil || newest == 0 || newest > end {
			break
		}
	}
	if n.counts(s) != n.said {
		last, done := context.WithTimeout(context.WithoutCancel(ctx), goodbye)
		defer done()
		if err := s.say(last, sink, &n); err != nil {
			return err
		}
	}
	if err != nil {
		return err
	}
	return ctx.Err()
}

// listen waits for edges, no longer than so and until there is something to say,
// and counts them. It returns the stamp of the newest; 0: there were none.
func (s *Source) listen(lines Lines, n *session, wait time.Duration) (newest int64, err error) {
	for _, c := range n.counters {
		if c.waits() {
			wait = min(wait, max(slack, time.Duration(c.least)))
		}
	}
	before := lines.Now()
	edges, err := lines.Wait(wait)
	if err != nil {
		return 0, err
	}
	lost := uint64(0)
	for _, e := range edges {
		newest = max(newest, e.At)
		if c := n.counters[e.Line]; c != nil {
			c.edge(e)
		}
	}
	for _, c := range n.counters {
		if len(edges) == 0 { // all that came before is read
			c.settle(before - int64(slack))
		}
		lost += c.lost
	}
	if lost > n.lost {
		s.Drop(Lost, fmt.Sprintf("%d edges came while nobody read them; they count as pulses where they were as far apart", lost-n.lost))
		n.lost = lost
	}
	return newest, nil
}

// counts are those of pulses, mark and skip.
func (n *session) counts(s *Source) (all [3]uint64) {
	for i, l := range []int{s.o.Pulses, s.o.Mark, s.o.Skip} {
		if c := n.counters[l]; c != nil {
			all[i] = c.n
		}
	}
	return all
}

// say hands on what was counted by now.
func (s *Source) say(ctx context.Context, sink source.Sink, n *session) error {
	at := s.o.Clock.Now()
	all := n.counts(s)
	rs := []meter.Reading{{Channel: meter.Pulses, Value: float64(all[0])},
		{Channel: meter.Uptime, Value: float64((at.Mono-n.began)/1_000_000) / 1000}}
	if s.o.Mark != None {
		rs = append(rs, meter.Reading{Channel: meter.Mark, Value: float64(all[1])})
	}
	if s.o.Skip != None {
		rs = append(rs, meter.Reading{Channel: meter.Skip, Value: float64(all[2])})
	}
	if err := s.Deliver(ctx, sink, s.o.Rig, at, []wire.Message{{Readings: rs}}, nil); err != nil {
		return err
	}
	n.said, n.saidAt = all, time.Now()
	return nil
}
