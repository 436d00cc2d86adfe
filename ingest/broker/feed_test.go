package broker

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// shed is a display: the newest that it heard of each topic.
type shed struct {
	mu  sync.Mutex
	has map[string]string
	all int // messages that were kept before it came
}

func (d *shed) hear(_ mqtt.Client, m mqtt.Message) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.has[m.Topic()] = string(m.Payload())
	if m.Retained() {
		d.all++
	}
}

// lacks says what of n topics a display does not show as wanted, "" where all is.
func (d *shed) lacks(n int, want string) string {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i := range n {
		if got := d.has[topicOf(i)]; got != want {
			return fmt.Sprintf("%s: %q instead of %q, and %d topics heard of %d", topicOf(i), got, want, len(d.has), n)
		}
	}
	return ""
}

func topicOf(i int) string { return fmt.Sprintf("yard/heron/results/yards/%d", i) }

func (d *shed) await(t *testing.T, n int, want string) {
	t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		lacks := d.lacks(n, want)
		if lacks == "" {
			return
		}
		if time.Now().After(end) {
			t.Fatal(lacks)
		}
	}
}

func retainAll(t *testing.T, s *Source, n int, text string) {
	t.Helper()
	for i := range n {
		if err := s.Retain(t.Context(), topicOf(i), []byte(text)); err != nil {
			t.Fatal(err)
		}
	}
}

// Whoever begins to listen is given all that is kept, once each, however much
// more than its queue that is; whoever listens has the newest in the end, however
// fast all of it changes, and what was removed is not left standing.
func TestAllThatIsKept(t *testing.T) {
	const n = 20 * maxInflight
	for _, qos := range []byte{0, 1} {
		s := start(t, options(), make(collector))
		retainAll(t, s, n, "one")
		d := &shed{has: map[string]string{}}
		c := connect(t, clientOptions(s, "shed", "", ""))
		if k := c.Subscribe("yard/heron/results/#", qos, d.hear); !k.WaitTimeout(patience) || k.Error() != nil {
			t.Fatal(k.Error())
		}
		d.await(t, n, "one")
		if d.all != n {
			t.Errorf("QoS %d: %d messages, want each of %d topics once", qos, d.all, n)
		}
		retainAll(t, s, n, "two")
		d.await(t, n, "two")
		// While one who comes is still being given the old ones.
		e := &shed{has: map[string]string{}}
		if k := connect(t, clientOptions(s, "other shed", "", "")).Subscribe("yard/+/results/#", qos, e.hear); !k.WaitTimeout(patience) || k.Error() != nil {
			t.Fatal(k.Error())
		}
		retainAll(t, s, n, "three")
		e.await(t, n, "three")
		d.await(t, n, "three")
		retainAll(t, s, n, "")
		e.await(t, n, "")
		d.await(t, n, "")
	}
}

// One who acknowledges nothing is given as many as may be unacknowledged, the
// others and the publisher go on, and what waits for it is names; it asks again and
// again, and comes back again and again.
func TestOneWhoAcknowledgesNothing(t *testing.T) {
	const n = 2000
	s := start(t, options(), make(collector))
	big := strings.Repeat("x", 10<<10)
	retainAll(t, s, n, big)
	before := memory()
	for i := range 3 * maxReaders {
		r := enter(t, s, "127.5.0.1", fmt.Sprint("mute", i%maxReaders))
		for range 100 {
			if _, err := io.WriteString(r, packet(0x82, "\x00\x01", text("yard/heron/#"), "\x01")); err != nil {
				t.Fatal(err)
			}
		}
		if i < 2*maxReaders {
			r.Close()
		}
	}
	retainAll(t, s, n, strings.Repeat("y", 10<<10))
	bounded(t, before, 64e6, "48 readers of 2000 kept messages of 10 kB, who acknowledge none")
	s.mu.Lock()
	h := s.hook
	s.mu.Unlock()
	h.feeding.Lock()
	defer h.feeding.Unlock()
	if len(h.feeds) > maxReaders+1 {
		t.Errorf("%d feeds", len(h.feeds))
	}
	for cl, f := range h.feeds {
		f.mu.Lock()
		if len(f.filters) > maxFilters || len(f.missed) > n {
			t.Errorf("%s waits for %d filters and %d topics", cl.ID, len(f.filters), len(f.missed))
		}
		f.mu.Unlock()
		if got := cl.State.Inflight.Len(); got > maxInflight {
			t.Errorf("%s has %d messages unacknowledged", cl.ID, got)
		}
	}
}

// A subscription of MQTT 5 may ask for none of what is kept, or only if it is new.
func TestRetainHandling(t *testing.T) {
	s := start(t, options(), make(collector))
	retainAll(t, s, 1, "kept")
	for _, c := range []struct {
		handling byte
		times    int
		want     int
	}{{0, 2, 2}, {1, 2, 1}, {2, 2, 0}} {
		conn := dial(t, s, "127.5.0.2")
		// CONNECT of MQTT 5 (3.1): no properties.
		io.WriteString(conn, packet(0x10, text("MQTT"), "\x05\x02\x00\x3c\x00", text(fmt.Sprint("five", c.handling))))
		var all []byte
		read := func(until string) {
			buf := make([]byte, 4096)
			for !strings.Contains(string(all), until) {
				n, err := conn.Read(buf)
				if all = append(all, buf[:n]...); err != nil {
					t.Fatalf("%v after %q", err, all)
				}
			}
		}
		for i := range c.times {
			io.WriteString(conn, packet(0x82, "\x00\x07\x00", text(topicOf(0)), string([]byte{c.handling << 4}))) // QoS 0
			if i < c.want {
				read("kept")
				all = []byte(strings.ReplaceAll(string(all), "kept", "KEPT"))
			}
		}
		io.WriteString(conn, "\xc0\x00") // PINGREQ: all before it is done
		read("\xd0\x00")
		if err := s.Publish(t.Context(), topicOf(0), []byte("news")); err != nil {
			t.Fatal(err)
		}
		read("news")
		all = []byte(strings.ReplaceAll(string(all), "KEPT", "kept"))
		if got := strings.Count(string(all), "kept"); got != c.want {
			t.Errorf("retain handling %d, subscribed %d times: %d kept messages, want %d", c.handling, c.times, got, c.want)
		}
	}
}
