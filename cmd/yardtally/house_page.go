package main

import (
	"context"
	"slices"

	"yardtally/dashboard"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// housePage is the house's book as the pages have it: a feed of all rigs, and
// what people say there.
type housePage struct {
	d    *daemon
	turn chan struct{} // held while acts are said: each is later than those before
}

func newHousePage(d *daemon) *housePage { return &housePage{d: d, turn: make(chan struct{}, 1)} }

// options are what the house's pages need.
func (h *housePage) options() *dashboard.Options {
	return &dashboard.Options{Feed: h, Said: h, Books: h, Rig: "the house", House: true, Version: version(), Log: h.d.log,
		SayAct: func(a *act.Act) string {
			set := h.d.settings()
			return sayAct(a.Body, set.Units, set.Zone, set.Books.Currency)
		}}
}

// Snapshot implements dashboard.Feed.
func (h *housePage) Snapshot() *dashboard.Snapshot {
	d, set := h.d, h.d.settings()
	out := &dashboard.Snapshot{Units: set.Units, Currency: set.Books.Currency, Zone: set.Zone, Speed: d.speed, Demo: d.demo, Now: h.Now().NS}
	for _, r := range d.rigs {
		out.Rigs = append(out.Rigs, r.desk.Snapshot().View)
	}
	out.View = ledger.Together(out.Rigs)
	if len(out.Rigs) == 1 { // it is still none's alone
		all := *out.View
		out.View = &all
	}
	return out
}

// Watch implements dashboard.Feed: it ticks with the first rig.
func (h *housePage) Watch(ctx context.Context) <-chan struct{} { return h.d.rigs[0].desk.Watch(ctx) }

// Now implements dashboard.Said.
func (h *housePage) Now() act.Moment { return h.d.rigs[0].taps.Now() }

// Acts implements dashboard.Said.
func (h *housePage) Acts(ctx context.Context) ([]act.Act, error) { return h.d.house.Acts(ctx) }

// Say implements dashboard.Said. What takes an act back is of that act's rig.
func (h *housePage) Say(ctx context.Context, who string, bodies ...act.Body) ([]act.Act, error) {
	acts := make([]act.Act, len(bodies))
	for i, b := range bodies {
		acts[i] = act.Act{Rig: act.House, Who: who, Body: b}
	}
	return h.keep(ctx, acts)
}

// Book implements dashboard.Books.
func (h *housePage) Book(ctx context.Context, who, rig string, from int64, body act.Body, over []string) (act.Act, error) {
	if rig == "" {
		rig = act.House
	}
	kept, err := h.keep(ctx, []act.Act{{Rig: rig, Who: who, From: from, Body: body, Replaces: over}})
	if len(kept) == 0 {
		return act.Act{}, err
	}
	return kept[0], err
}

func (h *housePage) keep(ctx context.Context, fresh []act.Act) (kept []act.Act, err error) {
	select {
	case h.turn <- struct{}{}:
		defer func() { <-h.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	all, err := h.Acts(ctx)
	if err != nil {
		return nil, err
	}
	when := h.Now().NS
	for i := range all {
		when = max(when, all[i].When+1)
	}
	for i := range fresh {
		a := &fresh[i]
		a.ID, a.When = newID(), when+int64(i)
		if u, ok := a.Body.(act.Undo); ok {
			if k := slices.IndexFunc(all, func(x act.Act) bool { return x.ID == u.Act }); k >= 0 {
				a.Rig = all[k].Rig
			}
		}
		if _, err := h.d.house.AddActs(ctx, *a); err != nil {
			return kept, err
		}
		kept = append(kept, *a)
	}
	return kept, nil
}
