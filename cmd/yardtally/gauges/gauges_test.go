package gauges

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
)

// TestWrite holds what is written against the format's own parser,
// github.com/prometheus/common/expfmt.
func TestWrite(t *testing.T) {
	count := Family{Name: "b_total", Help: "Line one\nand a \\.", Kind: Counter}
	count.Add(3, "source", "a \"b\"\n\\c", "rig", "heron")
	count.Add(1<<53, "source", "\xff")
	hist := Family{Name: "a_seconds", Help: "How long.", Kind: Histogram}
	s := NewSpread(0.1, 1)
	for _, v := range []float64{0.05, 0.1, 0.5, 7} {
		s.Observe(v)
	}
	s.AddTo(&hist, "rig", "wren")
	odd := Family{Name: "c", Help: "Odd ones.", Kind: Gauge}
	odd.Add(math.NaN(), "x", "1")
	odd.Add(math.Inf(1), "x", "2")
	odd.Add(math.Inf(-1), "x", "3")
	odd.Add(-0.25, "x", "4")
	var out bytes.Buffer
	if err := Write(&out, []Family{count, hist, odd, {Name: "none", Help: "No sample.", Kind: Gauge}}); err != nil {
		t.Fatal(err)
	}
	p := expfmt.NewTextParser(model.LegacyValidation)
	got, err := p.TextToMetricFamilies(strings.NewReader(out.String()))
	if err != nil {
		t.Fatalf("%v:\n%s", err, out.Bytes())
	}
	if len(got) != 3 {
		t.Errorf("%d families:\n%s", len(got), out.Bytes())
	}
	c := got["b_total"]
	if c.GetHelp() != "Line one\nand a \\." || c.GetType().String() != "COUNTER" || c.Metric[0].GetCounter().GetValue() != 3 ||
		c.Metric[0].Label[0].GetValue() != "a \"b\"\n\\c" || c.Metric[1].GetCounter().GetValue() != 1<<53 || c.Metric[1].Label[0].GetValue() != "\uFFFD" {
		t.Errorf("%v", c)
	}
	h := got["a_seconds"].Metric[0].GetHistogram()
	if h.GetSampleCount() != 4 || h.GetSampleSum() != 7.65 || len(h.Bucket) != 3 {
		t.Fatalf("%v", h)
	}
	for i, want := range []uint64{2, 3, 4} {
		if n := h.Bucket[i].GetCumulativeCount(); n != want {
			t.Errorf("bucket %d: %d, want %d", i, n, want)
		}
	}
	if got["a_seconds"].Metric[0].Label[0].GetValue() != "wren" {
		t.Errorf("%v", got["a_seconds"])
	}
	g := got["c"].Metric
	if !math.IsNaN(g[0].GetGauge().GetValue()) || !math.IsInf(g[1].GetGauge().GetValue(), 1) || !math.IsInf(g[2].GetGauge().GetValue(), -1) || g[3].GetGauge().GetValue() != -0.25 {
		t.Errorf("%v", g)
	}
	if !strings.HasPrefix(out.String(), "# HELP a_seconds How long.\n# TYPE a_seconds histogram\n") {
		t.Errorf("not in order of names:\n%s", out.Bytes())
	}
}
