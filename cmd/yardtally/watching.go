package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/cmd/yardtally/logbook"
	"yardtally/dashboard"
	"yardtally/dashboard/report"
	"yardtally/ingest/desk"
	"yardtally/ingest/publish"
	"yardtally/ingest/sound"
	"yardtally/ingest/source"
	"yardtally/meter/act"
	"yardtally/meter/alarm"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/signal"
	"yardtally/meter/watch"
)

// byItself signs what the daemon says.
const byItself = "rig"

// How often the watch looks. Judgement: a verdict takes minutes to come about.
const (
	lookEvery   = time.Second     // at what has changed, at most
	agesEvery   = 5 * time.Second // at what time alone changes
	soundEvery  = 200 * time.Millisecond
	listAgain   = 10 * time.Minute // the retained list, though it is as it was: a broker may have lost it
	giveLimit   = 3 * time.Second  // for a broker to take a message
	ofNow       = int64(15 * time.Minute)
	stillNews   = int64(time.Hour)
	missingFor  = int64(2 * time.Minute)
	listRetries = 2 * time.Second
	faultAfter  = time.Minute // a broker that takes nothing for so long is logged: one begins, too
)

// findings is what the watch says at an instant.
type findings struct {
	At       int64 // by the rig's clock; alarms are as they are then
	Learning bool
	Why      string // why nothing is learnt of the rig yet
	Alarms   []alarm.Alarm
	Shelf    []alarm.Shelving
	Notes    []watch.Note
	Blind    []string

	Log watch.Log `json:"-"` // of the newest outing

	page *dashboard.Watch // all of it that the page shows
}

// judge says what is the matter at an instant.
func (j *judging) judge(v *ledger.View, acts []act.Act, now int64) *findings {
	for i := range acts { // each is said a little later than those before
		if d := acts[i].When - now; 0 < d && d < int64(time.Second) {
			now = acts[i].When
		}
	}
	acts = saidBy(acts, now)
	s := seenOf(v, max(0, len(v.Outings)-1))
	w := &findings{At: now, Why: j.why, Log: j.watcher.Make(&s)}
	w.Learning, w.Notes, w.Blind = w.Log.Learning, w.Log.Notes, w.Log.Blind
	w.Alarms, w.Shelf = alarm.Life(w.Log.Verdicts, acts, now), alarm.Shelf(acts, now)
	w.page = &dashboard.Watch{Alarms: w.Alarms, Shelf: w.Shelf, Log: w.Log}
	if j.season.Has {
		w.page.Learnt = &j.season.Learnt
	}
	return w
}

// saidBy has acts of alarms that seem to be said after now, as the clock was ahead
// when they or others before them were, be said just before it, in their order:
// they are in the journal, and an alarm that was given out is not to be again.
func saidBy(acts []act.Act, now int64) []act.Act {
	var ahead []int
	for i := range acts {
		_, undo := acts[i].Body.(act.Undo)
		if acts[i].When > now && (undo || act.OfAlarms(acts[i].Body)) {
			ahead = append(ahead, i)
		}
	}
	if len(ahead) == 0 {
		return acts
	}
	slices.SortStableFunc(ahead, func(i, k int) int { return cmp.Compare(acts[i].When, acts[k].When) })
	acts = slices.Clone(acts)
	for n, i := range ahead {
		acts[i].When = now - int64(len(ahead)-1-n)
	}
	return acts
}

// postbox is a broker that alarms or results go to.
type postbox struct {
	name, prefix string
	to           interface {
		Publish(ctx context.Context, topic string, payload []byte) error
		Retain(ctx context.Context, topic string, payload []byte) error
	}
	state func() source.State
	since time.Time // since when the connection is open that what it keeps was sent over; zero: none

	list   []byte    // as it was retained last, without its time
	at     time.Time // when
	tried  time.Time
	faulty time.Time // since when it takes none; zero: it does
	failed time.Time // when that was logged
}

// watching has the watch look whenever there is something new, and gives out
// what changes. What it gives out it says to the journal first.
type watching struct {
	rig    string
	desk   *desk.Desk
	taps   *taps
	ear    *ear
	outbox *publish.Outbox // nil: none
	boxes  []*postbox      // under boxing
	units  func() quantity.System
	boxing sync.Mutex
	log    *slog.Logger

	readings func() int64 // that the journal keeps

	shown atomic.Pointer[findings]

	mu sync.Mutex // held while judging
	j  *judging

	// Of the goroutine of run.
	learning chan *judging
	busy     bool // somebody learns
	missing  map[string]int64
	stored   map[string]bool // acts of changes that the outbox has
	sound    map[string]bool // alarms that are still to be heard
}

func newWatching(r *oneRig) *watching {
	return &watching{rig: r.set.Rig, units: func() quantity.System { return r.settings().Units }, desk: r.desk, taps: r.taps, ear: r.ear, outbox: r.d.outbox, log: r.log, boxes: r.d.postboxes(),
		readings: r.d.readings,
		learning: make(chan *judging, 1), missing: make(map[string]int64), stored: make(map[string]bool), sound: make(map[string]bool)}
}

// postboxes are the brokers that readings come from.
func (d *daemon) postboxes() (out []*postbox) {
	prefix := map[string]string{}
	for _, m := range d.settings().MQTT {
		prefix[m.Name] = m.Prefix
	}
	if d.broker != nil {
		prefix[d.broker.Name()] = d.settings().Broker.Prefix
	}
	for _, s := range d.shared() {
		p := &postbox{name: s.Name(), prefix: prefix[s.Name()], state: s.State}
		var ok bool
		if p.to, ok = s.Source.(interface {
			Publish(context.Context, string, []byte) error
			Retain(context.Context, string, []byte) error
		}); ok {
			out = append(out, p)
		}
	}
	return out
}

// boxed are the brokers that alarms go to now.
func (w *watching) boxed() []*postbox {
	w.boxing.Lock()
	defer w.boxing.Unlock()
	return w.boxes
}

// setBoxes puts others in their place. What is known of one that stays, stays.
func (w *watching) setBoxes(boxes []*postbox) {
	w.boxing.Lock()
	defer w.boxing.Unlock()
	for i, b := range boxes {
		for _, old := range w.boxes {
			if old.same(b) {
				boxes[i] = old
			}
		}
	}
	w.boxes = boxes
}

// same reports whether two are of one source.
func (b *postbox) same(o *postbox) bool { return b.to == o.to && b.prefix == o.prefix }

// Shown returns what the watch said last; nil before it has looked.
func (w *watching) Shown() *findings {
	return w.shown.Load()
}

// page is what the watch said last, for the page; nil before it has looked.
func (w *watching) page() *dashboard.Watch {
	if f := w.Shown(); f != nil {
		return f.page
	}
	return nil
}

// Look has the watch look now, at all that is known.
func (w *watching) Look(ctx context.Context) (*findings, error) {
	if err := w.desk.Settle(ctx); err != nil {
		return nil, err
	}
	acts, err := w.desk.Acts(ctx)
	if err != nil {
		return nil, err
	}
	return w.look(w.desk.Snapshot().View, acts), nil
}

// look judges a view. The first time it learns the rig before: what was told
// before a restart would not be seen by one who has not learnt.
func (w *watching) look(v *ledger.View, acts []act.Act) *findings {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.j == nil {
		w.j = w.learn(v, labelOf(acts))
	}
	at := w.j.judge(v, acts, w.taps.Now().NS)
	w.shown.Store(at)
	return at
}

// relearn learns the rig anew, beside what else is done, where there is more to
// learn from.
func (w *watching) relearn(v *ledger.View, acts []act.Act) {
	label := labelOf(acts)
	w.mu.Lock()
	stale := w.j.stale(v, label)
	w.mu.Unlock()
	if stale && !w.busy {
		w.busy = true
		go func() { w.learning <- w.learn(v, label) }()
	}
}

func (w *watching) learn(v *ledger.View, label line.Line) *judging {
	defer spare.sparing(w.readings)()
	return learn(v, label)
}

// run looks until the context ends.
func (w *watching) run(ctx context.Context) {
	changed := w.desk.Watch(ctx)
	ages, sounds := time.NewTicker(agesEvery), time.NewTicker(soundEvery)
	defer ages.Stop()
	defer sounds.Stop()
	var view *ledger.View
	var looked time.Time
	due := true
	for {
		if due && time.Since(looked) >= lookEvery {
			view, looked, due = w.desk.Snapshot().View, time.Now(), false
			if err := w.step(ctx); err != nil && ctx.Err() == nil {
				w.log.Error("alarms cannot be given out", "err", err)
			}
		}
		select {
		case <-ctx.Done():
			return
		case _, ok := <-changed:
			if !ok {
				return
			}
			due = due || w.desk.Snapshot().View != view
		case <-ages.C:
			due = true
		case <-sounds.C:
			w.hear()
		case j := <-w.learning:
			w.mu.Lock()
			w.j = j
			w.mu.Unlock()
			w.busy, due = false, true
		}
	}
}

// step looks, and gives out what has changed.
func (w *watching) step(ctx context.Context) error {
	acts, err := w.desk.Acts(ctx)
	if err != nil {
		return err
	}
	v := w.desk.Snapshot().View
	at := w.look(v, acts)
	w.relearn(v, acts)
	err = w.announce(ctx, at, v, acts)
	w.store(acts)
	w.list(ctx, at)
	return err
}

// announce gives out what is due. What no verdict is of any more is over for
// whoever keeps a lamp lit, but not at once: it may be told again.
func (w *watching) announce(ctx context.Context, at *findings, v *ledger.View, acts []act.Act) error {
	missing := make(map[string]int64)
	for _, c := range alarm.Due(at.Alarms, saidBy(acts, at.At), at.At) {
		switch {
		case c.Alarm == nil:
			since, ok := w.missing[c.Key]
			if !ok {
				since = at.At
			}
			if missing[c.Key] = since; at.At-since < missingFor {
				continue
			}
		case c.What == act.Raised && !news(c.Alarm, v, at.At):
			continue
		}
		if err := w.say(ctx, &c); err != nil {
			return err
		}
	}
	w.missing = missing
	return nil
}

// news reports whether an alarm is of now: readings that were brought in later
// give out nothing.
func news(a *alarm.Alarm, v *ledger.View, now int64) bool {
	return now-v.At < ofNow && now-a.Steps[len(a.Steps)-1].At < stillNews
}

// say keeps that a change was given out, and gives it out.
func (w *watching) say(ctx context.Context, c *alarm.Change) error {
	now := w.taps.Now()
	if _, err := w.taps.Say(ctx, byItself, act.Announced{Key: c.Key, What: c.What, At: now, Kinds: c.Kinds, Channel: c.Channel, Yard: c.Yard}); err != nil {
		return fmt.Errorf("alarm %q: %w", c.Key, err)
	}
	p := sound.Alarm{Key: c.Key, What: strings.Join(c.Kinds, " or "), Priority: alarm.Note.String(), Since: now.NS, Raised: now.NS,
		Text: "It is no longer so, or is understood otherwise."}
	urgent := false
	if c.Alarm != nil {
		p = w.published(c.Alarm)
		urgent = c.Alarm.Priority == alarm.Now && c.What == act.Raised
	}
	p.State = c.What
	level := slog.LevelInfo
	if urgent {
		level = slog.LevelWarn
		w.sound[c.Key] = true
	}
	w.log.Log(logbook.Whole(ctx), level, "alarm", "change", c.What, "priority", p.Priority, "key", c.Key, "text", p.Text)
	pack, err := sound.PackAlarm(w.rig, now.NS, &p)
	if err != nil {
		return fmt.Errorf("alarm %q: %w", c.Key, err)
	}
	for _, b := range w.boxed() {
		b.give(ctx, w.log, func(ctx context.Context) error { return b.to.Publish(ctx, sound.AlarmTopic(b.prefix, w.rig), pack) })
	}
	return nil
}

// look reports whether a broker is connected, and whether anew: what it kept it
// may have lost.
func (b *postbox) look() (open, anew bool) {
	st := b.state()
	if st.Phase != source.Open {
		b.since = time.Time{}
		return false, false
	}
	anew = !b.since.Equal(st.Since)
	b.since = st.Since
	return true, anew
}

// give hands something to a broker; what it does not take is lost, and said now
// and then.
func (b *postbox) give(ctx context.Context, log *slog.Logger, send func(context.Context) error) bool {
	ctx, done := context.WithTimeout(ctx, giveLimit)
	defer done()
	err := send(ctx)
	if err == nil {
		b.faulty = time.Time{}
		return true
	}
	if b.faulty.IsZero() {
		b.faulty = time.Now()
	}
	if time.Since(b.faulty) >= faultAfter && time.Since(b.failed) >= listAgain {
		b.failed = time.Now()
		log.Warn("alarms or results do not reach a broker", "broker", b.name, "err", err)
	}
	return false
}

// published is an alarm as brokers have it.
func (w *watching) published(a *alarm.Alarm) sound.Alarm {
	v := w.desk.Snapshot().View
	return sound.Alarm{Key: a.Key, What: alarm.Matter(&a.Verdict), State: a.State.String(), Priority: a.Priority.String(), Yard: a.Yard,
		Chance: a.Chance, Since: a.From, Raised: a.Raised, Text: sayAlarm(a, v, w.units(), clockIn(zoneOf(v)))}
}

// store puts into the outbox what was given out; what is there already stays.
func (w *watching) store(acts []act.Act) {
	if w.outbox == nil {
		return
	}
	var points []publish.Alarm
	var ids []string
	for i := range acts {
		b, ok := acts[i].Body.(act.Announced)
		if !ok || w.stored[acts[i].ID] {
			continue
		}
		v := watch.Verdict{}
		for _, name := range b.Kinds {
			if k, ok := watch.ParseKind(name); ok {
				v.Kinds = append(v.Kinds, k)
			}
		}
		points = append(points, publish.Alarm{At: b.At.NS, Key: b.Key, Change: b.What, What: strings.Join(b.Kinds, " or "),
			Priority: alarm.PriorityOf(&v).String(), Yard: b.Yard})
		ids = append(ids, acts[i].ID)
	}
	if len(points) == 0 {
		return
	}
	if err := w.outbox.PutAlarms(w.rig, points); err != nil {
		w.log.Error("alarms do not reach the outbox", "err", err)
		return
	}
	for _, id := range ids {
		w.stored[id] = true
	}
}

// list has brokers keep what stands, where it is not what they keep.
func (w *watching) list(ctx context.Context, at *findings) {
	var all []sound.Alarm
	for i := range at.Alarms {
		if a := &at.Alarms[i]; a.State != alarm.Gone {
			all = append(all, w.published(a))
		}
	}
	plain, err := sound.PackAlarms(w.rig, 0, all)
	if err == nil {
		var pack []byte
		if pack, err = sound.PackAlarms(w.rig, at.At, all); err == nil {
			for _, b := range w.boxed() {
				if open, anew := b.look(); !open {
					continue
				} else if anew {
					b.list = nil
				}
				if bytes.Equal(b.list, plain) && time.Since(b.at) < listAgain || time.Since(b.tried) < listRetries && b.list == nil {
					continue
				}
				b.tried = time.Now()
				if b.list = nil; b.give(ctx, w.log, func(ctx context.Context) error { return b.to.Retain(ctx, sound.AlarmsTopic(b.prefix, w.rig), pack) }) {
					b.list, b.at = plain, time.Now()
				}
			}
		}
	}
	if err != nil {
		w.log.Error("the list of alarms cannot be published", "err", err)
	}
}

// hear sounds what is urgent, unless a fill is still to have its stop signal,
// and while nobody has answered it.
func (w *watching) hear() {
	if len(w.sound) == 0 || w.ear.due() {
		return
	}
	at := w.Shown()
	for i := range at.Alarms {
		if a := &at.Alarms[i]; w.sound[a.Key] && a.State == alarm.Unacknowledged {
			w.log.Info("signal", "kind", signal.Alarm.String(), "alarm", a.Key)
			w.ear.gives().Give(sound.Signal{Signal: signal.Signal{Kind: signal.Alarm}, At: w.taps.Now().NS})
			break // one sound for all of them
		}
	}
	clear(w.sound)
}

// due reports whether the fill that goes on is still to have its stop signal.
func (e *ear) due() bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.state.Due(rulesNow(e.desk.Snapshot(), &e.set))
}

// clockIn prints the time of day in a zone.
func clockIn(zone *time.Location) func(int64) string {
	return func(ns int64) string { return time.Unix(0, ns).In(zone).Format("15:04") }
}

// dayClock is clockIn, with the date where it is not that of the instant now.
func dayClock(zone *time.Location, now int64) func(int64) string {
	return func(ns int64) string {
		if d := now - ns; d > int64(outing.Pause)*3 || d < -int64(outing.Pause)*3 {
			return day(ns, zone)
		}
		return clockIn(zone)(ns)
	}
}

// sayAlarm is the sentence on an alarm.
func sayAlarm(a *alarm.Alarm, v *ledger.View, u quantity.System, clock func(int64) string) string {
	return report.SayVerdict(&a.Verdict, u, clock, func(yard string) string { return report.NameOf(v, yard) })
}
