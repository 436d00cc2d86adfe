package mqttsub

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
	"yardtally/meter"
)

const topic = "yard/heron/readings"

// patience bounds every wait for something that must come.
const patience = 30 * time.Second

func pack(pulses int) string {
	return fmt.Sprintf(`[{"bn":"heron/","bt":1790000000.2,"n":"pulses","u":"count","v":%d}]`, pulses)
}

// collector is a sink that hands over what it is given.
type collector chan source.Arrival

func (c collector) Put(ctx context.Context, a source.Arrival) error {
	select {
	case c <- a:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (c collector) pulses(t *testing.T) int {
	t.Helper()
	select {
	case a := <-c:
		p, ok := a.Records[0].Value(meter.Pulses)
		if r := a.Records[0]; !ok || a.Rig != "heron" || len(a.Records) != 1 || r.Source != "mqtt" || r.Mono == 0 || r.Wall == 0 {
			t.Errorf("arrival %+v", a)
		}
		return int(p)
	case <-time.After(patience):
		t.Fatal("nothing arrives")
		return 0
	}
}

func (c collector) want(t *testing.T, pulses int) {
	t.Helper()
	if got := c.pulses(t); got != pulses {
		t.Errorf("got pulses %d, want %d", got, pulses)
	}
}

// wantAfter is want where what came before may come again: a subscriber that
// stops may not have acknowledged what it has kept.
func (c collector) wantAfter(t *testing.T, pulses int) {
	t.Helper()
	got := c.pulses(t)
	for got < pulses {
		got = c.pulses(t)
	}
	if got != pulses {
		t.Errorf("got pulses %d, want %d", got, pulses)
	}
}

// letIn is the test broker's door: who may come in, and with what.
type letIn struct {
	broker.HookBase
	password atomic.Value  // string; "" lets everybody in
	shut     atomic.Value  // string: the client id that is kept out
	dawdles  time.Duration // with a message in hand for a subscriber, which it has acknowledged
}

func (*letIn) ID() string { return "let in" }
func (*letIn) Provides(b byte) bool {
	return b == broker.OnConnectAuthenticate || b == broker.OnACLCheck
}
func (l *letIn) OnACLCheck(_ *broker.Client, _ string, write bool) bool {
	if !write {
		time.Sleep(l.dawdles)
	}
	return true
}
func (l *letIn) OnConnectAuthenticate(cl *broker.Client, pk packets.Packet) bool {
	want, _ := l.password.Load().(string)
	return cl.ID != l.shut.Load() && (want == "" || cl.ID == "rig" || string(pk.Connect.Password) == want)
}

// serve starts a broker at addr and returns where it listens, and its stop.
func serve(t *testing.T, addr string, hook *letIn) (string, func()) {
	t.Helper()
	s := broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := s.AddHook(hook, nil); err != nil {
		t.Fatal(err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "t", Address: addr})
	if err := s.AddListener(l); err != nil {
		t.Fatal(err)
	}
	if err := s.Serve(); err != nil {
		t.Fatal(err)
	}
	stop := sync.OnceFunc(func() { s.Close() })
	t.Cleanup(stop)
	return l.Address(), stop
}

// dawdle is longer than a subscriber takes to leave and to come back.
const dawdle = 500 * time.Millisecond

func options(addr string) Options {
	return Options{
		Name: "mqtt", URL: "tcp://" + addr, ClientID: "desk", Prefix: "yard", Rig: "heron", Clock: source.SystemClock{},
	}
}

// start runs the source and returns it with its stop.
func start(t *testing.T, o Options, sink source.Sink) (*Source, func()) {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, sink) }()
	stop := sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			t.Error("does not stop")
		}
	})
	t.Cleanup(stop)
	return s, stop
}

func await(t *testing.T, s *Source, what string, ok func(source.State) bool) source.State {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if st := s.State(); ok(st) {
			return st
		}
	}
	t.Fatalf("never %s: %+v", what, s.State())
	return source.State{}
}

func isOpen(st source.State) bool { return st.Phase == source.Open }

func publisher(t *testing.T, addr string) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetProtocolVersion(4).SetClientID("rig").
		SetCleanSession(false).SetMaxReconnectInterval(time.Second).
		// A broker that stops may leave a connection open and unanswered.
		SetConnectTimeout(2 * time.Second))
	if err := mqtt.WaitTokenTimeout(c.Connect(), patience); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

func publish(t *testing.T, c mqtt.Client, topic string, retain bool, payload string) {
	t.Helper()
	if err := mqtt.WaitTokenTimeout(c.Publish(topic, 1, retain, payload), patience); err != nil {
		t.Fatal(err)
	}
}

// handedRound waits until what a client published has been handed round: this
// broker acknowledges it before, and with the next acknowledgement that is over.
// What it has in hand for a session at the moment that its client comes back, it
// loses: it puts it into the session as it was.
func handedRound(t *testing.T, c mqtt.Client) {
	t.Helper()
	publish(t, c, "elsewhere", false, "")
}

func TestDelivery(t *testing.T) {
	addr, _ := serve(t, "127.0.0.1:0", &letIn{})
	pub := publisher(t, addr)
	publish(t, pub, topic, true, pack(1)) // kept by the broker: not news
	handedRound(t, pub)                   // and nobody was there
	sink := make(collector, 10)
	s, _ := start(t, options(addr), sink)
	await(t, s, "open", isOpen)
	for n := 2; n < 20; n++ {
		publish(t, pub, topic, false, pack(n))
		sink.want(t, n)
	}
	publish(t, pub, topic, false, pack(19)) // the same again: the ledger's to tell
	sink.want(t, 19)
	publish(t, pub, "yard/linnet/readings", false, pack(20))
	publish(t, pub, topic, false, strings.ReplaceAll(pack(21), "heron", "linnet"))
	publish(t, pub, topic, false, strings.Repeat(" ", 65<<10)+pack(22))
	publish(t, pub, topic, false, strings.Repeat(" ", 5<<20))
	publish(t, pub, topic, false, pack(23))
	sink.want(t, 23)
	st := await(t, s, "counted", func(st source.State) bool { return st.Messages == 20 })
	if st.Readings != 20 || st.Dropped["retained"] != 1 || st.Dropped["too big"] != 2 || st.Dropped["another rig"] != 1 || st.Failures != 0 {
		t.Errorf("state %+v", st)
	}
}

func TestBrokerStopsAndComesBack(t *testing.T) {
	hook := &letIn{}
	addr, stop := serve(t, "127.0.0.1:0", hook)
	pub := publisher(t, addr)
	sink := make(collector, 10)
	s, _ := start(t, options(addr), sink)
	await(t, s, "open", isOpen)
	publish(t, pub, topic, false, pack(1))
	sink.want(t, 1)

	stop()
	st := await(t, s, "failing to come back", func(st source.State) bool { return st.Failures >= 2 && st.Phase == source.Waiting })
	if !strings.Contains(st.Err, addr) {
		t.Errorf("state %+v", st)
	}
	var tokens []mqtt.Token
	for n := 2; n < 5; n++ {
		tokens = append(tokens, pub.Publish(topic, 1, false, pack(n)))
	}
	// The new broker has forgotten everybody; the rig comes in once we have.
	hook.shut.Store("rig")
	serve(t, addr, hook)
	await(t, s, "open again", isOpen)
	hook.shut.Store("")
	got := map[int]bool{}
	for range tokens {
		select {
		case a := <-sink:
			p, _ := a.Records[0].Value(meter.Pulses)
			got[int(p)] = true
		case <-time.After(patience):
			for i, tok := range tokens {
				t.Logf("publish %d: done %v, %v", i, tok.WaitTimeout(0), tok.Error())
			}
			t.Fatalf("got %v; rig connected %v; state %+v", got, pub.IsConnectionOpen(), s.State())
		}
	}
	for i, tok := range tokens {
		if err := mqtt.WaitTokenTimeout(tok, patience); err != nil {
			t.Errorf("publish %d: %v", i, err)
		}
	}
	for n := 2; n < 5; n++ {
		if !got[n] {
			t.Errorf("%d is lost; got %v", n, got)
		}
	}
}

// What is published while the daemon is away waits at the broker.
func TestDaemonAway(t *testing.T) {
	addr, _ := serve(t, "127.0.0.1:0", &letIn{dawdles: dawdle})
	pub := publisher(t, addr)
	sink := make(collector, 10)
	s, stop := start(t, options(addr), sink)
	await(t, s, "open", isOpen)
	stop()
	for n := range 5 {
		publish(t, pub, topic, false, pack(n))
	}
	handedRound(t, pub)
	if len(sink) != 0 {
		t.Fatal("arrives while stopped")
	}
	start(t, options(addr), sink)
	// A broker may bring one again; a lost one is waited for in vain.
	for got := (map[int]bool{}); len(got) < 5; {
		got[sink.pulses(t)] = true
	}
}

// moody is a sink that cannot take the first arrivals.
type moody struct {
	failures atomic.Int32
	collector
}

func (m *moody) Put(ctx context.Context, a source.Arrival) error {
	if m.failures.Add(-1) >= 0 {
		return errors.New("no room")
	}
	return m.collector.Put(ctx, a)
}

func TestNotTakenComesAgain(t *testing.T) {
	addr, _ := serve(t, "127.0.0.1:0", &letIn{})
	pub := publisher(t, addr)
	sink := &moody{collector: make(collector, 10)}
	sink.failures.Store(2)
	s, _ := start(t, options(addr), sink)
	await(t, s, "open", isOpen)
	publish(t, pub, topic, false, pack(7))
	sink.want(t, 7)
	// Two are the sink's. There may be more: this broker counts a packet's
	// identifier of its own and one of ours as the same, so that while it waits
	// for us to take the pack it can refuse the subscription. We try again.
	if st := s.State(); st.Failures < 2 {
		t.Errorf("state %+v", st)
	}
}

// A daemon that stops while the desk is busy leaves the pack with the broker.
func TestStoppedWhileTheSinkIsBusy(t *testing.T) {
	addr, _ := serve(t, "127.0.0.1:0", &letIn{dawdles: dawdle})
	pub := publisher(t, addr)
	busy := make(collector) // nobody takes from it
	s, stop := start(t, options(addr), busy)
	await(t, s, "open", isOpen)
	publish(t, pub, topic, false, pack(1))
	publish(t, pub, topic, false, pack(2))
	handedRound(t, pub)
	stop()
	if st := s.State(); st.Messages != 0 || st.Phase != source.Stopped {
		t.Errorf("state %+v", st)
	}
	sink := make(collector, 10)
	start(t, options(addr), sink)
	if a, b := sink.pulses(t), sink.pulses(t); a+b != 3 {
		t.Errorf("got %d and %d", a, b)
	}
}

func TestWrongPasswordIsShownAndTriedAgain(t *testing.T) {
	hook := &letIn{}
	hook.password.Store("other")
	addr, _ := serve(t, "127.0.0.1:0", hook)
	var mu sync.Mutex
	var log bytes.Buffer
	o := options(addr)
	o.Username, o.Password = "desk", "very-secret"
	o.Log = slog.New(slog.NewTextHandler(writer(func(p []byte) (int, error) {
		mu.Lock()
		defer mu.Unlock()
		return log.Write(p)
	}), &slog.HandlerOptions{Level: slog.LevelDebug}))
	s, stop := start(t, o, make(collector, 1))
	st := await(t, s, "refused twice", func(st source.State) bool { return st.Failures >= 2 && st.Phase == source.Waiting })
	if !strings.Contains(st.Err, addr) || !strings.Contains(st.Err, `refuses username "desk"`) {
		t.Errorf("state %+v", st)
	}
	hook.password.Store("very-secret") // mended at the broker
	await(t, s, "open", isOpen)
	stop()
	mu.Lock()
	defer mu.Unlock()
	if text := log.String() + fmt.Sprint(st); strings.Contains(text, "secret") {
		t.Errorf("the password is logged: %s", text)
	}
}

type writer func([]byte) (int, error)

func (w writer) Write(p []byte) (int, error) { return w(p) }

func TestWebsocket(t *testing.T) {
	s := broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler), InlineClient: true})
	if err := s.AddHook(&letIn{}, nil); err != nil {
		t.Fatal(err)
	}
	free, err := net.Listen("tcp", "127.0.0.1:0") // this listener does not tell which port it chose
	if err != nil {
		t.Fatal(err)
	}
	free.Close()
	l := listeners.NewWebsocket(listeners.Config{ID: "ws", Address: free.Addr().String()})
	if err := s.AddListener(l); err != nil {
		t.Fatal(err)
	}
	if err := s.Serve(); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	o := options("")
	o.URL = "ws://" + l.Address()
	sink := make(collector, 1)
	src, stop := start(t, o, sink)
	await(t, src, "open", isOpen)
	if err := s.Publish(topic, []byte(pack(5)), false, 1); err != nil {
		t.Fatal(err)
	}
	sink.want(t, 5)
	stop()
}

func TestTLS(t *testing.T) {
	// The certificate of the standard library's own test server is for 127.0.0.1.
	borrowed := httptest.NewTLSServer(nil)
	defer borrowed.Close()
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: borrowed.TLS.Certificates})
	if err != nil {
		t.Fatal(err)
	}
	s := broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler), InlineClient: true})
	if err := s.AddHook(&letIn{}, nil); err != nil {
		t.Fatal(err)
	}
	if err := s.AddListener(listeners.NewNet("tls", l)); err != nil {
		t.Fatal(err)
	}
	if err := s.Serve(); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	o := options("")
	o.URL = "ssl://" + l.Addr().String()
	src, stop := start(t, o, make(collector)) // the system does not know who signed it
	st := await(t, src, "refusing", func(st source.State) bool { return st.Failures > 0 && st.Phase == source.Waiting })
	if !strings.Contains(st.Err, "certificate") {
		t.Errorf("state %+v", st)
	}
	stop()
	roots := x509.NewCertPool()
	roots.AddCert(borrowed.Certificate())
	o.TLS = &tls.Config{RootCAs: roots}
	sink := make(collector, 1)
	src, stop = start(t, o, sink)
	await(t, src, "open", isOpen)
	if err := s.Publish(topic, []byte(pack(6)), false, 1); err != nil {
		t.Fatal(err)
	}
	sink.want(t, 6)
	stop()
}

// One subscription brings several rigs, each its own readings; whoever is not
// among them is counted.
func TestSeveralRigs(t *testing.T) {
	addr, _ := serve(t, "127.0.0.1:0", &letIn{})
	o := options(addr)
	o.Rig, o.Rigs = "", []string{"heron", "plover"}
	sink := make(collector, 8)
	s, _ := start(t, o, sink)
	await(t, s, "open", isOpen)
	c := publisher(t, addr)
	for i, rig := range []string{"plover", "heron", "stranger", "plover"} {
		publish(t, c, "yard/"+rig+"/readings", false, strings.ReplaceAll(pack(i), "heron", rig))
	}
	publish(t, c, "yard/heron/readings", false, strings.ReplaceAll(pack(9), "heron", "plover"))
	for _, want := range []struct {
		rig    string
		pulses float64
	}{{"plover", 0}, {"heron", 1}, {"plover", 3}} {
		select {
		case a := <-sink:
			if got, _ := a.Records[0].Value(meter.Pulses); a.Rig != want.rig || got != want.pulses {
				t.Errorf("got %v of %s, want %v of %s", got, a.Rig, want.pulses, want.rig)
			}
		case <-time.After(patience):
			t.Fatal("nothing arrives")
		}
	}
	st := await(t, s, "done", func(st source.State) bool { return st.Dropped[string(wire.OtherRig)] == 2 })
	if st.Messages != 3 {
		t.Errorf("%d messages", st.Messages)
	}
}

func TestOptions(t *testing.T) {
	for in, want := range map[string]string{
		"tcp://b": "b:1883", "mqtt://b:1": "b:1", "ssl://b": "b:8883", "ws://b/mqtt": "b:80", "wss://b": "b:443", "tcp://[::1]": "[::1]:1883",
	} {
		o := options("")
		o.URL = in
		s, err := New(o)
		if err != nil || s.url.Host != want {
			t.Errorf("%s: %v", in, err)
		}
	}
	for _, c := range []struct {
		want  string
		spoil func(*Options)
	}{
		{"url:", func(o *Options) { o.URL = "" }},
		{"url:", func(o *Options) { o.URL = "b:1883" }},
		{"url:", func(o *Options) { o.URL = "ftp://b" }},
		{"url:", func(o *Options) { o.URL = "tcp://u:hidden@b" }},
		{"url:", func(o *Options) { o.URL = "tcp://u:hidden@b:x" }},
		{"name:", func(o *Options) { o.Name = "" }},
		{"client id:", func(o *Options) { o.ClientID = "" }},
		{"username:", func(o *Options) { o.Password = "hidden" }},
		{"prefix:", func(o *Options) { o.Prefix = "#" }},
		{"rig:", func(o *Options) { o.Rig = "" }},
		{"rig:", func(o *Options) { o.Rigs = []string{"plover"} }},
		{"rig:", func(o *Options) { o.Rig, o.Rigs = "", []string{"plover", "a/b"} }},
		{"clock:", func(o *Options) { o.Clock = nil }},
	} {
		o := options("127.0.0.1:1883")
		c.spoil(&o)
		_, err := New(o)
		if err == nil || !strings.HasPrefix(err.Error(), c.want) || strings.Contains(err.Error(), "hidden") {
			t.Errorf("want %s, got %v", c.want, err)
		}
	}
}
