// Package rigsim is a simulated rig: a tote, a pump, a hose and a keeper with a
// hand, seeded, that says over the wire what a real one would. Its physics is
// its own, so that what reads the wire is tested against something that does
// not share its formulas or constants.
//
// Volumes do not expand with temperature here: a litre that leaves the tote is
// a litre at the nozzle. That neglects about 0.04 % a kelvin between them.
package rigsim

import (
	"math"
	"math/rand/v2"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter"
)

// Said is one message: the true instant it was said, in UTC, and what it said.
type Said struct {
	At       time.Time
	Readings []meter.Reading
}

// Rig is a rig at work. One goroutine owns it.
type Rig struct {
	s     Scenario
	start time.Time
	now   int64 // ms since start

	tasks    []task
	colonies []Colony
	fed      [][]int // by colony: its pulls, as indices of the truth's

	task    int   // the one at hand
	taskEnd int64 // ms; -1 while a pull goes on
	begun   bool

	where   point
	path    *path
	setOff  int64
	pumping bool
	away    bool // the pump runs and nobody pulls, for longer than a walk

	// Flow.
	open, want float64 // trigger: share of its area
	q, target  float64 // m³/s: through the meter; where it is heading
	lag        float64 // s
	dripping   bool
	dripUntil  int64
	carry      float64 // nL not yet booked
	lines      fluid
	sips       [hoseCells + 2]sip // of hose, suction and meter
	sugar      sugar
	ease       ease // of the flow
	dies       ease // of the dribble
	dense      sip  // solids, kg/nL, of what passes the meter
	hunt       *pen // of the pump's speed

	// Heat, °C.
	tote, body float64
	hose       [hoseCells]float64
	moved      float64 // m³ through the hose since it was last shifted

	// Syrup: mass percent in the tote, in pump and meter, and along the hose.
	brix, bodyBrix float64
	hoseBrix       [hoseCells]float64
	hold           hold

	job    *job // what is being done to the tote
	queue  []job
	leaks  []job
	bursts []burst
	airing airing
	ailing ailing
	line   Plumbing // with what restricts it now
	flat   flat

	volume quantity.Volume
	stands Strap   // the newest level that was worked out
	turns  float64 // fraction of the next pulse
	uneven uneven
	count  uint64
	// boardAt is when the board's uptime was zero, ms; it counts from upAt on.
	boardAt, upAt int64
	trust         int64 // when the keeper trusts the rig again after it was off, ms
	session       int
	boots         uint64
	restart       int

	marks, skips uint64
	due          [streams]int64
	sense        sense
	fits         [meter.LastChannel + 1]bool
	pressed      meter.Channel
	slab         []meter.Reading

	truth  Truth
	yard   map[string]int
	yardAt int // of the newest pull
}

// pen draws the governor's hunting: three swings of no common period.
type pen struct{ phase [3]float64 }

var swings = [3]struct{ period, share float64 }{{3.7, 0.5}, {11.3, 0.3}, {41, 0.2}}

func (p *pen) at(t float64) float64 {
	y := 0.0
	for i, s := range swings {
		y += s.share * math.Sin(2*math.Pi*t/s.period+p.phase[i])
	}
	return y
}

// Streams of random numbers, each its own so that none disturbs another.
const (
	seedHand = iota + 1
	seedPump
	seedDrip
	seedWaves
	seedWire
	seedSense // and as many more as there are channels
)

// Of what is odd.
const (
	seedOdd = 1000 + iota
	seedAir
	seedNonsense
	seedAstray
	seedNight
	seedPhantom // and as many more as there are bursts
)

// Of faults and of the nights for them.
const (
	seedRig   = 100000 + iota // what a rig is built like
	seedWatch                 // its nights
	seedCase
	seedFault // and as many more as there are faulty sensors
)

// Of meters and hands that are less even.
const (
	seedJitter = 200000 + iota
	seedTremble
)

func stream(seed uint64, n uint64) *rand.Rand {
	return rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15*n))
}

// New makes a rig that plays the scenario. The error names the field, the rule
// and the value that cannot be played.
func New(s Scenario) (*Rig, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	s = s.cloned()
	r := &Rig{s: s, start: s.Start.UTC().Truncate(stepFlow * time.Millisecond), volume: s.Load, yard: map[string]int{}}
	r.tasks, r.colonies, r.where = plan(&s, stream(s.Seed, seedHand), stream(s.Seed, seedOdd))
	r.fed = make([][]int, len(r.colonies))
	hunt := stream(s.Seed, seedPump)
	r.hunt = &pen{[3]float64{7 * hunt.Float64(), 7 * hunt.Float64(), 7 * hunt.Float64()}}
	r.tote = float64(s.Warm)
	r.body = float64(s.Warm) - 0.3*(float64(s.Warm)-r.air(0))
	for i := range r.hose {
		r.hose[i] = r.air(0) + 0.2*(float64(s.Warm)-r.air(0))
	}
	r.brix, r.bodyBrix = s.Brix, s.Brix
	for i := range r.hoseBrix {
		r.hoseBrix[i] = s.Brix
	}
	r.hold.full = s.Plumbing.HoseVolume()
	r.hold.fill(solids(s.Brix, r.body))
	r.queue, r.leaks = jobs(&s)
	r.bursts = bursts(&s)
	r.line = s.Plumbing
	r.ailing.set(&s)
	r.uneven.set(&s)
	r.airing.rng = stream(s.Seed, seedAir)
	r.count, r.boots = s.Meter.Count, s.Meter.Boots
	r.boardAt = -s.Meter.Uptime.Milliseconds()
	for _, y := range s.Yards {
		if _, seen := r.yard[y.ID]; !y.Past && !seen {
			r.yard[y.ID] = len(r.truth.Yards)
			r.truth.Yards = append(r.truth.Yards, YardTotal{Yard: y.ID})
		}
	}
	r.sense.set(&s)
	for c := range r.fits {
		r.fits[c] = s.fitted(meter.Channel(c))
	}
	r.schedule(0)
	return r, nil
}

// Scenario returns what the rig plays.
func (r *Rig) Scenario() Scenario { return r.s }

func (r *Rig) instant(ms int64) time.Time { return r.start.Add(time.Duration(ms) * time.Millisecond) }

// level returns where the syrup stands at rest.
func (r *Rig) level() quantity.Length {
	if r.stands.Volume != r.volume || r.stands.Level == 0 {
		r.stands = Strap{r.s.Tote.Level(r.volume), r.volume}
	}
	return r.stands.Level
}

// air returns the air's true temperature.
func (r *Rig) air(ms int64) float64 {
	at, a := time.Duration(ms)*time.Millisecond, r.s.Air
	for i := len(a) - 1; i >= 0; i-- {
		if at < a[i].After {
			continue
		}
		if i == len(a)-1 {
			return float64(a[i].Temp)
		}
		f := float64(at-a[i].After) / float64(a[i+1].After-a[i].After)
		return float64(a[i].Temp) + f*float64(a[i+1].Temp-a[i].Temp)
	}
	return float64(a[0].Temp)
}

// shaft returns the pump's speed in 1/s.
func (r *Rig) shaft() float64 {
	if !r.pumping {
		return 0
	}
	p := &r.s.Plumbing
	return float64(p.Speed) * (1 + p.Hunting*r.hunt.at(float64(r.now)/1000)) * r.ailing.throttle
}

// Steps of the physics, ms.
const (
	stepFlow = 10   // while something flows
	stepLine = 100  // between looks at the operating point
	stepHeat = 1000 // between looks at the air

	stepCalm = 200 // of a Coarse scenario, while the flow is steady
	lineCalm = 600
)

// advance runs the physics on to ms since the start, or to the moment a button
// is pressed.
func (r *Rig) advance(to int64) {
	for r.pressed == 0 {
		r.handle()
		r.begin()
		if r.restart < len(r.s.Restarts) && r.s.Restarts[r.restart].Milliseconds() <= r.now {
			r.reboot()
		}
		if r.now >= to || r.pressed != 0 {
			return
		}
		next := min(to, r.now-r.now%stepHeat+stepHeat)
		if r.taskEnd > r.now {
			next = min(next, r.taskEnd)
		}
		if r.restart < len(r.s.Restarts) {
			next = min(next, r.s.Restarts[r.restart].Milliseconds())
		}
		if r.upAt > r.now {
			next = min(next, r.upAt)
		}
		next = r.until(next)
		if r.flowing() {
			step := r.stride()
			next = min(next, r.now-r.now%step+step)
		}
		r.move(next)
		r.phantom(next)
		if r.flowing() {
			r.flow(next)
		}
		r.now = next
		if r.now%stepHeat == 0 {
			r.cool()
		}
	}
}

// calm reports whether long steps will do where something flows: it only
// dribbles, or it is steady and will be for the next step.
func (r *Rig) calm() bool {
	if !r.s.Coarse || r.open != r.want {
		return false
	}
	if r.open == 0 {
		return true
	}
	f := &r.truth.Fills[len(r.truth.Fills)-1]
	near := quantity.VolumeOf(1.5 * r.q * stepCalm / 1000)
	return r.flat.settled && f.Reached < f.Aim-r.closing()-near
}

// stride returns how long a step may be while something flows, ms.
func (r *Rig) stride() int64 {
	if r.calm() {
		return stepCalm
	}
	return stepFlow
}

// glance returns how often the operating point is looked at in a pull, ms.
func (r *Rig) glance() int64 {
	if r.s.Coarse && r.flat.settled {
		return lineCalm
	}
	return stepLine
}

func (r *Rig) flowing() bool { return r.open > 0 || r.want > 0 || r.dripping || r.taskEnd < 0 }

// begin takes up tasks whose time has come.
func (r *Rig) begin() {
	for r.task < len(r.tasks) && r.pressed == 0 {
		t := &r.tasks[r.task]
		if r.begun {
			if r.taskEnd < 0 || r.now < r.taskEnd {
				return
			}
			if t.kind == taskDrive {
				r.where, r.path = t.path.points[len(t.path.points)-1], nil
			}
			if t.kind == taskPause {
				r.ailing.spans[len(r.ailing.spans)-1].To = r.instant(r.taskEnd)
				r.away = false
			}
			r.task, r.begun = r.task+1, false
			continue
		}
		if r.held(t.kind) {
			return
		}
		r.begun, r.taskEnd = true, r.now
		switch t.kind {
		case taskWait:
			r.taskEnd = r.now + t.wait
		case taskPause:
			r.taskEnd, r.away = r.now+t.wait, true
			r.ailing.spans = append(r.ailing.spans, FaultSpan{Kind: Deadhead, From: r.instant(r.now)})
		case taskDrive:
			r.path, r.setOff = t.path, r.now
			r.taskEnd = r.now + int64(math.Ceil(1000*t.path.time))
		case taskEngine:
			r.pumping = !r.pumping
		case taskMark:
			r.marks++
			r.truth.Marks = append(r.truth.Marks, Press{At: r.instant(r.now), Yard: t.yard, Number: r.marks, Again: t.again})
			r.press(meter.Mark)
		case taskSkip:
			r.skips++
			r.truth.Skipped++
			r.press(meter.Skip)
		case taskDrain:
			r.dripping, r.q = false, 0
			r.truth.Drained += r.hold.drain()
		case taskPull:
			r.taskEnd = -1
			r.dripping = false
			r.airing.on = false
			r.want = t.open
			f := t.fill
			f.Opening, f.Number = t.open, r.turn(f.feeding())
			f.Start, f.Session, f.First, f.Open = r.instant(r.now), r.session, r.count, true
			if t.who >= 0 {
				r.fed[t.who] = append(r.fed[t.who], len(r.truth.Fills))
			}
			r.truth.Fills = append(r.truth.Fills, f)
			r.yardAt = r.yard[f.Yard]
			r.flat = flat{half: (f.Aim + r.hold.full - r.hold.now) / 2}
		}
	}
}

// held reports whether what is done to the tote keeps the keeper from a task.
func (r *Rig) held(k taskKind) bool {
	switch k {
	case taskPull:
		return r.job != nil || r.now < r.trust
	case taskDrive:
		return r.job != nil && !r.off()
	case taskMark, taskSkip:
		return r.now < r.trust
	}
	return false
}

func (r *Rig) press(c meter.Channel) {
	if r.s.fitted(c) {
		r.pressed = c
	}
}

// idle reports whether the keeper is done and only the sensors go on.
func (r *Rig) idle() bool { return r.done() || r.begun && r.task == len(r.tasks)-1 }

// done reports whether the night is over.
func (r *Rig) done() bool { return r.task >= len(r.tasks) }

// reboot restarts the board, unless it has no power anyway.
func (r *Rig) reboot() {
	r.restart++
	if !r.off() {
		r.reset(r.now + bootTime.Milliseconds())
		r.due[streamBoard] = r.upAt
	}
}

// reset stops the board until it counts again, from zero.
func (r *Rig) reset(upAt int64) {
	r.truth.Restarts = append(r.truth.Restarts, Restart{At: r.instant(r.now), Count: r.count})
	r.session++
	r.boots++
	r.count = 0
	r.upAt, r.boardAt = upAt, upAt
}
