package main

import (
	"testing"
	"time"

	"yardtally/meter/act"
	"yardtally/meter/alarm"
	"yardtally/meter/watch"
)

// Something was said while the clock was a month ahead, and so all that is said
// after it has a later time than now: an alarm that was given out then is not
// given out again, and what a person answered holds.
func TestAlarmsAfterAClockThatWasAhead(t *testing.T) {
	const now = int64(1_800_000_000e9)
	month := int64(30 * 24 * time.Hour)
	v := watch.Verdict{Kinds: []watch.Kind{watch.Kink}, Told: now - 60e9, From: now - 90e9}
	due := func(acts []act.Act) []alarm.Change {
		acts = saidBy(acts, now)
		return alarm.Due(alarm.Life([]watch.Verdict{v}, acts, now), acts, now)
	}
	first := due(nil)
	if len(first) != 1 || first[0].What != act.Raised {
		t.Fatalf("due is %+v", first)
	}
	acts := []act.Act{
		{ID: "b", Rig: "heron", Who: "phone", When: now + month + 2, Body: act.Ack{Key: first[0].Key}},
		{ID: "a", Rig: "heron", Who: byItself, When: now + month + 1, Body: act.Announced{Key: first[0].Key, What: act.Raised, Kinds: first[0].Kinds, At: act.Moment{NS: now - 50e9}}},
	}
	if again := due(acts); len(again) != 0 {
		t.Errorf("given out again: %+v", again)
	}
	if l := alarm.Life([]watch.Verdict{v}, saidBy(acts, now), now); len(l) != 1 || l[0].State != alarm.Acknowledged {
		t.Errorf("answered, and it is %+v", l)
	}
	acts = append(acts, act.Act{ID: "0", Rig: "heron", Who: "phone", When: now + month + 3, Body: act.Undo{Act: "b"}})
	if l := alarm.Life([]watch.Verdict{v}, saidBy(acts, now), now); len(l) != 1 || l[0].State != alarm.Unacknowledged {
		t.Errorf("taken back, and it is %+v", l)
	}
	if acts[0].When != now+month+2 {
		t.Error("the journal's own acts were changed")
	}
}
