// Package tote turns a level into a volume: by a strapping table, measured,
// taken as a box or learnt from metered fills and draws; from a headspace
// sensor above or a pressure sensor below.
//
// Levels are heights of the surface above the tote's floor, along its upright
// walls, at the centroid of its plan: there a tilt does not change them. Whether
// a reading may be trusted (moving, slosh, noise) is judged in meter/tote.
//
// Uncertainties are standard uncertainties (GUM 3.1) unless said otherwise; 95 %
// is Wide times as much.
package tote

import (
	"fmt"
	"math"

	"yardtally/calibrate/quantity"
)

// Gravity is the standard acceleration of free fall, m/s² (exact by
// definition, NIST SP 811). On Earth's surface the true one is within 0.3 %.
const Gravity = 9.80665

// Wide times a standard uncertainty covers 95 % of a normal distribution.
const Wide = 1.959964

// Strap is one line of a strapping table: what the tote holds up to a level.
type Strap struct {
	Level  quantity.Length
	Volume quantity.Volume
	U      quantity.Volume // standard uncertainty of Volume; 0: not said, see New
}

// Source says where a table comes from.
type Source uint8

// The sources.
const (
	Strapped Source = iota // measured by other means than the rig's own meter
	Walls                  // from lengths, as if the walls were straight
	Metered                // learnt from the rig's own meter
)

// String returns "strapped", "straight walls" or "learnt from the meter".
func (s Source) String() string {
	return [...]string{"strapped", "straight walls", "learnt from the meter"}[min(s, Metered)]
}

// Words says in a sentence what the source is worth.
func (s Source) Words() string {
	return [...]string{
		"Strapped: the tote was measured apart from the meter, so it can judge the meter.",
		"Straight walls: worked out from lengths; walls that bulge hold more, by some percent. It can judge the meter no better than that.",
		"Learnt from the meter: the table shares the meter's error. It can show that the meter drifts, never that the meter is right.",
	}[min(s, Metered)]
}

// line is a strap with what is known of it and of the stretch up to the next.
type line struct {
	level  quantity.Length
	volume quantity.Volume
	u      float64 // standard uncertainty, m³
	bend   float64 // how far the true curve may stray from the straight line, at most, m³
	meter  float64 // change for a relative error of 1 of the meter that it was learnt from, m³
	gap    bool    // the stretch was not covered by what it was learnt from
}

// Table is a strapping table. It is never changed once made, so copies may be
// shared. The zero Table has no lines and knows nothing.
//
// Between two lines it goes straight, as a person reads it off the paper. Walls
// that bulge by 5 % of the area in the middle make that wrong by 0.2 L at most
// where lines are 10 cm apart, and by 5 L where they are 50 cm apart (A'h²/8);
// At counts it in. Learnt tables have a line each 25 mm, where it is nothing.
type Table struct {
	lines  []line
	cov    []float64 // covariance of the lines' volumes, m⁶, where it is known
	source Source
	meterU float64 // relative standard uncertainty of the meter it was learnt from
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

// A strap whose uncertainty is not said is taken to be good to strapRelU of its
// volume (the measure it was filled with) and to strapLevelU of level (reading the
// stick); standard uncertainties, common practice, no source.
const (
	strapRelU   = 0.005
	strapLevelU = 2 * quantity.Millimetre
)

// New makes a table of at least two straps; their levels must rise from line
// to line, 0 to 20 m, and their volumes must not fall, 0 to 1000 m³. The
// straps are copied. One whose U is 0 gets 0.5 % and what 2 mm of level are
// worth there. All errors are *Error.
func New(straps []Strap) (Table, error) { return build(straps, Strapped, strapRelU, strapLevelU) }

func build(straps []Strap, source Source, relU float64, levelU quantity.Length) (Table, error) {
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
		if s.U < 0 || s.U > maxCapacity {
			return Table{}, &Error{fmt.Sprintf("straps[%d].u", i), "must be between 0 and 1000000 L", s.U}
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
	t := Table{lines: make([]line, len(straps)), source: source}
	for i, s := range straps {
		t.lines[i] = line{level: s.Level, volume: s.Volume, u: s.U.CubicMetres()}
	}
	last := len(straps) - 1
	for i := range t.lines {
		l := &t.lines[i]
		if l.u == 0 {
			near := t.area(min(i, last-1))
			if i > 0 {
				near = max(near, t.area(i-1))
			}
			l.u = math.Hypot(relU*l.volume.CubicMetres(), near*float64(levelU))
		}
		if i == last {
			break
		}
		// A curve with second derivative c strays from its chord by c·h²/8.
		h := float64(t.lines[i+1].level - l.level)
		turn := 0.0
		if i > 0 {
			turn = math.Abs(t.area(i)-t.area(i-1)) / float64(t.lines[i+1].level-t.lines[i-1].level) * 2
		}
		if i+2 <= last {
			turn = max(turn, math.Abs(t.area(i+1)-t.area(i))/float64(t.lines[i+2].level-l.level)*2)
		}
		l.bend = turn * h * h / 8
	}
	return t, nil
}

// area returns the plan area of the stretch above line i, m².
func (t *Table) area(i int) float64 {
	a, b := &t.lines[i], &t.lines[i+1]
	return (b.volume - a.volume).CubicMetres() / float64(b.level-a.level)
}

// How well straight walls from lengths do, relative standard uncertainty:
// a box as its lengths are measured, a caged tote for its bulge (common
// practice, no source).
const (
	boxRelU = 0.01
	ibcRelU = 0.02
)

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
	return build([]Strap{{}, {Level: height, Volume: full}}, Walls, boxRelU, strapLevelU)
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
	return build([]Strap{{}, {Level: height, Volume: capacity}}, Walls, ibcRelU, strapLevelU)
}

// Mark says where a value lies to the table.
type Mark uint8

// The marks.
const (
	Within   Mark = iota // from the first line to the last, both included
	Below                // below the first line: the answer is the first line's
	Above                // above the last line: the answer is the last line's
	NoNumber             // not a number, or the table is empty: the answer is 0
	Gap                  // within, where what the table was learnt from left a gap
)

// String returns "within", "below", "above", "no number" or "in a gap of".
func (m Mark) String() string {
	return [...]string{"within", "below", "above", "no number", "in a gap of"}[min(m, Gap)]
}

// stretch returns the index of the line that begins the stretch a level lies in, and
// its mark. A level outside gets the first or last stretch.
func (t *Table) stretch(level quantity.Length) (int, Mark) {
	n := len(t.lines)
	if n < 2 || level != level {
		return 0, NoNumber
	}
	if level < t.lines[0].level {
		return 0, Below
	}
	if level > t.lines[n-1].level {
		return n - 2, Above
	}
	lo, hi := 0, n-1 // lines[lo].level <= level <= lines[hi].level
	for hi-lo > 1 {
		if mid := int(uint(lo+hi) / 2); t.lines[mid].level <= level {
			lo = mid
		} else {
			hi = mid
		}
	}
	if t.lines[lo].gap {
		return lo, Gap
	}
	return lo, Within
}

// Volume returns what the tote holds up to a level, on a straight line between
// two straps. Outside the table it is clamped, and marked so.
func (t Table) Volume(level quantity.Length) (quantity.Volume, Mark) {
	i, mark := t.stretch(level)
	switch mark {
	case NoNumber:
		return 0, mark
	case Below:
		return t.lines[0].volume, mark
	case Above:
		return t.lines[i+1].volume, mark
	}
	a, b := &t.lines[i], &t.lines[i+1]
	part := float64((level - a.level) / (b.level - a.level))
	return a.volume + quantity.Volume(math.Round(part*float64(b.volume-a.volume))), mark
}

// Level returns the level at which the tote holds a volume; where the table is
// flat, the lowest such level. Outside the table it is clamped, and marked so.
func (t Table) Level(v quantity.Volume) (quantity.Length, Mark) {
	n := len(t.lines)
	if n < 2 {
		return 0, NoNumber
	}
	if v < t.lines[0].volume {
		return t.lines[0].level, Below
	}
	if v > t.lines[n-1].volume {
		return t.lines[n-1].level, Above
	}
	if v == t.lines[0].volume {
		return t.lines[0].level, Within
	}
	lo, hi := 0, n-1 // lines[lo].volume < v <= lines[hi].volume
	for hi-lo > 1 {
		if mid := int(uint(lo+hi) / 2); t.lines[mid].volume < v {
			lo = mid
		} else {
			hi = mid
		}
	}
	a, b := &t.lines[lo], &t.lines[hi]
	mark := Within
	if a.gap {
		mark = Gap
	}
	if v == b.volume {
		return b.level, mark
	}
	part := quantity.Length(v-a.volume) / quantity.Length(b.volume-a.volume)
	return a.level + quantity.Length(float64(part*(b.level-a.level))), mark
}

// Point is all that a table says of a level.
type Point struct {
	Volume   quantity.Volume
	Mark     Mark
	Area     float64 // plan area there, m²: the volume of 1 m of level
	U        float64 // standard uncertainty of Volume by the table alone, the meter's common error not in it, m³
	PerMeter float64 // change of Volume for a relative error of 1 of the meter it was learnt from, m³; 0 for others
}

// At returns the volume of a level with its uncertainty. Outside the table
// that holds what may lie beyond its last line.
func (t Table) At(level quantity.Length) Point {
	i, mark := t.stretch(level)
	if mark == NoNumber {
		return Point{Mark: mark, U: math.Inf(1)}
	}
	a, b := &t.lines[i], &t.lines[i+1]
	p := Point{Mark: mark, Area: t.area(i)}
	if mark != Within && mark != Gap {
		first, last := &t.lines[0], &t.lines[len(t.lines)-1]
		p.Area = max(p.Area, (last.volume-first.volume).CubicMetres()/float64(last.level-first.level))
	}
	switch mark {
	case Below:
		beyond := min(float64(a.level-level), float64(maxLevel))
		p.Volume, p.U, p.PerMeter = a.volume, math.Hypot(a.u, p.Area*beyond), a.meter
		return p
	case Above:
		beyond := min(float64(level-b.level), float64(maxLevel))
		p.Volume, p.U, p.PerMeter = b.volume, math.Hypot(b.u, p.Area*beyond), b.meter
		return p
	}
	q := float64((level - a.level) / (b.level - a.level))
	p.Volume = a.volume + quantity.Volume(math.Round(q*float64(b.volume-a.volume)))
	// "At most" the bend: a rectangular distribution (GUM 4.3.7).
	p.U = math.Hypot(a.u+float64(q*(b.u-a.u)), 4*q*(1-q)*a.bend/math.Sqrt(3))
	p.PerMeter = a.meter + float64(q*(b.meter-a.meter))
	return p
}

// Between returns what the tote holds between two levels, with the standard
// uncertainty by the table alone (the meter's common error not in it) and the
// change for a relative error of 1 of the meter it was learnt from, m³. The
// sign is that of to less from. Where the table says how its lines' errors go
// together, what is common to both levels cancels; else they count as
// independent. Levels outside are clamped, with the mark of the worse.
func (t Table) Between(from, to quantity.Length) (v quantity.Volume, u, perMeter float64, mark Mark) {
	a, b := t.At(from), t.At(to)
	mark = max(a.Mark, b.Mark)
	if a.Mark == NoNumber || b.Mark == NoNumber {
		return 0, math.Inf(1), 0, NoNumber
	}
	v, perMeter = b.Volume-a.Volume, b.PerMeter-a.PerMeter
	inside := func(m Mark) bool { return m == Within || m == Gap }
	if t.cov == nil || !inside(a.Mark) || !inside(b.Mark) {
		return v, math.Hypot(a.U, b.U), perMeter, mark
	}
	var at [4]int
	var w [4]float64
	for k, level := range [2]quantity.Length{from, to} {
		i, _ := t.stretch(level)
		q := float64((level - t.lines[i].level) / (t.lines[i+1].level - t.lines[i].level))
		sign := float64(2*k - 1)
		at[2*k], at[2*k+1] = i, i+1
		w[2*k], w[2*k+1] = sign*(1-q), sign*q
	}
	sum := 0.0
	for i := range at {
		for j := range at {
			sum += float64(w[i] * w[j] * t.cov[at[i]*len(t.lines)+at[j]])
		}
	}
	return v, math.Sqrt(max(0, sum)), perMeter, mark
}

// Capacity returns the volume of the last line, 0 for the zero Table.
func (t Table) Capacity() quantity.Volume {
	if len(t.lines) == 0 {
		return 0
	}
	return t.lines[len(t.lines)-1].volume
}

// Source returns where the table comes from.
func (t Table) Source() Source { return t.source }

// MeterU returns the relative standard uncertainty of the meter that the table
// was learnt from, 0 for other tables.
func (t Table) MeterU() float64 { return t.meterU }

// Straps returns a copy of the lines, each with its uncertainty, the meter's
// common error not in it.
func (t Table) Straps() []Strap {
	out := make([]Strap, len(t.lines))
	for i, l := range t.lines {
		out[i] = Strap{l.level, l.volume, quantity.VolumeOf(l.u)}
	}
	return out
}

// Kept makes a table of lines that were learnt from the meter before, as
// Straps gave them, and the relative standard uncertainty of that meter. How
// the lines' errors hang together is not kept, so Between is less sure with it.
// All errors are *Error.
func Kept(straps []Strap, meterU float64) (Table, error) {
	if !(meterU > 0 && meterU <= 1) {
		return Table{}, &Error{"meter_u", "must be above 0 and at most 1", meterU}
	}
	t, err := build(straps, Metered, strapRelU, strapLevelU)
	if err != nil {
		return Table{}, err
	}
	t.meterU = meterU
	for i := range t.lines {
		t.lines[i].meter = t.lines[i].volume.CubicMetres()
	}
	return t, nil
}
