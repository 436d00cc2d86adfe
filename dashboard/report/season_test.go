package report

import (
	"math"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/ledger"
	"yardtally/meter/outing"
)

func seasonView() *ledger.View {
	const gal = quantity.USGallon
	at := func(month time.Month, day, hour int) int64 {
		return time.Date(2026, month, day, hour, 0, 0, 0, time.UTC).UnixNano()
	}
	v := &ledger.View{Rig: "heron", Yards: []ledger.YardInfo{
		{ID: "mill", Name: "Mill Bottom", Standing: 2, Target: ledger.Target{Each: 4 * gal}},
		{ID: "larch", Name: "Larch Bank", Standing: 1, Target: ledger.Target{Sugar: 10}},
		{ID: "old", Name: "Old Ferry", Closed: true},
	}}
	add := func(yard string, visit int, start int64, vol quantity.Volume, solids quantity.Mass) {
		f := ledger.Fill{Yard: yard, Visit: visit, Start: start, End: start + 1e9, Volume: vol, Solids: solids}
		f.Pulled = outing.Pulled{Liquid: syrup.Syrup{Solids: 0.6}, SolidsU: 0.003}
		v.Fills = append(v.Fills, f)
	}
	v.Visits = []ledger.Visit{
		{Yard: "mill", From: at(4, 2, 20), To: at(4, 2, 21), Uneven: 0.05},
		{Yard: "larch", From: at(9, 2, 20), To: at(9, 2, 21)},
		{Yard: "mill", From: at(9, 2, 22), To: at(9, 2, 23), Uneven: 0.1, Unsure: 1},
	}
	v.Outings = []ledger.Outing{{From: at(4, 2, 20), To: at(4, 2, 21), Visits: 1}, {From: at(9, 2, 20), To: at(9, 2, 23), Visits: 2}}
	add("mill", 0, at(4, 2, 20), gal, 3)
	add("larch", 1, at(9, 2, 20), gal, 3)
	add("mill", 2, at(9, 2, 22), gal, 3)
	add("mill", 2, at(9, 2, 22)+5e9, gal, 0)
	v.Loose = []ledger.Loose{{Yard: "larch", Visit: 1, Start: at(9, 2, 21), Volume: gal / 4, Why: outing.Flush}}
	return v
}

func TestSeasonAddsUp(t *testing.T) {
	v := seasonView()
	from, to := SeasonOf(v.Visits[0].From, time.UTC)
	ys, all := Season(v, from, to)
	if len(ys) != 2 || ys[0].Name != "Larch Bank" || ys[1].Name != "Mill Bottom" {
		t.Fatalf("%+v", ys) // the closed one took nothing
	}
	mill, larch := &ys[1], &ys[0]
	if mill.Visits != 2 || mill.Newest != 2 || mill.Unsure != 1 || mill.Unknown != 1 || mill.Fills != 3 || mill.Volume != 3*quantity.USGallon {
		t.Errorf("%+v", mill)
	}
	if each, _, ok := mill.Colony(); !ok || each != 3*quantity.USGallon/2 {
		t.Errorf("each got %v", each)
	}
	if share, _, ok := mill.Share(); !ok || math.Abs(share-3.0/8) > 1e-9 {
		t.Errorf("%g of the target", share)
	}
	if _, ok := mill.Sugar(); ok {
		t.Error("the sugar of a fill is not known, and yet that of the yard")
	}
	share, within, ok := larch.Share()
	if !ok || math.Abs(share-0.3) > 1e-9 {
		t.Errorf("%g of the sugar that is meant", share)
	}
	// 1.96 × 1.3 × 0.003/0.6, and nothing of the volume, whose error nobody said.
	if math.Abs(within-0.3*1.959964*1.3*0.005) > 1e-9 {
		t.Errorf("±%g", within)
	}
	if all.Volume != 4*quantity.USGallon || all.Loose != quantity.USGallon/4 {
		t.Errorf("%+v", all)
	}
	if ys, _ := Season(v, to, to+1); len(ys) != 2 || ys[1].Visits != 0 || ys[1].Newest != -1 {
		t.Errorf("of another year: %+v", ys)
	}
}

// How much more sugar a litre holds, for a share more of it in the syrup.
func TestSugarOfALitre(t *testing.T) {
	held := func(w float64) float64 {
		s := syrup.Syrup{Makeup: syrup.Only(syrup.Sucrose), Solids: quantity.Solids(w)}
		return w * float64(s.Near(20).Density)
	}
	if got := math.Log(held(0.606)/held(0.594)) / math.Log(0.606/0.594); math.Abs(got-1.3) > 0.05 {
		t.Errorf("%.3f, taken for 1.3", got)
	}
}

// A view of some visits has their flow, and nothing else.
func TestOnlySomeVisits(t *testing.T) {
	v := seasonView()
	got := Only(v, func(k int) bool { return v.Visits[k].Yard == "mill" })
	if len(got.Visits) != 2 || len(got.Fills) != 3 || len(got.Loose) != 0 || len(got.Outings) != 2 || got.Outings[1].Visits != 1 {
		t.Errorf("%d visits, %d fills, %d others, outings %+v", len(got.Visits), len(got.Fills), len(got.Loose), got.Outings)
	}
	for i := range got.Fills {
		if x := &got.Visits[got.Fills[i].Visit]; x.Yard != "mill" || got.Fills[i].Start < x.From || got.Fills[i].Start > x.To {
			t.Errorf("fill %d is on %+v", i, x)
		}
	}
	if len(v.Visits) != 3 || v.Fills[2].Visit != 2 {
		t.Error("the view itself has changed")
	}
}
