package act

import "fmt"

// What can be announced of an alarm.
const (
	Raised   = "raised"
	Returned = "returned" // what raised it is over, or what was seen is understood otherwise now
)

// Announced says that a change of an alarm was given out. The rig's daemon says
// it, so that neither a restart nor a replay gives it out again, and what is
// understood a little otherwise from then on stays the same alarm.
type Announced struct {
	Key     string   `json:"key"`  // of the alarm
	What    string   `json:"what"` // one of the above
	At      Moment   `json:"at"`
	Kinds   []string `json:"kinds,omitempty"`   // names of what it was then
	Channel string   `json:"channel,omitempty"` // of a sensor
	Yard    string   `json:"yard,omitempty"`    // where it began
}

// Ack says that a person knows of an alarm.
type Ack struct {
	Key string `json:"key"` // of the alarm
}

// Shelve keeps alarms of one kind quiet for a while; they are still listed. Of
// two on one kind the later counts.
type Shelve struct {
	What  string `json:"what"`  // the kind's name
	Until Moment `json:"until"` // zero: taken off the shelf
}

// Off reports whether the kind is taken off the shelf.
func (s Shelve) Off() bool { return s.Until == Moment{} }

func (Announced) Kind() string { return "announced" }
func (Ack) Kind() string       { return "ack" }
func (Shelve) Kind() string    { return "shelve" }

// Check implements Body.
func (a Announced) Check() error {
	if a.Key == "" {
		return &FieldError{"key", "must name an alarm", `""`}
	}
	if a.What != Raised && a.What != Returned {
		return &FieldError{"what", `must be "raised" or "returned"`, fmt.Sprintf("%q", a.What)}
	}
	return a.At.check("at")
}

// Check implements Body.
func (a Ack) Check() error {
	if a.Key == "" {
		return &FieldError{"key", "must name an alarm", `""`}
	}
	return nil
}

// Check implements Body.
func (s Shelve) Check() error {
	if s.What == "" {
		return &FieldError{"what", "must be a kind of alarm", `""`}
	}
	if s.Off() {
		return nil
	}
	return s.Until.check("until")
}

// OfAlarms reports whether an act is about alarms only: nothing that was
// metered depends on it.
func OfAlarms(b Body) bool {
	switch b.(type) {
	case Announced, Ack, Shelve:
		return true
	}
	return false
}
