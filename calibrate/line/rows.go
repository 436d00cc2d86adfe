package line

import "math"

// slopes fills the row of a condition: by how much ln flow changes with each parameter. With groups
// that are not known yet their indices are below 0.
func (l *Learnt) slopes(row []float64, s Sense, p *Point, c *Conditions, batch, night int) {
	row[parBore], row[parNozzle] = s.LnBore, s.LnNozzle
	if c.Outlet == 0 {
		row[parPressure] = s.LnPressure
	} else {
		row[parGauge] = -s.LnPressure
	}
	row[parReel], row[parFriction] = s.Reel, s.LnFriction*p.unsure
	row[parCane], row[parCorn] = s.LnViscosity*c.ViscosityU*c.Cane, s.LnViscosity*c.ViscosityU*(1-c.Cane)
	if batch >= 0 {
		row[batch] = s.Solids
	}
	if night >= 0 {
		row[night], row[night+1] = row[parPressure], s.Kelvin
	}
}

// alone is which part of the friction's uncertainty in the transition is not the same at another
// Reynolds number; judgement.
const alone = 0.4

// form returns that of a row, in ln flow.
func (l *Learnt) form(row []float64) float64 {
	return alone * l.Prior.Friction * math.Abs(row[parFriction])
}

// nudged returns what the parameters make of a condition besides Scale.
func (l *Learnt) nudged(c *Conditions, p *Point, batch, night int) nudge {
	n := nudge{
		friction:  l.coef[parFriction] * p.unsure,
		viscosity: c.ViscosityU * (l.coef[parCane]*c.Cane + l.coef[parCorn]*(1-c.Cane)),
	}
	if l.Label.Hose.Drum > 0 {
		n.reel = l.coef[parReel]
	}
	if batch >= 0 {
		n.solids = l.coef[batch]
	}
	if night >= 0 {
		if n.kelvin = l.coef[night+1]; c.Outlet == 0 {
			n.pressure = l.coef[night]
		}
	}
	if c.Outlet > 0 {
		n.pressure = -l.coef[parGauge]
	}
	return n
}

// point works out a condition with all that is known, and its row if there is one to fill; ok is
// false where nothing flows.
func (l *Learnt) point(c *Conditions, batch, night int, row []float64) (p Point, s Sense, ok bool) {
	plain, _ := operate(&l.linked, c) // says how much of it is transitional
	n := l.nudged(c, &plain, batch, night)
	var w works
	w.set(&l.linked, c, n)
	q := w.flow()
	w.point(&l.linked, c, q, &p)
	p.unsure = plain.unsure
	if q > 0 && row != nil {
		s = w.sense(&l.linked, c, q, n)
		l.slopes(row, s, &p, c, batch, night)
	}
	return p, s, q > 0
}

// gaugeScatter is how far a pump and its gauge are off each other from pull to pull, relative; judgement.
const gaugeScatter = 0.03

// lift is what a gauge says of the pump: the logarithm of the head it shows at the measured flow, less
// that of the pump's curve, with its slopes and uncertainty.
func (l *learner) lift(p *Pull) (row []float64, off, sd float64, ok bool) {
	if p.Conditions.Outlet == 0 {
		return nil, 0, 0, false
	}
	c := p.Conditions
	c.Outlet = 0
	q, night := float64(p.Flow), l.night[p.Of.Night]
	var at Point
	var heads [3]float64
	for i, pressure := range [...]float64{0, 0.01, -0.01} {
		var w works
		w.set(&l.linked, &c, nudge{pressure: l.coef[night] + pressure})
		heads[i] = w.weight * w.pump.head(q)
		if i == 0 {
			w.point(&l.linked, &c, q, &at)
		}
	}
	outlet := float64(p.Conditions.Outlet) * math.Exp(-l.coef[parGauge])
	rise := outlet - float64(at.Inlet)
	if !(rise > 0 && heads[0] > 0 && heads[1] > 0 && heads[2] > 0) {
		return nil, 0, 0, false
	}
	row = make([]float64, len(l.coef))
	row[parPressure] = math.Log(heads[1]/heads[2]) / 0.02
	row[night], row[parGauge] = row[parPressure], outlet/rise
	return row, math.Log(rise / heads[0]), gaugeScatter, true
}
