package sound

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/signal"
)

func full() Signal {
	return Signal{signal.Signal{Kind: signal.Full, Fill: 3785411784 / 1000 * quantity.Microlitre, Set: quantity.USGallon}, 1_790_000_000_200_000_000}
}

func failing() Signal { return Signal{signal.Signal{Kind: signal.Failing}, 1} }

// logged is a log that a test reads.
type logged struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func (l *logged) log() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }

func command(t *testing.T, log *slog.Logger, argv ...string) *Command {
	t.Helper()
	c, err := NewCommand(argv, log)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// await waits for what will come about; it fails only where it never does.
func await(t *testing.T, what string, ready func() bool) {
	t.Helper()
	for limit := time.Now().Add(2 * time.Minute); !ready(); time.Sleep(time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("waited two minutes for %s", what)
		}
	}
}

func TestCommand(t *testing.T) {
	path := filepath.Join(t.TempDir(), "heard")
	c := command(t, nil, "sh", "-c", `echo "$0 $YARDTALLY_SIGNAL $YARDTALLY_FILL_L" >> "$1"`, "/sounds/{signal}.wav", path)
	if err := c.Check(); err != nil {
		t.Fatal(err)
	}
	for _, s := range []Signal{full(), failing()} {
		if err := c.Give(context.Background(), s); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(path)
	if want := "/sounds/full.wav full 3.785\n/sounds/failing.wav failing 0.000\n"; err != nil || string(got) != want {
		t.Errorf("%q, %v, want %q", got, err, want)
	}
}

// There is no shell: what would be a command to one is a plain argument.
func TestNoShell(t *testing.T) {
	var l logged
	if err := command(t, l.log(), "echo", "a;b", "$HOME", "{signal}").Give(context.Background(), full()); err != nil {
		t.Fatal(err)
	}
	if got := l.String(); !strings.Contains(got, "a;b $HOME full") {
		t.Errorf("logged %q", got)
	}
}

func TestCommandFails(t *testing.T) {
	for _, c := range []struct {
		name string
		argv []string
		want string
	}{
		{"not there", []string{"yardtally-no-such-program"}, `exec: "yardtally-no-such-program": executable file not found in $PATH`},
		{"not there, by path", []string{"/nowhere/horn"}, `/nowhere/horn: no such file or directory`},
		{"ends with a failure", []string{"sh", "-c", "exit 3"}, "exit status 3"},
	} {
		err := command(t, nil, c.argv...).Give(context.Background(), full())
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
	if _, err := NewCommand(nil, nil); err == nil || err.Error() != `command: must begin with a program, is []` {
		t.Errorf("no command: %v", err)
	}
}

// A command that hangs is killed, and with it what it started; its output is
// cut where it is long.
func TestCommandHangs(t *testing.T) {
	var l logged
	path := filepath.Join(t.TempDir(), "child")
	c := command(t, l.log(), "sh", "-c", `sleep 1000 & echo $! > "$0"; head -c 100000 /dev/zero | tr '\0' x; wait`, path)
	c.limit = 300 * time.Millisecond
	err := c.Give(context.Background(), full())
	if err == nil || err.Error() != "it was stopped after 300ms" {
		t.Errorf("it ended with %v", err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Skip("the command did not come so far")
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	await(t, "the command's child to end", func() bool { return ended(pid) })
	if got := l.String(); len(got) > commandText+500 {
		t.Errorf("%d bytes were logged", len(got))
	}
}

// ended reports whether a process is gone, or dead and waited for by nobody.
func ended(pid int) bool {
	if errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
		return true
	}
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err == nil && strings.Contains(string(stat), ") Z ")
}

// A command that leaves something behind does not hold the next one up.
func TestCommandLeavesChild(t *testing.T) {
	path := filepath.Join(t.TempDir(), "child")
	if err := command(t, nil, "sh", "-c", `sleep 1000 & echo $! > "$0"`, path).Give(context.Background(), full()); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	await(t, "the child to end", func() bool { return ended(pid) })
}

// slow is an outlet that takes signals one at a time, when it is let.
type slow struct {
	begun chan Signal
	let   chan error
}

func newSlow() *slow { return &slow{make(chan Signal), make(chan error)} }

func (s *slow) Name() string { return "the horn" }

func (s *slow) Give(ctx context.Context, x Signal) error {
	select {
	case s.begun <- x:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-s.let:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// running runs a giver until the test ends.
func running(t *testing.T, g *Giver) {
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { g.Run(ctx); close(done) }()
	t.Cleanup(func() { stop(); <-done })
}

// While an outlet is busy one signal of a kind waits, the newest; whoever gives
// does not.
func TestBusy(t *testing.T) {
	var l logged
	o := newSlow()
	g := New(l.log(), o)
	running(t, g)
	numbered := func(n int64) Signal { x := full(); x.At = n; return x }
	g.Give(numbered(1))
	if x := <-o.begun; x.At != 1 {
		t.Fatalf("given %+v", x)
	}
	for n := int64(2); n < 100; n++ {
		g.Give(numbered(n))
		if n == 50 {
			g.Give(failing())
		}
	}
	o.let <- nil
	if x := <-o.begun; x.Kind != signal.Failing {
		t.Errorf("second: %+v", x)
	}
	o.let <- nil
	if x := <-o.begun; x.At != 99 {
		t.Errorf("third: %+v", x)
	}
	o.let <- nil
	await(t, "the third to be given", func() bool { given, _ := g.Counts(); return given == 3 })
	if given, dropped := g.Counts(); given != 3 || dropped != 97 {
		t.Errorf("%d given, %d dropped, want 3 and 97", given, dropped)
	}
	if n := strings.Count(l.String(), "\n"); n != 1 {
		t.Errorf("%d lines were logged of drops, want one:\n%s", n, l.String())
	}
}

// What waited too long is not given any more.
func TestStale(t *testing.T) {
	o := newSlow()
	g := New(nil, o)
	g.Give(full())
	g.queue[0].waiting[0].since = time.Now().Add(-2 * staleAfter)
	g.Give(failing())
	running(t, g)
	if x := <-o.begun; x.Kind != signal.Failing {
		t.Errorf("given %+v", x)
	}
	o.let <- nil
	if _, dropped := g.Counts(); dropped != 1 {
		t.Errorf("%d dropped, want 1", dropped)
	}
}

// A fault is shown while it lasts, and logged once, not for every colony.
func TestFault(t *testing.T) {
	var l logged
	o := newSlow()
	g := New(l.log(), o)
	running(t, g)
	give := func(err error) {
		g.Give(full())
		<-o.begun
		o.let <- err
	}
	for range 20 {
		give(errors.New("no power"))
	}
	await(t, "the fault", func() bool { return len(g.Faults()) == 1 })
	if got, want := g.Faults()[0], "No signal can be heard from the horn: no power."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	give(nil)
	await(t, "the fault's end", func() bool { return len(g.Faults()) == 0 })
	if n := strings.Count(l.String(), "\n"); n != 2 {
		t.Errorf("%d lines logged, want the fault and its end:\n%s", n, l.String())
	}
}

// What can be known before the first signal is said before it.
func TestCheckedAtOnce(t *testing.T) {
	g := New(nil, command(t, nil, "yardtally-no-such-program"))
	if f := g.Faults(); len(f) != 1 || !strings.Contains(f[0], "yardtally-no-such-program") {
		t.Errorf("faults %q", f)
	}
}

// The end does not wait for a command that hangs, and is no fault of it.
func TestEnd(t *testing.T) {
	g := New(nil, command(t, nil, "sleep", "1000"))
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { g.Run(ctx); close(done) }()
	g.Give(full())
	await(t, "the command to begin", func() bool {
		g.queue[0].mu.Lock()
		defer g.queue[0].mu.Unlock()
		return len(g.queue[0].waiting) == 0
	})
	stop()
	<-done
	if f := g.Faults(); len(f) != 0 {
		t.Errorf("faults %q", f)
	}
}

func TestPublisher(t *testing.T) {
	var topic, text string
	p := &Publisher{To: "the broker", Rig: "heron", Topic: Topic("yardtally", "heron"), Send: func(_ context.Context, to string, pack []byte) error {
		topic, text = to, string(pack)
		return nil
	}}
	s := full()
	if err := p.Give(context.Background(), s); err != nil {
		t.Fatal(err)
	}
	// RFC 8428: "vs" is a string value, "m3" the unit of volume (section 12.1).
	want := `[{"bn":"heron/","bt":1790000000.200,"n":"signal","vs":"full"},{"n":"fill","u":"m3","v":0.003785411}]`
	if topic != "yardtally/heron/signal" || text != want {
		t.Errorf("%s: %s\nwant %s", topic, text, want)
	}
	if !json.Valid([]byte(text)) {
		t.Error("not JSON")
	}
}
