// Package gauges writes figures in Prometheus's text exposition format 0.0.4.
// Its own, since the format is lines of text; tests hold it against the format's
// own parser.
//
// Source: Prometheus documentation, "Exposition formats", text-based format.
package gauges

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// ContentType is what the format is served as.
const ContentType = "text/plain; version=0.0.4; charset=utf-8"

// Kind is a metric's type.
type Kind string

// Kinds that there are here.
const (
	Counter   Kind = "counter"
	Gauge     Kind = "gauge"
	Histogram Kind = "histogram"
)

// Family is a metric with its samples.
type Family struct {
	Name, Help string
	Kind       Kind
	Samples    []Sample
}

// Sample is a value. Labels are name, value, name, value …
type Sample struct {
	suffix string
	Labels []string
	Value  float64
}

// Add adds a sample.
func (f *Family) Add(value float64, labels ...string) {
	f.Samples = append(f.Samples, Sample{Labels: labels, Value: value})
}

// Write writes families that have samples, in order of their names.
func Write(w io.Writer, families []Family) error {
	families = slices.Clone(families)
	slices.SortStableFunc(families, func(a, b Family) int { return strings.Compare(a.Name, b.Name) })
	var out []byte
	for i := range families {
		f := &families[i]
		if len(f.Samples) == 0 {
			continue
		}
		out = fmt.Appendf(out, "# HELP %s %s\n# TYPE %s %s\n", f.Name, help.Replace(f.Help), f.Name, f.Kind)
		for j := range f.Samples {
			s := &f.Samples[j]
			out = append(append(out, f.Name...), s.suffix...)
			for k := 0; k+1 < len(s.Labels); k += 2 {
				sep := byte(',')
				if k == 0 {
					sep = '{'
				}
				out = fmt.Appendf(out, "%c%s=\"%s\"", sep, s.Labels[k], label.Replace(strings.ToValidUTF8(s.Labels[k+1], "\uFFFD")))
			}
			if len(s.Labels) > 0 {
				out = append(out, '}')
			}
			out = append(append(append(out, ' '), number(s.Value)...), '\n')
		}
	}
	_, err := w.Write(out)
	return err
}

// What has to be escaped: in help texts \ and line feed, in values of labels " too.
var (
	help  = strings.NewReplacer(`\`, `\\`, "\n", `\n`)
	label = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)
)

func number(v float64) string {
	switch {
	case math.IsNaN(v):
		return "NaN"
	case math.IsInf(v, 1):
		return "+Inf"
	case math.IsInf(v, -1):
		return "-Inf"
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

// Spread counts what falls below each of some bounds. Its methods may be called
// from any goroutine.
type Spread struct {
	bounds []float64

	mu     sync.Mutex
	counts []uint64 // of each bound, not summed; the last is above all
	sum    float64
}

// NewSpread returns one with these upper bounds, ascending.
func NewSpread(bounds ...float64) *Spread {
	return &Spread{bounds: bounds, counts: make([]uint64, len(bounds)+1)}
}

// Observe counts a value. A bound counts what is equal to it.
func (s *Spread) Observe(v float64) {
	i, _ := slices.BinarySearch(s.bounds, v)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.counts[i]++
	s.sum += v
}

// AddTo adds its samples to a family of Kind Histogram.
func (s *Spread) AddTo(f *Family, labels ...string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := uint64(0)
	for i, c := range s.counts {
		n += c
		le := math.Inf(1)
		if i < len(s.bounds) {
			le = s.bounds[i]
		}
		f.Samples = append(f.Samples, Sample{"_bucket", append(slices.Clone(labels), "le", number(le)), float64(n)})
	}
	f.Samples = append(f.Samples, Sample{"_sum", labels, s.sum}, Sample{"_count", labels, float64(n)})
}
