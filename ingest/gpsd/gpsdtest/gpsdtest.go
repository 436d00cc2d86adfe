// Package gpsdtest runs a real gpsd for tests, fed by a pseudo-terminal: a
// server that is not of our making, which Go cannot fetch (Debian: gpsd).
package gpsdtest

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
)

// patience bounds every wait for something that must come.
const patience = 30 * time.Second

// Daemon is a gpsd of a test's own, with one receiver.
type Daemon struct {
	Addr   string // host:port
	Device string // the receiver, as gpsd calls it

	t    testing.TB
	bin  string
	far  *os.File // its near end: what a receiver would say is written here
	cmd  *exec.Cmd
	said lockedText
}

// lockedText is what gpsd writes, for when something is wrong.
type lockedText struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (l *lockedText) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

// Start starts a gpsd on loopback and stops it at the end of the test. Where it
// is not installed the test is skipped, or fails with YARDTALLY_CI set.
func Start(t testing.TB) *Daemon {
	t.Helper()
	bin, err := exec.LookPath("gpsd")
	if err != nil {
		bin, err = exec.LookPath("/usr/sbin/gpsd")
	}
	if err != nil {
		if os.Getenv("YARDTALLY_CI") != "" {
			t.Fatal("gpsd is not installed, and must be here")
		}
		t.Skip("gpsd is not installed: a stand-in of ours alone is tried")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d := &Daemon{Addr: l.Addr().String(), t: t, bin: bin}
	l.Close()
	near, far, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close(); far.Close() })
	// Started by root, gpsd becomes somebody else, who must be able to read it.
	if err := os.Chmod(far.Name(), 0o666); err != nil {
		t.Fatal(err)
	}
	// What gpsd asks the receiver is read and forgotten, or it would wait.
	go func() {
		for b := make([]byte, 4096); ; {
			if _, err := near.Read(b); err != nil {
				return
			}
		}
	}()
	d.Device, d.far = far.Name(), near
	t.Cleanup(d.Stop)
	d.Serve()
	return d
}

// Serve starts a stopped gpsd, and waits until it answers.
func (d *Daemon) Serve() {
	d.t.Helper()
	_, port, err := net.SplitHostPort(d.Addr)
	if err != nil {
		d.t.Fatal(err)
	}
	d.cmd = exec.Command(d.bin, "-N", "-n", "-S", port, d.Device)
	d.cmd.Stdout, d.cmd.Stderr = &d.said, &d.said
	if err := d.cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if c, err := net.Dial("tcp", d.Addr); err == nil {
			c.Close()
			return
		}
	}
	d.t.Fatalf("gpsd does not answer: %s", d.Said())
}

// Say has the receiver say a sentence of NMEA 0183; its $ and checksum are added.
func (d *Daemon) Say(format string, args ...any) {
	d.t.Helper()
	body := fmt.Sprintf(format, args...)
	sum := byte(0)
	for i := range len(body) {
		sum ^= body[i]
	}
	if _, err := fmt.Fprintf(d.far, "$%s*%02X\r\n", body, sum); err != nil {
		d.t.Fatal(err)
	}
}

// Said returns what gpsd wrote about itself.
func (d *Daemon) Said() string {
	d.said.mu.Lock()
	defer d.said.mu.Unlock()
	return strings.TrimSpace(d.said.b.String())
}

// Stop ends gpsd and waits until it has ended.
func (d *Daemon) Stop() {
	if d.cmd == nil {
		return
	}
	_ = d.cmd.Process.Signal(os.Interrupt) // it may have ended
	kill := time.AfterFunc(patience, func() { _ = d.cmd.Process.Kill() })
	_ = d.cmd.Wait() // by a signal is as good as by itself
	kill.Stop()
	d.cmd = nil
}
