package chart

// Cusum is a two-sided chart of cumulative sums (Page 1954; NIST/SEMATECH
// e-Handbook 6.3.2.3). A sum grows by what a value exceeds the slack by, and
// is never below nothing. It sees a lasting shift of twice the slack soonest.
type Cusum struct {
	Slack float64 // k, as the values
	Limit float64 // h, as the values: a sum beyond it is a signal
	Head  float64 // head start as a share of Limit, 0 … 1; a half is usual (Lucas & Crosier 1982)
	High  Run     // of values that are too high
	Low   Run     // and too low
}

// Run is one sum since it was last nothing.
type Run struct {
	Sum   float64
	Steps int     // values since it was nothing
	Head  float64 // what it began with
}

// NewCusum returns a chart at its start.
func NewCusum(slack, limit, head float64) (Cusum, error) {
	c := Cusum{Slack: slack, Limit: limit, Head: head}
	err := checkCusum(slack, limit, head)
	if err == nil {
		c.Restart()
	}
	return c, err
}

func checkCusum(slack, limit, head float64) error {
	if slack != 0 {
		if err := between("cusum slack", slack, 0, far); err != nil {
			return err
		}
	}
	if err := between("cusum limit", limit, 0, far); err != nil {
		return err
	}
	if head != 0 {
		return between("cusum head start", head, 0, 1)
	}
	return nil
}

// Restart begins anew, with the head start: after something was put right it
// is seen sooner that it was not.
func (c *Cusum) Restart() {
	head := c.Head * c.Limit
	c.High, c.Low = Run{Sum: head, Head: head}, Run{Sum: head, Head: head}
}

// Step takes a value and returns the side of the signal, if there is one.
// taken is false for a value that is not finite; then nothing changes.
func (c *Cusum) Step(z float64) (s Side, taken bool) {
	z, taken = take(z)
	if taken {
		c.High.step(z - c.Slack)
		c.Low.step(-z - c.Slack)
	}
	return c.Side(), taken
}

func (r *Run) step(by float64) {
	r.Sum += by
	r.Steps++
	if r.Sum <= 0 {
		*r = Run{}
	}
}

// Side returns the side of the sum beyond the limit; of two, the larger's.
func (c *Cusum) Side() Side {
	switch {
	case c.High.Sum > c.Limit && c.High.Sum >= c.Low.Sum:
		return Above
	case c.Low.Sum > c.Limit:
		return Below
	}
	return Within
}

// Change returns how many of the last values a shift to a side would hold, if
// it began where the sum was last nothing, and its mean size, signed, as the
// values: the sum by its steps, plus the slack (Montgomery, Introduction to
// Statistical Quality Control, on the tabular CUSUM; memory). 0, 0 if that sum
// is nothing. The size is a few tenths too large when the signal is fresh, since
// chance helped to raise it.
func (c *Cusum) Change(s Side) (steps int, size float64) {
	r, sign := c.High, 1.0
	if s == Below {
		r, sign = c.Low, -1
	}
	if r.Steps == 0 || s == Within {
		return 0, 0
	}
	return r.Steps, sign * (c.Slack + (r.Sum-r.Head)/float64(r.Steps))
}
