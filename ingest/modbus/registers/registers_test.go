package registers

import (
	"errors"
	"math"
	"strings"
	"testing"

	"yardtally/meter"
)

func count(at int, t Type) Register {
	return Register{Channel: meter.Pulses, UnitID: 1, Address: at, Type: t, Scale: 1, Unit: "count"}
}

func TestDecode(t *testing.T) {
	for _, c := range []struct {
		name  string
		r     Register
		bytes []byte
		want  float64
	}{
		{"u16", count(0, U16), []byte{0xFF, 0xFE}, 65534},
		{"u32, high word first", count(0, U32), []byte{0x00, 0x02, 0x00, 0x01}, 131073},
		{"u32, low word first", Register{Channel: meter.Pulses, Type: U32, LowFirst: true, Scale: 1, Unit: "count"}, []byte{0x00, 0x01, 0x00, 0x02}, 131073},
		{"u32, all of it", count(0, U32), []byte{0xFF, 0xFF, 0xFF, 0xFF}, 4294967295},
		{"i16 in tenths of a degree", Register{Channel: meter.Syrup, Type: I16, Scale: 0.1, Unit: "C"}, []byte{0xFF, 0xCE}, -5},
		// 11.6 is 0x4139999A as IEEE 754 binary32 (11.6 = 1.45·2³; .45·2²³ = 3774873.6, computed).
		{"f32", Register{Channel: meter.Syrup, Type: F32, Scale: 1, Unit: "C"}, []byte{0x41, 0x39, 0x99, 0x9A}, 11.6},
		{"f32, low word first", Register{Channel: meter.Syrup, Type: F32, LowFirst: true, Scale: 1, Unit: "C"}, []byte{0x99, 0x9A, 0x41, 0x39}, 11.6},
		{"Fahrenheit", Register{Channel: meter.Syrup, Type: I16, Scale: 1, Unit: "F"}, []byte{0, 212}, 100},
		{"kelvins", Register{Channel: meter.Air, Type: U16, Scale: 0.01, Unit: "K"}, []byte{0x6A, 0xB3}, 0}, // 27315
		{"millimetres", Register{Channel: meter.Headspace, Type: U16, Scale: 1, Unit: "mm"}, []byte{0x01, 0x9C}, 0.412},
		{"inches", Register{Channel: meter.Headspace, Type: U16, Scale: 1, Unit: "in"}, []byte{0, 100}, 2.54},
		{"psi", Register{Channel: meter.Line, Type: U16, Scale: 0.1, Unit: "psi"}, []byte{0, 100}, 68947.57293168361},
		{"bar", Register{Channel: meter.Line, Type: I16, Scale: 0.001, Unit: "bar"}, []byte{0x07, 0x44}, 186000},
		{"a minute", Register{Channel: meter.Pump, Type: U16, Scale: 1, Unit: "1/min"}, []byte{0x06, 0x72}, 27.5},
		{"milliseconds", Register{Channel: meter.Uptime, Type: U32, Scale: 1, Unit: "ms"}, []byte{0x05, 0x97, 0x7D, 0x90}, 93814.16}, // 0x05977D90 = 93814160
		{"the other way around", Register{Channel: meter.Headspace, Type: I16, Scale: -1, Unit: "mm"}, []byte{0xFE, 0x64}, 0.412},
	} {
		g := Group{Address: 0, Words: c.r.Type.Words(), Registers: []Register{c.r}}
		rs, bad := g.Decode(c.bytes)
		if len(bad) > 0 || len(rs) != 1 || rs[0].Channel != c.r.Channel || math.Abs(rs[0].Value-c.want) > 1e-11*math.Max(1, math.Abs(c.want)) {
			t.Errorf("%s: %v, %v, want %v", c.name, rs, bad, c.want)
		}
	}
}

// What a device says that has no sensor, or a broken one, is no reading.
func TestDecodeBad(t *testing.T) {
	for _, c := range []struct {
		r     Register
		bytes []byte
		want  string
	}{
		{Register{Channel: meter.Syrup, Type: F32, Scale: 1, Unit: "C"}, []byte{0x7F, 0xC0, 0, 0}, "syrup: must be a finite number, is NaN"},
		{Register{Channel: meter.Syrup, Type: F32, Scale: 1, Unit: "C"}, []byte{0x7F, 0x80, 0, 0}, "syrup: must be a finite number, is +Inf"},
		{Register{Channel: meter.Syrup, Type: I16, Scale: 0.1, Unit: "C"}, []byte{0x80, 0x00}, "syrup: must be between -60 and 150 Cel, is -3276.8"},
		{Register{Channel: meter.Syrup, Type: I16, Scale: 0.1, Unit: "C"}, []byte{0x80}, "unit 0, holding registers 0 to 0: must be 2 bytes, are 1"},
	} {
		g := Group{Words: c.r.Type.Words(), Registers: []Register{c.r}}
		rs, bad := g.Decode(c.bytes)
		if len(rs) != 0 || len(bad) != 1 || !strings.HasPrefix(bad[0].Error(), c.want) {
			t.Errorf("% x: %v, %v, want %q", c.bytes, rs, bad, c.want)
		}
	}
}

func TestGroups(t *testing.T) {
	at := func(c meter.Channel, unit int, input bool, address int, kind Type) Register {
		return Register{Channel: c, UnitID: unit, Input: input, Address: address, Type: kind, Scale: 1}
	}
	got := Groups([]Register{
		at(meter.Uptime, 1, false, 12, U32), at(meter.Syrup, 2, false, 14, I16), at(meter.Pulses, 1, false, 10, U32),
		at(meter.Air, 1, true, 14, I16), at(meter.Line, 1, false, 16, U16), at(meter.Head, 1, false, 17, F32),
	})
	want := []string{"unit 1, holding registers 10 to 13", "unit 1, holding registers 16 to 18", "unit 1, input registers 14 to 14", "unit 2, holding registers 14 to 14"}
	if len(got) != len(want) {
		t.Fatalf("%v", got)
	}
	for i := range got {
		if got[i].String() != want[i] {
			t.Errorf("%v, want %s", &got[i], want[i])
		}
	}
	// Not one request of more than the standard lets it be.
	var many []Register
	for i := range 100 {
		many = append(many, at(meter.Pulses, 1, false, 2*i, U32))
	}
	words := 0
	for _, g := range Groups(many) {
		if g.Words > 125 {
			t.Errorf("%v", &g)
		}
		words += g.Words
	}
	if words != 200 {
		t.Errorf("%d registers are asked for, of 200", words)
	}
}

func TestCheck(t *testing.T) {
	good := count(10, U32)
	for _, serial := range []bool{true, false} {
		if err := good.Check(serial); err != nil {
			t.Error(err)
		}
	}
	for _, c := range []struct {
		spoil func(*Register)
		want  string
	}{
		{func(r *Register) { r.Channel = 99 }, `channel: must be a channel, like "pulses"`},
		{func(r *Register) { r.UnitID = 0 }, "unit_id: must be between 1 and 247"},
		{func(r *Register) { r.UnitID = 248 }, "unit_id: must be between 1 and 247"},
		{func(r *Register) { r.Type = "u64" }, `type: must be "u16", "i16", "u32" or "f32"`},
		{func(r *Register) { r.Address = 65535 }, "address: must be between 0 and 65534, as on the wire"},
		{func(r *Register) { r.Address = -1 }, "address: must be between 0 and 65534, as on the wire"},
		{func(r *Register) { r.Type = F32 }, `type: must be "u16" or "u32", as pulses is a running count`},
		{func(r *Register) { r.Type = I16 }, `type: must be "u16" or "u32", as pulses is a running count`},
		{func(r *Register) { r.Scale = 10 }, "scale: must be left out, as pulses is a running count"},
		{func(r *Register) { r.Unit = "ms" }, `unit: must be one of ["count"]`},
		{func(r *Register) { r.Channel, r.Type, r.Unit = meter.Uptime, U16, "s" }, `type: must be "u32"`},
		{func(r *Register) { r.Channel, r.Unit, r.Scale = meter.Uptime, "s", 0.1 }, `scale: must be left out`},
		{func(r *Register) { r.Channel, r.Unit, r.Scale = meter.Syrup, "C", 0 }, `scale: must be between 1e-09 and 1e+09`},
		{func(r *Register) { r.Channel, r.Unit, r.Scale = meter.Syrup, "C", math.NaN() }, `scale: must be between 1e-09 and 1e+09`},
	} {
		r := good
		c.spoil(&r)
		err := r.Check(true)
		var e *Error
		if !errors.As(err, &e) || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
	if r := good; r.UnitID == 1 {
		r.UnitID = 255
		if err := r.Check(false); err != nil {
			t.Errorf("over TCP: %v", err)
		}
	}
	for _, c := range []struct {
		rs   []Register
		want string
	}{
		{nil, "registers: must be between 1 and 64"},
		{[]Register{count(0, U16), count(1, U16)}, "registers: must hold a channel once, pulses is there twice"},
		{[]Register{{Channel: meter.Lat}}, "registers: must have lat and lon both, or neither"},
		{[]Register{{Channel: meter.Mark}}, "registers: must have pulses where they have mark"},
	} {
		if err := CheckMap(c.rs); err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
	if b := count(0, U16); b.WrapBits() != 16 {
		t.Error("u16 starts over at 2^16")
	}
}
