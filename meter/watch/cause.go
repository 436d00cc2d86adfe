package watch

import (
	"math"

	"yardtally/calibrate/line"
)

// classify names what may make the flow so, from what was measured besides.
//
// whole says that the night has been so since it began.
func (c *course) classify(v *Verdict, at int, whole bool) {
	v.Where = c.where(v, at)
	last := &c.pulls[len(c.pulls)-1]
	speed := last.pull.HasSpeed
	slower := v.Size < 0
	say := func(s string) { v.Evidence = append(v.Evidence, s) }
	switch {
	case whole && slower:
		say("It has been slower than expected since the night's first pulls, by more than nights differ.")
	case whole:
		say("It has been faster than expected since the night's first pulls, by more than nights differ.")
	case v.Sudden && slower:
		say("The flow fell from one pull to the next.")
	case v.Sudden:
		say("The flow rose from one pull to the next.")
	case slower:
		say("The flow has fallen from pull to pull.")
	default:
		say("The flow has risen from pull to pull.")
	}
	if last.pull.HasTote {
		say("Temperature is reckoned with and does not explain it.")
	} else {
		say("The syrup's temperature is not measured: cold could look the same.")
	}
	switch v.Where {
	case Downstream:
		say("The pressure at the pump's outlet did not fall with it: it is after the pump.")
	case Upstream:
		say("The pressure at the pump's outlet went with it: it is before the pump or in it.")
	}
	if speed {
		say("The pump's speed is measured and reckoned with.")
	}
	changed := at > 0 && c.pulls[at].pull.Batch != c.pulls[at-1].pull.Batch
	switch {
	case slower && (whole || changed):
		switch {
		case v.Where == Upstream && speed:
			v.Kinds = []Kind{Suction, Clog}
		case v.Where == Upstream:
			v.Kinds = []Kind{ThrottleDown, Suction}
		case v.Where == Downstream || speed:
			v.Kinds = []Kind{Thicker, Clog}
		default:
			v.Kinds = []Kind{ThrottleDown, Thicker}
		}
	case slower && v.Sudden:
		switch {
		case v.Where == Downstream:
			v.Kinds = []Kind{Kink}
		case v.Where == Upstream && speed:
			v.Kinds = []Kind{Suction}
		case v.Where == Upstream:
			v.Kinds = []Kind{ThrottleDown, Suction}
		case speed:
			v.Kinds = []Kind{Kink, Suction}
		default:
			v.Kinds = []Kind{Kink, ThrottleDown}
		}
	case slower:
		v.Kinds = []Kind{Clog}
	case v.Where == Upstream && !speed:
		v.Kinds = []Kind{ThrottleUp}
	case v.Where == Downstream || speed:
		v.Kinds = []Kind{Thinner}
	case whole || changed:
		v.Kinds = []Kind{Thinner, ThrottleUp}
	default:
		v.Kinds = []Kind{ThrottleUp, Thinner}
	}
	c.couldShow(v, &last.p)
}

// couldShow says what of the kinds would hardly show under these conditions.
func (c *course) couldShow(v *Verdict, p *line.Prediction) {
	s := p.Sense
	if (v.Has(Thinner) || v.Has(Thicker)) && math.Abs(s.Solids)*0.05 < shows {
		v.Evidence = append(v.Evidence, "Syrup so thin hardly flows otherwise for some Brix more or less.")
	}
	if (v.Has(ThrottleUp) || v.Has(ThrottleDown)) && s.LnPressure*0.2 < shows {
		v.Evidence = append(v.Evidence, "The flow hardly hangs on the pump's speed here.")
	}
	if p.Marks&line.Transitional != 0 {
		v.Evidence = append(v.Evidence, "The flow is near the transition to turbulence, where what to expect is less sure.")
	}
}

// where tells on which side of the pump it is, by what the outlet's pressure
// lets flow: as much as was expected of what comes after it, or less.
func (c *course) where(v *Verdict, at int) Where {
	var before, since []float64
	for k := range c.pulls {
		p := &c.pulls[k]
		switch {
		case !p.downOK:
		case k < at:
			before = append(before, p.down)
		case k > at || v.Sudden:
			since = append(since, p.down)
		}
	}
	if len(since) == 0 {
		return Unknown
	}
	if !v.Sudden {
		since = since[max(0, len(since)-3):]
	}
	part := (median(since) - median(before)) / v.Size
	if len(before) < threePulls {
		// Only what was learnt of the line is there to hold it against.
		if math.Abs(v.Size) < 3*c.first {
			return Unknown
		}
		part = median(since) / v.Size
	}
	switch {
	case part > 0.6:
		return Downstream
	case part < 0.4:
		return Upstream
	}
	return Unknown
}
