package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/tote"
	"yardtally/meter/ledger"
	ltote "yardtally/meter/tote"
	"yardtally/meter/worth"
)

var update = flag.Bool("update", false, "write the golden files anew")

// curves are none, and the label of an invented meter of 500 pulses/L.
func curves() []ledger.CurveSpan {
	c, err := proving.NewCurve(proving.Meter{}, nil, 500, 0)
	if err != nil {
		panic(err)
	}
	return []ledger.CurveSpan{{}, {Curve: c, Repeat: 0.001, DueDays: 180}}
}

// Everything in this view is invented.
func view() *ledger.View {
	at := func(h, m, s int) int64 { return time.Date(2026, 10, 10, h, m, s, 0, time.UTC).UnixNano() }
	const gal = quantity.USGallon
	fill := func(start int64, sec int64, v quantity.Volume, yard string, why ledger.Reason) ledger.Fill {
		return ledger.Fill{Session: 1, First: 100, Last: 200, Start: start, End: start + sec*1e9, Volume: v, Within: v / 300,
			Metered: worth.Flow{Volume: v.CubicMetres(), Key: 1, Sense: [proving.Terms]float64{v.CubicMetres()}},
			Flow:    4 * quantity.LitrePerMinute, Syrup: 8.25, HasSyrup: true, Yard: yard, Reason: why}
	}
	v := &ledger.View{Rig: "heron", At: at(2, 10, 0), Settled: at(2, 9, 57), Records: 4000, Zone: "UTC",
		PulseVolume: 2 * quantity.Millilitre, Curves: curves(),
		Yards: []ledger.YardInfo{{ID: "mill", Name: "Mill Bottom", Colonies: 2, Fill: gal},
			{ID: "orchard", Name: `Orchard "End", low`, Colonies: 3},
			{ID: "larch", Name: "Larch Bank"}, {ID: "ferry", Name: "Ferry Lane"}},
		Fills: []ledger.Fill{
			fill(at(1, 0, 0), 57, gal, "orchard", ledger.ByPosition),
			fill(at(1, 2, 0), 56, gal-1234567, "orchard", ledger.ByPosition),
			fill(at(1, 4, 0), 20, gal/3, "orchard", ledger.ByHand),
			fill(at(1, 4, 29), 5, gal/9, "orchard", ledger.ByPosition),
			fill(at(1, 30, 0), 58, gal+7654321, "", ledger.NoPosition),
			fill(at(2, 9, 0), 31, gal/2, "mill", ledger.ByPosition),
			fill(at(13, 0, 0), 60, 100*gal, "mill", ledger.ByPosition), // the next night
		},
		Loose: []ledger.Loose{
			{Session: 1, First: 0, Last: 100, Start: at(0, 58, 0), End: at(0, 58, 7), Volume: gal / 7, Why: "dribble", Yard: "orchard", Reason: ledger.ByPosition},
			{Session: 1, First: 200, Last: 300, Start: at(1, 50, 0), End: at(1, 53, 0), Volume: 3 * gal, Why: "unseen", Reason: ledger.NoYard},
		},
		Gaps: []ledger.Gap{{Start: at(1, 50, 0), End: at(1, 53, 0), Known: 3 * gal, Hidden: 40 * gal, Why: "board restarted"}},
		Tote: ledger.ToteNow{Known: true, Name: "tote 1", At: at(2, 10, 0), Level: 0.70213, Volume: 182 * gal, Usable: 180 * gal, Capacity: 275 * gal, By: "headspace",
			Within: 4 * gal, Most: "strapping", Mass: 900, MassWithin: 22, Unsettled: "the rig is moving", Notes: []string{"how the tote leans is not measured"},
			Source: "Strapped: the tote was measured apart from the meter, so it can judge the meter.",
			Load:   tote.Weights{Liquid: 900, Tote: 960, Over: []tote.Over{{Rating: tote.TotePlate, Mass: 960, Limit: 950}}}},
		Syrup: ledger.Last{Value: 8.1, At: at(2, 9, 58), Has: true}, Brix: ledger.Last{Value: 61.5, Has: true},
	}
	// The third colony of the orchard got less than half, top-up and all; the
	// mill's visit goes on.
	v.Outings = []ledger.Outing{{From: v.Loose[0].Start, To: v.Fills[5].End, Visits: 4}, {From: v.Fills[6].Start, To: v.Fills[6].End, Visits: 1}}
	v.Visits = []ledger.Visit{
		{Yard: "orchard", Reason: ledger.ByPosition, From: v.Loose[0].Start, To: v.Fills[3].End, Over: true, Pulls: 4, Fills: 3, TopUps: 1, Skipped: 1,
			Colonies: 4, Meant: gal, Told: true, Numbered: true, Volume: v.Fills[0].Volume + v.Fills[1].Volume + v.Fills[2].Volume + v.Fills[3].Volume,
			Loose: v.Loose[0].Volume, Solids: 8.5, Short: 1, Half: 1, Least: v.Fills[2].Volume + v.Fills[3].Volume, Most: gal, Uneven: 0.394},
		{Reason: ledger.NoPosition, From: v.Fills[4].Start, To: v.Fills[4].End, Over: true, Pulls: 1, Fills: 1, Volume: v.Fills[4].Volume, Least: v.Fills[4].Volume, Most: v.Fills[4].Volume},
		{Reason: ledger.NoYard, From: v.Loose[1].Start, To: v.Loose[1].End, Over: true, Loose: 3 * gal},
		{Yard: "mill", Reason: ledger.ByPosition, From: v.Fills[5].Start, To: v.Fills[5].End, Pulls: 1, Fills: 1, Colonies: 2, Missing: 1, Meant: gal,
			Volume: v.Fills[5].Volume, Least: v.Fills[5].Volume, Most: v.Fills[5].Volume},
		{Yard: "mill", Reason: ledger.ByPosition, From: v.Fills[6].Start, To: v.Fills[6].End, Over: true, Pulls: 1, Fills: 1, Colonies: 2, Missing: 1, Meant: gal,
			Volume: 100 * gal, Least: 100 * gal, Most: 100 * gal},
	}
	for i, k := range []int{0, 0, 0, 0, 1, 3, 4} {
		v.Fills[i].Visit = k
	}
	v.Loose[0].Visit, v.Loose[1].Visit, v.Loose[0].Why, v.Loose[0].Note = 0, 2, "priming", "a small first pull"
	for i, colony := range []int{1, 2, 4, 4} {
		v.Fills[i].Colony, v.Fills[i].Brix, v.Fills[i].Solids = colony, 61.5, quantity.Mass(3*v.Fills[i].Volume.Litres()/4)
	}
	v.Fills[2].Short, v.Fills[2].By, v.Fills[3].TopUp = true, "a1", true
	v.Fills[5].Open, v.Fills[4].HasSyrup = true, false
	v.Changes = []ltote.Change{
		{Kind: ltote.Refill, Sure: true, From: at(0, 10, 0), To: at(0, 40, 0), Begin: at(0, 20, 0), End: at(0, 30, 0), Before: 100 * gal, After: 200 * gal,
			Volume: 100 * gal, Within: 2 * gal, Rate: 8 * quantity.USGallonPerMinute},
		{Kind: ltote.Meter, From: at(1, 50, 0), To: at(2, 0, 0)},
		{Kind: ltote.Leak, From: at(3, 0, 0), To: at(4, 0, 0), Begin: at(3, 5, 0), End: at(3, 55, 0), Volume: -5 * gal, Within: gal, Rate: quantity.USGallonPerMinute / 10,
			Note: "pulls that the meter did not count would look the same"},
		{Kind: ltote.Swap, Sure: true, From: at(14, 0, 0), To: at(15, 0, 0)}, // the next night
	}
	v.Doubts = []ltote.Doubt{{Why: ltote.LessFall, From: at(1, 50, 0), To: at(2, 0, 0), Metered: 3 * gal, Fall: gal, Excess: 2 * gal, Within: gal}}
	v.Left = ledger.Left{Known: true, Yard: "mill",
		There:   ltote.Outlook{Volume: 180 * gal, Within: 4 * gal, Solids: 540, SolidsWithin: 13, Colonies: 180, ColoniesSure: 176, Margin: 179 * gal, MarginWithin: 4 * gal, Enough: ltote.Yes, Chance: 1},
		Yards:   []ledger.YardLeft{{Yard: "larch", Colonies: 200, Each: gal, Outlook: ltote.Outlook{Volume: 179 * gal, Margin: -21 * gal, MarginWithin: 4 * gal, ColoniesSure: 175, Enough: ltote.No}}},
		Tonight: ltote.Outlook{Volume: 180 * gal, Margin: -21 * gal, MarginWithin: 4 * gal, ColoniesSure: 176, Enough: ltote.No}, Unsaid: []string{"ferry"}}
	for i := range v.Loose {
		l := &v.Loose[i]
		m := l.Volume.CubicMetres()
		l.Within, l.Metered = l.Volume/50, worth.Flow{Volume: m, Key: 1, Sense: [proving.Terms]float64{m}}
	}
	return v
}

// unsure is that view with pulls that may be something else, and a yard of
// which all is told.
func unsure() *ledger.View {
	v := view()
	for i := range v.Fills[:4] {
		v.Fills[i].Colony = 0
	}
	v.Fills[0].Or, v.Fills[3].Or, v.Fills[4].Or, v.Loose[0].Or = "priming", "fill", "ground", "fill"
	x := &v.Visits[0]
	x.Numbered, x.Unsure, x.Perhaps, x.Doubt = false, 1, 2, v.Fills[0].Volume+v.Loose[0].Volume
	v.Visits[1].Unsure, v.Visits[1].Doubt = 1, v.Fills[4].Volume
	v.Visits[3].Told = true
	return v
}

func options() Options {
	return Options{Units: quantity.US, From: time.Date(2026, 10, 9, 5, 0, 0, 0, time.UTC).UnixNano(),
		To: time.Date(2026, 10, 10, 7, 9, 31, 1, time.UTC).UnixNano()} // five hours after the last flow
}

// The goldens hold the names, order and forms of fields, which programs rely on.
func TestGolden(t *testing.T) {
	type golden struct {
		name, ending string
		form         Format
		view         *ledger.View
		write        writer
	}
	var all []golden
	for name, write := range writers {
		for ending, f := range map[string]Format{"txt": Table, "json": JSON, "csv": CSV} {
			// Only as CSV are visits apart from yards.
			if name == "visits" && f != CSV {
				continue
			}
			all = append(all, golden{name, ending, f, view(), write})
			if (f == Table) == (name != "visits") && name != "tote" || name == "fills" && f == CSV {
				all = append(all, golden{name + "_unsure", ending, f, unsure(), write})
			}
		}
	}
	for _, g := range all {
		o := options()
		o.Format = g.form
		var b bytes.Buffer
		if err := g.write(&b, g.view, o); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join("testdata", g.name+"."+g.ending)
		if *update {
			if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), want) {
			t.Errorf("%s differs; got:\n%s", file, b.Bytes())
		}
	}
}

type writer = func(w *bytes.Buffer, v *ledger.View, o Options) error

var writers = map[string]writer{
	"fills": func(w *bytes.Buffer, v *ledger.View, o Options) error { return Fills(w, v, o) },
	"yards": func(w *bytes.Buffer, v *ledger.View, o Options) error { return Yards(w, v, o) },
	"visits": func(w *bytes.Buffer, v *ledger.View, o Options) error {
		o.Visits = true
		return Yards(w, v, o)
	},
	"tote": func(w *bytes.Buffer, v *ledger.View, o Options) error { return Tote(w, v, o) },
}

// nanolitres reads a JSON or CSV number of litres exactly.
func nanolitres(t *testing.T, s string) int64 {
	t.Helper()
	whole, frac, _ := strings.Cut(s, ".")
	n := json.Number(whole + (frac + "000000000")[:9])
	v, err := n.Int64()
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestSumsClose(t *testing.T) {
	var total int64
	for _, f := range view().Fills[:6] {
		total += int64(f.Volume)
	}
	for _, l := range view().Loose {
		total += int64(l.Volume)
	}
	o := options()
	o.Format = JSON
	for _, name := range []string{"fills", "yards", "tote"} {
		var b bytes.Buffer
		if err := writers[name](&b, view(), o); err != nil {
			t.Fatal(err)
		}
		d := json.NewDecoder(&b)
		d.UseNumber()
		var doc map[string]any
		if err := d.Decode(&doc); err != nil {
			t.Fatal(err)
		}
		get := func(m any, k string) int64 { return nanolitres(t, string(m.(map[string]any)[k].(json.Number))) }
		var rows int64
		switch name {
		case "fills":
			for _, k := range []string{"fills", "outside"} {
				for _, r := range doc[k].([]any) {
					rows += get(r, "volume_l")
				}
			}
		case "yards":
			for _, r := range doc["yards"].([]any) {
				rows += get(r, "fills_l") + get(r, "outside_l")
			}
		case "tote":
			if got := get(doc, "fills_l") + get(doc, "outside_l"); got != total || get(doc, "metered_l") != total {
				t.Errorf("tote: %d and %d, want %d nL", got, get(doc, "metered_l"), total)
			}
			continue
		}
		if sum := get(doc["sum"], "total_l"); rows != total || sum != total {
			t.Errorf("%s: rows %d, sum %d, want %d nL", name, rows, sum, total)
		}
		b.Reset()
		oc := o
		oc.Format = CSV
		if err := writers[name](&b, view(), oc); err != nil {
			t.Fatal(err)
		}
		all, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		col := map[string]int{"fills": 4, "yards": 7}[name]
		rows = 0
		for _, r := range all[1:] {
			rows += nanolitres(t, r[col])
		}
		if rows != total {
			t.Errorf("%s CSV: column %s adds up to %d, want %d nL", name, all[0][col], rows, total)
		}
	}
}

func TestUnassignedStaysVisible(t *testing.T) {
	for _, write := range []writer{writers["fills"], writers["yards"]} {
		var b bytes.Buffer
		if err := write(&b, view(), options()); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(b.String(), NoYard) || !strings.Contains(b.String(), LegalNote) || !strings.Contains(b.String(), "Gap from") {
			t.Errorf("table lacks the unassigned, the gap or the note:\n%s", b.String())
		}
	}
}

func TestEmpty(t *testing.T) {
	for name, write := range writers {
		for _, f := range []Format{Table, JSON, CSV} {
			var b bytes.Buffer
			if err := write(&b, nil, Options{Format: f}); err != nil {
				t.Errorf("%s: %v", name, err)
			}
			if f == JSON && !json.Valid(b.Bytes()) {
				t.Errorf("%s: not JSON: %s", name, b.String())
			}
			if f == JSON && strings.Contains(b.String(), `"fills": null`) {
				t.Errorf("%s: an empty list must be [], not null", name)
			}
		}
	}
}

type full struct{}

var errFull = errors.New("no space")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestWriteError(t *testing.T) {
	for _, f := range []Format{Table, JSON, CSV} {
		o := options()
		o.Format = f
		for name, err := range map[string]error{"fills": Fills(full{}, view(), o), "yards": Yards(full{}, view(), o), "tote": Tote(full{}, view(), o)} {
			if !errors.Is(err, errFull) {
				t.Errorf("%s: error %v, want the writer's", name, err)
			}
		}
	}
}

func TestClosing(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		s := quantity.System(rnd.IntN(2))
		unit := quantity.Litre
		if s == quantity.US {
			unit = quantity.USGallon
		}
		per := []int64{10, 100}[rnd.IntN(2)]
		vs := make([]quantity.Volume, rnd.IntN(40))
		var total quantity.Volume
		for i := range vs {
			vs[i] = quantity.Volume(rnd.Int64N(int64(5 * quantity.USGallon)))
			total += vs[i]
		}
		cells, sum := Closing(s, per, vs)
		step := float64(unit) / float64(per)
		var shown int64
		for i, c := range cells {
			shown += c
			if d := float64(c)*step - float64(vs[i]); d >= step || d <= -step {
				t.Fatalf("cell %d is %g steps off", i, d/step)
			}
		}
		if shown != sum {
			t.Fatalf("cells add up to %d, sum is %d", shown, sum)
		}
		if d := float64(sum)*step - float64(total); d > step/2+1 || d < -step/2-1 {
			t.Fatalf("sum is %g steps off", d/step)
		}
	}
}

func TestFixed(t *testing.T) {
	for _, c := range []struct {
		n, per int64
		want   string
	}{{0, 100, "0.00"}, {5, 100, "0.05"}, {123456, 100, "1,234.56"}, {-5, 10, "-0.5"}, {100000000, 100, "1,000,000.00"}, {99999, 100, "999.99"}} {
		if got := Fixed(c.n, c.per); got != c.want {
			t.Errorf("Fixed(%d, %d) = %q, want %q", c.n, c.per, got, c.want)
		}
	}
}
