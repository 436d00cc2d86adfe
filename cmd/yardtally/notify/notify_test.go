package notify

import (
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

func env(pairs ...string) func(string) string {
	return func(name string) string {
		for i := 0; i < len(pairs); i += 2 {
			if pairs[i] == name {
				return pairs[i+1]
			}
		}
		return ""
	}
}

// TestSend tells a real datagram socket, of both kinds that sd_notify(3) names.
func TestSend(t *testing.T) {
	for _, name := range []string{filepath.Join(t.TempDir(), "notify"), "@yardtally-notify-" + strconv.Itoa(os.Getpid())} {
		l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		s, err := Open(env("NOTIFY_SOCKET", name))
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		if err := s.Send(Ready, Status("two\nlines")); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 4096)
		n, err := l.Read(buf)
		if err != nil || string(buf[:n]) != "READY=1\nSTATUS=two lines" {
			t.Errorf("%s: got %q, %v", name, buf[:n], err)
		}
	}
	var none *Socket
	if err := none.Send(Ready); err != nil {
		t.Error(err)
	}
	if s, err := Open(env()); s != nil || err != nil {
		t.Error(s, err)
	}
	for _, bad := range []string{"relative", filepath.Join(t.TempDir(), "nobody")} {
		if _, err := Open(env("NOTIFY_SOCKET", bad)); err == nil || !strings.HasPrefix(err.Error(), "NOTIFY_SOCKET: ") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func TestReloading(t *testing.T) {
	var before, after unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &before); err != nil {
		t.Fatal(err)
	}
	got := Reloading()
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &after); err != nil {
		t.Fatal(err)
	}
	text, ok := strings.CutPrefix(got, "RELOADING=1\nMONOTONIC_USEC=")
	us, err := strconv.ParseInt(text, 10, 64)
	if !ok || err != nil || us < before.Nano()/1000 || us > after.Nano()/1000 {
		t.Errorf("%q, between %d and %d ns", got, before.Nano(), after.Nano())
	}
}

func TestWatchdog(t *testing.T) {
	own := strconv.Itoa(os.Getpid())
	for _, x := range []struct {
		usec, pid string
		want      time.Duration
		bad       bool
	}{
		{"", "", 0, false}, {"60000000", "", time.Minute, false}, {"60000000", own, time.Minute, false}, {"60000000", "1", 0, false},
		{"0", own, 0, true}, {"-1", own, 0, true}, {"a minute", own, 0, true}, {"9223372036854775807", own, 0, true},
	} {
		got, err := Watchdog(env("WATCHDOG_USEC", x.usec, "WATCHDOG_PID", x.pid))
		if got != x.want || (err != nil) != x.bad {
			t.Errorf("%q of %q: %v, %v", x.usec, x.pid, got, err)
		}
	}
}
