package line

import (
	"fmt"
	"math"
	"strings"

	"yardtally/calibrate/quantity"
)

// Marks say why a flow is less sure. They can be joined.
type Marks uint8

// The marks.
const (
	// Beyond: the viscosity or the pump's correction is outside what was published.
	Beyond Marks = 1 << iota
	// Transitional: some of the hose is between laminar and turbulent, friction is known to ±30 %.
	Transitional
	// Starved: the pump gets less suction head than it needs, the flow is less than this.
	Starved
	// Stalled: the pump does not lift the syrup to the nozzle.
	Stalled
)

// String returns the marks' names, joined: "beyond, starved".
func (m Marks) String() string {
	var names []string
	for i, name := range [...]string{"beyond", "transitional", "starved", "stalled"} {
		if m&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return strings.Join(names, ", ")
}

// Losses are where the pressure goes, in Pa.
type Losses struct{ Suction, Screen, Meter, Hose, Nozzle quantity.Pressure }

// Point is where a line works.
type Point struct {
	Flow   quantity.Flow
	Outlet quantity.Pressure // at the pump's outlet, gauge: what a sensor there shows
	Inlet  quantity.Pressure // at the pump's inlet, gauge
	// Suction is the head there above boiling (NPSH) at sea level, water's vapour pressure being
	// taken for the syrup's, which is less; Margin is what is left of it above what the pump needs.
	Suction, Margin quantity.Length
	SuctionRe       float64
	HoseRe          [Cells]float64
	Losses          Losses
	Marks           Marks
	unsure          float64 // how much of the hose is transitional, 0 to 1
}

// atmosphere is the standard one, exact.
const atmosphere = 101_325.0

// vapour returns water's vapour pressure in Pa (Alduchov and Eskridge 1996, Magnus' form; memory).
func vapour(deg float64) float64 { return 610.94 * math.Exp(17.625*deg/(deg+243.04)) }

// Operate returns where the line works under these conditions. Errors are *Error.
func Operate(l *Line, c *Conditions) (Point, error) {
	if err := l.Check(); err != nil {
		return Point{}, err
	}
	if err := c.check(); err != nil {
		return Point{}, err
	}
	p, _ := operate(l, c)
	return p, nil
}

func operate(l *Line, c *Conditions) (p Point, w works) {
	w.set(l, c, nudge{})
	w.point(l, c, w.flow(), &p)
	return p, w
}

// point fills p for a flow of q.
func (w *works) point(l *Line, c *Conditions, q float64, p *Point) {
	p.Flow = quantity.Flow(q)
	if c.Beyond || w.beyond {
		p.Marks |= Beyond
	}
	inlet := w.weight * float64(l.Heights.ToteFloor+c.Level-l.Heights.Pump)
	outlet := w.weight * float64(l.Heights.Nozzle-l.Heights.Pump)
	if q > 0 {
		p.Losses = Losses{
			Suction: quantity.Pressure(w.suctionLoss(q)),
			Screen:  quantity.Pressure(q * (w.screenV + q*w.screenS)),
			Meter:   quantity.Pressure(q * (w.meterV + q*w.meterS)),
			Hose:    quantity.Pressure(w.hoseLoss(q)),
			Nozzle:  quantity.Pressure(q * (w.nozzleV + q*w.nozzleS)),
		}
		inlet -= float64(p.Losses.Suction)
		outlet += w.after(q)
	} else {
		p.Marks |= Stalled
		if outlet = w.weight * w.pump.shut; !w.gauged {
			outlet += inlet
		}
	}
	p.Inlet, p.Outlet = quantity.Pressure(inlet), quantity.Pressure(outlet)
	p.Suction = quantity.Length((atmosphere + inlet - vapour(float64(c.Tote))) / w.weight)
	needs := l.Pump.Needs
	if needs == 0 {
		needs = usualNeeds
	}
	if p.Margin = p.Suction - needs; p.Margin < 0 && q > 0 {
		p.Marks |= Starved
	}
	p.SuctionRe = w.suction.toRe * q / w.suctionMu
	for i, mu := range w.mu {
		re := w.hose.toRe * q / mu
		p.HoseRe[i] = re
		p.unsure += (unsure(re, straight)*w.laid[i] + unsure(re, w.critical)*w.wound[i]) / float64(l.Hose.Length)
	}
	if p.unsure > 0 {
		p.Marks |= Transitional
	}
}

// Needed returns what the pump must add for this flow, less what the lift gives; of the line's
// pump only the suction is asked about. Errors are *Error.
func Needed(l *Line, c *Conditions, flow quantity.Flow) (quantity.Pressure, error) {
	if err := l.Check(); err != nil {
		return 0, err
	}
	if err := c.check(); err != nil {
		return 0, err
	}
	if err := between("flow, m³/s", float64(flow), 1e-12, 10); err != nil {
		return 0, err
	}
	var w works
	w.set(l, c, nudge{})
	return quantity.Pressure(w.suctionLoss(float64(flow)) + w.after(float64(flow)) - w.lift), nil
}

// Sense is by how much the logarithm of the flow changes: with the logarithms of bore, pump
// pressure, nozzle area, viscosity and the hose's friction; with another whole hose on the reel;
// with a kelvin all along the line; and with a mass fraction of solids of 1.
type Sense struct {
	LnBore, LnPressure, LnNozzle, LnViscosity, LnFriction, Reel, Kelvin, Solids float64
}

// Sensitivities returns them where the line works, by differences of 1 % (a tenth of a kelvin, of a
// Brix) either way. A stalled line has none: all 0. Errors are *Error.
func Sensitivities(l *Line, c *Conditions) (Sense, error) {
	if err := l.Check(); err != nil {
		return Sense{}, err
	}
	if err := c.check(); err != nil {
		return Sense{}, err
	}
	p, w := operate(l, c)
	return w.sense(l, c, float64(p.Flow), nudge{}), nil
}

// sense asks what is left at the same flow with something nudged beyond base: by the implicit
// function no flow needs to be found again.
func (w *works) sense(l *Line, c *Conditions, q float64, base nudge) Sense {
	if !(q > 0) {
		return Sense{}
	}
	const h = 0.01
	perFlow := (w.left(q*(1+h)) - w.left(q*(1-h))) / math.Log((1+h)/(1-h))
	by := func(up, down nudge, width float64) float64 {
		var v works
		v.set(l, c, base.plus(up))
		d := v.left(q)
		v.set(l, c, base.plus(down))
		return -(d - v.left(q)) / width / perFlow
	}
	s := Sense{
		LnBore:      by(nudge{bore: h}, nudge{bore: -h}, 2*h),
		LnPressure:  by(nudge{pressure: h}, nudge{pressure: -h}, 2*h),
		LnNozzle:    -q * (1.5*w.nozzleV + 2*q*w.nozzleS) / perFlow, // of the area, V goes with -3/2, S with -2
		LnViscosity: by(nudge{viscosity: h}, nudge{viscosity: -h}, 2*h),
		LnFriction:  (w.hoseLoss(q) - w.hose.fittings(w.hoseFittings, q, w.mu[Cells/2])) / perFlow,
		Kelvin:      by(nudge{kelvin: 0.1}, nudge{kelvin: -0.1}, 0.2),
		Solids:      by(nudge{solids: 0.001}, nudge{solids: -0.001}, 0.002),
	}
	if l.Hose.Drum > 0 {
		label := float64(l.Hose.OnReel / l.Hose.Length)
		reel := min(max(0, label+base.reel), 1)
		more, less := min(1, reel+h), max(0, reel-h)
		s.Reel = by(nudge{reel: more - label - base.reel}, nudge{reel: less - label - base.reel}, more-less)
	}
	return s
}

// Words says what the flow hangs on here.
func (s Sense) Words() string {
	if s == (Sense{}) {
		return "Nothing flows here."
	}
	text := fmt.Sprintf("Flow goes here with bore^%.1f, pump pressure^%.2f, nozzle area^%.2f", s.LnBore, s.LnPressure, s.LnNozzle)
	if s.Kelvin != 0 || s.Solids != 0 {
		text += fmt.Sprintf("; 1 °C is worth %.1f %%, 1 Brix %.1f %%", 100*math.Abs(s.Kelvin), math.Abs(s.Solids))
	}
	return text + "."
}
