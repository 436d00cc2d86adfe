package chart

// Points is a chart of single values (Shewhart): one beyond Limit is a signal,
// and so are two of three beyond Warn on the same side. The second rule is for
// kinks in a hose: one value far off may be one pull that went wrong, two are
// seldom, and both charts of means are slower.
type Points struct {
	Limit float64 // of one
	Warn  float64 // of two of three; 0: that rule is off
	Last  [2]Side // of Warn, newest first
	At    Side    // of the signal at the last step
}

// NewPoints returns a chart at its start. warn is 0 or below limit.
func NewPoints(limit, warn float64) (Points, error) {
	p := Points{Limit: limit, Warn: warn}
	return p, checkPoints(limit, warn)
}

func checkPoints(limit, warn float64) error {
	if err := between("points limit", limit, 0, far); err != nil || warn == 0 {
		return err
	}
	return between("points warn", warn, 0, limit)
}

// Restart begins anew.
func (p *Points) Restart() { p.Last, p.At = [2]Side{}, Within }

// Step takes a value and returns the side of the signal, if there is one.
// taken is false for a value that is not finite; then nothing changes.
func (p *Points) Step(z float64) (s Side, taken bool) {
	z, taken = take(z)
	if !taken {
		return p.At, false
	}
	p.At = side(z, p.Limit)
	if p.Warn > 0 {
		w := side(z, p.Warn)
		if p.At == Within && w != Within && (p.Last[0] == w || p.Last[1] == w) {
			p.At = w
		}
		p.Last = [2]Side{w, p.Last[0]}
	}
	return p.At, true
}

// Latch holds an alarm until the values have come back: until a sum of what
// they are nearer to 0 than Slack, which is never below nothing, exceeds
// Limit. With the slack and limit of the Cusum that raised it, an alarm about a
// shift of twice the slack ends by mistake as seldom as that chart signals by
// mistake, and one that is over ends as soon as that chart would have seen it
// begin; LatchARL computes both.
type Latch struct {
	Slack, Limit float64
	Raised       Side
	Sum          float64 // for its end
	Steps        int     // since it was raised
}

// NewLatch returns a latch that is not raised.
func NewLatch(slack, limit float64) (Latch, error) {
	return Latch{Slack: slack, Limit: limit}, checkCusum(slack, limit, 0)
}

// Step takes a value and the signal of the charts at it, and returns the side
// of the alarm. taken is false for a value that is not finite; then nothing
// changes. Signals during an alarm do not raise another.
func (l *Latch) Step(z float64, signal Side) (s Side, taken bool) {
	z, taken = take(z)
	switch {
	case !taken:
	case l.Raised == Within:
		l.Raised, l.Sum, l.Steps = signal, 0, 0
	default:
		l.Steps++
		l.Sum = max(0, l.Sum+l.Slack-float64(l.Raised)*z)
		if l.Sum > l.Limit {
			l.Raised, l.Sum, l.Steps = Within, 0, 0
		}
	}
	return l.Raised, taken
}
