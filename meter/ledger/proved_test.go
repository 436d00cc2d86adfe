package ledger

import (
	"math"
	"strings"
	"testing"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/worth"
)

// fed is an invented evening whose meter gives 100 pulses/L, in the middle.
func fed(extra ...act.Act) []act.Act {
	acts := settings()
	kept := acts[:0]
	for _, a := range acts {
		if _, ok := a.Body.(act.Proving); !ok {
			kept = append(kept, a)
		}
	}
	kept = append(kept, act.Act{ID: "batch", Rig: "heron", Who: "wren", When: t0 - 900*sec, Body: act.Batch{Syrup: "sucrose", Brix: 60}})
	return append(kept, extra...)
}

// bucketOf is a bucket test of so many pulses/L with 60 % syrup at 15 °C: 1288.2
// kg/m³ by the reference's formula A (computed).
func bucketOf(id string, perLitre float64, done, from, when int64) act.Act {
	const rho = 1288.2
	pulses := math.Round(20 * (1 - 1.2/8000) / (rho - 1.2) * 1000 * perLitre)
	return act.Act{ID: id, Rig: "heron", Who: "wren", When: when, From: from,
		Body: act.Proving{Pulses: pulses, NetKg: 20, Brix: 60, TempC: 15, Seconds: 120, DoneNS: done}}
}

// ledgers derives the same by two ways: acts that came one after the other, and all at
// once.
func ledgers(t *testing.T, recs []meter.Record, steps ...[]act.Act) *View {
	t.Helper()
	l := live(t, steps[0], recs)
	for _, acts := range steps[1:] {
		l.SetActs(acts)
		if err := l.Refold(replayOf(recs)); err != nil {
			t.Fatal(err)
		}
	}
	v := l.View()
	same(t, "acts one by one, and all at once", results(v), results(replayed(t, steps[len(steps)-1], recs).View()))
	return v
}

func perLitre(v *View, fill int) float64 {
	f := &v.Fills[fill]
	return float64(f.Last-f.First) / f.Volume.Litres()
}

func TestProvingRestates(t *testing.T) {
	s := evening()
	recs := serial(s.tell())
	mid := t0 + int64(s.pulls[6].start-10)*sec
	const late = t0 + 9000*sec
	near := func(name string, got, want float64) {
		t.Helper()
		if math.Abs(got/want-1) > 2e-3 {
			t.Errorf("%s: %v pulses/L, want %v", name, got, want)
		}
	}
	none := ledgers(t, recs, fed())
	if none.Total != 0 || len(none.Fills) != len(s.pulls) || none.Fills[0].Within != 0 {
		t.Errorf("without a proving: %v, %d fills", none.Total, len(none.Fills))
	}

	// From when it was done, from a time before, and since ever.
	a := bucketOf("a", 100, mid, mid, late)
	v := ledgers(t, recs, fed(), fed(a))
	if v.Fills[5].Volume != 0 {
		t.Errorf("before the proving: %v", v.Fills[5].Volume)
	}
	near("after it", perLitre(v, 7), 100)
	a.From = 0
	v = ledgers(t, recs, fed(), fed(a))
	near("since ever", perLitre(v, 0), 100)
	if w := v.Fills[0].Within.Litres() / v.Fills[0].Volume.Litres(); w < 0.002 || w > 0.02 {
		t.Errorf("one test: ±%.3g of a fill", w)
	}

	// A second test like the first makes it surer, a later one of another meter
	// ("fresh") takes its place.
	b := bucketOf("b", 100, mid+600*sec, 0, late+1)
	w := ledgers(t, recs, fed(a), fed(a, b))
	if w.Fills[0].Within >= v.Fills[0].Within {
		t.Errorf("two tests ±%v, one ±%v", w.Fills[0].Within, v.Fills[0].Within)
	}
	fresh := bucketOf("c", 50, mid, mid, late+2)
	body := fresh.Body.(act.Proving)
	body.Fresh = true
	fresh.Body = body
	old := bucketOf("a", 100, t0-86400*sec, 0, late)
	w = ledgers(t, recs, fed(old), fed(old, fresh))
	near("before the new meter", perLitre(w, 5), 100)
	near("after it", perLitre(w, 7), 50)

	// Said again, a test replaces itself, wherever either holds from.
	for _, from := range []int64{0, mid} {
		for _, to := range []int64{0, mid, t0 + int64(s.pulls[3].start-5)*sec} {
			first, again := bucketOf("a", 100, mid, from, late), bucketOf("a2", 90, mid, to, late+5)
			w := ledgers(t, recs, fed(first), fed(first, again))
			near("corrected", perLitre(w, 11), 90)
			same(t, "corrected, and right at once", strip(results(w)), strip(results(replayed(t, fed(again), recs).View())))
		}
	}

	// And an undo takes it back.
	w = ledgers(t, recs, fed(a), fed(a, bucketOf("b", 90, mid+1, 0, late+1)), fed(a, bucketOf("b", 90, mid+1, 0, late+1),
		act.Act{ID: "u", Rig: "heron", Who: "wren", When: late + 9, Body: act.Undo{Act: "b"}}))
	same(t, "undone", strip(results(v)), strip(results(w)))
}

// strip takes away what names acts.
func strip(v View) View {
	v.Curves, v.Review = nil, nil
	return v
}

// The meter's type, a mass proving and a refractometer's reading all come
// through; what is said badly is listed and leaves what held.
func TestMeterActs(t *testing.T) {
	s := evening()
	recs := serial(s.tell())
	const late = t0 + 9000*sec
	a := bucketOf("a", 100, t0-86400*sec, 0, late)
	v := ledgers(t, recs, fed(a), fed(a, act.Act{ID: "m", Rig: "heron", Who: "wren", When: late + 1, Body: act.Meter{Type: "turbine", Repeat: 0.3}}))
	c := v.Curves[len(v.Curves)-1]
	if c.Curve.Meter().Type != proving.Turbine || c.Repeat != 0.003 || c.DueDays != act.DefaultDue {
		t.Errorf("curve of %+v, %v, due after %v days", c.Curve.Meter(), c.Repeat, c.DueDays)
	}

	mass := a
	body := mass.Body.(act.Proving)
	body.Brix, body.Mass = 0, true
	mass.Body = body
	v = ledgers(t, recs, fed(mass))
	// 20 kg are 15.54 L of what is in the tote.
	if got := perLitre(v, 3); math.Abs(got/100-1) > 2e-3 {
		t.Errorf("by mass: %v pulses/L of the batch, want 100", got)
	}

	read := act.Act{ID: "r", Rig: "heron", Who: "wren", When: late, Body: act.Batch{Syrup: "sucrose", Reading: 60.75, ReadC: 10}}
	v = ledgers(t, recs, fed(a), fed(a, read))
	// OIV-MA-AS2-02 Table I: 60 Brix at 10 °C shows 60.75 (read).
	if math.Abs(v.Brix.Value-60) > 0.05 {
		t.Errorf("the batch is %v Brix, want 60", v.Brix.Value)
	}
}

// A yard is never surer than its parts make it: what is common stays, and the
// causes are named.
func TestYardsKnowHowSure(t *testing.T) {
	s := evening()
	recs := serial(s.tell())
	v := ledgers(t, recs, fed(bucketOf("a", 100, t0-86400*sec, 0, t0)))
	n := Tally(v, math.MinInt64, math.MaxInt64)
	var all, roots float64
	for i := range v.Fills {
		w := v.Fills[i].Within.Litres()
		all += w
		roots += w * w
	}
	if got := n.Within.Litres(); got >= all || got <= math.Sqrt(roots) {
		t.Errorf("the night is ±%v L; its fills add up to %v, in squares %v", got, all, math.Sqrt(roots))
	}
	if len(n.Budget) == 0 || n.Budget[0].U <= 0 {
		t.Fatalf("budget %v", n.Budget)
	}
	var names []string
	for _, c := range n.Budget {
		names = append(names, c.Name)
	}
	for _, want := range []string{"a", worth.ByCount, worth.ByRepeat} {
		if !strings.Contains("|"+strings.Join(names, "|")+"|", "|"+want+"|") {
			t.Errorf("no %q among %q", want, names)
		}
	}
	if n.Loose != 0 || n.LooseWithin != 0 || n.TotalWithin != n.Within {
		t.Errorf("nothing outside fills, and ±%v, ±%v of ±%v", n.LooseWithin, n.TotalWithin, n.Within)
	}
	// Half an hour of silence hides a fill: what flowed unseen has its interval
	// too, and what is common adds up.
	told := s.tell()
	quiet := told[:0:0]
	for _, m := range told {
		if m.t < s.pulls[2].start-5 || m.t > s.pulls[3].end+1 {
			quiet = append(quiet, m)
		}
	}
	v = ledgers(t, serial(quiet), fed(bucketOf("a", 100, t0-86400*sec, 0, t0)))
	h := Tally(v, math.MinInt64, math.MaxInt64)
	if len(v.Loose) == 0 || v.Loose[0].Why != "unseen" || v.Loose[0].Within <= 0 || h.LooseWithin <= 0 || h.Loose == 0 {
		t.Errorf("unseen flow: %+v, ±%v", v.Loose, h.LooseWithin)
	}
	if h.TotalWithin <= max(h.Within, h.LooseWithin) || h.TotalWithin > h.Within+h.LooseWithin {
		t.Errorf("all ±%v, of it fills ±%v and the rest ±%v", h.TotalWithin, h.Within, h.LooseWithin)
	}
	if got := n.Budget.Within(); got != n.Within {
		t.Errorf("±%v by the budget, ±%v said", got, n.Within)
	}
}

// A level counts only when the rig stands; what it held is then good to learn
// from.
func TestLevelsAtRest(t *testing.T) {
	s := evening()
	told := s.tell()
	acts := fed(bucketOf("a", 100, t0-86400*sec, 0, t0))
	v := ledgers(t, serial(told), acts)
	if !v.Tote.Settled || v.Tote.Unsettled != "" || v.Tote.Within <= 0 || v.Tote.Mass < 500 {
		t.Errorf("standing: %+v", v.Tote)
	}
	// The newest position is a street away.
	s.length = 715
	v = ledgers(t, serial(s.tell()), acts)
	if v.Tote.Settled || !v.Tote.Known || v.Tote.Unsettled == "" {
		t.Errorf("driving: settled %v, %q", v.Tote.Settled, v.Tote.Unsettled)
	}

	// A tote that sinks by what was drawn, 0.8 m² of it, teaches its strapping.
	s = evening()
	told = s.tell()
	for i := range told {
		r := told[i].readings
		if len(r) == 1 && r[0].Channel == meter.Headspace {
			out := float64(s.count(told[i].t)-s.base) / 100 / 1000 // m³
			r[0].Value = math.Round((0.4+out/0.8)*1e4) / 1e4
		}
	}
	v = ledgers(t, serial(told), acts)
	l, meterU, err := v.LearnTote(0)
	if err != nil {
		t.Fatal(err)
	}
	straps := l.Table.Straps()
	low, high := straps[0], straps[len(straps)-1]
	if area := (high.Volume - low.Volume).CubicMetres() / float64(high.Level-low.Level); math.Abs(area/0.8-1) > 0.02 || meterU <= 0 || meterU > 0.01 {
		t.Errorf("learnt an area of %v m² from %d levels, the meter good to %v", area, len(v.Steps), meterU)
	}
	if high.Level > 0.71*quantity.Metre || high.Level < 0.69*quantity.Metre {
		t.Errorf("the highest level seen is %v", high.Level)
	}
}
