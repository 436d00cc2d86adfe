package rigsim

import (
	"slices"
	"time"

	"yardtally/calibrate/quantity"
)

// Kind is what a pull of the trigger was for.
type Kind string

// The kinds of pulls.
const (
	Feeding Kind = "fill"    // into a colony's feeder
	Priming Kind = "priming" // on the ground, before the first colony
	Flush   Kind = "flush"   // on the ground, after the last
	Proving Kind = "proving" // into a bucket
)

// Fill is one pull of the trigger, as it truly was.
type Fill struct {
	Kind       Kind
	Yard       string // "" at home
	Colony     int    // from 0 within the yard; -1 where it is no colony's
	Bucket     int    // of a proving: from 0 within the yard
	Start, End time.Time
	Aim        quantity.Volume // what the hand was after, of Reached
	Volume     quantity.Volume // through the meter from Start to End
	Reached    quantity.Volume // left the nozzle from Start to End: less than Volume where the hose was not full
	Dribble    quantity.Volume // after End, until the hose came to rest; all of it left the nozzle
	Solids     quantity.Mass   // dissolved in Reached
	// Counts are unwrapped, within the board's session (0 is the first).
	// A board that is starting counts nothing.
	Session, EndSession  int
	First, Last, Settled uint64 // at Start, at End, after the dribble
	Phantom, Air         uint64 // counted from First to Settled that was no syrup
	TopUp                bool   // goes to the same colony as the pull before, which was cut
	Second               bool   // goes to the colony's second feeder
	With                 int    // how many of the colonies that follow share it
	Cut                  bool   // interrupted: a top-up follows

	Number  int     // among the pulls that feed colonies, from 0; -1 where it is none
	Opening float64 // share of its area that the trigger was opened to
	// Plateau is the mean flow from when the trigger was open, and the flow had
	// settled, until the hand began to shut it or the tote was down to its
	// outlet; 0 where it never settled. Clear is what it would have been with the
	// trigger fully open and nothing failing, by what the line was half way
	// through the pull.
	Plateau, Clear quantity.Flow
	Open           bool // not yet ended
}

// feeding reports whether the pull is a colony's.
func (f *Fill) feeding() bool { return f.Kind == Feeding }

// YardTotal is all that flowed into feeders at one yard, and dribbled after.
type YardTotal struct {
	Yard            string
	Fills           int
	Filled, Dribble quantity.Volume
}

// Restart is a restart of the counter board.
type Restart struct {
	At     time.Time       // when it went down
	Count  uint64          // unwrapped, when it restarted
	Missed quantity.Volume // flowed while it counted nothing
}

// Fate is what became of a colony.
type Fate string

// The fates of colonies.
const (
	Fed       Fate = "fed"
	FedTwice  Fate = "fed twice" // has two feeders
	Shares    Fate = "shares"    // its feeder is fed by a pull that serves more than one colony
	Skipped   Fate = "skipped"   // gets none, and the button is pressed
	DeadFound Fate = "dead"      // gets none, and no button is pressed
)

// Colony is what one colony got so far. The shares of all are what reached
// feeders: the sum of Reached over pulls of the kind Feeding, exactly.
type Colony struct {
	Yard  string
	Index int // from 0 within the yard
	Fate  Fate
	Fills []int           // its pulls, as indices of Truth.Fills
	Among int             // how many colonies share them: 1 where it is alone, or gets none
	Got   quantity.Volume // of Reached; the first of those who share has what does not divide
}

// Press is a press of the mark button that was counted.
type Press struct {
	At     time.Time
	Yard   string
	Number uint64 // the running count with it
	Again  bool   // pressed a second time by mistake
}

// Phantoms are the pulses of one burst of the scenario.
type Phantoms struct {
	Burst       int       // index in the scenario
	First, Last time.Time // of those that were counted
	Counts      uint64
}

// Airing is a stretch in which air passed the meter.
type Airing struct {
	Fill     int // index in Truth.Fills
	From, To time.Time
	Counts   uint64
}

// Handling is what was done to the tote besides drawing through the meter.
type Handling struct {
	Kind     string    // "refill", "swap", "transfer", "leak" or "off"
	From, To time.Time // To is zero while it goes on
	In, Out  quantity.Volume
	Brix     float64 // in the tote when it ended
}

// Truth is what really happened so far. It is a copy.
//
// Sums close to the nanolitre: Total = Filled + Dribble + Ground + Proved, and
// Load + In - Out - Total = Tote over all handlings. At the nozzle: HoseVolume
// + Total = Reached of all pulls + their dribbles + Drained + Hose.
type Truth struct {
	Fills                  []Fill
	Yards                  []YardTotal     // in the scenario's order, those that are stopped at
	Total, Filled, Dribble quantity.Volume // through the meter; into feeders, and dribbled after
	Ground, Proved         quantity.Volume // primed and flushed; proved; each with its dribbles
	Missed                 quantity.Volume // part of Total that the board was not there to count
	Tote                   quantity.Volume // in it now
	Level                  quantity.Length // its surface above the tote's floor, at rest
	Brix                   float64         // of the syrup in the tote, now
	Hose                   quantity.Volume // in the hose now
	Drained                quantity.Volume // run out of the hose, onto the ground
	Syrup                  quantity.Temperature
	Flow                   quantity.Flow // through the meter, now
	Session                int
	Count                  uint64 // unwrapped, in this session
	Restarts               []Restart
	Colonies               []Colony // in the order in which they are come to
	Marks                  []Press
	Phantoms               []Phantoms // of the bursts that were counted
	Airs                   []Airing
	Handlings              []Handling  // in the order of their start
	Faults                 []FaultSpan // in the order of their start
	Skipped                int
	Done                   bool // the keeper has nothing left to do
}

// Truth returns what really happened up to the newest message.
func (r *Rig) Truth() Truth {
	t := r.truth
	t.Fills, t.Yards, t.Restarts = slices.Clone(t.Fills), slices.Clone(t.Yards), slices.Clone(t.Restarts)
	t.Marks, t.Airs, t.Handlings = slices.Clone(t.Marks), slices.Clone(t.Airs), slices.Clone(t.Handlings)
	t.Phantoms = nil
	for i := range r.bursts {
		if b := &r.bursts[i]; b.told.Counts > 0 {
			t.Phantoms = append(t.Phantoms, b.told)
		}
	}
	t.Colonies, t.Faults = r.fates(), r.faults()
	t.Tote, t.Level, t.Brix, t.Syrup = r.volume, r.level(), r.brix, quantity.Temperature(r.body)
	t.Hose = r.hold.now
	t.Flow, t.Session, t.Count = quantity.Flow(r.q), r.session, r.count
	t.Done = r.idle()
	return t
}

// fates returns the colonies with what they got.
func (r *Rig) fates() []Colony {
	out := slices.Clone(r.colonies)
	lead := 0 // of those who share, the one at whose feeder the trigger is pulled
	for i := range out {
		c := &out[i]
		if i-lead >= out[lead].Among {
			lead = i
		}
		c.Fills = slices.Clone(r.fed[lead])
		var got quantity.Volume
		for _, f := range c.Fills {
			got += r.truth.Fills[f].Reached
		}
		c.Got = got / quantity.Volume(c.Among)
		if i == lead {
			c.Got = got - c.Got*quantity.Volume(c.Among-1)
		}
	}
	return out
}
