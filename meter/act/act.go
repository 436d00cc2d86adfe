// Package act holds what people say and decide: settings the ledger reads,
// provings, corrections. Acts are only ever added; one is taken back by
// another, of kind "undo".
//
// In JSON, the name of a field carries its SI unit (radius_m, capacity_l) and
// instants are RFC 3339 in UTC.
package act

import (
	"encoding/json"
	"fmt"
	"math"
	"sort"
	"time"
)

// Act is one thing a person said, with who said it and when.
type Act struct {
	ID   string // unique among all copies of all journals
	Rig  string // the rig it is about; House: all of them
	Who  string // who said it
	When int64  // Unix ns when it was said
	From int64  // Unix ns from which it holds; 0: since ever
	Body Body

	// Replaces names the acts on the same subject that the one who said this
	// knew of. Where two acts differ and neither knew of the other, as when two
	// copies of a journal come together, that is a conflict: see Conflicts.
	Replaces []string
}

// BySettings signs acts that a settings file said: who takes one back there
// strikes it out in the file.
const BySettings = "settings file"

// Since returns From, and math.MinInt64 for since ever.
func (a *Act) Since() int64 {
	if a.From == 0 {
		return math.MinInt64
	}
	return a.From
}

// Body is what was said. Its concrete types are Rig, Tote, Yard, Meter,
// Proving, Batch, Line, Colonies, Target, Route, Arrive, Colony, Assign, Deem, Cut,
// Visit, Drained, Break, Announced, Ack, Shelve, those of the books (see OfBooks),
// Undo, Fix and Unknown.
type Body interface {
	Kind() string
	// Check reports the first thing that cannot be so: field, rule, value.
	Check() error
}

// Rig is the rig's own settings, those that the ledger reads.
type Rig struct {
	WrapBits int     `json:"wrap_bits"` // the pulse count wraps at 2^WrapBits: 16 or 32
	QuietS   float64 `json:"quiet_s"`   // a fill ends when no pulse came for this long, s
	LeastL   float64 `json:"least_l"`   // less than this is a dribble, not a fill, L
	MostLPM  float64 `json:"most_l_per_min"`
	// MostLPM is more than the line can ever flow, L/min; it bounds what a gap can hide.
	Zone string `json:"zone"` // IANA time zone of the yards, for night and page

	TopUpS float64 `json:"top_up_s,omitempty"` // a second pull within this of the first may be a top-up of the same colony, s; 0: DefaultTopUp
	FillL  float64 `json:"fill_l,omitempty"`   // what a colony is meant to get where its yard does not say, L; 0: not said
	HoseL  float64 `json:"hose_l,omitempty"`   // what the hose holds from the meter to the nozzle, L; 0: not said

	DeadheadS float64 `json:"deadhead_s,omitempty"` // the pump turns against a shut trigger for too long after this, s; 0: 10 min
}

// DefaultTopUp is Rig.TopUpS where it is not said, s. Common practice, no
// source: it takes longer to step to the next colony and open its feeder.
const DefaultTopUp = 10.0

// DefaultRig is what holds where no act says otherwise. Common practice, no
// source: a gallon-a-colony rig on a 3/4-inch hose.
var DefaultRig = Rig{WrapBits: 32, QuietS: 2.5, LeastL: 0.25, MostLPM: 120, Zone: "UTC"}

// Yard is a place where colonies stand.
type Yard struct {
	ID       string  `json:"id"`
	Name     string  `json:"name"`
	Lat      float64 `json:"lat"`
	Lon      float64 `json:"lon"`
	EnterM   float64 `json:"enter_m"`            // within this of the centre: arrived, m
	LeaveM   float64 `json:"leave_m"`            // beyond this: left, m; at least EnterM
	Colonies int     `json:"colonies,omitempty"` // how many stand there; 0: not said
	FillL    float64 `json:"fill_l,omitempty"`   // what each is meant to get, L; 0: not said
	Closed   bool    `json:"closed,omitempty"`   // no longer in use from the act's From on

	// Ring is the yard's outline, not closed; then EnterM and LeaveM count from
	// it, and Lat, Lon are its middle.
	Ring     []Corner `json:"ring,omitempty"`
	Numbered bool     `json:"numbered,omitempty"` // colonies are numbered, and fed in that order
}

// Assign gives the flow of a count interval to a yard by hand.
type Assign struct {
	Session uint64 `json:"session"` // name of the counter's session, as reports have it
	First   uint64 `json:"first"`   // pulses after this count ...
	Last    uint64 `json:"last"`    // ... up to and with this one
	Yard    string `json:"yard"`    // the yard's id; "" takes it from every yard
}

// Undo takes back another act.
type Undo struct {
	Act string `json:"act"`
}

// Fix says which instant of UTC an instant of a boot's monotonic clock was.
type Fix struct {
	Boot   string `json:"boot"` // the boot's id
	MonoNS int64  `json:"mono_ns"`
	UTC    int64  `json:"utc_ns"`
	By     string `json:"by"` // "phone", "network", "hand"
}

// Unknown is an act of a later version: kept and carried, not understood.
type Unknown struct {
	Name string
	Raw  json.RawMessage
}

func (Rig) Kind() string       { return "rig" }
func (Tote) Kind() string      { return "tote" }
func (Yard) Kind() string      { return "yard" }
func (Meter) Kind() string     { return "meter" }
func (Proving) Kind() string   { return "proving" }
func (Batch) Kind() string     { return "batch" }
func (Assign) Kind() string    { return "assign" }
func (Undo) Kind() string      { return "undo" }
func (Fix) Kind() string       { return "fix" }
func (u Unknown) Kind() string { return u.Name }

// FieldError names what in an act cannot be so.
type FieldError struct {
	Field string // as in JSON
	Rule  string
	Value any
}

func (e *FieldError) Error() string { return fmt.Sprintf("%s: %s, is %v", e.Field, e.Rule, e.Value) }

func within(field string, v, lo, hi float64) error {
	if math.IsNaN(v) || v < lo || v > hi {
		return &FieldError{field, fmt.Sprintf("must be between %g and %g", lo, hi), v}
	}
	return nil
}

func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// Check implements Body.
func (r Rig) Check() error {
	if r.WrapBits != 16 && r.WrapBits != 32 {
		return &FieldError{"wrap_bits", "must be 16 or 32", r.WrapBits}
	}
	return firstOf(
		within("quiet_s", r.QuietS, 0.5, 60),
		within("least_l", r.LeastL, 0, 20),
		within("most_l_per_min", r.MostLPM, 1, 2000),
		within("top_up_s", r.TopUpS, 0, 120),
		within("fill_l", r.FillL, 0, 100),
		within("hose_l", r.HoseL, 0, 500),
		within("deadhead_s", r.DeadheadS, 0, 3600),
	)
}

// Check implements Body.
func (y Yard) Check() error {
	if y.ID == "" {
		return &FieldError{"id", "must not be empty", `""`}
	}
	if y.Colonies < 0 || y.Colonies > 100000 {
		return &FieldError{"colonies", "must be between 0 and 100000", y.Colonies}
	}
	return firstOf(
		within("lat", y.Lat, -90, 90),
		within("lon", y.Lon, -180, 180),
		within("enter_m", y.EnterM, 5, 5000),
		within("leave_m", y.LeaveM, y.EnterM, 10000),
		within("fill_l", y.FillL, 0, 100),
		checkRing(y.Ring),
	)
}

// Check implements Body.
func (a Assign) Check() error {
	if a.Last <= a.First {
		return &FieldError{"last", "must be more than first", a.Last}
	}
	return nil
}

// Check implements Body.
func (u Undo) Check() error {
	if u.Act == "" {
		return &FieldError{"act", "must name the act to take back", `""`}
	}
	return nil
}

// Check implements Body.
func (f Fix) Check() error {
	if f.Boot == "" {
		return &FieldError{"boot", "must not be empty", `""`}
	}
	return nil
}

// Check implements Body.
func (u Unknown) Check() error { return nil }

// Check reports the first thing in the act that cannot be so.
func (a *Act) Check() error {
	switch {
	case a.ID == "":
		return &FieldError{"id", "must not be empty", `""`}
	case a.Rig == "":
		return &FieldError{"rig", "must not be empty", `""`}
	case a.Body == nil:
		return &FieldError{"body", "must not be empty", "none"}
	}
	if err := a.Body.Check(); err != nil {
		return fmt.Errorf("%s: %w", a.Body.Kind(), err)
	}
	if a.Rig == House {
		if err := checkHouse(a.Body); err != nil {
			return fmt.Errorf("%s: %w", a.Body.Kind(), err)
		}
	}
	return nil
}

type wireAct struct {
	ID   string          `json:"id"`
	Rig  string          `json:"rig"`
	Who  string          `json:"who"`
	When string          `json:"when"`
	From string          `json:"from,omitempty"`
	Kind string          `json:"kind"`
	Body json.RawMessage `json:"body"`
	Over []string        `json:"replaces,omitempty"`
}

// MarshalJSON implements json.Marshaler.
func (a Act) MarshalJSON() ([]byte, error) {
	w := wireAct{ID: a.ID, Rig: a.Rig, Who: a.Who, When: stamp(a.When), Over: a.Replaces}
	if a.From != 0 {
		w.From = stamp(a.From)
	}
	if a.Body == nil {
		return nil, fmt.Errorf("act %s: no body", a.ID)
	}
	w.Kind = a.Body.Kind()
	if u, ok := a.Body.(Unknown); ok {
		w.Body = u.Raw
	} else {
		b, err := json.Marshal(a.Body)
		if err != nil {
			return nil, err
		}
		w.Body = b
	}
	return json.Marshal(w)
}

// UnmarshalJSON implements json.Unmarshaler. It checks the form only; Check
// judges the content.
func (a *Act) UnmarshalJSON(data []byte) error {
	var w wireAct
	if err := json.Unmarshal(data, &w); err != nil {
		return err
	}
	when, err := unstamp("when", w.When)
	if err != nil {
		return err
	}
	var from int64
	if w.From != "" {
		if from, err = unstamp("from", w.From); err != nil {
			return err
		}
	}
	body, err := decodeBody(w.Kind, w.Body)
	if err != nil {
		return fmt.Errorf("act %q: %s: %w", w.ID, w.Kind, err)
	}
	*a = Act{ID: w.ID, Rig: w.Rig, Who: w.Who, When: when, From: from, Body: body, Replaces: w.Over}
	return nil
}

func decodeBody(kind string, raw json.RawMessage) (Body, error) {
	switch kind {
	case "rig":
		return decode[Rig](raw)
	case "tote":
		return decode[Tote](raw)
	case "yard":
		return decode[Yard](raw)
	case "meter":
		return decode[Meter](raw)
	case "proving":
		return decode[Proving](raw)
	case "batch":
		return decode[Batch](raw)
	case "line":
		return decode[Line](raw)
	case "assign":
		return decode[Assign](raw)
	case "colonies":
		return decode[Colonies](raw)
	case "target":
		return decode[Target](raw)
	case "route":
		return decode[Route](raw)
	case "arrive":
		return decode[Arrive](raw)
	case "colony":
		return decode[Colony](raw)
	case "deem":
		return decode[Deem](raw)
	case "cut":
		return decode[Cut](raw)
	case "visit":
		return decode[Visit](raw)
	case "drained":
		return decode[Drained](raw)
	case "break":
		return decode[Break](raw)
	case "announced":
		return decode[Announced](raw)
	case "ack":
		return decode[Ack](raw)
	case "shelve":
		return decode[Shelve](raw)
	case "purchase":
		return decode[Purchase](raw)
	case "count":
		return decode[Count](raw)
	case "mix":
		return decode[Mix](raw)
	case "transfer":
		return decode[Transfer](raw)
	case "swap":
		return decode[Swap](raw)
	case "water":
		return decode[Water](raw)
	case "stirred":
		return decode[Stirred](raw)
	case "rinse":
		return decode[Rinse](raw)
	case "loss":
		return decode[Lost](raw)
	case "fed":
		return decode[Fed](raw)
	case "content":
		return decode[Contents](raw)
	case "statement":
		return decode[Statement](raw)
	case "undo":
		return decode[Undo](raw)
	case "fix":
		return decode[Fix](raw)
	}
	return Unknown{Name: kind, Raw: append(json.RawMessage(nil), raw...)}, nil
}

func decode[B Body](raw json.RawMessage) (Body, error) {
	var b B
	if err := json.Unmarshal(raw, &b); err != nil {
		return nil, err
	}
	return b, nil
}

func stamp(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339Nano) }

func unstamp(field, s string) (int64, error) {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return 0, &FieldError{field, "must be an instant like 2026-10-09T21:30:00Z", s}
	}
	return t.UnixNano(), nil
}

// TakenBack returns the ids of acts that were taken back, undos that were
// themselves taken back among them. The order of the input does not matter.
func TakenBack(all []Act) map[string]bool {
	byID := make(map[string]int, len(all))
	for i := range all {
		byID[all[i].ID] = i
	}
	// An undo counts unless it is itself undone by one said later; walking
	// from the latest back settles each before what it points at.
	order := make([]int, len(all))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(a, b int) bool { return later(&all[order[a]], &all[order[b]]) })
	gone := make(map[string]bool)
	for _, i := range order {
		if u, ok := all[i].Body.(Undo); ok && !gone[all[i].ID] {
			if j, ok := byID[u.Act]; ok && later(&all[i], &all[j]) {
				gone[u.Act] = true
			}
		}
	}
	return gone
}

// Standing returns the acts that hold: without those taken back, and without
// the undos themselves, in order of From, then When, then ID. An undo of an
// undo brings the first act back. The order of the input does not matter.
func Standing(all []Act) []Act {
	gone := TakenBack(all)
	var out []Act
	seen := make(map[string]bool, len(all))
	for i := range all {
		if _, undo := all[i].Body.(Undo); !undo && !gone[all[i].ID] && !seen[all[i].ID] {
			seen[all[i].ID] = true
			out = append(out, all[i])
		}
	}
	sort.Slice(out, func(i, j int) bool {
		a, b := &out[i], &out[j]
		if a.From != b.From {
			return a.From < b.From
		}
		return later(b, a)
	})
	return out
}

// later reports whether a was said after b.
func later(a, b *Act) bool {
	if a.When != b.When {
		return a.When > b.When
	}
	return a.ID > b.ID
}
