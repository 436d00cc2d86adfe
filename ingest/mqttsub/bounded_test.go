package mqttsub

import (
	"bytes"
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// stream is a connection that only says what is in it.
type stream struct {
	net.Conn
	r io.Reader
}

func (s stream) Read(p []byte) (int, error) { return s.r.Read(p) }

func publishPacket(t *testing.T, id uint16, payload []byte) []byte {
	t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID, p.Payload = "yard/heron/readings", 1, id, payload
	var b bytes.Buffer
	if err := p.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Packets pass as they are up to the bound; of a larger one its head comes
// through, and the next packet whole.
func TestBoundedConn(t *testing.T) {
	sizes := []int{0, 1, 100, 127, 128, 16383, 16384, largest - 23, largest - 22, largest, 3 << 20, 5}
	var all []byte
	for i, n := range sizes {
		all = append(all, publishPacket(t, uint16(i+1), bytes.Repeat([]byte{byte(i)}, n))...)
	}
	for name, r := range map[string]io.Reader{
		"whole": bytes.NewReader(all), "halves": iotest.HalfReader(bytes.NewReader(all)), "bytes": iotest.OneByteReader(bytes.NewReader(all)),
	} {
		c := newBoundedConn(stream{r: r})
		for i, n := range sizes {
			cp, err := packets.ReadPacket(c)
			if err != nil {
				t.Fatalf("%s, packet %d: %v", name, i, err)
			}
			p := cp.(*packets.PublishPacket)
			const head = 2 + 19 + 2 // topic's length, topic, id
			want := min(n, largest-head)
			if p.MessageID != uint16(i+1) || len(p.Payload) != want || strings.Trim(string(p.Payload), string(rune(i))) != "" {
				t.Errorf("%s, packet %d: id %d, %d bytes, want %d", name, i, p.MessageID, len(p.Payload), want)
			}
		}
		if _, err := packets.ReadPacket(c); err != io.EOF {
			t.Errorf("%s: then %v", name, err)
		}
	}
}

func TestBoundedConnRefuses(t *testing.T) {
	for name, b := range map[string]string{
		"a large SUBACK":     "\x90\xff\xff\x7f",
		"a length too long":  "\x30\xff\xff\xff\xff\x01",
		"a length unbounded": "\x30\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff",
	} {
		c := newBoundedConn(stream{r: strings.NewReader(b)})
		if _, err := c.Read(make([]byte, 10)); err == nil || errors.Is(err, io.EOF) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
