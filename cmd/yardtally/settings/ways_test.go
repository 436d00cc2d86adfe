package settings

import "testing"

// What is wrong with the ways in that are no serial port and no broker.
func TestBadWays(t *testing.T) {
	const box, count = "[[modbus]]\naddress = \"10.0.0.2:502\"\n", "[[modbus.registers]]\nchannel = \"pulses\"\ntable = \"holding\"\naddress = 1\ntype = \"u32\"\n"
	for _, c := range []struct{ name, text, want string }{
		{"buttons alone", "[[gpio]]\nmark = 27", `heron.toml:2: gpio[0].pulses: must be given, like 17, as presses of buttons are told from old ones by it`},
		{"one pin twice", "[[gpio]]\npulses = 17\nmark = 17", `heron.toml:4: gpio[0].mark: must be a pin of its own, is 17`},
		{"one pin for two", "[[gpio]]\npulses = 17\n[[gpio]]\npulses = 17", `heron.toml:5: gpio[1].pulses: must be a pin of its own, is 17`},
		{"a pin that is read and driven", "[[gpio]]\npulses = 17\n[signal]\npin = 17", `heron.toml:5: signal.pin: must be a pin of its own, and [[gpio]] reads it, is 17`},
		{"a pin out of any chip", "[[gpio]]\npulses = -1", `heron.toml:3: gpio[0].pulses: must be a line of the chip, between 0 and 511, is -1`},
		{"a chip elsewhere", "[[gpio]]\npulses = 1\nchip = \"/dev/gpiochip0\"", `heron.toml:4: gpio[0].chip: must be a GPIO chip's name in /dev, like "gpiochip0", is "/dev/gpiochip0"`},
		{"pulled sideways", "[[gpio]]\npulses = 1\npull = \"sideways\"", `heron.toml:4: gpio[0].pull: must be "up", "down" or "none", is "sideways"`},
		{"active in between", "[[gpio]]\npulses = 1\nactive = \"both\"", `heron.toml:4: gpio[0].active: must be "low" or "high", is "both"`},
		{"a slow pulse", "[[gpio]]\npulses = 1\ndebounce = \"1 s\"", `heron.toml:4: gpio[0].debounce: must be between 0 and 0.1 s, is "1 s"`},
		{"a lamp's chip without lamp", "[signal]\ncommand = [\"true\"]\npin_chip = \"gpiochip1\"", `heron.toml:4: signal.pin_chip: must stand beside a pin, is "gpiochip1"`},
		{"a gpsd nowhere", "[[gpsd]]\naddress = \"here\"", `heron.toml:3: gpsd[0].address: must be host:port, like "127.0.0.1:2947", is "here"`},
		{"one gpsd twice", "[[gpsd]]\n[[gpsd]]", `heron.toml:3: gpsd[1]: must not read the gpsd at 127.0.0.1:2947, which another one reads`},
		{"a receiver with a blank", "[[gpsd]]\ndevice = \"/dev/a b\"", `heron.toml:3: gpsd[0].device: must be a receiver as gpsd calls it, like "/dev/ttyACM0", in at most 200 plain characters without blanks, is "/dev/a b"`},
		{"a device nowhere", "[[modbus]]\n" + count, `heron.toml:2: modbus[0].address: must be given, like "192.168.4.20:502", or a serial port like port = "/dev/ttyUSB1"`},
		{"a device in two places", box + "port = \"/dev/a\"\n" + count, `heron.toml:4: modbus[0].port: must not stand beside address, is "/dev/a"`},
		{"a rate over TCP", box + "baud = 9600\n" + count, `heron.toml:4: modbus[0].baud: must not stand beside address, as it is of a serial port, is 9600`},
		{"an odd rate", "[[modbus]]\nport = \"/dev/a\"\nbaud = 9601\n" + count, `heron.toml:4: modbus[0].baud: must be one of [1200 2400 4800 9600 19200 38400 57600 115200 230400], is 9601`},
		{"another parity", "[[modbus]]\nport = \"/dev/a\"\nparity = \"mark\"\n" + count, `heron.toml:4: modbus[0].parity: must be "none", "even" or "odd", is "mark"`},
		{"no stop bit", "[[modbus]]\nport = \"/dev/a\"\nstop_bits = 0\n" + count, `heron.toml:4: modbus[0].stop_bits: must be 1 or 2, is 0`},
		{"a broadcast", "[[modbus]]\nport = \"/dev/a\"\nunit_id = 0\n" + count, `heron.toml:4: modbus[0].unit_id: must be between 1 and 247, is 0`},
		{"too often", box + "every = \"1 ms\"\n" + count, `heron.toml:4: modbus[0].every: must be between 0.02 and 60 s, is "1 ms"`},
		{"no registers", box, `heron.toml:2: modbus[0].registers: must be between 1 and 64`},
		{"another channel", box + "[[modbus.registers]]\nchannel = \"flow\"", `heron.toml:5: modbus[0].registers[0].channel: must be a channel, like "pulses" or "headspace", is "flow"`},
		{"no table", box + "[[modbus.registers]]\nchannel = \"pulses\"\naddress = 1\ntype = \"u32\"", `heron.toml:4: modbus[0].registers[0].table: must be "holding" or "input"`},
		{"no address", box + "[[modbus.registers]]\nchannel = \"pulses\"\ntable = \"input\"\ntype = \"u32\"", `heron.toml:4: modbus[0].registers[0].address: must be given, like 100, from 0 as on the wire`},
		{"a count as a fraction", box + "[[modbus.registers]]\nchannel = \"pulses\"\ntable = \"input\"\naddress = 1\ntype = \"f32\"", `heron.toml:8: modbus[0].registers[0].type: must be "u16" or "u32", as pulses is a running count, is "f32"`},
		{"a count that wraps sooner", box + "[[modbus.registers]]\nchannel = \"pulses\"\ntable = \"input\"\naddress = 1\ntype = \"u16\"", `heron.toml:8: modbus[0].registers[0].type: must be of as many bits as counter.wrap_bits, which is 32, is "u16"`},
		{"a count with a scale", box + count + "scale = 10", `heron.toml:9: modbus[0].registers[0].scale: must be left out, as pulses is a running count, is 10`},
		{"a level without unit", box + "[[modbus.registers]]\nchannel = \"headspace\"\ntable = \"input\"\naddress = 1\ntype = \"u16\"", `heron.toml:4: modbus[0].registers[0].unit: must be one of ["m" "cm" "mm" "in" "ft"]`},
		{"middle first", box + count + "words = \"middle\"", `heron.toml:9: modbus[0].registers[0].words: must be "high first" or "low first", is "middle"`},
		{"a channel twice", box + count + count, `heron.toml:2: modbus[0].registers: must hold a channel once, pulses is there twice`},
		{"one port, two sources", "[[serial]]\nport = \"/dev/a\"\n[[modbus]]\nport = \"/dev/a\"\n" + count, `heron.toml:4: modbus[0]: must not read the port /dev/a, which another one reads; registers of several devices at one place may stand in one list, each with its unit_id`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse("heron.toml", []byte(least+c.text))
			if err == nil || err.Error() != c.want {
				t.Errorf("got\n%v\nwant\n%s", err, c.want)
			}
		})
	}
	// A count of 16 bits goes with a counter that says so.
	s, err := Parse("heron.toml", []byte(least+"[counter]\nwrap_bits = 16\n"+box+"[[modbus.registers]]\nchannel = \"pulses\"\ntable = \"input\"\naddress = 1\ntype = \"u16\"\n"))
	if err != nil || len(s.Modbus[0].Registers) != 1 || s.Modbus[0].Baud != 0 || s.Modbus[0].Parity != "" {
		t.Errorf("%+v, %v", s, err)
	}
}
