package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/source"
)

// The test program is also the daemon of the soak test: what yardtally run does,
// in a process of its own, on a clock that the test moves.
const (
	envSoak     = "YARDTALLY_SOAK_SETTINGS"
	envSoakBoot = "YARDTALLY_SOAK_BOOT"
	envSoakLeak = "YARDTALLY_SOAK_LEAK" // "fd" or "goroutine": one is kept of each time that a source opens
)

func init() {
	if path := os.Getenv(envSoak); path != "" {
		os.Exit(soakDaemon(path))
	}
}

// slate is memory that test and daemon share: the test moves the clock, the
// daemon says how far it is.
type slate struct {
	Mono, Off atomic.Int64 // the boot's monotonic clock; the wall clock less that, ns

	Open   atomic.Int64    // a bit for each source that is open
	Opened atomic.Int64    // how often any of them came to be
	Fresh  [2]atomic.Int64 // how often a reload made the serial port, the subscription anew
	Took   [2]atomic.Int64 // lines of the serial port, packs of the broker: taken or dropped
	Kept   atomic.Int64    // records
	Faults atomic.Int64    // what the desk says is wrong

	Ask, Answer atomic.Int64 // a number that is asked, and answered once what follows is filled in
	Goroutines  atomic.Int64 // without the soak's own
	Heap        atomic.Int64 // bytes in use after all garbage was collected and given back
}

// Now implements source.Clock.
func (s *slate) Now() source.Stamp {
	mono := s.Mono.Load()
	return source.Stamp{Mono: mono, Wall: mono + s.Off.Load()}
}

// openSlate maps the file, which must be as long as a page.
func openSlate(path string) (*slate, error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	page, err := syscall.Mmap(int(f.Fd()), 0, os.Getpagesize(), syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_SHARED)
	if err != nil {
		return nil, err
	}
	return (*slate)(unsafe.Pointer(&page[0])), nil // it stays for as long as the process
}

// soakSlate is the file beside the settings.
func soakSlate(path string) string { return filepath.Join(filepath.Dir(path), "slate") }

func soakDaemon(path string) int {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	err := func() error {
		page, err := openSlate(soakSlate(path))
		if err != nil {
			return err
		}
		set, err := settings.Read(path)
		if err != nil {
			return err
		}
		thrift()
		d := &daemon{set: set, clock: &source.Steady{Clock: page}, bootID: os.Getenv(envSoakBoot), speed: 1, commit: 200 * time.Millisecond,
			log:    slog.New(slog.NewTextHandler(os.Stderr, nil)),
			reread: func() (*settings.Settings, error) { return settings.Read(path) }}
		if err := openDaemon(ctx, d); err != nil {
			return err
		}
		go d.hearHangups(ctx)
		go page.report(ctx, d)
		return d.run(ctx)
	}()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// report keeps what the daemon says of itself up to date.
func (s *slate) report(ctx context.Context, d *daemon) {
	var base [2]int64 // of sources that a reload has put others in the place of
	var last [2]int64
	var of [2]*wired
	was := int64(0)
	var kept []any
	for ; ctx.Err() == nil; time.Sleep(500 * time.Microsecond) {
		open := int64(0)
		d.wiring.RLock()
		for _, w := range d.sources {
			i := 0
			if w.of.what == "mqtt" {
				i = 1
			}
			st := w.State()
			n := int64(st.Messages)
			for _, dropped := range st.Dropped {
				n += int64(dropped)
			}
			if of[i] != w {
				base[i] += last[i]
				of[i] = w
				s.Fresh[i].Add(1)
			}
			last[i] = n
			s.Took[i].Store(base[i] + n)
			if st.Phase == source.Open {
				open |= 1 << i
			}
		}
		d.wiring.RUnlock()
		if fresh := open &^ was; fresh != 0 {
			s.Opened.Add(1)
			switch os.Getenv(envSoakLeak) {
			case "fd":
				f, err := os.Open(os.DevNull)
				if err != nil {
					panic(err)
				}
				kept = append(kept, f)
			case "goroutine":
				go func() { select {} }()
			}
		}
		was = open
		s.Open.Store(open)
		snap := d.desk.Snapshot()
		s.Kept.Store(int64(snap.Records))
		s.Faults.Store(int64(len(snap.Faults)))
		if ask := s.Ask.Load(); ask != s.Answer.Load() {
			debug.FreeOSMemory()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			s.Heap.Store(int64(m.HeapAlloc))
			s.Goroutines.Store(int64(runtime.NumGoroutine()))
			s.Answer.Store(ask)
		}
	}
	runtime.KeepAlive(kept)
}

// spawnSoak starts the daemon on a boot of that name.
func spawnSoak(t testing.TB, path, boot string, log io.Writer) *victim {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	v := &victim{cmd: exec.Command(self), ended: make(chan struct{})}
	v.cmd.Env = append(os.Environ(), envSoak+"="+path, envSoakBoot+"="+boot)
	v.cmd.Stdout, v.cmd.Stderr = log, log
	// It shall not outlive a killed test. The signal is bound to the thread that
	// started the process, so that thread waits for it.
	v.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := v.cmd.Start()
		started <- err
		if err == nil {
			v.err = v.cmd.Wait()
		}
		close(v.ended)
	}()
	if err := <-started; err != nil {
		t.Fatal(err)
	}
	return v
}

// resident is a process's memory as the kernel counts it, bytes, now and at most;
// and how many descriptors it has open.
func resident(t testing.TB, pid int) (now, most int64, descriptors int) {
	t.Helper()
	proc := filepath.Join("/proc", strconv.Itoa(pid))
	text, err := os.ReadFile(filepath.Join(proc, "status"))
	if err != nil {
		t.Fatal(err)
	}
	for l := range strings.Lines(string(text)) {
		var kb int64
		if n, _ := fmt.Sscanf(l, "VmRSS: %d kB", &kb); n == 1 {
			now = kb << 10
		}
		if n, _ := fmt.Sscanf(l, "VmHWM: %d kB", &kb); n == 1 {
			most = kb << 10
		}
	}
	list, err := os.ReadDir(filepath.Join(proc, "fd"))
	if err != nil {
		t.Fatal(err)
	}
	return now, most, len(list)
}
