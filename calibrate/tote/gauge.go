package tote

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
)

// Kind is a kind of level sensor.
type Kind uint8

// The kinds.
const (
	Ultrasonic  Kind = iota // looks down; takes a sound's time for distance
	Optical                 // looks down by light; air does not matter to it
	Hydrostatic             // gauge pressure near the floor of a vented tote
)

// String returns "ultrasonic", "optical" or "hydrostatic".
func (k Kind) String() string {
	return [...]string{"ultrasonic", "optical", "hydrostatic"}[min(k, Hydrostatic)]
}

// ParseKind returns the kind of that name. The error names those there are.
func ParseKind(name string) (Kind, error) {
	for k := Ultrasonic; k <= Hydrostatic; k++ {
		if k.String() == name {
			return k, nil
		}
	}
	return 0, fmt.Errorf(`level sensor: must be "ultrasonic", "optical" or "hydrostatic", is %q`, name)
}

// Sensor is a level sensor and where it sits. Uncertainties are standard ones;
// 0 stands for the value named.
type Sensor struct {
	Kind    Kind
	Height  quantity.Length // of its face (what looks down) or its diaphragm above the floor
	HeightU quantity.Length // 2 mm
	Forward quantity.Length // from the plan's centroid towards the front; negative to the rear
	Right   quantity.Length // from the plan's centroid to the right, looking forward

	// An ultrasonic sensor either allows for the air's temperature itself, or
	// is right at one temperature only.
	Compensated bool
	Made        quantity.Temperature // °C, where it is not compensated

	U    float64 // of a settled reading beside its slope: m (2 mm), or Pa (30 Pa)
	RelU float64 // of its slope, relative (0.2 %)
}

// What a sensor's zeros stand for: common practice, no source.
const (
	usualHeightU     = 2 * quantity.Millimetre
	usualU           = 0.002
	usualPa          = 30
	usualRelU        = 0.002
	usualDensityRelU = 0.003           // some 0.7 Brix
	usualAirU        = 3               // K, an air sensor beside the tote for the air in it
	unknownAirU      = 10              // K, no air sensor at all
	ownAirU          = 1               // K, an ultrasonic sensor's own
	usualLean        = math.Pi / 180   // rad, a rig parked with no inclinometer aboard
	usualTiltU       = 0.2 * usualLean // rad, an inclinometer, and the tote on its bed
	gravityRelU      = 0.0017          // 0.3 % at most, rectangular
)

// Tilt is how the tote leans. Angles are in rad.
type Tilt struct {
	Known bool
	Pitch float64 // front up is positive
	Roll  float64 // right side down is positive
	U     float64 // standard uncertainty of each; 0: 0.2° where known, 1° where not
}

// Sight is one settled level reading and what is known of its circumstances.
type Sight struct {
	Value  float64 // headspace as the sensor said it, m, or gauge pressure, Pa
	ValueU float64 // standard uncertainty that the moving surface leaves to it, same unit

	Air    quantity.Temperature // of the air over the syrup
	HasAir bool
	AirU   float64 // K; 0: 3 K

	Tilt Tilt

	// Density of the syrup in the tote, at the tote's temperature; 0: not
	// known. A hydrostatic sensor cannot do without, nor can Mass.
	Density     quantity.Density
	DensityRelU float64 // 0: 0.3 %
}

// Cause is a cause of a volume's uncertainty.
type Cause uint8

// The causes.
const (
	BySensor    Cause = iota // the level sensor and its mounting
	ByDensity                // the syrup's, to a hydrostatic sensor
	ByTilt                   // how the tote leans
	BySound                  // speed of sound in the headspace
	BySlosh                  // the moving surface
	ByStrapping              // the strapping table
	ByMeter                  // the meter that the table was learnt from
)

// Causes is how many causes there are.
const Causes = int(ByMeter) + 1

// String returns "level sensor", "density", "tilt", "sound speed", "slosh",
// "strapping" or "meter".
func (c Cause) String() string {
	return [...]string{"level sensor", "density", "tilt", "sound speed", "slosh", "strapping", "meter"}[min(c, ByMeter)]
}

// Parts are standard uncertainties by cause, m³ or kg, none below 0.
// The causes are independent of each other.
type Parts [Causes]float64

// U returns the combined standard uncertainty: the root of the sum of squares
// (GUM 5.1.2).
func (p Parts) U() float64 {
	sum := 0.0
	for _, u := range p {
		sum += float64(u * u)
	}
	return math.Sqrt(sum)
}

// Largest returns the cause that dominates.
func (p Parts) Largest() Cause {
	most := Cause(0)
	for c := range p {
		if p[c] > p[most] {
			most = Cause(c)
		}
	}
	return most
}

// Note is a set of things that a reader of a volume should know.
type Note uint16

// The notes.
const (
	NoAir     Note = 1 << iota // the air's temperature is not known
	NoTilt                     // how the tote leans is not known
	NoDensity                  // the density is not known
	UnderAll                   // the level is below the table
	OverAll                    // the level is above the table
	Uncovered                  // the level is in a gap of the table
	NotRead                    // there is no volume: Value or Density is no number, or there is no table
	FromMeter                  // the table was learnt from the meter
)

var noteWords = [...]string{
	"no air temperature: the speed of sound is not corrected",
	"how the tote leans is not measured",
	"what is in the tote is not known: no density",
	"the level is below the strapping table",
	"the level is above the strapping table",
	"the level is where the strapping table has learnt nothing yet",
	"no volume: the reading or the density is no number, or there is no strapping table",
	"learnt from the meter: shows drift only, never judges the meter",
}

// Words returns the notes as sentences' beginnings, one each.
func (n Note) Words() []string {
	var out []string
	for i, w := range noteWords {
		if n&(1<<i) != 0 {
			out = append(out, w)
		}
	}
	return out
}

// Reading is what a tote holds, by its level.
type Reading struct {
	Level  quantity.Length // at the plan's centroid
	Volume quantity.Volume
	U      Parts   // m³
	Area   float64 // of the surface, m²
	Mark   Mark
	Notes  Note

	Mass  quantity.Mass // of the syrup; 0 if its density is not known
	MassU Parts         // kg

	// Changes for a relative error of 1, signed, to add errors that are shared
	// with others before they are squared: density's of Volume (m³) and Mass
	// (kg), the learnt-from meter's of Volume (m³).
	PerDensity, MassPerDensity, PerMeter float64
}

// Wide returns the half-width of the 95 % interval of the volume.
func (r Reading) Wide() quantity.Volume { return quantity.VolumeOf(Wide * r.U.U()) }

// Gauge is a tote's table and one of its sensors. It is a value, never
// changed; it keeps nothing.
type Gauge struct {
	Table  Table
	Sensor Sensor
}

// NewGauge checks a sensor. All errors are *Error.
func NewGauge(t Table, s Sensor) (Gauge, error) {
	for _, f := range []struct {
		field, rule string
		v, lo, hi   float64
	}{
		{"sensor.height", "must be between 0 and 20 m", float64(s.Height), 0, 20},
		{"sensor.height_u", "must be between 0 and 1 m", float64(s.HeightU), 0, 1},
		{"sensor.forward", "must be within 10 m of the centroid", float64(s.Forward), -10, 10},
		{"sensor.right", "must be within 10 m of the centroid", float64(s.Right), -10, 10},
		{"sensor.made", "must be between -40 and 60 °C", float64(s.Made), -40, 60},
		{"sensor.u", "must be between 0 and 1 m, or 10000 Pa", s.U, 0, 1},
		{"sensor.rel_u", "must be between 0 and 0.1", s.RelU, 0, 0.1},
	} {
		if f.field == "sensor.u" && s.Kind == Hydrostatic {
			f.hi = 10_000
		}
		if !(f.v >= f.lo && f.v <= f.hi) {
			return Gauge{}, &Error{f.field, f.rule, f.v}
		}
	}
	if s.Kind > Hydrostatic {
		return Gauge{}, &Error{"sensor.kind", "must be a kind there is", uint8(s.Kind)}
	}
	return Gauge{t, s}, nil
}

func or(v, usual float64) float64 {
	if v > 0 && !math.IsInf(v, 1) {
		return v
	}
	return usual
}

// number tells whether v is one, and one that a sensor can say.
func number(v float64) bool { return math.Abs(v) < 1e9 }

// Read returns what the tote holds by one sight. It allocates nothing and
// never fails: what it cannot say is in Mark and Notes, and never looks good.
func (g *Gauge) Read(s Sight) Reading {
	r := Reading{}
	sensor := &g.Sensor
	knows := s.Density >= minDensity && s.Density <= maxDensity
	if !knows {
		r.Notes |= NoDensity
	}
	if len(g.Table.lines) < 2 || !number(s.Value) || !number(s.ValueU) || !knows && sensor.Kind == Hydrostatic {
		return g.nothing(r)
	}
	var u Parts // m of level, until they become volumes

	// How the tote leans. Front up: the surface is lower at the front, in the
	// tote's own upright axis. Right side down: higher on the right.
	slopeF, slopeR, tiltU := 0.0, 0.0, or(s.Tilt.U, usualLean)
	if s.Tilt.Known && math.Abs(s.Tilt.Pitch) < 0.5 && math.Abs(s.Tilt.Roll) < 0.5 {
		slopeF, slopeR, tiltU = -math.Tan(s.Tilt.Pitch), math.Tan(s.Tilt.Roll), or(s.Tilt.U, usualTiltU)
	} else {
		r.Notes |= NoTilt
	}
	lean := 1 + float64(slopeF*slopeF) + float64(slopeR*slopeR)
	cos := 1 / math.Sqrt(lean) // of the whole inclination
	u[ByTilt] = math.Hypot(float64(sensor.Forward), float64(sensor.Right)) * lean * tiltU

	var over float64 // height of syrup over a hydrostatic sensor
	fixed := or(float64(sensor.HeightU), float64(usualHeightU))
	relU := or(sensor.RelU, usualRelU)
	if sensor.Kind == Hydrostatic {
		perM := float64(s.Density) * Gravity * cos // Pa, along the tote's axis
		over = s.Value / perM
		r.Level = sensor.Height + quantity.Length(over)
		u[BySensor] = hypot3(fixed, or(sensor.U, usualPa)/perM, math.Hypot(relU, gravityRelU)*over)
		u[ByDensity] = math.Abs(over) * or(s.DensityRelU, usualDensityRelU)
		u[BySlosh] = or(s.ValueU, 0) / perM
	} else {
		d := s.Value
		airU := or(s.AirU, usualAirU)
		hasAir := s.HasAir && s.Air > -90 && s.Air < 90
		t := s.Air
		switch {
		case sensor.Kind == Optical:
		case sensor.Compensated:
			t, airU = 20, ownAirU
		case !hasAir:
			t, airU = sensor.Made, unknownAirU
			r.Notes |= NoAir
		default:
			d = float64(Echo(quantity.Length(d), sensor.Made, t))
		}
		if sensor.Kind == Ultrasonic {
			u[BySound] = math.Abs(d) * math.Hypot(airU/(2*(273.15+float64(t))), moistRelU)
			// The echo may come from straight below, or from where the surface
			// stands square to the beam, d·cos away: any way between, GUM 4.3.7.
			u[ByTilt] = math.Hypot(u[ByTilt], math.Abs(d)*(1-cos)/math.Sqrt(3))
		}
		r.Level = FromHeadspace(quantity.Length(d), sensor.Height)
		u[BySensor] = hypot3(fixed, or(sensor.U, usualU), relU*d)
		u[BySlosh] = or(s.ValueU, 0) * d / or(math.Abs(s.Value), 1)
	}
	r.Level -= sensor.Forward*quantity.Length(slopeF) + sensor.Right*quantity.Length(slopeR)

	p := g.Table.At(r.Level)
	r.Volume, r.Area, r.Mark, r.PerMeter = p.Volume, p.Area, p.Mark, p.PerMeter
	for c := range u {
		r.U[c] = math.Abs(u[c]) * p.Area
	}
	r.U[ByStrapping] = p.U
	r.U[ByMeter] = math.Abs(p.PerMeter) * g.Table.meterU
	switch p.Mark {
	case Below:
		r.Notes |= UnderAll
	case Above:
		r.Notes |= OverAll
	case Gap:
		r.Notes |= Uncovered
	}
	if g.Table.source == Metered {
		r.Notes |= FromMeter
	}
	r.PerDensity = -over * p.Area
	if knows {
		rho, v := float64(s.Density), r.Volume.CubicMetres()
		r.Mass = Mass(r.Volume, s.Density)
		for c := range r.U {
			r.MassU[c] = r.U[c] * rho
		}
		// Between straight walls a pressure is a mass: the two terms cancel.
		r.MassPerDensity = rho * (v + r.PerDensity)
		r.MassU[ByDensity] = math.Abs(r.MassPerDensity) * or(s.DensityRelU, usualDensityRelU)
	}
	return r
}

// nothing marks a reading that says nothing: anything up to full may be so.
func (g *Gauge) nothing(r Reading) Reading {
	r.Mark = NoNumber
	r.Notes |= NotRead
	r.U[BySensor] = g.Table.Capacity().CubicMetres()
	return r
}

func hypot3(a, b, c float64) float64 {
	return math.Sqrt(float64(a*a) + float64(b*b) + float64(c*c))
}
