package report

import (
	"io"
	"math"
	"slices"

	"yardtally/calibrate/proving"
	"yardtally/calibrate/quantity"
	"yardtally/meter/ledger"
	"yardtally/meter/worth"
)

// MeterRow is one proving of the meter: what it found, what the curve in force
// makes of it, and where it stands on the control chart.
type MeterRow struct {
	Proving     string  `json:"proving"` // the act's id
	Done        instant `json:"done"`
	InForce     bool    `json:"in_force"`      // the curve in force rests on it
	PulsesPerL  number  `json:"pulses_per_l"`  // its K-factor
	PulsesPerKg number  `json:"pulses_per_kg"` // the same of a mass proving
	RelativeU   number  `json:"relative_u"`    // combined standard uncertainty of the K-factor
	FlowLPerMin number  `json:"flow_l_per_min"`
	Viscosity   number  `json:"viscosity_mpa_s"`
	TempC       number  `json:"temp_c"`
	Residual    number  `json:"residual"`           // K-factor over the curve's, less 1; null if not in force
	Standard    number  `json:"residual_standard"`  // that by its standard deviation
	Weight      number  `json:"weight"`             // 1; less where it was found to be off
	Outlier     bool    `json:"outlier"`            //
	MeterFactor number  `json:"meter_factor"`       // the curve's K-factor over the proving's
	SinceFirst  number  `json:"since_first"`        // meter factor over that of the first
	Outside     bool    `json:"outside_the_limits"` // of the control chart
}

type chartDoc struct {
	Mean        number `json:"mean"`
	MovingRange number `json:"mean_moving_range"`
	Lower       number `json:"lower_limit"`
	Upper       number `json:"upper_limit"`
}

type causeDoc struct {
	Cause   string `json:"cause"`
	WithinL number `json:"within_l"` // half the 95 % interval that it alone would make
}

type meterDoc struct {
	Report        string     `json:"report"` // "meter"
	Rig           string     `json:"rig"`
	LegalForTrade bool       `json:"legal_for_trade"`
	At            instant    `json:"at"`
	Type          string     `json:"type"`
	Body          string     `json:"body"`
	Repeat        number     `json:"repeat_relative"` // standard deviation of one pull
	Known         bool       `json:"known"`           // whether anything was proved
	Since         instant    `json:"since"`           // the curve in force holds; null: since ever
	By            string     `json:"by"`              // "volume", "mass" or "label"
	Curve         string     `json:"curve"`           // in words
	Curves        int        `json:"curves"`          // how many there were, with this
	FlowLPerMin   [2]number  `json:"proved_flow_l_per_min"`
	Viscosity     [2]number  `json:"proved_viscosity_mpa_s"`
	TempC         [2]number  `json:"proved_temp_c"`
	HzPerCSt      [2]number  `json:"proved_hz_per_mm2_s"`
	Linearity     number     `json:"linearity"`
	Repeatability number     `json:"repeatability"`
	RepeatRuns    []string   `json:"repeatability_of"`
	RepeatU       number     `json:"repeatability_mean_u95"`
	OffLabel      number     `json:"off_label"`
	Disagree      bool       `json:"provings_disagree"`
	LeftOut       []string   `json:"left_out"`
	Provings      []MeterRow `json:"provings"`
	Chart         *chartDoc  `json:"control_chart"`
	Last          instant    `json:"last_proved"`
	Due           instant    `json:"next_due"`
	Overdue       bool       `json:"overdue"`
	FillsL        number     `json:"fills_l"`
	WithinL       number     `json:"fills_within_l"`
	Causes        []causeDoc `json:"causes"`
}

// sheet is everything the meter's report says.
type sheet struct {
	meterDoc
	rep   proving.Report
	night ledger.Night
	label bool
	span  ledger.CurveSpan
	rows  []MeterRow
	names map[string]string
}

// Meter writes what is known of the flow meter: its curve, the provings that it
// rests on, how it drifts, when the next proving is due, and what the season's
// volume is uncertain by. The error is the writer's.
func Meter(w io.Writer, v *ledger.View, o Options) error {
	if v == nil {
		v = &ledger.View{}
	}
	s := meterSheet(v, o)
	switch o.Format {
	case CSV:
		return writeCSV(w, s.rows)
	case JSON:
		return writeJSON(w, s.meterDoc)
	}
	return meterTable(w, v, o, s)
}

// curveAt returns the span that holds at an instant; the newest for 0.
func curveAt(curves []ledger.CurveSpan, at int64) ledger.CurveSpan {
	var out ledger.CurveSpan
	for i := range curves {
		if curves[i].Curve != nil && (at == 0 || curves[i].From <= at) {
			out = curves[i]
		}
	}
	return out
}

// now is the instant that "overdue" is judged by.
func (o Options) now(v *ledger.View) int64 {
	if o.Now != 0 {
		return o.Now
	}
	return v.At
}

func meterSheet(v *ledger.View, o Options) *sheet {
	from, to := o.span()
	s := &sheet{night: ledger.Tally(v, from, to), names: make(map[string]string)}
	s.Report, s.Rig, s.At, s.RepeatRuns, s.LeftOut = "meter", v.Rig, instant(v.At), []string{}, []string{}
	s.rows = []MeterRow{}
	s.FillsL, s.WithinL = litres(s.night.Volume), withinL(s.night.Within)
	s.Causes = make([]causeDoc, 0, len(s.night.Budget))
	for _, c := range s.night.Budget {
		s.Causes = append(s.Causes, causeDoc{c.Name, litres(quantity.VolumeOf(worth.Cover * c.U))})
	}
	s.span = curveAt(v.Curves, o.now(v))
	if s.span.Curve == nil {
		s.Provings = s.rows
		return s
	}
	s.rep = s.span.Curve.Report()
	r := &s.rep
	s.Known = true
	if s.label = len(r.Points) == 1 && r.Points[0].Name == proving.CauseLabel; s.label {
		r.Points = nil
	}
	s.Type, s.Body, s.Repeat = r.Meter.Type.String(), r.Meter.Body.String(), rounded(s.span.Repeat, 6)
	if s.span.From != math.MinInt64 {
		s.Since = instant(s.span.From)
	}
	s.By = "volume"
	switch {
	case s.label:
		s.By = "label"
	case r.Mass:
		s.By = "mass"
	}
	s.Curve, s.Linearity, s.OffLabel, s.Disagree = r.Equation.Words(quantity.SI), rounded(r.Linearity, 6), rounded(r.OffLabel, 6), r.Disagree
	s.LeftOut = append(s.LeftOut, r.LeftOut...)
	if len(r.Repeat.Names) >= 2 {
		s.RepeatRuns = r.Repeat.Names
		s.Repeatability, s.RepeatU = rounded(r.Repeat.Repeatability, 6), rounded(r.Repeat.MeanU, 6)
	}
	if !s.label {
		for i := range 2 {
			if r.Flow[1] > 0 {
				s.FlowLPerMin[i], s.HzPerCSt[i] = rounded(float64(r.Flow[i]/quantity.LitrePerMinute), 3), rounded(r.PerNu[i], 5)
			}
			if !r.Mass {
				s.Viscosity[i] = rounded(1000*float64(r.Viscosity[i]), 3)
			}
			s.TempC[i] = rounded(float64(r.Temp[i]), 2)
		}
	}
	s.provings(v)
	s.due(o.now(v))
	s.Provings = s.rows
	return s
}

// provings lists every proving there was, in the order of time.
func (s *sheet) provings(v *ledger.View) {
	for i := range v.Curves {
		if v.Curves[i].Curve == nil {
			continue
		}
		s.Curves++
		rep := v.Curves[i].Curve.Report()
		for j := range rep.Points {
			p := &rep.Points[j]
			if p.Name == proving.CauseLabel || slices.ContainsFunc(s.rows, func(r MeterRow) bool { return r.Proving == p.Name }) {
				continue
			}
			row := MeterRow{Proving: p.Name, Done: instant(p.At), RelativeU: rounded(p.RelU, 6), TempC: rounded(float64(p.Liquid.Temp), 2)}
			if p.Mass {
				row.PulsesPerKg = rounded(p.K, 6)
			} else {
				row.PulsesPerL, row.Viscosity = rounded(p.K/1000, 6), rounded(1000*float64(p.Liquid.Viscosity), 3)
			}
			if p.Flow > 0 {
				row.FlowLPerMin = rounded(float64(p.Flow/quantity.LitrePerMinute), 4)
			}
			s.rows = append(s.rows, row)
		}
	}
	slices.SortStableFunc(s.rows, func(a, b MeterRow) int { return int(min(1, max(-1, a.Done-b.Done))) })
	// On the chart stand those that the curve in force rests on: it takes the flow and the
	// syrup out of their differences.
	var factors, usual []float64
	var on []int
	for i := range s.rows {
		j := slices.IndexFunc(s.rep.Points, func(p proving.Fitted) bool { return p.Name == s.rows[i].Proving })
		if j < 0 {
			continue
		}
		p, row := &s.rep.Points[j], &s.rows[i]
		row.InForce, row.Residual, row.Weight = true, rounded(p.Resid, 6), rounded(p.Weight, 4)
		if p.Std != 0 {
			row.Standard = rounded(p.Std, 3)
		}
		row.Outlier = slices.Contains(s.rep.Outliers, p.Name) || s.rep.Repeat.Outlier == p.Name
		factors, on = append(factors, p.Fit/p.K), append(on, i)
		if !row.Outlier {
			usual = append(usual, p.Fit/p.K)
		}
	}
	for k, i := range on {
		s.rows[i].MeterFactor, s.rows[i].SinceFirst = rounded(factors[k], 6), rounded(factors[k]/factors[0], 6)
	}
	// Limits are those of the usual scatter: an outlier would widen them over itself.
	if ch, ok := individuals(usual); ok {
		s.Chart = &chartDoc{rounded(ch.mean, 6), rounded(ch.movingRange, 6), rounded(ch.lower, 6), rounded(ch.upper, 6)}
		for k, i := range on {
			s.rows[i].Outside = factors[k] < ch.lower || factors[k] > ch.upper
		}
	}
}

func (s *sheet) due(now int64) {
	var last int64
	for i := range s.rows {
		if s.rows[i].InForce {
			last = max(last, int64(s.rows[i].Done))
		}
	}
	s.Last = instant(last)
	if last != 0 {
		s.Due = instant(last + int64(s.span.DueDays*86400e9))
	}
	s.Overdue = s.Due != 0 && now > int64(s.Due)
}

// chart is a control chart of individual values.
type chart struct{ mean, movingRange, lower, upper float64 }

// individuals returns the control chart of values in the order of time: their
// mean, and limits of three standard deviations, found from how much one value
// differs from the next (NIST/SEMATECH e-Handbook 6.3.2.2). There is none of
// fewer than two values, or of equal ones.
func individuals(x []float64) (c chart, ok bool) {
	const d2 = 1.128 // mean range of two normal values, in standard deviations
	if len(x) < 2 {
		return c, false
	}
	for i, v := range x {
		c.mean += v / float64(len(x))
		if i > 0 {
			c.movingRange += math.Abs(v-x[i-1]) / float64(len(x)-1)
		}
	}
	c.lower, c.upper = c.mean-3*c.movingRange/d2, c.mean+3*c.movingRange/d2
	return c, c.movingRange > 0
}
