package main

import (
	"context"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"yardtally/cmd/yardtally/notify"
	"yardtally/ingest/journal"
	"yardtally/ingest/source"
	"yardtally/meter"
)

// manager is a service manager: it listens on a real datagram socket.
type manager struct {
	t    testing.TB
	name string
	mu   sync.Mutex
	told []string // datagrams
}

func newManager(t testing.TB) *manager {
	t.Helper()
	m := &manager{t: t, name: filepath.Join(t.TempDir(), "notify")}
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: m.name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		buf := make([]byte, 64<<10)
		for {
			n, err := l.Read(buf)
			if err != nil {
				return
			}
			m.mu.Lock()
			m.told = append(m.told, string(buf[:n]))
			m.mu.Unlock()
		}
	}()
	return m
}

// count is how many datagrams have a line that begins so.
func (m *manager) count(head string) (n int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, d := range m.told {
		if strings.HasPrefix(d, head) || strings.Contains(d, "\n"+head) {
			n++
		}
	}
	return n
}

// order returns which of these lines came, in their order, each once.
func (m *manager) order(heads ...string) (out []string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, d := range m.told {
		for l := range strings.SplitSeq(d, "\n") {
			for _, h := range heads {
				if strings.HasPrefix(l, h) && (len(out) == 0 || out[len(out)-1] != h) {
					out = append(out, h)
				}
			}
		}
	}
	return out
}

func (m *manager) manage(watchdog time.Duration) func(*daemon) {
	return func(d *daemon) {
		var err error
		if d.manager, err = notify.Open(func(string) string { return m.name }); err != nil {
			m.t.Fatal(err)
		}
		d.watchdog = watchdog
	}
}

// TestServiceManager: what is told in a life, by sd_notify(3), and what a desk
// that hangs is told of: nothing.
func TestServiceManager(t *testing.T) {
	m := newManager(t)
	var hang atomic.Pointer[chan struct{}]
	x := startFrom(t, plainRig+"[broker]\naddress = \"127.0.0.1:0\"\n", m.manage(60*time.Millisecond), func(d *daemon) {
		d.committed = func(took time.Duration, err error) {
			if c := hang.Load(); c != nil {
				<-*c
			}
			d.gauge.committed(took, err)
		}
	})
	await(t, "READY and the watchdog", func() bool { return m.count("READY=1") == 1 && m.count("WATCHDOG=1") > 2 })
	if got := m.order("READY=1", "WATCHDOG=1"); strings.Join(got, " ") != "READY=1 WATCHDOG=1" {
		t.Errorf("in the order %q", got)
	}
	await(t, "the status", func() bool { return m.count("STATUS=heron: 1 of 1 sources open, 0 readings kept") > 0 })
	call(t, "reload", "-settings", x.path)
	await(t, "READY again", func() bool { return m.count("READY=1") == 2 })
	if got := m.order("RELOADING=1", "MONOTONIC_USEC=", "READY=1"); strings.Join(got, " ") != "READY=1 RELOADING=1 MONOTONIC_USEC= READY=1" {
		t.Errorf("in the order %q", got)
	}

	// The journal hangs in a commit, and with it the desk that waits for it.
	release := make(chan struct{})
	hang.Store(&release)
	err := x.desk.Put(context.Background(), source.Arrival{Rig: "heron", Records: []meter.Record{{Mono: x.clock0().Mono, Wall: x.clock0().Wall, Source: "broker",
		Readings: []meter.Reading{{Channel: meter.Syrup, Value: 11}}}}})
	if err != nil {
		t.Fatal(err)
	}
	await(t, "the hang to be seen", func() bool { return m.count("STATUS=hangs: the desk of rig heron stands still") > 0 })
	alive := m.count("WATCHDOG=1")
	hangs := m.count("STATUS=hangs")
	await(t, "five more looks", func() bool { return m.count("STATUS=hangs") > hangs+5 })
	if n := m.count("WATCHDOG=1"); n != alive {
		t.Errorf("the watchdog was told %d times that a hanging daemon lives", n-alive)
	}
	if !strings.Contains(x.log.String(), "the watchdog is told nothing why=\"the desk of rig heron stands still") {
		t.Errorf("the log has not why:\n%s", x.log)
	}
	hang.Store(nil)
	close(release)
	await(t, "it to live again", func() bool { return m.count("WATCHDOG=1") > alive })
	x.end()
	await(t, "STOPPING", func() bool { return m.count("STOPPING=1") == 1 })
}

// clock0 is now, by the daemon's clock.
func (x *reloading) clock0() source.Stamp { return x.daemon.clock.Now() }

// TestHeart: each kind of standing still is seen, and what only takes long or
// fails is none.
func TestHeart(t *testing.T) {
	var st journal.Stats
	var moves atomic.Uint64
	answers := true
	alive := func(ctx context.Context) error {
		if answers {
			return nil
		}
		<-ctx.Done()
		return ctx.Err()
	}
	h := &heart{limit: 15 * time.Millisecond, idle: 5 * time.Millisecond, moved: map[string]uint64{}, journal: func() journal.Stats { return st },
		beats: func() []beat { return []beat{{"heron", alive, moves.Load}} }}
	look := func(what, want string) {
		t.Helper()
		err := h.look(t.Context())
		if got := ""; err != nil && want == "" || err == nil && want != "" || err != nil && !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%s: %v, want %q%s", what, err, want, got)
		}
	}
	look("all is well", "")
	answers = false
	look("a desk that does not answer", "the desk of rig heron stands still")
	moves.Add(1)
	look("one that reads a long journal", "")
	look("one that has stopped reading", "the desk of rig heron stands still")
	answers = true
	st.Pending = 5
	look("records wait", "")
	st.Failures++
	look("a commit was tried, and failed: no hang", "")
	look("none was tried since", "")
	time.Sleep(h.idle)
	look("nor for long", "5 records wait, and none was kept for ")
	st.Commits++
	look("it goes on", "")
	st.Pending = 0
	look("nothing waits", "")
	if d := (&heart{limit: time.Minute}).every(); d > 20*time.Second {
		t.Errorf("of a minute it looks every %v", d)
	}
}
