package fill

import "math"

// Scatter holds two ideas of a piece's pulses against each other while they
// come: syrup turned the meter, which spaces them evenly; or they are stray, each
// for itself whatever came before (a Poisson stream). What tells is how much
// counts of neighbouring windows of time differ. Of s stray pulses in two equal
// windows each is as likely in the one as in the other, so that their difference
// d has the variance s. This is the dispersion test (R. A. Fisher, Statistical
// Methods for Research Workers, on the Poisson series: the variance of counts
// over their mean; from memory), taken over neighbours so that flow which only
// changes slowly is even (J. von Neumann 1941, mean square successive
// difference; from memory).
//
// Even flow makes d one pulse at most where the windows are equal, two only
// where pulses fall on the very edges of windows: then each of the three edges
// lets its pulse in or not, and in two of eight cases d is two. So of even flow
// at most onEdges of all pairs of windows have a d of 1.75 to 2.75, and at most
// astray, by judgement, more than that, for steps of the flow; both bounds grow
// by a twelfth of the pulses beyond eight, for what a hand trembles. Of stray
// pulses the shares are binomial. Sum adds up the logarithms of what each pair is
// times as likely of stray pulses as of even flow, halved since each window is
// in two pairs: it is the logarithm of at most the mean of two likelihood ratios,
// of the odd pairs and of the even ones (Jensen). So even flow reaches ln 1/a in
// a share a of all pieces at most (Markov). A pair further apart than stray pulses
// get is a step, and tells nothing.
//
// Syrup and stray pulses together are scattered too, but less: the mean of d²/s,
// the index of dispersion, is about the share of those that are stray.
type Scatter struct {
	Lanes   [lanes]Lane
	Stood   int64  // messages since the last pulse
	Since   int64  // ns since the begin
	Begun   uint64 // the count there
	Windows uint32 // of the first lane
}

// Lane is what windows of one width tell. Those of the first lane are messages
// of leastWindow or more, those of each other one two of the lane before.
type Lane struct {
	At     uint64 // count where the window under way began
	Until  int64  // ns since the begin, there
	N1     uint64 // pulses of the window before
	T1     int64  // ns; 0: there is none before
	Falls  bool   // the deepest fall goes on: To is Now, and what hangs on it waits for land
	Across bool   // the wide window under way began before To, and is none of what comes after

	Now    Mark
	Peak   Mark  // where Sum was highest
	From   Mark  // where its deepest fall began: what is likeliest to be even
	To     Mark  // ... and ended
	Before int64 // the deepest fall before From
	Top    int64 // the highest Sum since To
	After  int64 // and the deepest fall from there

	Most int64 // the highest rate of a wide window, pulses in 1000 s
}

// Mark is what the pairs up to a count came to.
type Mark struct {
	At    uint64
	T     int64 // ns since the begin
	Sum   int64 // in thousandths; above zero for stray pulses
	D     int64 // sum of d²/s, in thousandths
	Pairs int32

	// Of windows four times as wide, for how steady the rate is.
	Wide   int32
	Pulses int64 // of those
	Took   int64 // ns
	Square int64 // sum of the squares of their pulses over their seconds, in hundredths
}

// since is what came to it after another mark.
func (m Mark) since(o Mark) Mark {
	return Mark{m.At - o.At, m.T - o.T, m.Sum - o.Sum, m.D - o.D, m.Pairs - o.Pairs,
		m.Wide - o.Wide, m.Pulses - o.Pulses, m.Took - o.Took, m.Square - o.Square}
}

// wide takes in a wide window of n pulses in t ns.
func (l *Lane) wide(n, t int64) {
	if n > mostCounts*mostCounts {
		return
	}
	if l.Falls && !l.Across {
		l.land()
	}
	m := &l.Now
	m.Wide++
	m.Pulses += n
	m.Took += t
	m.Square += n * n * 1e9 / max(1, t/100)
	if r, us := n*1e9, max(1, t/1000); r >= (l.Most+1)*us {
		l.Most = r / us
	}
	if l.Across {
		if !l.Falls {
			l.To.Wide, l.To.Pulses, l.To.Took, l.To.Square = m.Wide, m.Pulses, m.Took, m.Square
		}
		l.Across = false
	}
}

// land ends a fall where it is now. While it goes on, as it does in even flow,
// nothing need be copied.
func (l *Lane) land() {
	if l.Falls {
		l.To, l.Top, l.After, l.Falls = l.Now, l.Now.Sum, 0, false
	}
}

// steady reports whether the rate changes no more than chance has that of stray
// pulses do, 1 in 100 excepted: the dispersion test, chi-squared of one less than
// there are windows, by the approximation of Wilson and Hilferty (1931; from
// memory). Of fewWide windows or fewer that is not known.
func (m Mark) steady() bool {
	if m.Wide < fewWide || m.Pulses == 0 {
		return false
	}
	k := float64(m.Wide - 1)
	x := float64(m.Square)/100/perSecond(uint64(m.Pulses), m.Took) - float64(m.Pulses)
	z := 1 - 2/(9*k) + hundredth*math.Sqrt(2/(9*k))
	return x < k*z*z*z
}

const (
	lanes       = 5                  // up to 3.2 s a window where messages come each 0.2 s
	leastWindow = int64(150_000_000) // ns
	fewCounts   = 2                  // of a window in the mean: the narrowest that has so many is asked
	onEdges     = 1.0 / 4
	astray      = 1.0 / 64
	leastCounts = 4 // of two windows
	mostCounts  = 256
	outFrom     = 21 // a d of 1.75, in twelfths
	pulse       = 12
	farFrom     = 3.5 // standard deviations of stray pulses
)

// What Sum must reach, in thousandths. Judgement, but for the logarithms.
const (
	certain = 9210 // 1 in 10,000 of even flow; with a step's two pairs on top still 1 in 300
	perhaps = 4605 // 1 in 100
	evenly  = 6908 // 1 in 1000 the other way round: a stretch that is even
	faster  = 2303 // 1 in 10: the same of one that came twice as fast as the rest

	mostly    = 0.5
	fewWide   = 6
	hundredth = 2.326 // standard deviations that a normal value is above once in 100
)

// weight is what a pair of windows tells by its d, in thousandths, and the
// bounds of d in twelfths of a pulse.
type weight struct {
	in, edge, out, bound, far int64
	inverse                   float64 // a thousand over the pulses
}

var weights = weigh() // by the pulses of both windows

func weigh() (table [mostCounts]weight) {
	for s := leastCounts; s < len(table); s++ {
		w := &table[s]
		w.bound = outFrom + int64(max(0, s-8))
		w.inverse = 1000 / float64(s)
		w.far = int64(math.Ceil(pulse * farFrom * math.Sqrt(float64(s))))
		var share [3]float64
		p := math.Pow(0.5, float64(s)) // of k pulses in the first window
		for k := range s + 1 {
			switch d := pulse * int64(max(2*k-s, s-2*k)); {
			case d < w.bound:
				share[0] += p
			case d < w.bound+pulse:
				share[1] += p
			default:
				share[2] += p
			}
			p *= float64(s-k) / float64(k+1)
		}
		tells := func(stray, even float64) int64 { return int64(math.Round(1000 * math.Log(stray/even) / 2)) }
		w.out = tells(share[2], astray)
		if share[1] > 0 {
			w.in, w.edge = tells(share[0], 1-onEdges-astray), tells(share[1], onEdges)
		} else { // d is odd or even as s is: two is none of this one's
			w.in = tells(share[0], 1-astray)
			w.edge = w.in
		}
	}
	return table
}

// begin is at the end of the move that opened the piece: when in it the flow
// began is not known. Nothing must be left of a piece before.
func (c *Scatter) begin(at uint64) {
	c.Begun = at
	for i := range c.Lanes {
		l := &c.Lanes[i]
		l.At, l.Now.At, l.Peak.At, l.From.At, l.To.At = at, at, at, at, at
	}
}

// moved takes in pulses up to the count to, of a message that took so long.
func (c *Scatter) moved(to uint64, took int64) {
	c.Since += took
	if c.Since-c.Lanes[0].Until >= leastWindow {
		c.full(to)
	}
}

// stood takes in the messages without pulses, up to the count to, and their time.
func (c *Scatter) stood(to uint64, still int64) {
	for range c.Stood {
		c.moved(to, still/c.Stood)
	}
	c.Stood = 0
}

// full closes the first lane's window, and those that it fills up.
func (c *Scatter) full(to uint64) {
	at := c.Since
	c.Windows++
	for i := range c.Lanes {
		l := &c.Lanes[i]
		n, t := to-l.At, at-l.Until
		l.close(n, t, to, at)
		if i >= 2 {
			c.Lanes[i-2].wide(int64(n), t)
		}
		if c.Windows>>i&1 != 0 { // the next lane's has but half
			return
		}
	}
}

// close ends the window under way, of n pulses in t ns, and weighs it against the
// one before.
func (l *Lane) close(n uint64, t int64, to uint64, at int64) {
	n1, t1 := l.N1, l.T1
	l.N1, l.T1, l.At, l.Until = n, t, to, at
	s := n + n1
	if t1 == 0 || s < leastCounts || s >= mostCounts || t > 3*t1 || t1 > 3*t {
		return
	}
	w := &weights[s]
	d, both := 2*pulse*(int64(n)*t1-int64(n1)*t), t+t1 // d over both: the difference at equal times
	d = max(d, -d)
	var tells int64
	switch {
	case d < w.bound*both:
		tells = w.in
	case d < (w.bound+pulse)*both:
		tells = w.edge
	case d < w.far*both:
		tells = w.out
	default:
		return
	}
	on := l.Falls && tells < 0 // From is Peak then
	if !on {
		l.land()
	}
	x := float64(d) / float64(pulse*both)
	m := &l.Now
	m.At, m.T = to, at
	m.Sum += tells
	m.D += int64(x * x * w.inverse)
	m.Pairs++
	if on {
		l.Across = true
		return
	}
	if m.Sum >= l.Peak.Sum {
		l.Peak = *m
	}
	l.Top = max(l.Top, m.Sum)
	l.After = max(l.After, l.Top-m.Sum)
	if l.Peak.Sum-m.Sum > l.From.Sum-l.To.Sum {
		if l.Peak.At >= l.To.At && l.To.At > l.From.At {
			l.Before = max(l.Before, l.From.Sum-l.To.Sum)
		}
		if l.From.At != l.Peak.At {
			l.From = l.Peak
		}
		l.Falls, l.Across = true, true
	}
}

// lane returns the narrowest lane with enough pulses a window; nil: there is none.
func (c *Scatter) lane() *Lane {
	for i := range c.Lanes {
		l := &c.Lanes[i]
		if n := uint64(c.Windows >> i); n > 1 && l.At-c.Begun >= fewCounts*n {
			return l
		}
	}
	return nil
}

// tell puts on a piece which of its pulses are stray.
func (c *Scatter) tell(p *Piece) {
	of := c.lane()
	if of == nil {
		return
	}
	l := *of
	l.land()
	even := l.To.since(l.From)
	rest := Mark{At: p.Last - p.First, T: c.Since}.since(even)
	if even.Sum > -evenly && !(even.Sum <= -faster && even.rate() > 2*rest.rate()) {
		if p.Stray = l.Now.stray(); p.Stray != NoStray {
			p.Most = max(float64(l.Most)/1000, perSecond(p.Last-p.First, p.Flowing))
		}
		return
	}
	// What comes faster than the even pulses is air rather.
	head, tail := l.From, l.Now.since(l.To)
	for _, x := range []struct {
		Mark
		deepest int64
		at      *uint64
		edge    uint64
	}{{head, l.Before, &p.Head, l.From.At}, {tail, l.After, &p.Tail, l.To.At}} {
		switch stray := x.stray(); {
		case stray < SomeStray || x.rate() >= even.rate():
		case stray == AllStray && x.deepest < perhaps:
			*x.at = x.edge
		default:
			p.Stray, p.Most = SomeStray, float64(l.Most)/1000
		}
	}
	if p.Head > 0 {
		p.Surge = 0 // over stray pulses
	}
}

func (m Mark) rate() float64 { return perSecond(m.At, m.T) }

// stray tells how many of the pulses are stray. The index of dispersion of a
// share of stray ones is that share, and scatters by the root of 3/pairs of it:
// 2 of each pair's own, and 1 since neighbours share a window (computed).
func (m Mark) stray() Stray {
	if m.Sum < perhaps {
		return NoStray
	}
	d := float64(m.D) / 1000 / float64(m.Pairs)
	u := hundredth * math.Sqrt(3/float64(m.Pairs))
	switch {
	case d*(1+u) < mostly:
		return NoStray
	case m.Sum < certain:
		return MaybeStray
	case d < mostly || m.Wide >= fewWide && !m.steady() || m.Wide < fewWide && d < mostly*(1+u):
		return SomeStray
	}
	return AllStray
}
