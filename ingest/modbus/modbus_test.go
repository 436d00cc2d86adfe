package modbus

import (
	"context"
	"log/slog"
	"strings"
	"testing"
	"time"

	client "github.com/simonvetter/modbus"

	"yardtally/ingest/modbus/modbustest"
	"yardtally/ingest/modbus/registers"
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

// until waits for a record that is as ok wants it.
func (c collector) until(t *testing.T, what string, ok func(*meter.Record) bool) meter.Record {
	t.Helper()
	for limit := time.After(10 * time.Second); ; {
		select {
		case a := <-c:
			if a.Rig != "heron" || len(a.Records) != 1 {
				t.Fatalf("arrival %+v", a)
			}
			if ok(&a.Records[0]) {
				return a.Records[0]
			}
		case <-limit:
			t.Fatalf("never arrives: %s", what)
		}
	}
}

func (c collector) pulses(t *testing.T, n float64) meter.Record {
	t.Helper()
	return c.until(t, "the count", func(r *meter.Record) bool { v, ok := r.Value(meter.Pulses); return ok && v == n })
}

func (c collector) empty() {
	for len(c) > 0 {
		<-c
	}
}

// The map: count and uptime side by side, temperature elsewhere.
func options(address, port string) Options {
	return Options{Name: "modbus", Address: address, Port: port, Baud: 115200, Parity: "none", Every: LeastEvery, Timeout: 300 * time.Millisecond,
		Registers: []registers.Register{
			{Channel: meter.Pulses, UnitID: 1, Address: 100, Type: registers.U32, Scale: 1, Unit: "count"},
			{Channel: meter.Uptime, UnitID: 1, Address: 102, Type: registers.U32, Scale: 1, Unit: "ms"},
			{Channel: meter.Syrup, UnitID: 1, Input: true, Address: 7, Type: registers.I16, Scale: 0.1, Unit: "C"},
		}, Rig: "heron", Clock: source.SystemClock{}}
}

func device(t *testing.T) *modbustest.Device {
	d := modbustest.Start(t)
	d.Hold32(100, 184223)
	d.Hold32(102, 93812400)
	d.Input(7, 116)
	return d
}

func start(t *testing.T, o Options) (*Source, collector) {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	sink := make(collector, 10000)
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

// both runs a test over TCP and over a serial line.
func both(t *testing.T, test func(t *testing.T, d *modbustest.Device, o Options)) {
	t.Run("tcp", func(t *testing.T) {
		d := device(t)
		test(t, d, options(d.Addr, ""))
	})
	t.Run("rtu", func(t *testing.T) {
		d := device(t)
		test(t, d, options("", d.RTU().Path))
	})
}

func TestReads(t *testing.T) {
	both(t, func(t *testing.T, d *modbustest.Device, o Options) {
		s, sink := start(t, o)
		r := sink.pulses(t, 184223)
		up, _ := r.Value(meter.Uptime)
		syrup, _ := r.Value(meter.Syrup)
		if up != 93812.4 || syrup != 11.6 || r.Source != "modbus" || r.Mono == 0 || r.Wall == 0 {
			t.Errorf("record %+v", r)
		}
		d.Hold(100, 2, 53152, 1431, 30416) // 184224 and 93812432, in words
		sink.pulses(t, 184224)
		if st := s.State(); st.Phase != source.Open || len(st.Dropped) > 0 {
			t.Errorf("state %+v", st)
		}
		if err := Check(t.Context(), o); err != nil && o.Port == "" { // a serial port has one reader
			t.Errorf("check: %v", err)
		}
	})
}

// A device that refuses, for a while or for good, is told; it is asked on, and
// read again once it gives in.
func TestException(t *testing.T) {
	both(t, func(t *testing.T, d *modbustest.Device, o Options) {
		s, sink := start(t, o)
		sink.pulses(t, 184223)
		d.Refuse(client.ErrServerDeviceBusy)
		st := await(t, s, "failing", func(st source.State) bool { return st.Phase == source.Waiting })
		if st.Dropped[Exception] == 0 || !strings.Contains(st.Err, "server device busy") || !strings.Contains(st.Err, "unit 1") {
			t.Errorf("state %+v", st)
		}
		d.Refuse(nil)
		sink.empty()
		sink.pulses(t, 184223)
	})
}

// One register that the device does not have leaves the others be.
func TestOneRegisterMissing(t *testing.T) {
	d := device(t)
	o := options(d.Addr, "")
	o.Registers = append(o.Registers, registers.Register{Channel: meter.Air, UnitID: 1, Input: true, Address: 900, Type: registers.I16, Scale: 1, Unit: "C"})
	s, sink := start(t, o)
	sink.pulses(t, 184223)
	st := await(t, s, "counted", func(st source.State) bool { return st.Dropped[Exception] > 3 })
	if st.Phase != source.Open {
		t.Errorf("state %+v", st)
	}
	if err := Check(t.Context(), o); err == nil || !strings.Contains(err.Error(), "unit 1, input registers 900 to 900: illegal data address") {
		t.Errorf("check: %v", err)
	}
}

// Numbers that cannot be are told, and the rest of the round is kept.
func TestWrongValues(t *testing.T) {
	d := device(t)
	d.Input(7, 0x8000) // a broken sensor's -3276.8
	s, sink := start(t, options(d.Addr, ""))
	r := sink.pulses(t, 184223)
	if _, ok := r.Value(meter.Syrup); ok {
		t.Errorf("record %+v", r)
	}
	if st := s.State(); st.Dropped["impossible value"] == 0 {
		t.Errorf("state %+v", st)
	}
}

// The device starts again: its counts fall, and come as they are.
func TestReboot(t *testing.T) {
	both(t, func(t *testing.T, d *modbustest.Device, o Options) {
		s, sink := start(t, o)
		sink.pulses(t, 184223)
		d.Stop()
		await(t, s, "failing", func(st source.State) bool { return st.Phase == source.Waiting })
		d.Hold32(100, 3)
		d.Hold32(102, 1500)
		d.Serve()
		if up, _ := func() (float64, bool) { r := sink.pulses(t, 3); return r.Value(meter.Uptime) }(); up != 1.5 {
			t.Errorf("uptime %v", up)
		}
	})
}

// An uptime that stands still is a gateway that repeats what it knew. Nothing of
// that is taken for news.
func TestFrozen(t *testing.T) {
	d := device(t)
	o := options(d.Addr, "")
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	at := func(seconds float64) source.Stamp { return source.Stamp{Mono: int64(seconds * 1e9)} }
	said := []meter.Reading{{Channel: meter.Pulses, Value: 5}, {Channel: meter.Uptime, Value: 10}}
	for _, c := range []struct {
		at     float64
		up     float64
		frozen bool
	}{{0, 10, false}, {5, 10, false}, {5.1, 10, true}, {60, 10, true}, {61, 11, false}, {62, 2, false}} {
		said[1].Value = c.up
		if got := s.frozen(said, at(c.at)); got != c.frozen {
			t.Errorf("at %v s, uptime %v s: frozen %v", c.at, c.up, got)
		}
	}
	if st := s.State(); st.Dropped[Frozen] != 2 {
		t.Errorf("state %+v", st)
	}
}

// A count without the uptime that was to go with it is left for the next round.
func TestTogether(t *testing.T) {
	s, err := New(options("127.0.0.1:502", ""))
	if err != nil {
		t.Fatal(err)
	}
	got := s.together([]meter.Reading{{Channel: meter.Pulses, Value: 5}, {Channel: meter.Syrup, Value: 10}, {Channel: meter.Lat, Value: 1}})
	if len(got) != 1 || got[0].Channel != meter.Syrup {
		t.Errorf("got %v", got)
	}
}

// On a serial line: bytes flipped, answers cut short, of another unit, and later
// than they were waited for. Nothing wrong is ever read, and all is well after.
func TestBadLine(t *testing.T) {
	flip := func(b []byte) ([]byte, time.Duration) { b[4] ^= 0x10; return b, 0 }
	cut := func(b []byte) ([]byte, time.Duration) { return b[:len(b)-3], 0 }
	other := func(b []byte) ([]byte, time.Duration) {
		b[0] = 2
		crc := modbustest.CRC(b[:len(b)-2])
		b[len(b)-2], b[len(b)-1] = byte(crc), byte(crc>>8)
		return b, 0
	}
	late := func(b []byte) ([]byte, time.Duration) { return b, 120 * time.Millisecond }
	for _, c := range []struct {
		name   string
		mend   func([]byte) ([]byte, time.Duration)
		reason string
	}{{"flipped", flip, Garbled}, {"cut", cut, NoAnswer}, {"of another unit", other, Garbled}, {"late", late, NoAnswer}} {
		t.Run(c.name, func(t *testing.T) {
			d := device(t)
			// Two registers of the same length: an answer that is late for one looks
			// like the other's. The second is out of its channel's limits for the first.
			l := d.RTU()
			o := options("", l.Path)
			o.Timeout = 80 * time.Millisecond
			o.Registers = []registers.Register{
				{Channel: meter.Syrup, UnitID: 1, Input: true, Address: 7, Type: registers.I16, Scale: 0.1, Unit: "C"},
				{Channel: meter.Air, UnitID: 1, Input: true, Address: 9, Type: registers.I16, Scale: 0.1, Unit: "C"},
			}
			d.Input(9, 62)
			s, sink := start(t, o)
			check := func(r *meter.Record) bool {
				if v, ok := r.Value(meter.Syrup); ok && (v < 11.59 || v > 11.61) {
					t.Errorf("syrup %v", v)
				}
				if v, ok := r.Value(meter.Air); ok && (v < 6.19 || v > 6.21) {
					t.Errorf("air %v", v)
				}
				return len(r.Readings) == 2
			}
			sink.until(t, "both", check)
			l.Mend(c.mend)
			await(t, s, "counted", func(st source.State) bool { return st.Dropped[c.reason] >= 2 })
			l.Mend(nil)
			for range 3 {
				sink.until(t, "both again", check)
			}
			for len(sink) > 0 {
				a := <-sink
				check(&a.Records[0])
			}
		})
	}
}

func TestUnplugged(t *testing.T) {
	d := device(t)
	l := d.RTU()
	s, sink := start(t, options("", l.Path))
	sink.pulses(t, 184223)
	l.Unplug()
	st := await(t, s, "failing", func(st source.State) bool { return st.Phase == source.Waiting })
	if !strings.Contains(st.Err, l.Path) {
		t.Errorf("state %+v", st)
	}
}

func TestOptions(t *testing.T) {
	good := options("", "/dev/ttyUSB0")
	if _, err := New(good); err != nil {
		t.Error(err)
	}
	for want, spoil := range map[string]func(*Options){
		`name: must not`:           func(o *Options) { o.Name = "" },
		`address, port: must be`:   func(o *Options) { o.Address = "h:502" },
		`baud: must be one of`:     func(o *Options) { o.Baud = 12 },
		`parity: must be one of`:   func(o *Options) { o.Parity = "mark" },
		`stop_bits: must be 1`:     func(o *Options) { o.StopBits = 3 },
		`every: must be between`:   func(o *Options) { o.Every = 0 },
		`timeout: must be`:         func(o *Options) { o.Timeout = time.Hour },
		`rig: must be`:             func(o *Options) { o.Rig = "a/b" },
		`clock: must be`:           func(o *Options) { o.Clock = nil },
		`registers: must be`:       func(o *Options) { o.Registers = nil },
		`registers[0].unit_id: mu`: func(o *Options) { o.Registers[0].UnitID = 0 },
		`address: must be host`:    func(o *Options) { o.Port, o.Address = "", "here" },
	} {
		o := options("", "/dev/ttyUSB0")
		o.Log = slog.New(slog.DiscardHandler)
		spoil(&o)
		if _, err := New(o); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	for want, o := range map[string]Options{
		"127.0.0.1:1: no Modbus device answers there":      options("127.0.0.1:1", ""),
		"/dev/yardtally-none: there is no such port":       options("", "/dev/yardtally-none"),
		"/dev/null: serial: could not set setting: inappr": options("", "/dev/null"),
	} {
		if err := Check(t.Context(), o); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
}
