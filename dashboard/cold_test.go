package dashboard

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/dashboard/report"
	"yardtally/meter/outing"
)

// chilled is the batched night with steady parts in its pulls: the model's flow
// but for one of a kinked hose, and two of another syrup.
func chilled(t *testing.T) (*Snapshot, int) {
	t.Helper()
	s := batched()
	m := newModel(s)
	sheet, err := m.sheet(&asking{syrup: inTote})
	if err != nil {
		t.Fatal(err)
	}
	told, err := report.Foretell(sheet, report.Options{Units: quantity.US, Zone: zone})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for i := range s.View.Fills {
		f := &s.View.Fills[i]
		if f.Open {
			continue
		}
		temp := quantity.Temperature(8 + 0.02*float64(i))
		lo, hi, ok := bandAt(told.Curve, temp)
		if !ok {
			t.Fatal("the curve has no 8 °C")
		}
		liquid := syrup.Syrup{Makeup: sheet.Syrup.Makeup, Solids: sheet.Syrup.Solids}
		flow := quantity.Flow(math.Sqrt(float64(lo * hi)))
		switch i {
		case 3:
			flow = lo / 2
		case 5, 6:
			liquid.Solids = quantity.FromBrix(60)
		}
		f.Pulled = outing.Pulled{Flow: flow, RelU: 0.01, Tote: temp, HasTote: true, Liquid: liquid}
		n++
	}
	return s, n - 2
}

// The picture has the model's band and the pulls, the tables and files the same.
func TestFlowByCold(t *testing.T) {
	s, n := chilled(t)
	h := handler(s)
	page := get(t, h, "/forecast").Body.String()
	got := words1(page)
	for _, want := range []string{plural(n, "steady pull", "steady pulls") + " of this syrup 35 flowed as the model has it; 2 pulls of other syrup are not shown.", "19 of 20, by the model", "now 47 °F", "flow, gal/min", "syrup, °F", "tonight",
		"What the model expects", "Steady pulls of the newest night", "within", "below"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in %s", want, got)
		}
	}
	for _, want := range []string{`class="chart wide`, `class="band"`, `aria-describedby="cold-d"`, `href="/forecast/pulls.csv?`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %s", want)
		}
	}
	if len(page) > 60_000 {
		t.Errorf("the page has %d bytes", len(page))
	}
	rows, err := csv.NewReader(get(t, h, "/forecast/pulls.csv").Body).ReadAll()
	if err != nil || len(rows) != n+1 || strings.Join(rows[0], " ") != "start yard temp_c flow_l_per_min flow_relative_u low_l_per_min high_l_per_min brix" || rows[1][1] != "orchard" || rows[1][7] != "64.2" {
		t.Errorf("%d rows, %v, %v", len(rows), rows[:2], err)
	}
	var doc struct {
		Pulls []pullDoc `json:"pulls"`
	}
	if err := json.Unmarshal(get(t, h, "/forecast/pulls.json").Body.Bytes(), &doc); err != nil || len(doc.Pulls) != n {
		t.Fatalf("%d pulls, %v", len(doc.Pulls), err)
	}
	below := 0
	for _, p := range doc.Pulls {
		if p.FlowLPM < *p.Low {
			below++
		}
	}
	if below != 1 {
		t.Errorf("%d pulls are below the band", below)
	}
	// By temperature, with the band.
	rows, err = csv.NewReader(get(t, h, "/forecast.csv?syrup=tote&brix=&temp=50").Body).ReadAll()
	if err != nil || len(rows) < 10 || rows[0][2] != "low_l_per_min" {
		t.Errorf("%v, %v", rows, err)
	}
	if w := get(t, h, "/forecast.json?syrup=sucrose&brix=50&temp=50"); w.Code != 200 || !strings.Contains(w.Body.String(), `"report": "forecast"`) {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	if w := get(t, h, "/forecast.csv?syrup=honey"); w.Code != 422 || !strings.Contains(w.Body.String(), `syrup: must be sucrose, invert, hfcs-42 or hfcs-55, is "honey"`) {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	// Of another syrup no pull stands there, and of none yet that is said.
	if got := words1(get(t, h, "/forecast?syrup=hfcs-55&temp=50").Body.String()); !strings.Contains(got, "No steady pull of this syrup was metered yet; 38 pulls of other syrup are not shown.") || !strings.Contains(got, "asked 50 °F") {
		t.Errorf("%s", got)
	}
	if got := words1(get(t, handler(batched()), "/forecast").Body.String()); !strings.Contains(got, "No pull that stayed steady was metered yet") || strings.Contains(got, "Steady pulls of the newest night") {
		t.Errorf("%s", got)
	}
	// What is no flow of the line stands nowhere.
	for i := range s.View.Fills {
		f := &s.View.Fills[i]
		switch i % 4 {
		case 0:
			f.Surged = true
		case 1:
			f.Stray = true
		case 2:
			f.Rest = true
		default:
			f.Pulled.HasTote, f.HasSyrup = false, false
		}
	}
	if pulls, others := newModel(s).steady(syrup.Syrup{}); len(pulls)+others != 0 {
		t.Errorf("%d pulls and %d of other syrup", len(pulls), others)
	}
}
