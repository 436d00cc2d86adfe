package source

import "sync"

// Grain is what arrivals are stamped to, ns. Finer digits are noise of the
// scheduler, and cost more on the card than all readings together.
const Grain = int64(1_000_000)

// nudge is how far the wall clock may wander from the monotonic one before it
// counts as having moved, ns. What is smaller is jitter between reading the two.
const nudge = 5 * Grain

// Steady stamps to whole milliseconds, and lets the wall clock differ from the
// monotonic one by the same amount until it truly moves.
type Steady struct {
	Clock Clock

	mu     sync.Mutex
	offset int64
}

// Now implements Clock.
func (s *Steady) Now() Stamp {
	t := s.Clock.Now()
	off := (t.Wall - t.Mono) / Grain * Grain
	s.mu.Lock()
	defer s.mu.Unlock()
	if d := off - s.offset; d > nudge || d < -nudge {
		s.offset = off
	}
	t.Mono = t.Mono / Grain * Grain
	t.Wall = t.Mono + s.offset
	return t
}
