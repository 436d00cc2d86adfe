package recording

import (
	"time"

	"yardtally/meter"
)

const (
	longestStep = 10 * time.Minute // a longer step of a clock is a jump, or a pause of unknown length
	unknownStep = time.Millisecond // where no clock says how long it was
)

// timeline gives a plain recording's lines a monotonic time in ns, from 0. It
// advances from line to line
//
//   - by the step of the sender's time, where that is 0 to 10 minutes;
//   - else by the step of `uptime`, where that is: the sender's time jumped;
//   - else by 1 ms. Where the line is at most 10 minutes behind, it came late,
//     and the next is measured from the newest line, not from the late one.
//     What late lines added is taken off the steps that follow.
type timeline struct {
	begun     bool
	mono      int64
	sent      int64   // ns, of the newest line
	ahead     int64   // ns of mono that the sender's time does not account for yet
	uptime    float64 // s, newest
	hasUptime bool
	since     int64 // ns of mono since uptime was read
}

// next returns the arrival of a line that holds these records, at least one.
func (t *timeline) next(records []meter.Record) int64 {
	sent := records[0].Sent
	uptime, has := 0.0, false
	for i := range records {
		sent = max(sent, records[i].Sent)
		if u, ok := records[i].Value(meter.Uptime); ok {
			uptime, has = u, true
		}
	}
	step := sent - t.sent
	up := time.Duration((uptime - t.uptime) * float64(time.Second))
	switch {
	case !t.begun:
		t.begun = true
	case step >= 0 && step <= int64(longestStep):
		left := max(t.ahead-step, 0)
		t.advance(step - (t.ahead - left))
		t.ahead = left
	case has && t.hasUptime && up >= 0 && up <= longestStep:
		t.advance(max(int64(up)-t.since, 0))
		t.ahead = 0
	case step < 0 && step >= -int64(longestStep):
		t.advance(int64(unknownStep))
		t.ahead += int64(unknownStep)
		return t.mono // late
	default:
		t.advance(int64(unknownStep))
		t.ahead = 0
	}
	t.sent = sent
	if has {
		t.uptime, t.hasUptime, t.since = uptime, true, 0
	}
	return t.mono
}

func (t *timeline) advance(ns int64) {
	t.mono += ns
	t.since += ns
}
