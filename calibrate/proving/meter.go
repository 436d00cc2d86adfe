package proving

import (
	"fmt"

	"yardtally/calibrate/quantity"
)

// Type is a kind of flow meter.
type Type uint8

// The types. Numbers are not kept on disk; names are.
const (
	OvalGear    Type = iota // a positive-displacement meter; any such
	Turbine                 // on thin syrup only
	PaddleWheel             // on thin syrup only
)

var typeNames = [...]string{"oval gear", "turbine", "paddle wheel"}

// String returns the type's name: "oval gear", "turbine" or "paddle wheel".
func (t Type) String() string { return nameOf(typeNames[:], uint8(t)) }

// ParseType returns the type of that name; of no name, OvalGear. The error is an *Error.
func ParseType(name string) (Type, error) {
	n, err := parse("meter type", typeNames[:], name)
	return Type(n), err
}

// Body is what the meter's measuring chamber is made of.
type Body uint8

// The bodies.
const (
	Steel     Body = iota // stainless
	Aluminium             //
	Acetal                // and plastics like it
)

var bodyNames = [...]string{"steel", "aluminium", "acetal"}

// String returns the body's name: "steel", "aluminium" or "acetal".
func (b Body) String() string { return nameOf(bodyNames[:], uint8(b)) }

// ParseBody returns the body of that name; of no name, Steel. The error is an *Error.
func ParseBody(name string) (Body, error) {
	n, err := parse("meter body", bodyNames[:], name)
	return Body(n), err
}

func nameOf(names []string, n uint8) string {
	if int(n) >= len(names) {
		return fmt.Sprintf("%d", n)
	}
	return names[n]
}

func parse(field string, names []string, name string) (int, error) {
	if name == "" {
		return 0, nil
	}
	rule := "must be"
	for i, n := range names {
		if n == name {
			return i, nil
		}
		switch i {
		case 0:
			rule += fmt.Sprintf(" %q", n)
		case len(names) - 1:
			rule += fmt.Sprintf(" or %q", n)
		default:
			rule += fmt.Sprintf(", %q", n)
		}
	}
	return 0, &Error{field, rule, fmt.Sprintf("%q", name)}
}

// linear expansion, 1/K: stainless steel 316, aluminium, acetal (handbook
// values, memory). Grades differ by a tenth; expansionU is that, relative.
var linear = [...]float64{16e-6, 23e-6, 110e-6}

const expansionU = 0.1

// Expansion returns by how much the chamber grows, relatively, for 1 K.
func (b Body) Expansion() float64 { return 3 * linear[min(int(b), len(linear)-1)] }

// K returns the K-factor at t of a meter whose K-factor at ref is k: the
// chamber grows with temperature, so that a pulse is worth more.
func (b Body) K(k float64, ref, t quantity.Temperature) float64 {
	return k * (1 - float64(b.Expansion()*float64(t-ref)))
}

// Meter is the meter that is proved.
type Meter struct {
	Type   Type
	Body   Body
	Repeat float64 // relative standard deviation of one pull's K; 0: UsualRepeat
}

// UsualRepeat is how well a meter of that type repeats where nothing is known: 0.05 %
// of repeatability is typical of positive-displacement meters
// (instrumentation.processengineer.info, read); 0.1 % allows for short pulls, and
// 0.2 % for the run-up of a turbine or paddle wheel (common practice, no source).
func UsualRepeat(t Type) float64 {
	if t == OvalGear {
		return 0.001
	}
	return 0.002
}

func (m Meter) check() error {
	switch {
	case int(m.Type) >= len(typeNames):
		return &Error{"meter type", "must be one of the types", m.Type}
	case int(m.Body) >= len(bodyNames):
		return &Error{"meter body", "must be one of the bodies", m.Body}
	case !(m.Repeat >= 0 && m.Repeat <= 0.2):
		return &Error{"meter repeatability", "must be between 0 and 0.2", m.Repeat}
	}
	return nil
}
