// Package meter holds what a rig says: readings, the channels they come on, and
// the record that keeps the readings of one instant together with everything
// that is known about when they were said.
//
// The package and the rooms below it are pure: no clock, no files, no network.
// Time comes in with the record.
package meter

import (
	"fmt"
	"math"
)

// Channel says what a reading is a reading of.
type Channel uint8

// The channels of a rig. Numbers are kept on disk: never renumber, only append.
const (
	Pulses    Channel = 1  // running count of flow-meter pulses since the counter board started
	Uptime    Channel = 2  // s since the counter board started
	Boot      Channel = 3  // how often the counter board has started
	Headspace Channel = 4  // m from the level sensor's face down to the syrup
	Head      Channel = 5  // Pa gauge near the bottom of the tote
	Syrup     Channel = 6  // °C at the meter
	Air       Channel = 7  // °C
	Line      Channel = 8  // Pa gauge at the pump outlet
	Pump      Channel = 9  // pump shaft speed, 1/s
	Mark      Channel = 10 // running count of presses of "arrived at the next yard"
	Skip      Channel = 11 // running count of presses of "this colony gets none"
	Lat       Channel = 12 // degrees north, WGS 84
	Lon       Channel = 13 // degrees east, WGS 84
	HDOP      Channel = 14 // horizontal dilution of precision
	UTC       Channel = 15 // Unix seconds, from satellites
)

// LastChannel is the highest channel number in use.
const LastChannel = UTC

type channelInfo struct {
	name, unit string
	min, max   float64
	whole      bool
}

// Limits are those of the physical world or of the wire, generous on purpose:
// outside them a number is a fault of the sensor, not a reading.
var channels = [LastChannel + 1]channelInfo{
	Pulses:    {"pulses", "count", 0, 1 << 53, true},
	Uptime:    {"uptime", "s", 0, 4e9, false},
	Boot:      {"boot", "count", 0, 1 << 53, true},
	Headspace: {"headspace", "m", 0, 20, false},
	Head:      {"head", "Pa", -2e5, 1e6, false},
	Syrup:     {"syrup", "Cel", -60, 150, false},
	Air:       {"air", "Cel", -90, 90, false},
	Line:      {"line", "Pa", -2e5, 1e7, false},
	Pump:      {"pump", "1/s", 0, 1000, false},
	Mark:      {"mark", "count", 0, 1 << 53, true},
	Skip:      {"skip", "count", 0, 1 << 53, true},
	Lat:       {"lat", "lat", -90, 90, false},
	Lon:       {"lon", "lon", -180, 180, false},
	HDOP:      {"hdop", "/", 0, 1000, false},
	UTC:       {"utc", "s", 0, 4.5e9, false},
}

// String returns the channel's name on the wire, in small letters.
func (c Channel) String() string {
	if c == 0 || c > LastChannel {
		return fmt.Sprintf("channel(%d)", uint8(c))
	}
	return channels[c].name
}

// Unit returns the channel's SenML unit (RFC 8428 section 12.1).
func (c Channel) Unit() string {
	if c == 0 || c > LastChannel {
		return ""
	}
	return channels[c].unit
}

// ParseChannel returns the channel of that name, in small letters.
func ParseChannel(name string) (Channel, bool) {
	for c := Pulses; c <= LastChannel; c++ {
		if channels[c].name == name {
			return c, true
		}
	}
	return 0, false
}

// Reading is one number on one channel, in the channel's unit.
type Reading struct {
	Channel Channel
	Value   float64
}

// Check reports whether the value can be a reading of its channel: finite,
// whole where the channel counts, and within the channel's limits. The error
// names the channel, the rule and the value.
func (r Reading) Check() error {
	if r.Channel == 0 || r.Channel > LastChannel {
		return fmt.Errorf("channel %d is not known", r.Channel)
	}
	in := &channels[r.Channel]
	switch {
	case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
		return fmt.Errorf("%s: must be a finite number, is %v", in.name, r.Value)
	case r.Value < in.min || r.Value > in.max:
		return fmt.Errorf("%s: must be between %g and %g %s, is %g", in.name, in.min, in.max, in.unit, r.Value)
	case in.whole && r.Value != math.Trunc(r.Value):
		return fmt.Errorf("%s: must be a whole count, is %g", in.name, r.Value)
	}
	return nil
}

// Record is what one source said at one instant, as it was observed and never
// changed afterwards. Where times are concerned it holds only evidence: which
// instant of UTC it belongs to is the ledger's to derive.
type Record struct {
	Seq    uint64 // order of arrival at this rig's journal, from 1; 0 before it is kept
	Boot   uint32 // number of the stretch of the daemon's monotonic clock, in order of first use
	Mono   int64  // ns of that clock on arrival (CLOCK_BOOTTIME)
	Wall   int64  // Unix ns by the daemon's clock on arrival; may be wrong
	Rel    int64  // ns, zero or negative: how long before arrival the sender says it was, where it gave no absolute time
	Sent   int64  // Unix ns by the sender's clock; 0 where it gave none; may be wrong
	Source string // where it came from, e.g. "serial", "mqtt"

	Readings []Reading // at least one; at most one a channel
}

// Value returns the reading of channel c in r, if there is one.
func (r *Record) Value(c Channel) (float64, bool) {
	for _, x := range r.Readings {
		if x.Channel == c {
			return x.Value, true
		}
	}
	return 0, false
}
