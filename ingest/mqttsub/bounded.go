package mqttsub

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"net"

	"yardtally/ingest/wire"
)

// largest is how much of one packet reaches the client library: a pack that is
// just too large, and its topic.
const largest = wire.MaxPack + 1024

const packetPublish = 3 // MQTT 3.1.1, table 2.1

// boundedConn cuts PUBLISH packets down to the largest, and fails on any other
// that is larger. The library makes room for a whole packet, up to 256 MB, on
// the word of whoever sends it; a pack cut short is still taken, counted as
// too large, and acknowledged, so that the broker does not send it for ever.
type boundedConn struct {
	net.Conn
	r    *bufio.Reader
	head []byte // of the packet under way: type and new length, not yet passed on
	pass int    // bytes of it still to pass on
	skip int    // bytes of it then to leave out
}

func newBoundedConn(c net.Conn) *boundedConn {
	return &boundedConn{Conn: c, r: bufio.NewReader(c)}
}

// Read implements net.Conn.
func (c *boundedConn) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	for {
		switch {
		case len(c.head) > 0:
			n := copy(p, c.head)
			c.head = c.head[n:]
			return n, nil
		case c.pass > 0:
			n, err := c.r.Read(p[:min(len(p), c.pass)])
			c.pass -= n
			return n, err
		case c.skip > 0:
			n, err := c.r.Discard(c.skip)
			c.skip -= n
			if err != nil {
				return 0, err
			}
		default:
			if err := c.next(); err != nil {
				return 0, err
			}
		}
	}
}

// next reads a fixed header (MQTT 3.1.1, section 2.2): a byte of type and
// flags, and the remaining length in groups of seven bits, which is the coding
// of Go's Uvarint with at most four bytes.
func (c *boundedConn) next() error {
	first, err := c.r.ReadByte()
	if err != nil {
		return err
	}
	length, err := binary.ReadUvarint(c.r)
	if err != nil {
		return err
	}
	if length >= 1<<28 {
		return fmt.Errorf("a packet of %d bytes: MQTT allows 268435455", length)
	}
	c.pass, c.skip = int(length), 0
	if c.pass > largest {
		if first>>4 != packetPublish {
			return fmt.Errorf("a packet of type %d has %d bytes, at most %d are taken", first>>4, length, largest)
		}
		c.pass, c.skip = largest, int(length)-largest
	}
	c.head = binary.AppendUvarint(append(c.head[:0], first), uint64(c.pass))
	return nil
}
