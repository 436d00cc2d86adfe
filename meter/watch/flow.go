package watch

import (
	"math"
	"slices"

	"yardtally/calibrate/quantity"
	"yardtally/meter/chart"
)

// charts are those of the flow.
type charts struct {
	sum  chart.Cusum
	mean chart.Ewma
	high chart.Points
}

func (c *charts) restart() { c.sum.Restart(); c.mean.Restart(); c.high.Restart() }

// step shows the charts a score and returns the side of the signal.
func (c *charts) step(z float64) chart.Side {
	s := max(-clip, min(clip, z))
	sum, _ := c.sum.Step(s)
	mean := c.mean.Side()
	if math.Abs(z) <= clip { // what is farther off is no drift
		mean, _ = c.mean.Step(z)
	}
	// On the lower side single pulls say nothing: the hand.
	high, _ := c.high.Step(max(0, z))
	for _, x := range [...]chart.Side{sum, high, mean} {
		if x != chart.Within {
			return x
		}
	}
	return chart.Within
}

// seenPull is a pull that is judged, and its place among all.
type seenPull struct {
	*expected
	i    int     // in Seen.Pulls
	r, s float64 // ln of measured over expected; scatter
}

// course follows a night's pulls.
type course struct {
	w      *Watcher
	pulls  []seenPull
	charts charts
	b      base
	first  float64 // width of the night's offset
	origin base    // of the night's first pulls
	walked float64 // variance of what the base may have gone since
	calm   [2]calm // of the lower side and the upper

	open  *shift // what is the matter with the flow now
	under *shift // what lasts: pulls are held against the level that it led to
	out   []Verdict
	fills []Judged
}

// calm is what was believed when a side's sum was last nothing, and after how
// many pulls that was.
type calm struct {
	base
	at int
}

// shift is a change of the flow that lasts.
type shift struct {
	v      int // its place in out
	before base
	grew   bool // gradually
	begun  int  // pull
	back   int  // pulls on end that are as before
}

// over tells whether a pull is the last that it takes for the flow to be as
// before: nearer to what it was than to what it became.
func (o *shift) over(r float64, v *Verdict) bool {
	need := 2
	if v.Size > 0 {
		need = threePulls // where it could be the hand
	}
	// On the lower side of what it was after it had risen, something else is the matter.
	if part := (r - o.before.at) / v.Size; part > 0.5 || v.Size > 0 && part < -0.5 {
		o.back = 0
	} else {
		o.back++
	}
	return o.back >= need
}

// flow judges the pulls, and says what is the matter with the flow.
func (w *Watcher) flow(each []expected, seen *Seen) ([]Judged, []Verdict) {
	c := &course{w: w, charts: newCharts(), fills: make([]Judged, len(each))}
	for i := range each {
		e := &each[i]
		c.fills[i] = Judged{Session: e.pull.Session, First: e.pull.First}
		if !e.ok {
			continue
		}
		if e.pull.TopUp && len(c.pulls) > 0 && c.pulls[len(c.pulls)-1].pull.End > e.pull.Start-int64(30e9) {
			c.judge(&c.fills[i], &seenPull{e, i, e.off(), w.scatter(e)})
			continue // the same hand, as open as before: it says nothing new
		}
		c.next(e, i)
	}
	for k := range c.out {
		v := &c.out[k]
		for i := range each {
			if p := &each[i].pull; p.Start >= v.From && (v.Until == 0 || p.Start < v.Until) && each[i].ok {
				v.Pulls++
			}
		}
	}
	return c.fills, c.out
}

// judge writes down what was expected of a pull.
func (c *course) judge(j *Judged, p *seenPull) {
	at := c.b.at
	sd := math.Sqrt(c.b.v + square(p.s))
	j.Expected = p.p.Flow * quantity.Flow(math.Exp(at))
	wide := quantity.Flow(math.Exp(1.96 * sd))
	j.Lo, j.Hi = j.Expected/wide, j.Expected*wide
	j.Off = p.r - at
	j.Z = j.Off / sd
	j.Held = c.open == nil && c.b.takenFor(p.r, p.s, c.held(), p.hand)
}

func (c *course) held() float64 {
	if c.w.season.Held > 0 {
		return c.w.season.Held
	}
	return heldShare
}

// next takes in a pull.
func (c *course) next(e *expected, i int) {
	p := seenPull{e, i, e.off(), c.w.scatter(e)}
	if len(c.pulls) == 0 {
		c.first = c.w.width(e)
		c.restart(base{v: square(c.first)})
	} else {
		c.first = min(c.first, c.w.width(e)) // less once the hose is as warm as the tote
		q := c.w.moves(c.pulls[len(c.pulls)-1].expected, e)
		c.b.v += q
		c.calm[0].v += q
		c.calm[1].v += q
		c.walked += q
	}
	c.pulls = append(c.pulls, p)
	c.judge(&c.fills[i], &p)
	if c.open != nil {
		c.goesOn(&p)
		return
	}
	if o := c.under; o != nil && o.over(p.r, &c.out[o.v]) {
		c.end(o, &p)
		c.under = nil
		return
	}
	before := c.b
	side := c.charts.step(c.b.score(p.r, p.s))
	c.fills[i].Slow, c.fills[i].Fast = c.charts.sum.Low.Sum, c.charts.sum.High.Sum
	c.b.learn(p.r, p.s, c.held(), p.hand)
	if c.b.n < earlyPulls {
		c.origin = c.b
	}
	for i, run := range [...]chart.Run{c.charts.sum.Low, c.charts.sum.High} {
		if run.Steps == 0 {
			c.calm[i] = calm{c.b, len(c.pulls)}
		}
	}
	switch {
	case side != chart.Within:
		c.signal(side, &p, before)
	case c.under == nil && c.wandered():
		c.raise(0, c.b.at-c.origin.at, true, c.origin)
	case c.under == nil && math.Abs(c.b.at) > max(beyond*c.first, leastWhole, c.least()) && c.b.n >= threePulls:
		c.offset()
	}
}

// wandered tells whether the base has followed the flow down, little by little,
// by more than formulas explain.
func (c *course) wandered() bool {
	return c.b.at-c.origin.at < -max(slowDrift, c.least(), 4*math.Sqrt(c.origin.v+c.walked))
}

// end says that a change of the flow is over, and goes on from before it.
func (c *course) end(o *shift, p *seenPull) {
	c.out[o.v].Until = p.pull.End
	c.restart(o.before)
}

// restart begins anew at a level.
func (c *course) restart(b base) {
	c.b = b
	c.calm[0] = calm{b, len(c.pulls)}
	c.calm[1] = c.calm[0]
	c.charts.restart()
}

// least is the least change that is told.
func (c *course) least() float64 {
	if c.w.season.Has {
		return leastTold
	}
	return farOff
}

// signal looks at what made the charts signal, and tells it once it is plain.
// now is what was believed before the newest pull.
func (c *course) signal(side chart.Side, p *seenPull, now base) {
	// What is far off has hardly been learnt: it is held against what is believed now.
	if run := c.run(side, now); len(run) >= threePulls {
		c.weigh(side, p, calm{now, len(c.pulls) - len(run)}, run)
		return
	}
	was := c.calm[max(0, side)]
	c.weigh(side, p, was, c.run(side, was.base))
}

// run returns by how much the newest pulls on end are off on a side, oldest first.
func (c *course) run(side chart.Side, b base) (offs []float64) {
	for k := len(c.pulls) - 1; k >= 0; k-- {
		x := &c.pulls[k]
		d := (x.r - b.at) * float64(side)
		if d < 2.5*math.Sqrt(b.v+square(x.s)) {
			break
		}
		offs = append(offs, d)
	}
	slices.Reverse(offs)
	return offs
}

// weigh tells a change against what was believed when it was calm, or not yet.
func (c *course) weigh(side chart.Side, p *seenPull, was calm, offs []float64) {
	if len(offs) == 0 {
		return // the newest is as it should be
	}
	n := len(c.pulls)
	sd := math.Sqrt(was.v + square(p.s))
	from, level, alike := c.alike(side, p, offs)
	plain := plainStep
	if side == chart.Above {
		plain = c.least() // nothing grows faster
	}
	at, size, gradual, sure := n-len(offs)+from, level, false, false
	course := c.tell(was, side, p.s)
	grows := course.Way == chart.Gradual && course.Size*float64(side) > 0
	switch {
	case alike && level > max(plain, 5*sd) && len(offs) >= threePulls && slices.Min(offs[from:]) > 0.6*slices.Max(offs[from:]):
		sure = true // from one pull to the next, and there it stays
	case grows && len(offs) >= manyHeld:
		at, size, gradual, sure = course.At, course.Size*float64(side), true, course.Sure
	case len(offs) < threePulls || side == chart.Below && !alike && len(offs) < manyHeld:
		return // the hand holds back single pulls, each as it likes
	default:
		if course.Way == chart.Sudden && course.Size*float64(side) > 0 {
			at, sure = course.At, course.Sure
		}
		// A small one must have stayed, or it may be the beginning of a slope.
		if side == chart.Below && size < plainStep && (n-at < manyPulls || !sure || math.Abs(offs[len(offs)-1]-size) > 3*p.s) && !was.whole() {
			return
		}
	}
	whole := was.whole() && !gradual
	least, ago := c.least(), n-at
	switch {
	case gradual:
		least = max(least, leastGrown)
	case whole:
		least = max(least, leastWhole)
	}
	early := side == chart.Above && was.n < earlyPulls && math.Abs(was.base.at+size) < beyond*c.first
	switch {
	case whole && size < least, early: // the night's level, which its first pulls were not
		c.restart(base{at: was.base.at + size*float64(side), v: square(p.s), n: float64(len(offs))})
	case size < least:
		if ago > longPulls { // what formulas are off as it gets colder is learnt
			c.restart(c.b)
		}
	case !gradual && ago > longPulls && !whole:
		c.restart(c.b) // it would have been seen before: no step
	case !sure && size < half && ago < manyPulls:
	default:
		c.raise(min(at, n-1), size*float64(side), gradual, was.base)
	}
}

// alike tells whether pulls that are off are so together: from one of them on,
// those that are least off agree, and what is farther off is what the hand holds back
// of it. Two do that seldom by chance where a hand can do much; where it can do
// little, three do. What is beyond a hand need not agree.
func (c *course) alike(side chart.Side, p *seenPull, offs []float64) (from int, level float64, ok bool) {
	need := 2
	if p.hand < widely {
		need = 3
	}
	for from := range len(offs) {
		y := slices.Sorted(slices.Values(offs[from:]))
		if len(y) < 2 || from > 0 && len(y) < threePulls {
			break
		}
		if beyond := y[0] > max(farHand, p.hand+3*p.s) && len(y) >= threePulls; side == chart.Above || beyond || len(y) >= need && y[need-1]-y[0] < 2*math.Sqrt2*p.s {
			return from, (y[0] + y[1]) / 2, true
		}
	}
	return 0, median(offs), false
}

// tell says how the pulls went since shortly before it was calm, those that the
// hand held back left out: before, what is off; since, what is farther off than a
// later pull.
func (c *course) tell(was calm, side chart.Side, scatter float64) chart.Course {
	var x []float64
	var which []int
	for k := max(0, was.at-8, len(c.pulls)-40); k < len(c.pulls); k++ {
		p := &c.pulls[k]
		d := (p.r - was.base.at) * float64(side)
		sd := 3 * math.Sqrt(was.v+square(p.s))
		held := side == chart.Below && k < was.at && d > sd
		for j := k + 1; j < len(c.pulls) && side == chart.Below && k >= was.at; j++ {
			held = held || (c.pulls[j].r-p.r) > 3*math.Sqrt2*p.s
		}
		if !held {
			x, which = append(x, p.r), append(which, k)
		}
	}
	t, err := chart.Tell(x, scatter)
	if err != nil || t.Way == chart.Steady {
		return chart.Course{}
	}
	for i := t.At; i < len(x) && t.Way == chart.Gradual; i++ {
		if math.Abs(x[i]-x[i-1]) > jump {
			return chart.Course{} // what grows does so little by little
		}
	}
	t.At = which[t.At]
	return t
}

// raise opens a verdict that began with pull at.
func (c *course) raise(at int, size float64, gradual bool, calm base) {
	p, last := &c.pulls[at], &c.pulls[len(c.pulls)-1]
	if u := c.under; u != nil && !gradual && size*c.out[u.v].Size > 0 && math.Abs(size) < half {
		// More of the same.
		c.out[u.v].Size = calm.at + size - u.before.at
		c.restart(base{at: calm.at + size, v: square(last.s), n: threePulls})
		return
	}
	v := Verdict{From: p.pull.Start, Told: last.pull.End, Session: p.pull.Session, First: p.pull.First, Last: p.pull.Last,
		Yard: p.pull.Yard, Size: size, Sudden: !gradual}
	whole := !gradual && calm.whole()
	c.classify(&v, at, whole)
	v.Chance = c.chance(at, calm, size)
	c.out = append(c.out, v)
	c.open = &shift{v: len(c.out) - 1, before: calm, grew: gradual, begun: at}
	c.restart(calm)
	if whole || size > 0 {
		c.stays()
	}
}

// stays takes the level that a change led to for the one that pulls are held
// against from now on, so that what comes on top of it shows.
func (c *course) stays() {
	if c.under != nil {
		c.out[c.under.v].Until = c.out[c.open.v].From
		c.open.before = c.under.before
	}
	c.under, c.open = c.open, nil
	var off []float64
	for k := max(c.under.begun, len(c.pulls)-8); k < len(c.pulls); k++ {
		off = append(off, c.pulls[k].r)
	}
	s := c.pulls[len(c.pulls)-1].s
	b := base{at: median(off), v: square(s), n: float64(len(off))}
	if v := &c.out[c.under.v]; (b.at-c.under.before.at)/v.Size < 0.5 {
		b.at = c.under.before.at + v.Size
	}
	c.restart(b)
}

// goesOn follows the flow while something is the matter with it.
func (c *course) goesOn(p *seenPull) {
	o := c.open
	v := &c.out[o.v]
	if o.over(p.r, v) {
		c.open = nil
		c.end(o, p)
		return
	}
	if d := p.r - o.before.at; o.grew && d < v.Size && d > 1.3*v.Size-0.1 {
		v.Size = d
	}
	if !o.grew && len(c.pulls)-o.begun >= longPulls {
		c.stays()
	}
}

// offset tells that the night is off as a whole.
func (c *course) offset() {
	c.raise(0, c.b.at, false, base{v: square(c.first)})
}

// chance is that of the verdict, by the likelihoods of the pulls with it and
// without; once in a thousand pulls something begins (judgement).
func (c *course) chance(at int, calm base, size float64) float64 {
	sum := -math.Log(1000)
	for k := at; k < len(c.pulls); k++ {
		p := &c.pulls[k]
		z := (p.r - calm.at) / math.Sqrt(calm.v+square(p.s)) * math.Copysign(1, size)
		one := z * math.Abs(z) / 2
		if size < 0 { // the hand explains it too
			one = min(one, -math.Log(c.held()))
		}
		sum += max(-3, min(8, one))
	}
	return min(0.999, 1/(1+math.Exp(-sum)))
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	y := slices.Sorted(slices.Values(x))
	return (y[(len(y)-1)/2] + y[len(y)/2]) / 2
}
