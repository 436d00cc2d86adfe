package broker

import (
	"errors"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Accepting fails most often for want of descriptors, and only for a while.
const (
	acceptTries = 50
	acceptWait  = 100 * time.Millisecond

	signInLimit = 10 * time.Second // from arriving to having signed in
	writeLimit  = 30 * time.Second // a client that takes nothing for so long is let go
)

// door is the broker's listener. The library stops accepting, for good and
// without a word, at the first error; it does not count those who have not
// signed in, lets them sit, and on closing waits for them. So the door tries
// again, tells what stays wrong, and bounds how many are in, also from one
// address; where all places are taken, one goes who has not signed in. At the
// end it sends everybody out.
type door struct {
	net.Listener
	failed  chan error // holds the error that ended it
	refused func(peer string)
	each    int // connections from one address

	mu     sync.Mutex
	inside map[*guest]struct{}
	by     map[netip.Addr]int
	last   uint64 // guest's number
	shut   bool
}

func newDoor(l net.Listener, each int, refused func(peer string)) *door {
	return &door{Listener: l, each: each, failed: make(chan error, 1), refused: refused, inside: map[*guest]struct{}{}, by: map[netip.Addr]int{}}
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
		_ = c.SetDeadline(time.Now().Add(signInLimit)) // the library sets later ones
		g := &guest{Conn: c, door: d, from: address(c.RemoteAddr().String())}
		in, shut, out := d.enter(g)
		if out != nil {
			out.Close()
			d.refused(out.RemoteAddr().String())
		}
		switch {
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

func (d *door) enter(g *guest) (in, shut bool, out *guest) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.shut || d.by[g.from] >= d.each {
		return false, d.shut, nil
	}
	if len(d.inside) >= maxConns {
		for x := range d.inside {
			if !x.signed && (out == nil || x.no < out.no) {
				out = x
			}
		}
		if out == nil {
			return false, false, nil
		}
		d.remove(out)
	}
	d.last++
	g.no = d.last
	d.inside[g] = struct{}{}
	d.by[g.from]++
	return true, false, out
}

func (d *door) remove(g *guest) {
	if _, in := d.inside[g]; !in {
		return
	}
	delete(d.inside, g)
	if d.by[g.from]--; d.by[g.from] == 0 {
		delete(d.by, g.from)
	}
}

func (d *door) signedIn(g *guest) {
	d.mu.Lock()
	defer d.mu.Unlock()
	g.signed = true
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

// goodbye is how long clients have at the end to be told that it is the end.
const goodbye = time.Second

// porter has the library serve whom the door lets in. The library's own does so
// too, but counts a client only once it is looked after, so that closing, which
// waits for all, may overlook one that just came; and on closing it asks the list
// of clients in a way that locks up when one of them leaves meanwhile.
type porter struct {
	door   *door
	server *mqtt.Server
	log    *slog.Logger // given by the library

	mu     sync.Mutex
	closed bool
}

// ID implements listeners.Listener.
func (p *porter) ID() string { return "rigs" }

// Address implements listeners.Listener.
func (p *porter) Address() string { return p.door.Addr().String() }

// Protocol implements listeners.Listener.
func (p *porter) Protocol() string { return p.door.Addr().Network() }

// Init implements listeners.Listener.
func (p *porter) Init(log *slog.Logger) error {
	p.log = log
	return nil
}

// Serve implements listeners.Listener.
func (p *porter) Serve(establish listeners.EstablishFn) {
	for {
		c, err := p.door.Accept()
		if err != nil {
			return
		}
		if !p.enter() {
			c.Close()
			return
		}
		go func() {
			defer p.server.Listeners.ClientsWg.Done()
			if err := establish(p.ID(), c); err != nil {
				p.log.Warn("", "error", err)
			}
		}()
	}
}

// enter counts one more client, unless all is closed.
func (p *porter) enter() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.closed {
		p.server.Listeners.ClientsWg.Add(1)
	}
	return !p.closed
}

// Close implements listeners.Listener. It tells all clients at once, and sends
// those out who do not listen.
func (p *porter) Close(listeners.CloseFn) {
	p.mu.Lock()
	p.closed = true
	p.mu.Unlock()
	late := time.AfterFunc(goodbye, func() { p.door.Close() })
	var all sync.WaitGroup
	for _, c := range p.server.Clients.GetAll() {
		if !c.Net.Inline {
			all.Go(func() { _ = p.server.DisconnectClient(c, packets.ErrServerShuttingDown) })
		}
	}
	all.Wait()
	late.Stop()
	p.door.Close()
}

// guest is a connection that leaves the door's count when it closes.
type guest struct {
	net.Conn
	door   *door
	from   netip.Addr
	no     uint64 // in order of arrival
	signed bool   // the door's to lock
}

// Write implements net.Conn.
func (g *guest) Write(p []byte) (int, error) {
	if err := g.Conn.SetWriteDeadline(time.Now().Add(writeLimit)); err != nil {
		return 0, err
	}
	return g.Conn.Write(p)
}

// SetDeadline implements net.Conn: the library's is for reading.
func (g *guest) SetDeadline(t time.Time) error { return g.Conn.SetReadDeadline(t) }

// Close implements net.Conn.
func (g *guest) Close() error {
	g.door.mu.Lock()
	g.door.remove(g)
	g.door.mu.Unlock()
	return g.Conn.Close()
}
