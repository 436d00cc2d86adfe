// Package tote turns a level into a volume: by a strapping table, from a
// headspace sensor above or a pressure sensor below.
//
// Levels are heights of the surface above the tote's floor, with the tote
// standing level. Whether a reading may be trusted (slosh, noise) is not
// judged here.
package tote

import (
	"fmt"
	"math"
	"sort"

	"yardtally/calibrate/quantity"
)

// Gravity is the standard acceleration of free fall, m/s² (exact by
// definition, NIST SP 811). On Earth's surface the true one is within 0.3 %.
const Gravity = 9.80665

// Strap is one line of a strapping table: what the tote holds up to a level.
type Strap struct {
	Level  quantity.Length
	Volume quantity.Volume
}

// Table is a strapping table. It is never changed once made, so copies may be
// shared. The zero Table has no lines and knows nothing.
type Table struct {
	straps []Strap
}

// Error says what cannot be so: field, rule, value.
type Error struct {
	Field string // such as "straps[2].volume"
	Rule  string
	Value any
}

func (e *Error) Error() string { return fmt.Sprintf("%s: %s, is %v", e.Field, e.Rule, e.Value) }

// Limits of a table.
const (
	maxLevel    quantity.Length = 20
	maxCapacity                 = 1000 * quantity.CubicMetre
)

// New makes a table of at least two straps; their levels must rise from line
// to line, 0 to 20 m, and their volumes must not fall, 0 to 1000 m³. The
// straps are copied. All errors are *Error.
func New(straps []Strap) (Table, error) {
	if len(straps) < 2 {
		return Table{}, &Error{"straps", "needs at least two lines", len(straps)}
	}
	for i, s := range straps {
		if !(s.Level >= 0 && s.Level <= maxLevel) {
			return Table{}, &Error{fmt.Sprintf("straps[%d].level", i), "must be between 0 and 20 m", s.Level}
		}
		if s.Volume < 0 || s.Volume > maxCapacity {
			return Table{}, &Error{fmt.Sprintf("straps[%d].volume", i), "must be between 0 and 1000000 L", s.Volume}
		}
		if i == 0 {
			continue
		}
		if s.Level <= straps[i-1].Level {
			return Table{}, &Error{fmt.Sprintf("straps[%d].level", i), fmt.Sprintf("must be above the line before (%v)", straps[i-1].Level), s.Level}
		}
		if s.Volume < straps[i-1].Volume {
			return Table{}, &Error{fmt.Sprintf("straps[%d].volume", i), fmt.Sprintf("must not be below the line before (%v)", straps[i-1].Volume), s.Volume}
		}
	}
	return Table{append([]Strap(nil), straps...)}, nil
}

// Box makes the table of a tank with straight walls and a flat floor, from its
// inner length, width and height.
func Box(length, width, height quantity.Length) (Table, error) {
	for _, d := range []struct {
		field string
		value quantity.Length
	}{{"length", length}, {"width", width}, {"height", height}} {
		if !(d.value > 0 && d.value <= maxLevel) {
			return Table{}, &Error{d.field, "must be above 0 and at most 20 m", d.value}
		}
	}
	full := quantity.VolumeOf(float64(length) * float64(width) * float64(height))
	return New([]Strap{{0, 0}, {height, full}})
}

// The inner plan of the bottle of a caged tote, 45 by 37 inches (read in
// suppliers' size guides; makes differ).
const (
	ibcLength = 45 * quantity.Inch
	ibcWidth  = 37 * quantity.Inch
)

// IBC makes the table of a caged tote (intermediate bulk container) of a
// nominal capacity, such as 275 or 330 US gal, as if its walls were straight.
// They bulge, by some percent (common practice, no source): for a balance,
// strap the tote.
func IBC(capacity quantity.Volume) (Table, error) {
	if capacity < 100*quantity.Litre || capacity > 3*quantity.CubicMetre {
		return Table{}, &Error{"capacity", "must be between 100 and 3000 L", capacity}
	}
	height := quantity.Length(capacity.CubicMetres()) / (ibcLength * ibcWidth)
	return New([]Strap{{0, 0}, {height, capacity}})
}

// Mark says where a value lies to the table.
type Mark uint8

// The marks.
const (
	Within   Mark = iota // from the first line to the last, both included
	Below                // below the first line: the answer is the first line's
	Above                // above the last line: the answer is the last line's
	NoNumber             // not a number, or the table is empty: the answer is 0
)

// String returns "within", "below", "above" or "no number".
func (m Mark) String() string {
	return [...]string{"within", "below", "above", "no number"}[min(m, NoNumber)]
}

// Volume returns what the tote holds up to a level, on a straight line between
// two straps. Outside the table it is clamped, and marked so.
func (t Table) Volume(level quantity.Length) (quantity.Volume, Mark) {
	n := len(t.straps)
	if n == 0 || math.IsNaN(float64(level)) {
		return 0, NoNumber
	}
	i := sort.Search(n, func(i int) bool { return t.straps[i].Level >= level })
	switch {
	case i == n:
		return t.straps[n-1].Volume, Above
	case t.straps[i].Level == level:
		return t.straps[i].Volume, Within
	case i == 0:
		return t.straps[0].Volume, Below
	}
	a, b := t.straps[i-1], t.straps[i]
	part := float64((level - a.Level) / (b.Level - a.Level))
	return a.Volume + quantity.Volume(math.Round(part*float64(b.Volume-a.Volume))), Within
}

// Level returns the level at which the tote holds a volume; where the table is
// flat, the lowest such level. Outside the table it is clamped, and marked so.
func (t Table) Level(v quantity.Volume) (quantity.Length, Mark) {
	n := len(t.straps)
	if n == 0 {
		return 0, NoNumber
	}
	i := sort.Search(n, func(i int) bool { return t.straps[i].Volume >= v })
	switch {
	case i == n:
		return t.straps[n-1].Level, Above
	case t.straps[i].Volume == v:
		return t.straps[i].Level, Within
	case i == 0:
		return t.straps[0].Level, Below
	}
	a, b := t.straps[i-1], t.straps[i]
	part := quantity.Length(v-a.Volume) / quantity.Length(b.Volume-a.Volume)
	return a.Level + quantity.Length(float64(part*(b.Level-a.Level))), Within
}

// Capacity returns the volume of the last line, 0 for the zero Table.
func (t Table) Capacity() quantity.Volume {
	if len(t.straps) == 0 {
		return 0
	}
	return t.straps[len(t.straps)-1].Volume
}

// Straps returns a copy of the lines.
func (t Table) Straps() []Strap { return append([]Strap(nil), t.straps...) }

// FromHeadspace returns the level under a sensor that measures down to the
// surface. sensor is the height of its face above the floor. The level is
// negative if the headspace is larger than that.
func FromHeadspace(headspace, sensor quantity.Length) quantity.Length {
	return sensor - headspace
}

// FromHead returns the level over a gauge-pressure sensor in a vented tote.
// sensor is its height above the floor. A relative error of the density is one
// of the height over the sensor. A small negative pressure (a sensor's zero)
// gives a level below the sensor. All errors are *Error.
func FromHead(p quantity.Pressure, d quantity.Density, sensor quantity.Length) (quantity.Length, error) {
	if !(d >= 500 && d <= 2000) {
		return 0, &Error{"density", "must be between 500 and 2000 kg/m3", d}
	}
	if math.IsNaN(float64(p)) || math.IsInf(float64(p), 0) {
		return 0, &Error{"head", "must be a number", p}
	}
	return quantity.Length(float64(p)/(float64(d)*Gravity)) + sensor, nil
}

// Usable returns what can be drawn of v: all but what stays below the outlet,
// and never less than nothing.
func Usable(v, unusable quantity.Volume) quantity.Volume { return max(0, v-unusable) }

// Mass returns the mass of a volume of syrup, without the tote.
func Mass(v quantity.Volume, d quantity.Density) quantity.Mass {
	return quantity.Mass(v.CubicMetres() * float64(d))
}
