package watch

import (
	"math"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
)

// Watcher makes logs of one outing as it goes on. It keeps what it worked out
// of pulls that are as they were: a pull more costs one prediction. What it says is
// what Make says. One goroutine owns it.
type Watcher struct {
	label  line.Line
	line   line.Line // as learnt, or as labelled
	season Season
	hose   quantity.Volume
	kept   []expected
}

// NewWatcher returns a watcher of a rig; the arguments are as Make's.
func NewWatcher(label *line.Line, season *Season) *Watcher {
	w := &Watcher{label: *label}
	if season != nil && season.Has {
		w.season = *season
	}
	w.line = w.label
	if w.season.Has {
		w.line = w.season.Learnt.Line()
	}
	w.hose = w.line.Holdup()
	return w
}

// pulls returns what is expected of each pull.
func (w *Watcher) pulls(all []Pull) []expected {
	same := 0
	for same < len(all) && same < len(w.kept) && w.kept[same].pull == all[same] {
		same++
	}
	w.kept = w.kept[:same]
	for i := same; i < len(all); i++ {
		var last *expected
		if i > 0 {
			last = &w.kept[i-1]
		}
		w.kept = append(w.kept, w.expect(last, &all[i]))
	}
	return w.kept
}

// Make is as the function Make.
func (w *Watcher) Make(seen *Seen) Log {
	log := Log{Learning: !w.season.Has}
	if hot := heated(seen); hot != nil {
		s := *seen
		s.Pulls, seen = hot, &s
	}
	each := w.pulls(seen.Pulls)
	var out []Verdict
	log.Fills, out = w.flow(each, seen)
	out = append(out, ofSpeed(seen)...)
	drift := ofDrift(seen)
	out = append(out, ofTote(seen, drift)...)
	out = append(out, ofVent(seen)...)
	out = append(out, ofIdle(seen)...)
	out = append(out, ofSyrup(seen)...)
	out = append(out, drift...)
	out = append(out, ofHealth(seen)...)
	log.Verdicts = settle(out)
	log.Notes = notes(seen)
	log.Outlook = w.outlook(each, seen)
	log.Blind = blind(each)
	return log
}

// blind says what flow can not show under the newest conditions.
func blind(each []expected) []string {
	for i := len(each) - 1; i >= 0; i-- {
		if e := &each[i]; e.ok {
			return blindAt(&e.p)
		}
	}
	return nil
}

// A share of flow that is too little to be told, and what is asked about.
const shows = leastTold

func blindAt(p *line.Prediction) []string {
	var out []string
	s := p.Sense
	if s.LnNozzle*math.Ln2 < shows {
		out = append(out, "Syrup so thick hardly feels the nozzle: with half of its area gone it would still flow almost as fast.")
	}
	if math.Abs(s.Kelvin)*5 < shows/2 {
		out = append(out, "Syrup so thin hardly feels the cold: five kelvin do not show in its flow.")
	}
	if p.Marks&line.Transitional != 0 {
		out = append(out, "The flow is near the transition to turbulence: there colder syrup can be faster, and what to expect is less sure.")
	}
	return out
}
