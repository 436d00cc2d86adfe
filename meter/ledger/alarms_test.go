package ledger

import (
	"reflect"
	"testing"

	"yardtally/meter/act"
)

// Nothing that was metered depends on what was said of alarms: a season is not
// read anew, nor its account made again, because a lamp was lit.
func TestActsOfAlarms(t *testing.T) {
	l := New("heron")
	recs := evenings(2, func(int) bool { return false })
	acts := []act.Act{{ID: "p", Rig: "heron", Who: "wren", When: 1, Body: act.Proving{PulsesPerL: 100}}}
	l.SetActs(acts)
	for i := range recs {
		l.Add(&recs[i])
	}
	l.Settle(0)
	before := l.View()
	made := len(l.made)
	if made == 0 || len(before.Fills) == 0 {
		t.Fatalf("%d accounts with %d fills", made, len(before.Fills))
	}
	at := act.Moment{NS: before.At}
	for i, b := range []act.Body{act.Announced{Key: "k", What: act.Raised, At: at}, act.Ack{Key: "k"}, act.Shelve{What: "kink", Until: at},
		act.Undo{Act: "k1"}} {
		acts = append(acts, act.Act{ID: "k" + string(rune('0'+i)), Rig: "heron", Who: "rig", When: before.At + int64(i), Body: b})
		l.SetActs(acts)
		if l.Stale() || len(l.made) != made {
			t.Errorf("%s: stale %v, %d accounts are known, want %d", b.Kind(), l.Stale(), len(l.made), made)
		}
		if after := l.View(); !reflect.DeepEqual(before, after) {
			t.Errorf("%s changes the view", b.Kind())
		}
	}
	l.SetActs(append(acts, act.Act{ID: "rig", Rig: "heron", Who: "wren", When: before.At, Body: act.DefaultRig}))
	if !l.Stale() {
		t.Error("an act that does matter leaves the ledger as it was")
	}
}
