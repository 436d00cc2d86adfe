package door

import (
	"net"
	"net/netip"
	"testing"
)

// sham is a connection that is only counted.
type sham struct {
	net.Conn
	from   string
	closed int
}

func (s *sham) RemoteAddr() net.Addr { return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(s.from)) }
func (s *sham) Close() error         { s.closed++; return nil }

// line is a listener at which those who stand in line arrive.
type line struct {
	net.Listener
	all []*sham
}

func (l *line) Accept() (net.Conn, error) {
	if len(l.all) == 0 {
		return nil, net.ErrClosed
	}
	c := l.all[0]
	l.all = l.all[1:]
	return c, nil
}

func TestPlaces(t *testing.T) {
	var in, all []*sham
	queue := &line{}
	l := Listen(queue, nil).(*places)
	arrive := func(from string, n int) (got int) {
		for range n {
			c := &sham{from: from}
			all = append(all, c)
			queue.all = append(queue.all, c)
			x, err := l.Accept()
			if err != nil {
				continue // not let in, and nobody else came
			}
			in = append(in, x.(*place).Conn.(*sham))
			got++
		}
		return got
	}
	if got := arrive("192.0.2.1:1", 100); got != mostConnsEach {
		t.Errorf("one address got %d places", got)
	}
	for _, a := range []string{"192.0.2.2:1", "192.0.2.3:1", "[2001:db8::1]:1", "[2001:db8::ffff]:1", "192.0.2.4:1", "192.0.2.5:1", "192.0.2.6:1", "192.0.2.7:1"} {
		arrive(a, 100) // the two of one IPv6 network are one
	}
	if l.taken != mostConns || len(l.by) != 8 {
		t.Fatalf("%d places of %d addresses", l.taken, len(l.by))
	}
	first := in[0]
	if got := arrive("192.168.4.20:1", 6); got != 6 {
		t.Errorf("a browser got %d of 6 places while eight others held all", got)
	}
	if first.closed != 1 || l.taken != mostConns {
		t.Errorf("the oldest of the greediest was not sent out; %d places taken", l.taken)
	}
	if got := arrive("192.168.4.20:1", 100); got > mostConnsEach-6 {
		t.Errorf("it got %d more", got)
	}
	for from, list := range l.by {
		if len(list) < mostConns/9-1 {
			t.Errorf("%s is left with %d places", from, len(list))
		}
	}
	for i := range 2 * mostConns { // more phones than places: the newest gets in
		if arrive(netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, 0, byte(i >> 8), byte(i)}), 1).String(), 1) != 1 {
			t.Fatalf("phone %d is kept out", i)
		}
	}
	n := 0
	for _, list := range l.by {
		for _, x := range list {
			n++
			defer func() { x.Close(); x.Close() }()
		}
	}
	if n != l.taken || n != mostConns {
		t.Errorf("%d places counted as %d", n, l.taken)
	}
	open := 0
	for _, c := range all {
		if c.closed == 0 {
			open++
		}
	}
	if open != mostConns {
		t.Errorf("%d connections are open", open)
	}
	t.Cleanup(func() { // after those above
		if l.taken != 0 || len(l.by) != 0 {
			t.Errorf("all closed: %d places taken by %d", l.taken, len(l.by))
		}
	})
}
