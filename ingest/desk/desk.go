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
}

// Live is what was heard last, kept or not. Instants are Unix ns by the rig's
// clock; 0: never.
type Live struct {
	Flow    quantity.Flow
	FlowAt  int64
	Syrup   quantity.Temperature
	SyrupAt int64
}

// Snapshot is the desk's state as it is handed out. Nobody changes it.
type Snapshot struct {
	View    *ledger.View
	Live    Live
	Faults  []string // what is wrong with keeping or telling, in sentences
	Records uint64   // kept since the desk was opened
	Strays  uint64   // arrivals of other rigs, not kept
	Offset  int64    // UTC less the boot's monotonic time, as the ledger places it now
}

// checkpointEvery is how often the ledger's state is saved, to start fast.
const checkpointEvery = 5 * time.Minute

// Most records in one request's turn, so that live readings are not kept waiting.
const turn = 8192

// Desk keeps and tells. Its methods may be called from any goroutine.
type Desk struct {
	o    Options
	boot uint32

	in   chan source.Arrival
	asks chan func()
	done chan struct{} // closed when Run has ended

	snap atomic.Pointer[Snapshot]

	mu       sync.Mutex
	watchers map[chan struct{}]struct{}
	closed   bool

	// Owned by the goroutine of Run (before it: of Open).
	led        *ledger.Ledger
	acts       []act.Act
	waiting    []meter.Record // appended, not committed
	untold     []ledger.Event
	retell     bool
	heard      map[string]int64 // newest Mono by source
	live       flowmeter
	view       *ledger.View
	faults     map[string]string
	kept       uint64
	strays     uint64
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
	d := &Desk{o: o, in: make(chan source.Arrival, 256), asks: make(chan func()), done: make(chan struct{}),
		watchers: make(map[chan struct{}]struct{}), faults: make(map[string]string), heard: make(map[string]int64), led: ledger.New(o.Rig)}
	var err error
	if d.boot, err = o.Journal.Boot(o.BootID); err != nil {
		return nil, err
	}
	if d.acts, err = o.Journal.Acts(o.Rig); err != nil {
		return nil, err
	}
	d.led.SetActs(d.acts)
	if err := d.load(); err != nil {
		return nil, err
	}
	d.savedAt = time.Now()
	d.tell()
	d.look()
	return d, nil
}

// load brings the ledger up to the journal: from its saved state if that is of
// use, else from the first record.
func (d *Desk) load() error {
	replay := d.replay
	fresh := true
	if d.o.Teller != nil {
		if _, told, err := d.o.Teller.Through(d.o.Rig); err == nil && !told {
			fresh = false // it needs to hear everything
		}
	}
	if data, ok, err := d.o.Journal.Checkpoint(d.o.Rig, "ledger"); err == nil && ok && fresh {
		err := d.led.Load(data, replay)
		if err == nil {
			return d.led.Refold(replay)
		}
		d.o.Log.Info("the ledger's saved state is of no use: reading the journal from the start", "why", err)
		d.led = ledger.New(d.o.Rig)
		d.led.SetActs(d.acts)
	}
	return d.led.Rebuild(replay)
}

func (d *Desk) replay(after uint64, fn func(*meter.Record) error) error {
	return d.o.Journal.Replay(d.o.Rig, after, fn)
}

// Put implements source.Sink.
func (d *Desk) Put(ctx context.Context, a source.Arrival) error {
	select {
	case d.in <- a:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-d.done:
		return errors.New("the desk is closed")
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
	armed := false
	arm := func(after time.Duration) {
		if !armed {
			tick.Reset(after)
			armed = true
		}
	}
	for {
		select {
		case a := <-d.in:
			d.take(a)
			arm(d.o.Commit)
		case ask := <-d.asks:
			ask()
			arm(d.o.Commit)
		case <-tick.C:
			armed = false
			if d.commit(false) {
				arm(d.o.Commit)
			}
		case <-ctx.Done():
			for {
				select {
				case a := <-d.in:
					d.take(a)
					continue
				default:
				}
				break
			}
			d.commit(true)
			d.save()
			if n := d.o.Journal.Pending(); n > 0 {
				return fmt.Errorf("%d records could not be kept: %s", n, d.faults["keep"])
			}
			return nil
		}
	}
}

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
	for i := range a.Records {
		r := &a.Records[i]
		r.Boot = d.boot
		// Lines that came in one read are told apart: no two records of a source
		// arrive at the same instant.
		r.Mono = max(r.Mono, d.heard[r.Source]+1)
		d.heard[r.Source] = r.Mono
		if err := d.o.Journal.Append(d.o.Rig, r); err != nil {
			d.fault("keep", fmt.Sprintf("Readings are being lost: %v.", err))
			continue
		}
		d.waiting = append(d.waiting, *r)
		if d.live.take(r, d.view.PulseVolume, d.led.Here(r.Boot, r.Mono, r.Wall)) {
			d.show()
		}
	}
}

// commit syncs what waits, lets the ledger take it in, tells and shows it. It
// reports whether there is more to do later by itself.
func (d *Desk) commit(last bool) bool {
	if d.o.Journal.Pending() > 0 || len(d.waiting) > 0 {
		if err := d.o.Journal.Commit(); err != nil {
			d.fault("keep", fmt.Sprintf("Nothing is being kept: %v. %d records wait.", err, d.o.Journal.Pending()))
			d.show()
			return true
		}
		d.mend("keep")
		for i := range d.waiting {
			d.led.Add(&d.waiting[i])
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
	return d.led.Unsettled() || d.led.Stale() || len(d.untold) > 0
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
		if err := d.led.Rebuild(d.replay); err != nil {
			d.fault("tell", fmt.Sprintf("Results do not reach the outbox: %v.", err))
			return
		}
		d.untold, d.retell = d.led.Take(), false
	}
	for len(d.untold) > 0 {
		n := min(len(d.untold), turn)
		if err := d.o.Teller.Put(d.o.Rig, d.untold[:n]); err != nil {
			d.fault("tell", fmt.Sprintf("Results do not reach the outbox: %v.", err))
			if len(d.untold) > 100_000 {
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

func (d *Desk) fault(what, text string) {
	if d.faults[what] != text {
		d.faults[what] = text
		d.o.Log.Error(text)
	}
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
	s := &Snapshot{View: d.view, Live: d.live.now, Records: d.kept, Strays: d.strays,
		Offset: d.led.Here(d.boot, now.Mono, now.Wall) - now.Mono}
	for _, f := range d.faults {
		s.Faults = append(s.Faults, f)
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

// ask runs a function on the desk's goroutine and waits for it.
func (d *Desk) ask(ctx context.Context, fn func()) error {
	ran := make(chan struct{})
	select {
	case d.asks <- func() { fn(); close(ran) }:
	case <-ctx.Done():
		return ctx.Err()
	case <-d.done:
		return errors.New("the desk is closed")
	}
	<-ran
	return nil
}

// AddActs keeps acts, each durable before the next, and restates what they
// change. It returns how many were new; acts kept before an error stay kept.
func (d *Desk) AddActs(ctx context.Context, acts ...act.Act) (added int, err error) {
	for i := range acts {
		if err := acts[i].Check(); err != nil {
			return 0, fmt.Errorf("act %q: %w", acts[i].ID, err)
		}
		if acts[i].Rig != d.o.Rig {
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
		fresh, aerr := d.o.Journal.AddAct(acts[i])
		if aerr != nil {
			err = aerr
			break
		}
		if fresh {
			d.acts = append(d.acts, acts[i])
			added++
		}
	}
	if added > 0 {
		d.led.SetActs(d.acts)
		d.dirtySave = true
	}
	return added, err
}

// Acts returns all acts of the rig.
func (d *Desk) Acts(ctx context.Context) (out []act.Act, err error) {
	err = d.ask(ctx, func() { out = slices.Clone(d.acts) })
	return out, err
}

// Kept is one item of a recording that is to be kept.
type Kept struct {
	BootID string
	Record meter.Record
	Act    *act.Act // instead of a record
}

// Import keeps items of a recording. What is kept already adds nothing. It
// returns how many records and acts were new. Results are restated by Settle.
func (d *Desk) Import(ctx context.Context, items []Kept) (records, acts int, err error) {
	for len(items) > 0 && err == nil {
		part := items[:min(len(items), turn)]
		items = items[len(part):]
		asked := d.ask(ctx, func() {
			var r, a int
			r, a, err = d.importTurn(part)
			records, acts = records+r, acts+a
		})
		err = errors.Join(asked, err)
	}
	return records, acts, err
}

func (d *Desk) importTurn(items []Kept) (records, acts int, err error) {
	for i := range items {
		it := &items[i]
		if it.Act != nil {
			n, err := d.addActs([]act.Act{*it.Act})
			if err != nil {
				return records, acts, err
			}
			acts += n
			continue
		}
		r := &it.Record
		if r.Boot, err = d.o.Journal.Boot(it.BootID); err != nil {
			return records, acts, err
		}
		added, err := d.o.Journal.AppendKept(d.o.Rig, r)
		if err != nil {
			return records, acts, err
		}
		if added {
			d.waiting = append(d.waiting, *r)
			records++
		}
	}
	if err := d.o.Journal.Commit(); err != nil {
		return records, acts, err
	}
	for i := range d.waiting {
		d.led.Add(&d.waiting[i])
	}
	d.kept += uint64(len(d.waiting))
	d.dirtySave = d.dirtySave || len(d.waiting) > 0
	d.waiting = d.waiting[:0]
	if !d.led.Stale() {
		d.led.Settle(0)
	}
	return records, acts, nil
}

// Settle syncs and brings all results up to date now.
func (d *Desk) Settle(ctx context.Context) error {
	return d.ask(ctx, func() {
		d.commit(true)
		d.settle(true)
	})
}

// Records passes the kept records with Seq above after to fn, in order, at
// most about limit of them, and returns the last Seq passed (after if none).
func (d *Desk) Records(ctx context.Context, after uint64, limit int, fn func(*meter.Record, string) error) (last uint64, err error) {
	last = after
	stop := errors.New("enough")
	asked := d.ask(ctx, func() {
		n := 0
		err = d.replay(after, func(r *meter.Record) error {
			if n >= limit {
				return stop
			}
			n++
			id, _ := d.o.Journal.BootID(r.Boot)
			last = r.Seq
			return fn(r, id)
		})
	})
	if errors.Is(err, stop) {
		err = nil
	}
	return last, errors.Join(asked, err)
}

// BootNumber returns the number of this run's clock, for acts that fix it.
func (d *Desk) BootNumber() uint32 { return d.boot }
