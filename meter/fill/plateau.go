package fill

import "math"

// Channels whose readings are averaged over the same windows as the rate.
const (
	Outlet  = iota // pressure at the pump's outlet
	Speed          // of the pump's shaft
	besides        // how many
)

// Plateau is the steady part of a pull: what the line lets flow, whatever the
// hand did before and after.
type Plateau struct {
	Pulses uint64
	Took   int64            // ns; 0: there was none
	RelU   float64          // relative standard uncertainty of Rate, of counting alone
	N      [besides]int     // readings of Outlet and of Speed meanwhile ...
	Mean   [besides]float64 // ... and their means
}

// Rate is in pulses a second.
func (p *Plateau) Rate() float64 { return perSecond(p.Pulses, p.Took) }

// Window is a stretch of a pull.
type Window struct {
	Took   int64 // ns
	Pulses uint32
	N      [besides]uint32
	Mean   [besides]float32
	Apart  bool // it does not follow the one before it at once
}

// Course is how the rate of an open pull went: windows of windowPulses and
// more, and wider ones the longer the pull. Those are left out in which the
// trigger was on its way, or may have been: the first ones, the last one, those
// about a rest; and those of a surge.
type Course struct {
	Windows [mostWindows]Window
	N       int
	Wide    uint32 // pulses of a window; 0: windowPulses
	Since   int64  // ns that it has flowed since the trigger was pulled, as far as settled
	Now     Window // under way
	Held    Window // whole, but not in Windows until another one follows
	Holds   bool
	Spoilt  bool // a rest fell into Now
	Gap     bool // something was left out since Held
}

// Judgement, no source. A trigger opens in a quarter of a second, and then the
// syrup of a long hose has to come up to speed, which of a fast flow takes a
// second; a count is good to a pulse at each end, so that windows of sixteen
// scatter by some 2.5 %.
const (
	mostWindows  = 64
	windowPulses = 16
	opening      = int64(1_500_000_000) // ns
)

// A plateau is all windows that are within alike of the rate that the fastest
// fifth of the time reaches, where they come to the least of pulses and time.
// A hand that throttles takes more away, and then that is not the line's doing;
// one that throttles for more than four fifths of a pull is not seen through.
// Judgement, no source.
const (
	alike         = 0.85
	fastest       = 0.2
	plateauPulses = 48
	plateauTook   = int64(2_000_000_000)
)

// Beside takes in a reading of Outlet or Speed while a piece is open.
func (s *State) Beside(i int, v float64) {
	w := &s.Course.Now
	w.N[i]++
	w.Mean[i] += (float32(v) - w.Mean[i]) / float32(w.N[i])
}

// rest is told of a rest in the pull, before what came over it is settled.
func (c *Course) rest() {
	c.Now, c.Spoilt, c.Holds, c.Gap, c.Since = Window{}, true, false, true, 0
}

// settled takes in pulses whose rate was just settled.
func (c *Course) settled(n uint64, took int64, surged bool) {
	began := c.Since
	c.Since += took
	if surged || c.Spoilt || began < opening {
		// With a surge, what came right before it may be part of it.
		if surged {
			c.Holds = false
		}
		c.Now, c.Spoilt, c.Gap = Window{}, false, true
		return
	}
	c.Now.Pulses += uint32(n)
	c.Now.Took += took
	if c.Now.Pulses < max(windowPulses, c.Wide) {
		return
	}
	if c.Holds {
		c.enter()
	}
	c.Held, c.Holds = c.Now, true
	c.Held.Apart = c.Gap
	c.Now, c.Gap = Window{}, false
}

// enter puts the held window to the others; where they are too many, two of
// them become one.
func (c *Course) enter() {
	if c.N == mostWindows {
		for i := range mostWindows / 2 {
			c.Windows[i] = c.Windows[2*i].with(&c.Windows[2*i+1])
		}
		c.N = mostWindows / 2
		c.Wide = 2 * max(windowPulses, c.Wide)
	}
	c.Windows[c.N] = c.Held
	c.N++
}

// with returns two windows as one.
func (w Window) with(o *Window) Window {
	w.Took += o.Took
	w.Pulses += o.Pulses
	for i := range w.N {
		if n := w.N[i] + o.N[i]; o.N[i] > 0 {
			w.Mean[i] += (o.Mean[i] - w.Mean[i]) * float32(o.N[i]) / float32(n)
			w.N[i] = n
		}
	}
	return w
}

// plateau returns the steady part of the pull, the zero one where it had none.
func (c *Course) plateau() Plateau {
	type rated struct {
		rate float64
		took int64
	}
	var buf [mostWindows]rated
	all := int64(0)
	for i := range c.N {
		w := &c.Windows[i]
		r := rated{perSecond(uint64(w.Pulses), w.Took), w.Took}
		j := i
		for ; j > 0 && buf[j-1].rate < r.rate; j-- {
			buf[j] = buf[j-1]
		}
		buf[j] = r
		all += w.Took
	}
	usual, took := 0.0, int64(0)
	for i := 0; i < c.N && float64(took) < fastest*float64(all); i++ {
		usual = buf[i].rate
		took += buf[i].took
	}
	var p Plateau
	var sum [besides]float64
	runs, last := 0, -2
	for i := range c.N {
		w := &c.Windows[i]
		rate := perSecond(uint64(w.Pulses), w.Took)
		if rate < alike*usual || rate*alike > usual {
			continue
		}
		if w.Apart || i != last+1 {
			runs++
		}
		last = i
		p.Pulses += uint64(w.Pulses)
		p.Took += w.Took
		for k := range sum {
			p.N[k] += int(w.N[k])
			sum[k] += float64(float64(w.N[k]) * float64(w.Mean[k]))
		}
	}
	if p.Pulses < plateauPulses || p.Took < plateauTook {
		return Plateau{}
	}
	for k := range sum {
		if p.N[k] > 0 {
			p.Mean[k] = sum[k] / float64(p.N[k])
		}
	}
	// Where between two pulses a run begins, and where it ends, is not known: as
	// likely anywhere, 1/12 of a squared pulse each (GUM 4.3.7).
	p.RelU = math.Sqrt(float64(runs)/6) / float64(p.Pulses)
	return p
}
