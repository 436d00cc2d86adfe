package settings

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"yardtally/ingest/modbus/registers"
	"yardtally/meter"
	"yardtally/meter/act"
)

// Modbus is a Modbus device to read.
type Modbus struct {
	Name           string
	Address        string // host:port, over TCP; or ...
	Port           string // ... a serial port
	Baud           int
	Parity         string
	StopBits       int // 0: as the parity asks for
	Every, Timeout time.Duration
	Registers      []registers.Register
}

// claim names the device's place.
func (m *Modbus) claim() string {
	if m.Port != "" {
		return "the port " + m.Port
	}
	return "the Modbus device at " + m.Address
}

type modbusTable struct {
	Name      string  `toml:"name"`
	Address   string  `toml:"address"`
	Port      string  `toml:"port"`
	Baud      int     `toml:"baud"`
	Parity    string  `toml:"parity"`
	StopBits  int     `toml:"stop_bits"`
	UnitID    int     `toml:"unit_id"`
	Every     measure `toml:"every"`
	Timeout   measure `toml:"timeout"`
	Registers []struct {
		Channel string  `toml:"channel"`
		UnitID  int     `toml:"unit_id"`
		Table   string  `toml:"table"`
		Address int     `toml:"address"`
		Type    string  `toml:"type"`
		Words   string  `toml:"words"`
		Scale   float64 `toml:"scale"`
		Unit    string  `toml:"unit"`
	} `toml:"registers"`
}

// Bounds and defaults of a device's settings. Judgement, no source.
const (
	leastEvery, mostEvery     = 0.02, 60 // s
	leastTimeout, mostTimeout = 0.01, 5  // s
	usualEvery, usualTimeout  = 0.2, 0.5 // s
	usualModbusBaud           = 19200    // Modbus over Serial Line V1.02, 3.2
)

var (
	modbusBauds = []int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400}
	parities    = []string{"none", "even", "odd"}
)

func (r *reader) modbus(f *file, name func(at, given, fallback string, i int) string) {
	for i := range f.Modbus {
		x := &f.Modbus[i]
		at := fmt.Sprintf("modbus[%d]", i)
		m := Modbus{Name: name(at, x.Name, "modbus", i), Address: x.Address, Port: x.Port, StopBits: x.StopBits}
		switch {
		case x.Address == "" && x.Port == "":
			r.bad(r.near(at), at+".address", `must be given, like "192.168.4.20:502", or a serial port like port = "/dev/ttyUSB1"`, "")
		case x.Address != "" && x.Port != "":
			r.fail(at+".port", "must not stand beside address")
		case x.Address != "":
			r.dial(at+".address", x.Address, "192.168.4.20:502")
			for _, key := range []string{"baud", "parity", "stop_bits"} {
				if r.text(at+"."+key) != "" {
					r.fail(at+"."+key, "must not stand beside address, as it is of a serial port")
				}
			}
		default:
			r.serialLine(at, x, &m)
		}
		m.Every = r.within(at+".every", x.Every, usualEvery, leastEvery, mostEvery)
		m.Timeout = r.within(at+".timeout", x.Timeout, usualTimeout, leastTimeout, mostTimeout)
		for k := range x.Registers {
			r.register(at, x, k, &m)
		}
		var e *registers.Error
		if len(r.wrong) == 0 && errors.As(registers.CheckMap(m.Registers), &e) {
			r.bad(r.near(at), at+"."+e.Field, e.Rule, "")
		}
		if m.Address+m.Port != "" && slices.Contains(r.s.claims(), m.claim()) {
			r.bad(r.near(at), at, "must not read "+m.claim()+", which another one reads; registers of several devices at one place may stand in one list, each with its unit_id", "")
		}
		r.s.Modbus = append(r.s.Modbus, m)
	}
}

// serialLine reads how the serial port is set.
func (r *reader) serialLine(at string, x *modbusTable, m *Modbus) {
	if m.Baud = x.Baud; r.text(at+".baud") == "" {
		m.Baud = usualModbusBaud
	}
	if !slices.Contains(modbusBauds, m.Baud) {
		r.fail(at+".baud", fmt.Sprintf("must be one of %v", modbusBauds))
	}
	if m.Parity = orElse(x.Parity, "even"); !slices.Contains(parities, m.Parity) {
		r.fail(at+".parity", `must be "none", "even" or "odd"`)
	}
	if r.text(at+".stop_bits") != "" && m.StopBits != 1 && m.StopBits != 2 {
		r.fail(at+".stop_bits", "must be 1 or 2")
	}
}

// within reads a time between two bounds, s.
func (r *reader) within(field string, text measure, usual, least, most float64) time.Duration {
	s := take(r, field, text, seconds, usual)
	if !(s >= least && s <= most) {
		r.fail(field, fmt.Sprintf("must be between %g and %g s", least, most))
	}
	return time.Duration(s * 1e9)
}

func (r *reader) register(at string, x *modbusTable, k int, m *Modbus) {
	q := &x.Registers[k]
	at = fmt.Sprintf("%s.registers[%d]", at, k)
	g := registers.Register{Address: q.Address, Type: registers.Type(q.Type), Scale: 1, UnitID: 1, Unit: q.Unit}
	var ok bool
	if g.Channel, ok = meter.ParseChannel(q.Channel); !ok {
		r.bad(r.near(at+".channel"), at+".channel", `must be a channel, like "pulses" or "headspace"`, r.text(at+".channel"))
		return
	}
	switch q.Table {
	case "holding":
	case "input":
		g.Input = true
	default:
		r.bad(r.near(at+".table"), at+".table", `must be "holding" or "input"`, r.text(at+".table"))
	}
	if !r.need(at+".address", r.text(at+".address") != "", "100, from 0 as on the wire") {
		return
	}
	switch q.Words {
	case "", "high first":
	case "low first":
		g.LowFirst = true
	default:
		r.fail(at+".words", `must be "high first" or "low first"`)
	}
	if r.text(at+".scale") != "" {
		g.Scale = q.Scale
	}
	if g.Unit == "" && len(registers.Units(g.Channel)) == 1 {
		g.Unit = registers.Units(g.Channel)[0]
	}
	own := r.text(at+".unit_id") != ""
	if own {
		g.UnitID = q.UnitID
	} else if r.text(at[:len(at)-len(fmt.Sprintf(".registers[%d]", k))]+".unit_id") != "" {
		g.UnitID = x.UnitID
	}
	var e *registers.Error
	if errors.As(g.Check(m.Port != ""), &e) {
		field := at + "." + e.Field
		if e.Field == "unit_id" && !own {
			field = at[:len(at)-len(fmt.Sprintf(".registers[%d]", k))] + ".unit_id"
		}
		r.bad(r.near(field), field, e.Rule, r.text(field))
		return
	}
	if g.Channel == meter.Pulses && g.WrapBits() != r.wrapBits() {
		r.bad(r.near(at+".type"), at+".type", fmt.Sprintf("must be of as many bits as counter.wrap_bits, which is %d", r.wrapBits()), r.text(at+".type"))
	}
	m.Registers = append(m.Registers, g)
}

// wrapBits is at how many bits the rig's count starts over, by what was read of
// the counter so far.
func (r *reader) wrapBits() int {
	for _, a := range r.s.Acts {
		if b, ok := a.Body.(act.Rig); ok {
			return b.WrapBits
		}
	}
	return act.DefaultRig.WrapBits
}
