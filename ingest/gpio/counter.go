package gpio

// Edge is a change of a line's level, as the kernel saw it.
type Edge struct {
	Line   int    // its offset on the chip
	Active bool   // it became active
	At     int64  // ns of the kernel's clock (CLOCK_MONOTONIC)
	Seq    uint32 // of the edges of this line, from 1; a hole is edges that were lost
}

// counter counts the pulses of one line: stretches for which it was active for
// the least width, each after one for which it was not. It goes by the kernel's
// time alone, so that it does not matter when an edge was read.
type counter struct {
	least int64 // width, ns; 0: every edge that makes it active is a pulse

	n      uint64
	lost   uint64 // edges that the kernel had no room for
	seq    uint32
	last   int64 // newest edge
	raw    bool  // level by the newest edge
	since  int64 // since when
	stable bool  // level once it has held for the least width
}

// newCounter begins at a level.
func newCounter(least int64, active bool) counter {
	return counter{least: least, raw: active, stable: active}
}

// edge takes in the next edge. Edges that were lost before it are counted as if
// they had been evenly spread: as pulses where they came no faster than pulses
// of the least width do, else as bouncing.
func (c *counter) edge(e Edge) {
	missed := e.Seq - c.seq - 1
	if int32(missed) < 0 {
		return // not newer
	}
	c.seq = e.Seq
	c.lost += uint64(missed)
	if c.least == 0 {
		c.n += uint64(missed) + 1 // only edges that make it active are asked for
		return
	}
	if n := int64(missed); n > 0 {
		if step := (e.At - c.last) / (n + 1); c.last != 0 && step >= c.least {
			for i := int64(1); i <= n; i++ {
				c.turn(!c.raw, c.last+i*step)
			}
		}
	}
	c.turn(e.Active, e.At)
	c.last = e.At
}

func (c *counter) turn(active bool, at int64) {
	c.settle(at)
	if active != c.raw || active != c.stable { // twice the same: it left and came back unseen
		c.raw, c.since = active, at
	}
}

// settle takes note that nothing changed until an instant.
func (c *counter) settle(at int64) {
	if c.raw != c.stable && at-c.since >= c.least {
		c.stable = c.raw
		if c.stable {
			c.n++
		}
	}
}

// waits reports whether a level has yet to hold.
func (c *counter) waits() bool { return c.raw != c.stable }
