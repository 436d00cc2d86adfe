package signal

import "testing"

// On a break the counter may be switched off; else its silence in a pull is heard.
func TestBreak(t *testing.T) {
	for _, on := range []bool{false, true} {
		r := rules()
		r.Break = on
		var s State
		b := newBoard().pour(2, 24)
		for _, m := range b.msgs {
			s.Next(m, r, nil)
		}
		out := s.Tick(b.msgs[len(b.msgs)-1].At+60*sec, r, nil)
		if got := len(out) == 1 && out[0].Kind == Silent; got == on || len(out) > 1 {
			t.Errorf("on a break %v: %v", on, out)
		}
	}
}
