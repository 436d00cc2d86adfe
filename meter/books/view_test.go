package books

import (
	"math"
	"testing"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
	"yardtally/meter/sugar"
	"yardtally/meter/worth"
)

// A view becomes a season: its volumes, how sure they are, and the tote's levels.
func TestFromView(t *testing.T) {
	curve, err := proving.NewCurve(proving.Meter{}, []proving.Test{{Name: "August", Pulses: 540, Net: 20, Temp: 20, Seconds: 150,
		Syrup: syrup.Syrup{Solids: quantity.FromBrix(66.7)}, Means: proving.Usual}}, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	meter := worth.Under(curve, 1, worth.Passing{Syrup: syrup.Syrup{Solids: 2.0 / 3}, Known: true, SolidsU: 0.001, Temp: 20, TempU: 0.5, BatchKey: 1})
	v := &ledger.View{Curves: []ledger.CurveSpan{{}, {Curve: curve, Proved: begins - 30*day, Repeat: 0.001}},
		Yards: []ledger.YardInfo{{ID: "orchard-end", Name: "Orchard End"}}}
	count := uint64(0)
	var all quantity.Volume
	flow := func(at int64, pulses uint64, why string) {
		var f worth.Flow
		meter.Add(&f, float64(pulses), 4)
		vol := quantity.VolumeOf(f.Volume)
		if why == "" {
			v.Fills = append(v.Fills, ledger.Fill{Session: 1, First: count, Last: count + pulses, Start: at, End: at + 30e9, Volume: vol, Metered: f,
				Yard: "orchard-end", Syrup: 20, HasSyrup: true})
		} else {
			v.Loose = append(v.Loose, ledger.Loose{Session: 1, First: count, Last: count + pulses, Start: at, End: at + 30e9, Volume: vol, Metered: f, Why: why})
		}
		count += pulses
		if why != outing.Air {
			all += vol
		}
	}
	s := plain()
	at := begins + 20*hour
	for i := range int64(30) {
		flow(at+i*60e9, 136, "")
	}
	flow(at+hour, 200, outing.Flush)
	flow(at+hour+60e9, 90, outing.Air)
	v.Steps = []ledger.ToteStep{{At: at - 60e9, Run: 1, Level: 0.4}, {At: at + 600e9, Run: 1, Level: 0.35}, {At: at + 2400e9, Run: 1, Level: 0.29, LevelU: 0.001}}
	standing := act.Standing(s.acts)
	season, review := FromView(v, standing, sugar.Read(standing), begins-day, begins+1000*hour)
	if len(review) != 0 || len(season.Metered) != 31 || season.Metered[0].Name != "Orchard End" || season.Metered[30].Why != outing.Flush || season.Metered[30].Temp != 20 {
		t.Fatalf("%v, %d flows: %+v", review, len(season.Metered), season.Metered)
	}
	sum, own2 := 0.0, 0.0
	common := map[string]float64{}
	for _, m := range season.Metered {
		sum += m.Volume
		own2 += m.Own * m.Own
		if m.Held < 0 || season.Book.Held[m.Held].Tote != "white" {
			t.Fatalf("held %d", m.Held)
		}
		for _, c := range m.Common {
			if c.Cause != worth.ByTemp { // holds the density against it here
				common[c.Cause] += c.By
			}
		}
	}
	if quantity.VolumeOf(sum) != all {
		t.Errorf("%v m³, want %v", sum, all)
	}
	u2 := own2
	for _, c := range common {
		u2 += c * c
	}
	n := ledger.Tally(v, begins, begins+100*hour)
	if want := float64(n.TotalWithin-0) / worth.Cover / 1e12; math.Abs(math.Sqrt(u2)/want-1) > 0.1 {
		t.Errorf("standard uncertainty %v m³, the ledger has %v", math.Sqrt(u2), want)
	}
	if len(season.Levels) != 2 || season.Levels[0].Tote != "white" || math.Abs(season.Levels[0].Volume-0.4) > 1e-9 || math.Abs(season.Levels[1].U-0.001*math.Sqrt2) > 1e-6 || !(season.Levels[1].ShareU > 0.001) {
		t.Errorf("%+v", season.Levels)
	}
	if _, err := season.Balance(); err != nil {
		t.Error(err)
	}
}

// A load that was booked hours before or after it happened is held against the
// levels as if it had been booked in time: that the level rose tells when.
func TestBookedLate(t *testing.T) {
	for _, late := range []int64{-3, 0, 3} {
		s := plain()
		s.acts[3].From += late * hour // the mix, at 10 h
		standing := act.Standing(s.acts)
		v := &ledger.View{}
		mixed := 300.0 / float64(syrup.Syrup{Solids: 2.0 / 3}.Near(20).Density)
		for _, x := range []struct {
			at    int64
			run   int
			level float64
		}{{8, 1, 0}, {9, 1, 0}, {11, 2, mixed}, {12, 2, mixed}} {
			v.Steps = append(v.Steps, ledger.ToteStep{At: begins + x.at*hour, Run: x.run, Level: quantity.Length(x.level)})
		}
		season, _ := FromView(v, standing, sugar.Read(standing), begins-day, begins+1000*hour)
		mix := s.acts[3].From
		before, after := 0, 0
		for _, l := range season.Levels {
			switch {
			case l.At < mix && l.Volume < 0.01:
				before++
			case l.At > mix && l.Volume > 0.1:
				after++
			default:
				t.Errorf("booked %d h late: %v m³ at %d h", late, l.Volume, (l.At-begins)/hour)
			}
		}
		if before == 0 || after == 0 {
			t.Errorf("booked %d h late: %d levels before, %d after", late, before, after)
		}
		season.Metered = s.season().Metered
		if b := balanceOf(t, season); b.Global.Rejects {
			t.Errorf("booked %d h late: %+v %v", late, b.Global, b.Culprits[0].Say())
		}
	}
}
