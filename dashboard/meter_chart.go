package dashboard

import (
	"fmt"
	"math"
	"slices"
	"time"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/dashboard/draw"
	"yardtally/dashboard/report"
	"yardtally/meter/worth"
)

// curved is the meter's curve as it is drawn: for the syrup of tonight, against
// what the meter's type makes its K-factor depend on.
type curved struct {
	m      *model
	curve  *proving.Curve
	kind   proving.EquationKind
	liquid proving.Liquid
	perK   float64 // from pulses per m³ (kg) to the person's unit
	perQ   float64 // from m³/s (kg/s) to the person's unit of flow
}

// perPerson is what K-factors and flows are multiplied by for the person's units.
func perPerson(u quantity.System, mass bool) (perK, perQ float64) {
	switch {
	case mass && u == quantity.US:
		return float64(quantity.Pound), 60 / float64(quantity.Pound)
	case mass:
		return 1, 60
	case u == quantity.US:
		return quantity.USGallon.CubicMetres(), 1 / float64(quantity.USGallonPerMinute)
	}
	return 1e-3, 1 / float64(quantity.LitrePerMinute)
}

// passing returns the syrup that flows tonight, as it is at a temperature: the
// batch; without one, as it was when the meter was proved, and not own.
func (m *model) passing(rep *proving.Report) func(t quantity.Temperature) (l proving.Liquid, own bool) {
	proved := proving.Liquid{Density: 1230, Viscosity: 0.015, Temp: 20} // some 50 Brix: only a label is drawn with it
	for i := range rep.Points {
		if rep.Points[i].Liquid.Viscosity > 0 {
			proved = rep.Points[i].Liquid
		}
	}
	if m.view.Batch == nil {
		return func(quantity.Temperature) (proving.Liquid, bool) { return proved, false }
	}
	s, _, err := m.view.Batch.Solution()
	return func(t quantity.Temperature) (proving.Liquid, bool) {
		if err != nil {
			return proved, false
		}
		p, err := s.At(t)
		if err != nil {
			return proved, false
		}
		return proving.Liquid{Density: p.Density, Viscosity: p.Viscosity, Temp: t}, true
	}
}

// x is where a pulse rate of a liquid stands on the chart; 0: nowhere.
func (c *curved) x(rate float64, l proving.Liquid) float64 {
	if !(rate > 0) || c.kind == proving.Rising && !(l.Viscosity > 0) {
		return 0
	}
	if c.kind == proving.Rising {
		return rate * float64(l.Density) / float64(l.Viscosity) / 1e6 // mm²/s
	}
	q := rate * c.curve.At(rate, l).Volume * c.perQ
	if c.kind == proving.Slip {
		q *= 1000 * float64(l.Viscosity)
	}
	return q
}

// rate is the pulse rate of tonight's syrup at a place of the chart.
func (c *curved) rate(x float64) float64 {
	l := c.liquid
	switch c.kind {
	case proving.Rising:
		return x * 1e6 * float64(l.Viscosity) / float64(l.Density)
	case proving.Slip:
		x /= 1000 * float64(l.Viscosity)
	}
	return c.curve.Rate(x/c.perQ, l)
}

// label is what the chart's x is.
func (c *curved) label() string {
	_, flow := c.m.Units.FlowParts(0)
	switch {
	case c.kind == proving.Rising:
		return "pulse rate by viscosity, Hz per mm²/s"
	case c.kind == proving.Slip:
		return "flow × viscosity, " + flow + " · mPa·s"
	case c.curve.Mass() && c.m.Units == quantity.US:
		return "flow, lb/min"
	case c.curve.Mass():
		return "flow, kg/min"
	}
	return "flow, " + flow
}

// Pictures of the meter's curve.
const (
	curveSteps = 60
	curveRoom  = 1.5 // beyond what was proved and poured, both ways
)

// curveChart draws the curve with its band, the provings and tonight's fills.
// notes say what the picture is of, and where tonight's flow lies.
func (m *model) curveChart(r *report.Metering) (svg string, notes []string) {
	c := &curved{m: m, curve: r.Span.Curve}
	rep := c.curve.Report()
	c.kind = rep.Equation.Kind
	if r.Label { // it holds for every flow
		c.kind = proving.FromLabel
	}
	var own bool
	passing := m.passing(&rep)
	temp := quantity.Temperature(math.NaN())
	if m.view.Syrup.Has {
		temp = quantity.Temperature(m.view.Syrup.Value)
	}
	c.liquid, own = passing(temp)
	c.perK, c.perQ = perPerson(m.Units, c.curve.Mass())

	var in, off, all draw.Series
	untimed := 0
	for i := range rep.Points {
		p := &rep.Points[i]
		if p.Name == proving.CauseLabel {
			continue
		}
		x := c.x(p.Rate, p.Liquid)
		if !(x > 0) {
			untimed++
			continue
		}
		at := c.curve.At(c.rate(x), c.liquid)
		k, u := (1+p.Resid)/at.Volume*c.perK, worth.Cover*p.RelU
		s := &in
		if slices.Contains(rep.Outliers, p.Name) || p.Name == rep.Repeat.Outlier {
			s = &off
		}
		s.X, s.Y = append(s.X, x), append(s.Y, k)
		all.X, all.Lo, all.Hi = append(all.X, x), append(all.Lo, k*(1-u)), append(all.Hi, k*(1+u))
	}
	var fills draw.Series
	outside := map[proving.Mark]int{}
	from := m.begins
	if len(m.legs) > 0 && m.legs[0].from > 0 {
		from = min(from, m.legs[0].from)
	}
	for i := range m.view.Fills {
		f := &m.view.Fills[i]
		if f.Start < from || f.Open || f.End <= f.Start {
			continue
		}
		rate := float64(f.Last-f.First) / (float64(f.End-f.Start) / 1e9)
		l := c.liquid
		if f.HasSyrup {
			l, _ = passing(f.Syrup)
		}
		if x := c.x(rate, l); x > 0 {
			fills.X, fills.Y = append(fills.X, x), append(fills.Y, c.perK/c.curve.At(c.rate(x), c.liquid).Volume)
			outside[c.curve.At(rate, l).Mark]++
		}
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, x := range slices.Concat(all.X, fills.X) {
		lo, hi = min(lo, x), max(hi, x)
	}
	if lo > hi { // neither: what a hose may let flow
		lo, hi = c.x(c.curve.Rate(2e-3/60, c.liquid), c.liquid), c.x(c.curve.Rate(30e-3/60, c.liquid), c.liquid)
	}
	lo, hi = lo/curveRoom, hi*curveRoom
	var line, band draw.Series
	for i := range curveSteps + 1 {
		x := lo * math.Pow(hi/lo, float64(i)/curveSteps)
		w := c.curve.At(c.rate(x), c.liquid)
		k, u := c.perK/w.Volume, worth.Cover*c.curve.RelU(w)
		line.X, line.Y = append(line.X, x), append(line.Y, k)
		band.X, band.Lo, band.Hi = append(band.X, x), append(band.Lo, k*(1-u)), append(band.Hi, k*(1+u))
	}
	band.Kind, band.Name = draw.Band, "curve, right 19 times in 20"
	line.Name = "curve"
	all.Kind = draw.Whiskers
	fills.Kind, fills.Hollow = draw.Points, true
	if len(fills.X) > 0 {
		fills.Name = "tonight’s fills"
	}
	in.Kind, off.Kind, off.Wrong = draw.Points, draw.Points, true
	if len(in.X) > 0 {
		in.Name = "proving"
	}
	if len(off.X) > 0 {
		off.Name = "off by more than chance"
	}
	chart := draw.Chart{ID: "curve", Title: "The meter’s K-factor", X: draw.Axis{Label: c.label(), Log: true},
		Y: draw.Axis{Label: "K-factor, " + report.KUnit(m.Units, c.curve.Mass())}, Series: []draw.Series{band, line, all, in, off, fills}}
	first, last := line.Y[0], line.Y[curveSteps]
	chart.Desc = fmt.Sprintf("The K-factor goes from %.5g to %.5g over the range that is drawn; %s, %s of tonight.",
		first, last, plural(len(all.X), "proving", "provings"), plural(len(fills.X), "fill", "fills"))
	switch {
	case !own && c.kind != proving.FromLabel:
		notes = append(notes, "Drawn for syrup as it was proved with: what flows tonight is not known.")
	case c.kind != proving.FromLabel && !c.curve.Mass():
		notes = append(notes, "Drawn for tonight’s syrup at "+m.Units.Temperature(c.liquid.Temp)+"; each proving stands as far off the curve as it was where it was made.")
	}
	if untimed > 0 {
		notes = append(notes, plural(untimed, "proving was", "provings were")+" not timed, and has no place on the picture.")
	}
	return chart.Draw(), append(notes, sayMarks(outside)...)
}

// sayMarks says where tonight's flow lies against what was proved.
func sayMarks(of map[proving.Mark]int) (out []string) {
	all := 0
	for _, n := range of {
		all += n
	}
	if all == 0 {
		return nil
	}
	part := func(n int) string {
		if n == all {
			if n == 1 {
				return "Tonight’s fill"
			}
			return fmt.Sprintf("All %d of tonight’s fills", n)
		}
		return fmt.Sprintf("%d of tonight’s %d fills", n, all)
	}
	for _, x := range [...]struct {
		mark proving.Mark
		says string
	}{{proving.Proved, " flowed as the meter was proved."}, {proving.Low, " flowed slower, or thicker or thinner for the flow, than was proved: a proving at such a flow makes them surer."},
		{proving.High, " flowed faster, or thicker or thinner for the flow, than was proved: a proving at such a flow makes them surer."},
		{proving.Alone, " rest on one proving, or a label, for every flow: a second proving at another flow bends the curve."},
		{proving.Unknown, " flowed under a condition that is not known."}} {
		if n := of[x.mark]; n > 0 {
			out = append(out, part(n)+x.says)
		}
	}
	return out
}

// driftChart draws the control chart of the meter factor over time.
func (m *model) driftChart(r *report.Metering) string {
	var in, off draw.Series
	for i := range r.Proved {
		p := &r.Proved[i]
		if !p.InForce || math.IsNaN(p.Factor) {
			continue
		}
		s := &in
		if p.Off {
			s = &off
		}
		s.X, s.Y = append(s.X, float64(p.Done)/1e9), append(s.Y, p.Factor)
	}
	in.Kind, off.Kind, off.Wrong = draw.Points, draw.Points, true
	if in.Name = "proving"; len(off.X) > 0 {
		off.Name = "outside, or off by more than chance"
	}
	x := slices.Concat(in.X, off.X)
	if len(x) == 0 || !r.Limited {
		return ""
	}
	lo, hi := slices.Min(x), slices.Max(x)
	if room := max((hi-lo)/20, 1800); true {
		lo, hi = lo-room, hi+room
	}
	limits := draw.Series{Kind: draw.Band, X: []float64{lo, hi}, Lo: []float64{r.Limits[1], r.Limits[1]}, Hi: []float64{r.Limits[2], r.Limits[2]}, Name: "between the control limits"}
	mean := draw.Series{Kind: draw.Rule, Y: []float64{r.Limits[0]}, Name: "mean"}
	when := "when it was proved"
	first, last := time.Unix(int64(slices.Min(x)), 0).In(m.zone).Format("2 Jan 2006"), time.Unix(int64(slices.Max(x)), 0).In(m.zone).Format("2 Jan 2006")
	if when += ", " + first; first != last {
		when += " to " + last
	}
	c := draw.Chart{ID: "drift", Title: "How the meter drifts", X: draw.Axis{Label: when, Zone: m.zone, Min: lo, Max: hi},
		Y: draw.Axis{Label: "meter factor"}, Series: []draw.Series{limits, mean, in, off}}
	c.Desc = fmt.Sprintf("%s about a mean meter factor of %.5f, with limits %.5f and %.5f; %d outside.", plural(len(x), "proving", "provings"), r.Limits[0], r.Limits[1], r.Limits[2], len(off.X))
	return c.Draw()
}
