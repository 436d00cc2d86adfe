package report

import (
	"yardtally/meter/ledger"
)

// Metering is the meter's report for a page: the same words and tables, and the
// figures that its charts draw.
type Metering struct {
	Known   bool     // whether anything was proved
	Label   bool     // only a label says what a pulse is worth
	Of      []string // which meter, and which curve holds
	Curve   []string
	Points  *Figures // the provings; nil: none
	Drift   []string
	Chart   *Figures // the control chart; nil: none
	Foot    []string // of that
	Next    string
	Overdue bool
	Budget  *Figures // of the fills' volume; nil: no fills
	Means   string   // what the budget means

	Span   ledger.CurveSpan // in force; its Curve is nil where nothing was proved
	Proved []Proved         // in the order of time
	// Limits are the control chart's mean, lower and upper limit; not Limited: none.
	Limits  [3]float64
	Limited bool
}

// Proved is one proving in a Metering.
type Proved struct {
	Act      string // its id
	Name     string // by its time
	Done     int64
	InForce  bool
	Off      bool    // outside the limits, or an outlier
	Factor   float64 // meter factor; NaN where it is not in force
	Outlier  bool
	Residual float64 // K-factor over the curve's, less 1; NaN where it is not in force
	RelU     float64 // combined standard uncertainty of its K-factor
}

// MeterPage returns what Meter writes, for a page.
func MeterPage(v *ledger.View, o Options) *Metering {
	if v == nil {
		v = &ledger.View{}
	}
	s := meterSheet(v, o)
	m := &Metering{Known: s.Known, Label: s.label, Span: s.span, Overdue: s.Overdue || s.Known && s.Due == 0}
	if !s.Known {
		return m
	}
	s.name(o)
	m.Of, m.Curve, m.Next = []string{s.is(), s.inForce(o)}, s.curve(o), s.next(o)
	if len(s.rows) > 0 {
		m.Points = s.points(o).table()
	}
	m.Drift = s.driftHead()
	if s.Chart != nil {
		m.Limits, m.Limited = [3]float64{value(s.Chart.Mean), value(s.Chart.Lower), value(s.Chart.Upper)}, true
		m.Foot = s.driftFoot()
		g := grid{head: []string{"done", ">meter factor", ">since first", "?"}}
		for i := range s.rows {
			if row := &s.rows[i]; row.InForce {
				g.add(o.day(int64(row.Done)), plain(value(row.MeterFactor), 5), signedPercent(value(row.SinceFirst)-1), row.outside())
			}
		}
		m.Chart = g.table()
	}
	if s.night.Fills > 0 {
		m.Budget, m.Means = s.budget(o).table(), budgetFoot
	}
	for i := range s.rows {
		row := &s.rows[i]
		m.Proved = append(m.Proved, Proved{Act: row.Proving, Name: o.day(int64(row.Done)), Done: int64(row.Done), InForce: row.InForce,
			Off: row.Outside || row.Outlier, Factor: value(row.MeterFactor), Outlier: row.Outlier, Residual: value(row.Residual), RelU: value(row.RelativeU)})
	}
	return m
}
