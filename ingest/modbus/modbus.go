// Package modbus reads a rig's channels from the registers of a Modbus device,
// over a serial line (RTU) or over TCP. It only reads: no coil and no register
// is ever written.
//
// All registers of a map are asked for every so often, in as few requests as
// there can be; what they said is one message, stamped when the answer with the
// count came. A count goes with its uptime or not at all, so that a device that
// has started again is always seen.
//
// On a serial line nothing tells to which question an answer belongs. After one
// that did not come in time the line is therefore left alone for as long again,
// and what has come meanwhile is thrown away: else the late answer of one
// register would be read as the next one's.
package modbus

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"runtime"
	"slices"
	"syscall"
	"time"

	client "github.com/simonvetter/modbus"

	"yardtally/ingest/modbus/registers"
	"yardtally/ingest/source"
	"yardtally/ingest/wire"
	"yardtally/meter"
)

// Reasons of what is not taken in, beside those of package wire.
const (
	Exception = "exception answer" // the device answers that it will not
	NoAnswer  = "no answer"        // none in time
	Garbled   = "garbled answer"   // one that is not whole, or of somebody else
	Frozen    = "frozen answer"    // its uptime stands still: somebody repeats what it said once
)

// failAfter is after how many rounds without any answer the device is given up,
// and opened anew. frozenAfter is how long an uptime may stand still. Judgement,
// no source.
const (
	failAfter   = 3
	frozenAfter = 5 * time.Second
)

// Bounds on options. Judgement, no source.
const (
	LeastEvery   = 20 * time.Millisecond
	MostEvery    = time.Minute
	LeastTimeout = 10 * time.Millisecond
	MostTimeout  = 5 * time.Second
)

// Parities are the names of those that a line can have.
var Parities = []string{"none", "even", "odd"}

// Bauds are the line speeds, in bits a second.
var Bauds = []int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400}

// Options say which device, and what its registers are.
type Options struct {
	Name    string // the source's name, e.g. "modbus"
	Address string // host:port, for TCP; or ...
	Port    string // ... a serial port, for RTU

	Baud     int    // of the serial port
	Parity   string // one of Parities
	StopBits int    // 1 or 2; 0: two without parity, else one, as the standard has it

	Every     time.Duration // between rounds
	Timeout   time.Duration // for one answer
	Registers []registers.Register
	Rig       string
	Clock     source.Clock
	Log       *slog.Logger // nil: nowhere
}

// Source is a Modbus device as a source.Source.
type Source struct {
	o      Options
	groups []registers.Group
	*source.Supervisor

	// Of the session.
	up      float64 // the newest uptime
	upSince int64   // since when it is that, ns of the clock's Mono
	upSeen  bool
}

// New checks the options and returns the source; it opens nothing yet. The
// error names the option, the rule and the value.
func New(o Options) (*Source, error) {
	serial := o.Port != ""
	switch {
	case o.Name == "":
		return nil, fmt.Errorf(`name: must not be empty, is ""`)
	case serial == (o.Address != ""):
		return nil, fmt.Errorf("address, port: must be one of them, are %q and %q", o.Address, o.Port)
	case serial && !slices.Contains(Bauds, o.Baud):
		return nil, fmt.Errorf("baud: must be one of %v, is %d", Bauds, o.Baud)
	case serial && !slices.Contains(Parities, o.Parity):
		return nil, fmt.Errorf("parity: must be one of %q, is %q", Parities, o.Parity)
	case o.StopBits < 0 || o.StopBits > 2:
		return nil, fmt.Errorf("stop_bits: must be 1 or 2, is %d", o.StopBits)
	case o.Every < LeastEvery || o.Every > MostEvery:
		return nil, fmt.Errorf("every: must be between %v and %v, is %v", LeastEvery, MostEvery, o.Every)
	case o.Timeout < LeastTimeout || o.Timeout > MostTimeout:
		return nil, fmt.Errorf("timeout: must be between %v and %v, is %v", LeastTimeout, MostTimeout, o.Timeout)
	case o.Clock == nil:
		return nil, fmt.Errorf("clock: must be given, is nil")
	}
	if !serial {
		if host, port, err := net.SplitHostPort(o.Address); err != nil || host == "" || port == "" {
			return nil, fmt.Errorf(`address: must be host:port, like "192.168.4.20:502", is %q`, o.Address)
		}
	}
	if err := wire.CheckRig(o.Rig); err != nil {
		return nil, err
	}
	for i := range o.Registers {
		if err := o.Registers[i].Check(serial); err != nil {
			return nil, fmt.Errorf("registers[%d].%w", i, err)
		}
	}
	if err := registers.CheckMap(o.Registers); err != nil {
		return nil, err
	}
	return &Source{o: o, groups: registers.Groups(o.Registers), Supervisor: source.NewSupervisor(o.Name, o.Log, nil)}, nil
}

// Run implements source.Source.
func (s *Source) Run(ctx context.Context, sink source.Sink) error {
	return s.Supervisor.Run(ctx, func(ctx context.Context, up func()) error {
		return s.session(ctx, sink, up)
	})
}

// where names the device's place.
func (s *Source) where() string { return s.o.Address + s.o.Port }

// client is one that is not open yet.
func (s *Source) client() (*client.ModbusClient, error) {
	quiet := s.o.Log
	if quiet == nil {
		quiet = slog.New(slog.DiscardHandler)
	}
	c := client.ClientConfiguration{URL: "tcp://" + s.o.Address, Timeout: s.o.Timeout, Logger: slog.NewLogLogger(quiet.Handler(), slog.LevelDebug)}
	if s.o.Port != "" {
		c.URL, c.Speed, c.StopBits = "rtu://"+s.o.Port, uint(s.o.Baud), uint(s.o.StopBits)
		c.Parity = uint(slices.Index(Parities, s.o.Parity)) // PARITY_NONE, PARITY_EVEN, PARITY_ODD
	}
	return client.NewClient(&c)
}

// open opens the device; it does not wait for that beyond the context's end.
func (s *Source) open(ctx context.Context) (*client.ModbusClient, error) {
	mc, err := s.client()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.where(), err)
	}
	opened := make(chan error, 1)
	go func() { opened <- guard(mc.Open) }()
	select {
	case err := <-opened:
		if err != nil {
			return nil, s.explain(err)
		}
		return mc, nil
	case <-ctx.Done():
		go func() { // a connection that nobody waits for
			if <-opened == nil {
				mc.Close()
			}
		}()
		return nil, ctx.Err()
	}
}

// errDescriptor is for a process with so many files open that the port's
// descriptor is past what the library's select(2) can wait on.
var errDescriptor = errors.New("too many files are open in this process: a serial port's descriptor must be below 1024")

// guard turns the panic that a descriptor above 1023 is to the library into an
// error.
func guard(do func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			if _, ok := r.(runtime.Error); !ok {
				panic(r)
			}
			err = errDescriptor
		}
	}()
	return do()
}

// explain says what is wrong with the device's place, and what would mend it.
func (s *Source) explain(err error) error {
	switch at := s.where(); {
	case s.o.Port == "":
		return fmt.Errorf("%s: no Modbus device answers there; is it on, and in this network? %w", at, err)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: there is no such port; is the adapter plugged in? %w", at, err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s: this user may not open it; the owner of serial ports is most often the group dialout: %w", at, err)
	case errors.Is(err, syscall.EIO) || errors.Is(err, syscall.ENXIO):
		return fmt.Errorf("%s: the port went away; was the adapter unplugged? %w", at, err)
	default:
		return fmt.Errorf("%s: %w", at, err)
	}
}

func (s *Source) session(ctx context.Context, sink source.Sink, up func()) error {
	mc, err := s.open(ctx)
	if err != nil {
		return err
	}
	defer func() { mc.Close() }()
	s.upSeen = false
	rounds := time.NewTicker(s.o.Every)
	defer rounds.Stop()
	for missed := 0; ctx.Err() == nil; {
		r := s.round(ctx, mc)
		if r.mc != nil {
			mc = r.mc
		}
		switch {
		case r.lost != nil:
			return r.lost
		case r.answers > 0:
			missed = 0
			up()
		default:
			if missed++; missed >= failAfter {
				return fmt.Errorf("%s: no answer of use in %d rounds: %w", s.where(), failAfter, r.err)
			}
		}
		if len(r.readings) > 0 && !s.frozen(r.readings, r.at) {
			if err := s.Deliver(ctx, sink, s.o.Rig, r.at, []wire.Message{{Readings: r.readings}}, nil); err != nil {
				return err
			}
		}
		select {
		case <-rounds.C:
		case <-ctx.Done():
		}
	}
	return ctx.Err()
}

// round is what one round brought.
type round struct {
	readings []meter.Reading
	at       source.Stamp
	answers  int                  // that were of use
	err      error                // the newest failure
	lost     error                // the device is gone, or the session over
	mc       *client.ModbusClient // opened anew within the round
}

// round asks for all registers once.
func (s *Source) round(ctx context.Context, mc *client.ModbusClient) (out round) {
	counted := false
	for i := range s.groups {
		g := &s.groups[i]
		if ctx.Err() != nil {
			out.lost = ctx.Err()
			return out
		}
		answer, err := ask(mc, g)
		at := s.o.Clock.Now()
		if err == nil {
			rs, bad := g.Decode(answer)
			for _, b := range bad {
				s.Drop(string(wire.Impossible), b.Error())
			}
			out.readings, out.answers = append(out.readings, rs...), out.answers+1
			if !counted {
				out.at = at
			}
			counted = counted || slices.ContainsFunc(rs, func(r meter.Reading) bool { return r.Channel == meter.Pulses })
			continue
		}
		out.err = fmt.Errorf("%s: %w", g, err)
		reason := kind(err)
		if reason == "" {
			out.lost = s.explain(err)
			return out
		}
		s.Drop(reason, out.err.Error())
		if reason == Exception {
			continue
		}
		// What is under way may still come: it must not be read as the next answer.
		mc.Close()
		if s.o.Port != "" && !rest(ctx, s.o.Timeout) {
			out.lost = ctx.Err()
			return out
		}
		if mc, out.lost = s.open(ctx); out.lost != nil {
			return out
		}
		out.mc = mc
	}
	out.readings = s.together(out.readings)
	return out
}

// together leaves out a count whose uptime did not come.
func (s *Source) together(rs []meter.Reading) []meter.Reading {
	has := func(c meter.Channel) bool {
		return slices.ContainsFunc(rs, func(r meter.Reading) bool { return r.Channel == c })
	}
	named := slices.ContainsFunc(s.o.Registers, func(r registers.Register) bool { return r.Channel == meter.Uptime })
	half := has(meter.Lat) != has(meter.Lon)
	lone := named && !has(meter.Uptime)
	return slices.DeleteFunc(rs, func(r meter.Reading) bool {
		switch r.Channel {
		case meter.Lat, meter.Lon:
			return half
		case meter.Pulses, meter.Boot, meter.Mark, meter.Skip:
			return lone
		}
		return false
	})
}

// frozen reports whether the device's uptime has stood still for so long that
// somebody, a gateway as a rule, repeats what it said once. Silence shows; a
// number that never changes does not.
func (s *Source) frozen(rs []meter.Reading, at source.Stamp) bool {
	for _, r := range rs {
		if r.Channel != meter.Uptime {
			continue
		}
		if !s.upSeen || r.Value != s.up {
			s.up, s.upSince, s.upSeen = r.Value, at.Mono, true
			return false
		}
		if stood := time.Duration(at.Mono - s.upSince); stood > max(frozenAfter, 3*s.o.Every) {
			s.Drop(Frozen, fmt.Sprintf("uptime: must move on, is %g s since %v", r.Value, stood.Round(time.Second)))
			return true
		}
	}
	return false
}

// ask makes one request.
func ask(mc *client.ModbusClient, g *registers.Group) (answer []byte, err error) {
	if err := mc.SetUnitId(uint8(g.UnitID)); err != nil {
		return nil, err
	}
	table := client.HOLDING_REGISTER
	if g.Input {
		table = client.INPUT_REGISTER
	}
	err = guard(func() error {
		var err error
		answer, err = mc.ReadRawBytes(uint16(g.Address), uint16(2*g.Words), table) // in bytes
		return err
	})
	return answer, err
}

// kind is the reason under which a failed request is counted; "" where the
// device is gone.
func kind(err error) string {
	var me client.Error
	if !errors.As(err, &me) {
		if isUnknownException(err) {
			return Exception
		}
		return ""
	}
	switch me {
	case client.ErrRequestTimedOut:
		return NoAnswer
	case client.ErrBadCRC, client.ErrShortFrame, client.ErrProtocolError, client.ErrBadUnitId, client.ErrBadTransactionId, client.ErrUnknownProtocolId:
		return Garbled
	}
	return Exception
}

// isUnknownException tells the library's text for an exception whose code the
// standard does not have; it has no value for it.
func isUnknownException(err error) bool {
	var code uint8
	n, _ := fmt.Sscanf(err.Error(), "unknown exception code (%d)", &code)
	return n == 1
}

// rest waits, and reports whether it did to the end.
func rest(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// Check asks the device once for all its registers, and reports the first that
// it does not give.
func Check(ctx context.Context, o Options) error {
	s, err := New(o)
	if err != nil {
		return err
	}
	mc, err := s.open(ctx)
	if err != nil {
		return err
	}
	defer mc.Close()
	for i := range s.groups {
		g := &s.groups[i]
		answer, err := ask(mc, g)
		if err != nil {
			return fmt.Errorf("%s: %s: %w", s.where(), g, err)
		}
		if _, bad := g.Decode(answer); len(bad) > 0 {
			return fmt.Errorf("%s: %s: %w", s.where(), g, bad[0])
		}
	}
	return nil
}
