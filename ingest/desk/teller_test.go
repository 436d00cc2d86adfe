package desk

import (
	"context"
	"errors"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// teller remembers what it was told as an outbox does, and can fail.
type teller struct {
	mu      sync.Mutex
	fails   bool
	puts    int // that were tried
	fills   map[int64]ledger.Fill
	samples map[int64]ledger.Sample
	doubt   map[int64]bool
	through int64
	told    bool
}

func newTeller() *teller {
	return &teller{fills: map[int64]ledger.Fill{}, samples: map[int64]ledger.Sample{}, doubt: map[int64]bool{}}
}

func (o *teller) Through(string) (int64, bool, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.through, o.told, nil
}

// fail makes it fail, or stops that.
func (o *teller) fail(fails bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.fails = fails
}

// seen returns how often it was called, and how many fills it was told.
func (o *teller) seen() (puts, fills int) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.puts, len(o.fills)
}

func (o *teller) Put(_ string, events []ledger.Event) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.puts++
	if o.fails {
		return errors.New("no room")
	}
	for _, e := range events {
		switch e.Kind {
		case ledger.Rewound:
			for at := range o.fills {
				if at >= e.At {
					o.doubt[at] = true
				}
			}
			for at := range o.samples {
				if at >= e.At {
					o.doubt[at] = true
				}
			}
			if o.told && o.through >= e.At {
				o.through = max(e.At, math.MinInt64+1) - 1
			}
		case ledger.Restated:
			for at := range o.fills {
				if at >= e.At {
					o.doubt[at] = true
				}
			}
			if o.told && o.through >= e.At {
				o.through = max(e.At, math.MinInt64+1) - 1
			}
		case ledger.FillDone:
			o.fills[e.At] = *e.Fill
			delete(o.doubt, e.At)
		case ledger.Sampled:
			o.samples[e.At] = *e.Sample
			delete(o.doubt, e.At)
		case ledger.Told:
			for at := range o.doubt {
				delete(o.fills, at)
				delete(o.samples, at)
			}
			clear(o.doubt)
			if !o.told || e.At > o.through {
				o.told, o.through = true, e.At
			}
		}
	}
	return nil
}

// check compares what was told with a view in which all is settled.
func (o *teller) check(t *testing.T, what string, v *ledger.View) {
	t.Helper()
	o.sameFills(t, what, v)
	// Every whole 10 s from the first record, which is one, to before the last
	// has its sample.
	if n := int((v.At-evening*1e9-1)/ledger.SampleEvery) + 1; len(o.samples) != n {
		t.Errorf("%s: told %d samples, want %d", what, len(o.samples), n)
	}
}

// sameFills compares the fills that were told with a view's.
func (o *teller) sameFills(t *testing.T, what string, v *ledger.View) {
	t.Helper()
	o.mu.Lock()
	defer o.mu.Unlock()
	var got []ledger.Fill
	for _, f := range o.fills {
		got = append(got, f)
	}
	slices.SortFunc(got, func(a, b ledger.Fill) int { return int(a.Start - b.Start) })
	if !reflect.DeepEqual(got, v.Fills) {
		t.Errorf("%s: told %d fills %+v\nthe view has %d %+v", what, len(got), got, len(v.Fills), v.Fills)
	}
	if len(o.doubt) > 0 {
		t.Errorf("%s: %d results are in doubt", what, len(o.doubt))
	}
}

// A teller that fails for a while has heard everything in the end, in order.
func TestTellerFailsAndComesBack(t *testing.T) {
	for _, c := range []struct {
		name string
		most int
	}{{"little waits", mostUntold}, {"too much waits", 5}} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := newTeller()
				b := open(t, tellTo(o))
				if err := b.d.ask(context.Background(), func() { b.d.untoldMost = c.most }); err != nil {
					t.Fatal(err)
				}
				b.addActs()
				b.say(4 * round)
				_, before := o.seen()
				if before < 3 {
					t.Fatalf("told %d fills of 4", before)
				}
				o.fail(true)
				b.say(4 * round)
				if f := b.d.Snapshot().Faults; len(f) != 1 || !strings.Contains(f[0], "do not reach the outbox: no room") {
					t.Errorf("faults %q", f)
				}
				if _, n := o.seen(); b.d.Snapshot().View.Total != 8*fillOf || n != before {
					t.Errorf("total %v, told %d fills", b.d.Snapshot().View.Total, n)
				}
				// A proving that restates all of it while nobody listens.
				if _, err := b.d.AddActs(context.Background(), act.Act{ID: "p2", Rig: "heron", Who: "wren", When: 10, Body: act.Proving{PulsesPerL: 50}}); err != nil {
					t.Fatal(err)
				}
				time.Sleep(time.Hour)
				puts, _ := o.seen()
				if puts > 4000 {
					t.Errorf("tried %d times in an hour", puts)
				}
				o.fail(false)
				time.Sleep(2 * time.Minute)
				v := b.settle().View
				if v.Total != 16*fillOf || len(b.d.Snapshot().Faults) != 0 {
					t.Errorf("total %v, faults %q", v.Total, b.d.Snapshot().Faults)
				}
				o.check(t, c.name, v)
				// And then nobody bothers it.
				puts, _ = o.seen()
				time.Sleep(time.Hour)
				if n, _ := o.seen(); n != puts {
					t.Errorf("%d more puts of nothing", n-puts)
				}
			})
		})
	}
}

// rest lets so much time pass that the ledger leaves a checkpoint at the next
// message, says that nothing flowed meanwhile, and lets all of it settle.
func (b *bench) rest() {
	b.t.Helper()
	time.Sleep(11 * time.Minute)
	for range 30 {
		b.put(readings(b.said, time.Since(b.clock.began)))
		time.Sleep(messageAt)
	}
	time.Sleep(30 * time.Second)
	b.settle()
}

// Stopped while the teller fails, it tells after the next start what was not
// told, though the ledger's state was saved further on.
func TestTellerFailsOverAStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newTeller()
		b := open(t, tellTo(o))
		b.addActs()
		b.say(2 * round)
		b.rest()
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		b.start(tellTo(o))
		if _, ok, _ := b.j.Checkpoint("heron", "ledger"); !ok {
			t.Fatal("no state was saved, so this test shows nothing")
		}
		o.fail(true)
		b.say(2 * round)
		b.rest()
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		o.fail(false)
		b.start(tellTo(o))
		o.sameFills(t, "after the stop", b.settle().View)
	})
}

// A teller that lost its file, or has an old copy of it, is told everything.
func TestTellerLostItsFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newTeller()
		b := open(t, tellTo(o))
		b.addActs()
		b.say(2 * round)
		b.rest()
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		old := newTeller()
		maps.Copy(old.fills, o.fills)
		maps.Copy(old.samples, o.samples)
		old.told, old.through = o.told, o.through
		b.start(tellTo(o))
		b.say(2 * round)
		b.rest()
		o.sameFills(t, "goes on", b.settle().View)
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			name string
			to   *teller
		}{{"old copy", old}, {"no file", newTeller()}} {
			b.start(tellTo(c.to))
			c.to.sameFills(t, c.name, b.settle().View)
			if !reflect.DeepEqual(c.to.samples, o.samples) {
				t.Errorf("%s: told %d samples, want the same %d", c.name, len(c.to.samples), len(o.samples))
			}
			if err := b.close(); err != nil {
				t.Fatal(err)
			}
		}
	})
}
