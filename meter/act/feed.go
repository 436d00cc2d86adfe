package act

import (
	"fmt"
	"math"
)

// Moment is an instant as the one who said it knew it. Where Boot names a boot
// of the daemon, the instant is one of that boot's monotonic clock, and stays
// right when the board's idea of the time turns out to have been wrong.
type Moment struct {
	NS     int64  `json:"ns"`             // Unix ns, by the rig's clock when it was said
	Boot   string `json:"boot,omitempty"` // the boot's id; "": NS is all there is
	MonoNS int64  `json:"mono_ns,omitempty"`
}

func (m Moment) check(field string) error {
	if m.NS == 0 && m.Boot == "" {
		return &FieldError{field, "must be an instant", 0}
	}
	return nil
}

// Corner is one corner of a yard's outline, degrees, WGS 84.
type Corner struct {
	Lat float64 `json:"lat"`
	Lon float64 `json:"lon"`
}

// Colonies says how many colonies stand in a yard from the act's From on, and
// what each is meant to get. Of it and the yard's own number the later counts.
type Colonies struct {
	Yard  string  `json:"yard"`
	Count int     `json:"count"`
	FillL float64 `json:"fill_l,omitempty"` // L; 0: as said before
}

// Route is the order in which yards are visited, on the outing that goes on at
// the act's From and on those after it, until another is said. The button
// "mark" goes along it.
type Route struct {
	Yards []string `json:"yards"`
}

// Arrive says that the rig came to a yard, or left it: a tap on the page.
type Arrive struct {
	At   Moment `json:"at"`
	Yard string `json:"yard"` // "": left; in no yard until something else says so
}

// What can be said of a colony.
const (
	Skipped    = "skipped"     // it gets none tonight
	Dead       = "dead"        // it is no more, from then on
	TwoFeeders = "two feeders" // it got two fills
	Shared     = "shared"      // N colonies share the fill before
	AllTold    = "all told"    // no word of one: every colony was fed in order, but for what was said
)

// Colony says something of one colony with one press, at the moment it happens
// in the order of pulls; or of all of a yard, at the end.
type Colony struct {
	At     Moment `json:"at"`
	What   string `json:"what"`             // one of the above
	Yard   string `json:"yard,omitempty"`   // "": the one that the rig was in
	N      int    `json:"n,omitempty"`      // of Shared: how many colonies, at least 2; of others: how many of such, 0 is 1
	Number int    `json:"number,omitempty"` // the colony's number, where it is said
}

// What flow can be deemed to have been.
const (
	AsFill    = "fill"    // a colony's
	AsTopUp   = "top-up"  // of the colony that the pull before fed
	AsPriming = "priming" // until syrup came, onto the ground
	AsFlush   = "flush"   // to clean the hose, onto the ground
	AsProving = "proving" // into a bucket that was weighed
	AsSpill   = "spill"   // lost
	AsSuspect = "suspect" // no syrup at all
)

// Deem says what the flow of a count interval was. In which yard it was is
// another matter: see Assign.
type Deem struct {
	Session uint64 `json:"session"`
	First   uint64 `json:"first"` // pulses after this count ...
	Last    uint64 `json:"last"`  // ... up to and with this one
	As      string `json:"as"`
}

// Cut says that at a count one fill ended and the next began.
type Cut struct {
	Session uint64 `json:"session"`
	At      uint64 `json:"at"` // the last pulse of the one before
}

// Visit says that a visit of a yard begins at a moment, or that what seems to
// begin there goes on with the visit of that yard before.
type Visit struct {
	At   Moment `json:"at"`
	Goes bool   `json:"goes_on"`
}

// Drained says that the hose was emptied: what flows next fills it first.
type Drained struct {
	At Moment `json:"at"`
}

// Break says that the keeper takes a break at a moment, or that it is over. The
// rig stands meanwhile, and what is switched off is no news. The next pull ends
// a break by itself, as the next yard does.
type Break struct {
	At   Moment `json:"at"`
	Over bool   `json:"over,omitempty"`
}

func (Colonies) Kind() string { return "colonies" }
func (Route) Kind() string    { return "route" }
func (Arrive) Kind() string   { return "arrive" }
func (Colony) Kind() string   { return "colony" }
func (Deem) Kind() string     { return "deem" }
func (Cut) Kind() string      { return "cut" }
func (Visit) Kind() string    { return "visit" }
func (Drained) Kind() string  { return "drained" }
func (Break) Kind() string    { return "break" }

// Check implements Body.
func (c Colonies) Check() error {
	if c.Yard == "" {
		return &FieldError{"yard", "must not be empty", `""`}
	}
	if c.Count < 0 || c.Count > 100000 {
		return &FieldError{"count", "must be between 0 and 100000", c.Count}
	}
	return within("fill_l", c.FillL, 0, 100)
}

// Check implements Body.
func (r Route) Check() error {
	if len(r.Yards) > 1000 {
		return &FieldError{"yards", "must be 1000 at most", len(r.Yards)}
	}
	for i, y := range r.Yards {
		if y == "" {
			return &FieldError{fmt.Sprintf("yards[%d]", i), "must not be empty", `""`}
		}
	}
	return nil
}

// Check implements Body.
func (a Arrive) Check() error { return a.At.check("at") }

// Check implements Body.
func (c Colony) Check() error {
	if err := c.At.check("at"); err != nil {
		return err
	}
	switch c.What {
	case Skipped, Dead, TwoFeeders:
		if c.N < 0 || c.N > 1000 {
			return &FieldError{"n", "must be between 0 and 1000", c.N}
		}
	case Shared:
		if c.N < 2 || c.N > 1000 {
			return &FieldError{"n", "must be between 2 and 1000 for a shared fill", c.N}
		}
	case AllTold:
		if c.N != 0 || c.Number != 0 {
			return &FieldError{"n", "must be left out, as number must, where all is told", max(c.N, c.Number)}
		}
	default:
		return &FieldError{"what", `must be "skipped", "dead", "two feeders", "shared" or "all told"`, fmt.Sprintf("%q", c.What)}
	}
	if c.Number < 0 || c.Number > 100000 {
		return &FieldError{"number", "must be between 0 and 100000", c.Number}
	}
	return nil
}

// Check implements Body.
func (d Deem) Check() error {
	switch d.As {
	case AsFill, AsTopUp, AsPriming, AsFlush, AsProving, AsSpill, AsSuspect:
	default:
		return &FieldError{"as", `must be "fill", "top-up", "priming", "flush", "proving", "spill" or "suspect"`, fmt.Sprintf("%q", d.As)}
	}
	if d.Last <= d.First {
		return &FieldError{"last", "must be more than first", d.Last}
	}
	return nil
}

// Check implements Body.
func (c Cut) Check() error {
	if c.At == 0 {
		return &FieldError{"at", "must be a count inside a fill", c.At}
	}
	return nil
}

// Check implements Body.
func (v Visit) Check() error { return v.At.check("at") }

// Check implements Body.
func (d Drained) Check() error { return d.At.check("at") }

// Check implements Body.
func (b Break) Check() error { return b.At.check("at") }

// checkRing reports what an outline cannot be.
func checkRing(ring []Corner) error {
	if n := len(ring); n == 0 {
		return nil
	} else if n < 3 || n > 1000 {
		return &FieldError{"ring", "must have between 3 and 1000 corners", n}
	}
	area := 0.0
	for i, c := range ring {
		if err := firstOf(
			within(fmt.Sprintf("ring[%d].lat", i), c.Lat, -90, 90),
			within(fmt.Sprintf("ring[%d].lon", i), c.Lon, -180, 180),
		); err != nil {
			return err
		}
		d := ring[(i+1)%len(ring)]
		area += (c.Lon-ring[0].Lon)*(d.Lat-ring[0].Lat) - (d.Lon-ring[0].Lon)*(c.Lat-ring[0].Lat)
		if math.Abs(c.Lat-ring[0].Lat) > 1 || math.Abs(c.Lon-ring[0].Lon) > 1 {
			return &FieldError{fmt.Sprintf("ring[%d]", i), "must be within a degree of the first corner", c}
		}
	}
	if area == 0 {
		return &FieldError{"ring", "must enclose an area", "none"}
	}
	return nil
}
