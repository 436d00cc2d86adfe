package rigsim

import (
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"yardtally/meter"
)

// The messages of a rig, each with its own rate.
const (
	streamBoard    = iota // pulses, uptime; boot on start: 5 Hz
	streamPosition        // lat, lon, hdop, utc: 1 Hz, on the second
	streamLevel           // headspace, head: 1 Hz
	streamHeat            // syrup, air: every 5 s
	streamLine            // 5 Hz
	streamPump            // 1 Hz
	streamButtons         // mark, skip: on start; presses come besides
	streams
)

var every = [streams]int64{200, 1000, 1000, 5000, 200, 1000, 0}

var carried = [streams][]meter.Channel{
	streamBoard:    {meter.Pulses},
	streamPosition: {meter.Lat, meter.Lon, meter.HDOP, meter.UTC},
	streamLevel:    {meter.Headspace, meter.Head},
	streamHeat:     {meter.Syrup, meter.Air},
	streamLine:     {meter.Line},
	streamPump:     {meter.Pump},
	streamButtons:  {meter.Mark, meter.Skip},
}

const never = math.MaxInt64

// schedule sets when each message is first due, where power comes at from, ms.
func (r *Rig) schedule(from int64) {
	phase := [streams]int64{0, 0, 130, 700, 60, 420, 0}
	if off := (int64(r.start.Nanosecond())/1e6 + from) % 1000; off > 0 {
		phase[streamPosition] = 1000 - off
	}
	for i := range r.due {
		r.due[i] = never
		for _, c := range carried[i] {
			if r.s.fitted(c) {
				r.due[i] = from + phase[i]
			}
		}
	}
}

// Next runs the rig on to its next message. The receiver owns the readings.
// False means that the night is over.
func (r *Rig) Next() (Said, bool) {
	for {
		which := 0
		for i := range r.due {
			if r.due[i] < r.due[which] {
				which = i
			}
		}
		r.advance(r.due[which])
		if r.done() && r.now > r.taskEnd {
			return Said{}, false
		}
		if c := r.pressed; c != 0 {
			r.pressed = 0
			if out := r.button(c); len(out) > 0 {
				return r.said(out), true
			}
			continue
		}
		if r.now < r.due[which] { // the board restarted meanwhile
			continue
		}
		if every[which] == 0 {
			r.due[which] = never
		} else {
			r.due[which] += every[which]
		}
		if out := r.read(which); len(out) > 0 { // a sensor may have nothing to say
			return r.said(out), true
		}
	}
}

// All returns the messages that are still to come.
func (r *Rig) All() iter.Seq[Said] {
	return func(yield func(Said) bool) {
		for {
			s, ok := r.Next()
			if !ok || !yield(s) {
				return
			}
		}
	}
}

// said keeps the readings for good; they are carved from larger pieces.
func (r *Rig) said(readings []meter.Reading) Said {
	if len(r.slab) < len(readings) {
		r.slab = make([]meter.Reading, 512)
	}
	out := r.slab[:len(readings):len(readings)]
	r.slab = r.slab[len(readings):]
	copy(out, readings)
	return Said{r.instant(r.now), out}
}

// sense is what the sensors add to the truth.
type sense struct {
	dribble *rand.Rand
	waves   *rand.Rand
	odd     *rand.Rand // of the level's nonsense
	astray  *rand.Rand // of positions that are far off
	lost    point      // m, how far
	rng     [meter.LastChannel + 1]*rand.Rand

	slosh      float64 // amplitude, m
	phase      float64
	sloshAt    int64
	bias       [meter.LastChannel + 1]float64 // of the thermometers, K
	east, nort float64                        // wandering error of the position, m
	buf        []meter.Reading
}

func (e *sense) set(s *Scenario) {
	e.dribble = stream(s.Seed, seedDrip)
	e.waves = stream(s.Seed, seedWaves)
	e.odd, e.astray = stream(s.Seed, seedNonsense), stream(s.Seed, seedAstray)
	for c := range e.rng {
		e.rng[c] = stream(s.Seed, seedSense+uint64(c))
	}
	for _, c := range []meter.Channel{meter.Syrup, meter.Air} {
		e.bias[c] = 0.15 * e.rng[c].NormFloat64()
		if s.Sensors != 0 {
			e.bias[c] = 0.15 * stream(s.Sensors, seedSense+uint64(c)).NormFloat64()
		}
	}
}

// drip returns how this dribble compares to the usual one.
func (e *sense) drip() float64 { return 0.4 + 1.2*e.dribble.Float64() }

// Noise of the sensors, one standard deviation; invented, of the usual size.
const (
	noiseLevel = 0.0013 // m
	noiseHead  = 20.0   // Pa
	noiseHeat  = 0.05   // K
	noiseLine  = 400.0  // Pa
	wander     = 2.0    // m, slow, each of east and north
	jitter     = 0.7    // m, from second to second
	outlier    = 1200.0 // fixes for one that is far off
)

func round(v, step float64) float64 { return math.Round(v/step) / math.Round(1/step) }

func (r *Rig) button(c meter.Channel) []meter.Reading {
	n := r.marks
	if c == meter.Skip {
		n = r.skips
	}
	e := &r.sense
	e.buf = e.buf[:0]
	r.say(c, float64(n))
	return e.buf
}

// say adds to the message what the sensor says of v.
func (r *Rig) say(c meter.Channel, v float64) {
	if !r.fits[c] {
		return
	}
	if len(r.ailing.sensors) > 0 {
		var ok bool
		if v, ok = r.faulty(c, v); !ok {
			return
		}
	}
	r.sense.buf = append(r.sense.buf, meter.Reading{Channel: c, Value: v})
}

func (r *Rig) read(which int) []meter.Reading {
	e := &r.sense
	e.buf = e.buf[:0]
	switch which {
	case streamBoard:
		r.say(meter.Pulses, float64(r.count&(1<<r.s.Meter.WrapBits-1)))
		r.say(meter.Uptime, float64(r.now-r.boardAt)/1000)
		if r.now == 0 || r.now == r.upAt {
			r.say(meter.Boot, float64(r.boots))
		}
	case streamPosition:
		r.readPosition()
	case streamLevel:
		if r.job != nil && r.job.kind == jobSwap {
			r.readNothing()
			break
		}
		level := float64(r.level())
		wave := r.wave(level)
		d := float64(r.s.Tote.Sensor) - level - wave + noiseLevel*e.rng[meter.Headspace].NormFloat64()
		r.say(meter.Headspace, round(math.Max(0, d), 1e-4))
		p := density(r.brix, r.tote)*gravity*math.Max(0, level+wave-float64(r.s.Tote.Head)) - r.suck()
		r.say(meter.Head, round(p+noiseHead*e.rng[meter.Head].NormFloat64(), 1))
	case streamHeat:
		r.say(meter.Syrup, round(r.body+e.bias[meter.Syrup]+noiseHeat*e.rng[meter.Syrup].NormFloat64(), 0.1))
		r.say(meter.Air, round(r.air(r.now)+e.bias[meter.Air]+noiseHeat*e.rng[meter.Air].NormFloat64(), 0.1))
	case streamLine:
		r.say(meter.Line, round(r.outlet()+noiseLine*e.rng[meter.Line].NormFloat64(), 1))
	case streamPump:
		r.say(meter.Pump, math.Round(60*r.shaft()*(1+0.001*e.rng[meter.Pump].NormFloat64()))/60) // in whole turns a minute
	case streamButtons:
		r.say(meter.Mark, float64(r.marks))
		r.say(meter.Skip, float64(r.skips))
	}
	return e.buf
}

// outlet returns the gauge pressure at the pump's outlet, Pa.
func (r *Rig) outlet() float64 {
	p := &r.line
	rho := density(r.brix, r.tote)
	made := p.lift(r.q, r.shaft(), rho) + rho*gravity*float64(r.level()) - r.suck()
	if r.q < 1e-9 {
		return made
	}
	return made - pipe(r.q, rho, r.viscosity(&r.sips[hoseCells], r.brix, r.tote), float64(p.SuctionBore), float64(p.SuctionLength), float64(p.Roughness), p.SuctionLoss)
}

// wave returns how far slosh lifts the surface at the sensor, m. Driving feeds
// the first mode; standing, it dies away in some 15 s.
func (r *Rig) wave(level float64) float64 {
	e, speed := &r.sense, 0.0
	if r.path != nil {
		_, speed = r.path.at(float64(r.now-r.setOff) / 1000)
	}
	dt := float64(r.now-e.sloshAt) / 1000
	e.sloshAt = r.now
	goal, tau := 0.0, 15.0
	if speed > 0.2 {
		goal, tau = 0.018*speed/11*(0.4+1.2*e.waves.Float64()), 6
	}
	e.slosh += (goal - e.slosh) * (1 - math.Exp(-dt/tau))
	e.phase += 2*math.Pi*dt*slosh(float64(r.s.Tote.Length), math.Max(0.02, level)) + 0.3*e.waves.NormFloat64()
	return e.slosh * math.Sin(e.phase)
}

// readNothing is what the level sensors say while there is no tote under them:
// half the time nothing at all, otherwise a floor or a hand.
func (r *Rig) readNothing() {
	e := &r.sense
	if e.odd.Float64() < 0.5 {
		return
	}
	r.say(meter.Headspace, round(float64(r.s.Tote.Sensor)+0.3+4*e.odd.Float64(), 1e-4))
	r.say(meter.Head, round(500*e.odd.NormFloat64(), 1))
}

func (r *Rig) readPosition() {
	e, at := &r.sense, r.where
	if r.path != nil {
		at, _ = r.path.at(float64(r.now-r.setOff) / 1000)
	}
	rng := e.rng[meter.Lat]
	const keep = 0.97 // of the wandering error from second to second: about 33 s
	fresh := wander * math.Sqrt(1-keep*keep)
	e.east = keep*e.east + fresh*rng.NormFloat64()
	e.nort = keep*e.nort + fresh*rng.NormFloat64()
	at.e += e.east + jitter*rng.NormFloat64()
	at.n += e.nort + jitter*rng.NormFloat64()
	hdop := 0.8 + 0.5*rng.Float64()
	if u := rng.Float64(); u < 1/outlier {
		far, angle := 40+200*rng.Float64(), 2*math.Pi*rng.Float64()
		at.e += far * math.Cos(angle)
		at.n += far * math.Sin(angle)
		if u < 0.5/outlier { // half of them own up to it
			hdop = 4 + 4*rng.Float64()
		}
	}
	since := time.Duration(r.now) * time.Millisecond
	if in(r.s.PositionBad, since) >= 0 {
		if e.lost == (point{}) || e.astray.Float64() < 0.15 { // some 7 s to each error
			far, angle := 60+240*e.astray.Float64(), 2*math.Pi*e.astray.Float64()
			e.lost = point{far * math.Cos(angle), far * math.Sin(angle)}
		}
		at.e, at.n, hdop = at.e+e.lost.e, at.n+e.lost.n, 6+6*e.astray.Float64()
	} else {
		e.lost = point{}
	}
	if in(r.s.PositionGone, since) >= 0 {
		r.say(meter.UTC, float64(r.instant(r.now).Unix()))
		return
	}
	p := at.place(r.s.origin())
	r.say(meter.Lat, round(p.Lat, 1e-6))
	r.say(meter.Lon, round(p.Lon, 1e-6))
	r.say(meter.HDOP, round(hdop, 0.1))
	if len(r.ailing.sensors) > 0 {
		r.halve()
	}
	r.say(meter.UTC, float64(r.instant(r.now).Unix()))
}

// halve takes out of a message what is left of a position that lacks a half.
func (r *Rig) halve() {
	e := &r.sense
	lat := slices.ContainsFunc(e.buf, func(x meter.Reading) bool { return x.Channel == meter.Lat })
	lon := slices.ContainsFunc(e.buf, func(x meter.Reading) bool { return x.Channel == meter.Lon })
	if lat && lon {
		return
	}
	e.buf = slices.DeleteFunc(e.buf, func(x meter.Reading) bool {
		return x.Channel == meter.Lat || x.Channel == meter.Lon || x.Channel == meter.HDOP
	})
}
