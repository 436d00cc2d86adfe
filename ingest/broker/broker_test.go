package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/ingest/source"
	"yardtally/meter"
)

const pack = `[{"bn":"heron/","bt":1790000000.2,"n":"pulses","u":"count","v":184223},{"n":"uptime","u":"s","v":93812.4}]`

// patience bounds every wait for something that must come.
const patience = 30 * time.Second

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

func (c collector) next(t *testing.T) source.Arrival {
	t.Helper()
	select {
	case a := <-c:
		return a
	case <-time.After(patience):
		t.Fatal("nothing arrives")
		return source.Arrival{}
	}
}

type logBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func options() Options {
	return Options{Name: "broker", Addr: "127.0.0.1:0", Prefix: "yard", Rigs: []string{"heron", "linnet"}, Clock: source.SystemClock{}}
}

func start(t *testing.T, o Options, sink source.Sink) *Source {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, sink) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			t.Error("the broker does not stop")
		}
		if s.State().Phase != source.Stopped || s.Addr() != "" {
			t.Errorf("stopped: %+v at %q", s.State(), s.Addr())
		}
	})
	await(t, s, "open", func(st source.State) bool { return st.Phase == source.Open })
	return s
}

func await(t *testing.T, s *Source, what string, ok func(source.State) bool) {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if ok(s.State()) {
			return
		}
	}
	t.Fatalf("never %s: %+v", what, s.State())
}

func dropped(reason string) func(source.State) bool {
	return func(st source.State) bool { return st.Dropped[reason] > 0 }
}

func clientOptions(s *Source, id, user, password string) *mqtt.ClientOptions {
	return mqtt.NewClientOptions().AddBroker("tcp://" + s.Addr()).SetProtocolVersion(4).
		SetClientID(id).SetUsername(user).SetPassword(password).
		SetAutoReconnect(false).SetConnectTimeout(patience)
}

func connect(t *testing.T, o *mqtt.ClientOptions) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(o)
	if err := mqtt.WaitTokenTimeout(c.Connect(), patience); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

func publish(t *testing.T, c mqtt.Client, topic string, qos byte, retain bool, payload string) {
	t.Helper()
	if err := mqtt.WaitTokenTimeout(c.Publish(topic, qos, retain, payload), patience); err != nil {
		t.Fatal(err)
	}
}

func TestReadingsReachTheSink(t *testing.T) {
	sink := make(collector, 10)
	s := start(t, options(), sink)
	c := connect(t, clientOptions(s, "a", "", ""))
	for qos := range byte(3) {
		publish(t, c, "yard/heron/readings", qos, false, pack)
		a := sink.next(t)
		r := a.Records[0]
		if p, _ := r.Value(meter.Pulses); a.Rig != "heron" || len(a.Records) != 1 || p != 184223 || r.Source != "broker" ||
			r.Sent != 1_790_000_000_200_000_000 || r.Mono == 0 || r.Wall == 0 {
			t.Errorf("QoS %d: %+v", qos, a)
		}
	}
	publish(t, c, "yard/linnet/readings", 1, false, strings.ReplaceAll(pack, "heron", "linnet"))
	if a := sink.next(t); a.Rig != "linnet" {
		t.Errorf("got %+v", a)
	}
	// None of these is a reading of the topic's rig; the last one shows that they are through.
	publish(t, c, "yard/linnet/readings", 1, false, pack)
	publish(t, c, "yard/wren/readings", 1, false, pack)
	publish(t, c, "yard/heron/readings", 1, false, "{}")
	publish(t, c, "somewhere/else", 1, false, pack)
	publish(t, c, "yard/heron/readings", 1, false, strings.Replace(pack, "184223", "184224", 1))
	if p, _ := sink.next(t).Records[0].Value(meter.Pulses); p != 184224 {
		t.Errorf("got pulses %v", p)
	}
	// A board that asks for its packs to be kept is heard when it publishes, and
	// is not heard again when the broker hands the kept pack to a subscriber.
	publish(t, c, "yard/heron/readings", 1, true, strings.Replace(pack, "184223", "184225", 1))
	if p, _ := sink.next(t).Records[0].Value(meter.Pulses); p != 184225 {
		t.Errorf("got pulses %v", p)
	}
	st := s.State()
	if st.Messages != 6 || st.Readings != 12 || st.Dropped["another rig"] < 2 || st.Dropped["not a SenML pack"] != 1 {
		t.Errorf("state %+v", st)
	}
}

// gate is a sink that takes nothing until it is opened.
type gate struct {
	asked chan struct{}
	open  chan struct{}
	collector
}

func (g *gate) Put(ctx context.Context, a source.Arrival) error {
	g.asked <- struct{}{}
	select {
	case <-g.open:
		return g.collector.Put(ctx, a)
	case <-ctx.Done():
		return ctx.Err()
	}
}

func TestAcknowledgedOnlyOnceTaken(t *testing.T) {
	g := &gate{make(chan struct{}, 10), make(chan struct{}), make(collector, 10)}
	s := start(t, options(), g)
	c := connect(t, clientOptions(s, "a", "", ""))
	token := c.Publish("yard/heron/readings", 1, false, pack)
	<-g.asked
	select {
	case <-token.Done():
		t.Error("acknowledged before the sink took it")
	case <-time.After(50 * time.Millisecond): // room for a wrong PUBACK to arrive
	}
	close(g.open)
	if err := mqtt.WaitTokenTimeout(token, patience); err != nil {
		t.Error(err)
	}
	g.next(t)
}

// failing is a sink that cannot take the first.
type failing struct {
	once sync.Once
	collector
}

func (f *failing) Put(ctx context.Context, a source.Arrival) (err error) {
	f.once.Do(func() { err = errors.New("no room") })
	if err != nil {
		return err
	}
	return f.collector.Put(ctx, a)
}

// A pack that was not taken is not acknowledged; its publisher is cut off,
// comes back, and sends it again.
func TestNotTakenComesAgain(t *testing.T) {
	f := &failing{collector: make(collector, 10)}
	s := start(t, options(), f)
	c := connect(t, clientOptions(s, "a", "", "").SetCleanSession(false).SetAutoReconnect(true).SetMaxReconnectInterval(time.Second))
	publish(t, c, "yard/heron/readings", 1, false, pack)
	if p, _ := f.next(t).Records[0].Value(meter.Pulses); p != 184223 {
		t.Errorf("pulses %v", p)
	}
}

func TestStopsWhileTheSinkIsBusy(t *testing.T) {
	g := &gate{make(chan struct{}, 10), make(chan struct{}), make(collector)}
	s := start(t, options(), g)
	c := connect(t, clientOptions(s, "a", "", ""))
	c.Publish("yard/heron/readings", 1, false, pack)
	<-g.asked
	// A stranger who never says a word must not hold it up either.
	n, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer n.Close()
} // start's clean-up waits for the stop

// At the end every client is told so, in the words of MQTT 5.0 (section 3.14.2.1:
// 0x8B, server shutting down), and one that takes nothing does not hold up more
// than the goodbye.
func TestClientsAreToldOfTheEnd(t *testing.T) {
	told := make([]net.Conn, 5)
	t.Run("life", func(t *testing.T) {
		s := start(t, options(), make(collector, 10))
		for i := range told {
			c, err := net.Dial("tcp", s.Addr())
			if err != nil {
				t.Fatal(err)
			}
			told[i] = c
			c.SetDeadline(time.Now().Add(patience))
			io.WriteString(c, packet(0x10, text("MQTT"), "\x05\x02\x00\x3c\x00", text(fmt.Sprint("five", i))))
			var kind [2]byte
			if _, err := io.ReadFull(c, kind[:]); err != nil || kind[0] != 0x20 {
				t.Fatalf("%x %v", kind, err)
			}
			if _, err := io.CopyN(io.Discard, c, int64(kind[1])); err != nil {
				t.Fatal(err)
			}
		}
		stuck := dial(t, s, "127.4.0.9")
		stuck.(*net.TCPConn).SetReadBuffer(4096)
		if signIn(stuck, "stuck", "", "", true) != 0 {
			t.Fatal("not signed in")
		}
		io.WriteString(stuck, packet(0x82, "\x00\x01", text("else/#"), "\x00"))
		loud := connect(t, clientOptions(s, "loud", "", ""))
		for range 200 {
			publish(t, loud, "else/loud", 1, false, strings.Repeat("x", 60<<10))
		}
	})
	for i, c := range told {
		got, err := io.ReadAll(c)
		if len(got) < 3 || got[0] != 0xe0 || got[2] != 0x8b {
			t.Errorf("client %d heard %x, %v", i, got, err)
		}
		c.Close()
	}
}

func named() Options {
	o := options()
	o.Users = []User{
		{Name: "ann", Password: "ann-secret", Rig: "heron"}, {Name: "ben", Password: "ben-secret", Rig: "linnet"},
		{Name: "reader", Password: "reader-secret"}, {Name: "shed", Password: "shed-secret", Rig: "heron", ReadOnly: true},
	}
	return o
}

func TestNamedUsers(t *testing.T) {
	var log logBuffer
	o := named()
	o.Log = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	sink := make(collector, 10)
	s := start(t, o, sink)
	for _, c := range []struct{ user, password string }{
		{"", ""}, {"ann", ""}, {"ann", "ben-secret"}, {"nobody", "typed-secret"}, {"nobody", ""},
	} {
		cl := mqtt.NewClient(clientOptions(s, "x", c.user, c.password))
		if err := mqtt.WaitTokenTimeout(cl.Connect(), patience); err == nil {
			cl.Disconnect(0)
			t.Errorf("%q with %q gets in", c.user, c.password)
		}
	}
	if n := s.State().Dropped["sign-in refused"]; n != 5 {
		t.Errorf("%d refusals counted", n)
	}

	reader := connect(t, clientOptions(s, "r", "reader", "reader-secret"))
	heard := make(chan string, 10)
	sub := reader.Subscribe("yard/#", 1, func(_ mqtt.Client, m mqtt.Message) { heard <- m.Topic() }).(*mqtt.SubscribeToken)
	if err := mqtt.WaitTokenTimeout(sub, patience); err != nil || sub.Result()["yard/#"] != 1 {
		t.Errorf("subscription under the prefix: %v, %v", err, sub.Result())
	}
	for _, filter := range []string{"#", "$SYS/#", "other", "+/heron/readings"} {
		sub := reader.Subscribe(filter, 1, nil).(*mqtt.SubscribeToken)
		if mqtt.WaitTokenTimeout(sub, patience); sub.Result()[filter] != 0x80 {
			t.Errorf("subscription of %s: %v", filter, sub.Result())
		}
	}

	ann := connect(t, clientOptions(s, "ann", "ann", "ann-secret"))
	publish(t, ann, "yard/heron/readings", 1, false, pack)
	if a := sink.next(t); a.Rig != "heron" {
		t.Errorf("got %+v", a)
	}
	select {
	case topic := <-heard:
		if topic != "yard/heron/readings" {
			t.Errorf("heard %s", topic)
		}
	case <-time.After(patience):
		t.Error("the reader hears nothing")
	}
	// Another rig's topic, another topic of one's own, and anything of a reader's:
	// MQTT 3.1.1 knows no refusal, so the broker cuts the connection.
	for i, c := range []struct{ user, topic string }{
		{"ann", "yard/linnet/readings"}, {"ben", "yard/heron/readings"}, {"ann", "yard/heron/orders"},
		{"reader", "yard/heron/readings"}, {"shed", "yard/heron/readings"}, {"shed", "yard/heron/results/left"},
		{"reader", "yard/heron/results/left"}, {"ann", "yard/heron/results/left"},
	} {
		lost := make(chan struct{})
		cl := connect(t, clientOptions(s, fmt.Sprint("t", i), c.user, c.user+"-secret").
			SetConnectionLostHandler(func(mqtt.Client, error) { close(lost) }))
		cl.Publish(c.topic, 1, false, pack)
		select {
		case <-lost:
		case <-time.After(patience):
			t.Errorf("%s publishes to %s", c.user, c.topic)
		}
	}
	will := mqtt.NewClient(clientOptions(s, "w", "ann", "ann-secret").SetWill("yard/linnet/readings", pack, 1, true))
	if err := mqtt.WaitTokenTimeout(will.Connect(), patience); err == nil {
		will.Disconnect(0)
		t.Error("a will for another rig is taken")
	}
	if len(sink) != 0 {
		t.Errorf("the sink got %+v", <-sink)
	}
	shed := connect(t, clientOptions(s, "shed", "shed", "shed-secret"))
	for filter, want := range map[string]byte{"yard/heron/results/#": 1, "yard/heron/results/yards/+": 1, "yard/linnet/results/#": 0x80, "yard/+/results/#": 0x80} {
		sub := shed.Subscribe(filter, 1, nil).(*mqtt.SubscribeToken)
		if mqtt.WaitTokenTimeout(sub, patience); sub.Result()[filter] != want {
			t.Errorf("the shed's subscription of %s: %v, want %x", filter, sub.Result(), want)
		}
	}
	own := connect(t, clientOptions(s, "own", "ann", "ann-secret"))
	for filter, want := range map[string]byte{"yard/heron/readings": 1, "yard/heron/#": 1, "yard/heron/+": 1,
		"yard/linnet/readings": 0x80, "yard/#": 0x80, "yard/+/readings": 0x80, "yard/heron": 0x80, "#": 0x80, "+/+/+": 0x80,
		"$SYS/#": 0x80, "$SYS/broker/version": 0x80, "$share/g/yard/linnet/readings": 0x80, "$SHARE/g/yard/#": 0x80} {
		sub := own.Subscribe(filter, 1, nil).(*mqtt.SubscribeToken)
		mqtt.WaitTokenTimeout(sub, patience)
		for _, got := range sub.Result() { // one; its name is without the $share
			if got != want {
				t.Errorf("ann's subscription of %s: %x, want %x", filter, got, want)
			}
		}
		if len(sub.Result()) != 1 {
			t.Errorf("ann's subscription of %s: %v, want %x", filter, sub.Result(), want)
		}
	}
	if n := s.State().Dropped["not allowed"]; n != 9 {
		t.Errorf("%d counted as not allowed", n)
	}
	if text := log.String() + fmt.Sprint(s.State()); strings.Contains(text, "secret") {
		t.Errorf("a password is logged: %s", text)
	}
}

// The library logs whole packets where one is wrong; a second CONNECT holds a
// password (MQTT 3.1.1, section 3.1: it is a protocol violation).
func TestNoPasswordInTheLibrarysLog(t *testing.T) {
	var log logBuffer
	o := named()
	o.Log = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	s := start(t, o, make(collector, 1))
	n, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer n.Close()
	body := "\x00\x04MQTT\x04\xc2\x00\x3c\x00\x01c\x00\x03ann\x00\x0aann-secret"
	packet := "\x10" + string(rune(len(body))) + body
	if _, err := io.WriteString(n, packet+packet); err != nil {
		t.Fatal(err)
	}
	n.SetReadDeadline(time.Now().Add(patience))
	answer, err := io.ReadAll(n)
	if err != nil || len(answer) < 4 || answer[3] != 0 {
		t.Fatalf("answer %x, %v: the first sign-in must be good and the second must end it", answer, err)
	}
	text := log.String()
	if strings.Contains(text, "secret") || strings.Contains(text, fmt.Sprint([]byte("ann-secret"))) {
		t.Errorf("a password is logged: %s", text)
	}
	if !strings.Contains(text, "broker: ") || strings.Contains(text, "level=WARN") {
		t.Errorf("the library's own log is not at debug level: %s", text)
	}
}

func TestBounds(t *testing.T) {
	sink := make(collector, 10)
	s := start(t, options(), sink)
	c := connect(t, clientOptions(s, "a", "", ""))
	publish(t, c, "yard/heron/readings", 1, false, strings.Repeat(" ", 66<<10)+pack) // acknowledged, not taken
	if st := s.State(); st.Dropped["too big"] != 1 || len(sink) != 0 {
		t.Errorf("state %+v", st)
	}
	lost := make(chan struct{})
	c = connect(t, clientOptions(s, "b", "", "").SetConnectionLostHandler(func(mqtt.Client, error) { close(lost) }))
	c.Publish("yard/heron/readings", 1, false, strings.Repeat(" ", 1<<20))
	select {
	case <-lost:
	case <-time.After(patience):
		t.Error("a megabyte is read")
	}
	await(t, s, "counted", func(st source.State) bool { return st.Dropped["too big"] == 2 })

	// Strangers up to the bound stay out of the way; those over it are sent off.
	var in []net.Conn
	defer func() {
		for _, n := range in {
			n.Close()
		}
	}()
	for range maxConns + 20 {
		n, err := net.Dial("tcp", s.Addr())
		if err != nil {
			t.Fatal(err)
		}
		in = append(in, n)
	}
	await(t, s, "full", dropped("too many connections"))
	for _, n := range in {
		n.Close()
	}
	in = nil
	for end := time.Now().Add(patience); ; {
		cl := mqtt.NewClient(clientOptions(s, "c", "", ""))
		if err := mqtt.WaitTokenTimeout(cl.Connect(), patience); err == nil {
			publish(t, cl, "yard/heron/readings", 1, false, pack)
			sink.next(t)
			cl.Disconnect(0)
			break
		}
		if time.Now().After(end) {
			t.Fatal("nobody gets in once there is room")
		}
	}
}

func TestAddressTakenIsShownAndMended(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	o := options()
	o.Addr = l.Addr().String()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, make(collector)) }()
	await(t, s, "waiting", func(st source.State) bool { return st.Phase == source.Waiting })
	if st := s.State(); !strings.Contains(st.Err, o.Addr) {
		t.Errorf("state %+v", st)
	}
	l.Close()
	await(t, s, "open", func(st source.State) bool { return st.Phase == source.Open })
	if s.Addr() != o.Addr {
		t.Errorf("at %s", s.Addr())
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// brokenListener fails a few times and then for good.
type brokenListener struct {
	net.Listener
	fails int
}

func (b *brokenListener) Accept() (net.Conn, error) {
	if b.fails > 0 {
		b.fails--
		return nil, errors.New("too many open files")
	}
	return nil, net.ErrClosed
}

func TestDoorSurvivesAFailedAccept(t *testing.T) {
	l := &brokenListener{fails: 2}
	d := newDoor(l, DefaultEach, nil)
	if _, err := d.Accept(); err != net.ErrClosed || l.fails != 0 {
		t.Errorf("gave up with %d fails left: %v", l.fails, err)
	}
	if err := <-d.failed; err != net.ErrClosed {
		t.Errorf("told %v", err)
	}
}

func TestOptions(t *testing.T) {
	for _, addr := range []string{"", "127.0.0.1:0", "[::1]:1883", "localhost:1883", "127.1.2.3:1", "[::ffff:127.0.0.1]:1"} {
		o := options()
		o.Addr = addr
		if _, err := New(o); err != nil {
			t.Errorf("%q without users: %v", addr, err)
		}
	}
	open := func(o *Options) { o.Addr = "0.0.0.0:1883" }
	for _, c := range []struct {
		want  string
		spoil func(*Options)
	}{
		{"users: must be at least one", open},
		{"users: must be at least one", func(o *Options) { o.Addr = ":1883" }},
		{"users: must be at least one", func(o *Options) { o.Addr = "[::]:1883" }},
		{"users: must be at least one", func(o *Options) { o.Addr = "rig.local:1883" }},
		{"users[0].password:", func(o *Options) { open(o); o.Users = []User{{Name: "ann", Password: "", Rig: "heron"}} }},
		{"users[0].name:", func(o *Options) { open(o); o.Users = []User{{Name: "", Password: "x", Rig: "heron"}} }},
		{"users[0].rig:", func(o *Options) { open(o); o.Users = []User{{Name: "ann", Password: "hidden", Rig: "wren"}} }},
		{"users[1].name:", func(o *Options) {
			open(o)
			o.Users = []User{{Name: "ann", Password: "x", Rig: ""}, {Name: "ann", Password: "y", Rig: ""}}
		}},
		{"address:", func(o *Options) { o.Addr = "127.0.0.1" }},
		{"rigs:", func(o *Options) { o.Rigs = nil }},
		{"rig:", func(o *Options) { o.Rigs = []string{"a/b"} }},
		{"prefix:", func(o *Options) { o.Prefix = "" }},
		{"name:", func(o *Options) { o.Name = "" }},
		{"clock:", func(o *Options) { o.Clock = nil }},
	} {
		o := options()
		c.spoil(&o)
		_, err := New(o)
		if err == nil || !strings.HasPrefix(err.Error(), c.want) || strings.Contains(err.Error(), "hidden") {
			t.Errorf("want %s, got %v", c.want, err)
		}
	}
	o := named()
	open(&o)
	if _, err := New(o); err != nil {
		t.Errorf("with users: %v", err)
	}
}
