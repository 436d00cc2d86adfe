package main

import (
	"fmt"
	"strings"
	"testing"

	"yardtally/ingest/rigsim"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/alarm"
	"yardtally/meter/ledger"
	"yardtally/meter/watch"
)

// Nights of one rig are looked at as they go on, every twenty seconds, with what
// the nights before taught: what would be given out is little and right, however
// often the watch changes its mind about where it began.
func TestWatchLive(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	const taught = 8
	nights := rigsim.WatchNights(3, taught+1)
	whole := ledger.New(nights[0].Rig)
	whole.NameBoot(1, "boot-1")
	var acts []act.Act
	var start int64
	seq := uint64(0)
	take := func(l *ledger.Ledger, n *night, m rigsim.Said) int64 {
		seq++
		r := meter.Record{Seq: seq, Boot: 1, Mono: m.At.UnixNano() - start, Wall: m.At.UnixNano(), Source: "mqtt", Readings: m.Readings}
		l.Add(&r)
		return r.Wall
	}
	said := func(n *night, all bool) {
		for k, a := range n.settings(t, t.TempDir()).Acts {
			_, batch := a.Body.(act.Batch)
			if batch {
				a.From = n.Start.UnixNano() - 3600e9
			}
			if all || batch {
				acts = append(acts, act.Act{ID: fmt.Sprint("a", len(acts), "-", k), Rig: n.Rig, Who: "wren", When: n.Start.UnixNano(), From: a.From, Body: a.Body})
			}
		}
	}
	for i, s := range nights[:taught] {
		n := playNight(t, s)
		if i == 0 {
			start = n.Start.UnixNano() - 77e9
		}
		said(n, i == 0)
		whole.SetActs(acts)
		for _, m := range n.said {
			take(whole, n, m)
		}
		whole.Settle(0)
		whole.Take()
	}
	j := learn(whole.View(), labelOf(acts))
	if !j.season.Has || j.season.Nights < taught/2 {
		t.Fatalf("of %d nights %d taught something: %s", taught, j.season.Nights, j.why)
	}

	last := nights[taught]
	for _, c := range []struct {
		name        string
		play        func(rigsim.Scenario) rigsim.Scenario
		most, least int
		kind        watch.Kind
	}{
		{"nothing fails", func(s rigsim.Scenario) rigsim.Scenario { return s }, 0, 0, 0},
		{"a kink", rigsim.KinkNight, 1, 1, watch.Kink},
		{"run dry", rigsim.DryNight, 3, 1, watch.Empty},
		{"a transfer", rigsim.TransferNight, 1, 1, watch.Transfer},
	} {
		n := playNight(t, c.play(last))
		acts = nil
		said(n, true)
		l := ledger.New(n.Rig)
		l.NameBoot(1, "boot-1")
		l.SetActs(acts)
		start, seq = n.Start.UnixNano()-77e9, 0
		now := &judging{label: j.label, season: j.season, watcher: watch.NewWatcher(&j.label, &j.season)}
		var raised []string
		next := n.Start.UnixNano()
		for _, m := range n.said {
			at := take(l, n, m)
			if at < next {
				continue
			}
			next += 20e9
			l.Settle(0)
			l.Take()
			v := l.View()
			f := now.judge(v, acts, at)
			for _, x := range alarm.Due(f.Alarms, acts, at) {
				if x.What == act.Raised {
					raised = append(raised, strings.Join(x.Kinds, " or "))
				}
				acts = append(acts, act.Act{ID: fmt.Sprint("g", len(acts)), Rig: n.Rig, Who: byItself, When: at,
					Body: act.Announced{Key: x.Key, What: x.What, At: act.Moment{NS: at}, Kinds: x.Kinds, Channel: x.Channel}})
			}
		}
		t.Logf("%s: given out: %q", c.name, raised)
		if len(raised) > c.most || len(raised) < c.least {
			t.Errorf("%s: %d alarms given out, want %d to %d: %q", c.name, len(raised), c.least, c.most, raised)
		}
		for _, k := range raised {
			if !strings.Contains(k, c.kind.String()) {
				t.Errorf("%s: given out: %s", c.name, k)
			}
		}
	}
}
