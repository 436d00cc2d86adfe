//go:build unix

package serialport

import (
	"context"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"

	"yardtally/ingest/source"
	"yardtally/meter"
)

const (
	pulses = "$YXXDR,G,184223,,PULSES,G,93812400,,UPTIME*58\r\n"
	levels = "$YXXDR,D,0.412,M,HEADSPACE,C,11.6,C,SYRUP,C,6.2,C,AIR*16\r\n"
)

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

// next waits for the next arrival.
func (c collector) next(t *testing.T) meter.Record {
	t.Helper()
	var a source.Arrival
	select {
	case a = <-c:
	case <-time.After(30 * time.Second):
		t.Fatal("nothing arrives")
	}
	if a.Rig != "heron" || len(a.Records) != 1 {
		t.Fatalf("arrival %+v", a)
	}
	return a.Records[0]
}

func wantPulses(t *testing.T, r meter.Record) {
	t.Helper()
	p, ok := r.Value(meter.Pulses)
	u, _ := r.Value(meter.Uptime)
	if !ok || p != 184223 || u != 93812.4 || r.Source != "serial" || r.Mono == 0 || r.Wall == 0 || r.Sent != 0 || r.Rel != 0 {
		t.Errorf("record %+v", r)
	}
}

// cable is a pseudo-terminal under a stable name, as udev gives one.
type cable struct {
	path   string
	master *os.File
}

func plug(t *testing.T, path string) *cable {
	t.Helper()
	m, s, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	name := s.Name()
	s.Close()
	os.Remove(path)
	if err := os.Symlink(name, path); err != nil {
		t.Fatal(err)
	}
	return &cable{path, m}
}

func (c *cable) say(t *testing.T, s string) {
	t.Helper()
	if _, err := c.master.WriteString(s); err != nil {
		t.Fatal(err)
	}
}

// unplug pulls the cable out: the device is gone, and so is its name.
func (c *cable) unplug() {
	os.Remove(c.path)
	c.master.Close()
}

func start(t *testing.T, path string) (*Source, collector) {
	t.Helper()
	s, err := New(Options{Name: "serial", Path: path, Baud: 115200, Rig: "heron", Clock: source.SystemClock{}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	sink := make(collector, 100)
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, sink) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	return s, sink
}

// await waits until the source's state is as ok wants it.
func await(t *testing.T, s *Source, what string, ok func(source.State) bool) source.State {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if st := s.State(); ok(st) {
			return st
		}
	}
	t.Fatalf("never %s: %+v", what, s.State())
	return source.State{}
}

func isOpen(st source.State) bool { return st.Phase == source.Open }

func TestLinesArrive(t *testing.T) {
	c := plug(t, filepath.Join(t.TempDir(), "rig"))
	s, sink := start(t, c.path)
	await(t, s, "open", isOpen)
	before := source.SystemClock{}.Now()
	c.say(t, pulses+levels)
	r := sink.next(t)
	wantPulses(t, r)
	if after := (source.SystemClock{}).Now(); r.Mono < before.Mono || r.Mono > after.Mono {
		t.Errorf("stamped %d, written after %d, read before %d", r.Mono, before.Mono, after.Mono)
	}
	r = sink.next(t)
	if v, ok := r.Value(meter.Headspace); !ok || v != 0.412 {
		t.Errorf("record %+v", r)
	}
	st := await(t, s, "both counted", func(st source.State) bool { return st.Messages == 2 })
	if st.Readings != 5 || len(st.Dropped) != 0 || st.LastAt.IsZero() {
		t.Errorf("state %+v", st)
	}
}

func TestGarbageBetweenLines(t *testing.T) {
	c := plug(t, filepath.Join(t.TempDir(), "rig"))
	s, sink := start(t, c.path)
	await(t, s, "open", isOpen)
	c.say(t, "UPTIME*58\r\n"+pulses+"\x00\xff\xfe~~\r\n"+strings.Replace(pulses, "184223", "184222", 1))
	wantPulses(t, sink.next(t))
	// A pseudo-terminal takes about 4 KiB at once, so the flood goes in pieces.
	for range 20 {
		c.say(t, strings.Repeat("x", 1000))
	}
	c.say(t, "\r\n"+pulses)
	wantPulses(t, sink.next(t))
	st := s.State()
	want := map[string]uint64{"line too long": 1, "wrong checksum": 1, "no dollar sign at the start": 2}
	for reason, n := range want {
		if st.Dropped[reason] != n {
			t.Errorf("%s: %d, want %d (%v)", reason, st.Dropped[reason], n, st.Dropped)
		}
	}
}

// A read time-out in the middle of a line is not the end of anything: the rest
// of the line still belongs to its beginning.
func TestHalfALineThenSilence(t *testing.T) {
	c := plug(t, filepath.Join(t.TempDir(), "rig"))
	s, sink := start(t, c.path)
	await(t, s, "open", isOpen)
	c.say(t, pulses)
	wantPulses(t, sink.next(t))
	last := await(t, s, "counted", func(st source.State) bool { return st.Messages == 1 }).LastAt
	c.say(t, pulses[:20])
	<-time.After(5 * readWait) // the silence is what is tested
	if st := s.State(); st.Phase != source.Open || st.Messages != 1 || !st.LastAt.Equal(last) {
		t.Errorf("silence does not show: %+v", st)
	}
	c.say(t, pulses[20:])
	wantPulses(t, sink.next(t))
	if d := s.State().Dropped; len(d) != 0 {
		t.Errorf("dropped %v", d)
	}
}

func TestUnplugAndReplug(t *testing.T) {
	path := filepath.Join(t.TempDir(), "rig")
	c := plug(t, path)
	s, sink := start(t, path)
	await(t, s, "open", isOpen)
	c.say(t, pulses)
	wantPulses(t, sink.next(t))
	c.unplug()
	st := await(t, s, "failing to reopen", func(st source.State) bool {
		return st.Failures >= 2 && st.Phase == source.Waiting
	})
	if !strings.Contains(st.Err, path) || !strings.Contains(st.Err, "no such port") || st.NextTry.IsZero() {
		t.Errorf("unplugged: %+v", st)
	}
	c = plug(t, path)
	await(t, s, "open again", isOpen)
	c.say(t, pulses)
	wantPulses(t, sink.next(t))
}

func TestUnpluggedIsSaid(t *testing.T) {
	c := plug(t, filepath.Join(t.TempDir(), "rig"))
	p, err := OpenPort(c.path, 9600)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	c.unplug()
	for {
		n, err := p.Read(make([]byte, 10))
		if err == nil && n == 0 {
			continue
		}
		if err == nil || !strings.Contains(err.Error(), "went away") || !strings.Contains(err.Error(), c.path) {
			t.Errorf("got %d, %v", n, err)
		}
		return
	}
}

func TestErrorsNamePathAndRule(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		path string
		baud int
		want string
	}{
		{filepath.Join(dir, "none"), 9600, "no such port"},
		{file, 9600, "must be a serial port"},
		{dir, 9600, dir},
		{file, 1234, "baud: must be one of"},
		{file, 0, "is 0"},
	} {
		p, err := OpenPort(c.path, c.baud)
		if err == nil {
			p.Close()
			t.Errorf("%s at %d opens", c.path, c.baud)
		} else if !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s at %d: %v", c.path, c.baud, err)
		}
	}
	if err := explain("/dev/ttyUSB0", syscall.EACCES); !strings.Contains(err.Error(), "dialout") || !strings.Contains(err.Error(), "/dev/ttyUSB0") {
		t.Errorf("no permission: %v", err)
	}
	good := Options{Name: "serial", Path: "/dev/ttyUSB0", Baud: 9600, Rig: "heron", Clock: source.SystemClock{}}
	if _, err := New(good); err != nil {
		t.Error(err)
	}
	for field, spoil := range map[string]func(*Options){
		"name":  func(o *Options) { o.Name = "" },
		"path":  func(o *Options) { o.Path = "" },
		"baud":  func(o *Options) { o.Baud = 12 },
		"rig":   func(o *Options) { o.Rig = "a/b" },
		"clock": func(o *Options) { o.Clock = nil },
	} {
		o := good
		spoil(&o)
		if _, err := New(o); err == nil || !strings.HasPrefix(err.Error(), field+":") {
			t.Errorf("%s: %v", field, err)
		}
	}
}

// A permission that is really refused can be seen only by one who is not root.
func TestPermission(t *testing.T) {
	c := plug(t, filepath.Join(t.TempDir(), "rig"))
	if os.Getuid() == 0 {
		return // covered by explain's test above
	}
	if err := os.Chmod(c.path, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenPort(c.path, 9600); err == nil || !strings.Contains(err.Error(), "dialout") {
		t.Errorf("got %v", err)
	}
}

// After a Close the descriptor's number goes to whatever is opened next, and
// the library would write into that, or take its bytes.
func TestClosedPortTouchesNoOtherFile(t *testing.T) {
	c := plug(t, filepath.Join(t.TempDir(), "rig"))
	p, err := OpenPort(c.path, 9600)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Write([]byte("out")); err != nil {
		t.Fatal(err)
	}
	raw := p.port
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	if err := p.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
	// Enough files that one has the number that was the port's.
	dir := t.TempDir()
	var files []*os.File
	for i := range 20 {
		f, err := os.Create(filepath.Join(dir, string(rune('a'+i))))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		files = append(files, f)
	}
	size := func() (n int64) {
		for _, f := range files {
			st, err := f.Stat()
			if err != nil {
				t.Fatal(err)
			}
			n += st.Size()
		}
		return n
	}
	if n, err := p.Write([]byte("stray")); err != ErrClosed || n != 0 {
		t.Errorf("Write: %d, %v", n, err)
	}
	if n, err := p.Read(make([]byte, 10)); err != ErrClosed || n != 0 {
		t.Errorf("Read: %d, %v", n, err)
	}
	if n := size(); n != 0 {
		t.Errorf("%d bytes written into other files", n)
	}
	// The trap is real: without the guard the bytes land in somebody's file.
	if _, err := raw.Write([]byte("stray")); err != nil || size() != 5 {
		t.Logf("the library itself no longer does so: %v, %d bytes", err, size())
	}
}

func TestCloseWhileReadingAndWriting(t *testing.T) {
	c := plug(t, filepath.Join(t.TempDir(), "rig"))
	p, err := OpenPort(c.path, 9600)
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	var reads atomic.Uint64
	wg.Go(func() {
		for {
			if _, err := p.Read(make([]byte, 10)); err != nil {
				if err != ErrClosed {
					t.Errorf("Read: %v", err)
				}
				return
			}
			reads.Add(1)
		}
	})
	wg.Go(func() {
		for range 100 {
			if _, err := p.Write([]byte("x")); err != nil {
				if err != ErrClosed {
					t.Errorf("Write: %v", err)
				}
				return
			}
		}
	})
	for reads.Load() == 0 {
		runtime.Gosched()
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	wg.Wait()
}

// The library's select(2) set holds 1024 descriptors; a higher one makes it
// panic. Here more files than that are really open.
func TestDescriptorTooHigh(t *testing.T) {
	c := plug(t, filepath.Join(t.TempDir(), "rig"))
	var was syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &was); err != nil {
		t.Fatal(err)
	}
	if was.Cur < 1200 {
		more := was
		more.Cur = min(1200, was.Max)
		if err := syscall.Setrlimit(syscall.RLIMIT_NOFILE, &more); err != nil || more.Cur < 1200 {
			t.Fatalf("at most %d files may be open here (%v); the test needs 1200", more.Cur, err)
		}
		defer syscall.Setrlimit(syscall.RLIMIT_NOFILE, &was)
	}
	var files []*os.File
	defer func() {
		for _, f := range files {
			f.Close()
		}
	}()
	for {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
		if f.Fd() >= 1024 {
			break
		}
	}
	s, sink := start(t, c.path)
	st := await(t, s, "failing", func(st source.State) bool { return st.Failures > 0 })
	if !strings.Contains(st.Err, "below 1024") || !strings.Contains(st.Err, c.path) {
		t.Errorf("state %+v", st)
	}
	for _, f := range slices.Backward(files) {
		f.Close()
	}
	await(t, s, "open once there is room", isOpen)
	c.say(t, pulses)
	wantPulses(t, sink.next(t))
}
