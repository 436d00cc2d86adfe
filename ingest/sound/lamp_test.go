package sound

import (
	"context"
	"errors"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"yardtally/meter/signal"
)

// onPin is a lamp on periph's fake pin; it notes for how long it is on.
type onPin struct {
	gpiotest.Pin
	since  time.Time
	on     []time.Duration
	broken error
	closed int
}

func (p *onPin) Set(on bool) error {
	if p.broken != nil {
		return p.broken
	}
	if was := p.Read(); was == gpio.High && !on {
		p.on = append(p.on, time.Since(p.since))
	}
	p.since = time.Now()
	return p.Out(gpio.Level(on))
}

func (p *onPin) Close() error {
	p.closed++
	return p.Out(gpio.Low)
}

// Each signal has a pattern of its own, and the lamp is off after each.
func TestLamp(t *testing.T) {
	p := &onPin{}
	l := NewLamp(func() (Switch, error) { return p, nil })
	for _, c := range []struct {
		kind  signal.Kind
		times int
	}{{signal.Full, 1}, {signal.Failing, 6}, {signal.Silent, 3}, {signal.Alarm, 3}} {
		p.on = nil
		if err := l.Give(t.Context(), Signal{Signal: signal.Signal{Kind: c.kind}}); err != nil {
			t.Error(err)
		}
		if len(p.on) != c.times || p.Read() != gpio.Low {
			t.Errorf("%v: on for %v, and now %v", c.kind, p.on, p.Read())
		}
		for i, d := range p.on {
			if d < patterns[c.kind][i] {
				t.Errorf("%v: on for %v, want %v", c.kind, p.on, patterns[c.kind])
			}
		}
	}
}

// The daemon stops while the lamp is on: it is off, and stays so.
func TestLampIsOffAtTheEnd(t *testing.T) {
	p := &onPin{}
	l := NewLamp(func() (Switch, error) { return p, nil })
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- l.Give(ctx, full()) }()
	for end := time.Now().Add(30 * time.Second); p.Read() != gpio.High; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("never on")
		}
	}
	cancel()
	if err := <-done; err != nil || p.Read() != gpio.Low {
		t.Errorf("%v, %v", err, p.Read())
	}
	if err := l.Close(); err != nil || p.closed != 1 {
		t.Errorf("%v, closed %d times", err, p.closed)
	}
	if err := l.Give(t.Context(), full()); err != nil || p.Read() != gpio.Low || len(p.on) != 1 {
		t.Errorf("after the end: %v, on for %v", err, p.on)
	}
}

// A pin that fails is told, let go, and opened anew for the next signal.
func TestLampFails(t *testing.T) {
	p := &onPin{}
	opened := 0
	var refused error
	l := NewLamp(func() (Switch, error) { opened++; return p, refused })
	refused = errors.New("line 23 is in use")
	if err := l.Check(); !errors.Is(err, refused) {
		t.Errorf("check: %v", err)
	}
	if err := l.Give(t.Context(), full()); !errors.Is(err, refused) {
		t.Errorf("give: %v", err)
	}
	refused = nil
	if err := l.Check(); err != nil || opened != 3 {
		t.Errorf("check: %v, opened %d times", err, opened)
	}
	p.broken = errors.New("no such device")
	if err := l.Give(t.Context(), full()); !errors.Is(err, p.broken) || p.closed != 1 {
		t.Errorf("give: %v, closed %d times", err, p.closed)
	}
	p.broken = nil
	if err := l.Give(t.Context(), full()); err != nil || opened != 4 || len(p.on) != 1 {
		t.Errorf("give: %v, opened %d times, on %v", err, opened, p.on)
	}
}
