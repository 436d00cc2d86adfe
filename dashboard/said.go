package dashboard

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"yardtally/meter/act"
)

// Said keeps what people say by a tap. Its methods may be called from any
// goroutine.
type Said interface {
	// Now is this moment, by the rig's clock and by that of the daemon's boot.
	Now() act.Moment
	// Say keeps bodies as acts said now by who, durably, and returns the acts.
	// With an error, those that it returns are kept all the same.
	Say(ctx context.Context, who string, bodies ...act.Body) ([]act.Act, error)
	// Acts returns all that was ever said of the rig, by anybody.
	Acts(ctx context.Context) ([]act.Act, error)
}

const (
	doubleTap = 2 * time.Second  // the same button of the same device within this is one tap
	sayLimit  = 10 * time.Second // a tap that is not kept by then is said to have failed
	askLimit  = 2 * time.Second  // the page does not wait longer for what was said

	mostTaps     = 30  // of one device in a minute
	mostTapsAll  = 120 // of all of them
	mostTapsKept = 512 // the oldest go
	tapLife      = 18 * time.Hour
)

// tap is one that was kept.
type tap struct {
	at      time.Time
	session string
	token   string // of the page it was made on
	what    string // which button, with all that it says
	id      string // of the act, or of several, with spaces between
	mono    int64  // the boot's clock when it was said, ns
	notes   []string
}

// taps knows the taps of late, so that one that comes twice counts once.
type taps struct {
	now  func() time.Time
	turn chan struct{} // held while one is judged and kept
	// ending is how long a tap on a pull that still flows waits for its end.
	ending time.Duration
	mu     sync.Mutex
	done   []tap // in order
}

func newTaps() taps {
	return taps{now: time.Now, turn: make(chan struct{}, 1), ending: 6 * time.Second}
}

// before returns the act that the same tap has said already. One page says the
// same thing once, however late its form comes again; and the second half of a
// double tap may meet the next page.
func (t *taps) before(session, token, what string) (id string, ok bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := t.now()
	for i := len(t.done) - 1; i >= 0; i-- {
		d := &t.done[i]
		if d.session == session && d.what == what && (token != "" && d.token == token || now.Sub(d.at) < doubleTap) {
			return d.id, true
		}
	}
	return "", false
}

// tooMany says how long to wait with the next tap.
type tooMany struct{ wait time.Duration }

func (e *tooMany) Error() string {
	return fmt.Sprintf("too many taps in a minute; the next can be in %.0f s", max(1, e.wait.Seconds()))
}

// room returns a tooMany where one more tap is too much.
func (t *taps) room(session string) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := t.now()
	mine, all := 0, 0
	for i := len(t.done) - 1; i >= 0; i-- {
		d := &t.done[i]
		age := now.Sub(d.at)
		if age >= time.Minute {
			break
		}
		all++
		if d.session == session {
			mine++
		}
		if mine >= mostTaps || all >= mostTapsAll {
			return &tooMany{time.Minute - age}
		}
	}
	return nil
}

func (t *taps) note(d tap) {
	t.mu.Lock()
	defer t.mu.Unlock()
	d.at = t.now()
	old := 0
	for old < len(t.done) && (d.at.Sub(t.done[old].at) > tapLife || len(t.done)-old >= mostTapsKept) {
		old++
	}
	t.done = append(t.done[old:len(t.done):len(t.done)], d)
}

// forget lets the tap that said an act count again: the act was taken back.
func (t *taps) forget(id string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range t.done {
		if slices.Contains(strings.Fields(t.done[i].id), id) {
			t.done[i].what = ""
		}
	}
}

// monos returns by the acts' ids when they were said, by the boot's clock, ns.
func (t *taps) monos() map[string]int64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := make(map[string]int64, len(t.done))
	for i := range t.done {
		for _, id := range strings.Fields(t.done[i].id) {
			out[id] = t.done[i].mono
		}
	}
	return out
}

// notes returns what was taken for granted when an act was said.
func (t *taps) notes(id string) []string {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range t.done {
		if t.done[i].id == id {
			return t.done[i].notes
		}
	}
	return nil
}

// errNothing says that there is nothing to keep, and that this is well.
var errNothing = errors.New("nothing to keep")

// sayOnce keeps what compose returns, if the same tap has not been kept already:
// then it returns that act's id and again. Of several acts the ids stand with
// spaces between. Nothing else is said meanwhile.
func (s *server) sayOnce(ctx context.Context, t tap, who string, compose func(context.Context, act.Moment) ([]act.Body, error)) (id string, again bool, err error) {
	return s.keepOnce(ctx, t, func(ctx context.Context, now act.Moment, _ *tap) ([]act.Act, error) {
		bodies, err := compose(ctx, now)
		if err != nil {
			return nil, err
		}
		for _, b := range bodies {
			if err := b.Check(); err != nil {
				return nil, err
			}
		}
		return s.Said.Say(ctx, who, bodies...)
	})
}

// keepOnce is sayOnce of what keep keeps, which may note what it took for
// granted. With an error, acts that keep returns are kept all the same.
func (s *server) keepOnce(ctx context.Context, t tap, keep func(context.Context, act.Moment, *tap) ([]act.Act, error)) (id string, again bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, sayLimit)
	defer cancel()
	select {
	case s.taps.turn <- struct{}{}:
		defer func() { <-s.taps.turn }()
	case <-ctx.Done():
		return "", false, ctx.Err()
	}
	if id, ok := s.taps.before(t.session, t.token, t.what); ok {
		return id, true, nil
	}
	if err := s.taps.room(t.session); err != nil {
		return "", false, err
	}
	now := s.Said.Now()
	kept, err := keep(ctx, now, &t)
	if len(kept) == 0 {
		if err == nil {
			err = errors.New("it was not kept")
		}
		return "", false, err
	}
	var ids []string
	for i := range kept {
		ids = append(ids, kept[i].ID)
	}
	t.id, t.mono = strings.Join(ids, " "), now.MonoNS
	s.taps.note(t)
	for i := range kept {
		if u, ok := kept[i].Body.(act.Undo); ok {
			s.taps.forget(u.Act)
		}
	}
	if err != nil {
		s.Log.Warn("a tap is kept, but not told", "err", err)
	}
	return t.id, false, nil
}
