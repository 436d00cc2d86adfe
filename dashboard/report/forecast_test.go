package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
)

func forecastOf(brix float64, t quantity.Temperature, m syrup.Makeup) ForecastSheet {
	return ForecastSheet{Rig: "heron", Line: line.Usual(), Said: true, Syrup: syrup.Syrup{Makeup: m, Solids: quantity.FromBrix(brix)},
		SolidsU: quantity.FromBrix(0.2 / math.Sqrt(3)), Temp: t, TempU: 1 / math.Sqrt(3), Set: line.Setting{Level: 0.5}}
}

// planned is a sheet with all that a rig can know.
func planned() ForecastSheet {
	s := forecastOf(66.7, 13, syrup.Makeup{})
	s.InTote, s.TempAt = true, time.Date(2026, 10, 10, 2, 14, 0, 0, time.UTC).UnixNano()
	s.Air, s.HasAir = 5, true
	s.Yards = []ForecastYard{{"orchard", "Orchard End", 24, quantity.USGallon}, {"mill", "Mill Bottom", 11, quantity.USGallon * 5 / 4},
		{"larch", "Larch Bank", 0, quantity.USGallon}, {"ferry", "Ferry Lane", 9, 0}}
	return s
}

// learntRig is a rig whose hose is 1.5 mm narrower and whose pump is 15 % stronger than their labels,
// as its own pulls have it.
func learntRig(t *testing.T) (learnt line.Learnt, truth line.Line) {
	t.Helper()
	truth = line.Usual().With(line.Scale{LnBore: math.Log(17.5 / 19.05), LnPressure: 0.14})
	var pulls []line.Pull
	for i := range 60 {
		s := syrup.Syrup{Solids: quantity.FromBrix([]float64{52, 58, 64}[i%3])}
		temp := quantity.Temperature(6 + i%7*2)
		c := line.Under(s, temp, line.AllAt(temp), line.Setting{Level: 0.5})
		p, err := line.Operate(&truth, &c)
		if err != nil {
			t.Fatal(err)
		}
		off := math.Exp(0.02 * math.Sin(float64(7*i))) // scatter
		pulls = append(pulls, line.Pull{Name: fmt.Sprint("pull ", i), Of: line.Of{Batch: fmt.Sprint(i % 3), Night: fmt.Sprint(i % 4)}, Conditions: c,
			Flow: p.Flow * quantity.Flow(off), RelU: 0.005, SolidsU: 0.002, TempU: 0.5})
	}
	learnt, err := line.Learn(pulls, line.Usual(), line.Widths{})
	if err != nil {
		t.Fatal(err)
	}
	return learnt, truth
}

func TestForecastGolden(t *testing.T) {
	learnt := planned()
	got, _ := learntRig(t)
	learnt.Learnt = &got
	starved := forecastOf(77, 5, syrup.Only(syrup.HFCS55))
	starved.Line.Suction.Bore, starved.Line.Suction.Length = 12*quantity.Millimetre, 6
	starved.Said = false
	stalled := forecastOf(60, 10, syrup.Makeup{})
	stalled.Line.Heights.Nozzle = 15
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		file string
		s    ForecastSheet
		o    Options
	}{
		{"forecast.txt", planned(), Options{Units: quantity.US}},
		{"forecast_si.txt", planned(), Options{}},
		{"forecast.json", planned(), Options{Format: JSON}},
		{"forecast.csv", planned(), Options{Format: CSV}},
		{"forecast_learnt.txt", learnt, Options{Units: quantity.US}},
		{"forecast_starved.txt", starved, Options{Units: quantity.US}},
		{"forecast_stalled.txt", stalled, Options{Units: quantity.US}},
	} {
		c.o.Zone = chicago
		var b bytes.Buffer
		if err := Forecast(&b, c.s, c.o); err != nil {
			t.Fatal(err)
		}
		compare(t, c.file, b.Bytes())
	}
}

// forecastSaid is what a program reads of a forecast.
type forecastSaid struct {
	Now struct {
		Flow, SPerL, SPerGal, Hours float64
		Sure                        string
	}
	Low, High float64
	Thinned   []map[string]any
	Yards     []map[string]any
	Rows      []map[string]any
	Notes     []string
	Cold      map[string]any
}

func forecastJSON(t *testing.T, s ForecastSheet) (d forecastSaid) {
	t.Helper()
	var b bytes.Buffer
	if err := Forecast(&b, s, Options{Format: JSON}); err != nil {
		t.Fatal(err)
	}
	var raw map[string]any
	if err := json.Unmarshal(b.Bytes(), &raw); err != nil {
		t.Fatal(err)
	}
	list := func(key string) (out []map[string]any) {
		for _, x := range raw[key].([]any) {
			out = append(out, x.(map[string]any))
		}
		return out
	}
	num := func(x any) float64 {
		if f, ok := x.(float64); ok {
			return f
		}
		return math.NaN()
	}
	now := raw["now"].(map[string]any)
	d.Now.Flow, d.Now.SPerL, d.Now.SPerGal, d.Now.Hours = num(now["flow_l_per_min"]), num(now["s_per_l"]), num(now["s_per_us_gal"]), num(now["hours"])
	d.Now.Sure = now["less_sure"].(string)
	d.Low, d.High = num(raw["low_l_per_min"]), num(raw["high_l_per_min"])
	d.Thinned, d.Yards, d.Rows = list("thinned"), list("yards"), list("by_temperature")
	for _, n := range raw["notes"].([]any) {
		d.Notes = append(d.Notes, n.(string))
	}
	d.Cold, _ = raw["cold_fill"].(map[string]any)
	return d
}

func near(a, b, part float64) bool { return math.Abs(a-b) <= part*math.Abs(b) }

// What is said closes: times are volumes by flows, yards add up to the hours, water and solids are
// kept, and a first fill through a cold hose takes longer.
func TestForecastCloses(t *testing.T) {
	s := planned()
	d := forecastJSON(t, s)
	if !near(d.Now.SPerL*d.Now.Flow, 60, 1e-3) || !near(d.Now.SPerGal/d.Now.SPerL, 3.785411784, 1e-3) {
		t.Errorf("now %+v", d.Now)
	}
	litres := (24 + 11*1.25) * 3.785411784
	if !near(d.Now.Hours, litres/d.Now.Flow/60, 1e-3) {
		t.Errorf("%.3f hours of %.1f L at %.3f L/min", d.Now.Hours, litres, d.Now.Flow)
	}
	if sum := d.Yards[0]["hours"].(float64) + d.Yards[1]["hours"].(float64); !near(sum, d.Now.Hours, 2e-3) || d.Yards[2]["hours"] != nil || d.Yards[3]["hours"] != nil {
		t.Errorf("yards %v", d.Yards)
	}
	rho := float64(s.Syrup.Near(s.Temp).Density)
	for _, x := range d.Thinned {
		brix, water := x["brix"].(float64), x["water_l_per_l"].(float64)
		// A litre of syrup and so much water have the solids of the one and the mass of both.
		// Density of water at 13 °C 999.38 kg/m³ (CRC Handbook; memory).
		if got := 66.7 * rho / (rho + water*999.38); !near(got, brix, 1e-3) {
			t.Errorf("%g L of water to a litre make %.2f Brix, want %g", water, got, brix)
		}
		faster, sugar := x["faster"].(float64), x["sugar_faster"].(float64)
		carried := x["sugar_kg_per_l"].(float64) / (0.667 * rho / 1000)
		if !near(x["flow_l_per_min"].(float64)/d.Now.Flow, faster, 2e-3) || !near(sugar, faster*carried, 2e-3) || sugar >= faster || faster <= 1 {
			t.Errorf("thinned %v", x)
		}
		if !near(x["sugar_hours"].(float64), d.Now.Hours/sugar, 5e-3) || !near(x["hours"].(float64), d.Now.Hours/faster, 5e-3) {
			t.Errorf("hours of %v", x)
		}
	}
	if d.Cold == nil || d.Cold["seconds"].(float64) < 1.2*d.Cold["warm_seconds"].(float64) || !near(d.Cold["warm_seconds"].(float64), d.Now.SPerGal, 1e-3) {
		t.Errorf("cold fill %v", d.Cold)
	}
	s.Air = 12.5
	if d := forecastJSON(t, s); d.Cold != nil {
		t.Errorf("the air is as warm, yet %v", d.Cold)
	}
}

// The band by labels holds the flow of rigs that are off their labels by one standard deviation, and
// not of those that are off by three; the line as learnt is surer, and right.
func TestForecastBand(t *testing.T) {
	s := forecastOf(66.7, 13, syrup.Makeup{})
	w := line.UsualWidths()
	flow := func(l line.Line) float64 {
		at, err := line.At(&l, s.Syrup, s.Temp, s.Set)
		if err != nil {
			t.Fatal(err)
		}
		return float64(at.Flow / quantity.LitrePerMinute)
	}
	d := forecastJSON(t, s)
	for _, z := range []float64{-1, 1} {
		if q := flow(s.Line.With(line.Scale{LnBore: z * w.LnBore, LnPressure: z * w.LnPressure})); q < d.Low || q > d.High {
			t.Errorf("%g standard deviations: %.2f L/min, said between %.2f and %.2f", z, q, d.Low, d.High)
		}
		if q := flow(s.Line.With(line.Scale{LnBore: 3 * z * w.LnBore, LnPressure: 3 * z * w.LnPressure})); q > d.Low && q < d.High {
			t.Errorf("%g standard deviations: %.2f L/min, said between %.2f and %.2f", 3*z, q, d.Low, d.High)
		}
	}
	// Each cause by itself, by asking a rig that is so much off; reel and formula add a little.
	for _, known := range []struct{ brix, temp float64 }{{0.1, 0.5}, {1.5, 0.5}, {0.1, 4}} {
		at := func(brix, temp float64) forecastSaid {
			x := forecastOf(66.7+brix, quantity.Temperature(13+temp), syrup.Makeup{})
			x.SolidsU, x.TempU = quantity.FromBrix(known.brix), known.temp
			return forecastJSON(t, x)
		}
		d, sum := at(0, 0), 0.0
		for _, q := range []float64{
			flow(s.Line.With(line.Scale{LnBore: w.LnBore})), flow(s.Line.With(line.Scale{LnPressure: w.LnPressure})), flow(s.Line.With(line.Scale{LnNozzle: w.LnNozzle})),
			at(known.brix, 0).Now.Flow, at(0, known.temp).Now.Flow,
		} {
			x := math.Log(q / d.Now.Flow)
			sum += x * x
		}
		if u := math.Log(d.High/d.Low) / 2 / 1.959964; u < 0.97*math.Sqrt(sum) || u > 1.12*math.Sqrt(sum) {
			t.Errorf("%+v: standard uncertainty %.3f, by its causes %.3f", known, u, math.Sqrt(sum))
		}
	}
	if !strings.Contains(strings.Join(d.Notes, " "), "not learnt yet, and these are its labels' figures") {
		t.Errorf("labels are not said to be labels: %q", d.Notes)
	}
	learnt, truth := learntRig(t)
	s.Learnt = &learnt
	of := forecastJSON(t, s)
	if q := flow(truth); q < of.Low || q > of.High || math.Log(of.High/of.Low) > 0.6*math.Log(d.High/d.Low) {
		t.Errorf("learnt: %.2f to %.2f, truly %.2f, by labels %.2f to %.2f", of.Low, of.High, q, d.Low, d.High)
	}
	if text := strings.Join(of.Notes, " "); !strings.Contains(text, "learnt from ") || strings.Contains(text, "labels' figures") {
		t.Errorf("what was learnt is not said: %q", of.Notes)
	}
}

// Every syrup in range can be told, in every form, on rigs of every kind.
func TestForecastEverywhere(t *testing.T) {
	narrow, lifted, wide := line.Usual(), line.Usual(), line.Usual()
	narrow.Hose.Bore, narrow.Suction.Bore = 8*quantity.Millimetre, 10*quantity.Millimetre
	lifted.Heights.Nozzle = 20
	wide.Hose = line.Hose{Bore: 2 * quantity.Inch, Length: 8}
	wide.Nozzle = line.Nozzle{Bore: 2 * quantity.Inch, Discharge: 1}
	for _, l := range []line.Line{line.Usual(), narrow, lifted, wide} {
		for _, m := range []syrup.Makeup{{}, syrup.Only(syrup.Invert), syrup.Only(syrup.HFCS55), syrup.Blend(syrup.Makeup{}, 1, syrup.Only(syrup.HFCS42), 1)} {
			for _, brix := range []float64{0, 0.5, 31, 50, 66.7, 77} {
				for _, temp := range []quantity.Temperature{-5, 0, 17.3, 50} {
					s := planned()
					s.Line, s.Syrup, s.Temp = l, syrup.Syrup{Makeup: m, Solids: quantity.FromBrix(brix)}, temp
					for _, o := range []Options{{}, {Units: quantity.US}, {Format: CSV}} {
						var b bytes.Buffer
						if err := Forecast(&b, s, o); err != nil {
							t.Fatalf("%v, %g Brix, %v: %v", m, brix, temp, err)
						}
						if text := b.String(); strings.Contains(text, "NaN") || strings.Contains(text, "Inf") || !utf8.ValidString(text) {
							t.Errorf("%v, %g Brix, %v: %s", m, brix, temp, text)
						}
						if o.Format == CSV {
							rows, err := csv.NewReader(&b).ReadAll()
							if err != nil || len(rows) < 14 || rows[1][0] > "0" && temp >= 0 {
								t.Errorf("%v: rows %v (%v)", temp, rows, err)
							}
						}
					}
					forecastJSON(t, s)
				}
			}
		}
	}
}

// TestForecastOdd: pulls that were left out are counted, and what was learnt is said all the same.
func TestForecastOdd(t *testing.T) {
	s := planned()
	learnt, _ := learntRig(t)
	s.Learnt = &learnt
	said := func() string {
		t.Helper()
		var b strings.Builder
		if err := Forecast(&b, s, Options{Format: JSON}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	const odd = "Left out, as far off the others: "
	if got := said(); strings.Contains(got, odd) {
		t.Errorf("nothing was left out: %s", got)
	}
	last := learnt.Words()
	learnt.Outliers = append(learnt.Outliers, line.Outlier{Pull: 3, Name: "4991393344498509/11242", Off: -0.4}, line.Outlier{Pull: 9, Name: "77/5", Off: -0.5})
	if got := said(); !strings.Contains(got, odd+"2 pulls.") || strings.Contains(got, "11242") || !strings.Contains(got, last[len(last)-1]) {
		t.Errorf("two were left out, and before that it was said %q: %s", last[len(last)-1], got)
	}
}

func TestForecastRefuses(t *testing.T) {
	var re *syrup.RangeError
	for _, s := range []ForecastSheet{forecastOf(78, 20, syrup.Makeup{}), forecastOf(60, 51, syrup.Makeup{}), forecastOf(60, -6, syrup.Makeup{}), forecastOf(math.NaN(), 20, syrup.Makeup{})} {
		var b bytes.Buffer
		if err := Forecast(&b, s, Options{}); !errors.As(err, &re) || b.Len() > 0 {
			t.Errorf("%+v: %v, want a range error", s.Syrup, err)
		}
	}
	var le *line.Error
	thicker := forecastOf(60, 20, syrup.Makeup{})
	thicker.Thin = []quantity.Solids{0.62}
	odd := forecastOf(60, 20, syrup.Makeup{})
	odd.Line.Hose.Bore = 1
	for _, s := range []ForecastSheet{thicker, odd} {
		var b bytes.Buffer
		if err := Forecast(&b, s, Options{}); !errors.As(err, &le) || b.Len() > 0 {
			t.Errorf("%v, want a line's error", err)
		}
	}
}
