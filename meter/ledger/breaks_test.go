package ledger

import (
	"reflect"
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/outing"
)

// TestBreaks: the next pull ends a break, a word that it is over, the next yard,
// or the pause that ends an outing; pulses that are nobody's pull do not.
func TestBreaks(t *testing.T) {
	s := func(seconds float64) int64 { return t0 + int64(seconds*1e9) }
	takes := func(at float64) act.Body { return act.Break{At: act.Moment{NS: s(at)}} }
	over := func(at float64) act.Body { return act.Break{At: act.Moment{NS: s(at)}, Over: true} }
	left := func(at float64) act.Body { return act.Arrive{At: act.Moment{NS: s(at)}} }
	v := View{At: s(1500), Fills: []Fill{{Start: s(100), End: s(130)}, {Start: s(900), End: s(930)}},
		Loose: []Loose{{Start: s(300), Why: outing.Dribble}, {Start: s(400), Why: outing.Suspect}, {Start: s(500), Why: outing.Priming}}}
	long := v
	long.At = s(200) + 2*outing.Pause
	long.Fills, long.Loose = v.Fills[:1], nil
	for _, c := range []struct {
		name string
		said []act.Body
		v    *View
		want []Break
	}{
		{"none", nil, &v, nil},
		{"until the next pull, not what dribbles", []act.Body{takes(200)}, &v, []Break{{s(200), s(500)}}},
		{"until it is said to be over", []act.Body{takes(200), over(250)}, &v, []Break{{s(200), s(250)}}},
		{"until the rig has left", []act.Body{takes(600), left(700)}, &v, []Break{{s(600), s(700)}}},
		{"said twice is one", []act.Body{takes(200), takes(210), over(250), over(260)}, &v, []Break{{s(200), s(250)}}},
		{"in any order", []act.Body{over(250), takes(600), takes(200)}, &v, []Break{{s(200), s(250)}, {s(600), s(900)}}},
		{"it goes on", []act.Body{takes(1000)}, &v, []Break{{From: s(1000)}}},
		{"the outing is over", []act.Body{takes(200)}, &long, []Break{{s(200), s(200) + outing.Pause}}},
		{"by a boot's clock that is not known", []act.Body{act.Break{At: act.Moment{NS: s(200), Boot: "x", MonoNS: 7}}}, &v, []Break{{s(200), s(500)}}},
	} {
		l := New("heron")
		var acts []act.Act
		for i, b := range c.said {
			acts = append(acts, act.Act{ID: string(rune('a' + i)), Rig: "heron", Who: "wren", When: s(2000) + int64(i), Body: b})
		}
		l.SetActs(acts)
		got := l.breaks(c.v)
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		c.v.Breaks = got
		since, on := c.v.OnBreak()
		if want := c.name == "it goes on"; on != want || on && since != s(1000) {
			t.Errorf("%s: on a break %v since %d", c.name, on, since)
		}
	}
	// A view has them, and what was metered is as it was.
	night := evening()
	recs := serial(night.tell())
	plain, told := New("heron"), New("heron")
	plain.SetActs(settings())
	told.SetActs(append(settings(), act.Act{ID: "b", Rig: "heron", Who: "wren", When: s(700), Body: takes(700)}))
	for i := range recs {
		plain.Add(&recs[i])
		told.Add(&recs[i])
	}
	a, b := plain.View(), told.View()
	if !reflect.DeepEqual(b.Breaks, []Break{{s(700), b.Fills[6].Start}}) || len(b.Review) != 0 {
		t.Errorf("breaks %v, review %v; pulls begin at %d", b.Breaks, b.Review, b.Fills[6].Start)
	}
	if b.Breaks = nil; !reflect.DeepEqual(a.Fills, b.Fills) || a.Total != b.Total || !reflect.DeepEqual(a.Visits, b.Visits) {
		t.Error("a break changes what was metered")
	}
}
