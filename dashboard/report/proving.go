package report

import (
	"fmt"
	"io"
	"math"
	"sort"
	"strings"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
)

// Found is what one proving found, in words and tables.
type Found struct {
	K      string   // with its uncertainty
	At     string   // the condition it was proved at; "": not known
	Notes  []string // what should be known of it
	Budget *Figures // the largest cause first, a line and their sum
	Foot   []string // what the budget means, and what would make it better
}

const untimed = "It was not timed, so the flow it was proved at is a guess."

// SayProving says what one proving found: its K-factor, the condition it was
// proved at, and its budget of uncertainty.
func SayProving(p proving.Point, u quantity.System) Found {
	f := Found{K: fmt.Sprintf("K-factor %s ± %s", KFactor(u, p.K, p.Mass), percentOf(p.Budget.Expanded(0.95)))}
	var at []string
	switch {
	case p.Flow > 0:
		at = append(at, u.Flow(p.Flow))
	case p.Rate > 0:
		at = append(at, figures(p.Rate)+" pulses a second")
	}
	if p.Liquid.Viscosity > 0 {
		at = append(at, viscosity(p.Liquid.Viscosity), u.Density(p.Liquid.Density))
	}
	if len(p.Budget) > 1 && !math.IsNaN(float64(p.Liquid.Temp)) {
		at = append(at, u.Temperature(p.Liquid.Temp))
	}
	if len(at) > 0 {
		f.At = "proved at " + strings.Join(at, ", ")
	}
	if len(p.Budget) > 1 && p.Rate == 0 {
		f.Notes = append(f.Notes, untimed)
	}
	parts := append(proving.Budget(nil), p.Budget...)
	sort.SliceStable(parts, func(i, j int) bool { return parts[i].RelU > parts[j].RelU })
	g := grid{head: []string{"cause", ">±", ""}}
	for _, c := range parts {
		note := ""
		if c.Common {
			note = "common to all tests so done"
		}
		g.add(c.Name, percent95(c.RelU), note)
	}
	g.rule()
	g.add("all", percentOf(p.Budget.Expanded(0.95)), "")
	f.Budget = g.table()
	f.Foot = append(f.Foot, "± holds the truth 19 times in 20. Causes add as squares.")
	if a := p.Budget.Advice(); a != "" {
		f.Foot = append(f.Foot, sentence("To do better: "+a))
	}
	return f
}

// ProvingFound writes what SayProving says. The error is the writer's.
func ProvingFound(w io.Writer, p proving.Point, o Options) error {
	var b strings.Builder
	f := SayProving(p, o.Units)
	wrap(&b, "", f.K)
	if f.At != "" {
		wrap(&b, "  ", f.At)
	}
	for _, text := range f.Notes {
		if text == untimed {
			text = strings.TrimSuffix(text, ".") + ": -time says it."
		}
		wrap(&b, "  ", text)
	}
	b.WriteString("\nWhat it is uncertain by\n\n")
	g := grid{head: []string{"  cause", ">±", ""}}
	for _, row := range f.Budget.Rows {
		if len(row) > 0 {
			row = append([]string{"  " + row[0]}, row[1:]...)
		}
		g.add(row...)
	}
	_ = g.write(&b) // to memory
	b.WriteByte('\n')
	for _, text := range f.Foot {
		wrap(&b, "  ", text)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// ProvingEffect is what a proving changes.
type ProvingEffect struct {
	Point         proving.Point
	At            int64              // the instant at which curves are compared; 0: now
	Before, After []ledger.CurveSpan // as views have them
	// BeforeView and AfterView give what was metered in all; nil: not known.
	BeforeView, AfterView *ledger.View
}

// ProvingChange writes what a proving changes: the K-factor under its condition, and
// what was metered in all. The error is the writer's.
func ProvingChange(w io.Writer, e ProvingEffect, o Options) error {
	var b strings.Builder
	b.WriteString("What changes\n\n")
	table, texts := e.say(o.Units)
	g := grid{head: []string{"", ">before", ">after", ">change"}}
	for _, row := range table.rows {
		g.add(append([]string{"  " + row[0]}, row[1:]...)...)
	}
	_ = g.write(&b) // to memory
	b.WriteByte('\n')
	for _, text := range texts {
		wrap(&b, "  ", text)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Say is what ProvingChange writes, for a page.
func (e *ProvingEffect) Say(u quantity.System) (*Figures, []string) {
	g, texts := e.say(u)
	g.head[0] = "of"
	return g.table(), texts
}

func (e *ProvingEffect) say(u quantity.System) (g grid, out []string) {
	before, after := curveAt(e.Before, e.At).Curve, curveAt(e.After, e.At).Curve
	g = grid{head: []string{"", ">before", ">after", ">change"}}
	was, now := kUnder(before, e.Point), kUnder(after, e.Point)
	text := func(c *proving.Curve, k float64) string {
		if c == nil {
			return "none"
		}
		return kNumber(u, k, c.Mass()) + " " + kUnit(u, c.Mass())
	}
	diff := ""
	if before != nil && after != nil && before.Mass() == after.Mass() {
		diff = signedPercent(now/was - 1)
	}
	g.add("K-factor there", text(before, was), text(after, now), diff)
	sure := func(c *proving.Curve) string {
		if c == nil {
			return ""
		}
		return "± " + percent95(c.RelU(c.At(e.Point.Rate, e.Point.Liquid)))
	}
	g.add("how sure", sure(before), sure(after), "")
	if e.BeforeView != nil && e.AfterView != nil {
		a := ledger.Tally(e.BeforeView, math.MinInt64, math.MaxInt64)
		z := ledger.Tally(e.AfterView, math.MinInt64, math.MaxInt64)
		diff := ""
		if a.Total > 0 {
			diff = signedPercent(float64(z.Total)/float64(a.Total) - 1)
		}
		g.add("metered in all", Hundredths(u, a.Total), Hundredths(u, z.Total), diff)
		if a.Within > 0 || z.Within > 0 {
			g.add("fills' ±", Within(u, a.Within), Within(u, z.Within), "")
		}
	}
	if after == nil {
		return g, nil
	}
	r := after.Report()
	out = append(out, sentence("The curve is now: "+r.Equation.Words(u)))
	for _, n := range append(append([]string(nil), r.Outliers...), r.Repeat.Outlier) {
		if n != "" && n == e.Point.Name {
			out = append(out, "This proving lies off the others by more than chance: it is kept, but look again at bucket, Brix and count.")
			break
		}
	}
	for _, l := range r.LeftOut {
		if why, ok := strings.CutPrefix(l, e.Point.Name+": "); ok {
			out = append(out, sentence("This proving does not count: "+why))
		}
	}
	if n := len(r.Repeat.Names); n >= 2 {
		out = append(out, fmt.Sprintf("Repeatability: %s over %d runs under like conditions.", percentOf(r.Repeat.Repeatability), n))
	}
	if r.Disagree {
		out = append(out, "The provings disagree by more than their own uncertainty explains; all are counted as less sure.")
	}
	return g, out
}

// kUnder is a curve's K-factor where a point was proved; 0 without a curve.
func kUnder(c *proving.Curve, p proving.Point) float64 {
	if c == nil {
		return 0
	}
	return 1 / c.At(p.Rate, p.Liquid).Volume
}
