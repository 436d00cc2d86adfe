package gpsd

import (
	"context"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"yardtally/ingest/gpsd/gpsdtest"
	"yardtally/ingest/source"
	"yardtally/meter"
)

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

// until waits for an arrival that has the channel.
func (c collector) until(t *testing.T, ch meter.Channel) meter.Record {
	t.Helper()
	for limit := time.After(30 * time.Second); ; {
		select {
		case a := <-c:
			if a.Rig != "heron" || len(a.Records) != 1 {
				t.Fatalf("arrival %+v", a)
			}
			if _, ok := a.Records[0].Value(ch); ok {
				return a.Records[0]
			}
		case <-limit:
			t.Fatalf("no %v arrives", ch)
		}
	}
}

func start(t *testing.T, addr, device string) (*Source, collector) {
	t.Helper()
	s, err := New(Options{Name: "gpsd", Address: addr, Device: device, Rig: "heron", Clock: source.SystemClock{}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	sink := make(collector, 1000)
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, sink) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	return s, sink
}

func await(t *testing.T, s *Source, what string, ok func(source.State) bool) source.State {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if st := s.State(); ok(st) {
			return st
		}
	}
	t.Fatalf("never %s: %+v", what, s.State())
	return source.State{}
}

func isOpen(st source.State) bool { return st.Phase == source.Open }

// A gpsd that is not of our making reads NMEA 0183 from a receiver, and we hear
// from it where that is; it starts again, and so do we.
func TestGpsd(t *testing.T) {
	d := gpsdtest.Start(t)
	s, sink := start(t, d.Addr, d.Device)
	await(t, s, "open", isOpen)
	// As a receiver speaks, once a second (gpsd tells a cycle by its pauses).
	second := 0
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for ; ; second++ {
			select {
			case <-stop:
				return
			case <-time.After(100 * time.Millisecond):
			}
			// 47°17.11437' is 47.2852395°, 8°33.91522' is 8.5652537° (÷ 60).
			at := fmt.Sprintf("2130%02d.00", second%60)
			d.Say("GPGGA,%s,4717.11437,N,00833.91522,E,1,08,1.01,499.6,M,48.0,M,,", at)
			d.Say("GPGSA,A,3,01,04,07,08,11,16,20,27,,,,,1.91,1.01,1.62")
			// gpsd tells a dilution with the satellites in view only.
			d.Say("GPGSV,2,1,08,01,40,083,46,04,17,308,41,07,07,344,39,08,22,228,45")
			d.Say("GPGSV,2,2,08,11,55,121,47,16,31,190,44,20,12,050,40,27,66,270,48")
			d.Say("GPRMC,%s,A,4717.11437,N,00833.91522,E,0.05,10.3,091026,,,A", at)
		}
	}()
	defer func() { close(stop); <-stopped }()
	check := func() {
		t.Helper()
		r := sink.until(t, meter.UTC)
		lat, _ := r.Value(meter.Lat)
		lon, _ := r.Value(meter.Lon)
		utc, _ := r.Value(meter.UTC)
		if lat < 47.285238 || lat > 47.285241 || lon < 8.565252 || lon > 8.565255 {
			t.Errorf("position %v", r)
		}
		// gpsd corrects the years of receivers whose weeks have wrapped by its own age
		// at worst; the time of day it cannot mistake.
		if h := int64(utc) % 86400; h < 21*3600+29*60 || h > 21*3600+31*60 {
			t.Errorf("time %v", time.Unix(int64(utc), 0).UTC())
		}
		if r.Source != "gpsd" || r.Mono == 0 || r.Sent != 0 {
			t.Errorf("record %+v", r)
		}
	}
	check()
	r := sink.until(t, meter.HDOP)
	if h, _ := r.Value(meter.HDOP); h != 1.01 {
		t.Errorf("dilution %v", h)
	}
	d.Stop()
	st := await(t, s, "waiting", func(st source.State) bool { return st.Phase == source.Waiting })
	if !strings.Contains(st.Err, d.Addr) {
		t.Errorf("state %+v", st)
	}
	d.Serve()
	for len(sink) > 0 {
		<-sink
	}
	check()
	if t.Failed() {
		t.Log(d.Said(), s.State())
	}
}

// fake is a gpsd of ours, for what a real one seldom does.
func fake(t *testing.T, serve func(n int, c net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	t.Cleanup(func() { l.Close(); <-ended })
	go func() {
		defer close(ended)
		for n := 0; ; n++ {
			c, err := l.Accept()
			if err != nil {
				return
			}
			serve(n, c)
			c.Close()
		}
	}()
	return l.Addr().String()
}

const (
	hello = `{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}` + "\r\n"
	place = `{"class":"TPV","device":"/dev/ttyACM0","mode":3,"lat":47.25,"lon":8.5}` + "\r\n"
)

// hold keeps a connection until the other end lets go of it.
func hold(c net.Conn) { io.Copy(io.Discard, c) }

func TestTraps(t *testing.T) {
	addr := fake(t, func(n int, c net.Conn) {
		io.WriteString(c, hello)
		switch n {
		case 0: // all that can be wrong with lines, and a whole one after it
			io.WriteString(c, `{"class":"DEVICES","devices":[]}`+"\r\n"+`{"class":"TPV","mode":1}`+"\r\n"+`{"class":"TPV","mo`+"\r\n\r\n")
			io.WriteString(c, `{"class":"SKY","x":"`+strings.Repeat("y", 5*MaxLine)+`"}`+"\r\n")
			io.WriteString(c, place[:30])
			time.Sleep(50 * time.Millisecond) // half a line and a pause is no end of a line
			io.WriteString(c, place[30:])
			hold(c)
		}
	})
	s, sink := start(t, addr, "")
	r := sink.until(t, meter.Lat)
	if v, _ := r.Value(meter.Lat); v != 47.25 {
		t.Errorf("record %+v", r)
	}
	st := await(t, s, "counted", func(st source.State) bool { return st.Messages == 1 })
	for reason, n := range map[string]uint64{"no receiver at gpsd": 1, "no position fix": 1, "not a gpsd report": 1, "line too long": 1} {
		if st.Dropped[reason] != n {
			t.Errorf("%s: %d, want %d (%v)", reason, st.Dropped[reason], n, st.Dropped)
		}
	}
}

// A connection that is cut in the middle of a report gives nothing of that
// report; the next one does.
func TestCut(t *testing.T) {
	addr := fake(t, func(n int, c net.Conn) {
		io.WriteString(c, hello)
		if n == 0 {
			b := make([]byte, 100)
			c.Read(b) // what asks to watch
			io.WriteString(c, strings.TrimSuffix(place, "\r\n"))
			return
		}
		io.WriteString(c, strings.Replace(place, "47.25", "48.25", 1))
		hold(c)
	})
	s, sink := start(t, addr, "")
	if v, _ := func() (float64, bool) { r := sink.until(t, meter.Lat); return r.Value(meter.Lat) }(); v != 48.25 {
		t.Errorf("a report that was cut off was taken for whole: %v", v)
	}
	if st := s.State(); st.Failures != 1 {
		t.Errorf("state %+v", st)
	}
}

// What is no gpsd is told, by its address.
func TestNoGpsd(t *testing.T) {
	for _, c := range []struct{ says, want string }{
		{"SSH-2.0-x\r\n", `must say its version first, as gpsd does, says "SSH-2.0-x"`},
		{`{"class":"TPV"}` + "\r\n", "must say its version first"},
		{strings.Replace(hello, `"proto_major":3`, `"proto_major":2`, 1), "proto_major: must be 3, is 2"},
		{strings.Repeat("x", 2*MaxLine), "must say its version first"},
		{"", "must say its version first, as gpsd does, and says nothing"},
	} {
		addr := fake(t, func(_ int, conn net.Conn) { io.WriteString(conn, c.says) })
		s, _ := start(t, addr, "")
		st := await(t, s, "failed", func(st source.State) bool { return st.Failures > 0 })
		if !strings.Contains(st.Err, addr) || !strings.Contains(st.Err, c.want) {
			t.Errorf("%q: %s", c.says[:min(len(c.says), 20)], st.Err)
		}
		if err := Check(t.Context(), addr); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: check says %v", c.says[:min(len(c.says), 20)], err)
		}
	}
	if err := Check(t.Context(), fake(t, func(_ int, c net.Conn) { io.WriteString(c, hello) })); err != nil {
		t.Errorf("a gpsd: %v", err)
	}
	if err := Check(t.Context(), "127.0.0.1:1"); err == nil || !strings.Contains(err.Error(), "127.0.0.1:1: no gpsd answers there") {
		t.Errorf("nobody: %v", err)
	}
}

// Whoever takes a connection and says nothing is not waited for for ever.
func TestMute(t *testing.T) {
	s, err := New(Options{Name: "gpsd", Address: fake(t, func(_ int, c net.Conn) { hold(c) }), Rig: "heron", Clock: source.SystemClock{}})
	if err != nil {
		t.Fatal(err)
	}
	s.greetWait = 20 * time.Millisecond
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, make(collector)) }()
	st := await(t, s, "failed", func(st source.State) bool { return st.Failures > 0 })
	if !strings.Contains(st.Err, "says nothing") {
		t.Errorf("state %+v", st)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestOptions(t *testing.T) {
	good := Options{Name: "gpsd", Address: DefaultAddress, Rig: "heron", Clock: source.SystemClock{}}
	if _, err := New(good); err != nil {
		t.Error(err)
	}
	for field, spoil := range map[string]func(*Options){
		"name":    func(o *Options) { o.Name = "" },
		"address": func(o *Options) { o.Address = "here" },
		"device":  func(o *Options) { o.Device = "/dev/tty\nACM0" },
		"rig":     func(o *Options) { o.Rig = "a/b" },
		"clock":   func(o *Options) { o.Clock = nil },
	} {
		o := good
		spoil(&o)
		if _, err := New(o); err == nil || !strings.HasPrefix(err.Error(), field+":") {
			t.Errorf("%s: %v", field, err)
		}
	}
}
