package main

import (
	"context"

	"yardtally/meter/act"
)

// taps keeps what people say on the page.
type taps struct {
	d    *oneRig
	turn chan struct{} // held while acts are said: each is later than those before
}

func newTaps(d *oneRig) *taps { return &taps{d: d, turn: make(chan struct{}, 1)} }

// Now implements dashboard.Said.
func (t *taps) Now() act.Moment {
	mono := t.d.clock.Now().Mono
	return act.Moment{NS: mono + t.d.desk.Snapshot().Offset, Boot: t.d.bootID, MonoNS: mono}
}

// Acts implements dashboard.Said.
func (t *taps) Acts(ctx context.Context) ([]act.Act, error) { return t.d.desk.Acts(ctx) }

// Say implements dashboard.Said.
func (t *taps) Say(ctx context.Context, who string, bodies ...act.Body) ([]act.Act, error) {
	all := make([]said, len(bodies))
	for i, b := range bodies {
		all[i].body = b
	}
	return t.keep(ctx, who, all)
}

// Book implements dashboard.Books.
func (t *taps) Book(ctx context.Context, who, _ string, from int64, body act.Body, over []string) (act.Act, error) {
	kept, err := t.keep(ctx, who, []said{{from, body, over}})
	if len(kept) == 0 {
		return act.Act{}, err
	}
	return kept[0], err
}

func (t *taps) keep(ctx context.Context, who string, fresh []said) ([]act.Act, error) {
	select {
	case t.turn <- struct{}{}:
		defer func() { <-t.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	all, err := t.d.desk.Acts(ctx)
	if err != nil {
		return nil, err
	}
	// A clock that was ahead when the others were said makes none of them later
	// than this one.
	when := t.Now().NS
	for i := range all {
		when = max(when, all[i].When+1)
	}
	standing := act.Standing(all)
	var kept []act.Act
	for i, x := range fresh {
		a := act.Act{ID: newID(), Rig: t.d.set.Rig, Who: who, When: when + int64(i), From: x.from, Body: x.body, Replaces: x.over}
		if !act.OfBooks(x.body) {
			a.Replaces = replaces(&a, standing)
		}
		if _, err := t.d.desk.AddActs(ctx, a); err != nil {
			return kept, err
		}
		kept = append(kept, a)
	}
	return kept, nil
}
