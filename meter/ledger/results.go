package ledger

import (
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/calibrate/tote"
	"yardtally/meter/act"
	"yardtally/meter/outing"
	"yardtally/meter/sensor"
	ltote "yardtally/meter/tote"
)

// Instants in results are Unix nanoseconds in UTC, as the clock room placed
// them. They are not arrival times.

// What the account of an outing consists of; see the outing room.
type (
	Reason = outing.Reason
	Fill   = outing.Fill
	Loose  = outing.Loose
	Visit  = outing.Visit
	Review = outing.Review
)

// Reasons of an assignment.
const (
	ByPosition = outing.ByPosition
	ByMark     = outing.ByMark
	ByTap      = outing.ByTap
	ByHand     = outing.ByHand
	NoYard     = outing.NoYard
	TwoYards   = outing.TwoYards
	NoPosition = outing.NoPosition
)

// Gap is a stretch for which the counter told nothing.
type Gap struct {
	Start, End int64
	// Known is what the running count shows flowed meanwhile (it is also in a
	// Loose or a Fill). Hidden is the most that can have flowed besides
	// without any count to show it.
	Known, Hidden quantity.Volume
	Why           string // "board restarted", "no readings", "may have wrapped unseen"
}

// Sample is the state of the rig at a whole multiple of SampleEvery.
type Sample struct {
	At       int64
	Total    quantity.Volume // since the first reading
	Flow     quantity.Flow   // mean over the interval that ends here
	Tote     quantity.Volume
	HasTote  bool
	Syrup    quantity.Temperature
	HasSyrup bool
	Air      quantity.Temperature
	HasAir   bool
}

// SampleEvery is the spacing of samples, ns.
const SampleEvery = 10_000_000_000

// ToteNow is what is known of the tote.
type ToteNow struct {
	Known    bool
	Name     string
	At       int64           // instant of the newest level reading used
	Level    quantity.Length // syrup surface above the floor
	Volume   quantity.Volume // by strapping
	Within   quantity.Volume // half the width of Volume's 95 % interval
	Usable   quantity.Volume // Volume less what stays below the outlet
	Capacity quantity.Volume
	By       string // "headspace" or "head"
	Why      string // why it is not known, where it is not

	Settled    bool          // the rig stood still and the surface was at rest
	Unsettled  string        // why not, where not
	Mass       quantity.Mass // of the syrup; 0: not known
	MassWithin quantity.Mass // half the width of its 95 % interval
	Notes      []string      // what a reader of the volume should know
	Most       string        // the cause that adds most to Within
	Source     string        // what the strapping table is worth, in a sentence
	Load       tote.Weights  // against the plates

	LevelU quantity.Length // standard uncertainty of Level, of this reading alone
}

// Booked is a batch as it came into the tote.
type Booked struct {
	ID     string // of its act
	Made   int64  // Unix ns; 0: not said
	From   int64  // Unix ns; math.MinInt64: it was there from the first
	Liquid syrup.Syrup
}

// YardInfo is a yard as its newest act has it.
type YardInfo struct {
	ID, Name       string
	Lat, Lon       float64
	EnterM, LeaveM float64
	Colonies       int
	Fill           quantity.Volume // intended for each colony; 0: not said
	Closed         bool
	Ring           []act.Corner // its outline, not closed; nil: it is a circle of EnterM

	// As last said, though it be of later than View.At.
	Standing int             // colonies as last counted, less those that died since; 0: not said
	Each     quantity.Volume // what each is meant to get on a visit; 0: not said
	Target   Target
}

// Target is what each colony of a yard is meant to get in a season, in syrup or
// in sugar; neither: nothing was said.
type Target struct {
	Each  quantity.Volume
	Sugar quantity.Mass
	From  int64 // Unix ns from when it holds; 0: since ever
	All   bool  // it was said of all yards, not of this
}

// Said reports whether there is a target.
func (t Target) Said() bool { return t.Each > 0 || t.Sugar > 0 }

// Outing is a stretch of feeding without a break of hours.
type Outing struct {
	From, To int64 // first and last flow
	Visits   int   // how many
}

// Left is what is left in the tote, and whether it is enough.
type Left struct {
	Known bool
	Why   string // why not, where it is not
	Yard  string // the yard where the rig is or, on the way, was last; "": none tonight
	// There is what is left, held against what is still to be fed in Yard.
	There ltote.Outlook
	Yards []YardLeft // those still ahead, in the order of the route where there is one
	// Tonight is the same for Yard and all of Yards together.
	Tonight ltote.Outlook
	Unsaid  []string // yards ahead of which it is not known what they need; not in Tonight
}

// YardLeft is a yard that is still ahead.
type YardLeft struct {
	Yard     string
	Colonies int
	Each     quantity.Volume
	Outlook  ltote.Outlook // if it comes next, once Yard is done
}

// Planned is a yard and what it is meant to get, as it stands now.
type Planned struct {
	Yard     string
	Colonies int             // 0: not said
	Each     quantity.Volume // 0: not said
}

// Here is where the rig is now.
type Here struct {
	Yard   string // "" for none
	Reason Reason
	Since  int64
	FixAt  int64 // instant of the newest position used; 0 for none
}

// Last is the newest reading of a channel.
type Last struct {
	Value float64
	At    int64
	Has   bool
}

// View is everything the ledger derives, up to one instant. It is a value:
// nobody changes it after it was handed out.
type View struct {
	Rig     string
	At      int64 // instant of the newest record in it; 0: none
	Settled int64 // through this instant nothing changes any more by itself
	Records uint64
	Wild    uint64 // messages of the counter that no other bore out: not used
	Zone    string // IANA name of the yards' time zone

	Total   quantity.Volume // everything the counter showed since the first reading
	Fills   []Fill          // in order of Start; the last may be Open
	Loose   []Loose
	Gaps    []Gap
	Visits  []Visit    // in order of time; fills name theirs by its place
	Outings []Outing   // in order of time
	Yards   []YardInfo // by ID

	Here   Here
	Tote   ToteNow
	Flow   quantity.Flow // over the newest second or so
	FlowAt int64
	Syrup  Last
	Air    Last
	Brix   Last // declared for the batch in the tote, mass percent

	// Of the newest outing and some time before it, else of the newest hours: what
	// is or was the matter with sensors, in the order of its beginning, and where
	// the pump turned for a minute and more without flow, in order of time.
	Health []sensor.Health
	Idles  []outing.Idle

	Breaks []Break // that the keeper took, in order of time; the last may go on

	Steps   []ToteStep     // settled levels of the tote
	Falls   []ltote.Fall   // of the level while the rig stood, told while they went on
	Changes []ltote.Change // what went into and out of the tote past the meter
	Doubts  []ltote.Doubt  // where the meter counted more than the tote gave; their Flows are not used
	Points  []ltote.Point  // levels of the newest outing, as they are held against the meter ...
	Terms   ltote.Terms    // ... and how far both are good
	Heads   []ltote.Head   // of the same time as Health: both level sensors at rest
	Left    Left
	Plan    []Planned // the yards of the newest route or, without one, all in use; whole, whatever was fed

	Route []string // as said last; nil: none

	// As last said, though it be of later than At; nil: not said.
	Line  *act.Line  // the rig's line as labelled
	Batch *act.Batch // what is in the tote
	Stand *act.Tote  // the tote that stands on the rig, with its plates

	// Prices is what a kilogram of dry solids cost on the average, by kind of
	// goods, in the house's currency; a kind for which no price was said is not in it.
	Prices map[string]float64

	Deadhead int64    // ns of idling that are too long; 0: not said
	Batches  []Booked `json:"-"` // in order of From; see Restore

	PulseVolume quantity.Volume // what one pulse is worth now; 0: no proving yet
	// Curves of the meter, by from when they hold; the first is none. They are
	// not carried in JSON: see Restore.
	Curves []CurveSpan `json:"-"`
	Review []Review
	Placed Placing
}

// Break is a stretch for which the keeper let the rig stand.
type Break struct {
	From, To int64 // To 0: it goes on
}

// Placing says how well the rig's clock is known.
type Placing struct {
	By     string // "satellites", "phone", "network", "hand", "sender", "own clock"
	Epochs int
	Unsure int // epochs without any fix, placed between their neighbours
	Steps  int // steps of a clock that were seen and undone
}

// Event is what a settled part of the ledger brought forth, for those who pass
// results on. Events come in ledger order.
type Event struct {
	Kind   EventKind
	At     int64 // the instant the event belongs to
	Fill   *Fill
	Loose  *Loose
	Gap    *Gap
	Sample *Sample
}

// EventKind is the kind of an Event.
type EventKind uint8

// Kinds of events.
const (
	// Rewound: everything at or after At is void and will be told again.
	Rewound EventKind = iota + 1
	// Told: everything up to At has been told; what was told before and was
	// not told again since the last Rewound is void, until it is told again.
	Told
	FillDone
	LooseDone
	GapSeen
	Sampled
	// Restated: fills and loose flow at or after At are void and will be told
	// again; all else stays.
	Restated
)
