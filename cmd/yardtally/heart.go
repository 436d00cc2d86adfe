package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"syscall"
	"time"

	"yardtally/cmd/yardtally/notify"
	"yardtally/ingest/journal"
	"yardtally/ingest/source"
)

// statusEvery is how often the service manager has a new line on how the
// daemon stands, where it wants to be told nothing more often.
const statusEvery = 10 * time.Second

// longIdle is for how long records may wait without a commit being tried: ten
// times as long as they do.
const longIdle = 10 * time.Second

// heart tells the service manager that the daemon lives, where it does: where
// every desk comes round, or reads on in the journal, and the journal's commits
// go on while something waits for one. A commit that fails is no hang: to start
// again would mend no full disk.
type heart struct {
	to      *notify.Socket
	limit   time.Duration // after which the manager takes the daemon for hung; 0: it does not watch
	idle    time.Duration // for how long records may wait without a commit
	log     *slog.Logger
	beats   func() []beat
	journal func() journal.Stats
	status  func() string

	// Of the goroutine of run.
	moved   map[string]uint64
	stats   journal.Stats
	waiting time.Time // since when something waits without any commit; zero: nothing does
	stopped bool
}

// beat is one of the desks.
type beat struct {
	rig   string
	alive func(context.Context) error
	moves func() uint64
}

// newHeart returns the daemon's heart; nil where nobody asks for it.
func newHeart(d *daemon) *heart {
	if d.manager == nil {
		return nil
	}
	return &heart{to: d.manager, limit: d.watchdog, idle: longIdle, log: d.log, journal: d.journal.Stats, status: d.status, beats: d.beats, moved: map[string]uint64{}}
}

// beats are the desks that should work: one whose account has broken down says
// so by itself.
func (d *daemon) beats() (out []beat) {
	for _, r := range d.rigs {
		if r.fault() == "" {
			out = append(out, beat{r.set.Rig, r.desk.Alive, r.desk.Moves})
		}
	}
	return out
}

// every is how often it looks: three times before the manager's patience ends,
// and each look may take as long as from one to the next.
func (h *heart) every() time.Duration {
	if h.limit == 0 {
		return statusEvery
	}
	return min(h.limit/3, statusEvery)
}

// run looks until the context ends.
func (h *heart) run(ctx context.Context) {
	tick := time.NewTicker(h.every())
	defer tick.Stop()
	for {
		h.tell(ctx)
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// tell looks once, and tells the manager what it saw.
func (h *heart) tell(ctx context.Context) {
	err := h.look(ctx)
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		if !h.stopped {
			h.log.Error("the watchdog is told nothing", "why", err)
		}
		h.stopped = true
		_ = h.to.Send(notify.Status("hangs: " + err.Error()))
		return
	}
	if h.stopped {
		h.log.Info("the watchdog is told again that the daemon lives")
	}
	h.stopped = false
	lines := []string{notify.Status(h.status())}
	if h.limit > 0 {
		lines = append(lines, notify.Alive)
	}
	if err := h.to.Send(lines...); err != nil {
		h.log.Warn("the service manager cannot be told", "err", err)
	}
}

// look reports what does not move.
func (h *heart) look(ctx context.Context) error {
	beats := h.beats()
	errs := make([]error, len(beats)+1)
	ctx, done := context.WithTimeout(ctx, h.every())
	defer done()
	var asking sync.WaitGroup
	for i, b := range beats {
		asking.Go(func() { errs[i] = b.alive(ctx) })
	}
	asking.Wait()
	for i, b := range beats {
		n := b.moves()
		if errs[i] != nil && n != h.moved[b.rig] {
			errs[i] = nil // it reads a long journal
		}
		h.moved[b.rig] = n
		if errs[i] != nil {
			errs[i] = fmt.Errorf("the desk of rig %s stands still", b.rig)
		}
	}
	errs[len(beats)] = h.commits()
	return errors.Join(errs...)
}

// commits reports that records wait and no commit is tried.
func (h *heart) commits() error {
	was := h.stats
	h.stats = h.journal()
	if h.stats.Pending == 0 || h.stats.Commits+h.stats.Failures != was.Commits+was.Failures {
		h.waiting = time.Time{}
		return nil
	}
	if h.waiting.IsZero() {
		h.waiting = time.Now()
	}
	if d := time.Since(h.waiting); d >= h.idle {
		return fmt.Errorf("%d records wait, and none was kept for %v", h.stats.Pending, d.Round(time.Second))
	}
	return nil
}

// status is how the daemon stands, in a line.
func (d *daemon) status() string {
	all, open := 0, 0
	count := func(list []*wired) {
		for _, s := range list {
			all++
			if s.State().Phase == source.Open {
				open++
			}
		}
	}
	count(d.shared())
	for _, r := range d.rigs {
		count(r.its())
	}
	text := fmt.Sprintf("%s: %d of %d sources open, %d readings kept", d.called(), open, all, d.readings())
	if d.forward != nil {
		text += fmt.Sprintf(", %d points wait for the InfluxDB", d.forward.State().Backlog)
	}
	for _, r := range d.rigs {
		if text2 := r.fault(); text2 != "" {
			text += "; rig " + r.set.Rig + "'s account has stopped"
		} else if f := r.desk.Snapshot().Faults; len(f) > 0 {
			text += "; " + f[0]
		}
	}
	return text
}

// beManaged opens the service manager's socket, where there is one.
func (d *daemon) beManaged() (err error) {
	if d.manager, err = notify.Open(os.Getenv); err != nil {
		return err
	}
	d.watchdog, err = notify.Watchdog(os.Getenv)
	return err
}

// Opening may take long: a season is read from the start. The manager is asked
// for more time for as long as this process does work, by what it used of the
// processor.
const (
	extendEvery = 10 * time.Second
	extendBy    = time.Minute
)

// opening tells the manager so until the returned function is called.
func (d *daemon) opening() (done func()) {
	if d.manager == nil {
		return func() {}
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(extendEvery)
		defer tick.Stop()
		used := usedOfProcessor()
		_ = d.manager.Send(notify.Status("reads the journal"))
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
			if now := usedOfProcessor(); now-used > extendEvery/20 {
				used = now
				_ = d.manager.Send(notify.Extend(extendBy))
			}
		}
	}()
	return func() { stop(); <-ended }
}

// usedOfProcessor is how much time of the processor this process has used.
func usedOfProcessor() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
