package main

import (
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"yardtally/calibrate/line"
	"yardtally/calibrate/quantity"
	"yardtally/calibrate/syrup"
	"yardtally/ingest/wire"
)

func readme(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// The checksum that README works out is the one that the parser takes, and each
// step of it is the exclusive or of what came before and the character.
func TestChecksumInReadme(t *testing.T) {
	text := readme(t)
	const sentence = "$YXXDR,G,184223,,PULSES,G,93812400,,UPTIME*58"
	if !strings.Contains(text, "\n    "+sentence+"\n") {
		t.Fatal("README has no such sentence")
	}
	if m, drops := wire.ParseNMEA([]byte(sentence)); len(m.Readings) != 2 || drops != nil {
		t.Errorf("%+v, %v", m, drops)
	}
	_, table, _ := strings.Cut(text, "beginning at 00:\n\n")
	table, _, _ = strings.Cut(table, "\n\n")
	steps := regexp.MustCompile(`(\S) ([0-9A-F]{2}) ([0-9A-F]{2})`).FindAllStringSubmatch(table, -1)
	body := strings.TrimSuffix(sentence[1:], "*58")
	if len(steps) != len(body) {
		t.Fatalf("%d steps, want %d", len(steps), len(body))
	}
	x := byte(0)
	for i, s := range steps {
		if x ^= body[i]; s[1] != body[i:i+1] || s[2] != fmt.Sprintf("%02X", body[i]) || s[3] != fmt.Sprintf("%02X", x) {
			t.Errorf("step %d is %q, want %c %02X %02X", i+1, s[0], body[i], body[i], x)
		}
	}
	if fmt.Sprintf("%02X", x) != "58" {
		t.Errorf("it ends in %02X", x)
	}
}

// What README says bores and a meter lose is what the formulas give: Hagen and
// Poiseuille's, and the meter that a line takes as usual. How thick syrup is, is
// what the syrup room says, to the millipascal second.
func TestLossesInReadme(t *testing.T) {
	text := readme(t)
	const psi = 6894.757293168                      // Pa, NIST SP 811 (2008), appendix B
	flow := float64(2 * quantity.USGallonPerMinute) // m³/s
	meter := line.Usual().Meter
	rows := regexp.MustCompile(`(?m)^\| (200|400|700) \| ([0-9.]+) \| ([0-9.]+) \| ([0-9.]+) \| ([0-9.]+) \|$`).FindAllStringSubmatch(text, -1)
	if len(rows) != 3 {
		t.Fatalf("%d rows, want 3", len(rows))
	}
	for _, row := range rows {
		var n [5]float64
		for i := range n {
			var err error
			if n[i], err = strconv.ParseFloat(row[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		mu := n[0] / 1000
		want := []float64{meter.Viscous*mu*flow + meter.Square*1330*flow*flow}
		for _, bore := range []float64{0.0127, 0.01905, 0.0254} {
			want = append(want, 128*mu*3.048*flow/(math.Pi*math.Pow(bore, 4)))
		}
		for i, w := range want {
			if math.Abs(n[i+1]-w/psi) > 0.051 {
				t.Errorf("%s: column %d is %g, want %.2f psi", row[0], i+2, n[i+1], w/psi)
			}
		}
	}
	for _, c := range []struct {
		brix, f float64
		words   string
	}{{66.7, 68, "has %.0f mPa·s at 68 °F"}, {66.7, 50, ", %.0f at 50 °F and"}, {66.7, 40, "and %.0f at 40 °F; 64 Brix"}, {64, 68, "64 Brix has %.0f, "}, {64, 50, ", %.0f and "}, {64, 40, " and %.0f ("}} {
		p, err := syrup.Syrup{Solids: quantity.FromBrix(c.brix)}.At(quantity.FromFahrenheit(c.f))
		if words := fmt.Sprintf(c.words, float64(p.Viscosity/quantity.MillipascalSecond)); err != nil || !strings.Contains(text, words) {
			t.Errorf("README has no %q (%v)", words, err)
		}
	}
}

// Each test that SECURITY.md puts behind a claim is there.
func TestSecurityNamesItsTests(t *testing.T) {
	page, err := os.ReadFile("SECURITY.md")
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	err = filepath.WalkDir(filepath.Join("..", ".."), func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		for _, m := range regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)\w+)\(`).FindAllSubmatch(text, -1) {
			there[string(m[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	named := regexp.MustCompile("`((?:Test|Fuzz)\\w+)`").FindAllSubmatch(page, -1)
	if len(named) < 40 {
		t.Errorf("only %d tests are named", len(named))
	}
	for _, m := range named {
		if !there[string(m[1])] {
			t.Errorf("%s is not there", m[1])
		}
	}
}
