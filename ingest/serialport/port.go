package serialport

import (
	"errors"
	"fmt"
	"io/fs"
	"runtime"
	"slices"
	"sync"
	"syscall"
	"time"

	"go.bug.st/serial"
)

// ErrClosed is what Read and Write of a closed port return.
var ErrClosed = errors.New("serial port is closed")

// errDescriptor is for a process with so many files open that the port's
// descriptor is past what select(2) can wait on.
var errDescriptor = errors.New("too many files are open in this process: a serial port's descriptor must be below 1024")

// readWait is how long a Read waits for a byte, and so the longest a Close
// waits for a Read.
const readWait = 200 * time.Millisecond

// Bauds are the line speeds a port can be set to, in bits a second.
var Bauds = []int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400}

// Port is an open serial port, 8 data bits, no parity, one stop bit. Its
// methods may be called from any goroutine.
//
// The library closes the descriptor while a Read or a Write may be about to
// use its number, which by then can be another file's. So here a lock keeps
// them apart, and a closed port stays closed.
type Port struct {
	path string

	reading sync.Mutex // held by Read; Close takes it first
	writing sync.Mutex // held by Write
	closed  bool       // set under both, read under either
	port    serial.Port
}

// OpenPort opens the serial port at path. The error names the path, and the
// rule it breaks.
func OpenPort(path string, baud int) (*Port, error) {
	if err := checkBaud(baud); err != nil {
		return nil, err
	}
	p, err := serial.Open(path, &serial.Mode{BaudRate: baud, DataBits: 8})
	if err != nil {
		return nil, explain(path, err)
	}
	if err := p.SetReadTimeout(readWait); err != nil {
		p.Close()
		return nil, explain(path, err)
	}
	return &Port{path: path, port: p}, nil
}

// Read waits up to 200 ms for bytes. On silence it returns 0 and no error, so
// that a buffered reader of the standard library must not be put over it.
func (p *Port) Read(b []byte) (n int, err error) {
	p.reading.Lock()
	defer p.reading.Unlock()
	if p.closed {
		return 0, ErrClosed
	}
	// The library puts the descriptor into a select(2) set of 1024 and panics,
	// before it has done anything, where the number does not fit. It keeps the
	// number to itself, so that asking is the only way to find out.
	defer func() {
		if r := recover(); r != nil {
			if _, ok := r.(runtime.Error); !ok {
				panic(r)
			}
			n, err = 0, fmt.Errorf("%s: %w", p.path, errDescriptor)
		}
	}()
	n, err = p.port.Read(b)
	if err != nil {
		err = explain(p.path, err)
	}
	return n, err
}

// Write sends b down the line.
func (p *Port) Write(b []byte) (int, error) {
	p.writing.Lock()
	defer p.writing.Unlock()
	if p.closed {
		return 0, ErrClosed
	}
	n, err := p.port.Write(b)
	if err != nil {
		err = explain(p.path, err)
	}
	return n, err
}

// Close closes the port, once a Read or Write under way has returned.
func (p *Port) Close() error {
	p.reading.Lock()
	defer p.reading.Unlock()
	p.writing.Lock()
	defer p.writing.Unlock()
	if p.closed {
		return nil
	}
	p.closed = true
	return p.port.Close()
}

func checkBaud(baud int) error {
	if !slices.Contains(Bauds, baud) {
		return fmt.Errorf("baud: must be one of %v, is %d", Bauds, baud)
	}
	return nil
}

// explain says what is wrong with the port at path, and what would mend it.
func explain(path string, err error) error {
	var pe *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, fs.ErrNotExist) || code == serial.PortNotFound:
		return fmt.Errorf("%s: there is no such port; is the board plugged in? %w", path, err)
	case errors.Is(err, fs.ErrPermission) || code == serial.PermissionDenied:
		return fmt.Errorf("%s: this user may not open it; the owner of serial ports is most often the group dialout: %w", path, err)
	case code == serial.PortBusy:
		return fmt.Errorf("%s: another program has it open: %w", path, err)
	case code == serial.PortClosed || errors.Is(err, syscall.EIO) || errors.Is(err, syscall.ENXIO):
		return fmt.Errorf("%s: the port went away; was the board unplugged? %w", path, err)
	case code == serial.InvalidSerialPort:
		return fmt.Errorf("%s: must be a serial port: %w", path, err)
	}
	return fmt.Errorf("%s: %w", path, err)
}
