package desk

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"

	"yardtally/ingest/journal"
	"yardtally/meter/act"
)

// House is what desks over one journal have in common: the book of their house.
// Its methods may be called from any goroutine.
type House struct {
	journal *journal.Journal
	version atomic.Uint64 // of acts

	mu    sync.Mutex
	desks []*Desk
	acts  []act.Act // of the house, and of rigs those that its book may rest on
	kept  bool      // the house's book has entries
}

// OpenHouse reads the house's book in a journal.
func OpenHouse(j *journal.Journal) (*House, error) {
	h := &House{journal: j}
	rigs, err := j.Rigs()
	if err != nil {
		return nil, err
	}
	for _, rig := range append(rigs, act.House) {
		acts, err := j.Acts(rig)
		if err != nil {
			return nil, err
		}
		h.note(nil, acts...)
	}
	return h, nil
}

// note takes in acts that are kept. Desks but the one that they came from hear of it.
func (h *House) note(from *Desk, acts ...act.Act) {
	h.mu.Lock()
	defer h.mu.Unlock()
	any := false
	for i := range acts {
		if a := &acts[i]; a.Rig == act.House || act.OfHouse(a.Body) {
			h.acts, any = append(h.acts, *a), true
			h.kept = h.kept || a.Rig == act.House
		}
	}
	if !any || !h.kept {
		return
	}
	h.version.Add(1)
	for _, d := range h.desks {
		if d == from {
			continue
		}
		select {
		case d.housed <- struct{}{}:
		default:
		}
	}
}

// others returns the acts besides its own on which a rig's account may rest:
// none until the house's book has entries.
func (h *House) others(rig string) (out []act.Act, version uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	version = h.version.Load()
	if !h.kept {
		return nil, version
	}
	for i := range h.acts {
		if h.acts[i].Rig != rig {
			out = append(out, h.acts[i])
		}
	}
	return out, version
}

func (h *House) join(d *Desk) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.desks = append(h.desks, d)
}

func (h *House) all() []*Desk {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.desks)
}

// keep keeps an act of the house; it is durable on return.
func (h *House) keep(from *Desk, a act.Act) (added bool, err error) {
	if added, err = h.journal.AddAct(a); added {
		h.note(from, a)
	}
	return added, err
}

// Acts returns all acts of the house and of its desks' rigs.
func (h *House) Acts(ctx context.Context) ([]act.Act, error) {
	var out []act.Act
	for _, d := range h.all() {
		acts, err := d.Acts(ctx)
		if err != nil && ctx.Err() == nil { // its account has broken down
			acts, err = h.journal.Acts(d.o.Rig)
		}
		if err != nil {
			return nil, err
		}
		out = append(out, acts...)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for i := range h.acts {
		if h.acts[i].Rig == act.House {
			out = append(out, h.acts[i])
		}
	}
	return out, nil
}

// AddActs keeps acts of the house, and such as are of one of its rigs, each
// durable before the next, and has every desk restate what they change. It returns
// how many were new; acts kept before an error stay kept.
func (h *House) AddActs(ctx context.Context, acts ...act.Act) (added int, err error) {
	desks := h.all()
	to := make([]*Desk, len(acts))
	for i := range acts {
		a := &acts[i]
		if err := a.Check(); err != nil {
			return 0, fmt.Errorf("act %q: %w", a.ID, err)
		}
		if a.Rig == act.House {
			continue
		}
		k := slices.IndexFunc(desks, func(d *Desk) bool { return d.o.Rig == a.Rig })
		if k < 0 {
			return 0, fmt.Errorf("act %q: rig: must be one of the house's, is %q", a.ID, a.Rig)
		}
		to[i] = desks[k]
	}
	for i := range acts {
		if to[i] != nil {
			n, err := to[i].AddActs(ctx, acts[i])
			if added += n; err != nil {
				return added, err
			}
			continue
		}
		fresh, err := h.keep(nil, acts[i])
		if err != nil {
			return added, err
		}
		if fresh {
			added++
		}
	}
	for _, d := range desks {
		_ = d.Settle(ctx) // one that cannot says so itself
	}
	return added, ctx.Err()
}
