// Package outing makes an account of an outing: which of the flow went to a
// colony, in which yard, on which visit, and what the rest was. It is a
// function of what was seen (flow, places, buttons, levels) and of what people
// said, and is made anew whenever either changes. It invents nothing: what
// cannot be known stays without a yard, and every entry says why it is where
// it is.
package outing

import (
	"yardtally/calibrate/quantity"
	"yardtally/meter/fill"
	"yardtally/meter/tote"
	"yardtally/meter/worth"
	"yardtally/meter/yard"
)

// Instants are Unix nanoseconds in UTC.

// Pause is a time without flow that ends an outing, ns. Common practice, no
// source: a night's feeding has shorter breaks, two nights have a longer one
// between them.
const Pause = 5 * hour

const (
	second = int64(1_000_000_000)
	minute = 60 * second
	hour   = 60 * minute
)

// Flow is a stretch of metered flow as the counter showed it.
type Flow struct {
	Session     uint64 // name of the counter's session
	First, Last uint64 // pulses after First, up to and with Last
	Start, End  int64
	Flowing     int64 // ns by the board's clock
	Kind        fill.Kind
	Surge       uint64          // as in fill.Piece, as the next five
	Surging     int64           `json:",omitempty"`
	Head        uint64          `json:",omitempty"`
	Tail        uint64          `json:",omitempty"`
	Stray       fill.Stray      `json:",omitempty"`
	Most        float32         `json:",omitempty"`
	Pulse       quantity.Volume // what a pulse is worth
	Metered     worth.Flow
	Within      quantity.Volume // half the width of the volume's 95 % interval
	Through     quantity.Volume // through the meter before it, since the first reading
	Syrup       quantity.Temperature
	HasSyrup    bool
	Rest        bool   `json:",omitempty"` // the pump was seen at rest, and never to turn, while the pulses came
	Moving      bool   `json:",omitempty"` // the rig was seen to drive all the while
	Steady      Steady `json:",omitzero"`  // of a pull that is over
}

// Volume is exact, by count difference.
func (f *Flow) Volume() quantity.Volume { return quantity.Volume(f.Last-f.First) * f.Pulse }

// Reason says why a volume is on the account it is on.
type Reason string

// Reasons of an assignment.
const (
	ByPosition Reason = "position" // the rig stood in the yard
	ByMark     Reason = "mark"     // the button was pressed on arrival, and the route says where that was
	ByTap      Reason = "tap"      // a person said on the spot that the rig had come there, or left
	ByHand     Reason = "hand"     // a person said so afterwards
	NoYard     Reason = "outside"  // the position was known, and in no yard
	TwoYards   Reason = "two yards"
	NoPosition Reason = "no position"
)

// Fill is one pull of the trigger as a colony gets it.
type Fill struct {
	Session     uint64          // the counter's session
	First, Last uint64          // pulses after First, up to and with Last
	Start, End  int64           // instants of the first and last flow
	Volume      quantity.Volume // by count difference
	Within      quantity.Volume // half the width of its 95 % interval
	Metered     worth.Flow      // where that comes from
	Flow        quantity.Flow   // volume over duration
	Syrup       quantity.Temperature
	HasSyrup    bool // whether Syrup was known
	Yard        string
	Reason      Reason
	Open        bool // still flowing, or not yet long enough quiet

	TopUp  bool          // goes to the colony that the fill before it fed
	Short  bool          // the colony got clearly less than it was meant to: it still had syrup
	Visit  int           // place among the visits; -1: none
	Colony int           // number of the colony, where it is sure; 0: not known
	To     int           // and of the last of several that shared it; 0: one
	Brix   float64       // of what left the nozzle, in the mean; 0: not known
	Solids quantity.Mass // and the sugar in it, kg
	By     string        // id of the act that moved or named it last; "": none
	Or     string        // what else it may have been, as in Loose.Why or TopUp; "": nothing else
	Pulled Pulled
	Surged bool // it came much faster towards its end
	Stray  bool // there are stray pulses among its pulses, or right beside them
	Rest   bool // the pump was seen at rest, and never to turn, while the pulses came
	Moving bool // the rig was seen to drive all the while
}

// MayBeNone reports whether a fill may be none, or not all of it syrup.
func (f *Fill) MayBeNone() bool { return f.Or != "" && f.Or != AFill && f.Or != ATopUp }

// Loose is flow outside any fill.
type Loose struct {
	Session     uint64
	First, Last uint64
	Start, End  int64
	Volume      quantity.Volume
	Within      quantity.Volume // half the width of its 95 % interval
	Metered     worth.Flow      // where that comes from
	Why         string          // one of the names below
	Yard        string
	Reason      Reason
	Visit       int    // place among the visits; -1: none
	Note        string // what speaks for Why, where it is not plain
	Or          string // AFill: it may have been a colony's after all; "": no
	By          string // id of the act that moved or named it last; "": none
	Rest        bool   // as a Fill's, both
	Moving      bool
}

// What flow outside fills is.
const (
	Dribble = "dribble" // too little to be a fill
	Unseen  = "unseen"  // between messages too far apart to show fills
	Suspect = "suspect" // pulses, but hardly syrup
	Priming = "priming" // until syrup came, onto the ground
	Flush   = "flush"   // to clean or empty the hose, onto the ground
	Ground  = "ground"  // a pull or two outside every yard
	Proving = "proving" // into a bucket that was weighed
	Hose    = "hose"    // it filled the drained hose
	Air     = "air"     // the tote was empty
	Spill   = "spill"   // a person says it was lost
)

// Scattered is the Note of what is Suspect by the spacing of its pulses alone.
const Scattered = "its pulses came scattered, as stray ones do, and syrup's never"

// What a pull may have been besides, in Or.
const (
	AFill  = "fill"   // of a colony of its own
	ATopUp = "top-up" // of the colony before
)

// Press is presses of a button that a message brought: N of them after From,
// not after At.
type Press struct {
	From, At int64
	N        int
	Skip     bool // "this colony gets none"; else "arrived at the next yard"
}

// Visit is a stay at a yard, from its first flow or press to its last.
type Visit struct {
	Yard     string // "": which is not known
	Reason   Reason // of its first flow
	From, To int64
	Over     bool // the rig has left, or flow has begun elsewhere

	Pulls   int // pulls of the trigger into feeders
	Fills   int // of them those that are no top-ups: colonies served, but for what people said
	TopUps  int
	Skipped int // colonies that were said to get none
	Dead    int // said on this visit to be no more
	Twice   int // colonies that got two fills
	Sharing int // colonies beyond the first that shared a fill

	// Pulls that may be something else: of Fills so many may be none, and so many
	// fills may be among the rest. Doubt is the volume of those that may be, or
	// may not be, in Volume.
	Unsure, Perhaps int
	Doubt           quantity.Volume

	Told     bool            // a person said that all of its colonies are told of
	Colonies int             // standing there when the visit began; 0: not said
	Missing  int             // colonies of those that nothing accounts for; below 0: more fills than colonies
	Meant    quantity.Volume // for each colony; 0: not said
	Numbered bool            // the fills' colonies are sure by their order

	Volume quantity.Volume // of the fills
	Loose  quantity.Volume // of all other flow
	Unseen quantity.Volume // of that: it came while the counter was not heard, and may hold fills
	Solids quantity.Mass   // sugar in the fills, kg; 0: not known
	Short  int             // fills that were short
	Half   int             // fills of less than half of what was meant
	Least  quantity.Volume // what the colony with the least got
	Most   quantity.Volume
	Uneven float64 // standard deviation of what colonies got, over the mean; 0 for fewer than two
}

// Account is what an outing comes to. Its flow is that of the outing, to the pulse.
type Account struct {
	Fills  []Fill  // in order of time
	Loose  []Loose // in order of time
	Visits []Visit
	Hits   []string // ids of acts that found flow or a visit
	Review []Review
	Deaths []Death
	Here   Here
	Ahead  []string // yards of the route that are still to come
	Routed bool     // there is a route
}

// Death is colonies that a person said are no more, and the yard they stood in.
type Death struct {
	Yard      string
	At        int64
	When      int64 // when it was said
	N, Number int
}

// Here is where the rig is at Seen.Now.
type Here struct {
	Yard   string // "" for none
	Reason Reason
	Since  int64 // when it came there, as far as is known; 0: not known
}

// Review is an act that could not be applied as it was meant.
type Review struct {
	Act string
	Why string
}

// Seen is what was seen of an outing. Lists are in order of time; those of
// places and presses may reach beyond the outing's flow.
type Seen struct {
	Flows   []Flow
	Open    bool        // the last flow may go on
	Stays   []yard.Stay // the open one last
	Moving  int64       // as in yard.Trail
	Fix     int64       // newest position; 0: none
	Presses []Press
	Doubts  []tote.Doubt    // their Flows are places in Flows
	Levels  []Level         // of the tote, in order of time
	From    int64           // when the outing before ended
	Now     int64           // newest record
	OutletU quantity.Volume // standard uncertainty of where its outlet draws air
	Follows bool            // the tote's level was seen to follow the flow: it is not stuck
	Ended   bool            // the next outing has begun, or Pause is over
}

// Level is what the tote held at an instant.
type Level struct {
	At       int64
	Over     quantity.Volume // held above the outlet; negative: below it
	U        quantity.Volume // standard uncertainty of this reading alone
	Passed   quantity.Volume // through the meter by then, since the first reading
	Restless bool            // the surface was not at rest
}

// Site is a yard as it holds at an instant.
type Site struct {
	Colonies int             // 0: not said
	Meant    quantity.Volume // 0: not said
	Numbered bool
	Said     int64 // when Colonies was said
	Absent   []int // numbers of dead colonies
	Unsure   bool  // a colony died and its number was not said
}

// Said is what people have said, as far as it bears on an outing.
type Said struct {
	Assigns []Assign // in order of saying: the later wins
	Deems   []Deem   // the same
	Cuts    []Cut
	Arrives []Arrive // in order of time, as all that follow
	Colony  []Colony
	Visits  []Begin
	Drains  []Drain
	Routes  []Route
	Proved  []Proved

	TopUp  func(at int64) int64           // how soon a second pull may be a top-up, ns
	Hose   func(at int64) quantity.Volume // what the hose holds
	Places func(at int64) []yard.Place
	Site   func(yard string, at int64) Site
	Least  func(at int64) quantity.Volume       // less is a dribble
	Within func(f *Flow) quantity.Volume        // half the 95 % interval of a part of a flow
	Stock  func(at int64) (s Stock, known bool) // what was booked into the tote by then; nil: nothing ever
	// BatchAt gives the batch that passed the meter when so much had, and up
	// to how much it did.
	BatchAt func(through quantity.Volume) (b Batch, until quantity.Volume, known bool)
}

// Batch is a syrup that passed the meter.
type Batch struct {
	Brix    float64
	Density func(quantity.Temperature) quantity.Density
}

// Assign, Deem and Cut name counts; see act.
type (
	Assign struct {
		Act                  string
		Session, First, Last uint64
		Yard                 string
	}
	Deem struct {
		Act                  string
		Session, First, Last uint64
		As                   string
	}
	Cut struct {
		Act         string
		Session, At uint64
	}
	// Arrive says that the rig came to a yard, or with "" left.
	Arrive struct {
		Act  string
		At   int64
		Yard string
	}
	// Colony says something of colonies; What is as in act.Colony.
	Colony struct {
		Act    string
		At     int64
		When   int64 // when it was said
		What   string
		Yard   string
		N      int
		Number int
	}
	// Begin says that a visit begins, or goes on.
	Begin struct {
		Act  string
		At   int64
		Goes bool
	}
	// Drain says that the hose was emptied.
	Drain struct {
		Act string
		At  int64
	}
	// Route is the order of yards, from when it was planned.
	Route struct {
		At    int64
		Yards []string
	}
	// Proved is a bucket test: its counts or, without them, how many pulses it
	// had and when it was done.
	Proved struct {
		Act                  string
		Session, First, Last uint64
		Pulses               float64
		Done                 int64
	}
)
