package source

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"sync"
	"time"
)

// Waits between tries. Common practice, no source: the first is short enough
// for a cable pushed back in, the last rare enough for a night without power.
const (
	firstWait   = 500 * time.Millisecond // jitter takes up to half of it
	longestWait = 30 * time.Second
	goodStretch = time.Minute      // open for this long: the next failure starts at firstWait
	sayAgain    = 10 * time.Minute // the same failure is logged no more often than this
	detailMost  = 200              // bytes of a drop's detail that are logged
)

// Supervisor keeps one source open, counts what it brings, and always knows
// how it stands. All its methods may be called from any goroutine; Run once at
// a time.
type Supervisor struct {
	name   string
	log    *slog.Logger
	random func() float64

	mu    sync.Mutex
	state State

	// Owned by Run.
	said   string    // the failure last logged
	saidAt time.Time // when
}

// NewSupervisor returns the supervisor of the source of that name. It logs to
// log (nil: nowhere) and takes jitter from random, which gives numbers in
// [0,1) and is called from Run's goroutine only (nil: math/rand).
func NewSupervisor(name string, log *slog.Logger, random func() float64) *Supervisor {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	if random == nil {
		random = rand.Float64
	}
	return &Supervisor{
		name:   name,
		log:    log.With("source", name),
		random: random,
		state:  State{Name: name, Phase: Stopped, Since: time.Now(), Dropped: map[string]uint64{}},
	}
}

type permanent struct{ error }

func (p permanent) Unwrap() error { return p.error }

// Permanent marks a failure that trying again cannot mend.
func Permanent(err error) error { return permanent{err} }

// Run calls session again and again until the context ends, and then returns
// nil. A session opens the source, calls up once it is open, and brings
// readings until it fails or the context ends; a session that ends by itself
// has failed. After a failure Run waits: 250–500 ms at first, twice as long
// each time, at most 30 s, and from the start again after a minute open.
// It returns an error only where the session's was marked Permanent.
func (s *Supervisor) Run(ctx context.Context, session func(ctx context.Context, up func()) error) error {
	wait := firstWait
	for {
		s.set(func(st *State) { st.Phase = Opening })
		s.log.Debug("source opens")
		openedAt, err := s.one(ctx, session)
		if ctx.Err() != nil {
			s.set(func(st *State) { st.Phase = Stopped })
			s.log.Info("source stopped")
			return nil
		}
		if err == nil {
			err = errors.New("ended by itself")
		}
		if p := (permanent{}); errors.As(err, &p) {
			s.set(func(st *State) { st.Phase, st.Err = Stopped, err.Error(); st.Failures++ })
			s.log.Error("source stopped for good", "err", err)
			return fmt.Errorf("%s: %w", s.name, err)
		}
		if !openedAt.IsZero() {
			s.said = "" // it was open and is not: that is news
			if time.Since(openedAt) >= goodStretch {
				wait = firstWait
			}
		}
		d := wait/2 + time.Duration(s.random()*float64(wait/2))
		wait = min(2*wait, longestWait)
		next := time.Now().Add(d)
		s.set(func(st *State) {
			st.Phase, st.Err, st.NextTry = Waiting, err.Error(), next
			st.Failures++
		})
		s.sayFailure(err, d)

		timer := time.NewTimer(d)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			s.set(func(st *State) { st.Phase = Stopped })
			s.log.Info("source stopped")
			return nil
		}
	}
}

// one runs one session and says since when it was open, zero for never. Up may
// be called from any goroutine; once the session is over it does nothing.
func (s *Supervisor) one(ctx context.Context, session func(ctx context.Context, up func()) error) (openedAt time.Time, err error) {
	var mu sync.Mutex
	over := false
	err = session(ctx, func() {
		mu.Lock()
		defer mu.Unlock()
		if over || !openedAt.IsZero() {
			return
		}
		openedAt = time.Now()
		s.set(func(st *State) { st.Phase, st.Err = Open, "" })
		s.log.Info("source is open")
	})
	mu.Lock()
	defer mu.Unlock()
	over = true
	return openedAt, err
}

// sayFailure logs a failure once, not once a try.
func (s *Supervisor) sayFailure(err error, d time.Duration) {
	level := slog.LevelWarn
	if text := err.Error(); text == s.said && time.Since(s.saidAt) < sayAgain {
		level = slog.LevelDebug
	} else {
		s.said, s.saidAt = text, time.Now()
	}
	s.log.Log(context.Background(), level, "source failed, will try again", "err", err, "in", d.Round(time.Millisecond))
}

func (s *Supervisor) set(change func(*State)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	was := s.state.Phase
	s.state.NextTry = time.Time{}
	change(&s.state)
	if s.state.Phase != was {
		s.state.Since = time.Now()
	}
}

// Name returns the source's name.
func (s *Supervisor) Name() string { return s.name }

// State returns how the source stands, as a value of the caller's own.
func (s *Supervisor) State() State {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.state
	st.Dropped = maps.Clone(st.Dropped)
	return st
}

// Took counts one message taken in, with that many readings.
func (s *Supervisor) Took(readings int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state.Messages++
	s.state.Readings += uint64(readings)
	s.state.LastAt = time.Now()
}

// Drop counts something that was not kept. Reasons come from a small fixed
// set. The first of each reason is logged with its detail, the others only
// where debugging is on.
func (s *Supervisor) Drop(reason, detail string) {
	s.mu.Lock()
	s.state.Dropped[reason]++
	n := s.state.Dropped[reason]
	s.mu.Unlock()
	level := slog.LevelDebug
	if n == 1 {
		level = slog.LevelWarn
	}
	s.log.Log(context.Background(), level, "dropped", "reason", reason, "detail", detail[:min(len(detail), detailMost)], "count", n)
}
