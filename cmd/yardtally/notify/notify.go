// Package notify tells the service manager how the daemon stands, by the
// protocol of sd_notify(3): datagrams of NAME=value lines to the socket that
// $NOTIFY_SOCKET names. Without that variable nothing is sent.
package notify

import (
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Socket is where the service manager listens. A nil *Socket sends nothing.
type Socket struct{ conn *net.UnixConn }

// Open opens the manager's socket, by the environment's variable; nil where it
// names none. A name that begins with @ is an abstract one, unix(7).
func Open(getenv func(string) string) (*Socket, error) {
	name := getenv("NOTIFY_SOCKET")
	if name == "" {
		return nil, nil
	}
	if name[0] != '/' && name[0] != '@' {
		return nil, fmt.Errorf("NOTIFY_SOCKET: must be an absolute path, or begin with @, is %q", name)
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return nil, fmt.Errorf("NOTIFY_SOCKET: %w", err)
	}
	return &Socket{conn}, nil
}

// sendLimit bounds a send: a manager that does not read must not hold us up.
const sendLimit = 5 * time.Second

// Send sends lines, such as Ready and Status, in one datagram.
func (s *Socket) Send(lines ...string) error {
	if s == nil {
		return nil
	}
	if err := s.conn.SetWriteDeadline(time.Now().Add(sendLimit)); err != nil {
		return err
	}
	_, err := s.conn.Write([]byte(strings.Join(lines, "\n")))
	return err
}

// Close closes the socket.
func (s *Socket) Close() error {
	if s == nil {
		return nil
	}
	return s.conn.Close()
}

// What is told, as sd_notify(3) has it.
const (
	Ready    = "READY=1"    // it has started, or reloaded
	Stopping = "STOPPING=1" // it begins to stop
	Alive    = "WATCHDOG=1"
)

// Status is a line for people, shown by systemctl status.
func Status(text string) string {
	return "STATUS=" + strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, text)
}

// Reloading says that settings are read again, until Ready. sd_notify(3) asks
// for CLOCK_MONOTONIC in microseconds with it.
func Reloading() string {
	var ts unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts) // it cannot fail: the clock is older than what Go runs on
	return "RELOADING=1\nMONOTONIC_USEC=" + strconv.FormatInt(ts.Nano()/1000, 10)
}

// Extend asks for so much more time to start in, reckoned from now.
func Extend(d time.Duration) string {
	return "EXTEND_TIMEOUT_USEC=" + strconv.FormatInt(d.Microseconds(), 10)
}

// Watchdog is how often at least the manager wants to be told Alive,
// sd_watchdog_enabled(3); 0: it does not watch, or it watches another process.
func Watchdog(getenv func(string) string) (time.Duration, error) {
	text := getenv("WATCHDOG_USEC")
	if text == "" {
		return 0, nil
	}
	if pid := getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return 0, nil
	}
	us, err := strconv.ParseInt(text, 10, 64)
	if err != nil || us <= 0 || us > int64(1<<63-1)/1000 {
		return 0, fmt.Errorf("WATCHDOG_USEC: must be a number of microseconds above 0, is %q", text)
	}
	return time.Duration(us) * time.Microsecond, nil
}
