package main

import (
	"fmt"
	"reflect"
	"testing"
	"time"

	"yardtally/ingest/rigsim"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/watch"
)

// What a night teaches is the same while it is the newest, and what is seen of it
// alone shows in its log.
func TestLearnOfTheNewest(t *testing.T) {
	nights := rigsim.WatchNights(4, 3)
	nights[2].Drifts = []rigsim.Drift{{Fill: 2, Over: 4, By: 0.12}}
	var recs []meter.Record
	var acts []act.Act
	for i, s := range nights {
		n := playNight(t, s)
		for k, a := range n.settled(false).acts {
			_, batch := a.Body.(act.Batch)
			if i > 0 && !batch {
				continue
			}
			a.ID, a.From = fmt.Sprint("a", i, "-", k), 0
			if batch && i > 0 {
				a.From = n.Start.UnixNano() - 3600e9
			}
			acts = append(acts, a)
		}
		for _, x := range n.said {
			recs = append(recs, meter.Record{Seq: uint64(len(recs) + 1), Boot: 1, Mono: x.At.Sub(nights[0].Start).Nanoseconds() + 77e9, Wall: x.At.UnixNano(), Source: "mqtt", Readings: x.Readings})
		}
	}
	last := recs[len(recs)-1]
	last.Seq, last.Mono, last.Wall = last.Seq+1, last.Mono+int64(6*time.Hour), last.Wall+int64(6*time.Hour)
	recs = append(recs, last)
	l := ledger.New(nights[0].Rig)
	l.NameBoot(1, "boot-1")
	l.SetActs(acts)
	if err := l.Rebuild(handsOut(recs)); err != nil {
		t.Fatal(err)
	}
	v := l.View()
	if overs(v) != 3 || len(v.Points) == 0 || len(v.Heads) == 0 {
		t.Fatalf("%d outings are over, %d points, %d heads", overs(v), len(v.Points), len(v.Heads))
	}
	older := *v
	older.Points, older.Heads, older.Idles, older.Health = nil, nil, nil, nil
	label := labelOf(acts)
	now, later := learn(v, label), learn(&older, label)
	if !now.season.Has || !reflect.DeepEqual(now.season, later.season) {
		t.Errorf("learnt %+v while it is the newest, then %+v", now.season, later.season)
	}
	found := false
	for _, x := range now.judge(v, acts, v.At).Log.Verdicts {
		found = found || x.Has(watch.Drift)
	}
	if !found {
		t.Error("the meter drifts by an eighth, and the newest outing does not show it")
	}
	for i := range 2 {
		if s := seenOf(v, i); len(s.Points)+len(s.Heads)+len(s.Idle)+len(s.Batches) > 0 {
			t.Errorf("outing %d is shown what is of the newest", i)
		}
	}
	if s := seenOf(v, 2); len(s.Batches) != 2 || s.Batches[1].ID == "" || s.Batches[0].From >= s.Batches[1].From {
		t.Errorf("batches %+v, want that of the night before, still in the tote when it ended, and the newest", seenOf(v, 2).Batches)
	}
}
