package ledger

import (
	"reflect"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
)

// What is planned, the batch and the line are as last said, though nothing was read since, or ever;
// a line as labelled changes nothing that was derived, and folds nothing again.
func TestPlan(t *testing.T) {
	s := evening()
	recs := serial(s.tell())
	l := live(t, settings(), recs)
	before := results(l.View())
	say := func(id string, when int64, b act.Body) act.Act {
		return act.Act{ID: id, Rig: "heron", Who: "wren", When: when, From: when, Body: b}
	}
	later := t0 + 90_000*sec
	acts := append(settings(),
		say("c1", later, act.Colonies{Yard: "mill", Count: 17, FillL: 4}),
		say("b1", later, act.Batch{Syrup: "hfcs-55", Brix: 77}),
		say("l1", later-200_000*sec, act.Line{HoseBoreM: 0.017}),
		say("t1", later, act.Tote{Name: "next", CapacityL: 900, LengthM: 1, WidthM: 1, HeightM: 1, GrossKg: 1500}))
	l.SetActs(acts)
	if l.Stale() {
		t.Error("a line as labelled makes it fold again")
	}
	v := l.View()
	if after := results(v); !reflect.DeepEqual(before.Fills, after.Fills) || before.Total != after.Total {
		t.Error("what is planned changed what was")
	}
	if v.Line == nil || v.Line.HoseBoreM != 0.017 || v.Batch == nil || v.Batch.Syrup != "hfcs-55" {
		t.Errorf("line %+v, batch %+v", v.Line, v.Batch)
	}
	if v.Stand == nil || v.Stand.Name != "next" || v.Stand.GrossKg != 1500 {
		t.Errorf("tote %+v", v.Stand)
	}
	plan := func(v *View) (ids []string, mill Planned) {
		for _, p := range v.Plan {
			ids = append(ids, p.Yard)
			if p.Yard == "mill" {
				mill = p
			}
		}
		return ids, mill
	}
	ids, mill := plan(v)
	if want := []string{"mill", "orchard"}; !reflect.DeepEqual(ids, want) {
		t.Errorf("without a route %v, want %v", ids, want)
	}
	if want := (Planned{"mill", 17, 4 * quantity.Litre}); mill != want {
		t.Errorf("planned %+v, want %+v", mill, want)
	}
	acts = append(acts, say("r1", later, act.Route{Yards: []string{"orchard", "nowhere", "mill"}}))
	l.SetActs(acts)
	if ids, _ := plan(l.View()); !reflect.DeepEqual(ids, []string{"orchard", "mill"}) {
		t.Errorf("along the route %v", ids)
	}
	// Nothing was ever read.
	dry := New("heron")
	dry.SetActs(acts)
	if ids, mill := plan(dry.View()); len(ids) != 2 || mill.Colonies != 17 || dry.View().Line == nil {
		t.Errorf("without a reading: %v, %+v", ids, mill)
	}
}
