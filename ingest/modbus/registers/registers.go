// Package registers is what a device's Modbus registers mean: a map from them to
// a rig's channels. It is pure: it asks no device.
//
// A register holds 16 bits, most significant byte first (Modbus Application
// Protocol V1.1b3, 4.2). Numbers of 32 bits take two, and the standard does not
// say in which order; makers differ.
package registers

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"

	"yardtally/meter"
)

// Type is the kind of number that a register, or two, hold.
type Type string

// Types of numbers.
const (
	U16 Type = "u16"
	I16 Type = "i16"
	U32 Type = "u32"
	F32 Type = "f32" // IEEE 754
)

// Types are all of them.
var Types = []Type{U16, I16, U32, F32}

// Words is how many registers a number takes.
func (t Type) Words() int {
	if t == U32 || t == F32 {
		return 2
	}
	return 1
}

// Register says where one channel's number stands and what it is of.
type Register struct {
	Channel  meter.Channel
	UnitID   int  // of the device on its line
	Input    bool // in the table of input registers, else of holding registers
	Address  int  // from 0, as on the wire
	Type     Type
	LowFirst bool    // of two registers the first has the lower 16 bits
	Scale    float64 // what one of the number is, in Unit
	Unit     string  // one of Units(Channel)
}

// Error is what is wrong with one field of a register, or of the map.
type Error struct{ Field, Rule string }

func (e *Error) Error() string { return e.Field + ": " + e.Rule }

// unit is how to come to the channel's own unit: times by, through parts, plus
// add.
type unit struct {
	name           string
	by, parts, add float64
}

// Units that a number may be in, by the channel's own unit. Inch, foot, psi and
// degrees Fahrenheit: NIST SP 811, appendix B (the first exact; psi from the
// pound, the inch and standard gravity, to 16 digits).
var units = map[string][]unit{
	"count": {{"count", 1, 1, 0}},
	"s":     {{"s", 1, 1, 0}, {"ms", 1, 1000, 0}},
	"m":     {{"m", 1, 1, 0}, {"cm", 1, 100, 0}, {"mm", 1, 1000, 0}, {"in", 0.0254, 1, 0}, {"ft", 0.3048, 1, 0}},
	"Pa":    {{"Pa", 1, 1, 0}, {"hPa", 100, 1, 0}, {"mbar", 100, 1, 0}, {"kPa", 1000, 1, 0}, {"bar", 1e5, 1, 0}, {"psi", 6894.757293168361, 1, 0}},
	"Cel":   {{"C", 1, 1, 0}, {"F", 5, 9, -160.0 / 9}, {"K", 1, 1, -273.15}},
	"1/s":   {{"1/s", 1, 1, 0}, {"1/min", 1, 60, 0}},
	"lat":   {{"deg", 1, 1, 0}},
	"lon":   {{"deg", 1, 1, 0}},
	"/":     {{"1", 1, 1, 0}},
}

// Units are the units that a channel's number may be in, its own first.
func Units(c meter.Channel) (out []string) {
	for _, u := range units[c.Unit()] {
		out = append(out, u.name)
	}
	return out
}

// counts reports whether a channel counts: it wraps with its register, and no
// scale can be put to it.
func counts(c meter.Channel) bool { return c.Unit() == "count" }

// WrapBits is at how many bits a counting register starts over.
func (r *Register) WrapBits() int { return 16 * r.Type.Words() }

// Bounds on a register. The number of a register is of 16 bits, and a device's
// own number at most 247 on a serial line (Modbus over Serial Line V1.02, 2.2);
// over TCP 0 and 255 name the device at the address itself (Modbus Messaging on
// TCP/IP V1.0b, 4.4.2.1).
const (
	lastAddress = 65535
	lastSerial  = 247
	lastTCP     = 255
	most        = 64 // registers of one map. Judgement, no source.
	mostScale   = 1e9
	leastScale  = 1e-9
)

// Check reports what of a register cannot be so, as an *Error.
func (r *Register) Check(serial bool) error {
	bad := func(field, rule string, args ...any) error { return &Error{field, fmt.Sprintf(rule, args...)} }
	first, last := 0, lastTCP
	if serial {
		first, last = 1, lastSerial
	}
	switch {
	case r.Channel == 0 || r.Channel > meter.LastChannel:
		return bad("channel", `must be a channel, like "pulses"`)
	case r.UnitID < first || r.UnitID > last:
		return bad("unit_id", "must be between %d and %d", first, last)
	case !slices.Contains(Types, r.Type):
		return bad("type", `must be "u16", "i16", "u32" or "f32"`)
	case r.Address < 0 || r.Address+r.Type.Words()-1 > lastAddress:
		return bad("address", "must be between 0 and %d, as on the wire", lastAddress-r.Type.Words()+1)
	case counts(r.Channel) && r.Type != U16 && r.Type != U32:
		return bad("type", `must be "u16" or "u32", as %s is a running count`, r.Channel)
	case counts(r.Channel) && r.Scale != 1:
		return bad("scale", "must be left out, as %s is a running count", r.Channel)
	case r.Channel == meter.Uptime && r.Type != U32:
		return bad("type", `must be "u32", as an uptime of fewer bits starts over within a night`)
	case !slices.Contains(Units(r.Channel), r.Unit):
		return bad("unit", "must be one of %q", Units(r.Channel))
	case r.Channel == meter.Uptime && r.Scale != 1:
		return bad("scale", `must be left out, with the unit "s" or "ms", as it is known how those start over`)
	case !(math.Abs(r.Scale) >= leastScale && math.Abs(r.Scale) <= mostScale):
		return bad("scale", "must be between %g and %g, or below 0 as far", leastScale, mostScale)
	}
	return nil
}

// CheckMap reports what of a whole map cannot be so, each register of which is
// good, as an *Error.
func CheckMap(rs []Register) error {
	has := map[meter.Channel]bool{}
	for i := range rs {
		if has[rs[i].Channel] {
			return &Error{"registers", fmt.Sprintf("must hold a channel once, %s is there twice", rs[i].Channel)}
		}
		has[rs[i].Channel] = true
	}
	switch {
	case len(rs) == 0 || len(rs) > most:
		return &Error{"registers", fmt.Sprintf("must be between 1 and %d", most)}
	case has[meter.Lat] != has[meter.Lon]:
		return &Error{"registers", "must have lat and lon both, or neither"}
	}
	for _, c := range []meter.Channel{meter.Uptime, meter.Boot, meter.Mark, meter.Skip} {
		if has[c] && !has[meter.Pulses] {
			return &Error{"registers", fmt.Sprintf("must have pulses where they have %s, which starts over with them", c)}
		}
	}
	return nil
}

// mostWords is how many registers one request may ask for (Modbus Application
// Protocol V1.1b3, 6.3).
const mostWords = 125

// Group is registers that one request asks for: they follow each other without
// a hole, as many devices refuse what has one.
type Group struct {
	UnitID         int
	Input          bool
	Address, Words int
	Registers      []Register
}

// String names the group for a person.
func (g *Group) String() string {
	table := "holding"
	if g.Input {
		table = "input"
	}
	return fmt.Sprintf("unit %d, %s registers %d to %d", g.UnitID, table, g.Address, g.Address+g.Words-1)
}

// Groups puts a map's registers into as few requests as there can be.
func Groups(rs []Register) (out []Group) {
	rs = slices.Clone(rs)
	table := func(r *Register) int {
		if r.Input {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(rs, func(a, b Register) int {
		return cmp.Or(cmp.Compare(a.UnitID, b.UnitID), cmp.Compare(table(&a), table(&b)), cmp.Compare(a.Address, b.Address))
	})
	for _, r := range rs {
		if n := len(out); n > 0 {
			g := &out[n-1]
			end := r.Address + r.Type.Words() - g.Address
			if g.UnitID == r.UnitID && g.Input == r.Input && r.Address <= g.Address+g.Words && end <= mostWords {
				g.Words = max(g.Words, end)
				g.Registers = append(g.Registers, r)
				continue
			}
		}
		out = append(out, Group{r.UnitID, r.Input, r.Address, r.Type.Words(), []Register{r}})
	}
	return out
}

// Decode reads the numbers of an answer, the registers' bytes as on the wire,
// in each channel's own unit. What cannot be a reading is told instead.
func (g *Group) Decode(answer []byte) (rs []meter.Reading, bad []error) {
	if len(answer) != 2*g.Words {
		return nil, []error{fmt.Errorf("%s: must be %d bytes, are %d", g, 2*g.Words, len(answer))}
	}
	for i := range g.Registers {
		r := &g.Registers[i]
		b := answer[2*(r.Address-g.Address):][:2*r.Type.Words()]
		reading := meter.Reading{Channel: r.Channel, Value: r.value(b)}
		if err := reading.Check(); err != nil {
			bad = append(bad, err)
		} else {
			rs = append(rs, reading)
		}
	}
	return rs, bad
}

// digits is to how many digits numbers are rounded: more than any device has
// (those of 32 bits have ten, and come through as they are), and without the
// last bits that scales bring, which the journal would keep at some cost.
const digits = 12

func (r *Register) value(b []byte) float64 {
	v := 0.0
	switch first := binary.BigEndian.Uint16(b); r.Type {
	case U16:
		v = float64(first)
	case I16:
		v = float64(int16(first))
	default:
		second := binary.BigEndian.Uint16(b[2:])
		if r.LowFirst {
			first, second = second, first
		}
		n := uint32(first)<<16 | uint32(second)
		if v = float64(n); r.Type == F32 {
			v = decimal(float64(math.Float32frombits(n)), -1, 32)
		}
	}
	for _, u := range units[r.Channel.Unit()] {
		if u.name == r.Unit {
			v = float64(v*r.Scale*u.by/u.parts) + u.add
		}
	}
	return decimal(v, digits, 64)
}

// decimal is the number that so many digits name, -1 for as few as name it
// among those of so many bits.
func decimal(v float64, digits, bits int) float64 {
	if d, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, bits), 64); err == nil {
		return d
	}
	return v // an infinity
}
