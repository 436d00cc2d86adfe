// Package modbustest is a Modbus device for tests: the library's own server over
// TCP, and a bridge that puts it behind a pseudo-terminal as RTU.
package modbustest

import (
	"encoding/binary"
	"io"
	"log"
	"net"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/simonvetter/modbus"
	"golang.org/x/term"
)

// Device is a device with registers, unit 1, that a test sets.
type Device struct {
	Addr string // host:port, while it serves

	t      testing.TB
	server *modbus.ModbusServer

	mu      sync.Mutex
	holding map[uint16]uint16
	input   map[uint16]uint16
	refuse  error // what is answered instead; nil: the registers
	asked   int
}

// Start starts a device on loopback and stops it at the end of the test.
func Start(t testing.TB) *Device {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d := &Device{Addr: l.Addr().String(), t: t, holding: map[uint16]uint16{}, input: map[uint16]uint16{}}
	l.Close()
	t.Cleanup(d.Stop)
	d.Serve()
	return d
}

// Serve starts a stopped device.
func (d *Device) Serve() {
	d.t.Helper()
	s, err := modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + d.Addr, Timeout: time.Minute, Logger: log.New(io.Discard, "", 0)}, d)
	if err == nil {
		err = s.Start()
	}
	if err != nil {
		d.t.Fatal(err)
	}
	d.server = s
}

// Stop stops the device: its connections are cut.
func (d *Device) Stop() {
	if d.server != nil {
		d.server.Stop()
		d.server = nil
	}
}

// Hold sets holding registers from an address on.
func (d *Device) Hold(addr uint16, words ...uint16) { d.set(d.holding, addr, words) }

// Input sets input registers from an address on.
func (d *Device) Input(addr uint16, words ...uint16) { d.set(d.input, addr, words) }

func (d *Device) set(table map[uint16]uint16, addr uint16, words []uint16) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i, w := range words {
		table[addr+uint16(i)] = w
	}
}

// Hold32 sets a number of 32 bits, the higher word first.
func (d *Device) Hold32(addr uint16, n uint32) { d.Hold(addr, uint16(n>>16), uint16(n)) }

// Refuse has the device answer with an exception; nil ends that.
func (d *Device) Refuse(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.refuse = err
}

// Asked is how many requests there were.
func (d *Device) Asked() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.asked
}

func (d *Device) read(table map[uint16]uint16, unit uint8, addr, n uint16, write bool) ([]uint16, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked++
	if d.refuse != nil {
		return nil, d.refuse
	}
	if write {
		d.t.Error("somebody writes to the device")
		return nil, modbus.ErrIllegalFunction
	}
	if unit != 1 {
		return nil, modbus.ErrGWTargetFailedToRespond
	}
	var out []uint16
	for i := range n {
		w, ok := table[addr+i]
		if !ok {
			return nil, modbus.ErrIllegalDataAddress
		}
		out = append(out, w)
	}
	return out, nil
}

// HandleHoldingRegisters implements modbus.RequestHandler.
func (d *Device) HandleHoldingRegisters(q *modbus.HoldingRegistersRequest) ([]uint16, error) {
	return d.read(d.holding, q.UnitId, q.Addr, q.Quantity, q.IsWrite)
}

// HandleInputRegisters implements modbus.RequestHandler.
func (d *Device) HandleInputRegisters(q *modbus.InputRegistersRequest) ([]uint16, error) {
	return d.read(d.input, q.UnitId, q.Addr, q.Quantity, false)
}

// HandleCoils implements modbus.RequestHandler.
func (d *Device) HandleCoils(*modbus.CoilsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

// HandleDiscreteInputs implements modbus.RequestHandler.
func (d *Device) HandleDiscreteInputs(*modbus.DiscreteInputsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

// Line is a serial line to the device: RTU on a pseudo-terminal.
type Line struct {
	Path string // of the end that a reader opens

	d    *Device
	near *os.File
	far  *os.File

	mu   sync.Mutex
	mend func(answer []byte) (as []byte, after time.Duration)
}

// RTU puts the device behind a pseudo-terminal. It asks the device's server over
// TCP what it is asked, whose checksum must be right.
func (d *Device) RTU() *Line {
	d.t.Helper()
	near, far, err := pty.Open()
	if err != nil {
		d.t.Fatal(err)
	}
	// As a port that is only a wire; a new pseudo-terminal echoes like a screen.
	if _, err := term.MakeRaw(int(far.Fd())); err != nil {
		d.t.Fatal(err)
	}
	l := &Line{Path: far.Name(), d: d, near: near, far: far}
	ended := make(chan struct{})
	go func() { defer close(ended); l.bridge() }()
	d.t.Cleanup(func() { l.Unplug(); <-ended })
	return l
}

// Mend has answers go out otherwise than they are, and later; nil ends that.
func (l *Line) Mend(how func(answer []byte) (as []byte, after time.Duration)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.mend = how
}

// Unplug takes the line away.
func (l *Line) Unplug() { l.far.Close(); l.near.Close() }

func (l *Line) bridge() {
	request := make([]byte, 8) // reading registers takes as many, Modbus Application Protocol V1.1b3, 6.3
	for {
		if _, err := io.ReadFull(l.near, request); err != nil {
			return
		}
		if CRC(request[:6]) != binary.LittleEndian.Uint16(request[6:]) {
			l.d.t.Errorf("a request with a wrong checksum: % x", request)
			return
		}
		answer, err := l.ask(request[:6])
		if err != nil {
			continue // a device that is off says nothing
		}
		answer = binary.LittleEndian.AppendUint16(answer, CRC(answer))
		l.mu.Lock()
		mend := l.mend
		l.mu.Unlock()
		if mend != nil {
			var after time.Duration
			answer, after = mend(answer)
			time.Sleep(after)
		}
		if _, err := l.near.Write(answer); err != nil {
			return
		}
	}
}

// ask puts a request in the frame of Modbus on TCP/IP, and takes the answer out
// of it.
func (l *Line) ask(request []byte) ([]byte, error) {
	c, err := net.Dial("tcp", l.d.Addr)
	if err != nil {
		return nil, err
	}
	defer c.Close()
	head := []byte{0, 1, 0, 0, 0, byte(len(request))} // transaction 1, protocol 0, length
	if _, err := c.Write(append(head, request...)); err != nil {
		return nil, err
	}
	if _, err := io.ReadFull(c, head); err != nil {
		return nil, err
	}
	answer := make([]byte, binary.BigEndian.Uint16(head[4:]))
	_, err = io.ReadFull(c, answer)
	return answer, err
}

// CRC is the checksum of RTU: Modbus over Serial Line V1.02, 6.2.2, bit by bit.
func CRC(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			low := crc&1 != 0
			if crc >>= 1; low {
				crc ^= 0xA001
			}
		}
	}
	return crc
}
