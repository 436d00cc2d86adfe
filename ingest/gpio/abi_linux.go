package gpio

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// The interface of linux/gpio.h, second version. A test holds sizes, places and
// numbers against that header.
const (
	nameSize = 32
	linesMax = 64
	attrsMax = 10

	flagActiveLow = 1 << 1
	flagInput     = 1 << 2
	flagOutput    = 1 << 3
	flagRising    = 1 << 4
	flagFalling   = 1 << 5
	flagPullUp    = 1 << 8
	flagPullDown  = 1 << 9
	flagNoBias    = 1 << 10

	attrFlags        = 1
	attrOutputValues = 2
	eventRising      = 1

	ioGetChipInfo = 0x8044B401 // _IOR(0xB4, 0x01, struct gpiochip_info)
	ioGetLineInfo = 0xC100B405 // _IOWR(0xB4, 0x05, struct gpio_v2_line_info)
	ioGetLine     = 0xC250B407 // _IOWR(0xB4, 0x07, struct gpio_v2_line_request)
	ioGetValues   = 0xC010B40E // _IOWR(0xB4, 0x0E, struct gpio_v2_line_values)
	ioSetValues   = 0xC010B40F // _IOWR(0xB4, 0x0F, struct gpio_v2_line_values)
)

type (
	chipInfo struct {
		name, label [nameSize]byte
		lines       uint32
	}
	lineAttr struct {
		id, _ uint32
		value uint64 // flags, or values by line
	}
	configAttr struct {
		attr lineAttr
		mask uint64
	}
	lineConfig struct {
		flags    uint64
		numAttrs uint32
		_        [5]uint32
		attrs    [attrsMax]configAttr
	}
	lineRequest struct {
		offsets  [linesMax]uint32
		consumer [nameSize]byte
		config   lineConfig
		numLines uint32
		buffer   uint32
		_        [5]uint32
		fd       int32
	}
	lineInfo struct {
		name, consumer   [nameSize]byte
		offset, numAttrs uint32
		flags            uint64
		attrs            [attrsMax]lineAttr
		_                [4]uint32
	}
	lineValues struct{ bits, mask uint64 }
	lineEvent  struct {
		at                    uint64
		id, offset, seq, line uint32
		_                     [6]uint32
	}
)

// eventBuffer is how many edges the kernel is asked to keep: as many as it does.
const eventBuffer = 1024

const consumer = "yardtally"

func ioctl(fd int, number uintptr, p unsafe.Pointer) error {
	for {
		_, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), number, uintptr(p))
		switch e {
		case 0:
			return nil
		case unix.EINTR:
			continue
		}
		return e
	}
}

// request asks a chip for lines, and says what is wrong where it refuses.
func request(chip string, offsets []int, config lineConfig) (fd int, err error) {
	path := "/dev/" + chip
	dev, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return 0, fmt.Errorf("%s: there is no such GPIO chip: %w", path, err)
		case errors.Is(err, fs.ErrPermission):
			return 0, fmt.Errorf("%s: this user may not open it; the owner of GPIO chips is most often the group gpio: %w", path, err)
		}
		return 0, fmt.Errorf("%s: %w", path, err)
	}
	defer unix.Close(dev)
	var info chipInfo
	if err := ioctl(dev, ioGetChipInfo, unsafe.Pointer(&info)); err != nil {
		return 0, fmt.Errorf("%s: must be a GPIO chip: %w", path, err)
	}
	r := lineRequest{config: config, numLines: uint32(len(offsets)), buffer: eventBuffer}
	copy(r.consumer[:], consumer)
	for i, o := range offsets {
		if o < 0 || o >= int(info.lines) {
			return 0, fmt.Errorf("%s: line must be between 0 and %d, is %d", path, int(info.lines)-1, o)
		}
		r.offsets[i] = uint32(o)
	}
	if err := ioctl(dev, ioGetLine, unsafe.Pointer(&r)); err != nil {
		if errors.Is(err, unix.EBUSY) {
			for _, o := range offsets {
				l := lineInfo{offset: uint32(o)}
				if ioctl(dev, ioGetLineInfo, unsafe.Pointer(&l)) == nil && l.flags&1 != 0 {
					return 0, fmt.Errorf("%s: line %d is in use by %q: %w", path, o, strings.TrimRight(string(l.consumer[:]), "\x00"), err)
				}
			}
		}
		return 0, fmt.Errorf("%s: lines %v: %w", path, offsets, err)
	}
	return int(r.fd), nil
}

// kernelLines are lines of the kernel's.
type kernelLines struct {
	where string
	fd    int
	order []int // offsets, in the order that bits are in
	buf   [64 * unsafe.Sizeof(lineEvent{})]byte
}

// Open asks the kernel for the lines. The error names chip and line.
func Open(p Pins) (Lines, error) {
	c := lineConfig{flags: flagInput | flagRising | flagFalling}
	if p.ActiveLow {
		c.flags |= flagActiveLow
	}
	c.flags |= map[string]uint64{"up": flagPullUp, "down": flagPullDown, "none": flagNoBias}[p.Pull]
	if p.EveryEdge {
		c.numAttrs = 1
		c.attrs[0] = configAttr{lineAttr{id: attrFlags, value: c.flags &^ flagFalling}, 1} // of the first line
	}
	order := p.lines()
	fd, err := request(p.Chip, order, c)
	if err != nil {
		return nil, err
	}
	return &kernelLines{where: "/dev/" + p.Chip, fd: fd, order: order}, nil
}

// Wait implements Lines.
func (k *kernelLines) Wait(d time.Duration) ([]Edge, error) {
	fds := []unix.PollFd{{Fd: int32(k.fd), Events: unix.POLLIN}}
	n, err := unix.Poll(fds, int(max(d.Milliseconds(), 1)))
	switch {
	case errors.Is(err, unix.EINTR) || err == nil && n == 0:
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("%s: %w", k.where, err)
	case fds[0].Revents&unix.POLLIN == 0:
		return nil, fmt.Errorf("%s: the lines went away; was the chip unplugged?", k.where)
	}
	got, err := unix.Read(k.fd, k.buf[:])
	if errors.Is(err, unix.EINTR) || errors.Is(err, unix.EAGAIN) {
		return nil, nil
	}
	const size = int(unsafe.Sizeof(lineEvent{}))
	if err != nil || got == 0 || got%size != 0 {
		return nil, fmt.Errorf("%s: the lines went away; was the chip unplugged? (%d bytes, %w)", k.where, got, errors.Join(err))
	}
	var out []Edge
	for b := k.buf[:got]; len(b) > 0; b = b[size:] {
		out = append(out, Edge{
			At:     int64(binary.NativeEndian.Uint64(b)),
			Active: binary.NativeEndian.Uint32(b[8:]) == eventRising,
			Line:   int(binary.NativeEndian.Uint32(b[12:])),
			Seq:    binary.NativeEndian.Uint32(b[20:]), // of its own line
		})
	}
	return out, nil
}

// Active implements Lines.
func (k *kernelLines) Active(line int) (bool, error) {
	for i, o := range k.order {
		if o == line {
			v := lineValues{mask: 1 << i}
			err := ioctl(k.fd, ioGetValues, unsafe.Pointer(&v))
			if err != nil {
				err = fmt.Errorf("%s: line %d: %w", k.where, line, err)
			}
			return v.bits&v.mask != 0, err
		}
	}
	return false, fmt.Errorf("%s: line %d was not asked for", k.where, line)
}

// Now implements Lines.
func (k *kernelLines) Now() int64 {
	var ts unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts) // it cannot fail
	return ts.Nano()
}

// Close implements Lines.
func (k *kernelLines) Close() error { return unix.Close(k.fd) }

// Output is one line that is driven out. It is inactive from the moment it is
// asked for until it is let go, but while Set makes it active.
type Output struct {
	where string
	line  int
	fd    int
}

// OpenOutput asks the kernel for a line, and has it inactive at once: also one
// that another run of the program left active.
func OpenOutput(chip string, line int, activeLow bool) (*Output, error) {
	c := lineConfig{flags: flagOutput, numAttrs: 1}
	if activeLow {
		c.flags |= flagActiveLow
	}
	c.attrs[0] = configAttr{lineAttr{id: attrOutputValues, value: 0}, 1}
	fd, err := request(chip, []int{line}, c)
	if err != nil {
		return nil, err
	}
	return &Output{"/dev/" + chip, line, fd}, nil
}

// Set makes the line active or inactive.
func (o *Output) Set(on bool) error {
	v := lineValues{mask: 1}
	if on {
		v.bits = 1
	}
	if err := ioctl(o.fd, ioSetValues, unsafe.Pointer(&v)); err != nil {
		return fmt.Errorf("%s: line %d: %w", o.where, o.line, err)
	}
	return nil
}

// Close makes the line inactive and lets it go.
func (o *Output) Close() error { return errors.Join(o.Set(false), unix.Close(o.fd)) }
