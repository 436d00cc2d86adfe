package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
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
