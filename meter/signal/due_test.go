package signal

import "testing"

// While a fill waits for its stop signal nothing else is to sound; before it,
// after it, and where there is none, something may.
func TestDue(t *testing.T) {
	noSet := rules()
	noSet.Set = 0
	for _, c := range []struct {
		name string
		b    *board
		r    Rules
		want bool
	}{
		{"nothing has flowed", newBoard(), rules(), false},
		{"a fill is under way", newBoard().pour(2, 24), rules(), true},
		{"it may go on", newBoard().pour(2, 24).run(5, 0), rules(), true},
		{"it is over", newBoard().pour(2, 24).run(12, 0), rules(), false},
		{"it is full", newBoard().pour(3.9, 24), rules(), false},
		{"the next is under way", newBoard().pour(3.9, 24).run(15, 0).pour(1, 24), rules(), true},
		{"no set fill", newBoard().pour(2, 24), noSet, false},
		{"one whose beginning nobody heard", (&board{at: 500 * sec, count: 9}).pour(2, 24), rules(), false},
	} {
		var s State
		for _, m := range c.b.msgs {
			s.Next(m, c.r, nil)
		}
		if got := s.Due(c.r); got != c.want {
			t.Errorf("%s: due %v", c.name, got)
		}
		last := c.b.msgs[len(c.b.msgs)-1].At
		if s.Tick(last+60*sec, c.r, nil); c.name == "a fill is under way" && s.Due(c.r) {
			t.Errorf("%s: due though the counter is silent", c.name)
		}
	}
}
