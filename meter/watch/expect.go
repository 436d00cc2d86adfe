package watch

import (
	"math"
	"time"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

// expected is what the line should let flow in a pull.
type expected struct {
	pull   Pull
	after  line.Warmth // the rig after it
	tote   quantity.Temperature
	toteU  float64 // K
	nth    int     // pull of the night
	ok     bool
	c      line.Conditions
	known  line.Known
	p      line.Prediction
	warmU  float64 // of how warm the hose is, ln flow
	hand   float64 // by how much a hand on the trigger can hold it back, ln flow, above 0
	down   float64 // ln of measured over what the measured outlet pressure lets flow
	downOK bool
	speed  quantity.Frequency // newest that the shaft was heard to have; 0: none
}

// off returns ln of measured over expected.
func (e *expected) off() float64 { return math.Log(float64(e.pull.Flow / e.p.Flow)) }

// judged tells whether a pull is worth holding against anything.
func (p *Pull) judged() bool { return !p.Aside && !p.Surged && !p.heated && p.Flow > 0 && p.RelU < 0.2 }

// idling tells whether the pump stood still: then it was no pull. Judgement: no
// engine turns so slowly, and a tote's height makes no such pressure.
func (p *Pull) idling() bool {
	if p.HasSpeed {
		return p.Speed < 2
	}
	return p.Rest || p.HasOutlet && p.Outlet < 30e3
}

// warm returns what is known of the tote's temperature, and how well.
func (p *Pull) warm() (quantity.Temperature, float64) {
	switch {
	case p.HasTote:
		return p.Tote, tempU
	case p.HasSyrup:
		return p.Syrup, 2 * tempU
	case p.HasAir:
		return p.Air + 3, noTempU // syrup comes warm and cools slowly
	}
	return 15, 2 * noTempU
}

func (p *Pull) liquid() (syrup.Syrup, quantity.Solids) {
	switch {
	case p.Liquid.Solids <= 0:
		return syrup.Syrup{Makeup: p.Liquid.Makeup, Solids: anySolids}, anySolidsU
	case p.SolidsU <= 0:
		return p.Liquid, solidsU
	}
	return p.Liquid, p.SolidsU
}

// cooled returns how warm the rig is when a pull begins.
func cooled(last *expected, p *Pull, tote quantity.Temperature) line.Warmth {
	if last == nil {
		w := line.AllAt(tote)
		if p.HasAir {
			w = line.AllAt(p.Air)
			w.Body = (tote + p.Air) / 2
		}
		if p.HasSyrup {
			w.Body = p.Syrup
		}
		return w
	}
	air := tote
	switch {
	case p.HasAir && last.pull.HasAir:
		air = (p.Air + last.pull.Air) / 2
	case p.HasAir:
		air = p.Air
	case last.pull.HasAir:
		air = last.pull.Air
	}
	return last.after.Cool(time.Duration(p.Start-last.pull.End), air)
}

// expect works out a pull after another.
func (w *Watcher) expect(last *expected, p *Pull) expected {
	e := expected{pull: *p}
	if last != nil {
		e.nth, e.speed = last.nth, last.speed // a sensor that falls silent changes no speed
	}
	if p.HasSpeed {
		e.speed = p.Speed
	}
	tote, u := p.warm()
	if last != nil && !p.HasTote && last.toteU < u {
		tote, u = last.tote, last.toteU // a tote cools in days
	}
	e.tote, e.toteU = tote, u
	liquid, solids := p.liquid()
	before := cooled(last, p, tote)
	mid := before.Pass(p.Volume/2, tote, w.hose)
	e.after = mid.Pass(p.Volume-p.Volume/2, tote, w.hose)
	if !p.judged() || p.idling() || p.Moving {
		return e
	}
	set := line.Setting{}
	if p.HasLevel {
		set.Level = p.Level
	}
	set.Speed = e.speed
	e.c = line.Under(liquid, tote, mid, set)
	e.known = line.Known{Of: line.Of{Batch: p.Batch}, SolidsU: solids, TempU: u}
	e.p = w.predict(&e.c, e.known)
	if e.ok = e.p.Flow > 0; !e.ok {
		return e
	}
	cold := 0.0
	for _, t := range mid.Hose {
		cold += float64(tote-t) / line.Cells
	}
	share := hoseShare
	if e.nth = 1; last != nil {
		e.nth = last.nth + 1
	}
	if e.nth <= threePulls {
		share *= 2 // how warm the hose was when the night began nobody knows
	}
	e.warmU = math.Abs(e.p.Sense.Kelvin * share * cold)
	c := e.c
	c.Open = leastOpen
	if at, err := line.Operate(&w.line, &c); err == nil && at.Flow > 0 {
		c.Open = 0
		if free, err := line.Operate(&w.line, &c); err == nil {
			e.hand = max(leastHand, 1.3*math.Log(float64(free.Flow/at.Flow)))
		}
	}
	if p.HasOutlet && p.Outlet > 0 {
		c := e.c
		c.Outlet = p.Outlet
		if q := w.predict(&c, e.known); q.Flow > 0 {
			e.down, e.downOK = math.Log(float64(p.Flow/q.Flow)), true
		}
	}
	return e
}

// predict asks the line as learnt, or as labelled with what labels are worth.
func (w *Watcher) predict(c *line.Conditions, k line.Known) line.Prediction {
	if w.season.Has {
		p, err := w.season.Learnt.Predict(c, k)
		if err != nil {
			return line.Prediction{}
		}
		return p
	}
	at, err := line.Operate(&w.label, c)
	if err != nil || at.Flow <= 0 {
		return line.Prediction{}
	}
	s, err := line.Sensitivities(&w.label, c)
	if err != nil {
		return line.Prediction{}
	}
	x := line.UsualWidths()
	p := line.Prediction{Point: at, Sense: s}
	p.Parts = line.Parts{
		Line:        math.Sqrt(square(s.LnBore*x.LnBore) + square(s.LnPressure*x.LnPressure) + square(s.LnNozzle*x.LnNozzle) + square(s.Reel*x.Reel)),
		Scatter:     2 * x.Scatter,
		Brix:        math.Abs(s.Solids) * float64(k.SolidsU),
		Temperature: math.Abs(s.Kelvin) * k.TempU,
		Pressure:    s.LnPressure * x.Night,
		Formula:     math.Abs(s.LnViscosity) * c.ViscosityU,
	}
	if at.Marks&line.Transitional != 0 {
		p.Parts.Transition = math.Abs(s.LnFriction) * x.Friction
	}
	p.RelU = p.Parts.Combined()
	return p
}

func square(x float64) float64 { return x * x }

// scatter returns the standard deviation of one pull about the night's base.
func (w *Watcher) scatter(e *expected) float64 {
	s := w.season.Scatter
	if !w.season.Has {
		s = 2 * line.UsualWidths().Scatter
	}
	return math.Sqrt(square(s) + square(e.pull.RelU) + square(e.warmU))
}

// whole returns by how much a night may be off in all of its pulls, standard
// deviation of ln flow.
func whole(p *line.Prediction) float64 {
	x := p.Parts
	x.Scatter = 0
	if p.Marks&line.Beyond != 0 {
		x.Formula /= unlike // no data bear the formula out here: all of its error, not a part
	}
	return x.Combined()
}

// width returns the same with what the rig's own nights taught of it.
func (w *Watcher) width(e *expected) float64 {
	u := whole(&e.p)
	if w.season.Has {
		u *= w.season.Nightly
		mu := thickness(&e.c)
		u = math.Hypot(u, outside*max(0, mu-w.season.Thick, w.season.Thin-mu))
	}
	return max(0.02, u)
}

// moves returns by how much a night's base may go from one pull to the next: by
// itself, and as far as formulas run otherwise with temperature than they are
// said to.
func (w *Watcher) moves(a, b *expected) float64 {
	q := square(wander)
	if a == nil {
		return q
	}
	if a.pull.Batch != b.pull.Batch {
		q += 2 * square(max(b.p.Parts.Brix, math.Abs(b.p.Sense.Solids)*float64(b.known.SolidsU)))
	}
	// As a random walk with temperature: all of what is not alike after 10 K.
	kelvin := math.Abs(float64(b.c.Hose[line.Cells/2].PerKelvin)) // of ln viscosity
	step := math.Abs(thickness(&b.c) - thickness(&a.c))
	if kelvin > 0 {
		q += square(b.p.Parts.Formula) * min(1, step/kelvin/10)
	}
	if t := max(a.p.Parts.Transition, b.p.Parts.Transition); t > 0 {
		q += 2 * square(t) * min(1, math.Abs(math.Log(b.p.HoseRe[0]/a.p.HoseRe[0])))
	}
	return q
}
