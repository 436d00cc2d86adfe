package desk

import (
	"context"
	"errors"
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
	// Every whole 10 s from the first record, which is one, to before the last
	// has its sample.
	if n := int((v.At-evening*1e9-1)/ledger.SampleEvery) + 1; len(o.samples) != n {
		t.Errorf("%s: told %d samples, want %d", what, len(o.samples), n)
	}
	if len(o.doubt) > 0 {
		t.Errorf("%s: %d results are in doubt", what, len(o.doubt))
	}
}

// quiet says nothing for a while, so that everything settles.
func (b *bench) quiet() *ledger.View {
	time.Sleep(30 * time.Second)
	return b.settle().View
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

// Stopped while the teller fails, it tells after the next start what was not
// told; from a saved state too.
func TestTellerFailsOverAStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newTeller()
		b := open(t, tellTo(o))
		b.addActs()
		b.say(2 * round)
		b.quiet()
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		b.start(tellTo(o))
		if _, ok, _ := b.j.Checkpoint("heron", "ledger"); !ok {
			t.Fatal("no state was saved, so this test shows nothing")
		}
		o.fail(true)
		b.said += 150 // the 30 s of quiet, and the count went on
		b.say(2 * round)
		time.Sleep(checkpointEvery + time.Minute)
		b.said += 5 * 360
		b.say(10)
		b.quiet()
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		o.fail(false)
		b.start(tellTo(o))
		v := b.quiet()
		var got []ledger.Fill
		for _, f := range o.fills {
			got = append(got, f)
		}
		slices.SortFunc(got, func(a, b ledger.Fill) int { return int(a.Start - b.Start) })
		if !reflect.DeepEqual(got, v.Fills) || len(o.doubt) > 0 {
			t.Errorf("told %+v\nthe view has %+v", got, v.Fills)
		}
	})
}

// A teller that lost its file, or has an old copy of it, is told everything.
func TestTellerLostItsFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newTeller()
		b := open(t, tellTo(o))
		b.addActs()
		b.say(2 * round)
		b.quiet()
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		old := newTeller()
		for at, f := range o.fills {
			old.fills[at] = f
		}
		for at, s := range o.samples {
			old.samples[at] = s
		}
		old.told, old.through = o.told, o.through
		b.clock.began = b.clock.began.Add(30 * time.Second) // the quiet did not happen
		b.start(tellTo(o))
		b.say(2 * round)
		v := b.quiet()
		o.check(t, "goes on", v)
		if err := b.close(); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			name string
			to   *teller
		}{{"old copy", old}, {"no file", newTeller()}} {
			b.start(tellTo(c.to))
			c.to.check(t, c.name, b.settle().View)
			if err := b.close(); err != nil {
				t.Fatal(err)
			}
		}
		// Nobody to tell: the state is of use.
		b.start()
		if n := len(b.settle().View.Fills); n != 4 {
			t.Errorf("%d fills, want 4", n)
		}
	})
}
