package line

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
)

// gravity is standard gravity, exact (NIST SP 811 appendix B.8), m/s².
const gravity = 9.80665

// Suction is the way from tote to pump.
type Suction struct {
	Bore, Length quantity.Length
	Fittings     Fitting // at the bore
}

// Hose is the way from meter to nozzle.
type Hose struct {
	Bore, Length quantity.Length
	OnReel       quantity.Length // how much of Length is wound up: the pump's end
	Drum         quantity.Length // diameter of its turns; needed if OnReel is above 0
	Fittings     Fitting         // at the bore
}

// Nozzle is the open trigger: an orifice, with K1/Re of its own bore where syrup is thick.
type Nozzle struct {
	Bore      quantity.Length
	Discharge float64 // coefficient, 0.05 to 1.2
	K1        float64
}

// Heights are above any one ground.
type Heights struct{ ToteFloor, Pump, Nozzle quantity.Length }

// Line is a rig as labelled. Lines can be compared with ==.
type Line struct {
	Pump          Pump
	Suction       Suction
	Screen, Meter Element // between pump and hose
	Hose          Hose
	Nozzle        Nozzle
	Heights       Heights
	Roughness     quantity.Length // of suction and hose
}

// Usual returns a line to begin with: a 2-inch semi-trash pump a little above idle, 100 ft of
// 3/4-inch hose, a third of it on the reel. Common practice, no source; the losses of screen, meter
// and nozzle are judgement.
func Usual() Line {
	const boreInches = 0.75
	return Line{
		Pump: Pump{
			Rated: 3600 * quantity.PerMinute, Shutoff: 28, MaxFlow: 160 * quantity.USGallonPerMinute,
			Idle: 2400 * quantity.PerMinute,
		},
		Suction: Suction{Bore: 2 * quantity.Inch, Length: 10 * quantity.Foot, Fittings: TwoK(800, 0.4, 2).Times(3)},
		Screen:  Element{Viscous: 2e7, Square: 1e6},
		Meter:   Element{Viscous: 3e8, Square: 4e6},
		Hose: Hose{Bore: boreInches * quantity.Inch, Length: 100 * quantity.Foot, OnReel: 33 * quantity.Foot,
			Drum: 16 * quantity.Inch, Fittings: TwoK(800, 0.4, boreInches).Times(4)},
		Nozzle:    Nozzle{Bore: 10 * quantity.Millimetre, Discharge: 0.75, K1: 200},
		Heights:   Heights{ToteFloor: 0.7, Pump: 0.5, Nozzle: 1},
		Roughness: 0.002 * quantity.Millimetre,
	}
}

// Scale corrects a line's labels: the logarithms of the factors on the hose's bore, on the pump's
// pressure (as if it ran faster) and on the nozzle's area. What else is wrong with the labels these
// three take on.
type Scale struct{ LnBore, LnPressure, LnNozzle float64 }

// With returns the line so corrected.
func (l Line) With(s Scale) Line {
	l.Hose.Bore *= quantity.Length(math.Exp(s.LnBore))
	l.Pump = l.Pump.scaled(math.Exp(s.LnPressure))
	l.Nozzle.Bore *= quantity.Length(math.Exp(s.LnNozzle / 2))
	return l
}

// Holdup returns what the hose holds.
func (l Line) Holdup() quantity.Volume {
	return quantity.VolumeOf(math.Pi / 4 * float64(l.Hose.Bore*l.Hose.Bore*l.Hose.Length))
}

// Error says what cannot be so: field, rule, value.
type Error struct {
	Field string // such as "hose bore"
	Rule  string
	Value any
}

func (e *Error) Error() string { return fmt.Sprintf("%s: %s, is %v", e.Field, e.Rule, e.Value) }

// between returns an *Error as error, or nil; bounds are in SI.
func between(field string, v, lo, hi float64) error {
	if !(v >= lo && v <= hi) {
		return &Error{field, fmt.Sprintf("must be between %g and %g", lo, hi), v}
	}
	return nil
}

// Check returns an *Error for the first field that no rig has.
func (l *Line) Check() error {
	for _, x := range [...]struct {
		field     string
		v, lo, hi float64
	}{
		{"pump rated speed, 1/s", float64(l.Pump.Rated), 1, 500},
		{"pump shutoff head, m", float64(l.Pump.Shutoff), 0.1, 1000},
		{"pump greatest flow, m³/s", float64(l.Pump.MaxFlow), 0, 10},
		{"pump best flow, m³/s", float64(l.Pump.BestFlow), 0, 10},
		{"pump idle, 1/s", float64(l.Pump.Idle), 0.1, 500},
		{"pump suction head, m", float64(l.Pump.Needs), 0, 20},
		{"suction bore, m", float64(l.Suction.Bore), 0.003, 0.5},
		{"suction length, m", float64(l.Suction.Length), 0, 1000},
		{"suction fittings K1", l.Suction.Fittings.K1, 0, 1e6},
		{"suction fittings K", l.Suction.Fittings.K, 0, 1e4},
		{"screen viscous loss, 1/m³", l.Screen.Viscous, 0, 1e13},
		{"screen square loss, 1/m⁴", l.Screen.Square, 0, 1e13},
		{"meter viscous loss, 1/m³", l.Meter.Viscous, 0, 1e13},
		{"meter square loss, 1/m⁴", l.Meter.Square, 0, 1e13},
		{"hose bore, m", float64(l.Hose.Bore), 0.002, 0.3},
		{"hose length, m", float64(l.Hose.Length), 0.1, 1000},
		{"hose on the reel, m", float64(l.Hose.OnReel), 0, float64(l.Hose.Length)},
		{"hose fittings K1", l.Hose.Fittings.K1, 0, 1e6},
		{"hose fittings K", l.Hose.Fittings.K, 0, 1e4},
		{"nozzle bore, m", float64(l.Nozzle.Bore), 0.0005, 0.3},
		{"nozzle discharge", l.Nozzle.Discharge, 0.05, 1.2},
		{"nozzle K1", l.Nozzle.K1, 0, 1e6},
		{"tote floor height, m", float64(l.Heights.ToteFloor), -20, 20},
		{"pump height, m", float64(l.Heights.Pump), -20, 20},
		{"nozzle height, m", float64(l.Heights.Nozzle), -20, 20},
		{"roughness, m", float64(l.Roughness), 0, 0.002},
	} {
		if err := between(x.field, x.v, x.lo, x.hi); err != nil {
			return err
		}
	}
	if l.Pump.BestFlow > l.Pump.MaxFlow {
		return &Error{"pump best flow, m³/s", fmt.Sprintf("must not be above the greatest, %g", float64(l.Pump.MaxFlow)), float64(l.Pump.BestFlow)}
	}
	if l.Hose.OnReel > 0 {
		return between("drum, m", float64(l.Hose.Drum), 2*float64(l.Hose.Bore), 10)
	}
	return nil
}
