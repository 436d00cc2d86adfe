package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"yardtally/ingest/desk"
	"yardtally/ingest/journal"
	"yardtally/ingest/source"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// housekeeper is a house with several rigs as its book is kept: in this process,
// or behind a running daemon's socket.
type housekeeper interface {
	Rigs() []string
	Views(ctx context.Context) ([]*ledger.View, error) // of the rigs, in their order
	HouseActs(ctx context.Context) ([]act.Act, error)  // of the house and of all rigs
	AddHouse(ctx context.Context, acts ...act.Act) (int, error)
	Close() error
}

// localHouse is one in this process.
type localHouse struct {
	house *desk.House
	rigs  []*local

	journal *journal.Journal // nil where it is the daemon's to close
	stop    context.CancelFunc
}

// houseOf is the house of the daemon's rigs.
func houseOf(rigs []*local) *localHouse {
	h := &localHouse{rigs: rigs}
	if len(rigs) > 0 && rigs[0].daemon != nil {
		h.house = rigs[0].daemon.house
	}
	return h
}

// openHouse opens all of a journal's rigs, and those that are named besides.
func openHouse(j *journal.Journal, names []string) (*localHouse, error) {
	rigs, err := j.Rigs()
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		if !slices.Contains(rigs, name) {
			rigs = append(rigs, name)
		}
	}
	slices.Sort(rigs)
	h := &localHouse{journal: j}
	if h.house, err = desk.OpenHouse(j); err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(context.Background())
	h.stop = stop
	for _, rig := range rigs {
		d, err := desk.Open(desk.Options{Rig: rig, Journal: j, Clock: source.SystemClock{}, BootID: source.BootID(), Log: slog.New(slog.DiscardHandler), House: h.house})
		if err != nil {
			return nil, errors.Join(fmt.Errorf("rig %s: %w", rig, err), h.end())
		}
		b := &local{desk: d, rig: rig, journal: j, ended: make(chan error, 1)}
		go func() { b.ended <- d.Run(ctx) }()
		h.rigs = append(h.rigs, b)
	}
	return h, nil
}

// end stops the desks; the journal stays open.
func (h *localHouse) end() (err error) {
	h.stop()
	for _, b := range h.rigs {
		err = errors.Join(err, <-b.ended)
	}
	return err
}

func (h *localHouse) Close() error {
	if h.journal == nil {
		return nil
	}
	return errors.Join(h.end(), h.journal.Close())
}

func (h *localHouse) Rigs() (out []string) {
	for _, b := range h.rigs {
		out = append(out, b.rig)
	}
	return out
}

func (h *localHouse) Views(ctx context.Context) ([]*ledger.View, error) {
	var out []*ledger.View
	for _, b := range h.rigs {
		v, err := b.View(ctx)
		switch {
		case err != nil && b.daemon != nil && ctx.Err() == nil: // its account has stopped, which its page says
			v = b.desk.Snapshot().View
		case err != nil:
			return nil, fmt.Errorf("rig %s: %w", b.rig, err)
		}
		out = append(out, v)
	}
	return out, nil
}

// errNoHouse answers who asks the daemon of a single rig for a house's book.
var errNoHouse = errors.New("house: must have several rigs to have a book, has one")

func (h *localHouse) HouseActs(ctx context.Context) ([]act.Act, error) {
	if h.house == nil {
		return nil, errNoHouse
	}
	return h.house.Acts(ctx)
}

func (h *localHouse) AddHouse(ctx context.Context, acts ...act.Act) (int, error) {
	if h.house == nil {
		return 0, errNoHouse
	}
	return h.house.AddActs(ctx, acts...)
}

func (b *remote) Rigs() []string { return b.rigs }

func (b *remote) HouseActs(ctx context.Context) (acts []act.Act, err error) {
	return acts, b.get(ctx, "house/acts", &acts)
}

func (b *remote) Views(ctx context.Context) (views []*ledger.View, err error) {
	if err := b.get(ctx, "house/views", &views); err != nil {
		return nil, err
	}
	acts, err := b.HouseActs(ctx)
	for _, v := range views {
		v.Restore(acts)
	}
	return views, err
}

func (b *remote) AddHouse(ctx context.Context, acts ...act.Act) (n int, err error) {
	data, err := json.Marshal(acts)
	if err != nil {
		return 0, err
	}
	resp, err := b.call(ctx, http.MethodPost, "house/acts", bytes.NewReader(data))
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	return n, json.NewDecoder(resp.Body).Decode(&n)
}

// books opens what the books are kept in: of one rig, or the house that is of
// several. It is a house where the settings or the journal have several rigs, or
// the journal has a house's book. Exactly one of the two is returned.
func (w *where) books(ctx context.Context, create bool) (backend, housekeeper, error) {
	r, err := dialDaemon(ctx, w.data)
	if err == nil {
		house := len(r.rigs) > 1
		if !house {
			var acts []act.Act
			if acts, err = r.HouseActs(ctx); err == nil {
				house = act.InHouse(acts)
			}
		}
		switch {
		case err != nil:
		case house && w.rig != "" && !slices.Contains(r.rigs, w.rig):
			err = fmt.Errorf("-rig: must be one of the house's (%s), is %q", strings.Join(r.rigs, ", "), w.rig)
		case house:
			r.rig = act.House
			return nil, r, nil
		default:
			if err = r.choose(w.rig); err == nil {
				return r, nil, nil
			}
		}
		return nil, nil, errors.Join(err, r.Close())
	}
	h, herr := w.localHouse(create && w.set != nil)
	switch {
	case herr != nil && !errors.Is(err, fs.ErrNotExist) && errors.As(herr, new(*journal.OwnedError)):
		return nil, nil, fmt.Errorf("%w (and it cannot be asked: %w)", herr, err)
	case herr != nil:
		return nil, nil, herr
	case h != nil:
		return nil, h, nil
	}
	b, err := openBackend(ctx, w.data, w.rig, create)
	return b, nil, err
}

// localHouse opens a journal that is a house's; nil where it is one rig's.
func (w *where) localHouse(create bool) (*localHouse, error) {
	var names []string
	several := w.set != nil && w.set.House()
	if several {
		names = w.set.Names()
	}
	path := filepath.Join(w.data, journalFile)
	if _, err := os.Stat(path); err != nil && !(several && create) {
		return nil, nil // who opens it for one rig says why not
	}
	if create {
		if err := os.MkdirAll(w.data, 0o770); err != nil {
			return nil, fmt.Errorf("data: %w", err)
		}
	}
	j, err := journal.Open(path, journal.Options{})
	if err != nil {
		return nil, err
	}
	rigs, err := j.Rigs()
	var acts []act.Act
	if err == nil {
		acts, err = j.Acts(act.House)
	}
	if err == nil && !several && len(rigs) < 2 && len(acts) == 0 {
		return nil, j.Close()
	}
	for _, rig := range rigs {
		if !slices.Contains(names, rig) {
			names = append(names, rig)
		}
	}
	if err == nil && w.rig != "" && !slices.Contains(names, w.rig) {
		err = fmt.Errorf("-rig: must be one of the house's (%s), is %q", strings.Join(names, ", "), w.rig)
	}
	var h *localHouse
	if err == nil {
		h, err = openHouse(j, names)
	}
	if err != nil {
		return nil, errors.Join(err, j.Close())
	}
	if create {
		err = h.say(context.Background(), w)
	}
	if err != nil {
		return nil, errors.Join(err, h.Close())
	}
	return h, nil
}

// say says what the settings say, as every command does that adds to a journal.
func (h *localHouse) say(ctx context.Context, w *where) error {
	for _, set := range w.set.Each() {
		for _, b := range h.rigs {
			if b.rig != set.Rig {
				continue
			}
			if err := sayAll(ctx, b, set, time.Now().UnixNano()); err != nil {
				return fmt.Errorf("rig %s: %w", b.rig, err)
			}
		}
	}
	return nil
}
