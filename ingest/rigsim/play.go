package rigsim

import (
	"context"
	"fmt"
	"slices"
	"time"

	"yardtally/meter"
)

// Split says which channels go over which wire. One may go over both; what is
// in neither is not said.
type Split struct{ Serial, MQTT []meter.Channel }

// DemoSplit is a rig whose counter board and tote sensors hang on a serial
// line and whose other sensors speak MQTT.
func DemoSplit() Split {
	return Split{
		Serial: []meter.Channel{meter.Pulses, meter.Uptime, meter.Boot, meter.Headspace, meter.Head, meter.Syrup, meter.Air, meter.Mark, meter.Skip},
		MQTT:   []meter.Channel{meter.Lat, meter.Lon, meter.HDOP, meter.UTC, meter.Line, meter.Pump},
	}
}

// Player says a rig's messages at a pace.
type Player struct {
	Speed   float64 // simulated seconds a second, above 0
	Split   Split
	Stamped bool // whether packs carry the rig's time

	// Elapsed tells the time since some fixed instant, by a clock that never
	// steps. Sleep waits, or returns the context's error.
	Elapsed func() time.Duration
	Sleep   func(ctx context.Context, d time.Duration) error

	// Serial takes lines, MQTT takes one pack. The bytes are theirs to keep.
	// An error of theirs ends the play.
	Serial func(lines []byte) error
	MQTT   func(pack []byte) error

	// Said, if set, is told of each message after it was sent. It is where the
	// rig may be asked for its truth.
	Said func(Said)
}

// Play runs the rig to its end: every message in order, each when its time has
// come. Where it was held up it says at once what is due: nothing is lost.
func (p *Player) Play(ctx context.Context, r *Rig) error {
	if !(p.Speed > 0) {
		return fmt.Errorf("speed: must be above 0, is %g", p.Speed)
	}
	began, first := p.Elapsed(), time.Time{}
	for s := range r.All() {
		if first.IsZero() {
			first = s.At
		}
		due := began + time.Duration(float64(s.At.Sub(first))/p.Speed)
		for {
			wait := due - p.Elapsed()
			if wait <= 0 {
				break
			}
			if err := p.Sleep(ctx, wait); err != nil {
				return err
			}
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := p.send(r.s.Rig, s); err != nil {
			return err
		}
		if p.Said != nil {
			p.Said(s)
		}
	}
	return nil
}

func (p *Player) send(rig string, s Said) error {
	if part := only(s, p.Split.Serial); len(part.Readings) > 0 && p.Serial != nil {
		lines, err := SerialLines(nil, part)
		if err != nil {
			return err
		}
		if err := p.Serial(lines); err != nil {
			return err
		}
	}
	if part := only(s, p.Split.MQTT); len(part.Readings) > 0 && p.MQTT != nil {
		pack, err := Pack(nil, rig, part, p.Stamped)
		if err != nil {
			return err
		}
		return p.MQTT(pack)
	}
	return nil
}

// only returns what s says on those channels.
func only(s Said, channels []meter.Channel) Said {
	out := Said{At: s.At}
	for _, x := range s.Readings {
		if slices.Contains(channels, x.Channel) {
			out.Readings = append(out.Readings, x)
		}
	}
	return out
}
