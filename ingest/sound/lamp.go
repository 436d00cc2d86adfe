package sound

import (
	"context"
	"sync"
	"time"

	"yardtally/meter/signal"
)

// Switch is what a lamp or a buzzer hangs on. It is off when it is given.
type Switch interface {
	Set(on bool) error
	Close() error // off, and let go
}

// patterns are how long it is on for each signal, with pauses between: one long
// for a fill that is full, many short for flow that fails.
var patterns = map[signal.Kind][]time.Duration{
	signal.Full:    {1500 * time.Millisecond},
	signal.Failing: {short, short, short, short, short, short},
	signal.Silent:  {half, half, half},
	signal.Alarm:   {short, short, 1000 * time.Millisecond},
}

const (
	short = 150 * time.Millisecond
	half  = 500 * time.Millisecond
	pause = 150 * time.Millisecond
)

// Lamp gives signals by switching a lamp or a buzzer on and off. Several rigs
// may share one: it gives one signal after the other. It is off before and
// after each, whatever goes wrong, and at the end.
type Lamp struct {
	open func() (Switch, error)

	mu  sync.Mutex
	s   Switch // nil: not open
	end bool
}

// NewLamp returns the lamp as an outlet; open gives its switch, off.
func NewLamp(open func() (Switch, error)) *Lamp { return &Lamp{open: open} }

// Name implements Outlet.
func (l *Lamp) Name() string { return "the signal's pin" }

// Check opens the switch, and so has it off.
func (l *Lamp) Check() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.ready()
}

// ready opens the switch unless it is. The lamp is locked.
func (l *Lamp) ready() (err error) {
	if l.s == nil && !l.end {
		l.s, err = l.open()
		if err != nil {
			l.s = nil
		}
	}
	return err
}

// Give implements Outlet.
func (l *Lamp) Give(ctx context.Context, s Signal) (err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.ready(); err != nil || l.s == nil || ctx.Err() != nil {
		return err
	}
	defer func() {
		off := l.s.Set(false)
		if err == nil {
			err = off
		}
		if err != nil { // opened anew for the next
			l.s.Close()
			l.s = nil
		}
	}()
	for i, on := range patterns[s.Kind] {
		if i > 0 && !wait(ctx, pause) {
			return nil
		}
		if err := l.s.Set(true); err != nil {
			return err
		}
		whole := wait(ctx, on)
		if err := l.s.Set(false); err != nil || !whole {
			return err
		}
	}
	return nil
}

// Close has the lamp off for good.
func (l *Lamp) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.end = true
	if l.s == nil {
		return nil
	}
	s := l.s
	l.s = nil
	return s.Close()
}

// wait reports whether it waited to the end.
func wait(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
