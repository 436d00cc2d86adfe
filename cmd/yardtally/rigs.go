package main

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync/atomic"
	"time"

	"yardtally/cmd/yardtally/settings"
	"yardtally/dashboard"
	"yardtally/ingest/desk"
	"yardtally/ingest/source"
	"yardtally/meter/act"
)

// oneRig is what the daemon has of one rig: its desk, and what stands around it.
// Journal, outbox, brokers, pages and door are the daemon's, for all rigs.
type oneRig struct {
	d      *daemon
	set    *settings.Settings // of this rig
	clock  source.Clock
	bootID string
	log    *slog.Logger

	desk     *desk.Desk
	taps     *taps
	ear      *ear
	watching *watching
	results  *results
	own      []*wired // where there are several: that bring nothing but this rig's readings

	now    atomic.Pointer[settings.Settings] // of the newest reload; nil: set
	newest map[string]*atomic.Int64          // newest arrival by source that all share, Unix ns of this process; under wiring
	failed atomic.Pointer[string]            // why its account has stopped; nil: it has not
}

// openRig opens a rig's desk and what stands around it. The sources that all
// share are open.
func (d *daemon) openRig(set *settings.Settings, teller desk.Teller) (*oneRig, error) {
	r := &oneRig{d: d, set: set, clock: d.clock, bootID: d.bootID, log: d.log, newest: map[string]*atomic.Int64{}}
	if d.set.House() {
		r.log = d.log.With("rig", set.Rig)
	}
	r.hears(d.sources)
	var err error
	if r.desk, err = desk.Open(desk.Options{Rig: set.Rig, Journal: d.journal, Clock: d.clock, BootID: d.bootID,
		Teller: teller, Log: r.log, Commit: d.commit, Shared: d.set.House(), House: d.house}); err != nil {
		return nil, err
	}
	r.taps = newTaps(r)
	if d.set.House() {
		if r.own, err = wireUp(d.planOwn(set)); err != nil {
			return nil, err
		}
	}
	return r, r.openEar()
}

// hears makes room for when shared sources bring something.
func (r *oneRig) hears(shared []*wired) {
	for _, s := range shared {
		if r.newest[s.Name()] == nil {
			r.newest[s.Name()] = new(atomic.Int64)
		}
	}
}

// newestOf is when a shared source brought something; nil: it is none of them.
func (r *oneRig) newestOf(source string) *atomic.Int64 {
	r.d.wiring.RLock()
	defer r.d.wiring.RUnlock()
	return r.newest[source]
}

// sources are all that bring readings of the rig.
func (r *oneRig) sources() []*wired {
	own := r.its()
	return append(own[:len(own):len(own)], r.d.shared()...)
}

// options are what the rig's pages need.
func (r *oneRig) options() dashboard.Options {
	return dashboard.Options{Feed: &feed{r}, Said: &saidOnPage{r.taps, r.watching}, Books: r.taps, Trace: newTraces(r).Find, Rig: r.set.Rig, Version: version(), Log: r.log, About: r.about,
		SayAct: func(a *act.Act) string {
			set := r.settings()
			return sayAct(a.Body, set.Units, set.Zone, set.Books.Currency)
		}}
}

// keep runs the desk until the context ends. Of several rigs, one whose account
// breaks down leaves the others be: its readings are kept on, without account,
// until the daemon is started again.
func (r *oneRig) keep(ctx context.Context) (err error) {
	defer func() {
		if !r.d.set.House() {
			return
		}
		p := recover()
		if p != nil {
			r.log.Error("the account has broken down", "err", p, "stack", string(debug.Stack()))
			err = fmt.Errorf("its account has broken down: %v", p)
		}
		if err != nil {
			text := fmt.Sprintf("This rig’s account has stopped (%v). Its readings are kept; starting again brings them in.", err)
			r.failed.Store(&text)
		}
	}()
	return r.desk.Run(ctx)
}

// fault says why the rig's account has stopped, "" while it has not.
func (r *oneRig) fault() string {
	if text := r.failed.Load(); text != nil {
		return *text
	}
	return ""
}

// Put implements source.Sink.
func (r *oneRig) Put(ctx context.Context, a source.Arrival) error {
	if len(a.Records) > 0 {
		if at := r.newestOf(a.Records[0].Source); at != nil {
			at.Store(time.Now().UnixNano())
		}
	}
	if r.fault() == "" {
		err := r.ear.Put(ctx, a)
		if err == nil || ctx.Err() != nil || r.fault() == "" {
			return err
		}
	}
	return r.keepBare(a)
}

// keepBare keeps readings of a rig that has no account.
func (r *oneRig) keepBare(a source.Arrival) error {
	id := a.BootID
	if id == "" {
		id = r.bootID
	}
	boot, err := r.d.journal.Boot(id)
	if err != nil {
		return err
	}
	for i := range a.Records {
		rec := &a.Records[i]
		rec.Boot = boot
		if a.BootID != "" {
			_, err = r.d.journal.AppendKept(r.set.Rig, rec)
		} else {
			err = r.d.journal.Append(r.set.Rig, rec)
		}
		if err != nil {
			return err
		}
	}
	return r.d.journal.Keep(r.set.Rig)
}

// rigsOf hands readings to the rigs that they are of.
type rigsOf map[string]*oneRig

// Put implements source.Sink.
func (all rigsOf) Put(ctx context.Context, a source.Arrival) error {
	if r := all[a.Rig]; r != nil {
		return r.Put(ctx, a)
	}
	return nil // sources bring only those that are set
}

// sink is where the daemon's readings go.
func (d *daemon) sink() source.Sink {
	if d.oneRig != nil {
		return d.ear
	}
	all := rigsOf{}
	for _, r := range d.rigs {
		all[r.set.Rig] = r
	}
	return all
}
