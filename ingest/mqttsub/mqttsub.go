// Package mqttsub brings SenML packs of a rig, or of several by one
// subscription, from any MQTT broker.
//
// The session at the broker is persistent and the subscription QoS 1: what is
// published while the daemon is away arrives later. A pack is acknowledged
// only after the sink has taken it, so that one not taken is sent again; the
// same pack may therefore come twice.
package mqttsub

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"slices"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
)

const (
	answerWait = 10 * time.Second // for the broker to take a connection or a subscription
	keepAlive  = 20 * time.Second // between pings
	lookAgain  = time.Second      // between looks at whether the connection is open
	byeWait    = 250              // ms for a clean disconnect
)

// Options say which broker, and whose readings come from it.
type Options struct {
	Name     string // the source's name, e.g. "mqtt"
	URL      string // tcp://host:port, ssl://host:port, ws://host:port/path or wss://…
	ClientID string // names the session at the broker; one for each daemon, always the same
	Username string
	Password string // never shown
	Prefix   string // of the topic <prefix>/<rig>/readings
	Rig      string
	Rigs     []string    // several, instead of Rig: one subscription, <prefix>/+/readings, brings all of them
	TLS      *tls.Config // for ssl and wss; nil: the system's roots
	// Ask are filters, ending in /#, of what the broker may keep from us; Kept
	// hears, after each connecting, the topics of what it does. It must not block. A broker that
	// refuses to tell is let be.
	Ask   []string
	Kept  func(topic string)
	Clock source.Clock
	Log   *slog.Logger // nil: nowhere
}

// Source is a subscription as a source.Source.
type Source struct {
	o     Options
	url   *url.URL
	topic string            // as it is subscribed to
	rigs  map[string]string // topic to rig
	*source.Supervisor

	mu     sync.Mutex
	client mqtt.Client     // nil while not connected
	while  context.Context // of the connection: ends with it
}

// ports are those that hold where the URL names none.
var ports = map[string]string{
	"tcp": "1883", "mqtt": "1883", "ssl": "8883", "mqtts": "8883", "ws": "80", "wss": "443",
}

// New checks the options and returns the source; it connects to nothing yet.
// The error names the option, the rule and the value.
func New(o Options) (*Source, error) {
	switch {
	case o.Name == "":
		return nil, errors.New(`name: must not be empty, is ""`)
	case o.ClientID == "":
		return nil, errors.New(`client id: must not be empty, is ""`)
	case o.Password != "" && o.Username == "":
		return nil, errors.New(`username: must be set where a password is, is ""`)
	case o.Clock == nil:
		return nil, errors.New("clock: must be given, is nil")
	}
	u, err := parseURL(o.URL)
	if err != nil {
		return nil, err
	}
	s := &Source{o: o, url: u, rigs: map[string]string{}, Supervisor: source.NewSupervisor(o.Name, o.Log, nil)}
	switch {
	case len(o.Rigs) == 0:
		s.o.Rigs = []string{o.Rig}
	case o.Rig != "":
		return nil, fmt.Errorf("rig: must not be set beside rigs, is %q", o.Rig)
	}
	for _, rig := range s.o.Rigs {
		if s.topic, err = source.Topic(o.Prefix, rig); err != nil {
			return nil, err
		}
		s.rigs[s.topic] = rig
	}
	if len(s.o.Rigs) > 1 {
		s.topic = o.Prefix + "/+/readings"
	}
	return s, nil
}

func parseURL(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	if err != nil {
		var ue *url.Error // its text holds the whole URL, perhaps with a password
		if errors.As(err, &ue) {
			err = ue.Err
		}
		return nil, fmt.Errorf("url: must be like tcp://host:1883: %w", err)
	}
	switch {
	case u.User != nil:
		return nil, errors.New("url: must hold no user or password; set username and password instead")
	case ports[u.Scheme] == "" || u.Hostname() == "":
		return nil, fmt.Errorf("url: must begin with tcp://, ssl://, ws:// or wss:// and a host, is %q", s)
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), ports[u.Scheme])
	}
	return u, nil
}

// Run implements source.Source.
func (s *Source) Run(ctx context.Context, sink source.Sink) error {
	return s.Supervisor.Run(ctx, func(ctx context.Context, up func()) error {
		if err := s.session(ctx, sink, up); err != nil {
			return fmt.Errorf("%s: %w", s.url.Host, err)
		}
		return nil
	})
}

// session is one connection. The library's own reconnecting stays off: a new
// client has no memory but the broker's, which is the one that holds what was
// not acknowledged.
func (s *Source) session(ctx context.Context, sink source.Sink, up func()) error {
	ctx, end := context.WithCancelCause(ctx)
	defer end(nil)

	var taking sync.Mutex // held while a message is handed on
	handler := func(_ mqtt.Client, m mqtt.Message) {
		taking.Lock()
		defer taking.Unlock()
		if ctx.Err() != nil {
			return // not acknowledged, so the broker sends it again
		}
		if err := s.take(ctx, sink, m); err != nil {
			end(err)
			return
		}
		m.Ack()
	}
	o := mqtt.NewClientOptions().AddBroker(s.url.String()).
		SetProtocolVersion(4). // MQTT 3.1.1; else a refusal is tried again as 3.1
		SetClientID(s.o.ClientID).SetUsername(s.o.Username).SetPassword(s.o.Password).
		SetCleanSession(false).SetAutoReconnect(false).SetConnectRetry(false).
		SetOrderMatters(true).SetAutoAckDisabled(true).
		SetKeepAlive(keepAlive).SetPingTimeout(answerWait).
		SetConnectTimeout(answerWait).SetWriteTimeout(answerWait).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return s.dial(ctx) }).
		// Not a route of the subscription: messages that waited come before it is renewed.
		SetDefaultPublishHandler(handler).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { end(fmt.Errorf("connection lost: %w", err)) }).
		SetOnConnectHandler(func(c mqtt.Client) { // not an ordered handler: it may wait
			if err := s.subscribe(c); err != nil {
				end(err)
				return
			}
			s.connected(ctx, c)
			up()
			s.ask(ctx, c)
		})
	client := mqtt.NewClient(o)
	connect := client.Connect()
	defer func() {
		end(nil)
		s.connected(ctx, nil)
		client.Disconnect(byeWait)
		taking.Lock() // a message under way ends before the next session begins
		defer taking.Unlock()
	}()
	select {
	case <-connect.Done():
		err := connect.Error()
		if errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword) || errors.Is(err, packets.ErrorRefusedNotAuthorised) {
			return fmt.Errorf("the broker refuses username %q or its password: %w", s.o.Username, err)
		}
		if err != nil {
			return err
		}
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	look := time.NewTicker(lookAgain)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-look.C:
			if !client.IsConnectionOpen() {
				return errors.New("connection lost")
			}
		}
	}
}

// connected notes the client of the session of ctx; nil: it has ended. That a
// session is open which has ended meanwhile is no news.
func (s *Source) connected(ctx context.Context, c mqtt.Client) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if c == nil || ctx.Err() == nil {
		s.client, s.while = c, ctx
	}
}

// Publish sends a message at QoS 1, not retained, and waits until the broker
// has it. It fails while there is no connection, or where that ends before the
// broker has answered; nothing is sent later.
func (s *Source) Publish(ctx context.Context, topic string, payload []byte) error {
	return s.publish(ctx, topic, payload, false)
}

// Retain is Publish of a message that the broker keeps for whoever listens later.
func (s *Source) Retain(ctx context.Context, topic string, payload []byte) error {
	return s.publish(ctx, topic, payload, true)
}

func (s *Source) publish(ctx context.Context, topic string, payload []byte, retain bool) error {
	s.mu.Lock()
	c, while := s.client, s.while
	s.mu.Unlock()
	if c == nil || !c.IsConnectionOpen() {
		return fmt.Errorf("%s: not connected", s.url.Host)
	}
	t := c.Publish(topic, 1, retain, payload)
	select {
	case <-t.Done():
		return t.Error()
	case <-while.Done(): // the library lets wait for ever who came just before
		return fmt.Errorf("%s: connection lost before the answer to what was published to %s", s.url.Host, topic)
	case <-ctx.Done():
		return fmt.Errorf("%s: no answer to what was published to %s: %w", s.url.Host, topic, ctx.Err())
	}
}

// dial opens the connection below MQTT, which the context's end closes while
// the broker has not yet answered.
func (s *Source) dial(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, answerWait)
	defer cancel()
	var c net.Conn
	var err error
	switch s.url.Scheme {
	case "ws", "wss":
		c, err = mqtt.NewWebsocket(s.url.String(), s.o.TLS, answerWait, nil, nil)
	case "ssl", "mqtts":
		d := tls.Dialer{Config: s.o.TLS}
		c, err = d.DialContext(ctx, "tcp", s.url.Host)
	default:
		var d net.Dialer
		c, err = d.DialContext(ctx, "tcp", s.url.Host)
	}
	if err != nil {
		return nil, err
	}
	return newBoundedConn(c), nil
}

func (s *Source) subscribe(c mqtt.Client) error {
	t := c.Subscribe(s.topic, 1, nil).(*mqtt.SubscribeToken)
	if !t.WaitTimeout(answerWait) {
		return fmt.Errorf("no answer to the subscription of %s", s.topic)
	}
	if err := t.Error(); err != nil {
		return fmt.Errorf("subscription of %s: %w", s.topic, err)
	}
	if code := t.Result()[s.topic]; code > 2 { // MQTT 3.1.1, 3.9.3: 0x80 is failure
		return fmt.Errorf("the broker refuses the subscription of %s", s.topic)
	}
	return nil
}

// askFor is how long the broker has to tell what it keeps: it does so before
// anything else. Judgement.
const askFor = 10 * time.Second

// ask has Kept told what the broker keeps. At QoS 0, so that the session gathers
// nothing of it while nobody is there; and for a while only, since what we
// publish comes back by it.
func (s *Source) ask(ctx context.Context, c mqtt.Client) {
	if len(s.o.Ask) == 0 || s.o.Kept == nil {
		return
	}
	filters := map[string]byte{}
	for _, f := range s.o.Ask {
		filters[f] = 0
	}
	t := c.SubscribeMultiple(filters, func(_ mqtt.Client, m mqtt.Message) {
		if m.Retained() && len(m.Payload()) > 0 {
			s.o.Kept(m.Topic())
		}
		m.Ack()
	})
	t.WaitTimeout(answerWait)
	select {
	case <-time.After(askFor):
		c.Unsubscribe(s.o.Ask...)
	case <-ctx.Done():
	}
}

// asked reports whether a topic is of the filters in Ask.
func (s *Source) asked(topic string) bool {
	return slices.ContainsFunc(s.o.Ask, func(f string) bool { return wire.TopicMatches(f, topic) })
}

// take hands one pack on. Its error means that it was not taken.
func (s *Source) take(ctx context.Context, sink source.Sink, m mqtt.Message) error {
	at := s.o.Clock.Now()
	rig, ours := s.rigs[m.Topic()]
	switch {
	case s.asked(m.Topic()): // our own word, from about the time of asking
	case !ours && len(s.o.Rigs) > 1:
		s.Drop(string(wire.OtherRig), fmt.Sprintf("topic %q: is of none of the rigs that are set", m.Topic()))
	case !ours:
		s.Drop("another topic", m.Topic())
	case m.Retained():
		s.Drop(source.DropRetained, "the broker kept this pack from some earlier time")
	default:
		msgs, drops := wire.ParsePack(m.Payload(), rig)
		return s.Deliver(ctx, sink, rig, at, msgs, drops)
	}
	return nil
}
