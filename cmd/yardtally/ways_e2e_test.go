package main

import (
	"fmt"
	"math"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/gpsd/gpsdtest"
	"yardtally/ingest/modbus/modbustest"
	"yardtally/ingest/modbus/registers"
	"yardtally/ingest/rigsim"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// pull is one pull of the trigger as a counter counts it: step by step the
// count and the board's uptime.
type pull struct {
	n     *night
	steps []pullStep
	told  quantity.Volume // all that flowed
}

type pullStep struct {
	at        time.Time
	count, up uint32 // pulses; ms
}

// pulled makes a pull of so many pulses. Where the board starts again in the
// middle, its count and uptime do.
func pulled(t *testing.T, pulses uint32, restarts bool) *pull {
	p := &pull{n: &night{Scenario: rigsim.SmallNight(1)}}
	p.n.settings(t, t.TempDir()) // says what a pulse is worth
	p.told = quantity.Volume(pulses) * p.n.pulse
	const before = uint32(184223)
	base, began := before, -95*time.Second
	step := func(at time.Duration, flowed uint32) {
		p.steps = append(p.steps, pullStep{p.n.Start.Add(at), base + flowed, uint32((at - began).Milliseconds())})
	}
	at := time.Duration(0)
	for ; at < 10*time.Second; at += time.Second {
		step(at, 0)
	}
	const steps = 40
	for i := uint32(1); i <= steps; i++ {
		at += 500 * time.Millisecond
		flowed := pulses * i / steps
		if restarts && i == steps/2+1 {
			half := pulses * (steps / 2) / steps
			base, began = -half, at-200*time.Millisecond // in whole turns of 32 bits
		}
		step(at, flowed)
	}
	for range 14 {
		at += time.Second
		step(at, pulses)
	}
	return p
}

// check holds what the desk has against what flowed.
func (p *pull) check(t *testing.T, v *ledger.View, restarted bool) {
	t.Helper()
	if v.Total != p.told {
		t.Errorf("total %v, want %v", v.Total, p.told)
	}
	p.n.checkSum(t, "the pull", v)
	if !restarted && (len(v.Fills) != 1 || v.Fills[0].Volume != p.told || len(v.Gaps) > 0) {
		t.Errorf("fills %+v, gaps %+v, want one of %v", v.Fills, v.Gaps, p.told)
	}
	if restarted && len(v.Gaps) != 1 {
		t.Errorf("gaps %+v, want the restart's", v.Gaps)
	}
}

// modbusCounter is a device's map of count and uptime.
func modbusCounter(address, port string) []settings.Modbus {
	return []settings.Modbus{{Name: "counter", Address: address, Port: port, Baud: 115200, Parity: "none", Every: 20 * time.Millisecond, Timeout: time.Second,
		Registers: []registers.Register{
			{Channel: meter.Pulses, UnitID: 1, Address: 100, Type: registers.U32, Scale: 1, Unit: "count"},
			{Channel: meter.Uptime, UnitID: 1, Address: 102, Type: registers.U32, Scale: 1, Unit: "ms"},
		}}}
}

// sourceNamed is the source of that name.
func sourceNamed(t *testing.T, w *atWork, name string) source.Source {
	t.Helper()
	for _, s := range w.sources {
		if s.Name() == name {
			return s
		}
	}
	t.Fatalf("there is no source %s", name)
	return nil
}

// play has the device count, and waits at each step until it was asked twice.
func (p *pull) play(t *testing.T, w *atWork, d *modbustest.Device, also func(pullStep)) {
	t.Helper()
	src := sourceNamed(t, w, "counter")
	for _, s := range p.steps {
		w.clock.set(s.at)
		d.Hold(100, uint16(s.count>>16), uint16(s.count), uint16(s.up>>16), uint16(s.up))
		n := src.State().Messages
		await(t, "the device to be asked", func() bool { return src.State().Messages >= n+2 })
		if also != nil {
			also(s)
		}
	}
}

// A pull comes over Modbus, on TCP and on a serial line, and is what flowed; so
// it is where the device starts again in the middle, and the gap is named.
func TestPullOverModbus(t *testing.T) {
	for _, c := range []struct {
		name          string
		rtu, restarts bool
	}{{"tcp", false, false}, {"rtu", true, false}, {"restart", false, true}} {
		t.Run(c.name, func(t *testing.T) {
			p := pulled(t, 529, c.restarts)
			d := modbustest.Start(t)
			s := p.steps[0]
			d.Hold32(100, s.count)
			d.Hold32(102, s.up)
			address, port := d.Addr, ""
			if c.rtu {
				address, port = "", d.RTU().Path
			}
			data := t.TempDir()
			set := p.n.settings(t, data)
			set.Modbus = modbusCounter(address, port)
			w := work(t, set, newStepClock(p.n.Start))
			p.play(t, w, d, nil)
			if st := w.sources[0].State(); len(st.Dropped) > 0 {
				t.Errorf("dropped %v", st.Dropped)
			}
			v := w.last()
			p.check(t, v, c.restarts)
			sameView(t, "live and replayed", v, replayed(t, data))
		})
	}
}

// The position comes from a real gpsd, the count over Modbus: the pull is a fill
// of the yard that the rig stands in.
func TestPullWithGpsd(t *testing.T) {
	g := gpsdtest.Start(t)
	p := pulled(t, 529, false)
	d := modbustest.Start(t)
	d.Hold32(100, p.steps[0].count)
	d.Hold32(102, p.steps[0].up)
	data := t.TempDir()
	set := p.n.settings(t, data)
	set.Modbus = modbusCounter(d.Addr, "")
	set.GPSD = []settings.GPSD{{Name: "position", Address: g.Addr, Device: g.Device}}
	var yard act.Yard
	for _, a := range set.Acts {
		if y, ok := a.Body.(act.Yard); ok && yard.ID == "" {
			yard = y
		}
	}
	w := work(t, set, newStepClock(p.n.Start))
	position := sourceNamed(t, w, "position")
	p.play(t, w, d, func(s pullStep) {
		// Until gpsd has told of this instant.
		n := position.State().Messages
		for range 200 {
			at := s.at.UTC()
			where := nmeaDegrees(yard.Lat, "N", "S", 2) + "," + nmeaDegrees(yard.Lon, "E", "W", 3)
			g.Say("GPGGA,%s,%s,1,08,1.01,499.6,M,48.0,M,,", at.Format("150405.00"), where)
			g.Say("GPRMC,%s,A,%s,0.05,10.3,%s,,,A", at.Format("150405.00"), where, at.Format("020106"))
			time.Sleep(20 * time.Millisecond)
			if position.State().Messages > n {
				return
			}
		}
		t.Fatalf("gpsd tells nothing: %+v; %s", position.State(), g.Said())
	})
	v := w.last()
	p.check(t, v, false)
	if len(v.Fills) == 1 && (v.Fills[0].Yard != yard.ID || v.Fills[0].Reason != ledger.ByPosition) {
		t.Errorf("fill %+v, want one in %s", v.Fills[0], yard.ID)
	}
	sameView(t, "live and replayed", v, replayed(t, data))
}

// nmeaDegrees writes degrees as NMEA 0183 does: ddmm.mmmmm and a letter.
func nmeaDegrees(v float64, plus, minus string, width int) string {
	side := plus
	if v < 0 {
		v, side = -v, minus
	}
	d := math.Floor(v)
	return fmt.Sprintf("%0*d%08.5f,%s", width, int(d), (v-d)*60, side)
}
