// Package gpsd reads a rig's position from gpsd, the daemon that most Linux
// boards have for their receivers, over its own protocol: JSON, a report a line
// (gpsd_json(5), protocol 3). It speaks to one gpsd, and only asks to watch.
package gpsd

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"time"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
)

// MaxLine is the longest report kept, in bytes without its end. gpsd's own
// bound is 10,240 (GPS_JSON_RESPONSE_MAX, from memory).
const MaxLine = 16 << 10

// DefaultAddress is where gpsd listens as a rule: port 2947 is registered for it.
const DefaultAddress = "127.0.0.1:2947"

// Waits. Judgement, no source.
const (
	dialWait  = 5 * time.Second
	greetWait = 10 * time.Second // for gpsd to say its version, which it does at once
)

// protocol is the major version of gpsd's protocol that is read here; it has
// been 3 since 2009.
const protocol = 3

// Options say which gpsd, and whose position it tells.
type Options struct {
	Name    string // the source's name, e.g. "gpsd"
	Address string // host:port
	Device  string // the receiver, as gpsd calls it; "": any that it has
	Rig     string
	Clock   source.Clock
	Log     *slog.Logger // nil: nowhere
}

// Source is a gpsd as a source.Source.
type Source struct {
	o Options
	*source.Supervisor
	greetWait time.Duration
}

// New checks the options and returns the source; it connects to nothing yet.
// The error names the option, the rule and the value.
func New(o Options) (*Source, error) {
	switch {
	case o.Name == "":
		return nil, fmt.Errorf(`name: must not be empty, is ""`)
	case o.Clock == nil:
		return nil, fmt.Errorf("clock: must be given, is nil")
	case strings.ContainsFunc(o.Device, func(r rune) bool { return r <= ' ' || r > '~' }) || len(o.Device) > MaxDevice:
		return nil, fmt.Errorf("device: must be a receiver as gpsd calls it, in at most %d plain characters without blanks, is %q", MaxDevice, o.Device)
	}
	if host, port, err := net.SplitHostPort(o.Address); err != nil || host == "" || port == "" {
		return nil, fmt.Errorf("address: must be host:port, like %q, is %q", DefaultAddress, o.Address)
	}
	if err := wire.CheckRig(o.Rig); err != nil {
		return nil, err
	}
	return &Source{o: o, Supervisor: source.NewSupervisor(o.Name, o.Log, nil), greetWait: greetWait}, nil
}

// MaxDevice is how long a receiver's name may be. Judgement, no source.
const MaxDevice = 200

// Run implements source.Source.
func (s *Source) Run(ctx context.Context, sink source.Sink) error {
	return s.Supervisor.Run(ctx, func(ctx context.Context, up func()) error {
		return s.session(ctx, sink, up)
	})
}

// watch is what asks gpsd for its reports. It names no receiver, since a request
// is 80 characters at most and the names of some are longer: we choose ourselves.
const watch = `?WATCH={"enable":true,"json":true};` + "\n"

func (s *Source) session(ctx context.Context, sink source.Sink, up func()) error {
	conn, err := Dial(ctx, s.o.Address)
	if err != nil {
		return err
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	r := bufio.NewReaderSize(conn, MaxLine+2)
	if err := conn.SetReadDeadline(time.Now().Add(s.greetWait)); err != nil {
		return err
	}
	if err := greeted(r); err != nil {
		return fmt.Errorf("%s: %w", s.o.Address, err)
	}
	if err := conn.SetReadDeadline(time.Time{}); err != nil {
		return err
	}
	if _, err := io.WriteString(conn, watch); err != nil {
		return fmt.Errorf("%s: %w", s.o.Address, err)
	}
	up()
	for {
		line, err := s.line(r)
		if err == io.EOF {
			err = errors.New("gpsd closed the connection")
		}
		if err != nil {
			return fmt.Errorf("%s: %w", s.o.Address, err)
		}
		at := s.o.Clock.Now()
		msg, drops := Read(line, s.o.Device)
		if err := s.Deliver(ctx, sink, s.o.Rig, at, []wire.Message{msg}, drops); err != nil {
			return err
		}
	}
}

// line reads the next line that is not too long; those that are it counts.
func (s *Source) line(r *bufio.Reader) ([]byte, error) {
	for long := 0; ; {
		b, err := r.ReadSlice('\n')
		if err == bufio.ErrBufferFull {
			long += len(b)
			continue
		}
		if err != nil {
			return nil, err // what is not ended is not whole
		}
		if long > 0 {
			s.Drop(string(wire.TooLong), fmt.Sprintf("a report of %d bytes, at most %d are taken", long+len(b), MaxLine))
			long = 0
			continue
		}
		if b = trim(b); len(b) > 0 {
			return b, nil
		}
	}
}

func trim(b []byte) []byte {
	b = b[:len(b)-1]
	if n := len(b); n > 0 && b[n-1] == '\r' {
		b = b[:n-1]
	}
	return b
}

// greeted reads what gpsd says first, its version.
func greeted(r *bufio.Reader) error {
	b, err := r.ReadSlice('\n')
	switch {
	case err != nil && len(b) == 0:
		return fmt.Errorf("must say its version first, as gpsd does, and says nothing: %w", err)
	case err != nil:
		return fmt.Errorf("must say its version first, as gpsd does, says %s", show(b))
	}
	var v report
	if err := json.Unmarshal(b, &v); err != nil || v.Class != "VERSION" {
		return fmt.Errorf("must say its version first, as gpsd does, says %s", show(trim(b)))
	}
	if v.Major != protocol {
		return fmt.Errorf("proto_major: must be %d, is %d", protocol, v.Major)
	}
	return nil
}

// Dial connects to a gpsd. The error names the address.
func Dial(ctx context.Context, address string) (net.Conn, error) {
	d := net.Dialer{Timeout: dialWait}
	conn, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("%s: no gpsd answers there; does it run? %w", address, err)
	}
	return conn, nil
}

// Check reports whether a gpsd answers at an address.
func Check(ctx context.Context, address string) error {
	conn, err := Dial(ctx, address)
	if err != nil {
		return err
	}
	defer conn.Close()
	if err := conn.SetReadDeadline(time.Now().Add(dialWait)); err != nil {
		return err
	}
	if err := greeted(bufio.NewReader(conn)); err != nil {
		return fmt.Errorf("%s: %w", address, err)
	}
	return nil
}
