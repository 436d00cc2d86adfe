package wire

import (
	"fmt"
	"math"
	"strconv"

	"yardtally/meter"
)

// AppendPack appends messages of a rig as one SenML pack, without a line end.
// ParsePack gives the same messages back, to the nanosecond and the last bit.
//
// It fails, appending nothing, on a rig that is none (see CheckRig), on
// readings that could not be read back (see meter.Reading.Check), on messages
// that are not in ParsePack's order or two of the same instant, on a time that
// would be read as another one, and on a pack over MaxPack or MaxRecords.
func AppendPack(dst []byte, rig string, ms []Message) ([]byte, error) {
	if err := CheckRig(rig); err != nil {
		return dst, err
	}
	if len(ms) == 0 {
		return dst, fmt.Errorf("pack: must hold a message, holds none")
	}
	records := 0
	for i := range ms {
		if err := checkMessage(ms, i); err != nil {
			return dst, fmt.Errorf("message %d: %w", i+1, err)
		}
		records += len(ms[i].Readings)
	}
	if records > MaxRecords {
		return dst, fmt.Errorf("pack: must be at most %d records, is %d", MaxRecords, records)
	}
	out := append(dst, '[')
	at := int64(0) // the base time that holds
	for i, m := range ms {
		lead := ""
		if i == 0 {
			lead = rig
		}
		out = appendMessage(out, lead, &at, m)
	}
	out[len(out)-1] = ']' // the last comma
	if n := len(out) - len(dst); n > MaxPack {
		return dst, fmt.Errorf("pack: must be at most %d bytes, is %d", MaxPack, n)
	}
	return out, nil
}

func checkMessage(ms []Message, i int) error {
	m := &ms[i]
	switch {
	case m.Sent != 0 && m.Rel != 0:
		return fmt.Errorf("sent: must be 0 beside a relative time, is %d", m.Sent)
	case m.Sent != 0 && m.Sent < absolute:
		return fmt.Errorf("sent: must be 2^28 s or later, is %d ns", m.Sent)
	case m.Rel > 0 || m.Rel == math.MinInt64:
		return fmt.Errorf("rel: must be 0 or before, is %d ns", m.Rel)
	}
	if i > 0 {
		a := &ms[i-1]
		if a.Sent == 0 && m.Sent != 0 || (a.Sent == 0) == (m.Sent == 0) && (a.Sent > m.Sent || a.Sent == m.Sent && a.Rel >= m.Rel) {
			return fmt.Errorf("time: must be after the message before, those without absolute time last")
		}
	}
	return checkReadings(m.Readings)
}

// appendMessage appends the records of a message, each with a comma behind it.
// A rig is written as base name, *at is the base time that holds.
func appendMessage(dst []byte, rig string, at *int64, m Message) []byte {
	for i, r := range m.Readings {
		dst = append(dst, '{')
		if i == 0 && rig != "" {
			dst = append(append(append(dst, `"bn":"`...), rig...), `/",`...)
		}
		if time := m.Sent + m.Rel; i == 0 && time != *at {
			dst = append(appendSeconds(append(dst, `"bt":`...), time), ',')
			*at = time
		}
		dst = appendReading(dst, r)
		dst = append(dst, ',')
	}
	return dst
}

// appendReading appends the fields of its own of one record and the brace.
func appendReading(dst []byte, r meter.Reading) []byte {
	dst = append(append(dst, `"n":"`...), r.Channel.String()...)
	dst = append(append(dst, `","u":"`...), r.Channel.Unit()...)
	dst = append(dst, `","v":`...)
	// Plain where that is short: no count below 2^53 gets an exponent.
	form := byte('f')
	if a := math.Abs(r.Value); a != 0 && a < 1e-6 {
		form = 'e'
	}
	dst = strconv.AppendFloat(dst, r.Value, form, -1, 64)
	return append(dst, '}')
}
