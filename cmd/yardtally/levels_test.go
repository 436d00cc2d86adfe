package main

import (
	"math"
	"reflect"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// leaking is the view of a rig that stands with 600 L and loses 1.5 L/min for
// twenty minutes from the third on.
func leaking(minute float64) *ledger.View {
	const start = int64(1_791_588_000_000_000_000)
	lost := 1.5 * math.Max(0, math.Min(20, minute-3))
	return &ledger.View{At: start + int64(minute*60e9), Tote: ledger.ToteNow{Known: true, Settled: true, Name: "tote",
		At: start + int64(minute*60e9), Volume: quantity.VolumeOf((600 - lost) / 1000), LevelU: 0.0005}}
}

// A leak of 1.5 L/min is told within five minutes, once, and is over when it is;
// a restart in the middle of it changes nothing.
func TestLevels(t *testing.T) {
	acts := []act.Act{{ID: "t", Body: act.Tote{CapacityL: 1000, LengthM: 1, WidthM: 1.2}}}
	if p := planOf(acts); p != 1.2 {
		t.Errorf("plan %g m²", p)
	}
	if p := planOf([]act.Act{{ID: "t", Body: act.Tote{Straps: []act.Strap{{}, {LevelM: 0.5, VolumeL: 550}}}}}); math.Abs(p-1.1) > 1e-12 {
		t.Errorf("plan by straps %g m²", p)
	}
	var whole, cut levels
	told := 0.0
	for s := 0; s < 40*60; s++ {
		m := float64(s) / 60
		v := leaking(m)
		if whole.offer(v, acts) && told == 0 {
			told = m
		}
		cut.offer(v, acts)
		if s%97 == 0 {
			data, err := cut.cache()
			if err != nil {
				t.Fatal(err)
			}
			cut = levels{}
			if err := cut.resume(data); err != nil {
				t.Fatal(err)
			}
		}
	}
	if told < 3 || told > 8 {
		t.Errorf("told at %g minutes, want within five of its beginning", told)
	}
	if len(whole.Falls) != 1 || whole.Falls[0].Until == 0 {
		t.Errorf("falls: %+v", whole.Falls)
	}
	if !reflect.DeepEqual(whole, cut) {
		t.Errorf("with restarts:\n%+v\nwant\n%+v", cut, whole)
	}
	if err := cut.resume([]byte("{")); err == nil || !reflect.DeepEqual(whole, cut) {
		t.Error("a cache of no use was taken")
	}
	// The level comes after what was metered: that is no leak.
	var after levels
	for s := 0; s < 600; s++ {
		v := leaking(0)
		v.At += int64(s) * 1e9
		v.Tote.At, v.Total = v.At, 4*quantity.Litre
		v.Tote.Volume -= min(4*quantity.Litre, quantity.Volume(s)*quantity.Litre/5) // within 20 s
		v.Fills = []ledger.Fill{{End: leaking(0).At}}
		if after.offer(v, acts) {
			t.Fatalf("a pull is taken for a leak: %+v", after.Falls)
		}
	}
	if after.Still.Last.At == 0 {
		t.Error("no level was looked at")
	}
	if (&levels{}).offer(&ledger.View{}, acts) {
		t.Error("told without a level")
	}
}
