package main

import (
	"sync"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/gpio"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/sound"
	"yardtally/ingest/source"
)

// board is a board's pins: edges on one line, by the kernel's clock, and a lamp.
type board struct {
	mu    sync.Mutex
	edges []gpio.Edge
	seq   uint32
	now   int64
	lamp  []bool
}

func (b *board) Wait(d time.Duration) ([]gpio.Edge, error) {
	b.mu.Lock()
	out := b.edges
	b.edges = nil
	b.mu.Unlock()
	if len(out) == 0 {
		time.Sleep(min(d, 2*time.Millisecond))
	}
	return out, nil
}

func (b *board) Active(int) (bool, error) { return false, nil }

func (b *board) Now() int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.now
}

func (b *board) Close() error { return nil }

// Set and Close of its lamp.
type lampOf struct{ *board }

func (l lampOf) Set(on bool) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lamp = append(l.lamp, on)
	return nil
}

// pulse makes pulses at 40 Hz, each with bouncing contacts, and lets the
// kernel's clock go by. Nobody hears them unless somebody listens.
func (b *board) pulse(n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	const ms = int64(time.Millisecond)
	edge := func(active bool, at int64) {
		b.seq++
		b.edges = append(b.edges, gpio.Edge{Line: 17, Active: active, At: at, Seq: b.seq})
	}
	for range n {
		edge(true, b.now)
		edge(false, b.now+ms/10)
		edge(true, b.now+ms/5)
		edge(false, b.now+12*ms)
		b.now += 25 * ms
	}
	b.now += 20 * ms
}

// A pull is counted on the board's own pin and comes out as it flowed; the lamp
// says that the fill is full. In the middle of a second pull the daemon starts
// again: what was counted stands, and what went by meanwhile is a gap with its
// bounds.
func TestPullOnPins(t *testing.T) {
	n := &night{Scenario: rigsim.SmallNight(1)}
	data := t.TempDir()
	clock := newStepClock(n.Start)
	b := &board{now: 1e12}
	work := func() *atWork {
		set := n.settings(t, data)
		set.GPIO = []settings.GPIO{{Name: "pins", Chip: "gpiochip0", Pulses: 17, Mark: -1, Skip: -1, ActiveLow: true, Pull: "up", Debounce: time.Millisecond}}
		set.Signal = &settings.Signal{Pin: &settings.Pin{Chip: "gpiochip0", Line: 23}}
		stopAt(set, 1)
		w := workBy(t, set, clock, func(d *daemon) {
			b.seq, b.edges = 0, nil // a request's numbers begin at 1, and it hears what is from then on
			d.pins = func(gpio.Pins) (gpio.Lines, error) { return b, nil }
			d.pinOut = func(*settings.Pin) (sound.Switch, error) { return lampOf{b}, nil }
		})
		w.clock = clock
		src := sourceNamed(t, w, "pins")
		await(t, "the pins to be open", func() bool { st := src.State(); return st.Phase == source.Open && st.Messages > 0 })
		return w
	}
	at := n.Start
	w := work()
	// step lets time go by, with pulses in it, until that was said.
	step := func(d time.Duration, pulses int) {
		t.Helper()
		at = at.Add(d)
		clock.set(at)
		b.pulse(pulses)
		src := sourceNamed(t, w, "pins")
		m := src.State().Messages
		least := uint64(1)
		if pulses > 0 {
			least = 2 // the one that may be under way, and one of these
		}
		await(t, "the pins to be heard", func() bool { return src.State().Messages >= m+least })
	}
	rest := func() {
		for range 5 {
			step(3*time.Second, 0)
		}
	}
	step(time.Second, 0)
	for range 10 {
		step(500*time.Millisecond, 20)
	}
	rest()
	v := w.view()
	if len(v.Fills) != 1 || v.Total != 200*n.pulse || v.Fills[0].Volume != v.Total || len(v.Gaps) > 0 {
		t.Errorf("fills %+v, total %v, want one of %v; gaps %+v", v.Fills, v.Total, 200*n.pulse, v.Gaps)
	}
	await(t, "the lamp to be on and off", func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		return len(b.lamp) >= 2 && b.lamp[0] && !b.lamp[len(b.lamp)-1]
	})

	for range 3 {
		step(500*time.Millisecond, 20)
	}
	b.pulse(7) // said at the end
	await(t, "the edges to be taken", func() bool { b.mu.Lock(); defer b.mu.Unlock(); return len(b.edges) == 0 })
	time.Sleep(20 * time.Millisecond)
	w.end()
	at = at.Add(2 * time.Second)
	clock.set(at)
	b.pulse(30) // nobody counts these
	w = work()
	for range 3 {
		step(500*time.Millisecond, 20)
	}
	rest()
	v = w.view()
	if want := quantity.Volume(200+67+60) * n.pulse; v.Total != want {
		t.Errorf("total %v, want %v", v.Total, want)
	}
	n.checkSum(t, "after starting again", v)
	missed := quantity.Volume(30) * n.pulse
	if len(v.Gaps) != 1 || v.Gaps[0].Hidden < missed {
		t.Errorf("gaps %+v, want one that may hide %v", v.Gaps, missed)
	}
	w.end()
	sameView(t, "live and replayed", v, replayed(t, data))
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.lamp[len(b.lamp)-1] {
		t.Error("the lamp was left on")
	}
}
