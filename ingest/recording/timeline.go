package recording

import (
	"time"

	"yardtally/meter"
)

const (
	longestStep = 10 * time.Minute // a longer step of a clock is a jump, or a pause
	unknownStep = time.Millisecond // where no clock says how long it was

	// A stamp before 2024-01-01, Unix ns, is of a clock that was never set: what
	// it steps by from there is no pause.
	builtAfter = int64(1_704_067_200) * int64(time.Second)
)

// timeline gives a plain recording's lines a monotonic time in ns, from 0. It
// advances from line to line
//
//   - by the step of the sender's time, where that is 0 to 10 minutes;
//   - by the step of the sender's time, however long, where that was a pause:
//     see pause. The first lines after it may hold no uptime. They are 1 ms
//     apart from what was before, and the next that does brings the rest;
//   - else by the step of `uptime`, where that is: the sender's time jumped;
//   - else by 1 ms. Where the line is at most 10 minutes behind, or of the last
//     10 minutes before a pause that has just ended, it came late, and the next
//     is measured from the newest line, not from the late one. What late lines
//     added is taken off the steps that follow.
type timeline struct {
	begun     bool
	mono      int64
	sent      int64   // ns, of the newest line
	ahead     int64   // ns of mono that the sender's time does not account for yet
	uptime    float64 // s, newest
	hasUptime bool
	boot      float64 // how often the counter board has started, highest
	upSent    int64   // ns, the sender's time when uptime was read
	since     int64   // ns of mono since then

	open   bool  // a long step forward, of which no uptime has said yet what it was
	before int64 // ns, the newest sender's time before the last long step forward
	gone   int64 // ns of mono since that step was made
}

// next returns the arrival of a line that holds these records, at least one.
func (t *timeline) next(records []meter.Record) int64 {
	sent := records[0].Sent
	uptime, has, boot := 0.0, false, t.boot
	for i := range records {
		sent = max(sent, records[i].Sent)
		if u, ok := records[i].Value(meter.Uptime); ok {
			uptime, has = u, true
		}
		if n, ok := records[i].Value(meter.Boot); ok {
			boot = max(boot, n)
		}
	}
	started := t.boot > 0 && boot > t.boot
	step := sent - t.sent
	up := nanos(uptime - t.uptime)
	switch {
	case !t.begun:
		t.begun = true
	case t.justBefore(sent):
		return t.late()
	case step >= 0 && step <= int64(longestStep):
		left := max(t.ahead-step, 0)
		t.advance(step - (t.ahead - left))
		t.ahead = left
		if t.open && has && t.pause(sent-t.upSent, up, nanos(uptime), started) {
			t.advance(max(sent-t.upSent-t.since, 0))
			t.ahead, t.gone = 0, 0
		}
	case t.hasUptime && has && t.pause(sent-t.upSent, up, nanos(uptime), started):
		t.advance(max(sent-t.upSent-t.since, 0))
		t.ahead = 0
		t.left()
	case !t.hasUptime && !has && step > 0 && t.sent >= builtAfter:
		t.advance(step)
		t.ahead = 0
		t.left()
	case has && t.hasUptime && up >= 0 && up <= int64(longestStep):
		t.advance(max(up-t.since, 0))
		t.ahead = 0
	case step < 0 && step >= -int64(longestStep):
		return t.late()
	default:
		if step > 0 && t.hasUptime && !has {
			t.left()
			t.open = true
		}
		t.advance(int64(unknownStep))
		t.ahead = 0
	}
	t.sent = sent
	if has {
		t.boot = boot
		t.uptime, t.hasUptime, t.upSent, t.since, t.open = uptime, true, sent, 0, false
	}
	return t.mono
}

// pause reports whether a step of the sender's time from one line with uptime
// to the next, with the step of the uptime and the uptime that it came to, all
// in ns, was a pause: both say the same, or the counter board started in the
// meantime. That it did is seen by its start number, or by an uptime so far from
// the one before that the line is no late one of a clock that jumped.
func (t *timeline) pause(step, up, uptime int64, started bool) bool {
	if step <= int64(longestStep) || t.upSent < builtAfter {
		return false
	}
	slack := int64(time.Minute) + step/100
	ranOn := up-step <= slack && step-up <= slack
	started = started || up < -int64(longestStep) || up > int64(longestStep)
	return ranOn || started && uptime <= step+slack
}

// left remembers where the sender's time stood before a long step forward.
func (t *timeline) left() { t.before, t.gone = t.sent, 0 }

// justBefore reports whether a line, said then, is of before a long step forward
// that was made just now.
func (t *timeline) justBefore(sent int64) bool {
	return t.before != 0 && t.gone <= int64(longestStep) && sent <= t.before && sent >= t.before-int64(longestStep)
}

func (t *timeline) late() int64 {
	t.advance(int64(unknownStep))
	t.ahead += int64(unknownStep)
	return t.mono
}

func (t *timeline) advance(ns int64) {
	t.mono += ns
	t.since += ns
	t.gone += ns
}

// nanos returns s in ns. What no clock says, more than a hundred years, is held
// to that.
func nanos(s float64) int64 {
	const most = 100 * 366 * 24 * 3600
	return int64(max(-most, min(most, s)) * 1e9)
}
