package gpio

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	pins "periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"yardtally/ingest/source"
	"yardtally/meter"
)

// fake is lines on periph's fake pins, all of which a test holds.
type fake struct {
	pins  map[int]*gpiotest.Pin
	began time.Time

	mu   sync.Mutex
	seq  map[int]uint32
	at   map[int][]int64 // stamps of what is in the pins' channels
	gone error
}

func newFake(lines ...int) *fake {
	f := &fake{pins: map[int]*gpiotest.Pin{}, began: time.Now(), seq: map[int]uint32{}, at: map[int][]int64{}}
	for _, l := range lines {
		f.pins[l] = &gpiotest.Pin{N: "fake", Num: l, EdgesChan: make(chan pins.Level, 1000)}
	}
	return f
}

func (f *fake) open(p Pins) (Lines, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.gone != nil {
		return nil, f.gone
	}
	for _, l := range p.lines() {
		if err := f.pins[l].In(pins.PullUp, pins.BothEdges); err != nil {
			return nil, err
		}
	}
	return f, nil
}

func (f *fake) vanish(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.gone = err
}

// Wait implements Lines: active is low.
func (f *fake) Wait(d time.Duration) (out []Edge, err error) {
	f.mu.Lock()
	gone := f.gone
	f.mu.Unlock()
	if gone != nil {
		return nil, gone
	}
	for end := time.Now().Add(d); len(out) == 0 && time.Now().Before(end); {
		for l, p := range f.pins {
			for p.WaitForEdge(100 * time.Microsecond) {
				f.mu.Lock()
				f.seq[l]++
				at := f.at[l][0]
				f.at[l] = f.at[l][1:]
				f.mu.Unlock()
				out = append(out, Edge{Line: l, Active: p.Read() == pins.Low, At: at, Seq: f.seq[l]})
			}
		}
	}
	return out, nil
}

// change changes a line's level, as the kernel would say at that instant.
func (f *fake) change(line int, active bool, at int64) {
	f.mu.Lock()
	f.at[line] = append(f.at[line], at)
	f.mu.Unlock()
	f.pins[line].EdgesChan <- pins.Level(!active)
}

func (f *fake) Active(line int) (bool, error) { return f.pins[line].Read() == pins.Low, nil }
func (f *fake) Now() int64                    { return time.Since(f.began).Nanoseconds() }
func (f *fake) Close() error                  { return nil }

// pulse makes pulses of that width, and as much between, just now.
func (f *fake) pulse(line, n int, wide time.Duration) {
	at := f.Now()
	for range n {
		f.change(line, true, at)
		f.change(line, false, at+int64(wide))
		at += 2 * int64(wide)
	}
	time.Sleep(time.Duration(at - f.Now())) // no edge is of the future
}

// collector is a sink that hands over what it is given.
type collector chan source.Arrival

func (c collector) Put(ctx context.Context, a source.Arrival) error {
	select {
	case c <- a:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// until waits for a channel to be at a value, and returns that record.
func (c collector) until(t *testing.T, ch meter.Channel, want float64) meter.Record {
	t.Helper()
	for limit := time.After(30 * time.Second); ; {
		select {
		case a := <-c:
			if v, ok := a.Records[0].Value(ch); ok && v == want {
				return a.Records[0]
			}
		case <-limit:
			t.Fatalf("%v never is %v", ch, want)
		}
	}
}

func options(f *fake) Options {
	return Options{Name: "pins", Pins: Pins{Chip: "gpiochip0", Pulses: 17, Mark: 27, Skip: None, ActiveLow: true, Pull: "up"},
		Debounce: time.Millisecond, Rig: "heron", Clock: source.SystemClock{}, Open: f.open}
}

func start(t *testing.T, o Options) (s *Source, sink collector, stop func()) {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	sink = make(collector, 1000)
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, sink) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	t.Cleanup(stop)
	return s, sink, stop
}

func await(t *testing.T, s *Source, what string, ok func(source.State) bool) source.State {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if st := s.State(); ok(st) {
			return st
		}
	}
	t.Fatalf("never %s: %+v", what, s.State())
	return source.State{}
}

func TestCounts(t *testing.T) {
	f := newFake(17, 27)
	s, sink, stop := start(t, options(f))
	first := sink.until(t, meter.Pulses, 0)
	if up, ok := first.Value(meter.Uptime); !ok || up > 1 || first.Source != "pins" || len(first.Readings) != 3 {
		t.Errorf("record %+v", first)
	}
	f.pulse(17, 20, 5*time.Millisecond)
	a := sink.until(t, meter.Pulses, 20)
	// Bouncing adds nothing; a press is a press.
	f.pulse(17, 50, 10*time.Microsecond)
	f.pulse(27, 1, 60*time.Millisecond)
	b := sink.until(t, meter.Mark, 1)
	if n, _ := b.Value(meter.Pulses); n != 20 {
		t.Errorf("bouncing counts: %+v", b)
	}
	// Uptime and arrival are of one clock, so that began is the same for all.
	began := func(r meter.Record) int64 { up, _ := r.Value(meter.Uptime); return r.Mono - int64(up*1e9) }
	if d := began(b) - began(a); d < -1e6 || d > 1e6 {
		t.Errorf("uptimes %d ns apart from arrivals", d)
	}
	// What came since it was said last is said at the end.
	f.pulse(17, 3, 5*time.Millisecond)
	stop()
	sink.until(t, meter.Pulses, 23)
	if st := s.State(); len(st.Dropped) > 0 || st.Phase != source.Stopped {
		t.Errorf("state %+v", st)
	}
}

// A pin that vanishes, as a board on USB does, is told, and tried again. It
// counts from zero then, with an uptime of its own.
func TestVanishes(t *testing.T) {
	f := newFake(17, 27)
	s, sink, _ := start(t, options(f))
	sink.until(t, meter.Pulses, 0) // open: fake pins forget what came before
	f.pulse(17, 5, 5*time.Millisecond)
	sink.until(t, meter.Pulses, 5)
	f.pulse(17, 3, 5*time.Millisecond) // and these are not said yet when it goes
	f.vanish(errors.New("/dev/gpiochip0: there is no such GPIO chip"))
	st := await(t, s, "failing", func(st source.State) bool { return st.Phase == source.Waiting })
	if !strings.Contains(st.Err, "gpiochip0") {
		t.Errorf("state %+v", st)
	}
	sink.until(t, meter.Pulses, 8)
	f.vanish(nil)
	r := sink.until(t, meter.Pulses, 0)
	if up, _ := r.Value(meter.Uptime); up > 1 {
		t.Errorf("uptime %v", up)
	}
	f.pulse(17, 2, 5*time.Millisecond)
	sink.until(t, meter.Pulses, 2)
}

func TestOptions(t *testing.T) {
	if _, err := New(options(newFake(17, 27))); err != nil {
		t.Error(err)
	}
	for want, spoil := range map[string]func(*Options){
		`name: must not be empty, is ""`:                                func(o *Options) { o.Name = "" },
		`chip: must be a GPIO chip's name in /dev, like "gpiochip0"`:    func(o *Options) { o.Chip = "../mem" },
		`pulses: must be a line's number, is -1`:                        func(o *Options) { o.Pulses = None },
		`mark: must be a line of its own, is 17`:                        func(o *Options) { o.Mark = 17 },
		`skip: must be a line of its own, is 27`:                        func(o *Options) { o.Skip = 27 },
		`pull: must be one of ["up" "down" "none"], is "sideways"`:      func(o *Options) { o.Pull = "sideways" },
		`debounce: must be between 0 and 100ms, is 1s`:                  func(o *Options) { o.Debounce = time.Second },
		`rig: must be letters, digits and - : . _ beginning with a let`: func(o *Options) { o.Rig = "a/b" },
		`clock: must be given, is nil`:                                  func(o *Options) { o.Clock = nil },
	} {
		o := options(newFake(17, 27))
		spoil(&o)
		if _, err := New(o); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
}
