// Package serialport reads a rig's NMEA 0183 lines from a serial port.
//
// A reading is stamped when the bytes that end its line were read. Where the
// desk is busy the port is read later: the kernel holds some seconds of a
// rig's lines meanwhile, and their stamps are late by as much (uptime gives
// the true spacing).
package serialport

import (
	"context"
	"fmt"
	"log/slog"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
)

// Options say which port, and whose readings come from it.
type Options struct {
	Name  string // the source's name, e.g. "serial"
	Path  string // the port, e.g. "/dev/ttyUSB0"
	Baud  int    // one of Bauds
	Rig   string // the rig whose readings come here
	Clock source.Clock
	Log   *slog.Logger // nil: nowhere
}

// Source is a serial port as a source.Source.
type Source struct {
	o Options
	*source.Supervisor
}

// New checks the options and returns the source; it opens nothing yet. The
// error names the option, the rule and the value.
func New(o Options) (*Source, error) {
	switch {
	case o.Name == "":
		return nil, fmt.Errorf(`name: must not be empty, is ""`)
	case o.Path == "":
		return nil, fmt.Errorf(`path: must name a serial port like /dev/ttyUSB0, is ""`)
	case o.Clock == nil:
		return nil, fmt.Errorf("clock: must be given, is nil")
	}
	if err := wire.CheckRig(o.Rig); err != nil {
		return nil, err
	}
	if err := checkBaud(o.Baud); err != nil {
		return nil, err
	}
	return &Source{o: o, Supervisor: source.NewSupervisor(o.Name, o.Log, nil)}, nil
}

// Run implements source.Source.
func (s *Source) Run(ctx context.Context, sink source.Sink) error {
	return s.Supervisor.Run(ctx, func(ctx context.Context, up func()) error {
		return s.session(ctx, sink, up)
	})
}

func (s *Source) session(ctx context.Context, sink source.Sink, up func()) error {
	port, err := OpenPort(s.o.Path, s.o.Baud)
	if err != nil {
		return err
	}
	defer port.Close()

	var lines splitter
	var at source.Stamp
	line := func(l []byte) error {
		msg, drops := wire.ParseNMEA(l)
		return s.Deliver(ctx, sink, s.o.Rig, at, []wire.Message{msg}, drops)
	}
	long := func(n int) {
		s.Drop(string(wire.TooLong), fmt.Sprintf("a line of %d bytes, at most %d are taken", n, MaxLine))
	}
	buf := make([]byte, 4096)
	for open := false; ctx.Err() == nil; {
		n, err := port.Read(buf)
		if err != nil {
			return err
		}
		if !open { // a first Read that fails, on a descriptor too high, was never open
			open = true
			up()
		}
		if n == 0 {
			continue // silence
		}
		at = s.o.Clock.Now()
		if err := lines.feed(buf[:n], line, long); err != nil {
			return err
		}
	}
	return ctx.Err()
}
