package door

import (
	"context"
	"crypto/tls"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// Bounds on connections to the page. A browser opens about six. Judgement, no
// source.
const (
	mostConns     = 256
	mostConnsEach = 32 // from one address
)

// Listen bounds the connections of a listener: so many in all, so many from
// one address; the next are closed at once. Where all places are taken, a
// newcomer gets one of the address that has most, the one it took first: a
// few phones cannot keep the others out, and many only while they go on. With conf, connections are TLS.
func Listen(l net.Listener, conf *tls.Config) net.Listener {
	l = &places{Listener: l, by: map[netip.Addr][]*place{}}
	if conf != nil {
		l = tls.NewListener(l, conf)
	}
	return l
}

// NewServer returns a server for what Wrap returns, with the time-outs and
// bounds that the door's tests try. Requests end with ctx.
//
// Pages come over HTTP/1.1 only: HTTP/2 would let one connection hold hundreds
// of requests, and the page needs few.
func NewServer(ctx context.Context, h http.Handler, log *slog.Logger) *http.Server {
	s := &http.Server{
		Handler:           h,
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: 10 * time.Second,
		WriteTimeout:      30 * time.Second, // the live page sets its own, again and again
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelDebug),
		Protocols:         new(http.Protocols),
	}
	s.Protocols.SetHTTP1(true)
	return s
}

// places is a listener that counts.
type places struct {
	net.Listener
	mu    sync.Mutex
	by    map[netip.Addr][]*place // in order of arrival
	taken int
	last  uint64 // arrival's number
}

type place struct {
	net.Conn
	in   *places
	from netip.Addr
	no   uint64 // in order of arrival
	once sync.Once
}

// Accept implements net.Listener.
func (p *places) Accept() (net.Conn, error) {
	for {
		c, err := p.Listener.Accept()
		if err != nil {
			return nil, err
		}
		x := &place{Conn: c, in: p, from: Address(c.RemoteAddr().String())}
		in, out := p.enter(x)
		if out != nil {
			out.Close()
		}
		if in {
			return x, nil
		}
		c.Close()
	}
}

// enter takes a place, and says who must give one up for it.
func (p *places) enter(x *place) (in bool, out *place) {
	p.mu.Lock()
	defer p.mu.Unlock()
	own := len(p.by[x.from])
	if own >= mostConnsEach {
		return false, nil
	}
	if p.taken >= mostConns {
		most := 0
		for _, list := range p.by {
			if len(list) > most || len(list) == most && list[0].no < out.no {
				most, out = len(list), list[0]
			}
		}
		if own > 0 && most <= own+1 {
			return false, nil
		}
		p.remove(out)
	}
	p.last++
	x.no = p.last
	p.by[x.from] = append(p.by[x.from], x)
	p.taken++
	return true, out
}

func (p *places) remove(x *place) {
	list := p.by[x.from]
	for i := range list {
		if list[i] == x {
			p.taken--
			if len(list) == 1 {
				delete(p.by, x.from)
			} else {
				p.by[x.from] = append(list[:i:i], list[i+1:]...)
			}
			return
		}
	}
}

// Close implements net.Conn.
func (x *place) Close() error {
	x.once.Do(func() {
		x.in.mu.Lock()
		defer x.in.mu.Unlock()
		x.in.remove(x)
	})
	return x.Conn.Close()
}
