// Package desk is where readings and acts are kept and told: one goroutine owns
// a rig's ledger, writes the journal before it tells anything, and hands
// snapshots to whoever looks.
//
// Kept before told: what a snapshot's View holds is synced in the journal; only
// its Live part may be newer.
package desk

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/journal"
	"yardtally/ingest/source"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// Teller takes what the ledger tells, durably: the outbox of the publish room.
type Teller interface {
	Put(rig string, events []ledger.Event) error
	// Through returns the instant up to which it has been told, and whether it
	// ever was.
	Through(rig string) (int64, bool, error)
}

// Options are what Open needs.
type Options struct {
	Rig     string
	Journal *journal.Journal
	Clock   source.Clock
	BootID  string        // names the stretch of Clock's monotonic time
	Teller  Teller        // nil: nothing is told on
	Log     *slog.Logger  // nil: slog.Default()
	Commit  time.Duration // how often what comes is synced; 0: one second
	Shared  bool          // other desks keep in the same journal: their syncs fall together
	House   *House        // that those desks are of; nil: no other desk is open
}

// Live is what was heard last, kept or not. Instants are Unix ns by the rig's
// clock; 0: never.
type Live struct {
	Flow    quantity.Flow
	FlowAt  int64
	Syrup   quantity.Temperature
	SyrupAt int64

	Signal   string // what the keeper was told last: "full", "failing", "silent"
	SignalAt int64
}

// Snapshot is the desk's state as it is handed out. Nobody changes it.
type Snapshot struct {
	View    *ledger.View
	Live    Live
	Rig     act.Rig  // the rig's own settings that hold now
	Faults  []string // what is wrong with keeping or telling, in sentences
	Records uint64   // kept since the desk was opened
	Strays  uint64   // arrivals of other rigs, not kept
	Offset  int64    // UTC less the boot's monotonic time, as the ledger places it now
}

// checkpointEvery is how often the ledger's state is saved, to start fast.
const checkpointEvery = 5 * time.Minute

// beat0 is when the beat of desks that share a journal began.
var beat0 = time.Now()

// Most records in one request's turn, so that live readings are not kept waiting.
const turn = 8192

// fault is one thing that is wrong, and when it was last logged.
type fault struct {
	text string
	said time.Time
}

// sayAgain is how often a fault that lasts is logged.
const sayAgain = 10 * time.Minute

// Most events that wait in memory for a teller that takes none. Beyond that it
// hears everything again from the journal.
const mostUntold = 100_000

// errClosed says that a desk takes nothing any more.
var errClosed = errors.New("the desk is closed")

// Desk keeps and tells. Its methods may be called from any goroutine.
type Desk struct {
	o    Options
	boot uint32

	in       chan source.Arrival
	asks     chan func()
	pulse    chan struct{} // taken in turn by Run, which does nothing else for it
	housed   chan struct{} // ticks when others said something in the house's book
	stopping chan struct{} // closed when nothing more is taken in
	done     chan struct{} // closed when Run has ended

	moves atomic.Uint64 // see Moves

	putting sync.RWMutex // held for reading while Put queues

	snap atomic.Pointer[Snapshot]

	mu       sync.Mutex
	watchers map[chan struct{}]struct{}
	closed   bool

	// Owned by the goroutine of Run (before it: of Open).
	led        *ledger.Ledger
	acts       []act.Act
	heardHouse uint64         // the house's book as the ledger has it
	rigs       []act.Act      // those that stand of the rig's own settings, in order of From
	waiting    []meter.Record // appended, not committed
	untold     []ledger.Event
	retell     bool      // the teller must hear everything again
	retellFree time.Time // not to derive everything for it before
	untoldMost int
	heard      map[string]int64 // newest Mono by source
	named      uint32           // boots the ledger knows by their ids
	live       flowmeter
	view       *ledger.View
	faults     map[string]fault
	kept       uint64
	strays     uint64
	lost       uint64 // records that there was no room for
	savedAt    time.Time
	refoldFree time.Time // not to rewind again before
	dirtySave  bool
}

// Open loads the rig's acts and ledger from the journal. Run must be called
// for anything to happen after that.
func Open(o Options) (*Desk, error) {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Commit == 0 {
		o.Commit = time.Second
	}
	d := &Desk{o: o, in: make(chan source.Arrival, 256), asks: make(chan func()), pulse: make(chan struct{}), housed: make(chan struct{}, 1),
		stopping: make(chan struct{}), done: make(chan struct{}),
		watchers: make(map[chan struct{}]struct{}), faults: make(map[string]fault), untoldMost: mostUntold, heard: make(map[string]int64)}
	var err error
	if d.boot, err = o.Journal.Boot(o.BootID); err != nil {
		return nil, err
	}
	if o.House == nil {
		if o.House, err = OpenHouse(o.Journal); err != nil {
			return nil, err
		}
		d.o.House = o.House
	}
	o.House.join(d)
	if d.acts, err = o.Journal.Acts(o.Rig); err != nil {
		return nil, err
	}
	d.fresh()
	if err := d.load(); err != nil {
		// Readings can be kept all the same, and are: nothing else brings them back.
		d.fault("ledger", fmt.Sprintf("The totals are not up to date: %v.", err))
	}
	d.savedAt = time.Now()
	if o.Shared { // not all of them at once
		d.savedAt = d.savedAt.Add(-time.Duration(rand.Int64N(int64(checkpointEvery))))
	}
	d.tell()
	d.look()
	return d, nil
}

// load brings the ledger up to the journal: from its saved state if that is of
// use, else from the first record.
func (d *Desk) load() error {
	data, ok, err := d.o.Journal.Checkpoint(d.o.Rig, "ledger")
	if err == nil && ok {
		if err = d.resume(data); err == nil {
			return d.led.Refold(d.replay)
		}
		d.o.Log.Info("the ledger's saved state is of no use: reading the journal from the start", "why", err)
		d.fresh()
	}
	return d.led.Rebuild(d.replay)
}

// fresh starts an empty ledger that knows the acts and the boots.
func (d *Desk) fresh() {
	d.led, d.named = ledger.New(d.o.Rig), 0
	d.nameBoots()
	d.setActs()
}

// setActs tells the ledger what acts there are.
func (d *Desk) setActs() {
	all := d.acts
	others, version := d.o.House.others(d.o.Rig)
	if len(others) > 0 {
		all = slices.Concat(d.acts, others)
	}
	d.led.SetActs(all)
	d.heardHouse = version
	d.rigs = d.rigs[:0]
	for _, a := range act.Standing(d.acts) {
		if _, ok := a.Body.(act.Rig); ok {
			d.rigs = append(d.rigs, a)
		}
	}
}

// rigAt returns the rig's own settings at an instant, Unix ns.
func (d *Desk) rigAt(at int64) act.Rig {
	rig := act.DefaultRig
	for i := range d.rigs {
		if d.rigs[i].Since() <= at {
			rig = d.rigs[i].Body.(act.Rig)
		}
	}
	return rig
}

// nameBoots tells the ledger of boots that it does not know yet.
func (d *Desk) nameBoots() {
	for {
		id, ok := d.o.Journal.BootID(d.named + 1)
		if !ok {
			return
		}
		d.named++
		d.led.NameBoot(d.named, id)
	}
}

// resume loads a saved state, if the teller has heard all that was before it.
func (d *Desk) resume(data []byte) error {
	if err := d.led.Load(data, d.replay); err != nil || d.o.Teller == nil {
		return err
	}
	through, told, err := d.o.Teller.Through(d.o.Rig)
	if err != nil {
		return fmt.Errorf("what the outbox has is not known: %w", err)
	}
	if !told {
		return errors.New("the outbox has heard nothing yet")
	}
	d.untold = d.led.Take()
	if from := d.untold[0].At; through < from-1 { // it begins with a Rewound
		d.untold = nil
		return fmt.Errorf("the outbox has heard nothing after %s", time.Unix(0, through).UTC().Format(time.RFC3339))
	}
	return nil
}

func (d *Desk) replay(after uint64, fn func(*meter.Record) error) error {
	return d.o.Journal.Replay(d.o.Rig, after, func(r *meter.Record) error {
		d.moves.Add(1)
		return fn(r)
	})
}

// Put implements source.Sink. What it took is kept, or Run's error says that it
// could not be.
func (d *Desk) Put(ctx context.Context, a source.Arrival) error {
	d.putting.RLock()
	defer d.putting.RUnlock()
	select {
	case <-d.stopping:
		return errClosed
	default:
	}
	select {
	case d.in <- a:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-d.stopping:
		return errClosed
	case <-d.done: // it broke down
		return errClosed
	}
}

// Snapshot returns the newest state.
func (d *Desk) Snapshot() *Snapshot { return d.snap.Load() }

// Watch returns a channel that ticks when the snapshot has changed; ticks that
// nobody took are one. It is closed when the context or the desk ends.
func (d *Desk) Watch(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		close(c)
		return c
	}
	d.watchers[c] = struct{}{}
	context.AfterFunc(ctx, func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		if _, ok := d.watchers[c]; ok {
			delete(d.watchers, c)
			close(c)
		}
	})
	return c
}

// Run keeps and tells until the context ends, then takes in what is queued,
// syncs, and saves the ledger's state. The journal stays open.
func (d *Desk) Run(ctx context.Context) error {
	defer d.close()
	tick := time.NewTimer(time.Hour)
	tick.Stop()
	var ticked, due time.Time // due is zero while no tick is
	arm := func(after time.Duration) {
		at := time.Now().Add(after)
		if d.o.Shared {
			// One commit is everybody's where all ask for it at the same time.
			since := at.Sub(beat0)
			at = beat0.Add((since + d.o.Commit - 1).Truncate(d.o.Commit))
		}
		if due.IsZero() || at.Before(due) {
			tick.Reset(time.Until(at))
			due = at
		}
	}
	for {
		select {
		case a := <-d.in:
			d.take(a)
			// What comes after a silence is kept at once, with what comes beside it.
			// Desks that share a journal have their beat anyway.
			if d.o.Shared {
				arm(0)
			} else {
				arm(max(d.o.Commit/20, d.o.Commit-time.Since(ticked)))
			}
		case ask := <-d.asks:
			for range len(d.in) { // what was put before it was asked
				d.take(<-d.in)
			}
			ask()
			arm(d.o.Commit)
		case <-d.pulse:
		case <-d.housed:
			if d.heardHouse != d.o.House.version.Load() {
				d.commit(false)
				arm(d.o.Commit)
			}
		case <-tick.C:
			ticked, due = time.Now(), time.Time{}
			if d.commit(false) {
				arm(d.o.Commit)
			}
		case <-ctx.Done():
			close(d.stopping)
			d.putting.Lock() // whoever was let in has put
			close(d.in)
			d.putting.Unlock()
			for a := range d.in {
				d.take(a)
			}
			d.commit(true)
			d.save()
			if n := d.pending(); n > 0 {
				return fmt.Errorf("%d records could not be kept: %s", n, d.faults["keep"].text)
			}
			return nil
		}
	}
}

// pending is how many of the rig's records are not yet synced.
func (d *Desk) pending() int { return d.o.Journal.PendingOf(d.o.Rig) }

func (d *Desk) close() {
	close(d.done)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closed = true
	for c := range d.watchers {
		delete(d.watchers, c)
		close(c)
	}
}

// take queues an arrival for the next commit and shows what is live of it.
func (d *Desk) take(a source.Arrival) {
	if a.Rig != d.o.Rig {
		d.strays++
		return
	}
	if a.BootID != "" {
		d.takeRecorded(a)
		return
	}
	for i := range a.Records {
		r := &a.Records[i]
		r.Boot = d.boot
		// Records that came in one read are told apart, so that an export taken
		// in elsewhere does not hold two equal ones for doubles. A source faster
		// than the grain is let be.
		if last := d.heard[r.Source]; r.Mono <= last && last-r.Mono < int64(time.Second) {
			r.Mono = last + source.Grain
		}
		d.heard[r.Source] = r.Mono
		if err := d.o.Journal.Append(d.o.Rig, r); err != nil {
			d.lose(1, err)
			continue
		}
		d.waiting = append(d.waiting, *r)
		if d.live.take(r, d.view.PulseVolume, d.led.Here(r.Boot, r.Mono, r.Wall)) {
			d.show()
		}
	}
}

// takeRecorded queues what a recording holds and the journal does not.
func (d *Desk) takeRecorded(a source.Arrival) {
	boot, err := d.o.Journal.Boot(a.BootID)
	if err != nil {
		d.lose(len(a.Records), err)
		return
	}
	d.nameBoots()
	for i := range a.Records {
		r := &a.Records[i]
		r.Boot = boot
		added, err := d.o.Journal.AppendKept(d.o.Rig, r)
		if err != nil {
			d.lose(1, err)
		} else if added {
			d.waiting = append(d.waiting, *r)
		}
	}
}

// lose says that records could not even be queued.
func (d *Desk) lose(n int, err error) {
	d.lost += uint64(n)
	d.fault("lose", fmt.Sprintf("Readings are being lost, %d records so far: %v.", d.lost, err))
}

// commit syncs what waits, lets the ledger take it in, tells and shows it. It
// reports whether there is more to do later by itself.
func (d *Desk) commit(last bool) bool {
	if d.pending() > 0 || len(d.waiting) > 0 {
		if err := d.o.Journal.Keep(d.o.Rig); err != nil {
			d.fault("keep", fmt.Sprintf("Nothing is being kept: %v. %d records wait.", err, d.pending()))
			d.show()
			return true
		}
		d.mend("keep")
		d.mend("lose")
		for i := range d.waiting {
			d.led.Add(&d.waiting[i])
			d.moves.Add(1)
		}
		d.kept += uint64(len(d.waiting))
		d.dirtySave = d.dirtySave || len(d.waiting) > 0
		clear(d.waiting)
		d.waiting = d.waiting[:0]
	}
	more := d.settle(last)
	if d.dirtySave && time.Since(d.savedAt) > checkpointEvery {
		d.save()
	}
	return more
}

// settle brings the ledger up to date and shows it; it reports whether
// something is left to settle.
func (d *Desk) settle(force bool) bool {
	if d.heardHouse != d.o.House.version.Load() {
		d.setActs()
		d.dirtySave, force = true, true
	}
	if d.led.Stale() && (force || !time.Now().Before(d.refoldFree)) {
		start := time.Now()
		if err := d.led.Refold(d.replay); err != nil {
			d.fault("ledger", fmt.Sprintf("The totals are not up to date: %v.", err))
		} else {
			d.mend("ledger")
		}
		// One late message after another must not keep the board busy.
		d.refoldFree = time.Now().Add(10 * time.Since(start))
	}
	s := d.o.Clock.Now()
	d.led.Settle(d.led.Here(d.boot, s.Mono, s.Wall))
	d.tell()
	d.look()
	return d.led.Unsettled() || d.led.Stale() || len(d.untold) > 0 || d.retell
}

// tell passes the ledger's events on. What can't be told now is told later.
func (d *Desk) tell() {
	if d.o.Teller == nil {
		d.led.Take()
		return
	}
	d.untold = append(d.untold, d.led.Take()...)
	if d.retell {
		d.untold = nil
		if time.Now().Before(d.retellFree) {
			return
		}
		start := time.Now()
		err := d.led.Rebuild(d.replay)
		d.retellFree = time.Now().Add(time.Minute + 10*time.Since(start))
		if err != nil {
			d.fault("tell", fmt.Sprintf("Results do not reach the outbox: %v.", err))
			return
		}
		d.untold, d.retell = d.led.Take(), false
	}
	for len(d.untold) > 0 {
		n := min(len(d.untold), turn)
		if err := d.o.Teller.Put(d.o.Rig, d.untold[:n]); err != nil {
			d.fault("tell", fmt.Sprintf("Results do not reach the outbox: %v.", err))
			if len(d.untold) > d.untoldMost {
				d.untold, d.retell = nil, true
			}
			return
		}
		d.untold = d.untold[n:]
	}
	d.untold = nil
	d.mend("tell")
}

func (d *Desk) save() {
	data, err := d.led.Save()
	if err == nil && data != nil {
		err = d.o.Journal.PutCheckpoint(d.o.Rig, "ledger", data)
	}
	if err != nil {
		d.o.Log.Warn("the ledger's state could not be saved; the next start will be slower", "err", err)
	}
	d.savedAt, d.dirtySave = time.Now(), false
}

// fault shows what is wrong, and logs it now and then: a full disk shall not
// be filled with complaints of it.
func (d *Desk) fault(what, text string) {
	f := d.faults[what]
	if f.text == "" || time.Since(f.said) >= sayAgain {
		d.o.Log.Error(text)
		f.said = time.Now()
	}
	f.text = text
	d.faults[what] = f
}

func (d *Desk) mend(what string) {
	if _, ok := d.faults[what]; ok {
		delete(d.faults, what)
		d.o.Log.Info("mended: " + what)
	}
}

// look takes a new view and shows it.
func (d *Desk) look() {
	d.view = d.led.View()
	d.show()
}

func (d *Desk) show() {
	now := d.o.Clock.Now()
	at := d.led.Here(d.boot, now.Mono, now.Wall)
	s := &Snapshot{View: d.view, Live: d.live.now, Records: d.kept, Strays: d.strays, Rig: d.rigAt(at), Offset: at - now.Mono}
	for _, f := range d.faults {
		s.Faults = append(s.Faults, f.text)
	}
	slices.Sort(s.Faults)
	d.snap.Store(s)
	d.mu.Lock()
	defer d.mu.Unlock()
	for c := range d.watchers {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}
