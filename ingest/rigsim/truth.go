package rigsim

import (
	"time"

	"yardtally/calibrate/quantity"
)

// Fill is one pull of the trigger, as it truly was.
type Fill struct {
	Yard       string
	Colony     int // from 0 within the yard
	Start, End time.Time
	Aim        quantity.Volume // what the hand was after
	Volume     quantity.Volume // from Start to End
	Dribble    quantity.Volume // after End, until the hose came to rest
	// Counts are unwrapped, within the board's session (0 is the first).
	// A board that is starting counts nothing.
	Session, EndSession  int
	First, Last, Settled uint64 // at Start, at End, after the dribble
	TopUp                bool   // goes to the same colony as the pull before
	Cut                  bool   // interrupted: a top-up follows
	Open                 bool   // not yet ended
}

// YardTotal is all that flowed at one yard.
type YardTotal struct {
	Yard            string
	Fills           int
	Filled, Dribble quantity.Volume
}

// Restart is a restart of the counter board.
type Restart struct {
	At     time.Time
	Count  uint64          // unwrapped, when it restarted
	Missed quantity.Volume // flowed while it counted nothing
}

// Truth is what really happened so far. It is a copy.
type Truth struct {
	Fills                  []Fill
	Yards                  []YardTotal // in the scenario's order, those that are stopped at
	Total, Filled, Dribble quantity.Volume
	Missed                 quantity.Volume // part of Total that the board was not there to count
	Tote                   quantity.Volume // in it now
	Level                  quantity.Length // its surface above the tote's floor, at rest
	Syrup                  quantity.Temperature
	Flow                   quantity.Flow // through the meter, now
	Session                int
	Count                  uint64 // unwrapped, in this session
	Restarts               []Restart
	Skipped                int
	Done                   bool // the keeper has nothing left to do
}
