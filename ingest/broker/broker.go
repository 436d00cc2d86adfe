// Package broker is an MQTT broker in the daemon's own process, for a rig that
// has no other. Readings published to it go straight to the sink, from the
// broker's publish hook: a subscription of our own would lose some, since a
// broker drops what a slow subscriber does not fetch.
//
// At QoS 1 the hook runs before the PUBACK is sent, and the PUBACK is left out
// where it fails, so a publisher that was told "taken" was told so after the
// sink took it. (At QoS 2 the same holds for the PUBREC.) While the sink is
// busy its publishers wait; one that waits for longer than one and a half
// times its keep-alive is cut off, comes back, and sends again.
//
// Beyond loopback the broker wants named users with passwords. Where there are
// users, nobody else gets in, on loopback either; each may publish only to its
// own rig's readings, and read only what is under its own rig's name: a user
// with no rig publishes nothing and reads what is under the prefix. Nobody
// named reads $SYS. A user that tries wrong passwords has to wait, longer each
// time. Passwords cross the network as they are: it must be the rig's own.
//
// What is published is for whoever listens now: a subscriber that is slow or
// away has few messages kept (maxInflight, maxPending), a will is published at
// once, whatever its delay, and messages are retained on few topics. See
// bounds.go.
package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
)

// DefaultEach is how many connections one address may have if nothing is set.
const DefaultEach = 64

// MostEach is how many it may be given: all there are.
const MostEach = maxConns

// DefaultAddr is where the broker listens if no address is set.
const DefaultAddr = "127.0.0.1:1883"

// Bounds on what clients can make the broker hold. Judgement, no source.
const (
	maxPacket   = wire.MaxPack + 16<<10 // bytes; a larger packet ends its connection
	maxConns    = 512                   // connections, signed in or not
	maxReceive  = 128                   // unacknowledged messages from a client
	maxInflight = 64                    // unacknowledged messages to a client
	maxPending  = 32                    // messages a slow subscriber has waiting; the next are dropped, or, if kept, come later
	maxSession  = 24 * 60 * 60          // s for which a gone client's session is kept
)

// User may sign in.
type User struct {
	Name     string
	Password string // never shown
	Rig      string // the rig it publishes for and reads; "": it only reads, every rig
	ReadOnly bool   // it publishes nothing
}

// Options say where the broker listens, and to whom.
type Options struct {
	Name   string // the source's name, e.g. "broker"
	Addr   string // host:port; "" is DefaultAddr, port 0 any free one
	Users  []User
	Prefix string   // of the topics <prefix>/<rig>/readings
	Rigs   []string // whose readings are taken
	Each   int      // connections from one address; 0: DefaultEach
	Clock  source.Clock
	Log    *slog.Logger // nil: nowhere
}

// Source is the broker as a source.Source.
type Source struct {
	o      Options
	topics map[string]string // topic to rig
	tries  *tries
	*source.Supervisor

	mu     sync.Mutex
	users  map[string]account // replaced, never changed
	addr   string
	server *mqtt.Server // nil while it is not bound
	self   *mqtt.Client // the daemon, as one who publishes
	hook   *hook        // of the newest session
}

// New checks the options and returns the source; it listens to nothing yet.
// The error names the option, the rule and the value.
func New(o Options) (*Source, error) {
	if o.Addr == "" {
		o.Addr = DefaultAddr
	}
	if o.Each == 0 {
		o.Each = DefaultEach
	}
	switch {
	case o.Name == "":
		return nil, errors.New(`name: must not be empty, is ""`)
	case o.Clock == nil:
		return nil, errors.New("clock: must be given, is nil")
	case o.Each < 1 || o.Each > MostEach:
		return nil, fmt.Errorf("connections of an address: must be 1 to %d, is %d", MostEach, o.Each)
	case len(o.Rigs) == 0:
		return nil, errors.New("rigs: must be at least one, is none")
	}
	s := &Source{o: o, topics: map[string]string{}, tries: newTries(), Supervisor: source.NewSupervisor(o.Name, o.Log, nil)}
	for _, rig := range o.Rigs {
		topic, err := source.Topic(o.Prefix, rig)
		if err != nil {
			return nil, err
		}
		s.topics[topic] = rig
	}
	var err error
	s.users, err = s.check(o.Users)
	if err != nil {
		return nil, err
	}
	return s, nil
}

// check reports what is wrong with users here, by option, rule and value.
func (s *Source) check(users []User) (map[string]account, error) {
	all, err := s.accounts(users)
	if err != nil {
		return nil, err
	}
	host, _, err := net.SplitHostPort(s.o.Addr)
	if err != nil {
		return nil, fmt.Errorf("address: must be host:port, is %q: %w", s.o.Addr, err)
	}
	if len(users) == 0 && !loopback(host) {
		return nil, fmt.Errorf("users: must be at least one with a password where the address is not loopback, is none (address %s)", s.o.Addr)
	}
	return all, nil
}

// CheckUsers reports what is wrong with users, as New does.
func (s *Source) CheckUsers(users []User) error {
	_, err := s.check(users)
	return err
}

// SetUsers has others be let in from now on. Clients that would not be let in
// again as they were are put out; all the rest go on undisturbed.
func (s *Source) SetUsers(users []User) error {
	all, err := s.check(users)
	if err != nil {
		return err
	}
	s.mu.Lock()
	old, server := s.users, s.server
	s.users = all
	s.mu.Unlock()
	if server == nil {
		return nil
	}
	for _, cl := range server.Clients.GetAll() {
		now, known := all[string(cl.Properties.Username)]
		if !cl.Net.Inline && (len(all) > 0 && !known || old[string(cl.Properties.Username)] != now) {
			_ = server.DisconnectClient(cl, packets.ErrNotAuthorized)
		}
	}
	return nil
}

// allowed are the users that are let in now.
func (s *Source) allowed() map[string]account {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.users
}

// loopback reports whether only this machine can reach host. Names other than
// localhost may mean anything, now or later.
func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.Unmap().IsLoopback()
}

// Addr returns the address that the broker is bound to, "" while it is not.
func (s *Source) Addr() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.addr
}

// Clients returns how many clients are signed in.
func (s *Source) Clients() (n int) {
	s.mu.Lock()
	server := s.server
	s.mu.Unlock()
	if server == nil {
		return 0
	}
	for _, cl := range server.Clients.GetAll() {
		if !cl.Closed() && !cl.Net.Inline {
			n++
		}
	}
	return n
}

func (s *Source) bound(addr string, server *mqtt.Server, self *mqtt.Client) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.addr, s.server, s.self = addr, server, self
}

// Publish sends a message at QoS 1, not retained, to whoever listens to the
// topic now. It waits for nobody; it fails while the broker is not bound.
func (s *Source) Publish(_ context.Context, topic string, payload []byte) error {
	return s.inject(topic, payload, false)
}

// Retain is Publish of a message that the broker keeps for whoever listens
// later, until another takes its place, a day has passed or the daemon ends; an
// empty one removes it. Somebody who begins to listen is given all that a filter
// names, as fast as it takes them.
func (s *Source) Retain(_ context.Context, topic string, payload []byte) error {
	return s.inject(topic, payload, true)
}

func (s *Source) inject(topic string, payload []byte, retain bool) error {
	s.mu.Lock()
	server, self := s.server, s.self
	s.mu.Unlock()
	if server == nil {
		return errors.New("it does not serve yet")
	}
	return server.InjectPacket(self, packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 1, Retain: retain},
		TopicName:   topic, Payload: payload,
		PacketID: 1, // the library wants one; nothing is acknowledged in here
	})
}

// Run implements source.Source.
func (s *Source) Run(ctx context.Context, sink source.Sink) error {
	return s.Supervisor.Run(ctx, func(ctx context.Context, up func()) error {
		return s.session(ctx, sink, up)
	})
}

func (s *Source) session(ctx context.Context, sink source.Sink, up func()) error {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", s.o.Addr)
	if err != nil {
		return fmt.Errorf("address: must be free and this machine's, is %s: %w", s.o.Addr, err)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	door := newDoor(l, s.o.Each, func(peer string) { s.Drop("too many connections", peer) })

	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumPacketSize = maxPacket
	caps.MaximumClients = maxConns
	caps.ReceiveMaximum = maxReceive
	caps.MaximumInflight = maxInflight
	caps.MaximumClientWritesPending = maxPending
	caps.MaximumSessionExpiryInterval = maxSession
	caps.TopicAliasMaximum = 0
	caps.SharedSubAvailable = 0
	log := s.o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	server := mqtt.New(&mqtt.Options{Capabilities: caps, Logger: slog.New(quiet{log.With("source", s.Name()).Handler()})})
	h := &hook{s: s, ctx: ctx, sink: sink, server: server}
	s.mu.Lock()
	s.hook = h
	s.mu.Unlock()
	if err := server.AddHook(h, nil); err != nil {
		l.Close()
		return err
	}
	if err := server.AddListener(&porter{door: door, server: server}); err != nil {
		l.Close()
		return err
	}
	if err := server.Serve(); err != nil {
		l.Close()
		return err
	}
	// It bypasses the users' rights, and is in no list of clients.
	s.bound(l.Addr().String(), server, server.NewClient(nil, mqtt.LocalListener, "daemon", true))
	defer s.bound("", nil, nil)
	up()

	select {
	case <-ctx.Done():
		err = ctx.Err()
	case err = <-door.failed:
	}
	cancel()       // publishers that wait for the sink wait no longer
	l.Close()      // nobody new
	server.Close() // closes the door, and with it who is still in
	return err
}

// take hands one pack on. Its error means that it was not taken. A publisher's
// retain flag asks the broker to keep the pack for later subscribers as well;
// here, on arrival, the pack is news all the same.
func (s *Source) take(ctx context.Context, sink source.Sink, rig string, payload []byte) error {
	at := s.o.Clock.Now()
	msgs, drops := wire.ParsePack(payload, rig)
	return s.Deliver(ctx, sink, rig, at, msgs, drops)
}
