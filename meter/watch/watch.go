// Package watch says what is wrong with a rig on a night: what, since when, how
// sure, and what speaks for it. It is a pure function of what was seen of an
// outing and of what earlier nights taught about the rig: live and replayed
// agree, and the same input gives the same verdicts.
//
// Pulls are held against what the line should let flow at that temperature
// (calibrate/line), so that cold explains itself: it is no verdict, but a
// forecast, Log.Outlook. What is left, r, is the logarithm of measured over
// expected. How all of a night is off (another throttle, Brix a little wrong) is
// learnt from the night's own pulls within what such a night may be off by
// (base); control charts with stated run lengths see what changes against that
// (flow, limits).
//
// A hand may hold back: single pulls below the others, at random, are the
// trigger and no fault. A verdict needs several in a row that agree.
//
// Where what was seen cannot tell two causes apart, the verdict is both.
package watch

import (
	"strconv"
	"strings"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/outing"
	"yardtally/meter/sensor"
	"yardtally/meter/tote"
)

// Kind is what is, or may be, the matter.
type Kind uint8

// The kinds. Numbers are not kept on disk; names are.
const (
	Clog         Kind = iota + 1 // a restriction that grew: screen, hose or nozzle
	Kink                         // a sudden one after the pump: a bend, or something in the nozzle
	Suction                      // a sudden one before the pump: screen, foot valve, valve half shut
	Vent                         // no air gets into the tote
	ThrottleDown                 // the pump was made slower; no fault
	ThrottleUp                   // or faster; no fault
	Thinner                      // syrup than declared
	Thicker
	Air        // passed the meter
	Empty      // the tote is down to its outlet
	Leak       // out of the tote, slow and steady
	Transfer   // out of the tote, fast, past the meter
	Deadhead   // the pump turns against a shut trigger
	Phantom    // pulses without syrup
	Hot        // syrup
	Old        // syrup
	Drift      // of the meter against the tote
	Sensor     // one that is stuck, noisy, absent or says what cannot be
	kindsAfter // one more than the last
)

var kindNames = [kindsAfter]string{"", "clog", "kink", "suction", "vent", "throttle down", "throttle up", "thinner", "thicker", "air", "empty",
	"leak", "transfer", "deadhead", "phantom", "hot", "old", "drift", "sensor"}

// String returns the kind's name, as it is kept.
func (k Kind) String() string {
	if k < kindsAfter {
		return kindNames[k]
	}
	return ""
}

// ParseKind returns the kind of that name.
func ParseKind(name string) (Kind, bool) {
	for k, n := range kindNames {
		if n == name && k > 0 {
			return Kind(k), true
		}
	}
	return 0, false
}

// Pull is one pull of the trigger.
type Pull struct {
	Session, First, Last uint64
	Start, End           int64 // Unix ns
	Yard                 string
	Volume               quantity.Volume
	outing.Pulled
	Syrup    quantity.Temperature // at the meter
	HasSyrup bool
	Surged   bool // the rate leapt: air
	Stray    bool // its pulses came scattered, more than syrup's
	TopUp    bool // of the colony that the pull before fed: the same hand, as open as before
	Aside    bool // for no colony: it warms the line, and its flow is not judged
	Rest     bool // the pump was seen at rest all the while
	Moving   bool // the rig was seen to drive

	heated bool // the pump had turned against a shut trigger before: the line is warmer than it can be known to be
}

// Batch is what is in the tote, since when.
type Batch struct {
	ID     string
	Made   int64 // Unix ns; 0: not said
	From   int64 // when it came into the tote
	Liquid syrup.Syrup
}

// Break is a stretch for which the keeper let the rig stand; To 0: it goes on.
type Break struct{ From, To int64 }

// Seen is what was seen of an outing. Lists are in order of time.
type Seen struct {
	Pulls   []Pull
	Loose   []outing.Loose // of it what is said to be air or suspect
	Changes []tote.Change
	Doubts  []tote.Doubt
	Falls   []tote.Fall  // of the level while the rig stood, see tote.Falling
	Points  []tote.Point // settled levels
	Terms   tote.Terms
	Health  []sensor.Health
	Idle    []outing.Idle
	Heads   []tote.Head
	Batches []Batch
	Breaks  []Break

	Air      quantity.Temperature // now
	HasAir   bool
	Deadhead int64 // ns of idling that are too long; 0: 10 min
	Now      int64 // newest record
	Ended    bool
}

// Verdict is what is, or may be, the matter.
type Verdict struct {
	Kinds    []Kind // one, or those that what was seen cannot tell apart, the likelier first
	From     int64  // since when, as far as can be told
	Told     int64  // when the evidence sufficed
	Until    int64  // when it was over; 0: lasts
	Session  uint64 // with First: the pull it began with; Last 0: of no pull
	First    uint64
	Last     uint64
	Yard     string
	Pulls    int     // how many it has lasted
	Size     float64 // ln of measured over expected, for those of flow; else SI: m³, K above what is too hot, s, share
	Chance   float64 // that it is real, 0 to 1
	Sudden   bool
	Where    Where
	Channel  string // of a sensor
	Evidence []string
}

// Where is on which side of the pump it is.
type Where uint8

// The sides.
const (
	Unknown    Where = iota
	Upstream         // tote, vent, screen, suction, the pump itself
	Downstream       // hose, nozzle
)

// String says it for people.
func (w Where) String() string {
	return [...]string{"on either side of the pump", "before the pump or in it", "after the pump"}[min(w, Downstream)]
}

// Has tells whether a kind is among the verdict's.
func (v *Verdict) Has(k Kind) bool {
	for _, x := range v.Kinds {
		if x == k {
			return true
		}
	}
	return false
}

// Key names the verdict, and stays the same when it is told again with more
// known of it.
func (v *Verdict) Key() string {
	var b strings.Builder
	for i, k := range v.Kinds {
		if i > 0 {
			b.WriteByte('+')
		}
		b.WriteString(k.String())
	}
	if v.Channel != "" {
		b.WriteByte(' ')
		b.WriteString(v.Channel)
	}
	if v.Last > 0 {
		return b.String() + " @" + strconv.FormatUint(v.Session, 10) + "/" + strconv.FormatUint(v.First, 10)
	}
	return b.String() + " " + strconv.FormatInt(v.From, 10)
}

// Judged is a pull against what was expected.
type Judged struct {
	Session, First uint64
	Expected       quantity.Flow // with what the night is off by; 0: not judged
	Lo, Hi         quantity.Flow // a pull is between them in 95 of 100
	Off            float64       // ln of measured over Expected
	Z              float64       // the same in standard deviations
	Held           bool          // taken for one held back by the hand
	Slow, Fast     float64       // the chart's sums after it, to either side, in standard deviations; see SumLimit
}

// Outlook is what flow does from now on by temperature alone.
type Outlook struct {
	Now, Hour   line.Outlook // an hour from now, as the air goes
	Air         quantity.Temperature
	AirHour     quantity.Temperature
	Slower      float64 // flow in an hour over flow now
	SinceStart  float64 // flow now over what it was at the night's first pull, by temperature and level alone
	Explained   bool    // pulls have become slower, and temperature explains it
	Temperature bool    // whether temperatures are measured at all
}

// Note is something to know that is no alarm.
type Note struct {
	At    int64
	Batch string
	Text  string
}

// Log is what the watch says of an outing.
type Log struct {
	Verdicts []Verdict // in order of Told
	Learning bool      // the rig is not learnt: only what is far off is told
	Fills    []Judged  // one for each of Seen.Pulls
	Outlook  *Outlook  // nil: no batch or no temperature is known
	Notes    []Note
	Blind    []string // what flow cannot show here
}

// Make says what is the matter. label is the rig's line as labelled; season what
// earlier nights taught, nil or not Has: nothing.
func Make(seen *Seen, label *line.Line, season *Season) Log {
	return NewWatcher(label, season).Make(seen)
}
