package desk

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"yardtally/ingest/journal"
	"yardtally/meter"
	"yardtally/meter/act"
)

// ask runs a function on the desk's goroutine and waits for it.
func (d *Desk) ask(ctx context.Context, fn func()) error {
	ran := make(chan struct{})
	select {
	case d.asks <- func() { fn(); close(ran) }:
	case <-ctx.Done():
		return ctx.Err()
	case <-d.done:
		return errClosed
	}
	select {
	case <-ran:
		return nil
	case <-d.done: // at its end, or it broke down
		select {
		case <-ran:
			return nil
		default:
			return errClosed
		}
	}
}

// Alive returns once the desk's goroutine has come round to it, nil then. Unlike
// every other question it has the desk do nothing, so that it proves that the
// desk works by itself.
func (d *Desk) Alive(ctx context.Context) error {
	select {
	case d.pulse <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-d.done:
		return errClosed
	}
}

// Moves counts records that were taken in or read again. A desk that derives
// everything anew answers nobody for a while, but this goes on.
func (d *Desk) Moves() uint64 { return d.moves.Load() }

// AddActs keeps acts, each durable before the next, and restates what they
// change. It returns how many were new; acts kept before an error stay kept.
func (d *Desk) AddActs(ctx context.Context, acts ...act.Act) (added int, err error) {
	for i := range acts {
		if err := acts[i].Check(); err != nil {
			return 0, fmt.Errorf("act %q: %w", acts[i].ID, err)
		}
		if acts[i].Rig != d.o.Rig && acts[i].Rig != act.House {
			return 0, fmt.Errorf("act %q: rig: must be %q, is %q", acts[i].ID, d.o.Rig, acts[i].Rig)
		}
	}
	asked := d.ask(ctx, func() {
		d.commit(false)
		added, err = d.addActs(acts)
		d.settle(true)
	})
	return added, errors.Join(asked, err)
}

func (d *Desk) addActs(acts []act.Act) (added int, err error) {
	for i := range acts {
		ofHouse := acts[i].Rig == act.House
		add := d.o.Journal.AddAct
		if ofHouse {
			add = func(a act.Act) (bool, error) { return d.o.House.keep(d, a) }
		}
		fresh, aerr := add(acts[i])
		if aerr != nil {
			err = aerr
			break
		}
		if fresh {
			added++
		}
		if fresh && !ofHouse {
			d.acts = append(d.acts, acts[i])
			d.o.House.note(d, acts[i])
		}
	}
	if added > 0 {
		d.setActs()
		d.dirtySave = true
	}
	return added, err
}

// Acts returns all acts of the rig.
func (d *Desk) Acts(ctx context.Context) (out []act.Act, err error) {
	err = d.ask(ctx, func() { out = slices.Clone(d.acts) })
	return out, err
}

// AllActs returns all acts of the rig and, in a house, those of others on which
// its account may rest.
func (d *Desk) AllActs(ctx context.Context) (out []act.Act, err error) {
	err = d.ask(ctx, func() {
		others, _ := d.o.House.others(d.o.Rig)
		out = slices.Concat(d.acts, others)
	})
	return out, err
}

// Signalled shows what the keeper was told, and when, Unix ns by the rig's clock.
func (d *Desk) Signalled(ctx context.Context, what string, at int64) error {
	return d.ask(ctx, func() {
		d.live.now.Signal, d.live.now.SignalAt = what, at
		d.show()
	})
}

// Kept is one item of a recording that is to be kept.
type Kept struct {
	BootID string
	Record meter.Record
	Act    *act.Act // instead of a record
}

// Came is what an import brought: what was new, and what could not be taken in
// because something else is kept under the same id.
type Came struct {
	Records, Acts int
	Conflicts     []string
}

// Import keeps items of a recording. What is kept already adds nothing. Results
// are restated by Settle.
func (d *Desk) Import(ctx context.Context, items []Kept) (came Came, err error) {
	for len(items) > 0 && err == nil {
		part := items[:min(len(items), turn)]
		items = items[len(part):]
		asked := d.ask(ctx, func() { err = d.importTurn(part, &came) })
		err = errors.Join(asked, err)
	}
	return came, err
}

func (d *Desk) importTurn(items []Kept, came *Came) (err error) {
	for i := range items {
		it := &items[i]
		if it.Act != nil {
			n, err := d.addActs([]act.Act{*it.Act})
			if errors.Is(err, journal.ErrConflict) {
				came.Conflicts = append(came.Conflicts, err.Error())
				continue
			}
			if err != nil {
				return err
			}
			came.Acts += n
			continue
		}
		r := &it.Record
		if r.Boot, err = d.o.Journal.Boot(it.BootID); err != nil {
			return err
		}
		added, err := d.o.Journal.AppendKept(d.o.Rig, r)
		if err != nil {
			return err
		}
		if added {
			d.waiting = append(d.waiting, *r)
			came.Records++
		}
	}
	if err := d.o.Journal.Keep(d.o.Rig); err != nil {
		return err
	}
	d.nameBoots()
	for i := range d.waiting {
		d.led.Add(&d.waiting[i])
	}
	d.kept += uint64(len(d.waiting))
	d.dirtySave = d.dirtySave || len(d.waiting) > 0
	d.waiting = d.waiting[:0]
	if !d.led.Stale() {
		d.led.Settle(0)
	}
	return nil
}

// Settle syncs and brings all results up to date now, or says why it cannot.
func (d *Desk) Settle(ctx context.Context) (err error) {
	asked := d.ask(ctx, func() {
		d.commit(true)
		d.settle(true)
		if d.pending() > 0 {
			err = errors.New(d.faults["keep"].text)
		}
		if d.led.Stale() {
			err = errors.Join(err, errors.New(d.faults["ledger"].text))
		}
	})
	return errors.Join(asked, err)
}

// Records passes the kept records with Seq above after to fn, in order, at
// most limit of them, and returns the last Seq passed (after if none). It
// runs beside the desk: a slow fn holds nothing up.
func (d *Desk) Records(ctx context.Context, after uint64, limit int, fn func(*meter.Record, string) error) (last uint64, err error) {
	last = after
	stop := errors.New("enough")
	n := 0
	err = d.replay(after, func(r *meter.Record) error {
		if n >= limit {
			return stop
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		n++
		id, _ := d.o.Journal.BootID(r.Boot)
		if err := fn(r, id); err != nil {
			return err
		}
		last = r.Seq
		return nil
	})
	if errors.Is(err, stop) {
		err = nil
	}
	return last, err
}

// Where returns the instants, Unix ns, at which the ledger places records. They
// are kept ones, or tell of an arrival by their Boot, Mono and Wall alone.
func (d *Desk) Where(ctx context.Context, recs []meter.Record) (at []int64, err error) {
	out := make([]int64, len(recs))
	err = d.ask(ctx, func() {
		for i := range recs {
			out[i] = d.led.Where(&recs[i])
		}
	})
	return out, err
}
