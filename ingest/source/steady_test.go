package source

import "testing"

type script []Stamp

func (s *script) Now() Stamp {
	t := (*s)[0]
	*s = (*s)[1:]
	return t
}

func TestSteady(t *testing.T) {
	const ms = int64(1_000_000)
	in := script{
		{Mono: 100*ms + 7, Wall: 1000*ms + 9},
		{Mono: 101*ms + 999_999, Wall: 1002*ms + 400_000},     // jitter: the same offset
		{Mono: 110 * ms, Wall: 1015 * ms},                     // 5 ms are still jitter
		{Mono: 120 * ms, Wall: 1026*ms + 1},                   // 6 ms are a move
		{Mono: 130 * ms, Wall: 999_999 * ms},                  // a step
		{Mono: 140 * ms, Wall: 140*ms + 999_869*ms - 900_000}, // and jitter behind it
	}
	want := []Stamp{
		{100 * ms, 1000 * ms}, {101 * ms, 1001 * ms}, {110 * ms, 1010 * ms}, {120 * ms, 1026 * ms},
		{130 * ms, 999_999 * ms}, {140 * ms, 140*ms + 999_869*ms},
	}
	s := Steady{Clock: &in}
	for i, w := range want {
		if got := s.Now(); got != w {
			t.Errorf("stamp %d: %+v, want %+v", i, got, w)
		}
	}
}
