package desk

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/ingest/journal"
	"yardtally/ingest/source"
	"yardtally/ingest/sqlite/faulty"
	"yardtally/meter"
	"yardtally/meter/act"
)

// An October evening of 2026, invented; Unix s.
const evening = 1_791_588_000

// rigClock is a daemon's clock that is right, whatever the test's bubble says
// the year is.
type rigClock struct{ began time.Time }

func (c rigClock) Now() source.Stamp {
	d := int64(time.Since(c.began))
	return source.Stamp{Mono: 77e9 + d, Wall: evening*1e9 + d}
}

// The script of these tests: five messages a second, and every 25 s a fill of
// 15 s at 25 pulses a second, the first from the start on. A pulse is 10 mL.
const (
	round     = 125 // messages
	flowing   = 75
	perMsg    = 5
	fillOf    = flowing * perMsg * 10 * quantity.Millilitre
	messageAt = 200 * time.Millisecond
)

func countAt(k int) int { return (k/round*flowing + min(k%round, flowing)) * perMsg }

func readings(k int, up time.Duration) []meter.Reading {
	return []meter.Reading{{Channel: meter.Pulses, Value: float64(1000 + countAt(k))}, {Channel: meter.Uptime, Value: 5000 + up.Seconds()}}
}

func acts() []act.Act {
	return []act.Act{
		{ID: "rig", Rig: "heron", Who: "wren", When: 1, Body: act.DefaultRig},
		{ID: "proving", Rig: "heron", Who: "wren", When: 2, Body: act.Proving{PulsesPerL: 100}},
		{ID: "orchard", Rig: "heron", Who: "wren", When: 3, Body: act.Yard{ID: "orchard", Name: "Orchard End", Lat: 43.22, Lon: -91.88, EnterM: 90, LeaveM: 140}},
	}
}

// bench is a desk at work, with all it needs.
type bench struct {
	t     *testing.T
	path  string
	layer *faulty.Layer
	j     *journal.Journal
	clock rigClock
	d     *Desk
	said  int // messages so far
	stop  context.CancelFunc
	ended chan error
}

type option func(*Options, *journal.Options)

func tellTo(to Teller) option { return func(o *Options, _ *journal.Options) { o.Teller = to } }

// open starts a desk on a journal of its own, on a disk that can fail.
func open(t *testing.T, opts ...option) *bench {
	t.Helper()
	b := &bench{t: t, path: filepath.Join(t.TempDir(), "journal.db"), layer: faulty.New(), clock: rigClock{time.Now()}}
	t.Cleanup(b.layer.Close)
	b.start(opts...)
	t.Cleanup(func() { b.close() })
	return b
}

// start opens the journal and the desk, and has the desk run.
func (b *bench) start(opts ...option) {
	b.t.Helper()
	o := Options{Rig: "heron", Clock: b.clock, BootID: "boot one"}
	jo := journal.Options{VFS: b.layer.Name()}
	for _, f := range opts {
		f(&o, &jo)
	}
	var err error
	if b.j, err = journal.Open(b.path, jo); err != nil {
		b.t.Fatal(err)
	}
	o.Journal = b.j
	if b.d, err = Open(o); err != nil {
		b.t.Fatal(err)
	}
	b.run()
}

func (b *bench) run() {
	var ctx context.Context
	ctx, b.stop = context.WithCancel(context.Background())
	b.ended = make(chan error, 1)
	go func() { b.ended <- b.d.Run(ctx) }()
}

// close ends desk and journal, and returns the desk's error.
func (b *bench) close() error {
	if b.j == nil {
		return nil
	}
	b.stop()
	err := <-b.ended
	if jerr := b.j.Close(); jerr != nil && err == nil {
		b.t.Error(jerr)
	}
	b.j = nil
	return err
}

func (b *bench) addActs() {
	b.t.Helper()
	if n, err := b.d.AddActs(context.Background(), acts()...); err != nil || n != 3 {
		b.t.Fatal(n, err)
	}
}

// say puts the next n messages, one each fifth of a second.
func (b *bench) say(n int) {
	b.t.Helper()
	for range n {
		b.put(readings(b.said, time.Since(b.clock.began)))
		b.said++
		time.Sleep(messageAt)
	}
}

func (b *bench) put(r []meter.Reading) {
	b.t.Helper()
	at := b.clock.Now()
	err := b.d.Put(context.Background(), source.Arrival{Rig: "heron", Records: []meter.Record{{Mono: at.Mono, Wall: at.Wall, Source: "serial", Readings: r}}})
	if err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) settle() *Snapshot {
	b.t.Helper()
	if err := b.d.Settle(context.Background()); err != nil {
		b.t.Fatal(err)
	}
	return b.d.Snapshot()
}

// wantFills checks that the view has that many whole fills and nothing else.
func (b *bench) wantFills(n int) {
	b.t.Helper()
	v := b.settle().View
	if len(v.Fills) != n || len(v.Loose) != 0 || v.Total != quantity.Volume(n)*fillOf {
		b.t.Fatalf("%d fills, %d loose, total %v; want %d fills of %v", len(v.Fills), len(v.Loose), v.Total, n, fillOf)
	}
	for i, f := range v.Fills {
		if f.Volume != fillOf {
			b.t.Errorf("fill %d is %v, want %v", i, f.Volume, fillOf)
		}
	}
}

// Whatever the disk does, a view never holds what a sync has not confirmed;
// only the live figures run ahead.
func TestKeptBeforeTold(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(*faulty.Layer, bool)
	}{
		{"no room", (*faulty.Layer).SetFull},
		{"sync fails", (*faulty.Layer).SetNoSync},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := open(t)
				b.addActs()
				ctx, stop := context.WithCancel(context.Background())
				var looked sync.WaitGroup
				looks := 0
				ticks := b.d.Watch(ctx)
				looked.Go(func() {
					for range ticks {
						looks++
						s := b.d.Snapshot()
						if kept := b.j.Stats().Records; int64(s.View.Records) > kept || int64(s.Records) > kept {
							t.Errorf("the view holds %d records, the desk says %d are kept, the journal has %d", s.View.Records, s.Records, kept)
						}
					}
				})
				b.say(3 * round)
				b.settle()
				c.set(b.layer, true)
				total := b.d.Snapshot().View.Total
				b.say(flowing)
				s := b.d.Snapshot()
				if s.View.Total != total || s.View.Records != 3*round {
					t.Errorf("on a disk that keeps nothing the total went from %v to %v", total, s.View.Total)
				}
				if s.Live.Flow < quantity.Flow(14.9)*quantity.LitrePerMinute || s.Live.Flow > 15.1*quantity.LitrePerMinute {
					t.Errorf("live flow %v, want 15 L/min", s.Live.Flow)
				}
				if len(s.Faults) != 1 || !strings.HasPrefix(s.Faults[0], "Nothing is being kept: ") || !strings.Contains(s.Faults[0], " records wait.") {
					t.Errorf("faults %q", s.Faults)
				}
				if n, err := b.d.AddActs(context.Background(), act.Act{ID: "x", Rig: "heron", When: 9, Body: act.Proving{PulsesPerL: 1}}); err == nil || n != 0 {
					t.Errorf("an act was taken by a disk that keeps nothing: %d, %v", n, err)
				}
				if err := b.d.Settle(context.Background()); err == nil {
					t.Error("Settle says that all is well")
				}
				c.set(b.layer, false)
				b.say(round - flowing)
				b.wantFills(4)
				if s := b.d.Snapshot(); len(s.Faults) != 0 {
					t.Errorf("faults that were mended: %q", s.Faults)
				}
				stop()
				looked.Wait()
				if looks < 100 {
					t.Errorf("only %d looks", looks)
				}
			})
		})
	}
}

// One commit a second while readings come, and no touch of the disk at all
// while nothing comes.
func TestCommitCadence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t)
		b.addActs()
		before := b.j.Stats().Commits
		const seconds = 40
		b.say(seconds * 5)
		if n := b.j.Stats().Commits - before; n < seconds-2 || n > seconds {
			t.Errorf("%d commits in %d s", n, seconds)
		}
		time.Sleep(20 * time.Second) // the tail settles
		commits := b.j.Stats().Commits
		writes, _, syncs := b.layer.Writes()
		if writes < seconds || syncs < seconds-2 {
			t.Fatalf("the layer counted %d writes and %d syncs in %d s", writes, syncs, seconds)
		}
		if v := b.d.Snapshot().View; v.Settled != v.At {
			t.Errorf("settled through %d, newest record %d", v.Settled, v.At)
		}
		snap := b.d.Snapshot()
		time.Sleep(3 * time.Hour)
		w, _, s := b.layer.Writes()
		if n := b.j.Stats().Commits; n != commits || w != writes || s != syncs {
			t.Errorf("idle, it made %d commits, %d writes and %d syncs", n-commits, w-writes, s-syncs)
		}
		if b.d.Snapshot() != snap {
			t.Error("idle, it worked all the same")
		}
	})
}

// The first reading after a silence is kept at once, and yet there is never
// more than one commit a second.
func TestFirstReadingIsKeptAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t)
		b.addActs()
		for range 3 {
			time.Sleep(time.Minute)
			commits, records := b.j.Stats().Commits, b.d.Snapshot().Records
			b.settle() // it has something to see to in a second
			b.put(readings(b.said, time.Since(b.clock.began)))
			time.Sleep(100 * time.Millisecond)
			if b.j.Stats().Commits != commits+1 || b.d.Snapshot().Records != records+1 {
				t.Errorf("%d commits, %d records kept", b.j.Stats().Commits-commits, b.d.Snapshot().Records-records)
			}
			b.say(5)
			if n := b.j.Stats().Commits - commits; n > 2 {
				t.Errorf("%d commits in 1.1 s", n)
			}
		}
	})
}

// An act is durable and in the view when AddActs returns; nobody waits for the
// next commit.
func TestActsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t)
		b.addActs()
		b.say(2 * round)
		now := time.Now()
		if _, err := b.d.AddActs(context.Background(), act.Act{ID: "p2", Rig: "heron", Who: "wren", When: 10, Body: act.Proving{PulsesPerL: 50}}); err != nil {
			t.Fatal(err)
		}
		if waited := time.Since(now); waited != 0 {
			t.Errorf("it waited for a timer, %v", waited)
		}
		if v := b.d.Snapshot().View; v.Total != 4*fillOf || len(v.Fills) != 2 || v.Fills[0].Volume != 2*fillOf {
			t.Errorf("restated: total %v, fills %+v", v.Total, v.Fills)
		}
		if kept, err := b.j.Acts("heron"); err != nil || len(kept) != 4 {
			t.Errorf("kept %d acts, %v", len(kept), err)
		}
		// The same act again adds nothing, another of its id is refused, and one
		// that cannot be so names the field.
		if n, err := b.d.AddActs(context.Background(), acts()...); n != 0 || err != nil {
			t.Error(n, err)
		}
		if _, err := b.d.AddActs(context.Background(), act.Act{ID: "p2", Rig: "heron", When: 10, Body: act.Proving{PulsesPerL: 51}}); !errors.Is(err, journal.ErrConflict) {
			t.Error(err)
		}
		if _, err := b.d.AddActs(context.Background(), act.Act{ID: "p3", Rig: "heron", When: 10, Body: act.Proving{PulsesPerL: -1}}); err == nil || !strings.Contains(err.Error(), "pulses_per_l") {
			t.Error(err)
		}
		if _, err := b.d.AddActs(context.Background(), act.Act{ID: "p4", Rig: "other", When: 10, Body: act.Proving{PulsesPerL: 1}}); err == nil || !strings.Contains(err.Error(), `rig: must be "heron", is "other"`) {
			t.Error(err)
		}
	})
}

// What is kept already adds nothing: a recording imported twice, one imported
// into the journal it came from.
func TestImportTwice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx := context.Background()
		b := open(t)
		b.addActs()
		b.say(2 * round)
		b.settle()
		var items []Kept
		all, err := b.d.Acts(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for i := range all {
			items = append(items, Kept{Act: &all[i]})
		}
		for after := uint64(0); ; {
			last, err := b.d.Records(ctx, after, 100, func(r *meter.Record, boot string) error {
				c := *r
				c.Readings = append([]meter.Reading(nil), r.Readings...)
				items = append(items, Kept{BootID: boot, Record: c})
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			if last == after {
				break
			}
			after = last
		}
		if len(items) != 3+2*round {
			t.Fatalf("exported %d items", len(items))
		}
		if came, err := b.d.Import(ctx, items); came.Records != 0 || came.Acts != 0 || len(came.Conflicts) != 0 || err != nil {
			t.Errorf("into its own journal: %+v, %v", came, err)
		}
		b.wantFills(2)
		other := open(t)
		for i, want := range []int{2 * round, 0, 0} {
			came, err := other.d.Import(ctx, items)
			if came.Records != want || (came.Acts != 0) != (i == 0) || err != nil {
				t.Errorf("import %d: %+v, %v", i+1, came, err)
			}
			other.wantFills(2)
		}
		if a, o := b.d.Snapshot().View, other.d.Snapshot().View; !reflect.DeepEqual(a.Fills, o.Fills) {
			t.Errorf("fills there %+v, here %+v", a.Fills, o.Fills)
		}
	})
}

// Ticks that nobody took are one, a watcher that looks away holds nothing up,
// and the end closes them all.
func TestWatchers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t)
		b.addActs()
		asleep := b.d.Watch(context.Background())
		ctx, stop := context.WithCancel(context.Background())
		short := b.d.Watch(ctx)
		b.say(2 * round)
		stop()
		synctest.Wait()
		ticks := 0
		for range short {
			ticks++
		}
		if ticks != 1 {
			t.Errorf("%d ticks waited, want 1", ticks)
		}
		<-asleep
		select {
		case <-asleep:
			t.Error("a second tick waited")
		default:
		}
		b.wantFills(2)
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		for range asleep { // one tick of the closing, then closed
		}
		if _, ok := <-b.d.Watch(context.Background()); ok {
			t.Error("a watch on a closed desk ticks")
		}
		if _, err := b.d.Acts(context.Background()); !errors.Is(err, errClosed) {
			t.Error(err)
		}
		if b.d.Snapshot().View.Total != 2*fillOf {
			t.Error("the last snapshot is gone")
		}
	})
}

// Whoever was told that a message is taken finds it in the journal, also where
// the desk was just closing.
func TestCloseKeepsWhatWasTaken(t *testing.T) {
	for range 20 {
		b := open(t, func(_ *Options, j *journal.Options) { j.VFS = "" })
		var taken atomic.Int64
		var putters sync.WaitGroup
		begun := make(chan struct{})
		var once sync.Once
		for p := range 8 {
			putters.Go(func() {
				for i := range 1 << 20 {
					r := meter.Record{Mono: int64(i), Wall: evening*1e9 + int64(i), Source: fmt.Sprint("s", p), Readings: readings(i, time.Duration(i)*messageAt)}
					if err := b.d.Put(context.Background(), source.Arrival{Rig: "heron", Records: []meter.Record{r}}); err != nil {
						if !errors.Is(err, errClosed) {
							t.Error(err)
						}
						return
					}
					if taken.Add(1) == 100 {
						once.Do(func() { close(begun) })
					}
				}
			})
		}
		<-begun
		b.stop()
		putters.Wait()
		if err := <-b.ended; err != nil {
			t.Fatal(err)
		}
		if kept := b.j.Stats().Records; kept != taken.Load() {
			t.Fatalf("%d were taken, %d are kept", taken.Load(), kept)
		}
		if err := b.j.Close(); err != nil {
			t.Fatal(err)
		}
		b.j = nil
	}
}

// A disk that is full for an hour: it says so, goes on serving, drops only
// what it has no room to hold, says that too, and records again by itself.
func TestFullDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, func(_ *Options, j *journal.Options) { j.MaxPending = 1000 })
		b.addActs()
		b.say(round)
		b.layer.SetFull(true)
		b.say(100)
		if f := b.d.Snapshot().Faults; len(f) != 1 || !strings.Contains(f[0], "Nothing is being kept") {
			t.Errorf("faults %q", f)
		}
		b.say(8*round - 100) // what can wait
		b.say(11 * round)    // what cannot
		if n := b.j.Pending(); n != 1000 {
			t.Errorf("%d records wait, want 1000", n)
		}
		if f := b.d.Snapshot().Faults; len(f) != 2 || !strings.Contains(f[1], "being lost, 13") {
			t.Errorf("faults %q", f)
		}
		if v := b.d.Snapshot().View; v.Total != fillOf {
			t.Errorf("total %v of what is not kept", v.Total)
		}
		b.layer.SetFull(false)
		time.Sleep(time.Second) // until it tries again
		b.say(round)
		v := b.settle().View
		if len(b.d.Snapshot().Faults) != 0 {
			t.Errorf("faults %q", b.d.Snapshot().Faults)
		}
		// The running count bridges what was lost: all of it, in its place.
		if v.Total != 21*fillOf {
			t.Errorf("total %v, want %v", v.Total, 21*fillOf)
		}
		if len(v.Loose) != 1 || v.Loose[0].Volume != 11*fillOf || v.Loose[0].Why != "unseen" || len(v.Gaps) != 1 {
			t.Errorf("loose %+v, gaps %+v", v.Loose, v.Gaps)
		}
		if len(v.Fills) != 10 {
			t.Errorf("%d fills, want 10", len(v.Fills))
		}
		if err := b.close(); err != nil {
			t.Error(err)
		}
	})
}

// Stopped on a full disk, it says how much is lost.
func TestStopOnAFullDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t)
		b.layer.SetFull(true)
		b.say(7)
		b.stop()
		if err := <-b.ended; err == nil || !strings.Contains(err.Error(), "7 records could not be kept") {
			t.Error(err)
		}
		b.j.Close()
		b.j = nil
	})
}

// Late messages one after another: results wait while the desk has just derived
// them again, but keeping goes on, and Settle does not wait.
func TestLateFlood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t)
		b.addActs()
		b.say(4 * round)
		b.settle()
		if err := b.d.ask(context.Background(), func() { b.d.refoldFree = time.Now().Add(time.Minute) }); err != nil {
			t.Fatal(err)
		}
		// The air of long ago, from a sender whose clock is known.
		late := func(ago time.Duration) {
			at := b.clock.Now()
			r := meter.Record{Mono: at.Mono, Wall: at.Wall, Rel: -int64(ago), Source: "mqtt", Readings: []meter.Reading{{Channel: meter.Air, Value: 7}}}
			if err := b.d.Put(context.Background(), source.Arrival{Rig: "heron", Records: []meter.Record{r}}); err != nil {
				t.Fatal(err)
			}
		}
		commits, derived := b.j.Stats().Commits, b.d.Snapshot().View.Settled
		for range 10 {
			late(60 * time.Second)
			b.say(5)
		}
		s := b.d.Snapshot()
		if n := b.j.Stats().Commits - commits; n < 9 {
			t.Errorf("%d commits in 10 s of late messages", n)
		}
		if s.View.Settled != derived {
			t.Error("it derived everything again before its time")
		}
		b.say(round - 50)
		b.say(round)
		b.wantFills(6)
		if got, want := b.d.Snapshot().View.Records, uint64(b.said+10); got != want {
			t.Errorf("the view has %d records, want %d", got, want)
		}
	})
}

// Who puts and then asks finds in the answer what was put.
func TestAskedAfterPut(t *testing.T) {
	b := open(t, func(_ *Options, j *journal.Options) { j.VFS = "" })
	for i := range 300 {
		for range 5 {
			b.put(readings(b.said, time.Duration(b.said)*messageAt))
			b.said++
		}
		if n := b.settle().Records; n != uint64(b.said) {
			t.Fatalf("settle %d knows of %d records, %d were put", i, n, b.said)
		}
	}
}

// Arrivals of another rig are counted and not kept.
func TestStrays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t)
		if err := b.d.Put(context.Background(), source.Arrival{Rig: "other", Records: []meter.Record{{Mono: 1, Source: "mqtt", Readings: readings(0, 0)}}}); err != nil {
			t.Fatal(err)
		}
		if s := b.settle(); s.Strays != 1 || s.Records != 0 || b.j.Stats().Records != 0 {
			t.Errorf("%+v", s)
		}
	})
}
