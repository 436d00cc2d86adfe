package rigsim

import (
	"fmt"
	"time"

	"yardtally/meter"
)

// What can fail in the line, in the sensors and in the hand. Those that begin
// with a pull count the pulls that feed colonies, top-ups and second feeders
// included, over the night, from 0; one whose pull never comes never begins.
// Where several are about at once, each takes its share of what the others
// leave.

// Side says on which side of pump and meter something is.
type Side string

// The sides.
const (
	SuctionSide  Side = "suction"  // before the pump: screen, foot valve
	DeliverySide Side = "delivery" // after the meter: hose, nozzle
)

// Clog is a restriction that grows, and stays. To is the share of the flow that
// it leaves once it is full-grown: of what would flow at that moment, with the
// trigger fully open, without it. It grows by as much each fill: the first
// loses (1-To)/Over, the Over-th and all after it 1-To.
type Clog struct {
	Where Side
	Fill  int // the pull it begins with
	Over  int // pulls
	To    float64
}

// Kink is a bend in the hose, of a sudden, for so many pulls. To is as a Clog's.
type Kink struct {
	Fill, For int
	To        float64
	After     time.Duration // into the pull it begins with
}

// Throttle is a pump speed that is another, by a factor, for so many pulls; 0: for good.
type Throttle struct {
	Fill, For int
	By        float64
}

// Vent is a tote that no air gets into for so many pulls; 0: for good. What
// leaves it is made up for by its walls, which give, and by the air in it, which
// thins. What is poured in goes through the lid, and lets air in.
type Vent struct{ Fill, For int }

// Drift is a meter whose pulses per litre change by a share of theirs, in as
// many steps as it takes pulls, and stay so.
type Drift struct {
	Fill, Over int
	By         float64
}

// Pause is a while before a pull in which the keeper is away and the pump runs
// on against the shut trigger.
type Pause struct {
	Fill int
	For  time.Duration
}

// Fault is a sensor that fails. Pulses, uptime and boot do not.
//
// One that is stuck says again and again what it last said, or first says. One
// that is noisy has normal noise of that Size more, and is silent where that
// leads out of the channel's limits. Impossible is the value Size, or where that
// is 0 one that no night has; both are within the channel's limits. Without a
// latitude or a longitude there is neither, nor an hdop.
type Fault struct {
	Channel    meter.Channel
	After, For time.Duration
	Kind       FaultKind
	Size       float64 // in the channel's unit
}

// FaultKind is what fails.
type FaultKind string

// The kinds of faults. A Fault's is one of the last four.
const (
	Clogged    FaultKind = "clog"
	Kinked     FaultKind = "kink"
	Throttled  FaultKind = "throttle"
	Unvented   FaultKind = "closed vent"
	Drifted    FaultKind = "drift"
	Deadhead   FaultKind = "deadhead"
	Stuck      FaultKind = "stuck"
	Noisy      FaultKind = "noisy"
	Absent     FaultKind = "absent"
	Impossible FaultKind = "impossible"
)

// FaultSpan is a fault as it truly was.
type FaultSpan struct {
	Kind                FaultKind
	Channel             meter.Channel // of a sensor's; else 0
	From, To            time.Time     // To is zero while it goes on
	FirstFill, LastFill int           // pulls for colonies within it so far, as Fill.Number; -1: none
}

// Of each channel: the step of what its sensor says, how noisy it may be made,
// and what can not be.
var failing = [meter.LastChannel + 1]struct{ step, noise, never float64 }{
	meter.Headspace: {1e-4, 2, 15},
	meter.Head:      {1, 1e5, 6e5}, // of water 60 m
	meter.Syrup:     {0.1, 30, 95},
	meter.Air:       {0.1, 30, 75},
	meter.Line:      {1, 1e6, 6e6}, // would burst the hose
	meter.Pump:      {1.0 / 60, 100, 800},
	meter.Mark:      {1, 1000, 1e9},
	meter.Skip:      {1, 1000, 1e9},
	meter.Lat:       {1e-6, 1, 89.5},
	meter.Lon:       {1e-6, 1, -179.5},
	meter.HDOP:      {0.1, 100, 900},
	meter.UTC:       {1, 1e6, 9e8}, // in 1998
}

// checkFaults names the first fault that cannot be played.
func (s *Scenario) checkFaults() error {
	const most = 100000 // pulls
	count := func(field string, n, lo int) error {
		if n < lo || n > most {
			return fmt.Errorf("%s: must be between %d and %d, is %d", field, lo, most, n)
		}
		return nil
	}
	for i, x := range s.Clogs {
		at := fmt.Sprintf("clogs[%d].", i)
		if x.Where != SuctionSide && x.Where != DeliverySide {
			return fmt.Errorf("%swhere: must be %q or %q, is %q", at, SuctionSide, DeliverySide, x.Where)
		}
		if err := first(count(at+"fill", x.Fill, 0), count(at+"over", x.Over, 1), within(at+"to", x.To, 0.01, 1)); err != nil {
			return err
		}
	}
	for i, x := range s.Kinks {
		at := fmt.Sprintf("kinks[%d].", i)
		if err := first(count(at+"fill", x.Fill, 0), count(at+"for", x.For, 1), within(at+"to", x.To, 0.01, 1),
			between(at+"after", x.After, 0, time.Duration(giveUp)*time.Millisecond)); err != nil {
			return err
		}
	}
	for i, x := range s.Throttles {
		at := fmt.Sprintf("throttles[%d].", i)
		if err := first(count(at+"fill", x.Fill, 0), count(at+"for", x.For, 0), within(at+"by", x.By, 0.2, 3)); err != nil {
			return err
		}
	}
	for i, x := range s.Vents {
		at := fmt.Sprintf("vents[%d].", i)
		if err := first(count(at+"fill", x.Fill, 0), count(at+"for", x.For, 0)); err != nil {
			return err
		}
	}
	for i, x := range s.Drifts {
		at := fmt.Sprintf("drifts[%d].", i)
		if err := first(count(at+"fill", x.Fill, 0), count(at+"over", x.Over, 1), within(at+"by", x.By, -0.5, 0.5)); err != nil {
			return err
		}
	}
	for i, x := range s.Pauses {
		at := fmt.Sprintf("pauses[%d].", i)
		if err := first(count(at+"fill", x.Fill, 0), between(at+"for", x.For, time.Second, 4*time.Hour)); err != nil {
			return err
		}
	}
	for i, x := range s.Faults {
		if err := x.check(fmt.Sprintf("faults[%d].", i), s); err != nil {
			return err
		}
	}
	return nil
}

func (x *Fault) check(at string, s *Scenario) error {
	if x.Channel == meter.Pulses || x.Channel == meter.Uptime || x.Channel == meter.Boot || !s.fitted(x.Channel) {
		return fmt.Errorf("%schannel: must be one that is fitted, and not pulses, uptime or boot, is %v", at, x.Channel)
	}
	if err := (Span{x.After, x.For}).check(at); err != nil {
		return err
	}
	switch x.Kind {
	case Stuck, Absent:
		if x.Size != 0 {
			return fmt.Errorf("%ssize: must be 0 of one that is %s, is %g", at, x.Kind, x.Size)
		}
	case Noisy:
		return within(at+"size", x.Size, failing[x.Channel].step, failing[x.Channel].noise)
	case Impossible:
		if x.Size == 0 {
			return nil
		}
		if x.Channel == meter.UTC { // what sentences can say: 1980 to 2079
			return within(at+"size", x.Size, 315532800, 3471292799)
		}
		if err := (meter.Reading{Channel: x.Channel, Value: x.Size}).Check(); err != nil {
			return fmt.Errorf("%ssize: %w", at, err)
		}
	default:
		kinds := []FaultKind{Stuck, Noisy, Absent, Impossible}
		return fmt.Errorf("%skind: must be one of %q, is %q", at, kinds, x.Kind)
	}
	return nil
}
