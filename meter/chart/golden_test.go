package chart

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// row is a line of golden_chart.csv: it names its source and how it was come
// by.
type row struct{ property, inputs, expected, tolerance string }

func golden(t *testing.T) (out []row) {
	t.Helper()
	f, err := os.Open("testdata/golden_chart.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range all[1:] {
		out = append(out, row{r[0], r[1], r[2], r[4]})
	}
	return out
}

func goldenRow(t *testing.T, property string) row {
	t.Helper()
	for _, r := range golden(t) {
		if r.property == property {
			return r
		}
	}
	t.Fatalf("no row %s", property)
	return row{}
}

func numbers(t *testing.T, s string) (out []float64) {
	t.Helper()
	for _, f := range strings.Fields(s) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// inputs returns the numbers of a row's inputs by their names.
func (r row) numbers(t *testing.T) map[string][]float64 {
	t.Helper()
	out := map[string][]float64{}
	for _, part := range strings.Split(r.inputs, ";") {
		key, v, ok := strings.Cut(part, "=")
		if !ok {
			t.Fatalf("%s: no number in %q", r.property, part)
		}
		out[key] = numbers(t, strings.TrimSuffix(v, " sigma"))
	}
	return out
}

// within returns how far off a row's value may be: relative, absolute, or half
// of the last printed digit.
func (r row) within(t *testing.T) float64 {
	t.Helper()
	want := numbers(t, r.expected)[0]
	digit := 0.501
	if _, after, ok := strings.Cut(r.expected, "."); ok {
		digit *= math.Pow(10, -float64(len(after)))
	}
	switch {
	case r.tolerance == "last digit":
		return digit
	case strings.HasSuffix(r.tolerance, "or last digit"):
		return max(digit, 0.005*want)
	case strings.HasSuffix(r.tolerance, " %"):
		return numbers(t, strings.TrimSuffix(r.tolerance, " %"))[0] / 100 * want
	}
	return numbers(t, r.tolerance)[0]
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %.9g, want %.9g within %g", what, got, want, within)
	}
}
