package source

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// most is the largest jitter draw: waits are then as long as they get.
func most() float64 { return 1 - 1e-9 }

func least() float64 { return 0 }

// logBuffer is a writer for slog that may be read while it is written.
type logBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logBuffer) count(s string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.b.String(), s)
}

func TestWaitsGrowAndAreCapped(t *testing.T) {
	for _, c := range []struct {
		name   string
		random func() float64
		want   []time.Duration
	}{
		{"least", least, []time.Duration{250, 500, 1000, 2000, 4000, 8000, 15000, 15000}},
		{"most", most, []time.Duration{500, 1000, 2000, 4000, 8000, 16000, 30000, 30000}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				s := NewSupervisor("x", nil, c.random)
				var at []time.Time
				err := s.Run(ctx, func(context.Context, func()) error {
					at = append(at, time.Now())
					if len(at) > len(c.want) {
						cancel()
					}
					return errors.New("no")
				})
				if err != nil {
					t.Fatal(err)
				}
				for i, want := range c.want {
					got := at[i+1].Sub(at[i]).Round(time.Millisecond)
					if got != want*time.Millisecond {
						t.Errorf("wait %d is %v, want %v", i, got, want*time.Millisecond)
					}
				}
			})
		})
	}
}

func TestGoodStretchStartsOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		s := NewSupervisor("x", nil, most)
		stretches := []time.Duration{0, 0, 0, goodStretch - time.Second, goodStretch, 0}
		var began, ended []time.Time
		s.Run(ctx, func(_ context.Context, up func()) error {
			i := len(began)
			began = append(began, time.Now())
			if i == len(stretches) {
				cancel()
				return nil
			}
			up()
			time.Sleep(stretches[i])
			ended = append(ended, time.Now())
			return errors.New("no")
		})
		want := []time.Duration{500, 1000, 2000, 4000, 500, 1000}
		for i, w := range want {
			if got := began[i+1].Sub(ended[i]).Round(time.Millisecond); got != w*time.Millisecond {
				t.Errorf("wait %d is %v, want %v", i, got, w*time.Millisecond)
			}
		}
	})
}

func TestStateTellsEachPhase(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		s := NewSupervisor("gate", nil, most)
		if st := s.State(); st.Phase != Stopped || st.Name != "gate" {
			t.Errorf("before: %+v", st)
		}
		goOn := make(chan error)
		done := make(chan error, 1)
		go func() {
			done <- s.Run(ctx, func(ctx context.Context, up func()) error {
				if err := <-goOn; err != nil {
					return err
				}
				up()
				select {
				case err := <-goOn:
					return err
				case <-ctx.Done():
					return ctx.Err()
				}
			})
		}()
		check := func(step string, phase Phase, err string, failures uint64) State {
			t.Helper()
			synctest.Wait()
			st := s.State()
			if st.Phase != phase || st.Err != err || st.Failures != failures {
				t.Errorf("%s: %+v, want %s %q %d", step, st, phase, err, failures)
			}
			return st
		}
		check("start", Opening, "", 0)
		goOn <- errors.New("first")
		st := check("failed", Waiting, "first", 1)
		if in := time.Until(st.NextTry).Round(time.Millisecond); in != 500*time.Millisecond {
			t.Errorf("next try in %v", in)
		}
		time.Sleep(499 * time.Millisecond)
		check("still waiting", Waiting, "first", 1)
		time.Sleep(time.Millisecond)
		st = check("again", Opening, "first", 1)
		if !st.NextTry.IsZero() {
			t.Errorf("opening has a next try: %v", st.NextTry)
		}
		time.Sleep(time.Second)
		goOn <- nil
		st = check("open", Open, "", 1)
		if !st.Since.Equal(time.Now()) {
			t.Errorf("open since %v, now %v", st.Since, time.Now())
		}
		s.Took(3)
		s.Drop("checksum", "line 1")
		st = s.State()
		if st.Messages != 1 || st.Readings != 3 || !st.LastAt.Equal(time.Now()) || st.Dropped["checksum"] != 1 {
			t.Errorf("counts: %+v", st)
		}
		st.Dropped["checksum"] = 99 // the caller's own copy
		if n := s.State().Dropped["checksum"]; n != 1 {
			t.Errorf("a state handed out reaches into the source: %d", n)
		}
		goOn <- nil
		check("ended by itself", Waiting, "ended by itself", 2)
		cancel()
		check("stopped", Stopped, "ended by itself", 2)
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func TestPermanentFailureReturns(t *testing.T) {
	s := NewSupervisor("x", nil, nil)
	why := errors.New("no such thing")
	err := s.Run(t.Context(), func(context.Context, func()) error { return Permanent(why) })
	if !errors.Is(err, why) || s.State().Phase != Stopped || s.State().Err != why.Error() {
		t.Errorf("got %v, state %+v", err, s.State())
	}
}

// An hour without the device is a handful of lines in the log, not one a try,
// and a new reason is said at once.
func TestLogSaysAFailureOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		var b logBuffer
		log := slog.New(slog.NewTextHandler(&b, &slog.HandlerOptions{Level: slog.LevelInfo}))
		s := NewSupervisor("x", log, least)
		tries := 0
		s.Run(ctx, func(context.Context, func()) error {
			tries++
			if tries == 100 {
				return errors.New("another reason")
			}
			return errors.New("not there")
		})
		if tries < 200 {
			t.Fatalf("%d tries in an hour", tries)
		}
		if n := b.count("not there"); n < 2 || n > 8 {
			t.Errorf("said %d times in an hour of %d tries", n, tries)
		}
		if n := b.count("another reason"); n != 1 {
			t.Errorf("another reason said %d times", n)
		}
		if n := b.count("source stopped"); n != 1 {
			t.Errorf("stop said %d times", n)
		}
	})
}

func TestLogSaysTheFirstDropOfAReason(t *testing.T) {
	var b logBuffer
	s := NewSupervisor("x", slog.New(slog.NewTextHandler(&b, nil)), nil)
	for range 1000 {
		s.Drop("checksum", strings.Repeat("z", 1<<20))
		s.Drop("unknown", "other")
	}
	if n := b.count("level=WARN"); n != 2 {
		t.Errorf("%d warnings, want one a reason", n)
	}
	if n := b.count("z"); n > detailMost+10 {
		t.Errorf("%d bytes of detail logged", n)
	}
}

func TestSystemClock(t *testing.T) {
	a := SystemClock{}.Now()
	b := SystemClock{}.Now()
	if b.Mono < a.Mono || a.Mono <= 0 {
		t.Errorf("mono %d then %d", a.Mono, b.Mono)
	}
	if off := time.Since(time.Unix(0, a.Wall)); off < 0 || off > time.Minute {
		t.Errorf("wall is %v off", off)
	}
	if one, two := BootID(), BootID(); one == "" || one != two {
		t.Errorf("boot id %q then %q", one, two)
	}
}
