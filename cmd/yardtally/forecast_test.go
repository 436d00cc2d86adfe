package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard"
	"yardtally/dashboard/report"
	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
)

// TestForecastTrade asks the command for what feeding people know of their rigs, at 20-30 °C and
// 2000-2900 rpm with 100 ft of 3/4-inch hose. Common practice, no source.
func TestForecastTrade(t *testing.T) {
	file := filepath.Join(t.TempDir(), "heron.toml")
	gallon := func(bore, speed, temp string, syrup ...string) float64 {
		t.Helper()
		text := fmt.Sprintf("rig = \"heron\"\n[line]\nhose_bore = %q\nhose_length = \"100 ft\"\n", bore)
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		var out, bad bytes.Buffer
		args := append([]string{"forecast", "-settings", file, "-json", "-speed", speed + " rpm", "-temp", temp + " C"}, syrup...)
		if code := Main(args, &env{out: &out, err: &bad}); code != 0 {
			t.Fatalf("%v: exit code %d: %s", args, code, bad.String())
		}
		var said struct {
			Now struct {
				Seconds float64 `json:"s_per_us_gal"`
			} `json:"now"`
		}
		if err := json.Unmarshal(out.Bytes(), &said); err != nil {
			t.Fatal(err)
		}
		return said.Now.Seconds
	}
	const label = "3/4 in"
	for _, rpm := range []string{"2000", "2450", "2900"} {
		for _, deg := range []string{"20", "25", "30"} {
			if s := gallon(label, rpm, deg, "-brix", "50 Brix"); s < 5 || s > 12 {
				t.Errorf("%s rpm, %s °C: a gallon of 1:1 takes %.1f s, common are 5 to 12", rpm, deg, s)
			}
			// At 30 °C it is half as thick as at 20: a fast pump then needs less, and the fact is about cooler syrup.
			if s := gallon(label, rpm, deg, "hfcs-55"); s < 120 && (deg != "30" || rpm == "2000") {
				t.Errorf("%s rpm, %s °C: a gallon of HFCS-55 takes %.0f s, common are over 120", rpm, deg, s)
			}
		}
	}
	// Of slightly thinned 2:1 the middle of the range has to serve: over all of it viscosity and pressure differ by a factor of 4.
	for _, brix := range []string{"64 Brix", "65 Brix"} {
		if s := gallon(label, "2450", "25", "-brix", brix); s < 20 || s > 45 {
			t.Errorf("a gallon of %s takes %.0f s, common are 20 to 45", brix, s)
		}
	}
	// 5/8-inch hose is markedly slower; of laminar flow (6/5)⁴ is 2.07.
	for _, syrup := range [][]string{{"-brix", "50 Brix"}, {"-brix", "65 Brix"}, {"hfcs-55"}} {
		if r := gallon("5/8 in", "2450", "25", syrup...) / gallon(label, "2450", "25", syrup...); r < 1.25 || r > 2.1 {
			t.Errorf("5/8-inch hose takes %.2f times as long for %v", r, syrup)
		}
	}
}

// TestForecastLearns: of a rig with some nights in its journal the command says what the page says,
// within bounds that are a part of what labels alone let it say.
func TestForecastLearns(t *testing.T) {
	const nights = 4
	data, ctx := t.TempDir(), t.Context()
	seasons := rigsim.WatchNights(3, nights)
	b, err := openLocal(data, seasons[0].Rig, true)
	if err != nil {
		t.Fatal(err)
	}
	var recordings []string
	for i, s := range seasons {
		n := playNight(t, s)
		recordings = append(recordings, n.recording(t))
		for k, a := range n.settings(t, t.TempDir()).Acts {
			_, batch := a.Body.(act.Batch)
			if batch {
				a.From = n.Start.UnixNano() - 3600e9
			}
			if i == 0 || batch {
				said := act.Act{ID: fmt.Sprint("a", i, "-", k), Rig: n.Rig, Who: "wren", When: n.Start.UnixNano(), From: a.From, Body: a.Body}
				if _, err := b.AddActs(ctx, said); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	type answer struct {
		Line struct {
			Learnt bool `json:"learnt"`
		} `json:"line"`
		Low  float64 `json:"low_l_per_min"`
		High float64 `json:"high_l_per_min"`
	}
	args := []string{"forecast", "-data", data, "-brix", "60 Brix", "-temp", "60 F"}
	ask := func() (a answer) {
		t.Helper()
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(call(t, append(args, "-json")...)), &a); err != nil {
			t.Fatal(err)
		}
		return a
	}
	before := ask()
	if b, err = openLocal(data, seasons[0].Rig, false); err != nil {
		t.Fatal(err)
	}
	for _, path := range recordings {
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		_, err = b.Import(ctx, f, func(imported) {})
		if f.Close(); err != nil {
			t.Fatal(err)
		}
	}
	v, err := b.View(ctx)
	if err != nil {
		t.Fatal(err)
	}
	found, err := b.Watch(ctx)
	if err != nil {
		t.Fatal(err)
	}
	after := ask()
	if before.Line.Learnt || !after.Line.Learnt || !(before.Low > 0 && after.Low > 0) {
		t.Fatalf("learnt before any night %v, after %d of them %v: %+v", before.Line.Learnt, nights, after.Line.Learnt, after)
	}
	was, is := math.Log(before.High/before.Low), math.Log(after.High/after.Low)
	t.Logf("%.3g to %.3g L/min, after %d nights %.3g to %.3g", before.Low, before.High, nights, after.Low, after.High)
	if is > was/2 {
		t.Errorf("%.3g to %.3g L/min before any night, %.3g to %.3g after: not half as wide", before.Low, before.High, after.Low, after.High)
	}
	// What the page shows it is told by the watch.
	sheet := dashboard.SheetOf(v)
	sheet.Learnt = found.page.Learnt
	var p forecastFlags
	p.brix, p.temp, p.tempWithin = "60 Brix", "60 F", "1 C"
	asked, err := p.sheet()
	if err != nil {
		t.Fatal(err)
	}
	sheet.Syrup, sheet.SolidsU, sheet.Temp, sheet.TempU = asked.Syrup, asked.SolidsU, asked.Temp, asked.TempU
	var page bytes.Buffer
	if err := report.Forecast(&page, sheet, report.Options{Units: quantity.US, Zone: zoneOf(v)}); err != nil {
		t.Fatal(err)
	}
	if said := call(t, args...); said != page.String() || !strings.Contains(said, "learnt from") {
		t.Errorf("the command says\n%s\nthe page\n%s", said, page.String())
	}
}
