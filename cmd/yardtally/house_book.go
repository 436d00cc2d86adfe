package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"yardtally/meter/act"
	"yardtally/meter/entry"
	"yardtally/meter/ledger"
	"yardtally/meter/sugar"
)

// bookKeeper is what the books are kept in: of one rig, or of a house.
type bookKeeper struct {
	one   backend
	house housekeeper
}

// bookKeeper opens it.
func (w *where) bookKeeper(ctx context.Context, create bool) (*bookKeeper, error) {
	one, house, err := w.books(ctx, create)
	if err != nil {
		return nil, err
	}
	return &bookKeeper{one, house}, nil
}

func (k *bookKeeper) Close() error {
	if k.house != nil {
		return k.house.Close()
	}
	return k.one.Close()
}

// Rig is whose the books are, as acts have it.
func (k *bookKeeper) Rig() string {
	if k.house != nil {
		return act.House
	}
	return k.one.Rig()
}

func (k *bookKeeper) Views(ctx context.Context) ([]*ledger.View, error) {
	if k.house != nil {
		return k.house.Views(ctx)
	}
	v, err := k.one.View(ctx)
	return []*ledger.View{v}, err
}

func (k *bookKeeper) Acts(ctx context.Context) ([]act.Act, error) {
	if k.house != nil {
		return k.house.HouseActs(ctx)
	}
	return k.one.Acts(ctx)
}

func (k *bookKeeper) AddActs(ctx context.Context, acts ...act.Act) (int, error) {
	if k.house != nil {
		return k.house.AddHouse(ctx, acts...)
	}
	return k.one.AddActs(ctx, acts...)
}

// openBook opens the books, of one rig as open does, or of the house.
func (s *spoken) openBook(ctx context.Context, e *env) (err error) {
	if err := s.find(); err != nil {
		return err
	}
	s.e, s.sys, s.now = e, s.units(s.unitsAsked), time.Now()
	if s.backend, s.house, err = s.books(ctx, s.set != nil); err != nil {
		return err
	}
	if s.house == nil {
		err = s.look(ctx)
	} else {
		err = s.lookHouse(ctx)
	}
	if err != nil {
		return errors.Join(err, s.close())
	}
	return nil
}

func (s *spoken) close() error {
	if s.house != nil {
		return s.house.Close()
	}
	return s.backend.Close()
}

func (s *spoken) lookHouse(ctx context.Context) (err error) {
	if s.views, err = s.house.Views(ctx); err != nil {
		return err
	}
	if s.acts, err = s.house.HouseActs(ctx); err != nil {
		return err
	}
	s.before = ledger.Together(s.views)
	s.zone = zoneOf(s.before)
	return nil
}

// whose says whose books they are.
func (s *spoken) whose() string {
	if s.house != nil {
		return "the house of " + s.before.Rig
	}
	return s.backend.Rig()
}

// viewOf is the view of one of the house's rigs, or of the only one.
func (s *spoken) viewOf(rig string) *ledger.View {
	for _, v := range s.views {
		if v.Rig == rig {
			return v
		}
	}
	return s.before
}

func (s *spoken) sayAct(b act.Body) string { return sayAct(b, s.sys, s.zone, s.currency()) }

// knownOf is what an entry that is corrected is read beside: one that a rig of
// the house had in a book of its own stays in that.
func (s *spoken) knownOf(old *act.Act) *entry.Known {
	if s.house == nil || old.Rig == act.House {
		return s.known()
	}
	var own []act.Act
	for i := range s.acts {
		if s.acts[i].Rig == old.Rig {
			own = append(own, s.acts[i])
		}
	}
	return &entry.Known{Now: s.now.UnixNano(), Zone: s.zone, View: s.viewOf(old.Rig), Standing: entry.Standing(own), Units: s.sys, Currency: s.currency()}
}

// keepBook keeps an entry, in a house of every rig, and tells what it changes.
// rig is that of the entry in whose place it comes; "": it is new.
func (s *spoken) keepBook(ctx context.Context, text string, x said, rig string) error {
	if s.house == nil {
		return s.keep(ctx, text, x)
	}
	if rig == "" {
		rig = act.House
	}
	a := act.Act{ID: newID(), Rig: rig, Who: s.who, When: s.now.UnixNano(), From: x.from, Body: x.body, Replaces: slices.Clone(x.over)}
	for i := range s.acts {
		a.When = max(a.When, s.acts[i].When+1)
	}
	standing := act.Standing(s.acts)
	for k := range standing {
		if standing[k].Rig == rig && sameMatter(&a, &standing[k]) && !slices.Contains(a.Replaces, standing[k].ID) {
			a.Replaces = append(a.Replaces, standing[k].ID)
		}
	}
	if err := a.Check(); err != nil {
		return err
	}
	if _, err := s.house.AddHouse(ctx, a); err != nil {
		return err
	}
	fmt.Fprintf(s.e.out, "%s\nKept as act %s, said by %s.\n", text, short(a.ID), s.who)
	if err := s.restateHouse(ctx); err != nil {
		return fmt.Errorf("it is kept, but what it changes cannot be told: %w", err)
	}
	fmt.Fprintf(s.e.out, "\nTo take it back: yardtally undo %s\n", short(a.ID))
	for _, r := range sugar.Read(entry.HouseStanding(append(s.acts, a))).Review {
		if r.Act == a.ID {
			return fmt.Errorf("act %s is kept, but cannot be used as it was meant: %s", short(a.ID), r.Why)
		}
	}
	return nil
}

// restateHouse tells of each rig whose yards' totals differ from before.
func (s *spoken) restateHouse(ctx context.Context) error {
	after, err := s.house.Views(ctx)
	if err != nil {
		return err
	}
	any := false
	for _, v := range after {
		if was := s.viewOf(v.Rig); restates(was, v, s.zone) {
			fmt.Fprintf(s.e.out, "\nOf rig %s:\n", v.Rig)
			any = restate(s.e.out, was, v, s.sys, s.zone) || any
		}
	}
	if !any {
		fmt.Fprintln(s.e.out, "No yard's total changes.")
	}
	return nil
}

// undoInHouse takes acts back, each of whatever rig it is.
func (s *spoken) undoInHouse(ctx context.Context, ids []string) error {
	now := s.now.UnixNano()
	for i := range s.acts {
		now = max(now, s.acts[i].When+1)
	}
	gone := act.TakenBack(s.acts)
	var back, undos []act.Act
	for _, id := range ids {
		a, err := named(s.acts, id)
		if err != nil {
			return err
		}
		if gone[a.ID] {
			return fmt.Errorf("ACT: must not be taken back already, is %q", id)
		}
		gone[a.ID] = true
		back = append(back, *a)
		undos = append(undos, act.Act{ID: newID(), Rig: a.Rig, Who: s.who, When: now, Body: act.Undo{Act: a.ID}})
	}
	if _, err := s.house.AddHouse(ctx, undos...); err != nil {
		return err
	}
	for i := range back {
		fmt.Fprintf(s.e.out, "Taken back: %s\n", s.sayAct(back[i].Body))
	}
	if err := s.restateHouse(ctx); err != nil {
		return fmt.Errorf("it is taken back, but what that changes cannot be told: %w", err)
	}
	sayBySettings(s.e.out, back)
	return nil
}
