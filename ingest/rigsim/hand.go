package rigsim

import (
	"math"
	"math/rand/v2"
	"slices"

	"yardtally/calibrate/quantity"
)

// A task is one thing the keeper does; the night is a list of them.
type task struct {
	kind  taskKind
	wait  int64 // ms, for waits
	path  *path
	yard  string
	who   int     // of a pull for a colony: its index in the rig's colonies
	fill  Fill    // of a pull: what is known of it before
	open  float64 // of the trigger's area
	again bool    // of a mark
}

type taskKind uint8

const (
	taskWait taskKind = iota
	taskDrive
	taskEngine // the pump is started, or stopped
	taskPull
	taskMark
	taskSkip
	taskDrain // the hose has run empty
	taskPause // the keeper is away, and the pump runs on
)

// planner writes down the night.
type planner struct {
	s        *Scenario
	rng, odd *rand.Rand
	origin   Place
	here     point
	road     []point // already chosen, from here on
	tasks    []task
	colonies []Colony
	feeds    int // pulls of colonies so far
}

// plan writes down the whole night. It draws from its own streams, so the hand
// does the same whatever is fitted to the rig; what is odd has a stream of its
// own, so that the rest of the night is as it would be without.
func plan(s *Scenario, rng, odd *rand.Rand) (tasks []task, colonies []Colony, start point) {
	p := &planner{s: s, rng: rng, odd: odd, origin: s.origin()}
	if len(s.Yards) > 0 {
		p.here = p.beside(s.Yards[0].Place)
		p.here.e += 90 // the gate
	}
	if s.Idle > 0 {
		p.wait(s.Idle.Milliseconds())
	}
	start = p.here
	first, last := -1, -1
	for i, y := range s.Yards {
		if !y.Past {
			last = i
			if first < 0 {
				first = i
			}
		}
	}
	for i := range s.Yards {
		y := &s.Yards[i]
		for _, v := range y.Via {
			p.road = append(p.road, v.on(p.origin))
		}
		for _, h := range y.Halts {
			p.drive(h.on(p.origin))
			p.wait(h.For.Milliseconds())
		}
		if y.Past {
			at := y.Place
			if y.Passing != (Place{}) {
				at = y.Passing
			}
			p.road = append(p.road, at.on(p.origin))
			continue
		}
		p.stop(i, y, i == first, i == last)
	}
	if s.Home != (Place{}) && len(s.Yards) > 0 {
		p.drive(s.Home.on(p.origin))
		if s.Hand.FlushHome {
			p.wait(p.between(3, 8))
			p.do(task{kind: taskEngine})
			p.flush("")
			p.do(task{kind: taskEngine})
		}
	}
	p.wait(s.Tail.Milliseconds())
	return p.tasks, p.colonies, start
}

func (p *planner) do(t task)     { p.tasks = append(p.tasks, t) }
func (p *planner) wait(ms int64) { p.do(task{kind: taskWait, wait: ms}) }

// spread returns ms about a mean in s; never below a third of it.
func (p *planner) spread(mean float64) int64 {
	return int64(1000 * mean * math.Max(0.33, 1+0.25*p.rng.NormFloat64()))
}

// between returns ms between two times in s; it is for what is odd.
func (p *planner) between(lo, hi float64) int64 {
	return int64(1000 * (lo + (hi-lo)*p.odd.Float64()))
}

// beside returns where the rig stands in a yard.
func (p *planner) beside(yard Place) point {
	at, angle, r := yard.on(p.origin), 2*math.Pi*p.rng.Float64(), 4+8*p.rng.Float64()
	return point{at.e + r*math.Cos(angle), at.n + r*math.Sin(angle)}
}

// drive drives by the road to a place.
func (p *planner) drive(to point) {
	p.do(task{kind: taskDrive, path: newPath(append(append([]point{p.here}, p.road...), to), p.s.Hand.Cruise)})
	p.here, p.road = to, nil
}

// pull is one that goes to no colony.
func (p *planner) pull(kind Kind, yard string, bucket int, aim quantity.Volume) {
	p.do(task{kind: taskPull, yard: yard, who: -1, open: 1, fill: Fill{Kind: kind, Yard: yard, Colony: -1, Bucket: bucket, Aim: aim}})
}

// colony is a pull for a colony, and what keeps the keeper from it.
func (p *planner) colony(t task) {
	for _, x := range p.s.Pauses {
		if x.Fill == p.feeds {
			p.do(task{kind: taskPause, wait: x.For.Milliseconds()})
		}
	}
	p.feeds++
	p.do(t)
}

func (p *planner) flush(yard string) {
	p.wait(p.between(5, 15))
	p.pull(Flush, yard, 0, p.s.Hand.Flush)
	p.wait(p.between(5, 15))
}

// stop is all that is done at a yard.
func (p *planner) stop(i int, y *Yard, first, last bool) {
	s := p.s
	p.drive(p.beside(y.Place))
	p.wait(2000)
	if !slices.Contains(s.MarkForgotten, i) {
		p.do(task{kind: taskMark, yard: y.ID})
	}
	if slices.Contains(s.MarkTwice, i) {
		p.wait(p.between(0.4, 1.9))
		p.do(task{kind: taskMark, yard: y.ID, again: true})
	}
	if slices.Contains(s.Drained, i) {
		p.do(task{kind: taskDrain})
	}
	setup := s.Hand.Setup.Seconds()
	p.wait(p.spread(setup / 2))
	p.do(task{kind: taskEngine})
	p.wait(p.spread(setup / 2))
	if s.Hand.Prime > 0 && (first || s.Hand.PrimeEach) {
		p.pull(Priming, y.ID, 0, s.Hand.Prime)
		p.wait(p.between(8, 25))
	}
	bucket := 0
	for _, x := range s.Provings {
		for range x.Buckets {
			if x.Yard != i {
				break
			}
			p.pull(Proving, y.ID, bucket, x.Volume)
			p.wait(p.between(20, 60))
			bucket++
		}
	}
	p.feed(y)
	if s.Hand.Flush > 0 && last && !s.Hand.FlushHome {
		p.flush(y.ID)
	}
	p.wait(p.spread(setup / 3))
	p.do(task{kind: taskEngine})
	p.wait(p.spread(setup))
}

// feed is all the colonies of a yard.
func (p *planner) feed(y *Yard) {
	s, rng := p.s, p.rng
	fates, with := y.fates()
	topped := -1
	if rng.Float64() < s.Hand.Topped {
		topped = rng.IntN(y.Colonies)
	}
	for c := range y.Colonies {
		if c > 0 {
			walk := p.spread(s.Hand.Walk.Seconds())
			if s.Hand.Pallet > 0 && c%s.Hand.Pallet != 0 {
				step := s.Hand.PalletStep.Seconds()
				walk = p.between(0.8*step, 1.2*step)
			}
			p.wait(walk)
		}
		me := Colony{Yard: y.ID, Index: c, Fate: fates[c], Among: 1}
		skip := rng.Float64() < s.Hand.Skip
		if skip && me.Fate == Fed {
			me.Fate = Skipped
			p.colonies = append(p.colonies, me)
			p.do(task{kind: taskSkip, yard: y.ID})
			continue
		}
		t := task{kind: taskPull, yard: y.ID, who: len(p.colonies), open: 1, fill: Fill{Kind: Feeding, Yard: y.ID, Colony: c, With: max(0, with[c])}}
		if me.Fate == Shares {
			me.Among = with[c] + 1
			if with[c] < 0 {
				me.Among = p.colonies[len(p.colonies)-1].Among
			}
		}
		p.colonies = append(p.colonies, me)
		// One that would have been skipped draws what nobody else will miss.
		draw := rng
		if skip {
			draw = p.odd
		}
		share := math.Max(0.5, 1+s.Hand.Scatter*draw.NormFloat64())
		if draw.Float64() < s.Hand.Short {
			share = 0.4 + 0.3*draw.Float64()
		}
		if draw.Float64() < s.Hand.Throttled {
			t.open = 0.12 + 0.2*draw.Float64()
		}
		part, pause := 1.0, int64(0)
		if c == topped {
			part, pause = 0.35+0.4*draw.Float64(), 4000+int64(5000*draw.Float64())
		}
		whole := share * float64(y.Fill)
		t.fill.Aim = quantity.Volume(whole)
		switch {
		case me.Fate == DeadFound || with[c] < 0:
		case c == topped:
			t.fill.Aim, t.fill.Cut = quantity.Volume(part*whole), true
			rest := t
			rest.fill.Aim, rest.fill.Cut, rest.fill.TopUp = quantity.Volume(whole)-t.fill.Aim, false, true
			p.colony(t)
			p.wait(pause)
			p.colony(rest)
		default:
			p.colony(t)
		}
		if me.Fate == FedTwice {
			p.wait(p.between(12, 20))
			t.fill.Aim = quantity.Volume(float64(y.Fill) * math.Max(0.5, 1+s.Hand.Scatter*p.odd.NormFloat64()))
			t.fill.Cut, t.fill.Second = false, true
			p.colony(t)
		}
	}
}

// fates returns what is meant for each colony, and how many share its pull
// besides; -1: it is one of those.
func (y *Yard) fates() (fates []Fate, with []int) {
	fates, with = slices.Repeat([]Fate{Fed}, y.Colonies), make([]int, y.Colonies)
	for _, c := range y.Dead {
		fates[c] = DeadFound
	}
	for _, c := range y.Twice {
		fates[c] = FedTwice
	}
	for _, x := range y.Shared {
		for c := x.Colony; c <= x.Colony+x.With; c++ {
			fates[c], with[c] = Shares, -1
		}
		with[x.Colony] = x.With
	}
	return fates, with
}
