package mqttsub

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"yardtally/ingest/source"
)

// A broker that is not of our making: Debian's mosquitto, which Go cannot
// fetch. What it keeps while we are away, it hands over when we are back.
func TestMosquitto(t *testing.T) {
	bin, err := exec.LookPath("mosquitto")
	if err != nil {
		bin, err = exec.LookPath("/usr/sbin/mosquitto")
	}
	if err != nil {
		if os.Getenv("YARDTALLY_CI") != "" {
			t.Fatal("mosquitto is not installed, and must be here")
		}
		t.Skip("mosquitto is not installed: the subscription is tried with our own broker only")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o777); err != nil { // it gives up root
		t.Fatal(err)
	}
	conf := filepath.Join(dir, "mosquitto.conf")
	port := addr[strings.LastIndexByte(addr, ':')+1:]
	text := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\nautosave_on_changes true\nautosave_interval 1\n", port, dir)
	if err := os.WriteFile(conf, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	serve := func() *exec.Cmd {
		t.Helper()
		cmd := exec.Command(bin, "-c", conf)
		var out strings.Builder
		cmd.Stdout, cmd.Stderr = &out, &out
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			cmd.Process.Kill()
			cmd.Wait()
		})
		for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
			if c, err := net.Dial("tcp", addr); err == nil {
				c.Close()
				return cmd
			}
		}
		t.Fatalf("mosquitto does not answer: %s", out.String())
		return nil
	}
	broker := serve()
	sink := make(collector, 16)
	s, stop := start(t, options(addr), sink)
	await(t, s, "open", isOpen)
	board := publisher(t, addr)
	publish(t, board, topic, false, pack(1))
	sink.want(t, 1)

	// Away for a while: what was said meanwhile comes afterwards.
	stop()
	publish(t, board, topic, false, pack(2))
	s, _ = start(t, options(addr), sink)
	sink.wantAfter(t, 2)

	// The broker itself starts again: we come back by ourselves.
	await(t, s, "open", isOpen)
	if err := broker.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	broker.Wait()
	await(t, s, "cut off", func(st source.State) bool { return st.Phase != source.Open })
	serve()
	await(t, s, "open again", isOpen)
	publish(t, board, topic, false, pack(3))
	sink.wantAfter(t, 3)
}
