package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/meter/ledger"
	"yardtally/meter/worth"
)

// golden reads rows of published values: property, inputs, expected, unit,
// tolerance, source, how it was come by.
func golden(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	return rows[1:]
}

func parseFloat(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// The control chart of individuals against the published example; each row
// names its source and how it was come by.
func TestIndividualsPublished(t *testing.T) {
	for _, row := range golden(t, "golden_individuals.csv") {
		t.Run(row[0]+" "+row[6], func(t *testing.T) {
			var x []float64
			for f := range strings.FieldsSeq(strings.TrimPrefix(row[1], "x=")) {
				x = append(x, parseFloat(t, f))
			}
			c, ok := individuals(x)
			got := map[string]float64{"individuals.mean": c.mean, "individuals.mean_moving_range": c.movingRange,
				"individuals.UCL": c.upper, "individuals.LCL": c.lower}[row[0]]
			if want := parseFloat(t, row[2]); !ok || math.Abs(got-want) > parseFloat(t, row[4]) {
				t.Errorf("%v, want %v (%s)", got, want, row[5])
			}
		})
	}
}

func TestIndividualsOfNothing(t *testing.T) {
	for _, x := range [][]float64{nil, {1}, {1, 1, 1}} {
		if c, ok := individuals(x); ok {
			t.Errorf("%v: a chart %+v of what does not differ", x, c)
		}
	}
}

// bucket is an invented test on a meter of 500 pulses/L, which it reads by so
// much too high.
func bucket(name string, day int, brix float64, t quantity.Temperature, seconds, off float64) proving.Test {
	s := syrup.Syrup{Solids: quantity.FromBrix(brix)}
	at := time.Date(2026, 10, day, 17, 30, 0, 0, time.UTC).UnixNano()
	return proving.Test{Name: name, At: at, Net: 20, Syrup: s, Temp: t, Seconds: seconds,
		Pulses: math.Round(500 * (1 + off) * 1000 * 20 * 1.000755 / float64(s.Near(t).Density))}
}

// provedView is the invented view of the other reports, with a meter that was proved
// by buckets. Each curve rests on one test more than the one before.
func provedView(t *testing.T, tests ...proving.Test) *ledger.View {
	t.Helper()
	v := view()
	for i := range tests {
		c, err := proving.NewCurve(proving.Meter{}, tests[:i+1], 495, tests[i].At)
		if err != nil {
			t.Fatal(err)
		}
		v.Curves = append(v.Curves, ledger.CurveSpan{From: tests[i].At, Curve: c, Repeat: 0.001, DueDays: 180})
	}
	v.Curves[1].From = math.MinInt64
	for i := range v.Fills {
		v.Fills[i].Metered.Key = int32(len(v.Curves) - 1)
	}
	return v
}

func night(t *testing.T) *ledger.View {
	return provedView(t,
		bucket("a1", 1, 66.7, 20, 150, 0), bucket("a2", 1, 66.7, 20, 152, 0.0004), bucket("a3", 2, 66.7, 21, 149, -0.0003),
		bucket("a4", 5, 50, 12, 70, 0.0002), bucket("a5", 8, 66.7, 10, 300, 0.03), bucket("a6", 9, 60, 15, 110, 0.0005))
}

func meterOptions() Options {
	o := options()
	o.From, o.To = 0, 0
	o.Now = time.Date(2026, 10, 20, 0, 0, 0, 0, time.UTC).UnixNano()
	return o
}

func TestMeterGolden(t *testing.T) {
	views := map[string]*ledger.View{"meter": night(t), "meter_label": view(), "meter_none": {Rig: "heron"}}
	for name, v := range views {
		for ending, f := range map[string]Format{"txt": Table, "json": JSON, "csv": CSV} {
			o := meterOptions()
			o.Format = f
			var b bytes.Buffer
			if err := Meter(&b, v, o); err != nil {
				t.Fatal(err)
			}
			compare(t, name+"."+ending, b.Bytes())
		}
	}
	var b bytes.Buffer
	if err := Meter(&b, nil, Options{}); err != nil || !strings.Contains(b.String(), "Nothing was proved yet") {
		t.Errorf("of no view: %v %s", err, b.String())
	}
}

// compare holds output against a golden file.
func compare(t *testing.T, name string, got []byte) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; got:\n%s", file, got)
	}
}

func meterJSON(t *testing.T, v *ledger.View, o Options) (d meterDoc) {
	t.Helper()
	o.Format = JSON
	var b bytes.Buffer
	if err := Meter(&b, v, o); err != nil {
		t.Fatal(err)
	}
	// number prints itself and does not read itself back.
	var raw struct {
		Provings []map[string]any `json:"provings"`
		Overdue  bool             `json:"overdue"`
		Due      string           `json:"next_due"`
		By       string           `json:"by"`
		Chart    *struct{}        `json:"control_chart"`
	}
	if err := json.Unmarshal(b.Bytes(), &raw); err != nil {
		t.Fatal(err)
	}
	d.Overdue, d.By = raw.Overdue, raw.By
	for _, p := range raw.Provings {
		row := MeterRow{Proving: fmt.Sprint(p["proving"]), InForce: p["in_force"] == true, Outlier: p["outlier"] == true, Outside: p["outside_the_limits"] == true}
		if f, ok := p["meter_factor"].(float64); ok {
			row.MeterFactor = rounded(f, 6)
		}
		d.Provings = append(d.Provings, row)
	}
	return d
}

// The proving that was 3 % off is named and lies outside the limits, and no other.
func TestOutlierIsNamed(t *testing.T) {
	for _, p := range meterJSON(t, night(t), meterOptions()).Provings {
		if bad := p.Proving == "a5"; p.Outlier != bad || p.Outside != bad {
			t.Errorf("%s: outlier %v, outside %v", p.Proving, p.Outlier, p.Outside)
		}
	}
	var b bytes.Buffer
	if err := Meter(&b, night(t), meterOptions()); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(strings.Join(strings.Fields(b.String()), " "), "Off the curve by more than chance: the proving of 2026-10-08 17:30.") {
		t.Errorf("the outlier is not named:\n%s", b.String())
	}
}

// A meter that wears runs out of the limits that its first provings set.
func TestDriftShows(t *testing.T) {
	var tests []proving.Test
	off := []float64{0, 0.0002, -0.0001, 0.0001, -0.0002, 0.0002, 0, -0.0001, 0.0001, -0.0002, -0.0045}
	for i, x := range off {
		tests = append(tests, bucket(fmt.Sprint("t", i), 1+i, 66.7, 20, 150, x))
	}
	d := meterJSON(t, provedView(t, tests...), meterOptions())
	last := d.Provings[len(d.Provings)-1]
	if !last.Outside {
		t.Errorf("a drop of 0.45 %% is not outside: %+v", last)
	}
	if f := value(last.MeterFactor); math.Abs(f-1.0045) > 0.001 {
		t.Errorf("meter factor %v, want about 1.0045: fewer pulses a litre, so each is worth more", f)
	}
	for _, p := range d.Provings[:len(d.Provings)-1] {
		if p.Outside {
			t.Errorf("%s: outside, and was not off", p.Proving)
		}
	}
}

// A proving is due so many days after the last that counts.
func TestDue(t *testing.T) {
	last := time.Date(2026, 10, 1, 17, 30, 0, 0, time.UTC)
	v := provedView(t, bucket("a1", 1, 66.7, 20, 150, 0))
	for _, c := range []struct {
		now  time.Time
		late bool
	}{{last, false}, {last.AddDate(0, 0, 180), false}, {last.AddDate(0, 0, 180).Add(time.Second), true}} {
		o := meterOptions()
		o.Now = c.now.UnixNano()
		if d := meterJSON(t, v, o); d.Overdue != c.late {
			t.Errorf("on %v: overdue %v, want %v", c.now, d.Overdue, c.late)
		}
		var b bytes.Buffer
		if err := Meter(&b, v, o); err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(b.String(), "Overdue since 2027-03-30 17:30"); got != c.late {
			t.Errorf("on %v: said %v, want %v", c.now, got, c.late)
		}
	}
}

// Which curve is in force goes by the instant that was asked for.
func TestCurveInForce(t *testing.T) {
	v := night(t)
	o := meterOptions()
	o.Now = time.Date(2026, 9, 30, 0, 0, 0, 0, time.UTC).UnixNano()
	if d := meterJSON(t, v, o); d.By != "label" {
		t.Errorf("before any bucket it is by %s, want the label", d.By)
	}
	o.Now = time.Date(2026, 10, 6, 0, 0, 0, 0, time.UTC).UnixNano()
	n := 0
	d := meterJSON(t, v, o)
	for _, p := range d.Provings {
		if p.InForce {
			n++
		}
	}
	if d.By != "volume" || n != 4 {
		t.Errorf("on 6 Oct by %s, of %d provings, want volume, of 4", d.By, n)
	}
}

// The causes that are told add, as squares, to the ± that is told.
func TestCausesAddUp(t *testing.T) {
	v := night(t)
	from, to := Options{}.span()
	n := ledger.Tally(v, from, to)
	s := meterSheet(v, meterOptions())
	sum := 0.0
	for _, c := range s.Causes {
		x := value(c.WithinL)
		sum += x * x
	}
	if got, want := math.Sqrt(sum), n.Within.Litres(); want == 0 || math.Abs(got/want-1) > 1e-6 {
		t.Errorf("causes add to %v L, the sum is ± %v L", got, want)
	}
	if len(s.Causes) < 4 {
		t.Errorf("only %d causes", len(s.Causes))
	}
	if math.Abs(worth.Cover-1.96) > 0.001 {
		t.Error("± is not 95 %")
	}
}

// Mass provings are told in pulses a kilogram, in the person's unit.
func TestMassProving(t *testing.T) {
	test := bucket("m1", 1, 66.7, 20, 150, 0)
	test.NoBrix = true
	v := provedView(t, test)
	for u, want := range map[quantity.System]string{quantity.SI: "pulses/kg", quantity.US: "pulses/lb"} {
		o := meterOptions()
		o.Units = u
		var b bytes.Buffer
		if err := Meter(&b, v, o); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(b.String(), "K-factor "+want) || !strings.Contains(b.String(), "Proved by mass") {
			t.Errorf("%v: no %s in\n%s", u, want, b.String())
		}
	}
}

// The CSV has the columns of the JSON rows.
func TestMeterCSVIsJSONRows(t *testing.T) {
	o := meterOptions()
	o.Format = CSV
	var b bytes.Buffer
	if err := Meter(&b, night(t), o); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	row, err := json.Marshal(MeterRow{})
	if err != nil {
		t.Fatal(err)
	}
	var fields map[string]any
	if err := json.Unmarshal(row, &fields); err != nil {
		t.Fatal(err)
	}
	if len(lines) != 7 || len(lines[0]) != len(fields) {
		t.Errorf("%d lines of %d columns, want 7 of %d", len(lines), len(lines[0]), len(fields))
	}
	for _, c := range lines[0] {
		if _, ok := fields[c]; !ok {
			t.Errorf("column %s is no field", c)
		}
	}
}

// Figures do not hide what they say.
func TestFigures(t *testing.T) {
	for x, want := range map[float64]string{1426.4: "1,426", 199.4: "199", 99.96: "100", 72.94: "72.9", 9.996: "10.0", 1.234: "1.23", 0.0123: "0.012"} {
		if got := figures(x); got != want {
			t.Errorf("%v: %s, want %s", x, got, want)
		}
	}
	for x, want := range map[float64]string{0.2512: "25 %", 0.0123: "1.2 %", 0.00123: "0.12 %", 0.00041: "0.041 %", -0.00041: "-0.041 %", 0: "0 %"} {
		if got := percentOf(x); got != want {
			t.Errorf("%v: %s, want %s", x, got, want)
		}
	}
	if got := kNumber(quantity.SI, 99999.99, false); got != "100.00" {
		t.Errorf("99.99999 pulses/L is %s", got)
	}
	if kNumber(quantity.US, 36002, false) != "136.28" || kNumber(quantity.SI, 36002, false) != "36.002" {
		t.Errorf("36.002 pulses/L is %s a gallon and %s a litre", kNumber(quantity.US, 36002, false), kNumber(quantity.SI, 36002, false))
	}
}
