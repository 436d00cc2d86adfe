package main

import (
	"bytes"
	"context"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"yardtally/ingest/desk"
	"yardtally/ingest/publish"
	"yardtally/ingest/source"
)

// How often results are published. Judgement: totals are for people and sheds.
const (
	resultsLook  = 500 * time.Millisecond // at what a broker has, at most
	resultsEvery = 5 * time.Second        // the same topic at one broker
	resultsAges  = 2 * time.Second        // at what time and connections change
)

// results keeps brokers true to what the ledger says: each result at a topic of
// its own, retained, as publish.ResultsOf has them. What holds no longer is
// removed. A broker that was away, or lost what it kept, has all of it again.
type results struct {
	rig     string
	zone    func() *time.Location
	desk    *desk.Desk
	clock   source.Clock
	forward *publish.Forwarder // nil: there is no store
	boxing  sync.Mutex
	boxes   []*shelf // under boxing
	log     *slog.Logger
	every   time.Duration
}

// shelf is what a broker keeps of a rig's results.
type shelf struct {
	*postbox
	head string // of the topics
	kept map[string]keptResult

	mu     sync.Mutex
	strays map[string]bool // topics that the broker keeps from some earlier time
}

type keptResult struct {
	plain []byte // without its time
	at    time.Time
}

// mostStrays is how many topics of earlier times are looked after. Judgement.
const mostStrays = 1000

func newResults(one *oneRig) *results {
	d := one.d
	r := &results{rig: one.set.Rig, zone: func() *time.Location { return one.settings().Zone }, desk: one.desk, clock: d.clock, forward: d.forward, log: one.log, every: resultsEvery}
	r.setBoxes(d.postboxes())
	return r
}

// setBoxes has results go to these brokers. What is known of one that stays, stays.
func (r *results) setBoxes(boxes []*postbox) {
	r.boxing.Lock()
	defer r.boxing.Unlock()
	var all []*shelf
	for _, p := range boxes {
		i := slices.IndexFunc(r.boxes, func(b *shelf) bool { return b.same(p) })
		if i >= 0 {
			all = append(all, r.boxes[i])
			continue
		}
		all = append(all, &shelf{postbox: p, head: publish.ResultsTopic(p.prefix, r.rig),
			kept: map[string]keptResult{}, strays: map[string]bool{}})
	}
	r.boxes = all
}

// boxed are the brokers that results go to now.
func (r *results) boxed() []*shelf {
	r.boxing.Lock()
	defer r.boxing.Unlock()
	return r.boxes
}

// asked are the filters of what brokers may keep of the rigs' results from
// earlier times.
func asked(prefix string, rigs []string) (filters []string) {
	for _, rig := range rigs {
		filters = append(filters, publish.ResultsTopic(prefix, rig)+"#")
	}
	return filters
}

// heard notes a topic that a broker keeps. It may be called from anywhere.
func (r *results) heard(broker, topic string) {
	for _, b := range r.boxed() {
		name, ours := strings.CutPrefix(topic, b.head)
		if b.name != broker || !ours {
			continue
		}
		b.mu.Lock()
		if len(b.strays) < mostStrays {
			b.strays[name] = true
		}
		b.mu.Unlock()
	}
}

// run publishes until the context ends.
func (r *results) run(ctx context.Context) {
	changed := r.desk.Watch(ctx)
	ages := time.NewTicker(resultsAges)
	defer ages.Stop()
	for ctx.Err() == nil {
		looked := time.Now()
		r.step(ctx)
		select {
		case <-ctx.Done():
		case <-time.After(time.Until(looked.Add(resultsLook))):
		}
		select {
		case <-ctx.Done():
		case _, ok := <-changed:
			if !ok {
				return
			}
		case <-ages.C:
		}
	}
}

// step brings every broker up to the newest view.
func (r *results) step(ctx context.Context) {
	boxes := r.boxed()
	if len(boxes) == 0 {
		return
	}
	s := r.desk.Snapshot()
	all := publish.ResultsOf(s.View, r.zone())
	if r.forward != nil {
		st := r.forward.State()
		all = append(all, st.Message(r.clock.Now().Mono+s.Offset))
	}
	for _, b := range boxes {
		b.bring(ctx, r, all, s)
	}
}

// bring has one broker keep just these messages. It stops at the first that the
// broker does not take, and goes on at the next step.
func (b *shelf) bring(ctx context.Context, r *results, all []publish.Message, s *desk.Snapshot) {
	open, anew := b.look()
	if !open {
		return
	}
	stale := b.earlier()
	if anew {
		clear(b.kept)
		for _, t := range publish.FixedTopics {
			stale[t] = true
		}
		for i := range s.View.Yards {
			stale[publish.YardTopic(s.View.Yards[i].ID)] = true
		}
	}
	for t := range b.kept {
		stale[t] = true
	}
	for i := range all {
		m := &all[i]
		if !b.keep(ctx, r, m) {
			return
		}
		delete(stale, m.Topic)
		b.settled(m.Topic)
	}
	for t := range stale {
		if !b.give(ctx, r.log, func(ctx context.Context) error { return b.to.Retain(ctx, b.head+t, nil) }) {
			b.since = time.Time{} // all of it again
			return
		}
		delete(b.kept, t)
		b.settled(t)
	}
}

// earlier returns the topics that the broker is known to keep from earlier times.
func (b *shelf) earlier() map[string]bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return maps.Clone(b.strays)
}

// settled says that what the broker keeps at a topic is of now.
func (b *shelf) settled(topic string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.strays, topic)
}

// keep publishes a message, unless the broker has it or had another at that
// topic just now; false where it did not take it.
func (b *shelf) keep(ctx context.Context, r *results, m *publish.Message) bool {
	plain, err := (&publish.Message{Topic: m.Topic, At: plainTime, Records: m.Records}).Pack(r.rig)
	if err != nil {
		r.log.Error("a result cannot be published", "topic", m.Topic, "err", err)
		return true
	}
	old, has := b.kept[m.Topic]
	if age := time.Since(old.at); has && (age < r.every || bytes.Equal(old.plain, plain) && age < listAgain) {
		return true
	}
	pack, err := m.Pack(r.rig)
	if err != nil {
		r.log.Error("a result cannot be published", "topic", m.Topic, "err", err)
		return true
	}
	if !b.give(ctx, r.log, func(ctx context.Context) error { return b.to.Retain(ctx, b.head+m.Topic, pack) }) {
		delete(b.kept, m.Topic)
		return false
	}
	b.kept[m.Topic] = keptResult{plain, time.Now()}
	return true
}

// plainTime is the time of packs that are only compared.
const plainTime = 1 << 28 * int64(time.Second)
