package rigsim

import (
	"math"
	"math/rand/v2"

	"yardtally/calibrate/quantity"
)

// A task is one thing the keeper does; the night is a list of them.
type task struct {
	kind   taskKind
	wait   int64 // ms, for waits
	path   *path
	yard   string
	colony int // from 0 within the yard
	aim    quantity.Volume
	open   float64 // of the trigger's area
	topUp  bool
	cut    bool // interrupted before the feeder was full
}

type taskKind uint8

const (
	taskWait taskKind = iota
	taskDrive
	taskEngine // the pump is started, or stopped
	taskPull
	taskMark
	taskSkip
)

// plan writes down the whole night. It draws from its own stream, so the hand
// does the same whatever is fitted to the rig.
func plan(s *Scenario, rng *rand.Rand) (tasks []task, start point) {
	origin := s.Yards[0].Place
	spread := func(mean float64) int64 { // ms; never below a third
		return int64(1000 * mean * math.Max(0.33, 1+0.25*rng.NormFloat64()))
	}
	beside := func(p Place) point { // where the rig stands in a yard
		at, angle, r := p.on(origin), 2*math.Pi*rng.Float64(), 4+8*rng.Float64()
		return point{at.e + r*math.Cos(angle), at.n + r*math.Sin(angle)}
	}

	here := beside(s.Yards[0].Place)
	here.e += 90 // the gate
	start = here
	var road []point
	for _, y := range s.Yards {
		for _, v := range y.Via {
			road = append(road, v.on(origin))
		}
		if y.Past {
			road = append(road, y.Place.on(origin))
			continue
		}
		stand := beside(y.Place)
		tasks = append(tasks, task{kind: taskDrive, path: newPath(append(append([]point{here}, road...), stand), s.Hand.Cruise)})
		here, road = stand, nil
		tasks = append(tasks, task{kind: taskWait, wait: 2000}, task{kind: taskMark, yard: y.ID})
		setup := s.Hand.Setup.Seconds()
		tasks = append(tasks, task{kind: taskWait, wait: spread(setup / 2)}, task{kind: taskEngine}, task{kind: taskWait, wait: spread(setup / 2)})
		topped := -1
		if rng.Float64() < s.Hand.Topped {
			topped = rng.IntN(y.Colonies)
		}
		for c := range y.Colonies {
			if c > 0 {
				tasks = append(tasks, task{kind: taskWait, wait: spread(s.Hand.Walk.Seconds())})
			}
			if rng.Float64() < s.Hand.Skip {
				tasks = append(tasks, task{kind: taskSkip, yard: y.ID, colony: c})
				continue
			}
			p := task{kind: taskPull, yard: y.ID, colony: c, open: 1}
			share := math.Max(0.5, 1+s.Hand.Scatter*rng.NormFloat64())
			if rng.Float64() < s.Hand.Short {
				share = 0.4 + 0.3*rng.Float64()
			}
			if rng.Float64() < s.Hand.Throttled {
				p.open = 0.12 + 0.2*rng.Float64()
			}
			whole := share * float64(y.Fill)
			p.aim = quantity.Volume(whole)
			if c != topped {
				tasks = append(tasks, p)
				continue
			}
			part := 0.35 + 0.4*rng.Float64()
			p.aim, p.cut = quantity.Volume(part*whole), true
			rest := p
			rest.aim, rest.cut, rest.topUp = quantity.Volume(whole)-p.aim, false, true
			tasks = append(tasks, p, task{kind: taskWait, wait: 4000 + int64(5000*rng.Float64())}, rest)
		}
		tasks = append(tasks, task{kind: taskWait, wait: spread(setup / 3)}, task{kind: taskEngine}, task{kind: taskWait, wait: spread(setup)})
	}
	if s.Home != (Place{}) {
		road = append(append([]point{here}, road...), s.Home.on(origin))
		tasks = append(tasks, task{kind: taskDrive, path: newPath(road, s.Hand.Cruise)})
	}
	return append(tasks, task{kind: taskWait, wait: s.Tail.Milliseconds()}), start
}
