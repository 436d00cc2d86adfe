package dashboard

import (
	"encoding/csv"
	"encoding/json"
	"regexp"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
	"yardtally/meter/tote"
)

// toted is the sample with levels over its night: a refill, perhaps a leak, and
// what the meter and the levels tell of the tote's shape.
func toted() *Snapshot {
	s := sample()
	v := s.View
	v.Terms = tote.Terms{ShareU: 0.005, Outlet: 8 * quantity.Litre}
	held := 500.0
	for i := range 40 {
		at := at(20, 40, 0) + int64(i)*120e9
		if i == 20 {
			held += 120
		}
		held -= 3
		v.Points = append(v.Points, tote.Point{At: at, Volume: quantity.VolumeOf(held / 1000), U: quantity.Litre, Rest: i%7 != 3, Tote: "tote one", Metered: quantity.VolumeOf(float64(3*i) / 1000)})
		v.Steps = append(v.Steps, ledger.ToteStep{At: at, Run: i / 20, Level: quantity.Length(held / 1000), LevelU: 0.001, Metered: quantity.VolumeOf(float64(3*i+3) / 1000)})
	}
	v.Changes = append(v.Changes,
		tote.Change{Kind: tote.Refill, Sure: true, From: v.Points[19].At, To: v.Points[20].At, Volume: 120 * quantity.Litre, Within: quantity.Litre, Before: 440 * quantity.Litre, After: 560 * quantity.Litre},
		tote.Change{Kind: tote.Leak, From: v.Points[30].At, To: v.Points[33].At, Volume: -9 * quantity.Litre, Within: 2 * quantity.Litre})
	v.Stand = &act.Tote{Name: "tote one", CapacityL: 1000, LengthM: 1, WidthM: 1, HeightM: 1, UnusableL: 8}
	v.Tote.Name, v.Tote.Known = "tote one", true
	v.Batch = &act.Batch{Syrup: "sucrose", Brix: 64.2}
	return s
}

func TestTotePage(t *testing.T) {
	st := newStand(t, toted())
	page := st.page("/tote")
	got := words1(page)
	for _, want := range []string{
		"What is in it", "Left: ", "above the floor, by", "In it, as was said: sucrose, 64.2 Brix.", "Over the night", "in the tote, gal", "refill 31.7 gal", "▲ leak? 2.4 gal", "outlet", "right 19 times in 20",
		"night of 9 Oct 2026", "The levels as a table", "at rest", "Past the meter", "Leak? ", "refill: 31.7 gal ±", "Say what was done", "Filled the rig", "Another tote",
		"Strapping", "learnt less given, gal", "level above the floor, in", "Given, straight walls", "Learnt from ", "The strapping as a table",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in %s", want, got)
		}
	}
	if n := strings.Count(page, `<svg class="chart`); n != 2 {
		t.Errorf("%d charts, want 2", n)
	}
	if len(page) > 40_000 || strings.Contains(page, " style=") {
		t.Errorf("%d bytes, or styled inline", len(page))
	}
	if !regexp.MustCompile(`class="rule wrong"`).MatchString(page) {
		t.Error("the leak is not marked as what needs a person")
	}
	// What is drawn is in the units on the axes: 430 to 560 L are 114 to 148 gal, 1 m is 39.4 in.
	ticks := func(chart string) string {
		_, svg, _ := strings.Cut(page, `id="`+chart+`-d"`)
		svg, _, _ = strings.Cut(svg, "</svg>\n")
		out := ""
		for _, m := range regexp.MustCompile(`<text class="(?:x|y)[^>]*>([^<]*)<`).FindAllStringSubmatch(svg, -1) {
			out += m[1] + " "
		}
		return out
	}
	if got := ticks("level"); !strings.HasPrefix(got, "0 50 100 150 ") {
		t.Errorf("level's ticks: %s", got)
	}
	if got := ticks("strapping"); !strings.Contains(got, " 5 10 15 20 25 30 35 ") {
		t.Errorf("strapping's ticks: %s", got)
	}
	for path, want := range map[string]int{"/tote.csv": 2, "/tote/levels.csv": 41, "/tote/strapping.csv": 22} {
		rows, err := csv.NewReader(get(t, st.h, path).Body).ReadAll()
		if err != nil || len(rows) != want {
			t.Errorf("%s: %d rows, %v, want %d", path, len(rows), err, want)
		}
	}
	for path, report := range map[string]string{"/tote.json": "tote", "/tote/levels.json": "levels", "/tote/strapping.json": "strapping"} {
		var doc struct{ Report, Rig string }
		if err := json.NewDecoder(get(t, st.h, path).Body).Decode(&doc); err != nil || doc.Report != report || doc.Rig != "heron" {
			t.Errorf("%s: %+v, %v", path, doc, err)
		}
	}
	// Who only reads is not offered to say anything.
	if got := words1(get(t, st.h, "/tote").Body.String()); strings.Contains(got, "Filled the rig") || !strings.Contains(got, "Sign in to say what was done") {
		t.Errorf("to a reader: %s", got)
	}
}

// The learnt table of a tote that is what it is given as lies on it.
func TestStrapLearntAgainstGiven(t *testing.T) {
	s := toted()
	var doc struct {
		Straps []struct {
			Level  float64  `json:"level_m"`
			Given  float64  `json:"given_l"`
			Learnt *float64 `json:"learnt_l"`
		}
	}
	if err := json.NewDecoder(get(t, handler(s), "/tote/strapping.json").Body).Decode(&doc); err != nil {
		t.Fatal(err)
	}
	learnt := 0
	for _, x := range doc.Straps {
		if d := x.Given - 1000*x.Level; d > 1e-6 || d < -1e-6 {
			t.Errorf("at %g m it is given as %g L", x.Level, x.Given)
		}
		if x.Learnt == nil {
			continue
		}
		learnt++
		if d := *x.Learnt - x.Given; d > 5 || d < -5 {
			t.Errorf("at %g m: learnt %g L, given %g", x.Level, *x.Learnt, x.Given)
		}
	}
	if learnt < 2 {
		t.Errorf("%d levels learnt", learnt)
	}
}

// A level of days before does not stretch the picture.
func TestToteOfThisNightOnly(t *testing.T) {
	s := toted()
	old := s.View.Points[0]
	old.At -= 3 * 24 * 3600e9
	s.View.Points = append([]tote.Point{old}, s.View.Points...)
	s.View.Changes = append(s.View.Changes, tote.Change{Kind: tote.Unheard, From: old.At, To: s.View.Points[1].At, Volume: 50 * quantity.Litre, Within: quantity.Litre})
	got := words1(get(t, handler(s), "/tote").Body.String())
	if !strings.Contains(got, "It held 131.3 gal at 20:40 and") || strings.Contains(got, "night of 6 Oct") || !strings.Contains(got, "changed unheard? 13.2 gal") || !strings.Contains(got, "6 Oct 20:40 to 20:40, perhaps changed while not heard: 13.2 gal") {
		t.Errorf("%s", got)
	}
}

func TestTotePageOfLittle(t *testing.T) {
	for name, c := range map[string]struct {
		snap *Snapshot
		want string
	}{
		"no view":   {&Snapshot{}, "Level not known no level was heard"},
		"no levels": {sample(), "nothing yet"},
	} {
		w := get(t, handler(c.snap), "/tote")
		got := words1(w.Body.String())
		if w.Code != 200 || !strings.Contains(got, c.want) || !strings.Contains(got, "No tote is described yet") || strings.Contains(got, "NaN") {
			t.Errorf("%s: %d: %s", name, w.Code, got)
		}
	}
	s := toted()
	s.Now += 3 * 3600e9
	if got := words1(get(t, handler(s), "/tote").Body.String()); !strings.Contains(got, "Level not heard") {
		t.Errorf("of hours ago: %s", got)
	}
	s = toted()
	s.Units = quantity.SI
	if got := words1(get(t, handler(s), "/tote").Body.String()); !strings.Contains(got, "in the tote, L") || !strings.Contains(got, "refill 120.0 L") || !strings.Contains(got, "level above the floor, cm") {
		t.Errorf("in SI: %s", got)
	}
}
