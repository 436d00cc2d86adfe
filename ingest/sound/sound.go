// Package sound gives signals out: a command is run, a message published. Each
// outlet has a goroutine of its own and waits for nobody; whoever gives a
// signal does not wait either.
//
// A signal is for now. One that could not be given within staleAfter, because
// the outlet was busy with another or the other end does not answer, is dropped
// and counted: heard late, it would be taken for the next colony's. Nothing is
// kept, and nothing is sent again.
package sound

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"yardtally/meter/signal"
)

// staleAfter is how long a signal waits for an outlet at most. Judgement, no
// source: a keeper walks on within seconds.
const staleAfter = 3 * time.Second

// sayAgain is how often a fault that lasts is logged.
const sayAgain = 10 * time.Minute

// Signal is one signal on its way out.
type Signal struct {
	signal.Signal
	At int64 // Unix ns by the rig's clock
}

// Outlet gives a signal out: a command, a broker, a pin. Give is called by one
// goroutine at a time; it ends when the context does.
type Outlet interface {
	Name() string // in notices: "the signal's command"
	Give(ctx context.Context, s Signal) error
}

// Giver hands signals to outlets.
type Giver struct {
	log   *slog.Logger
	queue []*queue
}

// queue is one outlet with what waits for it: one signal of a kind, the newest.
type queue struct {
	Outlet
	wake chan struct{}

	mu      sync.Mutex
	waiting []waits // in order of giving
	given   uint64
	dropped uint64
	fault   string
	said    time.Time // when the fault was logged
	dropLog time.Time
}

type waits struct {
	Signal
	since time.Time
}

// New returns a giver; Run makes it work. A nil log is nowhere.
func New(log *slog.Logger, outlets ...Outlet) *Giver {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	g := &Giver{log: log}
	for _, o := range outlets {
		q := &queue{Outlet: o, wake: make(chan struct{}, 1)}
		g.queue = append(g.queue, q)
		if c, ok := o.(interface{ Check() error }); ok {
			q.judge(g.log, c.Check()) // better now than in the first yard
		}
	}
	return g
}

// Give hands a signal to every outlet and returns at once. An older one of the
// kind that still waits is dropped.
func (g *Giver) Give(s Signal) {
	for _, q := range g.queue {
		q.put(g.log, s)
	}
}

// Run gives signals out until the context ends.
func (g *Giver) Run(ctx context.Context) {
	var all sync.WaitGroup
	for _, q := range g.queue {
		all.Go(func() { q.run(ctx, g.log) })
	}
	all.Wait()
}

// Faults says which outlets do not work, in sentences.
func (g *Giver) Faults() []string {
	var out []string
	for _, q := range g.queue {
		q.mu.Lock()
		if q.fault != "" {
			out = append(out, q.fault)
		}
		q.mu.Unlock()
	}
	return out
}

// Counts returns how many signals outlets were given, and how many were
// dropped because an outlet was too slow.
func (g *Giver) Counts() (given, dropped uint64) {
	for _, q := range g.queue {
		q.mu.Lock()
		given, dropped = given+q.given, dropped+q.dropped
		q.mu.Unlock()
	}
	return given, dropped
}

func (q *queue) put(log *slog.Logger, s Signal) {
	q.mu.Lock()
	n := len(q.waiting)
	q.waiting = slices.DeleteFunc(q.waiting, func(w waits) bool { return w.Kind == s.Kind })
	if len(q.waiting) < n {
		q.drop(log)
	}
	q.waiting = append(q.waiting, waits{s, time.Now()})
	q.mu.Unlock()
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// drop counts a signal that was not given. The queue is locked.
func (q *queue) drop(log *slog.Logger) {
	q.dropped++
	if time.Since(q.dropLog) >= sayAgain {
		q.dropLog = time.Now()
		log.Warn("a signal was dropped: the one before was not given yet", "to", q.Name(), "dropped", q.dropped)
	}
}

// next takes the signal that has waited longest; ok is false where none does.
func (q *queue) next(log *slog.Logger) (s Signal, ok bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for len(q.waiting) > 0 {
		w := q.waiting[0]
		q.waiting = q.waiting[1:]
		if time.Since(w.since) <= staleAfter {
			return w.Signal, true
		}
		q.drop(log)
	}
	return s, false
}

func (q *queue) run(ctx context.Context, log *slog.Logger) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-q.wake:
		}
		for ctx.Err() == nil {
			s, ok := q.next(log)
			if !ok {
				break
			}
			err := q.Give(ctx, s)
			if ctx.Err() != nil {
				return // it was us who broke it off
			}
			q.judge(log, err)
			if err == nil {
				q.mu.Lock()
				q.given++
				q.mu.Unlock()
			}
		}
	}
}

// judge notes how giving went, and logs a fault now and then: not once a colony.
func (q *queue) judge(log *slog.Logger, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if err == nil {
		if q.fault != "" {
			q.fault = ""
			log.Info("signals are given again", "to", q.Name())
		}
		return
	}
	fresh := q.fault == ""
	q.fault = fmt.Sprintf("No signal can be heard from %s: %v.", q.Name(), err)
	if fresh || time.Since(q.said) >= sayAgain {
		q.said = time.Now()
		log.Error(q.fault)
	}
}
