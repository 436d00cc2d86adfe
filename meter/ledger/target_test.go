package ledger

import (
	"testing"

	"yardtally/meter/act"
)

// What is meant for a season is the newest of the yard's own, else of what was
// said of all; of its colonies the newest count.
func TestYardsHaveTargetsAndColonies(t *testing.T) {
	l := New("heron")
	say := func(id string, from int64, b act.Body) act.Act {
		return act.Act{ID: id, Rig: "heron", Who: "wren", When: from + 1, From: from, Body: b}
	}
	ring := []act.Corner{{Lat: 43, Lon: -91}, {Lat: 43, Lon: -90.999}, {Lat: 43.001, Lon: -90.999}}
	acts := []act.Act{
		say("1", 0, act.Yard{ID: "mill", Name: "Mill Bottom", Lat: 43, Lon: -91, EnterM: 60, LeaveM: 96, Colonies: 11, FillL: 4, Ring: ring}),
		say("2", 0, act.Yard{ID: "larch", Name: "Larch Bank", Lat: 43.1, Lon: -91, EnterM: 60, LeaveM: 96, Colonies: 9}),
		say("3", 10, act.Target{SugarKg: 18}),
		say("4", 20, act.Target{Yard: "mill", EachL: 20}),
		say("5", 30, act.Target{Yard: "mill", EachL: 24}),
		say("6", 40, act.Colonies{Yard: "mill", Count: 13}),
	}
	l.SetActs(acts)
	v := l.View()
	larch, mill := v.Yards[0], v.Yards[1]
	if mill.Target != (Target{Each: litres(24), From: 30}) || mill.Standing != 13 || mill.Colonies != 11 || mill.Each != litres(4) || len(mill.Ring) != 3 {
		t.Errorf("Mill Bottom is %+v", mill)
	}
	if larch.Target != (Target{Sugar: 18, From: 10, All: true}) || larch.Standing != 9 {
		t.Errorf("Larch Bank is %+v", larch)
	}
	// Taken away, that of all holds; taken back, the one before.
	l.SetActs(append(acts, say("7", 50, act.Target{Yard: "mill"})))
	if y := l.View().Yards[1]; y.Target != larch.Target {
		t.Errorf("without one of its own Mill Bottom has %+v", y.Target)
	}
	l.SetActs(append(acts, say("8", 60, act.Undo{Act: "5"})))
	if y := l.View().Yards[1]; y.Target.Each != litres(20) {
		t.Errorf("taken back, Mill Bottom has %+v", y.Target)
	}
	if l.Stale() {
		t.Error("a target folds readings again")
	}
}
