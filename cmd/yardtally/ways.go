package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/gpio"
	"yardtally/ingest/gpsd"
	"yardtally/ingest/modbus"
	"yardtally/ingest/sound"
	"yardtally/ingest/source"
)

// planWays is what brings one rig's readings and is neither a serial port nor a
// recording.
func (d *daemon) planWays(set *settings.Settings) (all []planned) {
	for _, g := range set.GPIO {
		all = append(all, planned{"gpio", g.Name, g, func() (source.Source, error) {
			return gpio.New(gpio.Options{Name: g.Name, Pins: pinsOf(&g), Debounce: g.Debounce, Rig: set.Rig, Clock: d.clock, Log: d.log, Open: d.pins})
		}})
	}
	for _, g := range set.GPSD {
		all = append(all, planned{"gpsd", g.Name, g, func() (source.Source, error) {
			return gpsd.New(gpsd.Options{Name: g.Name, Address: g.Address, Device: g.Device, Rig: set.Rig, Clock: d.clock, Log: d.log})
		}})
	}
	for _, m := range set.Modbus {
		all = append(all, planned{"modbus", m.Name, m, func() (source.Source, error) { return modbus.New(d.modbusOptions(set, &m)) }})
	}
	return all
}

func pinsOf(g *settings.GPIO) gpio.Pins {
	return gpio.Pins{Chip: g.Chip, Pulses: g.Pulses, Mark: g.Mark, Skip: g.Skip, ActiveLow: g.ActiveLow, Pull: g.Pull}
}

// pinOut asks the kernel for a signal's pin; it is off then.
func pinOut(p *settings.Pin) (sound.Switch, error) {
	return gpio.OpenOutput(p.Chip, p.Line, p.ActiveLow)
}

// checkPin asks for a signal's pin and lets it go at once; it is off meanwhile.
func checkPin(c *checker, p *settings.Pin, running bool, open func(*settings.Pin) (sound.Switch, error)) {
	if running {
		c.note("signal pin", "line %d of %s is the running daemon's, for a lamp or a buzzer only", p.Line, p.Chip)
		return
	}
	out, err := open(p)
	if err == nil {
		err = out.Close()
	}
	c.say("signal pin", mendPin(p.Chip, err), "line %d of %s can be driven, for a lamp or a buzzer only", p.Line, p.Chip)
}

// mendPin says what mends that a chip, or a line of it, cannot be had.
func mendPin(chip string, err error) error {
	path := "/dev/" + chip
	switch {
	case err == nil:
		return nil
	case errors.Is(err, fs.ErrNotExist):
		return mendable{err, "ls /dev/gpiochip* (lists the chips that there are)"}
	case errors.Is(err, fs.ErrPermission):
		if info, serr := os.Stat(path); serr == nil {
			return portDenied(path, info)
		}
	case errors.Is(err, syscall.EBUSY):
		return mendable{err, fmt.Sprintf("sudo lsof %s (lists who has it), and stop that; or set another line", path)}
	}
	return mendable{err, fmt.Sprintf("gpioinfo %s (lists its lines)", chip)}
}

// lampOf is the lamp that all rigs' signals are given on.
func (d *daemon) lampOf(p *settings.Pin) *sound.Lamp {
	if d.lamp == nil {
		d.lampPin = *p
		open := d.pinOut
		if open == nil {
			open = pinOut
		}
		d.lamp = sound.NewLamp(func() (sound.Switch, error) { return open(p) })
	}
	return d.lamp
}

func (d *daemon) modbusOptions(set *settings.Settings, m *settings.Modbus) modbus.Options {
	return modbus.Options{Name: m.Name, Address: m.Address, Port: m.Port, Baud: m.Baud, Parity: m.Parity, StopBits: m.StopBits,
		Every: m.Every, Timeout: m.Timeout, Registers: m.Registers, Rig: set.Rig, Clock: d.clock, Log: d.log}
}

// checkWays says of these sources whether they would work, and how many there
// are.
func checkWays(ctx context.Context, c *checker, set *settings.Settings, running bool) int {
	for i := range set.GPIO {
		g := &set.GPIO[i]
		if running {
			c.note("gpio "+g.Name, "%s is the running daemon's", g.Chip)
			continue
		}
		lines, err := gpio.Open(pinsOf(g))
		if err == nil {
			err = lines.Close()
		}
		c.say("gpio "+g.Name, mendPin(g.Chip, err), "%s, line %d can be read", g.Chip, g.Pulses)
	}
	for _, g := range set.GPSD {
		c.say("gpsd "+g.Name, gpsd.Check(ctx, g.Address), "%s answers", g.Address)
	}
	for i := range set.Modbus {
		m := &set.Modbus[i]
		if running && m.Port != "" {
			c.note("modbus "+m.Name, "%s is the running daemon's", m.Port)
			continue
		}
		d := &daemon{clock: source.SystemClock{}}
		c.say("modbus "+m.Name, modbus.Check(ctx, d.modbusOptions(set, m)), "%s gives %s", m.Address+m.Port, howMany(len(m.Registers), "register"))
	}
	return len(set.GPIO) + len(set.GPSD) + len(set.Modbus)
}
