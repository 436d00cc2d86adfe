package main

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"yardtally/ingest/recording"
	"yardtally/ingest/rigsim"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// telling is how a night reaches the journal: over which wires, under which clocks.
type telling struct {
	split rigsim.Split
	stamp func(at time.Time) time.Time // a sender's stamp; nil: it gives none
	boots []boot
}

// boot is one boot of the board that the daemon runs on.
type boot struct {
	from, to time.Time     // it hears what comes in between
	ahead    time.Duration // of its wall clock before it was told the time
	zero     bool          // or that clock begins in 1970
	drift    float64       // of its crystal, s a s
	told     time.Time     // when it learns the time
	by       string        // "satellites", "network", "phone", "hand"; "": never
}

func (b *boot) mono(at time.Time) int64 {
	return int64(40*time.Second) + int64(float64(at.Sub(b.from))*(1+b.drift))
}

func (b *boot) wall(at time.Time) int64 {
	ran := b.mono(at)
	switch {
	case b.by == "network" && !at.Before(b.told):
		return at.UnixNano()
	case b.zero:
		return ran
	}
	return b.from.UnixNano() + int64(b.ahead) + ran - int64(40*time.Second)
}

// right reports whether this boot ever knows the time.
func (b *boot) right() bool { return b.by != "" || !b.wrong() }

func (b *boot) wrong() bool { return b.zero || b.ahead != 0 }

// seen reports whether what it knows can be seen from outside: a clock that was
// right from the start cannot be told from one that was not.
func (b *boot) seen() bool { return b.by != "" && (b.by != "network" || b.wrong()) }

// item is one thing that comes to the ledger: a record, or an act.
type item struct {
	rec meter.Record
	act *act.Act
}

// tell returns what the ledger gets of a night, in order.
func (n *night) tell(x *telling) []item {
	var out []item
	said := make([]bool, len(x.boots))
	since := make([]int, len(x.boots)) // messages since it was told
	seq := uint64(0)
	for at, m := range n.Wire.Carry(slices.Values(n.said)) {
		k := slices.IndexFunc(x.boots, func(b boot) bool { return !at.Before(b.from) && at.Before(b.to) })
		if k < 0 {
			continue
		}
		b := &x.boots[k]
		if !at.Before(b.told) {
			since[k]++
		}
		if !said[k] && (b.by == "phone" || b.by == "hand") && !at.Before(b.told) {
			said[k] = true
			out = append(out, item{act: &act.Act{ID: fmt.Sprint("fix ", k), Rig: n.Rig, Who: "wren", When: b.wall(at),
				Body: act.Fix{Boot: bootName(k), MonoNS: b.mono(at), UTC: at.UnixNano(), By: b.by}}})
		}
		for i, channels := range [][]meter.Channel{x.split.Serial, x.split.MQTT} {
			r := meter.Record{Boot: uint32(k + 1), Mono: b.mono(at), Wall: b.wall(at), Source: "counter board"}
			if i == 1 {
				r.Source = "mqtt"
				if x.stamp != nil {
					r.Sent = x.stamp(m.At).UnixNano()
				}
			}
			for _, v := range m.Readings {
				if slices.Contains(channels, v.Channel) && (v.Channel != meter.UTC || b.by == "satellites" && !m.At.Before(b.told)) {
					r.Readings = append(r.Readings, v)
				}
			}
			if len(r.Readings) > 0 {
				seq++
				r.Seq = seq
				out = append(out, item{rec: r})
			}
		}
	}
	for k := range x.boots {
		if since[k] < 200 {
			x.boots[k].by = "" // an outage swallowed it
		}
	}
	return out
}

func bootName(k int) string { return fmt.Sprint("boot ", k) }

// acts are the settings of the night's rig.
func (n *night) acts(t testing.TB) []act.Act {
	var out []act.Act
	for i, s := range n.settings(t, "").Acts {
		out = append(out, act.Act{ID: fmt.Sprint("set ", i), Rig: n.Rig, Who: "wren", When: 1, Body: s.Body})
	}
	return out
}

func replayItems(items []item) ledger.Replay {
	return func(after uint64, fn func(*meter.Record) error) error {
		for i := range items {
			if r := items[i].rec; items[i].act == nil && r.Seq > after {
				if err := fn(&r); err != nil {
					return err
				}
			}
		}
		return nil
	}
}

// liveItems takes items in as the desk does, and returns how often it derived
// everything after some instant again.
func liveItems(t testing.TB, rig string, acts []act.Act, items []item) (*ledger.Ledger, int) {
	l := ledger.New(rig)
	for k := range 4 {
		l.NameBoot(uint32(k+1), bootName(k))
	}
	l.SetActs(acts)
	refolds := 0
	refold := func(have int) {
		if l.Stale() {
			refolds++
			if err := l.Refold(replayItems(items[:have])); err != nil {
				t.Fatal(err)
			}
		}
	}
	var last meter.Record
	for i := range items {
		if a := items[i].act; a != nil {
			acts = append(acts, *a)
			l.SetActs(acts)
			refold(i)
			continue
		}
		r := &items[i].rec
		l.Add(r)
		if r.Boot != last.Boot || r.Mono-last.Mono > int64(time.Second) {
			refold(i + 1)
			l.Settle(l.Here(r.Boot, r.Mono, r.Wall))
			last = *r
		}
	}
	refold(len(items))
	l.Settle(0)
	return l, refolds
}

// replayedItems derives everything at once.
func replayedItems(t testing.TB, rig string, acts []act.Act, items []item) *ledger.View {
	l := ledger.New(rig)
	for k := range 4 {
		l.NameBoot(uint32(k+1), bootName(k))
	}
	for i := range items {
		if a := items[i].act; a != nil {
			acts = append(acts, *a)
		}
	}
	l.SetActs(acts)
	if err := l.Rebuild(replayItems(items)); err != nil {
		t.Fatal(err)
	}
	return l.View()
}

// near is how far a fill may be from where the same night under a right clock
// has it. A satellites' second comes up to 1 s late and is taken as it comes, a
// crystal drifts 100 ppm (0.36 s in the hour that these nights have at most
// between a fix and a fill), and the first message of two that mean the same
// may be lost: 0.2 s.
const near = 1500 * time.Millisecond

var farOff = 37 * 24 * time.Hour

var allChannels = func() (all []meter.Channel) {
	for c := meter.Pulses; c <= meter.LastChannel; c++ {
		all = append(all, c)
	}
	return all
}()

// dealt deals a telling of a night: its wires, its stamps, and one or two boots.
func dealt(n *night, r *rand.Rand) (x, ref telling, name string) {
	end := n.said[len(n.said)-1].At.Add(time.Minute)
	length := end.Sub(n.Start)
	at := func(lo, hi float64) time.Time {
		return n.Start.Add(time.Duration((lo + (hi-lo)*r.Float64()) * float64(length)))
	}
	splits := []struct {
		name string
		rigsim.Split
	}{{"serial", rigsim.Split{Serial: allChannels}}, {"both", rigsim.DemoSplit()}, {"mqtt", rigsim.Split{MQTT: allChannels}}}
	s := splits[r.IntN(3)]
	x.split = s.Split
	name = s.name
	if s.name != "serial" {
		jump := at(0.3, 0.7)
		off := time.Duration((2*r.Float64() - 1) * float64(farOff))
		stamps := []struct {
			name string
			fn   func(time.Time) time.Time
		}{
			{"no stamps", nil},
			{"true stamps", func(t time.Time) time.Time { return t }},
			{"stamps off", func(t time.Time) time.Time { return t.Add(off) }},
			{"stamps jump", func(t time.Time) time.Time {
				if t.Before(jump) {
					return t.Add(off)
				}
				return t
			}},
		}
		k := stamps[r.IntN(len(stamps))]
		x.stamp = k.fn
		name += ", " + k.name
	}
	cuts := []time.Time{n.Start.Add(-time.Minute), end}
	if r.IntN(2) == 0 {
		cuts = []time.Time{cuts[0], at(0.3, 0.6), end}
	}
	for k := range len(cuts) - 1 {
		b := boot{from: cuts[k], to: cuts[k+1]}
		if k > 0 {
			b.from = b.from.Add(20*time.Second + time.Duration(r.IntN(60))*time.Second)
		}
		switch r.IntN(4) {
		case 0:
			name += "; right"
		case 1:
			b.ahead = farOff
			name += "; 37 days ahead"
		case 2:
			b.ahead = -farOff
			name += "; 37 days behind"
		case 3:
			b.zero = true
			name += "; 1970"
		}
		b.drift = []float64{0, 1e-4, -1e-4}[r.IntN(3)]
		b.by = []string{"", "satellites", "network", "phone", "hand"}[r.IntN(5)]
		span := b.to.Sub(b.from)
		b.told = b.from.Add(time.Duration((0.3 + 0.5*r.Float64()) * float64(span)))
		if b.by != "" {
			name += ", then " + b.by
		}
		if b.drift != 0 {
			name += ", drifts"
		}
		x.boots = append(x.boots, b)
		ref.boots = append(ref.boots, boot{from: b.from, to: b.to})
	}
	ref.split = x.split
	if x.stamp != nil {
		ref.stamp = func(t time.Time) time.Time { return t }
	}
	return x, ref, name
}

// A night under any clock ends as it does under a right one: no fill is lost or
// doubled, each is in its yard and, where anything told its boot the time, at
// its time.
func TestNightUnderWrongClocks(t *testing.T) {
	t.Parallel()
	roomy(t)
	seeds, deals := 3, 16
	switch {
	case raced:
		deals = 2
	case long():
		seeds, deals = 20, 40
	case full():
		seeds, deals = 20, 16
	}
	for seed := range uint64(seeds) {
		s := rigsim.SmallNight(seed + 1)
		dead := s.Start.Add(time.Duration(60+20*seed) * time.Second)
		if seed%3 > 0 {
			s.Wire = rigsim.Rough{Seed: seed, Lose: 0.1, Double: 0.05, Late: 0.05, LateBy: 5 * time.Second}
		}
		if seed%3 > 1 {
			s.Wire.Outages = []rigsim.Window{{From: dead, To: dead.Add(3 * time.Minute)}}
		}
		n := playNight(t, s)
		acts := n.acts(t)
		for deal := range uint64(deals) {
			x, ref, name := dealt(n, rand.New(rand.NewPCG(seed, deal)))
			t.Run(fmt.Sprintf("%d/%d %s", seed, deal, name), func(t *testing.T) {
				items := n.tell(&x)
				want := replayedItems(t, n.Rig, acts, n.tell(&ref))
				l, refolds := liveItems(t, n.Rig, acts, items)
				got := l.View()
				sameView(t, "live and replayed", got, replayedItems(t, n.Rig, acts, items))
				x.check(t, got, want)
				// Before the boot is told, a message that comes late by a sender
				// that is known better than the boot has all derived again.
				told := !slices.ContainsFunc(x.boots, func(b boot) bool { return !b.right() })
				if late := len(items) / 20; told && refolds > 20+late/2 {
					t.Errorf("%d refolds, about %d messages were late", refolds, late)
				}
			})
		}
	}
}

// check holds a night under its clocks against the same under right ones.
func (x *telling) check(t *testing.T, got, want *ledger.View) {
	t.Helper()
	// Two clocks that contradict each other, of which none was ever put right:
	// nobody can know which is the wrong one, nor how long the power was off.
	sure, open := true, false
	for k := range x.boots {
		sure = sure && x.boots[k].right()
		open = open || !x.boots[k].seen()
	}
	if got.Total != want.Total {
		t.Errorf("total %v, want %v", got.Total, want.Total)
	}
	if !sure && len(x.boots) > 1 && len(got.Fills) != len(want.Fills) {
		// The pull in which the power went is whole or in two.
		if d := len(got.Fills) - len(want.Fills); d < -1 || d > 1 {
			t.Errorf("%d fills, want %d", len(got.Fills), len(want.Fills))
		}
		return
	}
	if len(got.Fills) != len(want.Fills) {
		t.Fatalf("%d fills, want %d", len(got.Fills), len(want.Fills))
	}
	for i := range got.Fills {
		f, w := &got.Fills[i], &want.Fills[i]
		if f.First != w.First || f.Last != w.Last || f.Volume != w.Volume || f.Yard != w.Yard && sure {
			t.Errorf("fill %d is %d-%d, %v in %q; want %d-%d, %v in %q", i, f.First, f.Last, f.Volume, f.Yard, w.First, w.Last, w.Volume, w.Yard)
		}
		k := slices.IndexFunc(x.boots, func(b boot) bool { return w.End < b.to.UnixNano() })
		b := &x.boots[k]
		ds, de := time.Duration(f.Start-w.Start), time.Duration(f.End-w.End)
		if b.seen() || b.right() && (sure || !open) {
			if ds.Abs() > near || de.Abs() > near {
				t.Errorf("fill %d of boot %d is %v to %v off", i, k, ds, de)
			}
		} else if d := ds - de; d.Abs() > near {
			t.Errorf("fill %d of boot %d is %v longer", i, k, d)
		}
		if i > 0 && f.Start < got.Fills[i-1].End {
			t.Errorf("fill %d begins before the one before it ended", i)
		}
	}
	unsure := 0
	for k := range x.boots {
		if b := &x.boots[k]; !b.right() && b.zero {
			unsure++
		}
	}
	if unsure > got.Placed.Unsure && x.stamp == nil {
		t.Errorf("%d boots are unsure, want %d at least: %+v", got.Placed.Unsure, unsure, got.Placed)
	}
}

// A recording whose stamps jump, however and wherever, gives what the same with
// true stamps gives.
func TestRecordingWhoseStampsJump(t *testing.T) {
	t.Parallel()
	roomy(t)
	seeds := uint64(3)
	switch {
	case raced:
		seeds = 1
	case full():
		seeds = 20
	}
	for seed := range seeds {
		s := rigsim.SmallNight(seed + 1)
		if seed%3 > 0 {
			s.Wire = rigsim.Rough{Seed: seed, Lose: 0.1, Double: 0.05, Late: 0.05, LateBy: 5 * time.Second}
		}
		n := playNight(t, s)
		acts := n.acts(t)
		f := n.truth.Fills[4]
		inFill := f.Start.Add(f.End.Sub(f.Start) / 2)
		before := n.truth.Fills[3].End.Add(4 * time.Second)
		late := n.truth.Fills[7].Start.Add(time.Second)
		zero := func(at time.Time) time.Time { return time.Unix(100, 0).Add(at.Sub(n.Start)) }
		ahead := func(at time.Time) time.Time { return at.Add(farOff) }
		behind := func(at time.Time) time.Time { return at.Add(-farOff) }
		right := func(at time.Time) time.Time { return at }
		// clocks are told one after the other, each until its instant.
		type until struct {
			at    time.Time
			clock func(time.Time) time.Time
		}
		end := n.said[len(n.said)-1].At.Add(time.Hour)
		want := n.imported(t, acts, right)
		for _, tc := range []struct {
			name   string
			clocks []until
		}{
			{"1970, then right", []until{{before, zero}, {end, right}}},
			{"1970, then right inside a fill", []until{{inFill, zero}, {end, right}}},
			{"37 days ahead, then right", []until{{before, ahead}, {end, right}}},
			{"37 days ahead, then right inside a fill", []until{{inFill, ahead}, {end, right}}},
			{"37 days behind, then right inside a fill", []until{{inFill, behind}, {end, right}}},
			{"back and forth", []until{{before, right}, {inFill, ahead}, {late, right}, {late.Add(20 * time.Second), behind}, {end, right}}},
			{"1970, 37 days ahead, right", []until{{before, zero}, {late, ahead}, {end, right}}},
			{"37 days ahead all night", []until{{end, ahead}}},
			{"1970 all night", []until{{end, zero}}},
		} {
			t.Run(fmt.Sprintf("%d %s", seed, tc.name), func(t *testing.T) {
				got := n.imported(t, acts, func(at time.Time) time.Time {
					k := slices.IndexFunc(tc.clocks, func(u until) bool { return at.Before(u.at) })
					return tc.clocks[k].clock(at)
				})
				x := telling{stamp: right, boots: []boot{{to: end, by: "its stamps"}}}
				if len(tc.clocks) == 1 {
					x.boots[0].by, x.boots[0].ahead = "", farOff // nothing ever told
				}
				x.check(t, got, want)
			})
		}
	}
}

// imported is what an import of the night gives, by what its stamps say.
func (n *night) imported(t testing.TB, acts []act.Act, stamp func(time.Time) time.Time) *ledger.View {
	t.Helper()
	return importedAll(t, n.Rig, acts, n.recorded(t, stamp))
}

// recorded is the night as a recording, of the lines that its wire let through.
func (n *night) recorded(t testing.TB, stamp func(time.Time) time.Time) []byte {
	t.Helper()
	var text []byte
	for _, m := range n.Wire.Carry(slices.Values(n.said)) {
		m.At = stamp(m.At)
		early := m.At.Year() < 1972
		pack, err := rigsim.Pack(nil, n.Rig, m, !early)
		if err != nil {
			t.Fatal(err)
		}
		if early { // SenML takes such a time for one that counts from now: RFC 8428, section 4.5.3
			pack = bytes.Replace(pack, []byte("{"), fmt.Appendf(nil, `{"bt":%.3f,`, float64(m.At.UnixMilli())/1000), 1)
		}
		text = append(append(text, pack...), '\n')
	}
	return text
}

// importedAll is what an import of recordings, one after the other, gives.
func importedAll(t testing.TB, rig string, acts []act.Act, texts ...[]byte) *ledger.View {
	t.Helper()
	var items []item
	for k, text := range texts {
		_, err := recording.Read(t.Context(), bytes.NewReader(text), recording.Options{Rig: rig}, func(_ context.Context, in []recording.Item) error {
			for i := range in {
				r := in[i].Record
				r.Boot, r.Seq = uint32(k+1), uint64(len(items)+1)
				items = append(items, item{rec: r})
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	l, _ := liveItems(t, rig, acts, items)
	v := replayedItems(t, rig, acts, items)
	sameView(t, "taken in bit by bit, and at once", l.View(), v)
	return v
}
