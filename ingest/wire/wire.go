package wire

import (
	"fmt"
	"strconv"

	"yardtally/meter"
)

// Message is what a rig says of one instant.
type Message struct {
	Sent     int64 // Unix ns by the sender's clock; 0: it gave none
	Rel      int64 // ns, zero or negative: how long before arrival, where Sent is 0
	Readings []meter.Reading
}

// Reason says why something was not taken in. Reasons are for counting: there
// are few, and none holds a value.
type Reason string

// All reasons. Those of a line or pack as a whole cost everything in it; the
// others cost one quadruplet, one record or one position.
const (
	// NMEA 0183, the line as a whole.
	NoStart     Reason = "no dollar sign at the start" // not a sentence, or one cut at its head
	TooLong     Reason = "line too long"               // over 82 characters with CR LF
	Unprintable Reason = "unprintable byte"            // outside 20 to 7E hex
	NoChecksum  Reason = "no checksum"                 // does not end in * and two hexadecimal digits in capitals
	BadChecksum Reason = "wrong checksum"              // ends in another one than that of its bytes
	NotOurs     Reason = "not our sentence"            // a good one, but no XDR, RMC or GGA, or a maker's own

	// NMEA 0183, a part of a good line.
	NoFix    Reason = "no position fix" // the receiver says that it knows none, or that it was made up
	BadField Reason = "bad field"       // a field that cannot be read, or is not there

	// A reading, on either wire.
	UnknownChannel Reason = "unknown channel"
	WrongUnit      Reason = "wrong unit"       // or XDR type: not the channel's
	NotANumber     Reason = "not a number"     // a value that is empty, text, or of a kind no channel has
	Impossible     Reason = "impossible value" // a number the channel cannot have; see meter.Reading.Check
	Twice          Reason = "channel twice"    // a channel again at the same instant; the first stands

	// SenML, the pack as a whole.
	NotJSON    Reason = "not a SenML pack" // not UTF-8 JSON, not an array, or an empty one
	TooBig     Reason = "too big"          // over MaxPack bytes or MaxRecords records, or a line over MaxLine
	TooDeep    Reason = "too deep"         // nested more than MaxDepth
	BadVersion Reason = "SenML version"    // newer than 10, not a version, or two in one pack

	// SenML, one record.
	BadRecord    Reason = "bad record"         // not an object, a label twice, a value of the wrong JSON type
	Mandatory    Reason = "mandatory label"    // a label that ends in _ and is not known here
	SpoiltBase   Reason = "spoilt base field"  // rests on a base field that an earlier record gave wrongly
	BadName      Reason = "bad name"           // not a SenML name, or not rig/channel
	OtherRig     Reason = "another rig"        // not the rig that was asked for
	BadTime      Reason = "time out of range"  // cannot be held in Unix ns
	RelativeTime Reason = "relative time"      // in a recording, where now is not known
	BadExport    Reason = "bad export field"   // an x- label of a kept record that is missing or cannot be read
	BadAct       Reason = "bad act"            // an act that cannot be read or cannot be so
	UnknownLine  Reason = "not a line of ours" // in a recording: no pack, no act, no comment
)

// Drop is one thing that was not taken in.
type Drop struct {
	Reason Reason
	Detail string // names field, rule and value; at most MaxDetail bytes
}

func (d Drop) String() string {
	if d.Detail == "" {
		return string(d.Reason)
	}
	return string(d.Reason) + ": " + d.Detail
}

// MaxDetail is the most bytes that a Drop's Detail has.
const MaxDetail = 240

func drop(r Reason, format string, args ...any) Drop {
	s := fmt.Sprintf(format, args...)
	if len(s) > MaxDetail {
		s = s[:MaxDetail-3]
		for len(s) > 0 && s[len(s)-1] >= 0x80 { // not within a character
			s = s[:len(s)-1]
		}
		s += "..."
	}
	return Drop{r, s}
}

// show quotes a piece of input for a Detail, cut to a bearable length.
func show(b []byte) string {
	const most = 40
	if len(b) > most {
		return strconv.QuoteToASCII(string(b[:most])) + "..."
	}
	return strconv.QuoteToASCII(string(b))
}

// seen is a set of channels.
type seen uint32

// add reports whether c was new.
func (s *seen) add(c meter.Channel) bool {
	if *s&(1<<c) != 0 {
		return false
	}
	*s |= 1 << c
	return true
}

// checkReadings reports the first reading that would not come back from the
// wire as it is.
func checkReadings(rs []meter.Reading) error {
	if len(rs) == 0 {
		return fmt.Errorf("readings: must be at least one, is none")
	}
	var s seen
	for _, r := range rs {
		if err := r.Check(); err != nil {
			return err
		}
		if !s.add(r.Channel) {
			return fmt.Errorf("readings: must hold a channel once, %s is there twice", r.Channel)
		}
	}
	return nil
}

// CheckRig reports why a name cannot be a rig's: 1 to 64 letters, digits and
// - : . _ beginning with a letter or digit. It is a SenML name (RFC 8428
// section 4.5.1) without the slash that parts rig and channel.
func CheckRig(rig string) error {
	if len(rig) == 0 || len(rig) > 64 {
		return fmt.Errorf("rig: must be 1 to 64 characters, is %d", len(rig))
	}
	for i := 0; i < len(rig); i++ {
		if c := rig[i]; !nameByte(c) || c == '/' || i == 0 && !alnum(c) {
			return fmt.Errorf("rig: must be letters, digits and - : . _ beginning with a letter or digit, is %s", show([]byte(rig)))
		}
	}
	return nil
}

func alnum(c byte) bool {
	return 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9'
}

// nameByte reports whether a SenML name may hold c (RFC 8428 section 4.5.1).
func nameByte(c byte) bool {
	return alnum(c) || c == '-' || c == ':' || c == '.' || c == '/' || c == '_'
}
