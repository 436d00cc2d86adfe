package gpio

import "testing"

const ms = int64(1_000_000)

// edges are a line's, by the instants (ms) at which it changes, active first.
func edges(at ...float64) (out []Edge) {
	for i, a := range at {
		out = append(out, Edge{At: 1e12 + int64(a*1e6), Active: i%2 == 0, Seq: uint32(i + 1)})
	}
	return out
}

func TestCounter(t *testing.T) {
	for _, c := range []struct {
		name  string
		least int64
		edges []Edge
		until float64
		want  uint64
		lost  uint64
	}{
		{"clean", ms, edges(10, 20, 30, 40, 50, 60), 100, 3, 0},
		{"bounces as it closes and as it opens", ms, edges(10, 10.1, 10.2, 10.4, 10.5, 20, 20.1, 20.2, 20.3, 20.4, 30, 40), 100, 2, 0},
		{"a spike", ms, edges(10, 10.5), 100, 0, 0},
		{"a spike off within a pulse", ms, edges(10, 15, 15.5, 20), 100, 1, 0},
		{"just wide enough", ms, edges(10, 11), 100, 1, 0},
		{"not yet wide enough", ms, edges(10), 10.9, 0, 0},
		{"held", ms, edges(10), 11, 1, 0},
		{"twice the same edge: it left and came back unseen", ms, []Edge{{At: 10 * ms, Active: true, Seq: 1}, {At: 20 * ms, Active: true, Seq: 2}, {At: 30 * ms, Seq: 3}}, 100, 1, 0},
		{"an edge of before", ms, append(edges(10, 20), Edge{At: 1e12, Active: true, Seq: 1}), 100, 1, 0},
		// 100 Hz, of which the middle 20 edges were lost: 5 ms apart, as pulses come.
		{"lost, as far apart as pulses", ms, lose(edges(pulsesAt(20, 10)...), 10, 30), 300, 20, 20},
		{"lost, ending on the other level", ms, lose(edges(pulsesAt(20, 10)...), 10, 31), 300, 20, 21},
		// The same number within a fifth of a millisecond each: bouncing.
		{"lost, closer than pulses", ms, append(edges(10, 20), Edge{At: 1e12 + 24*ms, Active: true, Seq: 23}, Edge{At: 1e12 + 34*ms, Seq: 24}), 100, 2, 20},
		{"no debouncing: every edge", 0, []Edge{{At: 1, Active: true, Seq: 1}, {At: 2, Active: true, Seq: 2}}, 100, 2, 0},
		{"no debouncing: lost ones are known by number", 0, []Edge{{At: 1, Active: true, Seq: 1}, {At: 2, Active: true, Seq: 1000}}, 100, 1000, 998},
		{"numbers that start over", 0, []Edge{{At: 1, Active: true, Seq: 1}, {At: 2, Active: true, Seq: 2}}, 100, 2, 0},
	} {
		n := newCounter(c.least, false)
		for _, e := range c.edges {
			n.edge(e)
		}
		n.settle(1e12 + int64(c.until*1e6))
		if n.n != c.want || n.lost != c.lost {
			t.Errorf("%s: %d pulses, %d edges lost, want %d, %d", c.name, n.n, n.lost, c.want, c.lost)
		}
	}
	// The kernel's number is of 32 bits.
	n := newCounter(0, false)
	n.seq = 1<<32 - 2
	for _, seq := range []uint32{1<<32 - 1, 0, 1} {
		n.edge(Edge{Active: true, Seq: seq})
	}
	if n.n != 3 || n.lost != 0 {
		t.Errorf("around the number's end: %d pulses, %d lost", n.n, n.lost)
	}
	// A line that is active as counting begins is in the middle of a pulse of
	// somebody else's.
	n = newCounter(ms, true)
	n.edge(Edge{At: 5 * ms, Seq: 1})
	n.edge(Edge{At: 10 * ms, Active: true, Seq: 2})
	n.settle(20 * ms)
	if n.n != 1 {
		t.Errorf("%d pulses after one that was under way", n.n)
	}
}

// pulsesAt are the edges of n pulses, one every so many ms, half of it active.
func pulsesAt(n int, every float64) (at []float64) {
	for i := range n {
		at = append(at, float64(i)*every, float64(i)*every+every/2)
	}
	return at
}

// lose leaves out edges from to to.
func lose(all []Edge, from, to int) []Edge { return append(all[:from:from], all[to:]...) }
