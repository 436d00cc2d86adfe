package broker

import (
	"errors"
	"net"
	"sync"
	"time"
)

// Accepting fails most often for want of descriptors, and only for a while.
const (
	acceptTries = 50
	acceptWait  = 100 * time.Millisecond
)

// door is the broker's listener. The library stops accepting, for good and
// without a word, at the first error; it does not count those who have not
// signed in, and on closing waits for them. So the door tries again,
// tells what stays wrong, bounds how many are in, and sends them out at the end.
type door struct {
	net.Listener
	failed  chan error // holds the error that ended it
	refused func(peer string)

	mu     sync.Mutex
	inside map[net.Conn]struct{}
	shut   bool
}

func newDoor(l net.Listener, refused func(peer string)) *door {
	return &door{Listener: l, failed: make(chan error, 1), refused: refused, inside: map[net.Conn]struct{}{}}
}

// Accept implements net.Listener.
func (d *door) Accept() (net.Conn, error) {
	for tries := 1; ; tries++ {
		c, err := d.Listener.Accept()
		if err != nil {
			if tries < acceptTries && !errors.Is(err, net.ErrClosed) {
				time.Sleep(acceptWait)
				continue
			}
			select {
			case d.failed <- err:
			default:
			}
			return nil, err
		}
		tries = 0
		g := &guest{Conn: c, door: d}
		switch in, shut := d.enter(g); {
		case shut:
			c.Close()
		case !in:
			c.Close()
			d.refused(c.RemoteAddr().String())
		default:
			return g, nil
		}
	}
}

func (d *door) enter(g *guest) (in, shut bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.shut || len(d.inside) >= maxConns {
		return false, d.shut
	}
	d.inside[g] = struct{}{}
	return true, false
}

// Close implements net.Listener; it also closes every connection.
func (d *door) Close() error {
	d.mu.Lock()
	d.shut = true
	var all []net.Conn
	for g := range d.inside {
		all = append(all, g)
	}
	d.mu.Unlock()
	for _, g := range all {
		g.Close()
	}
	return d.Listener.Close()
}

// guest is a connection that leaves the door's count when it closes.
type guest struct {
	net.Conn
	door *door
}

// Close implements net.Conn.
func (g *guest) Close() error {
	g.door.mu.Lock()
	delete(g.door.inside, g)
	g.door.mu.Unlock()
	return g.Conn.Close()
}
