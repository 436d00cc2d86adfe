// Package mosquittotest runs a real mosquitto for tests: a broker that is not of
// our making, which Go cannot fetch (Debian: mosquitto).
package mosquittotest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// patience bounds every wait for something that must come.
const patience = 30 * time.Second

// Broker is a mosquitto of a test's own. It may be stopped and started again at
// the same address.
type Broker struct {
	Addr string // host:port

	t    testing.TB
	bin  string
	conf string
	cmd  *exec.Cmd
}

// Start starts a broker on loopback that lets everybody in, and stops it at the
// end of the test. Extra lines go into its configuration. Where mosquitto is not
// installed the test is skipped, or fails with YARDTALLY_CI set.
func Start(t testing.TB, extra ...string) *Broker {
	t.Helper()
	bin, err := exec.LookPath("mosquitto")
	if err != nil {
		bin, err = exec.LookPath("/usr/sbin/mosquitto")
	}
	if err != nil {
		if os.Getenv("YARDTALLY_CI") != "" {
			t.Fatal("mosquitto is not installed, and must be here")
		}
		t.Skip("mosquitto is not installed: our own broker alone is tried")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := &Broker{Addr: l.Addr().String(), t: t, bin: bin}
	l.Close()
	dir := t.TempDir()
	b.conf = filepath.Join(dir, "mosquitto.conf")
	_, port, err := net.SplitHostPort(b.Addr)
	if err != nil {
		t.Fatal(err)
	}
	// Started by root it would become somebody who may not enter a test's folders.
	text := fmt.Sprintf("user root\nlistener %s 127.0.0.1\nallow_anonymous true\n%s\n", port, strings.Join(extra, "\n"))
	if err := os.WriteFile(b.conf, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	b.Serve()
	return b
}

// Persistent returns lines that have a broker keep what it holds over a restart,
// in a folder of the test's own.
func Persistent(t testing.TB) []string {
	t.Helper()
	return []string{"persistence true", "persistence_location " + t.TempDir() + "/", "autosave_on_changes true", "autosave_interval 1"}
}

// Serve starts a stopped broker, and waits until it answers.
func (b *Broker) Serve() {
	b.t.Helper()
	var out strings.Builder
	b.cmd = exec.Command(b.bin, "-c", b.conf)
	b.cmd.Stdout, b.cmd.Stderr = &out, &out
	if err := b.cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if c, err := net.Dial("tcp", b.Addr); err == nil {
			c.Close()
			return
		}
	}
	b.Stop()
	b.t.Fatalf("mosquitto does not answer: %s", out.String())
}

// Stop ends the broker in good order and waits until it has ended.
func (b *Broker) Stop() {
	if b.cmd == nil {
		return
	}
	_ = b.cmd.Process.Signal(os.Interrupt) // it may have ended
	kill := time.AfterFunc(patience, func() { _ = b.cmd.Process.Kill() })
	_ = b.cmd.Wait() // by a signal is as good as by itself
	kill.Stop()
	b.cmd = nil
}
